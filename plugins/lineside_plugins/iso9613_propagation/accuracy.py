"""Accuracy that ISO 9613-2 states for its own method, Table 5."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import PathDoubt, Standing

#: ISO 9613-2:1996, Table 5, without reflection and screening: within 3 dB either way, but within 1 dB up to 100 m where
#: the mean height of source and receiver is above 5 m. Quoted from memory.
WITHIN_DB = 3.0
NEAR_AND_HIGH_DB, NEAR_M, HIGH_M = 1.0, 100.0, 5.0


def accuracy(distance_m: Array, height_m: Array) -> PathDoubt:
    """Half-widths at plan distances (n,) and mean heights (n,) above the ground."""
    best = (np.asarray(distance_m) < NEAR_M) & (np.asarray(height_m) >= HIGH_M)
    return PathDoubt(
        np.where(best, NEAR_AND_HIGH_DB, WITHIN_DB),
        Standing.ASSUMPTION,
        "ISO 9613-2:1996, Table 5 (quoted from memory): 3 dB, or 1 dB up to 100 m with a mean height above 5 m; read "
        "as holding 9 times in 10, and taken for screened paths and beyond 1000 m as well (assumptions). The "
        "table is for paths without screening and reflection and for one octave-band or broad-band source",
    )

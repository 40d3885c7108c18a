"""The energy mean over passes of which some squeal."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db, to_energy
from lineside_plugins.squeal_passes.options import Case, ShareRow


def row_of(rows: Sequence[ShareRow], radius_m: float, kind: str, rail: str, friction: str) -> int | None:
    """Index of the first row that holds; None where there is none.

    Parameters
    ----------
    rows : sequence of ShareRow
    radius_m : float
        Smallest radius at the place, inf on straight track. [m]
    kind : {"train", "metro", "tram"}
    rail : {"dry", "damp", "wet"}
    friction : {"none", "gauge_lubrication", "friction_modifier", "both"}
    """
    return next((n for n, row in enumerate(rows) if row.holds(radius_m, kind, rail, friction)), None)


def share_of_passes(
    rows: Sequence[ShareRow], radius_m: float, kind: str, rail: str, friction: str, case: Case = "likely"
) -> float | None:
    """Share of passes that squeal, None where the table says nothing; arguments as for :func:`row_of`."""
    n = row_of(rows, radius_m, kind, rail, friction)
    return None if n is None else rows[n].share.at(case)


def squeal_part(share: ArrayLike, excess_db: ArrayLike) -> Array:
    """What squeal adds to the mean over passes, as a ratio to rolling noise: p (10^(x/10) - 1).

    ``share`` p of the passes is ``excess_db`` x louder than rolling noise, squeal and rolling noise together; below
    0 dB there is no squeal.
    """
    return np.asarray(share) * (to_energy(np.maximum(excess_db, 0.0)) - 1.0)


def pass_average(share: ArrayLike, excess_db: ArrayLike) -> Array:
    """Energy mean over all passes above rolling noise: 10 lg(1 - p + p 10^(x/10)). [dB]

    >>> pass_average(0.2, [15.0, 3.0]).round(2).tolist()
    [8.53, 0.79]
    """
    return to_db(1.0 + squeal_part(share, excess_db))

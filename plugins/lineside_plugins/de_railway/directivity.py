"""Directivity of lines and the source classes that follow from it.

References
----------
.. [1] 16. BImSchV (Verkehrslärmschutzverordnung), Annex 2, No. 3.5.1, Gl. 8; heights: Tables 5 and 13.
"""

from __future__ import annotations

from functools import cache

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.acoustics.levels import to_db
from lineside.contracts import SourceClass


def directivity_db(delta_deg: ArrayLike) -> Array:
    """D_I of Gl. 8, the same in all bands; delta is the angle between the ray and the track. [dB]

    >>> directivity_db([90, 45, 0]).round(2).tolist()
    [1.73, -0.68, -6.58]
    """
    return to_db(_energy(np.sin(np.radians(delta_deg)) ** 2))


def _energy(sin_square: Array) -> Array:
    return np.asarray(0.22 + 1.27 * sin_square)


@cache
def source_class(height_m: float) -> SourceClass:
    """Sources at a height above the rail head, with the directivity of Gl. 8.

    phi is the angle in plan between ray and track, psi the angle of the ray above the horizontal; the track counts as
    level, so that cos(delta) = cos(phi) cos(psi).
    """

    def gain(phi_deg: Array, psi_deg: Array) -> Array:
        cosine = np.cos(np.radians(phi_deg)) * np.cos(np.radians(psi_deg))
        return np.repeat(_energy(1.0 - cosine**2)[..., np.newaxis], N_THIRDS, axis=-1)

    return SourceClass(f"{height_m:g} m, line of 16. BImSchV", height_m, gain)

"""Which multiples of its spacing a grid around a place has."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array

#: Multiples this near to the margin count as lying on it, whatever the rounding. [spacings]
_ROUNDING = 1e-6


def grid_lines(xy_m: Array, spacing_m: float, margin_m: float) -> tuple[Array, Array]:
    """Numbers of the first and the last multiple of the spacing along x and y, (2,) each.

    Parameters
    ----------
    xy_m : ndarray, (n, 2)
        Tracks and receivers in the project's coordinates.

    Examples
    --------
    >>> first, last = grid_lines(np.array([[0.0, 3.0], [41.0, 3.0]]), 20.0, 100.0)
    >>> first.tolist(), last.tolist()
    ([-5.0, -5.0], [8.0, 6.0])
    """
    first = np.floor((xy_m.min(axis=0) - margin_m) / spacing_m + _ROUNDING)
    last = np.ceil((xy_m.max(axis=0) + margin_m) / spacing_m - _ROUNDING)
    return first, last

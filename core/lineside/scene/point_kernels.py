"""Cutting tracks into pieces, compiled. No physics stands here."""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


_jit = njit(cache=_can_cache(), error_model="numpy", nogil=True)


@_jit
def place(chainage: Array, xyz: Array, unit: Array, first: int, last: int, at: float, out: Array) -> None:
    """Position and direction in plan of a track at a chainage; beyond its ends those of the end; ``out`` (5,).

    The track has the vertices ``first`` to ``last - 1``; ``unit[k]`` points from vertex k to the next one.
    """
    j = first + int(np.searchsorted(chainage[first:last], at, side="right")) - 1
    k = min(max(j, first), last - 2)
    x = min(max(at, chainage[first]), chainage[last - 1])
    for c in range(3):
        slope = (xyz[k + 1, c] - xyz[k, c]) / (chainage[k + 1] - chainage[k])
        out[c] = slope * (x - chainage[k]) + xyz[k, c]
    out[3], out[4] = unit[k, 0], unit[k, 1]


@_jit
def cut(
    chainage: Array,
    xyz: Array,
    unit: Array,
    vertices: IntArray,
    track: IntArray,
    from_m: Array,
    to_m: Array,
    receivers: Array,
    ratio: float,
    nearest_m: float,
) -> tuple[IntArray, Array]:
    """Halve sections until no piece is longer than ``ratio`` times its distance to the nearest receiver.

    Parameters
    ----------
    chainage, xyz, unit
        Vertices of all tracks, track ``k`` from ``vertices[k]`` to ``vertices[k + 1] - 1``; see :func:`place`.
    track, from_m, to_m : ndarray, (n_sections,)
    receivers : ndarray, (n, 2)
    nearest_m : float
        Distances below count as this.

    Returns
    -------
    tuple
        Section of each piece (n_pieces,), and its position, direction and length (n_pieces, 6).
    """
    section, rows = np.empty(64, dtype=np.int64), np.empty((64, 6))
    low, high = np.empty(64), np.empty(64)
    here = np.empty(5)
    n = 0
    for s in range(track.size):
        first, last = vertices[track[s]], vertices[track[s] + 1]
        low[0], high[0] = from_m[s], to_m[s]
        waiting = 1
        while waiting > 0:
            waiting -= 1
            a, b = low[waiting], high[waiting]
            middle = 0.5 * (a + b)
            place(chainage, xyz, unit, first, last, middle, here)
            square = np.inf
            for r in range(receivers.shape[0]):
                dx, dy = here[0] - receivers[r, 0], here[1] - receivers[r, 1]
                square = min(square, dx * dx + dy * dy)
            distance = max(math.sqrt(square) - 0.5 * (b - a), nearest_m)
            if math.ceil((b - a) / (ratio * distance) - 1e-9) > 1 and waiting + 2 <= low.size:
                low[waiting], high[waiting] = middle, b
                low[waiting + 1], high[waiting + 1] = a, middle
                waiting += 2
                continue
            if n == section.size:
                more, wider = np.empty(2 * n, dtype=np.int64), np.empty((2 * n, 6))
                more[:n], wider[:n] = section, rows
                section, rows = more, wider
            section[n] = s
            rows[n, :5] = here
            rows[n, 5] = b - a
            n += 1
    return section[:n], rows[:n]

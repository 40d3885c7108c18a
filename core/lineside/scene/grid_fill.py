"""Which cells of a grid lines, outlines and strips lie in; compiled.

A box is (x, y, size of a cell, number of cells in x, in y). Results are pairs (cell, item), (n, 2).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray

WIDER_M = 1e-3  # lines count as this much wider than they are: no crossing falls between two cells


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


_jit = njit(cache=_can_cache(), error_model="numpy", nogil=True)


@_jit
def put(pairs: IntArray, n: int, cell: int, item: int) -> IntArray:
    """``pairs`` with a pair in row n, twice as long if it was full."""
    if n == pairs.shape[0]:
        longer = np.empty((2 * n, 2), dtype=np.int64)
        longer[:n] = pairs
        pairs = longer
    pairs[n, 0], pairs[n, 1] = cell, item
    return pairs


@_jit
def cells_between(box: Array, low_x: float, high_x: float, low_y: float, high_y: float) -> tuple[int, int, int, int]:
    """Columns and rows (from, to) of cells that a rectangle touches."""
    i = max(0, math.floor((low_x - WIDER_M - box[0]) / box[2]))
    j = max(0, math.floor((low_y - WIDER_M - box[1]) / box[2]))
    i1 = min(int(box[3]) - 1, math.floor((high_x + WIDER_M - box[0]) / box[2]))
    j1 = min(int(box[4]) - 1, math.floor((high_y + WIDER_M - box[1]) / box[2]))
    return i, i1, j, j1


@_jit
def fill_lines(box: Array, seg: Array) -> IntArray:
    """Cells that each line (x0, y0, x1, y1, ...) touches."""
    pairs, n = np.empty((64, 2), dtype=np.int64), 0
    half = 0.5 * box[2] + WIDER_M
    for m in range(seg.shape[0]):
        ax, ay, bx, by = seg[m, 0], seg[m, 1], seg[m, 2], seg[m, 3]
        i0, i1, j0, j1 = cells_between(box, min(ax, bx), max(ax, bx), min(ay, by), max(ay, by))
        dx, dy = bx - ax, by - ay
        reach = (abs(dx) + abs(dy)) * half
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                x, y = box[0] + (i + 0.5) * box[2], box[1] + (j + 0.5) * box[2]
                if abs(dx * (y - ay) - dy * (x - ax)) <= reach:
                    pairs = put(pairs, n, j * int(box[3]) + i, m)
                    n += 1
    return pairs[:n].copy()


@_jit
def fill_rings(box: Array, seg: Array, ring: IntArray) -> IntArray:
    """Cells whose centre lies in each outline; rows of ``ring`` begin with its first line and the one after its last.

    The side on which a line counts is that of :func:`lineside.scene.cut_kernels.test_line`.
    """
    pairs, n = np.empty((64, 2), dtype=np.int64), 0
    for k in range(ring.shape[0]):
        low_x, high_x, low_y, high_y = math.inf, -math.inf, math.inf, -math.inf
        for m in range(ring[k, 0], ring[k, 1]):
            low_x, high_x = min(low_x, seg[m, 0]), max(high_x, seg[m, 0])
            low_y, high_y = min(low_y, seg[m, 1]), max(high_y, seg[m, 1])
        if low_x > high_x:
            continue
        i0, i1, j0, j1 = cells_between(box, low_x, high_x, low_y, high_y)
        for j in range(j0, j1 + 1):
            y = box[1] + (j + 0.5) * box[2]
            for i in range(i0, i1 + 1):
                x, inside = box[0] + (i + 0.5) * box[2], False
                for m in range(ring[k, 0], ring[k, 1]):
                    if (seg[m, 1] > y) != (seg[m, 3] > y):
                        f = (y - seg[m, 1]) / (seg[m, 3] - seg[m, 1])
                        if seg[m, 0] + f * (seg[m, 2] - seg[m, 0]) > x:
                            inside = not inside
                if inside:
                    pairs = put(pairs, n, j * int(box[3]) + i, k)
                    n += 1
    return pairs[:n].copy()


@_jit
def fill_strips(box: Array, strip: Array) -> IntArray:
    """Cells that the rectangle round each strip (4 corners) touches."""
    pairs, n = np.empty((64, 2), dtype=np.int64), 0
    for k in range(strip.shape[0]):
        x, y = strip[k, :, 0], strip[k, :, 1]
        i0, i1, j0, j1 = cells_between(box, x.min(), x.max(), y.min(), y.max())
        for j in range(j0, j1 + 1):
            for i in range(i0, i1 + 1):
                pairs = put(pairs, n, j * int(box[3]) + i, k)
                n += 1
    return pairs[:n].copy()

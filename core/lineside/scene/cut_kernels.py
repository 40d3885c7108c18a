"""Vertical cuts along sound paths, compiled: what lies under, across and behind the way to a receiver.

No physics stands here. The functions are compiled in this file and give arrays; kernels of plugins take those arrays
and call nothing of this file, since numba's on-disk cache notices changes only of the file that it compiled. The
tables of a scene (:class:`Site`) are made by :mod:`lineside.scene.cut_index`; :func:`lineside.scene.cuts.vertical_cuts`
calls one function after the other, each of them for all legs of all paths.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np
from numba import njit

from lineside.acoustics.bands import Array
from lineside.scene.model import BoolArray, IntArray

SHORTEST_M = 1e-6  # an edge nearer than this to either end of a path is no edge
LOST_M = 1e-9  # a corner this near the line lies on it; a piece of ground this short is none
SAME_FRONT_M = 0.1  # sides of buildings whose corners are nearer than this to one plane are one front
FACE_M = 1e-3  # a step in the ground lower than this is no vertical face
ALONG_M = 10.0  # on an earthwork no two points of a profile lie farther apart
TIE_M = 1e-7  # break lines nearer to each other than this are crossed in the order of their numbers
#: Columns of ``seg`` and ``tag``: every line that a path may cross, and what it belongs to.
X0, Y0, X1, Y1, Z0, Z1 = range(6)
KIND, OWNER, POLY, RANK, GROUP, DECK, N_TAGS = range(7)
#: Values of KIND; the first two are those of the contract.
BARRIER, HOUSE, AREA, STRIP, BREAK = range(5)
#: Columns of ``ring``: closed outlines; FIRST to LAST - 1 are their rows of ``seg``.
FIRST, LAST, RING_KIND, RING_OWNER, RING_WORK, N_RING = range(6)
#: Values of ``frame``.
BOX_X, BOX_Y, CELL, CELLS_X, CELLS_Y, LEVEL, RASTER, RASTER_X, RASTER_Y, STEP, N_FRAME = range(11)
#: Values of ``rule``: what the caller asks for.
NEAREST, G_STEP, MOST_STEPS, ORDER, LEAST, N_RULES = range(6)
#: Columns of ``wall``: reflectors.
WALL_TOP_0, WALL_TOP_1, WALL_BASE_0, WALL_BASE_1, WALL_ONE_SIDED, N_WALL = 4, 5, 6, 7, 8, 9
STRIDE = 8  # rows of a profile that are passed over at once
BLOCK = 16  # points of the track that are tested together
#: Columns of ``leg`` and ``tie``: the straight parts of paths, of which a path with n mirrors has n + 1.
XA, YA, XB, YB, AT, RUN, N_LEG = range(7)  # both ends, distance from the source at which it starts, and its length
POINT, RECEIVER, OFF, WALL_A, WALL_B, NUMBER, PATH, N_TIES = range(8)  # OFF: it starts beside the middle of the piece


class Site(NamedTuple):
    """The tables of a scene. Cells are squares of a grid over all lines, row by row from the south-west."""

    frame: Array  # (N_FRAME,)
    seg: Array  # (n, 6)
    tag: IntArray  # (n, N_TAGS)
    ring: IntArray  # (n_rings, N_RING)
    ring_g: Array  # (n_rings + 1,) ground factor, the last one where no ring is
    cell: IntArray  # (n_cells + 1, 3) first entry of each cell in the next three
    cell_seg: IntArray  # lines that touch the cell
    cell_xy: Array  # (n, 4) and their ends
    cell_ring: IntArray  # rings that hold its centre
    cell_strip: IntArray  # strips of earthworks that touch it
    group: IntArray  # (n_groups + 1,) first corner of each obstacle
    corner: Array  # (n_corners, 2)
    free: Array  # (n_free, 2) free ends of barriers
    strip: Array  # (n_strips, 4, 3)
    strip_work: IntArray
    over: BoolArray  # (n_works,)
    raster: Array  # (n_y, n_x)
    wall: Array  # (n_reflectors, N_WALL)
    wall_seg: IntArray  # (n_reflectors,) row of seg, beyond the last: of none, -1 where nothing is reflected
    wall_ring: IntArray  # (n_reflectors,) ring of the building, -1: a barrier or a face of an earthwork


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


_OPTIONS: dict[str, Any] = {"cache": _can_cache(), "error_model": "numpy", "nogil": True}
_jit = njit(**_OPTIONS)
#: Functions that are called for each leg or crossing do not count who holds the arrays that they are given, and small
#: ones are put into their callers: calls and counting would cost more than the functions themselves.
_PART: dict[str, Any] = {**_OPTIONS, "_nrt": False}
_STEP: dict[str, Any] = {**_PART, "forceinline": True}
_part, _step = njit(**_PART), njit(**_STEP)


@_jit
def longer(a: Any, n: int) -> Any:
    """``a`` with room for n numbers and more."""
    if n <= a.size:
        return a
    b = np.empty(2 * n, dtype=a.dtype)
    b[: a.size] = a
    return b


@_jit
def taller(a: Any, n: int) -> Any:
    """``a`` with room for n rows and more."""
    if n <= a.shape[0]:
        return a
    b = np.empty((2 * n, a.shape[1]), dtype=a.dtype)
    b[: a.shape[0]] = a
    return b


@_step
def plain_z(frame: Array, raster: Array, x: float, y: float) -> float:
    """Height of the ground below all earthworks: bilinear in the raster, beyond its rim as at the rim."""
    if frame[RASTER] == 0.0:
        return frame[LEVEL]
    n_y, n_x = raster.shape
    fx = min(max((x - frame[RASTER_X]) / frame[STEP], 0.0), n_x - 1.0)
    fy = min(max((y - frame[RASTER_Y]) / frame[STEP], 0.0), n_y - 1.0)
    i, j = min(int(fx), max(0, n_x - 2)), min(int(fy), max(0, n_y - 2))
    i1, j1 = min(i + 1, n_x - 1), min(j + 1, n_y - 1)
    fx -= i
    fy -= j
    low = raster[j, i] + fx * (raster[j, i1] - raster[j, i])
    high = raster[j1, i] + fx * (raster[j1, i1] - raster[j1, i])
    return low + fy * (high - low)


@_part
def in_strip(strip: Array, k: int, x: float, y: float) -> tuple[float, float]:
    """How far outside a strip a place lies (0: inside) and the height of its surface there; inf where it has no area.

    P = (1-s)(1-t) A + s (1-t) B + s t C + (1-s) t D is solved for s, t by Newton's method, in a parallelogram at once.
    """
    ax, ay, bx, by = strip[k, 0, 0], strip[k, 0, 1], strip[k, 1, 0] - strip[k, 0, 0], strip[k, 1, 1] - strip[k, 0, 1]
    dx, dy = strip[k, 3, 0] - ax, strip[k, 3, 1] - ay
    ex, ey = strip[k, 2, 0] - ax - bx - dx, strip[k, 2, 1] - ay - by - dy
    s, t, rounds = 0.5, 0.5, 30
    if abs(ex) + abs(ey) <= LOST_M * SHORTEST_M:
        det = bx * dy - by * dx
        if abs(det) < 1e-9:
            return math.inf, 0.0
        s, t, rounds = ((x - ax) * dy - (y - ay) * dx) / det, (bx * (y - ay) - by * (x - ax)) / det, 0
    for _ in range(rounds):
        fx = ax + s * bx + t * dx + s * t * ex - x
        fy = ay + s * by + t * dy + s * t * ey - y
        sx, sy, tx, ty = bx + t * ex, by + t * ey, dx + s * ex, dy + s * ey
        det = sx * ty - sy * tx
        if abs(det) < 1e-9:
            return math.inf, 0.0
        ds, dt = (fx * ty - fy * tx) / det, (sx * fy - sy * fx) / det
        s -= ds
        t -= dt
        if abs(ds) + abs(dt) < 1e-13:
            break
        if abs(s) + abs(t) > 1e3:
            return math.inf, 0.0
    out = max(max(-s, s - 1.0), max(-t, t - 1.0), 0.0)
    s, t = min(max(s, 0.0), 1.0), min(max(t, 0.0), 1.0)
    low = strip[k, 0, 2] + s * (strip[k, 1, 2] - strip[k, 0, 2])
    high = strip[k, 3, 2] + s * (strip[k, 2, 2] - strip[k, 3, 2])
    return out, low + t * (high - low)


@_step
def cell_of(frame: Array, x: float, y: float) -> int:
    """The grid cell of a place, -1 outside."""
    fx, fy = (x - frame[BOX_X]) / frame[CELL], (y - frame[BOX_Y]) / frame[CELL]
    if not (0.0 <= fx < frame[CELLS_X] and 0.0 <= fy < frame[CELLS_Y]):
        return -1
    return int(fy) * int(frame[CELLS_X]) + int(fx)


@_part
def surface_z(
    work: int, x: float, y: float, frame: Array, raster: Array, cell: IntArray, cell_strip: IntArray, strip: Array,
    strip_work: IntArray,
) -> float:  # fmt: skip
    """Height of the ground at a place where earthwork ``work`` lies on top, -1: none.

    Where an earthwork has no surface: of the ground below all earthworks.
    """
    c = cell_of(frame, x, y) if work >= 0 else -1
    nearest, z, known = 0.1, 0.0, False
    if c >= 0:
        for k in range(cell[c, 2], cell[c + 1, 2]):
            if strip_work[cell_strip[k]] == work:
                out, z_here = in_strip(strip, cell_strip[k], x, y)
                if out < nearest:
                    nearest, z, known = out, z_here, True
                    if out == 0.0:
                        break
    return z if known else plain_z(frame, raster, x, y)


@_part
def rings_at(
    x: float, y: float, frame: Array, seg: Array, tag: IntArray, cell: IntArray, cell_seg: IntArray,
    cell_ring: IntArray, odd: BoolArray, found: IntArray, first: int,
) -> int:  # fmt: skip
    """Write the rings that hold a place to ``found`` from row ``first``; the row after the last.

    Those that hold the centre of its cell, but for those whose outline is crossed on the way from there. ``odd`` is
    all false before and after.
    """
    c = cell_of(frame, x, y)
    if c < 0:
        return first
    n = first
    for k in range(cell[c, 1], cell[c + 1, 1]):
        found[n] = cell_ring[k]
        odd[found[n]] = True
        n += 1
    n_x = int(frame[CELLS_X])
    dx = frame[BOX_X] + (c % n_x + 0.5) * frame[CELL] - x
    dy = frame[BOX_Y] + (c // n_x + 0.5) * frame[CELL] - y
    square = dx * dx + dy * dy
    if square == 0.0:
        square = 1.0
    for k in range(cell[c, 0], cell[c + 1, 0]):
        m = cell_seg[k]
        poly = tag[m, POLY]
        if poly < 0:
            continue
        t, _ = test_line(seg, tag, m, x, y, dx, dy, square)
        if 0.0 < t < 1.0:
            odd[poly] = not odd[poly]
            known = False
            for i in range(first, n):
                known = known or found[i] == poly
            if not known:
                found[n] = poly
                n += 1
    kept = first
    for i in range(first, n):
        if odd[found[i]]:
            odd[found[i]] = False
            found[kept] = found[i]
            kept += 1
    return kept


@_step
def test_line(
    seg: Array, tag: IntArray, m: int, x: float, y: float, dx: float, dy: float, square: float
) -> tuple[float, float]:
    """Where a line crosses the way from (x, y) along (dx, dy): place on the way, place on the line; inf if it does not.

    Outlines count their first end in and their second end out, so that a way through a corner enters or leaves once.
    """
    px, py = seg[m, X0] - x, seg[m, Y0] - y
    qx, qy = seg[m, X1] - x, seg[m, Y1] - y
    side_p, side_q = dx * py - dy * px, dx * qy - dy * qx
    if tag[m, POLY] >= 0:
        if (side_p > 0.0) == (side_q > 0.0):
            return math.inf, 0.0
    elif side_p * side_q > 0.0 or side_p == side_q:
        return math.inf, 0.0
    f = side_p / (side_p - side_q)
    return ((px + f * (qx - px)) * dx + (py + f * (qy - py)) * dy) / square, f


@_part
def rims_at(
    x: float, y: float, frame: Array, seg: Array, tag: IntArray, cell: IntArray, cell_seg: IntArray, found: IntArray,
    first: int,
) -> int:  # fmt: skip
    """Write the rings on whose outline a place lies to ``found`` from row ``first``; the row after the last."""
    c, n = cell_of(frame, x, y), first
    if c < 0:
        return n
    for k in range(cell[c, 0], cell[c + 1, 0]):
        m = cell_seg[k]
        if tag[m, POLY] < 0:
            continue
        px, py = x - seg[m, X0], y - seg[m, Y0]
        ex, ey = seg[m, X1] - seg[m, X0], seg[m, Y1] - seg[m, Y0]
        u = min(max((px * ex + py * ey) / max(ex * ex + ey * ey, 1e-300), 0.0), 1.0)
        if (px - u * ex) ** 2 + (py - u * ey) ** 2 < SHORTEST_M * SHORTEST_M:
            known = False
            for i in range(first, n):
                known = known or found[i] == tag[m, POLY]
            if not known:
                found[n] = tag[m, POLY]
                n += 1
    return n


@_jit
def all_rims_at(
    xy: Array, frame: Array, seg: Array, tag: IntArray, ring: IntArray, cell: IntArray, cell_seg: IntArray
) -> tuple[IntArray, IntArray]:
    """Rings on whose outline each of many places lies: first entry of each, entries."""
    n_rings = ring.shape[0]
    start, found, n = np.zeros(xy.shape[0] + 1, dtype=np.int64), np.empty(64, dtype=np.int64), 0
    for k in range(xy.shape[0]):
        found = longer(found, n + n_rings)
        n = rims_at(xy[k, 0], xy[k, 1], frame, seg, tag, cell, cell_seg, found, n)
        start[k + 1] = n
    return start, found


@_jit
def all_rings_at(
    xy: Array, frame: Array, seg: Array, tag: IntArray, ring: IntArray, cell: IntArray, cell_seg: IntArray,
    cell_ring: IntArray,
) -> tuple[IntArray, IntArray]:  # fmt: skip
    """Rings that hold each of many places: first entry of each, entries."""
    n_rings = ring.shape[0]
    start, found, n = np.zeros(xy.shape[0] + 1, dtype=np.int64), np.empty(64, dtype=np.int64), 0
    odd = np.zeros(n_rings, dtype=np.bool_)
    for k in range(xy.shape[0]):
        found = longer(found, n + n_rings)
        n = rings_at(xy[k, 0], xy[k, 1], frame, seg, tag, cell, cell_seg, cell_ring, odd, found, n)
        start[k + 1] = n
    return start, found


@_jit
def decks_under(
    xyz: Array, start: IntArray, rings: IntArray, frame: Array, ring: IntArray, over: BoolArray, raster: Array,
    cell: IntArray, cell_strip: IntArray, strip: Array, strip_work: IntArray,
) -> BoolArray:  # fmt: skip
    """Which decks each of many things stands on, (n, n_works): those that it is nearer to than the ground, or above."""
    on = np.zeros((xyz.shape[0], over.size), dtype=np.bool_)
    for k in range(xyz.shape[0]):
        x, y = xyz[k, 0], xyz[k, 1]
        earth = -1
        for i in range(start[k], start[k + 1]):
            if ring[rings[i], RING_KIND] == BREAK and not over[ring[rings[i], RING_OWNER]]:
                earth = max(earth, ring[rings[i], RING_OWNER])
        for i in range(start[k], start[k + 1]):
            work = ring[rings[i], RING_OWNER]
            if ring[rings[i], RING_KIND] == BREAK and over[work]:
                deck = surface_z(work, x, y, frame, raster, cell, cell_strip, strip, strip_work)
                below = surface_z(earth, x, y, frame, raster, cell, cell_strip, strip, strip_work)
                on[k, work] = xyz[k, 2] >= 0.5 * (deck + below)
    return on


@_step
def goes_before(
    seg: Array, tag: IntArray, m: int, t: float, other: int, t_other: float, dx: float, dy: float, length: float
) -> bool:
    """Whether line m is crossed before another one; lines of an earthwork in one place go by their numbers."""
    if tag[m, KIND] == BREAK and tag[other, KIND] == BREAK and abs(t - t_other) * length < TIE_M:
        rank, rank_other = tag[m, RANK], tag[other, RANK]
        if tag[m, OWNER] == tag[other, OWNER] and rank >= 0 and rank_other >= 0:
            rightwards = dx * (seg[m, Y1] - seg[m, Y0]) - dy * (seg[m, X1] - seg[m, X0]) > 0.0
            return (rank < rank_other) == rightwards
    return t < t_other


@_jit
def cross(
    leg: Array, tie: IntArray, frame: Array, seg: Array, tag: IntArray, cell: IntArray,
    cell_seg: IntArray, cell_xy: Array, wall_seg: IntArray, wall_ring: IntArray,
) -> tuple[IntArray, Array, IntArray]:  # fmt: skip
    """All lines that each leg crosses, by rising place: first crossing of each leg; places on leg and line; lines.

    A mirror at an end of a leg is not among them, nor is its building right there.
    """
    n_legs = leg.shape[0]
    size, x0, y0 = frame[CELL], frame[BOX_X], frame[BOX_Y]
    n_x, n_y = int(frame[CELLS_X]), int(frame[CELLS_Y])
    x1, y1 = x0 + n_x * size, y0 + n_y * size
    seen = np.full(seg.shape[0], -1, dtype=np.int64)
    start, place, line = (
        np.zeros(n_legs + 1, dtype=np.int64),
        np.empty((n_legs + 1, 2)),
        np.empty(n_legs + 1, dtype=np.int64),
    )
    n = 0
    for k in range(n_legs):
        start[k + 1] = first = n
        x, y = leg[k, XA], leg[k, YA]
        dx, dy = leg[k, XB] - x, leg[k, YB] - y
        square = dx * dx + dy * dy
        length = math.sqrt(square)
        t_in, t_out = 0.0, 1.0
        if dx != 0.0:
            a, b = (x0 - x) / dx, (x1 - x) / dx
            t_in, t_out = max(t_in, min(a, b)), min(t_out, max(a, b))
        elif not x0 <= x <= x1:
            continue
        if dy != 0.0:
            a, b = (y0 - y) / dy, (y1 - y) / dy
            t_in, t_out = max(t_in, min(a, b)), min(t_out, max(a, b))
        elif not y0 <= y <= y1:
            continue
        if t_in > t_out:
            continue
        wall_a, wall_b = tie[k, WALL_A], tie[k, WALL_B]
        skip_a, own_a = (wall_seg[wall_a], wall_ring[wall_a]) if wall_a >= 0 else (-1, -1)
        skip_b, own_b = (wall_seg[wall_b], wall_ring[wall_b]) if wall_b >= 0 else (-1, -1)
        i = min(max(int((x + t_in * dx - x0) / size), 0), n_x - 1)
        j = min(max(int((y + t_in * dy - y0) / size), 0), n_y - 1)
        step_x, step_y = (1 if dx > 0.0 else -1), (1 if dy > 0.0 else -1)
        next_x = (x0 + (i + (dx > 0.0)) * size - x) / dx if dx != 0.0 else math.inf
        next_y = (y0 + (j + (dy > 0.0)) * size - y) / dy if dy != 0.0 else math.inf
        each_x = size / abs(dx) if dx != 0.0 else math.inf
        each_y = size / abs(dy) if dy != 0.0 else math.inf
        while 0 <= i < n_x and 0 <= j < n_y:
            c = j * n_x + i
            for e in range(cell[c, 0], cell[c + 1, 0]):
                px, py, qx, qy = cell_xy[e, 0] - x, cell_xy[e, 1] - y, cell_xy[e, 2] - x, cell_xy[e, 3] - y
                if (dx * py - dy * px) * (dx * qy - dy * qx) > 0.0:
                    continue
                m = cell_seg[e]
                if seen[m] == k:
                    continue
                seen[m] = k
                t, u = test_line(seg, tag, m, x, y, dx, dy, square)
                if not 0.0 < t < 1.0 or m in (skip_a, skip_b):
                    continue
                if own_a >= 0 and tag[m, POLY] == own_a and t * length < SHORTEST_M:
                    continue
                if own_b >= 0 and tag[m, POLY] == own_b and (1.0 - t) * length < SHORTEST_M:
                    continue
                if n == line.size:
                    place, line = taller(place, n + 1), longer(line, n + 1)
                to = n
                while to > first:
                    other = place[to - 1, 0]
                    apart = (t - other) * length
                    if apart > 2.0 * TIE_M:
                        break
                    if apart > -2.0 * TIE_M and not goes_before(seg, tag, m, t, line[to - 1], other, dx, dy, length):
                        break
                    place[to, 0], place[to, 1], line[to] = other, place[to - 1, 1], line[to - 1]
                    to -= 1
                place[to, 0], place[to, 1], line[to] = t, u, m
                n += 1
            if next_x < next_y:
                if next_x > t_out:
                    break
                i += step_x
                next_x += each_x
            else:
                if next_y > t_out:
                    break
                j += step_y
                next_y += each_y
        start[k + 1] = n
    return start, place, line


@_part
def mend(
    poly: int, own_a: int, own_b: int, leg: Array, k: int, seg: Array, tag: IntArray, ring: IntArray, odd: BoolArray,
    held: IntArray, first: int, n: int,
) -> int:  # fmt: skip
    """Set right whether leg k starts inside a ring that is ``odd``; the row after the last of the rings at its start.

    Crossings of the straight line that lie behind its start decide.
    """
    if poly < 0 or not odd[poly]:
        return n
    odd[poly] = False
    if poly in (own_a, own_b):
        return n
    x, y = leg[k, XA], leg[k, YA]
    dx, dy = leg[k, XB] - x, leg[k, YB] - y
    inside = False
    for m in range(ring[poly, FIRST], ring[poly, LAST]):
        t, _ = test_line(seg, tag, m, x, y, dx, dy, dx * dx + dy * dy)
        if t <= 0.0:
            inside = not inside
    for i in range(first, n):
        if held[i] == poly:
            if not inside:
                held[i] = held[n - 1]
                n -= 1
            return n
    if inside:
        held[n] = poly
        n += 1
    return n


@_jit
def held_at_start(
    leg: Array, tie: IntArray, crossed: IntArray, line: IntArray, start_p: IntArray, rings_p: IntArray,
    start_r: IntArray, rings_r: IntArray, rim_start: IntArray, rims_p: IntArray, frame: Array, seg: Array,
    tag: IntArray, ring: IntArray, cell: IntArray, cell_seg: IntArray, cell_ring: IntArray, wall_ring: IntArray,
) -> tuple[IntArray, IntArray]:  # fmt: skip
    """Rings that hold the start of each leg: first entry of each leg, entries.

    Where a leg starts on an outline, and where rings at both ends and crossings do not agree since it ends on one, the
    crossings of the whole straight line decide. At a mirror a leg is outside the mirror's building.
    """
    n_legs = leg.shape[0]
    n_rings = ring.shape[0]
    start, held = np.zeros(n_legs + 1, dtype=np.int64), np.empty(n_legs + 4, dtype=np.int64)
    odd = np.zeros(n_rings, dtype=np.bool_)
    begin, end, n_end = np.empty(n_rings, dtype=np.int64), np.empty(n_rings, dtype=np.int64), 0
    rim = np.empty(n_rings, dtype=np.int64)
    n = 0
    for k in range(n_legs):
        p, r, wall_a, wall_b = tie[k, POINT], tie[k, RECEIVER], tie[k, WALL_A], tie[k, WALL_B]
        own_a = wall_ring[wall_a] if wall_a >= 0 else -1
        own_b = wall_ring[wall_b] if wall_b >= 0 else -1
        first = n
        if held.size < n + 2 * n_rings:
            held = longer(held, n + 2 * n_rings)
        if wall_a >= 0:
            for i in range(n_end):  # of the leg before
                held[n] = end[i]
                n += 1
        elif tie[k, OFF] == 0:
            for i in range(start_p[p], start_p[p + 1]):
                held[n] = rings_p[i]
                n += 1
        else:
            n = rings_at(leg[k, XA], leg[k, YA], frame, seg, tag, cell, cell_seg, cell_ring, odd, held, n)
        n_end = 0
        if wall_b >= 0:
            n_all = rings_at(leg[k, XB], leg[k, YB], frame, seg, tag, cell, cell_seg, cell_ring, odd, end, 0)
            for i in range(n_all):
                if end[i] != own_b:
                    end[n_end] = end[i]
                    n_end += 1
        else:
            for i in range(start_r[r], start_r[r + 1]):
                end[n_end] = rings_r[i]
                n_end += 1
        low, high = crossed[k], crossed[k + 1]
        n_rim = 0
        if wall_a >= 0 or tie[k, OFF] != 0:
            n_rim = rims_at(leg[k, XA], leg[k, YA], frame, seg, tag, cell, cell_seg, rim, 0)
        else:
            for i in range(rim_start[p], rim_start[p + 1]):
                rim[n_rim] = rims_p[i]
                n_rim += 1
        n_odd = 0
        for i in range(first, n):
            odd[held[i]] = not odd[held[i]]
            n_odd += 1 if odd[held[i]] else -1
        for i in range(n_end):
            odd[end[i]] = not odd[end[i]]
            n_odd += 1 if odd[end[i]] else -1
        for e in range(low, high):
            poly = tag[line[e], POLY]
            if poly >= 0:
                odd[poly] = not odd[poly]
                n_odd += 1 if odd[poly] else -1
        if n_odd > 0 or n_rim > 0:
            for i in range(n_rim):
                odd[rim[i]] = True
            n_begin = n - first
            for i in range(n_begin):
                begin[i] = held[first + i]
            for i in range(n_begin):
                n = mend(begin[i], own_a, own_b, leg, k, seg, tag, ring, odd, held, first, n)
            for i in range(n_end):
                n = mend(end[i], own_a, own_b, leg, k, seg, tag, ring, odd, held, first, n)
            for i in range(n_rim):
                n = mend(rim[i], own_a, own_b, leg, k, seg, tag, ring, odd, held, first, n)
            for e in range(low, high):
                n = mend(tag[line[e], POLY], own_a, own_b, leg, k, seg, tag, ring, odd, held, first, n)
        start[k + 1] = n
    return start, held


@_step
def top_work(
    now: IntArray, n: int, ring: IntArray, over: BoolArray, on_p: BoolArray, p: int, on_r: BoolArray, r: int
) -> int:
    """The uppermost earthwork among the rings that hold a place, -1: none. Decks that an end stands on lie above."""
    top, deck = -1, -1
    for k in range(n):
        if ring[now[k], RING_KIND] == BREAK:
            work = ring[now[k], RING_OWNER]
            if not over[work]:
                top = max(top, work)
            elif on_p[p, work] or on_r[r, work]:
                deck = max(deck, work)
    return deck if deck >= 0 else top


@_step
def g_here(now: IntArray, n: int, ring: IntArray, ring_g: Array, top: int, roof_g: float) -> float:
    """Ground factor where rings hold a place and earthwork ``top`` lies on top."""
    best = -1
    for k in range(n):
        kind = ring[now[k], RING_KIND]
        if kind == HOUSE:
            return roof_g
        if now[k] > best and (kind == AREA or (kind == STRIP and ring[now[k], RING_WORK] == top)):
            best = now[k]
    return ring_g[best]


@_step
def toggle(now: IntArray, n: int, ring: int) -> int:
    """Enter or leave a ring."""
    for k in range(n):
        if now[k] == ring:
            now[k] = now[n - 1]
            return n - 1
    now[n] = ring
    return n + 1


@_step
def add_ground(ground: Array, n: int, first: int, to: float, g: float) -> int:
    """A piece of ground up to a distance; pieces of one factor are put together. ``first``: first row of the path."""
    before = ground[2 * n - 2] if n > first else 0.0
    if to - before < LOST_M:
        return n
    if n > first and ground[2 * n - 1] == g:
        n -= 1
    ground[2 * n], ground[2 * n + 1] = to, g
    return n + 1


@_jit
def lay_ground(
    leg: Array, tie: IntArray, crossed: IntArray, place: Array, line: IntArray, start: IntArray,
    held: IntArray, on_p: BoolArray, on_r: BoolArray, roof_g: float, tag: IntArray, ring: IntArray, ring_g: Array,
    over: BoolArray, path: Array,
) -> Array:  # fmt: skip
    """Ground along all legs, (n, 2); fills column 4 of ``path``."""
    n_legs = leg.shape[0]
    ground, n = np.empty(2 * n_legs), 0
    now = np.empty(ring.shape[0] + 1, dtype=np.int64)
    first = 0
    for k in range(n_legs):
        p, r, low, high = tie[k, POINT], tie[k, RECEIVER], crossed[k], crossed[k + 1]
        if tie[k, NUMBER] == 0:
            first = n
        if ground.size < 2 * (n + high - low + 1):
            ground = longer(ground, 2 * (n + high - low + 1))
        at, run = leg[k, AT], leg[k, RUN]
        n_now = 0
        for i in range(start[k], start[k + 1]):
            now[n_now] = held[i]
            n_now += 1
        top = top_work(now, n_now, ring, over, on_p, p, on_r, r)
        g = g_here(now, n_now, ring, ring_g, top, roof_g)
        for e in range(low, high):
            poly = tag[line[e], POLY]
            if poly >= 0:
                n = add_ground(ground, n, first, at + place[e, 0] * run, g)
                n_now = toggle(now, n_now, poly)
                top = top_work(now, n_now, ring, over, on_p, p, on_r, r)
                g = g_here(now, n_now, ring, ring_g, top, roof_g)
        n = add_ground(ground, n, first, at + run, g)
        path[tie[k, PATH], 4] = n
    return ground[: 2 * n]


@_step
def steps_of(leg: Array, k: int, frame: Array) -> int:
    """Equal steps, no longer than the raster's, into which a leg is cut."""
    if frame[RASTER] == 0.0:
        return 1
    plan = math.sqrt((leg[k, XB] - leg[k, XA]) ** 2 + (leg[k, YB] - leg[k, YA]) ** 2)
    return max(1, math.ceil(plan / frame[STEP] - 1e-9))


@_part
def add_samples(
    frame: Array, raster: Array, x: float, y: float, dx: float, dy: float, at: float, run: float, low: int, high: int,
    steps: int, profile: Array, n: int, corner: IntArray, part: Array,
) -> int:  # fmt: skip
    """Heights of the raster at steps low to high - 1 of a leg, as :func:`plain_z` has them; the row after the last.

    ``corner`` (steps,) and ``part`` (2, steps) are room: only what reads the raster cannot be done for several places
    at once, and stands in a loop of its own.
    """
    n_y, n_x = raster.shape
    ax, ay = (x - frame[RASTER_X]) / frame[STEP], (y - frame[RASTER_Y]) / frame[STEP]
    bx, by = dx / frame[STEP], dy / frame[STEP]
    inside = min(ax, ax + bx) >= 0.0 and max(ax, ax + bx) < n_x - 1 and min(ay, ay + by) >= 0.0
    if not (inside and max(ay, ay + by) < n_y - 1):
        for i in range(low, high):
            f = i / steps
            profile[2 * n], profile[2 * n + 1] = at + f * run, plain_z(frame, raster, x + f * dx, y + f * dy)
            n += 1
        return n
    count = high - low
    if count <= 0:
        return n
    each, z = 1.0 / steps, raster.reshape(-1)
    rows, part_x, part_y = profile[2 * n : 2 * (n + count)], part[0], part[1]
    for k in range(count):
        f = (low + k) * each
        fx, fy = ax + f * bx, ay + f * by
        c, r = int(fx), int(fy)
        part_x[k], part_y[k], corner[k] = fx - c, fy - r, r * n_x + c
    for k in range(count):
        fx, m = part_x[k], corner[k]
        low_z, high_z = z[m], z[m + n_x]
        low_z += fx * (z[m + 1] - low_z)
        high_z += fx * (z[m + n_x + 1] - high_z)
        rows[2 * k], rows[2 * k + 1] = at + (low + k) * each * run, low_z + part_y[k] * (high_z - low_z)
    return n + count


@_part
def add_surface(
    top: int, x: float, y: float, dx: float, dy: float, at: float, run: float, low: float, high: float, profile: Array,
    n: int, frame: Array, raster: Array, cell: IntArray, cell_strip: IntArray, strip: Array, strip_work: IntArray,
) -> int:  # fmt: skip
    """Heights of an earthwork between two places of a leg (0 to 1) that lie far apart; the row after the last."""
    steps = math.ceil((high - low) * math.sqrt(dx * dx + dy * dy) / ALONG_M - 1e-9)
    for i in range(1, steps):
        t = low + (high - low) * i / steps
        profile[2 * n] = at + t * run
        profile[2 * n + 1] = surface_z(top, x + t * dx, y + t * dy, frame, raster, cell, cell_strip, strip, strip_work)
        n += 1
    return n


@_jit
def lay_profile(
    leg: Array, tie: IntArray, crossed: IntArray, place: Array, line: IntArray, start: IntArray,
    held: IntArray, on_p: BoolArray, on_r: BoolArray, frame: Array, seg: Array, tag: IntArray, ring: IntArray,
    over: BoolArray, raster: Array, cell: IntArray, cell_strip: IntArray, strip: Array, strip_work: IntArray,
    path: Array,
) -> Array:  # fmt: skip
    """Profile along all legs, (n, 2); fills column 3 of ``path``."""
    n_legs = leg.shape[0]
    room, most = 0, 0
    for k in range(n_legs):
        steps = steps_of(leg, k, frame)
        room, most = room + steps + 2, max(most, steps)
    if over.size > 0:
        room += 3 * int(crossed[n_legs])
        for k in range(n_legs):
            room += int(math.hypot(leg[k, XB] - leg[k, XA], leg[k, YB] - leg[k, YA]) / ALONG_M) + 1
    profile, n = np.empty(2 * room), 0
    corner, part = np.empty(most, dtype=np.int64), np.empty((2, most))
    now = np.empty(ring.shape[0] + 1, dtype=np.int64)
    works = over.size > 0
    for k in range(n_legs):
        p, r, low, high = tie[k, POINT], tie[k, RECEIVER], crossed[k], crossed[k + 1]
        x, y, at, run = leg[k, XA], leg[k, YA], leg[k, AT], leg[k, RUN]
        dx, dy = leg[k, XB] - x, leg[k, YB] - y
        samples = steps_of(leg, k, frame)
        n_now, top = 0, -1
        if works:
            for i in range(start[k], start[k + 1]):
                now[n_now] = held[i]
                n_now += 1
            top = top_work(now, n_now, ring, over, on_p, p, on_r, r)
        if tie[k, NUMBER] == 0:
            profile[2 * n], profile[2 * n + 1] = (
                at, surface_z(top, x, y, frame, raster, cell, cell_strip, strip, strip_work),
            )  # fmt: skip
            n += 1
        sample, before = 1, 0.0
        if works:
            for e in range(low, high):
                m, t = line[e], place[e, 0]
                if tag[m, KIND] != BREAK:
                    continue
                owner, after = tag[m, OWNER], top
                if tag[m, POLY] >= 0:
                    n_now = toggle(now, n_now, tag[m, POLY])
                    after = top_work(now, n_now, ring, over, on_p, p, on_r, r)
                if owner != top and owner != after:
                    continue
                upto = min(samples, math.ceil(t * samples))
                if top < 0:
                    n = add_samples(
                        frame, raster, x, y, dx, dy, at, run, sample, upto, samples, profile, n, corner, part
                    )
                else:
                    n = add_surface(
                        top, x, y, dx, dy, at, run, before, t, profile, n, frame, raster, cell, cell_strip, strip,
                        strip_work,
                    )  # fmt: skip
                before = t
                sample = max(sample, min(samples, int(t * samples) + 1))
                z = seg[m, Z0] + place[e, 1] * (seg[m, Z1] - seg[m, Z0])
                xe, ye, here = x + t * dx, y + t * dy, at + t * run
                if top != owner:
                    below = surface_z(top, xe, ye, frame, raster, cell, cell_strip, strip, strip_work)
                    if abs(below - z) > FACE_M:
                        profile[2 * n], profile[2 * n + 1] = here, below
                        n += 1
                profile[2 * n], profile[2 * n + 1] = here, z
                n += 1
                if after != owner:
                    below = surface_z(after, xe, ye, frame, raster, cell, cell_strip, strip, strip_work)
                    if abs(below - z) > FACE_M:
                        profile[2 * n], profile[2 * n + 1] = here, below
                        n += 1
                top = after
        if top < 0:
            n = add_samples(frame, raster, x, y, dx, dy, at, run, sample, samples, samples, profile, n, corner, part)
        else:
            n = add_surface(
                top, x, y, dx, dy, at, run, before, 1.0, profile, n, frame, raster, cell, cell_strip, strip, strip_work
            )
        profile[2 * n] = at + run
        profile[2 * n + 1] = surface_z(top, x + dx, y + dy, frame, raster, cell, cell_strip, strip, strip_work)
        n += 1
        path[tie[k, PATH], 3] = n
    return profile[: 2 * n]


@_step
def profile_z(profile: Array, low: int, high: int, at: float) -> tuple[float, int]:
    """Height of the profile (rows low to high - 1) at a distance, the higher one at a face; row to go on from."""
    k = low
    while k + STRIDE < high - 1 and profile[2 * (k + STRIDE)] < at - LOST_M:
        k += STRIDE
    while k + 1 < high - 1 and profile[2 * k + 2] < at - LOST_M:
        k += 1
    d0, z0, d1, z1 = profile[2 * k], profile[2 * k + 1], profile[2 * k + 2], profile[2 * k + 3]
    z = max(z0, z1)
    if d1 - d0 > LOST_M:
        z = z0 + (z1 - z0) * min(max((at - d0) / (d1 - d0), 0.0), 1.0)
    j = k + 1
    while j < high and profile[2 * j] <= at + LOST_M:
        z = max(z, profile[2 * j + 1])
        j += 1
    return z, k


@_step
def width_across(corner: Array, first: int, last: int, dx: float, dy: float) -> float:
    """Extent of corners first to last - 1 across the direction (dx, dy)."""
    low, high = math.inf, -math.inf
    for m in range(first, last):
        v = dx * corner[m, 1] - dy * corner[m, 0]
        low, high = min(low, v), max(high, v)
    return (high - low) / math.sqrt(dx * dx + dy * dy)


@_part
def way_round(
    xs: float, ys: float, xr: float, yr: float, side: float, start: IntArray, corner: Array, groups: IntArray, n: int
) -> tuple[float, float, float]:
    """Shortest way in plan round the corners, left (side +1) or right (-1) of the path, of all obstacles crossed.

    Returns the detour against the straight path, the length between its first and last corner, and the distance from
    the start to the first. Gift wrapping: from each corner on to the one that leaves all others to the inner side.
    """
    dx, dy = xr - xs, yr - ys
    length = math.sqrt(dx * dx + dy * dy)
    cx, cy = xs, ys
    total, between, to_corner, first = 0.0, 0.0, 0.0, True
    for _ in range(corner.shape[0] + 1):
        bx, by, arrived = xr, yr, True
        for k in range(n):
            for m in range(start[groups[k]], start[groups[k] + 1]):
                vx, vy = corner[m, 0], corner[m, 1]
                if side * (dx * (vy - ys) - dy * (vx - xs)) <= LOST_M * length:
                    continue
                if side * ((bx - cx) * (vy - cy) - (by - cy) * (vx - cx)) > LOST_M * length:
                    bx, by, arrived = vx, vy, False
        step = math.sqrt((bx - cx) ** 2 + (by - cy) ** 2)
        total += step
        if arrived:
            break
        if first:
            to_corner = step
        else:
            between += step
        first = False
        cx, cy = bx, by
    return max(0.0, total - length), between, to_corner


@_jit
def put_edges(
    leg: Array, tie: IntArray, crossed: IntArray, place: Array, line: IntArray, side_ways: bool,
    on_p: BoolArray, on_r: BoolArray, seg: Array, tag: IntArray, group: IntArray, corner: Array, profile: Array,
    path: Array,
) -> Array:  # fmt: skip
    """Edges along all legs that rise above the profile, (n, 7); fills columns 5 and 7 to 12 of ``path``.

    What stands on a deck is in the way of paths that start or end on it; all others run through below.
    """
    n_legs = leg.shape[0]
    edge, n = np.empty(64), 0
    groups = np.empty(64, dtype=np.int64)
    for k in range(n_legs):
        j, low, high = tie[k, PATH], crossed[k], crossed[k + 1]
        path[j, 5] = n
        if tie[k, NUMBER] == 0:
            for i in range(7, 13):
                path[j, i] = math.inf
        if low == high:
            continue
        x, y, at, run = leg[k, XA], leg[k, YA], leg[k, AT], leg[k, RUN]
        dx, dy = leg[k, XB] - x, leg[k, YB] - y
        plan = math.sqrt(dx * dx + dy * dy)
        if edge.size < 7 * (n + high - low):
            edge = longer(edge, 7 * (n + high - low))
        if groups.size < high - low:
            groups = longer(groups, high - low)
        from_row = int(path[j - 1, 3]) if j > 0 else 0
        to_row = int(path[j, 3])
        first, before = n, 0.0
        for e in range(low, high):
            m, t = line[e], place[e, 0]
            kind = tag[m, KIND]
            if kind > HOUSE or t * plan < SHORTEST_M or (1.0 - t) * plan < SHORTEST_M:
                continue
            deck = tag[m, DECK]
            if deck >= 0 and not (on_p[tie[k, POINT], deck] or on_r[tie[k, RECEIVER], deck]):
                continue
            here, z = at + t * run, seg[m, Z0] + place[e, 1] * (seg[m, Z1] - seg[m, Z0])
            floor, from_row = profile_z(profile, from_row, to_row, here)
            if z <= floor:
                continue
            if n > first and (t - before) * plan < SHORTEST_M:
                if z <= edge[7 * n - 6]:
                    continue
                n -= 1
                here = edge[7 * n]
            else:
                before = t
            bx, by = seg[m, X1] - seg[m, X0], seg[m, Y1] - seg[m, Y0]
            norm = plan * math.sqrt(bx * bx + by * by)
            sine, cosine = (dx * by - dy * bx) / norm, (dx * bx + dy * by) / norm
            if (sine < 0.0) != (tie[k, NUMBER] % 2 == 1):  # behind an odd number of mirrors left and right change
                cosine = -cosine
            own = tag[m, GROUP]
            edge[7 * n], edge[7 * n + 1] = here, z
            edge[7 * n + 2] = width_across(corner, group[own], group[own + 1], dx, dy)
            edge[7 * n + 3], edge[7 * n + 4] = abs(sine), cosine
            edge[7 * n + 5], edge[7 * n + 6] = kind, tag[m, OWNER]
            groups[n - first] = own
            n += 1
        path[j, 5] = n
        if side_ways and n > first and tie[k, WALL_A] < 0 and tie[k, WALL_B] < 0:
            n_groups = 0
            for e in range(n - first):
                known = False
                for i in range(n_groups):
                    known = known or groups[i] == groups[e]
                if not known:
                    groups[n_groups] = groups[e]
                    n_groups += 1
            for side in range(2):
                detour, between, to_corner = way_round(
                    x, y, leg[k, XB], leg[k, YB], 1.0 - 2.0 * side, group, corner, groups, n_groups
                )
                path[j, 7 + 2 * side], path[j, 8 + 2 * side], path[j, 11 + side] = detour, between, to_corner
    return edge[: 7 * n]


@_step
def insert_cut(cuts: Array, n: int, s: float) -> int:
    """Put a cut into the rising list; returns the new number."""
    k = n
    while cuts[k - 1] > s:
        cuts[k] = cuts[k - 1]
        k -= 1
    cuts[k] = s
    return n + 1


@_part
def split_piece(
    xm: float, ym: float, ux: float, uy: float, half: float, xr: float, yr: float, ends: Array, steps: int, cuts: Array
) -> int:
    """Where a piece of track is cut: where the view past free ends of walls meets it, and into even ``steps``.

    ``cuts`` receives -half, the cuts and +half, rising, counted from the middle (xm, ym) along (ux, uy); returns the
    number of parts. A piece that is screened in part would otherwise count as screened or open as a whole.
    """
    n = 1
    cuts[0] = -half
    for m in range(1, steps):
        n = insert_cut(cuts, n, half * (2.0 * m / steps - 1.0))
    mx, my = xm - xr, ym - yr
    across = mx * uy - my * ux
    for m in range(ends.shape[0]):
        wx, wy = ends[m, 0] - xr, ends[m, 1] - yr
        turn = wx * uy - wy * ux
        if turn * across <= 0.0 or abs(across) <= abs(turn):  # the end is not between receiver and track
            continue
        s = (mx * wy - my * wx) / turn
        if abs(s) < half:
            n = insert_cut(cuts, n, s)
    cuts[n] = half
    return n


@_step
def image_of(wall: Array, j: int, x: float, y: float) -> tuple[float, float, float]:
    """Image of a place across the line of a reflector, and on which side the place lies (> 0: left). [m]"""
    ax, ay = wall[j, X0], wall[j, Y0]
    ex, ey = wall[j, X1] - ax, wall[j, Y1] - ay
    length = math.sqrt(ex * ex + ey * ey)
    off = (ex * (y - ay) - ey * (x - ax)) / length
    return x + 2.0 * off * ey / length, y - 2.0 * off * ex / length, off


@_step
def hit(wall: Array, j: int, px: float, py: float, ix: float, iy: float) -> float:
    """Where on a reflector the way from P to an image behind it meets it (0 to 1); -1 if it does not."""
    ax, ay = wall[j, X0], wall[j, Y0]
    ex, ey = wall[j, X1] - ax, wall[j, Y1] - ay
    side_p, side_i = ex * (py - ay) - ey * (px - ax), ex * (iy - ay) - ey * (ix - ax)
    if (side_p > 0.0) == (side_i > 0.0) or side_p == 0.0 or side_i == 0.0:
        return -1.0
    dx, dy = ix - px, iy - py
    c_a, c_b = dx * (ay - py) - dy * (ax - px), dx * (ay + ey - py) - dy * (ax + ex - px)
    if (c_a > 0.0) == (c_b > 0.0):
        return -1.0
    return c_a / (c_a - c_b)


@_part
def may_meet(wall: Array, j: int, ix: float, iy: float, x: float, y: float, half_x: float, half_y: float) -> bool:
    """Whether, seen from an image behind reflector j, any place of a box may lie behind the reflector's opening."""
    ax, ay, bx, by = wall[j, X0], wall[j, Y0], wall[j, X1], wall[j, Y1]
    turn = 1.0 if (ax - ix) * (by - iy) - (ay - iy) * (bx - ix) > 0.0 else -1.0
    for k in range(3):
        if k == 0:
            nx, ny, cx, cy = by - ay, ax - bx, ax, ay
        elif k == 1:
            nx, ny, cx, cy = iy - ay, ax - ix, ix, iy
        else:
            nx, ny, cx, cy = by - iy, ix - bx, ix, iy
        nx *= turn
        ny *= turn
        most = nx * (x - cx) + ny * (y - cy) + abs(nx) * half_x + abs(ny) * half_y
        if most < -LOST_M * (abs(nx) + abs(ny)):
            return False
    return True


@_step
def reflects(wall: Array, wall_seg: IntArray, j: int, side: float) -> bool:
    """Whether a reflector throws sound back to a place that lies ``side`` to the left of it."""
    if wall_seg[j] < 0 or abs(side) < SHORTEST_M:
        return False
    return wall[j, WALL_ONE_SIDED] == 0.0 or side < 0.0


@_part
def same_front(wall: Array, own: int, j: int) -> bool:
    """Whether a side of a building is that in front of which a receiver stands, or goes on in its plane."""
    if own < 0 or j == own:
        return j == own
    if wall[own, WALL_ONE_SIDED] == 0.0 or wall[j, WALL_ONE_SIDED] == 0.0:
        return False
    ex, ey = wall[own, X1] - wall[own, X0], wall[own, Y1] - wall[own, Y0]
    if ex * (wall[j, X1] - wall[j, X0]) + ey * (wall[j, Y1] - wall[j, Y0]) <= 0.0:
        return False
    _, _, off_0 = image_of(wall, own, wall[j, X0], wall[j, Y0])
    _, _, off_1 = image_of(wall, own, wall[j, X1], wall[j, Y1])
    return abs(off_0) <= SAME_FRONT_M and abs(off_1) <= SAME_FRONT_M


class Chains(NamedTuple):
    """Images of a receiver, each with the reflector that makes it of another image, -1: of the receiver itself."""

    wall: IntArray  # (n,)
    parent: IntArray  # (n,)
    image: Array  # (n, 2)


@_jit
def grow_chains(old: Chains) -> Chains:
    n = old.wall.size
    wall, parent, image = np.empty(2 * n, dtype=np.int64), np.empty(2 * n, dtype=np.int64), np.empty((2 * n, 2))
    wall[:n], parent[:n], image[:n] = old.wall, old.parent, old.image
    return Chains(wall, parent, image)


@_jit
def find_images(
    wall: Array, wall_seg: IntArray, order: int, xr: float, yr: float, own: int, box: Array, chains: Chains
) -> tuple[Chains, int]:
    """Images of a receiver by up to ``order`` reflectors; ``own`` is the one that does not count as the last.

    Nor do sides of other buildings in its plane, as in a terrace: their images are the same.

    Left out are those that no way from the box (x, y, half width, half height) of all points leads to.
    """
    n, begin = 0, 0
    for level in range(order):
        end = n
        for c in range(-1 if level == 0 else begin, 0 if level == 0 else end):
            x, y = (xr, yr) if c < 0 else (chains.image[c, 0], chains.image[c, 1])
            for j in range(wall.shape[0]):
                if (c < 0 and same_front(wall, own, j)) or (c >= 0 and j == chains.wall[c]):
                    continue
                ix, iy, side = image_of(wall, j, x, y)
                if not reflects(wall, wall_seg, j, side):
                    continue
                if c >= 0:
                    xm, ym = 0.5 * (wall[j, X0] + wall[j, X1]), 0.5 * (wall[j, Y0] + wall[j, Y1])
                    hx, hy = abs(wall[j, X1] - xm), abs(wall[j, Y1] - ym)
                    if not may_meet(wall, chains.wall[c], x, y, xm, ym, hx, hy):
                        continue
                if level == order - 1 and not may_meet(wall, j, ix, iy, box[0], box[1], box[2], box[3]):
                    continue
                if n == chains.wall.size:
                    chains = grow_chains(chains)
                chains.wall[n], chains.parent[n] = j, c
                chains.image[n, 0], chains.image[n, 1] = ix, iy
                n += 1
        begin = end
    return chains, n


@_jit
def trace(walls: Array, chains: Chains, c: int, xs: float, ys: float, bend: Array, wall: IntArray) -> int:
    """Follow the way from a source by the reflectors of a chain: where it bends and at which; their number, 0 if none.

    ``bend`` receives x, y and the place on the reflector (0 to 1).
    """
    n, x, y = 0, xs, ys
    while c >= 0:
        j = chains.wall[c]
        u = hit(walls, j, x, y, chains.image[c, 0], chains.image[c, 1])
        if u < 0.0:
            return 0
        if walls[j, WALL_ONE_SIDED] != 0.0:
            ax, ay = walls[j, X0], walls[j, Y0]
            if (walls[j, X1] - ax) * (y - ay) - (walls[j, Y1] - ay) * (x - ax) > 0.0:
                return 0
        x = walls[j, X0] + u * (walls[j, X1] - walls[j, X0])
        y = walls[j, Y0] + u * (walls[j, Y1] - walls[j, Y0])
        bend[n, 0], bend[n, 1], bend[n, 2] = x, y, u
        wall[n] = j
        n += 1
        c = chains.parent[c]
    return n


@_jit
def candidates(
    wall: Array, chains: Chains, n_chains: int, points: Array, direction: Array, piece: Array, blocks: Array,
    first: IntArray, pair: IntArray,
) -> IntArray:  # fmt: skip
    """Chains that ways from each point may follow, point by point from ``first``; ``pair`` is room for them."""
    n_points, n = points.shape[0], 0
    for c in range(n_chains):
        j, ix, iy = chains.wall[c], chains.image[c, 0], chains.image[c, 1]
        for b in range(blocks.shape[0]):
            if not may_meet(wall, j, ix, iy, blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]):
                continue
            for p in range(b * BLOCK, min(n_points, (b + 1) * BLOCK)):
                half = 0.5 * piece[p]
                hx, hy = abs(direction[p, 0]) * half, abs(direction[p, 1]) * half
                if may_meet(wall, j, ix, iy, points[p, 0], points[p, 1], hx, hy):
                    if 2 * n + 2 > pair.size:
                        longer_pair = np.empty(2 * pair.size, dtype=np.int64)
                        longer_pair[: pair.size] = pair
                        pair = longer_pair
                    pair[2 * n], pair[2 * n + 1] = p, c
                    n += 1
    first[:] = 0
    for k in range(n):
        first[pair[2 * k] + 1] += 1
    for p in range(n_points):
        first[p + 1] += first[p]
    sorted_chain = np.empty(pair.size, dtype=np.int64)
    for k in range(n):
        p = pair[2 * k]
        sorted_chain[first[p]] = pair[2 * k + 1]
        first[p] += 1
    for p in range(n_points, 0, -1):
        first[p] = first[p - 1]
    first[0] = 0
    for k in range(n):
        pair[k] = sorted_chain[k]
    return pair


@_jit
def blocks_of(points: Array, direction: Array, piece: Array) -> Array:
    """Boxes (x, y, half width, half height) round the pieces of BLOCK points each."""
    n = (points.shape[0] + BLOCK - 1) // BLOCK
    blocks = np.empty((n, 4))
    for b in range(n):
        low_x, high_x, low_y, high_y = math.inf, -math.inf, math.inf, -math.inf
        for p in range(b * BLOCK, min(points.shape[0], (b + 1) * BLOCK)):
            hx, hy = abs(direction[p, 0]) * 0.5 * piece[p], abs(direction[p, 1]) * 0.5 * piece[p]
            low_x, high_x = min(low_x, points[p, 0] - hx), max(high_x, points[p, 0] + hx)
            low_y, high_y = min(low_y, points[p, 1] - hy), max(high_y, points[p, 1] + hy)
        blocks[b, 0], blocks[b, 1] = 0.5 * (low_x + high_x), 0.5 * (low_y + high_y)
        blocks[b, 2], blocks[b, 3] = 0.5 * (high_x - low_x), 0.5 * (high_y - low_y)
    return blocks


@_step
def track_angle(dx: float, dy: float, ux: float, uy: float) -> tuple[float, float]:
    """Sine (0 to 1) and cosine of the angle from a path (dx, dy) to a track (ux, uy), drawn either way."""
    d = max(math.sqrt(dx * dx + dy * dy), 1e-300)
    sine, cosine = (dx * uy - dy * ux) / d, (dx * ux + dy * uy) / d
    return abs(sine), -cosine if sine < 0.0 else cosine


@_jit
def flat_walk(
    points: Array, direction: Array, receivers: Array, level: float, default_g: float, nearest: float,
    first: IntArray, path: Array, profile: Array, ground: Array,
) -> None:  # fmt: skip
    """All pairs over a plain on which nothing stands: one path each."""
    k = 0
    first[0] = 0
    for r in range(receivers.shape[0]):
        xr, yr = receivers[r, 0], receivers[r, 1]
        for p in range(points.shape[0]):
            dx, dy = xr - points[p, 0], yr - points[p, 1]
            plan = math.sqrt(dx * dx + dy * dy)
            if plan <= SHORTEST_M:
                dx = 1e-3
            length = max(plan, nearest)
            path[k, 0], path[k, 1] = 1.0, length
            path[k, 2], path[k, 13] = track_angle(dx, dy, direction[p, 0], direction[p, 1])
            path[k, 3], path[k, 4], path[k, 5], path[k, 6] = 2.0 * (k + 1), k + 1.0, 0.0, 0.0
            for i in range(7, 13):
                path[k, i] = math.inf
            profile[2 * k, 0], profile[2 * k, 1] = 0.0, level
            profile[2 * k + 1, 0], profile[2 * k + 1, 1] = length, level
            ground[k, 0], ground[k, 1] = length, default_g
            k += 1
            first[k] = k


@_step
def add_leg(
    leg: Array, tie: IntArray, n: int, x: float, y: float, xe: float, ye: float, at: float, run: float, p: int, r: int,
    off: int, wall_a: int, wall_b: int, number: int, path: int,
) -> int:  # fmt: skip
    """Write row n of both tables; n + 1."""
    leg[n, XA], leg[n, YA], leg[n, XB], leg[n, YB], leg[n, AT], leg[n, RUN] = x, y, xe, ye, at, run
    tie[n, POINT], tie[n, RECEIVER], tie[n, OFF] = p, r, off
    tie[n, WALL_A], tie[n, WALL_B], tie[n, NUMBER], tie[n, PATH] = wall_a, wall_b, number, path
    return n + 1


@_jit
def plan(
    rule: Array, points: Array, direction: Array, piece: Array, receivers: Array, own_wall: IntArray, steps: IntArray,
    free: Array, wall: Array, wall_seg: IntArray, first: IntArray, left_out: Array,
) -> tuple[Array, Array, IntArray, Array]:  # fmt: skip
    """All paths and their legs: (n_paths, 14) with share, length, angle and number of mirrors filled in; legs; mirrors.

    ``steps`` (n_pairs,): even parts that a piece is cut into.
    """
    n_points, n_pairs = points.shape[0], receivers.shape[0] * points.shape[0]
    order, nearest = int(rule[ORDER]), rule[NEAREST]
    path, leg = np.empty((n_pairs, 14)), np.empty((n_pairs, N_LEG))
    tie, mirror = np.empty((n_pairs, N_TIES), dtype=np.int64), np.empty((4, 6))
    n_path, n_leg, n_mirror = 0, 0, 0
    cuts = np.empty(free.shape[0] + int(rule[MOST_STEPS]) + 2)
    blocks = blocks_of(points, direction, piece)
    low_x, low_y = (blocks[:, 0] - blocks[:, 2]).min(), (blocks[:, 1] - blocks[:, 3]).min()
    high_x, high_y = (blocks[:, 0] + blocks[:, 2]).max(), (blocks[:, 1] + blocks[:, 3]).max()
    box = np.array([0.5 * (low_x + high_x), 0.5 * (low_y + high_y), 0.5 * (high_x - low_x), 0.5 * (high_y - low_y)])
    chains = Chains(np.empty(64, dtype=np.int64), np.empty(64, dtype=np.int64), np.empty((64, 2)))
    chain_of, first_chain = np.empty(128, dtype=np.int64), np.zeros(n_points + 1, dtype=np.int64)
    bend, bent_by = np.empty((order + 1, 3)), np.empty(order + 1, dtype=np.int64)
    first[0] = 0
    for r in range(receivers.shape[0]):
        xr, yr = receivers[r, 0], receivers[r, 1]
        if order > 0:
            chains, n_chains = find_images(wall, wall_seg, order, xr, yr, own_wall[r], box, chains)
            chain_of = candidates(wall, chains, n_chains, points, direction, piece, blocks, first_chain, chain_of)
        for p in range(n_points):
            pair = r * n_points + p
            xm, ym, ux, uy, half = points[p, 0], points[p, 1], direction[p, 0], direction[p, 1], 0.5 * piece[p]
            n_parts = split_piece(xm, ym, ux, uy, half, xr, yr, free, steps[pair], cuts)
            if n_path + n_parts > path.shape[0]:
                path = taller(path, n_path + n_parts)
            if n_leg + n_parts > leg.shape[0]:
                leg, tie = taller(leg, n_leg + n_parts), taller(tie, n_leg + n_parts)
            off = 1 if n_parts > 1 else 0
            for part in range(n_parts):
                s = 0.5 * (cuts[part + 1] + cuts[part]) if off else 0.0
                xs, ys = xm + s * ux, ym + s * uy
                dx, dy = xr - xs, yr - ys
                plan = math.sqrt(dx * dx + dy * dy)
                if plan <= SHORTEST_M:  # any direction will do on the spot
                    dx = 1e-3
                run = max(plan, nearest)
                path[n_path, 0] = 0.5 * (cuts[part + 1] - cuts[part]) / half if off else 1.0
                path[n_path, 1] = run
                path[n_path, 2], path[n_path, 13] = track_angle(dx, dy, ux, uy)
                path[n_path, 6] = n_mirror
                n_leg = add_leg(leg, tie, n_leg, xs, ys, xs + dx, ys + dy, 0.0, run, p, r, off, -1, -1, 0, n_path)
                n_path += 1
            for part in range(n_parts if order > 0 else 0):
                share = 0.5 * (cuts[part + 1] - cuts[part]) / half if off else 1.0
                s = 0.5 * (cuts[part + 1] + cuts[part]) if off else 0.0
                xs, ys = xm + s * ux, ym + s * uy
                direct = (xr - xs) ** 2 + (yr - ys) ** 2
                for q in range(first_chain[p], first_chain[p + 1]):
                    c = chain_of[q]
                    n_bends = trace(wall, chains, c, xs, ys, bend, bent_by)
                    if n_bends == 0:
                        continue
                    plan = math.sqrt((chains.image[c, 0] - xs) ** 2 + (chains.image[c, 1] - ys) ** 2)
                    if direct < rule[LEAST] * plan * plan:
                        left_out[pair] += share / (plan * plan)
                        continue
                    bend[n_bends, 0], bend[n_bends, 1] = xr, yr
                    scale = max(plan, nearest) / plan
                    path, leg = taller(path, n_path + 1), taller(leg, n_leg + n_bends + 1)
                    tie, mirror = taller(tie, n_leg + n_bends + 1), taller(mirror, n_mirror + n_bends)
                    at, x, y = 0.0, xs, ys
                    for k in range(n_bends + 1):
                        wall_a = bent_by[k - 1] if k > 0 else -1
                        wall_b = bent_by[k] if k < n_bends else -1
                        dx, dy = bend[k, 0] - x, bend[k, 1] - y
                        own = max(math.sqrt(dx * dx + dy * dy), 1e-300)
                        n_leg = add_leg(
                            leg, tie, n_leg, x, y, bend[k, 0], bend[k, 1], at, own * scale, p, r, off, wall_a, wall_b,
                            k, n_path,
                        )  # fmt: skip
                        at += own * scale
                        if k == 0:
                            path[n_path, 2], path[n_path, 13] = track_angle(dx, dy, ux, uy)
                        if k < n_bends:
                            u, ex, ey = (
                                bend[k, 2],
                                wall[wall_b, X1] - wall[wall_b, X0],
                                wall[wall_b, Y1] - wall[wall_b, Y0],
                            )
                            width = math.sqrt(ex * ex + ey * ey)
                            top, base = wall[wall_b, WALL_TOP_0], wall[wall_b, WALL_BASE_0]
                            mirror[n_mirror, 0] = at
                            mirror[n_mirror, 1] = top + u * (wall[wall_b, WALL_TOP_1] - top)
                            mirror[n_mirror, 2] = base + u * (wall[wall_b, WALL_BASE_1] - base)
                            mirror[n_mirror, 3] = abs(dx * ey - dy * ex) / (own * width)
                            mirror[n_mirror, 4], mirror[n_mirror, 5] = width, wall_b
                            n_mirror += 1
                        x, y = bend[k, 0], bend[k, 1]
                    path[n_path, 0], path[n_path, 1], path[n_path, 6] = share, plan * scale, n_mirror
                    n_path += 1
            first[pair + 1] = n_path
    return path[:n_path], leg[:n_leg], tie[:n_leg], mirror[:n_mirror]


@_jit
def end_legs(
    points: Array, direction: Array, piece: Array, receivers: Array, ratio: float
) -> tuple[Array, IntArray, IntArray]:
    """Legs from both ends and the middle of each piece that is long for its distance; which pair each three are of."""
    n_points, n_pairs = points.shape[0], receivers.shape[0] * points.shape[0]
    leg, tie = np.empty((64, N_LEG)), np.empty((64, N_TIES), dtype=np.int64)
    pairs, n = np.empty(64, dtype=np.int64), 0
    for pair in range(n_pairs):
        r, p = pair // n_points, pair % n_points
        xm, ym, half = points[p, 0], points[p, 1], 0.5 * piece[p]
        xr, yr = receivers[r, 0], receivers[r, 1]
        if half == 0.0 or half < 0.5 * ratio * math.sqrt((xr - xm) ** 2 + (yr - ym) ** 2):
            continue
        leg, tie, pairs = taller(leg, 3 * n + 3), taller(tie, 3 * n + 3), longer(pairs, n + 1)
        for k in range(3):
            x, y = xm + (k - 1) * half * direction[p, 0], ym + (k - 1) * half * direction[p, 1]
            add_leg(leg, tie, 3 * n + k, x, y, xr, yr, 0.0, 1.0, p, r, k % 2 - 1, -1, -1, 0, 3 * n + k)
        pairs[n] = pair
        n += 1
    return leg[: 3 * n], tie[: 3 * n], pairs[:n]


@_jit
def parts_by_ground(ground: Array, path: Array, pairs: IntArray, rule: Array, steps: IntArray) -> None:
    """Into how many parts pieces are cut because the mean ground factor differs between their middle and ends."""
    row = 0
    for k in range(pairs.size):
        low, high = math.inf, -math.inf
        for j in range(3 * k, 3 * k + 3):
            mean, before = 0.0, 0.0
            while row < int(path[j, 4]):
                mean += ground[2 * row + 1] * (ground[2 * row] - before)
                before = ground[2 * row]
                row += 1
            low, high = min(low, mean), max(high, mean)
        steps[pairs[k]] = min(int(rule[MOST_STEPS]), 1 + int((high - low) / rule[G_STEP]))

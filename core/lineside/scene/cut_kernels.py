"""Vertical cuts along sound paths, compiled: what lies under, across and behind the way to a receiver.

No physics stands here. The functions are compiled in this file and give arrays; kernels of plugins take those arrays
and call nothing of this file, since numba's on-disk cache notices changes only of the file that it compiled. The
tables of a scene (:class:`Site`) are made by :mod:`lineside.scene.cut_index`.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from lineside.acoustics.bands import Array
from lineside.scene.model import BoolArray, IntArray

SHORTEST_M = 1e-6  # an edge nearer than this to either end of a path is no edge
LOST_M = 1e-9  # a corner this near the line lies on it; a piece of ground this short is none
FACE_M = 1e-3  # a step in the ground lower than this is no vertical face
TIE_M = 1e-7  # break lines nearer to each other than this are crossed in the order of their numbers
#: Columns of ``seg`` and ``tag``: every line that a path may cross, and what it belongs to.
X0, Y0, X1, Y1, Z0, Z1 = range(6)
KIND, OWNER, POLY, RANK, GROUP, N_TAGS = range(6)
#: Values of KIND; the first two are those of the contract.
BARRIER, HOUSE, AREA, STRIP, BREAK = range(5)
#: Columns of ``ring``: closed outlines; FIRST to LAST - 1 are their rows of ``seg``.
FIRST, LAST, RING_KIND, RING_OWNER, RING_WORK, N_RING = range(6)
#: Values of ``frame``.
BOX_X, BOX_Y, CELL, CELLS_X, CELLS_Y, LEVEL, RASTER, RASTER_X, RASTER_Y, STEP, N_FRAME = range(11)
#: Values of ``rule``: what the caller asks for.
ROOF_G, NEAREST, G_STEP, MOST_STEPS, RATIO, SIDE_WAYS, ORDER, LEAST, N_RULES = range(9)
#: Columns of ``wall``: reflectors.
WALL_TOP_0, WALL_TOP_1, WALL_BASE_0, WALL_BASE_1, WALL_ONE_SIDED, N_WALL = 4, 5, 6, 7, 8, 9
BLOCK = 16  # points of the track that are tested together


class Site(NamedTuple):
    """The tables of a scene. Cells are squares of a grid over all lines, row by row from the south-west."""

    frame: Array  # (N_FRAME,)
    seg: Array  # (n, 6)
    tag: IntArray  # (n, N_TAGS)
    ring: IntArray  # (n_rings, N_RING)
    ring_g: Array  # (n_rings + 1,) ground factor, the last one where no ring is
    cell: IntArray  # (n_cells + 1, 3) first entry of each cell in the next three
    cell_seg: IntArray  # lines that touch the cell
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
    wall_seg: IntArray  # (n_reflectors,) row of seg, -1 where nothing is reflected
    wall_ring: IntArray  # (n_reflectors,) ring of the building, -1: a barrier


class Scratch(NamedTuple):
    """Room for one path at a time."""

    seen: IntArray  # (n,) number of the last leg that has looked at a line
    t: Array  # (n,) places of crossings, 0 to 1
    u: Array  # (n,) along the line
    line: IntArray  # (n,)
    now: IntArray  # rings that hold the place where the sweep is
    at_a: IntArray  # rings that hold the start of a leg
    at_b: IntArray  # and its end
    odd: BoolArray  # (n_rings,) all false between two uses
    on: BoolArray  # (n_works,) whether an earthwork counts on this path
    groups: IntArray  # obstacles crossed by the path
    n: IntArray  # (2,) legs so far; obstacles crossed


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


_jit = njit(cache=_can_cache(), error_model="numpy", nogil=True)


@_jit
def longer(a: Array, n: int) -> Array:
    """``a`` with room for n numbers and more."""
    if n <= a.size:
        return a
    b = np.empty(2 * n)
    b[: a.size] = a
    return b


@_jit
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


@_jit
def in_strip(strip: Array, k: int, x: float, y: float) -> tuple[float, float]:
    """How far outside a strip a place lies (0: inside) and the height of its surface there; inf where it has no area.

    P = (1-s)(1-t) A + s (1-t) B + s t C + (1-s) t D is solved for s, t by Newton's method.
    """
    ax, ay, bx, by = strip[k, 0, 0], strip[k, 0, 1], strip[k, 1, 0] - strip[k, 0, 0], strip[k, 1, 1] - strip[k, 0, 1]
    dx, dy = strip[k, 3, 0] - ax, strip[k, 3, 1] - ay
    ex, ey = strip[k, 2, 0] - ax - bx - dx, strip[k, 2, 1] - ay - by - dy
    s, t = 0.5, 0.5
    for _ in range(30):
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


@_jit
def cell_of(frame: Array, x: float, y: float) -> int:
    """The grid cell of a place, -1 outside."""
    fx, fy = (x - frame[BOX_X]) / frame[CELL], (y - frame[BOX_Y]) / frame[CELL]
    if not (0.0 <= fx < frame[CELLS_X] and 0.0 <= fy < frame[CELLS_Y]):
        return -1
    return int(fy) * int(frame[CELLS_X]) + int(fx)


@_jit
def work_z(site: Site, work: int, x: float, y: float) -> float:
    """Height of the surface of an earthwork at a place; where it has none there, of the ground below all earthworks."""
    c = cell_of(site.frame, x, y)
    nearest, z = 0.1, math.nan
    if c >= 0:
        for k in range(site.cell[c, 2], site.cell[c + 1, 2]):
            if site.strip_work[site.cell_strip[k]] == work:
                out, z_here = in_strip(site.strip, site.cell_strip[k], x, y)
                if out < nearest:
                    nearest, z = out, z_here
                    if out == 0.0:
                        break
    return plain_z(site.frame, site.raster, x, y) if math.isnan(z) else z


@_jit
def surface_z(site: Site, work: int, x: float, y: float) -> float:
    """Height of the ground at a place where ``work`` lies on top, -1: none."""
    if work < 0:
        return plain_z(site.frame, site.raster, x, y)
    return work_z(site, work, x, y)


@_jit
def rings_at(site: Site, x: float, y: float, found: IntArray, odd: BoolArray) -> int:
    """Rings that hold a place, in any order; their number.

    Those that hold the centre of its cell, but for those whose outline is crossed on the way from there.
    """
    frame = site.frame
    c = cell_of(frame, x, y)
    if c < 0:
        return 0
    n = 0
    for k in range(site.cell[c, 1], site.cell[c + 1, 1]):
        found[n] = site.cell_ring[k]
        odd[found[n]] = True
        n += 1
    n_x = int(frame[CELLS_X])
    xc, yc = frame[BOX_X] + (c % n_x + 0.5) * frame[CELL], frame[BOX_Y] + (c // n_x + 0.5) * frame[CELL]
    dx, dy = xc - x, yc - y
    square = dx * dx + dy * dy
    if square > 0.0:
        for k in range(site.cell[c, 0], site.cell[c + 1, 0]):
            m = site.cell_seg[k]
            poly = site.tag[m, POLY]
            if poly < 0:
                continue
            px, py, qx, qy = site.seg[m, X0] - x, site.seg[m, Y0] - y, site.seg[m, X1] - x, site.seg[m, Y1] - y
            side_p, side_q = dx * py - dy * px, dx * qy - dy * qx
            if (side_p > 0.0) != (side_q > 0.0):
                f = side_p / (side_p - side_q)
                t = ((px + f * (qx - px)) * dx + (py + f * (qy - py)) * dy) / square
                if 0.0 < t < 1.0:
                    odd[poly] = not odd[poly]
                    known = False
                    for i in range(n):
                        known = known or found[i] == poly
                    if not known:
                        found[n] = poly
                        n += 1
    kept = 0
    for i in range(n):
        if odd[found[i]]:
            odd[found[i]] = False
            found[kept] = found[i]
            kept += 1
    return kept


@_jit
def stands_on(site: Site, rings: IntArray, n: int, x: float, y: float, z: float, on: BoolArray) -> None:
    """Mark the decks among the rings at a place that something at height z stands on, not below.

    It does if it is nearer to the deck than to the ground below it, or higher.
    """
    for i in range(n):
        if site.ring[rings[i], RING_KIND] != BREAK:
            continue
        work = site.ring[rings[i], RING_OWNER]
        if site.over[work]:
            deck, below = work_z(site, work, x, y), plain_z(site.frame, site.raster, x, y)
            on[work] = on[work] or z >= 0.5 * (deck + below)


@_jit
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


@_jit
def insert(site: Site, work: Scratch, n: int, t: float, u: float, m: int, dx: float, dy: float, length: float) -> int:
    """Put a crossing into the list by rising place; lines of an earthwork in one place by their numbers."""
    tag, seg = site.tag, site.seg
    k = n
    while k > 0:
        apart = (work.t[k - 1] - t) * length
        if apart <= -TIE_M:
            break
        other = work.line[k - 1]
        tied = apart < TIE_M and tag[m, KIND] == BREAK and tag[other, KIND] == BREAK
        if tied and tag[m, OWNER] == tag[other, OWNER] and tag[m, RANK] >= 0 and tag[other, RANK] >= 0:
            rightwards = dx * (seg[m, Y1] - seg[m, Y0]) - dy * (seg[m, X1] - seg[m, X0]) > 0.0
            if (tag[m, RANK] > tag[other, RANK]) == rightwards:
                break
        elif apart <= 0.0:
            break
        work.t[k], work.u[k], work.line[k] = work.t[k - 1], work.u[k - 1], other
        k -= 1
    work.t[k], work.u[k], work.line[k] = t, u, m
    return n + 1


@_jit
def crossings(site: Site, work: Scratch, x: float, y: float, xe: float, ye: float, wall_a: int, wall_b: int) -> int:
    """All lines that the way from (x, y) to (xe, ye) crosses, by rising place; their number.

    It may begin and end at reflectors, which are not among them, nor is their building right there; -1: no reflector.
    """
    frame, seg, tag, cell, cell_seg = site.frame, site.seg, site.tag, site.cell, site.cell_seg
    dx, dy = xe - x, ye - y
    square = dx * dx + dy * dy
    length = math.sqrt(square)
    size, x0, y0 = frame[CELL], frame[BOX_X], frame[BOX_Y]
    n_x, n_y = int(frame[CELLS_X]), int(frame[CELLS_Y])
    work.n[0] += 1
    stamp = work.n[0]
    t_in, t_out = 0.0, 1.0
    if dx != 0.0:
        a, b = (x0 - x) / dx, (x0 + n_x * size - x) / dx
        t_in, t_out = max(t_in, min(a, b)), min(t_out, max(a, b))
    elif not x0 <= x <= x0 + n_x * size:
        return 0
    if dy != 0.0:
        a, b = (y0 - y) / dy, (y0 + n_y * size - y) / dy
        t_in, t_out = max(t_in, min(a, b)), min(t_out, max(a, b))
    elif not y0 <= y <= y0 + n_y * size:
        return 0
    if t_in > t_out:
        return 0
    i = min(max(int((x + t_in * dx - x0) / size), 0), n_x - 1)
    j = min(max(int((y + t_in * dy - y0) / size), 0), n_y - 1)
    step_x, step_y = (1 if dx > 0.0 else -1), (1 if dy > 0.0 else -1)
    next_x = (x0 + (i + (dx > 0.0)) * size - x) / dx if dx != 0.0 else math.inf
    next_y = (y0 + (j + (dy > 0.0)) * size - y) / dy if dy != 0.0 else math.inf
    each_x = size / abs(dx) if dx != 0.0 else math.inf
    each_y = size / abs(dy) if dy != 0.0 else math.inf
    skip_a, own_a = (site.wall_seg[wall_a], site.wall_ring[wall_a]) if wall_a >= 0 else (-1, -1)
    skip_b, own_b = (site.wall_seg[wall_b], site.wall_ring[wall_b]) if wall_b >= 0 else (-1, -1)
    n = 0
    while True:
        c = j * n_x + i
        for k in range(cell[c, 0], cell[c + 1, 0]):
            m = cell_seg[k]
            if work.seen[m] == stamp:
                continue
            work.seen[m] = stamp
            t, u = test_line(seg, tag, m, x, y, dx, dy, square)
            if 0.0 < t < 1.0 and m != skip_a and m != skip_b:
                at_a = own_a >= 0 and tag[m, POLY] == own_a and t * length < SHORTEST_M
                at_b = own_b >= 0 and tag[m, POLY] == own_b and (1.0 - t) * length < SHORTEST_M
                if not (at_a or at_b):
                    n = insert(site, work, n, t, u, m, dx, dy, length)
        if next_x < next_y:
            if next_x > t_out:
                return n
            i += step_x
            next_x += each_x
            if i < 0 or i >= n_x:
                return n
        else:
            if next_y > t_out:
                return n
            j += step_y
            next_y += each_y
            if j < 0 or j >= n_y:
                return n


@_jit
def settle(
    site: Site, work: Scratch, n: int, n_a: int, n_b: int, x: float, y: float, xe: float, ye: float,
    wall_a: int, wall_b: int,
) -> tuple[int, int]:  # fmt: skip
    """Make rings at the start, crossings and rings at the end agree; numbers of crossings and of rings at the start.

    They disagree where an end lies on an outline. There the crossings of the whole straight line through both ends say
    whether the way starts inside. A way that starts or ends at a reflector is outside its building there.
    """
    odd = work.odd
    own_a = site.wall_ring[wall_a] if wall_a >= 0 else -1
    own_b = site.wall_ring[wall_b] if wall_b >= 0 else -1
    for k in range(n):
        poly = site.tag[work.line[k], POLY]
        if poly >= 0:
            odd[poly] = not odd[poly]
    for k in range(n_a):
        odd[work.at_a[k]] = not odd[work.at_a[k]]
    for k in range(n_b):
        odd[work.at_b[k]] = not odd[work.at_b[k]]
    wrong = 0
    for k in range(n):
        poly = site.tag[work.line[k], POLY]
        if poly >= 0 and odd[poly]:
            odd[poly] = False
            if poly != own_a and poly != own_b:
                work.now[wrong] = poly
                wrong += 1
    for k in range(n_a + n_b):
        poly = work.at_a[k] if k < n_a else work.at_b[k - n_a]
        if odd[poly]:
            odd[poly] = False
            if poly != own_a and poly != own_b:
                work.now[wrong] = poly
                wrong += 1
    dx, dy = xe - x, ye - y
    square = dx * dx + dy * dy
    for w in range(wrong):
        poly = work.now[w]
        kept = 0
        for k in range(n):
            if site.tag[work.line[k], POLY] != poly:
                work.t[kept], work.u[kept], work.line[kept] = work.t[k], work.u[k], work.line[k]
                kept += 1
        n = kept
        inside = False
        for m in range(site.ring[poly, FIRST], site.ring[poly, LAST]):
            t, u = test_line(site.seg, site.tag, m, x, y, dx, dy, square)
            if t <= 0.0:
                inside = not inside
            elif t < 1.0:
                n = insert(site, work, n, t, u, m, dx, dy, math.sqrt(square))
        kept = 0
        for k in range(n_a):
            if work.at_a[k] != poly:
                work.at_a[kept] = work.at_a[k]
                kept += 1
        if inside:
            work.at_a[kept] = poly
            kept += 1
        n_a = kept
    return n, n_a


@_jit
def top_work(site: Site, work: Scratch, n_now: int) -> int:
    """The uppermost earthwork that counts at the place of the sweep, -1: none."""
    top = -1
    for k in range(n_now):
        ring = work.now[k]
        if site.ring[ring, RING_KIND] == BREAK:
            owner = site.ring[ring, RING_OWNER]
            if owner > top and (not site.over[owner] or work.on[owner]):
                top = owner
    return top


@_jit
def g_here(site: Site, work: Scratch, n_now: int, top: int, roof_g: float) -> float:
    """Ground factor at the place of the sweep."""
    best = -1
    for k in range(n_now):
        ring = work.now[k]
        kind = site.ring[ring, RING_KIND]
        if kind == HOUSE:
            return roof_g
        if ring > best and (kind == AREA or (kind == STRIP and site.ring[ring, RING_WORK] == top)):
            best = ring
    return site.ring_g[best]


@_jit
def toggle(now: IntArray, n: int, ring: int) -> int:
    """Enter or leave a ring."""
    for k in range(n):
        if now[k] == ring:
            now[k] = now[n - 1]
            return n - 1
    now[n] = ring
    return n + 1


@_jit
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
    site: Site, work: Scratch, n: int, n_a: int, roof_g: float, at: float, length: float, ground: Array, n_ground: int,
    first: int,
) -> int:  # fmt: skip
    """Ground along a leg of given length that starts at distance ``at``; new number of rows."""
    n_now = n_a
    work.now[:n_a] = work.at_a[:n_a]
    top = top_work(site, work, n_now)
    g = g_here(site, work, n_now, top, roof_g)
    for k in range(n):
        ring = site.tag[work.line[k], POLY]
        if ring >= 0:
            n_ground = add_ground(ground, n_ground, first, at + work.t[k] * length, g)
            n_now = toggle(work.now, n_now, ring)
            top = top_work(site, work, n_now)
            g = g_here(site, work, n_now, top, roof_g)
    return add_ground(ground, n_ground, first, at + length, g)


@_jit
def mean_ground(site: Site, work: Scratch, n: int, n_a: int, roof_g: float, buffer: Array) -> float:
    """Mean ground factor along a way whose crossings are known; ``buffer`` holds 2 (n + 2) numbers."""
    rows = lay_ground(site, work, n, n_a, roof_g, 0.0, 1.0, buffer, 0, 0)
    mean, before = 0.0, 0.0
    for k in range(rows):
        mean += buffer[2 * k + 1] * (buffer[2 * k] - before)
        before = buffer[2 * k]
    return mean


@_jit
def add_point(profile: Array, n: int, at: float, z: float) -> int:
    profile[2 * n], profile[2 * n + 1] = at, z
    return n + 1


@_jit
def lay_profile(
    site: Site, work: Scratch, n: int, n_a: int, x: float, y: float, xe: float, ye: float, at: float, length: float,
    samples: int, profile: Array, n_profile: int, begin: bool,
) -> int:  # fmt: skip
    """Profile along a leg that starts at distance ``at``, cut into ``samples`` steps; new number of rows.

    The first point is written with ``begin`` only: a further leg starts where the one before has ended.
    """
    frame, raster = site.frame, site.raster
    dx, dy = xe - x, ye - y
    n_now = n_a
    work.now[:n_a] = work.at_a[:n_a]
    top = top_work(site, work, n_now)
    if begin:
        n_profile = add_point(profile, n_profile, at, surface_z(site, top, x, y))
    sample = 1
    for k in range(n + 1):
        t = work.t[k] if k < n else 1.0
        if k < n and site.tag[work.line[k], KIND] != BREAK:
            continue
        if top < 0:
            while sample < samples and sample < t * samples:
                f = sample / samples
                n_profile = add_point(
                    profile, n_profile, at + f * length, plain_z(frame, raster, x + f * dx, y + f * dy)
                )
                sample += 1
        if k == n:
            break
        m = work.line[k]
        owner, ring = site.tag[m, OWNER], site.tag[m, POLY]
        after = top
        if ring >= 0:
            n_now = toggle(work.now, n_now, ring)
            after = top_work(site, work, n_now)
        if owner in (top, after):
            z = site.seg[m, Z0] + work.u[k] * (site.seg[m, Z1] - site.seg[m, Z0])
            here = at + t * length
            if top != owner:
                below = surface_z(site, top, x + t * dx, y + t * dy)
                if abs(below - z) > FACE_M:
                    n_profile = add_point(profile, n_profile, here, below)
            n_profile = add_point(profile, n_profile, here, z)
            if after != owner:
                below = surface_z(site, after, x + t * dx, y + t * dy)
                if abs(below - z) > FACE_M:
                    n_profile = add_point(profile, n_profile, here, below)
        if top < 0 or after < 0:
            while sample < samples and sample <= t * samples:
                sample += 1
        top = after
    return add_point(profile, n_profile, at + length, surface_z(site, top, xe, ye))


@_jit
def profile_z(profile: Array, low: int, high: int, at: float) -> tuple[float, int]:
    """Height of the profile (rows low to high - 1) at a distance, the higher one at a face; row to go on from."""
    k = low
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


@_jit
def width_across(corner: Array, first: int, last: int, dx: float, dy: float) -> float:
    """Extent of corners first to last - 1 across the direction (dx, dy)."""
    low, high = math.inf, -math.inf
    for m in range(first, last):
        v = dx * corner[m, 1] - dy * corner[m, 0]
        low, high = min(low, v), max(high, v)
    return (high - low) / math.sqrt(dx * dx + dy * dy)


@_jit
def put_edges(
    site: Site, work: Scratch, n: int, x: float, y: float, xe: float, ye: float, at: float, length: float,
    profile: Array, low: int, high: int, flip: bool, edge: Array, n_edge: int,
) -> int:  # fmt: skip
    """Edges of a leg that rise above its profile, their obstacles into ``groups``.

    ``flip``: the leg runs behind an odd number of mirrors, where left and right are exchanged.
    """
    dx, dy = xe - x, ye - y
    plan = math.sqrt(dx * dx + dy * dy)
    first, last_place = n_edge, 0.0
    for k in range(n):
        m = work.line[k]
        kind = site.tag[m, KIND]
        if kind > HOUSE or work.t[k] * plan < SHORTEST_M or (1.0 - work.t[k]) * plan < SHORTEST_M:
            continue
        place = at + work.t[k] * length
        z = site.seg[m, Z0] + work.u[k] * (site.seg[m, Z1] - site.seg[m, Z0])
        floor, low = profile_z(profile, low, high, place)
        if z <= floor:
            continue
        if n_edge > first and (work.t[k] - last_place) * plan < SHORTEST_M:
            if z <= edge[7 * n_edge - 6]:
                continue
            n_edge -= 1
            place = edge[7 * n_edge]
        else:
            last_place = work.t[k]
        bx, by = site.seg[m, X1] - site.seg[m, X0], site.seg[m, Y1] - site.seg[m, Y0]
        norm = plan * math.sqrt(bx * bx + by * by)
        sine, cosine = (dx * by - dy * bx) / norm, (dx * bx + dy * by) / norm
        if (sine < 0.0) != flip:
            cosine = -cosine
        group = site.tag[m, GROUP]
        row = 7 * n_edge
        edge[row], edge[row + 1] = place, z
        edge[row + 2] = width_across(site.corner, site.group[group], site.group[group + 1], dx, dy)
        edge[row + 3], edge[row + 4] = abs(sine), cosine
        edge[row + 5], edge[row + 6] = kind, site.tag[m, OWNER]
        work.groups[n_edge - first] = group
        n_edge += 1
    work.n[1] = 0
    for k in range(n_edge - first):
        known = False
        for i in range(work.n[1]):
            known = known or work.groups[i] == work.groups[k]
        if not known:
            work.groups[work.n[1]] = work.groups[k]
            work.n[1] += 1
    return n_edge


@_jit
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
def insert_cut(cuts: Array, n: int, s: float) -> int:
    """Put a cut into the rising list; returns the new number."""
    k = n
    while cuts[k - 1] > s:
        cuts[k] = cuts[k - 1]
        k -= 1
    cuts[k] = s
    return n + 1


@_jit
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


@_jit
def take_leg(
    site: Site, work: Scratch, x: float, y: float, xe: float, ye: float, n_a: int, n_b: int, wall_a: int, wall_b: int
) -> tuple[int, int]:
    """Crossings of a leg, with the rings at its ends in ``at_a`` and ``at_b``; their number, rings at its start."""
    n = crossings(site, work, x, y, xe, ye, wall_a, wall_b)
    if n + n_a + n_b == 0:
        return 0, 0
    return settle(site, work, n, n_a, n_b, x, y, xe, ye, wall_a, wall_b)


@_jit
def steps_of(frame: Array, plan: float) -> int:
    """Equal steps, no longer than the raster's, into which a leg is cut."""
    return math.ceil(plan / frame[STEP] - 1e-9) if frame[RASTER] > 0.0 else 1


@_jit
def image_of(wall: Array, j: int, x: float, y: float) -> tuple[float, float, float]:
    """Image of a place across the line of a reflector, and on which side the place lies (> 0: left). [m]"""
    ax, ay = wall[j, X0], wall[j, Y0]
    ex, ey = wall[j, X1] - ax, wall[j, Y1] - ay
    length = math.sqrt(ex * ex + ey * ey)
    off = (ex * (y - ay) - ey * (x - ax)) / length
    return x + 2.0 * off * ey / length, y - 2.0 * off * ex / length, off


@_jit
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


@_jit
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


@_jit
def reflects(wall: Array, wall_seg: IntArray, j: int, side: float) -> bool:
    """Whether a reflector throws sound back to a place that lies ``side`` to the left of it."""
    if wall_seg[j] < 0 or abs(side) < SHORTEST_M:
        return False
    return wall[j, WALL_ONE_SIDED] == 0.0 or side < 0.0


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
    site: Site, order: int, xr: float, yr: float, own: int, box: Array, chains: Chains
) -> tuple[Chains, int]:
    """Images of a receiver by up to ``order`` reflectors; ``own`` is the one that does not count as the last.

    Left out are those that no way from the box (x, y, half width, half height) of all points leads to.
    """
    n, begin = 0, 0
    for level in range(order):
        end = n
        for c in range(-1 if level == 0 else begin, 0 if level == 0 else end):
            x, y = (xr, yr) if c < 0 else (chains.image[c, 0], chains.image[c, 1])
            for j in range(site.wall.shape[0]):
                if (c < 0 and j == own) or (c >= 0 and j == chains.wall[c]):
                    continue
                ix, iy, side = image_of(site.wall, j, x, y)
                if not reflects(site.wall, site.wall_seg, j, side):
                    continue
                if c >= 0:
                    xm, ym = 0.5 * (site.wall[j, X0] + site.wall[j, X1]), 0.5 * (site.wall[j, Y0] + site.wall[j, Y1])
                    hx, hy = abs(site.wall[j, X1] - xm), abs(site.wall[j, Y1] - ym)
                    if not may_meet(site.wall, chains.wall[c], x, y, xm, ym, hx, hy):
                        continue
                if level == order - 1 and not may_meet(site.wall, j, ix, iy, box[0], box[1], box[2], box[3]):
                    continue
                if n == chains.wall.size:
                    chains = grow_chains(chains)
                chains.wall[n], chains.parent[n] = j, c
                chains.image[n, 0], chains.image[n, 1] = ix, iy
                n += 1
        begin = end
    return chains, n


@_jit
def trace(site: Site, chains: Chains, c: int, xs: float, ys: float, bend: Array, wall: IntArray) -> int:
    """Follow the way from a source by the reflectors of a chain: where it bends and at which; their number, 0 if none.

    ``bend`` receives x, y and the place on the reflector (0 to 1).
    """
    n, x, y = 0, xs, ys
    while c >= 0:
        j = chains.wall[c]
        u = hit(site.wall, j, x, y, chains.image[c, 0], chains.image[c, 1])
        if u < 0.0:
            return 0
        if site.wall[j, WALL_ONE_SIDED] != 0.0:
            ax, ay = site.wall[j, X0], site.wall[j, Y0]
            if (site.wall[j, X1] - ax) * (y - ay) - (site.wall[j, Y1] - ay) * (x - ax) > 0.0:
                return 0
        x = site.wall[j, X0] + u * (site.wall[j, X1] - site.wall[j, X0])
        y = site.wall[j, Y0] + u * (site.wall[j, Y1] - site.wall[j, Y0])
        bend[n, 0], bend[n, 1], bend[n, 2] = x, y, u
        wall[n] = j
        n += 1
        c = chains.parent[c]
    return n


@_jit
def candidates(
    site: Site, chains: Chains, n_chains: int, points: Array, direction: Array, piece: Array, blocks: Array,
    first: IntArray, pair: IntArray,
) -> IntArray:  # fmt: skip
    """Chains that ways from each point may follow, point by point from ``first``; ``pair`` is room for them."""
    n_points, n = points.shape[0], 0
    for c in range(n_chains):
        j, ix, iy = chains.wall[c], chains.image[c, 0], chains.image[c, 1]
        for b in range(blocks.shape[0]):
            if not may_meet(site.wall, j, ix, iy, blocks[b, 0], blocks[b, 1], blocks[b, 2], blocks[b, 3]):
                continue
            for p in range(b * BLOCK, min(n_points, (b + 1) * BLOCK)):
                half = 0.5 * piece[p]
                hx, hy = abs(direction[p, 0]) * half, abs(direction[p, 1]) * half
                if may_meet(site.wall, j, ix, iy, points[p, 0], points[p, 1], hx, hy):
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


@_jit
def scratch_of(site: Site) -> Scratch:
    n, rings = site.seg.shape[0] + 1, 2 * site.ring.shape[0] + 2
    return Scratch(
        np.zeros(n, dtype=np.int64),
        np.empty(n),
        np.empty(n),
        np.empty(n, dtype=np.int64),
        np.empty(rings, dtype=np.int64),
        np.empty(rings, dtype=np.int64),
        np.empty(rings, dtype=np.int64),
        np.zeros(rings, dtype=np.bool_),
        np.zeros(site.over.size + 1, dtype=np.bool_),
        np.empty(n, dtype=np.int64),
        np.zeros(2, dtype=np.int64),
    )


@_jit
def split_steps(
    site: Site, work: Scratch, rule: Array, xm: float, ym: float, ux: float, uy: float, half: float, xr: float,
    yr: float, at_r: IntArray, n_r: int, buffer: Array,
) -> int:  # fmt: skip
    """Into how many parts a piece is cut because the mean ground factor differs between its middle and its ends."""
    low, high = 1.0, 0.0
    for side in range(-1, 2):
        xs, ys = xm + side * half * ux, ym + side * half * uy
        n_a = rings_at(site, xs, ys, work.at_a, work.odd)
        work.at_b[:n_r] = at_r[:n_r]
        n, n_a = take_leg(site, work, xs, ys, xr, yr, n_a, n_r, -1, -1)
        mean = mean_ground(site, work, n, n_a, rule[ROOF_G], buffer)
        low, high = min(low, mean), max(high, mean)
    return min(int(rule[MOST_STEPS]), 1 + int((high - low) / rule[G_STEP]))


@_jit
def flat_walk(
    points: Array, direction: Array, piece: Array, receivers: Array, level: float, default_g: float, nearest: float,
    free: Array, first: IntArray, path: Array, profile: Array, ground: Array,
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
            row = 13 * k
            path[row], path[row + 1] = 1.0, length
            path[row + 2] = abs(dx * direction[p, 1] - dy * direction[p, 0]) / math.sqrt(dx * dx + dy * dy)
            path[row + 3], path[row + 4], path[row + 5], path[row + 6] = 2.0 * (k + 1), k + 1.0, 0.0, 0.0
            path[row + 7 : row + 13] = math.inf
            profile[4 * k], profile[4 * k + 1], profile[4 * k + 2], profile[4 * k + 3] = 0.0, level, length, level
            ground[2 * k], ground[2 * k + 1] = length, default_g
            k += 1
            first[k] = k


@_jit
def walk(
    site: Site, rule: Array, points: Array, direction: Array, piece: Array, receivers: Array, own_wall: IntArray,
    first: IntArray, left_out: Array,
) -> tuple[Array, Array, Array, Array, Array]:  # fmt: skip
    """All paths of all pairs of receiver and point; fills ``first`` (n_pairs + 1,) and ``left_out`` (n_pairs,).

    Returns rows one after another, as described at :class:`lineside.scene.cuts.VerticalCuts`: paths (13 numbers each),
    profile (2), ground (2), edges (7), mirrors (6).
    """
    n_points, n_pairs = points.shape[0], receivers.shape[0] * points.shape[0]
    work = scratch_of(site)
    path, profile, ground = np.empty(13 * n_pairs), np.empty(4 * n_pairs), np.empty(2 * n_pairs)
    edge, mirror = np.empty(64), np.empty(64)
    left_out[:] = 0.0
    frame, level = site.frame, site.frame[LEVEL]
    order = int(rule[ORDER])
    if site.seg.shape[0] == 0 and frame[RASTER] == 0.0:
        flat_walk(
            points, direction, piece, receivers, level, site.ring_g[-1], rule[NEAREST], site.free, first, path,
            profile, ground,
        )  # fmt: skip
        return path, profile, ground, edge[:0], mirror[:0]
    n_path, n_profile, n_ground, n_edge, n_mirror = 0, 0, 0, 0, 0
    first[0] = 0
    buffer = np.empty(2 * site.seg.shape[0] + 4)
    cuts = np.empty(site.free.shape[0] + int(rule[MOST_STEPS]) + 2)
    at_p = np.empty(work.at_a.size, dtype=np.int64)
    at_r = np.empty(work.at_a.size, dtype=np.int64)
    blocks = blocks_of(points, direction, piece)
    low_x, low_y = (blocks[:, 0] - blocks[:, 2]).min(), (blocks[:, 1] - blocks[:, 3]).min()
    high_x, high_y = (blocks[:, 0] + blocks[:, 2]).max(), (blocks[:, 1] + blocks[:, 3]).max()
    box = np.array([0.5 * (low_x + high_x), 0.5 * (low_y + high_y), 0.5 * (high_x - low_x), 0.5 * (high_y - low_y)])
    chains = Chains(np.empty(64, dtype=np.int64), np.empty(64, dtype=np.int64), np.empty((64, 2)))
    chain_of = np.empty(128, dtype=np.int64)
    first_chain = np.zeros(n_points + 1, dtype=np.int64)
    bend, bend_wall = np.empty((order + 2, 3)), np.empty(order + 2, dtype=np.int64)
    any_g = site.ring.shape[0] > site.over.size
    any_over = np.any(site.over)
    for r in range(receivers.shape[0]):
        xr, yr, zr = receivers[r, 0], receivers[r, 1], receivers[r, 2]
        n_r = rings_at(site, xr, yr, at_r, work.odd)
        if order > 0:
            chains, n_chains = find_images(site, order, xr, yr, own_wall[r], box, chains)
            chain_of = candidates(site, chains, n_chains, points, direction, piece, blocks, first_chain, chain_of)
        for p in range(n_points):
            pair = r * n_points + p
            xm, ym, ux, uy, half = points[p, 0], points[p, 1], direction[p, 0], direction[p, 1], 0.5 * piece[p]
            steps = 1
            if any_over:
                work.on[:] = False
                n_p = rings_at(site, xm, ym, at_p, work.odd)
                stands_on(site, at_p, n_p, xm, ym, points[p, 2], work.on)
                stands_on(site, at_r, n_r, xr, yr, zr, work.on)
            if any_g and half >= 0.5 * rule[RATIO] * math.hypot(xr - xm, yr - ym):
                steps = split_steps(site, work, rule, xm, ym, ux, uy, half, xr, yr, at_r, n_r, buffer)
            n_parts = split_piece(xm, ym, ux, uy, half, xr, yr, site.free, steps, cuts)
            path = longer(path, 13 * (n_path + n_parts))
            for part in range(n_parts):
                share, s = 1.0, 0.0
                if n_parts > 1:
                    share = 0.5 * (cuts[part + 1] - cuts[part]) / half
                    s = 0.5 * (cuts[part + 1] + cuts[part])
                xs, ys = xm + s * ux, ym + s * uy
                plan = math.sqrt((xr - xs) ** 2 + (yr - ys) ** 2)
                xe = xr if plan > SHORTEST_M else xs + 1e-3  # any direction will do on the spot
                dx, dy = xe - xs, yr - ys
                length = max(plan, rule[NEAREST])
                n_a = rings_at(site, xs, ys, work.at_a, work.odd)
                work.at_b[:n_r] = at_r[:n_r]
                n, n_a = take_leg(site, work, xs, ys, xe, yr, n_a, n_r, -1, -1)
                ground = longer(ground, 2 * (n_ground + n + 1))
                n_ground = lay_ground(site, work, n, n_a, rule[ROOF_G], 0.0, length, ground, n_ground, n_ground)
                samples = steps_of(frame, plan)
                profile = longer(profile, 2 * (n_profile + samples + 3 * n + 2))
                begin = n_profile
                n_profile = lay_profile(
                    site, work, n, n_a, xs, ys, xe, yr, 0.0, length, samples, profile, n_profile, True
                )
                row = 13 * n_path
                path[row + 7 : row + 13] = math.inf
                if n > 0:
                    edge = longer(edge, 7 * (n_edge + n))
                    n_edge = put_edges(
                        site, work, n, xs, ys, xe, yr, 0.0, length, profile, begin, n_profile, False, edge, n_edge
                    )
                    if work.n[1] > 0 and rule[SIDE_WAYS] > 0.0:
                        for k in range(2):
                            detour, between, to_corner = way_round(
                                xs, ys, xe, yr, 1.0 - 2.0 * k, site.group, site.corner, work.groups, work.n[1]
                            )
                            path[row + 7 + 2 * k], path[row + 8 + 2 * k] = detour, between
                            path[row + 11 + k] = to_corner
                path[row], path[row + 1] = share, length
                path[row + 2] = abs(dx * uy - dy * ux) / math.sqrt(dx * dx + dy * dy)
                path[row + 3], path[row + 4], path[row + 5], path[row + 6] = n_profile, n_ground, n_edge, n_mirror
                n_path += 1
            if order > 0:
                for part in range(n_parts):
                    share, s = 1.0, 0.0
                    if n_parts > 1:
                        share = 0.5 * (cuts[part + 1] - cuts[part]) / half
                        s = 0.5 * (cuts[part + 1] + cuts[part])
                    xs, ys = xm + s * ux, ym + s * uy
                    direct = (xr - xs) ** 2 + (yr - ys) ** 2
                    for q in range(first_chain[p], first_chain[p + 1]):
                        c = chain_of[q]
                        n_bends = trace(site, chains, c, xs, ys, bend, bend_wall)
                        if n_bends == 0:
                            continue
                        plan = math.hypot(chains.image[c, 0] - xs, chains.image[c, 1] - ys)
                        if direct < rule[LEAST] * plan * plan:
                            left_out[pair] += share / (plan * plan)
                            continue
                        bend[n_bends, 0], bend[n_bends, 1] = xr, yr
                        scale = max(plan, rule[NEAREST]) / plan
                        begin, begin_ground, at = n_profile, n_ground, 0.0
                        x, y = xs, ys
                        n_a = rings_at(site, x, y, work.at_a, work.odd)
                        mirror = longer(mirror, 6 * (n_mirror + n_bends))
                        for leg in range(n_bends + 1):
                            wall_a = bend_wall[leg - 1] if leg > 0 else -1
                            wall_b = bend_wall[leg] if leg < n_bends else -1
                            xe, ye = bend[leg, 0], bend[leg, 1]
                            dx, dy = xe - x, ye - y
                            own = math.sqrt(dx * dx + dy * dy)
                            length = own * scale
                            if wall_b >= 0:
                                n_b = rings_at(site, xe, ye, work.at_b, work.odd)
                                for k in range(n_b):
                                    if work.at_b[k] == site.wall_ring[wall_b]:
                                        work.at_b[k] = work.at_b[n_b - 1]
                                        n_b -= 1
                                        break
                            else:
                                n_b = n_r
                                work.at_b[:n_r] = at_r[:n_r]
                            n, n_a = take_leg(site, work, x, y, xe, ye, n_a, n_b, wall_a, wall_b)
                            ground = longer(ground, 2 * (n_ground + n + 1))
                            n_ground = lay_ground(
                                site, work, n, n_a, rule[ROOF_G], at, length, ground, n_ground, begin_ground
                            )
                            samples = steps_of(frame, own)
                            profile = longer(profile, 2 * (n_profile + samples + 3 * n + 2))
                            low = max(begin, n_profile - 1)
                            n_profile = lay_profile(
                                site, work, n, n_a, x, y, xe, ye, at, length, samples, profile, n_profile, leg == 0
                            )
                            if n > 0:
                                edge = longer(edge, 7 * (n_edge + n))
                                n_edge = put_edges(
                                    site, work, n, x, y, xe, ye, at, length, profile, low, n_profile, leg % 2 == 1,
                                    edge, n_edge,
                                )  # fmt: skip
                            if leg == 0:
                                sine = abs(dx * uy - dy * ux) / max(own, 1e-300)
                            at += length
                            if wall_b >= 0:
                                wall, u, row = site.wall, bend[leg, 2], 6 * n_mirror
                                ex, ey = wall[wall_b, X1] - wall[wall_b, X0], wall[wall_b, Y1] - wall[wall_b, Y0]
                                width = math.sqrt(ex * ex + ey * ey)
                                top, base = wall[wall_b, WALL_TOP_0], wall[wall_b, WALL_BASE_0]
                                mirror[row] = at
                                mirror[row + 1] = top + u * (wall[wall_b, WALL_TOP_1] - top)
                                mirror[row + 2] = base + u * (wall[wall_b, WALL_BASE_1] - base)
                                mirror[row + 3] = abs(dx * ey - dy * ex) / max(own * width, 1e-300)
                                mirror[row + 4], mirror[row + 5] = width, wall_b
                                n_mirror += 1
                                n_a = n_b
                                work.at_a[:n_b] = work.at_b[:n_b]
                            x, y = xe, ye
                        path = longer(path, 13 * (n_path + 1))
                        row = 13 * n_path
                        path[row + 7 : row + 13] = math.inf
                        path[row], path[row + 1], path[row + 2] = share, plan * scale, sine
                        path[row + 3], path[row + 4], path[row + 5], path[row + 6] = (
                            n_profile, n_ground, n_edge, n_mirror,
                        )  # fmt: skip
                        n_path += 1
            first[pair + 1] = n_path
    return (
        path[: 13 * n_path], profile[: 2 * n_profile], ground[: 2 * n_ground], edge[: 7 * n_edge],
        mirror[: 6 * n_mirror],
    )  # fmt: skip

"""The formulas of propagation, compiled.

Every function works on plain numbers and small arrays, in the energy domain: an attenuation A is held as the factor
10^(-A/10). :func:`..path.propagation_path` and the calculator run the same functions. They stand in one file because
numba's on-disk cache notices changes of the file that it compiled, not of the files that this one imports.

Equation numbers (Gl.): 16. BImSchV, Annex 2. Symbols as there: h heights above ground, d path length, d_p its length in
plan, z path difference. "Straight" is the straight line from source to receiver.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from lineside.acoustics.bands import OCTAVES_HZ, Array
from lineside.scene.model import IntArray

SOUND_SPEED_M_S = 340.0  # Gl. 17
SPREADING = 0.25 / math.pi  # Gl. 11
LN10 = math.log(10.0)
CAP_ONE, CAP_MORE = 1e-2, 10.0**-2.5  # 20 and 25 dB, No. 6.5
OPEN = 1e300  # an edge so far below the straight line that the argument of Gl. 21 is not positive
GRAZING_M = 1e-9  # an edge must rise above the straight line by more than this to block it
SHORTEST_M = 1e-6
PARALLEL_SIN = math.sin(math.radians(5.0))  # edges this near to each other in direction are parallel
WATER_STEP, MOST_STEPS = 0.1, 10  # a piece of track is split where the share of water changes by more along it,
SPLIT_RATIO = 0.05  # unless it is shorter than this part of its distance
#: Rows of the scratch array ``work``, each (n_bands,).
SCREEN, TOP, SIDE, NEAR, N_ROWS = range(5)
#: What a screened path reports in ``geo``.
D_S, D_R, E, Z, K_MET, N_EDGES, N_GEO = range(7)


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


CACHE = _can_cache()
_jit = njit(cache=CACHE, error_model="numpy", fastmath={"contract"})


def wavelengths_m() -> Array:
    """340/f_m, (8,); Gl. 17."""
    return SOUND_SPEED_M_S / OCTAVES_HZ


@_jit
def exp_neg(x: float) -> float:
    """e^-x for x >= 0: a short series for x/1024, squared ten times.

    The processor can do this for several bands at once, which it cannot with the library's exp.
    """
    y = min(x, 700.0) * (-1.0 / 1024.0)
    p = 1.0 / 40320.0 + y * (1.0 / 362880.0)
    p = 1.0 / 720.0 + y * (1.0 / 5040.0 + y * p)
    p = 1.0 / 24.0 + y * (1.0 / 120.0 + y * p)
    p = 1.0 + y * (1.0 + y * (0.5 + y * (1.0 / 6.0 + y * p)))
    p = p * p * (p * p)
    p = p * p * (p * p)
    p = p * p * (p * p)
    p = p * p * (p * p)
    return p * p * (p * p)


@_jit
def spread_and_air(absorption: Array, d: float, work: Array) -> None:
    """10^(-(A_div + A_atm)/10) into row NEAR; absorption as energy exponent per metre. Gl. 11, 12"""
    near = SPREADING / (d * d)
    for i in range(work.shape[1]):
        work[NEAR, i] = near * exp_neg(absorption[i] * d)


@_jit
def ground_db(h_m: float, d: float) -> float:
    """A_gr,B of Gl. 14. [dB]"""
    return max(0.0, 4.8 - 2.0 * h_m / d * (17.0 + 300.0 / d))


@_jit
def ground_factor(h_m: float, d: float, water: float) -> float:
    """10^(-A_gr/10), the same in all bands; ``water`` is d_w/d_p. Gl. 13, 14, 16"""
    return math.exp(-0.1 * LN10 * (ground_db(h_m, d) - 3.0 * water))


@_jit
def solid_angle(d_p: float, h_g: float, h_r: float) -> float:
    """10^(D_Omega/10) of Gl. 9."""
    square = d_p * d_p
    return 1.0 + (square + (h_g - h_r) ** 2) / (square + (h_g + h_r) ** 2)


@_jit
def c_3(e: float, wavelength: float) -> float:
    """C_3 of Gl. 22, both parts multiplied by e^2; 1 for e = 0, as for a single edge."""
    s = 25.0 * wavelength * wavelength
    return (e * e + s) / (e * e / 3.0 + s)


@_jit
def screen_factors(band: Array, lo: int, hi: int, c2: float, d: float, geo: Array, work: Array) -> None:
    """10^(-D_z/10) into row SCREEN of bands ``lo`` to ``hi``, from d_s, d_r, e and z in ``geo``. Gl. 21 to 24

    Sets K_met in ``geo``. The largest D_z is 20 dB for one edge, 25 dB for more (No. 6.5).
    """
    z = geo[Z]
    geo[K_MET] = math.exp(-math.sqrt(geo[D_S] * geo[D_R] * d / (2.0 * z)) / 2000.0) if z > 0.0 else 1.0
    cap = CAP_ONE if geo[N_EDGES] < 1.5 else CAP_MORE
    for i in range(lo, hi):
        x = 3.0 + c2 / band[i] * c_3(geo[E], band[i]) * z * geo[K_MET]
        work[SCREEN, i] = max(cap, 1.0 / x) if x > 0.0 else OPEN


@_jit
def above(x: float, z: float, xa: float, za: float, xb: float, zb: float) -> bool:
    """Whether a point lies above the straight line from A to B (A left of B)."""
    dx, dz = xb - xa, zb - za
    return (z - za) * dx - (x - xa) * dz > GRAZING_M * math.sqrt(dx * dx + dz * dz)


@_jit
def hull(ex: Array, ez: Array, order: IntArray, k: int, zs: float, length: float, zr: float, used: IntArray) -> int:
    """Edges that a rubber band from source to receiver over all edges touches; their number, 0 if nothing blocks.

    ``order[:k]`` names the edges that count, by rising x; the source lies at x = 0, the receiver at ``length``.
    """
    n = 0
    for j in range(k + 1):
        x, z = (ex[order[j]], ez[order[j]]) if j < k else (length, zr)
        while n > 0:
            top = used[n - 1]
            xp, zp = (ex[used[n - 2]], ez[used[n - 2]]) if n > 1 else (0.0, zs)
            if above(ex[top], ez[top], xp, zp, x, z):
                break
            n -= 1
        if j < k:
            used[n] = order[j]
            n += 1
    return n


@_jit
def over_edges(
    ex: Array, ez: Array, eu: Array, used: IntArray, n: int, rx: float, ry: float, zs: float, length: float, zr: float,
    geo: Array,
) -> None:  # fmt: skip
    """d_s, d_r, e and z >= 0 of the way over ``n`` edges. Gl. 25 if they are parallel, Gl. 26 if not.

    ``eu`` holds the directions of the edges in plan, (rx, ry) that of the path. For parallel edges d_s, d_r and e lie
    in the plane at right angles to them.
    """
    first, last = used[0], used[n - 1]
    across, along = abs(rx * eu[first, 1] - ry * eu[first, 0]), abs(rx * eu[first, 0] + ry * eu[first, 1])
    for m in range(1, n):
        if abs(eu[first, 0] * eu[used[m], 1] - eu[first, 1] * eu[used[m], 0]) > PARALLEL_SIN:
            across, along = 1.0, 0.0
    geo[D_S] = math.hypot(across * ex[first], ez[first] - zs)
    geo[D_R] = math.hypot(across * (length - ex[last]), ez[last] - zr)
    geo[E] = 0.0
    for m in range(1, n):
        geo[E] += math.hypot(across * (ex[used[m]] - ex[used[m - 1]]), ez[used[m]] - ez[used[m - 1]])
    way = math.hypot(geo[D_S] + geo[E] + geo[D_R], along * length)
    geo[Z] = max(0.0, way - math.hypot(length, zr - zs))
    geo[N_EDGES] = n


@_jit
def over_top(
    band: Array, lo: int, hi: int, c2: float, ground: float, ex: Array, ez: Array, eu: Array, back: Array,
    order: IntArray, k: int, rx: float, ry: float, zs: float, length: float, zr: float, used: IntArray, geo: Array,
    work: Array,
) -> int:  # fmt: skip
    """10^(-(A_gr + A_bar)/10) over top edges into row TOP of bands ``lo`` to ``hi``. Gl. 19, 20

    ``ground`` is 10^(-A_gr/10), ``back`` 10^(D_refl/10) per edge. Where no edge blocks the straight line, the one
    with the smallest detour counts with z < 0. Returns the number of edges touched, 0 if none blocks; ``used`` names
    them.
    """
    n = hull(ex, ez, order, k, zs, length, zr, used)
    blocked = n > 0
    d = math.hypot(length, zr - zs)
    if blocked:
        over_edges(ex, ez, eu, used, n, rx, ry, zs, length, zr, geo)
    else:
        best, least = -1, math.inf
        for j in range(k):
            used[0] = order[j]
            over_edges(ex, ez, eu, used, 1, rx, ry, zs, length, zr, geo)
            if geo[Z] < least:
                best, least = order[j], geo[Z]
        used[0] = best
        over_edges(ex, ez, eu, used, 1, rx, ry, zs, length, zr, geo)
        geo[Z] = -geo[Z]
    screen_factors(band, lo, hi, c2, d, geo, work)
    louder = 1.0
    for m in range(max(n, 1)):
        louder = max(louder, back[used[m]])
    for i in range(lo, hi):
        work[TOP, i] = min(ground, louder * work[SCREEN, i])
    return n


@_jit
def round_side(
    band: Array, lo: int, hi: int, c2: float, ground: float, corner: Array, n: int, rise: float, geo: Array,
    work: Array,
) -> None:  # fmt: skip
    """10^(-(A_gr + D_z)/10) round vertical edges into row SIDE of bands ``lo`` to ``hi``. Gl. 18, 25

    ``corner[:n]`` holds source, edges in order and receiver in plan, ``rise`` the receiver's height above the source.
    The edges are vertical, so that d_s, d_r and e are horizontal and the component along the edges is ``rise``.
    """
    geo[E] = 0.0
    for m in range(1, n - 2):
        geo[E] += math.hypot(corner[m + 1, 0] - corner[m, 0], corner[m + 1, 1] - corner[m, 1])
    geo[D_S] = math.hypot(corner[1, 0] - corner[0, 0], corner[1, 1] - corner[0, 1])
    geo[D_R] = math.hypot(corner[n - 1, 0] - corner[n - 2, 0], corner[n - 1, 1] - corner[n - 2, 1])
    straight = math.hypot(corner[n - 1, 0] - corner[0, 0], corner[n - 1, 1] - corner[0, 1])
    d = math.hypot(straight, rise)
    geo[Z] = max(0.0, math.hypot(geo[D_S] + geo[E] + geo[D_R], rise) - d)
    geo[N_EDGES] = n - 2
    screen_factors(band, lo, hi, c2, d, geo, work)
    for i in range(lo, hi):
        work[SIDE, i] = ground * min(1.0, work[SCREEN, i])


@_jit
def pull_tight(corner: Array, n: int, side: float) -> int:
    """Of a way round obstacles, keep the corners that a rubber band would touch; the new number.

    ``side`` is 1 for a way that leaves the obstacles on its right, so that it turns right at each corner kept; -1 for
    the other.
    """
    k = 1
    for m in range(1, n):
        while k > 1:
            ax, ay = corner[k - 1, 0] - corner[k - 2, 0], corner[k - 1, 1] - corner[k - 2, 1]
            bx, by = corner[m, 0] - corner[k - 1, 0], corner[m, 1] - corner[k - 1, 1]
            turn = (ax * by - ay * bx) * side
            if turn < 0.0 or (turn == 0.0 and ax * bx + ay * by < 0.0):  # straight back: round the end of a barrier
                break
            k -= 1
        corner[k] = corner[m]
        k += 1
    return k


@_jit
def way_round(
    side: float, xs: float, ys: float, zs: float, xr: float, yr: float, zr: float, length: float, order: IntArray,
    k: int, ex: Array, ez: Array, segment: IntArray, seg_xy: Array, seg_z: Array, line: IntArray, reach: float,
    corner: Array,
) -> int:  # fmt: skip
    """Corners of the way round the side of all barriers that block, source and receiver included; their number.

    0 if the end of one barrier alone makes the way longer than ``reach`` times the straight line in plan.

    ``side`` 1 is the left seen along the path. A barrier ends where its line ends, or where the next piece's top is
    below the straight line. The way goes out along each barrier that blocks and back, and is then pulled tight.
    """
    dx, dy = xr - xs, yr - ys
    square = dx * dx + dy * dy
    corner[0, 0], corner[0, 1] = xs, ys
    n = 1
    for j in range(k):
        m = segment[order[j]]
        if ez[order[j]] <= zs + (zr - zs) * ex[order[j]] / length:
            continue
        to_left = dx * (seg_xy[m, 1, 1] - ys) - dy * (seg_xy[m, 1, 0] - xs) > 0.0
        step = 1 if to_left == (side > 0.0) else -1
        end = 1 if step > 0 else 0
        start = n
        while True:
            x, y = seg_xy[m, end, 0], seg_xy[m, end, 1]
            corner[n, 0], corner[n, 1] = x, y
            n += 1
            m += step
            if m < 0 or m >= line.size or line[m] != line[m - step]:
                break
            t = min(1.0, max(0.0, ((x - xs) * dx + (y - ys) * dy) / square))
            if seg_z[m, 1 - end] <= zs + t * (zr - zs):
                break
        if math.hypot(x - xs, y - ys) + math.hypot(xr - x, yr - y) > reach * length:
            return 0
        for back in range(n - 2, start - 1, -1):
            corner[n] = corner[back]
            n += 1
    corner[n, 0], corner[n, 1] = xr, yr
    return pull_tight(corner, n + 1, side)


@_jit
def crossed(
    xs: float, ys: float, xr: float, yr: float, length: float, floor_z: float, seg_xy: Array, seg_z: Array,
    seg_box: Array, ex: Array, ez: Array, segment: IntArray,
) -> int:  # fmt: skip
    """Edges where a path in plan crosses barrier segments, by rising x: place, height, segment; their number."""
    dx, dy = xr - xs, yr - ys
    x_lo, x_hi, y_lo, y_hi = min(xs, xr), max(xs, xr), min(ys, yr), max(ys, yr)
    n = 0
    for m in range(seg_xy.shape[0]):
        if seg_box[m, 0] > x_hi or seg_box[m, 1] < x_lo or seg_box[m, 2] > y_hi or seg_box[m, 3] < y_lo:
            continue
        ax, ay = seg_xy[m, 0, 0], seg_xy[m, 0, 1]
        bx, by = seg_xy[m, 1, 0] - ax, seg_xy[m, 1, 1] - ay
        cross = dx * by - dy * bx
        if cross == 0.0:  # along the barrier: no crossing
            continue
        t = ((ax - xs) * by - (ay - ys) * bx) / cross
        u = ((ax - xs) * dy - (ay - ys) * dx) / cross
        if u < 0.0 or u > 1.0 or t * length < SHORTEST_M or (1.0 - t) * length < SHORTEST_M:
            continue
        z = seg_z[m, 0] + u * (seg_z[m, 1] - seg_z[m, 0])
        if z <= floor_z:
            continue
        x = t * length
        at = n
        while at > 0 and ex[at - 1] > x + SHORTEST_M:
            at -= 1
        if at > 0 and ex[at - 1] > x - SHORTEST_M:  # of two at one place the higher stays
            if z > ez[at - 1]:
                ez[at - 1] = z
                segment[at - 1] = m
            continue
        for j in range(n, at, -1):
            ex[j], ez[j], segment[j] = ex[j - 1], ez[j - 1], segment[j - 1]
        ex[at], ez[at], segment[at] = x, z, m
        n += 1
    return n


@_jit
def describe_edges(
    xs: float, ys: float, xr: float, yr: float, n: int, segment: IntArray, seg_xy: Array, line: IntArray,
    closed: NDArray[np.bool_], eu: Array, width: Array,
) -> bool:  # fmt: skip
    """Direction of each edge and l_l + l_r of its barrier (Gl. 17); whether there may be ways round the sides.

    There are none round a closed line, nor round a line that the path crosses more than once.
    """
    dx, dy = xr - xs, yr - ys
    length = math.hypot(dx, dy)
    sides = True
    for j in range(n):
        m = segment[j]
        ux, uy = seg_xy[m, 1, 0] - seg_xy[m, 0, 0], seg_xy[m, 1, 1] - seg_xy[m, 0, 1]
        norm = math.hypot(ux, uy)
        eu[j, 0], eu[j, 1] = ux / norm, uy / norm
        first = m
        while first > 0 and line[first - 1] == line[m]:
            first -= 1
        low, high = math.inf, -math.inf
        i = first
        while i < line.size and line[i] == line[m]:
            for end in range(2):
                v = (dx * (seg_xy[i, end, 1] - ys) - dy * (seg_xy[i, end, 0] - xs)) / length
                low, high = min(low, v), max(high, v)
            i += 1
        width[j] = high - low
        if closed[line[m]]:
            sides = False
        for other in range(j):
            if line[segment[other]] == line[m]:
                sides = False
    return sides


@_jit
def screened(
    band: Array, c2: float, ground: float, n: int, ex: Array, ez: Array, eu: Array, width: Array,
    back: Array, segment: IntArray, seg_xy: Array, seg_z: Array, line: IntArray, reach: float, xs: float,
    ys: float, zs: float, xr: float, yr: float, zr: float, length: float, order: IntArray, used: IntArray,
    corner: Array, geo: Array, work: Array,
) -> None:  # fmt: skip
    """Sum of all ways past ``n`` edges, 10^(-(A_gr + A_bar)/10), into row TOP: over the top and round both sides.

    Ways round the sides are left out where nothing blocks the straight line, and where they are longer than ``reach``
    times the straight line in plan. An edge counts in the bands in which its barrier is wider than the wavelength.
    """
    rx, ry = (xr - xs) / math.hypot(xr - xs, yr - ys), (yr - ys) / math.hypot(xr - xs, yr - ys)
    n_bands = band.size
    lo = 0
    while lo < n_bands:
        k = 0
        for j in range(n):
            if width[j] > band[lo]:
                order[k] = j
                k += 1
        hi = lo + 1
        while hi < n_bands:
            more = 0
            for j in range(n):
                if width[j] > band[hi]:
                    more += 1
            if more != k:
                break
            hi += 1
        if k == 0:
            for i in range(lo, hi):
                work[TOP, i] = ground
        else:
            blocked = over_top(
                band, lo, hi, c2, ground, ex, ez, eu, back, order, k, rx, ry, zs, length, zr, used, geo, work
            )
            for turn in range(2 if blocked > 0 and reach > 1.0 else 0):
                corners = way_round(
                    1.0 - 2.0 * turn, xs, ys, zs, xr, yr, zr, length, order, k, ex, ez, segment, seg_xy, seg_z, line,
                    reach, corner,
                )  # fmt: skip
                if corners < 3:
                    continue
                round_side(band, lo, hi, c2, ground, corner, corners, zr - zs, geo, work)
                if geo[D_S] + geo[E] + geo[D_R] <= reach * length:
                    for i in range(lo, hi):
                        work[TOP, i] += work[SIDE, i]
        lo = hi


@_jit
def water_share(
    xs: float, ys: float, xr: float, yr: float, default: bool, poly_xy: Array, poly_start: IntArray, poly_box: Array,
    poly_water: NDArray[np.bool_], inside: NDArray[np.bool_], cut_t: Array, cut_poly: IntArray,
) -> float:  # fmt: skip
    """d_w/d_p: share of the path in plan that lies over water; a later polygon lies on top of an earlier one.

    A polygon is entered or left wherever one of its sides crosses the path. Crossings of the path's backward
    extension tell whether the path starts inside.
    """
    dx, dy = xr - xs, yr - ys
    square = dx * dx + dy * dy
    x_lo, x_hi, y_lo, y_hi = min(xs, xr), max(xs, xr), min(ys, yr), max(ys, yr)
    n_cuts = 0
    for m in range(poly_water.size):
        inside[m] = False
        if poly_box[m, 0] > x_hi or poly_box[m, 1] < x_lo or poly_box[m, 2] > y_hi or poly_box[m, 3] < y_lo:
            continue
        last = poly_start[m + 1] - 1
        px, py = poly_xy[last, 0] - xs, poly_xy[last, 1] - ys
        side_p = dx * py - dy * px
        for v in range(poly_start[m], last + 1):
            qx, qy = poly_xy[v, 0] - xs, poly_xy[v, 1] - ys
            side_q = dx * qy - dy * qx
            if (side_p > 0.0) != (side_q > 0.0):
                f = side_p / (side_p - side_q)
                t = ((px + f * (qx - px)) * dx + (py + f * (qy - py)) * dy) / square
                if t <= 0.0:
                    inside[m] = not inside[m]
                elif t < 1.0:
                    at = n_cuts
                    while at > 0 and cut_t[at - 1] > t:
                        cut_t[at] = cut_t[at - 1]
                        cut_poly[at] = cut_poly[at - 1]
                        at -= 1
                    cut_t[at] = t
                    cut_poly[at] = m
                    n_cuts += 1
            px, py, side_p = qx, qy, side_q
    share, since = 0.0, 0.0
    for c in range(n_cuts + 1):
        water = default
        for m in range(poly_water.size - 1, -1, -1):
            if inside[m]:
                water = poly_water[m]
                break
        until = cut_t[c] if c < n_cuts else 1.0
        if water:
            share += until - since
        since = until
        if c < n_cuts:
            inside[cut_poly[c]] = not inside[cut_poly[c]]
    return share


@_jit
def water_steps(
    xm: float, ym: float, hx: float, hy: float, xr: float, yr: float, default: bool, poly_xy: Array,
    poly_start: IntArray, poly_box: Array, poly_water: NDArray[np.bool_], inside: NDArray[np.bool_], cut_t: Array,
    cut_poly: IntArray,
) -> int:  # fmt: skip
    """Parts into which a piece of track is split so that the share of water changes little along each."""
    if math.hypot(hx, hy) < 0.5 * SPLIT_RATIO * math.hypot(xr - xm, yr - ym):
        return 1
    low, high = 1.0, 0.0
    for side in range(-1, 2):
        share = water_share(
            xm + side * hx, ym + side * hy, xr, yr, default, poly_xy, poly_start, poly_box, poly_water, inside, cut_t,
            cut_poly,
        )  # fmt: skip
        low, high = min(low, share), max(high, share)
    return min(MOST_STEPS, 1 + int((high - low) / WATER_STEP))


@_jit
def insert_cut(cuts: Array, n: int, s: float) -> int:
    """Put a cut into the rising list; returns the new number."""
    at = n
    while cuts[at - 1] > s:
        cuts[at] = cuts[at - 1]
        at -= 1
    cuts[at] = s
    return n + 1


@_jit
def split_piece(
    xm: float, ym: float, ux: float, uy: float, half: float, xr: float, yr: float, ends: Array, steps: int, cuts: Array
) -> int:
    """Where a piece of track is cut: where the view past free ends of barriers meets it, and into even ``steps``.

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


@njit(cache=CACHE, error_model="numpy", fastmath={"contract"}, parallel=True)
def transfer(
    points: Array, direction: Array, piece: Array, heights: Array, receivers: Array, ground_z: float,
    default_water: bool, poly_xy: Array, poly_start: IntArray, poly_box: Array, poly_water: NDArray[np.bool_],
    seg_xy: Array, seg_z: Array, seg_box: Array, line: IntArray, closed: NDArray[np.bool_], ends: Array,
    thrown_back: Array, reach: float, band: Array, absorption: Array, nearest: float, out: Array,
) -> None:  # fmt: skip
    """10^((D_Omega - A)/10), all ways summed, from every point and height to every receiver over a plain.

    ``out`` is (n_receivers, n_points, n_heights, 1, 8). Plan geometry is found once per pair of point and receiver.
    Receivers are shared out among the threads; no path depends on another.
    """
    n_bands, n_segments = absorption.size, seg_xy.shape[0]
    any_water = poly_water.size > 0
    for r in prange(receivers.shape[0]):
        ex, ez, eu, width = np.empty(n_segments), np.empty(n_segments), np.empty((n_segments, 2)), np.empty(n_segments)
        segment, order = np.empty(n_segments, dtype=np.int64), np.empty(n_segments, dtype=np.int64)
        used, back = np.empty(n_segments + 1, dtype=np.int64), np.empty(n_segments)
        corner, geo = np.empty((2 * n_segments + 2, 2)), np.zeros(N_GEO)
        inside, cut_t = np.empty(poly_water.size, dtype=np.bool_), np.empty(poly_xy.shape[0])
        cut_poly, work = np.empty(poly_xy.shape[0], dtype=np.int64), np.zeros((N_ROWS, n_bands))
        cuts = np.empty(ends.shape[0] + MOST_STEPS + 2)
        xr, yr, zr = receivers[r, 0], receivers[r, 1], receivers[r, 2]
        h_r = max(0.0, zr - ground_z)
        for p in range(points.shape[0]):
            ux, uy, half = direction[p, 0], direction[p, 1], 0.5 * piece[p]
            steps = 1
            if any_water and half > 0.0:
                steps = water_steps(
                    points[p, 0], points[p, 1], half * ux, half * uy, xr, yr, default_water, poly_xy, poly_start,
                    poly_box, poly_water, inside, cut_t, cut_poly,
                )  # fmt: skip
            n_parts = split_piece(points[p, 0], points[p, 1], ux, uy, half, xr, yr, ends, steps, cuts)
            out[r, p] = 0.0
            for part in range(n_parts):
                share, s = 1.0, 0.0
                if n_parts > 1:
                    share = 0.5 * (cuts[part + 1] - cuts[part]) / half
                    s = 0.5 * (cuts[part + 1] + cuts[part])
                xs, ys = points[p, 0] + s * ux, points[p, 1] + s * uy
                plan = math.hypot(xr - xs, yr - ys)
                xe = xr if plan > SHORTEST_M else xs + 1e-3  # any direction will do on the spot
                length = max(plan, nearest)
                n = crossed(xs, ys, xe, yr, length, ground_z, seg_xy, seg_z, seg_box, ex, ez, segment)
                reach_here = reach
                if n > 0:
                    if not describe_edges(xs, ys, xe, yr, n, segment, seg_xy, line, closed, eu, width):
                        reach_here = 0.0
                    for j in range(n):
                        back[j] = thrown_back[p, segment[j]]
                water = 1.0 if default_water else 0.0
                if any_water:
                    water = water_share(
                        xs, ys, xe, yr, default_water, poly_xy, poly_start, poly_box, poly_water, inside, cut_t,
                        cut_poly,
                    )  # fmt: skip
                for h in range(heights.size):
                    zs = points[p, 2] + heights[h]
                    h_g = max(0.0, zs - ground_z)
                    d = math.hypot(length, zr - zs)
                    spread_and_air(absorption, d, work)
                    ground = ground_factor(0.5 * length * (h_g + h_r) / d, d, water)  # h_m by Gl. 15 over a plain
                    if n > 0:
                        screened(
                            band, 40.0, ground, n, ex, ez, eu, width, back, segment, seg_xy, seg_z, line,
                            reach_here, xs, ys, zs, xe, yr, zr, length, order, used, corner, geo, work,
                        )  # fmt: skip
                    else:
                        for i in range(n_bands):
                            work[TOP, i] = ground
                    factor = share * solid_angle(length, h_g, h_r)
                    for i in range(n_bands):
                        out[r, p, h, 0, i] += factor * work[NEAR, i] * work[TOP, i]

"""The formulas of propagation, compiled.

Every function works on plain numbers and small arrays, in the energy domain: an attenuation A is held as the factor
10^(-A/10). :func:`..path.propagation_path` and the calculator run the same functions. They stand in one file because
numba's on-disk cache notices changes of the file that it compiled, not of the files that this one imports.

Equation numbers (Gl.): 16. BImSchV, Annex 2. Symbols as there: h heights above ground, d path length, d_p its length in
plan, z path difference. "Straight" is the straight line from source to receiver in the plane of the unfolded path,
where a place is a distance in plan from the source.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from lineside.acoustics.bands import OCTAVES_HZ, Array
from lineside.scene.cuts import (
    BARRIER,
    COSINE,
    EDGES_TO,
    GROUND_TO,
    INCIDENCE_COSINE,
    KIND,
    LENGTH,
    MIRROR_BASE_Z,
    MIRROR_PLACE,
    MIRROR_TOP_Z,
    MIRROR_WIDTH,
    MIRRORS_TO,
    OWNER,
    PLACE,
    PROFILE_TO,
    REFLECTOR,
    SHARE,
    SINE,
    TO_CORNER,
    TOP_Z,
    WAYS,
    WIDTH,
)
from lineside.scene.model import IntArray

SOUND_SPEED_M_S = 340.0  # Gl. 17
SPREADING = 0.25 / math.pi  # Gl. 11
LN10 = math.log(10.0)
CAP_ONE, CAP_MORE = 1e-2, 10.0**-2.5  # 20 and 25 dB, No. 6.5
OPEN = 1e300  # an edge so far below the straight line that the argument of Gl. 21 is not positive
GRAZING_M = 1e-9  # an edge must rise above the straight line by more than this to block it
SHORTEST_M = 1e-6  # edges nearer to each other than this, or to an end of the path, are one or none
PARALLEL_SIN = math.sin(math.radians(5.0))  # edges this near to each other in direction are parallel
BACK = KIND  # in the edges of one path: 10^(D_refl/10) instead of the kind
#: Columns of the ways round the sides: detour against the straight line in plan, distance between their first and last
#: corner, distance from the source to the first.
DETOUR, BETWEEN, TO_FIRST = range(3)
#: Rows of the scratch array ``work``, each (n_bands,).
SCREEN, TOP, SIDE, NEAR, MIRRORED, RESULT, N_ROWS = range(7)
#: What a path reports in ``geo``.
D_S, D_R, E, Z, K_MET, N_EDGES, D, H_G, H_R, H_M, OPEN_GROUND, N_LOCAL, N_GEO = range(13)


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


CACHE = _can_cache()
_jit = njit(cache=CACHE, error_model="numpy", fastmath={"contract"})
#: For what every path runs through: a third faster on open paths.
_inline = njit(cache=CACHE, error_model="numpy", fastmath={"contract"}, inline="always")


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


@_inline
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
def ground_below(profile: Array) -> tuple[float, float]:
    """Area below the ground along a path, counted from height 0, and the ground's highest place. [m2], [m]"""
    area, highest = 0.0, profile[0, 1]
    for k in range(profile.shape[0] - 1):
        area += 0.5 * (profile[k, 1] + profile[k + 1, 1]) * (profile[k + 1, 0] - profile[k, 0])
        highest = max(highest, profile[k + 1, 1])
    return area, highest


@_jit
def make_room(local: Array, n: int, place: float, top: float) -> tuple[int, int]:
    """Row for an edge among the first ``n``, by rising place, and the new number; row -1 if a higher one stands there.

    Of two at one place the higher stays, so that the row may be that of a lower one.
    """
    at = n
    while at > 0 and local[at - 1, PLACE] > place + SHORTEST_M:
        at -= 1
    if at > 0 and local[at - 1, PLACE] > place - SHORTEST_M:
        return (at - 1 if top > local[at - 1, TOP_Z] else -1), n
    for j in range(n, at, -1):
        local[j, :] = local[j - 1, :]
    return at, n + 1


@_jit
def add_ground(profile: Array, zs: float, length: float, zr: float, local: Array, n: int) -> int:
    """Add the places where the ground rises above the straight line to ``n`` edges; the new number.

    They have no direction of their own (SINE and COSINE 0) and are wider than any wavelength.
    """
    for k in range(profile.shape[0]):
        x, z = profile[k, 0], profile[k, 1]
        if x < SHORTEST_M or length - x < SHORTEST_M or not above(x, z, 0.0, zs, length, zr):
            continue
        row, n = make_room(local, n, x, z)
        if row >= 0:
            local[row, PLACE], local[row, TOP_Z], local[row, WIDTH] = x, z, math.inf
            local[row, SINE], local[row, COSINE], local[row, BACK] = 0.0, 0.0, 1.0
    return n


@_jit
def hull(local: Array, order: IntArray, k: int, zs: float, length: float, zr: float, used: IntArray) -> int:
    """Edges that a rubber band from source to receiver over all edges touches; their number, 0 if nothing blocks.

    ``order[:k]`` names the rows of ``local`` that count, by rising place.
    """
    n = 0
    for j in range(k + 1):
        x, z = (local[order[j], PLACE], local[order[j], TOP_Z]) if j < k else (length, zr)
        while n > 0:
            top = used[n - 1]
            xp, zp = (local[used[n - 2], PLACE], local[used[n - 2], TOP_Z]) if n > 1 else (0.0, zs)
            if above(local[top, PLACE], local[top, TOP_Z], xp, zp, x, z):
                break
            n -= 1
        if j < k:
            used[n] = order[j]
            n += 1
    return n


@_jit
def over_edges(local: Array, used: IntArray, n: int, zs: float, length: float, zr: float, geo: Array) -> None:
    """d_s, d_r, e and z >= 0 of the way over ``n`` edges. Gl. 25 if they are parallel, Gl. 26 if not.

    For parallel edges d_s, d_r and e lie in the plane at right angles to them. Ground takes the direction of the
    others; alone it is crossed at right angles.
    """
    first, last = used[0], used[n - 1]
    across, along, named = 1.0, 0.0, -1
    for m in range(n):
        edge = used[m]
        if local[edge, SINE] == 0.0 and local[edge, COSINE] == 0.0:
            continue
        if named < 0:
            named = edge
            across, along = local[edge, SINE], abs(local[edge, COSINE])
        elif abs(local[named, SINE] * local[edge, COSINE] - local[named, COSINE] * local[edge, SINE]) > PARALLEL_SIN:
            across, along = 1.0, 0.0
            break
    geo[D_S] = math.hypot(across * local[first, PLACE], local[first, TOP_Z] - zs)
    geo[D_R] = math.hypot(across * (length - local[last, PLACE]), local[last, TOP_Z] - zr)
    geo[E] = 0.0
    for m in range(1, n):
        a, b = used[m - 1], used[m]
        geo[E] += math.hypot(across * (local[b, PLACE] - local[a, PLACE]), local[b, TOP_Z] - local[a, TOP_Z])
    way = math.hypot(geo[D_S] + geo[E] + geo[D_R], along * length)
    geo[Z] = max(0.0, way - math.hypot(length, zr - zs))
    geo[N_EDGES] = n


@_jit
def over_top(
    band: Array, lo: int, hi: int, c2: float, ground: float, local: Array, order: IntArray, k: int, zs: float,
    length: float, zr: float, used: IntArray, geo: Array, work: Array,
) -> int:  # fmt: skip
    """10^(-(A_gr + A_bar)/10) over top edges into row TOP of bands ``lo`` to ``hi``. Gl. 19, 20

    ``ground`` is 10^(-A_gr/10). Where no edge blocks the straight line, the one with the smallest detour counts with
    z < 0. Returns the number of edges touched, 0 if none blocks; ``used`` names them.
    """
    n = hull(local, order, k, zs, length, zr, used)
    blocked = n > 0
    d = math.hypot(length, zr - zs)
    if blocked:
        over_edges(local, used, n, zs, length, zr, geo)
    else:
        best, least = -1, math.inf
        for j in range(k):
            used[0] = order[j]
            over_edges(local, used, 1, zs, length, zr, geo)
            if geo[Z] < least:
                best, least = order[j], geo[Z]
        used[0] = best
        over_edges(local, used, 1, zs, length, zr, geo)
        geo[Z] = -geo[Z]
    screen_factors(band, lo, hi, c2, d, geo, work)
    louder = 1.0
    for m in range(max(n, 1)):
        louder = max(louder, local[used[m], BACK])
    for i in range(lo, hi):
        work[TOP, i] = min(ground, louder * work[SCREEN, i])
    return n


@_jit
def round_side(
    band: Array, lo: int, hi: int, c2: float, ground: float, way: Array, length: float, rise: float, geo: Array,
    work: Array,
) -> None:  # fmt: skip
    """10^(-(A_gr + D_z)/10) round vertical edges into row SIDE of bands ``lo`` to ``hi``. Gl. 18, 25

    The edges are vertical, so that d_s, d_r and e are horizontal and the component along the edges is ``rise``, the
    receiver's height above the source.
    """
    geo[D_S], geo[E] = way[TO_FIRST], way[BETWEEN]
    geo[D_R] = max(0.0, length + way[DETOUR] - way[TO_FIRST] - way[BETWEEN])
    d = math.hypot(length, rise)
    geo[Z] = max(0.0, math.hypot(length + way[DETOUR], rise) - d)
    geo[N_EDGES] = 1.0 if way[BETWEEN] == 0.0 else 2.0
    screen_factors(band, lo, hi, c2, d, geo, work)
    for i in range(lo, hi):
        work[SIDE, i] = ground * min(1.0, work[SCREEN, i])


@_jit
def screened(
    band: Array, c2: float, ground: float, n: int, local: Array, ways: Array, reach: float, zs: float, length: float,
    zr: float, order: IntArray, used: IntArray, geo: Array, work: Array,
) -> None:  # fmt: skip
    """Sum of all ways past ``n`` edges, 10^(-(A_gr + A_bar)/10), into row TOP: over the top and round the sides.

    Ways round the sides are left out where nothing blocks the straight line, and where they are longer than ``reach``
    times the straight line in plan. An edge counts in the bands in which its obstacle is wider than the wavelength.
    """
    n_bands = band.size
    lo = 0
    while lo < n_bands:
        k = 0
        for j in range(n):
            if local[j, WIDTH] > band[lo]:
                order[k] = j
                k += 1
        hi = lo + 1
        while hi < n_bands:
            more = 0
            for j in range(n):
                if local[j, WIDTH] > band[hi]:
                    more += 1
            if more != k:
                break
            hi += 1
        if k == 0:
            for i in range(lo, hi):
                work[TOP, i] = ground
        else:
            blocked = over_top(band, lo, hi, c2, ground, local, order, k, zs, length, zr, used, geo, work)
            for w in range(ways.shape[0] if blocked > 0 and reach > 1.0 else 0):
                if length + ways[w, DETOUR] <= reach * length:
                    round_side(band, lo, hi, c2, ground, ways[w], length, zr - zs, geo, work)
                    for i in range(lo, hi):
                        work[TOP, i] += work[SIDE, i]
        lo = hi


@_inline
def open_way(
    absorption: Array, length: float, low_s: float, low_r: float, area: float, water: float, zs: float, zr: float,
    geo: Array, work: Array,
) -> None:  # fmt: skip
    """10^((D_Omega - A)/10) of a path that nothing blocks into row RESULT; its terms into ``geo`` and row NEAR.

    ``low_s`` and ``low_r`` are the heights of the ground below source and receiver.
    """
    d = math.hypot(length, zr - zs)
    h_g, h_r = max(0.0, zs - low_s), max(0.0, zr - low_r)
    h_m = max(0.0, 0.5 * (low_s + h_g + low_r + h_r) * length - area) / d  # Gl. 15
    ground = ground_factor(h_m, d, water)
    geo[D], geo[H_G], geo[H_R], geo[H_M], geo[OPEN_GROUND] = d, h_g, h_r, h_m, ground
    spread_and_air(absorption, d, work)
    factor = ground * solid_angle(length, h_g, h_r)
    for i in range(absorption.size):
        work[TOP, i] = ground
        work[RESULT, i] = factor * work[NEAR, i]


@_jit
def obstructed(
    band: Array, c2: float, profile: Array, n: int, local: Array, ground_screens: bool, ways: Array, reach: float,
    zs: float, zr: float, order: IntArray, used: IntArray, geo: Array, work: Array,
) -> None:  # fmt: skip
    """Row TOP of a path with ``n`` edges and, if asked for, those of the ground, which are added to ``local``."""
    length = profile[profile.shape[0] - 1, 0]
    found = n
    if ground_screens:
        found = add_ground(profile, zs, length, zr, local, n)
    geo[N_LOCAL] = found
    hill = False
    for j in range(found):
        hill = hill or (local[j, SINE] == 0.0 and local[j, COSINE] == 0.0)
    if found > 0:
        screened(
            band, c2, geo[OPEN_GROUND], found, local, ways, 0.0 if hill else reach, zs, length, zr, order, used, geo,
            work,
        )  # fmt: skip


@_inline
def attenuate(
    band: Array, absorption: Array, c2: float, profile: Array, area: float, highest: float, water: float, n: int,
    local: Array, ground_screens: bool, ways: Array, reach: float, zs: float, zr: float, order: IntArray,
    used: IntArray, geo: Array, work: Array,
) -> None:  # fmt: skip
    """10^((D_Omega - A)/10) of one path, reflections apart, into row RESULT.

    Parameters
    ----------
    band, absorption : (8,)
        Wavelengths [m]; energy exponent per metre.
    profile : (n, 2)
        Ground along the path: distance from the source, from 0 to the length of the path, and height. [m]
    area, highest : float
        From :func:`ground_below`.
    water : float
        d_w/d_p.
    n : int
        Number of edges in ``local``; the ground's own are added behind them if ``ground_screens``.
    local : (n + n_profile, 7)
        Top edges as in :class:`lineside.scene.cuts.VerticalCuts`, with BACK instead of KIND; the array has room for the
        ground's.
    ways : (n_ways, 3)
        Ways round the sides: DETOUR, BETWEEN, TO_FIRST. Where the ground itself blocks the straight line, there is none
        round the sides.
    """
    length = profile[profile.shape[0] - 1, 0]
    open_way(absorption, length, profile[0, 1], profile[profile.shape[0] - 1, 1], area, water, zs, zr, geo, work)
    geo[N_LOCAL] = 0.0
    if n > 0 or (ground_screens and highest > min(zs, zr)):
        obstructed(band, c2, profile, n, local, ground_screens, ways, reach, zs, zr, order, used, geo, work)
        factor = solid_angle(length, geo[H_G], geo[H_R])
        for i in range(band.size):
            work[RESULT, i] = factor * work[NEAR, i] * work[TOP, i]


@_jit
def least_dimension(cosine: float, d_so: float, d_or: float, wavelength: float) -> float:
    """l_min that a wall must exceed to reflect, Gl. 27: l_min cos(beta) > sqrt(2 lambda / (1/d_so + 1/d_or))."""
    return math.sqrt(2.0 * wavelength * d_so * d_or / (d_so + d_or)) / cosine


@_jit
def reflect(
    band: Array, mirror: Array, kept: Array, local: Array, n: int, zs: float, length: float, zr: float,
    order: IntArray, used: IntArray, work: Array,
) -> None:  # fmt: skip
    """Share of energy that the walls of one path leave, into row MIRRORED: product of 10^(-D_rho/10); 0 if there is no
    reflection. Gl. 27, 28

    ``mirror`` as in :class:`lineside.scene.cuts.VerticalCuts`; ``kept`` (n_reflectors, 8). The path must meet each wall
    between its foot and its top: the rubber band over all ``n`` edges, or the straight line if nothing blocks.
    """
    for i in range(band.size):
        work[MIRRORED, i] = 1.0
    for j in range(n):
        order[j] = j
    touched = hull(local, order, n, zs, length, zr, used)
    d = math.hypot(length, zr - zs)
    for m in range(mirror.shape[0]):
        x = mirror[m, MIRROR_PLACE]
        xa, za, xb, zb = 0.0, zs, length, zr
        for j in range(touched):
            place, top = local[used[j], PLACE], local[used[j], TOP_Z]
            if place <= x:
                xa, za = place, top
            else:
                xb, zb = place, top
                break
        z = za + (zb - za) * (x - xa) / (xb - xa) if xb > xa else za
        size = mirror[m, MIRROR_TOP_Z] - mirror[m, MIRROR_BASE_Z]
        least = min(mirror[m, MIRROR_WIDTH], size)
        met = mirror[m, MIRROR_BASE_Z] <= z <= mirror[m, MIRROR_TOP_Z]
        d_so = d * x / length
        cosine = mirror[m, INCIDENCE_COSINE] * length / d
        row = int(mirror[m, REFLECTOR])
        for i in range(band.size):
            if met and least > least_dimension(cosine, d_so, d - d_so, band[i]):
                work[MIRRORED, i] *= kept[row, i]
            else:
                work[MIRRORED, i] = 0.0


@_jit
def hopeless(band: Array, mirror: Array, kept: Array, zs: float, length: float, zr: float) -> bool:
    """Whether a wall is surely missed, too small in all bands or absorbs too much; the path is then not computed.

    The path, bent over what blocks it, lies nowhere below the straight line.
    """
    d = math.hypot(length, zr - zs)
    for m in range(mirror.shape[0]):
        share = mirror[m, MIRROR_PLACE] / length
        if zs + (zr - zs) * share > mirror[m, MIRROR_TOP_Z]:
            return True
        least = min(mirror[m, MIRROR_WIDTH], mirror[m, MIRROR_TOP_Z] - mirror[m, MIRROR_BASE_Z])
        cosine = mirror[m, INCIDENCE_COSINE] * length / d
        missing = True
        for i in range(band.size):
            if kept[int(mirror[m, REFLECTOR]), i] > 0.0:
                missing = missing and least <= least_dimension(cosine, d * share, d - d * share, band[i])
        if missing:
            return True
    return False


@njit(cache=CACHE, error_model="numpy", fastmath={"contract"}, nogil=True)
def transfer(
    first: IntArray, path: Array, profile: Array, ground: Array, edge: Array, mirror: Array, most_local: int,
    source_z: Array, heights: Array, receiver_z: Array, thrown_back: Array, barrier_of: IntArray, kept: Array,
    ground_screens: bool, reach: float, band: Array, absorption: Array, out: Array, reflected: Array,
) -> None:  # fmt: skip
    """10^((D_Omega - A)/10) from every point and height to every receiver.

    The arrays up to ``mirror`` are those of :class:`lineside.scene.cuts.VerticalCuts`; ``most_local`` is the largest
    number of edges and profile rows of one path. ``thrown_back`` (n_points, n_barriers) is 10^(D_refl/10) of the
    barriers, of which ``barrier_of`` names that of each segment.

    ``out`` (n_receivers, n_points, n_heights, 1, 8) receives the sum over the direct paths, ``reflected`` (n_reflected,
    n_heights, 1, 8) each reflected path, in their order, all times their share of the piece of track.
    """
    n_bands, n_points = absorption.size, source_z.size
    local, ways = np.empty((most_local + 1, edge.shape[1])), np.empty((2, 3))
    order, used = np.empty(most_local + 1, dtype=np.int64), np.empty(most_local + 2, dtype=np.int64)
    geo, work = np.zeros(N_GEO), np.zeros((N_ROWS, n_bands))
    n_reflected = 0
    for r in range(receiver_z.size):
        for p in range(n_points):
            out[r, p] = 0.0
            for j in range(first[r * n_points + p], first[r * n_points + p + 1]):
                p_from = g_from = e_from = m_from = 0
                if j > 0:
                    p_from, g_from = int(path[j - 1, PROFILE_TO]), int(path[j - 1, GROUND_TO])
                    e_from, m_from = int(path[j - 1, EDGES_TO]), int(path[j - 1, MIRRORS_TO])
                below = profile[p_from : int(path[j, PROFILE_TO])]
                mirrors = mirror[m_from : int(path[j, MIRRORS_TO])]
                n, length, share = int(path[j, EDGES_TO]) - e_from, path[j, LENGTH], path[j, SHARE]
                area, highest = ground_below(below)
                water, since = 0.0, 0.0
                for k in range(g_from, int(path[j, GROUND_TO])):
                    water += (1.0 - ground[k, 1]) * (ground[k, 0] - since)
                    since = ground[k, 0]
                for w in range(2 if n > 0 else 0):
                    ways[w, DETOUR], ways[w, BETWEEN] = path[j, WAYS + 2 * w], path[j, WAYS + 2 * w + 1]
                    ways[w, TO_FIRST] = path[j, TO_CORNER + w]
                for h in range(heights.size):
                    zs = source_z[p] + heights[h]
                    if mirrors.shape[0] > 0 and hopeless(band, mirrors, kept, zs, length, receiver_z[r]):
                        reflected[n_reflected, h] = 0.0
                        continue
                    for k in range(n):
                        for c in range(edge.shape[1]):
                            local[k, c] = edge[e_from + k, c]
                        local[k, BACK] = 1.0
                        if edge[e_from + k, KIND] == BARRIER:
                            local[k, BACK] = thrown_back[p, barrier_of[int(edge[e_from + k, OWNER])]]
                    attenuate(
                        band, absorption, 40.0, below, area, highest, water / length, n, local, ground_screens, ways,
                        reach, zs, receiver_z[r], order, used, geo, work,
                    )  # fmt: skip
                    if mirrors.shape[0] == 0:
                        for i in range(n_bands):
                            out[r, p, h, 0, i] += share * work[RESULT, i]
                        continue
                    reflect(band, mirrors, kept, local, int(geo[N_LOCAL]), zs, length, receiver_z[r], order, used, work)
                    for i in range(n_bands):
                        reflected[n_reflected, h, 0, i] = share * work[RESULT, i] * work[MIRRORED, i]
                if mirrors.shape[0] > 0:
                    n_reflected += 1

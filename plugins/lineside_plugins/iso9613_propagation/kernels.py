"""The formulas of ISO 9613-2:1996, compiled.

Every function works on plain numbers and small arrays. What is taken off the sound is held as an energy factor
10^(-A/10), so that screening needs no logarithm: D_z appears as the argument of its logarithm. :func:`..profile.
profile_terms` and the calculator run the same functions. They stand in one file because numba's on-disk cache notices
changes of the file that it compiled, not of the files that this one imports.

Equation, table and clause numbers are those of ISO 9613-2:1996. Symbols as there: h heights above ground, d_p plan
distance, G ground factor, z path difference, d_ss and d_sr distances to the edges.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from lineside.acoustics.bands import OCTAVES_HZ, Array
from lineside.scene.cuts import (
    COSINE,
    EDGES_TO,
    GROUND_TO,
    INCIDENCE_COSINE,
    LENGTH,
    MIRROR_BASE_Z,
    MIRROR_PLACE,
    MIRROR_TOP_Z,
    MIRROR_WIDTH,
    MIRRORS_TO,
    PLACE,
    PROFILE_TO,
    REFLECTOR,
    SHARE,
    SINE,
    TOP_Z,
    TRACK_SINE,
    WAYS,
    WIDTH,
)
from lineside.scene.model import IntArray

SOUND_SPEED_M_S = 340.0
WAVELENGTH_M = SOUND_SPEED_M_S / OCTAVES_HZ
SPREADING = 10.0**-1.1  # (7)
LN10 = math.log(10.0)
CAP_SINGLE, CAP_DOUBLE = 10.0**2, 10.0**2.5  # 20 and 25 dB, 7.4
MOST_GAIN, MOST_EXPONENT = 10.0**0.6, 0.6 * LN10  # A_gr is never below -1.5 - 1.5 - 3 dB (Table 3)
GRAZING_M = 1e-9  # an edge must rise above a ray by more than this to block it
SHORTEST_M = 1e-6  # edges nearer to each other than this, or to an end of the path, are one or none
PARALLEL = 1e-3  # edges whose directions differ by less [rad] count as parallel

#: Rows of ``work`` (N_ROWS, 8): ground terms [dB]; factors of the ground and of the air; arguments of D_z over the top
#: edge and round the sides (0: no obstacle in that band); C_3 and K_met of the top edge; what comes out, reflections
#: apart; what the walls of a reflected path leave.
A_S, A_M, A_R, GROUND, AIR, TOP, LEFT, RIGHT, C_3, K_MET, BOUNDARY, RESULT, MIRRORED, N_ROWS = range(14)
#: What ``info`` (N_INFO,) receives.
D, D_PLAN, NEAR, FAR, G_S, G_M, G_R, Q, H_M, D_OMEGA, C_MET = range(11)
N_TOP, Z_TOP, D_SS, D_SR, E_TOP, A_TOP, FIRST, LAST, Z_LEFT, E_LEFT, Z_RIGHT, E_RIGHT, N_INFO = range(11, 24)


class Rules(NamedTuple):
    """Choices that the standard leaves, or that readings of it differ in."""

    alternative: bool  # ground by 7.3.2 instead of 7.3.1
    keep_gain: bool  # A_bar = D_z - max(A_gr, 0) instead of (12)
    c_2: float  # 20, or 40
    c_0_db: float
    sides: bool  # ways round vertical edges count
    cap_sides: bool  # D_z round vertical edges, too, has its 20 or 25 dB


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


CACHE = _can_cache()
_jit = njit(cache=CACHE, error_model="numpy", fastmath={"contract"})


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
def mean_g(gx: Array, gg: Array, xa: float, xb: float) -> float:
    """Mean ground factor between xa and xb, weighted with length; at xa where they are one place."""
    xb = max(xb, xa + 1e-9)
    total, length = 0.0, 0.0
    for n in range(gg.size):
        part = max(0.0, min(gx[n + 1], xb) - max(gx[n], xa))
        total += gg[n] * part
        length += part
    return total / length if length > 0.0 else gg[-1]


@_jit
def set_height(shape: Array, h: float) -> None:
    """Height and its four exponentials in the functions below Table 3, for reuse while the height stays the same."""
    if shape[0] != h:
        shape[0] = h
        shape[1] = math.exp(-0.12 * (h - 5.0) ** 2)
        shape[2] = math.exp(-0.09 * h * h)
        shape[3] = math.exp(-0.46 * h * h)
        shape[4] = math.exp(-0.9 * h * h)


@_jit
def region(work: Array, row: int, shape: Array, g: float, near: float, far: float) -> None:
    """A_s or A_r of Table 3 into a row; ``near`` and ``far`` are its two terms of d_p. [dB]"""
    work[row, 0] = -1.5
    work[row, 1] = -1.5 + g * (1.5 + 3.0 * shape[1] * near + 5.7 * shape[2] * far)  # a'(h)
    work[row, 2] = -1.5 + g * (1.5 + 8.6 * shape[2] * near)  # b'(h)
    work[row, 3] = -1.5 + g * (1.5 + 14.0 * shape[3] * near)  # c'(h)
    work[row, 4] = -1.5 + g * (1.5 + 5.0 * shape[4] * near)  # d'(h)
    for i in range(5, work.shape[1]):
        work[row, i] = -1.5 * (1.0 - g)


@_jit
def set_plan(d_p: float, info: Array) -> None:
    """d_p and its two terms in Table 3, for reuse while it stays the same."""
    if info[D_PLAN] != d_p:
        info[D_PLAN] = d_p
        info[NEAR] = 1.0 - math.exp(-d_p / 50.0)
        info[FAR] = 1.0 - math.exp(-2.8e-6 * d_p * d_p)


@_jit
def general_ground(
    gx: Array, gg: Array, xs: float, xr: float, shape_s: Array, shape_r: Array, info: Array, work: Array
) -> None:
    """Rows A_S, A_M, A_R and the factor of the ground by the general method (7.3.1, Table 3)."""
    h_s, h_r, d_p = shape_s[0], shape_r[0], info[D_PLAN]
    reach_s, reach_r = min(30.0 * h_s, d_p), min(30.0 * h_r, d_p)
    q, g_m = 0.0, gg[0]
    info[G_S] = info[G_R] = gg[0]
    if gg.size > 1:
        info[G_S] = mean_g(gx, gg, xs, xs + reach_s)
        info[G_R] = mean_g(gx, gg, xr - max(reach_r, 1e-6), xr)
    if d_p > 30.0 * (h_s + h_r):
        q = 1.0 - 30.0 * (h_s + h_r) / d_p
        if gg.size > 1:
            g_m = mean_g(gx, gg, xs + reach_s, xr - reach_r)
    info[G_M], info[Q] = g_m, q
    region(work, A_S, shape_s, info[G_S], info[NEAR], info[FAR])
    region(work, A_R, shape_r, info[G_R], info[NEAR], info[FAR])
    work[A_M, 0] = -3.0 * q
    for i in range(1, work.shape[1]):
        work[A_M, i] = -3.0 * q * (1.0 - g_m)
    for i in range(work.shape[1]):
        a_gr = work[A_S, i] + work[A_M, i] + work[A_R, i]  # (9)
        work[GROUND, i] = MOST_GAIN * exp_neg(LN10 * 0.1 * a_gr + MOST_EXPONENT)


@_jit
def mean_height(profile: Array, zs: float, zr: float, d: float) -> float:
    """h_m = F / d (Figure 3): area between ray and ground, where the ray is above, over the slant distance."""
    area, length = 0.0, profile[profile.shape[0] - 1, 0]
    for n in range(profile.shape[0] - 1):
        lo, hi = profile[n, 0], profile[n + 1, 0]
        a = zs + (zr - zs) * lo / length - profile[n, 1]
        b = zs + (zr - zs) * hi / length - profile[n + 1, 1]
        if a >= 0.0 and b >= 0.0:
            area += 0.5 * (a + b) * (hi - lo)
        elif a > 0.0 or b > 0.0:
            top = max(a, b)
            area += 0.5 * top * (hi - lo) * top / abs(a - b)
    return area / d


@_jit
def alternative_ground(profile: Array, h_s: float, h_r: float, zs: float, zr: float, info: Array, work: Array) -> None:
    """The factor of the ground by (10), the same in every band, and D_Omega by (11)."""
    d, d_p = info[D], info[D_PLAN]
    info[H_M] = mean_height(profile, zs, zr, d)
    a_gr = max(0.0, 4.8 - 2.0 * info[H_M] / d * (17.0 + 300.0 / d))  # (10)
    ratio = (d_p * d_p + (h_s - h_r) ** 2) / (d_p * d_p + (h_s + h_r) ** 2)
    info[D_OMEGA] = 10.0 * math.log10(1.0 + ratio)  # (11)
    work[GROUND, :] = math.exp(-LN10 * 0.1 * a_gr)


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
def add_hills(profile: Array, zs: float, zr: float, local: Array, n: int) -> int:
    """Add the places where the ground rises above the ray to ``n`` edges; the new number.

    They have no direction of their own (SINE and COSINE 0) and are wider than any wavelength.
    """
    length = profile[profile.shape[0] - 1, 0]
    for k in range(profile.shape[0]):
        x, z = profile[k, 0], profile[k, 1]
        height = (z - zs) * length - x * (zr - zs)
        if x < SHORTEST_M or length - x < SHORTEST_M or height <= GRAZING_M * math.hypot(length, zr - zs):
            continue
        row, n = make_room(local, n, x, z)
        if row >= 0:
            local[row, PLACE], local[row, TOP_Z], local[row, WIDTH] = x, z, math.inf
            local[row, SINE], local[row, COSINE] = 0.0, 0.0
    return n


@_jit
def hull(edges: Array, width: float, xs: float, zs: float, xr: float, zr: float, found: IntArray) -> int:
    """Edges wider than ``width`` that a band stretched from source to receiver touches; their number, 0 if none."""
    n = 0
    for j in range(edges.shape[0] + 1):
        inner = j < edges.shape[0]
        if inner and edges[j, WIDTH] <= width:
            continue
        x, z = (edges[j, PLACE], edges[j, TOP_Z]) if inner else (xr, zr)
        while n > 0:
            top = found[n - 1]
            xp, zp = (edges[found[n - 2], PLACE], edges[found[n - 2], TOP_Z]) if n > 1 else (xs, zs)
            dx, dz = x - xp, z - zp
            height = (edges[top, TOP_Z] - zp) * dx - (edges[top, PLACE] - xp) * dz
            if height > GRAZING_M * math.sqrt(dx * dx + dz * dz):
                break
            n -= 1
        if inner:
            found[n] = j
            n += 1
    return n


@_jit
def over_edges(edges: Array, first: int, last: int, xs: float, zs: float, xr: float, zr: float, info: Array) -> float:
    """z of (16) for one edge (first = last), of (17) for two, without sign; d_ss, d_sr, e and a into ``info``.

    Lengths lie in the plane normal to the edges. Two edges that are not parallel are taken in the path's own plane, and
    so is ground that stands alone; otherwise it takes the direction of the other edge.
    """
    x1, z1, sine, cosine = edges[first, PLACE], edges[first, TOP_Z], edges[first, SINE], edges[first, COSINE]
    x2, z2, sine_2, cosine_2 = edges[last, PLACE], edges[last, TOP_Z], edges[last, SINE], edges[last, COSINE]
    if sine == 0.0 and cosine == 0.0:
        sine, cosine = sine_2, cosine_2
    hill = sine_2 == 0.0 and cosine_2 == 0.0
    if (sine == 0.0 and cosine == 0.0) or (not hill and abs(sine * cosine_2 - cosine * sine_2) > PARALLEL):
        sine, cosine = 1.0, 0.0
    info[D_SS] = math.hypot((x1 - xs) * sine, z1 - zs)
    info[D_SR] = math.hypot((xr - x2) * sine, z2 - zr)
    info[E_TOP] = math.hypot((x2 - x1) * sine, z2 - z1)
    info[A_TOP] = (xr - xs) * cosine
    return math.hypot(info[D_SS] + info[E_TOP] + info[D_SR], info[A_TOP]) - info[D]


@_jit
def find_top(
    edges: Array, width: float, xs: float, zs: float, xr: float, zr: float, found: IntArray, info: Array
) -> None:
    """The edge or the two edges that count (7.4) among those wider than ``width``, with z and its parts in ``info``.

    Of edges that block the ray: one, or the two with the largest path difference together. If none blocks: the one
    nearest to the ray, with negative z. N_TOP is 0 if there is no edge.
    """
    n = hull(edges, width, xs, zs, xr, zr, found)
    best, sign, first, last = -math.inf, 1.0, -1, -1
    if n == 0:
        sign = -1.0
        for j in range(edges.shape[0]):
            if edges[j, WIDTH] > width:
                z = -over_edges(edges, j, j, xs, zs, xr, zr, info)
                if z > best:
                    best, first, last = z, j, j
    elif n == 1:
        first = last = found[0]
    else:
        for i in range(n - 1):
            for j in range(i + 1, n):
                z = over_edges(edges, found[i], found[j], xs, zs, xr, zr, info)
                if z > best:
                    best, first, last = z, found[i], found[j]
    info[FIRST], info[LAST] = first, last
    info[N_TOP] = 0.0
    if first >= 0:
        info[N_TOP] = 1.0 if first == last else 2.0
        info[Z_TOP] = sign * over_edges(edges, first, last, xs, zs, xr, zr, info)


@_jit
def d_z_argument(wavelength: float, c_2: float, z: float, e: float, k_met: float, double: bool) -> tuple[float, float]:
    """3 + (C_2/lambda) C_3 z K_met of (14), not capped, and C_3 of (15)."""
    c_3 = 1.0
    if double and e > 0.0:
        t = (5.0 * wavelength / e) ** 2
        c_3 = (1.0 + t) / (1.0 / 3.0 + t)
    return 3.0 + c_2 / wavelength * c_3 * z * k_met, c_3


@_jit
def meteorology(info: Array) -> float:
    """K_met of (18)."""
    if info[Z_TOP] <= 0.0:
        return 1.0
    return math.exp(-math.sqrt(info[D_SS] * info[D_SR] * info[D] / (2.0 * info[Z_TOP])) / 2000.0)


@_jit
def side_way(wavelength: Array, rules: Rules, detour: float, e: float, z: float, work: Array, row: int) -> None:
    """Argument of D_z for a way round vertical edges, K_met = 1; ``z`` its path difference. 0 if it does not count."""
    double = e > 0.0
    cap = math.inf
    if rules.cap_sides:
        cap = CAP_DOUBLE if double else CAP_SINGLE
    for i in range(work.shape[1]):
        work[row, i] = 0.0
        if rules.sides and detour < math.inf:
            argument, _ = d_z_argument(wavelength[i], rules.c_2, z, e, 1.0, double)
            work[row, i] = min(argument, cap)


@_jit
def screening(
    wavelength: Array,
    rules: Rules,
    edges: Array,
    ways: Array,
    xs: float,
    zs: float,
    xr: float,
    zr: float,
    found: IntArray,
    info: Array,
    work: Array,
) -> None:
    """Rows TOP, LEFT, RIGHT and BOUNDARY: what obstacles leave together with the ground, (12) to (18).

    An edge counts in a band if its obstacle is wider than the wavelength. ``ways`` holds detour and length between the
    first and last corner, to the left and to the right.
    """
    narrowest = np.min(edges[:, WIDTH])
    last = work.shape[1] - 1
    for k in range(2):
        z = 0.0
        if ways[2 * k] < math.inf:
            z = math.hypot(xr - xs + ways[2 * k], zr - zs) - info[D]
        side_way(wavelength, rules, ways[2 * k], ways[2 * k + 1], z, work, LEFT + k)
        info[Z_LEFT + 2 * k], info[E_LEFT + 2 * k] = z, ways[2 * k + 1]
    k_met = 1.0
    for i in range(last, -1, -1):  # from the shortest wavelength on, in which most obstacles count
        if i == last or wavelength[i] >= narrowest:
            find_top(edges, wavelength[i], xs, zs, xr, zr, found, info)
            k_met = meteorology(info)
        ground = work[GROUND, i]
        work[TOP, i], work[C_3, i], work[K_MET, i] = 0.0, 1.0, k_met
        work[BOUNDARY, i] = ground
        argument = 0.0
        double = info[N_TOP] > 1.0
        if info[N_TOP] > 0.0:
            argument, work[C_3, i] = d_z_argument(wavelength[i], rules.c_2, info[Z_TOP], info[E_TOP], k_met, double)
        if argument <= 0.0:  # no obstacle, or far below the ray: A_bar = 0
            work[LEFT, i] = work[RIGHT, i] = 0.0
            continue
        work[TOP, i] = min(argument, CAP_DOUBLE if double else CAP_SINGLE)
        kept = max(1.0, ground) if rules.keep_gain else 1.0
        left = kept / work[TOP, i]  # (12)
        for row in range(LEFT, RIGHT + 1):
            if work[row, i] > 0.0:
                left += ground / work[row, i]  # (13)
        work[BOUNDARY, i] = min(ground, left)


@_jit
def spread_and_air(absorption: Array, c_0_db: float, h_s: float, h_r: float, info: Array, work: Array) -> float:
    """Factors of the air into row AIR; returns those of divergence, D_Omega and C_met together. (7), (8), (21), (22)"""
    d = info[D]
    info[C_MET] = c_0_db * max(0.0, 1.0 - 10.0 * (h_s + h_r) / info[D_PLAN])
    for i in range(work.shape[1]):
        work[AIR, i] = exp_neg(absorption[i] * d)
    near = SPREADING / (d * d)
    if info[D_OMEGA] != info[C_MET]:
        near *= math.exp(LN10 * 0.1 * (info[D_OMEGA] - info[C_MET]))
    return near


@_jit
def attenuate(
    wavelength: Array,
    absorption: Array,
    rules: Rules,
    profile: Array,
    gx: Array,
    gg: Array,
    edges: Array,
    ways: Array,
    shape_s: Array,
    shape_r: Array,
    zs: float,
    zr: float,
    found: IntArray,
    info: Array,
    work: Array,
) -> None:
    """10^(-(A - D_Omega + C_met)/10) of one path, reflections apart, per octave, into row RESULT.

    Parameters
    ----------
    wavelength, absorption : (8,)
        [m]; energy exponent per metre.
    profile : (n, 2)
        Ground along the path: distance from the source, from 0 to the length of the path, and height. [m]
    gx, gg : borders and factors of the pieces of ground. [m]
    edges : (n, 7)
        As in :class:`lineside.scene.cuts.VerticalCuts`, hills included; kind and owner are not looked at.
    ways : (4,)
        Detour and length between the corners, left and right; ``inf`` if there is none. [m]
    shape_s, shape_r : (5,)
        Heights of source and receiver above the ground, from :func:`set_height`. [m]
    """
    xs, xr = 0.0, profile[profile.shape[0] - 1, 0]
    set_plan(xr, info)
    info[D] = math.hypot(xr, zr - zs)
    info[D_OMEGA] = 0.0
    if rules.alternative:
        alternative_ground(profile, shape_s[0], shape_r[0], zs, zr, info, work)
    else:
        general_ground(gx, gg, xs, xr, shape_s, shape_r, info, work)
    near = spread_and_air(absorption, rules.c_0_db, shape_s[0], shape_r[0], info, work)
    row = GROUND
    info[N_TOP] = 0.0
    if edges.shape[0] > 0:
        screening(wavelength, rules, edges, ways, xs, zs, xr, zr, found, info, work)
        row = BOUNDARY
    for i in range(work.shape[1]):
        work[RESULT, i] = near * work[AIR, i] * work[row, i]


@_jit
def with_track_bed(ground: Array, bed: float, bed_g: float, gx: Array, gg: Array) -> int:
    """Borders and factors of a path's ground, its first ``bed`` metres replaced by the track's; number of pieces."""
    n, length = 0, ground[-1, 0]
    gx[0] = 0.0
    bed = min(bed, length)
    if bed > 0.0:
        gx[1], gg[0], n = bed, bed_g, 1
    for k in range(ground.shape[0]):
        if ground[k, 0] > bed:
            if n > 0 and gg[n - 1] == ground[k, 1]:
                gx[n] = ground[k, 0]
                continue
            gx[n + 1], gg[n] = ground[k, 0], ground[k, 1]
            n += 1
    return n


@_jit
def least_dimension(cosine: float, d_so: float, d_or: float, wavelength: float) -> float:
    """l_min that a surface must exceed to reflect, (19): 1/lambda > [2/(l_min cos(beta))^2] d_so d_or/(d_so + d_or)."""
    return math.sqrt(2.0 * wavelength * d_so * d_or / (d_so + d_or)) / cosine


@_jit
def reflect(
    wavelength: Array,
    mirror: Array,
    kept: Array,
    edges: Array,
    zs: float,
    zr: float,
    length: float,
    found: IntArray,
    work: Array,
) -> None:
    """Product of the reflection coefficients of the walls of one path into row MIRRORED, 0 without reflection; 7.5.

    ``mirror`` as in :class:`lineside.scene.cuts.VerticalCuts`; ``kept`` (n_reflectors, 8). The path must meet each wall
    between its foot and its top: bent over the edges, or the ray if nothing blocks it.
    """
    for i in range(work.shape[1]):
        work[MIRRORED, i] = 1.0
    touched = hull(edges, 0.0, 0.0, zs, length, zr, found)
    d = math.hypot(length, zr - zs)
    for m in range(mirror.shape[0]):
        x = mirror[m, MIRROR_PLACE]
        xa, za, xb, zb = 0.0, zs, length, zr
        for j in range(touched):
            place, top = edges[found[j], PLACE], edges[found[j], TOP_Z]
            if place > x:
                xb, zb = place, top
                break
            xa, za = place, top
        z = za + (zb - za) * (x - xa) / (xb - xa) if xb > xa else za
        met = mirror[m, MIRROR_BASE_Z] <= z <= mirror[m, MIRROR_TOP_Z]
        least = min(mirror[m, MIRROR_WIDTH], mirror[m, MIRROR_TOP_Z] - mirror[m, MIRROR_BASE_Z])
        d_so = d * x / length
        cosine = mirror[m, INCIDENCE_COSINE] * length / d
        row = int(mirror[m, REFLECTOR])
        for i in range(work.shape[1]):
            if met and least > least_dimension(cosine, d_so, d - d_so, wavelength[i]):
                work[MIRRORED, i] *= kept[row, i]
            else:
                work[MIRRORED, i] = 0.0


@_jit
def hopeless(wavelength: Array, mirror: Array, kept: Array, zs: float, length: float, zr: float) -> bool:
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
        for i in range(wavelength.size):
            if kept[int(mirror[m, REFLECTOR]), i] > 0.0:
                missing = missing and least <= least_dimension(cosine, d * share, d - d * share, wavelength[i])
        if missing:
            return True
    return False


@njit(cache=CACHE, error_model="numpy", fastmath={"contract"}, nogil=True)
def transfer(
    wavelength: Array,
    absorption: Array,
    rules: Rules,
    first: IntArray,
    path: Array,
    profile: Array,
    ground: Array,
    edge: Array,
    mirror: Array,
    most_ground: int,
    most_edges: int,
    source_z: Array,
    source_g: Array,
    heights: Array,
    receiver_z: Array,
    bed: float,
    kept: Array,
    out: Array,
    reflected: Array,
) -> None:
    """10^(-A/10) of all paths.

    ``first`` to ``mirror`` as in :class:`lineside.scene.cuts.VerticalCuts`, with at most so many ground pieces, and
    edges and profile rows together, to a path; ``bed`` is the half width of a track, on which the ground factor is
    ``source_g``; ``kept`` (n_reflectors, 8) are reflection coefficients.

    ``out`` (n_receivers, n_points, n_heights, 1, 8) receives the sum over the direct paths, ``reflected`` (n_reflected,
    n_heights, 1, 8) each reflected path, in their order, all times their share of the piece of track.
    """
    n_points, n_bands, n_reflected = source_z.size, absorption.size, 0
    gx, gg = np.empty(most_ground + 2), np.empty(most_ground + 1)
    local, no_ways = np.empty((most_edges + 1, edge.shape[1])), np.full(4, math.inf)
    found = np.empty(most_edges + 2, dtype=np.int64)
    info, work = np.zeros(N_INFO), np.zeros((N_ROWS, n_bands))
    shape_r, shape = np.full(5, -1.0), np.full((heights.size, 5), -1.0)
    for r in range(receiver_z.size):
        zr = receiver_z[r]
        for p in range(n_points):
            out[r, p] = 0.0
            for j in range(first[r * n_points + p], first[r * n_points + p + 1]):
                p_from = g_from = e_from = m_from = 0
                if j > 0:
                    p_from, g_from = int(path[j - 1, PROFILE_TO]), int(path[j - 1, GROUND_TO])
                    e_from, m_from = int(path[j - 1, EDGES_TO]), int(path[j - 1, MIRRORS_TO])
                below = profile[p_from : int(path[j, PROFILE_TO])]
                pieces = ground[g_from : int(path[j, GROUND_TO])]
                mirrors = mirror[m_from : int(path[j, MIRRORS_TO])]
                n_g = with_track_bed(pieces, bed / max(path[j, TRACK_SINE], 1e-9), source_g[p], gx, gg)
                borders, factors = gx[: n_g + 1], gg[:n_g]
                n = int(path[j, EDGES_TO]) - e_from
                highest = below[0, 1]
                for k in range(1, below.shape[0]):
                    highest = max(highest, below[k, 1])
                set_height(shape_r, max(0.0, zr - below[below.shape[0] - 1, 1]))
                for h in range(heights.size):
                    zs = source_z[p] + heights[h]
                    if mirrors.shape[0] > 0 and hopeless(wavelength, mirrors, kept, zs, path[j, LENGTH], zr):
                        reflected[n_reflected, h] = 0.0
                        continue
                    set_height(shape[h], max(0.0, zs - below[0, 1]))
                    for k in range(n):
                        for c in range(edge.shape[1]):
                            local[k, c] = edge[e_from + k, c]
                    n_all = add_hills(below, zs, zr, local, n) if highest > min(zs, zr) else n
                    edges, ways = local[:n_all], path[j, WAYS : WAYS + 4]
                    for k in range(n_all):
                        if edges[k, SINE] == 0.0 and edges[k, COSINE] == 0.0:  # no way leads round the ground
                            ways = no_ways
                    attenuate(
                        wavelength,
                        absorption,
                        rules,
                        below,
                        borders,
                        factors,
                        edges,
                        ways,
                        shape[h],
                        shape_r,
                        zs,
                        zr,
                        found,
                        info,
                        work,
                    )
                    if mirrors.shape[0] == 0:
                        for i in range(n_bands):
                            out[r, p, h, 0, i] += path[j, SHARE] * work[RESULT, i]
                        continue
                    reflect(wavelength, mirrors, kept, edges, zs, zr, path[j, LENGTH], found, work)
                    for i in range(n_bands):
                        reflected[n_reflected, h, 0, i] = path[j, SHARE] * work[RESULT, i] * work[MIRRORED, i]
                if mirrors.shape[0] > 0:
                    n_reflected += 1

"""The formulas of propagation, compiled.

Everything is held in the energy domain: an attenuation A as the factor 10^(-A/10), so that the ground effect is a
product and needs no logarithm. :func:`..cut.vertical_cut` and the calculator run the same functions. They stand in one
file because numba's on-disk cache notices changes of the file that it compiled, not of the files that this one imports.

Geometry is found item by item, an item being a path from one source height in one weather state. Formulas run over a
tile of items, band by band: in the one work space ``t`` a row is ``TILE`` numbers from its first index on, one lane per
item. Rows start at constants of the module, so that the compiler knows that they do not overlap and works on many lanes
at once. No lane depends on another.

Equation numbers: Directive 2002/49/EC, Annex II (as amended by (EU) 2021/1226), section 2.5. Symbols as there:
z heights, G ground factor, delta path difference, Gamma radius of curved rays (0 here means straight rays). Distances
x count from the source along the path.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np
from numba import njit

from lineside.acoustics.bands import OCTAVES_HZ, Array
from lineside.scene.model import IntArray

N_BANDS = 8
TILE = 64
SOUND_SPEED_M_S = 340.0
CAP = 10.0**2.5  # 25 dB, the largest pure diffraction
SPREADING = 10.0**-1.1  # (2.5.12)
LN10 = math.log(10.0)
GRAZING_M = 1e-9  # an edge must rise above a ray by more than this to block it
SHORTEST_M = 1e-6  # keeps divisions by d_p finite
NEARLY_M = 1e-6  # ground this little below a hull is still compared with it
BEND_M2 = 1e-9  # ground bends downward where the cross product of two neighbouring pieces lies below minus this
SMALLEST_M = 0.5  # a reflector must be as high and as wide (section 2.5.7)
TERM_ENERGY = 10.0**0.001 - 1.0  # an image that adds less than 0.01 dB ends the series between train and barrier
MOST_IMAGES = 200
ABSORBING = 0.8  # above it a barrier throws nothing back to the train
BODY_REACH = 5.0  # nor if it is further away than this many times its height
BODY_TURN = math.sin(math.radians(15.0))  # nor if it is turned by more than 15 degrees from the track; our reading
ASIN_REACH = 0.2  # a series for the asin of up to this is exact to the last digits
BELOW_WALL_M = 0.01  # a ray that passes a wall's foot by more than this below it is not reflected

#: Columns of the arrays of :class:`lineside.scene.cuts.VerticalCuts`, repeated here for the compiler's cache.
SHARE, LENGTH, TRACK_SINE, PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO = range(7)
TRACK_COSINE = 13
PLACE, TOP_Z, SINE, COSINE, KIND, OWNER = 0, 1, 3, 4, 5, 6
MIRROR_PLACE, MIRROR_TOP_Z, MIRROR_BASE_Z, INCIDENCE_COSINE, MIRROR_WIDTH, REFLECTOR = range(6)
BARRIER, BUILDING = 0, 1

#: Columns of the table of bands: wave number, the factors of (2.5.17), wavelength, 40 / lambda, absorption of air.
K, W1, W2, W3, WAVELENGTH, PER_WAVE, AIR = range(7)

#: Inputs of a stretch of ground in rows behind its first one, and the rows of its ground factor by band.
G, G_S, Z_A, Z_B, D_P, CURVED = range(0, 6 * TILE, TILE)
Q = 6 * TILE
STRETCH_SIZE = (6 + N_BANDS) * TILE
WHOLE, SOURCE_SIDE, RECEIVER_SIDE = 0, STRETCH_SIZE, 2 * STRETCH_SIZE
#: Then the inputs of diffraction and its outcome by band, distances with what spreading and air leave by band, scratch.
DELTA, DELTA_S, DELTA_R, PER_E, DIFFRACTED, SHARES, DISTANCE, NEAR, SCALE, X, E, Y, U, LIMIT, HARD, A, B, SCALED = (
    3 * STRETCH_SIZE + n * TILE for n in (0, 1, 2, 3, 4, 12, 13, 14, 22, 23, 24, 25, 26, 27, 28, 29, 30, 31)
)
TILE_SIZE = 3 * STRETCH_SIZE + 32 * TILE
#: What path differences follow from, in rows that are free until the ground factors of both sides take them: first and
#: last edge, path between them, source and receiver, then slope and height at its beginning of both mean planes,
#: 1 / (2 Gamma) (0: straight rays), 1 for several edges.
FIRST_X, FIRST_Z, LAST_X, LAST_Z, BETWEEN, SOURCE_Z, LENGTHS, RECEIVER_Z = (
    SOURCE_SIDE + Q + n * TILE for n in range(N_BANDS)
)
SLOPE_1, BASE_1, SLOPE_2, BASE_2, BEND, SEVERAL = (RECEIVER_SIDE + Q + n * TILE for n in range(6))
LANES = 8  # unused lanes are computed along up to a multiple of this
#: Columns of the list of items: lanes of its whole path, its diffraction and its distance, which bands are diffracted
#: (bit by bit), target row and height with state, whether the target is a reflected path, whether it has factors.
LANE_WHOLE, LANE_EDGE, LANE_NEAR, BANDS, TARGET, SLOT, REFLECTED, FACTORS, N_COLUMNS = range(9)
#: How many there are of items, whole paths, diffractions and distances.
ITEMS, WHOLES, EDGES, NEARS = range(4)
ALL_BANDS = 2**N_BANDS - 1
#: Rows of what :func:`stretch` reports, and their columns: equivalent heights at both ends, d_p, G_path, images.
WHOLE_PATH, BEFORE, BEHIND = range(3)
INFO_Z_A, INFO_Z_B, INFO_D_P, G_PATH, IMAGE_A, IMAGE_B = 0, 1, 2, 3, 4, 6

LOG2E, MAGIC = 1.0 / math.log(2.0), 1.5 * 2.0**52
LN2, LN2_HIGH, LN2_LOW, ROOT2 = math.log(2.0), 0.6931471803691238, 1.9082149292705877e-10, math.sqrt(2.0)
BIAS, MAGIC_BITS = 1023 << 52, 0x4338 << 48
MANTISSA = (1 << 52) - 1


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


CACHE = _can_cache()
_OPTIONS: dict[str, Any] = {"cache": CACHE, "nogil": True, "error_model": "numpy"}
#: Functions that are called for each path are put into their callers, and do not count who holds the arrays that they
#: are given: calls and counting would cost more than the functions themselves.
_STEP = {**_OPTIONS, "forceinline": True, "_nrt": False}
_jit = njit(**_OPTIONS, fastmath={"contract"})
_step = njit(**_STEP, fastmath={"contract"})
_sum = njit(**_STEP, fastmath={"contract", "reassoc", "nsz"})


def band_table(absorption: Array | None = None) -> Array:
    """Constants of the bands, (8, 7); ``absorption`` of air as energy exponent per metre, (8,), none if left out."""
    f = OCTAVES_HZ
    lam = SOUND_SPEED_M_S / f
    air = np.zeros(N_BANDS) if absorption is None else absorption
    columns = [2 * np.pi * f / SOUND_SPEED_M_S, 0.0185 * f**2.5, f**1.5, 1.3e3 * f**0.75, lam, 40.0 / lam, air]
    return np.ascontiguousarray(np.stack(columns, axis=1))


@_jit
def tile() -> Array:
    """A work space; all lanes hold numbers with which every formula is finite."""
    return np.ones(TILE_SIZE)


@_jit
def exp_neg(t: Array, row: int, n: int) -> None:
    """e^-x for the lanes of a row, in place: e^y by its series for |y| < 0.35, times a power of 2 set bit by bit.

    The processor can do this for several lanes at once, which it cannot with the library's exp.
    """
    v, scale = t[row : row + TILE], t[SCALE : SCALE + TILE]
    bits = scale.view(np.int64)
    for j in range(n):
        x = min(v[j], 700.0)
        m = MAGIC - x * LOG2E  # the whole number of doublings stands in the lowest bits
        twos = m - MAGIC
        y = (-x - twos * LN2_HIGH) - twos * LN2_LOW
        y2 = y * y
        y4 = y2 * y2
        low = (1.0 + y) + y2 * (0.5 + y * (1.0 / 6.0))
        middle = (1.0 / 24.0 + y * (1.0 / 120.0)) + y2 * (1.0 / 720.0 + y * (1.0 / 5040.0))
        high = (1.0 / 40320.0 + y * (1.0 / 362880.0)) + y2 * (1.0 / 3628800.0 + y * (1.0 / 39916800.0))
        scale[j] = m
        v[j] = low + y4 * (middle + y4 * high)
    for j in range(n):
        bits[j] = (bits[j] << 52) + BIAS
    for j in range(n):
        v[j] *= scale[j]


@_jit
def power_1_3(t: Array, row: int, n: int) -> None:
    """g^1.3 for the lanes of a row, in place; 0 < g <= 1. ln g from the exponent and a series of the mantissa."""
    v, scale = t[row : row + TILE], t[SCALE : SCALE + TILE]
    v_bits, bits = v.view(np.int64), scale.view(np.int64)
    for j in range(n):
        bits[j] = (v_bits[j] >> 52) - 1023 + MAGIC_BITS
        v_bits[j] = (v_bits[j] & MANTISSA) + BIAS
    for j in range(n):
        twos, m = scale[j] - MAGIC, v[j]
        s = (m - ROOT2) / (m + ROOT2)
        q = s * s
        more = 1.0 / 9.0 + q * (1.0 / 11.0 + q * (1.0 / 13.0 + q * (1.0 / 15.0 + q * (1.0 / 17.0))))
        series = s * (1.0 + q * (1.0 / 3.0 + q * (1.0 / 5.0 + q * (1.0 / 7.0 + q * more))))
        v[j] = -1.3 * ((twos + 0.5) * LN2 + 2.0 * series)
    exp_neg(t, row, n)


def _ground_function(first: int) -> Callable[[Array, Array, int], None]:
    """The ground effect of one stretch of each item, compiled for its own rows."""

    @_jit
    def ground(t: Array, band: Array, n: int) -> None:
        """Ground factors 10^(-A_ground/10) of stretches whose ends lie Z_A and Z_B above their mean planes.

        G_S is the ground factor of the source area, -1 on the receiver's side of an edge, where (2.5.14) does not
        apply; CURVED is 1 in favourable conditions. Which G goes where: Table 2.5.b.
        """
        for j in range(n):
            g, g_s, d_p, curved = t[first + G + j], t[first + G_S + j], t[first + D_P + j], t[first + CURVED + j]
            z_a, z_b = t[first + Z_A + j], t[first + Z_B + j]
            z_sum = z_a + z_b
            reach = 30.0 * z_sum
            ratio = d_p / max(reach, 1e-12)
            g_m = g * ratio + g_s * (1.0 - ratio) if g_s >= 0.0 and ratio <= 1.0 else g  # (2.5.14)
            far = 1.0 + 2.0 * max(0.0, 1.0 - reach / d_p)  # (2.5.20)
            bound = 0.3 * (1.0 - g_m) * (far if curved > 0.0 else 1.0)  # (2.5.18)
            bound = 0.3 if g == 0.0 and curved == 0.0 else bound
            lift = curved if z_sum >= 1e-9 else 0.0  # turbulence would lift two points on the plane without end
            per_sum = d_p / max(z_sum, 1e-9)
            turbulence = lift * 6e-3 * per_sum  # (2.5.19) and below it
            bend = lift * 1e-4 * per_sum * per_sum
            t[A + j] = z_a + bend * z_a * z_a + turbulence
            t[B + j] = z_b + bend * z_b * z_b + turbulence
            t[SCALED + j] = 4.0 / (d_p * d_p)
            t[U + j] = max(1e-12, g if curved > 0.0 else g_m)
            t[LIMIT + j] = -LN10 * bound
            t[HARD + j] = 1.0 if g == 0.0 or lift < curved else 0.0
        power_1_3(t, U, n)
        exp_neg(t, LIMIT, n)
        for j in range(n):
            t[HARD + j] *= t[LIMIT + j]
        for i in range(N_BANDS):
            k, per_k, w1, w2, w3 = band[i, K], 1.0 / band[i, K], band[i, W1], band[i, W2], band[i, W3]
            for j in range(n):  # (2.5.17)
                u = t[U + j]
                above = t[first + D_P + j] * (w1 * u * u)
                below = w2 * u * u + w3 * u + 1.16e6
                per_both = 1.0 / (below * (above + below))
                x = above * (above + below) * per_both  # w d_p
                t[X + j] = x
                t[Y + j] = below * below * per_both  # 1 / (1 + w d_p)
                t[E + j] = math.sqrt(x)
            exp_neg(t, E, n)
            for j in range(n):  # (2.5.16), (2.5.15)
                z_a, z_b = t[A + j], t[B + j]
                c = t[first + D_P + j] * (1.0 + 3.0 * t[X + j] * t[E + j]) * t[Y + j] * per_k
                root = math.sqrt(2.0 * c)
                q = t[SCALED + j] * (k * k) * (z_a * (z_a - root) + c) * (z_b * (z_b - root) + c)
                t[Y + j] = max(min(q, t[LIMIT + j]), t[HARD + j])
            q_row = t[first + Q + i * TILE : first + Q + (i + 1) * TILE]
            for j in range(n):
                q_row[j] = t[Y + j]

    return ground


ground_of_whole, ground_before, ground_behind = map(_ground_function, (WHOLE, SOURCE_SIDE, RECEIVER_SIDE))


@_step
def pure_diffraction(x: float) -> float:
    """10^(Delta_dif/10) of (2.5.21) without the cap of 25 dB; x = (40 / lambda) C'' delta."""
    return 3.0 + x if x >= -2.0 else 1.0


@_step
def several_edges(lam: float, per_e: float) -> float:
    """C'' of (2.5.23); ``per_e`` is 1 / (path from the first to the last edge), 0 for one edge or up to 0.3 m."""
    t = 5.0 * lam * per_e
    return (1.0 + t * t) / (1.0 / 3.0 + t * t) if per_e > 0.0 else 1.0


@_step
def ground_behind_edge(a_ground: float, ratio: float) -> float:
    """10^(-Delta_ground/20) of (2.5.31), (2.5.32); ``ratio`` is that of pure diffraction, the path's to its image's.

    Where the image's path is not the longer one both terms count as equal, as the law has it for points below
    their mean plane.
    """
    return 1.0 + (math.sqrt(a_ground) - 1.0) * math.sqrt(min(1.0, ratio))


@_step
def difference(
    over: float, xs: float, zs: float, x: float, z: float, xr: float, zr: float, several: float, bend: float,
    exact: bool,
) -> float:  # fmt: skip
    """Path difference of a way ``over`` one edge (x, z) or several. (2.5.26) to (2.5.28)

    Negative where a single edge does not reach the straight ray.
    """
    z_line = zs + (zr - zs) * (x - xs) / (xr - xs)
    direct = bent(xs, zs, xr, zr, bend, exact)
    below = 2.0 * (bent(xs, zs, x, z_line, bend, exact) + bent(x, z_line, xr, zr, bend, exact)) - over - direct
    return over - direct if several > 0.0 or z >= z_line else below


@_step
def lane_differences(t: Array, j: int, exact: bool) -> None:
    """Both stretches of ground of a diffracted path, and the path differences of the path and of both images."""
    bend, several, e = t[BEND + j], t[SEVERAL + j], t[BETWEEN + j]
    zs, length, zr = t[SOURCE_Z + j], t[LENGTHS + j], t[RECEIVER_Z + j]
    x1, z1, x2, z2 = t[FIRST_X + j], t[FIRST_Z + j], t[LAST_X + j], t[LAST_Z + j]
    h_a, h_b, d_p, xi, zi, _, _ = seen_from_plane(t[SLOPE_1 + j], t[BASE_1 + j], 0.0, zs, x1, z1)
    t[SOURCE_SIDE + Z_A + j], t[SOURCE_SIDE + Z_B + j], t[SOURCE_SIDE + D_P + j] = h_a, h_b, d_p
    h_c, h_d, d_p, _, _, xj, zj = seen_from_plane(t[SLOPE_2 + j], t[BASE_2 + j], x2, z2, length, zr)
    t[RECEIVER_SIDE + Z_A + j], t[RECEIVER_SIDE + Z_B + j], t[RECEIVER_SIDE + D_P + j] = h_c, h_d, d_p
    before = bent(0.0, zs, x1, z1, bend, exact)
    behind = e + bent(x2, z2, length, zr, bend, exact)
    t[DELTA + j] = difference(before + behind, 0.0, zs, x1, z1, length, zr, several, bend, exact)
    over = bent(xi, zi, x1, z1, bend, exact) + behind
    t[DELTA_S + j] = difference(over, xi, zi, x1, z1, length, zr, several, bend, exact)
    over = before + e + bent(x2, z2, xj, zj, bend, exact)
    t[DELTA_R + j] = difference(over, 0.0, zs, x1, z1, xj, zj, several, bend, exact)
    t[X + j] = bend * (max(length + abs(zr - zs), before, behind) + 4.0 * (h_a + h_d))


@_jit
def differences(t: Array, n: int) -> None:
    """:func:`lane_differences` of n lanes, with the exact length of arcs only where one may be long for its radius."""
    for j in range(n):
        lane_differences(t, j, False)
    for j in range(n):
        if t[X + j] > ASIN_REACH:
            lane_differences(t, j, True)


@_jit
def diffraction(t: Array, band: Array, n: int) -> None:
    """10^(-A_dif/10) of (2.5.30), from the path differences of the path and of both images and the ground factors."""
    for i in range(N_BANDS):
        lam, per_wave = band[i, WAVELENGTH], band[i, PER_WAVE]
        q_s = t[SOURCE_SIDE + Q + i * TILE : SOURCE_SIDE + Q + (i + 1) * TILE]
        q_r = t[RECEIVER_SIDE + Q + i * TILE : RECEIVER_SIDE + Q + (i + 1) * TILE]
        row = t[DIFFRACTED + i * TILE : DIFFRACTED + (i + 1) * TILE]
        for j in range(n):
            x = per_wave * several_edges(lam, t[PER_E + j])
            direct = pure_diffraction(x * t[DELTA + j])
            image_s = pure_diffraction(x * t[DELTA_S + j])
            image_r = pure_diffraction(x * t[DELTA_R + j])
            capped = min(direct, CAP)
            per_all = 1.0 / (image_s * image_r * capped)
            sides = ground_behind_edge(q_s[j], direct * image_r * capped * per_all)
            sides *= ground_behind_edge(q_r[j], direct * image_s * capped * per_all)
            t[Y + j] = sides * sides * image_s * image_r * per_all
        for j in range(n):
            row[j] = t[Y + j]


@_jit
def spread_and_air(t: Array, band: Array, n: int) -> None:
    """10^(-(A_div + A_atm)/10) over the distances. (2.5.12), (2.5.13)"""
    for j in range(n):
        d = t[DISTANCE + j]
        t[A + j] = SPREADING / (d * d)
    for i in range(N_BANDS):
        air = band[i, AIR]
        row = t[NEAR + i * TILE : NEAR + (i + 1) * TILE]
        for j in range(n):
            t[E + j] = air * t[DISTANCE + j]
        exp_neg(t, E, n)
        for j in range(n):
            row[j] = t[E + j] * t[A + j]


@_step
def finish(t: Array, items: IntArray, n: int, factors: Array, out: Array, reflected: Array) -> None:
    """Add the energies of n items to the results, in their order."""
    for m in range(n):
        whole, edge = WHOLE + Q + items[m, LANE_WHOLE], DIFFRACTED + items[m, LANE_EDGE]
        near, bands = NEAR + items[m, LANE_NEAR], items[m, BANDS]
        share, row, slot = t[SHARES + m], items[m, TARGET], items[m, SLOT]
        target = reflected[row, slot] if items[m, REFLECTED] else out[row, slot]
        if bands == 0:
            for i in range(N_BANDS):
                t[X + i] = t[near + i * TILE] * t[whole + i * TILE]
        elif bands == ALL_BANDS:
            for i in range(N_BANDS):
                t[X + i] = t[near + i * TILE] * t[edge + i * TILE]
        else:
            for i in range(N_BANDS):
                t[X + i] = t[near + i * TILE] * t[(edge if bands >> i & 1 else whole) + i * TILE]
        if items[m, FACTORS]:
            for i in range(N_BANDS):
                t[X + i] *= factors[m, bands >> i & 1, i]
        for i in range(N_BANDS):
            target[i] += share * t[X + i]


@_step
def rounded(n: int) -> int:
    """Lanes that are computed for n that are in use."""
    return (n + LANES - 1) // LANES * LANES


@_jit
def flush(
    t: Array, band: Array, items: IntArray, count: IntArray, factors: Array, out: Array, reflected: Array
) -> None:
    """Run the formulas over all items of the tile, add their energies to the results and empty the tile."""
    spread_and_air(t, band, rounded(count[NEARS]))
    n = rounded(count[WHOLES])
    if n > 0:
        ground_of_whole(t, band, n)
    n = rounded(count[EDGES])
    if n > 0:
        differences(t, n)
        ground_before(t, band, n)
        ground_behind(t, band, n)
        diffraction(t, band, n)
    finish(t, items, count[ITEMS], factors, out, reflected)
    count[:] = 0


@_step
def piece_at(px: Array, n: int, x: float, onward: bool) -> int:
    """Which piece of the profile holds x; at a profile point the one after it (``onward``) or before it."""
    low, size = 0, n - 1
    while size > 1:
        half = size // 2
        place = px[low + half]
        low = low + half if place < x or (onward and place == x) else low
        size -= half
    return low


@_sum
def mean_plane(px: Array, pz: Array, n: int, xa: float, xb: float) -> tuple[float, float]:
    """Least-squares line through the first n profile points, from xa to xb: z = a (x - xa) + b; (2.5.3), (2.5.4).

    x counts from xa and z from a profile point nearby, so that nothing cancels far from the origin. Vertical pieces of
    the profile have no length and drop out.
    """
    low, last = piece_at(px, n, xa, True), piece_at(px, n, xb, False)
    z0 = pz[low]
    moment, area = 0.0, 0.0
    if last > low + 1:  # whole pieces
        x_1, x_2, z_1, z_2 = px[low + 1 : last], px[low + 2 : last + 1], pz[low + 1 : last], pz[low + 2 : last + 1]
        for k in range(last - low - 1):
            x1, x2, z1, z2 = x_1[k] - xa, x_2[k] - xa, z_1[k] - z0, z_2[k] - z0
            area += (z1 + z2) * (x2 - x1)  # B of (2.5.3)
            moment += (z1 * (2.0 * x1 + x2) + z2 * (x1 + 2.0 * x2)) * (x2 - x1)  # A of (2.5.3), threefold
    k = low
    for _ in range(2):
        lo, hi = max(px[k], xa), min(px[k + 1], xb)
        if hi > lo:
            slope = (pz[k + 1] - pz[k]) / (px[k + 1] - px[k])
            z1, z2 = pz[k] + slope * (lo - px[k]) - z0, pz[k] + slope * (hi - px[k]) - z0
            x1, x2 = lo - xa, hi - xa
            area += (z1 + z2) * (x2 - x1)
            moment += (z1 * (2.0 * x1 + x2) + z2 * (x1 + 2.0 * x2)) * (x2 - x1)
        if last <= low:
            break
        k = last
    per_length = 1.0 / (xb - xa)
    area *= per_length
    moment *= per_length * per_length
    a = per_length * (2.0 * moment - 3.0 * area)
    b = 2.0 * area - moment
    return a, b + z0


@_step
def mean_g(ground: Array, xa: float, xb: float) -> float:
    """Mean ground factor between xa and xb, weighted with horizontal length (section 2.5.3).

    ``ground`` (n, 2): where each piece ends, its factor.
    """
    total, start = 0.0, 0.0
    for k in range(ground.shape[0]):
        total += ground[k, 1] * max(0.0, min(ground[k, 0], xb) - max(start, xa))
        start = ground[k, 0]
    return total / (xb - xa)


@_step
def seen_from_plane(
    a: float, b: float, xa: float, za: float, xb: float, zb: float
) -> tuple[float, float, float, float, float, float, float]:
    """Equivalent heights of A and B above mean plane a, b, d_p, and the mirror images of both.

    A negative height becomes 0; such a point is its own image.
    """
    per_root = 1.0 / math.sqrt(1.0 + a * a)
    h_a = max(0.0, (za - b) * per_root)
    h_b = max(0.0, (zb - b - a * (xb - xa)) * per_root)
    d_p = max(SHORTEST_M, abs(xb - xa + a * (zb - za)) * per_root)
    down_a, down_b = 2.0 * h_a * per_root, 2.0 * h_b * per_root
    return h_a, h_b, d_p, xa + down_a * a, za - down_a, xb + down_b * a, zb - down_b


@_step
def stretch(a: float, b: float, g: float, xa: float, za: float, xb: float, zb: float, info: Array, part: int) -> None:
    """:func:`seen_from_plane` for ground between A and B with mean ground factor g, into a row of ``info``."""
    h_a, h_b, d_p, x_a, z_a, x_b, z_b = seen_from_plane(a, b, xa, za, xb, zb)
    info[part, INFO_Z_A] = h_a
    info[part, INFO_Z_B] = h_b
    info[part, INFO_D_P] = d_p
    info[part, G_PATH] = g
    info[part, IMAGE_A] = x_a
    info[part, IMAGE_A + 1] = z_a
    info[part, IMAGE_B] = x_b
    info[part, IMAGE_B + 1] = z_b


@_step
def bent(xa: float, za: float, xb: float, zb: float, bend: float, exact: bool) -> float:
    """Length of the ray between two points; ``bend`` is 1 / (2 Gamma) or 0: 2 Gamma asin(chord / (2 Gamma)), (2.5.25).

    By the series of asin; beyond its reach (``ASIN_REACH``) only if it is called with ``exact``.
    """
    chord = math.sqrt((xb - xa) ** 2 + (zb - za) ** 2)
    if exact and chord * bend > ASIN_REACH:
        return math.asin(min(1.0, chord * bend)) / bend
    s = (chord * bend) ** 2
    more = 231.0 / 13312.0 + s * (143.0 / 10240.0 + s * (6435.0 / 557056.0))
    return chord * (
        1.0
        + s * (1.0 / 6.0 + s * (3.0 / 40.0 + s * (5.0 / 112.0 + s * (35.0 / 1152.0 + s * (63.0 / 2816.0 + s * more)))))
    )


@_step
def ray(xa: float, za: float, xb: float, zb: float, gamma: float) -> float:
    """Length of the ray between two points: chord, or arc of radius Gamma (2.5.25)."""
    if gamma == 0.0:
        return math.sqrt((xb - xa) ** 2 + (zb - za) ** 2)
    return bent(xa, za, xb, zb, 0.5 / gamma, True)


@_step
def rises_above(x: float, z: float, xa: float, za: float, xb: float, zb: float, gamma: float) -> bool:
    """Whether a point lies above the ray from A to B (A left of B)."""
    dx, dz = xb - xa, zb - za
    across = (z - za) * dx - (x - xa) * dz
    if gamma == 0.0:
        return across > GRAZING_M * (dx + abs(dz))
    if across <= 0.0:  # an arc runs above its chord
        return False
    # in the chord's own axes (u, v) the arc is u^2 + (v + h)^2 = Gamma^2 with h^2 = Gamma^2 - chord^2/4; all times
    # the chord squared
    square = dx * dx + dz * dz
    along, left = (x - xa) * dx + (z - za) * dz, (xb - x) * dx + (zb - z) * dz
    height = math.sqrt(max(0.0, square * (gamma * gamma - 0.25 * square)))
    return across * (across + 2.0 * height) - along * left > 2.0 * gamma * GRAZING_M * square


@_step
def edges_above(ex: Array, ez: Array, n: int, zs: float, length: float, zr: float, pick: IntArray) -> int:
    """Which of n edges rise above the straight ray from source to receiver; their number."""
    dz = zr - zs
    least = GRAZING_M * (length + abs(dz))
    found = 0
    for j in range(n):
        pick[found] = j
        found += (ez[j] - zs) * length - ex[j] * dz > least
    return found


@_step
def hull(
    ex: Array, ez: Array, pick: IntArray, n_pick: int, zs: float, length: float, zr: float, gamma: float,
    found: IntArray,
) -> int:  # fmt: skip
    """Of the edges ``pick`` those that the shortest convex ray over all of them touches; 0 if nothing blocks.

    Edges come with rising x. Upper hull by a monotone chain; for curved rays a hull of arcs, which may be built alike
    because two arcs of one radius meet at most once. An arc runs above its chord: edges off the straight hull are off
    the hull of arcs.
    """
    n = 0
    for m in range(n_pick + 1):
        x, z = (ex[pick[m]], ez[pick[m]]) if m < n_pick else (length, zr)
        while n > 0:
            top = found[n - 1]
            xp, zp = (ex[found[n - 2]], ez[found[n - 2]]) if n > 1 else (0.0, zs)
            if rises_above(ex[top], ez[top], xp, zp, x, z, gamma):
                break
            n -= 1
        if m < n_pick:
            found[n] = pick[m]
            n += 1
    return n


@_step
def signed_difference(
    over: float, direct: float, several: bool, xs: float, zs: float, x: float, z: float, xr: float, zr: float,
    gamma: float,
) -> float:  # fmt: skip
    """Path difference of a way ``over`` edges against the ``direct`` one. (2.5.26) to (2.5.28)

    Where a single edge (x, z) does not reach the straight ray it is negative.
    """
    z_line = zs + (zr - zs) * (x - xs) / (xr - xs)
    if several or z >= z_line:
        return over - direct
    if gamma == 0.0:
        return direct - over
    return 2.0 * (ray(xs, zs, x, z_line, gamma) + ray(x, z_line, xr, zr, gamma)) - over - direct


@_step
def one_edge(xs: float, zs: float, x: float, z: float, xr: float, zr: float, gamma: float) -> float:
    """Path difference over one edge; negative if it does not reach the ray. (2.5.26), (2.5.27)"""
    over = ray(xs, zs, x, z, gamma) + ray(x, z, xr, zr, gamma)
    return signed_difference(over, ray(xs, zs, xr, zr, gamma), False, xs, zs, x, z, xr, zr, gamma)


@_step
def closest_edge(
    ex: Array, ez: Array, n: int, zs: float, length: float, zr: float, gamma: float, least: float
) -> tuple[int, float]:
    """Of n edges that do not block, the one with the largest path difference above ``least``; -1 if none has.

    An edge v below the straight ray of length d, with its foot at u, has a detour of at least v^2 / (2 u + v) +
    v^2 / (2 (d - u) + v). (2.5.27) lies above minus the detour by less than 1/250 of the depth, since each arc grows
    with its chord by less than 1/500 more than the chord does. What cannot win by this is passed over.
    """
    dz = zr - zs
    d = math.sqrt(length * length + dz * dz)
    ux, uz = length / d, dz / d
    slack = 0.004 / ux if gamma > 0.0 else 0.0
    best, delta = -1, least
    for j in range(n):
        x, z = ex[j], ez[j] - zs
        v = x * uz - z * ux
        u = x * ux + z * uz
        reach = (2.0 * u + v) * (2.0 * (d - u) + v)
        if v > 0.0 and 0.0 < u < d and v * v * (2.0 * d + 2.0 * v) >= (v * slack - delta) * reach:
            continue
        found = one_edge(0.0, zs, x, ez[j], length, zr, gamma)
        if found > delta:
            best, delta = j, found
    return best, delta


@_step
def ray_radius(d: float) -> float:
    """Gamma of (2.5.24) for a path of length d."""
    return max(1000.0, 8.0 * d)


@_step
def add_edge(ex: Array, ez: Array, n: int, x: float, z: float) -> int:
    """Append an edge at the rising distance x; of two at one place the higher stays. Returns the new number."""
    if n > 0 and x - ex[n - 1] < SHORTEST_M:
        ez[n - 1] = max(ez[n - 1], z)
        return n
    ex[n] = x
    ez[n] = z
    return n + 1


@_step
def box_end(edge: Array, n: int, j: int) -> int:
    """Where a path leaves the building that it enters at edge j, as a row of ``edge``; -1 if it enters none there."""
    if edge[j, KIND] != BUILDING:
        return -1
    entering = True
    for m in range(j):
        if edge[m, KIND] == BUILDING and edge[m, OWNER] == edge[j, OWNER]:
            entering = not entering
    if entering:
        for m in range(j + 1, n):
            if edge[m, KIND] == BUILDING and edge[m, OWNER] == edge[j, OWNER]:
                return m
    return -1


@_step
def add_box(
    gx: Array, gz: Array, k: int, x1: float, x2: float, top: float, px: Array, pz: Array, n: int
) -> int:  # fmt: skip
    """Append the corners of a building that ends before ground point k; returns the new number of points."""
    for side in range(2):
        x = x1 if side == 0 else x2
        m = k
        while m > 1 and gx[m - 1] > x:
            m -= 1
        z = gz[m]
        if gx[m] > gx[m - 1]:
            z = gz[m - 1] + (z - gz[m - 1]) * (x - gx[m - 1]) / (gx[m] - gx[m - 1])
        px[n], px[n + 1] = x, x
        pz[n + side], pz[n + 1 - side] = z, top
        n += 2
    return n


@_step
def bends_down(gx: Array, gz: Array, n: int, k: int) -> bool:
    """Whether the ground bends downward at an inner point: a ridge, a shoulder, the upper end of a wall."""
    if k == 0 or k == n - 1:
        return False
    x, z = gx[k], gz[k]
    x0, z0, x2, z2 = gx[k - 1], gz[k - 1], gx[k + 1], gz[k + 1]
    if (x0 == x and z0 == z) or (x2 == x and z2 == z):  # a point that comes twice is one: its last row counts
        if x2 == x and z2 == z:
            return False
        m = k - 1
        while m > 0 and gx[m] == x and gz[m] == z:
            m -= 1
        x0, z0 = gx[m], gz[m]
    return SHORTEST_M < x < gx[n - 1] - SHORTEST_M and (x - x0) * (z2 - z) - (x2 - x) * (z - z0) < -BEND_M2


@_step
def find_boxes(edge: Array, boxes: Array) -> int:
    """Buildings that stand on the ground, (n, 3): from, to, height of the top; their number.

    What two of them share belongs to the first; one that lies within another is left out.
    """
    n_objects, n, end = edge.shape[0], 0, 0.0
    for j in range(n_objects):
        last = box_end(edge, n_objects, j)
        if last >= 0 and edge[last, PLACE] > max(end, edge[j, PLACE]):
            boxes[n, 0] = max(end, edge[j, PLACE])
            end = edge[last, PLACE]
            boxes[n, 1] = end
            boxes[n, 2] = edge[j, TOP_Z]
            n += 1
    return n


@_step
def lay_boxes(gx: Array, gz: Array, n_ground: int, boxes: Array, n_boxes: int, px: Array, pz: Array) -> int:
    """Points (px, pz) of the ground with buildings on it, through which mean planes are laid; their number."""
    n, k = 0, 0
    for box in range(n_boxes):
        begin, end = boxes[box, 0], boxes[box, 1]
        while gx[k] <= begin:
            px[n], pz[n] = gx[k], gz[k]
            n += 1
            k += 1
        while gx[k] < end:
            k += 1
        n = add_box(gx, gz, k, begin, end, boxes[box, 2], px, pz, n)
    rest = n_ground - k
    x_from, z_from, x_to, z_to = gx[k:n_ground], gz[k:n_ground], px[n : n + rest], pz[n : n + rest]
    for m in range(rest):
        x_to[m] = x_from[m]
    for m in range(rest):
        z_to[m] = z_from[m]
    return n + rest


@_step
def apart(profile: Array, gx: Array, gz: Array) -> int:
    """Distances and heights of the ground by themselves; number of points."""
    n = profile.shape[0]
    for k in range(n):
        gx[k] = profile[k, 0]
    for k in range(n):
        gz[k] = profile[k, 1]
    return n


@_step
def all_bends(gx: Array, gz: Array, n: int, pick: IntArray) -> int:
    """Ground points at which the ground may bend downward (:func:`bends_down` decides); their number."""
    found = 0
    for k in range(1, n - 1):
        x, z, x0, z0 = gx[k], gz[k], gx[k - 1], gz[k - 1]
        down = (x - x0) * (gz[k + 1] - z) - (gx[k + 1] - x) * (z - z0) < -BEND_M2
        pick[found] = k
        found += down | ((x == x0) & (z == z0))
    return found


@_step
def points_over(
    gx: Array, gz: Array, n_ground: int, ox: Array, oz: Array, n: int, zs: float, length: float, zr: float,
    rise: Array, pick: IntArray,
) -> int:  # fmt: skip
    """Ground points that rise above the convex line from the source over n edges (ox, oz) to the receiver; how many.

    What lies above it lies above one of its pieces.
    """
    xa, za = 0.0, zs
    for m in range(n + 1):
        xb, zb = (ox[m], oz[m]) if m < n else (length, zr)
        slope = (zb - za) / (xb - xa)
        base = za - slope * xa - NEARLY_M
        if m == 0:
            for k in range(n_ground):
                rise[k] = gz[k] - (base + slope * gx[k])
        else:
            for k in range(n_ground):
                rise[k] = max(rise[k], gz[k] - (base + slope * gx[k]))
        xa, za = xb, zb
    found = 0
    for k in range(1, n_ground - 1):
        pick[found] = k
        found += rise[k] > 0.0
    return found


@_step
def own_edges(edge: Array, length: float, ox: Array, oz: Array) -> int:
    """Edges (ox, oz) of objects, by rising distance and strictly between source and receiver; their number."""
    n = 0
    for j in range(edge.shape[0]):
        if SHORTEST_M < edge[j, PLACE] < length - SHORTEST_M:
            n = add_edge(ox, oz, n, edge[j, PLACE], edge[j, TOP_Z])
    return n


@_step
def merge_edges(
    ox: Array, oz: Array, n_objects: int, gx: Array, gz: Array, n_ground: int, boxes: Array, n_boxes: int,
    pick: IntArray, n_pick: int, ex: Array, ez: Array,
) -> int:  # fmt: skip
    """Edges of objects and those ground points ``pick``, not hidden by a building, at which the ground bends downward.

    By rising distance; their number.
    """
    n, j, box = 0, 0, 0
    for m in range(n_pick):
        x = gx[pick[m]]
        while box < n_boxes and boxes[box, 1] <= x:
            box += 1
        hidden = box < n_boxes and boxes[box, 0] < x
        if hidden or not bends_down(gx, gz, n_ground, pick[m]):
            continue
        while j < n_objects and ox[j] <= x:
            n = add_edge(ex, ez, n, ox[j], oz[j])
            j += 1
        n = add_edge(ex, ez, n, x, gz[pick[m]])
    while j < n_objects:
        n = add_edge(ex, ez, n, ox[j], oz[j])
        j += 1
    return n


@_step
def lay_out(
    profile: Array, edge: Array, boxes: Array, work: Array, pick: IntArray, px: Array, pz: Array, ex: Array, ez: Array
) -> tuple[int, int]:
    """Lay buildings on the ground and find all edges that may diffract, both by rising distance.

    ``profile`` (n, 2) and ``edge`` (m, 7) are rows of one path as in :class:`lineside.scene.cuts.VerticalCuts`. Edges
    are the objects' own and those points of the ground, not hidden by a building, at which it bends downward.

    Returns
    -------
    n_profile, n_edges
        Points (px, pz) through which mean planes are laid and edges (ex, ez) strictly between source and receiver.
    """
    gx, gz, ox, oz = work[0], work[1], work[2], work[3]
    n_ground, n_boxes = apart(profile, gx, gz), find_boxes(edge, boxes)
    n = lay_boxes(gx, gz, n_ground, boxes, n_boxes, px, pz)
    n_objects = own_edges(edge, gx[n_ground - 1], ox, oz)
    n_pick = all_bends(gx, gz, n_ground, pick)
    return n, merge_edges(ox, oz, n_objects, gx, gz, n_ground, boxes, n_boxes, pick, n_pick, ex, ez)


@_step
def hulls(
    ex: Array, ez: Array, n: int, lowest: int, z_rail: float, heights: Array, length: float, zr: float,
    straight: IntArray, curved: IntArray, n_hull: IntArray,
) -> bool:  # fmt: skip
    """Edges of the hull from each source height, of straight rays and of arcs, and their numbers (n_heights, 2).

    The first n of row ``lowest`` of ``straight`` are the edges to start from. The hull from a higher source at the same
    place is the latter part of that from the lowest. Returns whether every ray is blocked.
    """
    blocked = True
    for m in range(heights.size):
        h = lowest if m == 0 else m - 1 if m <= lowest else m
        zs = z_rail + heights[h]
        n_hull[h, 0] = hull(ex, ez, straight[lowest], n, zs, length, zr, 0.0, straight[h])
        n = n_hull[lowest, 0]
        gamma = ray_radius(math.sqrt(length * length + (zr - zs) ** 2))
        n_hull[h, 1] = hull(ex, ez, straight[h], n_hull[h, 0], zs, length, zr, gamma, curved[h])
        blocked = blocked and n_hull[h, 1] > 0
    return blocked


@_step
def find_edges(
    edge: Array, gx: Array, gz: Array, n_ground: int, boxes: Array, n_boxes: int, lowest: int, z_rail: float,
    heights: Array, zr: float, work: Array, pick: IntArray, ex: Array, ez: Array, straight: IntArray,
    curved: IntArray, n_hull: IntArray,
) -> int:  # fmt: skip
    """Those edges of :func:`lay_out` that the source heights ask for, and their hulls; number of edges.

    What lies below the hull of the objects alone, seen from the lowest source, lies below the hulls from all, and is
    left out if all rays are blocked. Where one is not, any edge may be the one closest to it.
    """
    ox, oz, rise = work[2], work[3], work[4]
    low, length = z_rail + heights[lowest], gx[n_ground - 1]
    n_objects = own_edges(edge, length, ox, oz)
    over = edges_above(ox, oz, n_objects, low, length, zr, pick)
    over = hull(ox, oz, pick, over, low, length, zr, 0.0, straight[lowest])
    for m in range(over):
        ex[m], ez[m] = ox[straight[lowest, m]], oz[straight[lowest, m]]
    n_pick = points_over(gx, gz, n_ground, ex, ez, over, low, length, zr, rise, pick)
    n = over
    if n_pick > 0:
        for m in range(over):  # in place: m <= straight[lowest, m]
            rise[m], work[5, m] = ex[m], ez[m]
        n = merge_edges(rise, work[5], over, gx, gz, n_ground, boxes, n_boxes, pick, n_pick, ex, ez)
    for m in range(n):
        straight[lowest, m] = m
    if not hulls(ex, ez, n, lowest, z_rail, heights, length, zr, straight, curved, n_hull):
        n_pick = all_bends(gx, gz, n_ground, pick)
        n = merge_edges(ox, oz, n_objects, gx, gz, n_ground, boxes, n_boxes, pick, n_pick, ex, ez)
        over = edges_above(ex, ez, n, low, length, zr, straight[lowest])
        hulls(ex, ez, over, lowest, z_rail, heights, length, zr, straight, curved, n_hull)
    return n


N_WORK = 6  # rows of room for one path: ground, edges of objects, what is above them

#: Columns of the memory of one path: mean plane a, b and G, below 0 if not yet known. Rows: the whole path, then the
#: source side of each edge, then the receiver's side of each.
PLANE_A, PLANE_B, PLANE_G = range(3)


@_step
def plane_of(
    px: Array, pz: Array, n_profile: int, ground: Array, xa: float, xb: float, memory: Array, row: int
) -> None:
    """Mean plane and mean ground factor of the ground from xa to xb, into a row of ``memory`` unless they are there."""
    if memory[row, PLANE_G] < 0.0:
        memory[row, PLANE_A], memory[row, PLANE_B] = mean_plane(px, pz, n_profile, xa, xb)
        memory[row, PLANE_G] = mean_g(ground, xa, xb)


@_step
def fill(t: Array, part: int, lane: int, g_s: float, curved: bool, info: Array, row: int) -> None:
    """Put a stretch of ground into its lane."""
    t[part + G + lane] = info[row, G_PATH]
    t[part + G_S + lane] = g_s
    t[part + Z_A + lane] = info[row, INFO_Z_A]
    t[part + Z_B + lane] = info[row, INFO_Z_B]
    t[part + D_P + lane] = info[row, INFO_D_P]
    t[part + CURVED + lane] = 1.0 if curved else 0.0


@_step
def boundary(
    t: Array, band: Array, items: IntArray, count: IntArray, px: Array, pz: Array, n_profile: int, ground: Array,
    ex: Array, ez: Array, n_edges: int, zs: float, length: float, zr: float, g_s: float, gamma: float, n: int,
    report: bool, found: IntArray, memory: Array, info: Array,
) -> int:  # fmt: skip
    """Geometry of A_boundary of one item: its lanes, and which of its bands are diffracted.

    Profile (px, pz) and edges (ex, ez) from :func:`lay_out`; the first n of ``found`` are the edges of the hull.
    ``info`` (3, 8) receives whole path, source side and receiver's side, all of them only with ``report``. ``memory``
    (1 + 2 n_edges, 3) keeps the mean planes of the path; start with -1 in its last column.

    Returns
    -------
    n
        Edges used (their indices in ``found``, 0 if no band is diffracted).
    """
    curved = gamma > 0.0
    blocked = n > 0
    delta, bands = 0.0, 0
    if not blocked and n_edges > 0:
        found[0], delta = closest_edge(ex, ez, n_edges, zs, length, zr, gamma, -band[0, WAVELENGTH] / 20.0)
        n = 1 if found[0] >= 0 else 0
    if n > 0:
        first, last = found[0], found[n - 1]
        near, far = 1 + first, 1 + n_edges + last
        plane_of(px, pz, n_profile, ground, 0.0, ex[first], memory, near)
        plane_of(px, pz, n_profile, ground, ex[last], length, memory, far)
        bands = ALL_BANDS
        if not blocked or report:
            a, b, g = memory[near, PLANE_A], memory[near, PLANE_B], memory[near, PLANE_G]
            stretch(a, b, g, 0.0, zs, ex[first], ez[first], info, BEFORE)
            a, b, g = memory[far, PLANE_A], memory[far, PLANE_B], memory[far, PLANE_G]
            stretch(a, b, g, ex[last], ez[last], length, zr, info, BEHIND)
        if not blocked:
            xi, zi = info[BEFORE, IMAGE_A], info[BEFORE, IMAGE_A + 1]
            xj, zj = info[BEHIND, IMAGE_B], info[BEHIND, IMAGE_B + 1]
            bands = 0
            mirrored = one_edge(xi, zi, ex[first], ez[first], xj, zj, gamma)
            for i in range(N_BANDS):
                lam = band[i, WAVELENGTH]
                if delta > -lam / 20.0 and delta > lam / 4.0 - mirrored:
                    bands |= 1 << i
    item = count[ITEMS]
    items[item, LANE_WHOLE], items[item, LANE_EDGE], items[item, BANDS] = 0, 0, bands
    if bands < ALL_BANDS or report:
        plane_of(px, pz, n_profile, ground, 0.0, length, memory, 0)
        stretch(
            memory[0, PLANE_A], memory[0, PLANE_B], memory[0, PLANE_G], 0.0, zs, length, zr, info, WHOLE_PATH
        )  # fmt: skip
        fill(t, WHOLE, count[WHOLES], g_s, curved, info, WHOLE_PATH)
        items[item, LANE_WHOLE] = count[WHOLES]
        count[WHOLES] += 1
    if bands == 0:
        return 0
    e = 0.0
    for m in range(n - 1):
        e += ray(ex[found[m]], ez[found[m]], ex[found[m + 1]], ez[found[m + 1]], gamma)
    lane, first, last = count[EDGES], found[0], found[n - 1]
    near, far = 1 + first, 1 + n_edges + last
    t[FIRST_X + lane], t[FIRST_Z + lane], t[LAST_X + lane], t[LAST_Z + lane] = ex[first], ez[first], ex[last], ez[last]
    t[BETWEEN + lane], t[PER_E + lane] = e, (1.0 / e if e > 0.3 else 0.0)
    t[SOURCE_Z + lane], t[LENGTHS + lane], t[RECEIVER_Z + lane] = zs, length, zr
    t[SLOPE_1 + lane], t[BASE_1 + lane] = memory[near, PLANE_A], memory[near, PLANE_B]
    t[SLOPE_2 + lane], t[BASE_2 + lane] = memory[far, PLANE_A], memory[far, PLANE_B]
    t[BEND + lane], t[SEVERAL + lane] = (0.5 / gamma if curved else 0.0), (1.0 if n > 1 else 0.0)
    t[SOURCE_SIDE + G + lane], t[RECEIVER_SIDE + G + lane] = memory[near, PLANE_G], memory[far, PLANE_G]
    t[SOURCE_SIDE + G_S + lane], t[RECEIVER_SIDE + G_S + lane] = g_s, -1.0
    t[SOURCE_SIDE + CURVED + lane] = t[RECEIVER_SIDE + CURVED + lane] = 1.0 if curved else 0.0
    items[item, LANE_EDGE] = lane
    count[EDGES] += 1
    return n


@_step
def flat_ground(
    t: Array,
    items: IntArray,
    count: IntArray,
    g: float,
    g_s: float,
    z_s: float,
    z_r: float,
    length: float,
    curved: bool,
) -> None:
    """Lane of an item over a plain without edges."""
    lane, item = count[WHOLES], count[ITEMS]
    t[WHOLE + G + lane], t[WHOLE + G_S + lane], t[WHOLE + D_P + lane] = g, g_s, length
    t[WHOLE + Z_A + lane], t[WHOLE + Z_B + lane] = max(0.0, z_s), max(0.0, z_r)
    t[WHOLE + CURVED + lane] = 1.0 if curved else 0.0
    items[item, LANE_WHOLE], items[item, LANE_EDGE], items[item, BANDS] = lane, 0, 0
    count[WHOLES] += 1


@_step
def height_over(ex: Array, ez: Array, found: IntArray, n: int, zs: float, length: float, zr: float, x: float) -> float:
    """Height at x of the straight pieces from the source over the first n edges of ``found`` to the receiver. [m]"""
    xa, za, xb, zb = 0.0, zs, length, zr
    for j in range(n):
        if ex[found[j]] > x:
            xb, zb = ex[found[j]], ez[found[j]]
            break
        xa, za = ex[found[j]], ez[found[j]]
    return za + (zb - za) * (x - xa) / (xb - xa) if xb > xa else za


@_jit
def reflection(
    band: Array, mirror: Array, absorption: Array, ex: Array, ez: Array, found: IntArray, n: int, zs: float,
    length: float, zr: float, factors: Array,
) -> None:  # fmt: skip
    """What all walls of a path leave of its energy, (2, 8): where a band is not diffracted and where it is; (2.5.38).

    ``mirror`` (m, 6) as in :class:`lineside.scene.cuts.VerticalCuts`, ``absorption`` (n_reflectors, 8); the first n of
    ``found`` are the edges in use: the first one behind a wall stands for the receiver in (2.5.36). Straight lengths in
    both states. (2.5.36) is written for rays that meet the wall; where the straight ray runs above the top, delta' is
    taken as positive, so that the loss is 4.8 dB at the top from both sides and goes on rising above it. A path that
    passes below the foot of a wall, drawn straight from the source over the edges in use to the receiver, does not meet
    it: nothing is left.
    """
    factors[:] = 1.0
    for m in range(mirror.shape[0]):
        x, top, row = mirror[m, MIRROR_PLACE], mirror[m, MIRROR_TOP_Z], int(mirror[m, REFLECTOR])
        free = -one_edge(0.0, zs, x, top, length, zr, 0.0)
        to_edge = free
        for j in range(n):
            if ex[found[j]] > x + SHORTEST_M:
                to_edge = -one_edge(0.0, zs, x, top, ex[found[j]], ez[found[j]], 0.0)
                break
        z_ray = zs + (zr - zs) * x / length
        z_over = max(z_ray, height_over(ex, ez, found, n, zs, length, zr, x))
        foot = mirror[m, MIRROR_BASE_Z] - BELOW_WALL_M
        for i in range(N_BANDS):
            kept = 1.0 - absorption[row, i]
            if z_ray < foot:
                factors[0, i] = 0.0
            if z_over < foot:
                factors[1, i] = 0.0
            factors[0, i] *= kept / pure_diffraction(band[i, PER_WAVE] * free)
            factors[1, i] *= kept / pure_diffraction(band[i, PER_WAVE] * to_edge)


@_jit
def body_image(
    band: Array, n: int, d_b: float, h_b: float, h_s: float, x_r: float, h_r: float, edge: Array, walls: Array
) -> float:
    """One image source between train body and barrier (section 2.5.6, train bodies).

    Section across the track, from the rail head next to the barrier: body at 0, top of the barrier (d_b, h_b), source
    (0, h_s), receiver (x_r, h_r). ``edge`` (8,) receives 10^(D_n/10), ``walls`` (8,) the retrodiffraction of all n
    reflections at the barrier. Returns 10^(Delta L_geo/10).

    delta' is negative as it is printed, also where the ray from an image to a receiver higher than the top runs above
    mirrored tops near the barrier (our reading; for walls of :func:`reflection` such rays get a positive one). It is
    positive for sources above the top, of which no ray meets the barrier.
    """
    sign = -1.0 if h_s <= h_b else 1.0
    x_n = -2.0 * n * d_b
    delta = one_edge(x_n, h_s, d_b, h_b, x_r, h_r, 0.0)
    for i in range(N_BANDS):
        edge[i] = pure_diffraction(band[i, PER_WAVE] * delta)
        walls[i] = 1.0
    z = max(h_r, h_s + (h_b - h_s) * (x_r - x_n) / (d_b - x_n))
    for m in range(1, n + 1):
        x = -(2.0 * m - 1.0) * d_b
        delta = sign * (ray(x_n, h_s, x, h_b, 0.0) + ray(x, h_b, x_r, z, 0.0) - ray(x_n, h_s, x_r, z, 0.0))
        if band[0, PER_WAVE] * delta >= -2.0:
            for i in range(N_BANDS):
                walls[i] *= pure_diffraction(band[i, PER_WAVE] * delta)
    return (x_r * x_r + (h_r - h_s) ** 2) / ((x_r - x_n) ** 2 + (h_r - h_s) ** 2)


@_jit
def train_body(
    band: Array, alpha: Array, d_b: float, h_b: float, h_s: float, x_r: float, h_r: float, c_ref: float, most: int,
    all_of_them: bool, gain: Array,
) -> int:  # fmt: skip
    """Equivalent source between train body and barrier: 10^((L_W,eq - L_W)/10) into ``gain`` (8,); number of images.

    Images are added until no band gains 0.01 dB from the last one, at most ``most`` and with ``all_of_them`` just as
    many. Bands in which the barrier absorbs more than 0.8 (``alpha``, (8,)) keep the source as it is, and all do if it
    stands further away than five times its height above the rails.
    """
    gain[:] = 1.0
    if d_b <= 0.0 or d_b > BODY_REACH * h_b or x_r <= d_b:
        return 0
    direct, edge, walls, kept = np.empty(N_BANDS), np.empty(N_BANDS), np.empty(N_BANDS), np.ones(N_BANDS)
    body_image(band, 0, d_b, h_b, h_s, x_r, h_r, direct, walls)
    for n in range(1, most + 1):
        near = body_image(band, n, d_b, h_b, h_s, x_r, h_r, edge, walls)
        more = all_of_them
        for i in range(N_BANDS):
            if alpha[i] <= ABSORBING:
                kept[i] *= (1.0 - alpha[i]) * c_ref
                term = near * kept[i] * direct[i] / (edge[i] * walls[i])
                more = more or term >= TERM_ENERGY * gain[i]
                gain[i] += term
        if not more:
            return n
    return most


#: Sections between train body and barrier are rounded to these steps, so that equal ones are computed once.
BODY_STEP_M, BODY_STEP_HEIGHT_M, BODY_STEP_LOG = 0.005, 0.002, 0.002
BODY_CACHE = 1024


@_jit
def kept_train_body(
    band: Array, absorption: Array, row: int, d_b: float, h_b: float, h_s: float, d_r: float, h_r: float, c_ref: float,
    keys: IntArray, values: Array,
) -> int:  # fmt: skip
    """:func:`train_body` for a section rounded to 5 mm across, 2 mm in height, 1/500 of the way behind the barrier.

    Returns the row of ``values`` where it stands, new or from before.
    """
    i_d, i_b = round(d_b / BODY_STEP_M), round(h_b / BODY_STEP_HEIGHT_M)
    i_s, i_r = round(h_s / BODY_STEP_HEIGHT_M), round(h_r / BODY_STEP_HEIGHT_M)
    i_x = round(math.log(max(d_r, 0.01)) / BODY_STEP_LOG)
    at = (((((row * 31 + i_d) * 31 + i_b) * 31 + i_s) * 31 + i_r) * 31 + i_x) % BODY_CACHE
    known = keys[at, 0] == row and keys[at, 1] == i_d and keys[at, 2] == i_b
    if known and keys[at, 3] == i_s and keys[at, 4] == i_r and keys[at, 5] == i_x:
        return at
    d_b = i_d * BODY_STEP_M
    x_r = d_b + math.exp(i_x * BODY_STEP_LOG)
    h_b, h_s, h_r = i_b * BODY_STEP_HEIGHT_M, i_s * BODY_STEP_HEIGHT_M, i_r * BODY_STEP_HEIGHT_M
    train_body(band, absorption[row], d_b, h_b, h_s, x_r, h_r, c_ref, MOST_IMAGES, False, values[at])
    keys[at, 0], keys[at, 1], keys[at, 2], keys[at, 3], keys[at, 4], keys[at, 5] = row, i_d, i_b, i_s, i_r, i_x
    return at


@_step
def faces_train(path: Array, edge: Array) -> bool:
    """Whether an edge that a path meets before any wall runs along the track, within 15 degrees."""
    turn = edge[SINE] * path[TRACK_COSINE] - edge[COSINE] * path[TRACK_SINE]
    return abs(turn) <= BODY_TURN * math.hypot(edge[SINE], edge[COSINE])


@_step
def highest_ground(profile: Array, x: float) -> float:
    """Highest ground of a path from its source to the distance x. [m]"""
    z = profile[0, 1]
    for k in range(1, profile.shape[0]):
        x0, x1 = profile[k - 1, 0], profile[k, 0]
        if x1 > x + SHORTEST_M:
            if x > x0:
                z = max(z, profile[k - 1, 1] + (profile[k, 1] - profile[k - 1, 1]) * (x - x0) / (x1 - x0))
            break
        z = max(z, profile[k, 1])
    return z


@_jit
def reflected_rows(path: Array, mirror: Array, rows: IntArray) -> int:
    """Number the paths by way of walls that are high and wide enough as seen from the ray; -1 for all others.

    Direct paths get -1, paths left out because of a small wall -2. Returns how many were numbered.
    """
    n, start = 0, 0
    for j in range(path.shape[0]):
        end = int(path[j, MIRRORS_TO])
        rows[j] = -1
        if end > start:
            rows[j] = n
            for m in range(start, end):
                if mirror[m, MIRROR_TOP_Z] - mirror[m, MIRROR_BASE_Z] < SMALLEST_M:
                    rows[j] = -2
                if mirror[m, MIRROR_WIDTH] * mirror[m, INCIDENCE_COSINE] < SMALLEST_M:
                    rows[j] = -2
            if rows[j] >= 0:
                n += 1
        start = end
    return n


@_jit
def most_rows(path: Array, column: int) -> int:
    """Largest number of rows that one path has in a table."""
    most, start = 0, 0
    for j in range(path.shape[0]):
        end = int(path[j, column])
        most = max(most, end - start)
        start = end
    return most


@_jit
def transfer(
    first: IntArray, path: Array, profile: Array, ground: Array, edge: Array, mirror: Array, source_z: Array,
    source_g: Array, heights: Array, receiver_z: Array, absorption: Array, body_row: IntArray, body_absorption: Array,
    rail_offset: float, c_ref: float, rows: IntArray, band: Array, out: Array, reflected: Array,
) -> None:  # fmt: skip
    """10^(-A/10) along all paths of all pairs, for every source height and both states.

    The first arrays are those of :class:`lineside.scene.cuts.VerticalCuts`; ``source_z`` and ``source_g`` (n_points,)
    rails and ground factor G_s of the source area, ``receiver_z`` (n_receivers,), ``absorption`` (n_reflectors, 8) of
    walls. ``body_row`` (n_barrier_segments,) is the row of ``body_absorption`` (k, 8) with which a barrier throws sound
    back to a train body whose side stands ``rail_offset`` from the track's axis and reflects the share ``c_ref``, -1
    where it does not. ``rows`` from :func:`reflected_rows`, ``band`` from :func:`band_table`.

    ``out`` (n_pairs, 2 n_heights, 8) receives the direct paths, ``reflected`` (n, 2 n_heights, 8) the others, both with
    the states next to each other. No path depends on another.
    """
    n_points, n_heights = source_z.size, heights.size
    n_objects = most_rows(path, EDGES_TO)
    n_around = most_rows(path, PROFILE_TO) + 2 * n_objects + 4
    px, pz, ex, ez = np.empty(n_around), np.empty(n_around), np.empty(n_around), np.empty(n_around)
    boxes, memory, info = np.empty((n_objects + 1, 3)), np.empty((2 * n_around + 1, 3)), np.zeros((3, 8))
    work = np.empty((N_WORK, n_around))
    gx, gz, lowest = work[0], work[1], np.argmin(heights)
    pick, n_hull = np.empty(n_around, np.int64), np.zeros((n_heights, 2), np.int64)
    straight, curved = np.empty((n_heights, n_around), np.int64), np.empty((n_heights, n_around), np.int64)
    n_kept = BODY_CACHE if body_absorption.shape[0] > 0 else 0
    keys, values = np.full((n_kept, 6), -1, np.int64), np.empty((n_kept, N_BANDS))
    t, count = tile(), np.zeros(4, np.int64)
    items, factors = np.zeros((TILE, N_COLUMNS), np.int64), np.ones((TILE, 2, N_BANDS))
    p0, g0, e0, m0 = 0, 0, 0, 0
    out[:] = 0.0
    reflected[:] = 0.0
    for k in range(first.size - 1):
        zr, z_rail, g_s = receiver_z[k // n_points], source_z[k % n_points], source_g[k % n_points]
        for j in range(first[k], first[k + 1]):
            p1, g1 = int(path[j, PROFILE_TO]), int(path[j, GROUND_TO])
            e1, m1 = int(path[j, EDGES_TO]), int(path[j, MIRRORS_TO])
            row, length = rows[j], path[j, LENGTH]
            below, objects = ground[g0:g1], edge[e0:e1]
            flat = p1 - p0 == 2 and e1 == e0 and profile[p0, 1] == profile[p0 + 1, 1]
            n, n_edges, g, z0, body, d_b, d_r, h_b = 0, 0, 0.0, profile[p0, 1], -1, 0.0, 0.0, 0.0
            foot = -math.inf
            if row == -2:
                pass
            elif flat:
                g = mean_g(below, 0.0, length)
            else:
                n_ground, n_boxes = apart(profile[p0:p1], gx, gz), find_boxes(objects, boxes)
                n = lay_boxes(gx, gz, n_ground, boxes, n_boxes, px, pz)
                n_edges = find_edges(
                    objects, gx, gz, n_ground, boxes, n_boxes, lowest, z_rail, heights, zr, work, pick, ex, ez,
                    straight, curved, n_hull,
                )  # fmt: skip
                for i in range(1 + 2 * n_edges):
                    memory[i, PLANE_G] = -1.0
                meets = e1 > e0 and objects[0, KIND] == BARRIER
                if m1 > m0:
                    meets = meets and objects[0, PLACE] < mirror[m0, MIRROR_PLACE] - SHORTEST_M
                if meets and faces_train(path[j], objects[0]):
                    d_b = objects[0, PLACE] * path[j, TRACK_SINE] - rail_offset
                    d_r = (length - objects[0, PLACE]) * path[j, TRACK_SINE]
                    h_b = objects[0, TOP_Z] - z_rail
                    if 0.0 < d_b <= BODY_REACH * h_b:
                        body = body_row[int(objects[0, OWNER])]
                        foot = highest_ground(profile[p0:p1], objects[0, PLACE])
            for h in range(n_heights if row > -2 else 0):
                if count[ITEMS] + 2 > TILE:
                    flush(t, band, items, count, factors, out, reflected)
                zs = z_rail + heights[h]
                d = math.sqrt(length * length + (zr - zs) ** 2)
                near = count[NEARS]
                t[DISTANCE + near] = d
                count[NEARS] += 1
                kept, facing = 0, body >= 0 and foot <= zs + GRAZING_M
                if facing:
                    h_r = zr - z_rail
                    kept = kept_train_body(
                        band, body_absorption, body, d_b, h_b, heights[h], d_r, h_r, c_ref, keys, values
                    )
                for state in range(2):
                    item, used, found = count[ITEMS], n_hull[h, state], straight[h] if state == 0 else curved[h]
                    if flat:
                        flat_ground(t, items, count, g, g_s, zs - z0, zr - z0, length, state == 1)
                    else:
                        gamma = ray_radius(d) if state == 1 else 0.0
                        used = boundary(
                            t, band, items, count, px, pz, n, below, ex, ez, n_edges, zs, length, zr, g_s, gamma, used,
                            False, found, memory, info,
                        )  # fmt: skip
                    t[SHARES + item] = path[j, SHARE]
                    items[item, LANE_NEAR], items[item, SLOT] = near, 2 * h + state
                    items[item, REFLECTED], items[item, FACTORS] = 0, 0
                    items[item, TARGET] = k
                    if row >= 0:
                        items[item, TARGET], items[item, REFLECTED], items[item, FACTORS] = row, 1, 1
                        reflection(band, mirror[m0:m1], absorption, ex, ez, found, used, zs, length, zr, factors[item])
                    elif facing:
                        items[item, FACTORS] = 1
                        factors[item] = 1.0
                    if facing:
                        for i in range(N_BANDS):
                            factors[item, 0, i] *= values[kept, i]
                            factors[item, 1, i] *= values[kept, i]
                    count[ITEMS] += 1
            p0, g0, e0, m0 = p1, g1, e1, m1
    flush(t, band, items, count, factors, out, reflected)

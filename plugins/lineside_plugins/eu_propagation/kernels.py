"""The formulas of propagation, compiled.

Every function works on plain numbers and small arrays, in the energy domain: an attenuation A is held as the factor
10^(-A/10), so that the ground effect is a product and needs no logarithm. :func:`..cut.vertical_cut` and the
calculator run the same functions. They stand in one file because numba's on-disk cache notices changes of the
file that it compiled, not of the files that this one imports.

Equation numbers: Directive 2002/49/EC, Annex II (as amended by (EU) 2021/1226), section 2.5. Symbols as there:
z heights, G ground factor, delta path difference, Gamma radius of curved rays (0 here means straight rays).
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit, prange
from numpy.typing import NDArray

from lineside.acoustics.bands import OCTAVES_HZ, Array
from lineside.scene.model import IntArray

SOUND_SPEED_M_S = 340.0
CAP = 10.0**2.5  # 25 dB, the largest pure diffraction
SPREADING = 10.0**-1.1  # (2.5.12)
LN10 = math.log(10.0)
GRAZING_M = 1e-9  # an edge must rise above a ray by more than this to block it
SHORTEST_M = 1e-6  # keeps divisions by d_p finite
G_STEP, MOST_STEPS = 0.1, 10  # a piece of track is split where G_path changes by more along it,
SPLIT_RATIO = 0.05  # unless it is shorter than this part of its distance
K, W1, W2, W3, WAVELENGTH = range(5)
#: Rows of the scratch array ``work``, each (n_bands,): ground factors, diffractions, and what comes out.
WHOLE, Q_S, Q_R, DIRECT, IMAGE_S, IMAGE_R, DIFFRACTED, RESULT, NEAR, N_ROWS = range(10)
#: What :func:`stretch` reports: equivalent heights at both ends, d_p, G_path, images of both ends.
Z_A, Z_B, D_P, G_PATH, IMAGE_A, IMAGE_B = 0, 1, 2, 3, 4, 6
WHOLE_PATH, SOURCE_SIDE, RECEIVER_SIDE = range(3)


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


CACHE = _can_cache()
_jit = njit(cache=CACHE, error_model="numpy", fastmath={"contract"})


def band_constants() -> Array:
    """Per octave: wave number, the three frequency factors of (2.5.17), wavelength; (5, 8)."""
    f = OCTAVES_HZ
    return np.stack([2 * np.pi * f / SOUND_SPEED_M_S, 0.0185 * f**2.5, f**1.5, 1.3e3 * f**0.75, SOUND_SPEED_M_S / f])


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
def porous_ground(
    band: Array, g_w: float, z_a: float, z_b: float, d_p: float, limit: float, work: Array, row: int
) -> None:
    """Ground factor (2.5.15) with (2.5.16) and (2.5.17), not above ``limit``, into a row of ``work``."""
    u = g_w**1.3
    scale = 4.0 / (d_p * d_p)
    for i in range(work.shape[1]):
        k = band[K, i]
        x = d_p * band[W1, i] * u * u / (band[W2, i] * u * u + band[W3, i] * u + 1.16e6)
        c = d_p * (1.0 + 3.0 * x * exp_neg(math.sqrt(x))) / ((1.0 + x) * k)
        root = math.sqrt(2.0 * c)
        q = scale * k * k * (z_a * (z_a - root) + c) * (z_b * (z_b - root) + c)
        work[row, i] = min(q, limit)


@_jit
def ground(
    band: Array, favourable: bool, g: float, g_s: float, z_a: float, z_b: float, d_p: float, work: Array, row: int
) -> None:
    """Ground factor of a stretch whose ends lie ``z_a`` and ``z_b`` above its mean plane, into a row of ``work``.

    ``g_s`` is the ground factor of the source area, -1 on the receiver's side of an edge, where (2.5.14) does not
    apply. Which G goes where: Table 2.5.b.
    """
    z_sum = z_a + z_b
    reach = 30.0 * z_sum
    g_m = g
    if g_s >= 0.0 and d_p <= reach:  # (2.5.14)
        g_m = g * d_p / reach + g_s * (1.0 - d_p / reach)
    g_w = g_m
    bound = 0.3 * (1.0 - g_m)  # (2.5.18)
    hard = g == 0.0
    if favourable:
        g_w = g
        if d_p > reach:  # (2.5.20)
            bound *= 1.0 + 2.0 * (1.0 - reach / d_p)
        if z_sum < 1e-9:  # turbulence would lift both ends without end
            hard = True
        else:
            turbulence = 6e-3 * d_p / z_sum  # (2.5.19) and below it
            bend = 1e-4 * (d_p / z_sum) ** 2
            z_a += bend * z_a * z_a + turbulence
            z_b += bend * z_b * z_b + turbulence
    elif hard:
        bound = 0.3
    limit = math.exp(LN10 * bound)
    if hard:
        for i in range(work.shape[1]):
            work[row, i] = limit
    else:
        porous_ground(band, g_w, z_a, z_b, d_p, limit, work, row)


@_jit
def mean_plane(px: Array, pz: Array, xa: float, xb: float) -> tuple[float, float]:
    """Least-squares line through the profile between xa and xb: z = a (x - xa) + b; (2.5.3), (2.5.4).

    x counts from xa and z from the first profile point, so that nothing cancels far from the origin. Vertical
    pieces of the profile have no length and drop out.
    """
    length = xb - xa
    z0 = pz[0]
    moment, area = 0.0, 0.0
    for n in range(px.size - 1):
        lo = max(px[n], xa)
        hi = min(px[n + 1], xb)
        if hi > lo:
            slope = (pz[n + 1] - pz[n]) / (px[n + 1] - px[n])
            z_lo = pz[n] + slope * (lo - px[n]) - z0
            z_hi = pz[n] + slope * (hi - px[n]) - z0
            lo -= xa
            hi -= xa
            area += (z_lo + z_hi) * (hi - lo)  # B of (2.5.3)
            moment += (z_lo * (2.0 * lo + hi) + z_hi * (lo + 2.0 * hi)) * (hi - lo) / 3.0  # A of (2.5.3)
    a = 3.0 * (2.0 * moment - area * length) / length**3
    b = 2.0 * area / length - 3.0 * moment / length**2
    return a, b + z0


@_jit
def mean_g(gx: Array, gg: Array, xa: float, xb: float) -> float:
    """Mean ground factor between xa and xb, weighted with horizontal length (section 2.5.3)."""
    total = 0.0
    for n in range(gg.size):
        total += gg[n] * max(0.0, min(gx[n + 1], xb) - max(gx[n], xa))
    return total / (xb - xa)


@_jit
def stretch(
    px: Array, pz: Array, gx: Array, gg: Array, xa: float, za: float, xb: float, zb: float, info: Array, part: int
) -> None:
    """Equivalent heights, d_p, G_path and the mirror images of both ends for the ground between A and B.

    They go into a row of ``info``. A negative height becomes 0; such a point is its own image.
    """
    a, b = mean_plane(px, pz, xa, xb)
    root = math.sqrt(1.0 + a * a)
    h_a = max(0.0, (za - b) / root)
    h_b = max(0.0, (zb - b - a * (xb - xa)) / root)
    info[part, Z_A] = h_a
    info[part, Z_B] = h_b
    info[part, D_P] = max(SHORTEST_M, abs(xb - xa + a * (zb - za)) / root)
    info[part, G_PATH] = mean_g(gx, gg, xa, xb)
    info[part, IMAGE_A] = xa + 2.0 * h_a * a / root
    info[part, IMAGE_A + 1] = za - 2.0 * h_a / root
    info[part, IMAGE_B] = xb + 2.0 * h_b * a / root
    info[part, IMAGE_B + 1] = zb - 2.0 * h_b / root


@_jit
def ray(xa: float, za: float, xb: float, zb: float, gamma: float) -> float:
    """Length of the ray between two points: chord, or arc of radius Gamma (2.5.25)."""
    chord = math.sqrt((xb - xa) ** 2 + (zb - za) ** 2)
    if gamma == 0.0:
        return chord
    return 2.0 * gamma * math.asin(min(1.0, chord / (2.0 * gamma)))


@_jit
def rises_above(x: float, z: float, xa: float, za: float, xb: float, zb: float, gamma: float) -> bool:
    """Whether a point lies above the ray from A to B (A left of B)."""
    dx, dz = xb - xa, zb - za
    chord = math.sqrt(dx * dx + dz * dz)
    v = ((z - za) * dx - (x - xa) * dz) / chord
    if gamma == 0.0:
        return v > GRAZING_M
    # in the chord's own axes (u, v) the arc is u^2 + (v + h)^2 = Gamma^2 with h^2 = Gamma^2 - chord^2/4
    u = ((x - xa) * dx + (z - za) * dz) / chord - 0.5 * chord
    h = math.sqrt(max(0.0, gamma * gamma - 0.25 * chord * chord))
    return u * u + v * v + 2.0 * v * h - 0.25 * chord * chord > 2.0 * gamma * GRAZING_M


@_jit
def hull(ex: Array, ez: Array, xs: float, zs: float, xr: float, zr: float, gamma: float, found: IntArray) -> int:
    """Edges that the shortest convex ray over all edges touches; their number, 0 if nothing blocks.

    Edges come with rising x. Upper hull by a monotone chain; for curved rays a hull of arcs, which may be built alike
    because two arcs of one radius meet at most once.
    """
    n = 0
    for j in range(ex.size + 1):
        x, z = (ex[j], ez[j]) if j < ex.size else (xr, zr)
        while n > 0:
            top = found[n - 1]
            xp, zp = (ex[found[n - 2]], ez[found[n - 2]]) if n > 1 else (xs, zs)
            if rises_above(ex[top], ez[top], xp, zp, x, z, gamma):
                break
            n -= 1
        if j < ex.size:
            found[n] = j
            n += 1
    return n


@_jit
def one_edge(xs: float, zs: float, x: float, z: float, xr: float, zr: float, gamma: float) -> float:
    """Path difference over one edge; negative if it does not reach the ray. (2.5.26), (2.5.27)"""
    over = ray(xs, zs, x, z, gamma) + ray(x, z, xr, zr, gamma)
    direct = ray(xs, zs, xr, zr, gamma)
    z_line = zs + (zr - zs) * (x - xs) / (xr - xs)
    if z >= z_line:
        return over - direct
    if gamma == 0.0:
        return direct - over
    return 2.0 * (ray(xs, zs, x, z_line, gamma) + ray(x, z_line, xr, zr, gamma)) - over - direct


@_jit
def path_difference(
    ex: Array, ez: Array, found: IntArray, n: int, e: float, xs: float, zs: float, xr: float, zr: float, gamma: float
) -> float:
    """Path difference over the n edges ``found``; ``e`` is the ray from the first to the last. (2.5.26)-(2.5.28)"""
    first, last = found[0], found[n - 1]
    if n == 1:
        return one_edge(xs, zs, ex[first], ez[first], xr, zr, gamma)
    over = ray(xs, zs, ex[first], ez[first], gamma) + e + ray(ex[last], ez[last], xr, zr, gamma)
    return over - ray(xs, zs, xr, zr, gamma)


@_jit
def pure_diffraction(band: Array, delta: float, e: float, work: Array, row: int) -> None:
    """10^(Delta_dif/10) of (2.5.21) without the cap of 25 dB; e = 0 for one edge. C'' by (2.5.23)."""
    for i in range(work.shape[1]):
        lam = band[WAVELENGTH, i]
        c = 1.0
        if e > 0.3:
            t = (5.0 * lam / e) ** 2
            c = (1.0 + t) / (1.0 / 3.0 + t)
        x = 40.0 / lam * c * delta
        work[row, i] = 3.0 + x if x >= -2.0 else 1.0


@_jit
def ground_behind_edge(a_ground: float, direct: float, image: float) -> float:
    """10^(-Delta_ground/10) of (2.5.31), (2.5.32).

    Where the image's path is not the longer one both terms count as equal, as the law has it for points below
    their mean plane.
    """
    s = 1.0 + (math.sqrt(a_ground) - 1.0) * math.sqrt(min(1.0, direct / image))
    return s * s


@_jit
def closest_edge(ex: Array, ez: Array, xs: float, zs: float, xr: float, zr: float, gamma: float) -> tuple[int, float]:
    """Of the edges that do not block, the one with the largest path difference; -1 without edges."""
    best, delta = -1, -math.inf
    for j in range(ex.size):
        d = one_edge(xs, zs, ex[j], ez[j], xr, zr, gamma)
        if d > delta:
            best, delta = j, d
    return best, delta


@_jit
def boundary(
    band: Array,
    px: Array,
    pz: Array,
    gx: Array,
    gg: Array,
    ex: Array,
    ez: Array,
    xs: float,
    zs: float,
    xr: float,
    zr: float,
    g_s: float,
    gamma: float,
    report: bool,
    found: IntArray,
    info: Array,
    work: Array,
) -> tuple[int, float]:
    """10^(-A_boundary/10) of one weather state, per octave, into row RESULT of ``work`` (N_ROWS, n_bands).

    Profile (px, pz), ground borders gx with factors gg, edges (ex, ez) by rising x strictly between source and
    receiver. ``info`` (3, 8) receives whole path, source side and receiver side, row DIFFRACTED of ``work`` which bands
    were diffracted. With ``report`` the whole path is filled in even if no band needs it.

    Returns
    -------
    n_edges, delta
        Edges used (their indices in ``found``, 0 if no band is diffracted) and path difference. [m]
    """
    n_bands = work.shape[1]
    curved = gamma > 0.0
    n = hull(ex, ez, xs, zs, xr, zr, gamma, found)
    blocked = n > 0
    delta = 0.0
    if not blocked:
        found[0], delta = closest_edge(ex, ez, xs, zs, xr, zr, gamma)
        n = 1 if found[0] >= 0 and delta > -band[WAVELENGTH, 0] / 20.0 else 0
    counted = 0
    if n > 0:
        first, last = found[0], found[n - 1]
        stretch(px, pz, gx, gg, xs, zs, ex[first], ez[first], info, SOURCE_SIDE)
        stretch(px, pz, gx, gg, ex[last], ez[last], xr, zr, info, RECEIVER_SIDE)
        xi, zi = info[SOURCE_SIDE, IMAGE_A], info[SOURCE_SIDE, IMAGE_A + 1]
        xj, zj = info[RECEIVER_SIDE, IMAGE_B], info[RECEIVER_SIDE, IMAGE_B + 1]
        mirrored = 0.0 if blocked else one_edge(xi, zi, ex[first], ez[first], xj, zj, gamma)
        for i in range(n_bands):
            lam = band[WAVELENGTH, i]
            yes = blocked or (delta > -lam / 20.0 and delta > lam / 4.0 - mirrored)
            work[DIFFRACTED, i] = 1.0 if yes else 0.0
            counted += yes
    if counted > 0:
        e = 0.0
        for m in range(n - 1):
            e += ray(ex[found[m]], ez[found[m]], ex[found[m + 1]], ez[found[m + 1]], gamma)
        delta = path_difference(ex, ez, found, n, e, xs, zs, xr, zr, gamma)
        pure_diffraction(band, delta, e, work, DIRECT)
        pure_diffraction(band, path_difference(ex, ez, found, n, e, xi, zi, xr, zr, gamma), e, work, IMAGE_S)
        pure_diffraction(band, path_difference(ex, ez, found, n, e, xs, zs, xj, zj, gamma), e, work, IMAGE_R)
    whole = counted < n_bands or report
    if whole:
        stretch(px, pz, gx, gg, xs, zs, xr, zr, info, WHOLE_PATH)
    for part in range(3):
        if whole if part == WHOLE_PATH else counted > 0:
            side_g = -1.0 if part == RECEIVER_SIDE else g_s
            z_a, z_b, d_p = info[part, Z_A], info[part, Z_B], info[part, D_P]
            ground(band, curved, info[part, G_PATH], side_g, z_a, z_b, d_p, work, WHOLE + part)
    if counted == 0:
        for i in range(n_bands):
            work[DIFFRACTED, i] = 0.0
            work[RESULT, i] = work[WHOLE, i]
        return 0, 0.0
    for i in range(n_bands):  # (2.5.30)
        direct = work[DIRECT, i]
        sides = ground_behind_edge(work[Q_S, i], direct, work[IMAGE_S, i])
        sides *= ground_behind_edge(work[Q_R, i], direct, work[IMAGE_R, i])
        sides /= min(direct, CAP)
        work[RESULT, i] = sides if work[DIFFRACTED, i] > 0.0 else work[WHOLE, i]
    return n, delta


@_jit
def ray_radius(d: float) -> float:
    """Gamma of (2.5.24) for a path of length d."""
    return max(1000.0, 8.0 * d)


@_jit
def spread_and_air(absorption: Array, d: float, work: Array) -> None:
    """10^(-(A_div + A_atm)/10) into row NEAR; absorption as energy exponent per metre. (2.5.12), (2.5.13)"""
    near = SPREADING / (d * d)
    for i in range(work.shape[1]):
        work[NEAR, i] = near * exp_neg(absorption[i] * d)


@_jit
def insert_edge(ex: Array, ez: Array, n: int, x: float, z: float) -> int:
    """Put an edge into the list by rising x; of two at one place the higher stays. Returns the new number."""
    at = n
    while at > 0 and ex[at - 1] > x + SHORTEST_M:
        at -= 1
    if at > 0 and ex[at - 1] > x - SHORTEST_M:
        ez[at - 1] = max(ez[at - 1], z)
        return n
    for m in range(n, at, -1):
        ex[m] = ex[m - 1]
        ez[m] = ez[m - 1]
    ex[at] = x
    ez[at] = z
    return n + 1


@_jit
def crossed_barriers(
    xs: float,
    ys: float,
    xr: float,
    yr: float,
    length: float,
    floor_z: float,
    seg_xy: Array,
    seg_z: Array,
    seg_box: Array,
    ex: Array,
    ez: Array,
) -> int:
    """Edges where a path in plan crosses barrier segments: distances from the source and heights; their number."""
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
        if z > floor_z:
            n = insert_edge(ex, ez, n, t * length, z)
    return n


@_jit
def ground_pieces(
    xs: float,
    ys: float,
    xr: float,
    yr: float,
    length: float,
    default_g: float,
    poly_xy: Array,
    poly_start: IntArray,
    poly_box: Array,
    poly_g: Array,
    inside: NDArray[np.bool_],
    cut_t: Array,
    cut_poly: IntArray,
    gx: Array,
    gg: Array,
) -> int:
    """Ground along a path in plan: borders gx (n + 1 of them, from 0 to ``length``) and factors gg; n.

    A polygon is entered or left wherever one of its sides crosses the path. Crossings of the path's backward
    extension tell whether the path starts inside.
    """
    dx, dy = xr - xs, yr - ys
    square = dx * dx + dy * dy
    x_lo, x_hi, y_lo, y_hi = min(xs, xr), max(xs, xr), min(ys, yr), max(ys, yr)
    n_cuts = 0
    for m in range(poly_g.size):
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
    gx[0] = 0.0
    for c in range(n_cuts + 1):
        gg[c] = default_g
        for m in range(poly_g.size - 1, -1, -1):
            if inside[m]:
                gg[c] = poly_g[m]
                break
        if c < n_cuts:
            gx[c + 1] = cut_t[c] * length
            inside[cut_poly[c]] = not inside[cut_poly[c]]
    gx[n_cuts + 1] = length
    return n_cuts + 1


@_jit
def ground_steps(
    xm: float,
    ym: float,
    hx: float,
    hy: float,
    xr: float,
    yr: float,
    default_g: float,
    poly_xy: Array,
    poly_start: IntArray,
    poly_box: Array,
    poly_g: Array,
    inside: NDArray[np.bool_],
    cut_t: Array,
    cut_poly: IntArray,
    gx: Array,
    gg: Array,
) -> int:
    """Parts into which a piece of track is split so that G_path changes little along each.

    Seen along a border of two grounds, G_path may change from one to the other within a single piece.
    """
    if math.hypot(hx, hy) < 0.5 * SPLIT_RATIO * math.hypot(xr - xm, yr - ym):
        return 1
    low, high = 1.0, 0.0
    for side in range(-1, 2):
        n = ground_pieces(
            xm + side * hx,
            ym + side * hy,
            xr,
            yr,
            1.0,
            default_g,
            poly_xy,
            poly_start,
            poly_box,
            poly_g,
            inside,
            cut_t,
            cut_poly,
            gx,
            gg,
        )
        g = mean_g(gx[: n + 1], gg[:n], 0.0, 1.0)
        low, high = min(low, g), max(high, g)
    return min(MOST_STEPS, 1 + int((high - low) / G_STEP))


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
    points: Array,
    direction: Array,
    piece: Array,
    point_g: Array,
    heights: Array,
    receivers: Array,
    ground_z: float,
    default_g: float,
    poly_xy: Array,
    poly_start: IntArray,
    poly_box: Array,
    poly_g: Array,
    seg_xy: Array,
    seg_z: Array,
    seg_box: Array,
    ends: Array,
    band: Array,
    absorption: Array,
    nearest: float,
    out: Array,
) -> None:
    """10^(-A/10) from every point and height to every receiver over a plain.

    ``out`` is (n_receivers, n_points, n_heights, 2, 8). Plan geometry is found once per pair of point and receiver.
    Receivers are shared out among the threads; no path depends on another.
    """
    n_bands, n_segments = absorption.size, seg_xy.shape[0]
    for r in prange(receivers.shape[0]):
        ex, ez = np.empty(n_segments + 1), np.empty(n_segments + 1)
        found = np.empty(n_segments + 1, dtype=np.int64)
        inside = np.empty(poly_g.size, dtype=np.bool_)
        cut_t, cut_poly = np.empty(poly_xy.shape[0]), np.empty(poly_xy.shape[0], dtype=np.int64)
        gx, gg = np.empty(poly_xy.shape[0] + 2), np.empty(poly_xy.shape[0] + 1)
        px, pz = np.zeros(2), np.full(2, ground_z)
        info, work = np.zeros((3, 8)), np.zeros((N_ROWS, n_bands))
        cuts = np.empty(ends.shape[0] + MOST_STEPS + 2)
        xr, yr, zr = receivers[r, 0], receivers[r, 1], receivers[r, 2]
        z_r = max(0.0, zr - ground_z)
        for p in range(points.shape[0]):
            ux, uy, half = direction[p, 0], direction[p, 1], 0.5 * piece[p]
            steps = 1
            if poly_g.size > 0 and half > 0.0:
                steps = ground_steps(
                    points[p, 0],
                    points[p, 1],
                    half * ux,
                    half * uy,
                    xr,
                    yr,
                    default_g,
                    poly_xy,
                    poly_start,
                    poly_box,
                    poly_g,
                    inside,
                    cut_t,
                    cut_poly,
                    gx,
                    gg,
                )
            n_parts = split_piece(points[p, 0], points[p, 1], ux, uy, half, xr, yr, ends, steps, cuts)
            out[r, p] = 0.0
            for part in range(n_parts):
                share, s = 1.0, 0.0
                if n_parts > 1:
                    share = 0.5 * (cuts[part + 1] - cuts[part]) / half
                    s = 0.5 * (cuts[part + 1] + cuts[part])
                xs, ys = points[p, 0] + s * ux, points[p, 1] + s * uy
                plan = math.sqrt((xr - xs) ** 2 + (yr - ys) ** 2)
                xe = xr if plan > SHORTEST_M else xs + 1e-3  # any direction will do on the spot
                length = max(plan, nearest)
                n_edges = crossed_barriers(xs, ys, xe, yr, length, ground_z, seg_xy, seg_z, seg_box, ex, ez)
                n_g = ground_pieces(
                    xs,
                    ys,
                    xe,
                    yr,
                    length,
                    default_g,
                    poly_xy,
                    poly_start,
                    poly_box,
                    poly_g,
                    inside,
                    cut_t,
                    cut_poly,
                    gx,
                    gg,
                )
                borders, factors = gx[: n_g + 1], gg[:n_g]
                edges_x, edges_z = ex[:n_edges], ez[:n_edges]
                g = mean_g(borders, factors, 0.0, length)
                px[1] = length
                for h in range(heights.size):
                    zs = points[p, 2] + heights[h]
                    d = math.sqrt(length * length + (zr - zs) ** 2)
                    spread_and_air(absorption, d, work)
                    for state in range(2):
                        if n_edges == 0:
                            z_s = max(0.0, zs - ground_z)
                            ground(band, state == 1, g, point_g[p], z_s, z_r, length, work, RESULT)
                        else:
                            boundary(
                                band,
                                px,
                                pz,
                                borders,
                                factors,
                                edges_x,
                                edges_z,
                                0.0,
                                zs,
                                length,
                                zr,
                                point_g[p],
                                ray_radius(d) if state == 1 else 0.0,
                                False,
                                found,
                                info,
                                work,
                            )
                        for i in range(n_bands):
                            out[r, p, h, state, i] += share * work[NEAR, i] * work[RESULT, i]

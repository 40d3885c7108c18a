"""A second, scalar implementation of ISO 9613-2:1996, to check paths and whole sites against.

Written from the standard's formulas (from memory, as the program's), apart from the program: one path, one band at a
time, levels in decibels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import combinations, pairwise

import shapely

from published.scalar_walls import Point, rubber_band

OCTAVES_HZ = [63, 125, 250, 500, 1000, 2000, 4000, 8000]
Ground = Sequence[tuple[float, float, float]]  # from, to, G


@dataclass
class Barrier:
    """Where a path crosses it: distance, top, extent across the path, angle in plan between path and edge.

    Ground in the ray has no angle.
    """

    x: float
    top: float
    width: float = math.inf
    angle_rad: float | None = math.pi / 2


@dataclass
class Choices:
    alternative: bool = False
    keep_gain: bool = False
    c_2: float = 20.0
    c_0: float = 0.0
    sides: str = "uncapped"
    ways: list[tuple[float, float]] = field(default_factory=list)  # detour in plan, length between corners


def mean_g(ground: Ground, low: float, high: float) -> float:
    if low == high:  # a source or receiver on the ground
        return ground[0 if low == 0.0 else -1][2]
    return sum(g * max(0.0, min(b, high) - max(a, low)) for a, b, g in ground) / (high - low)


def end_region_db(f: int, h: float, g: float, d_p: float) -> float:
    """A_s or A_r of Table 3."""
    near = 1.0 - math.exp(-d_p / 50.0)
    if f == 63:
        return -1.5
    if f == 125:
        far = 5.7 * math.exp(-0.09 * h**2) * (1.0 - math.exp(-2.8e-6 * d_p**2))
        return -1.5 + g * (1.5 + 3.0 * math.exp(-0.12 * (h - 5.0) ** 2) * near + far)
    if f == 250:
        return -1.5 + g * (1.5 + 8.6 * math.exp(-0.09 * h**2) * near)
    if f == 500:
        return -1.5 + g * (1.5 + 14.0 * math.exp(-0.46 * h**2) * near)
    if f == 1000:
        return -1.5 + g * (1.5 + 5.0 * math.exp(-0.9 * h**2) * near)
    return -1.5 * (1.0 - g)


def ground_db(
    f: int, ground: Ground, h_s: float, h_r: float, d_p: float, d: float, area: float, choices: Choices
) -> tuple[float, float]:
    """A_gr and D_Omega; ``area`` between ray and ground."""
    if choices.alternative:
        h_m = area / d
        a_gr = max(0.0, 4.8 - 2.0 * h_m / d * (17.0 + 300.0 / d))
        ratio = (d_p**2 + (h_s - h_r) ** 2) / (d_p**2 + (h_s + h_r) ** 2)
        return a_gr, 10.0 * math.log10(1.0 + ratio)
    zone_s, zone_r = min(d_p, 30.0 * h_s), min(d_p, 30.0 * h_r)
    total = end_region_db(f, h_s, mean_g(ground, 0.0, zone_s), d_p)
    total += end_region_db(f, h_r, mean_g(ground, d_p - zone_r, d_p), d_p)
    if d_p > zone_s + zone_r:
        q = 1.0 - 30.0 * (h_s + h_r) / d_p
        total += -3.0 * q * (1.0 if f == 63 else 1.0 - mean_g(ground, zone_s, d_p - zone_r))
    return total, 0.0


def screen_db(wavelength: float, c_2: float, z: float, e: float, k_met: float, cap: bool) -> float:
    """D_z, -inf for an edge far below the ray."""
    c_3 = 1.0 if e == 0.0 else (1.0 + (5.0 * wavelength / e) ** 2) / (1.0 / 3.0 + (5.0 * wavelength / e) ** 2)
    argument = 3.0 + c_2 / wavelength * c_3 * z * k_met
    if argument <= 0.0:
        return -math.inf
    d_z = 10.0 * math.log10(argument)
    return min(d_z, 20.0 if e == 0.0 else 25.0) if cap else d_z


def over(edges: Sequence[Barrier], z_s: float, z_r: float, d_p: float) -> tuple[float, float, float]:
    """z, e and the product d_ss d_sr over one or two edges."""
    first, last = edges[0], edges[-1]
    angles = [b.angle_rad for b in (first, last) if b.angle_rad is not None] or [math.pi / 2]
    sine, cosine = math.sin(angles[0]), math.cos(angles[0])
    if abs(math.sin(angles[0] - angles[-1])) > 1e-3:
        sine, cosine = 1.0, 0.0
    d_ss = math.hypot(first.x * sine, first.top - z_s)
    d_sr = math.hypot((d_p - last.x) * sine, last.top - z_r)
    e = math.hypot((last.x - first.x) * sine, last.top - first.top)
    return math.hypot(d_ss + e + d_sr, d_p * cosine) - math.hypot(d_p, z_r - z_s), e, d_ss * d_sr


def top_edges(edges: Sequence[Barrier], z_s: float, z_r: float, d_p: float) -> tuple[float, float, float] | None:
    """z with its sign, e, K_met of the edges that count."""
    band = rubber_band((0.0, z_s), (d_p, z_r), [(b.x, b.top) for b in edges])
    touched = sorted((b for b in edges if (b.x, b.top) in band), key=lambda b: b.x)
    if not touched:
        under = [over([b], z_s, z_r, d_p) for b in edges]
        return (-min(u[0] for u in under), 0.0, 1.0) if under else None
    pairs = list(combinations(touched, 2)) or [(touched[0],)]
    z, e, product = max(over(pair, z_s, z_r, d_p) for pair in pairs)
    return z, e, math.exp(-math.sqrt(product * math.hypot(d_p, z_r - z_s) / (2.0 * z)) / 2000.0)


def above_ray(profile: Sequence[Point], z_s: float, z_r: float) -> dict[float, float]:
    """Places where the ground is above the ray; of two at one place the higher."""
    d_p = profile[-1][0]
    top: dict[float, float] = {}
    for x, z in profile:
        if 0 < x < d_p and z > z_s + (z_r - z_s) * x / d_p + 1e-9:
            top[x] = max(z, top.get(x, z))
    return top


def area_below(profile: Sequence[Point], z_s: float, z_r: float) -> float:
    """Area between ray and ground where the ray is above."""
    d_p = profile[-1][0]
    ray = shapely.Polygon([(0.0, z_s), (d_p, z_r), (d_p, -1e3), (0.0, -1e3)])
    ground = shapely.Polygon([*profile, (d_p, -1e3), (0.0, -1e3)])
    return float(ray.difference(ground).area)


def path_db(
    d_p: float,
    z: tuple[float, float],
    ground: Ground,
    barriers: Sequence[Barrier],
    plain: float | Sequence[Point],
    air_db_per_km: Sequence[float],
    choices: Choices,
) -> list[float]:
    """A - D_Omega + C_met per octave; over a plain at a height, or a profile (distance, height)."""
    profile = plain if isinstance(plain, Sequence) else [(0.0, plain), (d_p, plain)]
    d, h_s, h_r = math.hypot(d_p, z[1] - z[0]), max(0.0, z[0] - profile[0][1]), max(0.0, z[1] - profile[-1][1])
    area = area_below(profile, *z)
    hills = [Barrier(x, top, angle_rad=None) for x, top in above_ray(profile, *z).items()]
    c_met = choices.c_0 * max(0.0, 1.0 - 10.0 * (h_s + h_r) / d_p)
    out = []
    for f, alpha in zip(OCTAVES_HZ, air_db_per_km, strict=True):
        wavelength = 340.0 / f
        a_gr, d_omega = ground_db(f, ground, h_s, h_r, d_p, d, area, choices)
        found = top_edges([*(b for b in barriers if b.width > wavelength), *hills], *z, d_p)
        a_screened = a_gr
        d_z = -math.inf if found is None else screen_db(wavelength, choices.c_2, *found, cap=True)
        if d_z > -math.inf:
            ways = [a_gr + max(0.0, d_z - max(a_gr, 0.0)) if choices.keep_gain else max(a_gr, d_z)]
            if choices.sides != "none":
                for detour, e in choices.ways if not hills else ():
                    longer = math.hypot(d_p + detour, z[1] - z[0]) - d
                    ways.append(a_gr + screen_db(wavelength, choices.c_2, longer, e, 1.0, choices.sides == "capped"))
            a_screened = max(a_gr, -10.0 * math.log10(sum(10.0 ** (-a / 10.0) for a in ways)))
        out.append(20.0 * math.log10(d) + 11.0 + alpha * d / 1000.0 + a_screened - d_omega + c_met)
    return out


def way_round(
    s: tuple[float, float], r: tuple[float, float], corners: Sequence[tuple[float, float]]
) -> tuple[float, float]:
    """Length of the shortest way from s to r round corners that lie on one side, and between its outer corners."""
    ring = list(shapely.MultiPoint([s, r, *corners]).convex_hull.exterior.coords)[:-1]
    n, a, b = len(ring), ring.index(s), ring.index(r)
    ways = [[ring[(a + step * k) % n] for k in range((step * (b - a)) % n + 1)] for step in (1, -1)]
    _, way = max((shapely.LineString(way).length, way) for way in ways)
    return shapely.LineString(way).length, sum(math.dist(p, q) for p, q in pairwise(way[1:-1]))

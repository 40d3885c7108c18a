"""A second, scalar implementation of propagation by 16. BImSchV, Annex 2: one path, one band at a time, in decibels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from published.scalar_walls import Point, rubber_band

OCTAVES_HZ = [63, 125, 250, 500, 1000, 2000, 4000, 8000]
WAVELENGTHS_M = [340.0 / f for f in OCTAVES_HZ]
AIR_DB_PER_KM = [0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0]


@dataclass
class Edge:
    """Where a path crosses it: distance, top, extent across the path, angle in plan (None: ground), D_refl."""

    x: float
    top: float
    width: float = math.inf
    angle_rad: float | None = None
    d_refl_db: float = 0.0


@dataclass
class Way:
    """Round a side: d_s, e, d_r in plan."""

    d_s: float
    e: float
    d_r: float


def above_ground(profile: Sequence[Point], z_s: float, z_r: float) -> list[Edge]:
    """Places where the ground is above the straight line; of two at one place the higher."""
    d_p = profile[-1][0]
    top: dict[float, float] = {}
    for x, z in profile:
        if 0 < x < d_p and z > z_s + (z_r - z_s) * x / d_p + 1e-9:
            top[x] = max(z, top.get(x, z))
    return [Edge(x, z) for x, z in top.items()]


def d_z_db(wavelength: float, d_s: float, e: float, d_r: float, z: float, d: float, edges: int) -> float:
    """Gl. 21 to 24, with the caps of No. 6.5."""
    c_3 = 1.0 if edges == 1 else (1 + (5 * wavelength / e) ** 2) / (1 / 3 + (5 * wavelength / e) ** 2)
    k_met = math.exp(-math.sqrt(d_s * d_r * d / (2 * z)) / 2000) if z > 0 else 1.0
    argument = 3 + 40 / wavelength * c_3 * z * k_met
    return min(20.0 if edges == 1 else 25.0, 10 * math.log10(argument)) if argument > 0 else -math.inf


def over(edges: Sequence[Edge], z_s: float, z_r: float, d_p: float) -> tuple[float, float, float, float]:
    """d_s, e, d_r and detour; Gl. 25 for parallel edges, else Gl. 26."""
    angles = [e.angle_rad for e in edges if e.angle_rad is not None]
    angle = angles[0] if angles else math.pi / 2
    if any(abs(math.sin(a - angle)) > math.sin(math.radians(5)) for a in angles):
        angle = math.pi / 2
    points = [(0.0, z_s), *((e.x * math.sin(angle), e.top) for e in edges), (d_p * math.sin(angle), z_r)]
    d_s, *between, d_r = (math.dist(a, b) for a, b in pairwise(points))
    way = math.hypot(d_s + sum(between) + d_r, d_p * math.cos(angle))
    return d_s, sum(between), d_r, way - math.hypot(d_p, z_r - z_s)


def path_db(
    profile: Sequence[Point],
    z_s: float,
    z_r: float,
    water: float = 0.0,
    edges: Sequence[Edge] = (),
    ways: Sequence[Way] = (),
    reach: float = 2.0,
) -> list[float]:
    """D_Omega - A per octave, all ways together; the ground screens."""
    d_p = profile[-1][0]
    d = math.hypot(d_p, z_r - z_s)
    h_g, h_r = max(0.0, z_s - profile[0][1]), max(0.0, z_r - profile[-1][1])
    area = 0.5 * (profile[0][1] + h_g + profile[-1][1] + h_r) * d_p
    area -= sum(0.5 * (a[1] + b[1]) * (b[0] - a[0]) for a, b in pairwise(profile))
    h_m = max(0.0, area) / d
    a_gr = max(0.0, 4.8 - 2 * h_m / d * (17 + 300 / d)) - 3 * water
    d_omega = 10 * math.log10(1 + (d_p**2 + (h_g - h_r) ** 2) / (d_p**2 + (h_g + h_r) ** 2))
    hills = above_ground(profile, z_s, z_r)
    out = []
    for wavelength, alpha in zip(WAVELENGTHS_M, AIR_DB_PER_KM, strict=True):
        counted = sorted([e for e in edges if e.width > wavelength] + hills, key=lambda e: (e.x, e.top))
        band = rubber_band((0.0, z_s), (d_p, z_r), [(e.x, e.top) for e in counted])
        a_all = [a_gr]
        if counted:
            if band:
                met = [e for e in counted if (e.x, e.top) in band]
                d_s, e, d_r, z = over(met, z_s, z_r, d_p)
            else:
                met = [min(counted, key=lambda edge: over([edge], z_s, z_r, d_p)[3])]
                d_s, e, d_r, z = over(met, z_s, z_r, d_p)
                z = -z
            d_refl = max([0.0, *(edge.d_refl_db for edge in met)])
            a_bar = max(0.0, d_z_db(wavelength, d_s, e, d_r, z, d, len(met)) - d_refl - a_gr)
            a_all = [a_gr + a_bar]
            for way in ways if band and not hills else ():
                length = way.d_s + way.e + way.d_r
                if length <= reach * d_p:
                    detour = math.hypot(length, z_r - z_s) - d
                    round_it = d_z_db(wavelength, way.d_s, way.e, way.d_r, detour, d, 1 if way.e == 0 else 2)
                    a_all.append(a_gr + max(0.0, round_it))
        ways_db = 10 * math.log10(sum(10 ** (-a / 10) for a in a_all))
        out.append(d_omega - 10 * math.log10(4 * math.pi * d * d) - alpha * d / 1000 + ways_db)
    return out

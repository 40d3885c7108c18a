"""A second, scalar implementation of the EU common method, to check whole sites against.

Written from Directive 2002/49/EC, Annex II, sections 2.3 and 2.5 (edition of 2021), apart from the program: one
source point, one receiver, one band at a time. It shares with the program only the tables of the law, which
``test_eu_emission_tables`` checks. Flat ground and thin barriers only, none so close that edges lie on one another.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Mapping, Sequence
from importlib.resources import files
from itertools import pairwise

THIRDS_HZ = [50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630]
THIRDS_HZ += [800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000]
OCTAVES_HZ = [63, 125, 250, 500, 1000, 2000, 4000, 8000]
A_WEIGHTING_DB = [-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1]
SOUND_SPEED_M_S = 340.0
Point = tuple[float, float]  # distance along the cut and absolute height [m]
Ground = Sequence[tuple[float, float, float]]  # from, to, G


def energy(level_db: float) -> float:
    return float(10.0 ** (level_db / 10.0))


def decibels(value: float) -> float:
    return 10.0 * math.log10(value)


def table(name: str) -> dict[str, list[tuple[float, float]]]:
    """Columns of a table of the law: name -> (axis, level) of all rows that have a value."""
    text = (files("lineside_plugins.eu_railway") / "data" / f"{name}.csv").read_text(encoding="utf-8")
    first, *rows = list(csv.reader(line for line in text.splitlines() if not line.startswith("#")))
    return {title: [(float(r[0]), float(r[k])) for r in rows if r[k]] for k, title in enumerate(first) if k}


def roughness_energy(column: Sequence[tuple[float, float]], speed_km_h: float, f: float) -> float:
    """Level at the wavelength v / f, linear in wavelength between rows."""
    wanted, rows = 1000.0 * speed_km_h / 3.6 / f, sorted(column)
    if wanted <= rows[0][0] or wanted >= rows[-1][0]:
        return energy(rows[0][1] if wanted <= rows[0][0] else rows[-1][1])
    (a, la), (b, lb) = next(pair for pair in pairwise(rows) if pair[1][0] >= wanted)
    return energy(la + (lb - la) * (wanted - a) / (b - a))


def contact_energies(names: Mapping[str, str], speed_km_h: float) -> tuple[list[float], list[float]]:
    """Total effective roughness (2.3.7), and impact roughness of one joint per 100 m (2.3.12), per third octave."""
    rail, wheel = table("rail_roughness")[names["rail"]], table("wheel_roughness")[names["wheel"]]
    contact, joint = table("contact_filter")[names["filter"]], table("impact_roughness")["single_joint_db"]
    at = [[roughness_energy(c, speed_km_h, f) for f in THIRDS_HZ] for c in (rail, wheel, contact, joint)]
    return [(r + w) * a for r, w, a in zip(*at[:3], strict=True)], at[3]


def air_absorption_db_per_km(temperature_deg_c: float, humidity_pct: float, pressure_kpa: float) -> list[float]:
    """ISO 9613-1, equations (3) to (5), at the exact mid-bands."""
    kelvin, p = temperature_deg_c + 273.15, pressure_kpa / 101.325
    cold = kelvin / 293.15
    h = humidity_pct * 10 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151) / p
    oxygen = p * (24 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    nitrogen = p * cold**-0.5 * (9 + 280 * h * math.exp(-4.170 * (cold ** (-1 / 3) - 1)))
    out = []
    for f in (1000.0 * 10 ** (0.3 * n) for n in range(-4, 4)):
        relaxing = 0.01275 * math.exp(-2239.1 / kelvin) / (oxygen + f * f / oxygen)
        relaxing += 0.1068 * math.exp(-3352.0 / kelvin) / (nitrogen + f * f / nitrogen)
        out.append(1000 * 8.686 * f * f * (1.84e-11 / p * cold**0.5 + cold**-2.5 * relaxing))
    return out


def ground_db(f: float, path_g: float, source_g: float, z_s: float, z_r: float, d: float, curved: bool) -> float:
    """Ground effect, (2.5.14) to (2.5.20). ``source_g`` is G_s, or G_path again where no source area counts."""
    near = 30.0 * (z_s + z_r)
    mixed_g = path_g * d / near + source_g * (1 - d / near) if d <= near else path_g
    lowest = -3.0 * (1 - mixed_g)
    if curved and d > near:
        lowest *= 1 + 2 * (1 - near / d)
    if path_g == 0:
        return lowest if curved else -3.0
    if curved:
        up_s, up_r = (2e-4 * (z / (z_s + z_r)) ** 2 * d * d / 2 for z in (z_s, z_r))
        z_s, z_r = z_s + up_s + 6e-3 * d / (z_s + z_r), z_r + up_r + 6e-3 * d / (z_s + z_r)
    g, k = path_g if curved else mixed_g, 2 * math.pi * f / SOUND_SPEED_M_S
    w = 0.0185 * f**2.5 * g**2.6 / (f**1.5 * g**2.6 + 1.3e3 * f**0.75 * g**1.3 + 1.16e6)
    c = d * (1 + 3 * w * d * math.exp(-math.sqrt(w * d))) / (1 + w * d)
    both = [z * z - math.sqrt(2 * c / k) * z + c / k for z in (z_s, z_r)]
    return max(-decibels(4 * k * k / d**2 * both[0] * both[1]), lowest)


def mean_g(ground: Ground, low: float, high: float) -> float:
    return sum(g * max(0.0, min(b, high) - max(a, low)) for a, b, g in ground) / (high - low)


def ray_m(a: Point, b: Point, radius: float) -> float:
    chord = math.dist(a, b)
    return chord if math.isinf(radius) else 2 * radius * math.asin(chord / 2 / radius)


def ray_height(a: Point, b: Point, radius: float, x: float) -> float:
    """Height of the ray from a to b, bent downwards, at x."""
    if math.isinf(radius):
        return a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0])
    chord = math.dist(a, b)
    deep, ux, uz = math.sqrt(radius**2 - chord**2 / 4), (b[0] - a[0]) / chord, (b[1] - a[1]) / chord
    centre = ((a[0] + b[0]) / 2 + uz * deep, (a[1] + b[1]) / 2 - ux * deep)
    return centre[1] + math.sqrt(radius**2 - (x - centre[0]) ** 2)


def edges_of_path(s: Point, r: Point, edges: Sequence[Point], radius: float) -> list[Point]:
    """The edges over which the shortest path runs."""
    points = [s, *sorted(edges), r]
    k = 1
    while k < len(points) - 1:
        if points[k][1] <= ray_height(points[k - 1], points[k + 1], radius, points[k][0]) + 1e-9:
            points.pop(k)
            k = 1
        else:
            k += 1
    return points[1:-1]


def detour_m(s: Point, over: Sequence[Point], r: Point, radius: float) -> float:
    """Path difference, (2.5.26) to (2.5.29); negative where a single edge lies below the line of sight."""
    chain = [s, *over, r]
    way = sum(ray_m(a, b, radius) for a, b in pairwise(chain)) - ray_m(s, r, radius)
    o = over[0]
    sight = s[1] + (r[1] - s[1]) * (o[0] - s[0]) / (r[0] - s[0])
    if len(over) > 1 or o[1] >= sight:
        return way
    by_sight = ray_m(s, (o[0], sight), radius) + ray_m((o[0], sight), r, radius)
    return 2 * by_sight - way - 2 * ray_m(s, r, radius)


def diffraction_db(f: float, detour: float, between_m: float) -> float:
    """Pure diffraction, (2.5.21) to (2.5.23)."""
    ratio = (5 * SOUND_SPEED_M_S / f / between_m) ** 2 if between_m > 0.3 else 0.0
    x = 40 * f / SOUND_SPEED_M_S * detour * ((1 + ratio) / (1 / 3 + ratio) if between_m > 0.3 else 1.0)
    return max(0.0, decibels(3 + x)) if x >= -2 else 0.0


def boundary_db(
    s: Point, r: Point, ground: Ground, source_g: float, edges: Sequence[Point], plain_m: float, curved: bool
) -> list[float]:
    """Ground and diffraction over a plain, (2.5.14) to (2.5.34), per octave."""
    radius = max(1000.0, 8 * math.dist(s, r)) if curved else math.inf
    over, detour = edges_of_path(s, r, edges, radius), -math.inf
    blocked = bool(over)
    if edges and not blocked:
        over = [max(edges, key=lambda o: detour_m(s, [o], r, radius))]
        detour = detour_m(s, over, r, radius)
    s_image, r_image = (s[0], 2 * plain_m - s[1]), (r[0], 2 * plain_m - r[1])

    def ground_part(a: Point, b: Point, f: float, near_source: bool) -> float:
        g = mean_g(ground, a[0], b[0])
        return ground_db(f, g, source_g if near_source else g, a[1] - plain_m, b[1] - plain_m, b[0] - a[0], curved)

    out = []
    for f in OCTAVES_HZ:
        wave = SOUND_SPEED_M_S / f
        heard = bool(edges) and detour > -wave / 20 and detour > wave / 4 - detour_m(s_image, over, r_image, radius)
        if not blocked and not heard:
            out.append(ground_part(s, r, f, True))
            continue
        between = sum(ray_m(a, b, radius) for a, b in pairwise(over))
        pure, from_s, to_r = (
            diffraction_db(f, detour_m(a, over, b, radius), between) for a, b in ((s, r), (s_image, r), (s, r_image))
        )
        total = min(25.0, pure)
        for side, image in ((ground_part(s, over[0], f, True), from_s), (ground_part(over[-1], r, f, False), to_r)):
            total -= 20 * math.log10(1 + (10 ** (-side / 20) - 1) * 10 ** (-(image - pure) / 20))
        out.append(total)
    return out


def beside_barrier(
    h_s: float, d_b: float, h_b: float, x_r: float, h_r: float, alpha: float, c_ref: float = 1.0
) -> list[float]:
    """Energy of the equivalent source of a train beside a barrier, section 2.5.6 as amended, per octave.

    All lengths from the nearest rail head and above it. Images until one adds less than 0.01 dB to all octaves.
    """
    out = [1.0] * 8
    if d_b > 5 * h_b or alpha > 0.8 or d_b <= 0:
        return out
    top, r = (d_b, h_b), (x_r, h_r)
    for n in range(1, 200):
        s, terms = (-2.0 * n * d_b, h_s), []
        shadow = h_s + (h_b - h_s) * (x_r - s[0]) / (d_b - s[0])
        r_up = (x_r, max(h_r, shadow))
        for f in OCTAVES_HZ:
            gain = 20 * math.log10(math.dist((0.0, h_s), r) / math.dist(s, r)) + 10 * n * math.log10(
                (1 - alpha) * c_ref
            )
            for sign, source in ((1, (0.0, h_s)), (-1, s)):
                gain += sign * diffraction_db(f, detour_m(source, [top], r, math.inf), 0.0)
            for i in range(1, n + 1):
                edge = (-(2 * i - 1) * d_b, h_b)
                over = math.dist(s, edge) + math.dist(edge, r_up) - math.dist(s, r_up)
                gain -= diffraction_db(f, -over if h_s <= h_b else over, 0.0)
            terms.append(energy(gain))
        small = all(t < (energy(0.01) - 1) * o for t, o in zip(terms, out, strict=True))
        out = [o + t for o, t in zip(out, terms, strict=True)]
        if small:
            break
    return out


def path_energies(
    plan_m: float, z: Point, cut: tuple[Ground, Sequence[Point]], source_g: float, plain_m: float, air: Sequence[float]
) -> tuple[list[float], list[float]]:
    """Mean-square pressure (re 20 uPa) per sound power (re 1 pW), homogeneous and favourable, per octave."""
    s, r = (0.0, z[0]), (plan_m, z[1])
    d = math.dist(s, r)
    straight, bent = (boundary_db(s, r, cut[0], source_g, cut[1], plain_m, curved) for curved in (False, True))
    spread = [20 * math.log10(d) + 11 + a * d / 1000 for a in air]
    homogeneous = [energy(-a - b) for a, b in zip(spread, straight, strict=True)]
    return homogeneous, [energy(-a - b) for a, b in zip(spread, bent, strict=True)]


def vertical_a(f: float) -> Callable[[float], float]:
    """Vertical directivity of source A (2.3.16), applied upwards only as the edition of 2021 has it."""
    band = math.log10((f + 600) / 200)
    return lambda up: energy(40 / 3 * (2 / 3 * math.sin(2 * up) - math.sin(up)) * band) if up > 0 else 1.0


def vertical_b_aerodynamic(up_rad: float) -> float:
    """Vertical directivity of aerodynamic noise at source B, (2.3.17)."""
    return math.cos(up_rad) ** 2 if up_rad < 0 else 1.0

"""Vertical cuts through terrain, buildings and walls by a second, scalar computation of the EU common method.

Written from Directive 2002/49/EC, Annex II, section 2.5 (edition of 2021), apart from the program: one path, one band
and one weather state at a time, in dB. It takes the rows of a path that ``vertical_cuts`` gives.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from published.scalar_method import (
    OCTAVES_HZ,
    SOUND_SPEED_M_S,
    Ground,
    Point,
    detour_m,
    diffraction_db,
    edges_of_path,
    ground_db,
    mean_g,
    ray_m,
)

Plane = tuple[float, float]  # slope and height at x = 0


@dataclass(frozen=True)
class Cut:
    """One unfolded path with barriers (x, top), buildings (x, x, top) and walls (x, top, foot, absorption)."""

    line: Sequence[Point]
    ground: Ground
    barriers: Sequence[Point] = ()
    buildings: Sequence[tuple[float, float, float]] = ()
    walls: Sequence[tuple[float, float, float, Sequence[float]]] = ()

    def under(self, x: float) -> bool:
        return any(a < x < b for a, b, _ in self.buildings)

    def surface(self) -> list[tuple[Point, Point]]:
        """Straight pieces of the ground between the buildings, and their roofs."""
        borders = [self.line[0][0], *(x for a, b, _ in sorted(self.buildings) for x in (a, b)), self.line[-1][0]]
        pieces = [((a, top), (b, top)) for a, b, top in self.buildings]
        for low, high in zip(borders[::2], borders[1::2], strict=True):
            for (xa, za), (xb, zb) in pairwise(self.line):
                x1, x2 = max(xa, low), min(xb, high)
                if x2 > x1:
                    z1, z2 = (za + (zb - za) * (x - xa) / (xb - xa) for x in (x1, x2))
                    pieces.append(((x1, z1), (x2, z2)))
        return pieces

    def edges(self) -> list[Point]:
        """All that may diffract."""
        end = self.line[-1][0]
        found = [*self.barriers, *((x, top) for a, b, top in self.buildings for x in (a, b))]
        for (xa, za), (x, z), (xb, zb) in zip(self.line, self.line[1:], self.line[2:], strict=False):
            if (x - xa) * (zb - z) - (xb - x) * (z - za) < -1e-9 and not self.under(x):
                found.append((x, z))
        kept: list[Point] = []
        for x, z in sorted(e for e in found if 1e-6 < e[0] < end - 1e-6):
            if kept and x - kept[-1][0] < 1e-6:
                kept[-1] = (kept[-1][0], max(z, kept[-1][1]))
            else:
                kept.append((x, z))
        return kept

    def plane(self, low: float, high: float) -> Plane:
        """(2.5.2) to (2.5.4), with x counted from ``low``."""
        a_sum = b_sum = 0.0
        for (xa, za), (xb, zb) in self.surface():
            x1, x2 = max(xa, low), min(xb, high)
            if x2 <= x1:
                continue
            a = (zb - za) / (xb - xa)
            b = za + a * (low - xa)
            x1, x2 = x1 - low, x2 - low
            a_sum += 2 / 3 * a * (x2**3 - x1**3) + b * (x2**2 - x1**2)
            b_sum += a * (x2**2 - x1**2) + 2 * b * (x2 - x1)
        d = high - low
        slope = 3 * (2 * a_sum - b_sum * d) / d**3
        return slope, 2 * b_sum / d - 3 * a_sum / d**2 - slope * low


def height_above(plane: Plane, p: Point) -> float:
    return (p[1] - plane[0] * p[0] - plane[1]) / math.hypot(1.0, plane[0])


def image(plane: Plane, p: Point) -> Point:
    h = max(0.0, height_above(plane, p))
    root = math.hypot(1.0, plane[0])
    return p[0] + 2 * h * plane[0] / root, p[1] - 2 * h / root


def ground_effect(cut: Cut, a: Point, b: Point, f: float, source_g: float | None, curved: bool) -> float:
    """A_ground between two points over their mean plane; without ``source_g`` on the receiver's side of an edge."""
    plane = cut.plane(a[0], b[0])
    z_a, z_b = (max(0.0, height_above(plane, p)) for p in (a, b))
    root = math.hypot(1.0, plane[0])
    d_p = abs(b[0] - a[0] + plane[0] * (b[1] - a[1])) / root
    g = mean_g(cut.ground, a[0], b[0])
    if z_a + z_b < 1e-9:
        return -9 * (1 - g) if curved else ground_db(f, g, g, 1e-9, 1e-9, d_p, False)
    return ground_db(f, g, g if source_g is None else source_g, z_a, z_b, d_p, curved)


def around(way: Sequence[Point], x: float) -> list[tuple[Point, Point]]:
    """The piece of a way on which x lies."""
    return [next((a, b) for a, b in pairwise(way) if a[0] <= x < b[0])]


def path_db(cut: Cut, s: Point, r: Point, source_g: float, curved: bool, air: Sequence[float]) -> list[float]:
    """Attenuation of one path per octave, walls included."""
    d = math.dist(s, r)
    radius = max(1000.0, 8 * d) if curved else math.inf
    edges = cut.edges()
    over = edges_of_path(s, r, edges, radius)
    blocked, detour = bool(over), -math.inf
    if edges and not blocked:
        over = [max(edges, key=lambda o: detour_m(s, [o], r, radius))]
        detour = detour_m(s, over, r, radius)
    out = []
    for f, absorbed in zip(OCTAVES_HZ, air, strict=True):
        wave = SOUND_SPEED_M_S / f
        heard = blocked
        if over:
            before, behind = cut.plane(s[0], over[0][0]), cut.plane(over[-1][0], r[0])
            s_image, r_image = image(before, s), image(behind, r)
            if not blocked:
                rayleigh = detour > wave / 4 - detour_m(s_image, over, r_image, radius)
                heard = detour > -wave / 20 and rayleigh
        if heard:
            between = sum(ray_m(a, b, radius) for a, b in pairwise(over))
            pure, from_s, to_r = (
                diffraction_db(f, detour_m(a, over, b, radius), between)
                for a, b in ((s, r), (s_image, r), (s, r_image))
            )
            lost = min(25.0, pure)
            before_db = ground_effect(cut, s, over[0], f, source_g, curved)
            behind_db = ground_effect(cut, over[-1], r, f, None, curved)
            for side, other in ((before_db, from_s), (behind_db, to_r)):
                lost -= 20 * math.log10(1 + (10 ** (-side / 20) - 1) * 10 ** (-max(0.0, other - pure) / 20))
        else:
            lost = ground_effect(cut, s, r, f, source_g, curved)
        for x, top, foot, alpha in cut.walls:
            ways = [[s, r], [s, *over, r]] if heard else [[s, r]]
            if (
                max(a[1] + (b[1] - a[1]) * (x - a[0]) / (b[0] - a[0]) for w in ways for a, b in around(w, x))
                < foot - 0.01
            ):
                lost = math.inf
                break
            end = next((o for o in over if o[0] > x + 1e-6), r) if heard else r
            line = s[1] + (end[1] - s[1]) * (x - s[0]) / (end[0] - s[0])
            delta = math.dist(s, (x, top)) + math.dist((x, top), end) - math.dist(s, end)
            lost += diffraction_db(f, -delta if line <= top else delta, 0.0)
            lost -= 10 * math.log10(1 - alpha[OCTAVES_HZ.index(f)])
        out.append(20 * math.log10(d) + 11 + absorbed * d / 1000 + lost)
    return out

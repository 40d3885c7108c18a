"""Edges under a rubber band, and walls that reflect: a second, scalar implementation for two methods.

Gl. 27 of 16. BImSchV, Annex 2, and equation 19 of ISO 9613-2:1996 (from memory) are the same condition.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import shapely

Point = tuple[float, float]


@dataclass
class Mirror:
    """A wall on an unfolded path: distance in plan, top, foot, cosine of incidence in plan, length, energy kept."""

    x: float
    top: float
    foot: float
    cosine: float
    length: float
    kept: Sequence[float]


def rubber_band(s: Point, r: Point, edges: Sequence[Point]) -> list[Point]:
    """Those of the edges that a band from s to r over all of them touches."""
    line = shapely.LineString([s, *edges, r])
    hull = line.convex_hull
    if hull.geom_type != "Polygon":
        return []
    corners = set(hull.exterior.coords)
    return sorted({e for e in edges if e in corners and e[1] > s[1] + (r[1] - s[1]) * (e[0] - s[0]) / (r[0] - s[0])})


def height_at(x: float, s: Point, r: Point, edges: Sequence[Point]) -> float:
    """Of the band at a place."""
    way = [s, *rubber_band(s, r, edges), r]
    (xa, za), (xb, zb) = next((a, b) for a, b in pairwise(way) if a[0] <= x <= b[0])
    return za + (zb - za) * (x - xa) / (xb - xa)


def kept_energy(
    wavelengths: Sequence[float], mirrors: Sequence[Mirror], s: Point, r: Point, edges: Sequence[Point]
) -> list[float]:
    """Share of the energy that all walls leave, per band."""
    out = []
    d, d_p = math.dist(s, r), r[0] - s[0]
    for band, wavelength in enumerate(wavelengths):
        energy = 1.0
        for m in mirrors:
            z = height_at(m.x, s, r, edges)
            d_so = d * m.x / d_p
            d_or = d - d_so
            l_min, beta = min(m.length, m.top - m.foot), math.acos(min(1.0, m.cosine * d_p / d))
            large = l_min * math.cos(beta) > math.sqrt(2 * wavelength / (1 / d_so + 1 / d_or))
            energy *= m.kept[band] if large and m.foot <= z <= m.top and m.kept[band] > 0.2 else 0.0
        out.append(energy)
    return out

"""Footprints of buildings: repaired where it is plain what was meant, kept apart, and cut into simple rings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.layers import Rings
from lineside.project.wording import number

#: Corners that bend the outline by less than this are left out. [m]
STRAIGHT_M = 1e-3
#: Courtyards and separate pieces smaller than this are left out. [m2]
SMALL_M2 = 1.0
#: A self-crossing outline is repaired if what that changes is at most this part of its area.
REPAIR_RATIO = 0.01
_NO_AREA_M2 = 0.01
_SLIVER_M2 = 1e-4


@dataclass(frozen=True, eq=False)
class LoadedBuilding:
    """A building as the project gives it, its footprint sound and clear of the others.

    ``parts``: rings (n, 2) without holes that together make the footprint, counter-clockwise; ``outlines``: rings
    along its facades, the outside to the right of the way along each (courtyards run clockwise). Not closed. [m]
    ``height_m`` counts from the lowest ground along the outlines; if it is None, ``top_z_m`` is the absolute height of
    the top. ``absorption`` (8,) of the walls. ``layer``: id of the building file that it comes from, if any.
    """

    id: str
    name: str
    parts: tuple[Array, ...]
    outlines: tuple[Array, ...]
    height_m: float | None
    top_z_m: float | None
    floors: int | None
    absorption: Array
    use: str
    area: str | None
    dwellings: float
    persons: float
    one_facade: bool
    layer: str | None = None

    @property
    def area_m2(self) -> float:
        """Base area."""
        return sum(ring_area(ring) for ring in self.parts)


class FootprintProblem(Exception):
    """Why corners make no footprint; ``hint``: what to do."""

    def __init__(self, message: str, hint: str = "") -> None:
        super().__init__(message)
        self.message, self.hint = message, hint


def ring_area(ring: Array) -> float:
    """Area inside a ring, above 0 if it is counter-clockwise. [m2]"""
    x, y = (ring - ring[0]).T
    return float(0.5 * (x @ np.roll(y, -1) - y @ np.roll(x, -1)))


def footprint(polygons: Sequence[Rings]) -> tuple[Any, str]:
    """The area that polygons cover together, and what was repaired in words (empty: nothing).

    Returns
    -------
    (shapely Polygon or MultiPolygon, str)

    Raises
    ------
    FootprintProblem
    """
    from shapely import unary_union

    sound, repairs = zip(*(_sound(rings) for rings in polygons), strict=True)
    union = unary_union(sound) if len(sound) > 1 else sound[0]
    return tidy(union), "; ".join(r for r in repairs if r)


def _sound(rings: Rings) -> tuple[Any, str]:
    from shapely import MultiPolygon, Polygon, get_parts, make_valid

    if len(np.unique(rings[0], axis=0)) < 3:
        raise FootprintProblem("has fewer than three different corners")
    holes = [ring for ring in rings[1:] if len(np.unique(ring, axis=0)) >= 3]
    polygon = Polygon(rings[0], holes)
    if Polygon(rings[0]).convex_hull.area < _NO_AREA_M2:
        raise FootprintProblem("has no area")
    if polygon.is_valid:
        return polygon, ""
    where = crossing(polygon)
    pieces = [p for p in get_parts(make_valid(polygon)) if p.geom_type in ("Polygon", "MultiPolygon")]
    pieces = [part for p in pieces for part in get_parts(p)]
    meant = abs(ring_area(rings[0])) - sum(abs(ring_area(ring)) for ring in holes)
    changed = abs(sum(p.area for p in pieces) - meant)
    if not pieces or changed > REPAIR_RATIO * meant:
        raise FootprintProblem(
            f"the outline crosses itself{where}", "give the corners in order along the outline, each building by itself"
        )
    kept = [p for p in pieces if p.area > REPAIR_RATIO * meant]
    return MultiPolygon(kept) if len(kept) > 1 else kept[0], f"the outline touches or crosses itself{where}"


def crossing(polygon: Any) -> str:
    """Where a polygon is not valid, in words for a message."""
    from shapely.validation import explain_validity

    text = explain_validity(polygon)
    if not (text.endswith("]") and "[" in text):
        return ""
    x, y = (number(round(float(v), 2)) for v in text[text.index("[") + 1 : -1].split()[:2])
    return f" near [{x}, {y}]"


def tidy(shape: Any) -> Any:
    """Without corners on straight sides, small courtyards and small pieces beside larger ones."""
    from shapely import MultiPolygon, Polygon, get_parts

    pieces = [p for p in get_parts(shape.simplify(STRAIGHT_M)) if p.area > _SLIVER_M2]
    large = [p for p in pieces if p.area >= SMALL_M2] or pieces
    filled = [Polygon(p.exterior, [h for h in p.interiors if Polygon(h).area >= SMALL_M2]) for p in large]
    return MultiPolygon(filled) if len(filled) != 1 else filled[0]


def outlines(shape: Any) -> tuple[Array, ...]:
    """Rings along the facades of a footprint, the outside to the right."""
    from shapely import get_parts
    from shapely.geometry.polygon import orient

    rings = [ring for p in get_parts(shape) for q in [orient(p)] for ring in (q.exterior, *q.interiors)]
    return tuple(np.array(ring.coords)[:-1] for ring in rings)


def simple_rings(shape: Any) -> tuple[Array, ...]:
    """The footprint as counter-clockwise rings without holes: one with a courtyard is cut in two through its middle."""
    from shapely import box, get_parts
    from shapely.geometry.polygon import orient

    out: list[Array] = []
    left = [p for p in get_parts(shape) if p.geom_type == "Polygon"]
    while left:
        polygon = left.pop(0)
        if not polygon.interiors:
            if polygon.area > _SLIVER_M2:
                out.append(np.array(orient(polygon).exterior.coords)[:-1])
            continue
        x = polygon.interiors[0].centroid.x
        x_min, y_min, x_max, y_max = polygon.bounds
        for low, high in pairwise((x_min - 1.0, x, x_max + 1.0)):
            cut = polygon.intersection(box(low, y_min - 1.0, high, y_max + 1.0))
            left += [p for p in get_parts(cut) if p.geom_type == "Polygon"]
    return tuple(out)

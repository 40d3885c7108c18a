"""Shapes of the plan as paths of SVG: whole decimetres from the upper left corner of the view, y downwards."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lineside.results.model import XY

if TYPE_CHECKING:
    from shapely import Geometry

PER_M = 10


@dataclass(frozen=True)
class Frame:
    """The part of the plan that is shown at first, in its own coordinates. [m]"""

    x_min: float
    x_max: float
    y_min: float
    y_max: float

    @property
    def width(self) -> int:
        return max(round((self.x_max - self.x_min) * PER_M), 1)

    @property
    def height(self) -> int:
        return max(round((self.y_max - self.y_min) * PER_M), 1)

    def at(self, x: float, y: float) -> tuple[int, int]:
        """A place in decimetres.

        >>> Frame(0.0, 10.0, 0.0, 5.0).at(1.0, 4.96)
        (10, 0)
        """
        return round((x - self.x_min) * PER_M), round((self.y_max - y) * PER_M)

    def line(self, xy: Iterable[XY], closed: bool = False) -> str:
        """A line, or a ring, as steps from point to point.

        >>> Frame(0.0, 10.0, 0.0, 5.0).line([(0.0, 5.0), (1.0, 5.0), (1.0, 4.0)])
        'M0 0l10 0 0 10'
        """
        points = [self.at(x, y) for x, y in xy]
        if closed and len(points) > 1 and points[0] == points[-1]:
            points.pop()
        if not points:
            return ""
        (x, y), steps = points[0], []
        for next_x, next_y in points[1:]:
            if (next_x, next_y) != (x, y):
                steps.append(f"{next_x - x} {next_y - y}")
                x, y = next_x, next_y
        text = f"M{points[0][0]} {points[0][1]}" + ("l" + " ".join(steps) if steps else "h0")
        return text.replace(" -", "-") + ("z" if closed else "")

    def rings(self, rings: Iterable[Sequence[XY]]) -> str:
        """An area with its holes."""
        return "".join(self.line(ring, closed=True) for ring in rings)

    def shape(self, geometry: Geometry) -> str:
        """Polygons of shapely."""
        from shapely import get_coordinates, get_parts, get_rings

        rings = (get_coordinates(ring).tolist() for part in get_parts(geometry) for ring in get_rings(part))
        return self.rings([(x, y) for x, y in ring] for ring in rings)

    def dots(self, xy: Iterable[XY]) -> str:
        """Lines without length, which round ends make dots.

        >>> Frame(0.0, 10.0, 0.0, 5.0).dots([(1.0, 5.0), (2.0, 5.0)])
        'M10 0h0M20 0h0'
        """
        return "".join(f"M{x} {y}h0" for x, y in (self.at(*point) for point in xy))

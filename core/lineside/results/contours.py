"""Contours of levels on a grid, as polygons.

Between the points levels are interpolated linearly along the sides of the cells; the polygons of one map lie edge to
edge and together cover the whole grid where levels are known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from lineside.acoustics.bands import Array
from lineside.results.model import Level
from lineside.scene.model import BoolArray

if TYPE_CHECKING:
    from shapely import Geometry

CLASS_DB = 5.0
MAX_CLASSES = 9


@dataclass(frozen=True, eq=False)
class Band:
    """The area in which a level lies between two borders.

    ``lower`` and ``upper``: the borders, None where the class is open; ``shape``: a valid polygon or multipolygon
    (shapely), empty where no level lies in the class.
    """

    lower: float | None
    upper: float | None
    shape: Geometry

    @property
    def area_m2(self) -> float:
        """Area in plan, holes left out."""
        return float(self.shape.area)


def as_array(rows: Sequence[Sequence[Level]], absent: float = -np.inf) -> Array:
    """Rows of levels as an array, (n_y, n_x); ``absent`` where there is none."""
    return np.array([[absent if v is None else v for v in row] for row in rows], dtype=np.float64)


def level_edges(levels: Array) -> Array:
    """Borders of the classes of a level map: multiples of 5 dB that hold the levels, the quietest ones put together."""
    finite = levels[np.isfinite(levels)]
    low = np.floor(finite.min() / CLASS_DB) * CLASS_DB
    high = max(np.ceil(finite.max() / CLASS_DB) * CLASS_DB, low + CLASS_DB)
    edges = np.arange(low, high + CLASS_DB / 2, CLASS_DB)
    return edges[-(MAX_CLASSES + 1) :]


def bands(x: Array, y: Array, values: Array, edges: Sequence[float]) -> tuple[Band, ...]:
    """The areas between borders, from the lowest class to the highest.

    The lowest and the highest class are open: they hold whatever lies beyond the first and the last border.

    Parameters
    ----------
    x, y : ndarray, (n_x,) and (n_y,), or (n_y, n_x) each
        Places of the points. [m]
    values : ndarray, (n_y, n_x)
        Levels [dB]: ``-inf`` is silence and belongs to the lowest class; NaN is not known, and the cells around such
        a point belong to no class.
    edges : sequence of float
        Rising borders, at least one; n of them make n + 1 classes. [dB]

    Returns
    -------
    tuple of Band
        Valid, without overlaps.
    """
    from contourpy import FillType, contour_generator

    limits = np.asarray(edges, dtype=np.float64)
    known = values[np.isfinite(values)]
    low = float(known.min(initial=limits[0])) - CLASS_DB
    high = float(known.max(initial=limits[-1])) + CLASS_DB
    shown = np.where(values == -np.inf, low, values)
    generator = contour_generator(
        x, y, np.ma.masked_invalid(shown), name="serial", corner_mask=False, fill_type=FillType.OuterOffset
    )
    steps = [low - CLASS_DB, *limits, high]
    borders = [None, *(float(v) for v in limits), None]
    return tuple(
        Band(lower, upper, _polygons(*generator.filled(below, above)))
        for (lower, upper), (below, above) in zip(pairwise(borders), pairwise(steps), strict=True)
    )


def _polygons(points: Sequence[Array], offsets: Sequence[Array]) -> Geometry:
    """Outer rings with their holes as one valid shape.

    Where a level equals a border at a point of the grid, rings may touch themselves or have no area; such ones are
    taken apart.
    """
    import shapely

    if not points:
        return shapely.MultiPolygon()
    sizes = np.concatenate([np.diff(offset.astype(np.int64)) for offset in offsets])
    linear = shapely.linearrings(np.concatenate(points), indices=np.repeat(np.arange(sizes.size), sizes))
    outer = np.cumsum([0, *(len(offset) - 1 for offset in offsets)])
    found = np.array([shapely.polygons(linear[k], linear[k + 1 : end]) for k, end in pairwise(outer.tolist())])
    faulty = ~shapely.is_valid(found)
    if faulty.any():
        found[faulty] = shapely.make_valid(found[faulty], method="structure", keep_collapsed=False)
    parts = shapely.get_parts(found)
    parts = parts[(shapely.get_type_id(parts) == shapely.GeometryType.POLYGON) & (shapely.area(parts) > 0.0)]
    whole = shapely.multipolygons(parts)
    return whole if shapely.is_valid(whole) else shapely.union_all(parts)


def filled_in(values: Array, absent: BoolArray) -> Array:
    """Values with absent ones taken from the nearest points that have one, so that contours end at walls.

    Parameters
    ----------
    values : ndarray, (n_y, n_x)
    absent : ndarray of bool, (n_y, n_x)
        Points without a value, such as those inside buildings.
    """
    out = np.where(absent, np.nan, values)
    if absent.all():
        return out
    while (missing := np.isnan(out) & absent).any():
        around = np.pad(out, 1, constant_values=np.nan)
        beside = np.stack([around[:-2, 1:-1], around[2:, 1:-1], around[1:-1, :-2], around[1:-1, 2:]])
        n = (~np.isnan(beside)).sum(axis=0)
        with np.errstate(invalid="ignore"):
            mean = np.nansum(beside, axis=0) / np.maximum(n, 1)
        reached = missing & (n > 0)
        if not reached.any():
            break
        out = np.where(reached, mean, out)
    return out


def without(found: Sequence[Band], footprints: Geometry) -> tuple[Band, ...]:
    """Areas with something cut out of them, such as buildings."""
    import shapely

    if footprints.is_empty:
        return tuple(found)
    shapes = shapely.difference([b.shape for b in found], footprints)
    kept = [shapely.get_parts(shape) for shape in shapes]
    areas = [parts[shapely.get_type_id(parts) == shapely.GeometryType.POLYGON] for parts in kept]
    return tuple(Band(b.lower, b.upper, shapely.multipolygons(parts)) for b, parts in zip(found, areas, strict=True))

"""Heights of the ground, read from where the project file says they stand: cut out, holes filled, coverage checked."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem
from lineside.project.check_coordinates import FAR_M
from lineside.project.heights import read_heights
from lineside.project.maps import SectionMap
from lineside.project.model import EpsgCoordinates, RasterTerrain
from lineside.project.problems import Loc
from lineside.project.raster import Box, RasterFile, read_raster
from lineside.project.resolve import Resolved, Resolver
from lineside.project.resolve_buildings import selected
from lineside.project.triangles import raster_of_points
from lineside.project.wording import number, shown
from lineside.scene.grid_lines import grid_lines
from lineside.scene.model import BoolArray, Raster

#: Ground that is kept around the site, for slopes and paths that leave it. [m]
AROUND_M = 250.0
#: Holes are filled from their neighbours if they are no wider than this and than so many cells.
HOLE_M, HOLE_CELLS = 50.0, 10
_PATH: Loc = ("site", "terrain")


def resolve_terrain(resolver: Resolver, resolved: Resolved) -> None:
    """Read the terrain of a site, once its tracks, receivers, barriers and buildings are known."""
    site = resolver.draft.site
    given = site.terrain if site is not None else None
    hull = site_hull(resolver, resolved)
    if given is None or hull is None:
        return
    low_x, low_y, high_x, high_y = hull.bounds
    wanted = (low_x - AROUND_M, low_y - AROUND_M, high_x + AROUND_M, high_y + AROUND_M)
    if isinstance(given, RasterTerrain):
        found = _read_file(resolver, given.file, wanted)
        where, file = (*_PATH, "file"), given.file
    else:
        points = read_heights(resolver, given)
        found = raster_of_points(resolver.reporter, points, given.step_m, wanted) if points is not None else None
        where, file = (*_PATH, "files"), ", ".join(given.files)
    if found is None:
        return
    for remark in found.remarks:
        resolver.reporter.put(remark)
    if not _check_cover(resolver, where, file, found.extent, hull):
        return
    _check_buildings(resolver, resolved, where, file, found.extent)
    resolved.raster = _without_holes(resolver, where, file, found.raster, hull)


def site_hull(resolver: Resolver, resolved: Resolved) -> Any:
    """Convex outline in plan around all that needs ground below it (shapely); None if no track is known."""
    from shapely import LineString, MultiPoint, Point, box, get_coordinates, union_all

    if not resolved.points:
        return None
    tracks = MultiPoint(np.concatenate([p.array[:, :2] for p in resolved.points.values()]))

    def near(shapes: Iterable[Any]) -> list[Any]:
        """Those that are not misplaced."""
        return [shape for shape in shapes if shape.distance(tracks) <= FAR_M]

    receivers = near(Point(r.position) for r in resolver.draft.receivers.values())
    beside = [LineString(p.array) for p in resolved.lines.values()]
    beside += [LineString(b.line) for b in resolver.draft.readable("banks").values()]
    entries = resolver.draft.readable("facade_receivers").values()
    beside += [b.shape for b in resolved.buildings if any(selected(e, b.data) for e in entries)]
    beside += [LineString(m.line) for m in resolver.draft.maps.values() if isinstance(m, SectionMap)]
    around = [tracks, *receivers, *near(beside)]
    grid = resolver.draft.calculation.grid if resolver.draft.calculation is not None else None
    if grid is not None:
        heard = get_coordinates([tracks, *receivers])
        first, last = grid_lines(heard, grid.spacing_m, grid.margin_m)
        around.append(box(*(first * grid.spacing_m), *(last * grid.spacing_m)))
    return union_all(around).convex_hull


def _read_file(resolver: Resolver, file: str, wanted: Box) -> RasterFile | None:
    found = resolver.guarded((*_PATH, "file"), lambda: read_raster(resolver.folder.read(file), file, wanted))
    return found if found is not None and _check_system(resolver, file, found.system) else None


def _check_system(resolver: Resolver, file: str, named: str) -> bool:
    """Whether the coordinate system that a raster names (WKT) is the project's, as far as that is known."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    site = resolver.draft.site
    if not named or site is None:
        return True
    try:
        system = CRS.from_wkt(named)
    except CRSError:
        resolver.check_system(file, None, shown(named, quote=False))
        return False
    parts = [(p.source_crs or p) if p.is_bound else p for p in system.sub_crs_list or [system]]
    units = {axis.unit_name for part in parts for axis in part.axis_info} - {"metre"}
    if units:
        resolver.reporter.put(
            Problem(
                f"counts {' and '.join(sorted(units))}",
                file,
                found=shown(system.name, quote=False, longest=200),
                allowed="a projected system in metres, and heights in metres",
                hint="transform the raster into the coordinates of the project",
            )
        )
        return False
    code = parts[0].to_epsg()
    if isinstance(site.coordinates, EpsgCoordinates):
        try:
            same = CRS.from_epsg(site.coordinates.code).equals(parts[0], ignore_axis_order=True)
        except CRSError:
            return True  # reported where it stands
        code = site.coordinates.code if same else code
    resolver.check_system(file, code, parts[0].name)
    return not isinstance(site.coordinates, EpsgCoordinates) or code == site.coordinates.code


def _check_cover(resolver: Resolver, path: Loc, file: str, extent: Box, hull: Any) -> bool:
    """Whether the heights reach around the site."""
    low_x, low_y, high_x, high_y = hull.bounds
    lacks = {
        "west": extent[0] - low_x,
        "south": extent[1] - low_y,
        "east": high_x - extent[2],
        "north": high_y - extent[3],
    }
    short = {side: lack for side, lack in lacks.items() if lack > 0.005}
    if not short:
        return True
    words = ", ".join(f"{number(round(lack, 2))} m in the {side}" for side, lack in short.items())
    apart = extent[0] > high_x or extent[2] < low_x or extent[1] > high_y or extent[3] < low_y
    corners = [f"[{number(round(x, 2))}, {number(round(y, 2))}]" for x, y in (hull.bounds[:2], hull.bounds[2:])]
    own = [f"[{number(round(x, 2))}, {number(round(y, 2))}]" for x, y in (extent[:2], extent[2:])]
    calculation = resolver.draft.calculation
    on_grid = calculation is not None and calculation.grid is not None
    smaller = ", or take a smaller margin_m or spacing_m of calculation.grid" if on_grid else ""
    resolver.reporter.add(
        path,
        f"{shown(file, quote=False)} does not cover the site with its tracks, receivers, barriers, banks, sections and "
        "grid: " + ("they lie apart" if apart else f"it lacks {words}"),
        found=f"heights from {own[0]} to {own[1]}",
        allowed=f"at least from {corners[0]} to {corners[1]}",
        hint="another coordinate system?" if apart else f"add the missing ground{smaller}",
    )
    return False


def _check_buildings(resolver: Resolver, resolved: Resolved, path: Loc, file: str, extent: Box) -> None:
    """Say which buildings that only shield and reflect stand beyond the heights, at least in part."""
    from shapely import MultiPoint, bounds, distance

    if not resolved.buildings:
        return
    shapes = np.array([b.shape for b in resolved.buildings], dtype=object)
    box = bounds(shapes)
    out = (box[:, :2] < np.array(extent[:2]) - 0.005).any(axis=1) | (box[:, 2:] > np.array(extent[2:]) + 0.005).any(
        axis=1
    )
    tracks = MultiPoint(np.concatenate([p.array[:, :2] for p in resolved.points.values()]))
    out &= distance(shapes, tracks) <= FAR_M  # others are reported as misplaced
    ids = [resolved.buildings[k].data.id for k in np.flatnonzero(out)]
    if not ids:
        return
    more = f" and {len(ids) - 1} more" if len(ids) > 1 else ""
    resolver.reporter.add(
        path,
        f"{shown(file, quote=False)} does not reach below building {shown(ids[0])}{more}: the ground there is taken to "
        "go on as at its edge",
        found="",
        hint="add the missing ground, or leave out buildings that stand far from all paths",
        severity="warning",
    )


def _without_holes(resolver: Resolver, path: Loc, file: str, raster: Raster, hull: Any) -> Raster | None:
    """The raster with small holes filled; None, with the reason reported, if a large one lies in the site."""
    z = raster.z_m.copy()
    hole = np.isnan(z)
    if not hole.any():
        return raster
    needed = _near(raster, hull)
    if hole.all():
        resolver.reporter.add(path, f"{shown(file, quote=False)} holds no height at the site")
        return None
    n_before = int((hole & needed).sum())
    most = int(min(HOLE_CELLS, HOLE_M / raster.step_m) + 1) // 2
    for _ in range(max(most, 1)):
        if not (np.isnan(z) & needed).any():
            break
        z = _grown(z)
    left = np.isnan(z) & needed
    if left.any():
        j, i = (int(v) for v in _middle(left))
        resolver.reporter.add(
            path,
            f"{shown(file, quote=False)} has a hole around [{number(round(raster.x0_m + i * raster.step_m, 1))}, "
            f"{number(round(raster.y0_m + j * raster.step_m, 1))}]: {n_before} heights are missing in the site",
            allowed=f"holes up to {number(min(HOLE_CELLS * raster.step_m, HOLE_M))} m wide, which are filled",
            hint="fill it, for water with the height of its surface",
            found="",
        )
        return None
    if n_before:
        resolver.reporter.add(
            path,
            f"{shown(file, quote=False)} lacks {n_before} heights in the site: they were filled from their neighbours",
            found="",
            severity="warning",
        )
    return Raster(raster.x0_m, raster.y0_m, raster.step_m, _spread(z))


def _near(raster: Raster, hull: Any) -> BoolArray:
    """Points of a raster whose heights count inside an outline."""
    from shapely import contains_xy, prepare

    area = hull.buffer(1.5 * raster.step_m)
    prepare(area)
    x = raster.x0_m + raster.step_m * np.arange(raster.z_m.shape[1])
    return np.stack([contains_xy(area, x, raster.y0_m + raster.step_m * j) for j in range(len(raster.z_m))])


def _grown(z: Array) -> Array:
    """Heights with those unknown ones that have known neighbours set to the mean of these."""
    padded = np.pad(z, 1, constant_values=np.nan)
    total, n = np.zeros_like(z), np.zeros_like(z)
    for dj in (0, 1, 2):
        for di in (0, 1, 2):
            near = padded[dj : dj + z.shape[0], di : di + z.shape[1]]
            known = np.isfinite(near)
            total += np.where(known, near, 0.0)
            n += known
    return np.where(np.isnan(z) & (n > 0), total / np.maximum(n, 1.0), z)


def _middle(mask: BoolArray) -> Array:
    """The marked cell nearest to the middle of all marked ones: row and column."""
    at = np.argwhere(mask)
    return np.asarray(at[np.argmin(((at - at.mean(axis=0)) ** 2).sum(axis=1))])


def _spread(z: Array) -> Array:
    """Heights without gaps: outside the site, where none counts, they go on as known ones of the row."""
    for axis in (1, 0):
        for _ in range(2):
            known = np.isfinite(z)
            shape = [1, 1]
            shape[axis] = z.shape[axis]
            last = np.maximum.accumulate(np.where(known, np.arange(z.shape[axis]).reshape(shape), -1), axis=axis)
            z = np.where(last >= 0, np.take_along_axis(z, np.maximum(last, 0), axis), np.nan)
            z = np.flip(z, axis)
    return np.ascontiguousarray(z)

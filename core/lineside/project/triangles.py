"""Heights at points joined by triangles, and drawn onto a raster."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem
from lineside.project.heights import HeightPart
from lineside.project.problems import Reporter
from lineside.project.raster import MAX_CELLS, Box, RasterFile
from lineside.project.wording import number, shown
from lineside.scene.model import IntArray, Raster

#: Points nearer to each other than this in plan are one; heights that differ by more than this contradict each other.
SAME_PLACE_M, SAME_HEIGHT_M = 0.01, 0.01
#: More points than this take too long to join.
MAX_POINTS = 500_000
#: Points, some of which may lie at one place, that are laid out before they are counted.
_MOST_GATHERED = 4 * MAX_POINTS
_MAX_PROBLEMS = 10
#: Triangles that are drawn at a time; rounding of nodes on their edges, in steps.
_BLOCK, _ON_EDGE = 20_000, 1e-9


def raster_of_points(reporter: Reporter, parts: Sequence[HeightPart], step_m: float, wanted: Box) -> RasterFile | None:
    """Heights between points, linear on the triangles that join them (Delaunay); lines are followed at each step.

    Parameters
    ----------
    parts : sequence of HeightPart
    step_m : float
        Step of the raster.
    wanted : tuple
        The box that it shall fill.

    Returns
    -------
    RasterFile or None
        NaN outside the hull of all points; None, with the reasons reported, if the points do not do.
    """
    file = ", ".join(dict.fromkeys(shown(p.file, quote=False) for p in parts))
    n_points = sum(_n_points(part, step_m) for part in parts)
    if n_points > _MOST_GATHERED:
        _report_many(reporter, n_points, file)
        return None
    points, of, row = _gather(parts, step_m)
    if not _check(reporter, parts, points, of, row, file):
        return None
    corner = np.array(wanted[:2])
    low = np.floor(corner / step_m) * step_m
    n_x, n_y = (int(np.ceil((wanted[k + 2] - low[k]) / step_m)) + 1 for k in (0, 1))
    if n_x * n_y > MAX_CELLS:
        message = f"step_m makes a raster of {n_x * n_y} heights around the site"
        reporter.add(("site", "terrain", "step_m"), message, allowed=f"up to {MAX_CELLS}", hint="take a wider step")
        return None
    z = _drawn(points, low, step_m, n_x, n_y)
    if z is None:
        reporter.put(Problem("has points on one line only: they span no ground", file))
        return None
    extent = (*points[:, :2].min(axis=0), *points[:, :2].max(axis=0))
    return RasterFile(Raster(float(low[0]), float(low[1]), step_m, z), tuple(float(v) for v in extent))  # type: ignore[arg-type]


def _n_points(part: HeightPart, step_m: float) -> int:
    """How many points a part makes, those between included."""
    xyz = part.xyz_m
    if not part.line or len(xyz) < 2:
        return len(xyz)
    between = np.maximum(np.ceil(np.linalg.norm(np.diff(xyz[:, :2], axis=0), axis=1) / step_m), 1.0)
    return int(between.sum()) + 1


def _gather(parts: Sequence[HeightPart], step_m: float) -> tuple[Array, IntArray, IntArray]:
    """All points (n, 3), of lines also those between at each step; the part and the row of each, -1: between."""
    points, of, row = [np.empty((0, 3))], [np.empty(0, dtype=np.int64)], [np.empty(0, dtype=np.int64)]
    for k, part in enumerate(parts):
        xyz, rows = part.xyz_m, np.arange(len(part.xyz_m))
        if part.line and len(xyz) > 1:
            run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz[:, :2], axis=0), axis=1))])
            n = np.maximum(np.ceil(np.diff(run) / step_m - 1e-9).astype(np.int64), 1)
            first = np.concatenate([[0], np.cumsum(n)])
            place = np.interp(np.arange(first[-1] + 1), first, np.arange(len(xyz), dtype=np.float64))
            xyz = np.column_stack([np.interp(place, np.arange(len(part.xyz_m)), part.xyz_m[:, i]) for i in range(3)])
            rows = np.where(np.isin(np.arange(first[-1] + 1), first), np.round(place).astype(np.int64), -1)
        points.append(xyz)
        of.append(np.full(len(xyz), k, dtype=np.int64))
        row.append(rows.astype(np.int64))
    return np.concatenate(points), np.concatenate(of), np.concatenate(row)


def _check(
    reporter: Reporter, parts: Sequence[HeightPart], points: Array, of: IntArray, row: IntArray, file: str
) -> bool:
    n_different = len(np.unique(np.round(points[:, :2] / SAME_PLACE_M), axis=0))
    if n_different < 3:
        reporter.put(Problem(f"has {n_different} different points with heights", file, allowed="at least three"))
        return False
    if n_different > MAX_POINTS:
        _report_many(reporter, n_different, file)
        return False
    doubled = _report_doubled(reporter, parts, points, of, row)
    crossed = _report_crossing(reporter, parts)
    return not (doubled or crossed)


def _report_many(reporter: Reporter, n: int, file: str) -> None:
    hint = "thin them out, or cut out the site"
    reporter.put(Problem(f"has {n} points with heights", file, allowed=f"up to {MAX_POINTS}", hint=hint))


def _report_doubled(
    reporter: Reporter, parts: Sequence[HeightPart], points: Array, of: IntArray, row: IntArray
) -> bool:
    """Report given points that lie at one place in plan at different heights."""
    given = np.flatnonzero(row >= 0)
    cell = np.round(points[given, :2] / SAME_PLACE_M)
    order = np.lexsort((points[given, 2], cell[:, 1], cell[:, 0]))
    same = np.all(cell[order][1:] == cell[order][:-1], axis=1)
    apart = same & (np.diff(points[given[order], 2]) > SAME_HEIGHT_M)
    for n in np.flatnonzero(apart)[:_MAX_PROBLEMS]:
        one, other = sorted((int(given[order[n]]), int(given[order[n + 1]])))
        part, before = parts[of[other]], parts[of[one]]
        where = before.problem(int(row[one]), "")
        place = f"{before.file}, line {where.line}" if where.line else f"{before.file}, {where.place}"
        message = f"the height {number(points[other, 2])} m at {_at(points[other])} differs from {place}"
        reporter.put(
            part.problem(
                int(row[other]),
                message,
                found=f"{number(points[other, 2])} m and {number(points[one, 2])} m",
                allowed="one height at one place",
            )
        )
    return bool(apart.any())


def _report_crossing(reporter: Reporter, parts: Sequence[HeightPart]) -> bool:
    """Report contour lines of different heights that cross or touch."""
    from shapely import LineString, STRtree

    # one without length is a point, and told where its height differs from that of another
    contours = [p for p in parts if p.contour and np.ptp(p.xyz_m[:, :2], axis=0).any()]
    if len(contours) < 2:
        return False
    lines = [LineString(p.xyz_m[:, :2]) for p in contours]
    z = np.array([p.xyz_m[0, 2] for p in contours])
    one, other = STRtree(lines).query(lines, predicate="intersects")
    crossed = [(int(a), int(b)) for a, b in zip(one, other, strict=True) if a < b and z[a] != z[b]]
    for a, b in crossed[:_MAX_PROBLEMS]:
        at = lines[a].intersection(lines[b]).representative_point()
        reporter.put(
            contours[b].problem(
                0,
                f"the contour line of {number(z[b])} m crosses that of {number(z[a])} m "
                f"({contours[a].file}, {contours[a].place}) at {_at((at.x, at.y))}",
                hint="correct one of them: the ground has one height at one place",
            )
        )
    return bool(crossed)


def _at(point: Any) -> str:
    return f"[{number(round(float(point[0]), 2))}, {number(round(float(point[1]), 2))}]"


def _drawn(points: Array, low: Array, step_m: float, n_x: int, n_y: int) -> Array | None:
    """Heights on the nodes of a raster, NaN outside all triangles, (n_y, n_x); None if there are no triangles."""
    from shapely import MultiPoint, delaunay_triangles, get_coordinates, get_parts

    _, first = np.unique(np.round(points[:, :2] / SAME_PLACE_M), axis=0, return_index=True)
    kept = (points[np.sort(first)] - [*low, 0.0]) / [step_m, step_m, 1.0]
    place = kept[:, 0] + 1j * kept[:, 1]
    order = np.argsort(place)
    corners = get_coordinates(get_parts(delaunay_triangles(MultiPoint(kept[:, :2])))).reshape(-1, 4, 2)[:, :3]
    if not len(corners):
        return None
    heights = kept[order[np.searchsorted(place[order], corners[..., 0] + 1j * corners[..., 1])], 2]
    out = np.full((n_y, n_x), np.nan)
    for start in range(0, len(corners), _BLOCK):
        _draw(out, corners[start : start + _BLOCK], heights[start : start + _BLOCK])
    return out


def _draw(out: Array, corners: Array, heights: Array) -> None:
    """Draw triangles row by row.

    Parameters
    ----------
    out : ndarray, (n_y, n_x)
        Heights at whole numbers of x and y; written to.
    corners : ndarray, (n, 3, 2)
    heights : ndarray, (n, 3)
    """
    edge = corners[:, 1:] - corners[:, :1]
    area = edge[:, 0, 0] * edge[:, 1, 1] - edge[:, 0, 1] * edge[:, 1, 0]
    rise = heights[:, 1:] - heights[:, :1]
    with np.errstate(divide="ignore", invalid="ignore"):
        slope_x = (rise[:, 0] * edge[:, 1, 1] - rise[:, 1] * edge[:, 0, 1]) / area
        slope_y = (rise[:, 1] * edge[:, 0, 0] - rise[:, 0] * edge[:, 1, 0]) / area
    bottom = np.clip(np.ceil(corners[:, :, 1].min(axis=1) - _ON_EDGE), 0, len(out)).astype(np.int64)
    top = np.clip(np.floor(corners[:, :, 1].max(axis=1) + _ON_EDGE) + 1, 0, len(out)).astype(np.int64)
    rows = np.where(area != 0.0, np.maximum(top - bottom, 0), 0)
    of, y = _each(bottom, rows)
    left, right = _across(corners[of], y.astype(np.float64))
    west = np.clip(np.ceil(left - _ON_EDGE), 0, out.shape[1]).astype(np.int64)
    east = np.clip(np.floor(right + _ON_EDGE) + 1, 0, out.shape[1]).astype(np.int64)
    row, x = _each(west, np.maximum(east - west, 0))
    k = of[row]
    step_x, step_y = x - corners[k, 0, 0], y[row] - corners[k, 0, 1]
    out[y[row], x] = heights[k, 0] + slope_x[k] * step_x + slope_y[k] * step_y


def _each(first: IntArray, n: IntArray) -> tuple[IntArray, IntArray]:
    """For each entry its number, and ``n`` whole numbers from ``first`` on, one after another."""
    of = np.repeat(np.arange(len(n)), n)
    return of, np.arange(len(of)) - np.repeat(np.cumsum(n) - n, n) + first[of]


def _across(corners: Array, y: Array) -> tuple[Array, Array]:
    """Where lines of constant y enter and leave triangles, (n,) each."""
    left, right = np.full(len(y), np.inf), np.full(len(y), -np.inf)
    for a, b in ((0, 1), (1, 2), (2, 0)):
        (x0, y0), (x1, y1) = corners[:, a].T, corners[:, b].T
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.where(y1 != y0, (y - y0) / (y1 - y0), 0.0)
        on = (t >= -_ON_EDGE) & (t <= 1.0 + _ON_EDGE) & ((y1 != y0) | (np.abs(y - y0) <= _ON_EDGE))
        x = x0 + np.clip(t, 0.0, 1.0) * (x1 - x0)
        level = on & (y1 == y0)
        left = np.where(on, np.minimum(left, np.where(level, np.minimum(x0, x1), x)), left)
        right = np.where(on, np.maximum(right, np.where(level, np.maximum(x0, x1), x)), right)
    return left, right

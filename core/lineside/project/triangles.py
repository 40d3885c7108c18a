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
MAX_POINTS = 1_000_000
_MAX_PROBLEMS = 10
_ROWS = 256


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
        hint = "thin them out, or cut out the site"
        reporter.put(Problem(f"has {n_different} points with heights", file, allowed=f"up to {MAX_POINTS}", hint=hint))
        return False
    doubled = _report_doubled(reporter, parts, points, of, row)
    crossed = _report_crossing(reporter, parts)
    return not (doubled or crossed)


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

    contours = [p for p in parts if p.contour]
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
    from matplotlib.tri import LinearTriInterpolator, Triangulation

    _, first = np.unique(np.round(points[:, :2] / SAME_PLACE_M), axis=0, return_index=True)
    kept = points[np.sort(first)] - np.array([*low, 0.0])
    try:
        joined = Triangulation(kept[:, 0], kept[:, 1])
    except (RuntimeError, ValueError):
        return None
    heights = LinearTriInterpolator(joined, kept[:, 2])
    x, out = step_m * np.arange(n_x), np.empty((n_y, n_x))
    for j in range(0, n_y, _ROWS):
        rows = step_m * np.arange(j, min(j + _ROWS, n_y))
        out[j : j + len(rows)] = np.ma.filled(heights(*np.meshgrid(x, rows)), np.nan)
    return out

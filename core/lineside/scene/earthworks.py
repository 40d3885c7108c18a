"""Earthworks along tracks as surfaces: cross-sections at stations, joined by straight lines."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.terrain import Earthwork
from lineside.scene.alignment import SAME_PLACE_M, Alignment, chainage_of
from lineside.scene.model import BoolArray, BreakSegments, IntArray, Strips

#: Heights of the ground at points in plan, (n, 2) -> (n,). [m]
Ground = Callable[[Array], Array]

#: Slopes are followed so far out from the edge of the formation. [m]
MOST_SLOPE_M = 200.0
#: Stations along an earthwork are no farther apart, and no nearer to each other unless the axis has vertices there. [m]
FARTHEST_M, NEAREST_M = 10.0, 3.0
#: Vertices of the axis nearer to one before than this make no station. [m]
_SAME_STATION_M = 0.5
#: Reach of the turn of the cross-section's direction on both sides of a vertex of the axis. [m]
_TURN_REACH_M = 30.0
#: Scatter of an alignment that does not turn the cross-sections. [m]
_SCATTER_M = 0.02
#: Tracks of one earthwork whose rail heads differ by less than this lie in one plane. [m]
_LEVEL_M = 0.01
_FLAT_M2 = 1e-6
_HALVINGS = 50


@dataclass(frozen=True, eq=False)
class CrossSections:
    """The surface of one earthwork.

    Attributes
    ----------
    at_m : ndarray, (n_stations,)
        Chainages along the axis, rising.
    xyz_m : ndarray, (n_stations, n_lines, 3)
        Points of the cross-sections, from left to right. The outermost lie on the ground.
    g : ndarray, (n_lines - 1,)
        Ground factor between neighbouring lines; NaN: by the ground areas.
    reached : ndarray, (n_stations, 2)
        Whether the left and the right side meet the ground.
    track_offset_m : ndarray, (n_stations, n_tracks)
        Distance of each track from the axis, positive to the left; in the order of ``Earthwork.all_tracks``.
    """

    at_m: Array
    xyz_m: Array
    g: Array
    reached: BoolArray
    track_offset_m: Array

    @property
    def outline(self) -> Array:
        """The outline in plan, (n, 2), not closed."""
        return np.concatenate([self.xyz_m[:, 0, :2], self.xyz_m[::-1, -1, :2]])


def cross_sections(
    work: Earthwork, alignments: Mapping[str, Alignment], ground: Ground, step_m: float | None = None
) -> CrossSections:
    """Lay an earthwork on the ground.

    Parameters
    ----------
    work : Earthwork
    alignments : mapping
        Alignments by id of the track.
    ground : callable
        Heights of the ground without this earthwork.
    step_m : float, optional
        Step of the raster that the ground comes from; stations are the closer, the finer it is.
    """
    axis = alignments[work.along]
    at = stations(axis, work.from_m, work.to_m, step_m)
    offset, rail = tracks_beside(work, alignments, at)
    left, right = np.argmax(offset, axis=1), np.argmin(offset, axis=1)
    rows = np.arange(len(at))
    o_left, o_right = offset[rows, left], offset[rows, right]
    z_left, z_right = rail[rows, left], rail[rows, right]
    along, normal, stretch = normals(axis, at)
    low, top = work.formation_below_rail_m, work.ballast_below_rail_m
    lines = [(o_left + work.formation_edge_m, z_left - low)]
    if low > top:
        lines.append((o_left + work.ballast_toe_m, z_left - low))
    lines.append((o_left + work.ballast_half_width_m, z_left - top))
    if np.any(np.ptp(rail, axis=1) > _LEVEL_M):
        for k in np.argsort(-offset.mean(axis=0)):
            lines.append((offset[:, k], rail[:, k] - top))
    lines.append((o_right - work.ballast_half_width_m, z_right - top))
    if low > top:
        lines.append((o_right - work.ballast_toe_m, z_right - low))
    lines.append((o_right - work.formation_edge_m, z_right - low))

    def place(offset_m: Array) -> Array:
        return along + normal * (offset_m * stretch)[:, None]

    reached = np.ones((len(at), 2), dtype=np.bool_)
    sides: tuple[Literal["left", "right"], ...] = ("left", "right")
    for k, side in enumerate(sides):
        edge, z = lines[0] if side == "left" else lines[-1]
        sign = 1.0 if side == "left" else -1.0
        ratio = work.slope_ratio(side)
        if ratio is None:
            out = (edge, ground(place(edge)))
        else:
            far, z_far, reached[:, k] = daylight(place, edge, sign, z, ratio, ground, step_m)
            out = (far, z_far)
        lines.insert(0 if side == "left" else len(lines), out)
    xyz = np.stack([np.column_stack([place(o), z]) for o, z in lines], axis=1)
    g = np.full(len(lines) - 1, 0.0 if work.over else np.nan)
    g[2:-2] = np.nan
    if work.ballast_g is not None:
        g[2:-2] = work.ballast_g
    return CrossSections(at_m=at, xyz_m=xyz, g=g, reached=reached, track_offset_m=offset)


def stations(axis: Alignment, from_m: float, to_m: float, step_m: float | None = None) -> Array:
    """Chainages of cross-sections: both ends, the vertices of the axis, and others evenly between them."""
    widest = FARTHEST_M if step_m is None else float(np.clip(2.0 * step_m, NEAREST_M, FARTHEST_M))
    inside = axis.chainage_m[(axis.chainage_m > from_m) & (axis.chainage_m < to_m)]
    kept = [from_m]
    for vertex in inside:
        nearest = _SAME_STATION_M if len(kept) > 1 else SAME_PLACE_M
        if vertex - kept[-1] >= nearest and to_m - vertex >= SAME_PLACE_M:
            kept.append(float(vertex))
    kept.append(to_m)
    pieces = [np.linspace(a, b, int(np.ceil((b - a) / widest - 1e-9)) + 1)[:-1] for a, b in pairwise(kept)]
    return np.concatenate([*pieces, [to_m]])


def tracks_beside(work: Earthwork, alignments: Mapping[str, Alignment], at_m: Array) -> tuple[Array, Array]:
    """Distance of each track of an earthwork from its axis, positive to the left, and its rail head, (n, n_tracks)."""
    from shapely import LineString, get_coordinates, line_interpolate_point, line_locate_point
    from shapely import points as as_points

    axis = alignments[work.along]
    here, direction = axis.at(at_m), axis.direction(at_m)
    offset, rail = [np.zeros(len(at_m))], [here[:, 2]]
    for track in work.all_tracks[1:]:
        other = alignments[track]
        line = LineString(other.xyz_m[:, :2])
        place = line_locate_point(line, as_points(here[:, :2]))
        way = get_coordinates(line_interpolate_point(line, place)) - here[:, :2]
        side = direction[:, 0] * way[:, 1] - direction[:, 1] * way[:, 0]
        offset.append(np.copysign(np.linalg.norm(way, axis=1), side))
        rail.append(np.interp(place, chainage_of(other.xyz_m), other.xyz_m[:, 2]))
    return np.column_stack(offset), np.column_stack(rail)


def normals(axis: Alignment, at_m: Array) -> tuple[Array, Array, Array]:
    """Points of the axis, directions of the cross-sections to the left, and their length per distance from the axis.

    The direction turns evenly around the vertices of the axis, so that neighbouring cross-sections do not cross; lines
    at one distance stay parallels to the axis.
    """
    from shapely import LineString, get_coordinates

    xy = axis.xyz_m[:, :2]
    kept = get_coordinates(LineString(xy).simplify(_SCATTER_M, preserve_topology=False))
    place = axis.chainage_m[_places(xy, kept)]
    step = np.diff(kept, axis=0)
    heading = np.unwrap(np.arctan2(step[:, 1], step[:, 0]))
    reach = np.minimum(0.5 * np.diff(place), _TURN_REACH_M)
    anchor, angle = [], []
    for k, (h, r) in enumerate(zip(heading, reach, strict=True)):
        anchor += [place[k] + r, place[k + 1] - r]
        angle += [h, h]
        if k + 1 < len(heading):
            anchor.append(place[k + 1])
            angle.append(0.5 * (h + heading[k + 1]))
    turned = np.interp(at_m, anchor, angle)
    segment = np.clip(np.searchsorted(place, at_m, side="right") - 1, 0, len(heading) - 1)
    stretch = 1.0 / np.cos(turned - heading[segment])
    return axis.at(at_m)[:, :2], np.stack([-np.sin(turned), np.cos(turned)], axis=-1), stretch


def _places(xy: Array, kept: Array) -> IntArray:
    """Rows of ``xy`` that ``kept`` consists of, in order."""
    rows, k = [], 0
    for point in kept:
        while not np.array_equal(xy[k], point):
            k += 1
        rows.append(k)
        k += 1
    return np.array(rows, dtype=np.int64)


def daylight(
    place: Callable[[Array], Array],
    edge_m: Array,
    sign: float,
    z_m: Array,
    ratio: float,
    ground: Ground,
    step_m: float | None,
) -> tuple[Array, Array, BoolArray]:
    """Where slopes from the edge of a formation meet the ground first: offset, height, and whether they do.

    Parameters
    ----------
    place : callable
        Points at offsets from the axis, one for each station, (n,) -> (n, 2).
    edge_m : ndarray, (n,)
        Offsets of the edge; ``sign`` says in which direction the slopes run.
    z_m : ndarray, (n,)
        Heights of the edge.
    """

    def height(t: Array) -> Array:
        return ground(place(edge_m + sign * t))

    def above(t: Array) -> Array:
        """Height of the ground above the slope, seen in the direction of the slope."""
        return up * (height(t) - z_m) - t / ratio

    up = np.where(height(np.zeros_like(z_m)) >= z_m, 1.0, -1.0)
    low, high = np.zeros_like(z_m), np.full_like(z_m, MOST_SLOPE_M)
    found = above(low) <= 0.0
    high[found] = 0.0
    n = 2 if step_m is None else int(np.ceil(2.0 * MOST_SLOPE_M / np.clip(step_m, 0.5, 10.0))) + 1
    before = 0.0
    for t in np.linspace(0.0, MOST_SLOPE_M, n)[1:]:
        if np.all(found):
            break
        here = ~found & (above(np.full_like(z_m, t)) <= 0.0)
        low[here], high[here] = before, t
        found |= here
        before = t
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        beyond = above(middle) <= 0.0
        high, low = np.where(found & beyond, middle, high), np.where(found & ~beyond, middle, low)
    return edge_m + sign * high, np.where(found, height(high), z_m + up * high / ratio), found


def breaks_of(work: int, sections: CrossSections) -> BreakSegments:
    """The lines of an earthwork, and its ends."""
    xyz = sections.xyz_m
    n_stations, n_lines = xyz.shape[:2]
    along = np.stack([xyz[:-1], xyz[1:]], axis=2).reshape(-1, 2, 3)
    line = np.tile(np.arange(n_lines), n_stations - 1)
    ends = np.concatenate([np.stack([row[:-1], row[1:]], axis=1) for row in (xyz[0], xyz[-1])])
    ends = ends[np.linalg.norm(ends[:, 1, :2] - ends[:, 0, :2], axis=-1) > 0.0]
    both = np.concatenate([along, ends])
    number = np.concatenate([line, np.full(len(ends), -1)]).astype(np.int64)
    return BreakSegments(
        xy_m=both[:, :, :2],
        z_m=both[:, :, 2],
        work=np.full(len(both), work, dtype=np.int64),
        line=number,
        border=np.isin(number, (-1, 0, n_lines - 1)),
    )


def lines_of(breaks: BreakSegments, work: int) -> list[Array]:
    """The lines of an earthwork along its track from left to right, each (n_stations, 3)."""
    mine = breaks.work == work
    out = []
    for line in range(int(breaks.line[mine].max()) + 1):
        here = mine & (breaks.line == line)
        both = np.concatenate([breaks.xy_m[here], breaks.z_m[here][:, :, None]], axis=2)
        out.append(np.concatenate([both[:1, 0], both[:, 1]]))
    return out


def strips_of(work: int, sections: CrossSections) -> Strips:
    """The surface of an earthwork, without pieces that have no area in plan."""
    xyz = sections.xyz_m
    corners = np.stack([xyz[:-1, :-1], xyz[:-1, 1:], xyz[1:, 1:], xyz[1:, :-1]], axis=2)
    n_stations, n_strips = corners.shape[:2]
    corners = corners.reshape(-1, 4, 3)
    wide = plan_area(corners) > _FLAT_M2
    line = np.tile(np.arange(n_strips), n_stations)
    return Strips(
        xyz_m=corners[wide],
        work=np.full(int(wide.sum()), work, dtype=np.int64),
        line=line[wide].astype(np.int64),
        g=np.tile(sections.g, n_stations)[wide],
    )


def plan_area(corners: Array) -> Array:
    """Area of quadrilaterals (n, 4, 3) in plan, negative where they are turned over, (n,). [m2]"""
    one, other = corners[:, 2, :2] - corners[:, 0, :2], corners[:, 3, :2] - corners[:, 1, :2]
    return np.asarray(0.5 * (one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0]))

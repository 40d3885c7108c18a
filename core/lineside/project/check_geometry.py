"""Checks of where things lie: tracks, receivers, ground areas, barriers, grid."""

from __future__ import annotations

from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.check_coordinates import FAR_M, MISPLACED_HINT, distance_words, misplaced_tracks
from lineside.project.draft import Draft
from lineside.project.problems import Loc
from lineside.project.resolve import Points, Resolved
from lineside.project.wording import number, shown

ON_TRACK_M = 1.0
NEAR_TRACK_M = 3.0
#: No barrier stands nearer to a centre line: half the width of a vehicle, common practice, no source. [m]
BARRIER_CLEAR_M = 1.5
_STEEP_RATIO = 0.10
_SHARP_TURN_DEG = 45.0
_DOUBLES_BACK_DEG = 120.0
_GRID_LARGE, _GRID_TOO_LARGE = 50_000, 1_000_000


def check_geometry(draft: Draft, resolved: Resolved) -> None:
    """Run every check of geometry."""
    _check_tracks(draft, resolved)
    _check_polygons(draft, resolved)
    _check_lines(draft, resolved)
    all_lines = _track_lines(resolved)
    misplaced = misplaced_tracks(draft, resolved, all_lines)
    tracks = draft.readable("tracks")
    lines = {tracks[i].id: line for i, line in all_lines.items() if i not in misplaced}
    far = _check_receivers(draft, lines)
    if lines:
        far = _check_surroundings(draft, resolved, lines) or far
        if not misplaced and not far:  # else the size of the grid says nothing new
            _check_grid(draft, resolved)


def _track_lines(resolved: Resolved) -> dict[int, Any]:
    """Centre lines in plan by index of the track (shapely)."""
    from shapely import LineString

    return {i: LineString(a.xyz_m[:, :2]) for i, a in resolved.alignments.items()}


def _check_tracks(draft: Draft, resolved: Resolved) -> None:
    for i, points in resolved.points.items():
        if i in resolved.alignments:
            _check_shape(draft, i, points)


def _check_shape(draft: Draft, i: int, points: Points) -> None:
    step = np.diff(points.array[:, :2], axis=0)
    length = np.linalg.norm(step, axis=1)
    if length.sum() < 1.0:
        draft.reporter.add(
            ("tracks", i, "alignment"),
            f"the track is only {number(float(length.sum()))} m long",
            found="",
            hint="are these degrees? give metres",
        )
        return
    slope = np.abs(np.diff(points.array[:, 2])) / length
    steep = int(np.argmax(slope))
    if slope[steep] > _STEEP_RATIO:
        points.report(
            draft.reporter,
            steep + 1,
            f"the track climbs or falls by {100 * slope[steep]:.0f} % before this point",
            severity="warning",
            hint="is z in metres?",
        )
    heading = np.arctan2(step[:, 1], step[:, 0])
    turn = np.degrees(np.abs(np.mod(np.diff(heading) + np.pi, 2 * np.pi) - np.pi))
    if turn.size and turn.max() > _SHARP_TURN_DEG:
        k = int(np.argmax(turn))
        back = turn[k] > _DOUBLES_BACK_DEG
        points.report(
            draft.reporter,
            k + 1,
            f"the track {'doubles back on itself: it ' if back else ''}turns by {turn[k]:.0f} degrees at this point",
            severity="error" if back else "warning",
            hint="are the points out of order?" if back else "are the points in order?",
        )


def _check_receivers(draft: Draft, lines: dict[str, Any]) -> bool:
    """Whether one of them lies far from all tracks."""
    from shapely import Point

    far = False
    seen: dict[tuple[float, float, float], str] = {}
    for i, receiver in draft.readable("receivers").items():
        path: Loc = ("receivers", i)
        if receiver.height_m < 1.5:
            draft.reporter.warn((*path, "height_m"), "is lower than ears are", allowed="mostly 1.5 m, or 4 m and more")
        elif receiver.height_m > 100:
            draft.reporter.warn(
                (*path, "height_m"), "is higher than most houses", hint="height above the ground, not z"
            )
        if lines:
            distances = {name: line.distance(Point(receiver.position)) for name, line in lines.items()}
            name = min(distances, key=lambda track: distances[track])
            far = far or distances[name] > FAR_M
            if _judge_distance(draft, (*path, "position"), distances[name], name):
                continue
        if draft.faulty(*path):
            continue  # its height may be one that was not read
        key = (*receiver.position, receiver.height_m)
        if key in seen:
            draft.reporter.warn((*path, "position"), f"is the same point as receiver {shown(seen[key])}")
        seen.setdefault(key, receiver.id)
    return far


def _judge_distance(draft: Draft, path: Loc, distance_m: float, track: str) -> bool:
    """Whether the distance is one that cannot be."""
    if distance_m < ON_TRACK_M:
        draft.reporter.add(
            path,
            f"lies on track {shown(track)}: {distance_m:.2f} m from its centre line in plan",
            allowed=f"at least {ON_TRACK_M:g} m, sensibly 7.5 m and more",
        )
    elif distance_m < NEAR_TRACK_M:
        draft.reporter.warn(
            path,
            f"lies only {distance_m:.1f} m from the centre line of track {shown(track)}",
            hint="a train would pass through or touch it",
        )
    elif distance_m > FAR_M:
        _far(draft, path, distance_m)
    return distance_m < ON_TRACK_M or distance_m > FAR_M


def _far(draft: Draft, path: Loc, distance_m: float) -> None:
    draft.reporter.add(
        path,
        f"lies {distance_words(distance_m)} from the nearest track",
        allowed=f"at most {FAR_M / 1000:g} km",
        hint=MISPLACED_HINT,
    )


def _check_polygons(draft: Draft, resolved: Resolved) -> None:
    for i, points in resolved.polygons.items():
        ring_is_sound(draft, ("ground_areas", i), points)


def ring_is_sound(draft: Draft, path: Loc, points: Points) -> bool:
    """Whether points are the outline of an area; what is wrong with them is reported."""
    from shapely import Polygon

    if len(np.unique(points.array, axis=0)) < 3:
        _of_shape(draft, path, points, "has fewer than three different corners")
        return False
    polygon = Polygon(points.array)
    if polygon.convex_hull.area < 0.01:
        _of_shape(draft, path, points, "has no area")
        return False
    if not polygon.is_valid:
        message = f"the outline crosses or touches itself{_where(polygon)}"
        _of_shape(draft, path, points, message, "give the corners in order along the outline")
    return bool(polygon.is_valid)


def _where(polygon: Any) -> str:
    from shapely.validation import explain_validity

    text = explain_validity(polygon)
    return f" near [{text[text.index('[') + 1 : -1].replace(' ', ', ')}]" if text.endswith("]") and "[" in text else ""


def _of_shape(draft: Draft, path: Loc, points: Points, message: str, hint: str = "") -> None:
    where = (*path, "feature") if points.file is not None else points.path
    draft.reporter.add(where, message, hint=hint)


def _check_lines(draft: Draft, resolved: Resolved) -> None:
    barriers = draft.readable("barriers")
    for i, points in resolved.lines.items():
        length = np.linalg.norm(np.diff(points.array, axis=0), axis=1)
        if length.sum() < 0.1:
            _of_shape(draft, ("barriers", i), points, "has no length")
            continue
        for k in np.flatnonzero(length < 1e-3)[:3]:
            points.report(
                draft.reporter, int(k) + 1, "lies on the point before it", hint="remove one of the two points"
            )
        if barriers[i].height_m > 15:
            draft.reporter.warn(
                ("barriers", i, "height_m"),
                "is an implausible height of a barrier",
                hint="height above the ground, not z",
            )


def _check_surroundings(draft: Draft, resolved: Resolved, lines: dict[str, Any]) -> bool:
    """Whether something lies far from all tracks."""
    from shapely import LineString, Polygon

    far = False
    for points in resolved.polygons.values():
        shape = Polygon(points.array)
        distance = min(line.distance(shape) for line in lines.values())
        if distance > FAR_M:
            _far(draft, points.path, distance)
            far = True
    for i, points in resolved.lines.items():
        shape = LineString(points.array)
        distance = min(line.distance(shape) for line in lines.values())
        if distance > FAR_M:
            _far(draft, points.path, distance)
            far = True
        crossed = [name for name, line in lines.items() if line.crosses(shape) or line.intersects(shape)]
        if crossed:
            draft.reporter.add(
                ("barriers", i),
                f"crosses track {', '.join(shown(name) for name in crossed)}",
                found="",
                hint="a barrier stands beside a track",
            )
            continue
        name = min(lines, key=lambda track: lines[track].distance(shape))
        away = lines[name].distance(shape)
        if away < BARRIER_CLEAR_M:
            draft.reporter.add(
                ("barriers", i),
                f"lies {away:.2f} m from the centre line of track {shown(name)}: trains would touch it",
                found="",
                allowed=f"at least {BARRIER_CLEAR_M:g} m",
                hint="a barrier stands beside a track",
            )
    return far


def _check_grid(draft: Draft, resolved: Resolved) -> None:
    grid = draft.calculation.grid if draft.calculation is not None else None
    if grid is None:
        return
    plan: list[Array] = [a.xyz_m[:, :2] for a in resolved.alignments.values()]
    plan += [np.array([receiver.position]) for receiver in draft.receivers.values()]
    size = np.ptp(np.concatenate(plan), axis=0) + 2 * grid.margin_m
    n = int(np.prod(np.floor(size / grid.spacing_m) + 1))
    if n > _GRID_TOO_LARGE:
        draft.reporter.add(
            ("calculation", "grid", "spacing_m"),
            f"makes a grid of {n} points",
            allowed=f"up to {_GRID_TOO_LARGE} points",
            hint="take a wider spacing or a smaller margin_m",
        )
    elif n > _GRID_LARGE:
        draft.reporter.warn(
            ("calculation", "grid", "spacing_m"),
            f"makes a grid of {n} points: this takes long",
            hint="take a wider spacing or a smaller margin_m",
        )

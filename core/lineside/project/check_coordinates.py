"""Checks of the coordinate system, and of tracks that lie where nothing else does."""

from __future__ import annotations

from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.draft import Draft
from lineside.project.model import EpsgCoordinates
from lineside.project.problems import Loc
from lineside.project.resolve import Points, Resolved
from lineside.project.wording import names, number, shown

#: Farther from everything else than this, a thing is in the wrong place.
FAR_M = 5000.0
MISPLACED_HINT = "are x and y swapped? another coordinate system?"
#: No straight between two points of a track is longer; one swapped or unconverted point makes one.
_LONGEST_STEP_M = 100_000.0
_CODE: Loc = ("site", "coordinates", "code")


def distance_words(distance_m: float) -> str:
    """A large distance for a message.

    >>> distance_words(5360.0), distance_words(4_968_940.0)
    ('5.4 km', '4969 km')
    """
    return f"{distance_m / 1000:.2g} km" if distance_m < 10_000 else f"{distance_m / 1000:.0f} km"


def check_coordinate_system(draft: Draft, resolved: Resolved) -> None:
    """Is the EPSG number one of a projected system in metres, and are the coordinates metres?"""
    site = draft.site
    if site is None or not isinstance(site.coordinates, EpsgCoordinates):
        return
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    wanted = "a projected system in metres, such as a UTM zone"
    try:
        system = CRS.from_epsg(site.coordinates.code)
    except CRSError:
        draft.reporter.add(_CODE, "is not a known EPSG number", allowed=wanted)
        return
    name = shown(system.name, quote=False)
    if not system.is_projected:
        kind = "geographic: it counts degrees" if system.is_geographic else "not a projected system"
        draft.reporter.add(_CODE, f"{name} is {kind}", allowed=wanted, hint="transform the coordinates")
        return
    units = {axis.unit_name for axis in system.axis_info[:2]}
    if units != {"metre"}:
        draft.reporter.add(
            _CODE, f"{name} counts {names(sorted(units))}", allowed=wanted, hint="transform the coordinates"
        )
        return
    for points in resolved.points.values():
        if _like_degrees(points.array):
            points.report(
                draft.reporter,
                0,
                f"looks like degrees of longitude and latitude, not metres of {name}",
                hint="transform the coordinates",
            )
    _check_area_of_use(draft, resolved, system)


def _like_degrees(array: Array) -> bool:
    return bool(np.abs(array[:, :2]).max() < 200)


def _check_area_of_use(draft: Draft, resolved: Resolved, system: Any) -> None:
    """Does the middle of each track lie where the system is meant to be used?"""
    from pyproj import CRS, Transformer

    area = system.area_of_use
    if area is None or {axis.direction for axis in system.axis_info[:2]} != {"east", "north"}:
        return
    # always_xy: x is east and y is north, whatever the axis order of the system
    to_degrees = Transformer.from_crs(system, CRS.from_epsg(4326), always_xy=True)
    tracks = draft.readable("tracks")
    for i, points in resolved.points.items():
        if _like_degrees(points.array):
            continue
        middle = 0.5 * (points.array[:, :2].min(axis=0) + points.array[:, :2].max(axis=0))
        east, north = to_degrees.transform(*middle)
        # an area may lie on both sides of the meridian of 180 degrees
        checks = (area.west <= east, east <= area.east)
        inside = all(checks) if area.west <= area.east else any(checks)
        if inside and area.south <= north <= area.north:
            continue
        where = (
            f"longitude {east:.4f}, latitude {north:.4f}" if np.isfinite([east, north]).all() else "nowhere on earth"
        )
        draft.reporter.warn(
            _CODE,
            f"the middle of track {shown(tracks[i].id)}, [{number(middle[0])}, {number(middle[1])}], lies outside the "
            f"area of use of {shown(system.name, quote=False)}: it would be {where}",
            allowed=shown(area.name, quote=False, longest=200),
            hint="is it the right number? are x (east) and y (north) swapped?",
        )
        return


def misplaced_tracks(draft: Draft, resolved: Resolved, lines: dict[int, Any]) -> set[int]:
    """Report tracks that lie far from everything else; gives their indices.

    Parameters
    ----------
    lines : dict
        Centre lines in plan by index of the track (shapely).
    """
    from shapely import MultiPoint

    receivers = MultiPoint([r.position for r in draft.readable("receivers").values()])
    misplaced: set[int] = set()
    for i, line in lines.items():
        points = resolved.points[i]
        if _one_point_off(draft, points):
            misplaced.add(i)
            continue
        others = [other for k, other in lines.items() if k != i and k not in misplaced]
        if not receivers.is_empty:
            far, what = line.distance(receivers), "nearest receiver"
        elif others:
            far, what = min(line.distance(other) for other in others), "nearest other track"
        else:
            continue
        if far > FAR_M:
            misplaced.add(i)
            _report_track(draft, i, points, f"lies {distance_words(far)} from the {what}")
    _check_apart(draft, resolved, {i: line for i, line in lines.items() if i not in misplaced})
    return misplaced


def _one_point_off(draft: Draft, points: Points) -> bool:
    step = np.linalg.norm(np.diff(points.array[:, :2], axis=0), axis=1)
    k = int(np.argmax(step))
    if step[k] <= _LONGEST_STEP_M:
        return False
    points.report(
        draft.reporter,
        k + 1,
        f"lies {distance_words(float(step[k]))} from the point before it",
        hint=MISPLACED_HINT,
    )
    return True


def _report_track(draft: Draft, i: int, points: Points, message: str, severity: str = "error") -> None:
    first = shown([float(v) for v in points.array[0, :2]])
    draft.reporter.add(
        ("tracks", i, "alignment"),
        message,
        found=f"it begins at {first}",
        allowed=f"at most {FAR_M / 1000:g} km",
        hint=MISPLACED_HINT,
        severity=severity,  # type: ignore[arg-type]
    )


def _check_apart(draft: Draft, resolved: Resolved, lines: dict[int, Any]) -> None:
    """Tracks far apart that have receivers each may be two places in one project: doubtful only."""
    near: list[Any] = []
    for i, line in lines.items():
        far = min((line.distance(other) for other in near), default=0.0)
        if far > FAR_M:
            message = f"lies {distance_words(far)} from the nearest other track"
            _report_track(draft, i, resolved.points[i], message, "warning")
        near.append(line)

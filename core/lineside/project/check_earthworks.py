"""Checks of earthworks: does each lie on its tracks, meet the ground, and keep clear of the others?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Literal

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.draft import Draft
from lineside.project.model import Earthwork
from lineside.project.problems import Loc
from lineside.project.wording import number, shown
from lineside.scene.alignment import Alignment, chainage_of
from lineside.scene.earthworks import (
    MOST_SLOPE_M,
    CrossSections,
    stations,
    tracks_beside,
)
from lineside.scene.model import BoolArray, Terrain
from lineside.scene.terrain import ground_height

#: Ends of earthworks on one track may overlap by this much. [m]
_REACH_M = 0.05
#: Tracks of one earthwork lie no farther from its axis than this, [m], and beside it rather than before or behind it.
_BESIDE_M, _BESIDE_COSINE = 50.0, 0.2
#: Earthworks that cover each other over less than this touch only. [m2]
_COVERED_M2 = 5.0
#: Heights that differ by less do not. [m]
_SAME_HEIGHT_M = 0.05


def check_sections(draft: Draft, i: int, work: Earthwork) -> bool:
    """Whether the cross-section of an earthwork can be; what is wrong is reported."""
    path: Loc = ("earthworks", i)
    sound = not draft.faulty(*path)
    if work.formation_below_rail_m < work.ballast_below_rail_m:
        draft.reporter.add(
            (*path, "formation_below_rail_m"),
            "the formation lies above the top of the ballast",
            allowed=f"at least ballast_below_rail_m, {number(work.ballast_below_rail_m)} m",
            hint="for a slab give both the same depth",
        )
        sound = False
    elif work.ballast_toe_m > work.formation_edge_m + 1e-6:
        draft.reporter.add(
            (*path, "formation_edge_m"),
            f"the foot of the ballast lies {number(round(work.ballast_toe_m, 2))} m from the outermost track, beyond "
            "the edge of the formation",
            allowed=f"at least {number(round(work.ballast_toe_m, 2))} m",
            hint="or a narrower or steeper ballast",
        )
        sound = False
    doubled = [k for k, track in enumerate(work.tracks) if track in (work.along, *work.tracks[:k])]
    for k in doubled:
        draft.reporter.warn((*path, "tracks", k), "lies on it already")
    return sound


def lies_beside(draft: Draft, i: int, work: Earthwork, alignments: Mapping[str, Alignment]) -> bool:
    """Whether all tracks of an earthwork run beside each other along its whole length; if not, it is reported."""
    axis = alignments[work.along]
    at = stations(axis, work.from_m, work.to_m)
    here, direction = axis.at(at)[:, :2], axis.direction(at)
    offset, _ = tracks_beside(work, alignments, at)
    sound = True
    for k, track in enumerate(work.all_tracks[1:], start=1):
        away = np.abs(offset[:, k])
        way = _way_to(alignments[track], here)
        ahead = np.abs((way * direction).sum(axis=1)) > _BESIDE_COSINE * away + 0.5
        bad = ahead | (away > _BESIDE_M)
        if bad.any():
            draft.reporter.add(
                ("earthworks", i, "tracks", work.tracks.index(track)),
                f"the track does not run beside track {shown(work.along)} {_between(at, bad)}",
                allowed=f"tracks up to {_BESIDE_M:g} m beside it, from {number(work.from_m)} to {number(work.to_m)} m",
                hint="end the earthwork where the track leaves it",
            )
            sound = False
    return sound


def _way_to(track: Alignment, xy: Array) -> Array:
    """Vectors from points to the nearest points of a track, (n, 2)."""
    from shapely import LineString, get_coordinates, line_interpolate_point, line_locate_point, points

    line = LineString(track.xyz_m[:, :2])
    return np.asarray(get_coordinates(line_interpolate_point(line, line_locate_point(line, points(xy)))) - xy)


def _between(at_m: Array, where: BoolArray) -> str:
    low, high = at_m[where].min(), at_m[where].max()
    return f"between {number(round(float(low), 1))} m and {number(round(float(high), 1))} m"


def ranges_on_tracks(
    works: Mapping[int, Earthwork], alignments: Mapping[str, Alignment]
) -> dict[str, list[tuple[int, float, float]]]:
    """By track the earthworks on it: (index, from chainage, to chainage)."""
    found: dict[str, list[tuple[int, float, float]]] = {}
    for i, work in works.items():
        found.setdefault(work.along, []).append((i, work.from_m, work.to_m))
        ends = alignments[work.along].at(np.array([work.from_m, work.to_m]))[:, :2]
        for track in work.all_tracks[1:]:
            other = alignments[track]
            place = [float(v) for v in _place_on(other, ends)]
            found.setdefault(track, []).append((i, min(place), max(place)))
    return found


def _place_on(track: Alignment, xy: Array) -> Array:
    """Chainages of a track abeam of points, (n,). [m]"""
    from shapely import LineString, line_locate_point, points

    run = line_locate_point(LineString(track.xyz_m[:, :2]), points(xy))
    return np.interp(run, chainage_of(track.xyz_m), track.chainage_m)


def check_overlaps(draft: Draft, ranges: Mapping[str, Sequence[tuple[int, float, float]]]) -> set[int]:
    """Report earthworks that carry one track at one place; gives the indices of those that are too many."""
    works = draft.readable("earthworks")
    bad: set[int] = set()
    for track, here in ranges.items():
        for n, (i, low, high) in enumerate(here):
            for k, other_low, other_high in here[:n]:
                start, end = max(low, other_low), min(high, other_high)
                if end - start > _REACH_M and i not in bad:
                    bad.add(i)
                    draft.reporter.add(
                        ("earthworks", i),
                        f"overlaps earthwork {shown(works[k].id)} on track {shown(track)} between "
                        f"{number(round(start, 2))} m and {number(round(end, 2))} m",
                        found="",
                        hint="let one end where the other begins",
                    )
    return bad


def check_laid(draft: Draft, ground: Terrain, works: Mapping[int, Earthwork], laid: Sequence[CrossSections]) -> None:
    """Checks of earthworks on their ground.

    Parameters
    ----------
    ground : Terrain
        With the earthworks on it.
    laid : sequence of CrossSections
        In the order of ``works``.
    """
    for (i, work), sections in zip(works.items(), laid, strict=True):
        _check_reached(draft, i, work, sections)
        folded = _folded(sections)
        if folded.any():
            at = sections.xyz_m[np.argmax(folded.any(axis=1)), 0, :2]
            draft.reporter.add(
                ("earthworks", i),
                "is wider than the radius of a curve of its track: its sides fold over themselves near "
                f"[{number(round(float(at[0]), 1))}, {number(round(float(at[1]), 1))}]",
                found="",
                hint="make it end before the curve, or give it a wall on the inside",
            )
        _check_kind(draft, i, work, sections, ground)
    _check_covered(draft, works, laid)


def _folded(sections: CrossSections) -> BoolArray:
    """Where lines run back against the track, (n_stations - 1, n_lines)."""
    step = np.diff(sections.xyz_m[:, :, :2], axis=0)
    forward = step[:, 1] + step[:, -2]
    return np.asarray((step * forward[:, None, :]).sum(axis=2) < -1e-6)


def _check_reached(draft: Draft, i: int, work: Earthwork, sections: CrossSections) -> None:
    sides: tuple[Literal["left", "right"], ...] = ("left", "right")
    for k, side in enumerate(sides):
        missed = ~sections.reached[:, k]
        if missed.any():
            key: Loc = (side,) if getattr(work, side) is not None else ()
            draft.reporter.add(
                ("earthworks", i, *key),
                f"the slope on the {side} does not meet the terrain within {MOST_SLOPE_M:g} m "
                f"{_between(sections.at_m, missed)}",
                found="",
                allowed=f"a steeper slope than 1 : {number(work.slope_ratio(side) or 0.0)}, or {side}: {{kind: wall}}",
                hint="do the heights of tracks and terrain count from the same zero?",
            )


def _check_kind(draft: Draft, i: int, work: Earthwork, sections: CrossSections, ground: Terrain) -> None:
    """Does an embankment stand above the ground, a cutting below it, and a deck clear of it?"""
    edges = sections.xyz_m[:, (1, -2)]
    outer = sections.xyz_m[:, (0, -1), 2]
    above = edges[:, :, 2] - outer
    if work.over:
        sunk = np.asarray((above < -_SAME_HEIGHT_M).any(axis=1))
        if sunk.any():
            draft.reporter.add(
                ("earthworks", i),
                f"the deck lies up to {number(round(-float(above.min()), 2))} m below the ground "
                f"{_between(sections.at_m, sunk)}",
                found="",
                hint="begin and end the viaduct where its deck leaves the ground",
            )
        return
    natural = Terrain(level_m=ground.level_m, raster=ground.raster)
    height = edges[:, :, 2] - ground_height(natural, edges[:, :, :2].reshape(-1, 2)).reshape(-1, 2)
    contrary = (height < -_SAME_HEIGHT_M) if work.kind == "embankment" else (height > _SAME_HEIGHT_M)
    if work.kind in ("embankment", "cutting") and contrary.all(axis=1).mean() > 0.5:
        draft.reporter.warn(
            ("earthworks", i, "kind"),
            f"the formation is {'below' if work.kind == 'embankment' else 'above'} the terrain on most of its length: "
            "slopes run up or down to the terrain as it lies",
        )


def _check_covered(draft: Draft, works: Mapping[int, Earthwork], laid: Sequence[CrossSections]) -> None:
    """Warn of earthworks that lie on others."""
    outlines = {i: _outline(s) for (i, work), s in zip(works.items(), laid, strict=True) if not work.over}
    for i, outline in outlines.items():
        for k, other in outlines.items():
            covered = outline.intersection(other).area if k < i and outline.intersects(other) else 0.0
            if covered > _COVERED_M2:
                draft.reporter.warn(
                    ("earthworks", i),
                    f"covers {number(round(covered))} m² of earthwork {shown(works[k].id)}: the later one lies on top",
                    found="",
                    hint="tracks that run beside each other may lie on one earthwork: name them in tracks",
                )


def _outline(sections: CrossSections) -> Any:
    from shapely import Polygon

    return Polygon(sections.outline).buffer(0.0)

"""Checks of the terrain: do tracks, earthworks and ground fit together?"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.check_banks import warn_of_receivers, with_banks
from lineside.project.check_earthworks import (
    check_laid,
    check_overlaps,
    check_sections,
    lies_beside,
    ranges_on_tracks,
)
from lineside.project.check_water import check_water
from lineside.project.draft import Draft
from lineside.project.model import Earthwork
from lineside.project.resolve import Points, Resolved
from lineside.project.wording import number, shown
from lineside.scene.alignment import Alignment
from lineside.scene.model import BoolArray, Terrain
from lineside.scene.terrain import ground_height, lay_earthworks, with_earthworks

#: A rail head lower than the ground by more than this has its lowest sources in it, [m]; one lower by more than the
#: second is doubtful; and so is one higher by more than the third without an earthwork.
_BURIED_M, _LOW_M, _HIGH_M = 0.5, 0.05, 1.0
#: Heights of rails above the ground from which on the ground's level was rather forgotten. [m]
_FORGOTTEN_M = 30.0
#: Rails and ground are compared this often. [m]
_STEP_M = 5.0


def check_terrain(draft: Draft, resolved: Resolved) -> None:
    """Run every check of terrain and earthworks; leaves the terrain in ``resolved``."""
    site = draft.site
    works = {i: work for i, work in draft.readable("earthworks").items() if check_sections(draft, i, work)}
    if site is None or draft.faulty("site", "ground_level_m") or draft.faulty("site", "terrain"):
        return
    if site.terrain is None:
        for i, area in draft.readable("ground_areas").items():
            if area.level_m is not None:
                hint = "add site.terrain with the heights of the ground around"
                draft.reporter.warn(("ground_areas", i, "level_m"), "has no effect without site.terrain", hint=hint)
    if site.terrain is not None and "ground_level_m" in site.model_fields_set:
        draft.reporter.warn(
            ("site", "ground_level_m"), "has no effect, as site.terrain gives the heights of the ground"
        )
    if site.terrain is not None and resolved.raster is None:
        return  # it could not be read
    ground = Terrain(level_m=site.ground_level_m, raster=resolved.raster)
    tracks = draft.readable("tracks")
    alignments: dict[str, Alignment] = {}
    for i, alignment in resolved.alignments.items():
        alignments.setdefault(tracks[i].id, alignment)
    works = {i: work for i, work in works.items() if _on_its_tracks(draft, i, work, alignments)}
    ranges = ranges_on_tracks(works, alignments)
    doubled = check_overlaps(draft, ranges)
    works = {i: work for i, work in works.items() if i not in doubled}
    laid = lay_earthworks(ground, list(works.values()), alignments)
    terrain = with_earthworks(ground, list(works.values()), laid)
    check_laid(draft, terrain, works, laid)
    terrain = resolved.terrain = with_banks(draft, ground, list(works.values()), laid, alignments)
    warn_of_receivers(draft, resolved)
    check_water(draft, resolved, terrain, _stations)
    sound = len(works) == len(draft.reporter.document.data.get("earthworks") or ())
    for i, alignment in resolved.alignments.items():
        carried = [(low, high) for _, low, high in ranges.get(tracks[i].id, ())]
        if sound:
            _check_rails(draft, i, resolved.points[i], alignment, terrain, carried)


def _stations(alignment: Alignment) -> Array:
    """Chainages at which rails are compared with what lies below them. [m]"""
    n = max(int(np.ceil((alignment.to_m - alignment.from_m) / _STEP_M)), 1) + 1
    return np.union1d(np.linspace(alignment.from_m, alignment.to_m, n), alignment.chainage_m)


def _on_its_tracks(draft: Draft, i: int, work: Earthwork, alignments: Mapping[str, Alignment]) -> bool:
    """Whether the tracks of an earthwork are known and reach as far as it does."""
    if any(track not in alignments for track in work.all_tracks) or work.from_m >= work.to_m:
        return False  # reported with the other references and ranges
    axis = alignments[work.along]
    if work.from_m < axis.from_m - 0.05 or work.to_m > axis.to_m + 0.05:
        return False
    return lies_beside(draft, i, work, alignments)


def _check_rails(
    draft: Draft,
    i: int,
    points: Points,
    alignment: Alignment,
    terrain: Terrain,
    carried: list[tuple[float, float]],
) -> None:
    """Compare the rail head with the ground where no earthwork carries it."""
    at = _stations(alignment)
    free = np.ones(len(at), dtype=np.bool_)
    for start, end in carried:
        free &= (at < start - 1.0) | (at > end + 1.0)
    rail = alignment.at(at)
    above = np.where(free, rail[:, 2] - ground_height(terrain, rail[:, :2]), 0.0)
    track = draft.readable("tracks")[i].id
    deep = bool(np.any(above < -_BURIED_M))
    low = above < -(_BURIED_M if deep else _LOW_M)
    if low.any():
        worst = int(np.argmin(above))
        points.report(
            draft.reporter,
            int(np.argmin(np.abs(alignment.chainage_m - at[worst]))),
            f"the rail head is up to {number(round(-float(above[worst]), 2))} m below the ground {_where(at, low)}",
            allowed=f"at most {_BURIED_M:g} m without an earthwork; tunnels are not computed" if deep else "",
            hint=_add(track, "cutting", at, low),
            severity="error" if deep else "warning",
        )
    high = above > _HIGH_M
    if high.any():
        forgotten = terrain.flat and above.max() > _FORGOTTEN_M
        draft.reporter.warn(
            ("tracks", i, "alignment"),
            f"the rail head is up to {number(round(float(above.max()), 2))} m above the ground {_where(at, high)}, "
            "without anything that carries it",
            found="",
            hint=f"set site.ground_level_m to the level of the ground; it is {number(terrain.level_m)} m now"
            if forgotten
            else _add(track, "embankment", at, high),
        )


def _runs(where: BoolArray) -> list[tuple[int, int]]:
    """First and last index of every run of marked entries."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], where, [False]]).astype(np.int8)))
    return [(int(a), int(b) - 1) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _where(at_m: Array, where: BoolArray) -> str:
    runs = _runs(where)
    first = f"between chainage {number(round(float(at_m[runs[0][0]]), 1))} m and "
    text = first + f"{number(round(float(at_m[runs[0][1]]), 1))} m"
    return text if len(runs) == 1 else f"{text} and at {len(runs) - 1} more places"


def _add(track: str, kind: str, at_m: Array, where: BoolArray) -> str:
    """A hint that says which earthwork to add for the first run of marked stations."""
    a, b = _runs(where)[0]
    low, high = at_m[max(a - 1, 0)], at_m[min(b + 1, len(at_m) - 1)]
    other = "retaining_wall" if kind == "cutting" else "viaduct"
    return (
        f"add to earthworks: {{id: ..., kind: {kind}, along: {shown(track, quote=False)}, "
        f"from_m: {number(round(float(low), 1))}, to_m: {number(round(float(high), 1))}}}, or kind: {other}"
    )

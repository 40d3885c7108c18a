"""Checks of buildings: where they stand, how high they are, who lives in them, and receivers on their facades."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from typing import Any

import numpy as np

from lineside.project.buildings import AT_FACADE_M, FLOOR_M, BuildingFile, FacadeReceivers
from lineside.project.check_coordinates import FAR_M, MISPLACED_HINT, distance_words
from lineside.project.draft import Draft
from lineside.project.footprints import LoadedBuilding
from lineside.project.model import Receiver
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.resolve_buildings import FoundBuilding, base_m, rise_m, selected
from lineside.project.wording import did_you_mean, names, number, shown

#: A wall nearer than this to the centre line of a track stands where trains run; half a vehicle and some room. [m]
TRAIN_M = 1.5
#: A barrier that runs through a building over more than this. [m]
_THROUGH_M = 0.1
_LOW_M, _HIGH_M = 2.0, 80.0
_LOW_FLOOR_M, _HIGH_FLOOR_M = 2.2, 8.0
_MANY, _TOO_MANY = 20_000, 500_000
#: Problems of one kind that are told one by one.
_TOLD = 10
_BEFORE_FACADE_M = 5.0  # a receiver of a building is not meant to stand between its facade's 2 m and this


class _Teller:
    """Tells problems of buildings; of one kind a few, then how many more there are."""

    def __init__(self, draft: Draft) -> None:
        self.draft = draft
        self.n: Counter[tuple[str, str]] = Counter()

    def __call__(self, building: FoundBuilding, kind: str, message: str, key: str = "", **more: Any) -> None:
        severity = more.get("severity", "error")
        self.n[kind, severity] += 1
        if self.n[kind, severity] <= _TOLD:
            building.report(self.draft.reporter, message, key, **more)

    def rest(self) -> None:
        """Say what was not told."""
        for (kind, severity), n in self.n.items():
            if n > _TOLD:
                self.draft.reporter.add(
                    ("buildings",),
                    f"{n - _TOLD} more buildings {kind}",
                    found="",
                    severity="warning" if severity == "warning" else "error",
                )


def check_buildings(draft: Draft, resolved: Resolved) -> None:
    """Run every check of buildings; those of a layer far from all tracks are left out."""
    _check_files(draft, resolved)
    _drop_far(draft, resolved)
    found, tell = resolved.buildings, _Teller(draft)
    if found:
        _check_tracks(draft, resolved, found, tell)
        _check_receivers(draft, found)
        _check_barriers(draft, resolved, found)
        known = draft.site is not None and not draft.faulty("site", "ground_level_m")
        for building in found:
            _check_height(building, base_m(draft, resolved, building) if known else None, tell)
            _check_persons(building, tell)
        tell.rest()
    _check_facades(draft, found)


def _check_files(draft: Draft, resolved: Resolved) -> None:
    for i, entry in draft.readable("building_files").items():
        path: Loc = ("building_files", i)
        if entry.use_attribute is None and "use" not in entry.model_fields_set:
            draft.reporter.warn(
                path,
                f"does not say what its buildings are used for; they are taken as {entry.use}",
                found="",
                hint="name a use_attribute, or give use: dwelling",
            )
        if entry.uses and entry.use_attribute is None:
            draft.reporter.warn((*path, "uses"), "has no effect without use_attribute")
        own = [b.data for b in resolved.buildings if b.data.layer == entry.id]
        _check_totals(draft, path, entry, own)


def _check_totals(draft: Draft, path: Loc, entry: BuildingFile, own: Sequence[LoadedBuilding]) -> None:
    persons = ("persons_attribute", "persons_total", "floor_space_per_person_m2")
    for keys in (("dwellings_attribute", "dwellings_total"), persons):
        given = [key for key in keys if getattr(entry, key) is not None]
        for key in given[1:]:
            draft.reporter.add((*path, key), f"stands beside {given[0]}", hint="give one of the two")
        shared = [key for key in given if not key.endswith("_attribute")]
        if shared and own and not any(b.use == "dwelling" for b in own):
            draft.reporter.add(
                (*path, shared[0]), "no building of the file is a dwelling", hint="check use, use_attribute and uses"
            )


def _drop_far(draft: Draft, resolved: Resolved) -> None:
    from shapely import LineString, MultiLineString, distance

    lines = [LineString(a.xyz_m[:, :2]) for a in resolved.alignments.values()]
    if not lines or not resolved.buildings:
        return
    away = distance(MultiLineString(lines), np.array([b.shape for b in resolved.buildings], dtype=object))
    kept: list[FoundBuilding] = []
    dropped: dict[Loc, list[float]] = {}
    n_of_file = Counter(b.path for b in resolved.buildings)
    for building, far in zip(resolved.buildings, away, strict=True):
        if far <= FAR_M:
            kept.append(building)
        elif building.file is None:
            message = f"lies {distance_words(float(far))} from the nearest track"
            building.report(
                draft.reporter, message, "polygon", allowed=f"at most {FAR_M / 1000:g} km", hint=MISPLACED_HINT
            )
        else:
            dropped.setdefault(building.path, []).append(float(far))
    for path, distances in dropped.items():
        nearest = distance_words(min(distances))
        if len(distances) == n_of_file[path]:
            draft.reporter.add(
                path, f"all buildings lie far from the tracks, the nearest {nearest}", hint=MISPLACED_HINT
            )
        else:
            draft.reporter.warn(
                path, f"{len(distances)} buildings lie more than {FAR_M / 1000:g} km from all tracks; they are left out"
            )
    resolved.buildings = kept


def _check_tracks(draft: Draft, resolved: Resolved, found: list[FoundBuilding], tell: _Teller) -> None:
    from shapely import LineString, STRtree

    tree, tracks = STRtree([b.shape for b in found]), draft.readable("tracks")
    for i, alignment in resolved.alignments.items():
        line = LineString(alignment.xyz_m[:, :2])
        for k in tree.query(line, predicate="dwithin", distance=TRAIN_M):
            inside, track = line.intersection(found[k].shape).length, shown(tracks[i].id)
            if inside > 0:
                tell(
                    found[k],
                    "stand on a track",
                    f"stands on track {track}: {number(round(inside, 1))} m of it lie in the footprint",
                    hint="tunnels and tracks below buildings are not computed: end the track there, or leave the "
                    "building out",
                )
            else:
                near = f"{line.distance(found[k].shape):.2f} m"
                tell(
                    found[k],
                    "stand where trains run",
                    f"stands {near} from the centre line of track {track}",
                    hint="a train would touch it",
                    severity="warning",
                )


def _check_receivers(draft: Draft, found: list[FoundBuilding]) -> None:
    from shapely import Point, STRtree
    from shapely.ops import nearest_points

    tree = STRtree([b.shape for b in found])
    for i, receiver in draft.readable("receivers").items():
        point = Point(receiver.position)
        for k in tree.query(point, predicate="intersects")[:1]:
            outside = nearest_points(found[k].shape.boundary, point)[0]
            draft.reporter.add(
                ("receivers", i, "position"),
                f"lies inside building {shown(found[k].data.id)}, {point.distance(outside):.2f} m from its "
                "nearest wall",
                allowed="a point outside all buildings",
                hint=f"that wall is at [{number(round(outside.x, 2))}, {number(round(outside.y, 2))}]; a receiver at a "
                "facade stands a little in front of it",
            )
            break
        else:
            _check_facade(draft, i, receiver, point, found, tree)


def _check_facade(draft: Draft, i: int, receiver: Receiver, point: Any, found: list[FoundBuilding], tree: Any) -> None:
    """Whether a receiver of a building stands too far before it for its wall to be left out."""
    if receiver.use in ("outdoor", "other"):
        return
    k = tree.nearest(point)
    distance = found[k].shape.distance(point)
    if AT_FACADE_M < distance <= _BEFORE_FACADE_M:
        draft.reporter.warn(
            ("receivers", i, "position"),
            f"stands {distance:.2f} m from a wall of building {shown(found[k].data.id)}, whose reflection counts there",
            allowed=f"up to {AT_FACADE_M:g} m for the incident sound at that facade",
        )


def _check_barriers(draft: Draft, resolved: Resolved, found: list[FoundBuilding]) -> None:
    from shapely import LineString, STRtree

    tree = STRtree([b.shape for b in found])
    for i, points in resolved.lines.items():
        line = LineString(points.array)
        for k in tree.query(line, predicate="intersects"):
            inside = line.intersection(found[k].shape).length
            if inside > _THROUGH_M:
                draft.reporter.warn(
                    ("barriers", i),
                    f"runs through building {shown(found[k].data.id)} over {number(round(inside, 1))} m",
                    found="",
                    hint="end the barrier at the wall",
                )


def _check_height(building: FoundBuilding, ground_m: float | None, tell: _Teller) -> None:
    data = building.data
    key = "height_m" if data.height_m is not None else "top_z_m"
    if data.top_z_m is not None and data.height_m is None and ground_m is None:
        return
    height = rise_m(data, ground_m or 0.0)
    if data.height_m is None and data.top_z_m is None:
        return
    if height <= 0.0:
        tell(
            building,
            "end below the ground",
            f"lies {number(round(-height, 2))} m below the ground at the lowest corner",
            key,
            allowed=f"above {number(round(ground_m or 0.0, 2))} m",
            hint="top_z_m is absolute, as the heights of tracks and terrain are; height_m counts from the ground",
        )
    elif not _LOW_M <= height <= _HIGH_M:
        tell(
            building,
            "have an implausible height",
            f"is {number(round(height, 2))} m high",
            key,
            allowed=f"mostly {_LOW_M:g} to {_HIGH_M:g} m",
            hint="height_m counts from the ground, top_z_m is absolute",
            severity="warning",
        )
    elif data.floors is not None and not _LOW_FLOOR_M <= height / data.floors <= _HIGH_FLOOR_M:
        tell(
            building,
            "have floors that do not fit their height",
            f"has {data.floors} floors in {number(round(height, 2))} m: {height / data.floors:.1f} m each",
            "floors",
            allowed=f"mostly {_LOW_FLOOR_M:g} to {_HIGH_FLOOR_M:g} m",
            severity="warning",
        )


def _check_persons(building: FoundBuilding, tell: _Teller) -> None:
    data = building.data
    if data.use == "dwelling":
        if 0 < data.persons < data.dwellings:
            tell(
                building,
                "have fewer persons than dwellings",
                f"has fewer persons than dwellings, of which there are {number(data.dwellings)}",
                "persons",
                hint="are dwellings and persons swapped?",
                severity="warning",
            )
    elif data.dwellings > 0:
        tell(
            building,
            "have dwellings beside another use",
            f"has dwellings, though its use is {data.use}; they are counted, and limits are those of {data.use}",
            "dwellings",
            severity="warning",
        )
    elif data.persons > 0:
        tell(
            building,
            "have persons but no dwellings",
            f"has persons, though its use is {data.use} and it has no dwellings; they are not counted",
            "persons",
            severity="warning",
        )


def _check_facades(draft: Draft, found: list[FoundBuilding]) -> None:
    entries = draft.readable("facade_receivers")
    chosen: dict[str, FacadeReceivers] = {}
    sized = {b.data.id: b.data for b in found}
    for i, entry in entries.items():
        path: Loc = ("facade_receivers", i)
        _check_names(draft, path, entry, found)
        own = [b.data for b in found if selected(entry, b.data)]
        if not own and not draft.reporter.failed:  # else it may be what was refused
            what = "there is no building with one of these uses" if found else "the project has no buildings"
            draft.reporter.add(path, what, found="", hint="check buildings, building_files and uses")
        chosen.update((b.id, entry) for b in own)
    n = sum(_expected(sized[name], entry) for name, entry in chosen.items())
    if n > _TOO_MANY:
        draft.reporter.add(("facade_receivers",), f"make about {n} receivers", found="", allowed=f"up to {_TOO_MANY}")
    elif n > _MANY:
        hint = "choose the buildings near the line"
        draft.reporter.warn(("facade_receivers",), f"make about {n} receivers: this takes long", found="", hint=hint)
    if not entries and any(b.data.dwellings > 0 for b in found):
        draft.reporter.warn(
            ("buildings",),
            "dwellings of buildings are counted at facade receivers, and there are none",
            found="",
            hint="facade_receivers: [{buildings: all}]",
        )


def _check_names(draft: Draft, path: Loc, entry: FacadeReceivers, found: list[FoundBuilding]) -> None:
    if entry.buildings == "all":
        return
    known = {b.data.id for b in found} | set(draft.ids("buildings"))
    for k, name in enumerate(entry.buildings):
        if name not in known:
            draft.reporter.add(
                (*path, "buildings", k),
                "there is no building with this id",
                allowed=names(known),
                hint=did_you_mean(name, known),
            )
        elif name in entry.buildings[:k]:
            draft.reporter.warn((*path, "buildings", k), "stands twice")


def _expected(building: LoadedBuilding, entry: FacadeReceivers) -> int:
    """About how many receivers a building gets."""
    around = sum(float(np.hypot(*(np.roll(r, -1, axis=0) - r).T).sum()) for r in building.outlines)
    floors = building.floors or max(1, round((building.height_m or 2 * FLOOR_M) / FLOOR_M))
    heights = 1 + int(entry.quiet_facade) + (floors if entry.heights == "every_floor" else 0)
    return round(around / 4.0) * heights

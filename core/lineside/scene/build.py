"""From a loaded project to scenes: geometry and numbers, once for all dates and states."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import NamedTuple

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Options, SourceCalculator
from lineside.project.load import LoadedProject
from lineside.project.model import Calls, Passes
from lineside.scene.alignment import Alignment
from lineside.scene.barriers import barriers_of
from lineside.scene.buildings import StandingBuilding, prisms, standing_buildings
from lineside.scene.conditions import ConditionState, StateChanges, WaterOutline
from lineside.scene.convert import (
    PERIODS,
    freeze,
    ground_of,
    hours_of,
    receivers_of,
    trains_per_hour,
    vehicle_of,
)
from lineside.scene.model import (
    Air,
    BarrierSegments,
    Buildings,
    GroundAreas,
    IntArray,
    Receivers,
    Scene,
    Sections,
    SourceConditions,
    Terrain,
    VehicleType,
)
from lineside.scene.terrain import terrain_of, with_water
from lineside.scene.tracks import (
    Forms,
    TrackAlong,
    change_dates,
    changes_at,
    merge_cuts,
    resolve_track,
    stretches_of,
    track_line,
)
from lineside.scene.traffic import Run, TrafficMemo, build_traffic, speed_cuts

#: Attributes of a track that make impact noise.
JOINT_ATTRIBUTES = ("joints_per_100_m", "impact_roughness")
#: Attributes of a track that squeal depends on, beside its curves.
FRICTION_ATTRIBUTES = ("friction",)


@dataclass(frozen=True)
class SourceState:
    """What the sources of a scene depend on, but for the roughness of rails after works.

    The dates say whose track holds: ``joints`` for what makes impact noise, ``friction`` for friction management,
    ``form`` for all else. ``driving``, ``pattern`` and ``wheels`` are ids of states of the conditions driving,
    timetable and wheels; None: as the project's services and vehicles say.
    """

    form: dt.date
    joints: dt.date
    friction: dt.date
    rail: str = "dry"
    driving: str | None = None
    pattern: str | None = None
    wheels: str | None = None


@dataclass(frozen=True, eq=False)
class BuiltScene:
    """A scene, with what the report needs to say about how it came about."""

    scene: Scene
    runs: tuple[Run, ...]
    alongs: tuple[TrackAlong, ...]


def build_scene(
    loaded: LoadedProject,
    calculators: Sequence[tuple[SourceCalculator, Options]],
) -> BuiltScene:
    """Build the scene of a project at its first assessment date, with trains that run as its services say.

    Parameters
    ----------
    loaded : LoadedProject
        A project that passed all checks.
    calculators
        What will compute: they say where mechanisms change along a track.
    """
    return Scenes(loaded, calculators).reference


class _Place(NamedTuple):
    """What every state of the sources has around it; ``terrain`` with the water of the site."""

    receivers: Receivers
    ground: GroundAreas
    barriers: BarrierSegments
    terrain: Terrain | None


def _same_ground(one: LoadedProject, other: LoadedProject) -> bool:
    """Do ground, earthworks and buildings of two projects come of the same input?"""
    parts = ("site", "tracks", "receivers", "ground_areas", "earthworks", "banks", "buildings", "building_files")
    same = all(getattr(one.project, name) is getattr(other.project, name) for name in parts)
    return same and one.alignments is other.alignments and one.raster is other.raster


class Scenes:
    """All scenes of a project: whatever the date and the state, they have the same sections and receivers.

    Parameters
    ----------
    loaded : LoadedProject
        A project that passed all checks.
    calculators
        All that may compute: they say where mechanisms change along a track.
    also_cut : mapping, optional
        Track -> further chainages at which sections end; ``only_cut`` those alone. [m]
    memo : TrafficMemo, optional
        Runs of trains that are known from other projects with the same tracks and sections.
    like : Scenes, optional
        Those of a project from which this one was derived: their ground and buildings serve where they are the same.
    """

    def __init__(
        self,
        loaded: LoadedProject,
        calculators: Sequence[tuple[SourceCalculator, Options]],
        also_cut: Mapping[str, Array] | None = None,
        only_cut: Mapping[str, Array] | None = None,
        memo: TrafficMemo | None = None,
        like: Scenes | None = None,
    ) -> None:
        project = loaded.project
        self.loaded = loaded
        self.conditions: dict[str, dict[str, ConditionState]] = {
            c.kind: {s.id: s for s in c.states} for c in loaded.conditions
        }
        self.reference_date = (*project.identity.assessment_dates, project.identity.date)[0]
        vertices = np.concatenate([xyz[:, :2] for _, xyz in loaded.alignments.values()])
        memo = memo or TrafficMemo()
        self._memo = memo
        self._origin = np.floor(vertices.min(axis=0))
        known = like if like is not None and _same_ground(loaded, like.loaded) else None
        self.terrain: Terrain | None = known.terrain if known else terrain_of(loaded, self._origin)
        self.standing: tuple[StandingBuilding, ...] = (
            known.standing if known else standing_buildings(loaded, self._origin, self.terrain)
        )
        self._buildings: Buildings = known._buildings if known else prisms(self.standing, self._origin)
        same_place = known is not None and known.loaded.project.barriers is project.barriers
        self._place: _Place = known._place if known is not None and same_place else self._placed()
        self._epochs = (dt.date.min, *change_dates(project.works))
        self._alongs = _same_pieces([self._resolve(date) for date in self._epochs])
        self._lines = [tuple(track_line(a) for a in alongs) for alongs in self._alongs]
        self._spectra = {s.id: loaded.spectra[s.id] for s in project.spectra}
        self._forms = Forms(self._spectra.__getitem__)
        self._period_of_hour = hours_of(project.site.periods)
        ways = {self._way(d, p) for d in (None, *self._ids("driving")) for p in (None, *self._ids("timetable"))}
        self._runs = {way: self._build_runs(*way) for way in sorted(ways, key=str)}
        self.sections = self._cut(calculators, also_cut or {}, only_cut)
        self._traffic = {way: build_traffic(runs, self.sections, memo.rows) for way, runs in self._runs.items()}
        self._built: dict[SourceState, BuiltScene] = {}
        freeze(tuple(self._runs.values()))
        self.reference = self.at(self.state(self.reference_date))

    @property
    def cuts(self) -> Mapping[str, Array]:
        """Track -> ends of its sections, rising. [m chainage]"""
        s = self.sections
        tracks = enumerate(self.loaded.project.tracks)
        return {t.id: np.append(s.from_m[s.track == k], s.to_m[s.track == k][-1:]) for k, t in tracks}

    def state(self, date: dt.date) -> SourceState:
        """The track of a date, with everything else as the project's services and vehicles say."""
        return SourceState(form=date, joints=date, friction=date)

    def same(self, state: SourceState) -> SourceState:
        """The state by which all states are known that have the same scene."""
        driving, pattern = self._way(state.driving, state.pattern)
        form, joints, friction = (self._epochs[self.epoch(d)] for d in (state.form, state.joints, state.friction))
        return replace(state, form=form, joints=joints, friction=friction, driving=driving, pattern=pattern)

    def at(self, state: SourceState) -> BuiltScene:
        """The scene in a state of its sources; roughness as the project gives it."""
        key = self.same(state)
        if key not in self._built:
            self._built[key] = self._build(key)
        return self._built[key]

    def track_differs(self, one: dt.date, other: dt.date, attributes: Sequence[str] | None) -> bool:
        """Does the track differ between two dates in some attributes? None: in any but those of joints and friction."""

        def values(date: dt.date) -> list[object]:
            own = {*JOINT_ATTRIBUTES, *FRICTION_ATTRIBUTES}
            found: list[object] = []
            for k, middle in zip(self.sections.track, self.sections.mid_m, strict=True):
                along = self._alongs[self.epoch(date)][k]
                here = along.values[along.piece(middle)]
                found.append([str(here[a]) for a in here if (a in attributes if attributes else a not in own)])
            return found

        return self.epoch(one) != self.epoch(other) and values(one) != values(other)

    def around(self, scene: Scene, water: str | None, air: str | None) -> Scene:
        """A scene with the water and the air of states; None: as the site says."""
        changed = scene
        if water is not None:
            outlines = self.conditions["water"][water].changes.water
            ground = ground_of(self.loaded, self._origin, outlines)
            changed = replace(changed, ground=ground, terrain=self._with_water(outlines))
        if air is not None:
            changes = self.conditions["air"][air].changes
            given = {f.name: getattr(changes, f.name) for f in fields(Air)}
            changed = replace(changed, air=replace(changed.air, **{k: v for k, v in given.items() if v is not None}))
        freeze(changed)
        return changed

    def _with_water(self, outlines: Sequence[WaterOutline] = ()) -> Terrain | None:
        """The terrain with water at its level; where an area has another outline, its bed lies bare around it."""
        by_area = {o.area: o for o in outlines}
        areas = []
        for area in self.loaded.project.ground_areas:
            xy, level = self.loaded.polygons[area.id], area.level_m
            if area.id in by_area:
                xy, level = by_area[area.id].xy_m, by_area[area.id].level_m
            if level is not None and len(xy):
                areas.append((xy - self._origin, level))
        return with_water(self.terrain, areas)

    def _ids(self, kind: str) -> tuple[str, ...]:
        return tuple(self.conditions.get(kind, ()))

    def epoch(self, date: dt.date) -> int:
        """Number of the stretch of time, between two changes of the track by works, that holds a date."""
        return sum(e <= date for e in self._epochs) - 1

    def _way(self, driving: str | None, pattern: str | None) -> tuple[str | None, str | None]:
        """The way of running in two states; one that changes nothing of it is as the services say."""
        if pattern is not None:
            services = self.conditions["timetable"][pattern].changes.services
            pattern = pattern if any(c.passes is not None for c in services.values()) else None
        if driving is not None and self.conditions["driving"][driving].changes.acceleration_factor == 1.0:
            same_runs = self.conditions["driving"][driving].changes.traction_db == 0.0
            driving = None if same_runs else driving
        return driving, pattern

    def _resolve(self, date: dt.date) -> tuple[TrackAlong, ...]:
        shift = np.array([*self._origin, 0.0])
        loaded = self.loaded
        return tuple(
            resolve_track(
                t,
                Alignment(loaded.alignments[t.id][0], loaded.alignments[t.id][1] - shift),
                changes_at(loaded.project.works, t.id, date),
            )
            for t in loaded.project.tracks
        )

    def _build_runs(self, driving: str | None, pattern: str | None) -> tuple[Run, ...]:
        project = self.loaded.project
        index = {v.id: k for k, v in enumerate(project.vehicles)}
        factor = 1.0 if driving is None else self.conditions["driving"][driving].changes.acceleration_factor
        changed = {} if pattern is None else self.conditions["timetable"][pattern].changes.services
        runs = []
        for service in project.services:
            way: Passes | Calls = service.pattern
            if isinstance(way, Calls):
                through = service.id in changed and changed[service.id].passes
                livelier = {"acceleration_m_s2": way.acceleration_m_s2 * factor}
                way = Passes(kind="passes") if through else way.model_copy(update=livelier)
            entry = service.model_copy(update={"pattern": way})
            trains = trains_per_hour(self.loaded, service.id, self._period_of_hour)
            runs.append(self._memo.run(entry, project, self._alongs[0], index, trains))
        return tuple(runs)

    def _cut(
        self,
        calculators: Sequence[tuple[SourceCalculator, Options]],
        also_cut: Mapping[str, Array],
        only_cut: Mapping[str, Array] | None,
    ) -> Sections:
        """Sections in which nothing changes, whatever the date and the state."""
        reference = self._alongs[self.epoch(self.reference_date)]
        track, stretch, from_m, to_m, first_stretch = [], [], [], [], 0
        for k, along in enumerate(reference):
            name = along.track.id
            if only_cut is not None:
                cuts = only_cut[name]
            else:
                cuts = np.concatenate([also_cut.get(name, np.empty(0)), *self._cuts_of_track(k, calculators)])
            at = merge_cuts(cuts, along.alignment.from_m, along.alignment.to_m)
            track.append(np.full(at.size - 1, k, dtype=np.int64))
            stretch.append(first_stretch + along.pieces(0.5 * (at[:-1] + at[1:])))
            from_m.append(at[:-1])
            to_m.append(at[1:])
            first_stretch += len(along.values)
        return Sections(
            track=np.concatenate(track),
            stretch=np.concatenate(stretch),
            form=np.zeros(sum(map(len, track)), dtype=np.int64),
            from_m=np.concatenate(from_m),
            to_m=np.concatenate(to_m),
        )

    def _cuts_of_track(self, k: int, calculators: Sequence[tuple[SourceCalculator, Options]]) -> list[Array]:
        """Chainages at which anything changes along a track."""
        project = self.loaded.project
        ends = [(w.track, w.from_m, w.to_m) for w in project.works if project.calculation.rail_state is not None]
        ends += [(m.track, m.from_m, m.to_m) for m in project.rail_measurements]
        name = project.tracks[k].id
        cuts = [np.array([end for track, low, high in ends if track == name for end in (low, high)])]
        for alongs, lines in zip(self._alongs, self._lines, strict=True):
            cuts += [alongs[k].at_m, np.array([c for e in lines[k].curves for c in (e.from_m, e.to_m)])]
            cuts += [calculator.cuts(lines[k], options) for calculator, options in calculators]
        for runs in self._runs.values():
            cuts += [cut for run in runs if run.service.track == k for cut in (run.limit_at_m, speed_cuts(run))]
        return cuts

    def _form_of_sections(self, state: SourceState) -> IntArray:
        """Index of the form of each section: joints and friction may be those of other dates than the rest."""
        form, joints, friction = (self._alongs[self.epoch(d)] for d in (state.form, state.joints, state.friction))
        index = np.empty(len(self.sections), dtype=np.int64)
        for k in range(len(form)):
            own = np.flatnonzero(self.sections.track == k)
            middle = self.sections.mid_m[own]
            pieces = np.stack([alongs[k].pieces(middle) for alongs in (form, joints, friction)], axis=1)
            distinct, which = np.unique(pieces, axis=0, return_inverse=True)
            found = []
            for here, joint, rubbed in distinct:
                jointed = {key: joints[k].values[joint][key] for key in JOINT_ATTRIBUTES}
                rub = friction[k].values[rubbed]["friction"]
                found.append(self._forms.index({**form[k].values[here], **jointed, "friction": rub}))
            index[own] = np.array(found, dtype=np.int64)[which.ravel()]
        return index

    def _placed(self) -> _Place:
        return _Place(
            receivers_of(self.loaded.project, self._origin, self._buildings, self.terrain),
            ground_of(self.loaded, self._origin),
            barriers_of(self.loaded, self._origin, self.terrain),
            self._with_water(),
        )

    def _vehicles(self, wheels: str | None) -> tuple[VehicleType, ...]:
        changed = {} if wheels is None else self.conditions["wheels"][wheels].changes.wheels
        vehicles = [vehicle_of(v, self._spectra) for v in self.loaded.project.vehicles]
        return tuple(replace(v, wheel_roughness=changed[v.id]) if v.id in changed else v for v in vehicles)

    def _build(self, state: SourceState) -> BuiltScene:
        project, loaded = self.loaded.project, self.loaded
        way = (state.driving, state.pattern)
        runs, alongs = self._runs[way], self._alongs[self.epoch(state.form)]
        sections = replace(self.sections, form=self._form_of_sections(state))
        driving = self.conditions["driving"][state.driving].changes if state.driving is not None else StateChanges()
        reference = self._alongs[self.epoch(self.reference_date)]
        scene = Scene(
            origin=(float(self._origin[0]), float(self._origin[1])),
            ground_level_m=project.site.ground_level_m,
            tracks=self._lines[self.epoch(state.joints)],
            stretches=tuple(s for k, a in enumerate(reference) for s in stretches_of(k, a)),
            forms=tuple(self._forms.forms),
            sections=sections,
            vehicles=self._vehicles(state.wheels),
            services=tuple(r.service for r in runs),
            traffic=self._traffic[way],
            receivers=self._place.receivers,
            ground=self._place.ground,
            barriers=self._place.barriers,
            air=Air(**project.site.air.model_dump()),
            favourable=loaded.favourable,
            period_names=PERIODS,
            period_of_hour=self._period_of_hour,
            conditions=SourceConditions(rail=state.rail, traction_db=driving.traction_db),
            terrain=self._place.terrain,
            buildings=self._buildings,
        )
        freeze(scene)
        return BuiltScene(scene=scene, runs=runs, alongs=alongs)


def _same_pieces(epochs: Sequence[tuple[TrackAlong, ...]]) -> list[tuple[TrackAlong, ...]]:
    """Tracks at several dates, cut into the same pieces, so that a piece has one number at all dates."""
    out = []
    for alongs in zip(*epochs, strict=True):
        first = alongs[0].alignment
        at_m = merge_cuts(np.concatenate([a.at_m for a in alongs]), first.from_m, first.to_m)
        index = [[a.piece(middle) for middle in 0.5 * (at_m[:-1] + at_m[1:])] for a in alongs]
        out.append(
            [
                replace(a, at_m=at_m, values=tuple(a.values[k] for k in own), names=tuple(a.names[k] for k in own))
                for a, own in zip(alongs, index, strict=True)
            ]
        )
    return list(zip(*out, strict=True))

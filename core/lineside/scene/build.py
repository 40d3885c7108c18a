"""From a loaded project to a scene: geometry and numbers, once."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass
from itertools import pairwise

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Options, SourceCalculator
from lineside.project.load import LoadedProject
from lineside.project.model import FavourableOneValue, Periods, Project, SpectrumRef, TrainTimes, Work
from lineside.project.model import Vehicle as VehicleInput
from lineside.scene.alignment import Alignment
from lineside.scene.model import (
    Air,
    BarrierSegments,
    FavourableShare,
    GroundAreas,
    IntArray,
    Receivers,
    Scene,
    Sections,
    Spectrum,
    TrackLine,
    VehicleType,
)
from lineside.scene.tracks import Forms, TrackAlong, merge_cuts, resolve_track, stretches_of, track_line
from lineside.scene.traffic import Run, build_run, build_traffic, hourly_trains, speed_cuts

PERIODS = ("day", "evening", "night")


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
    """Build the scene of a project.

    Parameters
    ----------
    loaded : LoadedProject
        A project that passed all checks.
    calculators
        What will compute: they say where mechanisms change along a track.
    """
    project = loaded.project
    vertices = np.concatenate([xyz[:, :2] for _, xyz in loaded.alignments.values()])
    origin = np.floor(vertices.min(axis=0))
    shift = np.array([*origin, 0.0])
    alongs = tuple(
        resolve_track(t, Alignment(loaded.alignments[t.id][0], loaded.alignments[t.id][1] - shift))
        for t in project.tracks
    )
    lines = tuple(track_line(a) for a in alongs)
    spectra = {s.id: loaded.spectra[s.id] for s in project.spectra}
    forms = Forms(spectra.__getitem__)
    period_of_hour = hours_of(project.site.periods)
    vehicle_index = {v.id: k for k, v in enumerate(project.vehicles)}
    runs = tuple(
        build_run(s, project, alongs, vehicle_index, _trains_per_hour(loaded, s.id, period_of_hour))
        for s in project.services
    )
    stretches = [s for k, a in enumerate(alongs) for s in stretches_of(k, a)]
    works = () if project.calculation.rail_state is None else project.works
    sections = _sections(alongs, lines, runs, calculators, forms, works)
    scene = Scene(
        origin=(float(origin[0]), float(origin[1])),
        ground_level_m=project.site.ground_level_m,
        tracks=lines,
        stretches=tuple(stretches),
        forms=tuple(forms.forms),
        sections=sections,
        vehicles=tuple(_vehicle(v, spectra) for v in project.vehicles),
        services=tuple(r.service for r in runs),
        traffic=build_traffic(runs, sections),
        receivers=_receivers(project, origin),
        ground=_ground(loaded, origin),
        barriers=_barriers(loaded, origin),
        air=Air(**project.site.air.model_dump()),
        favourable=_favourable(project),
        period_names=PERIODS,
        period_of_hour=period_of_hour,
    )
    _freeze(scene)
    return BuiltScene(scene=scene, runs=runs, alongs=alongs)


def _freeze(part: object) -> None:
    """Make every array of a scene read-only: a plugin must not change what the others see."""
    if isinstance(part, np.ndarray):
        part.setflags(write=False)
    elif isinstance(part, tuple):
        for item in part:
            _freeze(item)
    elif is_dataclass(part):
        for entry in fields(part):
            _freeze(getattr(part, entry.name))


def hours_of(periods: Periods) -> IntArray:
    """Index of the period of each clock hour, (24,)."""
    out = np.full(24, -1, dtype=np.int64)
    for k, (from_hour, to_hour) in enumerate((periods.day, periods.evening, periods.night)):
        n = (to_hour - from_hour - 1) % 24 + 1
        out[(from_hour + np.arange(n)) % 24] = k
    return out


def _trains_per_hour(loaded: LoadedProject, service: str, period_of_hour: IntArray) -> Array:
    entry = next(s for s in loaded.project.services if s.id == service)
    if isinstance(entry.trains, TrainTimes):
        hours = np.asarray(loaded.times[service], dtype=np.int64) // 60
        return np.bincount(hours, minlength=24).astype(np.float64)
    counts = {name: getattr(entry.trains, name) for name in PERIODS}
    return hourly_trains(counts, PERIODS, period_of_hour)


def _sections(
    alongs: Sequence[TrackAlong],
    lines: Sequence[TrackLine],
    runs: Sequence[Run],
    calculators: Sequence[tuple[SourceCalculator, Options]],
    forms: Forms,
    works: Sequence[Work],
) -> Sections:
    track, stretch, form = [], [], []
    from_m: list[float] = []
    to_m: list[float] = []
    first_stretch = 0
    for k, (along, line) in enumerate(zip(alongs, lines, strict=True)):
        cuts = [along.at_m, np.array([c for e in line.curves for c in (e.from_m, e.to_m)])]
        cuts += [calculator.cuts(line, options) for calculator, options in calculators]
        cuts += [speed_cuts(run) for run in runs if run.service.track == k]
        cuts += [np.array([w.from_m, w.to_m]) for w in works if w.track == line.id]
        at = merge_cuts(np.concatenate(cuts), along.alignment.from_m, along.alignment.to_m)
        for low, high in pairwise(at):
            piece = along.piece(0.5 * (low + high))
            track.append(k)
            stretch.append(first_stretch + piece)
            form.append(forms.index(along.values[piece]))
            from_m.append(float(low))
            to_m.append(float(high))
        first_stretch += len(along.values)
    return Sections(
        track=np.array(track, dtype=np.int64),
        stretch=np.array(stretch, dtype=np.int64),
        form=np.array(form, dtype=np.int64),
        from_m=np.array(from_m),
        to_m=np.array(to_m),
    )


def _vehicle(entry: VehicleInput, spectra: Mapping[str, Spectrum]) -> VehicleType:
    def resolve(value: str | SpectrumRef | None) -> str | Spectrum | None:
        if isinstance(value, SpectrumRef):
            return spectra[value.spectrum]
        return None if value == "none" else value

    return VehicleType(
        id=entry.id,
        kind=entry.kind,
        freight=entry.freight,
        length_m=entry.length_m,
        n_axles=entry.n_axles,
        max_speed_km_h=entry.max_speed_km_h,
        wheel_roughness=resolve(entry.wheel_roughness),  # type: ignore[arg-type]
        contact_filter=resolve(entry.contact_filter),  # type: ignore[arg-type]
        vehicle_transfer=resolve(entry.vehicle_transfer),  # type: ignore[arg-type]
        superstructure_transfer=resolve(entry.superstructure_transfer),
        traction=resolve(entry.traction),
        aerodynamic=resolve(entry.aerodynamic),
        actual={k: v for k, v in entry.actual.model_dump().items() if v is not None},
    )


def _receivers(project: Project, origin: Array) -> Receivers:
    level = project.site.ground_level_m
    xyz = [[r.position[0] - origin[0], r.position[1] - origin[1], level + r.height_m] for r in project.receivers]
    return Receivers(ids=tuple(r.id for r in project.receivers), xyz_m=np.array(xyz, dtype=np.float64))


def _ground(loaded: LoadedProject, origin: Array) -> GroundAreas:
    assert loaded.default_ground_g is not None, "the project was loaded without the names that plugins offer"
    rings = [loaded.polygons[a.id] - origin for a in loaded.project.ground_areas]
    return GroundAreas(
        default_g=loaded.default_ground_g,
        xy_m=np.concatenate([*rings, np.empty((0, 2))]),
        start=np.concatenate([[0], np.cumsum([len(r) for r in rings])]).astype(np.int64),
        g=np.array([loaded.ground_g[a.id] for a in loaded.project.ground_areas], dtype=np.float64),
    )


def _barriers(loaded: LoadedProject, origin: Array) -> BarrierSegments:
    level = loaded.project.site.ground_level_m
    xy: list[Array] = []
    top: list[list[float]] = []
    index: list[int] = []
    for k, barrier in enumerate(loaded.project.barriers):
        line = loaded.lines[barrier.id] - origin
        for a, b in pairwise(line):
            xy.append(np.stack([a, b]))
            top.append([level + barrier.height_m] * 2)
            index.append(k)
    return BarrierSegments(
        xy_m=np.array(xy, dtype=np.float64).reshape(-1, 2, 2),
        top_z_m=np.array(top, dtype=np.float64).reshape(-1, 2),
        base_z_m=np.full((len(index), 2), level, dtype=np.float64),
        barrier=np.array(index, dtype=np.int64),
        reflecting=np.array([loaded.project.barriers[k].surface == "reflecting" for k in index], dtype=np.bool_),
    )


def _favourable(project: Project) -> FavourableShare:
    entry = project.site.favourable
    if isinstance(entry, FavourableOneValue):
        share = [[getattr(entry, name)] for name in PERIODS]
        return FavourableShare(sector_from_deg=np.zeros(1), share=np.array(share))
    return FavourableShare(
        sector_from_deg=np.array([s.from_deg for s in entry.sectors]),
        share=np.array([[getattr(s, name) for s in entry.sectors] for name in PERIODS]),
    )

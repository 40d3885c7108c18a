"""Services and their vehicles: where each vehicle is, how fast, and for how long."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.model import Calls, Project
from lineside.project.model import Service as ServiceInput
from lineside.scene.kinematics import DEFAULT_RATE_M_S2, SpeedProfile, speed_profile
from lineside.scene.model import IntArray, Sections, Service, Traffic
from lineside.scene.tracks import TrackAlong, merge_cuts

#: A stay longer than this at one stop is a layover. [s]
LONG_STAY_S = 1800.0


@dataclass(frozen=True, eq=False)
class Run:
    """One service with the run of its trains along the track."""

    service: Service
    profile: SpeedProfile
    stops_m: Array  # (n_stops,) chainages where the middle of the train stands
    dwell_s: float
    limit_at_m: Array  # (n + 1,) rising chainages between which the permitted speeds hold
    limit_m_s: Array  # (n,) the lowest of the speeds of line, vehicles and service


def build_run(
    entry: ServiceInput,
    project: Project,
    alongs: Sequence[TrackAlong],
    vehicle_index: Mapping[str, int],
    trains_per_hour: Array,
) -> Run:
    """Service, vehicles in their places and speed profile of one entry of ``services``."""
    track = next(k for k, a in enumerate(alongs) if a.track.id == entry.track)
    unit = next(u for u in project.units if u.id == entry.unit)
    names = [part.vehicle for part in unit.vehicles for _ in range(part.count)]
    vehicles = {v.id: v for v in project.vehicles}
    length = np.array([vehicles[n].length_m for n in names])
    train_length = float(length.sum())
    direction = 1 if entry.direction == "rising" else -1
    calls = isinstance(entry.pattern, Calls)
    stops = _stops(entry, project)
    ceiling = min(vehicles[n].max_speed_km_h for n in names) / 3.6
    if entry.speed_km_h is not None:
        ceiling = min(ceiling, entry.speed_km_h / 3.6)
    limit_at_m, limit = _limits(alongs[track], entry, ceiling)
    profile = speed_profile(
        limit_at_m,
        limit,
        direction,
        stops,
        entry.pattern.acceleration_m_s2 if isinstance(entry.pattern, Calls) else DEFAULT_RATE_M_S2,
        entry.pattern.braking_m_s2 if isinstance(entry.pattern, Calls) else DEFAULT_RATE_M_S2,
        margin_m=0.5 * train_length + 1.0,
    )
    service = Service(
        id=entry.id,
        name=entry.name or entry.id,
        track=track,
        unit=entry.unit,
        direction=direction,
        calls=calls,
        train_length_m=train_length,
        trains_per_hour=trains_per_hour,
        vehicle_offset_m=0.5 * train_length - (np.cumsum(length) - 0.5 * length),
        vehicle_type=np.array([vehicle_index[n] for n in names], dtype=np.int64),
        vehicle_length_m=length,
    )
    dwell = entry.pattern.dwell_s if isinstance(entry.pattern, Calls) else 0.0
    return Run(service, profile, stops, dwell, limit_at_m=limit_at_m, limit_m_s=limit)


def _limits(along: TrackAlong, entry: ServiceInput, ceiling_m_s: float) -> tuple[Array, Array]:
    """Chainages (n + 1,) where speeds change, and the lowest of line, train and service between them, (n,).

    [m], [m/s]. Where the track changes, but not the speed, a run does not.
    """
    at_m, limit = along.at_m, np.minimum(along.speed_limit_m_s(), ceiling_m_s)
    if not entry.speed_restrictions:
        return _where_it_changes(at_m, limit)
    ends = [end for slow in entry.speed_restrictions for end in (slow.from_m, slow.to_m)]
    cut_m = merge_cuts(np.concatenate([at_m, ends]), float(at_m[0]), float(at_m[-1]))
    middle = 0.5 * (cut_m[:-1] + cut_m[1:])
    limit = limit[np.clip(np.searchsorted(at_m, middle, side="right") - 1, 0, len(limit) - 1)]
    for slow in entry.speed_restrictions:
        inside = (slow.from_m <= middle) & (middle <= slow.to_m)
        limit = np.where(inside, np.minimum(limit, slow.speed_km_h / 3.6), limit)
    return _where_it_changes(cut_m, limit)


def _where_it_changes(at_m: Array, limit: Array) -> tuple[Array, Array]:
    first = np.concatenate([[True], limit[1:] != limit[:-1]])
    return np.concatenate([at_m[:-1][first], at_m[-1:]]), limit[first]


def _stops(entry: ServiceInput, project: Project) -> Array:
    if not isinstance(entry.pattern, Calls):
        return np.empty(0)
    wanted = set(entry.pattern.at)
    places = [p.chainage_m for s in project.stops if s.id in wanted for p in s.at if p.track == entry.track]
    return np.unique(np.array(places, dtype=np.float64))


def hourly_trains(counts: Mapping[str, float], period_names: Sequence[str], period_of_hour: IntArray) -> Array:
    """Trains per clock hour when each period's trains are spread evenly over its hours, (24,)."""
    hours = np.bincount(period_of_hour, minlength=len(period_names))
    return np.array([counts[period_names[p]] / hours[p] for p in period_of_hour])


#: Speed changes by no more than this between two cuts of a section. [km/h]
SPEED_STEP_KM_H = 4.0


def speed_cuts(run: Run) -> Array:
    """Chainages at which a train's speed has changed by one step, and the ends of its standing trains, (n,).

    Steps are cut for the middle, the head and the tail of the train, which brake and accelerate at different places.
    """
    place, speed = run.profile.place_m, run.profile.speed_m_s * 3.6
    step = np.floor(speed / SPEED_STEP_KM_H + 1e-9)
    change = place[np.flatnonzero(np.diff(step) != 0) + 1] * run.profile.direction
    half = 0.5 * run.service.train_length_m
    return np.concatenate([change, change - half, change + half, run.stops_m - half, run.stops_m + half])


#: Places along a vehicle, in half lengths from its centre, and their weights: Gauss-Legendre with four nodes.
_PLACES, _WEIGHTS = np.polynomial.legendre.leggauss(4)


#: Speed, time per metre, share of gaining and permitted speed of one row on the sections of its track.
RowOnTrack = tuple[Array, Array, Array, Array]


@dataclass(eq=False)
class TrafficMemo:
    """Runs and rows of trains that were computed already, for projects that differ in some of their trains only."""

    rows: dict[tuple[int, int, bool], RowOnTrack] = field(default_factory=dict)
    _runs: dict[tuple[object, ...], Run] = field(default_factory=dict)

    def run(
        self,
        entry: ServiceInput,
        project: Project,
        alongs: Sequence[TrackAlong],
        vehicle_index: Mapping[str, int],
        trains_per_hour: Array,
    ) -> Run:
        """As :func:`build_run`; what it depends on is compared by value."""
        along = next(a for a in alongs if a.track.id == entry.track)
        unit = next(u for u in project.units if u.id == entry.unit)
        names = [part.vehicle for part in unit.vehicles for _ in range(part.count)]
        vehicles = {v.id: (vehicle_index[v.id], v.length_m, v.max_speed_km_h) for v in project.vehicles}
        key = (
            repr(entry.model_copy(update={"trains": None})),
            tuple(vehicles[name] for name in names),
            repr([s for s in project.stops if s.id in getattr(entry.pattern, "at", ())]),
            *(part.tobytes() for part in _limits(along, entry, np.inf)),
            trains_per_hour.tobytes(),
        )
        if key not in self._runs:
            self._runs[key] = build_run(entry, project, alongs, vehicle_index, trains_per_hour)
        return self._runs[key]


def build_traffic(
    runs: Sequence[Run], sections: Sections, memo: dict[tuple[int, int, bool], RowOnTrack] | None = None
) -> Traffic:
    """One row per vehicle of each service's unit, moving, and one more standing where the service calls.

    ``memo``: rows by identity of the run, vehicle and whether it stands, for the same sections.
    """
    rows = [(s, k, False) for s, run in enumerate(runs) for k in range(len(run.service.vehicle_type))]
    rows += [
        (s, k, True)
        for s, run in enumerate(runs)
        if run.dwell_s > 0 and run.stops_m.size
        for k in range(len(run.service.vehicle_type))
    ]
    speed, seconds, gaining, permitted = (np.zeros((len(rows), len(sections))) for _ in range(4))
    for row, (s, k, standing) in enumerate(rows):
        run = runs[s]
        mine = sections.track == run.service.track
        known = None if memo is None else memo.get((id(run), k, standing))
        if known is None:
            known = _row(run, k, standing, sections.from_m[mine], sections.to_m[mine])
            if memo is not None:
                memo[id(run), k, standing] = known
        speed[row, mine], seconds[row, mine], gaining[row, mine], permitted[row, mine] = known
    return Traffic(
        service=np.array([r[0] for r in rows], dtype=np.int64),
        vehicle=np.array([runs[s].service.vehicle_type[k] for s, k, _ in rows], dtype=np.int64),
        unit_position=np.array([r[1] for r in rows], dtype=np.int64),
        standing=np.array([r[2] for r in rows], dtype=np.bool_),
        long_stay=np.array([r[2] and runs[r[0]].dwell_s > LONG_STAY_S for r in rows], dtype=np.bool_),
        speed_km_h=speed,
        seconds_per_m=seconds,
        accelerating=gaining,
        permitted_km_h=permitted,
    )


def _row(run: Run, k: int, standing: bool, low: Array, high: Array) -> RowOnTrack:
    none = np.zeros(low.size)
    if standing:
        return none, _standing_s_per_m(run, k, low, high), none, none
    duration = _moving_s(run, k, low, high, run.profile.duration_s)
    gaining = _moving_s(run, k, low, high, run.profile.gaining_s) / duration
    return 3.6 * (high - low) / duration, duration / (high - low), gaining, _permitted_km_h(run, 0.5 * (low + high))


def _permitted_km_h(run: Run, place_m: Array) -> Array:
    piece = np.searchsorted(run.limit_at_m, place_m, side="right") - 1
    return np.asarray(3.6 * run.limit_m_s[np.clip(piece, 0, len(run.limit_m_s) - 1)])


def _moving_s(
    run: Run, vehicle: int, low: Array, high: Array, seconds: Callable[[Array, Array, float], Array]
) -> Array:
    """Time that a moving vehicle spends in chainage ranges, by one count, averaged over its length, (n,). [s]"""
    middle, half = float(run.service.vehicle_offset_m[vehicle]), 0.5 * float(run.service.vehicle_length_m[vehicle])
    parts = [w * seconds(low, high, middle + x * half) for x, w in zip(_PLACES, _WEIGHTS, strict=True)]
    return np.asarray(0.5 * np.sum(parts, axis=0))


def _standing_s_per_m(run: Run, vehicle: int, low: Array, high: Array) -> Array:
    """Standing time of one vehicle at all stops, spread over its length, per metre of each section."""
    shares = [standing_share(run, vehicle, float(stop), low, high) for stop in run.stops_m]
    return run.dwell_s * np.sum(shares, axis=0)


def standing_share(run: Run, vehicle: int, stop_m: float, low: Array, high: Array) -> Array:
    """Share of a vehicle that stands in each chainage range while its train is at a stop, per metre, (n,). [1/m]"""
    service = run.service
    half = 0.5 * float(service.vehicle_length_m[vehicle])
    middle = stop_m + service.direction * float(service.vehicle_offset_m[vehicle])
    covered = np.maximum(np.minimum(high, middle + half) - np.maximum(low, middle - half), 0.0)
    return np.asarray(covered / (2.0 * half * (high - low)))

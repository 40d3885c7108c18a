"""Checks of trains: units, services, stops, speeds."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from lineside.project.draft import Draft
from lineside.project.model import Calls, Service, Track, TrainsPerPeriod, Unit, Vehicle
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.wording import names, number, shown
from lineside.scene.alignment import Alignment

_FAST_KM_H = 350.0
_HEAVY_WHEEL_KN = 150.0
_MANY_TRAINS_PER_HOUR = 60.0
#: Longest plausible train by kind of railway. [m]
_LONGEST_M = {"train": 750.0, "metro": 400.0, "tram": 150.0}
_CRAWL_KM_H = 15.0


def check_traffic(draft: Draft, resolved: Resolved) -> None:
    """Run every check of trains."""
    _check_vehicles(draft)
    _check_track_speeds(draft)
    _check_units(draft)
    tracks, units = draft.by_id("tracks"), draft.by_id("units")
    laid = draft.readable("tracks")
    alignments = {laid[i].id: a for i, a in resolved.alignments.items()}
    for i, service in draft.services.items():
        path: Loc = ("services", i)
        _check_number(draft, path, service, resolved.times.get(i))
        track = tracks.get(service.track)
        vehicles = _vehicles(draft, units.get(service.unit))
        if track is not None and vehicles:
            _check_kind(draft, path, track, vehicles)
            _check_speed(draft, path, service, track, vehicles)
        if isinstance(service.pattern, Calls):
            _check_calls(draft, path, service, service.pattern, alignments.get(service.track), track, vehicles)
    _check_any_train(draft, resolved)


def _vehicles(draft: Draft, unit: Unit | None) -> list[tuple[Vehicle, int]]:
    """Vehicles of a unit with their numbers; empty if one of them is not known."""
    known = draft.by_id("vehicles")
    if unit is None or any(part.vehicle not in known for part in unit.vehicles):
        return []
    return [(known[part.vehicle], part.count) for part in unit.vehicles]


def _length_m(vehicles: list[tuple[Vehicle, int]]) -> float:
    return sum(vehicle.length_m * count for vehicle, count in vehicles)


def _check_vehicles(draft: Draft) -> None:
    for i, vehicle in draft.vehicles.items():
        path: Loc = ("vehicles", i)
        if vehicle.max_speed_km_h > _FAST_KM_H:
            draft.reporter.warn(
                (*path, "max_speed_km_h"), "is an implausible speed", allowed=f"mostly up to {_FAST_KM_H:g} km/h"
            )
        load = vehicle.actual.wheel_load_kn
        if load is not None and load > _HEAVY_WHEEL_KN:
            draft.reporter.warn(
                (*path, "actual", "wheel_load_kn"),
                "is an implausible load of one wheel",
                hint="load per wheel: half the axle load, in kN (1 t is 9.81 kN)",
            )
        if vehicle.length_m / vehicle.n_axles < 1.0:
            draft.reporter.warn(
                (*path, "n_axles"),
                f"are many axles for a length of {number(vehicle.length_m)} m",
                hint="axles of one vehicle, not of the train",
            )


def _check_track_speeds(draft: Draft) -> None:
    for i, track in draft.readable("tracks").items():
        if track.attributes.speed_limit_km_h > _FAST_KM_H:
            draft.reporter.warn(
                ("tracks", i, "attributes", "speed_limit_km_h"),
                "is an implausible speed",
                allowed=f"mostly up to {_FAST_KM_H:g} km/h",
            )
        for k, stretch in enumerate(track.stretches):
            if stretch.speed_limit_km_h is not None and stretch.speed_limit_km_h > _FAST_KM_H:
                draft.reporter.warn(
                    ("tracks", i, "stretches", k, "speed_limit_km_h"),
                    "is an implausible speed",
                    allowed=f"mostly up to {_FAST_KM_H:g} km/h",
                )


def _check_units(draft: Draft) -> None:
    for i, unit in draft.units.items():
        vehicles = _vehicles(draft, unit)
        if not vehicles:
            continue
        length = _length_m(vehicles)
        longest = max(_LONGEST_M[vehicle.kind] for vehicle, _ in vehicles)
        if length > longest:
            draft.reporter.warn(
                ("units", i, "vehicles"),
                f"make a train {number(round(length, 1))} m long",
                allowed=f"mostly up to {longest:g} m",
                found="",
            )


def _check_number(draft: Draft, path: Loc, service: Service, times: np.ndarray | None) -> None:
    if isinstance(service.trains, TrainsPerPeriod):
        if service.trains.day + service.trains.evening + service.trains.night == 0:
            draft.reporter.warn((*path, "trains"), "the service has no trains", found="")
        if draft.site is None:
            return
        for period in ("day", "evening", "night"):
            from_hour, to_hour = getattr(draft.site.periods, period)
            hours = (to_hour - from_hour - 1) % 24 + 1
            rate = getattr(service.trains, period) / hours
            if rate > _MANY_TRAINS_PER_HOUR:
                draft.reporter.warn(
                    (*path, "trains", period),
                    f"is {number(round(rate, 1))} trains in each of {hours} hours",
                    hint="give the trains of the whole period of an average day, on this track and in this direction",
                )
    elif times is not None and not times.size:
        draft.reporter.warn((*path, "trains"), "the service has no trains", found="")


def _check_kind(draft: Draft, path: Loc, track: Track, vehicles: list[tuple[Vehicle, int]]) -> None:
    others = sorted({vehicle.kind for vehicle, _ in vehicles} - {track.kind})
    if others:
        draft.reporter.warn(
            (*path, "unit"), f"has vehicles of kind {names(others)} on track {shown(track.id)} of kind {track.kind}"
        )


def _check_speed(draft: Draft, path: Loc, service: Service, track: Track, vehicles: list[tuple[Vehicle, int]]) -> None:
    slowest = min((vehicle for vehicle, _ in vehicles), key=lambda vehicle: vehicle.max_speed_km_h)
    top = slowest.max_speed_km_h
    limits = [s.speed_limit_km_h for s in track.stretches if s.speed_limit_km_h is not None]
    limit = max([track.attributes.speed_limit_km_h, *limits])
    if service.speed_km_h is not None:
        if service.speed_km_h > top:
            draft.reporter.warn(
                (*path, "speed_km_h"),
                f"is above the highest speed of vehicle {shown(slowest.id)}: computed with {number(top)} km/h",
            )
    elif limit > top:
        draft.reporter.warn(
            (*path, "unit"),
            f"vehicle {shown(slowest.id)} reaches {number(top)} km/h, the track allows {number(limit)}: "
            f"computed with at most {number(top)} km/h",
            hint="give the service a speed_km_h if that is meant",
        )


def _check_calls(
    draft: Draft,
    path: Loc,
    service: Service,
    calls: Calls,
    alignment: Alignment | None,
    track: Track | None,
    vehicles: list[tuple[Vehicle, int]],
) -> None:
    stops = draft.by_id("stops")
    at: list[tuple[int, str, float]] = []
    for k, name in enumerate(calls.at):
        if name not in stops:
            continue
        if name in calls.at[:k]:
            draft.reporter.add((*path, "pattern", "at", k), "stands twice", hint="a train calls once at a stop")
            continue
        here = [place.chainage_m for place in stops[name].at if place.track == service.track]
        if here:
            at.append((k, name, here[0]))
            continue
        if service.track not in draft.ids("tracks"):
            continue
        on_track = [s.id for s in stops.values() if any(place.track == service.track for place in s.at)]
        draft.reporter.add(
            (*path, "pattern", "at", k),
            f"the stop has no place on track {shown(service.track)}, where the service runs",
            allowed=names(on_track),
            hint=f"give it a place in stops: at: [{{track: {shown(service.track, quote=False)}, chainage_m: ...}}]",
        )
    if alignment is None or track is None:
        return
    sign = 1.0 if service.direction == "rising" else -1.0
    _check_order(draft, path, service, at, sign)
    _check_distances(draft, path, calls, at, track, alignment, sign)
    half = 0.5 * _length_m(vehicles)
    for k, name, chainage in at:
        if not alignment.from_m - 0.05 <= chainage <= alignment.to_m + 0.05:
            continue  # reported with the stop itself
        beyond = max(alignment.from_m - (chainage - half), chainage + half - alignment.to_m)
        if beyond > 0.5:
            draft.reporter.warn(
                (*path, "pattern", "at", k),
                f"the train at stop {shown(name)} stands {number(round(beyond, 1))} m beyond "
                f"the end of track {shown(service.track)}",
                hint="lengthen the alignment",
            )


def _check_order(draft: Draft, path: Loc, service: Service, at: list[tuple[int, str, float]], sign: float) -> None:
    for (_, before, first), (k, name, second) in pairwise(at):
        if first == second:
            draft.reporter.add(
                (*path, "pattern", "at", k), f"stops {shown(before)} and {shown(name)} lie at one place of the track"
            )
        elif sign * (second - first) < 0:
            draft.reporter.warn(
                (*path, "pattern", "at", k),
                f"a train with {service.direction} chainage comes to stop {shown(name)} before {shown(before)}",
                hint="order the stops along the way, or turn the direction",
            )


def _check_distances(
    draft: Draft,
    path: Loc,
    calls: Calls,
    at: list[tuple[int, str, float]],
    track: Track,
    alignment: Alignment,
    sign: float,
) -> None:
    """Can trains reach a sensible speed between stops, and brake from line speed for the first?"""
    along = sorted(at, key=lambda stop: sign * stop[2])
    a, b = calls.acceleration_m_s2, calls.braking_m_s2
    for (_, before, first), (k, name, second) in pairwise(along):
        distance = abs(second - first)
        peak_km_h = 3.6 * (2 * distance * a * b / (a + b)) ** 0.5
        if 0 < peak_km_h < _CRAWL_KM_H:
            draft.reporter.warn(
                (*path, "pattern", "at", k),
                f"between stops {shown(before)} and {shown(name)}, {number(round(distance, 1))} m "
                f"apart, a train reaches only {peak_km_h:.0f} km/h",
                hint="check the chainages, acceleration and braking",
            )
    if along:
        k, name, chainage = along[0]
        start = alignment.from_m if sign > 0 else alignment.to_m
        available = sign * (chainage - start)
        speed = track.attributes.speed_limit_km_h / 3.6
        needed = speed**2 / (2 * b)
        if 0 <= available < needed:
            draft.reporter.warn(
                (*path, "pattern", "at", k),
                f"braking from {number(track.attributes.speed_limit_km_h)} km/h takes "
                f"{needed:.0f} m, but the track begins {number(round(available, 1))} m before stop {shown(name)}: "
                "trains enter it slower",
                hint="lengthen the alignment",
            )


def _check_any_train(draft: Draft, resolved: Resolved) -> None:
    if not draft.complete or draft.reporter.failed:
        return
    runs = any(
        service.trains.day + service.trains.evening + service.trains.night > 0
        if isinstance(service.trains, TrainsPerPeriod)
        else resolved.times[i].size > 0
        for i, service in draft.services.items()
    )
    if not runs:
        draft.reporter.add(
            ("services",),
            "no train runs, so there is nothing to assess",
            found="",
            allowed="at least one service with trains",
        )

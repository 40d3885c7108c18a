"""Warnings about values that are possible, but mostly slips of the pen: radii, speeds, heights, dates, counts."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.check_coordinates import FAR_M
from lineside.project.draft import Draft
from lineside.project.model import Air, AirState, Track, Turnout
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.wording import names, number, shown
from lineside.scene.alignment import STRAIGHT_ABOVE_M, Alignment, derive_curves, rail_head
from lineside.scene.model import Curve, Terrain
from lineside.scene.terrain import ground_height, surface_height

_CRAWL_KM_H = 5.0
_SLOW_TRAIN_KM_H = 30.0
_MANY_JOINTS_PER_100_M = 10.0
#: Lateral acceleration up to which turnouts are passed: common practice, no source. [m/s2]
_LATERAL_M_S2 = 0.65
_ROUNDING_KM_H = 0.5
_RADIUS_FACTOR = 1.5
#: A derived curve shorter than this inside a range says nothing about its radius. [m]
_SHORT_CURVE_M = 10.0
_N_SAMPLES = 1000
#: A barrier whose height counts from a rail farther away than this is doubtful: common practice, no source. [m]
_RAIL_NEAR_M = 20.0
#: Points along a barrier at which its top is compared with the ground are mostly so far apart. [m]
_WALL_STEP_M = 2.0


def check_plausible(draft: Draft, resolved: Resolved) -> None:
    """Run every check of plausibility."""
    for i, track in draft.readable("tracks").items():
        path: Loc = ("tracks", i)
        kind = "" if draft.faulty(*path, "kind") else track.kind
        _check_attributes(draft, (*path, "attributes"), kind, track.attributes)
        for k, stretch in enumerate(track.stretches):
            _check_attributes(draft, (*path, "stretches", k), kind, stretch)
        if i in resolved.alignments:
            _check_radii(draft, path, track, resolved.alignments[i])
    for i, track in draft.tracks.items():
        for k, turnout in enumerate(track.turnouts):
            _check_turnout(draft, ("tracks", i, "turnouts", k), track, turnout)
    _check_drives(draft)
    _check_persons(draft)
    _check_tops(draft, resolved)
    _check_work_dates(draft)
    _check_calculation(draft)


def check_air(draft: Draft, path: Loc, air: Air | AirState) -> None:
    """Warn of air that is mostly a slip of the pen; ``path`` is where its keys stand."""
    report = draft.reporter
    if air.humidity_pct < 10:
        hint = "write percent: 75, not 0.75" if air.humidity_pct <= 1 else ""
        report.warn(
            (*path, "humidity_pct"), "is implausibly dry for outdoor air", allowed="mostly 40 to 95 %", hint=hint
        )
    if not -25 <= air.temperature_deg_c <= 45:
        report.warn((*path, "temperature_deg_c"), "is an implausible mean temperature", allowed="mostly -5 to 25 °C")
    if air.pressure_kpa is not None and not 70 <= air.pressure_kpa <= 108:
        report.warn((*path, "pressure_kpa"), "is an implausible air pressure", allowed="mostly 85 to 104 kPa")


def _check_attributes(draft: Draft, path: Loc, kind: str, given: object) -> None:
    """Speed limit and joints of a whole track or a stretch."""
    limit = getattr(given, "speed_limit_km_h", None)
    if limit is not None and limit < _CRAWL_KM_H:
        draft.reporter.warn((*path, "speed_limit_km_h"), "is slower than a walk", hint="is it in km/h?")
    elif limit is not None and limit < _SLOW_TRAIN_KM_H and kind == "train":
        draft.reporter.warn(
            (*path, "speed_limit_km_h"),
            "is slow for a train",
            hint=f"is it in km/h? {number(limit)} m/s would be {number(round(3.6 * limit, 1))} km/h",
        )
    joints = getattr(given, "joints_per_100_m", None)
    if joints is not None and joints > _MANY_JOINTS_PER_100_M:
        draft.reporter.warn(
            (*path, "joints_per_100_m"),
            f"is a joint every {number(round(100 / joints, 1))} m",
            allowed=f"mostly up to {_MANY_JOINTS_PER_100_M:g} per 100 m",
            hint="joints in 100 m of track, not in its whole length",
        )


def _speed_at(track: Track, chainage_m: float) -> float:
    """Speed limit at a chainage; later stretches override earlier ones. [km/h]"""
    limit = track.attributes.speed_limit_km_h
    for stretch in track.stretches:
        if stretch.speed_limit_km_h is not None and stretch.from_m <= chainage_m <= stretch.to_m:
            limit = stretch.speed_limit_km_h
    return limit


def _fastest(draft: Draft, track: str) -> float:
    """The highest speed that a train on a track reaches; without limit where that is not known. [km/h]"""
    units, vehicles = draft.by_id("units"), draft.by_id("vehicles")
    found = []
    for service in draft.services.values():
        if service.track != track:
            continue
        parts = units[service.unit].vehicles if service.unit in units else ()
        speeds = [vehicles[part.vehicle].max_speed_km_h for part in parts if part.vehicle in vehicles]
        if service.speed_km_h is not None:
            speeds.append(service.speed_km_h)
        found.append(min(speeds, default=float("inf")))
    return max(found, default=float("inf"))


def _check_turnout(draft: Draft, path: Loc, track: Track, turnout: Turnout) -> None:
    if turnout.route != "diverging" or turnout.diverging_radius_m is None:
        return
    speed = min(_speed_at(track, turnout.chainage_m), _fastest(draft, track.id))
    fits = 3.6 * (_LATERAL_M_S2 * turnout.diverging_radius_m) ** 0.5
    if speed > fits + _ROUNDING_KM_H:
        draft.reporter.warn(
            (*path, "diverging_radius_m"),
            f"trains pass this turnout on its diverging route at up to {number(round(speed, 1))} km/h; its radius of "
            f"{number(turnout.diverging_radius_m)} m is mostly passed at up to {fits:.0f} km/h "
            f"({_LATERAL_M_S2:g} m/s² of lateral acceleration)",
            hint="add a stretch with the speed limit of the turnout, or check the radius",
        )


def _check_radii(draft: Draft, path: Loc, track: Track, alignment: Alignment) -> None:
    """Radii that are given against those that the shape of the alignment implies."""
    given = [(-1, (*path, "attributes", "curve_radius_m"), track.attributes.curve_radius_m)]
    for k, stretch in enumerate(track.stretches):
        if "curve_radius_m" in stretch.model_fields_set:
            given.append((k, (*path, "stretches", k, "curve_radius_m"), stretch.curve_radius_m))
    if all(radius is None for _, _, radius in given):
        return
    derived = derive_curves(alignment)
    edges = np.linspace(alignment.from_m, alignment.to_m, _N_SAMPLES + 1)
    chainage = 0.5 * (edges[1:] + edges[:-1])
    holds = np.full(chainage.size, -1)
    for k, _, _ in given[1:]:
        stretch = track.stretches[k]
        holds[(chainage >= stretch.from_m) & (chainage <= stretch.to_m)] = k
    for k, where, radius in given:
        if radius is not None:
            _compare_radius(draft, where, radius, chainage[holds == k], derived, float(edges[1] - edges[0]))


def _compare_radius(
    draft: Draft, path: Loc, given: float | str, chainage_m: Array, derived: tuple[Curve, ...], step_m: float
) -> None:
    """One given radius against the derived curves at the chainages (n,) where it holds."""
    if not chainage_m.size:
        return
    length = {
        k: step_m * float(np.count_nonzero((chainage_m >= c.from_m) & (chainage_m <= c.to_m)))
        for k, c in enumerate(derived)
    }
    here = [k for k in length if length[k] >= min(_SHORT_CURVE_M, 0.5 * step_m * chainage_m.size)]
    if given == "straight":
        if here:
            sharpest = derived[min(here, key=lambda k: derived[k].radius_m)]
            draft.reporter.warn(
                path, f"hides a curve of the alignment: {_curve_words(sharpest)}", hint="write null to use it"
            )
        return
    assert not isinstance(given, str)
    if not here:
        if given * _RADIUS_FACTOR < STRAIGHT_ABOVE_M:
            draft.reporter.warn(
                path,
                f"is a curve of {number(given)} m radius where the alignment is straight "
                f"(radius above {STRAIGHT_ABOVE_M:g} m)",
                hint="check the radius and the chainages; write null to use the alignment",
            )
        return
    longest = derived[max(here, key=lambda k: length[k])]
    if not 1 / _RADIUS_FACTOR <= given / longest.radius_m <= _RADIUS_FACTOR:
        draft.reporter.warn(
            path,
            f"is a radius of {number(given)} m where the alignment has another: {_curve_words(longest)}",
            hint="check the radius and the chainages; write null to use the alignment",
        )


def _curve_words(curve: Curve) -> str:
    return f"radius {curve.radius_m:.0f} m at chainage {curve.from_m:.0f} to {curve.to_m:.0f} m"


def _check_drives(draft: Draft) -> None:
    vehicles = draft.by_id("vehicles")
    for i, unit in draft.units.items():
        known = [vehicles.get(part.vehicle) for part in unit.vehicles]
        if all(vehicle is not None and vehicle.traction == "none" for vehicle in known):
            draft.reporter.warn(
                ("units", i, "vehicles"),
                "none of the vehicles has a drive: every one has traction: none",
                found=names(dict.fromkeys(part.vehicle for part in unit.vehicles)),
                hint="give the motor cars or the locomotive a traction class",
            )


def _check_persons(draft: Draft) -> None:
    for i, receiver in draft.readable("receivers").items():
        if "persons" in receiver.model_fields_set and receiver.persons < receiver.dwellings:
            draft.reporter.warn(
                ("receivers", i, "persons"),
                f"are fewer persons than dwellings, of which there are {receiver.dwellings}",
                hint="are dwellings and persons swapped?",
            )


def _check_tops(draft: Draft, resolved: Resolved) -> None:
    """Barriers whose top is below the rails that they stand beside, or in the ground."""
    from shapely import LineString

    if resolved.terrain is None or not resolved.alignments:
        return
    tracks, barriers = draft.readable("tracks"), draft.readable("barriers")
    centre = {i: LineString(a.xyz_m[:, :2]) for i, a in resolved.alignments.items()}
    for i, points in resolved.lines.items():
        if barriers[i].height_above == "rail":
            if not draft.faulty("barriers", i, "height_m"):
                _check_above_rail(draft, resolved, resolved.terrain, i)
            continue
        wall = LineString(points.array)
        nearest = min(centre, key=lambda k: centre[k].distance(wall))
        rail = rail_head([resolved.alignments[nearest].xyz_m], points.array)
        below = float(np.max(rail - ground_height(resolved.terrain, points.array))) - barriers[i].height_m
        if below > 0.0:
            draft.reporter.warn(
                ("barriers", i, "height_m"),
                f"the top of the barrier lies {number(round(below, 2))} m below the rail head of track "
                f"{shown(tracks[nearest].id)}",
                hint="height_m counts from the ground; with height_above: rail it counts from the rail head",
            )


def _check_above_rail(draft: Draft, resolved: Resolved, terrain: Terrain, i: int) -> None:
    """A barrier whose height counts from the rails: is its top above the ground or deck, are the rails near?"""
    from shapely import LineString, distance, points

    wall = LineString(resolved.lines[i].array)
    xy = np.array(wall.segmentize(max(_WALL_STEP_M, wall.length / _N_SAMPLES)).coords)
    lines = [a.xyz_m for a in resolved.alignments.values()]
    away = np.min([distance(LineString(line[:, :2]), points(xy)) for line in lines], axis=0)
    if away.min() > FAR_M:
        return  # reported where it lies
    top = rail_head(lines, xy) + draft.readable("barriers")[i].height_m
    above = top - surface_height(terrain, xy)
    buried = above <= 0.0
    if buried.any():
        whole = bool(buried.all())
        deepest = int(np.argmin(above))
        x, y = (number(round(float(v), 1)) for v in xy[deepest])
        along = "all along" if whole else f"on about {100 * np.mean(buried):.0f} % of its length"
        draft.reporter.add(
            ("barriers", i, "height_m"),
            f"the top of the barrier lies in the ground {along}, "
            f"up to {number(round(-float(above[deepest]), 2))} m deep at [{x}, {y}]",
            hint="with height_above: rail the height counts from the rail head of the nearest track; leave the key out "
            "to count from the ground",
            severity="error" if whole else "warning",
        )
    if away.max() > _RAIL_NEAR_M:
        draft.reporter.warn(
            ("barriers", i, "height_above"),
            f"the rail from which the height of the barrier counts lies up to {away.max():.0f} m away from it",
            allowed=f"mostly up to {_RAIL_NEAR_M:g} m",
            hint="leave the key out to count from the ground, or give the line of the barrier in parts",
        )


def _check_work_dates(draft: Draft) -> None:
    dates = draft.identity.assessment_dates if draft.identity is not None else ()
    if not dates or draft.faulty("identity", "assessment_dates"):
        return
    for i, work in draft.readable("works").items():
        if work.date > max(dates):
            draft.reporter.warn(
                ("works", i, "date"),
                f"lies after every assessment date; the last is {max(dates).isoformat()}",
                hint="is the year right?",
            )


def _check_calculation(draft: Draft) -> None:
    given = draft.calculation
    if given is None:
        return
    for key in ("standard_db", "pass_standard_db"):
        if getattr(given.uncertainty, key) == 0:
            draft.reporter.warn(
                ("calculation", "uncertainty", key),
                "says that predicted levels are exact",
                hint="give a value that you can defend, or leave the key out for the default",
            )
    for k, name in enumerate(given.without):
        draft.reporter.warn(
            ("calculation", "without", k),
            f"the calculator {shown(name)} is left out: its sound is missing in every level",
            hint="right only if this sound does not arise here; the report says so",
        )

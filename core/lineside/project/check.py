"""Checks of meaning: does what the project file says fit together?

Each check takes a :class:`Draft` and what was :class:`Resolved`, reports to the draft's reporter, and
skips what other checks have found to be missing. The checks of geometry are in ``check_geometry``,
``check_coordinates``, ``check_terrain`` and ``check_earthworks``, those of buildings in ``check_buildings``, those of
trains in ``check_traffic``, those of works
in ``check_works``, those of roughness in time in ``check_rail_state``, those of what changes from day to day in
``check_conditions``, those of odd but possible values in ``check_plausible``.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from lineside.project.check_buildings import check_buildings
from lineside.project.check_conditions import check_conditions
from lineside.project.check_coordinates import check_coordinate_system
from lineside.project.check_geometry import check_geometry
from lineside.project.check_plausible import check_air, check_plausible
from lineside.project.check_rail_state import check_rail_state
from lineside.project.check_terrain import check_terrain
from lineside.project.check_traffic import check_traffic
from lineside.project.check_works import check_works
from lineside.project.draft import Draft
from lineside.project.model import Calls, FavourableBySector, Periods, SpectrumRef
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.wording import did_you_mean, names, number, shown
from lineside.scene.alignment import Alignment

_SINGULAR = {
    "tracks": "track",
    "stops": "stop",
    "spectra": "spectrum",
    "vehicles": "vehicle",
    "units": "unit",
    "services": "service",
    "receivers": "receiver",
    "ground_areas": "ground area",
    "earthworks": "earthwork",
    "banks": "bank",
    "barriers": "barrier",
    "maps": "map",
    "buildings": "building",
    "building_files": "building file",
    "measures": "measure",
}
#: Rounding of lengths that a user may not see. [m]
_REACH_M = 0.05
#: Lists of what has a date and a range on a track.
_ON_TRACKS = ("works", "rail_measurements")
_SPECTRUM_KIND = {"bridge": "bridge_transfer"}
_TRACK_ATTRIBUTES = ("sleeper", "rail_pad", "rail_roughness", "track_transfer", "impact_roughness", "bridge")
_VEHICLE_ATTRIBUTES = (
    "wheel_roughness",
    "contact_filter",
    "vehicle_transfer",
    "superstructure_transfer",
    "traction",
    "aerodynamic",
)


def check(draft: Draft, resolved: Resolved) -> None:
    """Run every check."""
    _check_ids(draft)
    _check_references(draft)
    _check_spectrum_references(draft)
    _check_ranges(draft, resolved)
    _check_stretches(draft)
    _check_site(draft)
    check_coordinate_system(draft, resolved)
    _check_dates(draft)
    _check_unused(draft)
    check_geometry(draft, resolved)
    check_buildings(draft, resolved)
    check_terrain(draft, resolved)
    check_traffic(draft, resolved)
    check_works(draft, resolved)
    check_rail_state(draft)
    check_conditions(draft, resolved)
    check_plausible(draft, resolved)


def _check_ids(draft: Draft) -> None:
    for kind, word in _SINGULAR.items():
        first = draft.ids(kind)
        items = draft.reporter.document.data.get(kind)
        for index, item in enumerate(items if isinstance(items, list) else ()):
            name = item.get("id") if isinstance(item, dict) else None
            if isinstance(name, str) and first[name] != index:
                _twice(draft, (kind, index, "id"), word, (kind, first[name], "id"))
    for i, track in draft.readable("tracks").items():
        seen: dict[str, int] = {}
        for k, turnout in enumerate(track.turnouts):
            if seen.setdefault(turnout.id, k) != k:
                _twice(
                    draft,
                    ("tracks", i, "turnouts", k, "id"),
                    "turnout",
                    ("tracks", i, "turnouts", seen[turnout.id], "id"),
                )
    uses: dict[str, int] = {}
    for i, use in draft.criteria.items():
        if uses.setdefault(use.use_id, i) != i:
            key = "id" if use.id is not None else "name"
            line = draft.reporter.document.mark(("criteria", uses[use.use_id]))[0]
            draft.reporter.add(
                ("criteria", i, key),
                f"the criterion {shown(use.use_id)} stands twice",
                hint=f"it stands in line {line} already; give each use an id of its own",
            )


def _twice(draft: Draft, path: Loc, word: str, first: Loc) -> None:
    line = draft.reporter.document.mark(first)[0]
    draft.reporter.add(
        path, f"two entries have this id; each {word} needs its own", hint=f"it stands in line {line} already"
    )


def references(draft: Draft) -> Iterator[tuple[Loc, str, str]]:
    """Every place that names another entry: (path, list that it points to, id)."""
    for i, stop in draft.readable("stops").items():
        for k, place in enumerate(stop.at):
            yield ("stops", i, "at", k, "track"), "tracks", place.track
    for i, unit in draft.readable("units").items():
        for k, part in enumerate(unit.vehicles):
            yield ("units", i, "vehicles", k, "vehicle"), "vehicles", part.vehicle
    for i, service in draft.readable("services").items():
        yield ("services", i, "unit"), "units", service.unit
        yield ("services", i, "track"), "tracks", service.track
        if isinstance(service.pattern, Calls):
            for k, stop_id in enumerate(service.pattern.at):
                yield ("services", i, "pattern", "at", k), "stops", stop_id
    for kind in _ON_TRACKS:
        for i, entry in draft.readable(kind).items():
            yield (kind, i, "track"), "tracks", entry.track
    for i, earthwork in draft.readable("earthworks").items():
        yield ("earthworks", i, "along"), "tracks", earthwork.along
        for k, track in enumerate(earthwork.tracks):
            yield ("earthworks", i, "tracks", k), "tracks", track
    for i, work in draft.readable("works").items():
        yield ("works", i, "track"), "tracks", work.track
    for s, state in enumerate(draft.conditions.water if draft.conditions is not None else ()):
        for k, outline in enumerate(state.outlines):
            yield ("conditions", "water", s, "outlines", k, "area"), "ground_areas", outline.area


def _check_references(draft: Draft) -> None:
    for path, kind, target in references(draft):
        known = draft.ids(kind)
        if target not in known:
            draft.reporter.add(
                path,
                f"there is no {_SINGULAR[kind]} with this id",
                allowed=names(known),
                hint=did_you_mean(target, known),
            )


def class_uses(draft: Draft) -> Iterator[tuple[Loc, str, Any]]:
    """Every attribute that is a class or a spectrum, where it is written: (path, attribute, value)."""
    for i, track in draft.readable("tracks").items():
        for name in _TRACK_ATTRIBUTES:
            yield ("tracks", i, "attributes", name), name, getattr(track.attributes, name)
        for k, stretch in enumerate(track.stretches):
            for name, value in stretch.changes().items():
                if name in _TRACK_ATTRIBUTES:
                    yield ("tracks", i, "stretches", k, name), name, value
    for i, work in draft.readable("works").items():
        for name, value in work.changes.written().items():
            if name in _TRACK_ATTRIBUTES:
                yield ("works", i, "changes", name), name, value
    for i, measured in draft.readable("rail_measurements").items():
        yield ("rail_measurements", i), "rail_roughness", SpectrumRef(spectrum=measured.spectrum)
    for i, vehicle in draft.readable("vehicles").items():
        for name in _VEHICLE_ATTRIBUTES:
            yield ("vehicles", i, name), name, getattr(vehicle, name)
    for s, state in enumerate(draft.conditions.wheels if draft.conditions is not None else ()):
        for name, value in state.vehicles.items():
            yield ("conditions", "wheels", s, "vehicles", name), "wheel_roughness", value


def _check_spectrum_references(draft: Draft) -> None:
    known = draft.ids("spectra")
    kinds = {name: spectrum.kind for name, spectrum in draft.by_id("spectra").items()}
    for path, attribute, value in class_uses(draft):
        if not isinstance(value, SpectrumRef):
            continue
        wanted = _SPECTRUM_KIND.get(attribute, attribute)
        fitting = [name for name, kind in kinds.items() if kind == wanted]
        where = (*path, "spectrum")
        if value.spectrum not in known:
            draft.reporter.add(
                where,
                "there is no spectrum with this id",
                allowed=names(fitting),
                hint=did_you_mean(value.spectrum, known),
            )
        elif value.spectrum in kinds and kinds[value.spectrum] != wanted:
            draft.reporter.add(
                where,
                f"is a spectrum of kind {kinds[value.spectrum]}, which does not fit {attribute}",
                allowed=f"spectra of kind {wanted}: {names(fitting)}",
            )


def alignments_by_id(draft: Draft, resolved: Resolved) -> Mapping[str, Alignment]:
    """Alignments by the id of their track; the first of a doubled id counts."""
    found: dict[str, Alignment] = {}
    for i, track in draft.readable("tracks").items():
        if i in resolved.alignments:
            found.setdefault(track.id, resolved.alignments[i])
    return found


def _check_ranges(draft: Draft, resolved: Resolved) -> None:
    by_id = alignments_by_id(draft, resolved)
    for i, track in draft.readable("tracks").items():
        alignment = resolved.alignments.get(i)
        for k, stretch in enumerate(track.stretches):
            _check_range(draft, ("tracks", i, "stretches", k), stretch.from_m, stretch.to_m, track.id, alignment)
        for k, turnout in enumerate(track.turnouts):
            _check_chainage(draft, ("tracks", i, "turnouts", k, "chainage_m"), turnout.chainage_m, track.id, alignment)
    for i, stop in draft.readable("stops").items():
        seen: set[str] = set()
        for k, place in enumerate(stop.at):
            path: Loc = ("stops", i, "at", k)
            _check_chainage(draft, (*path, "chainage_m"), place.chainage_m, place.track, by_id.get(place.track))
            if place.track in seen:
                draft.reporter.add((*path, "track"), "the stop lies twice on this track", hint="make it two stops")
            seen.add(place.track)
    for i, service in draft.readable("services").items():
        for k, slow in enumerate(service.speed_restrictions):
            here: Loc = ("services", i, "speed_restrictions", k)
            _check_range(draft, here, slow.from_m, slow.to_m, service.track, by_id.get(service.track))
    for kind in _ON_TRACKS:
        for i, entry in draft.readable(kind).items():
            _check_range(draft, (kind, i), entry.from_m, entry.to_m, entry.track, by_id.get(entry.track))
    for i, work in draft.readable("earthworks").items():
        _check_range(draft, ("earthworks", i), work.from_m, work.to_m, work.along, by_id.get(work.along))


def _check_range(draft: Draft, path: Loc, from_m: float, to_m: float, track: str, alignment: Alignment | None) -> None:
    if from_m >= to_m:
        draft.reporter.add(
            (*path, "to_m"),
            f"must lie beyond from_m, which is {number(from_m)} m",
            hint="swap from_m and to_m" if from_m > to_m else "a range needs a length",
        )
    for key, value in (("from_m", from_m), ("to_m", to_m)):
        _check_chainage(draft, (*path, key), value, track, alignment)


def _check_chainage(draft: Draft, path: Loc, value: float, track: str, alignment: Alignment | None) -> None:
    if alignment is None or alignment.from_m - _REACH_M <= value <= alignment.to_m + _REACH_M:
        return
    draft.reporter.add(
        path,
        f"lies beyond the alignment of track {shown(track)}",
        allowed=f"a chainage in m, {number(round(alignment.from_m, 2))} to {number(round(alignment.to_m, 2))}",
    )


def _check_stretches(draft: Draft) -> None:
    for i, track in draft.readable("tracks").items():
        for k, stretch in enumerate(track.stretches):
            path: Loc = ("tracks", i, "stretches", k)
            changes = stretch.changes()
            if not changes:
                draft.reporter.warn(path, "changes nothing", hint="name an attribute that differs here", found="")
            merged = {**track.attributes.model_dump(), **changes}
            replaced = merged["track_transfer"] is not None
            useless = [name for name in ("sleeper", "rail_pad") if changes.get(name) is not None and replaced]
            for name in useless:
                draft.reporter.warn(
                    (*path, name),
                    "has no effect, as track_transfer replaces sleeper and pad",
                    hint="write track_transfer: null in this stretch",
                )
            if merged["sleeper"] is None and not replaced:
                draft.reporter.add(
                    (*path, "sleeper"), "needs sleeper here: the track has no track_transfer in this stretch", found=""
                )


def _check_site(draft: Draft) -> None:
    site, report = draft.site, draft.reporter
    if site is None:
        return
    _check_periods(draft, site.periods)
    favourable = site.favourable
    if isinstance(favourable, FavourableBySector):
        path: Loc = ("site", "favourable", "sectors")
        starts = [sector.from_deg for sector in favourable.sectors]
        if starts[0] != 0:
            report.add((*path, 0, "from_deg"), "the first sector must start at 0", allowed="0")
        for k in range(1, len(starts)):
            if starts[k] <= starts[k - 1]:
                report.add((*path, k, "from_deg"), "must be larger than that of the sector before")
    check_air(draft, ("site", "air"), site.air)


def period_hours(hours: tuple[int, int]) -> int:
    """Number of clock hours in [from, to), wrapping midnight."""
    return (hours[1] - hours[0] - 1) % 24 + 1


def _check_periods(draft: Draft, periods: Periods) -> None:
    covered = [0] * 24
    for from_hour, to_hour in (periods.day, periods.evening, periods.night):
        for hour in range(period_hours((from_hour, to_hour))):
            covered[(from_hour + hour) % 24] += 1
    wrong = []
    for what, hours in (
        ("no period has", [h for h in range(24) if covered[h] == 0]),
        ("more than one period has", [h for h in range(24) if covered[h] > 1]),
    ):
        if hours:
            wrong.append(f"{what} " + ", ".join(f"{h:02d}-{h + 1:02d} h" for h in hours))
    if wrong:
        draft.reporter.add(
            ("site", "periods"),
            "day, evening and night must share out the 24 hours: " + "; ".join(wrong),
            allowed="for example day: [7, 19], evening: [19, 23], night: [23, 7]",
            found="",
        )


def _check_dates(draft: Draft) -> None:
    dates = draft.identity.assessment_dates if draft.identity is not None else ()
    for k, date in enumerate(dates):
        if date in dates[:k]:
            draft.reporter.warn(("identity", "assessment_dates", k), "stands twice")
    issued = draft.identity.date if draft.identity is not None else None
    for kind in _ON_TRACKS:
        for i, entry in draft.readable(kind).items():
            if entry.date.year < 1900 or (issued is not None and entry.date.year > issued.year + 20):
                path = (kind, i, "date")
                draft.reporter.warn(path, "is far from the date of this revision", hint="is the year right?")
    for k, date in enumerate(dates):
        if date.year < 1900 or (issued is not None and date.year > issued.year + 50):
            draft.reporter.warn(
                ("identity", "assessment_dates", k), "is far from the date of this revision", hint="is the year right?"
            )


def _check_unused(draft: Draft) -> None:
    if not draft.complete:
        return  # what would use it may be what was left out
    used: dict[str, set[str]] = {}
    for path, kind, target in references(draft):
        if kind != "tracks" or path[0] == "services":
            used.setdefault(kind, set()).add(target)
    used["spectra"] = {value.spectrum for _, _, value in class_uses(draft) if isinstance(value, SpectrumRef)}
    reasons = {
        "tracks": "no service runs on this track",
        "stops": "no service calls at this stop",
        "spectra": "nothing uses this spectrum",
        "vehicles": "no unit contains this vehicle",
        "units": "no service uses this unit",
    }
    for kind, reason in reasons.items():
        for i, item in getattr(draft, kind).items():
            if item.id not in used.get(kind, set()):
                draft.reporter.warn((kind, i), reason, found="")
    if not draft.criteria:
        draft.reporter.warn(("criteria",), "no criterion is named: levels will be computed, but not judged", found="")

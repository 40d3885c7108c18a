"""Tables of section 5 that also read the project's files: spectra, joints, heights, running, vehicles in detail."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping, Sequence
from typing import Any

from lineside.report.place_inputs import capped, columns, ground_words
from lineside.report.selection import of_project, service_names
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, metres, number
from lineside.report.views import Row, Table
from lineside.report.wording import NO_BREAK, class_name, in_words
from lineside.results.model import JointInfo, Results, TrackInfo

#: A place read from the project file and one of the results are the same within this. [m]
SAME_PLACE_M = 0.01

Files = Mapping[str, bytes]


def tables(results: Results, inputs: Files, strings: Strings) -> list[Table]:
    """These tables; ``inputs`` holds the files by name."""
    return [
        _spectra(results, inputs, strings),
        _joints(results, strings),
        _heights(results, inputs, strings),
        _running(results, strings),
        _vehicles(results, strings),
    ]


def rows_of_csv(raw: bytes | None) -> list[dict[str, str]]:
    """Rows of a CSV file with a header; empty where it cannot be read as one.

    >>> rows_of_csv(b"wavelength_mm,level_db\\n500,15.0\\n")
    [{'wavelength_mm': '500', 'level_db': '15.0'}]
    """
    try:
        text = (raw or b"").decode("utf-8-sig")
        return list(csv.DictReader(io.StringIO(text), strict=True))
    except (UnicodeDecodeError, csv.Error):
        return []


def pairs_of_csv(raw: bytes | None) -> list[tuple[float, float]]:
    """Numbers of a CSV file of two columns; empty where it is anything else."""
    try:
        return [(float(first), float(second)) for first, second in (row.values() for row in rows_of_csv(raw))]
    except (TypeError, ValueError):
        return []


_BY_WAVELENGTH = ("rail_roughness", "wheel_roughness", "contact_filter", "impact_roughness")


def _spectra(results: Results, inputs: Files, strings: Strings) -> Table:
    def values(spectrum: Mapping[str, Any]) -> str:
        file = spectrum.get("file")
        unit = "mm" if spectrum.get("kind") in _BY_WAVELENGTH else "Hz"
        if file:
            pairs = pairs_of_csv(inputs.get(str(file)))
            return f"{_printed(pairs, unit)} ({file})" if pairs else strings("inputs.see_file", file=file)
        axis, own = spectrum.get("axis") or [], spectrum.get("levels_db")
        if own:
            return _printed(list(zip(axis, own, strict=False)), unit)
        every = (spectrum.get("columns") or {}).items()
        parts = (
            f"{strings.known('spectrum_column', name)}: {_printed(list(zip(axis, v, strict=False)), unit)}"
            for name, v in every
        )
        return ". ".join(parts) or NOTHING

    rows = tuple(
        Row(
            (
                str(s.get("id")),
                strings.known("spectrum_kind", str(s.get("kind"))),
                str(s.get("source") or NOTHING),
                values(s),
            )
        )
        for s in of_project(results, "spectra", default=[])
    )
    head = columns(strings, spectrum="text", kind="text", source="text", values="text")
    return capped("T5.11", strings("inputs.spectra"), head, rows, strings, empty=strings("inputs.spectra_none"))


def _printed(pairs: Sequence[tuple[float, float]], unit: str) -> str:
    """Levels over wavelength or frequency in one line; the units stand with the first pair."""
    rest = [f"{number(a)}:{NO_BREAK}{number(v)}" for a, v in pairs[1:]]
    first = f"{number(pairs[0][0])}{NO_BREAK}{unit}:{NO_BREAK}{number(pairs[0][1])}{NO_BREAK}dB" if pairs else NOTHING
    return "; ".join([first, *rest])


def turnout_of(results: Results, joint: JointInfo) -> Mapping[str, Any]:
    """The entry of the project file for a turnout; empty for stretches with joints."""
    if joint.what == "turnout":
        for track in of_project(results, "tracks", default=[]):
            for turnout in track.get("turnouts") or []:
                at = turnout.get("chainage_m")
                if track.get("id") == joint.track and at is not None and abs(at - joint.from_m) < SAME_PLACE_M:
                    return dict(turnout)
    return {}


def _joints(results: Results, strings: Strings) -> Table:
    def row(joint: JointInfo) -> Row:
        entry = turnout_of(results, joint)
        route = str(entry.get("route") or "")
        whole = joint.what == "joints"
        return Row(
            (
                joint.track,
                strings.known("joint", joint.what),
                str(entry.get("id") or NOTHING),
                strings.known("route", route) if route else NOTHING,
                metres(joint.from_m),
                metres(joint.to_m) if whole else NOTHING,
                number(round(joint.joints_per_100_m, 3)) if whole else strings("inputs.one_joint"),
            )
        )

    rows = tuple(row(j) for j in sorted(results.site.joints, key=lambda j: (j.track, j.from_m)))
    head = columns(strings, track="text", what="text", id="text", route="text", from_m="num", to_m="num", joints="num")
    impact = any(o.mechanism == "impact" for o in results.provenance.offers)
    note = strings("inputs.joints_note") if rows and impact else ""
    return capped("T5.13", strings("inputs.joints"), head, rows, strings, note, strings("inputs.joints_none"))


def _rail_heads(alignment: Mapping[str, Any], inputs: Files) -> list[float]:
    """Heights of the rail head along an alignment; empty where they cannot be told."""
    raw = inputs.get(str(alignment.get("file")))
    try:
        if alignment.get("kind") == "inline":
            return [float(point[2]) for point in alignment.get("points") or []]
        if alignment.get("kind") == "csv":
            return [float(row["z_m"]) for row in rows_of_csv(raw)]
        return _geojson_heights(json.loads(raw or b""), alignment)
    except (IndexError, KeyError, TypeError, ValueError):
        return []


def _geojson_heights(document: Any, alignment: Mapping[str, Any]) -> list[float]:
    wanted = alignment.get("feature")
    for feature in document["features"]:
        if wanted in (feature.get("id"), (feature.get("properties") or {}).get("id")):
            points = feature["geometry"]["coordinates"]
            given: Any = alignment.get("z_m")
            return [float(p[2] if len(p) > 2 else given) for p in points]
    return []


def _heights(results: Results, inputs: Files, strings: Strings) -> Table:
    alignments = {t.get("id"): t.get("alignment") or {} for t in of_project(results, "tracks", default=[])}

    def row(track: TrackInfo) -> Row:
        alignment = alignments.get(track.id, {})
        heads = _rail_heads(alignment, inputs)
        return Row(
            (
                track.id,
                track.name or NOTHING,
                strings.known("kind", track.kind),
                metres(track.from_m),
                metres(track.to_m),
                metres(min(heads), 2) if heads else NOTHING,
                metres(max(heads), 2) if heads else NOTHING,
                str(alignment.get("file") or strings("inputs.in_project")),
            )
        )

    rows = tuple(row(t) for t in results.site.tracks)
    head = columns(
        strings,
        track="text",
        name="text",
        kind="text",
        from_m="num",
        to_m="num",
        rail_low="num",
        rail_high="num",
        alignment="text",
    )
    note = strings("inputs.heights_note", ground=ground_words(results.site, strings))
    return capped("T5.14", strings("inputs.heights"), head, rows, strings, note)


def _running(results: Results, strings: Strings) -> Table:
    names = service_names(results)

    def counted(trains: Mapping[str, Any]) -> str:
        if trains.get("file"):
            return strings("inputs.timetable", file=trains["file"])
        if trains.get("times"):
            return strings("inputs.times", times=", ".join(str(t) for t in trains["times"]))
        return strings("inputs.per_period")

    def row(service: Mapping[str, Any]) -> Row:
        pattern, ceiling = service.get("pattern") or {}, service.get("speed_km_h")
        own = str(service.get("id"))
        return Row(
            (
                names.get(own, own),
                counted(service.get("trains") or {}),
                number(ceiling),
                ", ".join(str(stop) for stop in pattern.get("at") or []) or NOTHING,
                *(number(pattern.get(key)) for key in ("dwell_s", "acceleration_m_s2", "braking_m_s2")),
            )
        )

    rows = tuple(row(s) for s in of_project(results, "services", default=[]))
    head = columns(
        strings,
        service="text",
        counted="text",
        ceiling="num",
        stops="text",
        dwell="num",
        acceleration="num",
        braking="num",
    )
    return capped("T5.15", strings("inputs.running"), head, rows, strings, strings("inputs.running_note"))


def _vehicles(results: Results, strings: Strings) -> Table:
    def actual(vehicle: Mapping[str, Any]) -> str:
        known = {k: v for k, v in (vehicle.get("actual") or {}).items() if v is not None}
        return in_words(known, strings) if known else NOTHING

    rows = tuple(
        Row(
            (
                str(v.get("id")),
                str(v.get("name") or NOTHING),
                in_words(bool(v.get("freight")), strings),
                class_name(v.get("superstructure_transfer"), strings),
                class_name(v.get("aerodynamic"), strings),
                actual(v),
            )
        )
        for v in of_project(results, "vehicles", default=[])
    )
    head = columns(
        strings, id="text", name="text", freight="text", superstructure="text", aerodynamic="text", actual="text"
    )
    note = strings("inputs.actual_note") if any(r.cells[-1] != NOTHING for r in rows) else ""
    return capped("T5.16", strings("inputs.vehicle_details"), head, rows, strings, note)

"""Writing results: JSON for people and programs, CSV tables, arrays as netCDF, maps as GeoPackage and GeoJSON.

Every file is written under a temporary name and then renamed, so that a broken run leaves nothing half done.
"""

from __future__ import annotations

import csv
import io
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from lineside.acoustics.bands import OCTAVES_HZ, THIRD_OCTAVES_HZ
from lineside.acoustics.levels import to_db
from lineside.contracts import RAIL_CASES
from lineside.engine.grid import line_power
from lineside.engine.run import Computed
from lineside.errors import ReportError, naming
from lineside.results.conventions import add_conventions, put
from lineside.results.facade_tables import facade_tables
from lineside.results.model import FacadeReceiverColumns, Results
from lineside.results.option_files import option_levels, option_tables
from lineside.scene.build import BuiltScene


def results_bytes(results: Results) -> bytes:
    """The results document as UTF-8 JSON, the same bytes for the same results."""
    text = json.dumps(results.model_dump(mode="json"), ensure_ascii=False, allow_nan=False, indent=1)
    return (text + "\n").encode()


def results_schema() -> dict[str, Any]:
    """JSON Schema of ``results.json``."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **Results.model_json_schema()}


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file as a whole or not at all."""
    with _part(path) as part:
        part.write_bytes(data)


@contextmanager
def _part(path: Path) -> Iterator[Path]:
    """A temporary name of this process beside ``path``; it takes its place when all went well, else it is removed."""
    part = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        with naming(path):
            yield part
            part.replace(path)
    except (RuntimeError, sqlite3.Error) as error:  # the netCDF and the SQLite library say so when a disk is full
        raise ReportError(f"{path} could not be written: {error}") from error
    finally:
        part.unlink(missing_ok=True)


def result_tables(results: Results) -> dict[str, tuple[list[dict[str, Any]], list[str]]]:
    """All tables by name: rows, and their columns in order; levels in dB, None where there is no sound."""
    tables = {
        "receivers": _receivers(results),
        "spectra": _spectra(results),
        "contributions": _contributions(results),
        "passes": _passes(results),
        "timeline": _timeline(results),
        "ratings": _ratings(results),
        "tones": _tones(results),
        "tones_in_time": _tones_in_time(results),
        "third_octaves": _third_octaves(results),
        **facade_tables(results),
        **option_tables(results),
        "intervals": _intervals(results),
        "findings": ([f.model_dump() for f in results.findings], None),
        "stretches": ([s.model_dump() for s in results.site.stretches], None),
        "services": (
            [{**s.model_dump(exclude={"profile", "trains"}), **_trains(s.trains)} for s in results.site.services],
            None,
        ),
    }
    return {name: (rows, columns or (list(rows[0]) if rows else [])) for name, (rows, columns) in tables.items()}


def write_tables(results: Results, folder: Path) -> list[Path]:
    """Write the CSV tables, and all of them as sheets of ``tables.xlsx``."""
    from lineside.results.workbook import workbook_bytes

    folder.mkdir(parents=True, exist_ok=True)
    tables = result_tables(results)
    paths = [folder / f"{name}.csv" for name in tables]
    for path, (rows, columns) in zip(paths, tables.values(), strict=True):
        write_bytes(path, _csv(rows, columns))
    paths.append(folder / "tables.xlsx")
    write_bytes(paths[-1], workbook_bytes(results, tables))
    return paths


def write_maps(results: Results, folder: Path) -> list[Path]:
    """Write the place, the levels and the maps as ``maps.gpkg`` and, layer by layer, as ``maps/*.geojson``.

    A layer without features is not written; one that an earlier run left in the folder is removed.
    """
    from lineside.results.features import epsg_code, layers
    from lineside.results.geojson import geojson_bytes
    from lineside.results.geopackage import write_geopackage

    every, epsg = layers(results), epsg_code(results)
    found = [layer for layer in every if layer.rows]
    paths = [folder / "maps.gpkg"]
    with _part(paths[0]) as part:
        write_geopackage(part, found, epsg, str(results.project["identity"]["date"]))
    (folder / "maps").mkdir(exist_ok=True)
    for layer in every:
        if not layer.rows:
            (folder / "maps" / f"{layer.name}.geojson").unlink(missing_ok=True)
            continue
        paths.append(folder / "maps" / f"{layer.name}.geojson")
        write_bytes(paths[-1], geojson_bytes(layer, epsg))
    return paths


def _csv(rows: Iterable[dict[str, Any]], columns: Sequence[str]) -> bytes:
    buffer = io.StringIO()
    writer = csv.DictWriter(buffer, columns, lineterminator="\n")
    writer.writeheader()
    writer.writerows({k: _safe(v) for k, v in row.items()} for row in rows)
    return buffer.getvalue().encode()


def _safe(value: Any) -> Any:
    """Text that a spreadsheet would take for a formula is marked as text; numbers stay as they are."""
    if isinstance(value, str) and value[:1] in ("=", "+", "-", "@", "\t", "\r"):
        return "'" + value
    return "; ".join(str(v) for v in value) if isinstance(value, list | tuple) else value


def _trains(trains: dict[str, float]) -> dict[str, float]:
    return {f"trains_{period}": n for period, n in trains.items()}


Rows = tuple[list[dict[str, Any]], list[str] | None]


def _receivers(results: Results) -> Rows:
    keep = (
        "id",
        "name",
        "x",
        "y",
        "z",
        "height_m",
        "use",
        "area",
        "dwellings",
        "persons",
        "distance_m",
        "nearest_track",
    )
    rows = []
    for r in results.receivers:
        row = {k: getattr(r, k) for k in keep}
        row["lden_db"] = r.lden_db
        row.update({f"l{period}_db": value for period, value in r.period_db.items()})
        rows.append(row)
    return rows, None


def _intervals(results: Results) -> Rows:
    """90 % intervals of levels at receivers; of Lden and Lnight also what each group of inputs has in them."""
    sure = results.sure
    found = sure.receivers if sure is not None else []
    rows = [
        {
            "receiver": r.receiver,
            "quantity": quantity,
            "low_db": low,
            "median_db": r.median_db[quantity],
            "high_db": r.high_db[quantity],
            "group": group,
            "first_ratio": r.first[quantity][group] if group else None,
            "total_ratio": r.total[quantity][group] if group else None,
            "narrower_db": r.narrower_db[quantity][group] if group else None,
        }
        for r in found
        for quantity, low in r.low_db.items()
        for group in ("", *r.first.get(quantity, {}))
    ]
    head = ["receiver", "quantity", "low_db", "median_db", "high_db", "group", "first_ratio", "total_ratio"]
    return rows, [*head, "narrower_db"]


def _spectra(results: Results) -> Rows:
    return [
        {
            "receiver": r.id,
            "period": period,
            **{f"l_{int(f)}_hz_db": v for f, v in zip(OCTAVES_HZ, values, strict=True)},
        }
        for r in results.receivers
        for period, values in r.spectrum_db.items()
    ], None


def _contributions(results: Results) -> Rows:
    return [
        {"receiver": r.id, "period": period, "by": by, "part": part, "laeq_db": value}
        for r in results.receivers
        for by in ("mechanism", "service", "stretch")
        for period, parts in getattr(r, f"by_{by}_db").items()
        for part, value in parts.items()
    ], ["receiver", "period", "by", "part", "laeq_db"]


def _passes(results: Results) -> Rows:
    return [{"receiver": r.id, **p.model_dump()} for r in results.receivers for p in r.passes], [
        "receiver",
        "service",
        "state",
        "lae_db",
        "lafmax_db",
    ]


def _timeline(results: Results) -> Rows:
    """One row per receiver and date; a column per quantity and case."""
    timeline = results.timeline
    if timeline is None:
        return [], ["receiver", "date"]
    return [
        {
            "receiver": r.receiver,
            "date": date,
            **{
                f"l{quantity.removeprefix('l')}_{case}_db": levels[k]
                for quantity, cases in r.levels_db.items()
                for case, levels in cases.items()
            },
        }
        for r in timeline.receivers
        for k, date in enumerate(timeline.dates)
    ], None


def _ratings(results: Results) -> Rows:
    """One row per receiver, limit and date: the level as the criterion compares it, before rounding."""
    keep = ("criterion", "label", "quantity", "window", "limit_db")
    columns = ["receiver", *keep, "date", *(f"rating_{case}_db" for case in RAIL_CASES), "tone_found"]
    timeline = results.timeline
    if timeline is None:
        return [], columns
    return [
        {
            "receiver": r.receiver,
            **rating.model_dump(include=set(keep)),
            "date": date,
            **{f"rating_{case}_db": levels[k] for case, levels in r.rated(rating).items()},
            "tone_found": rating.tone_found[k] if rating.tone_found else None,
        }
        for r in timeline.receivers
        for rating in r.ratings
        for k, date in enumerate(timeline.dates)
    ], columns


def _tones_in_time(results: Results) -> Rows:
    """One row per service, marks and date: marks above all other roughness; empty where they are faded."""
    keep = ("service", "track", "from_m", "to_m", "pitch_mm", "fresh_date")
    columns = [*keep, "date", *(f"margin_{case}_db" for case in RAIL_CASES)]
    timeline, tones = results.timeline, results.tones
    if timeline is None or tones is None:
        return [], columns
    return [
        {
            **marks.model_dump(include=set(keep)),
            "date": date,
            **{f"margin_{case}_db": margins[k] for case, margins in marks.margin_db.items()},
        }
        for marks in tones.marks
        for k, date in enumerate(timeline.dates)
    ], columns


def _tones(results: Results) -> Rows:
    """One row per receiver, service and marks."""
    tones = results.tones
    if tones is None:
        return [], ["receiver", "service"]
    rows = []
    for tone in tones.at_receivers:
        low, high = tone.frequency_hz
        rest = tone.model_dump(exclude={"frequency_hz"})
        rows.append({**rest, "frequency_low_hz": low, "frequency_high_hz": high})
    return rows, None if rows else ["receiver", "service"]


def _third_octaves(results: Results) -> Rows:
    """One row per receiver and period, or clock hours that a criterion asks for; not A-weighted."""
    spectra = results.tones.third_octaves if results.tones is not None else []
    columns = [f"leq_{hz:g}_hz_db" for hz in THIRD_OCTAVES_HZ]
    return [
        {"receiver": s.receiver, "period": s.period, **dict(zip(columns, s.leq_db, strict=True))} for s in spectra
    ], ["receiver", "period", *columns]


def write_arrays(results: Results, built: BuiltScene, computed: Computed, path: Path) -> None:
    """Write emission, transfer and levels as netCDF with named axes.

    ``line_power_db`` (period, section, source_class, third_octave) and ``transfer_db`` (receiver, section,
    source_class, period, third_octave) multiply (as energies, summed over sections and classes) to the
    octave levels ``leq_db`` (receiver, period, octave).
    """
    from netCDF4 import Dataset

    scene = built.scene
    with _part(path) as part, Dataset(part, "w", format="NETCDF4") as file:
        file.title = str(results.project["identity"]["title"])
        file.source = f"lineside {results.provenance.lineside_version}"
        file.project_sha256 = results.provenance.project_sha256
        _axis(file, "period", scene.period_names)
        _axis(file, "receiver", scene.receivers.ids)
        _axis(file, "source_class", [c.name for c in computed.emission.classes])
        _axis(file, "octave", OCTAVES_HZ, "Hz")
        _axis(file, "third_octave", THIRD_OCTAVES_HZ, "Hz")
        file.createDimension("section", len(scene.sections))
        track = [scene.tracks[k].id for k in scene.sections.track]
        put(file, "section_track", ("section",), np.array(track, dtype=object), "", "Track of the section")
        put(file, "section_from_m", ("section",), scene.sections.from_m, "m", "Chainage of its start")
        put(file, "section_to_m", ("section",), scene.sections.to_m, "m", "Chainage of its end")
        put(
            file,
            "line_power_db",
            ("period", "section", "source_class", "third_octave"),
            to_db(line_power(scene, computed.emission)),
            "dB re 1 pW/m",
            "Mean sound power per metre of track",
        )
        _levels(
            file,
            "transfer_db",
            ("receiver", "section", "source_class", "period", "third_octave"),
            computed.receivers.transfer,
            "dB re (20 uPa)^2/(1 pW/m)",
            "Long-term transfer, directivity included",
        )
        put(
            file,
            "leq_db",
            ("receiver", "period", "octave"),
            to_db(computed.receivers.spectrum),
            "dB re 20 uPa",
            "Octave-band level, not A-weighted",
        )
        if results.facades is not None:
            _facades(file, results.facades.receivers)
        of_options = option_levels(results)
        if of_options is not None:
            _axis(file, "option", of_options[0])
            meaning = "Lden with each option that the report shows"
            put(file, "option_lden_db", ("option", "receiver"), of_options[1], "dB re 20 uPa", meaning)
        if results.grid is not None:
            _axis(file, "x", np.array(results.grid.x), "m")
            _axis(file, "y", np.array(results.grid.y), "m")
            for name, rows in results.grid.levels_db.items():
                values = np.array([[-np.inf if v is None else v for v in row] for row in rows])
                put(file, f"map_{name}_db", ("y", "x"), values, "dB re 20 uPa", f"A-weighted level, {name}")
        add_conventions(file, results)


def _facades(file: Any, columns: FacadeReceiverColumns) -> None:
    """Receivers on facades: where they stand and what they hear."""
    _axis(file, "facade_receiver", columns.id)
    dims = ("facade_receiver",)
    put(file, "facade_building", dims, np.array(columns.building, dtype=object), "", "Building")
    for name in ("x", "y", "z"):
        put(file, f"facade_{name}", dims, np.array(getattr(columns, name)), "m", f"Coordinate {name}")
    levels = {"lden": columns.lden_db, **columns.period_db}
    for name, values in levels.items():
        heard = np.array([-np.inf if v is None else v for v in values])
        put(file, f"facade_{name}_db", dims, heard, "dB re 20 uPa", f"A-weighted level, {name}")


def _axis(file: Any, name: str, values: Sequence[Any] | np.ndarray, unit: str = "") -> None:
    file.createDimension(name, len(values))
    array = values if isinstance(values, np.ndarray) else np.array(list(values), dtype=object)
    put(file, name, (name,), array, unit, name)


def _levels(file: Any, name: str, dims: tuple[str, ...], energy: np.ndarray, unit: str, meaning: str) -> None:
    """A variable of levels, written row by row: it may be larger than the memory."""
    variable = file.createVariable(name, "f8", dims, zlib=True)
    for k, row in enumerate(energy):
        variable[k] = to_db(row)
    variable.long_name, variable.units = meaning, unit

"""The files for other programs, read back with libraries that did not write them."""

from __future__ import annotations

import csv
import datetime as dt
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

import h5py
import numpy as np
import openpyxl
import pyproj
import pytest

import lineside
from lineside.results import workbook
from lineside.results.workbook import workbook_bytes
from lineside.results.write import result_tables, write_arrays, write_tables
from marked_sites import site
from sites import write_site
from web_site import HOSTILE, hostile, plain


class Assessed(NamedTuple):
    """An assessment with a time line, and its arrays as a file."""

    assessment: lineside.Assessment
    arrays: Path


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> Assessed:
    folder = tmp_path_factory.mktemp("site")
    project = site(speed_km_h=57.06)
    project["receivers"].append({**project["receivers"][0], "id": "R2", "name": "=1+1", "position": [30.0, 80.0]})
    project["calculation"]["grid"] = {"spacing_m": 100}
    assessment = lineside.assess(write_site(project, folder))
    assessment.results.site.coordinate_system = "EPSG:25832"
    path = folder / "results.nc"
    write_arrays(assessment.results, assessment.built, assessment.computed, path)
    return Assessed(assessment, path)


def sheets(data: bytes) -> Any:
    return openpyxl.load_workbook(io.BytesIO(data))


def test_every_cell_of_the_workbook_is_that_of_the_csv_tables(assessed: Assessed, tmp_path: Path) -> None:
    results = assessed.assessment.results
    write_tables(results, tmp_path)
    book = sheets((tmp_path / "tables.xlsx").read_bytes())
    names = {p.stem for p in tmp_path.glob("*.csv")}
    assert set(book.sheetnames) == {"about", *names}
    for name in names:
        with (tmp_path / f"{name}.csv").open(encoding="utf-8", newline="") as file:
            expected = [row for row in csv.reader(file) if row]
        found = [list(row) for row in book[name].iter_rows(values_only=True)]
        assert len(found) == len(expected), name
        for row, wanted in zip(found, expected, strict=False):
            for cell, text in zip(row, wanted, strict=False):
                if isinstance(cell, bool) or cell is None or isinstance(cell, str):
                    assert ("" if cell is None else str(cell)) == text.removeprefix("'"), (name, cell, text)
                else:
                    assert cell == pytest.approx(float(text), rel=1e-14), (name, cell, text)
    cell = next(c for row in book["receivers"].iter_rows() for c in row if c.value == "=1+1")
    assert cell.data_type == "s"  # text, no formula


def test_the_workbook_has_the_same_bytes_each_time_and_says_where_it_is_from() -> None:
    results = plain()
    first = workbook_bytes(results, result_tables(results))
    assert first == workbook_bytes(results, result_tables(results))
    about = {row[0]: row[1] for row in sheets(first)["about"].iter_rows(values_only=True)}
    assert about["check sum of the inputs"] == results.provenance.project_sha256
    assert about["made by"] == f"lineside {results.provenance.lineside_version}"


def test_what_a_sheet_cannot_hold_is_left_out_and_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workbook, "MAX_ROWS", 5)
    results = plain()
    book = sheets(workbook_bytes(results, result_tables(results)))
    assert book["receivers"].max_row == 5
    about = {row[0]: row[1] for row in book["about"].iter_rows(values_only=True)}
    assert "receivers (10)" in about["cut, see the CSV tables"]


def test_hostile_text_survives_as_text() -> None:
    results = hostile()
    book = sheets(workbook_bytes(results, result_tables(results)))
    assert book["receivers"]["B2"].value == HOSTILE


def said(thing: Any, name: str) -> str:
    """An attribute as text."""
    value = thing.attrs[name]
    value = value[0] if isinstance(value, np.ndarray) else value  # text outside ASCII is a list of one
    return value.decode() if isinstance(value, bytes) else str(value)


def numbers(levels: Iterable[float | None]) -> list[float]:
    return [-np.inf if v is None else v for v in levels]


def test_arrays_hold_places_and_levels(assessed: Assessed) -> None:
    results = assessed.assessment.results
    with h5py.File(assessed.arrays) as file:
        assert said(file, "Conventions") == "CF-1.11"
        assert "UDUNITS" in said(file, "comment")
        assert [n.decode() for n in file["receiver"][:]] == [r.id for r in results.receivers]
        for name, values in (
            ("receiver_x", [r.x for r in results.receivers]),
            ("receiver_y", [r.y for r in results.receivers]),
            ("receiver_z", [r.z for r in results.receivers]),
            ("receiver_height", [r.height_m for r in results.receivers]),
            ("lden_db", numbers(r.lden_db for r in results.receivers)),
        ):
            assert file[name][:].tolist() == values
        periods = [n.decode() for n in file["period"][:]]
        levels = [numbers(r.period_db[p] for p in periods) for r in results.receivers]
        assert file["laeq_db"][:].tolist() == levels
        assert said(file["lden_db"], "coordinates") == "receiver_x receiver_y receiver_z"
        assert said(file["x"], "standard_name") == "projection_x_coordinate"
        assert said(file["x"], "axis") == "X"
        wkt = said(file[said(file["map_lden_db"], "grid_mapping")], "crs_wkt")
        assert pyproj.CRS.from_wkt(wkt).to_epsg() == 25832


def test_levels_in_time_have_dates(assessed: Assessed) -> None:
    timeline = assessed.assessment.results.timeline
    assert timeline is not None
    with h5py.File(assessed.arrays) as file:
        assert said(file["time"], "units") == "days since 1970-01-01"
        start = dt.date(1970, 1, 1)
        dates = [(start + dt.timedelta(days=int(d))).isoformat() for d in file["time"][:]]
        assert dates == timeline.dates
        cases = [c.decode() for c in file["case"][:]]
        for k, receiver in enumerate(timeline.receivers):
            for quantity, levels in receiver.levels_db.items():
                values = file[f"timeline_{quantity}_db"][k]
                assert values.tolist() == [numbers(levels[case]) for case in cases]


def test_every_variable_says_what_it_is(assessed: Assessed) -> None:
    with h5py.File(assessed.arrays) as file:
        for name, variable in file.items():
            if name == "section":
                continue  # an axis without values
            assert said(variable, "long_name"), name
            if variable.dtype.kind == "f":
                assert said(variable, "units"), name


def test_arrays_have_the_same_bytes_each_time(assessed: Assessed, tmp_path: Path) -> None:
    found = assessed.assessment
    write_arrays(found.results, found.built, found.computed, tmp_path / "again.nc")
    assert (tmp_path / "again.nc").read_bytes() == assessed.arrays.read_bytes()

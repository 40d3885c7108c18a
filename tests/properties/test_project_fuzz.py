"""Whatever stands in a project folder: it loads, or it is a ProjectError that can be printed."""

from __future__ import annotations

import copy
import json
import tempfile
from collections.abc import Iterator
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lineside.errors import ProjectError
from lineside.project.load import LoadedProject, load_project
from lineside.project.source import read_yaml
from lineside.project.vocabulary import Vocabulary
from lineside.project.works import WorkChanges

STARTER = files("lineside.project.starter")
TEXT = (STARTER / "project.yaml").read_text(encoding="utf-8")
CSV = (STARTER / "track_1.csv").read_text(encoding="utf-8")
DATA = read_yaml(TEXT.encode(), "project.yaml").data
VOCABULARY = Vocabulary(surfaces={"pasture": (1.0, ""), "water": (0.0, "")}, methods={"eu_common": ""})
GEOJSON = json.dumps(
    {
        "type": "FeatureCollection",
        "features": [
            {
                "type": "Feature",
                "id": "T1",
                "geometry": {"type": "LineString", "coordinates": [[0, 0, 1], [610, 0, 1]]},
            },
            {
                "type": "Feature",
                "id": "P",
                "geometry": {"type": "Polygon", "coordinates": [[[0, 9], [9, 9], [9, 20], [0, 9]]]},
            },
        ],
    }
)
WORKS: list[dict[str, Any]] = [
    {"kind": "joint_removal"},
    {"kind": "rail_pads", "changes": {"rail_pad": "soft", "rail_pad_stiffness_mn_m": 200}},
    {"kind": "rail_dampers", "changes": {"track_transfer": {"spectrum": "damped"}}},
    {"kind": "lubrication", "until": "2026-12-01"},
    {"kind": "other", "changes": {"sleeper": "monoblock", "track_transfer": None, "friction": "both"}},
    {"kind": "turnout_renewal", "changes": {"impact_roughness": None, "rail_roughness": {"spectrum": "rails"}}},
]
#: The starter with works that change the track, and measured rails.
WITH_WORKS = {
    **copy.deepcopy(DATA),
    "spectra": [
        {"id": "rails", "kind": "rail_roughness", "source": "s", "axis": [100, 80, 63, 50, 40], "levels_db": [1] * 5},
        {"id": "damped", "kind": "track_transfer", "source": "s", "axis": [50], "levels_db": [60]},
    ],
    "works": [{"date": "2026-10-04", "track": "T1", "from_m": 40, "to_m": 400, **work} for work in WORKS],
    "rail_measurements": [{"date": "2026-10-05", "track": "T1", "from_m": 0, "to_m": 99, "spectrum": "rails"}],
}
WITH_WORKS["calculation"]["rail_state"] = {"name": "rail_wear"}
FUZZ = settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large]
)


def outcome(
    yaml: bytes, csv: bytes = CSV.encode(), geojson: bytes = GEOJSON.encode(), **tables: bytes
) -> LoadedProject | ProjectError:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "project.yaml").write_bytes(yaml)
        (folder / "track_1.csv").write_bytes(csv)
        (folder / "t.geojson").write_bytes(geojson)
        for table, data in tables.items():
            (folder / f"{table}.csv").write_bytes(data)
        try:
            return load_project(folder, VOCABULARY)
        except ProjectError as error:
            assert error.problems
            for problem in error.problems:
                text = str(problem)
                assert text.replace("\n", "").isprintable()
                assert len(text) < 5000
                text.encode("utf-8")
            return error


def places(data: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    yield path
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    for key, value in items:
        yield from places(value, (*path, key))


PLACES = list(places(DATA))[1:]
WORK_PLACES = [p for p in places(WITH_WORKS) if p[0:1] in (("works",), ("rail_measurements",))]
VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | st.text(max_size=20)
    | st.sampled_from(
        [
            "",
            "none",
            "T1",
            "mill",
            "../x",
            "t.geojson",
            "track_1.csv",
            1e400,
            -0.0,
            10**30,
            "2026-02-30",
            "\x1b[2J",
            "\ud800",
        ]
    ),
    lambda inner: (
        st.lists(inner, max_size=3)
        | st.dictionaries(
            st.sampled_from(["kind", "id", "spectrum", "file", "feature", "g", "x"]) | st.text(max_size=5),
            inner,
            max_size=3,
        )
    ),
    max_leaves=6,
)


@FUZZ
@given(place=st.lists(st.sampled_from(PLACES), min_size=1, max_size=3), value=VALUES)
def test_any_value_anywhere(place: list[tuple[str | int, ...]], value: Any) -> None:
    data = json.loads(json.dumps(DATA))
    for path in place:
        inner = data
        try:
            for part in path[:-1]:
                inner = inner[part]
            inner[path[-1]] = copy.deepcopy(value)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier replacement took this place away
    # JSON is YAML, but for the words for numbers that are not finite
    text = json.dumps(data).replace("NaN", ".nan").replace("Infinity", ".inf")
    outcome(text.encode())


CHANGES = st.dictionaries(st.sampled_from([*WorkChanges.model_fields, "speed_limit_km_h"]), VALUES, max_size=3)


@FUZZ
@given(place=st.lists(st.sampled_from(WORK_PLACES), min_size=1, max_size=3), value=VALUES | CHANGES)
def test_any_value_anywhere_in_works(place: list[tuple[str | int, ...]], value: Any) -> None:
    data = json.loads(json.dumps(WITH_WORKS))
    for path in place:
        inner = data
        try:
            for part in path[:-1]:
                inner = inner[part]
            inner[path[-1]] = copy.deepcopy(value)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier replacement took this place away
    outcome(json.dumps(data).replace("NaN", ".nan").replace("Infinity", ".inf").encode())


@FUZZ
@given(place=st.sampled_from(PLACES), keep=st.booleans())
def test_anything_left_out_or_doubled(place: tuple[str | int, ...], keep: bool) -> None:
    data = json.loads(json.dumps(DATA))
    inner = data
    for part in place[:-1]:
        inner = inner[part]
    if isinstance(inner, list) and keep:
        assert isinstance(place[-1], int)
        inner.insert(place[-1], inner[place[-1]])
    else:
        del inner[place[-1]]
    outcome(json.dumps(data).encode())


@FUZZ
@given(
    start=st.integers(0, len(TEXT)),
    length=st.integers(0, 30),
    new=st.text(alphabet=st.sampled_from("ab1.:-,#&*!|>'\"[]{}%@`? \n\t\\\x00é😀"), max_size=8) | st.text(max_size=5),
)
def test_any_change_of_the_text(start: int, length: int, new: str) -> None:
    text = TEXT[:start] + new + TEXT[start + length :]
    outcome(text.encode("utf-8", errors="surrogatepass"))


@FUZZ
@given(st.binary(max_size=200))
def test_any_bytes(data: bytes) -> None:
    outcome(data)


@FUZZ
@given(
    start=st.integers(0, len(CSV)),
    length=st.integers(0, 20),
    new=st.text(alphabet=st.sampled_from("0123456789.,-e+\"'\n\r;x_#\x00 "), max_size=8) | st.text(max_size=4),
)
def test_any_change_of_a_csv_file(start: int, length: int, new: str) -> None:
    text = CSV[:start] + new + CSV[start + length :]
    outcome(TEXT.encode(), csv=text.encode("utf-8", errors="surrogatepass"))


WITH_GEOJSON = TEXT.replace("{kind: csv, file: track_1.csv}", "{kind: geojson, file: t.geojson, feature: T1}").replace(
    "polygon: [[370, 40], [400, 75], [450, 40], [420, 5]]", "file: t.geojson\n    feature: P"
)
FEATURES = json.loads(GEOJSON)
FEATURE_PLACES = list(places(FEATURES))[1:]


@FUZZ
@given(place=st.sampled_from(FEATURE_PLACES), value=VALUES)
def test_any_value_in_a_geojson_file(place: tuple[str | int, ...], value: Any) -> None:
    data = json.loads(GEOJSON)
    inner = data
    for part in place[:-1]:
        inner = inner[part]
    inner[place[-1]] = value
    outcome(WITH_GEOJSON.encode(), geojson=json.dumps(data).encode())


@pytest.mark.parametrize("text", [TEXT, WITH_GEOJSON, json.dumps(DATA)], ids=["starter", "geojson", "json"])
def test_unchanged_projects_load(text: str) -> None:
    result = outcome(text.encode())
    assert isinstance(result, ProjectError)
    # the vocabulary here has no classes on purpose; nothing else may be wrong
    assert {p.message for p in result.problems if "no calculator knows" not in p.message and p.severity == "error"} == {
        "name: no plugin offers this criterion"
    }


#: The starter project with everything that changes from day to day.
PERIODS = ("day", "evening", "night")
SEASONS = [
    {"months": [12, 1, 2], "share": 0.4},
    {"months": list(range(3, 12)), "share": dict.fromkeys(PERIODS, 0.4)},
]
BANK = [[260, -60], [400, -5], [420, -30], [270, -90]]
CONDITIONS: dict[str, Any] = {
    "water": [
        {"id": "high", "share": SEASONS},
        {
            "id": "low",
            "share": 0.6,
            "outlines": [{"area": "river", "polygon": BANK, "exposed": {"surface": "pasture"}}],
        },
    ],
    "air": [{"id": "mild", "share": 1, "temperature_deg_c": 15, "humidity_pct": 70}],
    "rail": {"weather_table": {"file": "weather.csv", "drying_ratio": 1}},
    "driving": [{"id": "gentle", "share": dict.fromkeys(PERIODS, 1), "acceleration_factor": 0.5}],
    "timetable": [
        {"id": "weekday", "share": 0.7},
        {"id": "weekend", "share": 0.3, "services": {"line-4": {"trains_factor": 0.5, "passes": True}}},
    ],
}
WEATHER = "month,period,rain_hours,humidity_pct\n" + "".join(f"{m},{p},1,80\n" for m in range(1, 13) for p in PERIODS)
WIND = "wind_from_deg,day,evening,night\n" + "".join(f"{90 * k},0.25,0.2,0.3\n" for k in range(3))
WIND += "270,0.25,0.4,0.1\n"
ROSE: dict[str, Any] = {
    "kind": "wind_rose",
    "rows": [{"wind_from_deg": 90 * k, "speed_m_s": 2 * k, **dict.fromkeys(PERIODS, 0.25)} for k in range(4)],
    "calm": dict.fromkeys(PERIODS, 0),
    "inversion_share": dict.fromkeys(PERIODS, 0.5),
    "threshold_m_s": 1.5,
}
VARYING = json.loads(json.dumps(DATA))
VARYING["conditions"], VARYING["site"]["favourable"] = CONDITIONS, ROSE
BY_FILE = json.loads(json.dumps(VARYING))
BY_FILE["site"]["favourable"] = {"kind": "wind_rose", "file": "wind.csv"}
TABLES = {"weather": WEATHER.encode(), "wind": WIND.encode()}
VARYING_PLACES = [p for p in places(VARYING) if p[:1] == ("conditions",) or p[:2] == ("site", "favourable")]
SHARES = VALUES | st.floats(0, 1) | st.sampled_from([SEASONS, {"day": 0.5}, "low", "river", "line-4", "weather.csv"])


@pytest.mark.parametrize("data", [VARYING, BY_FILE], ids=["rows", "file"])
def test_unchanged_conditions_have_no_problem_of_their_own(data: Any) -> None:
    result = outcome(json.dumps(data).encode(), **TABLES)
    assert isinstance(result, ProjectError)
    places_of_problems = {p.place.split(",")[0] for p in result.problems if p.severity == "error"}
    assert not {"conditions", "site"} & places_of_problems
    assert {p.file for p in result.problems} == {"project.yaml"}


@FUZZ
@given(place=st.lists(st.sampled_from(VARYING_PLACES), min_size=1, max_size=3), value=SHARES, drop=st.booleans())
def test_any_value_anywhere_in_conditions(place: list[tuple[str | int, ...]], value: Any, drop: bool) -> None:
    data = json.loads(json.dumps(VARYING))
    for path in place:
        inner = data
        try:
            for part in path[:-1]:
                inner = inner[part]
            if drop:
                del inner[path[-1]]
            else:
                inner[path[-1]] = copy.deepcopy(value)
        except (KeyError, IndexError, TypeError):
            continue  # an earlier replacement took this place away
    text = json.dumps(data).replace("NaN", ".nan").replace("Infinity", ".inf")
    outcome(text.encode(), **TABLES)


@FUZZ
@given(
    table=st.sampled_from(sorted(TABLES)),
    start=st.integers(0, len(WEATHER)),
    length=st.integers(0, 20),
    new=st.text(alphabet=st.sampled_from("0123456789.,-e+\"'\n\r;x_#\x00 daynight"), max_size=8) | st.text(max_size=4),
)
def test_any_change_of_a_table(table: str, start: int, length: int, new: str) -> None:
    text = TABLES[table].decode()
    start %= len(text)
    changed = text[:start] + new + text[start + length :]
    outcome(json.dumps(BY_FILE).encode(), **{**TABLES, table: changed.encode("utf-8", errors="surrogatepass")})


@FUZZ
@given(order=st.permutations(range(4)))
def test_order_of_receivers_changes_nothing_but_their_order(order: list[int]) -> None:
    data = json.loads(json.dumps(DATA))
    data["receivers"] = [data["receivers"][k] for k in order]
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "track_1.csv").write_text(CSV)
        (folder / "project.yaml").write_text(json.dumps(data))
        loaded = load_project(folder)
    assert [r.id for r in loaded.project.receivers] == [f"R{k + 1}" for k in order]
    assert loaded.warnings == ()

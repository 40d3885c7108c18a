"""What changes from day to day: resolved states and shares, and every problem with its place and its wording."""

from __future__ import annotations

import copy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from lineside.engine.select import vocabulary_of
from lineside.errors import Problem, ProjectError
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject, load_project
from lineside.project.resolve_conditions import share_table
from lineside.project.schema import project_schema
from lineside.project.vocabulary import Vocabulary
from lineside.project.weather import rail_shares
from sites import straight_site, write_site

PERIODS = ("day", "evening", "night")
GEOJSON = (
    '{"type": "FeatureCollection", "features": [{"type": "Feature", "id": "low", "geometry": {"type": "Polygon", '
    '"coordinates": [[[-100, 110], [100, 110], [100, 140], [-100, 140], [-100, 110]]]}}]}'
)
WATER = [
    {"id": "high", "share": 0.6},
    {
        "id": "low",
        "name": "Low water",
        "share": 0.4,
        "outlines": [
            {
                "area": "river",
                "polygon": [[-100, 100], [100, 100], [100, 140], [-100, 140]],
                "exposed": {"surface": "grass"},
            },
            {"area": "pond", "dry": True, "exposed": {"g": 0.3}},
        ],
    },
]
CONDITIONS: dict[str, Any] = {
    "timetable": [
        {"id": "weekday", "share": 0.714},
        {
            "id": "weekend",
            "share": 0.286,
            "services": {"S": {"trains_factor": 0.5}, "calling": {"trains_factor": 0, "passes": True}},
        },
    ],
    "driving": [
        {"id": "gentle", "share": 0.25, "acceleration_factor": 0.7, "traction_db": -3},
        {"id": "usual", "share": 0.75},
    ],
    "rail": {"dry": 0.7, "damp": {"day": 0.1, "evening": 0.15, "night": 0.2}, "wet": {p: 0.2 for p in PERIODS}},
    "air": [
        {"id": "mild", "share": 0.5, "temperature_deg_c": 15, "humidity_pct": 70},
        {"id": "cold", "share": 0.5, "temperature_deg_c": -2, "humidity_pct": 85, "pressure_kpa": 100},
    ],
    "water": WATER,
}
CONDITIONS["rail"]["wet"] = {"day": 0.2, "evening": 0.15, "night": 0.1}


@pytest.fixture(scope="module")
def vocabulary() -> Vocabulary:
    return vocabulary_of(Plugins.load())


def site(conditions: Any) -> dict[str, Any]:
    """The straight site with a river, a dry pond's place, a yard, a stop, and a service that calls."""
    data = straight_site()
    data["ground_areas"] = [
        {"id": "river", "surface": "water", "polygon": [[-100, 80], [100, 80], [100, 140], [-100, 140]]},
        {"id": "pond", "g": 0, "polygon": [[200, 80], [240, 80], [240, 120]]},
        {"id": "yard", "surface": "asphalt", "polygon": [[300, 80], [340, 80], [340, 120]]},
        {"id": "meadow", "surface": "grass", "polygon": [[400, 80], [440, 80], [440, 120]]},
    ]
    data["stops"] = [{"id": "halt", "at": [{"track": "T", "chainage_m": 1000}]}]
    calls = {"kind": "calls", "at": ["halt"], "acceleration_m_s2": 1, "braking_m_s2": 1, "dwell_s": 20}
    data["services"].append({**data["services"][0], "id": "calling", "pattern": calls})
    data["conditions"] = copy.deepcopy(conditions)
    return data


def load(
    folder: Path, vocabulary: Vocabulary | None, conditions: Any, files: dict[str, str] | None = None
) -> LoadedProject:
    for name, text in (files or {}).items():
        (folder / name).write_text(text, encoding="utf-8")
    return load_project(write_site(site(conditions), folder), vocabulary)


def problems_of(*arguments: Any) -> tuple[Problem, ...]:
    try:
        return load(*arguments).warnings
    except ProjectError as error:
        return error.problems


def weather_csv(rows: dict[tuple[int, str], tuple[float, float]] | None = None, skip: int = 0) -> str:
    """36 rows of 1 h of rain and 80 %, but for what is given."""
    lines = ["month,period,rain_hours,humidity_pct"]
    for month in range(1, 13):
        for period in PERIODS:
            rain, humidity = (rows or {}).get((month, period), (1.0, 80.0))
            lines.append(f"{month},{period},{rain:g},{humidity:g}")
    return "\n".join(lines[: len(lines) - skip]) + "\n"


class TestResolved:
    def test_conditions_stand_in_a_fixed_order_without_a_warning(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        loaded = load(tmp_path, vocabulary, CONDITIONS)
        assert loaded.warnings == ()
        assert [c.kind for c in loaded.conditions] == ["water", "air", "rail", "driving", "timetable"]
        ids = [state.id for c in loaded.conditions for state in c.states]
        assert ids == ["high", "low", "mild", "cold", "dry", "damp", "wet", "gentle", "usual", "weekday", "weekend"]
        for condition in loaded.conditions:
            assert all(state.share.shape == (12, 3) for state in condition.states)
            np.testing.assert_allclose(sum(state.share for state in condition.states), 1.0, rtol=1e-14)

    def test_only_what_is_given(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        assert load(tmp_path / "a", vocabulary, None).conditions == ()
        assert load(tmp_path / "b", vocabulary, {}).conditions == ()
        (air,) = load(tmp_path / "c", vocabulary, {"air": CONDITIONS["air"]}).conditions
        assert air.kind == "air"

    def test_water(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        high, low = load(tmp_path, vocabulary, {"water": WATER}).conditions[0].states
        assert high.changes.water == ()
        assert (high.name, low.name) == ("high", "Low water")
        river, pond = low.changes.water
        assert (river.area, river.exposed_g, pond.area, pond.exposed_g) == ("river", 1.0, "pond", 0.3)
        np.testing.assert_array_equal(river.xy_m, WATER[1]["outlines"][0]["polygon"])  # type: ignore[index]
        assert pond.xy_m.shape == (0, 2)

    def test_outline_from_a_file(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        water = copy.deepcopy(WATER)
        water[1]["outlines"] = [{"area": "river", "file": "w.geojson", "feature": "low", "exposed": {"g": 1}}]
        loaded = load(tmp_path, vocabulary, {"water": water}, {"w.geojson": GEOJSON})
        (outline,) = loaded.conditions[0].states[1].changes.water
        np.testing.assert_array_equal(outline.xy_m, [[-100, 110], [100, 110], [100, 140], [-100, 140]])
        assert "w.geojson" in loaded.inputs

    def test_without_vocabulary_a_named_bank_is_not_known(self, tmp_path: Path) -> None:
        river, pond = load(tmp_path, None, {"water": WATER}).conditions[0].states[1].changes.water
        assert np.isnan(river.exposed_g) and pond.exposed_g == 0.3

    def test_air_has_the_pressure_of_the_site_unless_it_has_its_own(
        self, tmp_path: Path, vocabulary: Vocabulary
    ) -> None:
        mild, cold = load(tmp_path, vocabulary, CONDITIONS).conditions[1].states
        changes = [(s.changes.temperature_deg_c, s.changes.humidity_pct, s.changes.pressure_kpa) for s in (mild, cold)]
        assert changes == [(15, 70, 101.325), (-2, 85, 100)]

    def test_rail_driving_and_timetable(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        _, _, rail, driving, timetable = load(tmp_path, vocabulary, CONDITIONS).conditions
        assert [state.changes.rail for state in rail.states] == ["dry", "damp", "wet"]
        np.testing.assert_allclose(rail.states[1].share[[0, 6, 11]], [[0.1, 0.15, 0.2]] * 3)
        gentle, usual = driving.states
        assert (gentle.changes.acceleration_factor, gentle.changes.traction_db) == (0.7, -3)
        assert (usual.changes.acceleration_factor, usual.changes.traction_db) == (1, 0)
        weekday, weekend = timetable.states
        assert weekday.changes.services == {}
        assert (weekend.changes.services["S"].trains_factor, weekend.changes.services["S"].passes) == (0.5, None)
        calling = weekend.changes.services["calling"]
        assert (calling.trains_factor, calling.passes) == (0, True)

    def test_shares_by_season_and_period(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        winter = {"months": [12, 1, 2], "share": {"day": 0.9, "evening": 0.8, "night": 0.7}}
        rest = {"months": list(range(3, 12)), "share": 0.25}
        others = [
            {"months": [12, 1, 2], "share": {"day": 0.1, "evening": 0.2, "night": 0.3}},
            {"months": list(range(3, 12)), "share": 0.75},
        ]
        water = [{**WATER[0], "share": [winter, rest]}, {**WATER[1], "share": others}]
        high = load(tmp_path, vocabulary, {"water": water}).conditions[0].states[0]
        np.testing.assert_allclose(high.share[[0, 1, 11]], [[0.9, 0.8, 0.7]] * 3)
        np.testing.assert_allclose(high.share[2:11], 0.25)
        # (31 + 28.2425 + 31) days of 365.2425 have the share of winter
        expected = (90.2425 * np.array([0.9, 0.8, 0.7]) + 275 * 0.25) / 365.2425
        np.testing.assert_allclose(high.long_term_share(), expected, rtol=1e-12)

    def test_rounded_thirds_are_made_to_add_up(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        air = [{**CONDITIONS["air"][0], "id": name, "share": 0.333} for name in ("a", "b", "c")]
        for state in load(tmp_path, vocabulary, {"air": air}).conditions[0].states:
            np.testing.assert_allclose(state.share, 1 / 3, rtol=1e-14)

    def test_months_left_out_or_doubled_have_no_table(self) -> None:
        assert share_table(0.5) is not None
        assert share_table(()) is None


class TestWeatherTable:
    def test_worked_example(self) -> None:
        """By hand, drying_ratio 0.5 and damp_from_pct 85.

        January night, 8 h: 1.6 h of rain, 91 %: wet 1.6 x 1.5 / 8 = 0.3; of the other 0.7 the part (91 - 85) / 15 = 0.4
        is damp: 0.28; dry 0.42. June day, 12 h: 0.4 h, 65 %: wet 0.05, damp 0, dry 0.95. July evening, 4 h: 3 h, 100 %:
        wet 4.5 / 4, so 1. August evening: 1 h, 100 %: wet 0.375, damp 0.625, dry 0.
        """
        rain, humidity = np.full((12, 3), 0.8), np.full((12, 3), 70.0)
        cells = {(0, 2): (1.6, 91.0), (5, 0): (0.4, 65.0), (6, 1): (3.0, 100.0), (7, 1): (1.0, 100.0)}
        for cell, (hours_of_rain, percent) in cells.items():
            rain[cell], humidity[cell] = hours_of_rain, percent
        dry, damp, wet = rail_shares(rain, humidity, np.array([12.0, 4.0, 8.0]), 0.5, 85.0)
        expected = [(0.42, 0.28, 0.3), (0.95, 0.0, 0.05), (0.0, 0.0, 1.0), (0.0, 0.625, 0.375)]
        for cell, values in zip(cells, expected, strict=True):
            assert (dry[cell], damp[cell], wet[cell]) == pytest.approx(values, abs=1e-12)

    def test_loads_by_the_hours_of_the_site(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        """January night of 8 h: 1.6 x (1 + 1) / 8 = 0.4 wet; of 0.6 the part (91 - 82) / 18 = 0.5 damp."""
        rail = {"weather_table": {"file": "w.csv", "drying_ratio": 1, "damp_from_pct": 82}}
        files = {"w.csv": weather_csv({(1, "night"): (1.6, 91)})}
        loaded = load(tmp_path, vocabulary, {"rail": rail}, files)
        assert loaded.warnings == ()
        (condition,) = loaded.conditions
        shares = {state.id: state.share for state in condition.states}
        assert list(shares) == ["dry", "damp", "wet"]
        assert [shares[k][0, 2] for k in shares] == pytest.approx([0.3, 0.3, 0.4])
        # 1 h of rain and 80 % in July: day of 12 h, evening of 4 h
        assert shares["wet"][6] == pytest.approx([2 / 12, 2 / 4, 2 / 8])
        assert shares["damp"][6] == pytest.approx([0, 0, 0])
        assert loaded.inputs["w.csv"] == files["w.csv"].encode()

    def test_order_of_rows_changes_nothing(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        text = weather_csv({(m, p): (0.1 * m, 60 + m + k) for m in range(1, 13) for k, p in enumerate(PERIODS)})
        head, *rows = text.splitlines()
        rail = {"weather_table": {"file": "w.csv"}}
        shares = []
        for name, lines in (("a", rows), ("b", rows[::-1])):
            (tmp_path / name).mkdir()
            files = {"w.csv": "\n".join([head, *lines])}
            shares.append(load(tmp_path / name, vocabulary, {"rail": rail}, files).conditions[0].states[2].share)
        np.testing.assert_array_equal(*shares)

    @pytest.mark.parametrize(
        ("text", "line", "message", "words"),
        [
            (weather_csv(skip=2), None, "has no row for December evening, December night", "36 rows: each month with"),
            (weather_csv() + "3,night,1,80\n", 38, "March has two rows for the night", "the first stands in line 10"),
            (weather_csv().replace("\n2,day", "\n2,dya"), 5, "column period has no such period", "did you mean day?"),
            (weather_csv().replace("\n2,day", "\n2.5,day"), 5, "column month is no whole number", "1 to 12"),
            (weather_csv().replace("\n2,day", "\n0,day"), 5, "column month is out of range", "a number, 1 to 12"),
            (
                weather_csv({(1, "evening"): (4.1, 80)}),
                3,
                "column rain_hours: more rain than the evening has",
                "0 to 4",
            ),
            (weather_csv({(1, "evening"): (1, 0)}), 3, "column humidity_pct: air is never that dry", "0"),
            (weather_csv({(1, "day"): (1, 101)}), 2, "column humidity_pct is out of range", "0 to 100"),
            (weather_csv().replace("rain_hours", "rain_hour"), 1, "column rain_hours is missing", "rename rain_hour?"),
        ],
    )
    def test_problems(
        self, text: str, line: int | None, message: str, words: str, tmp_path: Path, vocabulary: Vocabulary
    ) -> None:
        (problem,) = problems_of(tmp_path, vocabulary, {"rail": {"weather_table": {"file": "w.csv"}}}, {"w.csv": text})
        assert (problem.severity, problem.file, problem.line) == ("error", "w.csv", line)
        assert message in problem.message
        assert words in f"{problem.allowed} {problem.hint} {problem.found}"

    def test_shares_instead_of_percent_are_doubtful(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        text = weather_csv({(m, p): (1, 0.8) for m in range(1, 13) for p in PERIODS})
        (problem,) = problems_of(tmp_path, vocabulary, {"rail": {"weather_table": {"file": "w.csv"}}}, {"w.csv": text})
        assert (problem.severity, problem.hint) == ("warning", "write percent: 75, not 0.75")


@dataclass(frozen=True)
class Case:
    """A value put at a path of CONDITIONS, and the only problem that follows from it."""

    path: tuple[str | int, ...]
    value: Any
    place: str
    message: str
    words: str = ""
    severity: str = "error"


LOW = 'conditions, water[2] "low" (Low water)'
OUTLINE: tuple[str | int, ...] = ("water", 1, "outlines", 0)
UP_TO_11 = [{"months": list(range(1, 12)), "share": 0.5}]
CASES = [
    Case(("water", 0, "id"), "low", LOW, "id: two states have this id", "it stands in line"),
    Case(
        ("air", 0, "id"), "low", 'conditions, air[1] "low"', "id: two states have this id; each needs its own, also in"
    ),
    Case(("water", 0, "id"), "2026-10-04", 'conditions, water[1] "2026-10-04"', "id: looks like a date", "low_water"),
    Case(("water", 0, "id"), "2026-10", 'conditions, water[1] "2026-10"', "id: looks like a date"),
    *(
        Case(("air", 1, "id"), name, f'conditions, air[2] "{name}"', "id: is a word that lineside uses itself")
        for name in ("before", "homogeneous", "favourable", "Favourable", "dry", "damp", "wet")
    ),
    Case(("air", 1, "id"), "a+b", 'conditions, air[2] "a+b"', "id: contains a +", "write - or _"),
    Case(
        ("air", 1, "share"),
        0.45,
        "conditions",
        "air: the shares of time of its states must add up to 1: they give 0.95",
    ),
    Case(
        ("rail", "wet"),
        {"day": 0.2, "evening": 0.15, "night": 0.2},
        "conditions",
        "rail: the shares of time of its states must add up to 1: they give 1.1 (night)",
        "1 in each month and period, to within 0.001",
    ),
    Case(
        ("driving", 1, "share"),
        [{"months": list(range(1, 12)), "share": 0.75}, {"months": [12], "share": 0.5}],
        "conditions",
        "driving: the shares of time of its states must add up to 1: they give 0.75 (day; December), "
        "0.75 (evening; December), 0.75 (night; December)",
    ),
    Case(
        ("air", 1, "share"), UP_TO_11, 'conditions, air[2] "cold"', "share: must have each month once: December missing"
    ),
    Case(
        ("air", 1, "share"),
        [{"months": list(range(1, 13)), "share": 0.5}, {"months": [3, 4, 7], "share": 0.5}],
        'conditions, air[2] "cold"',
        "share: must have each month once: March to April, July twice",
    ),
    Case(("rail", "dry"), UP_TO_11, "conditions, rail", "dry: must have each month once"),
    Case(("air", 1, "share"), "50 %", 'conditions, air[2] "cold"', "share: must be a number", "write a share: 0.5"),
    Case(("air", 1, "share"), 50, 'conditions, air[2] "cold"', "share: is too large", "a number, 0 to 1"),
    Case(
        ("air", 1, "share"),
        None,
        'conditions, air[2] "cold"',
        "share: must be a number",
        "a group of keys: day, evening",
    ),
    Case(
        ("air", 1, "share"),
        {"day": 0.5, "evening": 0.5},
        'conditions, air[2] "cold", share',
        "night is missing",
        "0 to 1",
    ),
    Case(
        ("air", 1, "share"),
        {"day": 0.5, "evening": 0.5, "nihgt": 0.5, "night": 0.5},
        'conditions, air[2] "cold", share',
        "unknown key nihgt",
        "did you mean night?",
    ),
    Case(
        ("air", 1, "share"),
        [{"months": [*range(1, 12), 13], "share": 0.5}],
        'conditions, air[2] "cold", share[1]',
        "months[12]: is too large",
        "1 to 12",
    ),
    Case(
        ("rail", "wet"),
        None,
        "conditions",
        "rail: needs either dry, damp and wet, or weather_table",
        "keys dry, damp, wet",
    ),
    Case(
        ("rail", "weather_table"), {"file": "w.csv"}, "conditions", "rail: needs either dry, damp and wet, or weather"
    ),
    Case(
        ("rail",),
        {"weather_table": {"file": "x.csv"}},
        "conditions, rail, weather_table",
        "file: no such file",
        "w.csv",
    ),
    Case(
        ("rail",),
        {"weather_table": {"file": "w.csv", "drying_ratio": -1}},
        "conditions, rail, weather_table",
        "drying_ratio: is too small",
        "a number, 0 to 10",
    ),
    Case(
        ("rail", "wet"),
        {"day": 0.2, "evening": 0.15, "nigth": 0.1, "night": 0.1},
        "conditions, rail, wet",
        "unknown key nigth",
        "did you mean night?",
    ),
    Case(("wind",), [], "conditions", "unknown key wind", "water, air, rail, driving, timetable"),
    Case(("water", 1, "outline"), [], LOW, "unknown key outline", "did you mean outlines?"),
    Case(
        (*OUTLINE, "area"), "rivr", f"{LOW}, outlines[1]", "area: there is no ground area with this id", "mean river?"
    ),
    Case(
        ("water", 1, "outlines", 1, "area"),
        "river",
        f"{LOW}, outlines[2]",
        "area: has two outlines in this state",
        "ground areas of their",
    ),
    Case(
        ("water", 1, "outlines", 1, "area"),
        "meadow",
        f"{LOW}, outlines[2]",
        "area: the ground area is no water: its ground factor is 1, surface grass",
        "ground factor 0",
    ),
    Case(
        ("water", 1, "outlines", 1, "area"),
        "yard",
        f"{LOW}, outlines[2]",
        "area: the surface of this ground area, asphalt, is no water",
        "is it the right area?",
        "warning",
    ),
    Case(
        (*OUTLINE, "exposed"),
        {"surface": "gras"},
        f"{LOW}, outlines[1], exposed",
        "surface: is not a known surface",
        "did you mean grass?",
    ),
    Case((*OUTLINE, "exposed"), {}, f"{LOW}, outlines[1]", "exposed: needs either surface or g"),
    Case(
        (*OUTLINE, "exposed"),
        {"surface": "concrete"},
        f"{LOW}, outlines[1]",
        "exposed: the bare ground is as hard as the water, G = 0: nothing changes",
        "",
        "warning",
    ),
    Case(
        (*OUTLINE, "polygon"),
        [[-100, 100], [100, 100], [100, 143.5], [-100, 140]],
        f"{LOW}, outlines[1]",
        "polygon: the outline lies up to 3.5 m outside its ground area",
        "draw the ground area at the highest water",
    ),
    Case(
        (*OUTLINE, "polygon"),
        [[-100, 100], [100, 140], [100, 100], [-100, 140]],
        f"{LOW}, outlines[1]",
        "polygon: the outline crosses or touches itself near [0, 120]",
        "in order",
    ),
    Case(
        (*OUTLINE, "polygon"), [[0, 100]] * 3, f"{LOW}, outlines[1]", "polygon: has fewer than three different corners"
    ),
    Case((*OUTLINE, "dry"), True, LOW, "outlines[1]: needs either an outline, or dry: true"),
    Case(
        (*OUTLINE,),
        {"area": "river", "exposed": {"g": 1}},
        LOW,
        "outlines[1]: needs either polygon, or dry: true, or file and feature",
    ),
    Case(
        ("air", 0, "humidity_pct"),
        0.7,
        'conditions, air[1] "mild"',
        "humidity_pct: is implausibly dry",
        "75",
        "warning",
    ),
    Case(("air", 0, "temperature_deg_c"), 59, 'conditions, air[1] "mild"', "is an implausible mean", "", "warning"),
    Case(("air", 1, "pressure_kpa"), 60, 'conditions, air[2] "cold"', "is an implausible air pressure", "", "warning"),
    Case(
        ("driving", 0, "traction_db"), -30, 'conditions, driving[1] "gentle"', "traction_db: is too small", "-20 to 20"
    ),
    Case(("driving", 0, "acceleration_factor"), 2.5, 'conditions, driving[1] "gentle"', "is too large", "0.2 to 2"),
    Case(
        ("driving",),
        [{"id": "a", "share": 0.5}, {"id": "b", "share": 0.5}],
        "conditions",
        "driving: none of the states changes anything",
        "",
        "warning",
    ),
    Case(
        ("timetable", 1, "services", "caling"),
        {"trains_factor": 0.5},
        'conditions, timetable[2] "weekend", services',
        'there is no service with the id "caling"',
        "did you mean calling?",
    ),
    Case(
        ("timetable", 1, "services", "S", "passes"),
        True,
        'conditions, timetable[2] "weekend", services, S',
        "passes: the service passes already",
        "only for services that call at stops",
    ),
    Case(
        ("timetable", 1, "services", "S", "trains_factor"),
        11,
        'conditions, timetable[2] "weekend", services, S',
        "trains_factor: is too large",
        "a number, 0 to 10",
    ),
    Case(
        ("timetable", 1, "services", "S"),
        {"trains_factor": 1},
        'conditions, timetable[2] "weekend", services',
        "S: changes nothing",
        "give trains_factor or passes: true",
        "warning",
    ),
]


def changed(path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    data = copy.deepcopy(CONDITIONS)
    inner: Any = data
    for part in path[:-1]:
        inner = inner[part]
    inner[path[-1]] = value
    return data


@pytest.mark.parametrize("case", CASES, ids=lambda case: f"{'.'.join(map(str, case.path))}={case.value}"[:60])
def test_one_problem(case: Case, tmp_path: Path, vocabulary: Vocabulary) -> None:
    (problem,) = problems_of(tmp_path, vocabulary, changed(case.path, case.value), {"w.csv": weather_csv()})
    assert problem.severity == case.severity, str(problem)
    assert problem.place == case.place
    assert case.message in problem.message
    assert case.words in f"{problem.allowed} {problem.hint} {problem.found}"


def test_schema_takes_what_the_loader_takes(vocabulary: Vocabulary) -> None:
    schema = jsonschema.Draft202012Validator(project_schema(vocabulary))
    assert list(schema.iter_errors(site(CONDITIONS))) == []
    rose = {"kind": "wind_rose", "file": "w.csv", "threshold_m_s": 2}
    assert list(schema.iter_errors({**site({}), "site": {**site({})["site"], "favourable": rose}})) == []
    broken = [
        ((*OUTLINE, "exposed"), {"surface": "gras"}),
        (("air", 0, "share"), 2),
        (("air", 0, "share"), [{"months": [13], "share": 1}]),
        (("rail", "dry"), {"day": 1}),
        (("timetable", 1, "services", "S"), {"trains": 1}),
    ]
    for path, value in broken:
        (error,) = schema.iter_errors(site(changed(path, value)))
        inner = jsonschema.exceptions.best_match([error])
        assert list(inner.absolute_path)[: len(path) + 1] == ["conditions", *path], inner.message


def test_a_state_that_never_occurs_is_doubtful(tmp_path: Path, vocabulary: Vocabulary) -> None:
    data = {"air": [{**CONDITIONS["air"][0], "share": 0}, {**CONDITIONS["air"][1], "share": 1}]}
    (problem,) = problems_of(tmp_path, vocabulary, data)
    assert "the state never occurs" in problem.message
    rail = {"rail": {"dry": 1, "damp": 0, "wet": 0}}
    assert problems_of(tmp_path, vocabulary, rail) == ()


def test_acceleration_needs_a_service_that_calls(tmp_path: Path, vocabulary: Vocabulary) -> None:
    data = site({"driving": CONDITIONS["driving"]})
    del data["services"][1], data["stops"]
    (problem,) = load_project(write_site(data, tmp_path), vocabulary).warnings
    assert problem.message == "acceleration_factor: has no effect, as no service calls at a stop"


@pytest.mark.parametrize(("out_m", "fits"), [(0.09, True), (0.11, False)])
def test_an_outline_may_lie_a_little_outside(out_m: float, fits: bool, tmp_path: Path, vocabulary: Vocabulary) -> None:
    polygon = [[-100, 100], [100, 100], [100, 140 + out_m], [-100, 140 + out_m]]
    found = problems_of(tmp_path, vocabulary, changed((*OUTLINE, "polygon"), polygon))
    assert (found == ()) is fits


def test_everything_is_found_in_one_pass(tmp_path: Path, vocabulary: Vocabulary) -> None:
    """Faulty keys of one state hide neither its other keys nor the other states."""
    data = copy.deepcopy(CONDITIONS)
    data["water"][1]["share"] = "40 %"
    data["water"][1]["outlines"][0]["area"] = "rivr"
    data["water"][1]["outlines"][1]["exposed"] = {}
    data["air"][0]["humidity_pct"] = 0.7
    data["air"][1]["temperature_deg_c"] = "cold"
    data["rail"]["dry"] = 7
    data["driving"][0]["traction_db"] = 70
    data["timetable"][1]["services"]["caling"] = {"passes": 1}
    found = [(p.place.split('"')[0], p.message) for p in problems_of(tmp_path, vocabulary, data)]
    assert found == [
        ("conditions, timetable[2] ", 'there is no service with the id "caling"'),
        ("conditions, timetable[2] ", "passes: must be true or false"),
        ("conditions, driving[1] ", "traction_db: is too large"),
        ("conditions, rail", "dry: is too large"),
        ("conditions, air[1] ", "humidity_pct: is implausibly dry for outdoor air"),
        ("conditions, air[2] ", "temperature_deg_c: must be a number"),
        ("conditions, water[2] ", "share: must be a number"),
        ("conditions, water[2] ", "area: there is no ground area with this id"),
        ("conditions, water[2] ", "exposed: needs either surface or g"),
    ]


class TestAssumptions:
    def test_none_without_conditions(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        assert load(tmp_path, vocabulary, None).assumptions == ()
        assert load(tmp_path, vocabulary, {"driving": CONDITIONS["driving"]}).assumptions == ()

    def test_independence_is_said_where_there_are_two(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        two = {key: CONDITIONS[key] for key in ("driving", "rail")}
        ((text, standing),) = load(tmp_path, vocabulary, two).assumptions
        assert "independently" in text and standing == "assumption"

    def test_water_keeps_its_height(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        ((text, standing),) = load(tmp_path, vocabulary, {"water": WATER}).assumptions
        assert "only its outline changes" in text and standing == "assumption"

    def test_weather_table_says_its_rule_and_parameters(self, tmp_path: Path, vocabulary: Vocabulary) -> None:
        rail = {"weather_table": {"file": "w.csv", "drying_ratio": 0.8}}
        rule, drying, damp = load(tmp_path, vocabulary, {"rail": rail}, {"w.csv": weather_csv()}).assumptions
        assert "wet while it rains" in rule[0] and rule[1] == "assumption"
        assert drying == ("Rails stay wet for 0.8 hours after each hour of rain.", "given in the project file")
        assert damp == ("Rails are damp at times from 85 % relative humidity.", "assumption")


def test_too_many_combinations_are_an_error(tmp_path: Path, vocabulary: Vocabulary) -> None:
    air = [{"id": f"a{k}", "share": 0.05, "temperature_deg_c": k, "humidity_pct": 70} for k in range(20)]
    water = [{"id": f"w{k}", "share": 0.1} for k in range(10)]
    found = [p.message for p in problems_of(tmp_path, vocabulary, {"air": air, "water": water})]
    assert any("200 combinations of the states of water, air are too many" in message for message in found)


@pytest.mark.parametrize("name", ["june", "Mixture", "before"])
def test_words_of_situations_are_no_states(name: str, tmp_path: Path, vocabulary: Vocabulary) -> None:
    states = [{"id": name, "share": 0.5}, {"id": "other", "share": 0.5, "acceleration_factor": 0.8}]
    found = [p for p in problems_of(tmp_path, vocabulary, {"driving": states}) if p.severity == "error"]
    assert [p.message for p in found] == ["id: is a word that lineside uses itself"]

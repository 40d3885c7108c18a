"""Hints about common slips in one value, and everything that one pass over a faulty file finds."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest

from lineside.errors import Problem, ProjectError
from lineside.project.hints import number_hint
from lineside.project.load import load_project
from lineside.project.wording import number, shown

STARTER = files("lineside.project.starter")
TEXT = (STARTER / "project.yaml").read_text(encoding="utf-8")
CSV = (STARTER / "track_1.csv").read_text(encoding="utf-8")


def problems_of(folder: Path, *edits: tuple[str, str], csv: str | None = CSV) -> tuple[Problem, ...]:
    text = TEXT
    for old, new in edits:
        assert text.count(old) >= 1, f"{old!r} does not stand in the project file"
        text = text.replace(old, new, 1)
    (folder / "project.yaml").write_text(text, encoding="utf-8")
    if csv is not None:
        (folder / "track_1.csv").write_text(csv, encoding="utf-8")
    try:
        return load_project(folder).warnings
    except ProjectError as error:
        return error.problems


@pytest.mark.parametrize(
    ("text", "key", "hint"),
    [
        ("5 s", "dwell_s", "write only the number: 5"),
        ("5 min", "dwell_s", "write 300: 5 min are 300 s"),
        ("1.5 hours", "dwell_s", "write 5400: 1.5 hours are 5400 s"),
        ("50km/h", "speed_limit_km_h", "write only the number: 50"),
        ("22 m/s", "speed_limit_km_h", "write 79.2: 22 m/s are 79.2 km/h"),
        ("50 mph", "speed_limit_km_h", "write 80.47: 50 mph are 80.47 km/h"),
        ("36 km/h", "wind_m_s", "write 10: 36 km/h are 10 m/s"),
        ("0,9 m/s2", "acceleration_m_s2", "write only the number: 0.9"),
        ("0.9 m/s²", "acceleration_m_s2", "write only the number: 0.9"),
        ("0.1 g", "acceleration_m_s2", "write a number in m/s²"),
        ("40 ft", "height_m", "write 12.19: 40 ft are 12.19 m"),
        ("40'", "height_m", "write 12.19: 40 ' are 12.19 m"),
        ("250 cm", "height_m", "write 2.5: 250 cm are 2.5 m"),
        ("1.2 km", "chainage_m", "write 1200: 1.2 km are 1200 m"),
        ("3 storeys", "height_m", "write a number in m"),
        ("0.85 m", "wheel_diameter_mm", "write 850: 0.85 m are 850 mm"),
        ("5 t", "wheel_load_kn", "write 49.03: 5 t are 49.03 kN"),
        ("283 K", "temperature_deg_c", "write 9.85: 283 K are 9.85 °C"),
        ("50 °F", "temperature_deg_c", "write 10: 50 °F are 10 °C"),
        ("1013 hPa", "pressure_kpa", "write 101.3: 1013 hPa are 101.3 kPa"),
        ("75 %", "humidity_pct", "write only the number: 75"),
        ("400 kN/mm", "rail_pad_stiffness_mn_m", "write only the number: 400"),
        ("2 per 100 m", "joints_per_100_m", "write only the number: 2"),
        ("20 per km", "joints_per_100_m", "write a number per 100 m"),
        ("4 axles", "n_axles", "write a number without a unit"),
        ("461 900", "position", "no spaces or signs inside a number: write 461900"),
        ("5 430 520.5", "position", "no spaces or signs inside a number: write 5430520.5"),
        ("12+345.6", "chainage_m", "write metres: 12345.6"),
        ("EPSG:25832", "code", "write only 25832"),
        ("epsg::25832", "code", "write only 25832"),
        ("50,5", "speed_limit_km_h", "write a decimal point: 50.5"),
        ("50", "speed_limit_km_h", "write the number without quotes"),
        ("fast", "speed_limit_km_h", ""),
    ],
)
def test_number_hint(text: str, key: str, hint: str) -> None:
    """Conversions computed from the definitions: 1 ft = 0.3048 m, 1 mile = 1609.344 m, 1 t weighs 9.80665 kN."""
    assert number_hint(text, key) == hint


CASES = [
    ("dwell_s: 25", "dwell_s: 5 min", "dwell_s: must be a number", "write 300: 5 min are 300 s"),
    ("night: 1.0", "night: 75 %", "night: must be a number", "write a share: 0.75"),
    ("{kind: local}", "{kind: epsg, code: EPSG:25832}", "code: must be a whole number", "write only 25832"),
    ('date: "2026-11-02"', "date: 1.12.2026", "date: must be a date", "write 2026-12-01"),
    ('date: "2026-11-02"', "date: 2026/12/1", "date: must be a date", "write 2026-12-01"),
    ('date: "2026-11-02"', "date: 1/12/2026", "date: must be a date", "write year, month and day in this order"),
    ('date: "2026-11-02"', "date: 31.11.2026", "date: must be a date", ""),
    ("use: dwelling", "use: home", "use: is not an accepted value", "write dwelling"),
    ("use: school", "use: Nursery", "use: is not an accepted value", "write school"),
    ("use: school", "use: nursing home", "use: is not an accepted value", "write care_home"),
    ("use: school", "use: volcano", "use: is not an accepted value", ""),
    (
        "{id: R1, name: 3 Weir Lane, position: [270, 45], height_m: 4.0, use: dwelling,",
        "{id: R1, name: 3 Weir Lane, position: 461900, 5430520.5, height_m: 4.0, use: dwelling,",
        "unknown key 5430520.5",
        "put [ ] around the two numbers: position: [461900, 5430520.5]",
    ),
    (
        "polygon: [[370, 40], [400, 75], [450, 40], [420, 5]]",
        "polygon: 370, 40",
        "polygon: must be a list",
        "put [ ] around the two numbers: [370, 40]",
    ),
    ("margin_m: 75,", "margin_m: 75,5,", "unknown key 5", "is this a decimal comma? write a point"),
]


@pytest.mark.parametrize(("old", "new", "message", "hint"), CASES, ids=[case[1][-40:] for case in CASES])
def test_hint_of_a_slip(old: str, new: str, message: str, hint: str, tmp_path: Path) -> None:
    found = [p for p in problems_of(tmp_path, (old, new)) if p.message == message]
    assert [p.hint for p in found] == [hint]


def test_position_without_brackets_in_a_block(tmp_path: Path) -> None:
    (problem,) = [
        p
        for p in problems_of(
            tmp_path, ("receivers:\n", "receivers:\n  - id: R0\n    position: 461900, 5430520\n    use: office\n")
        )
        if p.severity == "error"
    ]
    assert (problem.message, problem.hint) == (
        "position: must be a list",
        "put [ ] around the two numbers: [461900, 5430520]",
    )


def test_unit_in_a_csv_cell(tmp_path: Path) -> None:
    found = problems_of(tmp_path, csv=CSV.replace("110.00,", "0.11 km,"))
    assert [(p.message, p.hint) for p in found if p.file == "track_1.csv"] == [
        ("column x_m is not a number", "write 110: 0.11 km are 110 m")
    ]


def test_numbers_keep_their_digits() -> None:
    assert shown([461500.0, 5430400.25]) == "[461500, 5430400.25]"
    assert (number(1234.5678), number(0.1 + 0.2), number(1 / 3)) == ("1234.5678", "0.3", "0.333333")


def test_stop_without_a_place_on_the_track(tmp_path: Path) -> None:
    other = (
        "tracks:\n",
        "tracks:\n  - {id: T2, kind: tram, alignment: {kind: inline, points: [[0, 4, 0], [900, 4, 0]]}, attributes: "
        "{form: slab, sleeper: monoblock, rail_roughness: average_network, speed_limit_km_h: 50}}\n",
    )
    found = problems_of(tmp_path, other, ("    track: T1\n    direction", "    track: T2\n    direction"))
    (problem,) = [p for p in found if p.severity == "error"]
    assert problem.message == 'at[1]: the stop has no place on track "T2", where the service runs'
    assert problem.hint == "give it a place in stops: at: [{track: T2, chainage_m: ...}]"


def test_unknown_track_of_a_service_is_said_once(tmp_path: Path) -> None:
    found = problems_of(tmp_path, ("    track: T1\n    direction", "    track: T7\n    direction"))
    assert [p.message for p in found if p.severity == "error"] == ["track: there is no track with this id"]


def test_unread_height_does_not_make_two_receivers_one(tmp_path: Path) -> None:
    same = "  - {id: R0, position: [270, 45], height_m: %s, use: office}\n"
    doubled = problems_of(tmp_path, ("receivers:\n", "receivers:\n" + same % "4"))
    assert [p.message for p in doubled] == ['position: is the same point as receiver "R0"']
    found = problems_of(tmp_path, ("receivers:\n", "receivers:\n" + same % "x"))
    assert [p.message for p in found] == ["height_m: must be a number"]


def test_unread_ground_level_is_no_ground_level(tmp_path: Path) -> None:
    high = re.sub(r"(?m)^([-0-9.]+,[-0-9.]+),.*$", r"\1,112.4", CSV)
    found = problems_of(tmp_path, ("ground_level_m: 0.0", "ground_level_m: 112 m"), csv=high)
    assert [(p.message, p.hint) for p in found] == [("ground_level_m: must be a number", "write only the number: 112")]


ONE_PASS = {
    "turnout beside a faulty attribute": (
        ("speed_limit_km_h: 50", "speed_limit_km_h: fast"),
        ("chainage_m: 80", "chainage_m: 12000"),
        'chainage_m: lies beyond the alignment of track "T1"',
    ),
    "turnout beside a missing attribute": (
        ("      form: ballast                      # ballast, slab or embedded\n", ""),
        ("chainage_m: 80", "chainage_m: 12000"),
        'chainage_m: lies beyond the alignment of track "T1"',
    ),
    "turnout beside a track without sleeper": (
        ("      sleeper: monoblock\n", ""),
        ("chainage_m: 80", "chainage_m: 12000"),
        'chainage_m: lies beyond the alignment of track "T1"',
    ),
    "turnout beside a faulty stretch": (
        ("from_m: 200, to_m: 400, name", "from_m: 200, to_m: end, name"),
        ("chainage_m: 80", "chainage_m: 12000"),
        'chainage_m: lies beyond the alignment of track "T1"',
    ),
    "turnout beside an air that is not one": (
        ("humidity_pct: 75", "humidity_pct: damp"),
        ("chainage_m: 80", "chainage_m: 12000"),
        'chainage_m: lies beyond the alignment of track "T1"',
    ),
    "periods beside faulty air": (
        ("humidity_pct: 75", "humidity_pct: damp"),
        ("day: [7, 19]", "day: [8, 19]"),
        "periods: day, evening and night must share out the 24 hours: no period has 07-08 h",
    ),
    "position beside a faulty use": (
        ("use: school", "use: home"),
        ("position: [420, 60]", "position: [100, 0.5]"),
        'position: lies on track "T1": 0.50 m from its centre line in plan',
    ),
    "stop beside faulty numbers of trains": (
        ("day: 72", "day: many"),
        ("at: [mill]", "at: [millpond]"),
        "at[1]: there is no stop with this id",
    ),
    "stop beside a faulty standing time": (
        ("dwell_s: 25", "dwell_s: long"),
        ("at: [mill]", "at: [millpond]"),
        "at[1]: there is no stop with this id",
    ),
    "spectrum of a vehicle beside its axles": (
        ("n_axles: 4", "n_axles: four"),
        ("wheel_roughness: disc", "wheel_roughness: {spectrum: gone}"),
        "spectrum: there is no spectrum with this id",
    ),
    "barrier beside its surface": (
        ("surface: reflecting", "surface: shiny"),
        ("[[250, 18], [280, 26], [305, 38]]", "[[250, 18], [280, -26]]"),
        'barriers[1] "B1" (Garden wall): crosses track "T1"',
    ),
    "range of a work beside its date": (
        ('date: "2026-10-04"', "date: autumn"),
        ("from_m: 200, to_m: 400, desc", "from_m: 400, to_m: 200, desc"),
        "to_m: must lie beyond from_m, which is 400 m",
    ),
}


@pytest.mark.parametrize("name", ONE_PASS)
def test_mistake_of_form_does_not_hide_one_of_meaning(name: str, tmp_path: Path) -> None:
    form, meaning, message = ONE_PASS[name]
    alone = [p.message for p in problems_of(tmp_path, form)]
    together = [p.message for p in problems_of(tmp_path, form, meaning)]
    assert len(alone) == 1 and message not in alone, alone
    assert together.count(message) == 1, together
    assert alone[0] in together


def test_missing_file_does_not_hide_other_mistakes(tmp_path: Path) -> None:
    found = problems_of(
        tmp_path,
        ("polygon: [[370, 40], [400, 75], [450, 40], [420, 5]]", "file: gone.geojson\n    feature: yard"),
        ("chainage_m: 80", "chainage_m: 12000"),
        ("n_axles: 4", "n_axles: four"),
        ("unit: tram-30", "unit: tram-31"),
        ("position: [420, 60]", "position: [100, 0.5]"),
    )
    assert [p.message for p in found] == [
        'chainage_m: lies beyond the alignment of track "T1"',
        "n_axles: must be a whole number",
        "unit: there is no unit with this id",
        'position: lies on track "T1": 0.50 m from its centre line in plan',
        "file: no such file in the project folder",
    ]


def test_missing_alignment_does_not_hide_mistakes_elsewhere(tmp_path: Path) -> None:
    found = problems_of(tmp_path, ("unit: tram-30", "unit: tram-31"), ("day: [7, 19]", "day: [8, 19]"), csv=None)
    assert [p.message.split(":")[0] for p in found] == ["periods", "file", "unit"]

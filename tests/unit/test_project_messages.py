"""What a person reads when the form of a project file is wrong: place, found, allowed, hint."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path

import pytest

from lineside.errors import Problem, ProjectError
from lineside.project.load import load_project

STARTER = files("lineside.project.starter")
TEXT = (STARTER / "project.yaml").read_text(encoding="utf-8")
JARGON = re.compile(
    r"pydantic|https?://|Input should|literal\[|union|discriminator|tuple|dict|NoneType|BaseModel|validation error",
    re.IGNORECASE,
)


def problems_of(folder: Path, *edits: tuple[str, str], text: str = TEXT) -> tuple[Problem, ...]:
    """Problems of the starter project after replacing text; none if it loads."""
    for old, new in edits:
        assert text.count(old) >= 1, f"{old!r} does not stand in the project file"
        text = text.replace(old, new, 1)
    (folder / "project.yaml").write_text(text, encoding="utf-8")
    (folder / "track_1.csv").write_bytes((STARTER / "track_1.csv").read_bytes())
    try:
        load_project(folder)
    except ProjectError as error:
        for problem in error.problems:
            assert not JARGON.search(str(problem)), str(problem)
        return error.problems
    return ()


def line_of(folder: Path, fragment: str) -> int:
    lines = (folder / "project.yaml").read_text(encoding="utf-8").split("\n")
    found = [n for n, line in enumerate(lines, start=1) if fragment in line]
    assert len(found) == 1, fragment
    return found[0]


# (text replaced, by what, fragment of the line reported, place, message, allowed, hint)
CASES = {
    "unknown key": (
        "humidity_pct: 75",
        "humdity_pct: 75",
        "humdity_pct",
        "site, air",
        "unknown key humdity_pct",
        "temperature_deg_c, humidity_pct, pressure_kpa",
        "did you mean humidity_pct? (Relative humidity [%]",
    ),
    "unknown key without its unit": (
        "speed_limit_km_h: 50",
        "speed_limit: 50",
        "speed_limit: 50",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "unknown key speed_limit",
        "form, sleeper",
        "did you mean speed_limit_km_h?",
    ),
    "missing key": (
        "{temperature_deg_c: 10, humidity_pct: 75, ",
        "{humidity_pct: 75, ",
        "{humidity_pct",
        "site, air",
        "temperature_deg_c is missing",
        "a number in °C, -50 to 60",
        "Temperature",
    ),
    "wrong type": (
        "speed_limit_km_h: 50",
        "speed_limit_km_h: fast",
        "fast",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "speed_limit_km_h: must be a number",
        "a number in km/h, 1 to 500",
        "",
    ),
    "number in quotes": (
        "speed_limit_km_h: 50",
        'speed_limit_km_h: "50"',
        '"50"',
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "must be a number",
        "km/h",
        "without quotes",
    ),
    "number with its unit": (
        "speed_limit_km_h: 50",
        "speed_limit_km_h: 50 km/h",
        "50 km/h",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "must be a number",
        "km/h",
        "write only the number: 50",
    ),
    "decimal comma": (
        "speed_limit_km_h: 50",
        "speed_limit_km_h: 50,5",
        "50,5",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "must be a number",
        "km/h",
        "write a decimal point: 50.5",
    ),
    "decimal comma in a group": (
        "margin_m: 75, height_m",
        "margin_m: 75,5, height_m",
        "75,5",
        "calculation, grid",
        "unknown key 5",
        "margin_m",
        "decimal comma",
    ),
    "out of range": (
        "humidity_pct: 75",
        "humidity_pct: 175",
        "175",
        "site, air",
        "humidity_pct: is too large",
        "a number in %, above 0 to 100",
        "",
    ),
    "coordinate out of range": (
        "position: [270, 45]",
        "position: [270, 450000000]",
        "450000000",
        'receivers[1] "R1" (3 Weir Lane), position',
        "y: is too large",
        "a number in m, -100000000 to 100000000",
        "",
    ),
    "position with too many values": (
        "position: [270, 45]",
        "position: [270, 45, 4]",
        "45, 4]",
        'receivers[1] "R1" (3 Weir Lane)',
        "position: has too many entries",
        "a list of exactly 2 values, each a number in m",
        "",
    ),
    "position with too few values": (
        "position: [270, 45]",
        "position: [270]",
        "[270]",
        'receivers[1] "R1" (3 Weir Lane)',
        "position: has too few values",
        "a list of exactly 2 values",
        "",
    ),
    "not an accepted word": (
        "use: school",
        "use: scool",
        "scool",
        'receivers[3] "R3" (Mill school)',
        "use: is not an accepted value",
        "dwelling, hospital, school, care_home, office, outdoor or other",
        "did you mean school?",
    ),
    "unknown kind": (
        "{kind: csv, file",
        "{kind: cvs, file",
        "cvs",
        'tracks[1] "T1" (Towards Ferrow), alignment',
        "kind: is not a known kind",
        "csv, geojson, inline",
        "did you mean csv?",
    ),
    "kind left out": (
        "{kind: csv, file",
        "{file",
        "track_1.csv}",
        'tracks[1] "T1" (Towards Ferrow), alignment',
        "kind is missing",
        "csv, geojson, inline",
        "",
    ),
    "key inside a union": (
        "file: track_1.csv}",
        "file: track_1.csv, csv: 1}",
        "csv: 1",
        'tracks[1] "T1" (Towards Ferrow), alignment',
        "unknown key csv",
        "kind, file, start_chainage_m",
        "",
    ),
    "id is a number": (
        "id: R4",
        "id: 4",
        "id: 4,",
        'receivers[4] "4" (Mill garden)',
        "id: must be text",
        "text",
        "put it in quotes",
    ),
    "title is true": (
        "title: Tansy Mill, tramway along the river",
        "title: true",
        "title: true",
        "identity",
        "title: must be text",
        "text",
        "in quotes",
    ),
    "yes for true": (
        "length_m: 15",
        "freight: yes\n    length_m: 15",
        "freight",
        'vehicles[1] "motor-car"',
        "freight: must be true or false",
        "true or false",
        "",
    ),
    "date of no calendar": (
        'date: "2026-11-02"',
        "date: 2026-11-31",
        "2026-11-31",
        "identity",
        "date: is not a date of the calendar",
        "a date YYYY-MM-DD",
        "",
    ),
    "date in another order": (
        'date: "2026-11-02"',
        "date: 02.11.2026",
        "02.11.2026",
        "identity",
        "date: must be a date",
        "a date YYYY-MM-DD",
        "",
    ),
    "class or spectrum": (
        "rail_roughness: average_network",
        "rail_roughness: {spectra: r}",
        "{spectra: r}",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "must be the name of a class, or a spectrum",
        "the name of a class, or {spectrum: id}",
        "",
    ),
    "spectrum where no class exists": (
        "joints_per_100_m: 0",
        "track_transfer: soft",
        "track_transfer",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "track_transfer: must be a spectrum",
        "{spectrum: id} or null",
        "",
    ),
    "radius below 15 m": (
        "name: Mill curve,",
        "curve_radius_m: 12,",
        "curve_radius_m",
        'tracks[1] "T1" (Towards Ferrow), stretches[1]',
        "curve_radius_m: must be a radius, straight or null",
        "a number in m, 15 to 100000, straight or null",
        "",
    ),
    "null in a stretch": (
        "name: Mill curve,",
        "name: Mill curve, form: null,",
        "form: null",
        'tracks[1] "T1" (Towards Ferrow), stretches[1] "Mill curve"',
        "form: must not be null",
        "ballast, slab or embedded",
        "leave the key out",
    ),
    "neither surface nor g": (
        "{surface: pasture}",
        "{}",
        "default_ground",
        "site",
        "default_ground: needs either surface or g",
        "",
        "",
    ),
    "surface and g": (
        "    g: 0.3",
        "    g: 0.3\n    surface: gravel",
        "id: yard",
        "",
        'ground_areas[2] "yard" (Mill yard): needs either',
        "",
        "",
    ),
    "no sleeper": (
        "      sleeper: monoblock\n",
        "",
        "    attributes:",
        'tracks[1] "T1" (Towards Ferrow)',
        "attributes: needs sleeper (or track_transfer",
        "",
        "",
    ),
    "diverging without radius": (
        "route: through",
        "route: diverging",
        "route: diverging",
        'tracks[1] "T1" (Towards Ferrow)',
        'turnouts[1] "W1": needs diverging_radius_m',
        "",
        "",
    ),
    "file without feature": (
        "line: [[250, 18], [280, 26], [305, 38]]",
        "file: walls.geojson",
        "walls.geojson",
        "",
        'barriers[1] "B1" (Garden wall): needs either line, or file and feature',
        "",
        "",
    ),
    "times and file": (
        '{kind: times, times: ["00:40", "01:10", "05:05"]}',
        "{kind: times}",
        "{kind: times}",
        'services[2] "depot" (Empty runs to the depot)',
        "trains: needs either file or times",
        "",
        "",
    ),
    "group where a list is asked for": (
        "turnouts:\n      - {id: W1",
        "turnouts:\n        {id: W1",
        "    turnouts:",
        'tracks[1] "T1" (Towards Ferrow)',
        "turnouts: must be a list",
        "a list, each a group of keys",
        "begin each entry with `- `",
    ),
    "text where a group is asked for": (
        "{surface: pasture}",
        "pasture",
        "default_ground",
        "site",
        "default_ground: must be a group of keys",
        "a group of keys: surface, g",
        "",
    ),
    "empty list": (
        "at: [mill], acc",
        "at: [], acc",
        "at: []",
        'services[1] "line-4" (Line 4, towards Ferrow), pattern',
        "at: has too few entries",
        "a list of at least 1 entry",
        "",
    ),
    "space around an id": (
        "- id: yard",
        "- id: 'yard '",
        "'yard '",
        'ground_areas[2] "yard " (Mill yard)',
        "id: must not begin or end with a space",
        "",
        "",
    ),
    "empty title": (
        "title: Tansy Mill, tramway along the river",
        "title: ''",
        "title: ''",
        "identity",
        "title: must not be empty",
        "text",
        "",
    ),
    "fraction of an axle": (
        "n_axles: 4",
        "n_axles: 4.5",
        "4.5",
        'vehicles[1] "motor-car"',
        "n_axles: must be a whole number",
        "a whole number, 1 to 40",
        "",
    ),
    "infinite": (
        "n_axles: 4",
        "n_axles: 4\n    name: .inf",
        ".inf",
        'vehicles[1] "motor-car"',
        "name: must be text",
        "",
        "",
    ),
    "not finite": (
        "ground_level_m: 0.0",
        "ground_level_m: .nan",
        ".nan",
        "site",
        "ground_level_m: must be a finite number",
        "a number in m",
        "",
    ),
    "beyond double precision": (
        "ground_level_m: 0.0",
        "ground_level_m: 1e400",
        "1e400",
        "site",
        "ground_level_m: must be a finite number",
        "a number in m",
        "",
    ),
    "small beyond double precision": (
        "ground_level_m: 0.0",
        "ground_level_m: .5e999",
        ".5e999",
        "site",
        "ground_level_m: must be a finite number",
        "",
        "",
    ),
    "period beyond the clock": (
        "night: [23, 7]",
        "night: [23, 25]",
        "[23, 25]",
        "site, periods, night",
        "to hour: is too large",
        "a whole number, 0 to 24",
        "",
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_each_mistake_of_form_says_where_what_and_what_to_do(name: str, tmp_path: Path) -> None:
    old, new, fragment, place, message, allowed, hint = CASES[name]
    problems = problems_of(tmp_path, (old, new))
    fitting = [p for p in problems if message in p.message]
    assert len(fitting) == 1, [str(p) for p in problems]
    problem = fitting[0]
    assert problem.severity == "error"
    assert problem.file == "project.yaml"
    assert problem.line == line_of(tmp_path, fragment)
    assert problem.place == place
    assert allowed in problem.allowed
    assert hint in problem.hint


def test_starter_loads_without_a_problem(tmp_path: Path) -> None:
    assert problems_of(tmp_path) == ()


def test_whole_message_reads_well(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, ("speed_limit_km_h: 50", "speed_limit: 50"))
    missing, unknown = sorted(problems, key=lambda p: p.line or 0)
    assert str(unknown) == (
        f'project.yaml:{unknown.line}:7: tracks[1] "T1" (Towards Ferrow), attributes: unknown key speed_limit\n'
        "  found:   50\n"
        "  allowed: form, sleeper, rail_pad, rail_pad_stiffness_mn_m, rail_roughness, track_transfer, "
        "impact_roughness, "
        "joints_per_100_m, bridge, speed_limit_km_h, curve_radius_m, source_ground_g, friction\n"
        "  hint:    did you mean speed_limit_km_h? (Speed limit [km/h], 1 to 500)"
    )
    assert missing.message == "speed_limit_km_h is missing"


def test_column_points_at_the_value(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, ("humidity_pct: 75", "humidity_pct: 0"))
    line = (tmp_path / "project.yaml").read_text(encoding="utf-8").split("\n")[problem.line - 1]  # type: ignore[operator]
    assert line[problem.column - 1 :].startswith("0, pressure_kpa")  # type: ignore[operator]


@pytest.mark.parametrize("written", ["2", "0", "1.0.0", '"1"', "true", "null", "[1]"])
def test_unknown_version_is_the_only_thing_said(written: str, tmp_path: Path) -> None:
    problems = problems_of(
        tmp_path, ("lineside: 1 ", f"lineside: {written} "), ("humidity_pct: 75", "humidity_pct: 175")
    )
    assert len(problems) == 1
    assert problems[0].message.startswith("version ") and problems[0].message.endswith(" of the file format is unknown")
    assert problems[0].allowed == "lineside: 1"
    assert "this lineside reads version 1" in problems[0].hint
    assert ("newer" in problems[0].hint) == (written == "2")
    assert problems[0].line == line_of(tmp_path, "# version of this file format")


def test_version_left_out(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, ("lineside: 1 ", ""))
    assert problem.message == "lineside is missing: the version of the file format"


def test_all_problems_in_one_pass(tmp_path: Path) -> None:
    """Form, meaning and files beside it, each at its own line, in order."""
    edits = (
        ("humidity_pct: 75", "humidity_pct: -1"),
        ("kind: tram   ", "kind: trm   "),
        ("to_m: 400, name: Mill curve", "to_m: 900, name: Mill curve"),
        ("{track: T1, chainage_m: 480}", "{track: T9, chainage_m: 480}"),
        ("unit: tram-30", "unit: tram-3 "),
        ("position: [315, 75]", "position: [100, 0.5]"),
        ("surface: reflecting", "surfce: reflecting"),
        ("from_m: 200, to_m: 400, desc", "from_m: 400, to_m: 200, desc"),
    )
    problems = problems_of(tmp_path, *edits)
    fragments = [
        "humidity_pct: -1",
        "kind: trm",
        "to_m: 900",
        "chainage_m: 480",
        "unit: tram-3 ",
        "at: [mill]",
        "position: [100, 0.5]",
        "surfce",
        "surfce",
        "to_m: 200, desc",
    ]
    assert [p.line for p in problems if p.severity == "error"] == [line_of(tmp_path, f) for f in fragments]


def test_faulty_stretch_does_not_hide_mistakes_elsewhere(tmp_path: Path) -> None:
    problems = problems_of(
        tmp_path,
        ("to_m: 400, name: Mill curve", "to_m: 400, nme: Mill curve"),
        ("position: [315, 75]", "position: [100, 0.5]"),
        ("id: W1, chainage_m: 80", "id: W1, chainage_m: 1080"),
    )
    messages = [p.message for p in problems]
    assert "unknown key nme" in messages
    assert any(m.startswith("position: lies on track") for m in messages)
    assert 'chainage_m: lies beyond the alignment of track "T1"' in messages


def test_stretch_without_an_end_does_not_hide_the_track(tmp_path: Path) -> None:
    problems = problems_of(
        tmp_path,
        ("to_m: 400, name: Mill curve", "to_m: x, name: Mill curve"),
        ("position: [315, 75]", "position: [100, 0.5]"),
    )
    assert [p.message for p in problems] == [
        "to_m: must be a number",
        'position: lies on track "T1": 0.50 m from its centre line in plan',
    ]


def test_entry_with_a_mistake_still_counts_as_defined(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, ("n_axles: 4", "n_axles: none"))
    assert [p.message for p in problems] == ["n_axles: must be a whole number"]


def test_faulty_points_are_not_also_too_few(tmp_path: Path) -> None:
    problems = problems_of(
        tmp_path, ("{kind: csv, file: track_1.csv}", "{kind: inline, points: [[0, 0], [1, x, 0], [1, 2, .inf]]}")
    )
    assert [p.message for p in problems] == [
        "points[1]: has too few values",
        "y: must be a number",
        "z: must be a finite number",
    ]
    assert problems[1].place == 'tracks[1] "T1" (Towards Ferrow), alignment, points[2]'


HOSTILE = "\\x1b[2J\\u202e" + "A" * 5000


def test_hostile_values_are_shortened_and_escaped(tmp_path: Path) -> None:
    problems = problems_of(tmp_path, ("use: school", f'use: "{HOSTILE}"'), ("id: R4", f'id: "{HOSTILE}"'))
    assert len(problems) >= 2
    for problem in problems:
        assert len(str(problem)) < 800
        assert str(problem).replace("\n", "").isprintable()


@pytest.mark.parametrize("edit", [("name: Mill garden", 'name: "Mill\\x07garden"'), ("id: R4", 'id: "R\\n4"')])
def test_control_characters_are_refused(edit: tuple[str, str], tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, edit)
    assert "control character" in problem.message


@pytest.mark.parametrize(
    ("edit", "which"),
    [
        (("name: Mill garden", 'name: "Mill \\u202enedrag"'), "U+202E (right-to-left override)"),
        (("name: Mill garden", 'name: "\\u2066Mill garden"'), "U+2066 (left-to-right isolate)"),
        (("id: R4", 'id: "R\\u202a4"'), "U+202A (left-to-right embedding)"),
    ],
)
def test_characters_that_turn_letters_are_named(edit: tuple[str, str], which: str, tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, edit)
    assert f"holds the invisible character {which}, which turns the order of letters" in problem.message
    assert str(problem).replace("\n", "").isprintable()


def test_list_left_empty(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, ("works:    ", "works:\nspectra: []\n#"), ('  - {date: "2026-10-04"', "# {date"))
    assert (problem.message, problem.found) == ("works: must be a list", "nothing (null)")
    assert problem.hint == "remove the key, or write []"


def test_python_names_of_keys_are_not_keys(tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, ("method: eu_common", "method: eu_common\n  with_: []"))
    assert (problem.message, problem.hint[:18]) == ("unknown key with_", "did you mean with?")


def test_countless_problems_are_counted(tmp_path: Path) -> None:
    receivers = "".join(f"  - {{id: N{k}, position: [{k}, 60], use: dweling}}\n" for k in range(250))
    problems = problems_of(tmp_path, ("receivers:\n", "receivers:\n" + receivers))
    assert len(problems) == 201
    assert problems[-1].message == "there are 50 more errors"
    assert problems[-1].hint == "repair the first ones and check again"

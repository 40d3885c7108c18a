"""Things in the wrong place, and values that are mostly slips of the pen: what a person reads about them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import pytest
from pydantic import Field

from lineside.contracts import Options
from lineside.errors import PluginError, Problem, ProjectError
from lineside.project.load import load_project
from lineside.project.vocabulary import Vocabulary
from sites import straight_site, write_site

STARTER = files("lineside.project.starter")
TEXT = (STARTER / "project.yaml").read_text(encoding="utf-8")
CSV = (STARTER / "track_1.csv").read_text(encoding="utf-8")


def problems_of(
    folder: Path, *edits: tuple[str, str], csv: str = CSV, vocabulary: Vocabulary | None = None
) -> tuple[Problem, ...]:
    """Problems of the starter project after replacing text."""
    text = TEXT
    for old, new in edits:
        assert text.count(old) >= 1, f"{old!r} does not stand in the project file"
        text = text.replace(old, new, 1)
    (folder / "project.yaml").write_text(text, encoding="utf-8")
    (folder / "track_1.csv").write_text(csv, encoding="utf-8")
    try:
        return load_project(folder, vocabulary).warnings
    except ProjectError as error:
        return error.problems


@dataclass(frozen=True)
class Case:
    """An edit, the only problem that follows from it, and parts of its words."""

    old: str
    new: str
    place: str
    message: str
    allowed: str = ""
    hint: str = ""
    error: bool = False


ALIGNMENT = "{kind: csv, file: track_1.csv}      # x_m, y_m, z_m of the rail head, in order along the track"
CURVE = "name: Mill curve, speed_limit_km_h: 40"
W1 = "{id: W1, chainage_m: 80, route: through}"
R1 = "name: 3 Weir Lane, position: [270, 45], height_m: 4.0, use: dwelling, area: residential, dwellings: 2, persons: 5"
SPECTRUM = (
    "spectra:\n  - {id: rails, kind: rail_roughness, source: measured, axis: [100, 80, 63, 50, 40], "
    "levels_db: [1, 2, 3, 4, 5]}\n\nvehicles:"
)
ROUGH = "average_network    # or a measured"
CASES = [
    Case(CURVE, CURVE + "0, speed_limit_km_h: 4", "", "key speed_limit_km_h stands twice in one place", error=True),
    Case(
        "speed_limit_km_h: 40}",
        "speed_limit_km_h: 4}",
        'tracks[1] "T1" (Towards Ferrow), stretches[1] "Mill curve"',
        "speed_limit_km_h: is slower than a walk",
        "",
        "is it in km/h?",
    ),
    Case(
        "joints_per_100_m: 0",
        "joints_per_100_m: 12.5",
        'tracks[1] "T1" (Towards Ferrow), attributes',
        "joints_per_100_m: is a joint every 8 m",
        "mostly up to 10 per 100 m",
        "not in its whole length",
    ),
    Case(
        W1,
        "{id: W1, chainage_m: 80, route: diverging, diverging_radius_m: 190}",
        'tracks[1] "T1" (Towards Ferrow), turnouts[1] "W1"',
        "diverging_radius_m: trains pass this turnout on its diverging route at up to 50 km/h; its radius of 190 m is "
        "mostly passed at up to 40 km/h (0.65 m/s² of lateral acceleration)",
        "",
        "add a stretch with the speed limit",
    ),
    Case(
        CURVE,
        CURVE + ", curve_radius_m: 600",
        'tracks[1] "T1" (Towards Ferrow), stretches[1] "Mill curve"',
        "curve_radius_m: is a radius of 600 m where the alignment has another: radius 190 m at chainage",
        "",
        "write null to use the alignment",
    ),
    Case(
        CURVE,
        CURVE + ", curve_radius_m: straight",
        'tracks[1] "T1" (Towards Ferrow), stretches[1] "Mill curve"',
        "curve_radius_m: hides a curve of the alignment: radius 190 m at chainage",
        "",
        "write null to use it",
    ),
    Case(
        CURVE + "}",
        CURVE + "}\n      - {name: Start, from_m: 0, to_m: 150, curve_radius_m: 300}",
        'tracks[1] "T1" (Towards Ferrow), stretches[2] "Start"',
        "curve_radius_m: is a curve of 300 m radius where the alignment is straight (radius above 1000 m)",
        "",
        "check the radius and the chainages",
    ),
    Case(
        "standard_db: 1.5",
        "standard_db: 0",
        "calculation, uncertainty",
        "standard_db: says that predicted levels are exact",
        "",
        "leave the key out for the default",
    ),
    Case(
        "method: eu_common",
        "method: eu_common\n  without: [eu_rolling]",
        "calculation",
        'without[1]: the calculator "eu_rolling" is left out: its sound is missing in every level',
        "",
        "the report says so",
    ),
    Case(
        "traction: electric_multiple_unit",
        "traction: none",
        'units[1] "tram-30" (Two cars)',
        "vehicles: none of the vehicles has a drive: every one has traction: none",
        "",
        "give the motor cars",
    ),
    Case(
        "dwellings: 2, persons: 5",
        "dwellings: 5, persons: 2",
        'receivers[1] "R1" (3 Weir Lane)',
        "persons: are fewer persons than dwellings, of which there are 5",
        "",
        "swapped?",
    ),
    Case(
        "2026-10-04",
        "2027-10-04",
        "works[1]",
        "date: lies after every assessment date; the last is 2027-03-01",
        "",
        "is the year right?",
    ),
    Case(
        '["00:40", "01:10", "05:05"]',
        '["00:40", "01:10", "0:40"]',
        'services[2] "depot" (Empty runs to the depot), trains',
        "times[3]: the time 00:40 stands twice",
        "",
        "each entry is one train",
    ),
    Case(
        "[[250, 18], [280, 26], [305, 38]]",
        "[[250, 18], [280, -26]]",
        "",
        'barriers[1] "B1" (Garden wall): crosses track "T1"',
        "",
        "a barrier stands beside a track",
        error=True,
    ),
]


@pytest.mark.parametrize("case", CASES, ids=lambda case: case.message[:50])
def test_slip_says_where_what_and_what_to_do(case: Case, tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, (case.old, case.new))
    assert problem.severity == ("error" if case.error else "warning")
    assert problem.place == case.place
    assert problem.message.startswith(case.message)
    assert case.allowed in problem.allowed
    assert case.hint in problem.hint


@pytest.mark.parametrize(
    ("old", "new"),
    [
        (CURVE, CURVE + ", curve_radius_m: 150"),
        (CURVE, CURVE + ", curve_radius_m: 220"),
        (CURVE, "name: Mill curve, speed_limit_km_h: 40, curve_radius_m: null"),
        (W1, "{id: W1, chainage_m: 80, route: diverging, diverging_radius_m: 300}"),
        ("dwellings: 2, persons: 5", "dwellings: 2"),
        ("2026-10-04", "2027-03-01"),
        ("joints_per_100_m: 0", "joints_per_100_m: 10"),
        ("speed_limit_km_h: 40}", "speed_limit_km_h: 5}"),
    ],
)
def test_sensible_values_pass_in_silence(old: str, new: str, tmp_path: Path) -> None:
    assert problems_of(tmp_path, (old, new)) == ()


def test_slow_limit_is_doubted_on_a_train_line_only(tmp_path: Path) -> None:
    slow = ("speed_limit_km_h: 40}", "speed_limit_km_h: 22}")
    assert problems_of(tmp_path, slow) == ()
    found = problems_of(tmp_path, slow, ("kind: tram   ", "kind: train   "), ("kind: tram\n", "kind: train\n"))
    assert [(p.message, p.hint) for p in found] == [
        ("speed_limit_km_h: is slow for a train", "is it in km/h? 22 m/s would be 79.2 km/h")
    ]


def test_turnout_speed_is_that_of_trains_and_stretches(tmp_path: Path) -> None:
    """sqrt(0.65 m/s2 x 190 m) = 11.1 m/s = 40 km/h (common practice, no source)."""
    diverging = (W1, "{id: W1, chainage_m: 80, route: diverging, diverging_radius_m: 190}")
    slow = (CURVE + "}", CURVE + "}\n      - {name: Junction, from_m: 60, to_m: 110, speed_limit_km_h: 40}")
    assert problems_of(tmp_path, diverging, slow) == ()
    slow_trains = ("max_speed_km_h: 70", "max_speed_km_h: 40")
    assert all("turnout" not in p.message for p in problems_of(tmp_path, diverging, slow_trains))


def test_radius_of_the_whole_track_counts_where_no_stretch_says_otherwise(tmp_path: Path) -> None:
    whole = ("      speed_limit_km_h: 50\n", "      speed_limit_km_h: 50\n      curve_radius_m: straight\n")
    (problem,) = problems_of(tmp_path, whole)
    assert problem.place == 'tracks[1] "T1" (Towards Ferrow), attributes'
    assert problem.message.startswith("curve_radius_m: hides a curve of the alignment: radius 190 m")
    assert problems_of(tmp_path, whole, (CURVE, CURVE + ", curve_radius_m: null")) == ()


def test_doubled_times_in_a_file(tmp_path: Path) -> None:
    """Times that differ by seconds are two trains."""
    (tmp_path / "t.csv").write_text("time\n05:31\n05:31:20\n05:31:40\n06:00\n5:31\n")
    (problem,) = problems_of(tmp_path, ('times: ["00:40", "01:10", "05:05"]', "file: t.csv"))
    assert (problem.file, problem.line, problem.severity) == ("t.csv", 6, "warning")
    assert problem.message == "the time 05:31 stands twice"


def test_unknown_kind_of_track_is_no_slow_train(tmp_path: Path) -> None:
    found = problems_of(tmp_path, ("kind: tram   ", "kind: trm   "), ("speed_limit_km_h: 40}", "speed_limit_km_h: 22}"))
    assert [p.message for p in found] == ["kind: is not an accepted value"]


def test_unread_rail_pad_is_not_also_missing(tmp_path: Path) -> None:
    vocabulary = Vocabulary(companions={"sleeper": {"monoblock": ("rail_pad",)}})
    pads = [
        p.message
        for p in problems_of(tmp_path, ("rail_pad: medium", "rail_pad: 5"), vocabulary=vocabulary)
        if "rail_pad" in p.message
    ]
    assert pads == ["rail_pad: must be text"]


class TestRoughness:
    def found(self, folder: Path, axis: str, levels: str) -> list[tuple[str, str, str]]:
        spectrum = SPECTRUM.replace("100, 80, 63, 50, 40", axis).replace("1, 2, 3, 4, 5", levels)
        problems = problems_of(folder, ("vehicles:", spectrum), (ROUGH, "{spectrum: rails}  #"))
        return [(p.severity, p.message, p.hint) for p in problems]

    def test_sound(self, tmp_path: Path) -> None:
        assert self.found(tmp_path, "100, 80, 63, 50, 40", "-40, 2, 3, 4, 50") == []

    def test_axis_in_metres(self, tmp_path: Path) -> None:
        assert self.found(tmp_path, "0.5, 0.4, 0.315, 0.25, 0.2", "1, 2, 3, 4, 5") == [
            (
                "warning",
                "axis: the largest wavelength is 0.5 mm: are these metres?",
                "give wavelengths in mm: 0.1 m is 100 mm",
            )
        ]

    def test_axis_in_metres_below_the_smallest_band(self, tmp_path: Path) -> None:
        found = self.found(tmp_path, "0.08, 0.063, 0.05, 0.04, 0.0315", "1, 2, 3, 4, 5")
        assert found[0][1] == "axis: the largest wavelength is 0.08 mm: are these metres?"
        assert {hint for severity, _, hint in found if severity == "error"} == {"are these metres? give millimetres"}

    @pytest.mark.parametrize(("levels", "shown"), [("1, 2, 3, 4, 51", "51"), ("1, -40.5, -41, 4, 5", "-40.5")])
    def test_level(self, levels: str, shown: str, tmp_path: Path) -> None:
        ((severity, message, hint),) = self.found(tmp_path, "100, 80, 63, 50, 40", levels)
        assert severity == "warning"
        assert message.endswith(f": {shown} dB is an implausible level of roughness")
        assert hint == "levels are in dB re 1 µm"

    def test_level_in_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "r.csv").write_text("wavelength_mm,level_db\n100,1\n80,2\n63,3\n50,99\n40,5\n")
        spectrum = "spectra:\n  - {id: rails, kind: rail_roughness, source: measured, file: r.csv}\n\nvehicles:"
        (problem,) = problems_of(tmp_path, ("vehicles:", spectrum), (ROUGH, "{spectrum: rails}  #"))
        assert (problem.file, problem.line, problem.message) == (
            "r.csv",
            5,
            "99 dB is an implausible level of roughness",
        )


def moved(csv: str, east: float, north: float, swap: bool = False) -> str:
    rows = []
    for line in csv.splitlines():
        cells = line.split(",")
        if re.match(r"[-0-9]", line):
            x, y = float(cells[0]) + east, float(cells[1]) + north
            cells[:2] = [f"{y:.2f}", f"{x:.2f}"] if swap else [f"{x:.2f}", f"{y:.2f}"]
        rows.append(",".join(cells))
    return "\n".join(rows) + "\n"


def moved_text(text: str, east: float, north: float) -> tuple[tuple[str, str], ...]:
    """Edits that move receivers, ground areas and barriers of the starter project."""
    pairs = dict.fromkeys(re.findall(r"\[-?\d+, -?\d+\](?=[,\]])", text))
    start = text.index("receivers:")
    tail = text[start:]
    for pair in pairs:
        x, y = (float(v) for v in pair[1:-1].split(","))
        tail = tail.replace(pair, f"[{x + east:.1f}, {y + north:.1f}]")
    return ((text[start:], tail),)


class TestPlace:
    EAST, NORTH = 461_500.0, 5_430_400.25

    def test_track_with_x_and_y_swapped(self, tmp_path: Path) -> None:
        edits = moved_text(TEXT, self.EAST, self.NORTH)
        assert problems_of(tmp_path, *edits, csv=moved(CSV, self.EAST, self.NORTH)) == ()
        (problem,) = problems_of(tmp_path, *edits, csv=moved(CSV, self.EAST, self.NORTH, swap=True))
        assert (problem.severity, problem.place) == ("error", 'tracks[1] "T1" (Towards Ferrow)')
        assert problem.message == "alignment: lies 7027 km from the nearest receiver"
        assert problem.found == "it begins at [5430400.25, 461500]"
        assert problem.allowed == "at most 5 km"
        assert problem.hint == "are x and y swapped? another coordinate system?"

    def test_one_point_swapped(self, tmp_path: Path) -> None:
        lines = moved(CSV, self.EAST, self.NORTH).splitlines()
        x, y, z = lines[-1].split(",")
        lines[-1] = f"{y},{x},{z}"
        errors = [
            p
            for p in problems_of(tmp_path, *moved_text(TEXT, self.EAST, self.NORTH), csv="\n".join(lines) + "\n")
            if p.severity == "error" and "from the point before it" in p.message
        ]
        (problem,) = errors
        assert problem.line == len(lines)
        assert problem.hint == "are x and y swapped? another coordinate system?"

    SECOND = (
        "tracks:\n",
        "tracks:\n  - id: T2\n    kind: tram\n    alignment: {kind: inline, points: [[0, %d, 0], [500, %d, 0]]}\n"
        "    attributes: {form: slab, sleeper: monoblock, rail_pad: soft, rail_roughness: average_network, "
        "speed_limit_km_h: 50}\n",
    )

    def second(self, north: int) -> tuple[str, str]:
        return self.SECOND[0], self.SECOND[1].replace("%d", str(north))

    def test_one_of_two_tracks_misplaced_makes_no_grid_error(self, tmp_path: Path) -> None:
        errors = [p for p in problems_of(tmp_path, self.second(6_000_000)) if p.severity == "error"]
        assert [p.message for p in errors] == ["alignment: lies 6000 km from the nearest receiver"]

    def test_misplaced_receiver_makes_no_grid_error(self, tmp_path: Path) -> None:
        (problem,) = problems_of(tmp_path, ("position: [315, 75]", "position: [315, 750000]"))
        assert problem.message == "position: lies 750 km from the nearest track"

    def test_two_places_in_one_project_are_doubtful(self, tmp_path: Path) -> None:
        there = ("position: [315, 75]", "position: [315, 8040]")
        far = [p for p in problems_of(tmp_path, self.second(8000), there) if "nearest other track" in p.message]
        assert [(p.severity, p.message) for p in far] == [
            ("warning", "alignment: lies 7.8 km from the nearest other track")
        ]

    def test_track_doubling_back(self, tmp_path: Path) -> None:
        (problem,) = problems_of(
            tmp_path, (ALIGNMENT, "{kind: inline, points: [[0, 0, 0], [400, 0, 0], [100, 10, 0], [620, 10, 0]]}")
        )[:1]
        assert problem.severity == "error"
        assert problem.message == "points[2]: the track doubles back on itself: it turns by 178 degrees at this point"
        assert problem.hint == "are the points out of order?"

    def test_ground_level_forgotten(self, tmp_path: Path) -> None:
        heights = re.sub(r"(?m)^([-0-9.]+,[-0-9.]+),.*$", r"\1,112.4", CSV)
        problems = problems_of(tmp_path, csv=heights)
        (problem,) = [p for p in problems if "above the ground" in p.message]
        assert problem.message.startswith("alignment: the rail head is up to 112.4 m above the ground")
        assert problem.hint == "set site.ground_level_m to the level of the ground; it is 0 m now"

    def test_barrier_below_the_rails(self, tmp_path: Path) -> None:
        heights = re.sub(r"(?m)^([-0-9.]+,[-0-9.]+),.*$", r"\1,2.5", CSV)
        (problem,) = [p for p in problems_of(tmp_path, csv=heights) if "barriers" in p.place]
        assert problem.message == ('height_m: the top of the barrier lies 0.5 m below the rail head of track "T1"')
        assert problem.hint == "height_m counts from the ground; with height_above: rail it counts from the rail head"

    @pytest.mark.parametrize(("away", "clear"), [(1.4, False), (1.6, True)])
    def test_barrier_that_trains_would_touch(self, tmp_path: Path, away: float, clear: bool) -> None:
        site = straight_site()
        site["barriers"] = [{"id": "B", "height_m": 2, "surface": "absorbing", "line": [[-50, away], [50, 5]]}]
        try:
            found = load_project(write_site(site, tmp_path)).warnings
        except ProjectError as error:
            found = error.problems
        errors = [(p.message, p.allowed) for p in found if p.severity == "error"]
        message = 'barriers[1] "B": lies 1.40 m from the centre line of track "T": trains would touch it'
        assert errors == ([] if clear else [(message, "at least 1.5 m")])


class TestAreaOfUse:
    def found(self, folder: Path, code: int, east: float, north: float) -> list[Problem]:
        edits = moved_text(TEXT, east, north)
        return list(
            problems_of(
                folder,
                *edits,
                ("coordinates: {kind: local}", f"coordinates: {{kind: epsg, code: {code}}}"),
                csv=moved(CSV, east, north),
            )
        )

    def test_inside(self, tmp_path: Path) -> None:
        assert self.found(tmp_path, 25832, 461_500, 5_430_400) == []

    def test_northing_first_system_still_has_x_to_the_east(self, tmp_path: Path) -> None:
        """EPSG:31466 states its axes as northing, easting."""
        assert self.found(tmp_path, 31466, 2_561_500, 5_630_400) == []

    def test_outside(self, tmp_path: Path) -> None:
        (problem,) = self.found(tmp_path, 2180, 461_500, 5_430_400)
        assert (problem.severity, problem.place) == ("warning", "site, coordinates")
        assert problem.message.startswith('code: the middle of track "T1", [4617')
        assert "lies outside the area of use of ETRF2000-PL / CS92: it would be longitude" in problem.message
        assert "Poland" in problem.allowed
        assert problem.hint == "is it the right number? are x (east) and y (north) swapped?"

    def test_nowhere(self, tmp_path: Path) -> None:
        (problem,) = self.found(tmp_path, 25832, 60_000_000, 60_000_000)
        assert "area of use of ETRS89 / UTM zone 32N: it would be " in problem.message


class Rolling(Options):
    edition: str = "second"
    reach_m: float = 10.0


class Impact(Options):
    edition: str = "second"
    needed: int = Field(default=1)


class Spread(Options):
    reach_m: float = 20.0


class Needy(Options):
    edition: str


class Broken(Options):
    edition: str = "second"

    def __init__(self, **data: object) -> None:
        raise RuntimeError("boom")


class TestSharedOptions:
    def found(self, folder: Path, options: str, last: type[Options] = Needy) -> list[tuple[str, str, str]]:
        vocabulary = Vocabulary(
            methods={"eu_common": ""},
            calculators={"rolling": Rolling, "impact": Impact, "spread": Spread, "last": last},
            method_calculators={"eu_common": ("rolling", "impact", "spread", "last")},
        )
        problems = problems_of(
            folder, ("method: eu_common", f"method: eu_common\n  options: {options}"), vocabulary=vocabulary
        )
        return [(p.place, p.message, p.hint) for p in problems if p.severity == "warning"]

    def test_defaults_count(self, tmp_path: Path) -> None:
        assert self.found(tmp_path, "{rolling: {edition: first}}") == [
            (
                "calculation, options, rolling",
                "edition: the calculators of one calculation have different values of this option: rolling: first, "
                "impact: second",
                "give it to each of them alike",
            )
        ]

    @pytest.mark.parametrize(
        "options",
        [
            "{rolling: {edition: first}, impact: {edition: first}}",
            "{rolling: {edition: second}}",
            "{}",
            "{impact: {needed: 2}}",
        ],
    )
    def test_alike_or_untouched(self, options: str, tmp_path: Path) -> None:
        """reach_m differs by default; that is the method's choice, not a slip."""
        assert self.found(tmp_path, options) == []

    def test_written_option_of_a_calculator_without_defaults(self, tmp_path: Path) -> None:
        ((_, message, _),) = self.found(tmp_path, "{last: {edition: third}}")
        assert message.endswith("rolling: second, impact: second, last: third")

    def test_failing_model_is_the_plugins_fault(self, tmp_path: Path) -> None:
        with pytest.raises(PluginError, match="Broken failed: RuntimeError: boom"):
            self.found(tmp_path, "{rolling: {edition: first}}", last=Broken)

"""Does what a project file says fit together? Every check, with its place and its wording."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from pydantic import Field, model_validator

from lineside.contracts import Options
from lineside.errors import PluginError, Problem, ProjectError
from lineside.project.load import LoadedProject, load_project
from lineside.project.vocabulary import Vocabulary

BASE = """\
lineside: 1
identity: {title: Test, date: 2026-11-20, assessment_dates: [2026-12-01]}
site:
  coordinates: {kind: local}
  default_ground: {surface: pasture}
  air: {temperature_deg_c: 10, humidity_pct: 75}
  periods: {day: [7, 19], evening: [19, 23], night: [23, 7]}
  favourable: {kind: one_value, day: 0.5, evening: 0.75, night: 1}
tracks:
  - id: T1
    name: Towards Millgate
    kind: metro
    alignment:
      kind: inline
      points:
        - [0, 0, 0.3]
        - [500, 0, 0.3]
        - [1000, 0, 0.3]
    attributes:
      form: ballast
      sleeper: monoblock
      rail_pad: medium
      rail_roughness: average
      speed_limit_km_h: 60
    stretches:
      - {from_m: 300, to_m: 520, rail_roughness: {spectrum: rails}}
    turnouts:
      - {id: W1, chainage_m: 150}
stops:
  - {id: quay, at: [{track: T1, chainage_m: 620}]}
spectra:
  - {id: rails, kind: rail_roughness, source: measured, axis: [100, 80, 63, 50, 40], levels_db: [1, 2, 3, 4, 5]}
vehicles:
  - id: car
    kind: metro
    length_m: 18
    n_axles: 4
    max_speed_km_h: 60
    wheel_roughness: disc
    contact_filter: load_50
    vehicle_transfer: wheel_840
    traction: electric
units:
  - {id: six, vehicles: [{vehicle: car, count: 6}]}
services:
  - id: up
    unit: six
    track: T1
    direction: rising
    trains: {kind: per_period, day: 100, evening: 30, night: 20}
    pattern: {kind: calls, at: [quay], acceleration_m_s2: 0.9, braking_m_s2: 0.8, dwell_s: 25}
receivers:
  - {id: R1, position: [300, 40], use: dwelling}
  - {id: R2, position: [500, 60], use: school}
ground_areas:
  - {id: river, surface: water, polygon: [[0, 50], [900, 50], [900, 100], [0, 100]]}
barriers:
  - {id: B1, line: [[200, 10], [400, 10]], height_m: 2.5, surface: absorbing}
works:
  - {date: 2026-10-04, kind: grinding, track: T1, from_m: 250, to_m: 560}
calculation:
  method: common
  options: {rolling: {gain_db: 1}}
criteria:
  - {name: limits, options: {limit_db: 60}}
"""


class RollingOptions(Options):
    gain_db: float = Field(default=0.0, ge=-10, le=10, description="Gain [dB]")


class LimitOptions(Options):
    limit_db: float = Field(description="The limit [dB]")
    from_hour: int | None = None
    to_hour: int | None = None
    uses: tuple[str, ...] = ()

    @model_validator(mode="after")
    def _both_hours(self) -> LimitOptions:
        if (self.from_hour is None) != (self.to_hour is None):
            raise ValueError("from_hour and to_hour belong together")
        return self


class BrokenOptions(Options):
    @model_validator(mode="before")
    @classmethod
    def _fails(cls, data: object) -> object:
        raise RuntimeError("boom")


VOCABULARY = Vocabulary(
    terms={
        "rail_roughness": {"average": "as on an average network", "smooth": "well maintained"},
        "sleeper": {"monoblock": "one block of concrete", "wooden": "wood"},
        "rail_pad": {"medium": "250 to 800 MN/m", "soft": "150 to 250 MN/m"},
        "wheel_roughness": {"disc": "not tread-braked"},
        "contact_filter": {"load_50": "50 kN"},
        "vehicle_transfer": {"wheel_840": "840 mm"},
        "bridge": {"steel": "steel"},
        "traction": {"electric": "electric"},
    },
    surfaces={"pasture": (1.0, "soft"), "water": (0.0, "hard")},
    methods={"common": "The common one"},
    calculators={"rolling": RollingOptions, "squeal": Options, "spread": Options, "wear": BrokenOptions},
    criteria={"limits": LimitOptions},
    method_calculators={"common": ("rolling", "spread")},
)


def load(folder: Path, *edits: tuple[str, str], vocabulary: Vocabulary | None = VOCABULARY) -> LoadedProject:
    text = BASE
    for old, new in edits:
        assert text.count(old) == 1, (text.count(old), old)
        text = text.replace(old, new)
    (folder / "project.yaml").write_text(text, encoding="utf-8")
    return load_project(folder, vocabulary)


def problems_of(folder: Path, *edits: tuple[str, str]) -> tuple[Problem, ...]:
    try:
        return load(folder, *edits).warnings
    except ProjectError as error:
        return error.problems


def test_base_has_no_problem(tmp_path: Path) -> None:
    assert problems_of(tmp_path) == ()


@dataclass(frozen=True)
class Case:
    """One edit (or more), the line where the problem is expected, and parts of its words."""

    edits: tuple[tuple[str, str], ...]
    at: str
    message: str
    allowed: str = ""
    hint: str = ""
    warning: bool = False


def error(old: str, new: str, at: str, message: str, allowed: str = "", hint: str = "") -> Case:
    return Case(((old, new),), at, message, allowed, hint)


def warning(old: str, new: str, at: str, message: str, allowed: str = "", hint: str = "") -> Case:
    return Case(((old, new),), at, message, allowed, hint, warning=True)


R2 = "  - {id: R2, position: [500, 60], use: school}"
STRETCH = "{from_m: 300, to_m: 520, rail_roughness: {spectrum: rails}}"
QUAY = "  - {id: quay, at: [{track: T1, chainage_m: 620}]}"
RIVER = "[[0, 50], [900, 50], [900, 100], [0, 100]]"

REFERENCES = [
    error(
        "id: R2",
        "id: R1",
        "school",
        'receivers[2] "R1": id: two entries have this id',
        "",
        "it stands in line 53 already",
    ),
    error(
        "      - {id: W1, chainage_m: 150}",
        "      - {id: W1, chainage_m: 150}\n      - {id: W1, chainage_m: 170}",
        "170",
        'turnouts[2] "W1": id: two entries have this id; each turnout needs its own',
    ),
    error(
        "criteria:\n",
        "criteria:\n  - {name: limits, options: {limit_db: 5}}\n",
        "limit_db: 60",
        'name: the criterion "limits" stands twice',
        "",
        "give each use an id of its own",
    ),
    error(
        "unit: six",
        "unit: sixx",
        "sixx",
        'services[1] "up": unit: there is no unit with this id',
        "six",
        "did you mean six?",
    ),
    error(
        "    track: T1\n    direction",
        "    track: t1\n    direction",
        "    track: t1",
        "track: there is no track with this id",
        "T1",
        "did you mean T1?",
    ),
    error("vehicle: car,", "vehicle: waggon,", "waggon", "vehicle: there is no vehicle with this id", "car"),
    error("at: [quay]", "at: [key]", "at: [key]", "at[1]: there is no stop with this id", "quay"),
    error(
        "[{track: T1, chainage_m: 620}]",
        "[{track: T2, chainage_m: 620}, {track: T1, chainage_m: 620}]",
        "T2",
        'stops[1] "quay", at[1]: track: there is no track',
        "T1",
    ),
    error("grinding, track: T1", "grinding, track: T7", "T7", "works[1]: track: there is no track with this id", "T1"),
    error(
        "{spectrum: rails}",
        "{spectrum: rail}",
        "spectrum: rail}",
        "spectrum: there is no spectrum with this id",
        "rails",
        "did you mean rails?",
    ),
    error(
        "wheel_roughness: disc",
        "wheel_roughness: {spectrum: rails}",
        "wheel_roughness:",
        "is a spectrum of kind rail_roughness, which does not fit wheel_roughness",
        "spectra of kind wheel_roughness: none",
    ),
    error(
        "traction: electric",
        "traction: electric\n    aerodynamic: {spectrum: gone}",
        "gone",
        "there is no spectrum with this id",
    ),
]
RANGES = [
    error(
        "to_m: 520", "to_m: 1200", "1200", 'to_m: lies beyond the alignment of track "T1"', "a chainage in m, 0 to 1000"
    ),
    error("from_m: 300", "from_m: -1", "from_m: -1", "from_m: lies beyond the alignment", "0 to 1000"),
    error(
        "from_m: 300, to_m: 520",
        "from_m: 520, to_m: 300",
        "520",
        "to_m: must lie beyond from_m, which is 520 m",
        "",
        "swap from_m and to_m",
    ),
    error(
        "from_m: 250, to_m: 560",
        "from_m: 560, to_m: 560",
        "grinding",
        "to_m: must lie beyond from_m",
        "",
        "a range needs a length",
    ),
    error("to_m: 560", "to_m: 1560", "grinding", "works[1]: to_m: lies beyond the alignment", "0 to 1000"),
    error("chainage_m: 150", "chainage_m: 1500", "1500", 'turnouts[1] "W1": chainage_m: lies beyond', "0 to 1000"),
    error(
        "chainage_m: 620", "chainage_m: 6200", "6200", 'stops[1] "quay", at[1]: chainage_m: lies beyond', "0 to 1000"
    ),
    error(
        "[{track: T1, chainage_m: 620}]",
        "[{track: T1, chainage_m: 620}, {track: T1, chainage_m: 700}]",
        "620",
        "track: the stop lies twice on this track",
    ),
    error(
        "kind: inline\n",
        "kind: inline\n      start_chainage_m: 5000\n",
        "rails}",
        "stretches[1]: from_m: lies beyond",
        "5000 to 6000",
    ),
    warning(STRETCH, STRETCH + "\n      - {from_m: 20, to_m: 30}", "from_m: 20", "stretches[2]: changes nothing"),
    error(STRETCH, "{from_m: 300, to_m: 520, sleeper: null}", "sleeper: null", "sleeper: needs sleeper here"),
]
SITE = [
    error(
        "evening: [19, 23]",
        "evening: [20, 23]",
        "periods",
        "periods: day, evening and night must share out the 24 hours: no period has 19-20 h",
    ),
    error("day: [7, 19]", "day: [5, 19]", "periods", "more than one period has 05-06 h, 06-07 h", "day: [7, 19]"),
    error(
        "{kind: one_value, day: 0.5, evening: 0.75, night: 1}",
        "{kind: by_sector, sectors: [{from_deg: 10, day: 0, evening: 0, night: 0}]}",
        "by_sector",
        "from_deg: the first sector must start at 0",
    ),
    error(
        "{kind: one_value, day: 0.5, evening: 0.75, night: 1}",
        "\n    kind: by_sector\n    sectors:\n      - {from_deg: 0, day: 0, evening: 0, night: 0}\n"
        "      - {from_deg: 90, day: 0, evening: 0, night: 0}\n      - {from_deg: 80, day: 0, evening: 0, night: 0}",
        "from_deg: 80",
        "sectors[3]: from_deg: must be larger than that of the sector before",
    ),
    warning("humidity_pct: 75", "humidity_pct: 0.75", "0.75}", "is implausibly dry", "", "write percent: 75, not 0.75"),
    warning("temperature_deg_c: 10", "temperature_deg_c: 50", "50, h", "is an implausible mean temperature"),
    warning("humidity_pct: 75", "humidity_pct: 75, pressure_kpa: 60", "pressure_kpa", "is an implausible air pressure"),
    error(
        "{kind: local}",
        "{kind: epsg, code: 4326}",
        "4326",
        "WGS 84 is geographic: it counts degrees",
        "a projected system in metres",
        "transform",
    ),
    error("{kind: local}", "{kind: epsg, code: 2222}", "2222", "counts foot", "a projected system in metres"),
    error("{kind: local}", "{kind: epsg, code: 12345}", "12345", "is not a known EPSG number", "UTM"),
    error("{kind: local}", "{kind: epsg, code: 5773}", "5773", "is not a projected system", "in metres"),
    Case(
        (
            ("{kind: local}", "{kind: epsg, code: 25832}"),
            ("[500, 0, 0.3]", "[8.5, 52, 0.3]"),
            ("[1000, 0, 0.3]", "[9, 52, 0.3]"),
        ),
        "[0, 0, 0.3]",
        "looks like degrees of longitude and latitude",
        "",
        "transform the coordinates",
    ),
    warning("[2026-12-01]", "[2026-12-01, 2026-12-01]", "identity", "assessment_dates[2]: stands twice"),
    warning(
        "[2026-12-01]", "[3026-12-01]", "identity", "is far from the date of this revision", "", "is the year right?"
    ),
    warning("2026-10-04", "2062-10-04", "2062", "works[1]: date: is far from the date of this revision"),
]
GEOMETRY = [
    error(
        "[500, 0, 0.3]",
        "[500, 0, -0.7]",
        "-0.7",
        "points[2]: the rail head is up to 0.7 m below the ground",
        "at most 0.5 m without an earthwork",
        "add to earthworks: {id: ..., kind: cutting, along: T1",
    ),
    warning("[500, 0, 0.3]", "[500, 0, 3]", "alignment:", "the rail head is up to 3 m above the ground"),
    error(
        "[500, 0, 0.3]", "[0, 0, 0.3]", "- [0, 0, 0.3]\n", "points[2]: lies on the point before it", "", "remove one"
    ),
    warning("[500, 0, 0.3]", "[500, 400, 0.3]", "400, 0.3", "the track turns by 77 degrees at this point"),
    warning("[500, 0, 0.3]", "[5, 0, 0.9]", "[5, 0", "the track climbs or falls by 12 % before this point"),
    error(
        "position: [300, 40]", "position: [300, 0.5]", "0.5]", 'position: lies on track "T1": 0.50 m', "at least 1 m"
    ),
    warning("position: [300, 40]", "position: [300, 2.5]", "2.5]", "lies only 2.5 m from the centre line"),
    error(
        "position: [300, 40]",
        "position: [300, 5400]",
        "5400",
        "position: lies 5.4 km from the nearest track",
        "at most 5 km",
        "another coordinate system",
    ),
    warning("position: [500, 60]", "position: [300, 40]", "school", 'is the same point as receiver "R1"'),
    warning("use: school", "height_m: 1, use: school", "school", "is lower than ears are"),
    warning("use: school", "height_m: 120, use: school", "school", "is higher than most houses", "", "not z"),
    error(
        RIVER,
        "[[0, 50], [900, 100], [900, 50], [0, 100]]",
        "river",
        "the outline crosses or touches itself near [450, 75]",
        "",
        "in order along the outline",
    ),
    error(RIVER, "[[0, 50], [900, 50], [0, 50]]", "river", "has fewer than three different corners"),
    error(RIVER, "[[0, 50], [900, 50], [450, 50]]", "river", "has no area"),
    error(RIVER, "[[0, 9000], [900, 9000], [0, 9900]]", "river", "polygon: lies 9 km from the nearest track"),
    error("[[200, 10], [400, 10]]", "[[200, 10], [200, 10]]", "B1", "line: has no length"),
    error(
        "[[200, 10], [400, 10]]",
        "[[200, 10], [300, 10], [300, 10], [400, 10]]",
        "B1",
        "line[3]: lies on the point before",
    ),
    error("[[200, 10], [400, 10]]", "[[200, 8000], [400, 8000]]", "B1", "line: lies 8 km from the nearest track"),
    error("[[200, 10], [400, 10]]", "[[200, 10], [400, -10]]", "B1", 'crosses track "T1"', "", "beside a track"),
    warning("height_m: 2.5", "height_m: 25", "B1", "is an implausible height of a barrier"),
    error(
        "method: common",
        "method: common\n  grid: {spacing_m: 1, margin_m: 900}",
        "spacing_m",
        "makes a grid of 5212661 points",
        "up to 1000000 points",
    ),
    warning("method: common", "method: common\n  grid: {spacing_m: 5, margin_m: 500}", "spacing_m", "this takes long"),
    Case(
        (("[500, 0, 0.3]", "[0.1, 0, 0.3]"), ("[1000, 0, 0.3]", "[0.2, 0, 0.3]")),
        "alignment:",
        "the track is only 0.2 m long",
        "",
        "degrees",
    ),
]
TRAFFIC = [
    warning(
        "max_speed_km_h: 60",
        "max_speed_km_h: 400",
        "max_speed_km_h",
        "is an implausible speed",
        "mostly up to 350 km/h",
    ),
    Case(
        (
            ("speed_limit_km_h: 60", "speed_limit_km_h: 360"),
            ("track: T1\n    direction", "track: T1\n    speed_km_h: 60\n    direction"),
        ),
        "360",
        "speed_limit_km_h: is an implausible speed",
        warning=True,
    ),
    warning(
        STRETCH, STRETCH.replace("}}", "}, speed_limit_km_h: 370}"), "370", "speed_limit_km_h: is an implausible speed"
    ),
    warning(
        "traction: electric",
        "traction: electric\n    actual: {wheel_load_kn: 160}",
        "160",
        "is an implausible load of one wheel",
    ),
    warning("n_axles: 4", "n_axles: 24", "24", "are many axles for a length of 18 m"),
    warning("count: 6", "count: 60", "count: 60", "vehicles: make a train 1080 m long", "mostly up to 400 m"),
    warning("day: 100", "day: 1000", "1000, e", "day: is 83.3 trains in each of 12 hours"),
    warning(
        "rising",
        "rising\n    speed_km_h: 90",
        "speed_km_h: 90",
        'is above the highest speed of vehicle "car": computed with 60 km/h',
    ),
    warning(
        "speed_limit_km_h: 60",
        "speed_limit_km_h: 80",
        "unit: six",
        'vehicle "car" reaches 60 km/h, the track allows 80',
    ),
    warning(
        "    name: Towards Millgate\n    kind: metro",
        "    kind: tram",
        "unit: six",
        'has vehicles of kind metro on track "T1" of kind tram',
    ),
    error("at: [quay]", "at: [quay, quay]", "quay, quay", "at[2]: stands twice"),
    warning("chainage_m: 620", "chainage_m: 980", "at: [quay]", 'the train at stop "quay" stands 34 m beyond the end'),
    warning(
        "chainage_m: 620", "chainage_m: 60", "at: [quay]", "braking from 60 km/h takes 174 m, but the track begins 60 m"
    ),
    error(
        "{kind: per_period, day: 100, evening: 30, night: 20}",
        "{kind: per_period, day: 0, evening: 0, night: 0}",
        "services:",
        "no train runs, so there is nothing to assess",
    ),
    warning(
        "{kind: per_period, day: 100, evening: 30, night: 20}",
        "{kind: per_period, day: 0, evening: 0, night: 0}",
        "day: 0,",
        "trains: the service has no trains",
    ),
    error(
        "{kind: per_period, day: 100, evening: 30, night: 20}",
        '{kind: times, times: ["05:31", "24:10"]}',
        "24:10",
        "times[2]: is not a time of day",
        "HH:MM from 00:00 to 23:59",
    ),
    warning(
        "{kind: per_period, day: 100, evening: 30, night: 20}", "{kind: times, times: []}", "times: []", "has no trains"
    ),
    Case(
        (
            (
                QUAY,
                QUAY + "\n  - {id: mill, at: [{track: T1, chainage_m: 400}]}",
            ),
            ("at: [quay]", "at: [quay, mill]"),
        ),
        "quay, mill",
        'a train with rising chainage comes to stop "mill" before "quay"',
        "",
        "order the stops",
        True,
    ),
    Case(
        (
            (
                QUAY,
                QUAY + "\n  - {id: mill, at: [{track: T1, chainage_m: 625}]}",
            ),
            ("at: [quay]", "at: [quay, mill]"),
        ),
        "quay, mill",
        "5 m apart, a train reaches only 7 km/h",
        "",
        "",
        True,
    ),
    Case(
        (
            (
                QUAY,
                QUAY + "\n  - {id: mill, at: [{track: T1, chainage_m: 620}]}",
            ),
            ("at: [quay]", "at: [quay, mill]"),
        ),
        "quay, mill",
        'stops "quay" and "mill" lie at one place of the track',
    ),
    Case(
        (
            (
                "tracks:\n",
                "tracks:\n  - {id: T2, kind: metro, alignment: {kind: inline, points: [[0, 4, 0], [900, 4, 0]]}, "
                "attributes: "
                "{form: slab, sleeper: wooden, rail_pad: soft, rail_roughness: smooth, speed_limit_km_h: 50}}\n",
            ),
            ("    track: T1\n    direction", "    track: T2\n    direction"),
        ),
        "at: [quay]",
        'at[1]: the stop has no place on track "T2", where the service runs',
        "none",
    ),
]
UNUSED = [
    warning(
        "criteria:\n  - {name: limits, options: {limit_db: 60}}", "criteria: []", "criteria", "no criterion is named"
    ),
    warning(
        "rail_roughness: {spectrum: rails}",
        "curve_radius_m: 180",
        "spectra:\n  - {id: rails",
        "nothing uses this spectrum",
    ),
    warning(
        "{kind: calls, at: [quay], acceleration_m_s2: 0.9, braking_m_s2: 0.8, dwell_s: 25}",
        "{kind: passes}",
        "id: quay",
        "no service calls at this stop",
    ),
    warning(
        "units:\n",
        "units:\n  - {id: two, vehicles: [{vehicle: car, count: 2}]}\n",
        "id: two",
        "no service uses this unit",
    ),
    warning(
        "tracks:\n",
        "tracks:\n  - {id: T2, kind: metro, alignment: {kind: inline, points: [[0, 4, 0], [900, 4, 0]]}, "
        "attributes: "
        "{form: slab, sleeper: wooden, rail_pad: soft, rail_roughness: smooth, speed_limit_km_h: 50}}\n",
        "id: T2",
        "no service runs on this track",
    ),
    warning(
        "vehicles:\n  - id: car",
        "vehicles:\n  - {id: van, kind: metro, length_m: 9, n_axles: 2, max_speed_km_h: 60, "
        "wheel_roughness: disc, contact_filter: load_50, vehicle_transfer: wheel_840, traction: none}\n  - id: car",
        "id: van",
        "no unit contains this vehicle",
    ),
]
AXIS = "axis: [100, 80, 63, 50, 40], levels_db: [1, 2, 3, 4, 5]"
THIRDS = (
    "50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, "
    "6300, 8000"
)
SPECTRA = [
    error(
        AXIS, "axis: [100, 80, 63, 50], levels_db: [1, 2, 3, 4]", "id: rails", "axis: has 4 wavelengths", "at least 5"
    ),
    error(
        AXIS, AXIS.replace("63", "90"), "id: rails", "axis[3]: breaks the order", "strictly rising or strictly falling"
    ),
    error(
        AXIS,
        AXIS.replace("63", "64"),
        "id: rails",
        "axis[3]: is not a nominal third-octave wavelength",
        "6.3",
        "the nearest is 63 mm",
    ),
    warning(AXIS, AXIS.replace("40]", "31.5]"), "id: rails", "axis[5]: leaves out wavelengths"),
    error(AXIS, AXIS.replace("4, 5]", "4]"), "id: rails", "levels_db: has 4 values, the axis has 5"),
    error(AXIS, "axis: [100, 80, 63, 50, 40]", "id: rails", "levels_db is missing (or file)"),
    error(
        AXIS,
        AXIS + ", columns: {source_a_db: [1]}",
        "id: rails",
        "columns: does not belong to a spectrum of kind rail_rough",
    ),
    error(AXIS, AXIS + ", file: rails.csv", "id: rails", "axis: stands beside file"),
    error(
        AXIS,
        AXIS + ", parameters: {alpha_a: 1}",
        "id: rails",
        "parameter alpha_a does not belong to kind rail_roughness",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: vehicle_transfer, source: x, axis: [50, 63], levels_db: [1, 2]}\n",
        "id: t",
        "axis: must be exactly the 24 third octaves from 50 to 10000 Hz",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: traction, source: x, axis: [" + THIRDS + ", 10000], levels_db: [1]}\n",
        "id: t",
        "levels_db: does not belong to a spectrum of kind traction",
        "",
        "use columns",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: traction, source: x, axis: [50], columns: {source_a_db: [1], idling_a: [1]}}\n",
        "id: t",
        "unknown column idling_a",
        "idling_a_db",
        "did you mean idling_a_db?",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: traction, source: x, axis: [50], columns: {source_a_db: [1]}}\n",
        "id: t",
        "column source_b_db is missing",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: traction, source: x, axis: [50], columns: "
        "{source_a_db: [1], source_b_db: [1], idling_a_db: [1]}}\n",
        "id: t",
        "column idling_b_db is missing",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: aerodynamic, source: x, axis: [50], columns: {source_a_db: [1], source_b_db: [1]},"
        " parameters: {alpha_a: 50, alpha_b: 50}}\n",
        "id: t",
        "parameter reference_speed_km_h is missing",
    ),
    error(
        "spectra:\n",
        "spectra:\n  - {id: t, kind: aerodynamic, source: x, axis: [50], columns: {source_a_db: [1], source_b_db: [1]},"
        " parameters: {alpha_a: 50, alpha_b: 50, reference_speed_km_h: 0}}\n",
        "id: t",
        "reference_speed_km_h: is out of range",
        "1 to 500",
    ),
]
NAMES = [
    error(
        "rail_roughness: average",
        "rail_roughness: avrage",
        "avrage",
        "no calculator knows this class of rail_roughness",
        "average (as on an average network); smooth (well maintained)",
        "did you mean average?",
    ),
    error(
        "traction: electric",
        "traction: steam",
        "steam",
        "no calculator knows this class of traction",
        "electric (electric); none",
        "or give a measured spectrum",
    ),
    error(
        "traction: electric",
        "traction: electric\n    aerodynamic: none",
        "aerodynamic",
        "no calculator knows this class of aerodynamic",
        "",
        "leave the key out, or write null",
    ),
    error(
        "rail_pad: medium",
        "rail_pad: medium\n      bridge: stone",
        "stone",
        "class of bridge",
        "steel (steel); none (without)",
    ),
    error(
        "surface: water",
        "surface: waters",
        "river",
        "surface: is not a known surface",
        "water (G = 0: hard)",
        "did you mean water?",
    ),
    error(
        "{surface: pasture}",
        "{surface: wool}",
        "wool",
        "surface: is not a known surface",
        "pasture (G = 1: soft)",
        "g: 0.5",
    ),
    error(
        "method: common",
        "method: commons",
        "commons",
        "no plugin offers this method",
        "common (The common one)",
        "did you mean common?",
    ),
    error(
        "{rolling: {gain_db: 1}}",
        "{roling: {gain_db: 1}}",
        "roling",
        'no plugin offers the calculator "roling"',
        "rolling",
        "did you mean rolling?",
    ),
    error(
        "{rolling: {gain_db: 1}}",
        "{rolling: {gain: 1}}",
        "gain: 1",
        "calculation, options, rolling: unknown key gain",
        "gain_db",
        "did you mean gain_db? (Gain [dB])",
    ),
    error(
        "{rolling: {gain_db: 1}}",
        "{rolling: {gain_db: 11}}",
        "gain_db: 11",
        "rolling: gain_db: is too large",
        "a number in dB, -10 to 10",
    ),
    warning("{rolling: {gain_db: 1}}", "{squeal: {}}", "squeal", 'the calculator "squeal" takes no part'),
    error(
        "method: common",
        "method: common\n  without: [squeal]",
        "without",
        "without[1]: is not a calculator of method common",
        "rolling, spread",
    ),
    error(
        "method: common",
        "method: common\n  with: [sqeal]",
        "with:",
        'no plugin offers the calculator "sqeal"',
        "squeal",
        "did you mean squeal?",
    ),
    warning("method: common", "method: common\n  with: [rolling]", "with:", "belongs to method common already"),
    error(
        "method: common",
        "method: common\n  forecast_with: [squeel]",
        "forecast_with:",
        'no plugin offers the calculator "squeel"',
        "rolling, squeal",
        "did you mean squeal?",
    ),
    warning(
        "method: common",
        "method: common\n  forecast_with: [rolling]",
        "forecast_with:",
        "forecast_with[1]: takes part in the calculation already",
    ),
    error(
        "name: limits",
        "name: limit",
        "limit_db: 60",
        "name: no plugin offers this criterion",
        "limits",
        "did you mean limits?",
    ),
    error("{limit_db: 60}", "{}", "name: limits", "limit_db is missing", "a number in dB"),
    error(
        "{limit_db: 60}", "{limit_db: 60, from_hour: 22}", "from_hour", "options: from_hour and to_hour belong together"
    ),
    error("{limit_db: 60}", "{limit_db: 60, uses: [1]}", "uses", "uses[1]: must be text"),
    error("{limit_db: 60}", "{limit_db: loud}", "loud", "limit_db: must be a number", "a number in dB"),
]
ALL = [*REFERENCES, *RANGES, *SITE, *GEOMETRY, *TRAFFIC, *UNUSED, *SPECTRA, *NAMES]


@pytest.mark.parametrize("case", ALL, ids=lambda case: case.message[:60])
def test_each_check_says_where_what_and_what_to_do(case: Case, tmp_path: Path) -> None:
    problems = problems_of(tmp_path, *case.edits)
    fitting = [p for p in problems if case.message in f"{p.place}: {p.message}"]
    assert len(fitting) == 1, "\n".join(map(str, problems))
    problem = fitting[0]
    assert problem.severity == ("warning" if case.warning else "error")
    assert case.allowed in problem.allowed
    assert case.hint in problem.hint
    text = (tmp_path / "project.yaml").read_text(encoding="utf-8")
    assert text.count(case.at) >= 1, case.at
    assert problem.line == text[: text.rindex(case.at) + len(case.at.rstrip())].count("\n") + 1


def test_warnings_do_not_stop_a_project(tmp_path: Path) -> None:
    loaded = load(tmp_path, ("humidity_pct: 75", "humidity_pct: 5"))
    assert [w.severity for w in loaded.warnings] == ["warning"]


def test_missing_period_trains_count_hours_over_midnight(tmp_path: Path) -> None:
    assert problems_of(tmp_path, ("night: 20}", "night: 480}")) == ()
    assert len(problems_of(tmp_path, ("night: 20}", "night: 481}"))) == 1


def test_what_the_loader_gives(tmp_path: Path) -> None:
    loaded = load(tmp_path)
    chainage_m, xyz_m = loaded.alignments["T1"]
    assert chainage_m.tolist() == [0, 500, 1000]
    assert xyz_m.shape == (3, 3) and xyz_m.dtype == np.float64
    assert loaded.polygons["river"].tolist() == [[0, 50], [900, 50], [900, 100], [0, 100]]
    assert loaded.lines["B1"].tolist() == [[200, 10], [400, 10]]
    assert loaded.spectra["rails"].columns["level_db"].tolist() == [1, 2, 3, 4, 5]
    assert loaded.spectra["rails"].source == "measured"
    assert (loaded.default_ground_g, loaded.ground_g) == (1.0, {"river": 0.0})
    assert loaded.calculators == ("rolling", "spread")
    assert loaded.options["rolling"] == RollingOptions(gain_db=1)
    assert loaded.criteria_options["limits"] == LimitOptions(limit_db=60)
    assert loaded.inputs == {"project.yaml": BASE.encode()}
    assert loaded.times == {}
    assert loaded.warnings == ()


def test_calculators_with_and_without(tmp_path: Path) -> None:
    loaded = load(
        tmp_path,
        (
            "method: common\n  options: {rolling: {gain_db: 1}}",
            "method: common\n  without: [rolling]\n  with: [squeal]",
        ),
    )
    assert loaded.calculators == ("spread", "squeal")
    assert loaded.project.calculation.with_ == ("squeal",)


def test_times_are_minutes(tmp_path: Path) -> None:
    loaded = load(
        tmp_path,
        ("{kind: per_period, day: 100, evening: 30, night: 20}", '{kind: times, times: ["00:00", "5:31", "23:59"]}'),
    )
    assert loaded.times["up"].tolist() == [0, 331, 1439]


def test_stretch_knows_what_was_written(tmp_path: Path) -> None:
    loaded = load(tmp_path, (STRETCH, STRETCH.replace("from_m", "curve_radius_m: null, from_m")))
    stretch = loaded.project.tracks[0].stretches[0]
    assert set(stretch.changes()) == {"curve_radius_m", "rail_roughness"}
    assert stretch.changes()["curve_radius_m"] is None
    assert stretch.model_dump() == {
        "from_m": 300,
        "to_m": 520,
        "curve_radius_m": None,
        "rail_roughness": {"spectrum": "rails"},
    }


def test_track_transfer_makes_sleeper_useless(tmp_path: Path) -> None:
    third = ", ".join(["1"] * 24)
    new = (
        "spectra:\n  - {id: t, kind: track_transfer, source: x, axis: ["
        + THIRDS
        + f", 10000], levels_db: [{third}]}}\n"
    )
    problems = problems_of(
        tmp_path,
        ("spectra:\n", new),
        ("      rail_pad: medium\n", "      rail_pad: medium\n      track_transfer: {spectrum: t}\n"),
        (STRETCH, STRETCH.replace("from_m", "sleeper: wooden, from_m")),
    )
    assert [(p.severity, p.message) for p in problems] == [
        ("warning", "sleeper: has no effect, as track_transfer replaces sleeper and pad")
    ]


def test_without_a_vocabulary_names_pass(tmp_path: Path) -> None:
    loaded = load(tmp_path, ("rail_roughness: average", "rail_roughness: anything"), vocabulary=None)
    assert (loaded.default_ground_g, loaded.ground_g, loaded.calculators) == (None, {}, ())


def test_failing_options_model_is_the_plugins_fault(tmp_path: Path) -> None:
    with pytest.raises(PluginError, match="BrokenOptions failed: RuntimeError: boom"):
        load(tmp_path, ("{rolling: {gain_db: 1}}", "{wear: {}}"))


def test_models_are_frozen(tmp_path: Path) -> None:
    loaded = load(tmp_path)
    with pytest.raises(ValueError, match="frozen"):
        loaded.project.tracks[0].id = "T9"  # type: ignore[misc]


def test_a_sleeper_that_needs_a_pad_says_so_and_another_does_not(tmp_path: Path) -> None:
    vocabulary = replace(VOCABULARY, companions={"sleeper": {"monoblock": ("rail_pad",)}})
    no_pad = ("      rail_pad: medium\n", "")
    with pytest.raises(ProjectError) as caught:
        load(tmp_path, no_pad, vocabulary=vocabulary)
    (problem,) = [p for p in caught.value.problems if p.severity == "error"]
    assert "sleeper: needs rail_pad beside it" in str(problem)
    wooden = load(tmp_path, no_pad, ("sleeper: monoblock", "sleeper: wooden"), vocabulary=vocabulary)
    assert wooden.project.tracks[0].attributes.rail_pad is None
    with pytest.raises(ProjectError, match=r"stretches\[1\].*sleeper: needs rail_pad beside it"):
        load(
            tmp_path,
            no_pad,
            ("sleeper: monoblock", "sleeper: wooden"),
            (STRETCH, STRETCH.replace("from_m", "sleeper: monoblock, from_m")),
            vocabulary=vocabulary,
        )


@pytest.mark.parametrize("key", ["with", "without"])
def test_propagation_can_neither_be_left_out_nor_added(tmp_path: Path, key: str) -> None:
    vocabulary = replace(VOCABULARY, propagations=frozenset({"spread"}))
    with pytest.raises(ProjectError, match=r"propagation calculator|cannot be left out"):
        load(tmp_path, ("  method: common\n", f"  method: common\n  {key}: [spread]\n"), vocabulary=vocabulary)


FORECAST = replace(
    VOCABULARY,
    calculators={**VOCABULARY.calculators, "counted": RollingOptions},
    propagations=frozenset({"spread"}),
    mechanisms={"rolling": "rolling", "squeal": "squeal", "counted": "rolling"},
)


def test_a_source_for_forecasts_has_options_like_any_other(tmp_path: Path) -> None:
    method = "method: common\n  options: {rolling: {gain_db: 1}}"
    wanted = "method: common\n  forecast_with: [counted, squeal, counted]\n  options: {counted: {gain_db: %s}}"
    loaded = load(tmp_path, (method, wanted % 0), vocabulary=FORECAST)
    assert loaded.forecast == ("counted", "squeal") and loaded.calculators == ("rolling", "spread")
    assert loaded.options == {"counted": RollingOptions(gain_db=0)} and loaded.warnings == ()
    with pytest.raises(ProjectError, match="counted: gain_db: is too large"):
        load(tmp_path, (method, wanted % 11), vocabulary=FORECAST)
    (warning,) = load(tmp_path, (method, wanted % 2), vocabulary=FORECAST).warnings  # rolling has 0
    assert "different values of this option: rolling: 0, counted: 2" in str(warning)


def test_a_propagation_is_no_source_for_forecasts(tmp_path: Path) -> None:
    with pytest.raises(ProjectError, match=r"forecast_with\[1\]: is a propagation calculator"):
        load(tmp_path, ("method: common\n", "method: common\n  forecast_with: [spread]\n"), vocabulary=FORECAST)


def test_two_calculators_of_one_mechanism_are_doubtful(tmp_path: Path) -> None:
    method = "method: common\n"
    found = load(tmp_path, (method, f"{method}  with: [counted]\n"), vocabulary=FORECAST).warnings
    (warning,) = [w for w in found if "both are added up" in w.message]
    assert warning.message == "with[1]: computes rolling noise, as rolling of the method does; both are added up"
    assert "forecast_with" in warning.hint
    apart = (method + "  options: {rolling: {gain_db: 1}}", f"{method}  with: [counted, squeal]\n  without: [rolling]")
    assert not any("added up" in w.message for w in load(tmp_path, apart, vocabulary=FORECAST).warnings)


@pytest.mark.parametrize("name", ["R2\u200b", "\u2060", "R\ue000"])
def test_ids_hold_nothing_invisible(tmp_path: Path, name: str) -> None:
    with pytest.raises(ProjectError, match=r"invisible|control"):
        load(tmp_path, ("id: R2", f'id: "{name}"'))


def test_ids_that_look_alike_are_refused(tmp_path: Path) -> None:
    with pytest.raises(ProjectError, match=r"two parts|control"):
        load(tmp_path, ("id: R1", 'id: "\u00e9"'), ("id: R2", 'id: "e\u0301"'))

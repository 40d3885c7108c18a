"""Favourable propagation from a wind rose: the rule by hand, the reading, and every problem with its wording."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.errors import Problem, ProjectError
from lineside.project.load import LoadedProject, load_project
from lineside.scene.wind_rose import WindRose
from sites import assess_site, straight_site, write_site

PERIODS = ("day", "evening", "night")


def row(wind_from_deg: float, share: float, **more: Any) -> dict[str, Any]:
    return {"wind_from_deg": wind_from_deg, **dict.fromkeys(PERIODS, share), **more}


ROSE: dict[str, Any] = {"kind": "wind_rose", "rows": [row(90.0 * k, 0.25) for k in range(4)]}


def load(folder: Path, favourable: Any, files: dict[str, str] | None = None) -> LoadedProject:
    folder.mkdir(exist_ok=True)
    for name, text in (files or {}).items():
        (folder / name).write_text(text, encoding="utf-8")
    data = straight_site()
    data["site"]["favourable"] = copy.deepcopy(favourable)
    return load_project(write_site(data, folder))


def problems_of(folder: Path, favourable: Any, files: dict[str, str] | None = None) -> tuple[Problem, ...]:
    try:
        return load(folder, favourable, files).warnings
    except ProjectError as error:
        return error.problems


def csv(rows: list[dict[str, Any]]) -> str:
    head = [key for key in ("wind_from_deg", "speed_m_s", *PERIODS) if key in rows[0]]
    return "\n".join([",".join(head), *(",".join(repr(r[key]) for key in head) for r in rows)]) + "\n"


def test_worked_example() -> None:
    """By hand: four sectors of 90 degrees, threshold 2 m/s, half of the calm time with an inversion.

    Winds: from west 0.4, north 0.1, east 0.2, each at 4 m/s; from south 0.1 at 1 m/s, so calm; calm 0.2.
    At 4 m/s a wind is above the threshold within arccos(2 / 4) = 60 degrees of the direction of propagation.
    Calm 0.1 + 0.2 = 0.3, half of it favourable: 0.15.

    Towards 95 (from 90 to 100): the west wind blows to 45 ... 135, all within 60: 0.4; the north wind to 135 ... 225,
    of which 135 ... 155: 20 / 90 of 0.1 = 0.0222; the east wind to 225 ... 315: nothing. Together 0.5722.
    Towards 135: west 75 ... 135 of 45 ... 135: 60 / 90 of 0.4 = 0.2667; north 135 ... 195: 60 / 90 of 0.1 = 0.0667;
    east nothing. Together 0.4833.
    Towards 275: east 225 ... 315 all within 60: 0.2; north 215 ... 225: 10 / 90 of 0.1 = 0.0111; west nothing: 0.3611.
    """
    share = np.array([[0.1, 0.2, 0.1, 0.4]])
    rose = WindRose(np.array([0.0, 90.0, 180.0, 270.0]), 90.0, np.array([4.0, 4.0, 1.0, 4.0]), share, np.array([0.2]))
    favourable = rose.favourable(2.0, np.array([0.5]))
    np.testing.assert_array_equal(favourable.sector_from_deg, np.arange(0, 360, 10))
    found = favourable.at(np.array([95.0, 90.0, 99.9, 135.0, 275.0]))[0]
    expected = [0.4 + 0.2 / 9 + 0.15] * 3 + [0.8 / 3 + 0.2 / 3 + 0.15, 0.2 + 0.1 / 9 + 0.15]
    np.testing.assert_allclose(found, expected, atol=1e-12)
    np.testing.assert_allclose(expected, [0.5722, 0.5722, 0.5722, 0.4833, 0.3611], atol=5e-5)


def test_wind_carries_the_sound_the_way_it_blows(tmp_path: Path) -> None:
    """A steady west wind at 3 m/s, threshold 1: favourable to the east of the source, and there alone."""
    rows = [row(22.5 * k, float(k == 12)) for k in range(16)]  # 12 x 22.5 = 270: from the west
    share = load(tmp_path, {"kind": "wind_rose", "rows": rows}).favourable
    east, west, north = (share.at(np.array([bearing]))[:, 0] for bearing in (90.0, 270.0, 0.0))
    np.testing.assert_array_equal([east, west, north], [[1, 1, 1], [0, 0, 0], [0, 0, 0]])


def test_reaches_the_levels(tmp_path: Path) -> None:
    """Receiver north of the track: a south wind carries the sound there, a north wind does not."""
    site = straight_site()
    site["receivers"][0]["position"] = [0.0, 400.0]
    levels = {}
    for name, k in (("south", 8), ("north", 0)):
        rows = [row(22.5 * i, float(i == k)) for i in range(16)]
        site["site"]["favourable"] = {"kind": "wind_rose", "rows": rows}
        levels[name] = assess_site(site, tmp_path / name)["R"].period_db["night"]
    site["site"]["favourable"] = {"kind": "one_value", "day": 0, "evening": 0, "night": 0}
    levels["none"] = assess_site(site, tmp_path / "none")["R"].period_db["night"]
    assert levels["south"] > levels["north"] + 1
    # 68 degrees to both sides of the beam, the north wind blows against all of the sound
    assert levels["north"] == pytest.approx(levels["none"], abs=1e-9)


def test_file_and_rows_say_the_same(tmp_path: Path) -> None:
    weights = np.random.default_rng(7).random(3 * 36)
    shares = (weights / weights.sum()).tolist()
    rows = [row(10.0 * (k // 3), share, speed_m_s=(1.0, 3.0, 6.0)[k % 3]) for k, share in enumerate(shares)]
    one = load(tmp_path / "rows", {"kind": "wind_rose", "rows": rows})
    text = csv(rows[::-1])
    two = load(tmp_path / "file", {"kind": "wind_rose", "file": "wind.csv"}, {"wind.csv": text})
    np.testing.assert_allclose(one.favourable.share, two.favourable.share, atol=1e-12)
    assert 0.1 < one.favourable.share.min() < one.favourable.share.max() < 0.9
    assert two.inputs["wind.csv"] == text.encode()


def test_directions_printed_as_whole_degrees_are_even(tmp_path: Path) -> None:
    """16 directions, of which every other is printed as 23, 68, ... for 22.5, 67.5, ...: still the same everywhere."""
    rows = [row(float(np.floor(22.5 * k + 0.5)), 1 / 16) for k in range(16)]
    share = load(tmp_path, {"kind": "wind_rose", "rows": rows}).favourable.share
    np.testing.assert_allclose(share, share[0, 0], atol=1e-12)
    # 3 m/s against 1 m/s: arccos(1 / 3) = 70.53 degrees to both sides
    assert share[0, 0] == pytest.approx(2 * np.degrees(np.arccos(1 / 3)) / 360)


def test_north_may_be_written_as_360(tmp_path: Path) -> None:
    rows = [row(90.0, 0.1), row(180.0, 0.2), row(270.0, 0.3), row(360.0, 0.4)]
    turned = [row(0.0, 0.4), *rows[:3]]
    shares = [
        load(tmp_path / name, {"kind": "wind_rose", "rows": r}).favourable.share
        for name, r in (("a", rows), ("b", turned))
    ]
    np.testing.assert_allclose(*shares, atol=1e-12)


def test_calm_is_favourable_for_the_share_of_inversions(tmp_path: Path) -> None:
    calm = {**ROSE, "calm": {"day": 0.1, "evening": 0.2, "night": 0.4}}
    calm["inversion_share"] = {"day": 0.0, "evening": 0.5, "night": 1.0}
    calm["rows"] = [{"wind_from_deg": 90.0 * k, "day": 0.225, "evening": 0.2, "night": 0.15} for k in range(4)]
    share = load(tmp_path, calm).favourable.share[:, 0]
    windy = 2 * np.degrees(np.arccos(1 / 3)) / 360
    np.testing.assert_allclose(share, [0.9 * windy, 0.8 * windy + 0.1, 0.6 * windy + 0.4], atol=1e-12)


def test_rounded_shares_are_made_to_add_up(tmp_path: Path) -> None:
    share = load(tmp_path, {"kind": "wind_rose", "rows": [row(30.0 * k, 0.083) for k in range(12)]}).favourable.share
    assert share[0, 0] == pytest.approx(2 * np.degrees(np.arccos(1 / 3)) / 360, abs=1e-12)


def test_all_kinds_are_resolved(tmp_path: Path) -> None:
    one = load(tmp_path / "a", {"kind": "one_value", "day": 0.1, "evening": 0.2, "night": 0.3}).favourable
    np.testing.assert_array_equal(one.at(np.array([0.0, 200.0])), [[0.1] * 2, [0.2] * 2, [0.3] * 2])
    sectors = [{"from_deg": d, "day": 0.001 * d, "evening": 0, "night": 1} for d in (0, 90, 200)]
    by_sector = load(tmp_path / "b", {"kind": "by_sector", "sectors": sectors})
    np.testing.assert_array_equal(by_sector.favourable.at(np.array([89.0, 91.0, 300.0]))[0], [0, 0.09, 0.2])
    assert by_sector.assumptions == ()


def test_rule_and_parameters_are_assumptions_with_their_standing(tmp_path: Path) -> None:
    night = {"day": 0, "evening": 0, "night": 0.5}
    given = {**ROSE, "threshold_m_s": 0.5, "calm": dict.fromkeys(PERIODS, 0.005), "inversion_share": night}
    found = load(tmp_path / "a", given).assumptions
    user = "given in the project file"
    assert [standing for _, standing in found] == ["assumption", user, "assumption", user]
    assert "spread evenly" in found[0][0]
    assert found[1][0] == "The wind that must be exceeded is 0.5 m/s."
    assert found[2][0] == "Winds for which the rose has no speed blow at 3 m/s."
    assert found[3][0].endswith("for 0 % of the day, 0 % of the evening, 50 % of the night.")
    speeds = {"kind": "wind_rose", "rows": [row(90.0 * k, 0.25, speed_m_s=4) for k in range(4)]}
    texts = [text for text, _ in load(tmp_path / "b", speeds).assumptions]
    assert len(texts) == 3 and not any("no speed" in text for text in texts)


UNEVEN = [row(d, 0.25) for d in (0.0, 90.0, 180.0, 200.0)]
PLACE = "site, favourable"
CASES = [
    ({**ROSE, "rows": ROSE["rows"][:3]}, "rows: has too few entries", "at least 4 entries", "error"),
    ({**ROSE, "file": "x.csv"}, "favourable: needs either file or rows", "", "error"),
    ({"kind": "wind_rose"}, "favourable: needs either file or rows", "", "error"),
    (
        {"kind": "wind_rows"},
        "kind: is not a known kind",
        "by_sector, one_value, wind_rose did you mean wind_rose?",
        "error",
    ),
    ({**ROSE, "treshold_m_s": 1}, "unknown key treshold_m_s", "did you mean threshold_m_s?", "error"),
    ({**ROSE, "threshold_m_s": "2 m/s"}, "threshold_m_s: must be a number", "write only the number: 2", "error"),
    ({**ROSE, "threshold_m_s": 11}, "threshold_m_s: is too large", "a number in m/s, 0 to 10", "error"),
    ({**ROSE, "assumed_speed_m_s": 0}, "assumed_speed_m_s: is too small", "above 0 to 60", "error"),
    (
        {**ROSE, "calm": dict.fromkeys(PERIODS, 0.2)},
        "rows: the shares of time must add up to 1 in each period, calm included: they give 1.2 for the day, 1.2 for "
        "the evening, 1.2 for the night",
        "to within 0.01",
        "error",
    ),
    (
        {**ROSE, "rows": [{**r, "night": 0.2} for r in ROSE["rows"]]},
        "they give 0.8 for the night",
        "is the calm missing? write it as calm",
        "error",
    ),
    (
        {**ROSE, "rows": UNEVEN},
        "rows: the directions of the wind are not evenly spaced: between 200 and 0 degrees is none",
        "a direction without wind has the share 0",
        "error",
    ),
    (
        {**ROSE, "rows": [*ROSE["rows"][:3], row(270.0, 0.1), row(270.0, 0.15)]},
        "rows[5]: the wind from 270 degrees stands twice",
        "give each class of speed its own",
        "error",
    ),
    (
        {**ROSE, "rows": [row(0.0, 0.15), row(360.0, 0.1), *ROSE["rows"][1:]]},
        "rows[2]: the wind from 0 degrees stands twice",
        "0 and 360 degrees are the same direction",
        "error",
    ),
    (
        {**ROSE, "rows": [row(0.0, 0.15, speed_m_s=2), row(0.0, 0.1, speed_m_s=2), *ROSE["rows"][1:]]},
        "rows[2]: the wind from 0 degrees at 2 m/s stands twice",
        "",
        "error",
    ),
    (
        {**ROSE, "threshold_m_s": 5},
        "threshold_m_s: no wind of the rose is above 5 m/s",
        "they are in m/s",
        "warning",
    ),
    (
        {**ROSE, "inversion_share": {"day": 0, "evening": 0, "night": 0.5}},
        "night: has no effect, as the rose has no calm in this period",
        "give the share of calm, or classes of speed",
        "warning",
    ),
]


@pytest.mark.parametrize(("favourable", "message", "words", "severity"), CASES, ids=lambda v: str(v)[:50])
def test_problems(favourable: Any, message: str, words: str, severity: str, tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, favourable)
    assert problem.severity == severity, str(problem)
    assert problem.place.startswith("site")
    assert message in problem.message
    assert words in f"{problem.allowed} {problem.hint}"


FOUR = csv(ROSE["rows"])


@pytest.mark.parametrize(
    ("text", "line", "message", "words"),
    [
        (FOUR.replace("wind_from_deg", "from_deg"), 1, "column wind_from_deg is missing", "rename from_deg?"),
        (FOUR.replace("90.0,", "-90.0,"), 3, "column wind_from_deg is out of range", "0 to 360"),
        (FOUR.replace("0.25", "25"), None, "add up to 1 in each period, calm included: they give 100", "percent?"),
        (FOUR.replace("\n90.0,0.25", "\n90.0,x"), 3, "column day is not a number", ""),
        (FOUR + "270,0,0,0\n", 6, "the wind from 270 degrees stands twice", "class of speed"),
        (FOUR.replace("270.0", "250"), None, "are not evenly spaced: between 250 and 0 degrees is none", "middle"),
        (FOUR + "270,0,0,0\n" * 2000, None, "has too many rows for a wind rose", "up to 2000 rows"),
        ("wind_from_deg,day,evening,night\n0,1,1,1\n", None, "has 1 directions of the wind", "4 to 72"),
        (csv([row(3.6 * k, 0.01) for k in range(100)]), None, "has 100 directions of the wind", "4 to 72"),
    ],
    ids=lambda v: str(v)[:40],
)
def test_problems_of_the_file(text: str, line: int | None, message: str, words: str, tmp_path: Path) -> None:
    (problem,) = problems_of(tmp_path, {"kind": "wind_rose", "file": "w.csv"}, {"w.csv": text})
    assert (problem.severity, problem.file, problem.line) == ("error", "w.csv", line)
    assert message in problem.message
    assert words in f"{problem.allowed} {problem.hint}"


def test_a_faulty_row_hides_nothing_else_of_the_site(tmp_path: Path) -> None:
    data = straight_site()
    data["site"]["favourable"] = {**ROSE, "rows": [{**r, "day": "25 %"} for r in ROSE["rows"]]}
    data["site"]["air"]["humidity_pct"] = 0.7
    data["site"]["periods"] = {"day": [6, 19]}
    with pytest.raises(ProjectError) as caught:
        load_project(write_site(data, tmp_path))
    messages = [p.message for p in caught.value.problems]
    assert messages.count("day: must be a number") == 4
    assert any("implausibly dry" in m for m in messages)
    assert any("share out the 24 hours" in m for m in messages)

"""Levels in time as limits compare them, and marks in time: made-up courses, and straight sites with marks."""

from __future__ import annotations

import copy
import csv
import datetime as dt
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.levels import to_db
from lineside.api import Assessment
from lineside.contracts import LimitCheck
from lineside.engine.course import thirds_in_time
from lineside.engine.tones import third_octaves
from lineside.results.model import Rating, ReceiverTimeline, Timeline
from lineside.results.ratings import Keeping, effective_limit_db, keeps
from lineside.results.write import write_tables
from marked_sites import SURVEY, assess, site

DATES = [dt.date(2026, 9, 1) + dt.timedelta(days=10 * k) for k in range(6)]
#: Index of the day after the last work.
START = 2


def course(*level_db: float, limit_db: float = 60.0, jumps: tuple[int, ...] = (1, 2)) -> Keeping:
    jumped = np.zeros(len(level_db), dtype=np.bool_)
    jumped[list(jumps)] = True
    return keeps(DATES[: len(level_db)], np.array(level_db), limit_db, jumped, START)


def test_a_limit_that_is_never_exceeded_has_no_date() -> None:
    assert course(50, 55, 60, 58, 56, 54) == Keeping(None, None, "kept throughout")


def test_a_limit_that_is_always_exceeded_has_no_date() -> None:
    assert course(61, 65, 66, 64, 63, 60.1) == Keeping(None, None, "exceeded throughout")


def test_a_limit_is_kept_from_the_first_whole_day_after_the_crossing() -> None:
    # from 64 to 58 dB in 10 days: 60 dB after 6.67 days
    assert course(50, 50, 64, 58, 57, 56) == Keeping(DATES[2] + dt.timedelta(days=7), None, "")
    # at 60.0 on a date: from that date on
    assert course(50, 50, 64, 60, 57, 56) == Keeping(DATES[3], None, "")


def test_growth_may_take_a_course_above_the_limit_again() -> None:
    found = course(50, 50, 64, 58, 59, 61)
    assert found == Keeping(DATES[2] + dt.timedelta(days=7), DATES[4] + dt.timedelta(days=5), "")
    assert course(50, 50, 55, 58, 59, 61) == Keeping(None, DATES[4] + dt.timedelta(days=5), "kept until it is exceeded")


def test_a_limit_that_is_exceeded_at_the_end_says_whether_the_level_falls() -> None:
    assert course(50, 50, 66, 64, 63, 61).reason == "exceeded to the end of the time line, still falling"
    assert course(50, 50, 66, 64, 63, 63.5).reason == "exceeded to the end of the time line"


def test_works_that_end_an_exceedance_date_it() -> None:
    """Above before the works and below after them: from the day of the jump, not from a day in between."""
    assert course(64, 64, 56, 55, 54, 53) == Keeping(DATES[2], None, "")
    # between two works only
    assert course(50, 66, 56, 55, 54, 53) == Keeping(DATES[2], None, "")


def test_a_tone_that_is_gone_dates_the_limit_by_the_survey_that_no_more_finds_it() -> None:
    assert course(50, 50, 64, 58, 57, 56, jumps=(1, 2, 3)).kept_from == DATES[3]


def test_silence_keeps_a_limit_from_its_date() -> None:
    assert course(50, 50, 64, -math.inf, 57, 56, jumps=()).kept_from == DATES[3]


def test_levels_that_are_rounded_up_keep_a_limit_up_to_its_whole_decibel() -> None:
    plain = LimitCheck("lden_db", 60.5, "x")
    up = LimitCheck("lden_db", 60.5, "x", rounding="up")
    assert (effective_limit_db(plain), effective_limit_db(up)) == (60.5, 60.0)
    assert effective_limit_db(LimitCheck("lden_db", 60.0, "x", rounding="up")) == 60.0


def rated(assessment: Assessment) -> tuple[Timeline, ReceiverTimeline, tuple[Rating, ...]]:
    timeline = assessment.results.timeline
    assert timeline is not None
    (receiver,) = timeline.receivers
    return timeline, receiver, tuple(receiver.ratings)


def lines(*limits: dict[str, Any], folder: Path, **changes: Any) -> Assessment:
    return assess(site(*limits, **changes), folder)


def test_the_rule_adds_to_the_level_while_marks_are_fresh_and_not_when_they_are_gone(tmp_path: Path) -> None:
    limit = {"quantity": "lnight", "limit_db": 50, **SURVEY}
    timeline, receiver, (found,) = rated(lines(limit, folder=tmp_path))
    level = np.array(receiver.levels_db["night"]["likely"], dtype=float)
    added = np.array(found.rating_db["likely"], dtype=float) - level
    fresh = timeline.dates.index("2026-09-02")
    before = timeline.dates.index("2026-08-01")
    assert found.tone_found[fresh] and not found.tone_found[before] and not found.tone_found[-1]
    np.testing.assert_allclose(added, 5.0 * np.array(found.tone_found), atol=2e-3)
    # found from the work until some date, and not again
    assert np.diff(np.array(found.tone_found, dtype=int)).tolist().count(-1) == 1
    assert found.before_db == pytest.approx(receiver.before_db["night"], abs=1e-9)
    for case in ("low", "high"):
        plain = np.array(receiver.levels_db["night"][case], dtype=float)
        np.testing.assert_allclose(np.array(found.rating_db[case], dtype=float) - plain, added, atol=2e-3)


@pytest.mark.parametrize("date", ["2026-09-02", "2026-12-01"])
def test_ratings_agree_with_the_findings_of_an_assessment_at_their_date(date: str, tmp_path: Path) -> None:
    limits = (
        {"quantity": "lden", "limit_db": 55, **SURVEY},
        {"quantity": "lnight", "limit_db": 50, **SURVEY},
        {"quantity": "laeq", "limit_db": 50, "from_hour": 6, "to_hour": 22, **SURVEY},
        {"quantity": "laeq", "limit_db": 50, "from_hour": 20, "to_hour": 8},
        {"quantity": "lday", "limit_db": 55},
    )
    project = site(*limits)
    project["services"][0]["trains"] = {"kind": "per_period", "day": 0, "evening": 24, "night": 16}
    project["identity"]["assessment_dates"] = [date]
    assessment = assess(project, tmp_path)
    timeline, receiver, ratings = rated(assessment)
    k = timeline.dates.index(date)
    findings = [f for f in assessment.results.findings if f.level_db is not None]
    assert len(findings) == len(ratings) == 4  # silent by day
    for finding, rating in zip(findings, ratings, strict=True):
        assert (rating.quantity, rating.window, rating.limit_db) == (finding.quantity, finding.window, finding.limit_db)
        assert receiver.rated(rating)["likely"][k] == pytest.approx(finding.compared_db, abs=2e-3)
        assert (rating.tone_found[k] if rating.tone_found else None) == finding.tone_found


def test_fixed_adjustments_and_rounding_count(tmp_path: Path) -> None:
    """The German law for roads and railways rounds levels up; the project's own limits may add."""
    limits = ({"quantity": "lden", "limit_db": 55, "adjustment_db": 3.0}, {"quantity": "lden", "limit_db": 55})
    _, receiver, (with_it, without) = rated(lines(*limits, folder=tmp_path))
    level = np.array(receiver.levels_db["lden"]["likely"], dtype=float)
    np.testing.assert_allclose(np.array(with_it.rating_db["likely"], dtype=float), level + 3.0, atol=2e-3)
    assert without.rating_db == {} and receiver.rated(without) == receiver.levels_db["lden"]
    assert with_it.before_db == pytest.approx((without.before_db or 0.0) + 3.0, abs=1e-9)


def test_limits_are_kept_from_low_to_high_in_order_and_their_state_before_is_told(tmp_path: Path) -> None:
    plain = lines({"quantity": "lden", "limit_db": 55}, folder=tmp_path / "a")
    timeline, receiver, _ = rated(plain)
    likely = np.array(receiver.levels_db["lden"]["likely"], dtype=float)
    before = receiver.before_db["lden"] or 0.0
    limit_db = round(before + 0.3 * (likely.max() - before), 2)
    low_limit = round(before - 0.5, 1)
    again = lines(
        {"quantity": "lden", "limit_db": limit_db}, {"quantity": "lden", "limit_db": low_limit}, folder=tmp_path / "b"
    )
    _, _, (found, exceeded) = rated(again)
    assert not found.above_before and exceeded.above_before
    assert exceeded.reasons["likely"] == "exceeded throughout"
    day = found.kept_from["likely"]
    assert day is not None and found.reasons["likely"] == ""
    k = next(k for k, date in enumerate(timeline.dates) if date >= day)
    assert likely[k] <= limit_db + 1e-3 < likely[k - 1]
    assert timeline.dates[k - 1] < day <= timeline.dates[k]
    low, high = found.kept_from["low"] or "", found.kept_from["high"] or "9999"
    assert low < day < high


def test_clock_hours_in_which_trains_are_not_even_are_not_followed(tmp_path: Path) -> None:
    limits = (
        {"quantity": "laeq", "limit_db": 50, "from_hour": 9, "to_hour": 17},
        {"quantity": "laeq", "limit_db": 50, "from_hour": 7, "to_hour": 19},
        {"quantity": "lafmax", "limit_db": 80},
    )
    project = site(*limits)
    project["services"][0]["trains"] = {"kind": "times", "times": ["08:00", "09:00", "10:30", "11:00", "20:00"]}
    _, _, ratings = rated(assess(project, tmp_path))
    assert [r.window for r in ratings] == ["07:00 to 19:00"]


def test_spectra_in_time_are_those_of_the_emission_of_each_date(tmp_path: Path) -> None:
    renewal = {"date": "2026-10-10", "kind": "milling", "track": "T", "from_m": 300, "to_m": 500}
    assessment = lines({"quantity": "lden", "limit_db": 60, **SURVEY}, folder=tmp_path, works=[renewal])
    planned, transfer = assessment.plan, assessment.computed.receivers.transfer
    dates = [dt.date(2026, 8, 1), dt.date(2026, 9, 2), dt.date(2026, 10, 11), dt.date(2027, 3, 1), dt.date(2026, 9, 2)]
    found = thirds_in_time(planned, assessment.selection, transfer, dates)
    for k, date in enumerate(dates):
        whole = third_octaves(planned.built.scene, planned.emission_at(date), transfer)
        np.testing.assert_allclose(found[k], whole.period, rtol=1e-10)
    assert not np.allclose(to_db(found[0]), to_db(found[1]), atol=0.5)


def test_marks_fade_in_time_from_the_day_after_the_work(tmp_path: Path) -> None:
    assessment = lines(folder=tmp_path)
    timeline, _, _ = rated(assessment)
    assert assessment.results.tones is not None
    (marks,) = assessment.results.tones.marks
    fresh = timeline.dates.index("2026-09-02")
    for case in ("low", "likely", "high"):
        margins = marks.margin_db[case]
        assert len(margins) == len(timeline.dates) and margins[: fresh - 1] == [None] * (fresh - 1)
        seen = [m for m in margins[fresh:] if m is not None]
        assert len(seen) > 5 and all(b < a for a, b in pairwise(seen))
        assert margins[fresh] == pytest.approx(marks.margin_fresh_db[case], abs=0.3)
        assert marks.margin_at_assessment_db is not None
        assert margins[timeline.dates.index(timeline.assessment_date)] == marks.margin_at_assessment_db[case]
    low, likely, high = (marks.margin_db[case][fresh] or 0.0 for case in ("low", "likely", "high"))
    assert low <= likely <= high and low < high


def test_tables_hold_ratings_and_marks_in_time(tmp_path: Path) -> None:
    assessment = lines({"quantity": "lden", "limit_db": 60, **SURVEY}, folder=tmp_path)
    timeline, _, (found,) = rated(assessment)
    write_tables(assessment.results, tmp_path / "tables")

    def rows(name: str) -> list[dict[str, str]]:
        with (tmp_path / "tables" / f"{name}.csv").open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    ratings, marks = rows("ratings"), rows("tones_in_time")
    assert [r["date"] for r in ratings] == [r["date"] for r in marks] == timeline.dates
    assert [float(r["rating_likely_db"]) for r in ratings] == found.rating_db["likely"]
    assert [r["tone_found"] == "True" for r in ratings] == found.tone_found
    assert marks[0]["margin_likely_db"] == "" and float(marks[-1]["pitch_mm"]) == 25.12


def test_in_lden_each_period_is_raised_by_its_own_tone(tmp_path: Path) -> None:
    """Marks on a line whose trains run by night, beside one whose trains run by day: a tone in the night only."""
    project = site({"quantity": "lden", "limit_db": 55, **SURVEY})
    track = copy.deepcopy(project["tracks"][0])
    track["id"], track["alignment"]["points"] = "U", [[-500.0, -10.0, 0.3], [500.0, -10.0, 0.3]]
    project["tracks"].append(track)
    project["services"].append({**project["services"][0], "id": "D", "track": "U"})
    project["services"][0]["trains"] = {"kind": "per_period", "day": 0, "evening": 0, "night": 8}
    project["services"][1]["trains"] = {"kind": "per_period", "day": 400, "evening": 0, "night": 0}
    assessment = assess(project, tmp_path)
    (finding,) = assessment.results.findings
    timeline, receiver, (found,) = rated(assessment)
    assert finding.tone_periods == ["night"] and 0.5 < (finding.tone_adjustment_db or 0.0) < 4.5
    k = timeline.dates.index(timeline.assessment_date)
    assert found.rating_db["likely"][k] == pytest.approx(finding.compared_db, abs=2e-3)
    assert receiver.levels_db["lden"]["likely"][k] == pytest.approx(finding.level_db, abs=2e-3)


def test_the_end_of_a_tone_is_a_step_of_its_rating(tmp_path: Path) -> None:
    """The limit lies between levels with and without the tone: it is kept from the date that finds none any more."""
    timeline, receiver, (first,) = rated(lines({"quantity": "lden", "limit_db": 60, **SURVEY}, folder=tmp_path / "a"))
    last = max(k for k, found in enumerate(first.tone_found) if found)
    level = receiver.levels_db["lden"]["likely"][last] or 0.0
    limit = {"quantity": "lden", "limit_db": round(level + 2.0, 1), **SURVEY}
    _, _, (found,) = rated(lines(limit, folder=tmp_path / "b"))
    assert found.kept_from["likely"] == timeline.dates[last + 1]

"""Verdicts: which side of the limit, and whether the uncertainty reaches it."""

from __future__ import annotations

import pytest

from lineside.contracts import LimitCheck, Window
from lineside.errors import PluginError
from lineside.results.findings import Question, find, window_text
from lineside.results.model import Uncertainty

NIGHT = Window(22, 6)


def stated(expanded, of_a_pass=4.0):
    return Uncertainty(
        standard_db=expanded / 2,
        pass_standard_db=of_a_pass / 2,
        coverage_factor=2.0,
        expanded_db=expanded,
        pass_expanded_db=of_a_pass,
        statement="",
        standing="",
    )


def test_the_largest_level_of_a_pass_has_an_uncertainty_of_its_own():
    check = LimitCheck("lafmax_db", 80.0, "LAFmax")
    (found,) = find([Question("R", "c", (check,))], {"R": {("lafmax_db", None): 76.5}}, stated(3.0, 4.0))
    assert found.verdict == "borderline"
    (found,) = find([Question("R", "c", (check,))], {"R": {("lafmax_db", None): 76.5}}, stated(3.0, 3.0))
    assert found.verdict == "well below"


def verdict(level, limit=55.0, rounding="none", expanded=3.0):
    check = LimitCheck("laeq_db", limit, "night", window=NIGHT, rounding=rounding)
    (found,) = find([Question("R", "c", (check,))], {"R": {("laeq_db", NIGHT): level}}, stated(expanded))
    return found


@pytest.mark.parametrize(
    ("level", "expected", "within"),
    [
        (51.9, "well below", False),
        (52.1, "borderline", True),
        (52.0, "borderline", True),
        (55.0, "borderline", True),
        (55.1, "above", True),
        (58.1, "above", False),
        (float("-inf"), "well below", False),
    ],
)
def test_verdict_and_uncertainty(level, expected, within):
    found = verdict(level)
    assert (found.verdict, found.within_uncertainty) == (expected, within)


def test_rounding_up_decides_as_the_german_rule_asks():
    """16. BImSchV, Annex 2, no. 8.2.1: rating levels are rounded UP to whole dB before they are compared."""
    assert verdict(55.0, rounding="up").compared_db == 55.0
    assert verdict(55.0 + 1e-9, rounding="up").verdict == "borderline"
    found = verdict(55.01, rounding="up")
    assert (found.compared_db, found.verdict, found.difference_db) == (56.0, "above", 1.0)


def test_a_level_that_is_no_number_is_never_a_verdict():
    with pytest.raises(PluginError, match="not a number"):
        verdict(float("nan"))


def test_silence_because_calculators_were_left_out_is_no_verdict():
    check = LimitCheck("laeq_db", 55.0, "night", window=NIGHT)
    levels = {"R": {("laeq_db", NIGHT): float("-inf")}}
    (found,) = find([Question("R", "c", (check,))], levels, stated(3.0), ("eu_rolling",))
    assert (found.verdict, found.reason) == (
        "not assessed",
        "no sound was computed, as the project leaves out eu_rolling",
    )


@pytest.mark.parametrize("hours", [(-5, 6), (0, 99)])
def test_windows_outside_the_clock_are_refused(hours):
    with pytest.raises(PluginError, match="clock"):
        Window(*hours)


def test_silence_has_no_level_but_a_verdict():
    found = verdict(float("-inf"))
    assert (found.level_db, found.difference_db) == (None, None)


def test_a_criterion_that_does_not_apply_is_said():
    (found,) = find([Question("R", "c", (), "no area given")], {"R": {}}, stated(3.0))
    assert (found.verdict, found.reason) == ("not assessed", "no area given")


def test_windows_are_written_as_clock_hours():
    assert window_text(Window(6, 24)) == "06:00 to 24:00"
    assert Window(6, 22).hours().size == 16

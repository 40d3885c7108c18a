"""Numbers and words as the report prints them."""

from __future__ import annotations

import pytest

from lineside.errors import ReportError
from lineside.figures.words import clean, shorten
from lineside.report.strings import Strings
from lineside.report.text import difference, level, number, plain, whole
from lineside.report.views import Column, Row
from lineside.report.widths import percentages


@pytest.mark.parametrize(
    ("value", "printed"), [(61.25, "61.2"), (61.26, "61.3"), (-3.0, "−3.0"), (-0.01, "0.0"), (None, "–")]
)
def test_levels_have_one_decimal_and_a_true_minus(value: float | None, printed: str) -> None:
    assert level(value) == printed


def test_whole_levels_lose_no_sign() -> None:
    assert (whole(60.6), whole(-0.2), whole(-12.0), whole(None)) == ("61", "0", "−12", "–")


@pytest.mark.parametrize(
    ("value", "printed"),
    [(2.3, "+2.3"), (0.01, "< +0.1"), (-0.049, "> −0.1"), (0.0, "0.0"), (-4.06, "−4.1"), (None, "–")],
)
def test_a_small_excess_is_never_printed_as_none(value: float | None, printed: str) -> None:
    assert difference(value) == printed


def test_numbers_are_as_short_as_possible() -> None:
    assert [number(v) for v in (60.0, 0.25, 101.325, -2.5, 0)] == ["60", "0.25", "101.325", "−2.5", "0"]


def test_options_in_words() -> None:
    assert plain({"a": [], "b": None, "c": [1, 2], "d": [{"x": 1.0}], "e": False}) == (
        "a: –; b: –; c: 1, 2; d: (x: 1); e: no"
    )


def test_control_and_direction_characters_are_dropped() -> None:
    hostile = "a\x00b\x07c\u202ed\u2066e\ufefff\ud800g\x1b[31m"
    assert clean(hostile) == "abcdefg[31m"
    assert shorten("  two\nlines\x00 ", 20) == "two lines"


def test_a_missing_wording_is_an_error() -> None:
    with pytest.raises(ReportError, match="lacks cover\\.nothing"):
        Strings()("cover.nothing")
    with pytest.raises(ReportError, match="no catalogue"):
        Strings("xx")


def test_values_are_not_read_as_wordings() -> None:
    text = Strings()("report.running", title="{0.__class__} {{7*7}}", revision="A")
    assert text.startswith("{0.__class__} {{7*7}}")


def test_widths_fill_the_line_and_favour_text() -> None:
    columns = (Column("Id"), Column("Text"), Column("Level, dB", "num"))
    shares = percentages(columns, [Row(("R1", "words " * 40, "61.2"))])
    assert sum(shares) == pytest.approx(100.0, abs=0.2)
    assert shares[1] > 4 * max(shares[0], shares[2])

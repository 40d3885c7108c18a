"""Numbers and words as the report prints them."""

from __future__ import annotations

import pytest

from lineside.errors import ReportError
from lineside.figures.words import clean, shorten
from lineside.report.strings import Strings
from lineside.report.text import difference, level, level_before, number, told, whole
from lineside.report.views import Column, Row
from lineside.report.widths import crowded, percentages
from lineside.report.wording import NO_BREAK, class_name, in_words


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
    options = {
        "a": [],
        "speed_floor": True,
        "c": [1, 2],
        "d": [{"x": 1.0}],
        "edition": "amended_2021",
        "wheel_load_kn": 5,
    }
    assert in_words(options, Strings()).replace(NO_BREAK, " ") == (
        "a: not set; speed floor: yes; c: 1, 2; d: (x: 1); edition of the law: as amended in 2021; wheel load: 5 kN"
    )


@pytest.mark.parametrize(
    ("name", "printed"),
    [
        ("plus_10_dba", "plus 10 dBA class"),
        ("load_50kn_wheel_920mm", "load 50 kN, wheel 920 mm"),
        ("wheel_840mm", "wheel 840 mm"),
        ("diesel_loco_800kw", "diesel loco 800 kW"),
        ("electric_multiple_unit", "electric multiple unit"),
        ({"spectrum": "rail-2026"}, "spectrum rail-2026"),
        ("spectrum a_b", "spectrum a_b"),
        ("none", "–"),
        (None, "–"),
    ],
)
def test_classes_are_printed_in_words_with_units(name: object, printed: str) -> None:
    assert class_name(name, Strings()).replace(NO_BREAK, " ") == printed


def test_near_a_limit_a_level_gets_a_decimal() -> None:
    assert told(80.37, [80.0]) == "80.4" and told(79.2, [80.0]) == "79.2"
    assert told(81.2, [80.0]) == "81" and told(80.37, []) == "80" and told(None, [80.0]) == "–"


@pytest.mark.parametrize(
    ("value", "compared", "limit", "printed"),
    [
        (59.049, 60.0, 59.0, "59.05"),  # 59.0 would not explain 60
        (59.0004, 60.0, 59.0, "59.0"),  # beyond what is printed
        (58.96, 59.0, 59.0, "59.0"),
        (61.25, 61.25, 60.0, "61.2"),
        (65.04, 65.04, 65.0, "65.04"),
        (65.0, 65.0, 65.0, "65.0"),
        (None, None, 60.0, "–"),
    ],
)
def test_rounding_up_can_be_followed(value: float | None, compared: float | None, limit: float, printed: str) -> None:
    assert level_before(value, compared, limit) == printed


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


def test_short_words_are_never_broken() -> None:
    columns = tuple(Column(f"Heading{k}") for k in range(11))
    rows = [Row(tuple("ballastwagon standing" if k % 2 else "embedded" for k in range(11)))]
    assert crowded(columns, rows)
    # 7.3 pt type: 170 mm hold about 135 characters; "embedded" needs 8, "standing" 8
    assert min(percentages(columns, rows)) / 100.0 * 135.0 > 8.0 + 0.5

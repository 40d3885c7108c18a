"""Section "How sure this is": words, tables and the figure."""

from __future__ import annotations

import base64
import math

import pytest

from lineside.api import assess
from lineside.report import context, sure
from lineside.report.strings import Strings
from lineside.report.views import Report
from lineside.results.model import Results
from sites import straight_site, write_site

STRINGS = Strings()


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Results:
    site = straight_site(half_length_m=300.0)
    given = {"likely": 120, "low": 60, "high": 240, "source": "Timetable draft (invented)"}
    site["services"][0]["trains"]["day"] = given
    site["receivers"].append({**site["receivers"][0], "id": "R2", "position": [0.0, 90.0]})
    site["calculation"]["uncertainty"] = {"draws_up_to": 9}
    return assess(write_site(site, tmp_path_factory.mktemp("site"))).results


def report_of(results: Results) -> Report:
    return context.build(results, {}, context.draw(results, STRINGS), STRINGS)


@pytest.mark.parametrize(
    ("share", "words"),
    [
        (0.0, "< 1"),
        (0.0099, "< 1"),
        (0.031, "about 3"),
        (0.087, "about 9"),
        (0.31, "about 30"),
        (0.5, "about 50"),
        (0.93, "about 93"),
        (0.995, "> 99"),
        (1.0, "> 99"),
    ],
)
def test_probabilities_are_never_finer_than_they_deserve(share: float, words: str) -> None:
    assert sure.probability(share, STRINGS).replace("\u00a0", " ") == f"{words} %"


def test_intervals_are_told_in_whole_decibels_unless_they_are_narrow() -> None:
    assert sure.interval(53.04, 60.42, STRINGS) == "53 to 61"
    assert sure.interval(53.04, 53.96, STRINGS) == "53 to 54"
    assert sure.interval(53.04, 53.72, STRINGS) == "53 to 53.8"
    assert sure.interval(None, None, STRINGS) == sure.probability(None, STRINGS) == "–"


def test_tables_and_figure_say_what_the_results_say(results: Results) -> None:
    assert results.sure is not None
    report = report_of(results)
    intervals = report.tables["T8.1"]
    assert [row.cells[0] for row in intervals.rows] == ["R", "R2"]
    own = results.sure.receivers[0]
    low, high = own.low_db["lden"], own.high_db["lden"]
    assert intervals.rows[0].cells[1] == f"{math.floor(low)} to {math.ceil(high)}"
    shares = report.tables["T8.2"]
    assert shares.rows[0].cells[0] == "method: propagation", "the widest first"
    assert len(shares.rows) == len(results.sure.groups)
    inputs = {row.cells[1]: row.cells for row in report.tables["T8.3"].rows}
    mine = inputs['services[1] "S", trains, day']
    assert mine[0] == "traffic" and mine[2:5] == ("120 (60 to 240)", "triangular", "given in the project file")
    assert "Timetable draft" in mine[5]
    assert inputs["Propagation by the EU common noise assessment method"][2] == "± 3 dB"
    figure = report.figures["F8.1"]
    svg = base64.b64decode(figure.source.partition("base64,")[2]).decode()
    assert "traffic" in svg and "method: propagation" in svg and "bridge" not in svg
    assert "method: propagation" in figure.alt
    assert (
        "Measuring pass-bys beside the track first would narrow the interval most of all that can be found out"
        in figure.caption
    )
    assert "will" not in figure.caption and "as far as the ranges" in figure.caption


def test_other_tables_have_intervals_and_probabilities(results: Results) -> None:
    report = report_of(results)
    levels, findings = report.tables["T6.1"], report.tables["T6.2"]
    assert [c.label for c in levels.columns][-2:] == ["Lnight 90\u00a0%, dB", "Lden 90\u00a0%, dB"]
    assert levels.rows[0].cells[-1] == report.tables["T8.1"].rows[0].cells[1]
    assert "section 8" in levels.note and "section 8" in findings.note
    made = [row.cells for row in findings.rows if not row.group]
    told = [sure.of_finding(f, STRINGS) for f in results.findings]
    assert [cells[-2:] for cells in made] == told and all("%" in chance for _, chance in told)


def test_without_draws_the_section_says_so_and_tables_have_no_columns_for_them(results: Results) -> None:
    findings = [f.model_copy(update={"interval_db": None, "probability_above": None}) for f in results.findings]
    report = report_of(results.model_copy(update={"sure": None, "findings": findings}))
    assert [c.label for c in report.tables["T6.1"].columns][-1] == "Lden, dB"
    assert [c.label for c in report.tables["T6.2"].columns][-1] == "Verdict"
    for name in ("T8.1", "T8.2", "T8.3"):
        assert not report.tables[name].rows and report.tables[name].empty.startswith("Nothing was drawn")
    assert report.figures["F8.1"].empty and report.paragraphs["sure_intro"].startswith("Nothing was drawn")


def test_what_is_not_covered_is_said(results: Results) -> None:
    said = " ".join(report_of(results).lists["sure_not_covered"])
    assert "speed, ground, weather" in said and "roughness" not in said.partition(":")[2].partition(".")[0]
    assert "LAFmax" in said and "Maps" in said
    checks = report_of(results).paragraphs["sure_checks"]
    assert results.sure is not None
    assert f"{results.sure.draws} draws" in checks and f"same sections of track: {results.sure.direct_draws}" in checks


def test_the_message_names_the_group_that_narrows_most(results: Results) -> None:
    assert results.sure is not None
    told = results.sure.model_copy(deep=True)
    for receiver in told.receivers:
        receiver.narrower_db["lden"]["rail_roughness"] = 5.0
    words = sure.message(results.model_copy(update={"sure": told}), STRINGS)
    assert words.startswith("Measuring the roughness of the rails first") and "about 5.0 of" in words


def test_summary_says_how_wide_and_what_first(results: Results) -> None:
    last = report_of(results).summary[-1]
    assert any("intervals of Lden are on average" in sentence for sentence in last.sentences)

"""Section 7 of the report, its data files, and the order of options."""

from __future__ import annotations

import csv
import html as html_module
import itertools
import re
import runpy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.errors import RequestError
from lineside.measures import FRICTION_APPROVAL, TRACK_SAFETY
from lineside.report import context, html
from lineside.report.option_words import MAX_OPTIONS, option_for, ranked
from lineside.report.strings import Strings
from lineside.report.views import Report, Table
from lineside.results.model import Results
from lineside.results.option_files import option_levels
from lineside.results.option_ids import LONGEST, option_id, refuse_doubles
from lineside.results.option_order import mark_pareto, order_of
from lineside.results.options import OptionResult
from lineside.results.write import write_tables

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
OPTIONS = FIXTURE["OPTIONS"]
STRINGS = Strings()
#: Words that promise; the report says what would be, by computation.
PROMISING = ("will", "guarantee", "guarantees", "ensure", "ensures", "promise", "solves", "eliminates", "certainly",
             "is reduced", "are reduced", "falls by", "reduces the level", "always works", "is solved")  # fmt: skip


def results(given: list[dict[str, Any]] | None = None, **changes: Any) -> Results:
    built: Results = FIXTURE["build_results"](4, options=OPTIONS["build_options"](given, **changes))
    return built


def build(found: Results, draw: bool = False) -> Report:
    figures = context.draw(found, STRINGS) if draw else ()
    return context.build(found, FIXTURE["build_inputs"](), figures, STRINGS)


def section(found: Results) -> str:
    """Section 7 as HTML."""
    document = html.render(build(found, draw=True), STRINGS, html.font_for_pdf)
    return document.split('id="s-help"')[1].split('id="s-limits"')[0]


def cells(table: Table, column: int = 0) -> list[str]:
    return [row.cells[column] for row in table.rows if not row.group]


@pytest.fixture(scope="module")
def tables() -> dict[str, Table]:
    return dict(build(results()).tables)


def row(table: Table, first: str, column: int = 0) -> tuple[str, ...]:
    return next(r.cells for r in table.rows if not r.group and r.cells[column] == first)


def test_the_comparison_has_fixed_columns_and_the_project_as_it_is_first(tables: dict[str, Table]) -> None:
    words = [c.words for c in tables["T7.1"].columns]
    assert words == [
        "Order", "Option", "Receivers above limits", "Dwellings above", "Persons above", "Lden mean", "Lden least",
        "Highly annoyed", "Highly sleep-disturbed", "Likely cost", "Likely cost per dB and dwelling",
    ]  # fmt: skip
    bare = build(results(relation=None, people_before={})).tables["T7.1"]
    assert [c.words for c in bare.columns] == words
    now = tables["T7.1"].rows[0].cells
    assert now == ("–", "as it is", "3", "14", "32", "–", "–", "12.0", "5.0", "–", "–")


def test_options_stand_in_their_order_with_what_they_would_do(tables: dict[str, Table]) -> None:
    """dampers: 1.9 dB, 365 x 170 EUR over 50 dwellings x 1.9 dB."""
    cells_of = row(tables["T7.1"], "dampers", 1)
    assert cells_of[2:5] == ("3", "14", "32") and cells_of[5:7] == ("+1.9", "+1.5")
    assert cells_of[7:9] == ("10.1", "5.0")
    assert cells_of[9:] == ("62,000", "653")  # 62,050 / (50 x 1.9) = 653.2
    first = tables["T7.1"].rows[1]
    assert first.strong and first.cells[0] == "1" and first.cells[1] == "dampers + finish"
    assert first.cells[2:5] == ("1", "6", "14")
    assert "grease" not in cells(tables["T7.1"], 1)


def test_the_pareto_table_holds_what_none_beats_with_the_range_of_cost(tables: dict[str, Table]) -> None:
    assert cells(tables["T7.2"]) == ["finish", "dampers", "dampers + finish"]
    assert row(tables["T7.2"], "finish")[1:4] == ("Finish pass", "9,350 (7,480–14,000)", "468 (374–701)")
    assert row(tables["T7.2"], "finish")[4:] == ("20.0", "+0.4")


def test_the_order_has_reasons_in_words(tables: dict[str, Table]) -> None:
    place, option, names, reason = tables["T7.3"].rows[0].cells
    assert (place, option, names) == ("1", "dampers + finish", "Rail dampers; Finish pass")
    assert reason.startswith("2 more comparisons with limits would be kept (8 dwellings, 18 persons, each counted")
    assert "would be lower by 2.3 dB on average" in reason and reason.endswith("EUR per decibel and dwelling.")


def test_limits_are_counted_before_and_with_each_option(tables: dict[str, Table]) -> None:
    table = tables["T7.4"]
    assert [r.cells for r in table.rows if r.group] == [("Operating permit, condition 14, Lden (Lden)",)]
    assert row(table, "as it is")[1:] == ("3", "14", "32")
    assert row(table, "dampers + finish")[1:] == ("3 → 1", "14 → 6", "32 → 14")
    assert "dampers" not in cells(table), "it changes no count"
    assert "left out: 1." in table.note


def test_reductions_people_time_and_costs(tables: dict[str, Table]) -> None:
    heads = [c.words for c in tables["T7.5"].columns]
    assert heads[:5] == ["Option", "Lden mean", "Lden least", "day mean", "day least"] and len(heads) == 9
    assert row(tables["T7.5"], "finish")[1:3] == ("+0.4", "0.0")
    assert row(tables["T7.6"], "finish") == ("finish", "11.6", "0.4", "5.0", "< 0.1")
    note = tables["T7.6"].note
    assert "covers Lden from 40 dB to 85 dB; persons outside that range now: 0" in note
    assert "covers Lnight from 41 dB to 80 dB; persons outside that range now: 7" in note
    assert "not verified" in note and "people used to a steady level" in note
    assert row(tables["T7.7"], "finish") == ("finish", "2026-12-01", "June 2028", "117", "−3")
    assert row(tables["T7.8"], "finish")[1:5] == ("7,480", "9,350", "14,000", "468 (374–701)")
    assert row(tables["T7.8"], "slow")[1:] == ("–", "–", "–", "–", "slow: no cost is given or published")
    assert "Over 20 years" in tables["T7.8"].note


def test_measures_have_place_day_life_and_lead_time(tables: dict[str, Table]) -> None:
    assert row(tables["T7.9"], "dampers") == (
        "dampers", "Rail dampers", "track T1, 300 to 470 m", "2026-12-01", "20", "240", "rolling noise", "would act"
    )  # fmt: skip
    assert row(tables["T7.9"], "grease")[-1] == "no change"
    assert row(tables["T7.9"], "slow")[4] == "–"
    assert "dampers: Offer (invented)" in tables["T7.9"].note


def test_prices_have_currency_year_source_and_standing(tables: dict[str, Table]) -> None:
    assert row(tables["T7.10"], "dampers")[1:] == (
        "300", "365", "480", "EUR of 2026", "metre", "170", "Offer (invented) [given in the project file]"
    )  # fmt: skip
    assert tables["T7.10"].note == "No price is given or published for: slow."


def test_what_is_known_stands_with_source_and_standing(tables: dict[str, Table]) -> None:
    said = {}
    group = ""
    for r in tables["T7.11"].rows:
        if r.group:
            group = r.cells[0].partition(":")[0]
        else:
            said.setdefault((group, r.cells[0]), r.cells[1])
    assert said["dampers", "Published effect"] == (
        "On rolling: 0 to 4 (typically 2) dB(A) beside the line; little on a damped track. An institute: Trial of "
        "dampers (2015), page 7 [read in a published source]"
    )
    assert said["dampers", "Who must approve"] == "The infrastructure manager."
    assert said["dampers", "What it cannot do"] == "Nothing on traction."
    assert said["dampers", "To know here"] == "A damped track gains little."
    assert FRICTION_APPROVAL in said["grease", "Who must approve"] and TRACK_SAFETY in said["grease", "Safety"]
    assert "would be quieter by 8 dB (5 to 11 dB)" in said["windows", "Indoors"]
    assert said["windows", "Note"] == "For one house only."


def test_values_without_a_source_are_questions_only(tables: dict[str, Table]) -> None:
    question = row(tables["T7.12"], "grease")[1]
    assert question.startswith("Effect on flange noise: which value holds here?")
    others = [c for name, t in tables.items() if name != "T7.12" for r in t.rows for c in r.cells]
    assert not any("0 to 10 dB(A)" in cell for cell in others)


def test_what_acts_on_nothing_is_rejected_or_could_act_is_said(tables: dict[str, Table]) -> None:
    assert row(tables["T7.13"], "grease")[2].startswith("The method's rule for squeal knows no friction management")
    assert cells(tables["T7.13"]) == ["grease", "windows"]
    assert tables["T7.14"].rows[0].cells == ("dampers and grease exclude each other", "1", "dampers + grease")
    assert tables["T7.15"].rows[0].cells == ("Stiffer or softer rail pads", "rail_pads", "rolling noise at R1, R2")


def test_approval_and_safety_stand_even_where_tables_are_cut() -> None:
    many = [OPTIONS["measure"](f"m{k}", f"Measure {k}") for k in range(120)]
    many.append(OPTIONS["measure"]("grease", "Grease", approval=[FRICTION_APPROVAL]))
    document = results(many, rejected=[{"measures": ["m0", "m1"], "reason": "x"}], options=[])
    report = build(document)
    assert "grease: Grease" not in [r.cells[0] for r in report.tables["T7.11"].rows]
    first, second = report.lists["help_safety"]
    assert first == f"{FRICTION_APPROVAL} (grease)" and second.startswith(f"{TRACK_SAFETY} (m0, m1,")


def test_the_figure_says_its_message_and_describes_itself() -> None:
    (figure,) = (f for f in context.draw(results(), STRINGS) if f.id == "F7.1")
    assert figure.caption == "Cost against benefit: 3 of 4 options are beaten by none in both"
    assert "“finish” (9,350 EUR, 20 dB times dwellings)" in figure.note
    assert "joined by steps" in figure.alt and "dampers + finish" in figure.alt
    assert figure.source.startswith("data:image/svg+xml;base64,")


def test_without_costs_the_figure_says_why() -> None:
    given = [OPTIONS["measure"]("slow", "Slow zone", costs=[]), OPTIONS["measure"]("calm", "Calm", costs=[])]
    found = results(given, rejected=[])
    (figure,) = (f for f in context.draw(found, STRINGS) if f.id == "F7.1")
    assert not figure.source and "costs and service life" in figure.empty
    assert build(found).tables["T7.2"].empty == figure.empty


def test_the_summary_says_what_would_help_most() -> None:
    block = next(b for b in build(results()).summary if b.title == "What would help")
    assert len(block.sentences) == 2
    assert block.sentences[0].startswith("Of 5 measures considered, alone and combined, “dampers + finish” (Rail")
    assert "would be lower by 2.3 dB" in block.sentences[0]
    assert block.sentences[1] == (
        "It would cost 71,400 (57,100–107,000) EUR over 20 years; the cheapest option that none beats, “finish”, would "
        "lower Lden by 0.4 dB on average over receivers for 9,350 (7,480–14,000) EUR (table T7.2)."
    )


def test_where_nothing_acts_it_is_said() -> None:
    given = [m for m in OPTIONS["measures"]() if not m["acts"]]
    found = results(given, rejected=[])
    report = build(found)
    assert not report.tables["T7.1"].rows and "None of the options would change" in report.tables["T7.1"].empty
    assert cells(report.tables["T7.13"]) == ["grease", "windows"]
    (said,) = (b.sentences for b in report.summary if b.title == "What would help")
    assert said == ("None of the 2 measures considered would change a computed level at any receiver (table T7.13).",)
    assert "T7.13" in section(found)


@pytest.mark.parametrize("suggested", [False, True])
def test_without_measures_the_section_stays_with_the_reason(suggested: bool) -> None:
    options = OPTIONS["build_options"]([], rejected=[]) if suggested else None
    found = FIXTURE["build_results"](4, options=options)
    text = section(found)
    assert "lists no measures to consider" in text
    assert ("Stiffer or softer rail pads" in text) == suggested
    assert [t for t in build(found).tables if t.startswith("T7.")] == ["T7.1", "T7.15"]
    assert not any(b.title == "What would help" for b in build(found).summary)
    assert 'id="T7.1"' in text and 'id="F7.1"' in text and 'id="T7.15"' in text


def test_nothing_is_promised() -> None:
    text = html_module.unescape(re.sub(r"<[^>]+>", " ", re.sub(r'src="[^"]*"', "", section(results())))).lower()
    assert "would" in text
    for word in PROMISING:
        assert not re.search(rf"\b{word}\b", text), word
    for key in STRINGS.all_keys():
        if key.startswith("help."):
            wording = STRINGS(key).lower()
            assert not any(re.search(rf"\b{word}\b", wording) for word in PROMISING), key


HOSTILE = '<script>alert(1)</script>{{7*7}}\x00\u202e"&, = $x$ \\frac' + "W" * 60


def test_hostile_names_are_inert() -> None:
    given = [
        OPTIONS["measure"](HOSTILE[:60], HOSTILE, note=HOSTILE, prompts=[HOSTILE], life_source=HOSTILE),
        OPTIONS["measure"]("=cmd|' /C calc'!A0", "Formula", costs=[OPTIONS["price"](currency="<b>", source=HOSTILE)]),
        OPTIONS["measure"]("{curly} %s", "Curly {title}"),
    ]
    document = section(results(given, rejected=[{"measures": [HOSTILE, "x"], "reason": HOSTILE}]))
    assert "<script" not in document and "{{7*7}}" in document
    assert "\x00" not in document and "\u202e" not in document
    assert "{curly} %s" in document


def test_ids_follow_from_the_measures_alone() -> None:
    ids = ["wall", "dampers", "a" * 60, "b + c", "b", "c", "O-0123456789abcdef", "+"]
    made = {frozenset(key): option_id(key) for n in (1, 2, 3) for key in itertools.permutations(ids, n)}
    assert len(set(made.values())) == len(made)
    assert all(option_id(reversed(sorted(key))) == name for key, name in made.items())
    assert made[frozenset(["wall", "dampers"])] == "dampers + wall"
    assert all(len(name) <= LONGEST for name in made.values())
    assert re.fullmatch("O-[0-9a-f]{16}", made[frozenset(["a" * 60])])


def test_two_options_with_one_id_are_refused() -> None:
    refuse_doubles([("a + b", ["a", "b"]), ("a", ["a"])])
    with pytest.raises(RequestError, match=r"two options have the id O-1: a, b; and c"):
        refuse_doubles([("O-1", ["a", "b"]), ("O-1", ["c"])])


def test_long_ids_are_named_beside_their_check_sum() -> None:
    given = [OPTIONS["measure"](f"a very long id of a measure, number {k}", f"Measure {k}") for k in range(2)]
    found = results(given, rejected=[])
    assert found.options is not None
    ids = {o.id for o in found.options.options}
    assert all(re.fullmatch(r"O-[0-9a-f]{16}", name) for name in ids)
    first = build(found).tables["T7.1"].rows[1].cells[1]
    assert first.startswith("O-") and "(a very long id of a measure, number 0" in first


def test_of_two_thousand_options_the_best_are_printed_and_the_rest_counted(tmp_path: Path) -> None:
    given = [
        OPTIONS["measure"](f"m{k}", f"Measure {k}", costs=[OPTIONS["price"](10 + k, 20 + k, 40 + k)]) for k in range(63)
    ]
    found = results(given, rejected=[])
    assert found.options is not None
    total = len(found.options.options)
    assert total == 63 + 63 * 62 // 2 == 2016
    report = build(found, draw=True)
    table = report.tables["T7.1"]
    assert len(table.rows) == 1 + MAX_OPTIONS
    assert f"The first {MAX_OPTIONS} of 2016 options are printed; {2016 - MAX_OPTIONS} more" in table.note
    assert len(report.figures["F7.1"].source) < 1_000_000
    write_tables(found, tmp_path)
    with (tmp_path / "options.csv").open(newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2016
    assert [r["option"] for r in rows[: len(found.options.order)]] == [p.option for p in found.options.order]
    assert cells(table, 1)[1 : 1 + len(found.options.order)] == [p.option for p in found.options.order]


def test_tables_hold_what_the_document_holds(tmp_path: Path) -> None:
    found = results()
    assert found.options is not None
    write_tables(found, tmp_path)
    read = {p.stem: list(csv.DictReader(p.read_text(encoding="utf-8").splitlines())) for p in tmp_path.glob("*.csv")}
    by_id = {r["option"]: r for r in read["options"]}
    assert set(by_id) == {o.id for o in found.options.options}
    both = by_id["dampers + finish"]
    assert both["measures"] == "dampers; finish" and both["place"] == "1" and both["pareto"] == "True"
    assert float(both["mean_reduction_night_db"]) == 2.3 and float(both["cost_likely"]) == 71400.0
    assert both["persons_above_any_limit"] == "14" and by_id["slow"]["cost_likely"] == ""
    limits = [r for r in read["options_limits"] if r["option"] == "dampers + finish"]
    assert [(r["receivers_above_before"], r["receivers_above_with_option"]) for r in limits] == [("3", "1"), ("0", "0")]
    assert read["options_rejected"] == [
        {"measures": "dampers; grease", "reason": "dampers and grease exclude each other"}
    ]
    assert [r["id"] for r in read["measures"]] == ["dampers", "finish", "slow", "grease", "windows"]
    assert FRICTION_APPROVAL in read["measures"][3]["approval"]


def test_tables_of_a_project_without_measures_have_headings_only(tmp_path: Path) -> None:
    write_tables(FIXTURE["build_results"](2, options=None), tmp_path)
    for name in ("options", "options_limits", "options_rejected", "measures"):
        (head,) = (tmp_path / f"{name}.csv").read_text(encoding="utf-8").splitlines()
        assert head.count(",") >= 1


def test_levels_of_options_for_the_arrays() -> None:
    found = results()
    assert found.options is not None and option_levels(found) is None
    levels = {r.id: 50.0 + k for k, r in enumerate(found.receivers)}
    found.options.options[1].lden_db = {**levels, "R2": None}
    names, values = option_levels(found) or ([], np.empty(0))
    assert names == ["finish"] and values.tolist() == [[50.0, -np.inf, 52.0, 53.0]]


def test_the_depot_is_told_which_option_would_act_at_a_place() -> None:
    found = results()
    place = found.actions[0].model_copy(update={"kind": "growth", "track": "T1", "from_m": 460.0, "to_m": 500.0})
    assert option_for(place, found) == "dampers + finish"
    assert option_for(place.model_copy(update={"track": "T2"}), found) == ""
    assert option_for(place.model_copy(update={"from_m": 470.0}), found) == ""
    assert option_for(place.model_copy(update={"kind": "curve"}), found) == ""
    table = build(found.model_copy(update={"actions": [place]})).tables["T6.20"]
    assert table.rows[0].cells[-1].endswith("Of the options, “dampers + finish” (table T7.3) would act here.")


def option(measures: str, gain: float, cost: float | None, persons: int = 0) -> OptionResult:
    base = OPTIONS["_option"](("x",), {"x": 1.0}, {"x": 1.0})
    counts = {**base["above"][1], "persons_before": persons}
    money = None if cost is None else {"low": cost, "likely": cost, "high": cost, "currency": "EUR"}
    reductions = {"mean_reduction_db": {"lden": gain}, "worst_reduction_db": {"lden": gain}}
    names = measures.split()
    own = {"id": option_id(names), "measures": names, "decibel_dwellings": 10 * gain, "cost": money, "above": [counts]}
    return OptionResult.model_validate({**base, **reductions, **own, "acts": gain != 0})


def test_of_options_that_help_alike_the_cheaper_comes_first() -> None:
    options = [option("a", 1.02, 900.0), option("b", 1.0, 100.0), option("c", 1.5, 5000.0), option("d", 0.2, 10.0, 4)]
    assert [p.option for p in order_of(options, 10.0)] == ["d", "c", "b", "a"]


def test_the_reason_prints_the_mean_that_orders() -> None:
    """The mean over receivers is 0.2 dB, that over dwellings 1.5 dB."""
    given = option("a", 1.5, 100.0).model_copy(update={"mean_reduction_db": {"lden": 0.2}})
    assert "would be lower by 1.5 dB on average over dwellings" in order_of([given], 10.0)[0].reason
    assert "would be lower by 0.2 dB on average over receivers" in order_of([given])[0].reason


def test_the_reason_prints_the_likely_cost_where_it_decides() -> None:
    options = [option("a", 1.02, 900.0), option("b", 1.0, 100.0), option("c", 1.5, 5000.0), option("d", 0.98, None)]
    said = {p.option: p.reason for p in order_of(options, 10.0)}
    assert list(said) == ["c", "b", "a", "d"]
    assert "among options alike in this the likely cost decides: 100 EUR" in said["b"] and "900 EUR" in said["a"]
    assert "it stands after options alike in this whose cost is known" in said["d"] and "decides" not in said["c"]


def test_counts_of_what_no_receiver_has_are_dashes() -> None:
    found = results()
    receivers = [r.model_copy(update={"dwellings": 0}) for r in found.receivers]
    table = build(found.model_copy(update={"receivers": receivers})).tables["T7.4"]
    assert row(table, "as it is")[1:] == ("3", "–", "32")
    assert row(table, "dampers + finish")[1:] == ("3 → 1", "–", "32 → 14")
    counts = {"dwellings": 0, "dwellings_before": 0, "receivers": 1, "receivers_before": 3, "persons_before": 9}
    one = option("a", 1.5, 100.0)
    one.above = [one.above[0].model_copy(update=counts)]
    reason = order_of([one])[0].reason
    assert reason.startswith("2 more comparisons with limits would be kept (9 persons, each counted per limit)")


def test_the_table_of_measures_has_words_only(tmp_path: Path) -> None:
    """Effects without a range by their words alone; options without the signs of a programming language."""
    (bare,) = OPTIONS["measures"]()[0]["effects"]
    effects = [{**bare, "low_db": None, "high_db": None, "form": "30 lg(v2/v1)"}, {**bare, "low_db": 3, "high_db": 3}]
    given = {
        "track": "T1",
        "from_m": 300.0,
        "periods": ["night"],
        "reduction_db": {"500": 2.0},
        "line": [[0, 1], [2, 3]],
    }
    write_tables(results([OPTIONS["measure"]("slow", "Slow", effects=effects, options=given)], rejected=[]), tmp_path)
    (found,) = csv.DictReader((tmp_path / "measures.csv").read_text(encoding="utf-8").splitlines())
    words = "track: T1; from_m: 300; periods: night; reduction_db: 500: 2; line: (0, 1), (2, 3)"
    assert found["options"] == words
    source = "(An institute 2015; read in a published source)"
    assert found["published_effects"] == (f"rolling: 30 lg(v2/v1) {source}; rolling: 3 dB(A) beside the line {source}")


def test_an_option_is_left_out_of_the_order_where_a_part_does_as_much() -> None:
    options = [option("a", 1.0, 1.0), option("b", 0.02, 1.0), option("a b", 1.02, 2.0), option("a c", 1.3, 2.0)]
    assert [p.option for p in order_of(options, 10.0)] == ["a + c", "a", "b"]
    louder = option("e", -0.5, 1.0)
    assert order_of([louder], 10.0) == []


def test_none_is_cheaper_and_better_than_a_pareto_option() -> None:
    options = [option(*o) for o in (("a", 1.0, 10.0), ("b", 1.0, 15.0), ("c", 2.0, 20.0), ("d", 3.0, None))]
    mark_pareto(options)
    assert [o.id for o in options if o.pareto] == ["a", "c"]


def test_ranked_options_all_act_and_begin_with_the_order() -> None:
    options = results().options
    assert options is not None
    names = [o.id for o in ranked(options)]
    assert names[: len(options.order)] == [p.option for p in options.order]
    assert "windows" not in names and len(names) == len(set(names)) == sum(o.acts for o in options.options)

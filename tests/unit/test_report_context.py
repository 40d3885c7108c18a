"""What the report says, without making a PDF."""

from __future__ import annotations

import dataclasses
import html as html_module
import re
import runpy
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from lineside.report import context, html
from lineside.report.selection import MAX_ROWS
from lineside.report.strings import Strings
from lineside.report.views import Report
from lineside.results.model import Results

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
STRINGS = Strings()


def build(n: int = 10, draw: bool = False, **changes: Any) -> Report:
    results: Results = FIXTURE["build_results"](n, **changes)
    return build_from(results, draw)


def build_from(results: Results, draw: bool = False) -> Report:
    figures = context.draw(results, STRINGS) if draw else ()
    return context.build(results, FIXTURE["build_inputs"](), figures, STRINGS)


def page(results: Results) -> str:
    return html.render(build_from(results, draw=True), STRINGS, html.font_for_pdf)


def text_of(report: Report) -> str:
    return " ".join(sentence for block in report.summary for sentence in block.sentences)


def test_tables_have_fixed_ids() -> None:
    expected = [
        "T1.1",
        "T2.1",
        "T2.2",
        "T4.1",
        *(f"T5.{k}" for k in range(1, 11)),
        *(f"T6.{k}" for k in range(1, 12)),
        "T7.1",
        "T9.1",
        "TB.1",
        "TB.2",
        "TB.3",
    ]
    assert list(build().tables) == expected
    empty = FIXTURE["build_results"](10, findings=[], notes=[], grid=None)
    assert list(build_from(empty).tables) == expected


def test_every_table_and_figure_is_printed_once() -> None:
    results = FIXTURE["build_results"](3)
    report = build_from(results, draw=True)
    document = html.render(report, STRINGS, html.font_for_pdf)
    for name in [*report.tables, *report.figures]:
        assert document.count(f'id="{name}"') == 1, name


def test_sections_are_in_fixed_order() -> None:
    document = page(FIXTURE["build_results"](2, findings=[], grid=None))
    titles = re.findall(r'<h1 id="s-[a-z_]+">([^<]+)</h1>', document)
    assert [t.split()[0] for t in titles] == ["Contents", *"123456789", "Appendix", "Appendix"]


def test_summary_names_the_loudest_receiver_in_whole_decibels() -> None:
    results = FIXTURE["build_results"](10)
    loudest = max(results.receivers, key=lambda r: r.lden_db)
    said = text_of(build_from(results))
    assert f"between {min(r.lden_db for r in results.receivers):.0f} dB and {loudest.lden_db:.0f} dB" in said
    assert f"highest at {loudest.id} ({loudest.name})" in said
    assert not re.search(r"\d\.\d+ dB", said), "the summary prints whole decibels"


def test_summary_counts_findings_and_persons() -> None:
    results = FIXTURE["build_results"](10)
    above = [f for f in results.findings if f.verdict == "above"]
    made = [f for f in results.findings if f.verdict != "not assessed"]
    hit = {f.receiver for f in above}
    persons = sum(r.persons for r in results.receivers if r.id in hit)
    said = text_of(build_from(results))
    assert f"{len(above)} of {len(made)} comparisons are above the limit, at {len(hit)} receivers" in said
    assert f"{persons} persons)" in said
    worst = max(above, key=lambda f: f.difference_db)
    assert f"at {worst.receiver}: Lnight" in said


def test_summary_without_limits_and_without_sound() -> None:
    assert "asks for no comparison" in text_of(build(findings=[]))
    silent = []
    for receiver in FIXTURE["build_results"](2).receivers:
        none = {p: {k: None for k in v} for p, v in receiver.by_mechanism_db.items()}
        silent.append(
            receiver.model_copy(
                update={
                    "lden_db": None,
                    "period_db": dict.fromkeys(receiver.period_db),
                    "by_mechanism_db": none,
                    "passes": [],
                    "by_service_db": {},
                    "by_stretch_db": {},
                    "spectrum_db": {},
                }
            )
        )
    results = FIXTURE["build_results"](2, findings=[], grid=None).model_copy(update={"receivers": silent})
    report = build_from(results, draw=True)
    assert "No sound" in text_of(report)
    assert report.figures["F6.4"].empty and report.figures["F6.1"].empty
    assert report.tables["T6.1"].rows[0].cells[-1] == "–"
    assert "means: no sound" in report.tables["T6.1"].note


def test_small_excess_is_not_called_zero() -> None:
    finding = (
        FIXTURE["build_results"](1)
        .findings[0]
        .model_copy(update={"difference_db": 0.3, "verdict": "above", "compared_db": 54.3})
    )
    results = FIXTURE["build_results"](1).model_copy(update={"findings": [finding]})
    assert "less than 1 dB above" in text_of(build_from(results))


def test_findings_carry_verdicts_in_words_with_a_sign() -> None:
    rows = build().tables["T6.2"].rows
    verdicts = {row.cells[-1].removesuffix(" ±") for row in rows}
    assert verdicts == {"▲ above", "◆ borderline", "○ well below"}
    assert all(row.strong == row.cells[-1].startswith("▲") for row in rows)


def test_findings_not_made_are_listed_with_reasons() -> None:
    (row,) = build().tables["T6.3"].rows
    assert "no area type" in row.cells[1] and "R3" in row.cells[2]


def test_rounded_levels_are_printed_without_decimals() -> None:
    row = next(r for r in build().tables["T6.2"].rows if "16. BImSchV" in r.cells[1])
    assert re.fullmatch(r"\d+\.\d", row.cells[3]) and re.fullmatch(r"\d+", row.cells[4])


def test_levels_are_printed_to_a_tenth() -> None:
    report = build()
    for name in ("T6.1", "T6.5", "T6.6", "T6.7", "T6.8"):
        table = report.tables[name]
        levels = [
            row.cells[k]
            for row in table.rows
            for k, c in enumerate(table.columns)
            if c.kind == "num" and c.label not in ("Distance, m", "Height, m")
        ]
        assert levels and all(re.fullmatch(r"−?\d+\.\d|–", v) for v in levels), name


def test_long_tables_print_the_worst_and_say_so() -> None:
    results = FIXTURE["build_results"](230)
    report = build_from(results)
    table = report.tables["T6.1"]
    loudest = sorted(results.receivers, key=lambda r: (-r.lden_db, r.id))[:MAX_ROWS]
    assert {row.cells[0] for row in table.rows} == {r.id for r in loudest}
    assert f"Only the {MAX_ROWS} entries" in table.note and "of 230" in table.note
    assert all(len(t.rows) <= MAX_ROWS for t in report.tables.values())
    made = sorted((f.difference_db for f in results.findings if f.difference_db is not None), reverse=True)
    assert sum(row.cells[-2].startswith("+") for row in report.tables["T6.2"].rows) == min(
        MAX_ROWS, sum(d > 0 for d in made)
    )


def test_works_are_recorded_and_not_computed_without_a_rail_state() -> None:
    report = build_from(FIXTURE["build_results"](4, timeline=None), draw=True)
    table = report.tables["T2.2"]
    assert len(table.rows) == 2
    assert table.note.startswith("Recorded here; their effect on roughness is not computed")
    for table_id in ("T6.9", "T6.10", "T6.11"):
        assert report.tables[table_id].rows == () and "asks for no rail state" in report.tables[table_id].empty
    assert report.figures["F6.7"].empty == report.tables["T6.9"].empty
    assert "is not computed" in text_of(report)


def test_report_says_what_of_the_works_is_computed_and_until_when() -> None:
    report = build()
    assert report.tables["T2.2"].note.startswith("Computed: what these works do to the running surface")
    row = report.tables["T6.9"].rows[0].cells
    before, after, now = (float(row[k]) for k in (1, 3, 6))
    assert (after - before, now - before) == (pytest.approx(5.0, abs=0.11), pytest.approx(2.9, abs=0.11))
    assert report.tables["T6.10"].rows[0].cells[1:] == (
        "2026-10-12 / 2026-11-29 / 2027-01-09",
        "2026-12-28 ↑ / 2027-02-14 / not by 2027-03-01",
    )
    assert "above that margin again" in report.tables["T6.10"].note
    assert report.tables["T6.11"].rows[0].cells[4:8] == ("27.8 *", "35–60", "352–600", "703–1199")
    said = text_of(report)
    assert "about 5 dB (3 to 8 dB) above the state before" in said
    assert "by about February 2027; it may be as early as December 2026, and in the high case it is later than" in said
    assert "a tone of about 350 to 600 Hz" in said
    assert "a model of lineside's own" in said


def test_left_out_and_unverified_calculators_are_said_loudly() -> None:
    report = build()
    assert "eu_bridge" in report.paragraphs["left_out"]
    assert "Left out at the request of the project file: eu_bridge" in text_of(report)
    assert "Not verified: Squeal noise" in text_of(report)


def test_cautions_of_every_report() -> None:
    said = " ".join(build().lists["cautions"])
    for words in (
        "competent authority take precedence",
        "licensed or chartered acoustician must review",
        "Nobody may enter the track area",
        "adhesion, braking and train detection",
    ):
        assert words in said


def test_what_the_project_leaves_blank_is_said_to_be_so() -> None:
    cover = dict(build().cover)
    assert cover["Reviewer"] == "not stated" and cover["Author"] == "A. Writer"


def test_criteria_cards_say_source_place_and_caution() -> None:
    cards = build().criteria
    permit = dict(cards[2].facts)
    assert cards[2].title == "Operating permit, condition 14"
    assert permit["Source"] == "Permit 2019-07 (invented), condition 14"
    assert permit["As set in the project"] == "Lden: 60 dB (for: dwelling). LAFmax: 75 dB"
    assert dict(cards[1].facts)["Applies to"] == "Germany"
    assert all("Caution" in dict(card.facts) for card in cards)


def test_listing_is_the_whole_project_file() -> None:
    text = FIXTURE["PROJECT_YAML"]
    assert list(build().listing) == text.rstrip("\n").split("\n")


HOSTILE = '<script>alert(1)</script> {{7*7}} {% raw %} $x^2$ & "quoted" \x00\u202e' + "long" * 60


def hostile_results() -> Results:
    document = FIXTURE["build_results"](3).model_dump()
    document["project"]["identity"].update(title=HOSTILE, client=HOSTILE, author=HOSTILE, purpose=HOSTILE)
    for part in [
        *document["receivers"],
        *document["site"]["services"],
        *document["site"]["stops"],
        *document["site"]["barriers"],
        *document["site"]["ground"],
        *document["site"]["tracks"],
    ]:
        part["name"] = HOSTILE
    for stretch in document["site"]["stretches"]:
        stretch["label"] = HOSTILE
    document["uncertainty"]["statement"] = HOSTILE
    return Results.model_validate(document)


def test_hostile_text_is_inert() -> None:
    document = page(hostile_results())
    assert "<script" not in document
    assert "{{7*7}}" in document and "49" not in re.findall(r"<title>(.*?)</title>", document)[0]
    assert "\x00" not in document and "\u202e" not in document
    assert html_module.escape("<script>alert(1)</script>") in document


def test_no_wording_is_left_over() -> None:
    """Each key stands in the code or a template, whole or (where it is put together) by its last part."""
    code = "\n".join(p.read_text(encoding="utf-8") for p in sources())
    fed_by_data = ("period.", "quantity.", "mechanism.", "use.", "work.", "case.", "month.")
    unused = {
        k
        for k in STRINGS.all_keys()
        if not k.startswith(fed_by_data) and f'"{k}"' not in code and not re.search(rf"\b{k.partition('.')[2]}\b", code)
    }
    assert unused - COMPOSED == set()


#: Put together from data: method.step_1 to step_7, and parts of the lists in context.py.
COMPOSED = (
    {f"method.step_{k}" for k in range(1, 8)}
    | {f"limits.not_assessed_{what}" for what in ("works", "terrain", "other", "tonal")}
    | {f"results.map_{part}{q}" for part in ("", "legend_") for q in ("lden", "lnight")}
)


def sources() -> list[Path]:
    """Python code of report and figures, and all templates."""
    package = Path(html.__file__).parent
    folders = (package, package.parent / "figures", Path(str(resources.files("lineside_report"))))
    return sorted(p for folder in folders for p in folder.rglob("*") if p.suffix in (".py", ".j2"))


def test_template_context_is_documented() -> None:
    assert all(f.metadata.get("help") for f in dataclasses.fields(Report))


@pytest.mark.parametrize("name", [f.name for f in dataclasses.fields(Report)])
def test_templates_use_every_field(name: str) -> None:
    templates = "\n".join(p.read_text(encoding="utf-8") for p in sources() if p.suffix == ".j2")
    assert f"report.{name}" in templates

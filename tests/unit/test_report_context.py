"""What the report says, without making a PDF."""

from __future__ import annotations

import base64
import dataclasses
import html as html_module
import re
import runpy
from importlib import resources
from pathlib import Path
from typing import Any

import pytest

from lineside.report import context, html, input_details, maps, pictures
from lineside.report.selection import MAX_PARTS, MAX_ROWS
from lineside.report.strings import Strings
from lineside.report.views import Report
from lineside.report.wording import NO_BREAK
from lineside.results.model import MapResult, Results

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


def with_map(kind: str, value: float, edges: list[float], areas: list[float], **changes: Any) -> Results:
    results: Results = FIXTURE["build_results"](10, **changes)
    grid = results.grid
    assert grid is not None
    values = [[value for _ in grid.x] for _ in grid.y]
    before = results.situation if kind == "difference" else None
    found = MapResult(
        id="M",
        name="",
        kind=kind,  # type: ignore[arg-type]
        quantity="lden",
        situation=results.situation,
        before=before,
        values_db=values,
        edges_db=edges,
        area_m2=areas,
    )
    return results.model_copy(update={"maps": [found]})


def test_classes_of_maps_are_named_in_words_and_areas_have_one_decimal() -> None:
    table = build_from(with_map("difference", 2.0, [-3.0, 1.0, 15.0], [400.0, 12345.0, 0.0, 2e6])).tables["T6.8"]
    cells = [row.cells[1:3] for row in table.rows if not row.group]
    assert cells == [("below −3", "< 0.1"), ("−3 to 1", "1.2"), ("15 and more", "200.0")]
    assert "before" not in table.note and "taken away" in table.note


@pytest.mark.parametrize(("value", "told"), [(0.0, True), (0.4, False)])
def test_a_difference_without_change_says_so(value: float, told: bool) -> None:
    results = with_map("difference", value, [-1.0, 1.0], [0.0, 1e4, 0.0])
    (figure,) = maps.figures(results, STRINGS)
    assert ("Nothing changes" in figure.note) == told == ("Nothing changes" in figure.alt)


def test_maps_lead_to_the_tables_of_facades_where_there_are_any() -> None:
    results = with_map("levels", 55.0, [50.0, 60.0], [0.0, 1e4, 0.0])
    without, some = (results.model_copy(update={"facades": f}) for f in (None, object()))
    assert "table T6.2 does" in maps.intro(without, STRINGS) and "T6.6" not in maps.intro(without, STRINGS)
    assert "tables T6.2 and T6.6 do" in maps.intro(some, STRINGS)
    notes = [pictures._map("F6.1", r, STRINGS).note for r in (without, some)]
    assert "from table T6.1, not" in notes[0] and "from tables T6.1 and T6.4, not" in notes[1]


def test_maps_say_what_points_on_a_track_have() -> None:
    results: Results = FIXTURE["build_results"](10)
    assert results.grid is not None
    notes = []
    for n in (0, 3):
        grid = results.grid.model_copy(update={"n_on_track": n})
        notes.append(pictures._map("F6.1", results.model_copy(update={"grid": grid}), STRINGS).note)
    assert ["A point on a track" in note for note in notes] == [False, True]


def test_tables_have_fixed_ids() -> None:
    expected = [
        "T1.1",
        "T2.1",
        "T2.2",
        "T2.3",
        "T4.1",
        *(f"T5.{k}" for k in range(1, 18)),
        *(f"T6.{k}" for k in range(1, 21)),
        *(f"T7.{k}" for k in range(1, 17)),
        "T8.1",
        "T8.2",
        "T8.3",
        "T9.1",
        "T11.1",
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
    assert [t.split()[0] for t in titles] == ["Contents", *"123456789", "10", "11", *3 * ["Appendix"]]


def test_summary_starts_with_the_loudest_place_and_who_exceeds() -> None:
    results = FIXTURE["build_results"](10)
    loudest = max(results.receivers, key=lambda r: r.lden_db)
    first = build_from(results).summary[0]
    assert first.title == "In short"
    assert f"At the loudest place, {loudest.id} ({loudest.name}," in first.sentences[0]
    assert f"Lden is {loudest.lden_db:.0f} dB" in first.sentences[0]
    made = [f for f in results.findings if f.criterion == "permit-2019"]
    above = {f.receiver for f in made if f.verdict == "above"}
    assert f"{len(above)} of {len({f.receiver for f in made})} for “Operating permit" in first.sentences[1]


def test_summary_answers_per_criterion_with_permit_and_law_before_guideline() -> None:
    results = FIXTURE["build_results"](10)
    answers = build_from(results).summary[1].sentences
    assert [a.partition(" [")[0] for a in answers[:3]] == [
        "Operating permit, condition 14",
        "Limits of the 16. BImSchV",
        "Environmental noise guidelines, railway noise",
    ]
    for name, answer in zip(("permit-2019", "de_16bimschv", "who_2018"), answers, strict=False):
        made = [f for f in results.findings if f.criterion == name and f.verdict != "not assessed"]
        above = [f for f in made if f.verdict == "above"]
        unsure = sum(f.within_uncertainty for f in above)
        if not above:
            assert f"no limit is exceeded by the computed levels; {len(made)} comparisons" in answer
            continue
        assert f"{len(above)} of {len(made)} comparisons are above the limit, of which {unsure} within" in answer
        persons = sum(r.persons for r in results.receivers if r.id in {f.receiver for f in above})
        assert f"{persons} persons)" in answer
    assert "within the uncertainty" in answers[0] and "within the uncertainty" in answers[2]
    row = build_from(results).tables["T1.1"].rows[0]
    made = [f for f in results.findings if f.criterion == "permit-2019"]
    above = [f for f in made if f.verdict == "above"]
    assert row.cells[1:4] == (
        str(len(made)),
        str(sum(not f.within_uncertainty for f in above)),
        str(sum(f.within_uncertainty for f in above)),
    )


@pytest.mark.parametrize(("n", "said"), [(1, "1 more is borderline"), (2, "2 more are borderline")])
def test_borderline_findings_are_counted_in_good_grammar(n: int, said: str) -> None:
    findings = [f for f in FIXTURE["build_results"](4).findings if f.criterion == "permit-2019"]
    some = [f.model_copy(update={"verdict": "borderline" if k < n else "well below"}) for k, f in enumerate(findings)]
    text = text_of(build(4, findings=some))
    assert said in text and "no limit is exceeded by the computed levels" in text
    kept = [f.model_copy(update={"verdict": "well below"}) for f in findings]
    assert "no limit is exceeded; 8 comparisons" in text_of(build(4, findings=kept))


def test_levels_near_their_limit_have_a_decimal_in_the_summary() -> None:
    results = FIXTURE["build_results"](10)
    loudest = max(results.receivers, key=lambda r: r.lden_db)
    assert loudest.lden_db - 58.0 > 1.0
    near = loudest.model_copy(update={"lden_db": 58.37})
    others = [r.model_copy(update={"lden_db": r.lden_db - 10.0}) for r in results.receivers if r.id != loudest.id]
    changed = results.model_copy(update={"receivers": [near, *others]})
    assert "Lden is 58.4 dB" in text_of(build_from(changed))


def test_where_impact_noise_dominates_the_nearest_joints_are_named() -> None:
    results: Results = FIXTURE["build_results"](10)
    assert "nearest to" not in text_of(build_from(results))
    loud = []
    for r in results.receivers:
        parts = {p: {**v, "impact": 80.0} for p, v in r.by_mechanism_db.items()}
        loud.append(r.model_copy(update={"by_mechanism_db": parts}))
    top = max(loud, key=lambda r: r.lden_db)
    # worked by hand: R8 at (100, -45), the turnout of T2 at (99, 4), that of T1 at (150, 0)
    assert top.id == "R8" and (top.x, top.y) == (100.0, -45.0)
    said = text_of(build_from(results.model_copy(update={"receivers": loud})))
    assert "The turnout nearest to R8 is on track T2 at 100 m, 49 m away" in said
    joints = [j for j in results.site.joints if j.what == "joints"]
    site = results.site.model_copy(update={"joints": joints})
    said = text_of(build_from(results.model_copy(update={"receivers": loud, "site": site})))
    assert "The rail joints nearest to R8 are on track T1 from 520 m to 680 m, 425 m away" in said


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


def findings_rows(report: Report) -> list[Any]:
    return [row for row in report.tables["T6.2"].rows if not row.group]


def test_findings_carry_verdicts_in_words_with_a_sign() -> None:
    rows = findings_rows(build())
    verdicts = {row.cells[-1].removesuffix(" ±") for row in rows}
    assert verdicts == {"▲ above", "◆ borderline", "○ well below"}
    assert all(row.strong == row.cells[-1].startswith("▲") for row in rows)


def test_findings_are_grouped_by_criterion() -> None:
    table = build().tables["T6.2"]
    heads = [row.cells for row in table.rows if row.group]
    assert heads == [
        ("Operating permit, condition 14 [permit condition]",),
        ("Limits of the 16. BImSchV [legal limit]",),
        ("Environmental noise guidelines, railway noise [guideline value]",),
    ]
    assert table.rows[0].group and "4 dB for LAFmax, 3 dB for all other" in table.note
    assert not any("BImSchV" in cell for row in findings_rows(build()) for cell in row.cells)


def test_findings_not_made_are_listed_with_reasons() -> None:
    (row,) = build().tables["T6.3"].rows
    assert "no area type" in row.cells[1] and "R3" in row.cells[2]


def test_rounded_levels_are_printed_without_decimals_and_explained() -> None:
    table = build().tables["T6.2"]
    start = next(k for k, row in enumerate(table.rows) if "16. BImSchV" in row.cells[0])
    row = table.rows[start + 1]
    assert re.fullmatch(r"\d+\.\d+", row.cells[2]) and re.fullmatch(r"\d+", row.cells[3])
    assert "starts from the unrounded level" in table.note
    finding = FIXTURE["build_results"](1).findings[2]
    tight = finding.model_copy(update={"level_db": 59.049, "compared_db": 60.0, "difference_db": 1.0})
    (row,) = findings_rows(build(1, findings=[tight]))
    assert row.cells[2:4] == ("59.05", "60")


def test_levels_are_printed_to_a_tenth() -> None:
    report = build()
    for name in ("T6.1", "T6.9", "T6.10", "T6.11", "T6.12"):
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
    assert all(sum(not row.group for row in t.rows) <= MAX_ROWS for t in report.tables.values())
    made = sorted((f.difference_db for f in results.findings if f.difference_db is not None), reverse=True)
    assert sum(row.cells[-2].startswith("+") for row in findings_rows(report)) == min(
        MAX_ROWS, sum(d > 0 for d in made)
    )


def test_works_are_recorded_and_not_computed_without_a_rail_state() -> None:
    results = FIXTURE["build_results"](4, timeline=None, tones=None)
    bare = results.model_copy(update={"site": results.site.model_copy(update={"works": []})})
    assert build_from(bare).tables["T2.3"].note == ""
    report = build_from(results, draw=True)
    table = report.tables["T2.3"]
    assert len(table.rows) == 2
    assert table.note.startswith("Their effect on the roughness of rails is not computed")
    for table_id in ("T6.13", "T6.14", "T6.15", "T6.16", "T6.17"):
        assert report.tables[table_id].rows == () and "asks for no rail state" in report.tables[table_id].empty
    for figure_id in ("F6.7", "F6.8", "F6.9"):
        assert report.figures[figure_id].empty == report.tables["T6.13"].empty
    assert "is not computed" in text_of(report)


def test_report_says_what_of_the_works_is_computed_and_until_when() -> None:
    report = build()
    assert report.tables["T2.3"].note.startswith("Computed: what these works do to the running surface")
    row = report.tables["T6.13"].rows[0].cells
    before, after, now = (float(row[k]) for k in (1, 3, 6))
    assert (after - before, now - before) == (pytest.approx(5.0, abs=0.11), pytest.approx(2.9, abs=0.11))
    assert report.tables["T6.14"].rows[0].cells[1:] == (
        "2026-10-12 / 2026-11-29 / 2027-01-09",
        "2026-12-28 / 2027-02-14 / not by 2027-03-01 ↑",
    )
    assert "above that margin again" in report.tables["T6.14"].note
    assert report.tables["T6.16"].rows[0].cells[4:8] == ("27.8 *", "35–60", "352–600", "703–1199")
    said = text_of(report)
    assert "about 5 dB (3 to 8 dB) above the state before" in said
    assert "by about February 2027; it may be as early as December 2026, and in the high case it is later than" in said
    assert "a tone of about 350 to 600 Hz" in said
    assert "a model of lineside's own" in said


def test_limits_in_time_print_levels_as_compared_and_the_days_from_which_they_are_kept() -> None:
    results = FIXTURE["build_results"](2)
    report = build_from(results, draw=True)
    table = report.tables["T6.15"]
    (rating,) = results.timeline.receivers[0].ratings
    group, first, second = table.rows
    assert group.group and group.cells[0].startswith("Operating permit")
    likely = rating.rating_db["likely"]
    assert (first.cells[0], second.cells[0], first.cells[1]) == ("R1", "R2", "Lnight")
    assert first.cells[2:] == (
        f"{rating.limit_db:g}",
        f"{rating.before_db:.1f}",
        f"{likely[3]:.1f} †",
        f"{likely[5]:.1f} †",
        "2026-12-11 ↑ / 2027-01-20 / not by 2027-03-01",
    )
    assert "†: holds an adjustment" in table.note and "↑: exceeded again" in table.note
    made = sum(f.verdict != "not assessed" for f in results.findings)
    assert f"Not followed in time: {made - 2} comparisons" in table.note
    said = text_of(report)
    worst = max(results.timeline.receivers, key=lambda r: r.ratings[0].rating_db["likely"][3] - r.ratings[0].limit_db)
    assert f"the limit of {worst.ratings[0].limit_db:g} dB for Lnight (Operating permit" in said
    assert f"is exceeded for a time at {worst.receiver}: in the likely case until about January 2027, in the" in said
    assert "The same holds for 1 more comparison" in said
    svg = base64.b64decode(report.figures["F6.7"].source.partition("base64,")[2]).decode()
    for words in ("rating level", "Lnight, rated", f"limit {rating.limit_db:g} dB (Lnight)", "Lden, or as named, dB"):
        assert words in svg
    assert "Rating levels" in report.figures["F6.7"].note


@pytest.mark.parametrize(
    ("reason", "above_from", "printed"),
    [
        ("kept throughout", None, "kept throughout"),
        ("exceeded throughout", None, "exceeded throughout"),
        ("exceeded to the end of the time line", None, "not by 2027-03-01"),
        ("kept until it is exceeded", "2027-02-03", "kept until 2027-02-03"),
    ],
)
def test_limits_in_time_say_why_there_is_no_day(reason: str, above_from: str | None, printed: str) -> None:
    results = FIXTURE["build_results"](1)
    cases = ("low", "likely", "high")
    (receiver,) = results.timeline.receivers
    changed = receiver.ratings[0].model_copy(
        update={
            "kept_from": dict.fromkeys(cases),
            "above_from": dict.fromkeys(cases, above_from),
            "reasons": dict.fromkeys(cases, reason),
            "tone_found": [False] * 7,
        }
    )
    timeline = results.timeline.model_copy(update={"receivers": [receiver.model_copy(update={"ratings": [changed]})]})
    report = build_from(results.model_copy(update={"timeline": timeline}), draw=True)
    assert report.tables["T6.15"].rows[1].cells[-1] == printed
    assert ("still at the end of the time line" in text_of(report)) == printed.startswith("not by")
    # nothing is drawn beside the level where no adjustment was made
    svg = base64.b64decode(report.figures["F6.7"].source.partition("base64,")[2]).decode()
    assert "rated" not in svg and "Rating levels" not in report.figures["F6.7"].note


def test_limits_exceeded_before_the_works_are_not_blamed_on_them() -> None:
    results = FIXTURE["build_results"](1)
    assert "kept before them" in text_of(build_from(results))
    (receiver,) = results.timeline.receivers
    changed = receiver.ratings[0].model_copy(update={"above_before": True})
    timeline = results.timeline.model_copy(update={"receivers": [receiver.model_copy(update={"ratings": [changed]})]})
    assert "kept before them" not in text_of(build_from(results.model_copy(update={"timeline": timeline})))


def test_marks_in_time_are_drawn_once_per_group_with_the_margin_that_is_needed() -> None:
    report = build(3, draw=True)
    figure = report.figures["F6.9"]
    svg = base64.b64decode(figure.source.partition("base64,")[2]).decode()
    assert svg.count("27.8 mm") == 1 and "needed for a tone: 0 dB" in svg
    assert f"T1, 250–560{NO_BREAK}m" in figure.alt and "smoothest wheels" in figure.note


def test_tones_at_receivers_print_the_clearest_service_and_the_rule() -> None:
    table = build(4).tables["T6.17"]
    assert [row.cells[0] for row in table.rows] == ["R1", "R2", "R3", "R4"]
    assert table.rows[0].cells[1:] == (
        *("Fast, towards Millgate", f"T1, 250–560{NO_BREAK}m", "27.8", "580–600", "630", "15.0", "2.0"),
        *("likely", "likely", "–"),
    )
    assert "by 0 dB or more and the frequency spreads by no more than 12 %" in table.note
    assert "Both values are assumptions" in table.note and "third octaves of wavelength" in table.note


def test_likely_tones_that_the_survey_misses_are_told() -> None:
    results = FIXTURE["build_results"](3)
    assert "hide a narrow tone" not in build_from(results).tables["T6.17"].note
    missed = [t.model_copy(update={"flagged": t.receiver != "R2"}) for t in results.tones.at_receivers]
    some = results.model_copy(update={"tones": results.tones.model_copy(update={"at_receivers": missed})})
    report = build_from(some)
    said = "At R2 a tone is likely although the survey of third octaves does not flag one there"
    assert said in report.tables["T6.17"].note and said in text_of(report)


def test_tone_figure_shows_pitch_harmonics_and_services() -> None:
    figure = build(3, draw=True).figures["F6.8"]
    svg = base64.b64decode(figure.source.partition("base64,")[2]).decode()
    for words in ("Against train speed", "Along the line", "27.8 mm", "× 2", "→ Local, towards Millgate"):
        assert words in svg
    assert "× 3" not in svg  # the marks have two orders only
    assert "squeal does not move with speed" in figure.note
    assert "Fast, towards Millgate: 400 to 600 Hz at 40–60 km/h." in figure.alt


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
    assert permit["As set in the project"] == "Lden: 58 dB (for: dwelling). LAFmax: 72 dB"
    assert dict(cards[1].facts)["Applies to"] == "Germany"
    assert all("Caution" in dict(card.facts) for card in cards)


def test_listing_is_the_whole_project_file() -> None:
    text = FIXTURE["PROJECT_YAML"]
    assert list(build().listing) == text.rstrip("\n").split("\n")


def test_joints_and_turnouts_are_listed_with_their_route() -> None:
    rows = [row.cells for row in build().tables["T5.13"].rows]
    assert rows == [
        ("T1", "turnout", "W1", "diverging", "150", "–", "a turnout"),
        ("T1", "rail joints", "–", "–", "520", "680", "1"),
        ("T2", "turnout", "W2", "through", "100", "–", "a turnout"),
    ]


def test_rail_heads_come_from_the_alignment() -> None:
    rows = [row.cells for row in build().tables["T5.14"].rows]
    assert rows[0][-3:] == ("0.50", "0.75", "t1.csv")
    assert rows[1][-3:] == ("0.25", "1.50", "written in project.yaml")


def test_heights_of_a_geojson_track() -> None:
    import json

    line = {"type": "LineString", "coordinates": [[0, 0, 2.0], [9, 0]]}
    document = json.dumps({"features": [{"properties": {"id": "T1"}, "geometry": line}]}).encode()
    alignment = {"kind": "geojson", "file": "t.geojson", "feature": "T1", "z_m": 1.0}
    assert input_details._rail_heads(alignment, {"t.geojson": document}) == [2.0, 1.0]
    assert input_details._rail_heads({**alignment, "z_m": None}, {"t.geojson": document}) == []
    assert input_details._rail_heads(alignment, {"t.geojson": b"[]"}) == []


def test_spectra_from_files_are_printed_where_they_have_two_columns() -> None:
    values = {row.cells[0]: row.cells[-1].replace(NO_BREAK, " ") for row in build().tables["T5.11"].rows}
    assert values["rail-2026"].startswith("100 mm: 5 dB; 80: 4; 63: 3")
    assert values["wheel-2026"] == "100 mm: 5.5 dB; 80: −4 (wheel.csv)"
    assert values["motor"] == "lower source: 50 Hz: 90 dB; 63: 91. upper source: 50 Hz: 80 dB; 63: 81"
    assert values["odd"] == "in the attached file odd.csv"


@pytest.mark.parametrize(
    "raw", [None, b"", b"\xff\xfe", b"a,b\n1\n", b"a,b\n1,2,3\n", b"a,b\n1,x\n", b'a,b\n"1,2\n', b"a,b,c\n1,2,3\n"]
)
def test_files_that_are_no_plain_table_are_not_printed(raw: bytes | None) -> None:
    assert input_details.pairs_of_csv(raw) == []


def test_how_trains_run_is_printed() -> None:
    rows = [row.cells for row in build().tables["T5.15"].rows]
    assert rows[0] == ("Local, towards Millgate", "per period", "–", "quay", "25", "0.9", "0.8")
    assert rows[1][1:3] == ("timetable in early.csv, attached", "40")
    cells = build().tables["T5.16"].rows[0].cells
    assert cells[2] == "no" and cells[-1].replace(NO_BREAK, " ") == "wheel load: 52 kN"


def test_barriers_have_length_and_ends() -> None:
    (row,) = build().tables["T5.8"].rows
    # worked by hand: sqrt(42² + 12²) + sqrt(36² + 22²) + sqrt(22² + 24²) = 43.7 + 42.2 + 32.6
    assert row.cells[3:] == ("2.5", "118", "310.0", "20.0", "410.0", "78.0")


def test_a_calculator_without_any_sound_is_said_to_contribute_nothing() -> None:
    said = {row.cells[2]: row.cells[4] for row in build().tables["T4.1"].rows}
    assert said["eu_bridge"] == "no contribution here" and said["eu_rolling"] == "contributes"
    assert said["eu_propagation"] == "–"


def test_section_8_lists_what_reproduces_no_published_case() -> None:
    (said,) = build().lists["verification"]
    assert said.startswith("Squeal noise: not verified.")


def test_both_uncertainties_are_stated() -> None:
    said = build().paragraphs["uncertainty"]
    assert "expanded uncertainty 3 dB" in said and "expanded uncertainty 4 dB" in said
    assert "Findings on LAFmax" in said


def test_terms_explain_quantities_and_states() -> None:
    terms = dict(build().terms)
    assert {"LAeq", "Lden", "LAE", "LAFmax", "G", "Homogeneous", "Favourable", "Incident sound"} <= set(terms)
    assert "Homogeneous: the air" in build().tables["T6.7"].note


def test_many_parts_are_summed_as_others() -> None:
    results = FIXTURE["build_results"](2)
    parts = {f"S{k}": 50.0 for k in range(10)}
    many = [r.model_copy(update={"by_stretch_db": {"lden": parts}}) for r in results.receivers]
    report = build_from(results.model_copy(update={"receivers": many}), draw=True)
    table = report.tables["T6.12"]
    assert len(table.columns) == 1 + MAX_PARTS + 1 and table.columns[-2].label == "Others"
    # three equal parts: 50 + 10 lg 3
    assert table.rows[0].cells[-2] == "54.8" and "3 smaller parts" in table.note


def test_no_short_word_is_wider_than_its_column() -> None:
    """Measured in the shipped fonts; sizes and padding are those of style.css, the text is 170 mm wide."""
    from matplotlib.ft2font import FT2Font

    fonts = {}
    for name in ("Regular", "Semibold"):
        with resources.as_file(resources.files("lineside_report") / "fonts" / f"SourceSans3-{name}.ttf") as file:
            fonts[name] = FT2Font(str(file))

    def width_mm(word: str, font: str, size_pt: float) -> float:
        fonts[font].set_size(100.0 * size_pt, 72)  # large, so that no hinting rounds
        fonts[font].set_text(word)
        return float(fonts[font].get_width_height()[0]) / 6400.0 * 25.4 / 72.0

    document = FIXTURE["build_results"](6).model_dump()
    for stretch in document["site"]["stretches"]:
        stretch["form"], stretch["bridge"] = "embedded", "plus_10_dba"
        stretch["label"], stretch["transfer"] = "Weaver Street track", "direct_fastening_on_bridge"
    for table in build_from(Results.model_validate(document)).tables.values():
        size, padding = (7.3, 2.2) if table.dense else (8.1, 2.6)
        for k, (column, share) in enumerate(zip(table.columns, table.widths_pct, strict=True)):
            extra = 2.7 if k and table.columns[k - 1].kind == "num" != column.kind else 0.0
            room = share / 100.0 * 170.0 - padding - extra
            for row in table.rows:
                font = "Semibold" if row.strong else "Regular"
                for word in [] if row.group or column.kind == "hash" else re.split(r"[ -]", row.cells[k]):
                    if sum(c.isalpha() for c in word) < 10:
                        assert width_mm(word, font, size) <= room, (table.id, column.label, word)


def test_a_statement_does_not_repeat_its_title() -> None:
    title = "Operating permit, condition 14"
    results = FIXTURE["build_results"](1)
    offers = [
        o.model_copy(update={"statement": f"{title}: applies here."}) if o.name == "permit-2019" else o
        for o in results.provenance.offers
    ]
    provenance = results.provenance.model_copy(update={"offers": offers})
    card = build_from(results.model_copy(update={"provenance": provenance})).criteria[2]
    assert (card.title, card.text) == (title, "Applies here.")


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
    fed_by_data = tuple(
        f"{part}."
        for part in (
            *("period", "quantity", "mechanism", "use", "work", "state_note", "direction", "kind", "surface", "joint"),
            *(
                "route",
                "offer_kind",
                "spectrum_kind",
                "spectrum_column",
                "class",
                "option",
                "choice",
                "case",
                "month",
                "tone_word",
                "cause",
                "cause_up",
                "cause_down",
                "action",
                "action_do",
                "condition",
                "state_change",
                "explain",
                "earthwork",
                "compass",
                "sure_group",
                "sure_find",
                "range_shape",
            ),
        )
    )
    unused = {
        k
        for k in STRINGS.all_keys()
        if not k.startswith(fed_by_data) and f'"{k}"' not in code and not re.search(rf"\b{k.partition('.')[2]}\b", code)
    }
    headings = {k for k in unused if re.match(r"help\.(col|said)_", k) and f'"{k.partition("_")[2]}"' in code}
    assert unused - COMPOSED - headings == set()


#: Put together from data: method.step_1 to step_7, and parts of the lists in context.py.
COMPOSED = (
    {f"method.step_{k}" for k in range(1, 8)}
    | {f"limits.not_assessed_{what}" for what in ("works", "terrain", "other", "tonal")}
    | {f"{part}.{name}" for part in ("term", "term_meaning") for name in context.TERMS}
    | {f"summary.{w}_{n}" for w in ("receivers", "dwellings", "persons", "borderline") for n in ("one", "many")}
    | {f"causes.summary_{way}" for way in ("up", "down")}
    | {f"map.key_{what}" for what in ("joints", "turnout", "diverging", "earthwork", "viaduct")}
    | {f"place.terrain_{kind}" for kind in ("raster", "points")}
    | {f"results.map_{q}" for q in ("lden", "lnight")}
    | {f"map.unit_{kind}" for kind in ("difference", "conflict")}
    | {f"help.{what}_{kind}" for what in ("axis", "described") for kind in ("decibel_dwellings", "mean_reduction_db")}
    | {f"help.per_{unit}" for unit in ("m", "m2", "piece", "vehicle", "whole")}
    | {f"help.track_{end}" for end in ("start", "end")}
    | {f"help.side_{side}" for side in ("indoors", "waiting")}
    | {f"search.{what}_{by}" for what in ("benefit", "weight", "unit") for by in ("dwellings", "receivers")}
    | {f"maps.alt_{kind}" for kind in ("levels", "difference", "conflict")}
)


def sources() -> list[Path]:
    """Python code of report, figures and comparison, and all templates."""
    package = Path(html.__file__).parent
    folders = (
        package,
        package.parent / "figures",
        package.parent / "compare",
        Path(str(resources.files("lineside_report"))),
    )
    return sorted(p for folder in folders for p in folder.rglob("*") if p.suffix in (".py", ".j2"))


def test_template_context_is_documented() -> None:
    assert all(f.metadata.get("help") for f in dataclasses.fields(Report))


@pytest.mark.parametrize("name", [f.name for f in dataclasses.fields(Report)])
def test_templates_use_every_field(name: str) -> None:
    templates = "\n".join(p.read_text(encoding="utf-8") for p in sources() if p.suffix == ".j2")
    assert f"report.{name}" in templates

"""Builds the one object that the templates of the assessment may use, from the results document and the inputs."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from lineside.contracts import ReportSection
from lineside.figures.words import clean, shorten
from lineside.report import (
    buildings,
    causes,
    in_time,
    input_details,
    kept_limits,
    limits_in_time,
    maps,
    measure_tables,
    method_sources,
    option_figure,
    option_tables,
    pictures,
    place_inputs,
    place_search,
    result_tables,
    summary,
    sure,
    tones,
)
from lineside.report.sections import fragments
from lineside.report.selection import identity, left_out
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, number
from lineside.report.views import Figure, Heading, Report, Table
from lineside.results.model import Results

PROJECT_FILE = "project.yaml"
MAX_LISTING_LINES = 4000
SECTIONS = (
    "summary",
    "place",
    "criteria",
    "method",
    "inputs",
    "results",
    "help",
    "sure",
    "limits",
    "cautions",
    "sources",
    "appendix_a",
    "appendix_b",
    "appendix_c",
)
CAUTIONS = ("local", "sign", "track", "friction", "criteria", "reuse")


def build(
    results: Results,
    inputs: Mapping[str, bytes],
    figures: Sequence[Figure],
    strings: Strings,
    sections: Sequence[ReportSection] = (),
) -> Report:
    """Everything that is printed, selected, worded and formatted.

    Parameters
    ----------
    results : Results
        The results document.
    inputs : mapping
        Name to content of the files that the project was read from.
    figures : sequence of Figure
        Made by :func:`lineside.report.pictures.figures`.
    strings : Strings
        Catalogue of the language.
    sections : sequence of ReportSection
        Sections that plugins add.
    """
    title = identity(results, "title") or strings("report.no_title")
    provenance = results.provenance
    listing, listing_note = _listing(inputs.get(provenance.project_file), strings)
    tables = [
        kept_limits.table(results, strings),
        *place_inputs.tables(results, strings),
        *input_details.tables(results, inputs, strings),
        *result_tables.tables(results, strings),
        *buildings.tables(results, strings),
        *in_time.tables(results, strings),
        *tones.tables(results, strings),
        causes.conditions_table(results, strings),
        *causes.tables(results, strings),
        limits_in_time.table(results, strings),
        maps.table(results, strings),
        *option_tables.tables(results, strings),
        *measure_tables.tables(results, strings),
        *place_search.tables(results, strings),
        *sure.tables(results, strings),
        *method_sources.tables(results, strings),
    ]
    return Report(
        language=strings("report.language"),
        title=title,
        running=strings(
            "report.running", title=shorten(title, 80), revision=shorten(identity(results, "revision"), 12)
        ),
        footer=strings("report.footer", version=provenance.lineside_version, hash=provenance.project_sha256[:12]),
        date=identity(results, "date"),
        author=identity(results, "author"),
        headings=[Heading(name, strings(f"sections.{name}")) for name in SECTIONS],
        cover=_cover(results, strings),
        revision=_revision(results, strings),
        attached=strings("cover.attached", files=shorten(", ".join(sorted(inputs)), 300)),
        terms=_terms(results, strings),
        summary=summary.blocks(results, strings),
        paragraphs=_paragraphs(results, strings),
        lists=_lists(results, strings),
        tables={t.id: t for t in sorted(tables, key=_in_order)},
        figures={f.id: f for f in sorted(figures, key=_of_figures)},
        map_ids=maps.map_ids(results),
        criteria=method_sources.criteria_cards(results, strings),
        calculators=method_sources.calculator_cards(results, strings),
        fragments=fragments(results, sections, strings),
        listing=listing,
        listing_note=listing_note,
    )


def draw(results: Results, strings: Strings) -> Sequence[Figure]:
    """The figures of the report; apart from :func:`build` so that their time can be told."""
    return pictures.figures(results, strings)


def _in_order(table: Table) -> tuple[int, str, int]:
    """Tables by section and number; those of the appendix, which have letters, come last."""
    section, _, number_ = table.id.removeprefix("T").partition(".")
    return (int(section), "", int(number_)) if section.isdigit() else (1000, section, int(number_))


def _of_figures(figure: Figure) -> tuple[int, bool, int]:
    """Figures by section and number; maps that the project asks for (M1, M2 ...) after the others."""
    section, _, number_ = figure.id.removeprefix("F").partition(".")
    return int(section), number_.startswith("M"), int(number_.removeprefix("M"))


def _cover(results: Results, strings: Strings) -> list[tuple[str, str]]:
    entries = {
        "client": "client",
        "author": "author",
        "reviewer": "reviewer",
        "authority": "competent_authority",
        "purpose": "purpose",
        "dates": "assessment_dates",
    }
    facts = [
        (strings(f"cover.{word}"), identity(results, key) or strings("report.unknown")) for word, key in entries.items()
    ]
    one = summary.of_one_situation(results, strings)
    only = [(strings("cover.situation"), one)] if one else []
    return [*facts, (strings("cover.method"), results.provenance.method_title), *only]


def _revision(results: Results, strings: Strings) -> list[tuple[str, str]]:
    keys = ("revision", "date", "author", "reviewer")
    return [(strings(f"cover.{key}"), identity(results, key) or NOTHING) for key in keys]


def _paragraphs(results: Results, strings: Strings) -> dict[str, str]:
    site, stated = results.site, results.uncertainty
    has_criteria = any(o.kind == "criterion" for o in results.provenance.offers)
    missing = left_out(results)
    return {
        "place": strings(
            "place.intro",
            system=site.coordinate_system,
            ground=place_inputs.ground_words(site, strings),
            surface=site.default_ground,
            g=number(site.default_g),
        ),
        "criteria": strings("criteria.intro" if has_criteria else "criteria.none"),
        "method": strings("method.intro", title=results.provenance.method_title, name=results.provenance.method),
        "maps": maps.intro(results, strings),
        **option_figure.paragraphs(results, strings),
        **sure.paragraphs(results, strings),
        "left_out": strings("method.left_out", names=", ".join(missing)) if missing else "",
        "uncertainty": strings(
            "limits.uncertainty",
            standard=number(stated.standard_db, 3),
            factor=number(stated.coverage_factor, 3),
            expanded=number(stated.expanded_db, 3),
            standard_pass=number(stated.pass_standard_db, 3),
            expanded_pass=number(stated.pass_expanded_db, 3),
            statement=stated.statement,
            standing=stated.standing,
        ),
    }


def _lists(results: Results, strings: Strings) -> dict[str, list[str]]:
    missing = left_out(results)
    unmade = any(f.verdict == "not assessed" for f in results.findings)
    return {
        "steps": [strings(f"method.step_{k}") for k in range(1, 8)],
        "cautions": [strings(f"cautions.{name}") for name in CAUTIONS],
        "sure_not_covered": [said for said in sure.not_covered(results, strings) if said],
        "verification": method_sources.unpublished(results, strings),
        **option_figure.lists(results, strings),
        "not_assessed": [
            strings("limits.not_assessed_works" if results.timeline is None else "limits.not_assessed_works_other"),
            *(strings(f"limits.not_assessed_{what}") for what in ("terrain", "other")),
            strings("limits.not_assessed_character" if tones.asked(results) else "limits.not_assessed_tonal"),
            *([strings("limits.not_assessed_left_out", names=", ".join(missing))] if missing else []),
            *([strings("limits.not_assessed_comparisons")] if unmade else []),
        ],
    }


#: Explained in section 4; a word of a state of propagation only where the results have it.
TERMS = ("laeq", "lden", "lnight", "lae", "lafmax", "free_field", "g", "octave")


def _terms(results: Results, strings: Strings) -> list[tuple[str, str]]:
    states = dict.fromkeys(p.state for r in results.receivers for p in r.passes)
    weather = [
        (s.capitalize(), _sentence(strings(f"state_note.{s}"))) for s in states if strings.has(f"state_note.{s}")
    ]
    return [*((strings(f"term.{t}"), strings(f"term_meaning.{t}")) for t in TERMS), *weather]


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]


def _listing(raw: bytes | None, strings: Strings) -> tuple[list[str], str]:
    if raw is None:
        return [], strings("appendix.project_missing")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return [], strings("appendix.binary")
    lines = [clean(line).replace("\t", "    ") for line in re.split(r"\r\n|\n|\r", text.rstrip("\n"))]
    note = strings("appendix.project_intro", lines=len(lines))
    if len(lines) > MAX_LISTING_LINES:
        note += " " + strings("appendix.project_capped", shown=MAX_LISTING_LINES, lines=len(lines))
    return lines[:MAX_LISTING_LINES], note

"""Writes the web page: one HTML file without any address to fetch, whose policy forbids the browser to fetch one."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any

from lineside.errors import ReportError
from lineside.figures.style import TEMPLATE_PACKAGE
from lineside.figures.words import clean, shorten
from lineside.report import html, summary
from lineside.report.causes import forecast_titles
from lineside.report.context import CAUTIONS
from lineside.report.selection import identity, left_out, month, period_names, printed_receivers
from lineside.report.strings import Strings
from lineside.report.text import joined, number
from lineside.report.views import Block
from lineside.results.model import Results
from lineside.web import in_time, options, places, plan
from lineside.web.fonts import address

#: So many receivers, the loudest ones, carry their time line, trains, stretches and causes; all carry the rest.
DETAILED = 200
#: So many rows of a table are there before the script runs.
ROWS = 100
FONTS = {"regular": "SourceSans3-Regular.ttf", "semibold": "SourceSans3-Semibold.ttf"}
#: Characters that would end a script element or a line of script.
ESCAPES = {ord(c): f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}


@dataclass(frozen=True)
class Page:
    """All that the template may use."""

    language: str
    title: str
    version: str
    purpose: str
    facts: Sequence[tuple[str, str]]
    tally: Sequence[tuple[str, int]]
    blocks: Sequence[Block]
    plan: plan.Plan
    receivers: Sequence[dict[str, Any]]
    buildings: Sequence[dict[str, Any]]
    rows: Sequence[dict[str, Any]]
    quantities: Sequence[str]
    options: options.Options | None
    cautions: Sequence[str]
    not_assessed: Sequence[str]
    notes: Sequence[tuple[str, str]]
    provenance: Sequence[tuple[str, str]]
    inputs: Sequence[tuple[str, str, str]]
    offers: Sequence[tuple[str, str, str, str]]


def render(results: Results, results_json: bytes) -> bytes:
    """The page of a results document.

    Parameters
    ----------
    results : Results
        The document; every number on the page is read from it.
    results_json : bytes
        The document as written, whose check sum the page names.

    Raises
    ------
    ReportError
        If the template fails.
    """
    from jinja2 import TemplateError
    from markupsafe import Markup

    strings, words = Strings(), Strings("web_en")
    page, data = _page(results, results_json, strings, words)
    shown = _json(data)
    environment = html.environment("web")
    try:
        body = environment.get_template("body.html.j2").render(page=page, t=words, s=strings)
        fonts = {name: address(file, body + shown) for name, file in FONTS.items()}
        style = environment.get_template("style.css.j2").render(fonts={k: Markup(v) for k, v in fonts.items()})
        script = (resources.files(TEMPLATE_PACKAGE) / "web" / "page.js").read_text(encoding="utf-8")
        whole = environment.get_template("page.html.j2").render(
            page=page,
            t=words,
            policy=_policy(style, script),
            style=Markup(style),
            script=Markup(script),
            data=Markup(shown),
            body=Markup(body),
        )
    except TemplateError as error:
        raise ReportError(f"The template of the web page failed: {error}") from error
    return whole.encode()


def _policy(style: str, script: str) -> str:
    """Nothing may be fetched, sent or run but the two parts with these check sums."""
    style_sum, script_sum = (
        base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii") for text in (style, script)
    )
    return (
        f"default-src 'none'; style-src 'sha256-{style_sum}'; script-src 'sha256-{script_sum}'; "
        "font-src data:; img-src data:; base-uri 'none'; form-action 'none'"
    )


def _json(data: Mapping[str, Any]) -> str:
    """Data as JSON that cannot end the element it stands in."""
    return json.dumps(_cleaned(data), ensure_ascii=False, allow_nan=False, separators=(",", ":")).translate(ESCAPES)


def _cleaned(value: Any) -> Any:
    if isinstance(value, str):
        return value if value.isascii() and value.isprintable() else clean(value)
    if isinstance(value, Mapping):
        return {clean(str(k)): _cleaned(v) for k, v in value.items()}
    return [_cleaned(v) for v in value] if isinstance(value, list | tuple) else value


def _page(results: Results, document: bytes, strings: Strings, words: Strings) -> tuple[Page, dict[str, Any]]:
    drawn = plan.draw(results, strings, words)
    detailed = frozenset(r.id for r in printed_receivers(results, DETAILED))
    receivers = places.receivers(results, drawn.frame, strings, detailed)
    buildings = places.buildings(results, strings)
    lines = in_time.receivers(results, strings, detailed)
    for entry in receivers:
        if entry["id"] in lines:
            entry["time"] = lines[entry["id"]]
    names = period_names(results, strings)
    quantities = [strings.known("quantity", "lden_db"), *names.values()]
    order, forecasts = sorted(receivers, key=_worst_first), forecast_titles(results)
    data = {
        "words": _words_of("js", words),
        "verdicts": [words(f"verdict.{name.replace(' ', '_')}") for name in places.VERDICTS],
        "short": [words(f"short.{name.replace(' ', '_')}") for name in places.VERDICTS],
        "quantities": quantities,
        "criteria": places.criterion_words(results),
        "width": drawn.frame.width,
        "height": drawn.frame.height,
        "receivers": receivers,
        "buildings": buildings,
        "facades": places.facades(results, drawn.frame),
        "sure": places.sure_notes(results, strings),
        "time": in_time.head(results, strings, words),
        "options": options.levels(results),
        "forecast": strings("causes.by_forecast", names=joined(forecasts)) if forecasts else "",
        "detailed": len(detailed),
    }
    page = Page(
        language=strings("report.language"),
        title=identity(results, "title") or strings("report.no_title"),
        version=results.provenance.lineside_version,
        purpose=identity(results, "purpose"),
        facts=_facts(results, strings, words),
        tally=[(name, sum(r["verdict"] == k for r in receivers)) for k, name in enumerate(places.VERDICTS)],
        blocks=summary.blocks(results, strings),
        plan=drawn,
        receivers=receivers,
        buildings=buildings,
        rows=order[:ROWS],
        quantities=quantities,
        options=options.panel(results, strings, words),
        cautions=[strings(f"cautions.{name}") for name in CAUTIONS],
        not_assessed=_not_assessed(results, strings),
        notes=[(n.kind, n.text) for n in results.notes],
        provenance=_provenance(results, document, words),
        inputs=[(f.name, f"{f.n_bytes}", f.sha256) for f in results.provenance.inputs],
        offers=[
            (o.title, o.version, f"{o.package} {o.package_version}", o.verification) for o in results.provenance.offers
        ],
    )
    return page, data


def _worst_first(entry: Mapping[str, Any]) -> tuple[int, float, str]:
    excess = entry["excess"]
    return entry["verdict"], -excess if excess is not None else 0.0, entry["id"]


def _words_of(part: str, words: Strings) -> dict[str, str]:
    keys = (key for key in words.all_keys() if key.startswith(f"{part}."))
    return {key.removeprefix(f"{part}."): words(key) for key in sorted(keys)}


def _facts(results: Results, strings: Strings, words: Strings) -> list[tuple[str, str]]:
    site = results.site
    one = summary.of_one_situation(results, strings)
    works = dict.fromkeys(f"{strings.known('work', w.kind)}, {month(w.date, strings)}" for w in site.works)
    facts = [
        (words("facts.where"), joined(shorten(track.name or track.id, 60) for track in site.tracks[:6])),
        (words("facts.when"), identity(results, "assessment_dates") or results.situation.date),
        (words("facts.works"), joined(list(works)[:6], "; ")),
        (words("facts.method"), results.provenance.method_title),
        (words("facts.client"), identity(results, "client")),
        (words("facts.authority"), identity(results, "competent_authority")),
        (words("facts.author"), identity(results, "author")),
        (words("facts.revision"), joined(t for t in (identity(results, "revision"), identity(results, "date")) if t)),
        (words("facts.situation"), one),
    ]
    return [(name, text) for name, text in facts if text]


def _not_assessed(results: Results, strings: Strings) -> list[str]:
    missing = left_out(results)
    return [
        strings("limits.not_assessed_works" if results.timeline is None else "limits.not_assessed_works_other"),
        *(strings(f"limits.not_assessed_{what}") for what in ("terrain", "other")),
        *([strings("limits.not_assessed_left_out", names=joined(missing))] if missing else []),
    ]


def _provenance(results: Results, document: bytes, words: Strings) -> list[tuple[str, str]]:
    found, stated = results.provenance, results.uncertainty
    return [
        (words("provenance.version"), f"lineside {found.lineside_version}"),
        (words("provenance.method"), f"{found.method_title} ({found.method})"),
        (words("provenance.project"), found.project_sha256),
        (words("provenance.results"), hashlib.sha256(document).hexdigest()),
        (
            words("provenance.uncertainty"),
            words(
                "provenance.uncertainty_of",
                long=number(stated.expanded_db, 3),
                passing=number(stated.pass_expanded_db, 3),
            ),
        ),
        (words("provenance.coordinates"), results.site.coordinate_system),
    ]

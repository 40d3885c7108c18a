"""An explanation on its own: lines of plain text, and its figure."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from lineside.errors import RequestError
from lineside.figures.cause_chart import cause_chart
from lineside.figures.words import clean
from lineside.report.causes import action_words, cause_sentences, change, forecast_titles, situation_words, steps
from lineside.report.selection import service_names, value
from lineside.report.strings import Strings
from lineside.report.text import difference, level, metres

if TYPE_CHECKING:
    from lineside.api import Explained

#: So many services and stretches are named per period.
NAMED = 3
#: Width of the text in characters.
LINE = 110


def lines(found: Explained, language: str = "en") -> list[str]:
    """The explanation as text: levels, causes, what dominates in each period, actions for the depot."""
    strings, explanation, results = Strings(language), found.explanation, found.results
    receiver = results.receivers[0]
    start, end = situation_words(explanation.start, strings), situation_words(explanation.end, strings)
    quantities = ["lden", *(p.name for p in results.periods)]
    out = [strings("explain.title", id=receiver.id, name=receiver.name, start=start, end=end), ""]
    head = [strings("explain.cause"), *(strings.known("explain", q) for q in quantities)]
    rows = [
        [start, *(level(explanation.start_db[q]) for q in quantities)],
        *(
            [strings.known("cause", c.cause), *(difference(c.change_db[q]) for q in quantities)]
            for c in explanation.causes
        ),
        [end, *(level(explanation.end_db[q]) for q in quantities)],
        [strings("explain.change"), *(difference(change(explanation, q)) for q in quantities)],
    ]
    first = max(len(row[0]) for row in (head, *rows))
    width = max(len(cell) for row in (head, *rows) for cell in row[1:])
    out += [row[0].ljust(first) + "".join(cell.rjust(width + 2) for cell in row[1:]) for row in (head, *rows)]
    silent = change(explanation) is None
    nothing = strings("explain.nothing_heard" if silent else "explain.same")
    out += ["", *(cause_sentences(explanation, strings) or [nothing])]
    titles = forecast_titles(results)
    out += [strings("causes.by_forecast", names=", ".join(titles))] if titles else []
    forecast = {o.name for o in results.provenance.offers if o.kind == "source (forecast)"}
    out += [n.text for n in results.notes if n.origin in forecast and n.kind == "validity"]
    out += ["", strings("explain.dominating", end=end, lden=level(receiver.lden_db))]
    services, stretches = (
        service_names(results),
        {
            s.id: strings("explain.stretch", track=s.track, label=s.label, from_m=metres(s.from_m), to_m=metres(s.to_m))
            for s in results.site.stretches
        },
    )
    for quantity in quantities:
        named = []
        for parts, names in ((receiver.by_service_db, services), (receiver.by_stretch_db, stretches)):
            heard = [(n, v) for n, v in parts[quantity].items() if v is not None]
            top = sorted(heard, key=lambda e: (-value(e[1]), e[0]))[:NAMED]
            named.append(", ".join(f"{names.get(n, n)} {level(v)}" for n, v in top) or strings("explain.silent"))
        out.append(
            strings("explain.period", period=strings.known("explain", quantity), services=named[0], stretches=named[1])
        )
    actions = [action_words(a, strings) for a in results.actions]
    out += ["", strings("explain.actions"), *(actions or [strings("causes.no_actions")])]
    if actions:
        out += ["", strings("causes.actions_note")]
    return [wrapped for line in out for wrapped in _wrapped(clean(line))]


def _wrapped(line: str) -> list[str]:
    """A line of text at most ``LINE`` wide; lines of the table are narrower."""
    return textwrap.wrap(line, LINE, subsequent_indent="  ") or [""]


def draw(found: Explained, language: str = "en") -> bytes:
    """The figure of the causes as SVG."""
    strings = Strings(language)
    if change(found.explanation) is None:
        raise RequestError(strings("explain.nothing_heard"))
    panel = steps(found.results.receivers[0], found.explanation, strings)
    return cause_chart([panel], lambda key, /, **values: clean(strings(key, **values))).svg

"""What would help: tables T7.9 to T7.15, which say what is known about each measure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from lineside.measures import TRACK_SAFETY
from lineside.report.option_words import MAX_MEASURES, acts_on, amount, sentence, spans, where
from lineside.report.selection import MAX_ROWS, capped_note, sentences
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, joined, number
from lineside.report.views import Column, Row, Table
from lineside.results.model import Results
from lineside.results.options import EffectInfo, MeasureInfo, OptionsResult

MAX_REJECTED = 40
#: So many combinations are named beside their reason.
MAX_NAMED = 3
MAX_RECEIVERS = 8


def tables(results: Results, strings: Strings) -> list[Table]:
    """Tables of measures; only the suggestions where the project lists none."""
    options = results.options
    if options is None or not options.measures:
        return [_suggestions(options, strings)]
    return [
        _measures(options, strings),
        _costs(options, strings),
        _particulars(options, strings),
        _asked(options, strings),
        _nothing(options, strings),
        _rejected(options, strings),
        _suggestions(options, strings),
    ]


def _columns(strings: Strings, *keys: str, num: tuple[str, ...] = ()) -> tuple[Column, ...]:
    return tuple(Column(strings(f"help.col_{key}"), "num" if key in num else "text") for key in keys)


def _capped(options: OptionsResult, strings: Strings) -> str:
    n = len(options.measures)
    return strings("help.measures_capped", shown=MAX_MEASURES, total=n) if n > MAX_MEASURES else ""


def _name(measure: MeasureInfo) -> str:
    """The project's name for a measure, with its title where that is another."""
    if not measure.name or measure.name == measure.title:
        return measure.title
    return f"{measure.name} ({measure.title})"


def _measures(options: OptionsResult, strings: Strings) -> Table:
    rows = tuple(
        Row(
            (
                m.id,
                _name(m),
                where(m, strings),
                m.day,
                number(m.life_years),
                number(m.lead_days),
                acts_on(m, strings),
                strings("help.would_act" if m.acts else "help.would_not_act"),
            )
        )
        for m in options.measures[:MAX_MEASURES]
    )
    head = _columns(
        strings, "measure_id", "measure", "where", "day", "life", "lead", "acts_on", "acts", num=("life", "lead")
    )
    lives = joined(sorted({f"{m.id}: {m.life_source}" for m in options.measures if m.life_source}), "; ")
    note = sentences(
        strings("help.measures_note"),
        strings("help.life_sources", sources=lives) if lives else "",
        _capped(options, strings),
    )
    return Table("T7.9", strings("help.measures"), head, rows, strings("help.no_measures"), note)


def _costs(options: OptionsResult, strings: Strings) -> Table:
    rows = tuple(
        Row(
            (
                m.id,
                *(amount(value) for value in (c.low, c.likely, c.high)),
                strings("help.money_of", currency=c.currency, year=c.year),
                strings(f"help.per_{c.per}") + (strings("help.each_year") if c.every == "year" else ""),
                NOTHING if c.amount is None else number(c.amount, 4),
                strings("help.cost_source", source=c.source, standing=c.standing),
            )
        )
        for m in options.measures[:MAX_MEASURES]
        for c in m.costs
    )
    head = _columns(
        strings, "measure_id", "low", "likely", "high", "money", "per", "how_many", "source",
        num=("low", "likely", "high", "how_many"),
    )  # fmt: skip
    without = [m.id for m in options.measures if not m.costs and m.side != "waiting"]
    note = strings("help.costs_not_given", ids=joined(without)) if without else ""
    return Table("T7.10", strings("help.prices"), head, rows, strings("help.prices_none"), note)


def effect_words(effect: EffectInfo, strings: Strings) -> str:
    """A published effect with its source and standing."""
    source = effect.source
    cited = f"{source.issuer}: {source.title} ({source.year})" + (f", {source.part}" if source.part else "")
    span = spans(effect.low_db, effect.high_db, effect.typical_db, strings)
    size = sentences(span, effect.form)
    return strings(
        "help.effect",
        on=effect.on,
        size=size,
        conditions=f"; {effect.conditions}" if effect.conditions else "",
        source=cited,
        standing=effect.standing,
    )


def _said(m: MeasureInfo, strings: Strings) -> Iterator[tuple[str, str]]:
    """What is said about a measure: heading, words."""
    for effect in m.effects:
        yield "published", effect_words(effect, strings)
    if m.indoors_db is not None:
        low, likely, high = (number(v) for v in m.indoors_db)
        yield "indoors", strings("help.indoors", low=low, likely=likely, high=high)
    for key in ("approval", "side_conditions", "cannot", "safety", "warnings"):
        texts = getattr(m, key)
        if texts:
            yield key, sentence(texts)
    if m.note:
        yield "note", m.note


def _particulars(options: OptionsResult, strings: Strings) -> Table:
    rows: list[Row] = []
    for m in options.measures[:MAX_MEASURES]:
        rows.append(Row((f"{m.id}: {_name(m)}",), group=True))
        rows += [Row((strings(f"help.said_{key}"), words)) for key, words in _said(m, strings)]
    note = sentences(strings("help.particulars_note"), _capped(options, strings))
    head = _columns(strings, "what", "said")
    return Table("T7.11", strings("help.particulars"), head, tuple(rows), strings("help.no_measures"), note)


def _asked(options: OptionsResult, strings: Strings) -> Table:
    every = [(m.id, sentence([prompt])) for m in options.measures for prompt in m.prompts]
    rows = tuple(Row(entry) for entry in every[:MAX_ROWS])
    head = _columns(strings, "measure_id", "question")
    note = sentences(strings("help.asked_note"), capped_note(strings, len(rows), len(every)))
    return Table("T7.12", strings("help.asked"), head, rows, strings("help.asked_none"), note if rows else "")


def _nothing(options: OptionsResult, strings: Strings) -> Table:
    rows = tuple(Row((m.id, _name(m), sentence([m.nothing]))) for m in options.measures[:MAX_ROWS] if not m.acts)
    head = _columns(strings, "measure_id", "measure", "why")
    note = strings("help.nothing_note") if rows else ""
    return Table("T7.13", strings("help.nothing"), head, rows, strings("help.nothing_none"), note)


def _rejected(options: OptionsResult, strings: Strings) -> Table:
    """Combinations by their reason."""
    by_reason: dict[str, list[list[str]]] = {}
    for rejected in options.rejected:
        by_reason.setdefault(rejected.reason, []).append(rejected.measures)
    rows = tuple(
        Row(
            (
                reason,
                str(len(sets)),
                joined((joined(measures, " + ") for measures in sets[:MAX_NAMED]), "; ")
                + (strings("help.and_more", n=len(sets) - MAX_NAMED) if len(sets) > MAX_NAMED else ""),
            )
        )
        for reason, sets in list(by_reason.items())[:MAX_REJECTED]
    )
    head = _columns(strings, "why", "n", "combinations", num=("n",))
    more = len(by_reason) - len(rows)
    note = strings("help.rejected_more", n=more) if more else ""
    return Table("T7.14", strings("help.rejected"), head, rows, strings("help.rejected_none"), note)


def _suggestions(options: OptionsResult | None, strings: Strings) -> Table:
    found = options.suggestions if options is not None else []
    rows = tuple(
        Row((s.title, s.measure, joined((_at(m, ids, strings) for m, ids in s.acts_at.items()), "; "))) for s in found
    )
    head = _columns(strings, "measure", "word", "acts_at")
    note = strings("help.suggestions_note") if rows else ""
    return Table("T7.15", strings("help.suggestions"), head, rows, strings("help.suggestions_none"), note)


def _at(mechanism: str, receivers: Sequence[str], strings: Strings) -> str:
    """Where a mechanism prevails."""
    ids = joined(receivers[:MAX_RECEIVERS])
    if len(receivers) > MAX_RECEIVERS:
        ids += strings("help.and_more", n=len(receivers) - MAX_RECEIVERS)
    return strings("help.acts_at", mechanism=strings.known("mechanism", mechanism), ids=ids)


def safety(options: OptionsResult | None) -> list[str]:
    """Whole sentences on approval and safety with their measures: they stand whatever tables leave out."""
    found: dict[str, list[str]] = {}
    for m in options.measures if options is not None else []:
        for text in (*m.approval, *m.safety):
            if text.endswith("."):
                found.setdefault(text, []).append(m.id)
    first = sorted(found, key=lambda text: (text == TRACK_SAFETY, text))
    return [f"{text} ({joined(dict.fromkeys(found[text]))})" for text in first]

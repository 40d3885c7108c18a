"""Section "How sure this is": tables T8.1 to T8.3, figure F8.1, and intervals and chances in other tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

from lineside.figures.tornado_chart import Bar, tornado_chart
from lineside.figures.words import clean
from lineside.report.place_inputs import columns
from lineside.report.selection import MAX_ROWS, capped_note, period_names, printed_receivers, sentences
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, joined, number
from lineside.report.views import Column, Figure, Row, Table, drawn
from lineside.results.model import Finding, Results
from lineside.results.sure_model import ReceiverSure, Sure, UncertainInput

FIGURE_ID = "F8.1"
#: Intervals narrower than this are told to 0.1 dB, others to whole dB.
FINE_BELOW_DB = 2.0
#: Narrower by less than this is not worth a bar. [dB]
LEAST_DB = 0.05
QUANTITY = "lden"


def tables(results: Results, strings: Strings) -> list[Table]:
    """T8.1 to T8.3."""
    return [_intervals(results, strings), _shares(results, strings), _inputs(results, strings)]


def interval(low_db: float | None, high_db: float | None, strings: Strings) -> str:
    """Both ends, no finer than they deserve, rounded outwards so that they hold no less than they say."""
    if low_db is None or high_db is None:
        return NOTHING
    digits = 1 if high_db - low_db < FINE_BELOW_DB else 0
    scale = 10**digits
    low, high = number(math.floor(low_db * scale) / scale), number(math.ceil(high_db * scale) / scale)
    return strings("sure.interval", low=low, high=high)


def probability(share: float | None, strings: Strings) -> str:
    """A probability in words, never finer than draws and ranges allow."""
    if share is None:
        return NOTHING
    if share < 0.01:
        return strings("sure.below_one")
    if share > 0.99:
        return strings("sure.above_99")
    percent = 100.0 * share
    step = 5.0 if 10.0 <= percent <= 90.0 else 1.0
    return strings("sure.about", percent=number(step * round(percent / step)))


def of_finding(finding: Finding, strings: Strings) -> tuple[str, str]:
    """Interval and probability of a finding, as printed."""
    low, high = finding.interval_db or (None, None)
    return interval(low, high, strings), probability(finding.probability_above, strings)


def of_receivers(results: Results) -> Mapping[str, ReceiverSure]:
    """How sure the levels of each receiver are."""
    return {} if results.sure is None else {r.receiver: r for r in results.sure.receivers}


def of_receiver(known: ReceiverSure | None, quantity: str, strings: Strings) -> str:
    """The interval of a level as printed."""
    if known is None:
        return NOTHING
    return interval(known.low_db.get(quantity), known.high_db.get(quantity), strings)


def group_name(group: str, strings: Strings) -> str:
    """A group of inputs as printed."""
    head, _, mechanism = group.partition(":")
    if mechanism:
        return strings("sure.method_of", mechanism=strings.known("mechanism", mechanism).lower())
    return strings(f"sure_group.{head}")


def _intervals(results: Results, strings: Strings) -> Table:
    known, periods = of_receivers(results), period_names(results, strings)
    shown = [r for r in printed_receivers(results) if r.id in known]
    windows = [w for w in next(iter(known.values())).low_db if w not in (*periods, "lden")] if known else []
    names = {
        "lden": strings("quantity.lden_db"),
        **periods,
        **{w: f"{strings('quantity.laeq_db')} {w}" for w in windows},
    }
    rows = tuple(Row((r.id, *(of_receiver(known[r.id], q, strings) for q in names))) for r in shown)
    head = (*columns(strings, receiver="text"), *(Column(f"{name}, dB", "num") for name in names.values()))
    note = sentences(
        strings("sure.intervals_note") if rows else "", capped_note(strings, len(rows), len(results.receivers))
    )
    return Table("T8.1", strings("sure.intervals"), head, rows, strings("sure.none"), note if rows else "")


def bars(results: Results, strings: Strings) -> list[Bar]:
    """Groups by how much narrower intervals of Lden would be without them, the most first."""
    sure = results.sure
    heard = [r for r in sure.receivers if QUANTITY in r.narrower_db] if sure is not None else []
    out = []
    for group in sure.groups if sure is not None and heard else ():
        found = [max(r.narrower_db[QUANTITY][group], 0.0) for r in heard]
        out.append(Bar(group_name(group, strings), sum(found) / len(found), min(found), max(found)))
    return sorted(out, key=lambda b: -b.mean_db)


def _shares(results: Results, strings: Strings) -> Table:
    sure = results.sure
    heard = [r for r in sure.receivers if QUANTITY in r.first] if sure is not None else []
    order = {b.name: k for k, b in enumerate(bars(results, strings))}
    rows = []
    for group in sure.groups if sure is not None and heard else ():
        narrower = [max(r.narrower_db[QUANTITY][group], 0.0) for r in heard]
        rows.append(
            Row(
                (
                    group_name(group, strings),
                    _percent([r.first[QUANTITY][group] for r in heard]),
                    _percent([r.total[QUANTITY][group] for r in heard]),
                    f"{sum(narrower) / len(narrower):.1f}",
                    f"{max(narrower):.1f}",
                )
            )
        )
    rows.sort(key=lambda row: order[row.cells[0]])
    head = columns(strings, group="text", first="num", total="num", narrower="num", narrower_most="num")
    note = strings("sure.shares_note") if rows else ""
    return Table("T8.2", strings("sure.shares"), head, tuple(rows), strings("sure.none"), note)


def _percent(shares: Sequence[float]) -> str:
    percent = 100.0 * max(sum(shares) / len(shares), 0.0)
    return "< 1" if percent < 1.0 else f"{percent:.0f}"


def _inputs(results: Results, strings: Strings) -> Table:
    inputs = results.sure.inputs if results.sure is not None else []
    rows = tuple(
        Row(
            (
                group_name(i.group, strings),
                i.label,
                _range(i, strings),
                strings(f"range_shape.{i.shape}"),
                i.standing,
                (i.source or NOTHING) + ("" if i.acts else f" {strings('sure.no_effect')}"),
            )
        )
        for i in inputs[:MAX_ROWS]
    )
    head = columns(strings, group="text", input="text", range="text", shape="text", standing="text", source="text")
    note = sentences(strings("sure.inputs_note") if rows else "", capped_note(strings, len(rows), len(inputs)))
    return Table("T8.3", strings("sure.inputs"), head, rows, strings("sure.none"), note if rows else "")


def _range(one: UncertainInput, strings: Strings) -> str:
    if one.kind == "ends":
        return strings("sure.ends")
    if one.kind == "error":
        return strings("sure.either_way", half=number(one.high, 3))
    return strings("sure.range", likely=number(one.likely), low=number(one.low), high=number(one.high))


def figure(results: Results, strings: Strings) -> Figure:
    """F8.1: by how much the interval of Lden would be narrower if a group were known."""
    caption = strings("sure.figure")
    shown = [b for b in bars(results, strings) if b.mean_db >= LEAST_DB]
    if not shown:
        return Figure(FIGURE_ID, caption, "", "", 170.0, empty=strings("sure.none"))

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    picture = tornado_chart(shown, words)
    alt = strings("sure.figure_alt", bars=joined(f"{b.name} {b.mean_db:.1f} dB" for b in shown))
    return drawn(FIGURE_ID, f"{caption}: {message(results, strings)}", alt, picture, strings("sure.figure_note"))


def message(results: Results, strings: Strings) -> str:
    """What to find out first, in words; no promise."""
    sure, order = results.sure, bars(results, strings)
    if sure is None or not order:
        return ""
    wide = _width(sure)
    measurable = {group_name(g, strings): g for g in sure.groups if strings.has(f"sure_find.{g.partition(':')[0]}")}
    first = next((b for b in order if b.name in measurable and b.mean_db >= LEAST_DB), None)
    if first is None:
        return strings("sure.message_none")
    what = strings(f"sure_find.{measurable[first.name].partition(':')[0]}")
    return strings("sure.message", what=what, db=f"{first.mean_db:.1f}", of=f"{wide:.1f}")


def _width(sure: Sure) -> float:
    """Mean width of the 90 % interval of Lden. [dB]"""
    found = [
        high - low
        for r in sure.receivers
        if (low := r.low_db[QUANTITY]) is not None and (high := r.high_db[QUANTITY]) is not None
    ]
    return sum(found) / len(found) if found else 0.0


def paragraphs(results: Results, strings: Strings) -> dict[str, str]:
    """Running text of the section; empty where nothing was drawn."""
    sure = results.sure
    if sure is None:
        return {"sure_intro": strings("sure.none"), "sure_checks": ""}
    checks = [
        strings(
            "sure.settled" if sure.moved_db < sure.settled_db else "sure.not_settled",
            n=sure.draws,
            moved=number(sure.moved_db, 2),
            settled=number(sure.settled_db, 2),
            seed=sure.seed,
        ),
        strings("sure.direct", n=sure.direct_draws, db=number(sure.direct_db, 2))
        if sure.direct_db is not None
        else strings("sure.no_direct"),
    ]
    return {"sure_intro": strings("sure.intro"), "sure_checks": sentences(*checks)}


def not_covered(results: Results, strings: Strings) -> list[str]:
    """What the intervals do not hold."""
    sure = results.sure
    if sure is None:
        return []
    exact = [group_name(g, strings) for g in sure.without_range]
    return [
        strings("sure.exact_groups", names=joined(exact)) if exact else "",
        strings("sure.not_stated", names=joined(sure.not_stated)) if sure.not_stated else "",
        strings("sure.exact_spectra", names=joined(sure.exact_spectra)) if sure.exact_spectra else "",
        strings("sure.not_passes"),
        strings("sure.not_maps"),
        strings("sure.not_options") if results.options is not None else "",
        strings("sure.not_timeline") if results.timeline is not None else "",
        strings("sure.not_mistakes"),
    ]


def summary(results: Results, strings: Strings) -> str:
    """How wide intervals are, and what to find out first; empty where nothing was drawn."""
    sure = results.sure
    if sure is None or not bars(results, strings):
        return ""
    said = message(results, strings)
    return strings("sure.summary", width=f"{_width(sure):.0f}", message=said[:1].upper() + said[1:])

"""Works and time: tables T6.13 and T6.14, figure F6.7, and what the summary says of them."""

from __future__ import annotations

from collections.abc import Mapping

from lineside.figures.time_chart import MAX_TIME_PANELS, time_chart
from lineside.figures.words import clean
from lineside.report import limits_in_time, tones
from lineside.report.place_inputs import columns
from lineside.report.selection import capped_note, month, printed_receivers, sentences, value
from lineside.report.strings import Strings
from lineside.report.text import joined, level, number, whole
from lineside.report.views import Column, Figure, Row, Table, drawn
from lineside.results.model import ReceiverResult, ReceiverTimeline, Results, Return, Timeline

FIGURE_ID = "F6.7"
#: Changes below this are not worth a sentence. [dB]
HEARD_DB = 1.0


def tables(results: Results, strings: Strings) -> list[Table]:
    """Levels around the works, dates of return."""
    return [_levels(results, strings), _returns(results, strings)]


def _of_receivers(results: Results) -> list[tuple[ReceiverResult, ReceiverTimeline]]:
    if results.timeline is None:
        return []
    by_id = {t.receiver: t for t in results.timeline.receivers}
    return [(r, by_id[r.id]) for r in printed_receivers(results) if r.id in by_id]


def _levels(results: Results, strings: Strings) -> Table:
    timeline, found = results.timeline, _of_receivers(results)
    cases = timeline.cases if timeline is not None else []
    at = timeline.dates.index(timeline.assessment_date) if timeline is not None else 0
    rows = tuple(
        Row(
            (
                r.id,
                level(t.before_db["lden"]),
                *(level(t.fresh_db[c]) for c in cases),
                *(level(t.levels_db["lden"][c][at]) for c in cases),
                level(t.worn_in_db["lden"]),
            )
        )
        for r, t in found
    )
    head = (
        *columns(strings, receiver="text", before="num"),
        *(
            Column(strings(f"col.{what}", case=strings.known("case", c)), "num")
            for what in ("fresh", "at_date")
            for c in cases
        ),
        *columns(strings, worn_in="num"),
    )
    note = ""
    if timeline is not None:
        note = strings("time.levels_note", date=timeline.assessment_date, draws=timeline.draws)
        note = sentences(note, strings("sure.time_note") if results.sure is not None else "")
    note = sentences(note, capped_note(strings, len(rows), len(results.receivers)) if rows else "")
    return Table("T6.13", strings("time.levels"), head, rows, strings("time.none"), note)


def _returns(results: Results, strings: Strings) -> Table:
    timeline, found = results.timeline, _of_receivers(results)
    rows = tuple(Row((r.id, *(dates_words(x, timeline, strings) for x in t.returns))) for r, t in found if t.returns)
    margins = [x.within_db for x in found[0][1].returns] if found else []
    head = (
        *columns(strings, receiver="text"),
        *(Column(strings("col.within", margin=number(m))) for m in margins),
    )
    again = any(any(x.leaves.values()) for _, t in found for x in t.returns)
    note = sentences(strings("time.returns_note"), strings("time.leaves_note") if again else "") if rows else ""
    return Table("T6.14", strings("time.returns"), head, rows, strings("time.none"), note)


def dates_words(found: Return, timeline: Timeline | None, strings: Strings) -> str:
    """Low, likely and high date, or that there is none; an arrow where growth undoes it."""
    assert timeline is not None
    never = strings("time.not_by", date=timeline.dates[-1])
    printed = [found.dates[case] or never for case in timeline.cases]
    words = printed[0] if len(set(printed)) == 1 else " / ".join(printed)
    return words + (" ↑" if any(found.leaves.values()) else "")


def figure(results: Results, strings: Strings) -> Figure:
    """F6.7: Lden against time at the receivers with the largest rise."""
    caption = strings("time.figure")
    timeline = results.timeline
    found = [(r, t) for r, t in _of_receivers(results) if t.before_db["lden"] is not None]
    found.sort(key=lambda pair: (-_rise(pair[1], "likely"), pair[0].id))
    shown = [r for r, _ in found[:MAX_TIME_PANELS]]
    if timeline is None or not shown:
        return Figure(FIGURE_ID, caption, "", "", 170.0, empty=strings("time.none"))

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    asked = [f for f in results.findings if f.quantity == "lden_db"]
    limits = {r.id: sorted({f.limit_db for f in asked if f.receiver == r.id and f.limit_db is not None}) for r in shown}
    rated = {t.receiver: limits_in_time.rated_lines(t, strings) for _, t in found[:MAX_TIME_PANELS]}
    picture = time_chart(timeline, shown, limits, words, rated)
    alt = strings("time.figure_alt", ids=joined(r.id for r in shown), first=timeline.dates[0], last=timeline.dates[-1])
    note = sentences(
        strings("time.figure_note", n=len(shown)), strings("time.figure_rated") if any(rated.values()) else ""
    )
    return drawn(FIGURE_ID, caption, alt, picture, note)


def _rise(receiver: ReceiverTimeline, case: str) -> float:
    return value(receiver.fresh_db[case]) - value(receiver.before_db["lden"])


def summary(results: Results, strings: Strings) -> list[str]:
    """What the neighbours will hear, and until about when."""
    timeline = results.timeline
    heard = [t for _, t in _of_receivers(results) if t.before_db["lden"] is not None]
    if timeline is None or not heard:
        return []
    last = timeline.work_dates[-1]
    top = max(heard, key=lambda t: _rise(t, "likely"))
    rise = {c: _rise(top, c) for c in timeline.cases}
    if rise["likely"] < HEARD_DB:
        first = strings("time.summary_little", date=last, high=whole(rise["high"]), id=top.receiver)
        return [first, limits_in_time.summary(results, strings), strings("time.summary_model")]
    first = strings(
        "time.summary_rise",
        date=last,
        id=top.receiver,
        low=whole(rise["low"]),
        likely=whole(rise["likely"]),
        high=whole(rise["high"]),
    )
    nearest = next(x for x in top.returns if x.within_db == 1.0)
    return [
        first,
        _until(nearest, timeline, strings),
        limits_in_time.summary(results, strings),
        tones.summary(results, strings),
        strings("time.summary_model"),
    ]


def _until(found: Return, timeline: Timeline, strings: Strings) -> str:
    dates: Mapping[str, str | None] = found.dates
    if dates["likely"] is None:
        return strings("time.summary_not", date=month(timeline.dates[-1], strings))
    early, likely = month(dates["low"] or dates["likely"], strings), month(dates["likely"], strings)
    if dates["high"] is None:
        said = strings("time.summary_open", low=early, likely=likely, end=month(timeline.dates[-1], strings))
    else:
        said = strings("time.summary_until", low=early, likely=likely, high=month(dates["high"], strings))
    again = found.leaves["likely"]
    return sentences(said, strings("time.summary_again", date=month(again, strings)) if again else "")

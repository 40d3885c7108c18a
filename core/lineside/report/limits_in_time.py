"""Limits in time: table T6.15, rated lines of figure F6.7, and what the summary says of limits after works."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.figures.time_chart import RatedLine
from lineside.report.place_inputs import columns
from lineside.report.selection import (
    MAX_ROWS,
    capped_note,
    criterion_natures,
    criterion_titles,
    month,
    ordered_criteria,
    sentences,
    value,
)
from lineside.report.strings import Strings
from lineside.report.text import level, number
from lineside.report.views import Row, Table
from lineside.results.model import Level, Rating, ReceiverTimeline, Results, Timeline

#: So many rated lines are drawn beside the level of a receiver.
MAX_RATED_LINES = 2

Rated = tuple[ReceiverTimeline, Rating]


def _ratings(results: Results) -> list[Rated]:
    return [(r, x) for r in results.timeline.receivers for x in r.ratings] if results.timeline is not None else []


def table(results: Results, strings: Strings) -> Table:
    """T6.15: rating levels around the works, and the days from which limits are kept."""
    timeline, rated = results.timeline, _ratings(results)
    # where there are too many, those that are always kept come last
    order = sorted(range(len(rated)), key=lambda k: (_always_kept(rated[k][1]), k))[:MAX_ROWS]
    printed = [rated[k] for k in sorted(order)]
    titles, natures = criterion_titles(results), criterion_natures(results)
    rows: list[Row] = []
    for criterion in ordered_criteria(results):
        own = [(r, x) for r, x in printed if x.criterion == criterion.name]
        if own and timeline is not None:
            nature = natures[criterion.name]
            heading = titles[criterion.name] + (f" [{nature}]" if nature else "")
            rows += [Row((heading,), group=True), *(_row(r, x, timeline, strings) for r, x in own)]
    head = columns(
        strings,
        receiver="text",
        quantity="text",
        limit="num",
        rated_before="num",
        rated_fresh="num",
        rated_at="num",
        kept_from="text",
    )
    empty = strings("time.none" if timeline is None else "limits_in_time.none")
    return Table("T6.15", strings("limits_in_time.table"), head, tuple(rows), empty, _note(results, printed, strings))


def _note(results: Results, printed: Sequence[Rated], strings: Strings) -> str:
    timeline = results.timeline
    if timeline is None or not printed:
        return ""
    made = sum(f.verdict != "not assessed" for f in results.findings)
    missing = made - len(_ratings(results))
    ratings = [x for _, x in printed]
    again = any(x.kept_from[c] is not None and x.above_from[c] is not None for x in ratings for c in timeline.cases)
    return sentences(
        strings("limits_in_time.note", date=timeline.assessment_date),
        strings("limits_in_time.rounded") if any(x.rounded_up for x in ratings) else "",
        strings("limits_in_time.tones") if any(any(x.tone_found) for x in ratings) else "",
        strings("limits_in_time.again") if again else "",
        strings("limits_in_time.missing", n=missing) if missing > 0 else "",
        capped_note(strings, len(printed), len(_ratings(results))),
    )


def _always_kept(rating: Rating) -> bool:
    return set(rating.reasons.values()) == {"kept throughout"}


def _row(receiver: ReceiverTimeline, rating: Rating, timeline: Timeline, strings: Strings) -> Row:
    likely = receiver.rated(rating)["likely"]
    fresh, at = _highest_fresh(receiver, rating, timeline), timeline.dates.index(timeline.assessment_date)
    return Row(
        (
            receiver.receiver,
            rating_quantity(rating, strings),
            number(rating.limit_db),
            level(rating.before_db),
            *(level(likely[k]) + (" †" if rating.tone_found and rating.tone_found[k] else "") for k in (fresh, at)),
            kept_words(rating, timeline, strings),
        )
    )


def _highest_fresh(receiver: ReceiverTimeline, rating: Rating, timeline: Timeline) -> int:
    """Index of the date with the highest likely level on the days after works."""
    likely = receiver.rated(rating)["likely"]
    first = [next(k for k, date in enumerate(timeline.dates) if date > work) for work in timeline.work_dates]
    return max(first, key=lambda k: value(likely[k]))


def rating_quantity(rating: Rating, strings: Strings) -> str:
    """Symbol of the compared quantity with its hours."""
    symbol = strings.known("quantity", rating.quantity)
    return f"{symbol}, {rating.window}" if rating.window else symbol


def kept_words(rating: Rating, timeline: Timeline, strings: Strings) -> str:
    """Low, likely and high day, or what holds instead; an arrow where the limit is exceeded again."""
    printed = []
    for case in timeline.cases:
        reason, above = rating.reasons[case], rating.above_from[case]
        if reason == "kept throughout":
            printed.append(strings("limits_in_time.kept"))
        elif reason == "exceeded throughout":
            printed.append(strings("limits_in_time.exceeded"))
        elif reason == "kept until it is exceeded":
            printed.append(strings("limits_in_time.until", date=above or timeline.dates[-1]))
        elif reason:
            printed.append(strings("time.not_by", date=timeline.dates[-1]))
        else:
            printed.append((rating.kept_from[case] or "") + (" ↑" if above is not None else ""))
    return printed[0] if len(set(printed)) == 1 else " / ".join(printed)


def rated_lines(receiver: ReceiverTimeline, strings: Strings) -> list[RatedLine]:
    """Rating levels that differ from the level, Lden first, then those that come nearest to their limit."""

    def order(rating: Rating) -> tuple[bool, float]:
        return rating.quantity != "lden_db", rating.limit_db - max(map(value, rating.rating_db["likely"]))

    found: dict[tuple[tuple[Level, ...], float], RatedLine] = {}
    for x in sorted((x for x in receiver.ratings if x.adjustment_db or any(x.tone_found)), key=order):
        likely = tuple(x.rating_db["likely"])
        found.setdefault((likely, x.limit_db), RatedLine(rating_quantity(x, strings), likely, x.limit_db))
    return list(found.values())[:MAX_RATED_LINES]


def summary(results: Results, strings: Strings) -> str:
    """Whether the works make the sound exceed a limit for a time, and until about when; empty if not."""
    timeline = results.timeline
    hit = [(r, x) for r, x in _ratings(results) if not x.above_before and _exceeded_after(x, "likely")]
    if timeline is None or not hit:
        return ""

    def latest(entry: Rated) -> tuple[str, float]:
        receiver, x = entry
        excess = value(receiver.rated(x)["likely"][_highest_fresh(receiver, x, timeline)]) - x.limit_db
        return x.kept_from["likely"] or "never", excess

    receiver, worst = max(hit, key=latest)
    said = {
        "limit": number(worst.limit_db),
        "quantity": rating_quantity(worst, strings),
        "criterion": criterion_titles(results)[worst.criterion],
        "id": receiver.receiver,
        "end": month(timeline.dates[-1], strings),
    }
    likely, high = worst.kept_from["likely"], worst.kept_from["high"]
    if likely is None:
        first = strings("limits_in_time.summary_open", **said)
    elif high is not None and month(high, strings) == month(likely, strings):
        first = strings("limits_in_time.summary_same", likely=month(likely, strings), **said)
    elif high is None:
        first = strings("limits_in_time.summary_likely", likely=month(likely, strings), **said)
    else:
        first = strings(
            "limits_in_time.summary_until", likely=month(likely, strings), high=month(high, strings), **said
        )
    more = len(hit) - 1
    return sentences(first, strings("limits_in_time.summary_more", n=more) if more else "")


def _exceeded_after(rating: Rating, case: str) -> bool:
    return rating.kept_from[case] is not None or rating.reasons[case].startswith("exceeded to the end")

"""Levels in time, as the page draws them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from lineside.report.in_time import dates_words
from lineside.report.limits_in_time import kept_words, rating_quantity
from lineside.report.selection import criterion_titles, period_names
from lineside.report.strings import Strings
from lineside.report.text import number
from lineside.results.model import Level, Rating, ReceiverTimeline, Results, Timeline
from lineside.web.places import quantities, tenth, tenths


def head(results: Results, strings: Strings, words: Strings) -> dict[str, Any] | None:
    """What all receivers have in common: dates, works, cases."""
    timeline = results.timeline
    if timeline is None:
        return None
    works: dict[str, list[str]] = {}
    for work in results.site.works:
        kinds = works.setdefault(work.date, [])
        name = strings.known("work", work.kind)
        kinds += [name] if name not in kinds else []
    return {
        "dates": timeline.dates,
        "at": timeline.dates.index(timeline.assessment_date),
        "works": [[date, ", ".join(kinds)] for date, kinds in sorted(works.items())],
        "note": words("time.note", draws=timeline.draws),
    }


def receivers(results: Results, strings: Strings, detailed: frozenset[str]) -> dict[str, dict[str, Any]]:
    """Time line by receiver."""
    timeline = results.timeline
    if timeline is None:
        return {}
    return {r.receiver: _receiver(r, timeline, results, strings) for r in timeline.receivers if r.receiver in detailed}


def _receiver(receiver: ReceiverTimeline, timeline: Timeline, results: Results, strings: Strings) -> dict[str, Any]:
    names = {"lden": strings.known("quantity", "lden_db"), **period_names(results, strings)}
    plain = [r for r in receiver.ratings if not r.rating_db]
    series = [
        _series(
            names.get(q, q),
            receiver.levels_db[q],
            receiver.before_db.get(q),
            [(r.limit_db, rating_quantity(r, strings)) for r in plain if _follows(r) == q],
        )
        for q in quantities(results)
        if q in receiver.levels_db
    ]
    titles = criterion_titles(results)
    for r in receiver.ratings:
        if r.rating_db:
            name = f"{rating_quantity(r, strings)}: {titles.get(r.criterion, r.criterion)}"
            series.append(_series(name, r.rating_db, r.before_db, [(r.limit_db, rating_quantity(r, strings))]))
    return {
        "series": series,
        "returns": [[number(x.within_db), dates_words(x, timeline, strings)] for x in receiver.returns],
        "kept": [
            [rating_quantity(r, strings), number(r.limit_db), titles.get(r.criterion, r.criterion), kept]
            for r in receiver.ratings
            if (kept := kept_words(r, timeline, strings))
        ],
    }


def _follows(rating: Rating) -> str:
    """The quantity of the time line that a rating without levels of its own compares."""
    name = rating.quantity.removesuffix("_db")
    return name if name == "lden" else name.removeprefix("l")


def _series(
    name: str, cases: dict[str, list[Level]], before: Level, limits: Sequence[tuple[float, str]]
) -> dict[str, Any]:
    return {
        "name": name,
        "cases": [tenths(cases[case]) for case in ("low", "likely", "high")],
        "before": tenth(before),
        "limits": sorted({limit for limit, _ in limits}),
    }

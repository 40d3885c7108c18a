"""What changed in levels, comparisons with limits, and dates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from lineside.compare.changes import SAME_DB, DateChange, LevelChange, VerdictChange
from lineside.report.selection import month
from lineside.report.strings import Strings
from lineside.results.model import Finding, Level, Rating, ReceiverResult, Results

Levels = dict[tuple[str, str], tuple[str, Level]]  # (place, quantity) -> (name, level)


def level_changes(first: Results, second: Results) -> tuple[list[LevelChange], int]:
    """Levels of places that both have, and how many were compared; the largest change first."""
    a, b = _levels(first), _levels(second)
    both = [key for key in a if key in b]
    found = [
        LevelChange(key[0], b[key][0], key[1], a[key][1], b[key][1]) for key in both if not _same(a[key][1], b[key][1])
    ]
    largest: dict[str, float] = {}
    for change in found:
        size = float("inf") if change.change_db is None else abs(change.change_db)
        largest[change.place] = max(size, largest.get(change.place, 0.0))
    return sorted(found, key=lambda c: -largest[c.place]), len(both)


def _same(a: Level, b: Level) -> bool:
    return a == b if a is None or b is None else abs(a - b) < SAME_DB


def _levels(results: Results) -> Levels:
    out: Levels = {}
    for r in results.receivers:
        out[r.id, "Lden"] = (r.name, r.lden_db)
        out.update({(r.id, f"L{period}"): (r.name, level) for period, level in r.period_db.items()})
        if r.passes:
            out[r.id, "LAFmax"] = (r.name, _loudest(r))
    names = {b.id: b.name for b in results.site.buildings}
    for building in results.facades.buildings if results.facades is not None else []:
        for quantity, level in building.highest_db.items():
            name = "Lden" if quantity == "lden" else f"L{quantity}"
            out[f"building {building.building}", name] = (names.get(building.building, ""), level)
    return out


def _loudest(receiver: ReceiverResult) -> Level:
    return max((p.lafmax_db for p in receiver.passes if p.lafmax_db is not None), default=None)


def receivers_added(first: Results, second: Results) -> list[str]:
    """Receivers of the second assessment that the first does not have."""
    known = {r.id for r in first.receivers}
    return [r.id for r in second.receivers if r.id not in known]


def verdict_changes(first: Results, second: Results) -> tuple[list[VerdictChange], int, int]:
    """Comparisons that come out otherwise, crossings first; and how many are new or no longer made."""
    a, b = findings_of(first), findings_of(second)
    found = []
    for key, old in a.items():
        new = b.get(key)
        if new is None or (old.verdict == new.verdict and old.limit_db == new.limit_db):
            continue
        found.append(
            VerdictChange(
                key[0],
                *(new.criterion, new.label, new.quantity, new.window or "", old.limit_db, new.limit_db),
                *(old.compared_db, new.compared_db, old.verdict, new.verdict),
            )
        )
    order = {"now exceeded": 0, "now kept": 1, "": 2}
    found.sort(key=lambda v: order[v.crossing])
    return found, len(b.keys() - a.keys()), len(a.keys() - b.keys())


def findings_of(results: Results) -> Mapping[tuple[str, str, str, str, str], Finding]:
    """By place, criterion, label, quantity and clock hours; those at facades by their building."""
    out = {}
    at_buildings = results.facades.buildings if results.facades is not None else []
    places = [(f.receiver, f) for f in results.findings]
    places += [(f"building {b.building}", f) for b in at_buildings for f in b.findings]
    for place, f in places:
        out[place, f.criterion, f.label, f.quantity, f.window or ""] = f
    return out


def date_changes(first: Results, second: Results) -> list[DateChange]:
    """Dates of the time line, and from when to when limits are kept, by month: a day would say too much."""
    strings = Strings()
    a, b = dict(_dates(first, strings)), dict(_dates(second, strings))
    return [
        DateChange(*key, a.get(key, "not asked"), b.get(key, "not asked"))
        for key in dict.fromkeys([*a, *b])
        if a.get(key) != b.get(key)
    ]


def _dates(results: Results, strings: Strings) -> Iterator[tuple[tuple[str, str], str]]:
    if results.timeline is None:
        return
    for receiver in results.timeline.receivers:
        for back in receiver.returns:
            for case, date in back.dates.items():
                words = month(date, strings) if date else back.reasons.get(case) or "no date"
                yield (receiver.receiver, f"back within {back.within_db:g} dB, {case}"), words
        for rating in receiver.ratings:
            for case in rating.kept_from:
                yield (receiver.receiver, _limit(rating, case)), _kept(rating, case, strings)


def _limit(rating: Rating, case: str) -> str:
    window = f" {rating.window}" if rating.window else ""
    label = f", {rating.label}" if rating.label else ""
    quantity = rating.quantity.removesuffix("_db")
    return f"{rating.criterion}: limit for {quantity}{window}{label} kept, {case}"


def _kept(rating: Rating, case: str, strings: Strings) -> str:
    start, end = rating.kept_from[case], rating.above_from.get(case)
    if start is None:
        return rating.reasons.get(case) or "no date"
    return f"from {month(start, strings)}" + (f" until {month(end, strings)}" if end else "")


def named(quantity: str, window: str | None, label: str, strings: Strings) -> str:
    """What is compared: symbol, clock hours, and the criterion's own label where it says more."""
    symbol = strings.known("quantity", quantity)
    more = label if label.casefold() != symbol.casefold() else ""
    return ", ".join(word for word in (symbol, window, more) if word)

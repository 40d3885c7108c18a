"""A comparison as text."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from lineside.compare.changes import SAME_INTERVAL_DB, SAME_SHARE, Change, Comparison, Interval
from lineside.compare.outcomes import named
from lineside.report.strings import Strings
from lineside.report.sure import interval, probability
from lineside.report.text import difference, level

#: So many entries of each kind are listed; --json has all of them.
MAX_LISTED = 60


def lines(found: Comparison) -> Iterator[str]:
    """What changed, in the order inputs, methods, results."""
    for mark, side in (("A", found.first), ("B", found.second)):
        about = f"{side.title}, revision {side.revision} of {side.date}, {side.n_receivers} receivers"
        yield f"{mark}  {side.source}: {about} (lineside {side.lineside_version}, project {side.project_sha256[:12]})"
    if found.same:
        yield "Nothing differs: inputs, methods and results are the same."
        return
    yield from _changes("Project values", found.inputs)
    yield from _changes("Input files", found.files)
    yield from _changes("Methods", found.methods)
    if found.ranges:
        yield from _changes("Ranges of inputs", found.ranges)
    for head, names in (("Receivers added", found.receivers_added), ("Receivers removed", found.receivers_removed)):
        if names:
            yield f"{head}: {', '.join(names)}"
    yield from _levels(found)
    yield from _verdicts(found)
    if found.dates:
        yield f"Dates: {len(found.dates)} differ"
        dates = [f"{d.place}, {d.what}: {d.before} -> {d.after}" for d in found.dates]
        yield from _capped(dates)
    yield from _intervals(found)
    yield from _probabilities(found)
    if found.options:
        yield from _changes("Measures and options", found.options)


def _changes(head: str, changes: Sequence[Change]) -> Iterator[str]:
    if not changes:
        yield f"{head}: the same"
        return
    yield f"{head}: {len(changes)} changed"
    yield from _capped([sentence(c) for c in changes])


def sentence(change: Change) -> str:
    """One change on one line."""
    if change.kind == "changed":
        return f"{change.where}: {change.before} -> {change.after}"
    return f"{change.where}: {change.kind}: {change.after or change.before}"


def _levels(found: Comparison) -> Iterator[str]:
    if not found.levels:
        yield f"Levels: none of {found.n_levels} differs by 0.05 dB or more"
        return
    yield f"Levels: {len(found.levels)} of {found.n_levels} differ by 0.05 dB or more"
    by_place: dict[str, list[str]] = {}
    for change in found.levels:
        name = f" ({change.name})" if change.name and change.name != change.place else ""
        by = f" ({difference(change.change_db)})" if change.change_db is not None else ""
        values = f"{change.quantity} {level(change.before_db)} -> {level(change.after_db)}{by}"
        by_place.setdefault(f"{change.place}{name}", []).append(values)
    yield from _capped([f"{place}: {', '.join(values)} dB" for place, values in by_place.items()])


def _verdicts(found: Comparison) -> Iterator[str]:
    crossing = sum(bool(v.crossing) for v in found.verdicts)
    if not (found.verdicts or found.findings_added or found.findings_removed):
        yield "Comparisons with limits: all come out as before"
        return
    more = f"; {found.findings_added} new, {found.findings_removed} no longer made"
    yield f"Comparisons with limits: {len(found.verdicts)} changed, {crossing} of them cross a limit{more}"
    entries, strings = [], Strings()
    for v in found.verdicts:
        limit = f"limit {level(v.limit_after_db)} dB"
        if v.limit_before_db != v.limit_after_db:
            limit = f"limit {level(v.limit_before_db)} -> {level(v.limit_after_db)} dB"
        crossed = f" [{v.crossing}]" if v.crossing else ""
        what = f"{v.place}, {v.criterion}, {named(v.quantity, v.window, v.label, strings)}"
        values = f"{level(v.compared_before_db)} -> {level(v.compared_after_db)} dB"
        entries.append(f"{what}, {limit}: {values}, {v.verdict_before} -> {v.verdict_after}{crossed}")
    yield from _capped(entries)


def _intervals(found: Comparison) -> Iterator[str]:
    if found.intervals:
        some = (
            f"{len(found.intervals)} of {found.n_intervals} have an end that moves by {SAME_INTERVAL_DB:g} dB or more"
        )
        yield f"90 % intervals: {some}"
        strings = Strings()
        yield from _capped(
            [
                f"{c.place}: {c.quantity} {ends(c.before_db, strings)} -> {ends(c.after_db, strings)} dB"
                for c in found.intervals
            ]
        )
    elif found.n_intervals:
        yield f"90 % intervals: no end of {found.n_intervals} moves by {SAME_INTERVAL_DB:g} dB or more"


def ends(both: Interval | None, strings: Strings) -> str:
    """An interval as the report prints it."""
    low, high = both or (None, None)
    return interval(low, high, strings)


def _probabilities(found: Comparison) -> Iterator[str]:
    points = f"{100 * SAME_SHARE:g} percentage points or more"
    if found.probabilities:
        yield f"Probabilities above limits: {len(found.probabilities)} of {found.n_probabilities} differ by {points}"
        strings = Strings()
        entries = []
        for c in found.probabilities:
            what = f"{c.place}, {c.criterion}, {named(c.quantity, c.window, c.label, strings)}"
            shares = (probability(share, strings).replace("\u00a0", " ") for share in (c.before, c.after))
            entries.append(f"{what}: {' -> '.join(shares)}")
        yield from _capped(entries)
    elif found.n_probabilities:
        yield f"Probabilities above limits: none of {found.n_probabilities} differs by {points}"


def _capped(entries: Sequence[str]) -> Iterator[str]:
    yield from (f"  {entry}" for entry in entries[:MAX_LISTED])
    if len(entries) > MAX_LISTED:
        yield f"  ... and {len(entries) - MAX_LISTED} more; --json lists all of them"

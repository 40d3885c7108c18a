"""What changed in ranges of inputs, in intervals of levels, and in probabilities that limits are exceeded."""

from __future__ import annotations

from collections.abc import Container, Iterable, Iterator, Mapping

from lineside.compare.changes import SAME_INTERVAL_DB, SAME_SHARE, Change, Interval, IntervalChange, ProbabilityChange
from lineside.compare.inputs import worded
from lineside.compare.outcomes import findings_of
from lineside.report.strings import Strings
from lineside.report.sure import group_name
from lineside.results.model import Results
from lineside.results.sure_model import UncertainInput

Place = tuple[str, str]  # place, quantity


def range_changes(first: Results, second: Results) -> list[Change]:
    """Inputs that are known within a range only: range, shape, standing, source; or whether levels are drawn at all."""
    a, b = first.sure, second.sure
    if a is None or b is None:
        said = [f"{s.draws} draws, {len(s.inputs)} inputs with a range" if s is not None else "" for s in (a, b)]
        if a is b:
            return []
        return [Change("added" if a is None else "removed", "draws of levels", *said)]
    mine, yours, out = _inputs(a.inputs), _inputs(b.inputs), []
    for where in dict.fromkeys([*mine, *yours]):
        old, new = mine.get(where), yours.get(where)
        if old is None and new is not None:
            out.append(Change("added", where, "", _whole(new)))
        elif new is None and old is not None:
            out.append(Change("removed", where, _whole(old)))
        elif old is not None and new is not None:
            after = _facts(new)
            out += [
                Change("changed", f"{where}, {what}", worded(said), worded(after[what]))
                for what, said in _facts(old).items()
                if said != after[what]
            ]
    return out


def _inputs(inputs: Iterable[UncertainInput]) -> dict[str, UncertainInput]:
    """By group and label, numbered where these are not enough."""
    strings = Strings()
    out: dict[str, UncertainInput] = {}
    for one in inputs:
        known = strings.has(f"sure_group.{one.group}") or ":" in one.group
        where = f"{group_name(one.group, strings) if known else one.group}: {one.label}"
        names = (where, *(f"{where} ({n})" for n in range(2, len(out) + 3)))
        out[next(name for name in names if name not in out)] = one
    return out


def _facts(one: UncertainInput) -> dict[str, str]:
    return {"range": _range(one), "shape": one.shape, "standing": one.standing, "source": one.source}


def _whole(one: UncertainInput) -> str:
    return ", ".join((_range(one), one.shape, one.standing))


def _range(one: UncertainInput) -> str:
    if one.kind == "ends":
        return "low to high"
    unit = f" {one.unit}" if one.unit else ""
    return f"{worded(one.likely)} ({worded(one.low)} to {worded(one.high)}){unit}"


def interval_changes(first: Results, second: Results) -> tuple[list[IntervalChange], int]:
    """90 % intervals of which an end moved, the farthest first, and how many were compared.

    Those of receivers, and those of buildings at their most exposed facades.
    """
    a, b = dict(_intervals(first)), dict(_intervals(second))
    both = [key for key in a if key in b]
    found = [IntervalChange(*key, a[key], b[key]) for key in both if _moved(a[key], b[key]) >= SAME_INTERVAL_DB]
    return sorted(found, key=lambda c: -_moved(c.before_db, c.after_db)), len(both)


def _moved(a: Interval | None, b: Interval | None) -> float:
    """How far the end moved that moved more, to 0.01 dB, to which ends are told."""
    if a is None or b is None:
        return 0.0 if a is b else float("inf")
    return round(max(abs(x - y) for x, y in zip(a, b, strict=True)), 2)


def _intervals(results: Results) -> Iterator[tuple[Place, Interval | None]]:
    if results.sure is None:
        return
    periods = {p.name for p in results.periods}
    for receiver in results.sure.receivers:
        for name, low in receiver.low_db.items():
            high = receiver.high_db.get(name)
            yield (receiver.receiver, _symbol(name, periods)), None if low is None or high is None else (low, high)
    for building in results.facades.buildings if results.facades is not None else []:
        for name, both in building.interval_db.items():
            yield (f"building {building.building}", _symbol(name, periods)), both


def _symbol(name: str, periods: Container[str]) -> str:
    """Of Lden, the level of a period, or that of clock hours."""
    return "Lden" if name == "lden" else f"L{name}" if name in periods else f"LAeq {name}"


def probability_changes(first: Results, second: Results) -> tuple[list[ProbabilityChange], int]:
    """Probabilities that a limit is exceeded which changed, the most first, and how many were compared."""
    a, b = _shares(first), _shares(second)
    found = [
        ProbabilityChange(*key, a[key], b[key])
        for key in a
        if key in b and round(abs(a[key] - b[key]), 3) >= SAME_SHARE
    ]
    return sorted(found, key=lambda c: -abs(c.after - c.before)), len(a.keys() & b.keys())


def _shares(results: Results) -> Mapping[tuple[str, str, str, str, str], float]:
    found = findings_of(results)
    return {key: f.probability_above for key, f in found.items() if f.probability_above is not None}

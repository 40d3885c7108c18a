"""What changed in measures and options: which there are, their order, what they bring, what they cost."""

from __future__ import annotations

from collections.abc import Iterator

from lineside.compare.changes import SAME_DB, Change
from lineside.report.option_words import currency, money, option_name
from lineside.report.text import difference
from lineside.results.model import Results
from lineside.results.options import MeasureInfo, Money, OptionResult, OptionsResult


def option_changes(first: Results, second: Results) -> list[Change]:
    """Measures added and removed, the recommended order, then mean reduction of Lden and cost of each option of both.

    Reductions are the same below 0.05 dB, costs where they are printed alike.
    """
    a, b = first.options, second.options
    if a is None or b is None:
        if a is b:
            return []
        return [Change("added" if a is None else "removed", "options", *(_counts(o) if o else "" for o in (a, b)))]
    return [*_measures(a, b), *_sets(a, b), *_order(a, b), *_values(a, b)]


def _counts(options: OptionsResult) -> str:
    return f"{len(options.measures)} measures, {len(options.options)} options"


def _measures(a: OptionsResult, b: OptionsResult) -> Iterator[Change]:
    mine, yours = ({m.id: m for m in options.measures} for options in (a, b))
    yield from (Change("removed", f"measure {name}", _title(m)) for name, m in mine.items() if name not in yours)
    yield from (Change("added", f"measure {name}", "", _title(m)) for name, m in yours.items() if name not in mine)
    for name in [n for n in mine if n in yours]:
        if mine[name].acts != yours[name].acts:
            said = ["acts" if m.acts else f"acts on nothing: {m.nothing}" for m in (mine[name], yours[name])]
            yield Change("changed", f"measure {name}", *said)


def _title(measure: MeasureInfo) -> str:
    return measure.name or measure.title


def _sets(a: OptionsResult, b: OptionsResult) -> Iterator[Change]:
    """How many options there are, and which sets of measures are rejected."""
    if len(a.options) != len(b.options):
        yield Change("changed", "number of options", str(len(a.options)), str(len(b.options)))
    mine, yours = ({", ".join(r.measures): r.reason for r in options.rejected} for options in (a, b))
    yield from (Change("removed", f"rejected: {names}", why) for names, why in mine.items() if names not in yours)
    yield from (Change("added", f"rejected: {names}", "", why) for names, why in yours.items() if names not in mine)


def _order(a: OptionsResult, b: OptionsResult) -> Iterator[Change]:
    if [p.option for p in a.order] != [p.option for p in b.order]:
        yield Change("changed", "recommended order", _places(a), _places(b))


def _places(options: OptionsResult) -> str:
    names = {o.id: option_name(o) for o in options.options}
    return ", ".join(f"{k} {names.get(p.option, p.option)}" for k, p in enumerate(options.order, 1)) or "none"


def _values(a: OptionsResult, b: OptionsResult) -> Iterator[Change]:
    mine, yours = ({o.id: o for o in options.options} for options in (a, b))
    for name in [n for n in mine if n in yours]:
        old, new = mine[name], yours[name]
        before, after = _mean(old), _mean(new)
        if abs(after - before) >= SAME_DB:
            words = [f"{difference(v)} dB" for v in (before, after)]
            yield Change("changed", f"{option_name(new)}, mean reduction of Lden", *words)
        costs = _cost(old.cost, a), _cost(new.cost, b)
        if costs[0] != costs[1]:
            yield Change("changed", f"{option_name(new)}, cost", *costs)


def _mean(option: OptionResult) -> float:
    return option.mean_reduction_db.get("lden", 0.0)


def _cost(cost: Money | None, options: OptionsResult) -> str:
    return "not known" if cost is None else f"{money(cost)} {currency(options)}".rstrip()

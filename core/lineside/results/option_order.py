"""The Pareto set and the recommended order of options, with the reasons in words."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from lineside.results import options as model

#: Most options in the order.
SHOWN = 12
#: Gains that differ by less count as equal, and the cheaper option comes first. [dB]
STEP_DB = 0.1


def mark_pareto(options: Sequence[model.OptionResult], by_dwellings: bool = True) -> None:
    """Mark options than which none is both cheaper and better, and one of the two strictly.

    ``by_dwellings``: better by the sum of dwellings x reduction of Lden; else by its mean reduction.
    """

    def benefit(option: model.OptionResult) -> float:
        return option.decibel_dwellings if by_dwellings else option.mean_reduction_db.get("lden", 0.0)

    known = [o for o in options if o.cost is not None and benefit(o) > 0.0]
    best = -math.inf
    for option in sorted(known, key=lambda o: (_likely(o), -benefit(o), len(o.measures), o.id)):
        option.pareto = benefit(option) > best
        best = max(best, benefit(option))


def _likely(option: model.OptionResult) -> float:
    return math.inf if option.cost is None else option.cost.likely


def _relieved(option: model.OptionResult) -> tuple[int, int, int]:
    """Persons, dwellings and receivers that come below limits, all checks of average levels together."""
    above = [a for a in option.above if a.quantity != "lafmax_db"]
    return (
        sum(a.persons_before - a.persons for a in above),
        sum(a.dwellings_before - a.dwellings for a in above),
        sum(a.receivers_before - a.receivers for a in above),
    )


def order_of(options: Sequence[model.OptionResult], dwellings: float = 0.0) -> list[model.Place]:
    """Options that help, the best first: limits kept, then the mean over dwellings, or receivers, then cost and size.

    An option is left out if a part of it helps as much. ``dwellings``: all of them at the receivers.
    """

    def gain(option: model.OptionResult) -> float:
        return option.decibel_dwellings / dwellings if dwellings else option.mean_reduction_db["lden"]

    def rank(option: model.OptionResult) -> tuple[float, ...]:
        step = round(gain(option) / STEP_DB)
        return (*(-r for r in _relieved(option)), -step, _likely(option), len(option.measures), -gain(option))

    def decided(option: model.OptionResult, shown: Sequence[model.OptionResult]) -> bool:
        """Whether the likely cost tells it from another that stands level with it up to there."""
        level = [o for o in shown if rank(o)[:4] == rank(option)[:4]]
        return len({_likely(o) for o in level}) > 1

    helping = [o for o in options if o.acts and o.mean_reduction_db.get("lden", 0.0) > 0.0 and gain(o) > 0.0]
    ranked = sorted(helping, key=lambda o: (*rank(o), o.id))
    best = [o for o in ranked if not any(_as_good(part, o, gain) for part in helping)]
    shown = best[:SHOWN]
    over = "dwellings" if dwellings else "receivers"
    return [model.Place(option=o.id, reason=_words(o, gain(o), over, decided(o, shown))) for o in shown]


def _as_good(part: model.OptionResult, whole: model.OptionResult, gain: Callable[[model.OptionResult], float]) -> bool:
    """Whether some of the measures of an option do what all of them do."""
    return (
        set(part.measures) < set(whole.measures)
        and _relieved(part) >= _relieved(whole)
        and gain(part) > gain(whole) - STEP_DB
        and part.mean_reduction_db["lden"] > whole.mean_reduction_db["lden"] - STEP_DB
    )


def _words(option: model.OptionResult, gain: float, over: str, by_cost: bool) -> str:
    """Why an option stands where it does.

    ``gain``: the mean reduction that orders, ``over`` what; ``by_cost``: whether the likely cost decides its place.
    """
    persons, dwellings, receivers = _relieved(option)
    named = {
        what: any(getattr(a, what) or getattr(a, f"{what}_before") for a in option.above)
        for what in ("dwellings", "persons")
    }
    parts = []
    if receivers > 0:
        counts = [f"{n} {what}" for n, what in ((dwellings, "dwellings"), (persons, "persons")) if named[what]]
        counted = f" ({', '.join(counts)}, each counted per limit)" if dwellings or persons else ""
        parts.append(f"{receivers} more {_comparisons(receivers)} with limits would be kept{counted}")
    elif receivers < 0:
        parts.append(f"{-receivers} more {_comparisons(-receivers)} with limits would not be kept")
    elif option.above:
        parts.append("the number of limits kept would stay")
    parts.append(f"the computed Lden would be lower by {gain:.1f} dB on average over {over}")
    worst = option.worst_reduction_db["lden"]
    if worst < -0.05:
        parts.append(f"at one receiver or more it would be higher, by up to {-worst:.1f} dB")
    if by_cost and option.cost is not None:
        likely = f"{float(f'{option.cost.likely:.3g}'):,.0f} {option.cost.currency}".strip()
        parts.append(f"among options alike in this the likely cost decides: {likely}")
    elif by_cost:
        parts.append("it stands after options alike in this whose cost is known")
    if option.cost_per_db_dwelling is not None:
        money = option.cost_per_db_dwelling
        parts.append(f"likely {float(f'{money.likely:.3g}'):,.0f} {money.currency} per decibel and dwelling")
    elif option.cost_unknown:
        parts.append("the cost is not known from the project file")
    return "; ".join(parts)


def _comparisons(n: int) -> str:
    return "comparison" if n == 1 else "comparisons"

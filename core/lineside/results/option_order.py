"""The Pareto set and the recommended order of options, with the reasons in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from lineside.results import options as model
from lineside.results.findings import RESOLUTION_DB

#: Most options in the order.
SHOWN = 12


def mark_pareto(options: Sequence[model.OptionResult]) -> None:
    """Mark options than which none is both cheaper and better, and one of the two strictly."""
    known = [o for o in options if o.cost is not None and o.decibel_dwellings > 0.0]
    best = -math.inf
    for option in sorted(known, key=lambda o: (_likely(o), -o.decibel_dwellings)):
        option.pareto = option.decibel_dwellings > best
        best = max(best, option.decibel_dwellings)


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


def order_of(options: Sequence[model.OptionResult]) -> list[model.Place]:
    """Options that help, the best first: limits kept, then decibel-dwellings or the mean, then cost and size.

    An option is left out if a part of it helps as much.
    """
    helping = [o for o in options if o.acts and o.mean_reduction_db.get("lden", 0.0) > 0.0]

    helping = [o for o in helping if not any(_as_good(part, o) for part in helping)]

    def rank(option: model.OptionResult) -> tuple[float, ...]:
        gains = (option.decibel_dwellings, option.mean_reduction_db["lden"])
        return (*(-r for r in _relieved(option)), *(-g for g in gains), _likely(option), len(option.measures))

    return [model.Place(option=o.id, reason=_words(o)) for o in sorted(helping, key=rank)[:SHOWN]]


def _as_good(part: model.OptionResult, whole: model.OptionResult) -> bool:
    """Whether some of the measures of an option do what all of them do."""
    return (
        set(part.measures) < set(whole.measures)
        and _relieved(part) >= _relieved(whole)
        and part.decibel_dwellings >= whole.decibel_dwellings - RESOLUTION_DB
        and part.mean_reduction_db["lden"] >= whole.mean_reduction_db["lden"] - RESOLUTION_DB
    )


def _words(option: model.OptionResult) -> str:
    persons, dwellings, receivers = _relieved(option)
    parts = []
    if receivers > 0:
        parts.append(
            f"{receivers} comparisons with limits are kept that are not kept now ({dwellings} dwellings, "
            f"{persons} persons, each counted per limit)"
        )
    elif receivers < 0:
        parts.append(f"{-receivers} more comparisons with limits are not kept")
    else:
        parts.append("the number of limits kept stays")
    parts.append(f"Lden falls by {option.mean_reduction_db['lden']:.1f} dB on average")
    worst = option.worst_reduction_db["lden"]
    if worst < -0.05:
        parts.append(f"somewhere it rises by {-worst:.1f} dB")
    if option.cost_per_db_dwelling is not None:
        money = option.cost_per_db_dwelling
        parts.append(f"likely {money.likely:,.0f} {money.currency} per decibel and dwelling")
    elif option.cost_unknown:
        parts.append("the cost is not known")
    return "; ".join(parts)

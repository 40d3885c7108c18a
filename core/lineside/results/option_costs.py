"""Costs of options over a span of years."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lineside.contracts import Standing
from lineside.measures import Cost, Unit
from lineside.project.model import MeasureUse


@dataclass(frozen=True)
class Priced:
    """Present value of a measure, low, likely and high; or what is missing for it."""

    value: tuple[float, float, float] | None
    currency: str
    missing: tuple[str, ...] = ()


def costs_of(use: MeasureUse, published: Sequence[Cost], currency: str) -> tuple[Cost, ...]:
    """Costs that count: those of the project file, else published ones in the currency of the project."""
    if use.costs:
        return tuple(
            Cost(c.low, c.likely, c.high, c.per, c.every, c.currency, c.year, c.source, Standing.USER)
            for c in use.costs
        )
    return tuple(c for c in published if not currency or c.currency == currency)


def present_value(
    costs: Sequence[Cost],
    amounts: Mapping[Unit, float],
    life_years: float | None,
    years: int,
    rate_pct: float,
) -> Priced:
    """Present value of all payments within a span of years.

    What is paid once is paid again at the end of each service life within the span, without a value left at its end;
    yearly payments fall due at the end of each year. A payment after t years counts (1 + rate)^-t.

    >>> once = Cost(100, 100, 100, "m", "once", "EUR", 2026, "an offer", Standing.USER)
    >>> present_value([once], {"m": 10.0}, 15.0, 30, 0.0).value
    (2000.0, 2000.0, 2000.0)
    >>> yearly = Cost(1, 2, 3, "whole", "year", "EUR", 2026, "an offer", Standing.USER)
    >>> present_value([yearly], {"whole": 1.0}, None, 2, 100.0).value
    (0.75, 1.5, 2.25)
    """
    if not costs:
        return Priced(None, "", ("no cost is given or published",))
    missing = [f"how many ({cost.per})" for cost in costs if cost.per not in amounts]
    if life_years is None and any(cost.every == "once" for cost in costs):
        missing.append("service life")
    if missing:
        return Priced(None, costs[0].currency, tuple(dict.fromkeys(missing)))
    total = [0.0, 0.0, 0.0]
    for cost in costs:
        if cost.every == "year":
            due = [float(t) for t in range(1, years + 1)]
        else:
            assert life_years is not None
            due = [k * life_years for k in range(max(1, math.ceil(years / life_years - 1e-9)))]
        factor = amounts[cost.per] * sum((1.0 + rate_pct / 100.0) ** -t for t in due)
        for k, price in enumerate((cost.low, cost.likely, cost.high)):
            total[k] += price * factor
    return Priced((total[0], total[1], total[2]), costs[0].currency)

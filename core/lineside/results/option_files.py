"""Options and measures as tables, one row per option, limit, measure or combination left out."""

from __future__ import annotations

from typing import Any

import numpy as np

from lineside.results.model import Results
from lineside.results.options import AboveLimit, CostInfo, EffectInfo, MeasureInfo, Money, OptionResult, OptionsResult

Rows = tuple[list[dict[str, Any]], list[str] | None]
_MONEY = ("low", "likely", "high", "currency")
_LIMIT = ("criterion", "label", "quantity", "window")
_COUNTS = ("receivers", "dwellings", "persons")


def option_tables(results: Results) -> dict[str, Rows]:
    """CSV tables by name; headings only where the project considers no measures."""
    options = results.options
    return {
        "options": _options(options, [p.name for p in results.periods]),
        "options_limits": _limits(options),
        "options_rejected": _rejected(options),
        "measures": _measures(options),
    }


def _options(options: OptionsResult | None, periods: list[str]) -> Rows:
    """One row per option, the recommended ones first."""
    names = ["lden", *periods]
    effects = list(options.people_before) if options is not None else []
    columns = [
        *("option", "measures", "place", "acts", "pareto"),
        *(f"{which}_reduction_{name}_db" for name in names for which in ("mean", "least", "largest")),
        "forecast_mean_reduction_lden_db",
        *(f"{count}_above_any_limit" for count in _COUNTS),
        *(f"persons_{effect}" for effect in effects),
        "decibel_dwellings",
        *(f"cost_{part}" for part in _MONEY),
        *(f"cost_per_db_dwelling_{part}" for part in _MONEY[:3]),
        *("cost_unknown", "takes_effect", "worn_in_anyway"),
        *(f"avoided_person_days_{effect}" for effect in effects),
    ]
    if options is None:
        return [], columns
    place = {p.option: k for k, p in enumerate(options.order, start=1)}
    rows = [_option(o, names, place.get(o.id)) for o in options.options]
    return sorted(rows, key=lambda r: (r["place"] is None, r["place"])), columns


def _option(o: OptionResult, names: list[str], place: int | None) -> dict[str, Any]:
    kinds = {"mean": o.mean_reduction_db, "least": o.worst_reduction_db, "largest": o.best_reduction_db}
    in_time = o.in_time
    return {
        "option": o.id,
        "measures": o.measures,
        "place": place,
        "acts": o.acts,
        "pareto": o.pareto,
        **{f"{which}_reduction_{name}_db": kinds[which].get(name) for name in names for which in kinds},
        "forecast_mean_reduction_lden_db": o.forecast_mean_reduction_db.get("lden"),
        **{f"{count}_above_any_limit": getattr(o.above_any, count) for count in _COUNTS},
        **{f"persons_{effect}": n for effect, n in o.people.items()},
        "decibel_dwellings": o.decibel_dwellings,
        **_money("cost", o.cost, _MONEY),
        **_money("cost_per_db_dwelling", o.cost_per_db_dwelling, _MONEY[:3]),
        "cost_unknown": o.cost_unknown,
        "takes_effect": None if in_time is None else in_time.takes_effect,
        "worn_in_anyway": None if in_time is None else in_time.worn_in_anyway,
        **{f"avoided_person_days_{e}": n for e, n in ({} if in_time is None else in_time.avoided_days).items()},
    }


def _money(name: str, money: Money | None, parts: tuple[str, ...]) -> dict[str, Any]:
    return {f"{name}_{part}": None if money is None else getattr(money, part) for part in parts}


def _limits(options: OptionsResult | None) -> Rows:
    """One row per option and limit."""
    counts = [f"{count}_above_{when}" for count in _COUNTS for when in ("before", "with_option")]
    rows = [
        {
            "option": o.id,
            **a.model_dump(include=set(_LIMIT)),
            **{
                f"{count}_above_{when}": _count(a, count, when)
                for count in _COUNTS
                for when in ("before", "with_option")
            },
        }
        for o in (options.options if options is not None else [])
        for a in o.above
    ]
    return rows, ["option", *_LIMIT, *counts]


def _count(above: AboveLimit, count: str, when: str) -> int:
    return int(getattr(above, f"{count}_before" if when == "before" else count))


def _rejected(options: OptionsResult | None) -> Rows:
    return [r.model_dump() for r in options.rejected] if options is not None else [], ["measures", "reason"]


def _measures(options: OptionsResult | None) -> Rows:
    """One row per measure and price, or one for a measure without a price."""
    prices = ("low", "likely", "high", "per", "every", "currency", "year", "source", "standing", "amount")
    lists = ("acts_on", "side_conditions", "approval", "cannot", "safety", "warnings", "prompts")
    plain = (
        "id",
        "measure",
        "name",
        "title",
        "side",
        "day",
        "life_years",
        "life_source",
        "lead_days",
        "acts",
        "nothing",
    )
    columns = [*plain, *lists, "options", "published_effects", "note", *(f"price_{p}" for p in prices)]
    rows = []
    for m in options.measures if options is not None else []:
        row = m.model_dump(include={*plain, *lists, "note"})
        row["options"] = [f"{k}: {_plain(v)}" for k, v in m.options.items()]
        row["published_effects"] = _effects(m)
        every: list[CostInfo | None] = [*m.costs] if m.costs else [None]
        for price in every:
            rows.append({**row, **{f"price_{p}": None if price is None else getattr(price, p) for p in prices}})
    return rows, columns


def _effects(measure: MeasureInfo) -> list[str]:
    return [f"{e.on}: {_size(e)} ({e.source.issuer} {e.source.year}; {e.standing})" for e in measure.effects]


def _size(effect: EffectInfo) -> str:
    """The range of a published effect, if it has one, and what the number is."""
    low, high = effect.low_db, effect.high_db
    if low is None or high is None:
        return effect.form
    span = f"{low:g}" if low == high else f"{low:g} to {high:g}"
    return f"{span} {effect.form}"


def _plain(value: Any) -> str:
    """A value of the options without the signs of a programming language.

    >>> _plain(["night"]), _plain({"2000": 3.0}), _plain([[0, 1.5], [2, 3]]), _plain(None)
    ('night', '2000: 3', '(0, 1.5), (2, 3)', 'not set')
    """
    if value is None or value == "" or value == [] or value == {}:
        return "not set"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.10g}"
    if isinstance(value, dict):
        return ", ".join(f"{k}: {_inner(v)}" for k, v in value.items())
    if isinstance(value, list | tuple):
        return ", ".join(_inner(v) for v in value)
    return str(value)


def _inner(value: Any) -> str:
    return f"({_plain(value)})" if isinstance(value, list | tuple | dict) and value else _plain(value)


def option_levels(results: Results) -> tuple[list[str], np.ndarray] | None:
    """Ids and Lden (n_options, n_receivers) of the options that have levels by receiver; None without any. [dB]"""
    options = results.options
    shown = [o for o in options.options if o.lden_db] if options is not None else []
    if not shown:
        return None
    receivers = [r.id for r in results.receivers]
    levels = [[_heard(o.lden_db.get(name)) for name in receivers] for o in shown]
    return [o.id for o in shown], np.array(levels)


def _heard(level: float | None) -> float:
    return -np.inf if level is None else level

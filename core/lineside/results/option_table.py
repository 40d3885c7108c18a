"""Options as the results document holds them: effects, people, costs, order."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from lineside.contracts import Options
from lineside.engine.combine import Candidate, OptionKey
from lineside.engine.option_courses import option_courses
from lineside.engine.option_passes import largest_passes
from lineside.engine.option_run import Considered
from lineside.engine.select import Selection
from lineside.measures import DoseEffect
from lineside.plugins import Plugins
from lineside.results import options as model
from lineside.results.findings import Question
from lineside.results.option_costs import Priced, costs_of, present_value
from lineside.results.option_ids import option_id, refuse_doubles
from lineside.results.option_info import currency, measure_info, relation_info, suggestions
from lineside.results.option_numbers import DIGITS, Checks, Numbers, digits, finite, indicator, numbers_of, same_levels
from lineside.results.option_order import SHOWN, mark_pareto, order_of
from lineside.results.option_places import describe_search
from lineside.results.option_time import in_time


def describe_options(
    considered: Considered,
    asked: Sequence[Question],
    plugins: Plugins,
    selection: Selection,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> model.OptionsResult:
    """All results about options.

    Parameters
    ----------
    asked : sequence of Question
        The checks of the criteria.
    selection : Selection
        The calculators of the project as it is.
    progress : callable
        Told how much of the search for the place of a wall is done.
    """
    prepared = considered.prepared
    rules, project = prepared.loaded.project.options, prepared.loaded.project
    numbers = numbers_of(considered)
    relation = _relation(plugins, rules.dose_effect)
    checks = Checks(considered, numbers, asked)
    infos = {c.id: measure_info(c, considered, plugins) for c in prepared.candidates}
    priced = {c.id: _priced(c, considered) for c in prepared.candidates}
    options = [
        _option(n, key, considered, numbers, checks, relation, infos, priced)
        for n, key in enumerate(considered.keys)
        if key
    ]
    refuse_doubles((o.id, o.measures) for o in options)
    by_dwellings = bool(numbers.dwellings.any())
    mark_pareto(options, by_dwellings)
    order = order_of(options, float(numbers.dwellings.sum()))
    shown = _shown(options, order)
    by_id = {o.id: considered.keys[n + 1] for n, o in enumerate(options)}
    followed = [o for o in shown if o.acts and (len(o.measures) == 1 or o.pareto)][:SHOWN]
    courses = option_courses(considered, [by_id[o.id] for o in followed])
    if checks.of_passes:
        at = sorted(checks.of_passes)
        passes = largest_passes(considered, selection, [(), *(by_id[o.id] for o in shown)], at)
        checks.passes = {
            considered.keys.index(key): dict(zip(at, energy.tolist(), strict=True)) for key, energy in passes.items()
        }
    for option in shown:
        n = considered.keys.index(by_id[option.id])
        option.above = checks.above(n)
        option.lden_db = {r.id: finite(numbers.lden_db[n, k]) for k, r in enumerate(numbers.receivers)}
        if courses is not None and by_id[option.id] in courses.energy:
            option.in_time = in_time(courses, by_id[option.id], numbers, relation)
    if _leave_out_fading(options):
        order = order_of(options, float(numbers.dwellings.sum()))
    people, outside = _people(numbers, 0, relation)
    searched = next((c for c in prepared.candidates if rules.place_search and c.id == rules.place_search.measure), None)
    return model.OptionsResult(
        date=prepared.date.isoformat(),
        years=rules.years,
        discount_rate_pct=rules.discount_rate_pct,
        benefit="decibel_dwellings" if by_dwellings else "mean_reduction_db",
        above_before=checks.above_any(0),
        dose_effect="" if relation is None else relation.name,
        relation=None if relation is None else relation_info(relation),
        people_before=people,
        people_outside=outside,
        measures=list(infos.values()),
        options=options,
        rejected=[model.Rejected(measures=list(key), reason=why) for key, why in considered.dropped.items()],
        order=order,
        places=describe_search(
            considered, numbers, selection, lambda options: _priced_with(searched, options, considered), progress
        ),
        suggestions=suggestions(considered, plugins) if rules.suggest else [],
        notes=_notes(considered, checks, relation, project.options.discount_rate_pct, options),
        n_states=considered.levels.n_states,
        n_transfers=considered.levels.n_transfers,
    )


def _leave_out_fading(options: Sequence[model.OptionResult]) -> bool:
    """No cost per decibel where a gain fades as rails wear in anyway: it is that of one day, the cost that of years."""
    fading = {
        name
        for o in options
        if o.in_time is not None and o.in_time.worn_in_anyway is not None and len(o.measures) == 1
        for name in o.measures
    }
    left_out = False
    for o in options:
        own = o.in_time is not None and o.in_time.worn_in_anyway is not None
        if o.cost_per_db_dwelling is not None and (own or fading & set(o.measures)):
            o.cost_per_db_dwelling, o.fades, left_out = None, True, True
    return left_out


def _relation(plugins: Plugins, name: str | None) -> DoseEffect | None:
    return None if name is None else plugins.find(DoseEffect, name)


def _people(numbers: Numbers, n: int, relation: DoseEffect | None) -> tuple[dict[str, float], dict[str, int]]:
    """Persons with each effect, and those at levels that the relation does not cover."""
    if relation is None:
        return {}, {}
    people, outside = {}, {}
    for effect, name in relation.effects.items():
        level = indicator(numbers, n, name)
        heard = np.isfinite(level)
        people[effect] = round(float(numbers.persons[heard] @ relation.share(effect, level[heard])), DIGITS)
        outside[effect] = int(numbers.persons[~relation.valid(effect, level)].sum())
    return people, outside


def _priced_with(c: Candidate | None, options: Options, considered: Considered) -> Priced:
    return Priced(None, "") if c is None else _priced(replace(c, options=options), considered)


def _priced(c: Candidate, considered: Considered) -> Priced:
    prepared = considered.prepared
    rules = prepared.loaded.project.options
    costs = costs_of(c.use, c.measure.facts().costs, currency(considered))
    amounts = c.measure.amounts(prepared.loaded.project, c.options, prepared.changer.known)
    life = None if c.use.life is None else c.use.life.years
    if c.measure.side == "waiting" and not costs:
        return Priced((0.0, 0.0, 0.0), currency(considered))
    return present_value(costs, amounts, life, rules.years, rules.discount_rate_pct)


def _option(
    n: int,
    key: OptionKey,
    considered: Considered,
    numbers: Numbers,
    checks: Checks,
    relation: DoseEffect | None,
    infos: Mapping[str, model.MeasureInfo],
    priced: Mapping[str, Priced],
) -> model.OptionResult:
    names = considered.evaluation.plan.scenes.reference.scene.period_names
    with np.errstate(invalid="ignore"):
        fall = {"lden": numbers.lden_db[0] - numbers.lden_db[n]}
        fall |= {name: numbers.periods_db[0, :, k] - numbers.periods_db[n, :, k] for k, name in enumerate(names)}
        forecast = None if numbers.forecast_db is None else numbers.forecast_db[0] - numbers.forecast_db[n]
    fall = {name: values[np.isfinite(values)] for name, values in fall.items()}
    lden = numbers.lden_db[0] - numbers.lden_db[n]
    heard = np.isfinite(lden)
    gain = float(numbers.dwellings[heard] @ lden[heard])
    missing = [f"{name}: {what}" for name in key for what in priced[name].missing]
    cost = _total([priced[name] for name in key]) if not missing else None
    people, _ = _people(numbers, n, relation)
    return model.OptionResult(
        id=option_id(key),
        measures=list(key),
        acts=not same_levels(considered, n),
        mean_reduction_db={name: digits(v.mean()) for name, v in fall.items() if v.size},
        best_reduction_db={name: digits(v.max()) for name, v in fall.items() if v.size},
        worst_reduction_db={name: digits(v.min()) for name, v in fall.items() if v.size},
        forecast_mean_reduction_db={}
        if forecast is None or not np.isfinite(forecast).any()
        else {"lden": digits(forecast[np.isfinite(forecast)].mean())},
        above=checks.above(n),
        above_any=checks.above_any(n),
        people=people,
        decibel_dwellings=digits(gain),
        cost=cost,
        cost_unknown=missing,
        cost_per_db_dwelling=None if cost is None or gain <= 0.0 else _per(cost, gain),
    )


def _total(priced: Sequence[Priced]) -> model.Money:
    """Ranges add up end to end: prices are taken to err alike."""
    low, likely, high = (sum(p.value[k] for p in priced if p.value is not None) for k in range(3))
    currency = next((p.currency for p in priced if p.currency), "")
    return model.Money(low=round(low, 2), likely=round(likely, 2), high=round(high, 2), currency=currency)


def _per(cost: model.Money, gain: float) -> model.Money:
    low, likely, high = (round(value / gain, 2) for value in (cost.low, cost.likely, cost.high))
    return model.Money(low=low, likely=likely, high=high, currency=cost.currency)


def _shown(options: Sequence[model.OptionResult], order: Sequence[model.Place]) -> list[model.OptionResult]:
    """Single measures, the Pareto set and the best of the order, each once."""
    best = {place.option for place in order[:SHOWN]}
    found = [o for o in options if len(o.measures) == 1 or o.pareto or o.id in best]
    return found[: 4 * SHOWN]


def _notes(
    considered: Considered,
    checks: Checks,
    relation: DoseEffect | None,
    rate_pct: float,
    options: Sequence[model.OptionResult],
) -> list[str]:
    out = [
        "Costs are present values "
        + (f"at {rate_pct:g} % a year" if rate_pct else "without discounting")
        + "; what is paid once is paid again at the end of each service life, and no value is left at the end. Ranges "
        "are added end to end."
    ]
    if checks.of_passes:
        out.append(
            "Limits of single passes are compared for the options whose levels are printed (single measures, those "
            "that none beats, the best of the order); they play no part in the order."
        )
    if checks.left_out:
        out.append(
            "Not compared for options, as average levels do not answer them: "
            + "; ".join(sorted(checks.left_out))
            + "."
        )
    if checks.toned:
        out.append("Tones are not looked for in options: a limit with a rule for tones is compared without it.")
    if relation is None:
        out.append("People highly annoyed or disturbed in their sleep are not estimated: no relation is chosen.")
    elif relation.caution:
        out.append(relation.caution)
    if not any(r.dwellings for r in considered.prepared.loaded.project.receivers):
        out.append("No receiver has dwellings: costs per decibel and dwelling cannot be stated.")
    unknown = {what for o in options for what in o.cost_unknown}
    if unknown:
        out.append("Costs are not known for lack of: " + "; ".join(sorted(unknown)) + ".")
    return out

"""Options as the results document holds them: effects, people, costs, order."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db, to_energy
from lineside.contracts import LimitCheck
from lineside.engine.combine import Candidate, OptionKey
from lineside.engine.option_courses import OptionCourses, option_courses
from lineside.engine.option_run import Considered
from lineside.engine.options import FORECAST, RATED, SAME_RATIO
from lineside.measures import DoseEffect
from lineside.plugins import Plugins
from lineside.project.model import Receiver
from lineside.project.types import PERIODS
from lineside.results import options as model
from lineside.results.findings import RESOLUTION_DB, Question, window_text
from lineside.results.option_costs import Priced, costs_of, present_value
from lineside.results.ratings import effective_limit_db, period_weights

#: Options whose levels at every receiver and course in time are kept: single measures and the best others.
SHOWN = 12
#: Least reduction of the mean Lden that counts as an effect. [dB]
EFFECT_DB = 0.1
NIGHT = PERIODS.index("night")
DIGITS = 3


@dataclass(frozen=True, eq=False)
class _Numbers:
    """What all options are compared by; levels (n_options, n_receivers, ...), the project as it is first."""

    energy: Array  # rated, (n_options, n_receivers, n_periods)
    lden_db: Array  # (n_options, n_receivers)
    periods_db: Array
    forecast_db: Array | None  # Lden by the forecast's calculators
    receivers: tuple[Receiver, ...]
    hours: Array

    @property
    def dwellings(self) -> Array:
        return np.array([r.dwellings for r in self.receivers], dtype=np.float64)

    @property
    def persons(self) -> Array:
        return np.array([r.persons for r in self.receivers], dtype=np.float64)


def describe_options(considered: Considered, asked: Sequence[Question], plugins: Plugins) -> model.OptionsResult:
    """All results about options.

    Parameters
    ----------
    asked : sequence of Question
        The checks of the criteria; those of single passes cannot be answered for options.
    """
    prepared = considered.prepared
    rules, project = prepared.loaded.project.options, prepared.loaded.project
    numbers = _numbers(considered)
    relation = _relation(plugins, rules.dose_effect)
    checks = _Checks(considered, numbers, asked)
    infos = {c.id: _measure(c, considered, numbers, plugins) for c in prepared.candidates}
    priced = {c.id: _priced(c, considered) for c in prepared.candidates}
    options = [
        _option(n, key, considered, numbers, checks, relation, infos, priced)
        for n, key in enumerate(considered.keys)
        if key
    ]
    _mark_pareto(options)
    order = _order(options)
    shown = _shown(options, order)
    by_id = {o.id: considered.keys[n + 1] for n, o in enumerate(options)}
    in_time = [o for o in shown if o.acts and (len(o.measures) == 1 or o.pareto)][:SHOWN]
    courses = option_courses(considered, [by_id[o.id] for o in in_time])
    for option in shown:
        n = considered.keys.index(by_id[option.id])
        option.lden_db = {r.id: _finite(numbers.lden_db[n, k]) for k, r in enumerate(numbers.receivers)}
        if courses is not None and by_id[option.id] in courses.energy:
            option.in_time = _in_time(courses, by_id[option.id], numbers, relation)
    people, outside = _people(numbers, 0, relation)
    return model.OptionsResult(
        date=prepared.date.isoformat(),
        years=rules.years,
        discount_rate_pct=rules.discount_rate_pct,
        dose_effect="" if relation is None else relation.name,
        people_before=people,
        people_outside=outside,
        measures=list(infos.values()),
        options=options,
        rejected=[model.Rejected(measures=list(key), reason=why) for key, why in considered.dropped.items()],
        order=order,
        suggestions=_suggestions(considered, plugins) if rules.suggest else [],
        notes=_notes(considered, checks, relation, project.options.discount_rate_pct, options),
        n_states=considered.levels.n_states,
        n_transfers=considered.levels.n_transfers,
    )


def _numbers(considered: Considered) -> _Numbers:
    scene = considered.evaluation.plan.scenes.reference.scene
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    energy = considered.levels.energy[RATED]
    other = considered.levels.energy.get(FORECAST)
    return _Numbers(
        energy=energy,
        lden_db=to_db(lden_energy(energy, hours)),
        periods_db=to_db(energy),
        forecast_db=None if other is None else to_db(lden_energy(other, hours)),
        receivers=considered.prepared.loaded.project.receivers,
        hours=hours,
    )


class _Checks:
    """Checks of limits that average levels can answer, and those that they cannot."""

    def __init__(self, considered: Considered, numbers: _Numbers, asked: Sequence[Question]) -> None:
        scene = considered.evaluation.plan.scenes.reference.scene
        index = {r.id: k for k, r in enumerate(numbers.receivers)}
        self.groups: dict[tuple[str, str, str, str | None], list[tuple[int, Array | int, LimitCheck]]] = {}
        self.left_out: set[str] = set()
        self.toned = False
        for question in asked:
            for check in question.checks:
                weights: Array | int | None = None
                if check.window is not None:
                    weights = considered.evaluation.windows.index(check.window)
                elif check.quantity != "lafmax_db":
                    weights = period_weights(check, scene)
                if weights is None:
                    self.left_out.add(f"{question.criterion}, {check.label}")
                    continue
                self.toned |= check.tone is not None
                key = (question.criterion, check.label, check.quantity, window_text(check.window))
                self.groups.setdefault(key, []).append((index[question.receiver], weights, check))
        self._numbers, self._windows = numbers, considered.levels.windows

    def above(self, n: int) -> list[model.AboveLimit]:
        """Receivers, dwellings and persons above each limit, before and with option n."""
        out = []
        for (criterion, label, quantity, window), members in self.groups.items():
            before, now = (self._over(k, members) for k in (0, n))
            counts = {
                name + suffix: int(values[over].sum())
                for suffix, over in (("_before", before), ("", now))
                for name, values in (
                    ("receivers", np.ones(len(self._numbers.receivers))),
                    ("dwellings", self._numbers.dwellings),
                    ("persons", self._numbers.persons),
                )
            }
            out.append(model.AboveLimit(criterion=criterion, label=label, quantity=quantity, window=window, **counts))
        return out

    def _over(self, n: int, members: Sequence[tuple[int, Array | int, LimitCheck]]) -> list[int]:
        over = []
        for r, weights, check in members:
            periods = self._numbers.energy[n, r]
            energy = self._windows[n, r, weights] if isinstance(weights, int) else periods @ weights
            level = float(to_db(energy)) + check.adjustment_db
            if level > effective_limit_db(check) + RESOLUTION_DB:
                over.append(r)
        return over


def _relation(plugins: Plugins, name: str | None) -> DoseEffect | None:
    return None if name is None else plugins.find(DoseEffect, name)


def _indicator(numbers: _Numbers, n: int, name: str) -> Array:
    return numbers.lden_db[n] if name == "lden_db" else numbers.periods_db[n, :, NIGHT]


def _people(numbers: _Numbers, n: int, relation: DoseEffect | None) -> tuple[dict[str, float], dict[str, int]]:
    """Persons with each effect, and those at levels that the relation does not cover."""
    if relation is None:
        return {}, {}
    people, outside = {}, {}
    for effect, indicator in relation.effects.items():
        level = _indicator(numbers, n, indicator)
        people[effect] = round(float(numbers.persons @ relation.share(effect, level)), DIGITS)
        outside[effect] = int(numbers.persons[~relation.valid(effect, level)].sum())
    return people, outside


def _same(considered: Considered, n: int) -> bool:
    """Whether an option leaves every level as it is."""
    return all(np.allclose(e[n], e[0], rtol=SAME_RATIO, atol=0.0) for e in considered.levels.energy.values())


def _measure(c: Candidate, considered: Considered, numbers: _Numbers, plugins: Plugins) -> model.MeasureInfo:
    prepared = considered.prepared
    project, known, facts = prepared.loaded.project, prepared.changer.known, c.measure.facts()
    amounts = c.measure.amounts(project, c.options, known)
    currency = _currency(considered)
    acts = (c.id,) in considered.keys and not _same(considered, considered.keys.index((c.id,)))
    indoors = c.measure.indoors_db(c.options)
    prompts = list(facts.prompts)
    if not c.use.costs:
        prompts.append("cost: low, likely, high, with source")
    if c.use.life is None:
        prompts.append("service life, with source")
    if c.use.lead_days is None:
        prompts.append("time to put it in place")
    return model.MeasureInfo(
        id=c.id,
        measure=c.measure.name,
        name=c.use.name or c.measure.title,
        title=c.measure.title,
        side=c.measure.side,
        acts_on=list(c.measure.acts_on),
        day=c.day.isoformat(),
        options=c.options.model_dump(mode="json", exclude_unset=True),
        package=plugins.origin(c.measure).distribution,
        effects=[
            model.EffectInfo(
                on=e.on,
                low_db=e.low_db,
                high_db=e.high_db,
                typical_db=e.typical_db,
                form=e.form,
                conditions=e.conditions,
                standing=str(e.standing),
                source=model.Source(
                    key=e.citation.key,
                    title=e.citation.title,
                    issuer=e.citation.issuer,
                    year=e.citation.year,
                    part=e.citation.part,
                ),
            )
            for e in facts.effects
            if e.stated and e.citation is not None
        ],
        costs=[
            model.CostInfo(
                low=cost.low,
                likely=cost.likely,
                high=cost.high,
                per=cost.per,
                every=cost.every,
                currency=cost.currency,
                year=cost.year,
                source=cost.source,
                standing=str(cost.standing),
                amount=amounts.get(cost.per),
            )
            for cost in costs_of(c.use, facts.costs, currency)
        ],
        life_years=None if c.use.life is None else c.use.life.years,
        life_source="" if c.use.life is None else c.use.life.source,
        lead_days=c.use.lead_days,
        side_conditions=list(facts.side_conditions),
        approval=list(c.measure.approvals()),
        cannot=list(facts.cannot),
        safety=list(c.measure.cautions()),
        warnings=[*c.measure.warnings(project, c.options, known), *_only_forecast(c, considered)],
        prompts=prompts,
        acts=acts,
        nothing="" if acts else _why_nothing(c, considered),
        indoors_db=None if indoors is None else list(indoors),
        note=c.use.note,
    )


def _only_forecast(c: Candidate, considered: Considered) -> list[str]:
    """What to say where a measure changes forecasts, but nothing that is compared with limits."""
    if (c.id,) not in considered.keys or FORECAST not in considered.levels.energy:
        return []
    n = considered.keys.index((c.id,))
    rated = considered.levels.energy[RATED]
    if _same(considered, n) or not np.allclose(rated[n], rated[0], rtol=SAME_RATIO, atol=0.0):
        return []
    return ["Only levels of forecasts fall; what is compared with limits does not change by the method's rules."]


def _why_nothing(c: Candidate, considered: Considered) -> str:
    prepared = considered.prepared
    if (c.id,) in considered.dropped:
        return considered.dropped[c.id,]
    if c.measure.side == "waiting":
        return "nothing is done"
    if c.measure.side == "indoors":
        return "acts indoors only; levels outdoors stay"
    if c.day > prepared.date:
        return f"works from {c.day.isoformat()} on, after the day of comparison {prepared.date.isoformat()}"
    return (
        c.measure.without_effect(prepared.loaded.project, c.options, prepared.changer.known)
        or "changes no level at any receiver: it acts on nothing that is heard there"
    )


def _currency(considered: Considered) -> str:
    given = [c.currency for use in considered.prepared.loaded.project.measures for c in use.costs]
    return given[0] if given else ""


def _priced(c: Candidate, considered: Considered) -> Priced:
    prepared = considered.prepared
    rules = prepared.loaded.project.options
    costs = costs_of(c.use, c.measure.facts().costs, _currency(considered))
    amounts = c.measure.amounts(prepared.loaded.project, c.options, prepared.changer.known)
    life = None if c.use.life is None else c.use.life.years
    if c.measure.side == "waiting" and not costs:
        return Priced((0.0, 0.0, 0.0), _currency(considered))
    return present_value(costs, amounts, life, rules.years, rules.discount_rate_pct)


def _option(
    n: int,
    key: OptionKey,
    considered: Considered,
    numbers: _Numbers,
    checks: _Checks,
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
        id=f"O{n}",
        measures=list(key),
        acts=not _same(considered, n),
        mean_reduction_db={name: _digits(v.mean()) for name, v in fall.items() if v.size},
        best_reduction_db={name: _digits(v.max()) for name, v in fall.items() if v.size},
        worst_reduction_db={name: _digits(v.min()) for name, v in fall.items() if v.size},
        forecast_mean_reduction_db={}
        if forecast is None or not np.isfinite(forecast).any()
        else {"lden": _digits(forecast[np.isfinite(forecast)].mean())},
        above=checks.above(n),
        people=people,
        decibel_dwellings=_digits(gain),
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


def _mark_pareto(options: Sequence[model.OptionResult]) -> None:
    """Mark options than which none is both cheaper and better, and one of the two strictly."""
    known = [o for o in options if o.cost is not None and o.decibel_dwellings > 0.0]
    best = -math.inf
    for option in sorted(known, key=lambda o: (_likely(o), -o.decibel_dwellings)):
        option.pareto = option.decibel_dwellings > best
        best = max(best, option.decibel_dwellings)


def _likely(option: model.OptionResult) -> float:
    return math.inf if option.cost is None else option.cost.likely


def _relieved(option: model.OptionResult) -> tuple[int, int, int]:
    """Persons, dwellings and receivers that come below limits, all checks together."""
    return (
        sum(a.persons_before - a.persons for a in option.above),
        sum(a.dwellings_before - a.dwellings for a in option.above),
        sum(a.receivers_before - a.receivers for a in option.above),
    )


def _order(options: Sequence[model.OptionResult]) -> list[model.Place]:
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


def _shown(options: Sequence[model.OptionResult], order: Sequence[model.Place]) -> list[model.OptionResult]:
    """Single measures, the Pareto set and the best of the order, each once."""
    best = {place.option for place in order[:SHOWN]}
    found = [o for o in options if len(o.measures) == 1 or o.pareto or o.id in best]
    return found[: 4 * SHOWN]


def _in_time(courses: OptionCourses, key: OptionKey, numbers: _Numbers, relation: DoseEffect | None) -> model.InTime:
    dates = courses.dates
    nothing, option = (to_db(lden_energy(courses.energy[k], numbers.hours)) for k in ((), key))
    weight = numbers.persons if numbers.persons.any() else np.ones(len(numbers.receivers))
    heard = np.isfinite(nothing).all(axis=0) & np.isfinite(option).all(axis=0)
    weight = np.where(heard, weight, 0.0)
    weight = weight / weight.sum() if weight.any() else weight
    mean_nothing, mean_option = (np.where(heard, level, 0.0) @ weight for level in (nothing, option))
    lower = np.flatnonzero(mean_nothing - mean_option >= EFFECT_DB)
    takes = int(lower[0]) if lower.size else None
    worn = None
    if takes is not None:
        later = np.flatnonzero(mean_nothing[takes:] - mean_option[takes] < EFFECT_DB)
        worn = takes + int(later[0]) if later.size else None
    avoided: dict[str, float] = {}
    if relation is not None:
        days = np.array([(d - dates[0]).days for d in dates], dtype=np.float64)
        for effect, indicator in relation.effects.items():
            levels = [
                to_db(lden_energy(courses.energy[k], numbers.hours))
                if indicator == "lden_db"
                else to_db(courses.energy[k][:, :, NIGHT])
                for k in ((), key)
            ]
            before, now = (relation.share(effect, level) @ numbers.persons for level in levels)
            avoided[effect] = round(float(np.trapezoid(before - now, days)), 1)
    return model.InTime(
        takes_effect=None if takes is None else dates[takes].isoformat(),
        worn_in_anyway=None if worn is None else dates[worn].isoformat(),
        avoided_days=avoided,
        until=dates[-1].isoformat(),
    )


def _suggestions(considered: Considered, plugins: Plugins) -> list[model.Suggestion]:
    """Measures that are not considered yet and act on the mechanism that prevails at a receiver in Lden."""
    evaluation = considered.evaluation
    emission, scene = evaluation.plan.task.emission.mean, evaluation.plan.built.scene
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    weight = np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)
    trains = np.stack(
        [np.bincount(scene.period_of_hour, weights=s.trains_per_hour, minlength=len(hours)) for s in scene.services]
    )
    power = np.einsum("nmsckt,sn->nmckt", emission.pass_energy, trains / (3600.0 * hours), optimize=True)
    heard = np.einsum("rcknt,nmckt,t->rmn", evaluation.transfer, power, weight, optimize=True)
    prevails = np.argmax(lden_energy(heard, hours), axis=1)
    listed = {c.measure.name for c in considered.prepared.candidates}
    out = []
    receivers = considered.prepared.loaded.project.receivers
    for measure in plugins.measures:
        at = {
            mechanism: [r.id for k, r in enumerate(receivers) if prevails[k] == m]
            for m, mechanism in enumerate(emission.mechanisms)
            if mechanism in measure.acts_on or "all" in measure.acts_on
        }
        at = {mechanism: here for mechanism, here in at.items() if here}
        if at and measure.name not in listed:
            out.append(model.Suggestion(measure=measure.name, title=measure.title, acts_at=at))
    return out


def _notes(
    considered: Considered,
    checks: _Checks,
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


def _digits(value: float) -> float:
    return round(float(value), DIGITS) + 0.0


def _finite(value: float) -> float | None:
    return round(float(value), DIGITS) if math.isfinite(value) else None

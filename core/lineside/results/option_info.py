"""What is said about each measure, and which others may be worth a thought."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_energy
from lineside.engine.combine import Candidate
from lineside.engine.option_run import Considered
from lineside.engine.options import FORECAST, RATED, SAME_RATIO
from lineside.measures import Cost, DoseEffect
from lineside.plugins import Plugins
from lineside.results import options as model
from lineside.results.option_costs import costs_of
from lineside.results.option_numbers import same_levels


def measure_info(c: Candidate, considered: Considered, plugins: Plugins) -> model.MeasureInfo:
    prepared = considered.prepared
    project, known, facts = prepared.loaded.project, prepared.changer.known, c.measure.facts()
    amounts = c.measure.amounts(project, c.options, known)
    acts = (c.id,) in considered.keys and not same_levels(considered, considered.keys.index((c.id,)))
    indoors = c.measure.indoors_db(c.options)
    costs = costs_of(c.use, facts.costs, currency(considered))
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
            for cost in costs
        ],
        life_years=None if c.use.life is None else c.use.life.years,
        life_source="" if c.use.life is None else c.use.life.source,
        lead_days=c.use.lead_days,
        side_conditions=list(facts.side_conditions),
        approval=list(c.measure.approvals()),
        cannot=list(facts.cannot),
        safety=list(c.measure.cautions()),
        warnings=[*c.measure.warnings(project, c.options, known), *_only_forecast(c, considered)],
        prompts=_prompts(c, costs, facts.prompts),
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
    if same_levels(considered, n) or not np.allclose(rated[n], rated[0], rtol=SAME_RATIO, atol=0.0):
        return []
    return ["Only levels of forecasts would fall; what is compared with limits would not change by the method's rules."]


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


#: Words by which a question asks for a price, a life, or the size of an effect.
_ASKS = {
    "cost": re.compile(r"\b(price|cost)s?\b"),
    "life": re.compile(r"\b(life|lives)\b"),
    "effect": re.compile(r"\b(effect|improvement|reduction|impact roughness)s?\b"),
}
_OWN = {"cost": "cost: low, likely, high, with source", "life": "service life, with source"}


def _prompts(c: Candidate, costs: Sequence[Cost], asked: Sequence[str]) -> list[str]:
    """Questions that the project file does not answer yet, each once.

    A question that is answered in part is left out too, and its other part asked by itself.
    """
    use, waiting = c.use, c.measure.side == "waiting"
    known = {
        "cost": bool(costs),
        "life": use.life is not None or (bool(costs) and all(cost.every == "year" for cost in costs)),
        "effect": bool(str(getattr(c.options, "source", "") or "").strip()),
    }

    def wanted(prompt: str) -> set[str]:
        return {what for what, words in _ASKS.items() if words.search(prompt.lower())}

    def answered(prompt: str) -> bool:
        """Whether it is, or what is left of it is asked by itself."""
        return any(known[what] for what in wanted(prompt)) and (known["effect"] or "effect" not in wanted(prompt))

    out = [p for p in dict.fromkeys(asked) if not answered(p)]
    if not waiting:
        there = {what for p in out for what in wanted(p)}
        out += [prompt for what, prompt in _OWN.items() if not known[what] and what not in there]
        if use.lead_days is None:
            out.append("time to put it in place")
    return out


def relation_info(relation: DoseEffect) -> model.RelationInfo:
    return model.RelationInfo(
        name=relation.name,
        title=relation.title,
        statement=relation.statement(relation.options_model()),
        verification=str(relation.verification),
        verification_note=relation.verification_note,
        words={effect: relation.words.get(effect, effect.replace("_", " ")) for effect in relation.effects},
        indicator=dict(relation.effects),
        valid_db={effect: _valid(relation, effect) for effect in relation.effects},
        caution=relation.caution,
        sources=[
            model.Source(key=c.key, title=c.title, issuer=c.issuer, year=c.year, part=c.part) for c in relation.sources
        ],
    )


def _valid(relation: DoseEffect, effect: str) -> list[float]:
    """Lowest and highest level that a relation covers, to half a decibel; empty if it covers none."""
    level = np.arange(0.0, 140.5, 0.5)
    inside = level[relation.valid(effect, level)]
    return [float(inside[0]), float(inside[-1])] if inside.size else []


def currency(considered: Considered) -> str:
    given = [c.currency for use in considered.prepared.loaded.project.measures for c in use.costs]
    return given[0] if given else ""


def suggestions(considered: Considered, plugins: Plugins) -> list[model.Suggestion]:
    """Measures that are not considered yet, fit the project and act on what prevails at a receiver in Lden."""
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
    prepared = considered.prepared
    project, known = prepared.loaded.project, prepared.changer.known
    for measure in plugins.measures:
        at = {
            mechanism: [r.id for k, r in enumerate(project.receivers) if prevails[k] == m]
            for m, mechanism in enumerate(emission.mechanisms)
            if mechanism in measure.acts_on or "all" in measure.acts_on
        }
        at = {mechanism: here for mechanism, here in at.items() if here}
        if at and measure.name not in listed and measure.fits(project, known):
            out.append(model.Suggestion(measure=measure.name, title=measure.title, acts_at=at))
    return out

"""Which calculators and criteria take part, with their options."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from pydantic import ValidationError

from lineside.contracts import (
    Criterion,
    Method,
    Offer,
    Options,
    PropagationCalculator,
    RailStateCalculator,
    ReportSection,
    SourceCalculator,
)
from lineside.errors import PluginError
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject
from lineside.project.vocabulary import Vocabulary


@dataclass(frozen=True)
class Selection:
    """Everything that computes or judges in one run.

    ``forecast_sources`` compute situations, explanations and forecasts: ``sources``, some replaced by others of their
    mechanism.
    """

    method: Method
    sources: tuple[tuple[SourceCalculator, Options], ...]
    forecast_sources: tuple[tuple[SourceCalculator, Options], ...]
    propagation: PropagationCalculator
    propagation_options: Options
    criteria: tuple[tuple[str, Criterion, Options], ...]
    left_out: tuple[str, ...]
    rail_state: tuple[RailStateCalculator, Options] | None = None
    report_sections: tuple[ReportSection, ...] = ()

    @property
    def all_sources(self) -> tuple[tuple[SourceCalculator, Options], ...]:
        """Calculators of the rating and of forecasts, each once."""
        return (*self.sources, *self.forecast_only)

    @property
    def by_rail(self) -> bool:
        """Does anything in forecasts depend on whether the rails are dry, damp or wet?"""
        return any(c.by_rail_condition for c, _ in self.forecast_sources)

    @property
    def forecast_only(self) -> tuple[tuple[SourceCalculator, Options], ...]:
        """Those of the forecast sources that compute nothing else."""
        own = {calculator.name for calculator, _ in self.sources}
        return tuple(entry for entry in self.forecast_sources if entry[0].name not in own)


def select(loaded: LoadedProject, plugins: Plugins) -> Selection:
    """Pick what a project asks for.

    Raises
    ------
    PluginError
        If something that the project needs is not installed or failed to load.
    """
    calculation = loaded.project.calculation
    method = plugins.find(Method, calculation.method)
    propagation = plugins.find(PropagationCalculator, method.propagation)

    def options(offer: Offer) -> Options:
        given: dict[str, Any] = dict(method.options.get(offer.name, {}))
        given.update(calculation.options.get(offer.name, {}))
        try:
            return offer.options_model.model_validate(given)
        except ValidationError as error:
            wrong = "; ".join(f"{'.'.join(map(str, e['loc']))}: {e['msg']}" for e in error.errors())
            raise PluginError(
                f"the options of {offer.name} do not fit those of the method {method.name}: {wrong}"
            ) from error

    sources = [plugins.find(SourceCalculator, name) for name in sorted(loaded.calculators) if name != propagation.name]
    chosen = [(s, options(s)) for s in sources]
    own = {s.name for s in sources}
    other = [plugins.find(SourceCalculator, name) for name in sorted(loaded.forecast)]
    replaced = {s.mechanism for s in other}
    forecast = [entry for entry in chosen if entry[0].mechanism not in replaced or entry[0].name in loaded.forecast]
    forecast += [(s, options(s)) for s in other if s.name not in own]
    criteria = [
        (use.use_id, plugins.find(Criterion, use.name), loaded.criteria_options[use.use_id])
        for use in loaded.project.criteria
    ]
    wear = calculation.rail_state
    return Selection(
        method=method,
        sources=tuple(chosen),
        forecast_sources=tuple(sorted(forecast, key=lambda entry: entry[0].name)),
        propagation=propagation,
        propagation_options=options(propagation),
        criteria=tuple(criteria),
        left_out=tuple(n for n in method.source_calculators if n in calculation.without),
        rail_state=None
        if wear is None or loaded.rail_options is None
        else (plugins.find(RailStateCalculator, wear.name), loaded.rail_options),
        report_sections=tuple(
            plugins.find(ReportSection, name) for name in sorted(set(loaded.project.report_sections))
        ),
    )


def vocabulary_of(plugins: Plugins) -> Vocabulary:
    """What a project file may name, gathered from all loaded plugins."""
    terms: dict[str, dict[str, str]] = {}
    companions: dict[str, dict[str, tuple[str, ...]]] = {}
    for calculator in plugins.source_calculators:
        for attribute, known in calculator.vocabulary.items():
            terms.setdefault(attribute, {}).update({t.name: t.meaning for t in known})
            companions.setdefault(attribute, {}).update({t.name: t.needs for t in known if t.needs})
    surfaces: dict[str, tuple[float, str]] = {}
    for propagation in plugins.propagation_calculators:
        for name, (g, meaning) in propagation.surfaces().items():
            if not 0.0 <= g <= 1.0 or surfaces.get(name, (g, ""))[0] != g:
                why = "it must lie between 0 and 1, and two plugins must not differ"
                raise PluginError(f"{propagation.name}: the surface {name!r} has G = {g:g}; {why}")
            surfaces[name] = (g, meaning)
    calculators: Mapping[str, type[Options]] = {
        c.name: c.options_model for c in (*plugins.source_calculators, *plugins.propagation_calculators)
    }
    return Vocabulary(
        terms=terms,
        surfaces=surfaces,
        methods={m.name: m.title for m in plugins.methods},
        calculators=calculators,
        criteria={c.name: c.options_model for c in plugins.criteria},
        method_calculators={m.name: (*m.source_calculators, m.propagation) for m in plugins.methods},
        propagations=frozenset(p.name for p in plugins.propagation_calculators),
        companions=companions,
        rail_states={r.name: (r.options_model, r.work_model) for r in plugins.rail_states},
        mechanisms={c.name: c.mechanism for c in plugins.source_calculators},
        weather_states={
            m.name: p.states
            for m in plugins.methods
            for p in plugins.propagation_calculators
            if p.name == m.propagation
        },
        limits={c.name: c.checks for c in plugins.criteria},
        measures={m.name: m for m in plugins.measures},
        tables={c.name: c.tabulated for c in plugins.source_calculators},
        dose_effects={d.name: d.title for d in plugins.dose_effects},
        report_sections={s.name: s.title for s in plugins.report_sections},
    )

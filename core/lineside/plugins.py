"""Finding plugins: the only place that touches pluggy.

Bundled plugins and strangers' plugins are found in the same way, through the entry-point group
``lineside.plugins``. What fails to load is kept with its reason; a project that needs it does not run.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from importlib import metadata
from typing import Any, TypeVar

import pluggy

from lineside import hookspecs
from lineside.contracts import (
    Criterion,
    Method,
    Offer,
    PropagationCalculator,
    RailStateCalculator,
    ReportSection,
    SourceCalculator,
)
from lineside.errors import PluginError
from lineside.measures import DoseEffect, Measure
from lineside.plugin_guard import asked, guard, undeclared

T = TypeVar("T")


@dataclass(frozen=True)
class Origin:
    """The distribution that an object came from."""

    distribution: str
    version: str


@dataclass(frozen=True)
class Failure:
    """An entry point that could not be used, and why."""

    entry_point: str
    distribution: str
    reason: str


class Plugins:
    """All objects that plugins offer, sorted by name; nothing depends on the order of loading."""

    def __init__(self, modules: Iterable[tuple[object, Origin]], failed: Sequence[Failure] = ()) -> None:
        """Collect what the given plugin modules register.

        Parameters
        ----------
        modules
            Plugin modules (or objects with hook implementations), each with its origin.
        failed
            Entry points that could not be loaded.

        Raises
        ------
        PluginError
            If two plugins offer objects of one kind and one name, or a hook has the wrong name or gives
            something that is not what the hook asks for.
        """
        self.failed: tuple[Failure, ...] = tuple(failed)
        self._origin: dict[int, Origin] = {}
        self._modules = tuple(modules)
        self.source_calculators = self._collect("register_source_calculators", SourceCalculator)
        self.propagation_calculators = self._collect("register_propagation_calculators", PropagationCalculator)
        self.rail_states = self._collect("register_rail_state_calculators", RailStateCalculator)
        self.criteria = self._collect("register_criteria", Criterion)
        self.methods = self._collect("register_methods", Method)
        self.report_sections = self._collect("register_report_sections", ReportSection)
        self.measures = self._collect("register_measures", Measure)
        self.dose_effects = self._collect("register_dose_effects", DoseEffect)

    @classmethod
    def load(cls) -> Plugins:
        """Load every installed plugin, one by one, sorted by entry-point name."""
        modules: list[tuple[object, Origin]] = []
        failed: list[Failure] = []
        seen: set[str] = set()
        for entry in sorted(metadata.entry_points(group=hookspecs.ENTRY_POINT_GROUP), key=lambda e: (e.name, e.value)):
            if entry.value in seen:
                continue
            seen.add(entry.value)
            distribution = entry.dist
            origin = Origin(distribution.name if distribution else "?", distribution.version if distribution else "?")
            try:
                module = entry.load()
                cls([(module, origin)])
            except (
                Exception,
                SystemExit,
            ) as error:  # a stranger's module may raise anything; it is shown
                failed.append(Failure(entry.name, origin.distribution, f"{type(error).__name__}: {error}"))
                continue
            modules.append((module, origin))
        return cls(modules, failed)

    def origin(self, offer: object) -> Origin:
        """The distribution that registered ``offer``."""
        return self._origin[id(offer)]

    def find(self, kind: type[T], name: str) -> T:
        """The object of a kind (``SourceCalculator``, ``Criterion``, ``Method``, ...) with that name.

        Raises
        ------
        PluginError
            If there is none; the message lists what there is and what failed to load.
        """
        offers: Sequence[Any] = {
            SourceCalculator: self.source_calculators,
            PropagationCalculator: self.propagation_calculators,
            RailStateCalculator: self.rail_states,
            Criterion: self.criteria,
            Method: self.methods,
            ReportSection: self.report_sections,
            Measure: self.measures,
            DoseEffect: self.dose_effects,
        }[kind]
        for offer in offers:
            if offer.name == name:
                return offer
        message = f"no {kind.__name__} named {name!r} is installed; there are: " + (
            ", ".join(offer.name for offer in offers) or "none"
        )
        if self.failed:
            message += ". Plugins that failed to load: " + "; ".join(
                f"{f.entry_point} of {f.distribution} ({f.reason})" for f in self.failed
            )
        raise PluginError(message)

    def _collect(self, hook: str, kind: type[T]) -> tuple[T, ...]:
        found: dict[str, Any] = {}
        for module, origin in self._modules:
            manager = pluggy.PluginManager(hookspecs.PROJECT_NAME)
            manager.add_hookspecs(hookspecs)
            try:
                manager.register(module)
                manager.check_pending()
            except pluggy.PluginValidationError as error:
                raise PluginError(f"plugin {origin.distribution}: {error}") from error
            what = f"plugin {origin.distribution} {origin.version}: {hook}()"
            given: list[Iterable[Any]] = asked(what, getattr(manager.hook, hook))
            for offers in given:
                for offer in asked(what, functools.partial(list[Any], offers)):
                    self._accept(offer, kind, hook, origin, found)
        return tuple(found[name] for name in sorted(found))

    def _accept(self, offer: Any, kind: type[Any], hook: str, origin: Origin, found: dict[str, Any]) -> None:
        if not isinstance(offer, kind):
            raise PluginError(
                f"{origin.distribution}: {hook} gave a {type(offer).__name__}, where a {kind.__name__} is asked for"
            )
        missing = [a for a in ("name", "title", "version") if isinstance(offer, Offer) and not hasattr(offer, a)]
        if missing:
            raise PluginError(f"{origin.distribution}: {type(offer).__name__} does not declare {', '.join(missing)}")
        if not isinstance(offer.name, str) or not offer.name:
            raise PluginError(f"{origin.distribution}: the name of a {kind.__name__} must be text")
        wrong = list(undeclared(offer))
        if wrong:
            raise PluginError(f"{origin.distribution}: {hook}: {kind.__name__} {offer.name!r}: {'; '.join(wrong)}")
        if isinstance(offer, Offer):
            guard(offer, kind, f"plugin {origin.distribution} {origin.version}: {offer.name} of {hook}")
        name: str = offer.name
        if name in found:
            raise PluginError(
                f"two plugins offer a {kind.__name__} named {name!r}: "
                f"{self._origin[id(found[name])].distribution} and {origin.distribution}; uninstall one of them"
            )
        found[name] = offer
        self._origin[id(offer)] = origin

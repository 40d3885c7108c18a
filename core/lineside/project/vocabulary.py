"""What the loaded plugins offer to a project: filled by the plugin manager, used by the loader."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from lineside.contracts import LimitCheck, NotApplicable, Options, ReceiverUse
from lineside.scene.model import Spectrum

if TYPE_CHECKING:
    from lineside.measures import Measure

#: What a criterion says about a use.
Answer = Callable[[ReceiverUse, Options], Sequence[LimitCheck] | NotApplicable]

#: Attributes whose values are names of tabulated classes, or spectra.
ATTRIBUTES = (
    "rail_roughness",
    "impact_roughness",
    "sleeper",
    "rail_pad",
    "bridge",
    "wheel_roughness",
    "contact_filter",
    "vehicle_transfer",
    "superstructure_transfer",
    "traction",
    "aerodynamic",
)
#: Attributes for which ``none`` says that there is no such source.
MAY_BE_NONE = frozenset({"bridge", "traction"})


@dataclass(frozen=True)
class Vocabulary:
    """Names that a project may use.

    ``terms``: attribute -> name -> meaning; ``surfaces``: name -> (ground factor G, meaning);
    ``methods``: name -> title; ``calculators`` and ``criteria``: name -> options model;
    ``method_calculators``: method -> names of its calculators, propagation included;
    ``propagations``: names of the calculators of propagation; ``companions``: attribute -> name -> attributes
    that must be named beside it (a sleeper that needs a rail pad); ``rail_states``: name -> (options model, model of
    the details of a work); ``mechanisms``: source calculator -> its mechanism; ``weather_states``: method -> states of
    its propagation; ``limits``: criterion -> what it says about a use; ``measures`` by name; ``tables``: source
    calculator -> its tabulated classes as spectra; ``dose_effects`` and ``report_sections``: name -> title.
    """

    terms: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    surfaces: Mapping[str, tuple[float, str]] = field(default_factory=dict)
    methods: Mapping[str, str] = field(default_factory=dict)
    calculators: Mapping[str, type[Options]] = field(default_factory=dict)
    criteria: Mapping[str, type[Options]] = field(default_factory=dict)
    method_calculators: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    propagations: frozenset[str] = frozenset()
    companions: Mapping[str, Mapping[str, tuple[str, ...]]] = field(default_factory=dict)
    rail_states: Mapping[str, tuple[type[Options], type[Options]]] = field(default_factory=dict)
    mechanisms: Mapping[str, str] = field(default_factory=dict)
    weather_states: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    limits: Mapping[str, Answer] = field(default_factory=dict)
    measures: Mapping[str, Measure] = field(default_factory=dict)
    tables: Mapping[str, Callable[[str, str], Spectrum | None]] = field(default_factory=dict)
    dose_effects: Mapping[str, str] = field(default_factory=dict)
    report_sections: Mapping[str, str] = field(default_factory=dict)

"""The hooks of lineside. Each one only *registers objects*; nothing depends on call order."""

from __future__ import annotations

from collections.abc import Sequence

import pluggy

from lineside.contracts import (
    Criterion,
    Method,
    PropagationCalculator,
    RailStateCalculator,
    ReportSection,
    SourceCalculator,
)
from lineside.measures import DoseEffect, Measure

PROJECT_NAME = "lineside"
ENTRY_POINT_GROUP = "lineside.plugins"

hookspec = pluggy.HookspecMarker(PROJECT_NAME)
#: Marks a plugin's function as the implementation of a hook.
hookimpl = pluggy.HookimplMarker(PROJECT_NAME)


@hookspec
def register_source_calculators() -> Sequence[SourceCalculator]:  # type: ignore[empty-body]
    """Offer calculators of sound power, one per mechanism."""


@hookspec
def register_propagation_calculators() -> Sequence[PropagationCalculator]:  # type: ignore[empty-body]
    """Offer calculators of the way from source points to receivers."""


@hookspec
def register_rail_state_calculators() -> Sequence[RailStateCalculator]:  # type: ignore[empty-body]
    """Offer calculators of the roughness of rails after works and in time."""


@hookspec
def register_methods() -> Sequence[Method]:  # type: ignore[empty-body]
    """Offer named, complete sets of calculators."""


@hookspec
def register_criteria() -> Sequence[Criterion]:  # type: ignore[empty-body]
    """Offer limit sets."""


@hookspec
def register_report_sections() -> Sequence[ReportSection]:  # type: ignore[empty-body]
    """Offer sections of appendix C of the report."""


@hookspec
def register_measures() -> Sequence[Measure]:  # type: ignore[empty-body]
    """Offer measures against noise."""


@hookspec
def register_dose_effects() -> Sequence[DoseEffect]:  # type: ignore[empty-body]
    """Offer relations between levels and harmful effects on people."""

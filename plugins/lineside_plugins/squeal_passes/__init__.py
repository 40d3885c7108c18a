"""Curve squeal as the energy mean over passes: the share of passes that squeal times how loud they are.

This is lineside's own model, for explanations and forecasts; limits are judged with a method's flat rule. Shares and
levels come from the project, because no general value is published. The parts: ``options`` (tables of the project),
``passes`` (look-up and mean), ``pass_level`` (from a level at 7.5 m to sound power), ``calculator``, ``words`` (notes).
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import SourceCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.squeal_passes.calculator import SquealPasses
from lineside_plugins.squeal_passes.options import Effect, Level, Range, ShareRow, SquealPassesOptions
from lineside_plugins.squeal_passes.pass_level import level_at_7_5m, power_from_level
from lineside_plugins.squeal_passes.passes import pass_average, row_of, share_of_passes

__all__ = [
    "Effect",
    "Level",
    "Range",
    "ShareRow",
    "SquealPassesOptions",
    "level_at_7_5m",
    "pass_average",
    "power_from_level",
    "register_source_calculators",
    "row_of",
    "share_of_passes",
]


@hookimpl
def register_source_calculators() -> Sequence[SourceCalculator]:
    return [SquealPasses()]

"""Propagation by the German 16. BImSchV, Annex 2 (No. 3.5 and No. 6).

:func:`propagation_path` computes one path with all its terms; :class:`DePropagation` is the calculator for projects.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import PropagationCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.de_propagation.calculator import DePropagation
from lineside_plugins.de_propagation.given import Wall
from lineside_plugins.de_propagation.options import DePropagationOptions
from lineside_plugins.de_propagation.path import (
    PropagationPath,
    Screen,
    air_absorption_db_per_km,
    least_dimension_m,
    propagation_path,
)
from lineside_plugins.de_propagation.walls import effective_top_m

__all__ = [
    "DePropagation",
    "DePropagationOptions",
    "PropagationPath",
    "Screen",
    "Wall",
    "air_absorption_db_per_km",
    "effective_top_m",
    "least_dimension_m",
    "propagation_path",
]


@hookimpl
def register_propagation_calculators() -> Sequence[PropagationCalculator]:
    """Offer the propagation calculator."""
    return [DePropagation()]

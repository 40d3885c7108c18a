"""Propagation by the EU common noise assessment method (Directive 2002/49/EC, Annex II, section 2.5).

:func:`vertical_cut` computes one path with all its terms, :func:`barrier_beside_train` the sound between a train and a
barrier; :class:`EuPropagation` is the calculator for whole projects.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import PropagationCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.eu_propagation.air import air_absorption_db_per_km
from lineside_plugins.eu_propagation.calculator import EuPropagation, EuPropagationOptions
from lineside_plugins.eu_propagation.cut import StateTerms, Stretch, VerticalCut, vertical_cut
from lineside_plugins.eu_propagation.train_body import BarrierBesideTrain, barrier_beside_train

__all__ = [
    "BarrierBesideTrain",
    "EuPropagation",
    "EuPropagationOptions",
    "StateTerms",
    "Stretch",
    "VerticalCut",
    "air_absorption_db_per_km",
    "barrier_beside_train",
    "vertical_cut",
]


@hookimpl
def register_propagation_calculators() -> Sequence[PropagationCalculator]:
    """Offer the propagation calculator."""
    return [EuPropagation()]

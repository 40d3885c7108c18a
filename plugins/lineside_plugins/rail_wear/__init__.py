"""Roughness of the running surface in time: what a pass leaves, how it fades, what grows again.

This is lineside's own model: no law or standard gives one. Its parameters stand in ``data/wear_parameters.csv``, each
with a range and with its standing. The parts: ``bands`` (wavelengths), ``parameters`` (defaults and draws), ``marks``
(periodic grinding marks and their tone), ``wear`` (the equation and the return to the state before), ``history``
(works of a section in date order), ``fit`` (fitting to measured spectra).
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import RailStateCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.rail_wear.calculator import RailWear

__all__ = ["register_rail_state_calculators"]


@hookimpl
def register_rail_state_calculators() -> Sequence[RailStateCalculator]:
    return [RailWear()]

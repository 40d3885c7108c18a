"""Railway sources of the EU common noise assessment method: six calculators that share one set of rules.

The rules stand in the ``law_...`` modules, formula by formula; each mechanism has a module of its own that
applies them to a scene. :func:`line_source_power` runs the calculators for a single vehicle on a single piece of
track, to check them by hand or against published cases.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import SourceCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.eu_railway.aerodynamic import Aerodynamic
from lineside_plugins.eu_railway.bridge import Bridge
from lineside_plugins.eu_railway.impact import Impact
from lineside_plugins.eu_railway.one_vehicle import line_source_power
from lineside_plugins.eu_railway.rolling import Rolling
from lineside_plugins.eu_railway.squeal import Squeal
from lineside_plugins.eu_railway.traction import Traction

__all__ = ["line_source_power", "register_source_calculators"]


@hookimpl
def register_source_calculators() -> Sequence[SourceCalculator]:
    return [Rolling(), Impact(), Squeal(), Traction(), Aerodynamic(), Bridge()]

"""Propagation by ISO 9613-2:1996, and the EU railway sources with it.

:func:`profile_terms` computes one path with all its terms; :class:`Iso9613` is the calculator for whole projects.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Method, PropagationCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.iso9613_propagation.air import absorption_db_per_km
from lineside_plugins.iso9613_propagation.calculator import Iso9613
from lineside_plugins.iso9613_propagation.given import Edge, Wall
from lineside_plugins.iso9613_propagation.options import Iso9613Options
from lineside_plugins.iso9613_propagation.profile import (
    GroundTerms,
    IsoTerms,
    SideTerms,
    TopTerms,
    least_dimension_m,
    profile_terms,
)

__all__ = [
    "Edge",
    "GroundTerms",
    "Iso9613",
    "Iso9613Options",
    "IsoTerms",
    "SideTerms",
    "TopTerms",
    "Wall",
    "absorption_db_per_km",
    "least_dimension_m",
    "profile_terms",
]

#: Not a method of any law. It assumes that the EU sources' power, stated for radiation over ground that the propagation
#: adds, may be put into ISO 9613-2, whose ground method adds the same 3 dB over hard ground.
METHOD = Method(
    name="eu_sources_iso9613",
    title="Railway sources of the EU common method with propagation by ISO 9613-2:1996; no law combines them",
    source_calculators=("eu_rolling", "eu_impact", "eu_squeal", "eu_traction", "eu_aerodynamic", "eu_bridge"),
    propagation="iso9613",
)


@hookimpl
def register_propagation_calculators() -> Sequence[PropagationCalculator]:
    """Offer the propagation calculator."""
    return [Iso9613()]


@hookimpl
def register_methods() -> Sequence[Method]:
    """Offer the method."""
    return [METHOD]

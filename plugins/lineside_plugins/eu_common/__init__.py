"""The EU common noise assessment method for railways: which calculators make up the whole."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Method
from lineside.hookspecs import hookimpl

METHOD = Method(
    name="eu_common",
    title="EU common noise assessment method for railways (Directive 2002/49/EC, Annex II)",
    source_calculators=("eu_rolling", "eu_impact", "eu_squeal", "eu_traction", "eu_aerodynamic", "eu_bridge"),
    propagation="eu_propagation",
)


@hookimpl
def register_methods() -> Sequence[Method]:
    """Offer the method."""
    return [METHOD]

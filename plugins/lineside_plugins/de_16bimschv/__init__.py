"""The German regulation 16. BImSchV for railways: its immission limits, and the calculators of its rating level."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Criterion, Method
from lineside.hookspecs import hookimpl
from lineside_plugins.de_16bimschv.criterion import ImmissionLimits

METHOD = Method(
    name="de_16bimschv",
    title="German 16. BImSchV, Annex 2: rating level of railways and trams",
    source_calculators=("de_railway",),
    propagation="de_propagation",
)


@hookimpl
def register_methods() -> Sequence[Method]:
    """Offer the method."""
    return (METHOD,)


@hookimpl
def register_criteria() -> Sequence[Criterion]:
    """Offer the immission limits as a criterion."""
    return (ImmissionLimits(),)

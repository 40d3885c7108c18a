"""Immission limits of the German regulation 16. BImSchV for railways."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Criterion
from lineside.hookspecs import hookimpl
from lineside_plugins.de_16bimschv.criterion import ImmissionLimits


@hookimpl
def register_criteria() -> Sequence[Criterion]:
    """Offer the immission limits as a criterion."""
    return (ImmissionLimits(),)

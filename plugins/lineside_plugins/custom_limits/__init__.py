"""Limits written in the project file: permits, contracts, local rules."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Criterion
from lineside.hookspecs import hookimpl
from lineside_plugins.custom_limits.criterion import CustomLimits


@hookimpl
def register_criteria() -> Sequence[Criterion]:
    """Offer the limits of the project file as a criterion."""
    return (CustomLimits(),)

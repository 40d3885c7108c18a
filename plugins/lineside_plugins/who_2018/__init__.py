"""Guideline values of the World Health Organization for railway noise, 2018."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Criterion
from lineside.hookspecs import hookimpl
from lineside_plugins.who_2018.criterion import Who2018


@hookimpl
def register_criteria() -> Sequence[Criterion]:
    """Offer the guideline values as a criterion."""
    return (Who2018(),)

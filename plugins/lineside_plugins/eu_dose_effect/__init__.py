"""Harmful effects of long-term railway noise by the EU directive."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.hookspecs import hookimpl
from lineside.measures import DoseEffect
from lineside_plugins.eu_dose_effect.relation import EuDoseEffect


@hookimpl
def register_dose_effects() -> Sequence[DoseEffect]:
    """Offer the relations of Annex III."""
    return (EuDoseEffect(),)

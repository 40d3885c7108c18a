"""Measures against railway noise: at rail, trains, way of the sound and houses."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.hookspecs import hookimpl
from lineside.measures import Measure
from lineside_plugins.measures_catalogue import friction, places, rail, rail_web, traffic, wheels


@hookimpl
def register_measures() -> Sequence[Measure]:
    """Offer the catalogue."""
    return (
        *rail.measures(),
        *rail_web.measures(),
        *friction.measures(),
        *wheels.measures(),
        *traffic.measures(),
        *places.measures(),
    )

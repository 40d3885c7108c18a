"""Sound power of railways and trams by the German 16. BImSchV, Annex 2 (No. 3 to 5).

:func:`line_power` computes one kind of vehicle on one kind of track; :class:`DeRailway` is the calculator for whole
projects, whose options say what vehicles and tracks are in the words of the regulation.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import SourceCalculator
from lineside.hookspecs import hookimpl
from lineside_plugins.de_railway.calculator import DeRailway
from lineside_plugins.de_railway.directivity import directivity_db
from lineside_plugins.de_railway.options import DeRailwayOptions, StretchEntry, VehicleEntry
from lineside_plugins.de_railway.power import (
    TrackClass,
    VehicleClass,
    line_power,
    partial_sources,
    railway_speed_km_h,
    tram_speed_km_h,
)

__all__ = [
    "DeRailway",
    "DeRailwayOptions",
    "StretchEntry",
    "TrackClass",
    "VehicleClass",
    "VehicleEntry",
    "directivity_db",
    "line_power",
    "partial_sources",
    "railway_speed_km_h",
    "tram_speed_km_h",
]


@hookimpl
def register_source_calculators() -> Sequence[SourceCalculator]:
    """Offer the source calculator."""
    return [DeRailway()]

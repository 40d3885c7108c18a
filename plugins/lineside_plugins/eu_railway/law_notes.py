"""Sentences for the report that several calculators need."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Note, Standing
from lineside.scene.model import Scene, TrackForm, VehicleType
from lineside_plugins.eu_railway.law_options import EuOptions
from lineside_plugins.eu_railway.law_power import moving


def edition_words(options: EuOptions) -> str:
    """How a statement names the text that it follows."""
    if options.edition == "amended_2021":
        return "Directive 2002/49/EC, Annex II, as amended by (EU) 2021/1226"
    return "Directive 2002/49/EC, Annex II, in the superseded form of (EU) 2015/996, with the current tables"


def directivity_words(options: EuOptions) -> str:
    """How a statement names the directivity at 0.5 m."""
    vertical = {
        "amended_2021": "vertical directivity by (2.3.16) as amended in 2021 (upwards only)",
        "original_2015": "vertical directivity by (2.3.16) in the form of 2015 (absolute value, up and down)",
        "none": "no vertical directivity (switched off)",
    }[options.vertical_form]
    horizontal = (
        "the horizontal dipole of (2.3.15)"
        if options.horizontal_directivity
        else "no horizontal directivity (switched off)"
    )
    return f"{horizontal} and {vertical}"


def listed(items: Sequence[str]) -> str:
    """Join words for a sentence.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    if len(items) < 2:
        return "".join(items)
    return ", ".join(items[:-1]) + " and " + items[-1]


def used_vehicles(scene: Scene) -> list[VehicleType]:
    """Vehicles that run or stand anywhere, in the order of the project."""
    rows = (scene.traffic.seconds_per_m > 0.0).any(axis=1)
    return [scene.vehicles[int(v)] for v in np.unique(scene.traffic.vehicle[rows])]


def used_forms(scene: Scene) -> list[TrackForm]:
    """Track forms that any vehicle runs or stands on."""
    sections = (scene.traffic.seconds_per_m > 0.0).any(axis=0)
    return [scene.forms[int(f)] for f in np.unique(scene.sections.form[sections])]


def running_speeds_km_h(scene: Scene, vehicle: VehicleType) -> Array:
    """All speeds at which a vehicle runs, (n,). [km/h]"""
    rows = np.array([scene.vehicles[int(v)] is vehicle for v in scene.traffic.vehicle], dtype=np.bool_)
    return scene.traffic.speed_km_h[rows][moving(scene)[rows]]


def actual_value_notes(vehicle: VehicleType) -> list[Note]:
    """Actual wheel load and diameter beside the tabulated class that stands for them."""
    notes = []
    for class_name, what in (
        (vehicle.contact_filter, "contact filter"),
        (vehicle.vehicle_transfer, "vehicle transfer function"),
    ):
        if not isinstance(class_name, str):
            continue
        for key, pattern, words, unit in (
            ("wheel_load_kn", r"load_(\d+)kn", "wheel load", "kN"),
            ("wheel_diameter_mm", r"wheel_(\d+)mm", "wheel diameter", "mm"),
        ):
            match = re.search(pattern, class_name)
            if match is None or key not in vehicle.actual:
                continue
            actual, tabulated = vehicle.actual[key], float(match[1])
            if actual != tabulated:
                text = (
                    f"Vehicle {vehicle.id}: the {what} is that of class {class_name}, {words} {tabulated:g} {unit}; "
                    f"the actual value is {actual:g} {unit} ({actual - tabulated:+g} {unit}). The law gives no "
                    "interpolation between classes."
                )
                notes.append(Note("assumption", text, Standing.USER))
    return notes

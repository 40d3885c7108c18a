"""Rolling noise: sound power from the roughness of rail and wheel."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, cast

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import (
    DataFile,
    Doubt,
    Note,
    Options,
    SourceCalculator,
    SourceClass,
    Standing,
    Validity,
    Verification,
)
from lineside.scene.model import Scene, Spectrum, VehicleType
from lineside_plugins.eu_railway.law_doubts import ROLLING, ROUGHNESS
from lineside_plugins.eu_railway.law_notes import (
    actual_value_notes,
    directivity_words,
    edition_words,
    listed,
    running_speeds_km_h,
    used_forms,
    used_vehicles,
)
from lineside_plugins.eu_railway.law_options import ContactOptions
from lineside_plugins.eu_railway.law_power import has_superstructure, moving, rolling_energy, roughness_speed_km_h
from lineside_plugins.eu_railway.law_roughness import (
    SPEED_SLACK,
    TABULATED_SPEED_KM_H,
    minimum_speed_km_h,
    outside_axis,
)
from lineside_plugins.eu_railway.law_tables import (
    CONTACT_ATTRIBUTES,
    CONTACT_TABLES,
    EMISSION_CASES,
    SOURCES,
    data_files,
    pad_is_ignored,
    tabulated,
    track_transfer_class,
    vocabulary,
    wavelength_spectrum,
)


class RollingOptions(ContactOptions):
    """Options of rolling noise."""


class Rolling(SourceCalculator):
    """Rolling noise at 0.5 m, equations (2.3.7) to (2.3.10)."""

    name = "eu_rolling"
    title = "Rolling noise (EU common method)"
    version = "1.0"
    mechanism = "rolling"
    sources = (*SOURCES, EMISSION_CASES)
    verification = Verification.PUBLISHED
    verification_note = (
        "All 70 stored cases of the Commission's emission workbook are reproduced within 0.01 dB in every octave, "
        "with the coefficients of 2015 that they use. The tables in force were compared with a second typed copy, "
        "see each table."
    )
    options_model = RollingOptions
    validity = (
        Validity(
            "speed", "km/h", *TABULATED_SPEED_KM_H, "the tables of rail roughness end at wavelengths of 0.8 and 2000 mm"
        ),
    )
    vocabulary: ClassVar = vocabulary(*CONTACT_ATTRIBUTES)
    class_doubts: ClassVar = ROUGHNESS

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files(*CONTACT_TABLES)

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(RollingOptions, options)
        return {options.class_a(): rolling_energy(scene, options, moving(scene))}

    def tabulated(self, attribute: str, name: str) -> Spectrum | None:
        return tabulated(attribute, name)

    def doubt(self, options: Options) -> Doubt | None:
        return ROLLING

    def statement(self, options: Options) -> str:
        options = cast(RollingOptions, options)
        mapping = (
            "the level of each spectrum interpolated linearly in the wavelength between nominal values, as in the "
            "Commission's published emission cases"
            if options.wavelength_mapping == "level"
            else "the energies of the total effective roughness averaged in proportion between two wavelength bands, "
            "as the words of the law say"
        )
        floor = (
            "Roughness is taken at no less than 50 km/h (trains) or 30 km/h (metro, trams)"
            if options.speed_floor
            else "The lower limit of the law on the speed for roughness is switched off"
        )
        superstructure = "freight vehicles" if options.superstructure_for == "freight" else "all vehicles"
        return (
            f"Rolling noise follows {edition_words(options)}, section 2.3. The roughness of rail and wheel and the "
            "contact filter give the total effective roughness (2.3.7), brought from wavelength to frequency by "
            f"lambda = v/f: {mapping}. The transfer functions of track (2.3.8), wheel (2.3.9) and, for "
            f"{superstructure}, superstructure (2.3.10) turn it into sound power per vehicle at 0.5 m above the rail "
            f"heads, in third octaves, with {directivity_words(options)}. {floor}; the flow term of (2.3.2) keeps the "
            "true speed. Standing vehicles make no rolling noise."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        options = cast(RollingOptions, options)
        notes = _form_notes(scene)
        for vehicle in used_vehicles(scene):
            notes += actual_value_notes(vehicle)
            if vehicle.superstructure_transfer is not None and not has_superstructure(vehicle, options):
                text = (
                    f"Vehicle {vehicle.id}: its superstructure transfer function is not used, since the law counts the "
                    "superstructure of freight vehicles only."
                )
                notes.append(Note("assumption", text, Standing.LAW))
            speeds = running_speeds_km_h(scene, vehicle)
            if speeds.size:
                notes += _speed_notes(scene, vehicle, speeds, options)
        return notes


def _form_notes(scene: Scene) -> list[Note]:
    forms = used_forms(scene)
    notes = []
    unlisted = [f for f in forms if f.form != "ballast" and f.track_transfer is None]
    for name in sorted({f.form for f in unlisted}):
        classes = listed(sorted({track_transfer_class(f) for f in unlisted if f.form == name}))
        text = (
            f"The law tabulates no transfer function for {name} track; the one for {classes} (sleepers in ballast or "
            "on a bridge) stands for it. Measured values (track_transfer) would be better."
        )
        notes.append(Note("validity", text, Standing.ASSUMPTION))
    ignored = sorted({str(f.sleeper) for f in forms if pad_is_ignored(f)})
    if ignored:
        text = f"The rail pad given with {listed(ignored)} is not used: the law has one transfer function for all pads."
        notes.append(Note("assumption", text, Standing.LAW))
    if any(isinstance(f.rail_roughness, str) for f in forms):
        text = (
            "Rail roughness is a class of the law, not a measurement. The two classes differ by less than 1 dB(A) in "
            "rolling noise of disc-braked vehicles up to 160 km/h, so that the benefit of grinding, or the harm of a "
            "rough rail, cannot be judged with them: that needs measured roughness."
        )
        notes.append(Note("assumption", text, Standing.LAW))
    return notes


def _speed_notes(scene: Scene, vehicle: VehicleType, speeds: Array, options: RollingOptions) -> list[Note]:
    notes = []
    floor = minimum_speed_km_h(vehicle.kind)
    if speeds.min() < floor * (1.0 - SPEED_SLACK):
        words = (
            f"roughness is taken at {floor:g} km/h there, as the law says"
            if options.speed_floor
            else f"the law takes roughness at {floor:g} km/h there, which an option has switched off"
        )
        text = f"Vehicle {vehicle.id} ({vehicle.kind}) runs as slowly as {speeds.min():.0f} km/h; {words}."
        if vehicle.kind == "metro":
            text += " The vehicle kind metro is taken for light metro."
        notes.append(Note("assumption", text, Standing.LAW if options.speed_floor else Standing.USER))
    used = roughness_speed_km_h(vehicle, speeds, options)
    low, high = TABULATED_SPEED_KM_H
    if used.min() < low * (1.0 - SPEED_SLACK) or used.max() > high * (1.0 + SPEED_SLACK):
        text = (
            f"Vehicle {vehicle.id} runs at {used.min():.0f} to {used.max():.0f} km/h; beyond {low:g} to {high:g} km/h "
            "the roughness tables are continued with their end values."
        )
        notes.append(Note("validity", text, Standing.ASSUMPTION))
    elif isinstance(vehicle.wheel_roughness, str) and outside_axis(
        wavelength_spectrum("wheel_roughness", vehicle.wheel_roughness), used
    ):
        text = (
            f"Vehicle {vehicle.id} runs at up to {used.max():.0f} km/h; above 180 km/h the lowest bands need wheel "
            "roughness beyond 1000 mm, where the table ends and its end value is held."
        )
        notes.append(Note("assumption", text, Standing.ASSUMPTION))
    short = {
        value.id
        for attribute, value in _own_spectra(scene, vehicle)
        if outside_axis(wavelength_spectrum(attribute, value), used)
    }
    for spectrum in sorted(short):
        text = (
            f"Spectrum {spectrum} does not cover all wavelengths that vehicle {vehicle.id} needs at {used.min():.0f} "
            f"to {used.max():.0f} km/h for 50 Hz to 10 kHz; its end values are held."
        )
        notes.append(Note("validity", text, Standing.ASSUMPTION))
    return notes


def _own_spectra(scene: Scene, vehicle: VehicleType) -> list[tuple[str, Spectrum]]:
    """Spectra over wavelength from the project that meet this vehicle."""
    rows = [k for k, v in enumerate(scene.traffic.vehicle) if scene.vehicles[int(v)] is vehicle]
    sections = moving(scene)[rows].any(axis=0)
    forms = [scene.forms[int(f)] for f in np.unique(scene.sections.form[sections])]
    values = [("rail_roughness", form.rail_roughness) for form in forms]
    values += [("wheel_roughness", vehicle.wheel_roughness), ("contact_filter", vehicle.contact_filter)]
    return [(attribute, value) for attribute, value in values if isinstance(value, Spectrum)]

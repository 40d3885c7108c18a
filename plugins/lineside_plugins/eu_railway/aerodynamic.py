"""Aerodynamic noise above 200 km/h."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, cast

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import DataFile, Doubt, Note, Options, SourceCalculator, SourceClass, Standing, Verification
from lineside.scene.model import Scene, TrackForm, VehicleType
from lineside_plugins.eu_railway.law_doubts import AERODYNAMIC
from lineside_plugins.eu_railway.law_notes import directivity_words, edition_words, running_speeds_km_h, used_vehicles
from lineside_plugins.eu_railway.law_options import EuOptions
from lineside_plugins.eu_railway.law_power import moving, spread
from lineside_plugins.eu_railway.law_roughness import SPEED_SLACK
from lineside_plugins.eu_railway.law_tables import (
    EMISSION_CASES,
    SOURCES,
    AerodynamicData,
    aerodynamic_data,
    data_files,
    vocabulary,
)

#: Aerodynamic noise counts above this speed only, section 2.3 of Annex II. [km/h]
ONSET_KM_H = 200.0


class AerodynamicOptions(EuOptions):
    """Options of aerodynamic noise."""


def aerodynamic_level_db(data: AerodynamicData, speed_km_h: Array) -> Array:
    """Sound power L(v0) + alpha lg(v/v0), equations (2.3.13) and (2.3.14).

    Parameters
    ----------
    data : AerodynamicData
        One height.
    speed_km_h : ndarray, (n,)

    Returns
    -------
    ndarray, (n, 24)
        [dB re 1 pW]
    """
    return data.level_db + data.alpha * np.log10(speed_km_h / data.v0_km_h)[:, np.newaxis]


class Aerodynamic(SourceCalculator):
    """Aerodynamic noise at 0.5 m and 4.0 m, equations (2.3.13) and (2.3.14)."""

    name = "eu_aerodynamic"
    title = "Aerodynamic noise (EU common method)"
    version = "1.0"
    mechanism = "aerodynamic"
    sources = (*SOURCES, EMISSION_CASES)
    verification = Verification.PUBLISHED
    verification_note = (
        "The stored cases of the Commission's emission workbook at 260 km/h are reproduced within 0.01 dB in every "
        "octave at both heights. No case has a receiver below the source at 4.0 m, where (2.3.17) acts."
    )
    options_model = AerodynamicOptions
    vocabulary: ClassVar = vocabulary("aerodynamic")

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files("aerodynamic_power")

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(AerodynamicOptions, options)
        equipped = np.array([vehicle.aerodynamic is not None for vehicle in scene.vehicles], dtype=np.bool_)
        fast = scene.traffic.speed_km_h > ONSET_KM_H * (1.0 + SPEED_SLACK)
        where = moving(scene) & fast & equipped[scene.traffic.vehicle][:, np.newaxis]

        def at(height: str) -> Array:
            def power(form: TrackForm, vehicle: VehicleType, speed_km_h: Array) -> Array:
                assert vehicle.aerodynamic is not None
                return to_energy(aerodynamic_level_db(aerodynamic_data(vehicle.aerodynamic, height), speed_km_h))

            return spread(scene, where, power)

        return {options.class_a(): at("a"), options.class_b(aerodynamic=True): at("b")}

    def doubt(self, options: Options) -> Doubt | None:
        return AERODYNAMIC

    def statement(self, options: Options) -> str:
        options = cast(AerodynamicOptions, options)
        vertical = (
            "no vertical directivity" if options.vertical_form == "none" else "the vertical directivity of (2.3.17)"
        )
        return (
            f"Aerodynamic noise follows {edition_words(options)}, section 2.3 and Table G-6. Above {ONSET_KM_H:g} "
            "km/h, and only there, each vehicle with an aerodynamic class has sound power at 0.5 m (2.3.13) and 4.0 "
            "m (2.3.14) above the rail heads that rises with alpha lg(v/v0). At 0.5 m it has "
            f"{directivity_words(options)}; at 4.0 m the same horizontal directivity and {vertical}."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        notes = []
        for vehicle in used_vehicles(scene):
            speeds = running_speeds_km_h(scene, vehicle)
            if not speeds.size or speeds.max() <= ONSET_KM_H * (1.0 + SPEED_SLACK):
                continue
            fastest = f"Vehicle {vehicle.id} runs at up to {speeds.max():.0f} km/h"
            if vehicle.aerodynamic is None:
                text = f"{fastest} but has no aerodynamic class: no aerodynamic noise is counted for it."
                notes.append(Note("validity", text, Standing.USER))
            elif isinstance(vehicle.aerodynamic, str):
                text = (
                    f"{fastest}; its aerodynamic noise is the default of the law, which holds for no train in "
                    "particular and may be more than a given train makes between 200 and 250 km/h."
                )
                notes.append(Note("assumption", text, Standing.LAW))
        return notes

"""Traction noise of powered vehicles, moving and standing."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, cast

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import DataFile, Doubt, Note, Options, SourceCalculator, SourceClass, Standing, Verification
from lineside.scene.model import BoolArray, Scene
from lineside_plugins.eu_railway.law_directivity import source_class
from lineside_plugins.eu_railway.law_doubts import TRACTION
from lineside_plugins.eu_railway.law_notes import directivity_words, edition_words, listed
from lineside_plugins.eu_railway.law_options import EuOptions
from lineside_plugins.eu_railway.law_power import moving, standing
from lineside_plugins.eu_railway.law_tables import EMISSION_CASES, SOURCES, data_files, traction_power, vocabulary


class TractionOptions(EuOptions):
    """Options of traction noise."""


class Traction(SourceCalculator):
    """Traction noise at 0.5 m and 4.0 m: constant speed and idling, both at full load."""

    name = "eu_traction"
    title = "Traction noise (EU common method)"
    version = "1.0"
    mechanism = "traction"
    sources = (*SOURCES, EMISSION_CASES)
    verification = Verification.PUBLISHED
    verification_note = (
        "The stored cases of the Commission's emission workbook are reproduced within 0.01 dB in every octave, "
        "moving and idling, at both heights. Their idling spectra are not in the law; those of the law are their "
        "constant-speed ones, rounded."
    )
    options_model = TractionOptions
    vocabulary: ClassVar = vocabulary("traction")

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files("traction_power")

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(TractionOptions, options)
        long_stay = scene.traffic.long_stay[:, np.newaxis]
        runs, stands = moving(scene), standing(scene)
        found: dict[SourceClass, Array] = {}
        for height, line in (("a", options.class_a()), ("b", options.class_b())):
            found[line] = _power(scene, height, runs, stands & ~long_stay)
            if (stands & long_stay).any():
                point = source_class(height, False, "none")
                lying_over = _power(scene, height, np.zeros_like(runs), stands & long_stay)
                found[point] = found[point] + lying_over if point in found else lying_over
        return found

    def doubt(self, options: Options) -> Doubt | None:
        return TRACTION

    def statement(self, options: Options) -> str:
        options = cast(TractionOptions, options)
        return (
            f"Traction noise follows {edition_words(options)}, section 2.3 and Table G-5: sound power of every "
            "powered vehicle at full load at 0.5 m and 4.0 m above the rail heads, the same for constant speed, "
            "acceleration and braking and, unless a spectrum of the project says otherwise, for idling; it does not "
            "depend on speed; a driving style of the project may change it while a train gains speed. Moving "
            "vehicles are spread over the track by (2.3.2), standing ones by (2.3.4). At 0.5 "
            f"m it has {directivity_words(options)}, at 4.0 m no vertical directivity. A vehicle that stands longer "
            "than half an hour is a fixed point source; that it then has no directivity is an interpretation."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        notes = []
        silent = [
            service.id
            for k, service in enumerate(scene.services)
            if (rows := np.flatnonzero(scene.traffic.service == k)).size
            and all(scene.vehicles[int(v)].traction is None for v in scene.traffic.vehicle[rows])
        ]
        if silent:
            text = f"No vehicle of the services {listed(silent)} has a traction class: they run without traction noise."
            notes.append(Note("assumption", text, Standing.USER))
        powered = np.array([vehicle.traction is not None for vehicle in scene.vehicles], dtype=np.bool_)
        idle = standing(scene).any(axis=1) & powered[scene.traffic.vehicle]
        if (idle & ~scene.traffic.long_stay).any():
            text = (
                "Powered vehicles at stops count as idling at full load for as long as they stand (2.3.4). The law "
                "asks for idling only beyond half an hour at a time; shorter stops are counted too, which is on the "
                "safe side."
            )
            notes.append(Note("assumption", text, Standing.ASSUMPTION))
        if (idle & scene.traffic.long_stay).any():
            text = (
                "Vehicles that stand longer than half an hour are fixed point sources without directivity; the law "
                "leaves their directivity open."
            )
            notes.append(Note("assumption", text, Standing.ASSUMPTION))
        return notes


def _power(scene: Scene, height: str, runs: BoolArray, stands: BoolArray) -> Array:
    """Power of one vehicle where it runs or stands, (n_rows, n_sections, 24). [energy re 1 pW]"""
    energy = np.zeros((*runs.shape, N_THIRDS))
    gained = scene.traffic.accelerating * (to_energy(scene.conditions.traction_db) - 1.0)
    for v in np.unique(scene.traffic.vehicle):
        traction = scene.vehicles[v].traction
        if traction is None:
            continue
        of_vehicle = (scene.traffic.vehicle == v)[:, np.newaxis]
        for where, is_standing in ((runs, False), (stands, True)):
            energy[where & of_vehicle] = to_energy(traction_power(traction, height, is_standing))
    return energy * (1.0 + gained[..., np.newaxis])

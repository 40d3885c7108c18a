"""Sound radiated by the structure of bridges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, cast

import numpy as np
from pydantic import Field

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
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
from lineside.errors import OutOfRangeError
from lineside.scene.model import BoolArray, Scene, TrackForm, TrackLine, VehicleType
from lineside_plugins.eu_railway.law_directivity import source_class
from lineside_plugins.eu_railway.law_doubts import BRIDGE
from lineside_plugins.eu_railway.law_joints import joint_cuts_m, section_joint_density_per_m
from lineside_plugins.eu_railway.law_notes import directivity_words, edition_words
from lineside_plugins.eu_railway.law_options import BRIDGE_CONSTANT, ContactOptions, JointOptions
from lineside_plugins.eu_railway.law_power import (
    fast_enough_for_impact,
    impact_energy,
    moving,
    rolling_energy,
    single_impact_roughness,
    spread,
    total_roughness,
)
from lineside_plugins.eu_railway.law_roughness import REFERENCE_JOINTS_PER_M, TABULATED_SPEED_KM_H
from lineside_plugins.eu_railway.law_tables import EMISSION_CASES, SOURCES, band_spectrum, data_files, vocabulary


class BridgeOptions(ContactOptions, JointOptions):
    """Options of bridge noise. Those on roughness and joints should be those of eu_rolling and eu_impact."""

    include_impact: bool = Field(
        False,
        description="Let joints on a bridge excite its structure too: total roughness with impact (2.3.11) in "
        "(2.3.18). The law names only the total effective roughness there.",
    )
    bridge_constant_db: float | None = BRIDGE_CONSTANT


class Bridge(SourceCalculator):
    """Bridge noise at 0.5 m without directivity, equation (2.3.18)."""

    name = "eu_bridge"
    title = "Bridge noise (EU common method)"
    version = "1.0"
    mechanism = "bridge"
    sources = (*SOURCES, EMISSION_CASES)
    verification = Verification.COMPUTED
    verification_note = (
        "No published case covers the bridge source of 2021. Its formula was written from the words of the law, "
        "since the printed one was not available; two values agree with a separate computation. The superseded "
        "constant of 2015 reproduces published cases."
    )
    options_model = BridgeOptions
    validity = (
        Validity(
            "speed", "km/h", *TABULATED_SPEED_KM_H, "the tables of rail roughness end at wavelengths of 0.8 and 2000 mm"
        ),
    )
    vocabulary: ClassVar = vocabulary(
        "bridge", "rail_roughness", "impact_roughness", "wheel_roughness", "contact_filter"
    )

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files("bridge_transfer", "rail_roughness", "wheel_roughness", "contact_filter", "impact_roughness")

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(BridgeOptions, options)
        where = moving(scene) & _on_bridge(scene)
        if options.bridge_constant_db is not None:
            impact = impact_energy(scene, options, options.impact_at_any_speed, where)
            extra = to_energy(options.bridge_constant_db) - 1.0
            return {options.class_a(): (rolling_energy(scene, options, where) + impact) * extra}
        if options.edition == "original_2015" and where.any():
            raise OutOfRangeError(
                "The edition of 2015 has no bridge source but a constant on rolling noise. Write bridge_constant_db: "
                "(in dB) under the options of eu_bridge and eu_squeal, or edition: amended_2021."
            )
        return {source_class("a", False, "none"): bridge_energy(scene, options, where)}

    def cuts(self, track: TrackLine, options: Options) -> Array:
        options = cast(BridgeOptions, options)
        needs_joints = options.include_impact or options.bridge_constant_db is not None
        return joint_cuts_m(track) if needs_joints else np.empty(0)

    def doubt(self, options: Options) -> Doubt | None:
        return BRIDGE

    def statement(self, options: Options) -> str:
        options = cast(BridgeOptions, options)
        if options.bridge_constant_db is not None:
            return (
                "Bridge noise is taken in the superseded form of (EU) 2015/996: a constant of "
                f"{options.bridge_constant_db:g} dB on rolling and impact noise in all sections on a bridge, with "
                f"{directivity_words(options)}. What the constant adds is shown as bridge noise."
            )
        if options.edition == "original_2015":
            return (
                f"Bridge noise would follow {edition_words(options)}: a constant on rolling and impact noise. None is "
                "given, and no section with traffic lies on a bridge: there is no bridge noise. The separate source of "
                "(2.3.18) belongs to the amended text."
            )
        roughness = (
            "the total effective roughness with the impact roughness of joints (option),"
            if options.include_impact
            else "the total effective roughness of (2.3.7), without the impact roughness of joints,"
        )
        return (
            f"Bridge noise follows {edition_words(options)}, section 2.3: the sound of the structure is a separate "
            f"source at 0.5 m above the rail heads, without directivity, from {roughness} and the transfer function "
            "of the bridge (2.3.18). Rolling noise on the bridge is computed as elsewhere, with the transfer "
            "function of the track on the bridge."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        options = cast(BridgeOptions, options)
        where = moving(scene) & _on_bridge(scene)
        if not where.any():
            return ()
        notes = []
        separate = options.bridge_constant_db is None
        forms = [scene.forms[int(f)] for f in np.unique(scene.sections.form[where.any(axis=0)])]
        if separate and any(isinstance(form.bridge, str) for form in forms):
            text = (
                "Bridges are rated by one of the two classes of the law, which stand for about 10 and 15 dB(A) more "
                "than plain track. Real bridges differ widely; measurements (a spectrum of kind bridge_transfer) "
                "would be better."
            )
            notes.append(Note("assumption", text, Standing.LAW))
        if (
            separate
            and not options.include_impact
            and (section_joint_density_per_m(scene) > 0.0)[where.any(axis=0)].any()
        ):
            text = (
                "There are joints on or near a bridge. (2.3.18) has the total effective roughness without impact, so "
                "that they do not excite the structure here; the option include_impact lets them."
            )
            notes.append(Note("assumption", text, Standing.READ))
        if separate and len(scene.barriers.barrier):
            text = (
                "Barriers on the edges of a bridge should as a rule not screen its structure-borne sound, says the "
                "law. Here every barrier of the project screens the bridge source like the other sources at 0.5 m; "
                "check whether one stands on the bridge."
            )
            notes.append(Note("validity", text, Standing.LAW))
        return notes


def bridge_energy(scene: Scene, options: BridgeOptions, where: BoolArray) -> Array:
    """Sound power of the structure, equation (2.3.18), (n_rows, n_sections, 24). [energy re 1 pW]"""

    def transfer(form: TrackForm, vehicle: VehicleType) -> Array:
        assert form.bridge is not None
        return to_energy(band_spectrum("bridge", form.bridge)) * vehicle.n_axles

    def smooth(form: TrackForm, vehicle: VehicleType, speed_km_h: Array) -> Array:
        return total_roughness(form, vehicle, speed_km_h, options) * transfer(form, vehicle)

    def single_impact(form: TrackForm, vehicle: VehicleType, speed_km_h: Array) -> Array:
        return single_impact_roughness(form, vehicle, speed_km_h, options) * transfer(form, vehicle)

    energy = spread(scene, where, smooth)
    if options.include_impact:
        density = section_joint_density_per_m(scene) / REFERENCE_JOINTS_PER_M
        hit = where & fast_enough_for_impact(scene, options.impact_at_any_speed) & (density > 0.0)
        energy += spread(scene, hit, single_impact) * density[:, np.newaxis]
    return energy


def _on_bridge(scene: Scene) -> BoolArray:
    """Which sections lie on a bridge, (n_sections,)."""
    return np.array([form.bridge is not None for form in scene.forms], dtype=np.bool_)[scene.sections.form]

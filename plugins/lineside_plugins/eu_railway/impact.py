"""Impact noise at rail joints, switches and crossings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, cast

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
from lineside.scene.model import Scene, TrackLine
from lineside_plugins.eu_railway.law_doubts import IMPACT
from lineside_plugins.eu_railway.law_joints import REACH_M, joint_cuts_m, section_joint_density_per_m
from lineside_plugins.eu_railway.law_notes import directivity_words, edition_words, listed
from lineside_plugins.eu_railway.law_options import ContactOptions, JointOptions
from lineside_plugins.eu_railway.law_power import fast_enough_for_impact, impact_energy, moving
from lineside_plugins.eu_railway.law_roughness import TABULATED_SPEED_KM_H
from lineside_plugins.eu_railway.law_tables import EMISSION_CASES, SOURCES, data_files, vocabulary


class ImpactOptions(ContactOptions, JointOptions):
    """Options of impact noise."""


class Impact(SourceCalculator):
    """What joints add to rolling noise at 0.5 m, equations (2.3.11) and (2.3.12)."""

    name = "eu_impact"
    title = "Impact noise (EU common method)"
    version = "1.0"
    mechanism = "impact"
    sources = (*SOURCES, EMISSION_CASES)
    verification = Verification.PUBLISHED
    verification_note = (
        "The stored cases of the Commission's emission workbook with joints are reproduced within 0.01 dB in every "
        "octave, together with rolling noise and with the spectrum of 2015. The spectrum in force was compared with "
        "a second typed copy."
    )
    options_model = ImpactOptions
    validity = (
        Validity(
            "speed",
            "km/h",
            *TABULATED_SPEED_KM_H,
            "the table of impact roughness ends at wavelengths of 0.8 and 2000 mm",
        ),
    )
    vocabulary: ClassVar = vocabulary(
        "impact_roughness", "sleeper", "rail_pad", "vehicle_transfer", "superstructure_transfer"
    )

    def data_files(self) -> tuple[DataFile, ...]:
        return data_files("impact_roughness", "track_transfer", "vehicle_transfer", "superstructure_transfer")

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(ImpactOptions, options)
        return {options.class_a(): impact_energy(scene, options, options.impact_at_any_speed, moving(scene))}

    def cuts(self, track: TrackLine, options: Options) -> Array:
        return joint_cuts_m(track)

    def doubt(self, options: Options) -> Doubt | None:
        return IMPACT

    def statement(self, options: Options) -> str:
        options = cast(ImpactOptions, options)
        limit = (
            "at every speed (option; the law leaves it out below 50 km/h, 30 km/h for metro and trams)"
            if options.impact_at_any_speed
            else "from 50 km/h (trains) or 30 km/h (metro, trams) upwards"
        )
        return (
            f"Impact noise of joints, switches and crossings follows {edition_words(options)}, section 2.3. The "
            "impact roughness of one joint per 100 m is scaled with the number of joints per metre (2.3.12) and adds "
            "to the total effective roughness in energy (2.3.11), without a contact filter. What it adds to rolling "
            "noise through the same transfer functions is shown as impact noise, at 0.5 m above the rail heads, with "
            f"{directivity_words(options)}. It counts from {REACH_M:g} m before the first to {REACH_M:g} m behind the "
            f"last joint, {limit}. A turnout is one joint. Overlaps are an interpretation: of jointed stretches that "
            "meet, the larger density holds; a turnout adds to whatever is there."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        options = cast(ImpactOptions, options)
        notes = []
        at_joints = moving(scene) & (section_joint_density_per_m(scene) > 0.0)
        if at_joints.any():
            text = (
                f"The sound of a joint or turnout is spread over its reach of {REACH_M:g} m to each side, as the law "
                "has it: long-term levels are meant so, but the largest level of a single pass beside a joint is "
                "higher than computed. A jointed stretch counts its density over its length and both reaches."
            )
            notes.append(Note("validity", text, Standing.LAW))
        slow = at_joints & ~fast_enough_for_impact(scene, options.impact_at_any_speed)
        if slow.any():
            ids = listed(sorted({scene.services[int(s)].id for s in scene.traffic.service[slow.any(axis=1)]}))
            text = (
                f"Services {ids} pass joints or turnouts below 50 km/h (trains) or 30 km/h (metro, trams) in places; "
                "the law counts no impact noise there, although it may be heard."
            )
            notes.append(Note("assumption", text, Standing.LAW))
        overlapping = [track.id for track in scene.tracks if _reaches_overlap(track)]
        if overlapping:
            text = (
                f"Joints or turnouts on {listed(overlapping)} lie so close that their reaches of {REACH_M:g} m "
                "overlap. Turnouts are added up; of jointed stretches that meet, the larger density holds. The law "
                "is silent on this."
            )
            notes.append(Note("assumption", text, Standing.ASSUMPTION))
        return notes


def _reaches_overlap(track: TrackLine) -> bool:
    reaches = sorted((j.from_m - REACH_M, j.to_m + REACH_M) for j in track.joints if j.joints_per_m > 0.0)
    last_end = -float("inf")
    for start, end in reaches:
        if start < last_end:
            return True
        last_end = max(last_end, end)
    return False

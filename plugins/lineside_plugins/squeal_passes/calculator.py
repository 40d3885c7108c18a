"""Sound power of squeal as the mean over passes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar, cast

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.contracts import (
    Citation,
    DataFile,
    Note,
    OptionDoubt,
    Options,
    SourceCalculator,
    SourceClass,
    Verification,
)
from lineside.errors import OutOfRangeError
from lineside.scene.model import BoolArray, Scene, TrackLine
from lineside_plugins.squeal_passes.doubts import option_doubts
from lineside_plugins.squeal_passes.options import SquealPassesOptions
from lineside_plugins.squeal_passes.pass_level import SOURCE_M, power_from_level
from lineside_plugins.squeal_passes.passes import share_of_passes, squeal_part
from lineside_plugins.squeal_passes.words import notes, reported_effects, statement

#: No directivity of squealing wheels is known.
SQUEAL = SourceClass("0.5 m, squeal", SOURCE_M)

SOURCES = (
    Citation(
        key="lineside squeal passes",
        title="Curve squeal as the energy mean over passes of which some squeal",
        issuer="lineside",
        year=2026,
        part="equations in the plugin squeal_passes",
    ),
    Citation(
        key="J. Sound Vib. 293",
        title="Top of rail friction control for curve noise mitigation (abstract read; volume and pages from memory)",
        issuer="Journal of Sound and Vibration",
        year=2006,
        part="pp. 747-757",
    ),
    Citation(
        key="J. Sound Vib. 413",
        title="Article on squeal and the crabbing velocity of wheelsets (abstract read; title not noted)",
        issuer="Journal of Sound and Vibration",
        year=2018,
        part="pp. 144-158",
    ),
)


class SquealPasses(SourceCalculator):
    """Share of passes that squeal times their sound power, by radius, vehicle, rail condition and friction."""

    name = "squeal_passes"
    title = "Curve squeal as a mean over passes (lineside's own model)"
    version = "1.0"
    mechanism = "squeal"
    builds_on: ClassVar = ("rolling",)
    by_rail_condition = True
    sources = SOURCES
    verification = Verification.COMPUTED
    verification_note = (
        "The mean over passes agrees with a worked case computed apart from the program (8.53 dB and 0.79 dB above "
        "rolling noise), the step from a level at 7.5 m to sound power with numerical integration. The "
        "shares and levels themselves are those of the project; none is published"
    )
    options_model = SquealPassesOptions

    def data_files(self) -> tuple[DataFile, ...]:
        return (reported_effects().data_file,)

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        return self.emission_beside(scene, options, {})

    def emission_beside(
        self, scene: Scene, options: Options, others: Mapping[str, Mapping[SourceClass, Array]]
    ) -> Mapping[SourceClass, Array]:
        options = cast(SquealPassesOptions, options)
        share = np.where(moving(scene), shares(scene, options), 0.0)
        if options.level is None or not (share > 0.0).any():
            return {}
        reduction = np.array([options.reduction_db(form.friction, options.case) for form in scene.forms])
        level = options.level.value.at(options.case) - reduction[scene.sections.form]
        if options.level.excess_db is None:
            return {SQUEAL: share[:, :, np.newaxis] * _power(scene, options, level)}
        rolling = others.get("rolling", {})
        if not rolling:
            raise OutOfRangeError(
                f"{self.name}: excess_db is an excess over rolling noise, but no calculator of rolling noise takes "
                "part; let one take part, or give level_7_5m_db"
            )
        ratio = squeal_part(share, level[np.newaxis, :])
        return {source_class: power * ratio[:, :, np.newaxis] for source_class, power in rolling.items()}

    def cuts(self, track: TrackLine, options: Options) -> Array:
        return np.unique(np.array([end for c in track.curves for end in (c.from_m, c.to_m)], dtype=np.float64))

    def option_doubts(self, options: Options) -> Sequence[OptionDoubt]:
        return option_doubts(cast(SquealPassesOptions, options))

    def statement(self, options: Options) -> str:
        return statement(cast(SquealPassesOptions, options))

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        return notes(scene, cast(SquealPassesOptions, options), moving(scene))


def moving(scene: Scene) -> BoolArray:
    """Where a vehicle runs through a section, (n_rows, n_sections)."""
    traffic = scene.traffic
    return (traffic.seconds_per_m > 0.0) & (traffic.speed_km_h > 0.0) & ~traffic.standing[:, np.newaxis]


def shares(scene: Scene, options: SquealPassesOptions) -> Array:
    """Share of passes that squeal; 0 where the table says nothing, (n_rows, n_sections)."""
    sections = scene.sections
    kinds = sorted({vehicle.kind for vehicle in scene.vehicles})
    by_kind = np.zeros((len(kinds), len(sections)))
    for s, place in enumerate(sections.mid_m):
        curves = scene.tracks[int(sections.track[s])].curves_at(float(place))
        radius = min((curve.radius_m for curve in curves), default=np.inf)
        friction = scene.forms[int(sections.form[s])].friction
        for k, kind in enumerate(kinds):
            share = share_of_passes(options.shares, radius, kind, scene.conditions.rail, friction, options.case)
            by_kind[k, s] = share or 0.0
    row_kind = np.array([kinds.index(scene.vehicles[int(v)].kind) for v in scene.traffic.vehicle], dtype=np.int64)
    return by_kind[row_kind]


def _power(scene: Scene, options: SquealPassesOptions, level_db: Array) -> Array:
    """Sound power of a vehicle of a squealing train, from levels (n_sections,), (n_rows, n_sections, 24)."""
    assert options.level is not None
    vehicle = np.array([scene.vehicles[int(v)].length_m for v in scene.traffic.vehicle])
    train = np.array([scene.services[int(s)].train_length_m for s in scene.traffic.service])
    power = np.zeros((len(vehicle), len(level_db), N_THIRDS))
    for level in np.unique(level_db):
        of_row = power_from_level(float(level), options.level.quantity, vehicle, train, options.level.spectrum)
        power[:, level_db == level] = of_row[:, np.newaxis, :]
    return power

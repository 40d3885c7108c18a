"""Sound of the air compressor under each vehicle with a drive."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import cast

import numpy as np
from pydantic import Field

from lineside.acoustics.bands import THIRD_OCTAVES_HZ, Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import Note, Options, SourceCalculator, SourceClass, Standing
from lineside.scene.model import Scene

UNDER_FLOOR = SourceClass("compressor", height_m=0.5)
#: Bands in which a compressor sounds: an assumption, printed as one. [Hz]
LOWEST_HZ, HIGHEST_HZ = 100.0, 2000.0


class CompressorOptions(Options):
    """Options of the compressors."""

    lw_db: float = Field(
        ge=0,
        le=130,
        description="Sound power of a compressor that runs, in each third octave from 100 Hz to 2 kHz [dB re 1 pW]",
    )
    moving_share: float = Field(
        default=0.2, ge=0, le=1, description="Share of the time that it runs while the train moves. Default 0.2"
    )
    standing_share: float = Field(
        default=0.5, ge=0, le=1, description="Share of the time that it runs while the train stands. Default 0.5"
    )
    source: str = Field(min_length=3, max_length=300, description="Where the sound power comes from; printed")


class Compressor(SourceCalculator):
    """The mean power of a machine that runs for a share of the time is that share of its power."""

    name = "compressor"
    title = "Air compressors"
    version = "0.4"
    mechanism = "compressor"
    verification_note = "Ten times the power and twice the share were compared with what they must give."
    options_model = CompressorOptions

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        options = cast(CompressorOptions, options)
        traffic = scene.traffic
        driven = np.array([vehicle.traction not in (None, "none") for vehicle in scene.vehicles])[traffic.vehicle]
        share = np.where(traffic.standing, options.standing_share, options.moving_share) * driven
        sounds = (THIRD_OCTAVES_HZ >= LOWEST_HZ) & (THIRD_OCTAVES_HZ <= HIGHEST_HZ)
        there = traffic.seconds_per_m > 0
        power = share[:, None, None] * there[:, :, None] * sounds * to_energy(options.lw_db)
        return {UNDER_FLOOR: power}

    def statement(self, options: Options) -> str:
        options = cast(CompressorOptions, options)
        return (
            f"Each vehicle with a drive has an air compressor of {options.lw_db:g} dB in each third octave from 100 Hz "
            f"to 2 kHz, {UNDER_FLOOR.height_m:g} m above the rails, which runs for {100 * options.moving_share:g} % of "
            f"the time while the train moves and {100 * options.standing_share:g} % while it stands. Source of the "
            f"sound power: {options.source}."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        return [
            Note(
                "assumption", "Compressors sound alike in all third octaves from 100 Hz to 2 kHz.", Standing.ASSUMPTION
            ),
            Note("assumption", "A machine's mean power is its power times its share of time.", Standing.PRACTICE),
        ]

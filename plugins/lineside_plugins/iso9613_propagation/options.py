"""What a project may choose about ISO 9613-2."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from lineside.contracts import Options

GroundMethod = Literal["general", "alternative"]
SideEdges = Literal["uncapped", "capped", "none"]


class Iso9613Options(Options):
    """Options of the propagation by ISO 9613-2."""

    ground_method: GroundMethod = Field(
        default="general",
        description="Attenuation of the ground: `general` (clause 7.3.1, by octaves and ground factors) or "
        "`alternative` (7.3.2, for the A-weighted level over ground that is mostly porous, of any shape).",
    )
    c0_db: float = Field(
        default=0.0,
        ge=0.0,
        le=10.0,
        description="C_0 of the meteorological correction for long-term averages (clause 8), the same in all periods; "
        "0 leaves the levels under downwind conditions. [dB]",
    )
    c2: Literal[20, 40] = Field(
        default=20,
        description="C_2 of barriers (clause 7.4): 20 includes the reflections by the ground; 40 is for reflections "
        "by the ground that are computed apart as image sources, which lineside does not do.",
    )
    ground_gain_behind_barriers: bool = Field(
        default=False,
        description="Keep the gain of hard ground behind a barrier, A_bar = D_z - max(A_gr, 0), as ISO/TR 17534-3 "
        "recommends, instead of A_bar = D_z - A_gr by the letter of the standard (equation 12).",
    )
    side_edges: SideEdges = Field(
        default="uncapped",
        description="Ways round the ends of barriers and buildings: `uncapped`, `capped` (their D_z, too, is 20 or 25 "
        "dB at most, by the letter of the standard, however far away the end) or `none`.",
    )
    track_bed_m: float = Field(
        default=2.5,
        ge=0.0,
        le=10.0,
        description="Half width of the track bed, on which the ground factor is that of the track form; 0 takes the "
        "ground of the site up to the middle of the track. [m]",
    )
    reflection_order: int = Field(
        default=1,
        ge=0,
        le=3,
        description="Largest number of reflections by walls of buildings and barriers on one path (clause 7.5, which "
        "names none).",
    )
    reflection_reach: float = Field(
        default=10.0,
        ge=1.0,
        le=1000.0,
        description="Reflected paths count up to this length in plan, as a ratio to the straight line; at 10 a path "
        "left out carries 20 dB less than an open straight one, or still less.",
    )
    piece_ratio: float = Field(
        default=0.2,
        gt=0.0,
        le=0.5,
        description="Longest piece of track that counts as one point, as a ratio to its distance from the receiver. "
        "0.5 is the largest ratio of the standard (clause 4).",
    )
    min_distance_m: float = Field(
        default=1.0,
        ge=0.5,
        le=10.0,
        description="Points of a map that lie on or near the track are computed as if they were this far from each "
        "source point in plan. [m]",
    )


def checked(options: Options) -> Iso9613Options:
    """The options as what they are."""
    if isinstance(options, Iso9613Options):
        return options
    return Iso9613Options.model_validate(options.model_dump())

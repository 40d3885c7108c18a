"""What a project may choose about propagation by 16. BImSchV."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from lineside.contracts import Options

WallLosses = Literal["table_18", "absorption"]


class DePropagationOptions(Options):
    """Options of the propagation part of the German regulation."""

    piece_ratio: float = Field(
        default=0.25,
        gt=0.0,
        le=0.5,
        description="Longest piece of track that counts as one point, as a ratio to its distance from the receiver. "
        "The regulation asks that half as long pieces change nothing by 0.1 dB or more; 0.5 is what it suggests for "
        "free propagation over flat ground.",
    )
    min_distance_m: float = Field(
        default=1.0,
        ge=0.5,
        le=10.0,
        description="Points of a map that lie on or near the track are computed as if they were this far from each "
        "source point in plan. [m]",
    )
    side_way_ratio: float = Field(
        default=2.0,
        ge=1.0,
        le=1000.0,
        description="Ways round the ends of barriers and buildings count up to this length, as a ratio to the straight "
        "line in plan; 1 leaves them out. The regulation names no bound, but since no way counts with more than 20 or "
        "25 dB of screening, ends far away would else let through as much sound as near ones.",
    )
    hard_ground_is_water: bool = Field(
        default=True,
        description="Whether ground with G = 0 is open water, up to 3 dB louder; false: no ground is. The regulation "
        "knows land and water only.",
    )
    ground_screens: bool = Field(
        default=True,
        description="Whether ground that rises above the straight line from source to receiver (a hill, the edge of a "
        "cutting, the shoulder of an embankment) screens like a barrier. The regulation speaks of obstacles and leaves "
        "open whether ground is one.",
    )
    reflection_order: int = Field(
        default=3,
        ge=0,
        le=3,
        description="Largest number of reflections by walls on one path. The regulation counts up to 3 (No. 6.6).",
    )
    reflection_reach: float = Field(
        default=10.0,
        ge=1.0,
        le=1000.0,
        description="Reflected paths count up to this length in plan, as a ratio to the straight line. The regulation "
        "names no bound; at 10 a path left out carries 20 dB less than an open straight one, or still less.",
    )
    wall_losses: WallLosses = Field(
        default="table_18",
        description="Loss at reflecting walls: `table_18` (the row of the regulation's table that the wall's "
        "absorption reaches: 0, 1, 4 or 8 dB) or `absorption` (by octaves, 10 lg(1 - absorption), which the regulation "
        "does not know).",
    )


def checked(options: Options) -> DePropagationOptions:
    """The options as what they are."""
    if isinstance(options, DePropagationOptions):
        return options
    return DePropagationOptions.model_validate(options.model_dump())

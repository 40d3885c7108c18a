"""The propagation calculator: from source points to receivers over a plain with water and thin barriers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from pydantic import Field

from lineside.acoustics.bands import Array
from lineside.contracts import (
    Citation,
    DataFile,
    Note,
    Options,
    PathLoss,
    PropagationCalculator,
    Validity,
    Verification,
)
from lineside.errors import OutOfRangeError
from lineside.scene.model import BoolArray, GroundAreas, IntArray, Receivers, Scene, SourcePoints
from lineside.tables import load_table
from lineside_plugins.de_propagation.notes import notes
from lineside_plugins.de_propagation.path import air_absorption_db_per_km
from lineside_plugins.de_propagation.screens import screens_of, thrown_back

FORMS = ("ballast", "slab", "embedded")


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
        description="Ways round the ends of barriers count up to this length, as a ratio to the straight line in plan; "
        "1 leaves them out. The regulation names no bound, but since no way counts with more than 20 or 25 dB of "
        "screening, ends far away would else let through as much sound as near ones.",
    )
    hard_ground_is_water: bool = Field(
        default=True,
        description="Whether ground with G = 0 is open water, up to 3 dB louder; false: no ground is. The regulation "
        "knows land and water only.",
    )


class DePropagation(PropagationCalculator):
    """No. 6 of Annex 2: divergence, air, ground, water, screening; No. 3.5: solid angle."""

    name = "de_propagation"
    title = "Propagation by the German 16. BImSchV, Annex 2"
    version = "1.0"
    states = ("favourable",)
    options_model = DePropagationOptions
    verification = Verification.COMPUTED
    verification_note = (
        "Single paths over land and water, with one and two edges and a low barrier, and whole lines, against two "
        "separate computations from the wording (terms within 0.02 dB, sums within 0.05 dB). Ways round the ends of "
        "barriers: geometry by tests of our own only. The regulation prints no worked example; its note that a free "
        "line has about L_W'A - 19 dB at 25 m is met within 0.7 dB."
    )
    sources = (
        Citation(
            "16_bimschv_annex_2",
            "16. BImSchV (Verkehrslärmschutzverordnung), Annex 2: calculation of the rating level for railways",
            "Federal Republic of Germany",
            2020,
            "No. 3.4, 3.5 and 6; wording including BGBl. I 2020 p. 2334",
        ),
    )
    validity = (
        Validity("height of the rails above the plain", "m", 0.0, 1.0, "embankments are not modelled"),
        Validity("height of a receiver above ground", "m", 0.0, np.inf, "receivers lie above the plain"),
    )

    def __init__(self) -> None:
        self._air = load_table("lineside_plugins.de_propagation", "air_absorption")

    def data_files(self) -> tuple[DataFile, ...]:
        return (self._air.data_file,)

    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        """Transfer of every pair of point and receiver at each source height, solid angle of Gl. 9 included.

        Parameters
        ----------
        scene : Scene
            Uses tracks (for low barriers), ground level, ground areas and barriers; not the air.
        points : SourcePoints
            Rail-head points.
        heights_m : ndarray, (n_heights,)
            Source heights above the rail head. [m]
        receivers : Receivers
        options : DePropagationOptions

        Returns
        -------
        PathLoss
            ``transfer`` (n_receivers, n_points, n_heights, 1, 8): sum of 10^((D_Omega - A)/10) over all ways.

        Notes
        -----
        A point stands for its piece of track. Where the end of a barrier, seen from the receiver, divides the piece, or
        the share of water changes by more than 0.1 along it, the transfer is the mean over its parts, each taken at its
        middle.
        """
        from lineside_plugins.de_propagation import kernels

        opts = checked(options)
        screens = screens_of(scene)
        xyz = np.ascontiguousarray(points.xyz_m, dtype=np.float64)
        heights = np.ascontiguousarray(heights_m, dtype=np.float64)
        default, polygons = _water(scene.ground, opts.hard_ground_is_water)
        absorption = air_absorption_db_per_km() / 1000.0 * (kernels.LN10 / 10.0)
        out = np.empty((len(receivers), len(points), heights.size, 1, absorption.size))
        kernels.transfer(
            xyz,
            np.ascontiguousarray(points.direction, dtype=np.float64),
            np.ascontiguousarray(points.length_m, dtype=np.float64),
            heights,
            np.ascontiguousarray(receivers.xyz_m, dtype=np.float64),
            float(scene.ground_level_m),
            default,
            *polygons,
            screens.xy_m,
            screens.top_z_m,
            screens.box,
            screens.line,
            screens.closed,
            screens.ends_m,
            thrown_back(screens, xyz),
            opts.side_way_ratio,
            kernels.wavelengths_m(),
            absorption,
            opts.min_distance_m,
            out,
        )
        return PathLoss(self.states, out)

    def state_share(self, favourable: Array) -> Array:
        """All of the time: the regulation knows favourable propagation only (No. 6.1)."""
        return np.ones((*np.shape(favourable), 1))

    def source_ground_g(self, form: str) -> float:
        """1 for all forms: the ground under the track has no part of its own in Gl. 14."""
        if form not in FORMS:
            raise OutOfRangeError(f"track form {form!r}: known are {', '.join(FORMS)}")
        return 1.0

    def surfaces(self) -> Mapping[str, tuple[float, str]]:
        return {
            "water": (0.0, "open water (Gl. 16)"),
            "land": (1.0, "all ground that is not water (Gl. 14)"),
        }

    def max_piece_ratio(self, options: Options) -> float:
        return checked(options).piece_ratio

    def statement(self, options: Options) -> str:
        opts = checked(options)
        sides = (
            "Ways round the ends of barriers are left out."
            if opts.side_way_ratio <= 1.0
            else "Where a barrier blocks the straight line, the ways round its ends are added, if not longer than "
            f"{opts.side_way_ratio:g} times the straight line (Gl. 18)."
        )
        return (
            "Each piece of track is a point source. Its octave levels 63 Hz to 8 kHz are reduced by spherical "
            "spreading (Gl. 11), absorption of air (Table 17), the ground effect of land (Gl. 14) less up to 3 dB over "
            "water (Gl. 16), and diffraction over barriers (Gl. 19 to 26, C_2 = 40), and raised by the solid angle of "
            "radiation (Gl. 9); for propagation favourable to sound only, as the regulation has it. "
            f"{sides} The terrain is a plain. A piece is no longer than {opts.piece_ratio:g} of its distance and is "
            "split further where the end of a barrier or a shore divides it as seen from the receiver; pieces nearer "
            f"than {opts.min_distance_m:g} m in plan are computed at that distance. Reflections are not included."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        opts = checked(options)
        return notes(scene, opts.hard_ground_is_water, opts.side_way_ratio)


def checked(options: Options) -> DePropagationOptions:
    if isinstance(options, DePropagationOptions):
        return options
    return DePropagationOptions.model_validate(options.model_dump())


def _water(ground: GroundAreas, hard_is_water: bool) -> tuple[bool, tuple[Array, IntArray, Array, BoolArray]]:
    """Whether the plain is water; corners, first corner, boxes and kind of the areas. No areas if all is one kind."""
    default = bool(hard_is_water and ground.default_g == 0.0)
    water = (np.asarray(ground.g) == 0.0) & hard_is_water
    if np.all(water == default):
        return default, (np.empty((0, 2)), np.zeros(1, dtype=np.int64), np.empty((0, 4)), np.empty(0, dtype=np.bool_))
    rings = [ground.xy_m[a:b] for a, b in zip(ground.start[:-1], ground.start[1:], strict=True)]
    boxes = np.array([[*ring.min(axis=0), *ring.max(axis=0)] for ring in rings])[:, [0, 2, 1, 3]]
    return default, (
        np.ascontiguousarray(ground.xy_m, dtype=np.float64),
        np.ascontiguousarray(ground.start, dtype=np.int64),
        np.ascontiguousarray(boxes),
        water,
    )

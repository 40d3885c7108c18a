"""The propagation calculator: from source points to receivers through vertical cuts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields

import numpy as np
from pydantic import Field

from lineside.acoustics.bands import N_OCTAVES, Array
from lineside.contracts import (
    Citation,
    DataFile,
    Note,
    Options,
    PathDoubt,
    PathLoss,
    PropagationCalculator,
    ReflectedPaths,
    Standing,
    Validity,
    Verification,
)
from lineside.errors import OutOfRangeError
from lineside.scene.cuts import LENGTH as PATH_LENGTH
from lineside.scene.cuts import TRACK_SINE, Mirrors, vertical_cuts
from lineside.scene.model import Receivers, Scene, SourcePoints
from lineside.tables import load_table
from lineside_plugins.eu_propagation.air import RANGES, air_absorption_db_per_km
from lineside_plugins.eu_propagation.bounds import largest_body_gain, largest_gain, largest_transfer
from lineside_plugins.eu_propagation.notes import LOWEST_RECEIVER_M, notes_of
from lineside_plugins.eu_propagation.walls import RAIL_HEAD_M, Walls, walls_of

#: Pairs of point and receiver followed at one time: a path of 600 m through a fine raster takes 2 kB.
PAIRS_AT_A_TIME = 8192


class EuPropagationOptions(Options):
    """Options of the propagation part of the EU common method."""

    piece_ratio: float = Field(
        default=0.2,
        gt=0.0,
        le=0.5,
        description="Longest piece of track that counts as one point, as a ratio to its distance from the receiver. "
        "The law asks that twice as many points change nothing noticeable; 0.5 is its largest ratio.",
    )
    min_distance_m: float = Field(
        default=1.0,
        ge=0.5,
        le=10.0,
        description="Points of a map that lie on or near the track are computed as if they were this far from each "
        "source point in plan. [m]",
    )
    reflection_order: int = Field(
        default=1, ge=0, le=3, description="Largest number of reflections from walls on one path; 0: none are counted."
    )
    reflection_least: float = Field(
        default=0.0,
        ge=0.0,
        le=0.1,
        description="Reflected paths are left out if their length alone lets them carry less than this part of what an "
        "unscreened direct path carries; what is left out is bounded and reported. Default 0: none is left out.",
    )
    reflecting_absorption: float = Field(
        default=0.2,
        ge=0.0,
        lt=1.0,
        description="Share of sound energy absorbed, in all octaves, by barriers that are called reflecting, or of "
        "which nothing is known, and for which no absorption is given. 0.2 is a loss of 1 dB.",
    )
    absorbing_absorption: float = Field(
        default=0.6,
        ge=0.0,
        lt=1.0,
        description="The same for barriers that are called absorbing. 0.6 is the loss of 4 dB of 16. BImSchV, Annex 2, "
        "Table 18. Sound between them and a train is not counted unless their absorption is given.",
    )
    train_body_reflection: float = Field(
        default=1.0,
        ge=0.0,
        le=1.0,
        description="Share of sound energy that a train's side throws back to a barrier near the track: 1 as a rule, "
        "0 for open flat wagons only.",
    )


#: How far levels may be off, either way, 9 times in 10. [dB]
DOUBT_DB = 3.0
DOUBT_SOURCE = (
    "the law states no uncertainty; 3 dB is what ISO 9613-2:1996, Table 5 (quoted from memory) states for a method of "
    "the same kind up to 1000 m; taken here as holding 9 times in 10 (assumption)"
)


class EuPropagation(PropagationCalculator):
    """Section 2.5 of the common method: divergence, air, ground, diffraction, two weather states."""

    name = "eu_propagation"
    title = "Propagation by the EU common noise assessment method"
    version = "2.0"
    states = ("homogeneous", "favourable")
    options_model = EuPropagationOptions
    verification = Verification.COMPUTED
    verification_note = (
        "Vertical cuts over flat, mixed and broken ground, with one and two edges, and a reflecting wall against a "
        "separate scalar computation (all terms within 0.02 dB); paths over banks and hills, between buildings and by "
        "way of walls against a second one; absorption of air against the table of ISO 9613-2. Sound between train "
        "and barrier: one worked number."
    )
    sources = (
        Citation(
            "EU-2015-996",
            "Directive 2002/49/EC, Annex II, as set by Directive (EU) 2015/996",
            "European Commission",
            2015,
            "section 2.5",
        ),
        Citation(
            "EU-2021-1226",
            "Commission Delegated Directive (EU) 2021/1226 amending Annex II to Directive 2002/49/EC",
            "European Commission",
            2021,
            "section 2.5",
        ),
        Citation(
            "ISO-9613-1",
            "Acoustics - Attenuation of sound during propagation outdoors - Part 1: Calculation of the absorption of "
            "sound by the atmosphere",
            "ISO",
            1993,
            "clause 6",
        ),
    )
    validity = (
        *(Validity(*limits, "range in which air absorption is computed") for limits in RANGES),
        Validity("height of a receiver above ground", "m", LOWEST_RECEIVER_M, np.inf, "Annex I asks for 1.5 m or more"),
    )

    def __init__(self) -> None:
        self._ground = load_table("lineside_plugins.eu_propagation", "ground_factors")

    def data_files(self) -> tuple[DataFile, ...]:
        return (self._ground.data_file,)

    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        """Transfer of every pair of point and receiver at each source height; homogeneous, then favourable.

        Parameters
        ----------
        scene : Scene
            Uses terrain, ground areas, barriers, buildings and air.
        points : SourcePoints
            Rail-head points with the ground factor of the source area.
        heights_m : ndarray, (n_heights,)
            Source heights above the rail head. [m]
        receivers : Receivers
        options : EuPropagationOptions

        Returns
        -------
        PathLoss
            ``transfer`` (n_receivers, n_points, n_heights, 2, 8), reflected paths, and a bound of those left out.

        Notes
        -----
        A point stands for its piece of track. Where the free end of a barrier, seen from the receiver, divides the
        piece, or the mean ground factor changes by more than 0.1 along it, the transfer is the mean over its
        parts, each taken at its middle. Pairs are followed in blocks of bounded memory, which change no bit.

        Raises
        ------
        OutOfRangeError
            If the air lies outside the range of ISO 9613-1.
        """
        opts = _checked(options)
        heights = np.array(heights_m, dtype=np.float64)
        block = _Block(scene, heights, walls_of(scene, opts.reflecting_absorption, opts.absorbing_absorption), opts)
        shape = (len(receivers), len(points), heights.size, len(self.states), N_OCTAVES)
        out, left_out = np.empty(shape), np.zeros(shape[:2])
        reflected = []
        n_points = max(1, min(len(points), PAIRS_AT_A_TIME))
        n_receivers = max(1, PAIRS_AT_A_TIME // n_points)
        for r in range(0, len(receivers), n_receivers):
            for p in range(0, len(points), n_points):
                at = slice(r, r + n_receivers), slice(p, p + n_points)
                out[at], others, left_out[at] = block.run(
                    _some_points(points, at[1]), _some_receivers(receivers, at[0])
                )
                others.receiver[:] += r
                others.point[:] += p
                reflected.append(others)
        if not opts.reflection_order:
            return PathLoss(self.states, out)
        body = largest_body_gain(scene, block.walls, opts.train_body_reflection).max()
        left_out *= largest_gain(scene, self._source_g(scene)) * body
        return PathLoss(self.states, out, _together(reflected), left_out)

    def most_transfer(self, scene: Scene, distance_m: Array, options: Options) -> Array | None:
        opts = _checked(options)
        walls = walls_of(scene, opts.reflecting_absorption, opts.absorbing_absorption)
        return largest_transfer(
            scene,
            np.asarray(distance_m, dtype=np.float64) * (1.0 - 0.5 * opts.piece_ratio),
            nearest_m=opts.min_distance_m,
            order=opts.reflection_order,
            walls=walls,
            body_reflection=opts.train_body_reflection,
            source_g=self._source_g(scene),
        )

    def _source_g(self, scene: Scene) -> list[float]:
        """Ground factors of the source areas of all tracks."""
        given = [(form.source_ground_g, form.form) for form in scene.forms]
        return [self.source_ground_g(form) if g is None else g for g, form in given]

    def state_share(self, favourable: Array) -> Array:
        """1 - p and p of (2.5.9)."""
        p = np.asarray(favourable, dtype=np.float64)
        return np.stack([1.0 - p, p], axis=-1)

    def source_ground_g(self, form: str) -> float:
        """1 for ballast, 0 for slab and embedded track (section 2.5.6)."""
        factors = {"ballast": 1.0, "slab": 0.0, "embedded": 0.0}
        if form not in factors:
            raise OutOfRangeError(f"track form {form!r}: the ground factor is known for {', '.join(factors)}")
        return factors[form]

    def surfaces(self) -> Mapping[str, tuple[float, str]]:
        """Ground classes of Table 2.5.a under plain names."""
        table = self._ground
        rows = zip(table.text["surface"], table["g"], table.text["meaning"], table.text["ground_class"], strict=True)
        return {name: (float(g), f"{meaning} (class {letter})") for name, g, meaning, letter in rows}

    def max_piece_ratio(self, options: Options) -> float:
        return _checked(options).piece_ratio

    def doubt(self, distance_m: Array, height_m: Array, options: Options) -> PathDoubt | None:
        return PathDoubt(np.full(np.shape(distance_m), DOUBT_DB), Standing.ASSUMPTION, DOUBT_SOURCE)

    def statement(self, options: Options) -> str:
        opts = _checked(options)
        times = {1: "once", 2: "up to twice", 3: "up to three times"}
        mirrors = "Reflections are not included."
        if opts.reflection_order:
            mirrors = (
                "Walls of buildings and barriers that are at least 0.5 m high and wide as seen from the ray throw "
                f"sound back {times[opts.reflection_order]}: less what they absorb and what passes over their top "
                "(retrodiffraction). A path that passes below the foot of a wall is not thrown back by it."
            )
        return (
            "Each piece of track is a point source. Along the vertical plane from point to receiver the octave levels "
            "63 Hz to 8 kHz are reduced by spherical spreading (20 lg d + 11 dB), absorption of air at the exact "
            "mid-band frequencies, and either the ground effect over the mean ground plane with the mean ground factor "
            "of the path or, where edges of barriers, buildings or the ground count, diffraction over all of them with "
            "the ground effect on both sides; once for homogeneous and once for favourable (downward-refracting) "
            f"propagation, combined with the share of time of each. {mirrors} A reflecting barrier that stands beside "
            "the train, along the track and with no ground above the source before it, adds the sound thrown to and "
            "fro between the two. A piece is no longer than "
            f"{opts.piece_ratio:g} of its distance and is split further where the end of a barrier or the border of "
            "two grounds divides it as seen from the receiver; pieces nearer than "
            f"{opts.min_distance_m:g} m in plan are computed at that distance."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        opts = _checked(options)
        return notes_of(scene, opts.reflection_order, opts.reflecting_absorption, opts.absorbing_absorption)


class _Block:
    """All that stays the same from one block of pairs to the next."""

    def __init__(self, scene: Scene, heights: Array, walls: Walls, opts: EuPropagationOptions) -> None:
        from lineside_plugins.eu_propagation import kernels

        air = scene.air
        absorption = air_absorption_db_per_km(air.temperature_deg_c, air.humidity_pct, air.pressure_kpa)
        self._band = kernels.band_table(absorption / 1000.0 * (kernels.LN10 / 10.0))
        self._scene, self._heights, self.walls, self._opts = scene, heights, walls, opts
        order = opts.reflection_order
        self._mirrors = Mirrors(order=order, least=opts.reflection_least) if order else None

    def run(self, points: SourcePoints, receivers: Receivers) -> tuple[Array, ReflectedPaths, Array]:
        """Direct transfer, reflected paths, and what is left out as SHARE / L^2."""
        from lineside_plugins.eu_propagation import kernels

        cuts = vertical_cuts(
            self._scene, points, receivers, nearest_m=self._opts.min_distance_m, roof_g=0.0, mirrors=self._mirrors,
            side_ways=False,
        )  # fmt: skip
        rows = np.empty(len(cuts.path), dtype=np.int64)
        n_reflected = kernels.reflected_rows(cuts.path, cuts.mirror, rows)
        n_pairs, n_heights = len(receivers) * len(points), self._heights.size
        out = np.empty((n_pairs, 2 * n_heights, N_OCTAVES))
        mirrored = np.empty((n_reflected, 2 * n_heights, N_OCTAVES))
        kernels.transfer(
            cuts.first, cuts.path, cuts.profile, cuts.ground, cuts.edge, cuts.mirror,
            np.array(points.xyz_m[:, 2]), np.array(points.ground_g, dtype=np.float64), self._heights,
            np.array(receivers.xyz_m[:, 2]), self.walls.absorption, self.walls.body_row,
            self.walls.body_absorption, RAIL_HEAD_M, self._opts.train_body_reflection, rows, self._band, out, mirrored,
        )  # fmt: skip
        path = np.flatnonzero(rows >= 0)
        pair = np.searchsorted(cuts.first, path, side="right") - 1
        reflected = ReflectedPaths(
            receiver=pair // len(points),
            point=pair % len(points),
            phi_deg=np.degrees(np.arcsin(np.clip(cuts.path[path, TRACK_SINE], 0.0, 1.0))),
            length_m=cuts.path[path, PATH_LENGTH],
            transfer=mirrored.reshape(n_reflected, n_heights, 2, N_OCTAVES),
        )
        shape = (len(receivers), len(points))
        return out.reshape(*shape, n_heights, 2, N_OCTAVES), reflected, cuts.left_out.reshape(shape)


def _checked(options: Options) -> EuPropagationOptions:
    if isinstance(options, EuPropagationOptions):
        return options
    return EuPropagationOptions.model_validate(options.model_dump())


def _some_points(points: SourcePoints, which: slice) -> SourcePoints:
    return SourcePoints(*(getattr(points, f.name)[which] for f in fields(points)))


def _some_receivers(receivers: Receivers, which: slice) -> Receivers:
    wall = receivers.wall
    return Receivers(receivers.ids[which], receivers.xyz_m[which], None if wall is None else wall[which])


def _together(parts: Sequence[ReflectedPaths]) -> ReflectedPaths:
    """All blocks in one."""
    return ReflectedPaths(**{f.name: np.concatenate([getattr(p, f.name) for p in parts]) for f in fields(parts[0])})

"""The propagation calculator: from source points to receivers over a plain with thin barriers."""

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
    Standing,
    Validity,
    Verification,
)
from lineside.errors import OutOfRangeError
from lineside.scene.model import BarrierSegments, GroundAreas, IntArray, Receivers, Scene, SourcePoints
from lineside.tables import load_table
from lineside_plugins.eu_propagation.air import RANGES, air_absorption_db_per_km

RAISED_TRACK_M = 1.0
CHECKED_DISTANCE_M = 800.0
LOWEST_RECEIVER_M = 1.5


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


class EuPropagation(PropagationCalculator):
    """Section 2.5 of the common method: divergence, air, ground, diffraction, two weather states."""

    name = "eu_propagation"
    title = "Propagation by the EU common noise assessment method"
    version = "1.0"
    states = ("homogeneous", "favourable")
    options_model = EuPropagationOptions
    verification = Verification.COMPUTED
    verification_note = (
        "Vertical cuts over flat, mixed and broken ground, with one and two edges, against a separate scalar "
        "computation (all terms within 0.02 dB); absorption of air against the table of ISO 9613-2."
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
        Validity("height of the rails above the plain", "m", 0.0, RAISED_TRACK_M, "embankments are not modelled"),
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
            Uses ground level, ground areas, barriers and air.
        points : SourcePoints
            Rail-head points with the ground factor of the source area.
        heights_m : ndarray, (n_heights,)
            Source heights above the rail head. [m]
        receivers : Receivers
        options : EuPropagationOptions

        Returns
        -------
        PathLoss
            ``transfer`` (n_receivers, n_points, n_heights, 2, 8).

        Notes
        -----
        A point stands for its piece of track. Where the free end of a barrier, seen from the receiver, divides the
        piece, or the mean ground factor changes by more than 0.1 along it, the transfer is the mean over its
        parts, each taken at its middle.

        Raises
        ------
        OutOfRangeError
            If the air lies outside the range of ISO 9613-1.
        """
        from lineside_plugins.eu_propagation import kernels

        opts = _checked(options)
        air = scene.air
        absorption = air_absorption_db_per_km(air.temperature_deg_c, air.humidity_pct, air.pressure_kpa)
        heights = np.ascontiguousarray(heights_m, dtype=np.float64)
        out = np.empty((len(receivers), len(points), heights.size, 2, absorption.size))
        poly_xy, poly_start, poly_box, poly_g = _polygons(scene.ground)
        seg_xy, seg_z, seg_box, ends = _segments(scene.barriers)
        kernels.transfer(
            np.ascontiguousarray(points.xyz_m),
            np.ascontiguousarray(points.direction),
            np.ascontiguousarray(points.length_m, dtype=np.float64),
            np.ascontiguousarray(points.ground_g, dtype=np.float64),
            heights,
            np.ascontiguousarray(receivers.xyz_m),
            float(scene.ground_level_m),
            float(scene.ground.default_g),
            poly_xy,
            poly_start,
            poly_box,
            poly_g,
            seg_xy,
            seg_z,
            seg_box,
            ends,
            kernels.band_constants(),
            absorption / 1000.0 * (kernels.LN10 / 10.0),
            opts.min_distance_m,
            out,
        )
        return PathLoss(self.states, out)

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

    def statement(self, options: Options) -> str:
        opts = _checked(options)
        return (
            "Each piece of track is a point source. Along the vertical plane from point to receiver the octave levels "
            "63 Hz to 8 kHz are reduced by spherical spreading (20 lg d + 11 dB), absorption of air at the exact "
            "mid-band frequencies, and either the ground effect with the mean ground factor of the path or, where thin "
            "barriers count, diffraction with the ground effect on both sides; once for homogeneous and once for "
            "favourable (downward-refracting) propagation, combined with the share of time of each. The terrain is a "
            f"plain. A piece is no longer than {opts.piece_ratio:g} of its distance and is split further where the end "
            "of a barrier or the border of two grounds divides it as seen from the receiver; pieces nearer than "
            f"{opts.min_distance_m:g} m in plan are computed at that distance. Reflections are not included."
        )

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        return [*_assumptions(scene), *_ranges_left(scene)]


def _assumptions(scene: Scene) -> list[Note]:
    texts = [
        "The terrain is a plain: cuttings, embankments and slopes do not act on the paths.",
        "Buildings as obstacles and reflections from buildings, walls and trains are left out.",
        "Sound power counts as radiated into full space (11 dB); what the ground below the source adds comes from the "
        "ground factor of the source area. The law does not settle this for railways.",
        "Where the mean ground factor of a path is 0 the ground effect is -3 dB in homogeneous conditions, by the "
        "letter of the law, also beside a ballasted track.",
    ]
    if scene.barriers.barrier.size:
        texts.append(
            "Barriers are thin and stand on the plain. Sound thrown to and fro between barrier and train is left out, "
            "so that the effect of a reflecting barrier may come out too large; no sound is bent round the ends of a "
            "barrier (the law knows that for industrial sources only)."
        )
    return [Note("assumption", text) for text in texts]


def _ranges_left(scene: Scene) -> list[Note]:
    level = scene.ground_level_m
    notes = []
    for track in scene.tracks:
        low, high = np.min(track.xyz_m[:, 2]) - level, np.max(track.xyz_m[:, 2]) - level
        if high > RAISED_TRACK_M:
            text = (
                f"Track {track.id} rises to {high:.1f} m above the plain: the edge and the slope of its embankment are "
                "missing in the paths."
            )
            notes.append(Note("validity", text))
        if low < 0.0:
            text = (
                f"Track {track.id} lies down to {-low:.1f} m below the plain: the edges of its cutting are missing in "
                "the paths, levels come out too high."
            )
            notes.append(Note("validity", text))
    height = scene.receivers.xyz_m[:, 2] - level
    below = [scene.receivers.ids[i] for i in np.flatnonzero(height < LOWEST_RECEIVER_M - 1e-9)]
    if below:
        text = f"Receivers less than {LOWEST_RECEIVER_M:g} m above ground: {', '.join(below)}. Annex I asks for more."
        notes.append(Note("validity", text, Standing.LAW))
    distance = _distance_to_tracks(scene)
    far = [scene.receivers.ids[i] for i in np.flatnonzero(distance > CHECKED_DISTANCE_M)]
    if far:
        text = f"Receivers more than {CHECKED_DISTANCE_M:g} m from every track: {', '.join(far)}. Not checked there."
        notes.append(Note("validity", text))
    return notes


def _checked(options: Options) -> EuPropagationOptions:
    if isinstance(options, EuPropagationOptions):
        return options
    return EuPropagationOptions.model_validate(options.model_dump())


def _boxes(xy: Array) -> Array:
    """Bounding boxes (x low, x high, y low, y high) of point sets (n, k, 2); (n, 4)."""
    low, high = xy.min(axis=1), xy.max(axis=1)
    return np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)


def _polygons(ground: GroundAreas) -> tuple[Array, IntArray, Array, Array]:
    """Corners, first corner of each area, boxes and ground factors."""
    rings = [ground.xy_m[a:b] for a, b in zip(ground.start[:-1], ground.start[1:], strict=True)]
    boxes = np.concatenate([_boxes(ring[np.newaxis]) for ring in rings]) if rings else np.empty((0, 4))
    return (
        np.ascontiguousarray(ground.xy_m, dtype=np.float64).reshape(-1, 2),
        np.ascontiguousarray(ground.start, dtype=np.int64),
        boxes,
        np.ascontiguousarray(ground.g, dtype=np.float64),
    )


def _segments(barriers: BarrierSegments) -> tuple[Array, Array, Array, Array]:
    """Ends, top heights and boxes of all segments, and the free ends of the barriers (k, 2)."""
    xy = np.ascontiguousarray(barriers.xy_m, dtype=np.float64).reshape(-1, 2, 2)
    free = []
    for barrier in np.unique(barriers.barrier):
        corners, uses = np.unique(xy[barriers.barrier == barrier].reshape(-1, 2).round(6), axis=0, return_counts=True)
        free.append(corners[uses == 1])
    ends = np.concatenate(free) if free else np.empty((0, 2))
    return xy, np.ascontiguousarray(barriers.top_z_m, dtype=np.float64).reshape(-1, 2), _boxes(xy), ends


def _distance_to_tracks(scene: Scene) -> Array:
    """Distance in plan of each receiver to the nearest track, (n_receivers,). [m]"""
    nearest = np.full(len(scene.receivers), np.inf)
    p = scene.receivers.xyz_m[:, np.newaxis, :2]
    for track in scene.tracks:
        a, b = track.xyz_m[:-1, :2], track.xyz_m[1:, :2]
        along = np.sum((p - a) * (b - a), axis=-1) / np.sum((b - a) ** 2, axis=-1)
        foot = a + np.clip(along, 0.0, 1.0)[..., np.newaxis] * (b - a)
        nearest = np.minimum(nearest, np.linalg.norm(p - foot, axis=-1).min(axis=1))
    return nearest

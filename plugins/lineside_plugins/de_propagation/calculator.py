"""The propagation calculator: from source points to receivers over terrain and past barriers and buildings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

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
from lineside.scene.cuts import (
    EDGES_TO,
    PROFILE_TO,
    Mirrors,
    VerticalCuts,
    vertical_cuts,
)
from lineside.scene.model import Receivers, Scene, SourcePoints
from lineside.scene.reflected import joined, part_of, reflected_paths
from lineside.scene.reflectors import reflectors_of
from lineside.tables import load_table
from lineside_plugins.de_propagation.notes import notes, statement
from lineside_plugins.de_propagation.options import DePropagationOptions, checked
from lineside_plugins.de_propagation.path import air_absorption_db_per_km
from lineside_plugins.de_propagation.walls import kept_energy, seen, thrown_back

FORMS = ("ballast", "slab", "embedded")
#: Pairs of point and receiver whose paths are held in memory at once: a few kB each.
BLOCK = 16_384
LOUDEST_WATER = 10.0**0.3  # Gl. 16, all of the way over water
ROUND_BOTH_SIDES = 2.0 / 3.0  # what two ways round the sides add at most, as a ratio to the open path

#: How far levels may be off, either way, 9 times in 10. [dB]
DOUBT_DB = 3.0
DOUBT_SOURCE = (
    "the regulation states no uncertainty; 3 dB is what ISO 9613-2:1996, Table 5 (quoted from memory) states for a "
    "method of the same kind up to 1000 m; taken here as holding 9 times in 10 (assumption)"
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
        "separate computations from the wording (terms within 0.02 dB, sums within 0.05 dB). Terrain, buildings, ways "
        "round and reflections: against a scalar computation of our own only. The regulation prints no worked example; "
        "its note that a free line has about L_W'A - 19 dB at 25 m is met within 0.7 dB."
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
        Validity("height of a receiver above ground", "m", 0.0, np.inf, "receivers lie above the ground"),
        Validity("number of reflections", "1", 0.0, 3.0, "No. 6.6 counts no more"),
    )

    def __init__(self) -> None:
        self._tables = [
            load_table("lineside_plugins.de_propagation", name) for name in ("air_absorption", "wall_losses")
        ]

    def data_files(self) -> tuple[DataFile, ...]:
        return tuple(table.data_file for table in self._tables)

    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        """Transfer of every pair of point and receiver at each source height, solid angle of Gl. 9 included.

        Parameters
        ----------
        scene : Scene
            Uses tracks (for low barriers), terrain, ground areas, barriers and buildings; not the air.
        points : SourcePoints
            Rail-head points.
        heights_m : ndarray, (n_heights,)
            Source heights above the rail head. [m]
        receivers : Receivers
        options : DePropagationOptions

        Returns
        -------
        PathLoss
            ``transfer`` (n_receivers, n_points, n_heights, 1, 8): sum of 10^((D_Omega - A)/10) over all ways without
            reflections; ``reflected``: the same of each way with reflections, D_rho included.

        Notes
        -----
        A point stands for its piece of track. Where the end of a barrier, seen from the receiver, divides the piece, or
        the share of water changes by more than 0.1 along it, the transfer is the mean over its parts, each taken at its
        middle.
        """
        from lineside_plugins.de_propagation import kernels

        opts = checked(options)
        what = seen(scene, opts.hard_ground_is_water)
        kept = kept_energy(what, reflectors_of(what.scene), opts.wall_losses)
        mirrors = None
        if opts.reflection_order and kept.any():
            mirrors = Mirrors(opts.reflection_order, opts.reflection_reach**-2.0)
        back = thrown_back(what, points.xyz_m)
        heights = np.array(heights_m, dtype=np.float64)
        absorption = air_absorption_db_per_km() / 1000.0 * (kernels.LN10 / 10.0)
        out = np.empty((len(receivers), len(points), heights.size, 1, N_OCTAVES))
        left_out = np.zeros((len(receivers), len(points)))
        reflected: list[ReflectedPaths] = []
        step = max(1, BLOCK // max(1, len(points)))
        for low in range(0, len(receivers), step):
            some = part_of(receivers, low, low + step)
            cuts = vertical_cuts(
                what.scene, points, some, nearest_m=opts.min_distance_m, roof_g=1.0, mirrors=mirrors,
                side_ways=opts.side_way_ratio > 1.0,
            )  # fmt: skip
            far = reflected_paths(cuts, len(points), heights.size, 1, low)
            kernels.transfer(
                cuts.first, cuts.path, cuts.profile, cuts.ground, cuts.edge, cuts.mirror, _most_local(cuts),
                np.array(points.xyz_m[:, 2]), heights, np.array(some.xyz_m[:, 2]), back,
                np.array(what.scene.barriers.barrier, dtype=np.int64), kept, opts.ground_screens, opts.side_way_ratio,
                kernels.wavelengths_m(), absorption, out[low : low + step], far.transfer,
            )  # fmt: skip
            reflected.append(far)
            left_out[low : low + step] = cuts.left_out.reshape(len(some), len(points))
        if mirrors is None:
            return PathLoss(self.states, out)
        loudest = self._loudest_open(opts) * kernels.SPREADING * kept.max()
        return PathLoss(self.states, out, joined(reflected), left_out * loudest if np.any(left_out) else None)

    def most_transfer(self, scene: Scene, distance_m: Array, options: Options) -> Array:
        """Upper bound of the energy ratio of all paths together, (..., 8).

        Notes
        -----
        Direct paths. With d >= D, the distance in plan: 10^(-A_div/10) <= 1/(4 pi D^2) (Gl. 11), air as over D at least
        (Gl. 12), D_Omega <= 10 lg 2, since h_g and h_r are not negative (Gl. 9), A_gr >= -3 dB or, without water,
        A_gr >= 0 (Gl. 14, 16). The way over top edges is never louder than the open one (Gl. 19 with A_bar >= 0). Ways
        round the sides count only where the straight line is blocked; there z >= 0, hence D_z >= 10 lg 3 (Gl. 21), and
        two of them add no more than 2/3 of the open path. Where a piece of track counts in parts, their middles are
        nearer than its own by no more than half its length, which is ``piece_ratio`` of its distance at most.

        Reflected paths. No unfolded path is shorter than the straight line, none goes round sides, and each wall leaves
        its share of at most ``k``. Image sources follow from the sequence of walls, so that of n walls there are at
        most n (n - 1)^(i - 1) paths with i reflections.
        """
        from lineside_plugins.de_propagation import kernels

        opts = checked(options)
        nearest = np.asarray(distance_m, dtype=np.float64)[..., np.newaxis] * (1.0 - 0.5 * opts.piece_ratio)
        nearest = np.maximum(nearest, opts.min_distance_m)
        absorption = air_absorption_db_per_km() / 1000.0 * (kernels.LN10 / 10.0)
        most = 1.0 + (ROUND_BOTH_SIDES if opts.side_way_ratio > 1.0 else 0.0)
        if opts.reflection_order:
            what = seen(scene, opts.hard_ground_is_water)
            kept = kept_energy(what, reflectors_of(what.scene), opts.wall_losses)
            counted = kept[kept.max(axis=1) > 0.0]
            n, k = len(counted), counted.max(axis=0, initial=0.0)
            most = most + sum(n * max(0, n - 1) ** (i - 1) * k**i for i in range(1, opts.reflection_order + 1))
        open_path = self._loudest_open(opts) * kernels.SPREADING / nearest**2 * np.exp(-absorption * nearest)
        return np.asarray(most * open_path)

    def _loudest_open(self, options: DePropagationOptions) -> float:
        """Largest 10^((D_Omega - A_gr)/10)."""
        return 2.0 * (LOUDEST_WATER if options.hard_ground_is_water else 1.0)

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

    def doubt(self, distance_m: Array, height_m: Array, options: Options) -> PathDoubt | None:
        return PathDoubt(np.full(np.shape(distance_m), DOUBT_DB), Standing.ASSUMPTION, DOUBT_SOURCE)

    def statement(self, options: Options) -> str:
        return statement(checked(options))

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        return notes(scene, checked(options))


def _most_local(cuts: VerticalCuts) -> int:
    """Largest number of edges and profile rows of one path."""
    return int((np.diff(cuts.path[:, EDGES_TO], prepend=0.0) + np.diff(cuts.path[:, PROFILE_TO], prepend=0.0)).max())

"""The propagation calculator: from source points to receivers over terrain and past barriers and buildings."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, Array
from lineside.contracts import (
    Citation,
    Note,
    Options,
    PathDoubt,
    PathLoss,
    PropagationCalculator,
    ReflectedPaths,
    Validity,
    Verification,
)
from lineside.errors import OutOfRangeError
from lineside.scene.cuts import (
    EDGES_TO,
    GROUND_TO,
    PROFILE_TO,
    Mirrors,
    Splitting,
    vertical_cuts,
)
from lineside.scene.model import Receivers, Reflectors, Scene, SourcePoints
from lineside.scene.reflected import joined, part_of, reflected_paths
from lineside.scene.reflectors import reflectors_of
from lineside_plugins.iso9613_propagation.accuracy import accuracy
from lineside_plugins.iso9613_propagation.air import RANGES, absorption_db_per_km
from lineside_plugins.iso9613_propagation.given import kept_energy
from lineside_plugins.iso9613_propagation.notes import FARTHEST_M, HIGHEST_M, notes_on, statement_of
from lineside_plugins.iso9613_propagation.options import Iso9613Options, checked

#: Pairs of point and receiver whose paths are held in memory at once, a few kB each.
BLOCK = 16_384
ROOF_G = 0.0  # roofs are hard
ABSORBING_RHO, HARD_RHO = 0.4, 1.0  # barriers whose absorption is not known; 0.4 is an assumption
#: Source and receiver region each see a piece of the ground only, which changes faster along the track than the whole.
SPLITTING = Splitting(g_step=0.05, most_steps=20)
#: Surfaces of 7.3.1, as far as the table of another bundled calculator does not name them already.
SURFACES = {
    "paving": (0.0, "hard ground: paving"),
    "ice": (0.0, "hard ground: ice"),
    "tamped_ground": (0.0, "hard ground: tamped ground, as around industrial sites"),
    "trees": (1.0, "porous ground: ground with trees"),
    "farming_land": (1.0, "porous ground: farming land"),
}


class Iso9613(PropagationCalculator):
    """ISO 9613-2:1996 octave by octave: divergence, air, ground, barriers, under downwind conditions."""

    name = "iso9613"
    title = "Propagation by ISO 9613-2:1996"
    version = "1.0"
    states = ("downwind",)
    options_model = Iso9613Options
    verification = Verification.PUBLISHED
    verification_note = (
        "Cases T01 to T05 of ISO/TR 17534-3:2015 (ground by both methods, no barriers): all octaves and totals within "
        "0.05 dB. Barriers, buildings, ground in the ray and reflections: agree within 0.02 dB with separate "
        "scalar computations, which are not published. "
        "Absorption of air against the table of ISO 9613-2."
    )
    sources = (
        Citation(
            "ISO-9613-2",
            "Acoustics - Attenuation of sound during propagation outdoors - Part 2: General method of calculation",
            "ISO",
            1996,
            "clauses 6 to 8",
        ),
        Citation(
            "ISO-9613-1",
            "Acoustics - Attenuation of sound during propagation outdoors - Part 1: Calculation of the absorption of "
            "sound by the atmosphere",
            "ISO",
            1993,
            "clause 6",
        ),
        Citation(
            "ISO-TR-17534-3",
            "Acoustics - Software for the calculation of sound outdoors - Part 3: Recommendations for quality assured "
            "implementation of ISO 9613-2 in software according to ISO 17534-1",
            "ISO",
            2015,
            "test cases T01 to T05",
        ),
    )
    validity = (
        *(Validity(*limits, "range in which air absorption is computed") for limits in RANGES),
        Validity("distance of a receiver from a track", "m", 0.0, FARTHEST_M, "Table 5 states accuracy up to there"),
        Validity("mean height of source and receiver", "m", 0.0, HIGHEST_M, "Table 5 states accuracy up to there"),
    )

    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        """Transfer of every pair of point and receiver at each source height.

        Parameters
        ----------
        scene : Scene
            Uses terrain, ground areas, barriers, buildings and air.
        points : SourcePoints
            Rail-head points with the ground factor of the track form.
        heights_m : ndarray, (n_heights,)
            Source heights above the rail head. [m]
        receivers : Receivers
        options : Iso9613Options

        Returns
        -------
        PathLoss
            ``transfer`` (n_receivers, n_points, n_heights, 1, 8) of all paths without reflections; ``reflected``: each
            path with reflections, loss at the walls included.

        Notes
        -----
        A point stands for its piece of track. Where the free end of a barrier, seen from the receiver, divides the
        piece, or the mean ground factor changes by more than 0.05 along it, the transfer is the mean over its parts.

        Raises
        ------
        OutOfRangeError
            If the air lies outside the range of ISO 9613-1.
        """
        from lineside_plugins.iso9613_propagation import kernels

        opts = checked(options)
        rules = kernels.Rules(
            opts.ground_method == "alternative",
            opts.ground_gain_behind_barriers,
            float(opts.c2),
            opts.c0_db,
            opts.side_edges != "none",
            opts.side_edges == "capped",
        )
        kept = rho_of(scene, reflectors_of(scene))
        mirrors = None
        if opts.reflection_order and kept.any():
            mirrors = Mirrors(opts.reflection_order, opts.reflection_reach**-2.0)
        absorption = _absorption(scene)
        out = np.empty((len(receivers), len(points), len(heights_m), 1, N_OCTAVES))
        left_out = np.zeros((len(receivers), len(points)))
        reflected: list[ReflectedPaths] = []
        step = max(1, BLOCK // max(1, len(points)))
        for low in range(0, len(receivers), step):
            some = part_of(receivers, low, low + step)
            cuts = vertical_cuts(
                scene,
                points,
                some,
                nearest_m=opts.min_distance_m,
                roof_g=ROOF_G,
                splitting=SPLITTING,
                mirrors=mirrors,
                side_ways=opts.side_edges != "none",
            )
            far = reflected_paths(cuts, len(points), len(heights_m), 1, low)
            kernels.transfer(
                kernels.WAVELENGTH_M,
                absorption,
                rules,
                cuts.first,
                cuts.path,
                cuts.profile,
                cuts.ground,
                cuts.edge,
                cuts.mirror,
                _most(cuts.path[:, GROUND_TO]),
                _most(cuts.path[:, EDGES_TO]) + _most(cuts.path[:, PROFILE_TO]),
                np.array(points.xyz_m[:, 2]),
                np.array(points.ground_g, dtype=np.float64),
                np.array(heights_m, dtype=np.float64),
                np.array(some.xyz_m[:, 2]),
                opts.track_bed_m,
                kept,
                out[low : low + step],
                far.transfer,
            )
            reflected.append(far)
            left_out[low : low + step] = cuts.left_out.reshape(len(some), len(points))
        if mirrors is None:
            return PathLoss(self.states, out)
        loudest = _loudest_open(opts) * kept.max()
        return PathLoss(self.states, out, joined(reflected), left_out * loudest if np.any(left_out) else None)

    def most_transfer(self, scene: Scene, distance_m: Array, options: Options) -> Array:
        """Upper bound of the energy ratio of all paths together, (..., 8).

        Notes
        -----
        Direct paths. With d >= D, the distance in plan: A_div >= 20 lg D + 11 dB (7), air as over D at least (8). In
        Table 3 all that is added to -1.5, -1.5 and -3q dB is not negative and q is below 1, hence A_gr >= -6 dB; by the
        alternative method A_gr >= 0 (10) and D_Omega <= 10 lg 2 (11). All ways over and round obstacles together never
        carry more than the open path (a rule of this calculator), and C_met >= 0. Where a piece of track counts in
        parts, their middles are nearer than its own by no more than half its length, which is ``piece_ratio`` of its
        distance at most.

        Reflected paths. No unfolded path is shorter than the straight line, and each wall leaves its share of at most
        ``k``. Image sources follow from the sequence of walls, so that of n walls there are at most n (n - 1)^(i - 1)
        paths with i reflections.

        Raises
        ------
        OutOfRangeError
            If the air lies outside the range of ISO 9613-1.
        """
        opts = checked(options)
        nearest = np.asarray(distance_m, dtype=np.float64)[..., np.newaxis] * (1.0 - 0.5 * opts.piece_ratio)
        nearest = np.maximum(nearest, opts.min_distance_m)
        most: Array | float = 1.0
        if opts.reflection_order:
            kept = rho_of(scene, reflectors_of(scene))
            counted = kept[kept.max(axis=1) > 0.0]
            n, k = len(counted), counted.max(axis=0, initial=0.0)
            most = most + sum(n * max(0, n - 1) ** (i - 1) * k**i for i in range(1, opts.reflection_order + 1))
        return np.asarray(most * _loudest_open(opts) / nearest**2 * np.exp(-_absorption(scene) * nearest))

    def state_share(self, favourable: Array) -> Array:
        """1: the standard knows downwind conditions only."""
        return np.ones((*np.shape(favourable), 1))

    def source_ground_g(self, form: str) -> float:
        """1 for ballast, 0 for slab and embedded track (an assumption: 7.3.1 names neither)."""
        factors = {"ballast": 1.0, "slab": 0.0, "embedded": 0.0}
        if form not in factors:
            raise OutOfRangeError(f"track form {form!r}: the ground factor is known for {', '.join(factors)}")
        return factors[form]

    def surfaces(self) -> Mapping[str, tuple[float, str]]:
        """Ground of 7.3.1: hard 0, porous 1."""
        return SURFACES

    def max_piece_ratio(self, options: Options) -> float:
        return checked(options).piece_ratio

    def doubt(self, distance_m: Array, height_m: Array, options: Options) -> PathDoubt | None:
        return accuracy(distance_m, height_m)

    def statement(self, options: Options) -> str:
        return statement_of(checked(options))

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        return notes_on(scene, checked(options))


def rho_of(scene: Scene, reflectors: Reflectors) -> Array:
    """Reflection coefficient of each reflector and octave, (n_reflectors, 8); 0 where it is not above 0.2 (7.5).

    What a wall does not absorb; for barriers of unknown absorption by whether they reflect; faces of earthworks
    do.
    """
    rho = 1.0 - np.asarray(reflectors.absorption, dtype=np.float64).reshape(-1, N_OCTAVES)
    unknown = np.isnan(rho).any(axis=1)
    hard = np.empty(0, dtype=np.int64)
    if scene.barriers.reflecting is not None:
        hard = scene.barriers.barrier[np.asarray(scene.barriers.reflecting, dtype=np.bool_)]
    reflects = np.isin(reflectors.barrier[unknown], [-1, *hard])
    rho[unknown] = np.where(reflects, HARD_RHO, ABSORBING_RHO)[:, np.newaxis]
    return kept_energy(rho)


def _absorption(scene: Scene) -> Array:
    """Absorption of air as energy exponent per metre, (8,)."""
    air = scene.air
    return absorption_db_per_km(air.temperature_deg_c, air.humidity_pct, air.pressure_kpa) / 1e4 * np.log(10.0)


def _loudest_open(options: Iso9613Options) -> float:
    """Largest d^2 10^((D_Omega - A)/10) of a path, air apart."""
    from lineside_plugins.iso9613_propagation import kernels

    return float(kernels.SPREADING * (2.0 if options.ground_method == "alternative" else kernels.MOST_GAIN))


def _most(up_to: Array) -> int:
    """Largest number of rows that belong to one path, from the running total."""
    return int(np.diff(up_to, prepend=0.0).max(initial=0.0))

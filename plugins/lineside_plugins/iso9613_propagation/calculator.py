"""The propagation calculator: from source points to receivers over a plain with thin barriers."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, Array
from lineside.contracts import (
    Citation,
    Note,
    Options,
    PathLoss,
    PropagationCalculator,
    Validity,
    Verification,
)
from lineside.errors import OutOfRangeError
from lineside.scene.model import Receivers, Scene, SourcePoints
from lineside.scene.paths import EDGES_TO, GROUND_TO, Splitting, plan_paths
from lineside_plugins.iso9613_propagation.air import RANGES, absorption_db_per_km
from lineside_plugins.iso9613_propagation.notes import FARTHEST_M, HIGHEST_M, notes_on, statement_of
from lineside_plugins.iso9613_propagation.options import Iso9613Options

#: Pairs of point and receiver whose paths are held in memory at once.
BLOCK = 100_000
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
        "0.05 dB. Barriers: agree within 0.02 dB with a separate scalar computation, which is not published. "
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
            Uses ground level, ground areas, barriers and air.
        points : SourcePoints
            Rail-head points with the ground factor of the track form.
        heights_m : ndarray, (n_heights,)
            Source heights above the rail head. [m]
        receivers : Receivers
        options : Iso9613Options

        Returns
        -------
        PathLoss
            ``transfer`` (n_receivers, n_points, n_heights, 1, 8).

        Notes
        -----
        A point stands for its piece of track. Where the free end of a barrier, seen from the receiver, divides the
        piece, or the mean ground factor changes by more than 0.1 along it, the transfer is the mean over its parts.

        Raises
        ------
        OutOfRangeError
            If the air lies outside the range of ISO 9613-1.
        """
        from lineside_plugins.iso9613_propagation import kernels

        opts = _checked(options)
        air = scene.air
        absorption = absorption_db_per_km(air.temperature_deg_c, air.humidity_pct, air.pressure_kpa)
        rules = kernels.Rules(
            opts.ground_method == "alternative",
            opts.ground_gain_behind_barriers,
            float(opts.c2),
            opts.c0_db,
            opts.side_edges != "none",
            opts.side_edges == "capped",
        )
        out = np.empty((len(receivers), len(points), len(heights_m), 1, N_OCTAVES))
        step = max(1, BLOCK // max(1, len(points)))
        for low in range(0, len(receivers), step):
            some = Receivers(receivers.ids[low : low + step], receivers.xyz_m[low : low + step])
            paths = plan_paths(
                points, some, scene.ground, scene.barriers, scene.ground_level_m, opts.min_distance_m, SPLITTING
            )
            kernels.transfer(
                kernels.WAVELENGTH_M,
                absorption / 1000.0 * (kernels.LN10 / 10.0),
                rules,
                paths.first,
                paths.path,
                paths.ground,
                paths.edge,
                _most(paths.path[:, GROUND_TO]),
                _most(paths.path[:, EDGES_TO]),
                np.array(points.xyz_m[:, 2]),
                np.array(points.ground_g, dtype=np.float64),
                np.array(heights_m, dtype=np.float64),
                np.array(some.xyz_m[:, 2]),
                float(scene.ground_level_m),
                opts.track_bed_m,
                out[low : low + step],
            )
        return PathLoss(self.states, out)

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
        return _checked(options).piece_ratio

    def statement(self, options: Options) -> str:
        return statement_of(_checked(options))

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        return notes_on(scene, _checked(options))


def _checked(options: Options) -> Iso9613Options:
    if isinstance(options, Iso9613Options):
        return options
    return Iso9613Options.model_validate(options.model_dump())


def _most(up_to: Array) -> int:
    """Largest number of rows that belong to one path, from the running total."""
    return int(np.diff(up_to, prepend=0.0).max(initial=0.0))

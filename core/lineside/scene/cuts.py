"""Vertical cuts along sound paths: what lies under, across and behind the way to a receiver. Geometry only."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray, Receivers, Scene, SourcePoints

if TYPE_CHECKING:
    from lineside.scene.cut_kernels import Site

#: Columns of :class:`VerticalCuts`.
SHARE, LENGTH, TRACK_SINE, PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO, WAYS = range(8)
TO_CORNER = WAYS + 4
TRACK_COSINE = TO_CORNER + 2
N_PATH = TRACK_COSINE + 1
PLACE, TOP_Z, WIDTH, SINE, COSINE, KIND, OWNER = range(7)
MIRROR_PLACE, MIRROR_TOP_Z, MIRROR_BASE_Z, INCIDENCE_COSINE, MIRROR_WIDTH, REFLECTOR = range(6)
#: Values of KIND.
BARRIER, BUILDING = 0, 1


@dataclass(frozen=True)
class Splitting:
    """When a piece of track counts in several parts.

    It is cut where the free end of a barrier divides it as seen from the receiver, and evenly into parts along which
    the mean ground factor, buildings disregarded, changes by no more than ``g_step``, at most ``most_steps``, unless it
    is shorter than ``ratio`` of its distance.
    """

    g_step: float = 0.1
    most_steps: int = 10
    ratio: float = 0.05


@dataclass(frozen=True)
class Mirrors:
    """Which reflected paths are looked for.

    Up to ``order`` reflections; of a path with reflections of plan length L, beside a direct one of plan length D,
    those with D^2 / L^2 below ``least`` are left out, and what they could carry is summed up in ``left_out``.
    """

    order: int = 1
    least: float = 0.0


@dataclass(frozen=True, eq=False)
class VerticalCuts:
    """Paths of all pairs, receiver by receiver and point by point, each unfolded into one vertical plane.

    Pair ``k = r * n_points + p`` has the paths ``first[k]`` to ``first[k + 1] - 1``: one direct path for each part of
    the piece of track, then the reflected paths of its parts. Distances count in plan from the source along the
    unfolded path, heights are absolute; all lengths in m.

    ``path`` (n_paths, 14): SHARE of the piece; LENGTH, at least the nearest distance asked for; TRACK_SINE of the angle
    between track and path where it leaves the track; number of rows of ``profile``, ``ground``, ``edge`` and ``mirror``
    up to the end of this path (PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO); from WAYS on the detour round all
    barriers and buildings crossed to the left and the distance between its first and last corner, then the same to
    the right; from TO_CORNER on the distance from the source to the first corner to the left and to the right. ``inf``
    where nothing is crossed or the path is a reflected one. TRACK_COSINE (-1 to 1) goes with TRACK_SINE: track and edge
    are parallel where TRACK_SINE and TRACK_COSINE are SINE and COSINE of an edge before the first wall.

    ``profile`` (n_profile, 2): distance and height of the ground, rising distance from 0 to LENGTH, two rows at one
    distance at a vertical face; buildings and barriers are not in it.

    ``ground`` (n_ground, 2): distance at which a piece of ground ends, its ground factor G. Under a building it is what
    the caller asks for.

    ``edge`` (n_edges, 7), by rising distance: PLACE, distance; TOP_Z; WIDTH of the obstacle across the path; SINE (0 to
    1) and COSINE (-1 to 1) of the angle in plan between path and edge; KIND, BARRIER or BUILDING; OWNER, row of
    ``BarrierSegments`` or ``Buildings``. A building gives two edges, where the path enters and leaves it; one if the
    path begins or ends inside it. Edges that do not rise above the ground are left out; tops are not compared with
    the line of sight.

    ``mirror`` (n_mirrors, 6), by rising distance, of reflected paths: MIRROR_PLACE, distance; MIRROR_TOP_Z and
    MIRROR_BASE_Z of the wall there; INCIDENCE_COSINE of the angle in plan to the wall's normal; MIRROR_WIDTH, length of
    the wall; REFLECTOR, row of ``Reflectors``.

    ``left_out`` (n_pairs,): sum of SHARE / L^2 of the reflected paths left out. [1/m2]
    """

    first: IntArray
    path: Array
    profile: Array
    ground: Array
    edge: Array
    mirror: Array
    left_out: Array


def vertical_cuts(
    scene: Scene,
    points: SourcePoints,
    receivers: Receivers,
    *,
    nearest_m: float,
    roof_g: float,
    splitting: Splitting | None = None,
    mirrors: Mirrors | None = None,
    side_ways: bool = True,
) -> VerticalCuts:
    """Cut through ground, barriers and buildings along the paths of all pairs of point and receiver.

    Parameters
    ----------
    scene : Scene
        Its terrain, ground areas, barriers and buildings; what is made of them is kept for the next call.
    points, receivers
        Where paths start and end.
    nearest_m : float
        Shorter paths are stretched to this length. [m]
    roof_g : float
        Ground factor under buildings.
    splitting : Splitting, optional
    mirrors : Mirrors, optional
        None: direct paths only.
    side_ways : bool
        Whether ways round obstacles are looked for; without, the columns from WAYS up to the one
        before TRACK_COSINE are all ``inf``.

    Returns
    -------
    VerticalCuts
        With a raster of 5 m, 2 kB for each path of 600 m: few receivers at a time for many points.

    Notes
    -----
    Between earthworks the profile has the heights of the raster (beyond its rim those at the rim) at equal steps no
    longer than the raster's; on them the places where the path crosses their lines, and others between them where these
    are more than 10 m apart. A deck (``Terrain.over``) counts
    on paths of which one end stands on it: within its outline and not nearer to the ground below; there it lies above
    all other earthworks. On ground areas lie strips of earthworks that have a ground factor, on those buildings.

    Barriers of which two ends touch are one obstacle, as are buildings that touch each other or a barrier; WIDTH is
    that of the whole obstacle. A way round goes by the corners of the obstacles that the straight path crosses;
    whether it meets others is not looked at. Behind an odd number of mirrors left and right are exchanged: there the
    sign of COSINE is that of the unfolded path.

    A wall does not reflect if it has no height, or if a building as high as its own stands against it. Whether a
    mirror is high enough is not looked at. A wall and its building are no obstacle where a path meets the wall.
    """
    from lineside.scene.cut_index import sites_of

    ck = _kernels()

    split = splitting or Splitting()
    rule = np.empty(ck.N_RULES)
    rule[ck.NEAREST], rule[ck.G_STEP], rule[ck.MOST_STEPS] = nearest_m, split.g_step, split.most_steps
    rule[ck.ORDER], rule[ck.LEAST] = (mirrors.order, mirrors.least) if mirrors else (0, 0.0)
    xyz, direction, piece, to = (
        np.array(a, dtype=np.float64) for a in (points.xyz_m, points.direction, points.length_m, receivers.xyz_m)
    )
    wall = np.array(np.full(len(to), -1) if receivers.wall is None else receivers.wall, dtype=np.int64)
    site, soil = sites_of(scene)
    n_pairs = len(to) * len(xyz)
    first, left_out = np.zeros(n_pairs + 1, dtype=np.int64), np.zeros(n_pairs)
    none = np.empty((0, 7)), np.empty((0, 6))
    if n_pairs == 0 or (len(site.seg) == 0 and site.frame[ck.RASTER] == 0.0):
        path, profile, ground = np.empty((n_pairs, N_PATH)), np.empty((2 * n_pairs, 2)), np.empty((n_pairs, 2))
        level, g = site.frame[ck.LEVEL], site.ring_g[-1]
        ck.flat_walk(xyz, direction, to, level, g, nearest_m, first, path, profile, ground)
        return VerticalCuts(first, path, profile, ground, *none, left_out)
    steps = np.ones(n_pairs, dtype=np.int64)
    if len(soil.ring) > len(soil.over):  # ground of several kinds
        way = _Way(soil, roof_g, xyz, to)
        leg, tie, pairs = ck.end_legs(xyz, direction, piece, to, split.ratio)
        path = np.empty((len(leg), N_PATH))
        ck.parts_by_ground(way.ground(leg, tie, *way.crossed(leg, tie), path), path, pairs, rule, steps)
    way = _Way(site, roof_g, xyz, to)
    path, leg, tie, mirror = ck.plan(
        rule, xyz, direction, piece, to, wall, steps, site.free, site.wall, site.wall_seg, first, left_out
    )
    met = way.crossed(leg, tie)
    ground = way.ground(leg, tie, *met, path)
    profile = way.profile(leg, tie, *met, path)
    tables = (site.seg, site.tag, site.group, site.corner)
    edge = ck.put_edges(leg, tie, *met[:3], side_ways, *way.on, *tables, profile, path)
    return VerticalCuts(
        first, path, profile.reshape(-1, 2), ground.reshape(-1, 2), edge.reshape(-1, 7), mirror, left_out
    )


def _kernels() -> Any:
    """The compiled functions, imported when something is computed."""
    from lineside.scene import cut_kernels

    return cut_kernels


class _Way:
    """Legs between some points and receivers, and what they meet."""

    def __init__(self, site: Site, roof_g: float, xyz: Array, to: Array) -> None:
        ck = _kernels()
        self.site, self.roof_g = site, float(roof_g)
        tables = (site.frame, site.seg, site.tag, site.ring, site.cell, site.cell_seg, site.cell_ring)
        rims = ck.all_rims_at(xyz, *tables[:-1])
        self.rings = (*ck.all_rings_at(xyz, *tables), *ck.all_rings_at(to, *tables), *rims)
        self.strips = (site.cell, site.cell_strip, site.strip, site.strip_work)
        decks = (site.frame, site.ring, site.over, site.raster, *self.strips)
        self.on = (
            ck.decks_under(xyz, *self.rings[:2], *decks),
            ck.decks_under(to, *self.rings[2:4], *decks),
        )

    def crossed(self, leg: Array, tie: IntArray) -> tuple[IntArray, Array, IntArray, IntArray, IntArray]:
        """Lines that legs cross: first of each leg, places, lines; rings at their start: first of each leg, rings."""
        ck, s = _kernels(), self.site
        met = ck.cross(leg, tie, s.frame, s.seg, s.tag, s.cell, s.cell_seg, s.cell_xy, s.wall_seg, s.wall_ring)
        held = ck.held_at_start(
            leg, tie, met[0], met[2], *self.rings, s.frame, s.seg, s.tag, s.ring, s.cell, s.cell_seg, s.cell_ring,
            s.wall_ring,
        )  # fmt: skip
        return (*met, *held)

    def ground(
        self, leg: Array, tie: IntArray, crossed: IntArray, place: Array, line: IntArray, start: IntArray,
        held: IntArray, path: Array,
    ) -> Array:  # fmt: skip
        ck, s = _kernels(), self.site
        tables = (s.tag, s.ring, s.ring_g, s.over)
        return np.asarray(
            ck.lay_ground(leg, tie, crossed, place, line, start, held, *self.on, self.roof_g, *tables, path)
        )

    def profile(
        self, leg: Array, tie: IntArray, crossed: IntArray, place: Array, line: IntArray, start: IntArray,
        held: IntArray, path: Array,
    ) -> Array:  # fmt: skip
        ck, s = _kernels(), self.site
        tables = (s.frame, s.seg, s.tag, s.ring, s.over, s.raster, *self.strips)
        return np.asarray(ck.lay_profile(leg, tie, crossed, place, line, start, held, *self.on, *tables, path))

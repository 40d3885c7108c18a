"""Vertical cuts along sound paths: what lies under, across and behind the way to a receiver. Geometry only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray, Receivers, Scene, SourcePoints

#: Columns of :class:`VerticalCuts`.
SHARE, LENGTH, TRACK_SINE, PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO, WAYS = range(8)
TO_CORNER = WAYS + 4
PLACE, TOP_Z, WIDTH, SINE, COSINE, KIND, OWNER = range(7)
MIRROR_PLACE, MIRROR_TOP_Z, MIRROR_BASE_Z, INCIDENCE_COSINE, MIRROR_WIDTH, REFLECTOR = range(6)
#: Values of KIND.
BARRIER, BUILDING = 0, 1


@dataclass(frozen=True)
class Splitting:
    """When a piece of track counts in several parts.

    It is cut where the free end of a barrier divides it as seen from the receiver, and evenly into parts along which
    the mean ground factor changes by no more than ``g_step``, at most ``most_steps``, unless it is shorter than
    ``ratio`` of its distance.
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

    ``path`` (n_paths, 13): SHARE of the piece; LENGTH, at least the nearest distance asked for; TRACK_SINE of the angle
    between track and path where it leaves the track; number of rows of ``profile``, ``ground``, ``edge`` and ``mirror``
    up to the end of this path (PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO); from WAYS on the detour round all
    barriers and buildings crossed to the left and the distance between its first and last corner, then the same to
    the right; from TO_CORNER on the distance from the source to the first corner to the left and to the right. ``inf``
    where nothing is crossed or the path is a reflected one.

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
        Whether ways round obstacles are looked for; without, the columns from WAYS on are all ``inf``.

    Returns
    -------
    VerticalCuts
        With a raster of 5 m, 2 kB for each path of 600 m: few receivers at a time for many points.

    Notes
    -----
    Between earthworks the profile has the heights of the raster (beyond its rim those at the rim) at equal steps no
    longer than the raster's, on them the places where the path crosses their lines. A deck (``Terrain.over``) counts
    on paths of which one end stands on it: within its outline and not nearer to the ground below; there it lies above
    all other earthworks. On ground areas lie
    strips of earthworks that have a ground factor, on those buildings.

    Barriers of which two ends touch are one obstacle, as are buildings that touch each other or a barrier; WIDTH is
    that of the whole obstacle. A way round goes by the corners of the obstacles that the straight path crosses;
    whether it meets others is not looked at. Behind an odd number of mirrors left and right are exchanged: there the
    sign of COSINE is that of the unfolded path.

    A wall does not reflect if it has no height, or if a building as high as its own stands against it. Whether a
    mirror is high enough is not looked at. A wall and its building are no obstacle where a path meets the wall.
    """
    from lineside.scene import cut_index, cut_kernels

    split = splitting or Splitting()
    rule = np.empty(cut_kernels.N_RULES)
    rule[cut_kernels.ROOF_G], rule[cut_kernels.NEAREST] = roof_g, nearest_m
    rule[cut_kernels.G_STEP], rule[cut_kernels.MOST_STEPS] = split.g_step, split.most_steps
    rule[cut_kernels.RATIO], rule[cut_kernels.SIDE_WAYS] = split.ratio, side_ways
    rule[cut_kernels.ORDER] = mirrors.order if mirrors else 0
    rule[cut_kernels.LEAST] = mirrors.least if mirrors else 0.0
    n_pairs = len(receivers) * len(points)
    first, left_out = np.zeros(n_pairs + 1, dtype=np.int64), np.zeros(n_pairs)
    free = np.full(len(receivers), -1)
    path, mirror, profile, ground, edge = cut_kernels.walk(
        cut_index.site_of(scene),
        rule,
        np.array(points.xyz_m, dtype=np.float64),
        np.array(points.direction, dtype=np.float64),
        np.array(points.length_m, dtype=np.float64),
        np.array(receivers.xyz_m, dtype=np.float64),
        np.array(free if receivers.wall is None else receivers.wall, dtype=np.int64),
        first,
        left_out,
    )
    return VerticalCuts(
        first=first,
        path=path,
        profile=profile.reshape(-1, 2),
        ground=ground.reshape(-1, 2),
        edge=edge.reshape(-1, 7),
        mirror=mirror,
        left_out=left_out,
    )

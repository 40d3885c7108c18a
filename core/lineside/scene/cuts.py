"""Vertical cuts along sound paths: what lies under, across and behind the way to a receiver. Geometry only."""

from __future__ import annotations

from dataclasses import dataclass

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray

#: Columns of :class:`VerticalCuts`.
SHARE, LENGTH, TRACK_SINE, PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO, WAYS = range(8)
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

    ``path`` (n_paths, 11): SHARE of the piece; LENGTH, at least the nearest distance asked for; TRACK_SINE of the angle
    between track and path where it leaves the track; number of rows of ``profile``, ``ground``, ``edge`` and ``mirror``
    up to the end of this path (PROFILE_TO, GROUND_TO, EDGES_TO, MIRRORS_TO); from WAYS on the detour round all
    barriers and buildings crossed to the left and the distance between its first and last corner, then the same to
    the right, ``inf`` where nothing is crossed or the path is a reflected one.

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

"""Straight paths in plan from pieces of track to receivers: ground, walls and ways round them. Geometry only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import BarrierSegments, GroundAreas, IntArray, Receivers, SourcePoints

#: Columns of :class:`PlanPaths`.
SHARE, LENGTH, TRACK_SINE, GROUND_TO, EDGES_TO, WAYS = range(6)
PLACE, TOP_Z, WIDTH, SINE, COSINE = range(5)
JOINED_M = 0.01  # ends of barriers nearer to each other than this are one corner


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


@dataclass(frozen=True, eq=False)
class PlanPaths:
    """Paths of all pairs, receiver by receiver and point by point.

    Pair ``k = r * n_points + p`` has the paths ``first[k]`` to ``first[k + 1] - 1``, one for each part of the piece.

    ``path`` (n_paths, 9): SHARE of the piece; LENGTH, at least the nearest distance asked for [m]; TRACK_SINE of the
    angle between track and path; number of ground pieces (GROUND_TO) and of edges (EDGES_TO) up to the end of this
    path; from WAYS on the detour to the left and the distance between its first and last corner, then the same to the
    right, ``inf`` where no wall is crossed [m].

    ``ground`` (n_ground, 2): distance at which a piece of ground ends [m], its ground factor G.

    ``edge`` (n_edges, 5), by rising distance: PLACE, distance from the source [m]; TOP_Z, absolute height [m]; WIDTH of
    the wall across the path [m]; SINE (0 to 1) and COSINE (-1 to 1) of the angle in plan between path and edge.
    """

    first: IntArray
    path: Array
    ground: Array
    edge: Array


def plan_paths(
    points: SourcePoints,
    receivers: Receivers,
    ground: GroundAreas,
    barriers: BarrierSegments,
    floor_z_m: float,
    nearest_m: float,
    splitting: Splitting | None = None,
) -> PlanPaths:
    """Follow the line from every part of every piece of track to every receiver.

    Parameters
    ----------
    points, receivers, ground, barriers
        As in the scene.
    floor_z_m : float
        Barriers that do not rise above this are no obstacles. [m]
    nearest_m : float
        Shorter paths are stretched to this length. [m]
    splitting : Splitting, optional

    Returns
    -------
    PlanPaths

    Notes
    -----
    Barriers that touch at an end are one wall. A way round a wall goes by the corners of the walls that the straight
    path crosses; whether it meets other walls is not looked at.
    """
    from lineside.scene import path_kernels

    split = splitting or Splitting()
    rings = [ground.xy_m[a:b] for a, b in zip(ground.start[:-1], ground.start[1:], strict=True)]
    order, wall, wall_start = _walls(barriers)
    seg_xy = _own(barriers.xy_m[order]).reshape(-1, 2, 2)
    first = np.empty(len(receivers) * len(points) + 1, dtype=np.int64)
    path, pieces, edge = path_kernels.walk(
        _own(points.xyz_m),
        _own(points.direction),
        _own(points.length_m),
        _own(receivers.xyz_m),
        float(floor_z_m),
        float(ground.default_g),
        _own(ground.xy_m).reshape(-1, 2),
        np.array(ground.start, dtype=np.int64),
        np.concatenate([_boxes(ring[np.newaxis]) for ring in rings]) if rings else np.empty((0, 4)),
        _own(ground.g),
        seg_xy,
        _own(barriers.top_z_m[order]).reshape(-1, 2),
        _boxes(seg_xy),
        wall,
        wall_start,
        _free_ends(barriers),
        split.g_step,
        split.most_steps,
        split.ratio,
        float(nearest_m),
        first,
    )
    return PlanPaths(first, path.reshape(-1, 9), pieces.reshape(-1, 2), edge.reshape(-1, 5))


def _own(a: Array) -> Array:
    """A writable copy: compiled code would be made a second time for arrays that are read-only."""
    return np.array(a, dtype=np.float64)


def _boxes(xy: Array) -> Array:
    """Bounding boxes (x low, x high, y low, y high) of point sets (n, k, 2); (n, 4)."""
    low, high = xy.min(axis=1), xy.max(axis=1)
    return np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1)


def _walls(barriers: BarrierSegments) -> tuple[IntArray, IntArray, IntArray]:
    """Order that puts the segments of each wall together, wall of each ordered segment, first segment of each wall."""
    number = {int(b): k for k, b in enumerate(np.unique(barriers.barrier))}
    joined = np.arange(len(number))
    corner: dict[tuple[int, int], int] = {}
    for segment, barrier in enumerate(barriers.barrier):
        own = number[int(barrier)]
        for x, y in barriers.xy_m[segment]:
            other = corner.setdefault((round(x / JOINED_M), round(y / JOINED_M)), own)
            if joined[other] != joined[own]:
                joined[joined == joined[own]] = joined[other]
    wall = np.unique(joined, return_inverse=True)[1][[number[int(b)] for b in barriers.barrier]].astype(np.int64)
    order = np.argsort(wall, kind="stable")
    n_walls = int(wall.max(initial=-1)) + 1
    return order, wall[order], np.searchsorted(wall[order], np.arange(n_walls + 1)).astype(np.int64)


def _free_ends(barriers: BarrierSegments) -> Array:
    """Ends of barriers at which no other segment of the same barrier goes on, (k, 2)."""
    free = [np.empty((0, 2))]
    for barrier in np.unique(barriers.barrier):
        ends = barriers.xy_m[barriers.barrier == barrier].reshape(-1, 2).round(6)
        corners, uses = np.unique(ends, axis=0, return_counts=True)
        free.append(corners[uses == 1])
    return np.concatenate(free)

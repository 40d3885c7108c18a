"""Barriers of a scene: cut into pieces whose foot follows the ground and whose top follows ground or rails."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.model import Barrier
from lineside.scene.alignment import rail_head
from lineside.scene.model import BarrierSegments, IntArray, Terrain
from lineside.scene.terrain import ground_height, surface_height, work_at

if TYPE_CHECKING:
    from lineside.project.load import LoadedProject

#: Heights along a barrier are looked up so often, and points left out that change them by less. [m]
STEP_M, TOLERANCE_M = 2.0, 0.02


def barriers_of(loaded: LoadedProject, origin: Array, terrain: Terrain | None) -> BarrierSegments:
    """Barriers as straight pieces, in the order of the project.

    One whose height counts from the ground stands on the ground below decks; one whose height counts from the rails
    stands on the deck where it lies on one.
    """
    shift = np.array([*origin, 0.0])
    tracks = [xyz - shift for _, xyz in loaded.alignments.values()]
    xy: list[Array] = []
    base: list[Array] = []
    top: list[Array] = []
    deck: list[IntArray] = []
    index: list[int] = []
    for k, barrier in enumerate(loaded.project.barriers):
        for a, b in pairwise(loaded.lines[barrier.id] - origin):
            points, foot, head = _piece(barrier, a, b, loaded.project.site.ground_level_m, terrain, tracks)
            xy.append(np.stack([points[:-1], points[1:]], axis=1))
            base.append(np.stack([foot[:-1], foot[1:]], axis=1))
            top.append(np.stack([head[:-1], head[1:]], axis=1))
            deck.append(_deck(barrier, 0.5 * (points[:-1] + points[1:]), terrain))
            index += [k] * (len(points) - 1)
    barriers = loaded.project.barriers
    return BarrierSegments(
        xy_m=np.concatenate([*xy, np.empty((0, 2, 2))]),
        top_z_m=np.concatenate([*top, np.empty((0, 2))]),
        base_z_m=np.concatenate([*base, np.empty((0, 2))]),
        barrier=np.array(index, dtype=np.int64),
        reflecting=np.array([barriers[k].surface == "reflecting" for k in index], dtype=np.bool_),
        absorption=_absorption([barriers[k] for k in index]),
        deck=np.concatenate([*deck, np.empty(0, dtype=np.int64)]),
    )


def _piece(
    barrier: Barrier, a: Array, b: Array, level_m: float, terrain: Terrain | None, tracks: Sequence[Array]
) -> tuple[Array, Array, Array]:
    """Points of one straight piece with the heights of foot and top, (n, 2), (n,), (n,)."""
    if terrain is None and barrier.height_above == "ground":
        return np.stack([a, b]), np.full(2, level_m), np.full(2, level_m + barrier.height_m)
    length = float(np.hypot(*(b - a)))
    share = np.linspace(0.0, 1.0, max(int(np.ceil(length / STEP_M)), 1) + 1)
    points = a + share[:, None] * (b - a)
    height = ground_height if barrier.height_above == "ground" else surface_height
    foot = np.full(len(points), level_m) if terrain is None else height(terrain, points)
    head = (foot if barrier.height_above == "ground" else rail_head(tracks, points)) + barrier.height_m
    keep = kept(share * length, np.column_stack([foot, head]), TOLERANCE_M)
    return points[keep], foot[keep], head[keep]


def kept(place: Array, heights: Array, tolerance: float) -> IntArray:
    """Points of profiles that are needed to stay within a tolerance of all of them.

    Parameters
    ----------
    place : ndarray, (n,)
        Rising distances.
    heights : ndarray, (n, n_profiles)

    Examples
    --------
    >>> kept(np.array([0.0, 1.0, 2.0, 3.0]), np.array([[0.0], [1.0], [2.0], [2.0]]), 0.1).tolist()
    [0, 2, 3]
    """
    last = len(place) - 1
    found, open_ends = {0, last}, [(0, last)]
    while open_ends:
        i, k = open_ends.pop()
        if k - i < 2:
            continue
        share = ((place[i + 1 : k] - place[i]) / (place[k] - place[i]))[:, None]
        off = np.abs(heights[i + 1 : k] - heights[i] - share * (heights[k] - heights[i])).max(axis=1)
        most = int(np.argmax(off))
        if off[most] > tolerance:
            middle = i + 1 + most
            found.add(middle)
            open_ends += [(i, middle), (middle, k)]
    return np.array(sorted(found), dtype=np.int64)


def _deck(barrier: Barrier, middle: Array, terrain: Terrain | None) -> IntArray:
    """The deck on which each piece stands, -1: on the ground."""
    if terrain is None or barrier.height_above == "ground":
        return np.full(len(middle), -1, dtype=np.int64)
    work = work_at(terrain, middle)
    return np.where((work >= 0) & terrain.over[np.maximum(work, 0)], work, -1) if terrain.over.size else work


def _absorption(barriers: Sequence[Barrier]) -> Array | None:
    """Absorption of each piece, NaN where the project gives none; None if it gives none at all."""
    if all(b.absorption is None for b in barriers):
        return None
    given = [np.nan if b.absorption is None else b.absorption for b in barriers]
    return np.array([np.broadcast_to(a, 8) for a in given], dtype=np.float64)

"""Flat scenes with ground areas and screens, and pieces of track, for tests of propagation."""

from __future__ import annotations

from collections.abc import Sequence
from types import SimpleNamespace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lineside.scene.model import Air, BarrierSegments, GroundAreas, Receivers, SourcePoints
from whole_scene import scene_of

Plan = Any  # a function of plan coordinates (n, 2)


def flat_scene(
    areas: Sequence[tuple[float, ArrayLike]] = (),
    screens: ArrayLike = (),
    *,
    default_g: float = 1.0,
    z: float = 0.0,
    barrier: Sequence[int] | None = None,
    reflecting: Sequence[bool] | None = None,
    tracks: Sequence[tuple[str, ArrayLike]] = (),
    turn: Plan = lambda xy: xy,
) -> Any:
    """Ground areas (G, polygon), screens (x, y, x, y, top above the plain at z), tracks (id, points).

    Each screen is a barrier of its own unless ``barrier`` numbers them; ``turn`` maps plan coordinates.
    """
    rings = [turn(np.asarray(polygon, dtype=float)) for _, polygon in areas]
    line = np.asarray(screens, dtype=float).reshape(-1, 5)
    tops = np.repeat(line[:, 4:], 2, axis=1) + z
    xyz = [(name, np.asarray(points, dtype=float)) for name, points in tracks]
    return scene_of(
        ground_level_m=z,
        ground=GroundAreas(
            default_g,
            np.concatenate(rings) if rings else np.empty((0, 2)),
            np.cumsum([0, *(len(r) for r in rings)]),
            np.array([g for g, _ in areas], dtype=float),
        ),
        barriers=BarrierSegments(
            np.array([turn(ends) for ends in line[:, :4].reshape(-1, 2, 2)]).reshape(-1, 2, 2),
            tops,
            tops * 0 + z,
            np.arange(len(line)) if barrier is None else np.asarray(barrier),
            None if reflecting is None else np.asarray(reflecting),
        ),
        air=Air(15.0, 70.0, 101.325),
        tracks=tuple(SimpleNamespace(id=name, xyz_m=np.column_stack([turn(p[:, :2]), p[:, 2]])) for name, p in xyz),
    )


def track_pieces(
    middle: ArrayLike, length: ArrayLike, *, rail_z: float = 0.0, turn: Plan = lambda xy: xy
) -> SourcePoints:
    """Pieces of a straight track along y at x = 0, with their middles and lengths."""
    y = np.asarray(middle, dtype=float).ravel()
    xy = turn(np.stack([np.zeros(y.size), y], axis=1))
    along = turn(np.stack([np.zeros(y.size), y + 1], axis=1)) - xy
    xyz = np.column_stack([xy, np.full(y.size, rail_z)])
    lengths = np.broadcast_to(np.asarray(length, dtype=float), y.shape).copy()
    return SourcePoints(np.zeros(y.size, dtype=int), xyz, along, lengths, np.ones(y.size))


def receivers_at(xyz: ArrayLike) -> Receivers:
    p = np.asarray(xyz, dtype=float).reshape(-1, 3)
    return Receivers(tuple(f"R{i}" for i in range(len(p))), p)


def halved_pieces(half_length: float, to: ArrayLike, ratio: float) -> tuple[NDArray[Any], NDArray[Any]]:
    """Middles and lengths after halving until no piece is longer than ``ratio`` of its distance."""
    todo, done = [(-half_length, half_length)], []
    while todo:
        a, b = todo.pop()
        distance = min(np.hypot(max(a - y, 0.0, y - b), x) for x, y, _ in np.asarray(to))
        if b - a <= ratio * distance:
            done.append((0.5 * (a + b), b - a))
        else:
            todo += [(0.5 * (a + b), b), (a, 0.5 * (a + b))]
    middle, length = np.array(sorted(done)).T
    return middle, length

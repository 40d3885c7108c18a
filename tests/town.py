"""Small towns with earthworks and a raster of heights, for tests of vertical cuts."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from lineside.scene.model import (
    BarrierSegments,
    BreakSegments,
    Buildings,
    GroundAreas,
    Raster,
    Receivers,
    SourcePoints,
    Strips,
    Terrain,
)

Floats = NDArray[np.float64]


def town(
    *,
    houses: Buildings | None = None,
    areas: Sequence[tuple[float, Any]] = (),
    barriers: BarrierSegments | None = None,
    terrain: Terrain | None = None,
    level_m: float = 0.0,
    default_g: float = 1.0,
) -> Any:
    """What vertical cuts look at, and nothing else."""
    rings = [np.asarray(ring, dtype=float) for _, ring in areas]
    return SimpleNamespace(
        ground_level_m=level_m,
        ground=GroundAreas(
            default_g,
            np.concatenate([np.empty((0, 2)), *rings]),
            np.cumsum([0, *map(len, rings)]),
            np.array([g for g, _ in areas], dtype=float),
        ),
        barriers=walls() if barriers is None else barriers,
        buildings=Buildings.none() if houses is None else houses,
        terrain=terrain,
    )


def buildings(*rings: Any, top: float | Sequence[float] = 8.0, base: float = 0.0) -> Buildings:
    """Houses with given rings, counter-clockwise."""
    xy = [np.asarray(ring, dtype=float) for ring in rings]
    n = len(xy)
    tops = np.broadcast_to(np.asarray(top, dtype=float), n).copy()
    start = np.cumsum([0, *map(len, xy)])
    ids = tuple(f"H{k}" for k in range(n))
    flat = np.concatenate([np.empty((0, 2)), *xy])
    return Buildings(ids, flat, start, np.full(n, base), tops, np.full((n, 8), 0.1))


def box(x: float, y: float, width: float, depth: float, turn: float = 0.0) -> Floats:
    """A rectangle round a middle, counter-clockwise."""
    corner = 0.5 * np.array([[-width, -depth], [width, -depth], [width, depth], [-width, depth]])
    c, s = np.cos(turn), np.sin(turn)
    return np.array([x, y]) + corner @ np.array([[c, s], [-s, c]])


def walls(*lines: Any, top: float = 3.0, base: float = 0.0) -> BarrierSegments:
    """One barrier for each polyline."""
    parts = [np.asarray(line, dtype=float) for line in lines]
    xy = np.concatenate([np.empty((0, 2, 2)), *(np.stack([p[:-1], p[1:]], axis=1) for p in parts)])
    number = np.repeat(np.arange(len(parts)), [len(p) - 1 for p in parts]).astype(np.int64)
    return BarrierSegments(xy, np.full((len(xy), 2), top), np.full((len(xy), 2), base), number)


def bank(
    y: Sequence[float], across: Sequence[tuple[float, float]], *, g: Sequence[float] | None = None, work: int = 0
) -> tuple[BreakSegments, Strips]:
    """An earthwork along y at x = 0: lines at given x and z, stations at given y, the same section everywhere."""
    n_lines, n_strips = len(across), len(across) - 1
    xy, z, line, border = [], [], [], []
    for k, (x, height) in enumerate(across):
        for a, b in itertools.pairwise(y):
            xy.append([[x, a], [x, b]])
            z.append([height, height])
            line.append(k)
            border.append(k in (0, n_lines - 1))
    for end in (y[0], y[-1]):
        for (xa, za), (xb, zb) in itertools.pairwise(across):
            xy.append([[xa, end], [xb, end]])
            z.append([za, zb])
            line.append(-1)
            border.append(True)
    factors = [np.nan] * n_strips if g is None else g
    corners = [
        [[xa, a, za], [xb, a, zb], [xb, b, zb], [xa, b, za]]
        for (xa, za), (xb, zb) in itertools.pairwise(across)
        for a, b in itertools.pairwise(y)
    ]
    of = np.repeat(np.arange(n_strips), len(y) - 1)
    breaks = BreakSegments(
        np.array(xy, dtype=float), np.array(z, dtype=float), np.full(len(xy), work), np.array(line), np.array(border)
    )
    strips = Strips(np.array(corners, dtype=float), np.full(len(of), work), of, np.array(factors, dtype=float)[of])
    return breaks, strips


def terrain(
    *works: tuple[BreakSegments, Strips], over: Sequence[bool] | None = None, level_m: float = 0.0,
    raster: Raster | None = None,
) -> Terrain:  # fmt: skip
    """Earthworks, numbered in their order, on a raster or a plain."""
    breaks, strips = [], []
    for k, (b, s) in enumerate(works):
        breaks.append(replace(b, work=np.full(len(b.work), k)))
        strips.append(replace(s, work=np.full(len(s.work), k)))

    def joined(kind: Any, parts: Sequence[Any]) -> Any:
        names = [f for f in kind.__dataclass_fields__]
        return kind(**{f: np.concatenate([getattr(p, f) for p in parts]) for f in names}) if parts else kind.none()

    decks = np.array([False] * len(works) if over is None else over, dtype=bool)
    return Terrain(level_m, raster, joined(BreakSegments, breaks), joined(Strips, strips), decks)


def hills(seed: int = 1, step_m: float = 7.0, n: int = 40, x0: float = -140.0, y0: float = -140.0) -> Raster:
    """A smooth random raster."""
    rng = np.random.default_rng(seed)
    x, y = np.meshgrid(np.arange(n) * step_m, np.arange(n) * step_m)
    z = 0 * x
    for _ in range(4):
        a, b, c = rng.uniform(-0.05, 0.05, 3)
        z += rng.uniform(0.3, 2.0) * np.sin(a * x + b * y + 60 * c)
    return Raster(x0, y0, step_m, z)


def random_town(seed: int, *, n_houses: int = 12, reach: float = 100.0, **more: Any) -> Any:
    """Houses of different shapes that do not touch, barriers and ground areas between -reach and reach."""
    rng = np.random.default_rng(seed)
    taken: list[Any] = []
    rings = []
    while len(rings) < n_houses:
        ring = box(*rng.uniform(-reach, reach, 2), *rng.uniform(6, 25, 2), rng.uniform(0, np.pi))
        if rng.random() < 0.4:  # an L
            a, b, c, d = ring
            ring = np.array([a, b, b + 0.5 * (c - b), 0.5 * (a + b) + 0.5 * (c - b), 0.5 * (c + d), d])
        shape = shapely.Polygon(ring)
        if all(shape.distance(other) > 0.5 for other in taken):
            taken.append(shape)
            rings.append(ring)
    lines = [rng.uniform(-reach, reach, (rng.integers(2, 5), 2)) for _ in range(3)]
    rounds = [shapely.Point(*rng.uniform(-reach, reach, 2)).buffer(rng.uniform(10, 40), quad_segs=3) for _ in range(3)]
    areas = [(0.1 * k, np.array(r.exterior.coords[:-1])) for k, r in enumerate(rounds)]
    return town(houses=buildings(*rings, top=rng.uniform(4, 15, n_houses)), areas=areas, barriers=walls(*lines), **more)


def points_at(xy: Any, z: float | Floats = 0.5, length_m: float = 0.0, direction: Any = (0.0, 1.0)) -> SourcePoints:
    at = np.asarray(xy, dtype=float).reshape(-1, 2)
    n = len(at)
    return SourcePoints(
        np.zeros(n, dtype=int),
        np.column_stack([at, np.broadcast_to(z, n)]),
        np.tile(np.asarray(direction, dtype=float), (n, 1)),
        np.full(n, length_m),
        np.ones(n),
    )


def receivers_at(xy: Any, z: float | Floats = 4.0, wall: Any = None) -> Receivers:
    at = np.asarray(xy, dtype=float).reshape(-1, 2)
    xyz = np.column_stack([at, np.broadcast_to(z, len(at))])
    return Receivers(tuple(map(str, range(len(at)))), xyz, None if wall is None else np.asarray(wall))

"""Barriers of a scene as the kernels need them: as lines, with the heights and reflections that the law counts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lineside.acoustics.bands import Array
from lineside.scene.model import BarrierSegments, BoolArray, IntArray, Scene

JOINED_M = 0.01  # ends of barriers this near to each other are one place
SAME_HEIGHT_M = 0.1  # where the top changes by more, the view past the higher part divides pieces of track
LOW_M = (0.5, 1.0)  # height above the rail head of a low barrier, No. 6.5 [m]
LOW_DISTANCE_M = 2.0  # its largest distance from a track axis, No. 6.5
LOW_RATIO = 0.7  # share of its height that counts, No. 6.5
REFLECTING_M = 5.0  # largest distance of a reflecting barrier that throws sound back to the train, Gl. 20
REFLECTED_ENERGY = 10.0**0.3  # D_refl of Gl. 20 without absorbing base, 3 dB


@dataclass(frozen=True, eq=False)
class Screens:
    """Segments of all barriers, joined to lines: segments of one line follow each other, end to start."""

    xy_m: Array  # (n_segments, 2, 2)
    top_z_m: Array  # (n_segments, 2) height that counts
    box: Array  # (n_segments, 4) x low, x high, y low, y high
    line: IntArray  # (n_segments,)
    closed: BoolArray  # (n_lines,)
    ends_m: Array  # (k, 2) where a barrier ends or its top drops
    barrier: IntArray  # (n_segments,) index of the barrier in the project
    reflecting: BoolArray  # (n_segments,)
    lowered: tuple[int, ...]  # barriers that count with a reduced height

    def __len__(self) -> int:
        return int(self.line.size)


def effective_top_m(top_above_rail_m: float, distance_m: float) -> float:
    """Height above the rail head with which a barrier counts; 16. BImSchV, Annex 2, No. 6.5.

    Parameters
    ----------
    top_above_rail_m : float
        Its top above the rail head. [m]
    distance_m : float
        Its distance from the nearest track axis. [m]

    Examples
    --------
    >>> round(effective_top_m(0.8, 1.75), 2), effective_top_m(0.8, 2.0), effective_top_m(1.0, 1.75)
    (0.56, 0.8, 1.0)
    """
    low = LOW_M[0] < top_above_rail_m < LOW_M[1] and distance_m < LOW_DISTANCE_M
    return LOW_RATIO * top_above_rail_m if low else top_above_rail_m


def screens_of(scene: Scene) -> Screens:
    """Barriers of a scene, joined, with low ones reduced."""
    barriers = scene.barriers
    xy = np.array(barriers.xy_m, dtype=np.float64).reshape(-1, 2, 2)
    top = np.array(barriers.top_z_m, dtype=np.float64).reshape(-1, 2)
    lowered = _lower(scene, xy, top, barriers.barrier)
    lines = _lines(xy, barriers.barrier)
    order = np.array([m for chain in lines for m, _ in chain], dtype=np.int64)
    turned = np.array([t for chain in lines for _, t in chain], dtype=np.bool_)
    xy, top = xy[order], top[order]
    xy[turned], top[turned] = xy[turned, ::-1], top[turned, ::-1]
    line = np.repeat(np.arange(len(lines)), [len(chain) for chain in lines]).astype(np.int64)
    start = np.flatnonzero(np.diff(line, prepend=-1))
    stop = np.append(start[1:], len(line)) - 1 if len(line) else start
    closed = np.array([_near(xy[a, 0], xy[b, 1]) and b > a for a, b in zip(start, stop, strict=True)], dtype=np.bool_)
    joint = (
        (np.diff(line) == 0) & (np.abs(top[1:, 0] - top[:-1, 1]) > SAME_HEIGHT_M) if len(line) else np.empty(0, bool)
    )
    free = [xy[a, 0] for a in start[~closed]] + [xy[b, 1] for b in stop[~closed]]
    low, high = xy.min(axis=1), xy.max(axis=1)
    return Screens(
        xy_m=np.ascontiguousarray(xy),
        top_z_m=np.ascontiguousarray(top),
        box=np.stack([low[:, 0], high[:, 0], low[:, 1], high[:, 1]], axis=1),
        line=line,
        closed=closed,
        ends_m=np.array([*free, *xy[1:, 0][joint]]).reshape(-1, 2),
        barrier=np.asarray(barriers.barrier)[order],
        reflecting=_reflecting(barriers)[order],
        lowered=lowered,
    )


def thrown_back(screens: Screens, points_m: Array) -> Array:
    """10^(D_refl/10) of Gl. 20 for each point and segment, (n_points, n_segments).

    A reflecting barrier counts for a point if any part of it is within 5 m in plan.
    """
    factor = np.ones((len(points_m), len(screens)))
    for barrier in np.unique(screens.barrier[screens.reflecting]):
        mine = screens.barrier == barrier
        near = np.zeros(len(points_m), dtype=np.bool_)
        for a, b in screens.xy_m[mine]:
            near |= _distance(points_m[:, :2], a, b) <= REFLECTING_M
        factor[np.ix_(near, mine)] = REFLECTED_ENERGY
    return factor


def _reflecting(barriers: BarrierSegments) -> BoolArray:
    if barriers.reflecting is None:
        return np.zeros(len(barriers.barrier), dtype=np.bool_)
    return np.asarray(barriers.reflecting, dtype=np.bool_)


def _near(a: Array, b: Array) -> bool:
    return bool(np.hypot(*(a - b)) < JOINED_M)


def _lines(xy: Array, barrier: IntArray) -> list[list[tuple[int, bool]]]:
    """Chains of segments that hang together end to end: (segment, turned round) in order.

    Barriers whose ends meet are one obstacle; where three or more meet, only two are joined.
    """
    chains: list[list[tuple[int, bool]]] = []
    for m in range(len(xy)):
        last = chains[-1] if chains else []
        if last and barrier[last[-1][0]] == barrier[m] and _near(xy[last[-1][0], 1], xy[m, 0]):
            last.append((m, False))
        else:
            chains.append([(m, False)])
    while True:
        ends = np.array([_end(chain[k], xy, -k) for chain in chains for k in (0, -1)]).reshape(-1, 2)
        apart = np.hypot(*(ends[:, np.newaxis] - ends).transpose(2, 0, 1))
        owner = np.arange(len(ends)) // 2
        loop = apart[np.arange(len(ends)), np.arange(len(ends)) ^ 1] < JOINED_M
        apart[(owner[:, np.newaxis] >= owner) | loop | loop[:, np.newaxis]] = np.inf
        if not apart.size or apart.min() >= JOINED_M:
            return chains
        one, other = np.unravel_index(int(apart.argmin()), apart.shape)
        before = chains[one // 2] if one % 2 else _turned(chains[one // 2])
        behind = _turned(chains[other // 2]) if other % 2 else chains[other // 2]
        chains[one // 2] = before + behind
        del chains[other // 2]


def _turned(chain: list[tuple[int, bool]]) -> list[tuple[int, bool]]:
    return [(m, not turned) for m, turned in reversed(chain)]


def _end(entry: tuple[int, bool], xy: Array, which: int) -> Array:
    """Start (0) or end (1) of a segment, as it is passed."""
    segment, turned = entry
    return np.asarray(xy[segment, 1 - which if turned else which])


def _lower(scene: Scene, xy: Array, top: Array, barrier: IntArray) -> tuple[int, ...]:
    """Reduce the tops of low barriers near a track, in place; the indices of these barriers."""
    found = set()
    for m in range(len(xy)):
        distance, rail = _nearest_rail(scene, xy[m].mean(axis=0))
        height = float(top[m].mean()) - rail
        if effective_top_m(height, distance) != height:
            for end in range(2):
                rail = _nearest_rail(scene, xy[m, end])[1]
                top[m, end] = rail + LOW_RATIO * (top[m, end] - rail)
            found.add(int(barrier[m]))
    return tuple(sorted(found))


def _nearest_rail(scene: Scene, place: Array) -> tuple[float, float]:
    """Distance in plan to the nearest track axis, and the height of its rail head there."""
    best, rail = np.inf, 0.0
    for track in scene.tracks:
        a, b = track.xyz_m[:-1], track.xyz_m[1:]
        step = b[:, :2] - a[:, :2]
        t = np.clip(np.sum((place - a[:, :2]) * step, axis=1) / np.sum(step**2, axis=1), 0.0, 1.0)
        foot = a + t[:, np.newaxis] * (b - a)
        distance = np.hypot(*(foot[:, :2] - place).T)
        k = int(np.argmin(distance))
        if distance[k] < best:
            best, rail = float(distance[k]), float(foot[k, 2])
    return best, rail


def _distance(points: Array, a: Array, b: Array) -> NDArray[np.float64]:
    """Distance in plan of points (n, 2) from the piece a to b, (n,)."""
    step = b - a
    t = np.clip((points - a) @ step / (step @ step), 0.0, 1.0)
    return np.asarray(np.hypot(*(a + t[:, np.newaxis] * step - points).T))

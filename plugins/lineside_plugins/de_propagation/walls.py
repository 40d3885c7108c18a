"""Barriers, walls and ground of a scene as the law counts them."""

from __future__ import annotations

import threading
import weakref
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lineside.acoustics.bands import N_OCTAVES, Array
from lineside.scene.model import BarrierSegments, BoolArray, GroundAreas, IntArray, Reflectors, Scene
from lineside.tables import load_table
from lineside_plugins.de_propagation.options import WallLosses

LOW_M = (0.5, 1.0)  # height above the rail head of a low barrier, No. 6.5 [m]
LOW_DISTANCE_M = 2.0  # its largest distance from a track axis, No. 6.5
LOW_RATIO = 0.7  # share of its height that counts, No. 6.5
REFLECTING_M = 5.0  # largest distance of a reflecting barrier that throws sound back to the train, Gl. 20
REFLECTED_ENERGY = 10.0**0.3  # D_refl of Gl. 20 without absorbing base, 3 dB
LEAST_KEPT = 0.2  # the reflection coefficient of a wall that counts is larger, No. 6.6
HARD, ABSORBING = 0, 2  # rows of Table 18
JUDGED = slice(
    2, 7
)  # octaves 250 Hz to 4 kHz, over which absorption is averaged to find a row of Table 18; an own choice


@dataclass(frozen=True, eq=False)
class Seen:
    """What the law sees of a scene: low barriers reduced, all ground land (G = 1) or water (G = 0)."""

    scene: Scene
    lowered: tuple[int, ...]  # barriers of the project that count with a reduced height
    reflecting: BoolArray  # (n_barriers,) by index in the project


_lock = threading.Lock()
_seen: weakref.WeakKeyDictionary[BarrierSegments, list[tuple[tuple[object, ...], Seen]]] = weakref.WeakKeyDictionary()


def seen(scene: Scene, hard_is_water: bool) -> Seen:
    """The scene as the law sees it; made once for all scenes that share tracks, ground and obstacles."""
    parts = (scene.ground, scene.terrain, scene.buildings, scene.tracks)
    with _lock:
        known = _seen.setdefault(scene.barriers, [])
        for (level, hard, *others), what in known:
            same = level == scene.ground_level_m and hard == hard_is_water
            if same and all(a is b for a, b in zip(parts, others, strict=True)):
                return what
        what = _look(scene, hard_is_water)
        known.append(((scene.ground_level_m, hard_is_water, *parts), what))
        return what


def _look(scene: Scene, hard_is_water: bool) -> Seen:
    barriers, ground, terrain = scene.barriers, scene.ground, scene.terrain
    top = np.array(barriers.top_z_m, dtype=np.float64).reshape(-1, 2)
    lowered = _lower(scene, np.asarray(barriers.xy_m), top, barriers.barrier)
    wet = (np.asarray(ground.g) == 0.0) & hard_is_water
    default = bool(hard_is_water and ground.default_g == 0.0)
    areas = GroundAreas(0.0 if default else 1.0, ground.xy_m, ground.start, np.where(wet, 0.0, 1.0))
    if np.all(wet == default):
        areas = GroundAreas(areas.default_g, np.empty((0, 2)), np.zeros(1, dtype=np.int64), np.empty(0))
    if terrain is not None:
        strips = terrain.strips
        terrain = replace(terrain, strips=replace(strips, g=np.where(np.isnan(strips.g), np.nan, 1.0)))
    changed = replace(scene, barriers=replace(barriers, top_z_m=top), ground=areas, terrain=terrain)
    return Seen(changed, lowered, _reflecting(barriers))


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


def thrown_back(what: Seen, points_m: Array) -> Array:
    """10^(D_refl/10) of Gl. 20 for each point and barrier of the project, (n_points, n_barriers).

    A reflecting barrier counts for a point if any part of it is within 5 m in plan.
    """
    barriers = what.scene.barriers
    factor = np.ones((len(points_m), max(1, what.reflecting.size)))
    for barrier in np.flatnonzero(what.reflecting):
        near = np.zeros(len(points_m), dtype=np.bool_)
        for a, b in barriers.xy_m[barriers.barrier == barrier]:
            near |= _distance(points_m[:, :2], a, b) <= REFLECTING_M
        factor[near, barrier] = REFLECTED_ENERGY
    return factor


def kept_energy(what: Seen, reflectors: Reflectors, losses: WallLosses) -> Array:
    """10^(-D_rho/10) of each reflector and octave, (n_reflectors, 8); 0 where the coefficient is not above 0.2.

    Notes
    -----
    By Table 18 the row with the largest loss counts that the wall's mean loss from 250 Hz to 4 kHz, rounded to 0.1 dB,
    reaches. A barrier of unknown absorption has the row of absorbing barriers, or of hard walls if it reflects,
    and so have faces of earthworks.
    """
    absorbed = np.array(reflectors.absorption, dtype=np.float64).reshape(-1, N_OCTAVES)
    rows = load_table("lineside_plugins.de_propagation", "wall_losses")["d_rho_db"]
    unknown: BoolArray = np.asarray(np.isnan(absorbed).any(axis=1))
    absorbed[unknown] = 0.0
    loss = np.round(-10.0 * np.log10(np.maximum(1.0 - absorbed[:, JUDGED].mean(axis=1), 1e-12)), 1)
    row = rows[np.searchsorted(rows, loss + 1e-9, side="right") - 1]
    hard = reflectors.barrier[unknown] < 0
    hard[~hard] = what.reflecting[reflectors.barrier[unknown][~hard]]
    row[unknown] = np.where(hard, rows[HARD], rows[ABSORBING])
    table = np.logical_or(losses == "table_18", unknown[:, np.newaxis])
    by_row = np.repeat(10.0 ** (-0.1 * row[:, np.newaxis]), N_OCTAVES, axis=1)
    kept = np.where(table, by_row, 1.0 - absorbed)
    return np.where(kept > LEAST_KEPT, kept, 0.0)


def _reflecting(barriers: BarrierSegments) -> BoolArray:
    """Whether each barrier of the project reflects, by its index there."""
    found = np.zeros(int(np.max(barriers.barrier, initial=-1)) + 1, dtype=np.bool_)
    if barriers.reflecting is not None:
        found[barriers.barrier[np.asarray(barriers.reflecting, dtype=np.bool_)]] = True
    return found


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

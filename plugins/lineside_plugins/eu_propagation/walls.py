"""What walls absorb, and which barriers throw sound back to the train."""

from __future__ import annotations

import threading
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, Array
from lineside.scene.model import BarrierSegments, BoolArray, Buildings, IntArray, Scene, Terrain
from lineside.scene.reflectors import reflectors_of

#: Half the distance between the middles of the rail heads at a gauge of 1.435 m: from axis to rail head.
RAIL_HEAD_M = 0.75
SMALLEST_M = 0.5  # smaller walls do not reflect (section 2.5.7)
MOST_ABSORPTION = 0.999  # the law asks for less than 1
#: What was found last, newest first: a scene is asked about for every receiver, from several threads.
_known: list[tuple[BarrierSegments, Buildings, Terrain | None, float, float, Walls]] = []
_lock = threading.Lock()
REMEMBERED = 8


@dataclass(frozen=True, eq=False)
class Walls:
    """Absorption of all reflectors and of barriers that face a train, as shares of sound energy per octave.

    ``absorption`` (n_reflectors, 8), in the order of ``reflectors_of``. ``body_row`` (n_barrier_segments,): the row of
    ``body_absorption`` (n, 8) with which a barrier throws sound back to a train, -1 where that is not counted.
    ``n_large``: reflectors that are not too small to reflect at all.
    """

    absorption: Array
    body_row: IntArray
    body_absorption: Array
    n_large: int


def walls_of(scene: Scene, reflecting: float, absorbing: float) -> Walls:
    """Absorption as given; where it is not, by what barriers are called. Remembered; not to be changed.

    Parameters
    ----------
    scene : Scene
    reflecting, absorbing : float
        Absorption of barriers that are called so; what is not called either counts as reflecting, and so do faces
        of earthworks.

    Notes
    -----
    Sound between a train and a barrier is counted where the absorption of the barrier is given or it is called
    reflecting: what is called absorbing without figures counts as absorbing more than 0.8, above which the law leaves
    it out, and a barrier of which nothing is known keeps the train as it is.
    """
    barriers, buildings, terrain = scene.barriers, scene.buildings, scene.terrain
    with _lock:
        for one, other, ground, *rest, walls in _known:
            if one is barriers and other is buildings and ground is terrain and rest == [reflecting, absorbing]:
                return walls
    walls = _found(scene, reflecting, absorbing)
    with _lock:
        _known[:] = [(barriers, buildings, terrain, reflecting, absorbing, walls), *_known[: REMEMBERED - 1]]
    return walls


def _found(scene: Scene, reflecting: float, absorbing: float) -> Walls:
    barriers = scene.barriers
    every = reflectors_of(scene)
    absorption = np.array(every.absorption, dtype=np.float64)
    own = absorption[len(absorption) - len(barriers.barrier) :]
    given = ~np.isnan(own).any(axis=1)
    called_reflecting = reflecting_barriers(scene)
    called_absorbing = np.zeros(len(own), dtype=np.bool_) if barriers.reflecting is None else ~called_reflecting
    own[~given] = np.where(called_absorbing, absorbing, reflecting)[~given, np.newaxis]
    absorption[np.isnan(absorption)] = reflecting  # faces of earthworks
    np.clip(absorption, 0.0, MOST_ABSORPTION, out=absorption)
    rows, row_of = np.unique(own, axis=0, return_inverse=True) if len(own) else (np.empty((0, N_OCTAVES)), np.empty(0))
    body_row = np.where(given | called_reflecting, row_of.ravel(), -1).astype(np.int64)
    used = rows if np.any(body_row >= 0) else rows[:0]
    length = np.hypot(*np.moveaxis(every.xy_m[:, 1] - every.xy_m[:, 0], -1, 0))
    high = (every.top_z_m - every.base_z_m).max(axis=1, initial=0.0)
    n_large = int(np.count_nonzero((high >= SMALLEST_M) & (length >= SMALLEST_M)))
    return Walls(absorption.reshape(-1, N_OCTAVES), body_row, np.array(used).reshape(-1, N_OCTAVES), n_large)


def reflecting_barriers(scene: Scene) -> BoolArray:
    """Which segments of barriers are called reflecting, (n_segments,)."""
    called = scene.barriers.reflecting
    return np.zeros(len(scene.barriers.barrier), dtype=np.bool_) if called is None else np.asarray(called, np.bool_)

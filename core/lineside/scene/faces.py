"""Faces of earthworks that stand like walls, as reflectors."""

from __future__ import annotations

import threading
from typing import NamedTuple
from weakref import WeakKeyDictionary

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import BoolArray, Terrain
from lineside.scene.terrain import ground_height

#: Faces lower than this are too small to matter. [m]
LEAST_FACE_M = 0.5
#: Run per height of the flattest face that counts as a wall: 15 degrees off the vertical, as methods ask of reflectors.
FLATTEST = float(np.tan(np.radians(15.0)))
#: Pieces are joined to one face where it leaves the straight line by no more than this, in plan and in height. [m]
STRAIGHT_M, LEVEL_M = 0.05, 0.1
#: The mirror stands so far before the foot, on the ground there, so that no path to it runs into the earth. [m]
BEFORE_M = STRAIGHT_M + 0.01
#: What lies before and behind a face is its own earthwork where it has its heights to within this. [m]
SAME_M = 0.3


class Faces(NamedTuple):
    """Faces, open to the right of the way from their first to their second end."""

    xy_m: Array  # (n, 2, 2)
    top_z_m: Array  # (n, 2)
    base_z_m: Array  # (n, 2)


_lock = threading.Lock()
_known: WeakKeyDictionary[Terrain, Faces] = WeakKeyDictionary()


def faces_of(terrain: Terrain | None) -> Faces:
    """The faces of all earthworks but decks, found once for a terrain.

    Each stands at its foot with the height of its top. What another earthwork covers is left out, and so are the
    faces across the track at the ends of earthworks.
    """
    if terrain is None or not terrain.over.size:
        return Faces(np.empty((0, 2, 2)), np.empty((0, 2)), np.empty((0, 2)))
    with _lock:
        if terrain not in _known:
            _known[terrain] = _found(terrain)
        return _known[terrain]


def _found(terrain: Terrain) -> Faces:
    breaks = terrain.breaks
    xy, top, base = [np.empty((0, 2, 2))], [np.empty((0, 2))], [np.empty((0, 2))]
    for work in np.flatnonzero(~terrain.over):
        along = (breaks.work == work) & (breaks.line >= 0)
        n_lines = int(breaks.line[along].max(initial=-1)) + 1
        if n_lines < 2:
            continue
        lines = np.concatenate([breaks.xy_m[along], breaks.z_m[along][:, :, None]], axis=2)
        lines = lines.reshape(-1, n_lines, 2, 3)
        for k in (0, n_lines - 2):  # the sides; between them lies the track bed
            left, right = lines[:, k], lines[:, k + 1]
            for foot, head in ((right, left), (left[::-1, ::-1], right[::-1, ::-1])):
                for piece in _straight(foot, head, _stands(terrain, foot, head)):
                    xy.append(_before(piece[:, 0, :2])[None])
                    base.append(piece[:, 0, 2][None])
                    top.append(piece[:, 1, 2][None])
    return Faces(np.concatenate(xy), np.concatenate(top), np.concatenate(base))


def _stands(terrain: Terrain, foot: Array, head: Array) -> BoolArray:
    """Which pieces (n, 2, 3) between a lower and a higher line are steep, high enough and covered by nothing, (n,)."""
    height = head[:, :, 2] - foot[:, :, 2]
    run = np.linalg.norm(head[:, :, :2] - foot[:, :, :2], axis=-1)
    length = np.linalg.norm(foot[:, 1, :2] - foot[:, 0, :2], axis=-1)
    stands = (height.max(axis=1) >= LEAST_FACE_M) & np.all(run <= FLATTEST * height + 1e-6, axis=1) & (length > 0.0)
    for line, aside in ((foot, BEFORE_M), (head, -BEFORE_M)):
        here = line[stands]
        if len(here):
            z = ground_height(terrain, np.array([_before(ends, aside).mean(axis=0) for ends in here[:, :, :2]]))
            stands[stands] = np.abs(z - here[:, :, 2].mean(axis=1)) <= SAME_M
    return np.asarray(stands)


def _before(ends: Array, aside_m: float = BEFORE_M) -> Array:
    """Both ends (2, 2) of a piece, moved to its right."""
    x, y = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    return np.asarray(ends + aside_m * np.array([y, -x]))


def _straight(foot: Array, head: Array, stands: BoolArray) -> list[Array]:
    """Pieces in one line put together: each both ends of foot and head, (2, 2, 3)."""
    out, k = [], 0
    both = np.stack([foot, head], axis=2)  # (n, ends, foot and head, 3)
    while k < len(both):
        last = k
        while stands[k] and last + 1 < len(both) and stands[last + 1] and _in_line(both, k, last + 1):
            last += 1
        if stands[k]:
            out.append(np.stack([both[k, 0], both[last, 1]]))
        k = last + 1
    return out


def _in_line(both: Array, first: int, last: int) -> bool:
    a, b, between = both[first, 0], both[last, 1], both[first + 1 : last + 1, 0]
    if np.abs(both[last, 0] - both[last - 1, 1]).max() > 1e-6:
        return False
    way = b[0, :2] - a[0, :2]
    share = (between[:, 0, :2] - a[0, :2]) @ way / max(float(way @ way), 1e-12)
    off = between - (a + share[:, None, None] * (b - a))
    plan = np.linalg.norm(off[:, 0, :2], axis=-1)
    return bool(
        share.min() >= 0.0 and share.max() <= 1.0 and plan.max() <= STRAIGHT_M and np.abs(off[:, :, 2]).max() <= LEVEL_M
    )

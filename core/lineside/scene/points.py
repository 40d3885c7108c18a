"""Cutting sections of track into source points, as finely as a set of receivers asks for."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.alignment import Alignment
from lineside.scene.model import IntArray, Receivers, Scene, SourcePoints

#: Distances below this count as this when the length of a piece is chosen; keeps the number of points finite. [m]
NEAREST_M = 2.0


def source_points(scene: Scene, receivers: Receivers, ratio: float, ground_g: Callable[[str], float]) -> SourcePoints:
    """Cut every section into pieces no longer than ``ratio`` times their distance to the nearest receiver.

    Parameters
    ----------
    scene : Scene
    receivers : Receivers
        The points are fine enough for all of them, so that one set serves the whole group.
    ratio : float
        Longest piece as a ratio to its smallest horizontal distance.
    ground_g : callable
        Ground factor of the source area for a track form, where the project gives none.

    Returns
    -------
    SourcePoints
        Sorted by section, then by chainage; lengths add up to the sections' lengths.
    """
    sections = scene.sections
    alignments = [Alignment(t.chainage_m, t.xyz_m) for t in scene.tracks]
    section, from_m, to_m = np.arange(len(sections)), sections.from_m.copy(), sections.to_m.copy()
    while True:
        middle = 0.5 * (from_m + to_m)
        xyz, _ = _place(alignments, sections.track[section], middle)
        half = 0.5 * (to_m - from_m)
        distance = np.maximum(_nearest(xyz[:, :2], receivers.xyz_m[:, :2]) - half, NEAREST_M)
        pieces = np.minimum(np.ceil((to_m - from_m) / (ratio * distance) - 1e-9).astype(np.int64), 2)
        if np.all(pieces <= 1):
            break
        section, from_m, to_m = _halve(section, from_m, to_m, pieces)
    xyz, direction = _place(alignments, sections.track[section], middle)
    form_g = np.array([f.source_ground_g if f.source_ground_g is not None else ground_g(f.form) for f in scene.forms])
    return SourcePoints(
        section=section,
        xyz_m=xyz,
        direction=direction,
        length_m=to_m - from_m,
        ground_g=form_g[sections.form[section]],
    )


def _place(alignments: list[Alignment], track: IntArray, middle: Array) -> tuple[Array, Array]:
    xyz, direction = np.empty((len(middle), 3)), np.empty((len(middle), 2))
    for k, alignment in enumerate(alignments):
        mine = track == k
        xyz[mine], direction[mine] = alignment.at(middle[mine]), alignment.direction(middle[mine])
    return xyz, direction


def _nearest(points: Array, receivers: Array) -> Array:
    """Distance of each point to the nearest receiver, in blocks of receivers to bound memory, (n,). [m]"""
    nearest = np.full(len(points), np.inf)
    for block in np.array_split(receivers, max(1, len(receivers) // 64)):
        square = ((points[:, None, :] - block[None, :, :]) ** 2).sum(axis=-1)
        np.minimum(nearest, np.sqrt(square.min(axis=1)), out=nearest)
    return nearest


def _halve(section: IntArray, from_m: Array, to_m: Array, pieces: IntArray) -> tuple[IntArray, Array, Array]:
    """Cut in two every piece for which ``pieces`` is 2."""
    index = np.repeat(np.arange(len(section)), pieces)
    second = np.concatenate([[False], index[1:] == index[:-1]])
    first = np.concatenate([index[1:] == index[:-1], [False]])
    middle = 0.5 * (from_m + to_m)[index]
    return section[index], np.where(second, middle, from_m[index]), np.where(first, middle, to_m[index])

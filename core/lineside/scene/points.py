"""Cutting sections of track into source points, as finely as a set of receivers asks for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from weakref import WeakKeyDictionary

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import BoolArray, IntArray, Receivers, Scene, SourcePoints

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
    from lineside.scene.point_kernels import cut

    sections, lines = scene.sections, _lines(scene)
    section, rows = cut(
        lines.chainage_m, lines.xyz_m, lines.unit, lines.start, sections.track, sections.from_m, sections.to_m,
        np.ascontiguousarray(receivers.xyz_m[:, :2]), float(ratio), NEAREST_M,
    )  # fmt: skip
    form_g = np.array([f.source_ground_g if f.source_ground_g is not None else ground_g(f.form) for f in scene.forms])
    return SourcePoints(
        section=section,
        xyz_m=np.ascontiguousarray(rows[:, :3]),
        direction=np.ascontiguousarray(rows[:, 3:5]),
        length_m=np.ascontiguousarray(rows[:, 5]),
        ground_g=form_g[sections.form[section]],
    )


def some_of(points: SourcePoints, which: BoolArray | IntArray | slice) -> SourcePoints:
    """Some of the points, in the order asked for."""
    return SourcePoints(
        section=points.section[which],
        xyz_m=points.xyz_m[which],
        direction=points.direction[which],
        length_m=points.length_m[which],
        ground_g=points.ground_g[which],
    )


@dataclass(frozen=True, eq=False)
class _Lines:
    """All tracks one after another: track ``k`` has the vertices ``start[k]`` to ``start[k + 1] - 1``."""

    chainage_m: Array
    xyz_m: Array
    unit: Array  # (n_vertices, 2) in plan towards the next vertex of the track
    start: IntArray


#: Tracks of the scenes in use, so that they are put together once.
_KNOWN: WeakKeyDictionary[Scene, _Lines] = WeakKeyDictionary()


def _lines(scene: Scene) -> _Lines:
    known = _KNOWN.get(scene)
    if known is None:
        steps = [np.diff(t.xyz_m[:, :2], axis=0) for t in scene.tracks]
        units = [step / np.linalg.norm(step, axis=1, keepdims=True) for step in steps]
        known = _Lines(
            chainage_m=np.concatenate([t.chainage_m for t in scene.tracks]),
            xyz_m=np.concatenate([t.xyz_m for t in scene.tracks]),
            unit=np.concatenate([np.concatenate([unit, unit[-1:]]) for unit in units]),
            start=np.concatenate([[0], np.cumsum([len(t.chainage_m) for t in scene.tracks])]).astype(np.int64),
        )
        _KNOWN[scene] = known
    return known

"""The walls of a scene that throw sound back."""

from __future__ import annotations

import numpy as np

from lineside.scene.faces import faces_of
from lineside.scene.model import BarrierSegments, Buildings, Reflectors, Scene, Terrain


def reflectors_of(scene: Scene) -> Reflectors:
    """Walls of buildings, one row for each side of each footprint in the order of its corners, then faces, barriers.

    Side i of a footprint goes from corner i to the next; row ``Buildings.start[b] + i`` is side i of building b. After
    the ``Buildings.start[-1]`` sides come steep faces of earthworks, then the rows of ``BarrierSegments`` in their
    order.

    ``absorption`` of faces is NaN, and so is that of barriers where it is not known: then it is for the plugin to say
    what they absorb, by what ``BarrierSegments.reflecting`` says, or by its own rule.
    """
    return reflectors_in(scene.buildings, scene.barriers, scene.terrain)


def reflectors_in(houses: Buildings, barriers: BarrierSegments, terrain: Terrain | None = None) -> Reflectors:
    """The same of some buildings, barriers and a terrain."""
    faces = faces_of(terrain)
    n_sides, n_faces, n_barriers = len(houses.xy_m), len(faces.xy_m), len(barriers.barrier)
    building = np.repeat(np.arange(len(houses)), np.diff(houses.start))
    following = np.arange(1, n_sides + 1)
    if n_sides:
        following[houses.start[1:] - 1] = houses.start[:-1]
    sides = np.stack([houses.xy_m, houses.xy_m[following]], axis=1) if n_sides else np.empty((0, 2, 2))
    unknown = np.full((n_barriers, houses.absorption.shape[1]), np.nan)
    return Reflectors(
        xy_m=np.concatenate([sides, faces.xy_m, barriers.xy_m.reshape(-1, 2, 2)]),
        top_z_m=np.concatenate(
            [np.repeat(houses.top_z_m[building, None], 2, axis=1), faces.top_z_m, barriers.top_z_m.reshape(-1, 2)]
        ),
        base_z_m=np.concatenate(
            [np.repeat(houses.base_z_m[building, None], 2, axis=1), faces.base_z_m, barriers.base_z_m.reshape(-1, 2)]
        ),
        absorption=np.concatenate(
            [
                houses.absorption[building],
                np.full((n_faces, houses.absorption.shape[1]), np.nan),
                unknown if barriers.absorption is None else barriers.absorption,
            ]
        ),
        building=np.concatenate([building, np.full(n_faces + n_barriers, -1)]).astype(np.int64),
        barrier=np.concatenate([np.full(n_sides + n_faces, -1), barriers.barrier]).astype(np.int64),
    )

"""The walls of a scene that throw sound back."""

from __future__ import annotations

import numpy as np

from lineside.scene.model import BarrierSegments, Buildings, Reflectors, Scene


def reflectors_of(scene: Scene) -> Reflectors:
    """Walls of buildings, one row for each side of each footprint in the order of its corners, then barriers.

    Side i of a footprint goes from corner i to the next; row ``Buildings.start[b] + i`` is side i of building b. After
    the ``Buildings.start[-1]`` sides come the rows of ``BarrierSegments`` in their order.

    ``absorption`` of barriers is NaN where it is not known: then it is for the plugin to say what they absorb, by what
    ``BarrierSegments.reflecting`` says, or by its own rule.
    """
    return reflectors_in(scene.buildings, scene.barriers)


def reflectors_in(houses: Buildings, barriers: BarrierSegments) -> Reflectors:
    """The same of some buildings and barriers."""
    n_sides, n_barriers = len(houses.xy_m), len(barriers.barrier)
    building = np.repeat(np.arange(len(houses)), np.diff(houses.start))
    following = np.arange(1, n_sides + 1)
    if n_sides:
        following[houses.start[1:] - 1] = houses.start[:-1]
    sides = np.stack([houses.xy_m, houses.xy_m[following]], axis=1) if n_sides else np.empty((0, 2, 2))
    unknown = np.full((n_barriers, houses.absorption.shape[1]), np.nan)
    return Reflectors(
        xy_m=np.concatenate([sides, barriers.xy_m.reshape(-1, 2, 2)]),
        top_z_m=np.concatenate([np.repeat(houses.top_z_m[building, None], 2, axis=1), barriers.top_z_m.reshape(-1, 2)]),
        base_z_m=np.concatenate(
            [np.repeat(houses.base_z_m[building, None], 2, axis=1), barriers.base_z_m.reshape(-1, 2)]
        ),
        absorption=np.concatenate(
            [houses.absorption[building], unknown if barriers.absorption is None else barriers.absorption]
        ),
        building=np.concatenate([building, np.full(n_barriers, -1)]).astype(np.int64),
        barrier=np.concatenate([np.full(n_sides, -1), barriers.barrier]).astype(np.int64),
    )

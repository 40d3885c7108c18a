"""Buildings of a scene: where they stand and end, the walls beside receivers, and who lives in them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.buildings import AT_FACADE_M, FLOOR_M
from lineside.project.footprints import LoadedBuilding
from lineside.project.load import LoadedProject
from lineside.project.resolve_buildings import rise_m
from lineside.project.wording import number, shown
from lineside.scene.model import Buildings, IntArray, Terrain
from lineside.scene.terrain import ground_height

#: Along a footprint the ground is looked at this often. [m]
GROUND_STEP_M = 1.0


@dataclass(frozen=True, eq=False)
class StandingBuilding:
    """A building of the project on its ground; ``rows``: its parts in :class:`Buildings`."""

    data: LoadedBuilding
    base_z_m: float
    top_z_m: float
    rows: range

    @property
    def height_m(self) -> float:
        """Height above the lowest ground along the footprint."""
        return self.top_z_m - self.base_z_m

    @property
    def floors(self) -> int:
        """As given, or one for each 3 m, at least one; Directive (EU) 2015/996, (2.8.10)."""
        given = self.data.floors
        return given if given is not None else max(1, round(self.height_m / FLOOR_M))


def standing_buildings(loaded: LoadedProject, origin: Array, terrain: Terrain | None) -> tuple[StandingBuilding, ...]:
    """All buildings of the project, in its order.

    Raises
    ------
    ProjectError
        If the top of one lies below its ground.
    """
    level, out, row = loaded.project.site.ground_level_m, [], 0
    problems: list[Problem] = []
    for building in loaded.buildings:
        along = np.concatenate([_along(ring) for ring in building.outlines]) - origin
        base = level if terrain is None else float(ground_height(terrain, along).min())
        top = base + rise_m(building, base)
        if top <= base:
            problems.append(
                Problem(
                    f"the top of building {shown(building.id)} lies at {number(round(top, 2))} m, below the ground at "
                    f"{number(round(base, 2))} m",
                    loaded.project_file,
                    hint="top_z_m is an absolute height; height_m counts from the ground",
                )
            )
        out.append(StandingBuilding(building, base, top, range(row, row + len(building.parts))))
        row += len(building.parts)
    if problems:
        raise ProjectError(problems)
    return tuple(out)


def _along(ring: Array) -> Array:
    """Corners and points between them, (n, 2)."""
    ends = np.roll(ring, -1, axis=0)
    steps = np.maximum(1, np.ceil(np.hypot(*(ends - ring).T) / GROUND_STEP_M)).astype(int)
    sides = zip(ring, ends, steps, strict=True)
    return np.concatenate([a + np.arange(n)[:, None] / n * (b - a) for a, b, n in sides])


def buildings_of(loaded: LoadedProject, origin: Array, terrain: Terrain | None) -> Buildings:
    """Buildings as prisms, one row per part; a building in several parts, or with a courtyard, has several.

    Raises
    ------
    ProjectError
        If the top of one lies below its ground.
    """
    return prisms(standing_buildings(loaded, origin, terrain), origin)


def prisms(standing: Sequence[StandingBuilding], origin: Array) -> Buildings:
    """Parts of buildings as arrays."""
    if not standing:
        return Buildings.none()
    rings = [ring - origin for b in standing for ring in b.data.parts]
    of = np.array([k for k, b in enumerate(standing) for _ in b.data.parts], dtype=np.int64)
    return Buildings(
        ids=tuple(standing[k].data.id for k in of),
        xy_m=np.concatenate(rings),
        start=np.concatenate([[0], np.cumsum([len(r) for r in rings])]).astype(np.int64),
        base_z_m=np.array([standing[k].base_z_m for k in of]),
        top_z_m=np.array([standing[k].top_z_m for k in of]),
        absorption=np.array([standing[k].data.absorption for k in of]),
    )


def sides(buildings: Buildings) -> tuple[Array, Array, IntArray]:
    """Sides of all footprints in the order of the rows of ``Reflectors``: both ends (n, 2) each, and the part (n,)."""
    n = np.diff(buildings.start)
    part = np.repeat(np.arange(len(n)), n)
    follower = np.arange(len(buildings.xy_m)) + 1
    last = buildings.start[1:] - 1
    follower[last] = buildings.start[:-1]
    return buildings.xy_m, buildings.xy_m[follower], part.astype(np.int64)


def walls_beside(buildings: Buildings, xy: Array, within_m: float = AT_FACADE_M) -> IntArray:
    """The wall in front of which each point (n, 2) stands, nearest first; -1: none so near. Rows of ``Reflectors``.

    A point counts as in front of a wall if it lies on its outer side; at a corner that is the wall which it lies
    farther out from.
    """
    from shapely import STRtree, linestrings, points

    wall = np.full(len(xy), -1, dtype=np.int64)
    if not len(buildings) or not len(xy):
        return wall
    start, end, _ = sides(buildings)
    lines = linestrings(np.stack([start, end], axis=1))
    where, which = STRtree(lines).query(points(xy), predicate="dwithin", distance=within_m)
    along = end[which] - start[which]
    length = np.hypot(*along.T)
    step = xy[where] - start[which]
    out = (step[:, 0] * along[:, 1] - step[:, 1] * along[:, 0]) / length  # to the right of the way from start to end
    t = np.clip((step * along).sum(axis=1) / length**2, 0.0, 1.0)
    distance = np.hypot(*(step - t[:, None] * along).T)
    front = out > 0.0
    order = np.lexsort((which[front], -np.round(out[front], 6), np.round(distance[front], 6), where[front]))
    first_where, first = np.unique(where[front][order], return_index=True)
    wall[first_where] = which[front][order][first]
    return wall

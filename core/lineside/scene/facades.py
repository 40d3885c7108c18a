"""Receivers on the facades of buildings that a project chooses."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.buildings import FacadeReceivers
from lineside.project.load import LoadedProject
from lineside.project.resolve_buildings import selected
from lineside.scene.buildings import StandingBuilding, walls_beside
from lineside.scene.facade_rules import RULES, Segment, Spot
from lineside.scene.model import IntArray, Receivers, Scene
from lineside.scene.terrain import ground_height

#: Height above the ground, distance from the wall, and distance at which quiet facades are looked for; Directive
#: 2002/49/EC, Annex II, 2.8, and Annex VI, 1.5. [m]
HEIGHT_M, FACADE_M, QUIET_M = 4.0, 0.1, 2.0
#: A wall with another building nearer than this in front of it is no facade. [m]
PARTY_M = 0.19
#: So near a building a point counts as inside. [m]
_CLEAR_M = 0.01


@dataclass(frozen=True, eq=False)
class FacadePoints:
    """Receivers on facades, building by building.

    ``building`` (n,): index into ``standing``; ``facade`` (n,): number of the side of the building's outlines, from 1;
    ``length_m`` (n,): how much of the facade a receiver stands for; ``floor`` (n,): 0 at 4 m above the ground, else the
    floor; ``height_m`` (n,) above the ground; ``bearing_deg`` (n,) of the facade's outside, clockwise from north.
    ``front``: the same places 2 m in front of the walls, for quiet facades; ``front_of`` (n_front,): their rows.
    ``bare``: ids of chosen buildings whose walls have no room for a receiver.
    """

    standing: tuple[StandingBuilding, ...]
    receivers: Receivers
    building: IntArray
    facade: IntArray
    length_m: Array
    floor: IntArray
    height_m: Array
    bearing_deg: Array
    front: Receivers
    front_of: IntArray
    bare: tuple[str, ...]

    def rows(self, building: int) -> IntArray:
        """Rows of the receivers of a building."""
        return np.flatnonzero(self.building == building)

    def __len__(self) -> int:
        return len(self.receivers)


@dataclass(frozen=True, eq=False)
class _Place:
    """One place on a facade, for all its heights."""

    building: int
    facade: int
    name: str
    spot: Spot
    quiet: bool


def chosen_buildings(loaded: LoadedProject, standing: Sequence[StandingBuilding]) -> dict[int, FacadeReceivers]:
    """Index of each building that gets receivers -> the entry that says which; a later entry counts."""
    out: dict[int, FacadeReceivers] = {}
    for entry in loaded.project.facade_receivers:
        out.update((k, entry) for k, b in enumerate(standing) if selected(entry, b.data))
    return dict(sorted(out.items()))


def facade_points(loaded: LoadedProject, scene: Scene, standing: tuple[StandingBuilding, ...]) -> FacadePoints:
    """All receivers on facades that a project asks for, outside all buildings."""
    chosen = chosen_buildings(loaded, standing)
    town = _Town(standing, np.array(scene.origin))
    places: list[_Place] = []
    for k, entry in chosen.items():
        places += town.places(k, entry)
    rows: list[tuple[_Place, int, float]] = []
    for place in places:
        entry, building = chosen[place.building], standing[place.building]
        rows.append((place, 0, HEIGHT_M))
        if entry.heights == "every_floor":
            rows += [(place, f, f * entry.storey_height_m) for f in range(1, building.floors + 1)]
    height = np.array([h for _, _, h in rows])
    wall_of = {id(p): w for p, w in zip(places, town.walls(scene, places), strict=True)}
    front = [k for k, (p, floor, _) in enumerate(rows) if floor == 0 and p.quiet]
    near = _receivers(scene, [p for p, _, _ in rows], FACADE_M, height, [_id(p, f) for p, f, _ in rows], wall_of)
    far = _receivers(scene, [rows[k][0] for k in front], QUIET_M, height[front], [near.ids[k] for k in front], wall_of)
    normal = np.array([p.spot.normal for p, _, _ in rows]).reshape(-1, 2)
    with_places = {p.building for p in places}
    return FacadePoints(
        standing=standing,
        receivers=near,
        building=np.array([p.building for p, _, _ in rows], dtype=np.int64),
        facade=np.array([p.facade for p, _, _ in rows], dtype=np.int64),
        length_m=np.array([p.spot.length_m for p, _, _ in rows]),
        floor=np.array([f for _, f, _ in rows], dtype=np.int64),
        height_m=height,
        bearing_deg=np.mod(np.degrees(np.arctan2(normal[:, 0], normal[:, 1])), 360.0),
        front=far,
        front_of=np.array(front, dtype=np.int64),
        bare=tuple(standing[k].data.id for k in chosen if k not in with_places),
    )


def _id(place: _Place, floor: int) -> str:
    return f"{place.name}/{f'floor{floor}' if floor else f'{HEIGHT_M:g}m'}"


def _receivers(
    scene: Scene,
    places: Sequence[_Place],
    away_m: float,
    height_m: Array,
    ids: Sequence[str],
    wall_of: dict[int, int],
) -> Receivers:
    xy = np.array([p.spot.point + away_m * p.spot.normal for p in places]).reshape(-1, 2)
    z = ground_height(scene, xy) + height_m
    wall = np.array([wall_of[id(p)] for p in places], dtype=np.int64)
    return Receivers(tuple(ids), np.column_stack([xy, z]), wall)


class _Town:
    """All footprints of a scene, for what stands beside what."""

    def __init__(self, standing: Sequence[StandingBuilding], origin: Array) -> None:
        from shapely import MultiPolygon, Polygon, STRtree

        self.origin = origin
        self.standing = standing
        self.shapes: list[Any] = [MultiPolygon([Polygon(r - origin) for r in b.data.parts]) for b in standing]
        self.tree = STRtree(self.shapes)

    def places(self, k: int, entry: FacadeReceivers) -> list[_Place]:
        """Places on the facades of building ``k``."""
        out: list[_Place] = []
        first = 1
        for ring in self.standing[k].data.outlines:
            seen: dict[int, int] = {}
            for spot in RULES[entry.rule](self.segments(k, ring - self.origin)):
                if not self.clear(spot.point + FACADE_M * spot.normal):
                    continue
                n = seen[spot.side] = seen.get(spot.side, 0) + 1
                quiet = entry.quiet_facade and self.clear(spot.point + QUIET_M * spot.normal)
                facade = first + spot.side
                out.append(_Place(k, facade, f"{self.standing[k].data.id}/{facade}.{n}", spot, quiet))
            first += len(ring)
        return out

    def segments(self, k: int, ring: Array) -> list[Segment]:
        """What of an outline is open to the outside: sides without the parts beside which another building stands."""
        from shapely import LineString, get_parts, unary_union

        ends = np.roll(ring, -1, axis=0)
        beside = self.tree.query(self.shapes[k], predicate="dwithin", distance=PARTY_M)
        others = [self.shapes[j] for j in beside if j != k]
        block = unary_union(others).buffer(PARTY_M - FACADE_M) if others else None
        out: list[Segment] = []
        for side, (a, b) in enumerate(zip(ring, ends, strict=True)):
            along = (b - a) / np.hypot(*(b - a))
            out_of = FACADE_M * np.array([along[1], -along[0]])
            line = LineString([a + out_of, b + out_of])
            if block is None or not block.intersects(line):
                out.append(Segment(side, a, b))
                continue
            pieces = [np.array(p.coords) - out_of for p in get_parts(line.difference(block)) if p.length > FACADE_M]
            pieces.sort(key=lambda p: float((p[0] - a) @ along))
            out += [Segment(side, p[0], p[-1]) for p in pieces]
        return out

    def clear(self, point: Array) -> bool:
        """Whether a point lies outside all buildings."""
        from shapely import Point

        return not len(self.tree.query(Point(point), predicate="dwithin", distance=_CLEAR_M))

    def walls(self, scene: Scene, places: Sequence[_Place]) -> IntArray:
        """Rows of ``Reflectors`` of the walls that places lie on."""
        xy = np.array([p.spot.point + 0.5 * FACADE_M * p.spot.normal for p in places]).reshape(-1, 2)
        return walls_beside(scene.buildings, xy, FACADE_M)

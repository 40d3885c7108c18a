"""Checks of water with a level of its own: what it would drown, and what stands in it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.draft import Draft
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.resolve_buildings import base_m, rise_m, selected
from lineside.project.wording import number, shown
from lineside.scene.alignment import Alignment, rail_head
from lineside.scene.model import Terrain
from lineside.scene.terrain import ground_height, raster_height

#: Water that is higher than the ground around it by more than this is doubtful; so is what stands in it deeper. [m]
_ABOVE_BANKS_M, _DEEP_M = 0.5, 0.5
#: Things in one water that are told one by one.
_MAX_TOLD = 10
#: Banks, barriers and walls are compared with the water this often, but at no more places along one. [m]
_STEP_M, _MOST_POINTS = 5.0, 5000
#: Height of receivers on facades above the ground, unless a floor is lower; as ``scene.facades.HEIGHT_M``. [m]
_FACADE_M = 4.0


@dataclass(frozen=True, eq=False)
class _Water:
    """An area of water at one level: where it is written, its outline (shapely), and whose level it is."""

    path: Loc
    shape: Any
    ring: Array
    level_m: float
    own_level_m: float | None  # of the ground area, on which receivers on facades stand
    of_state: bool


def check_water(draft: Draft, resolved: Resolved, terrain: Terrain, stations: Callable[[Alignment], Array]) -> None:
    """Compare the levels of water, in every state, with its banks and with all that stands beside or above it."""
    if terrain.raster is None:
        return
    for water in _waters(draft, resolved):
        deep = dict(_drowned(draft, resolved, terrain, water, stations))
        _tell(draft, water, deep)
        _tell_standing(draft, resolved, terrain, water, set(deep))
        banks = float(np.median(raster_height(terrain.raster, _along(water.ring, closed=True))))
        if not water.of_state and not deep and water.level_m > banks + _ABOVE_BANKS_M:
            draft.reporter.warn(
                water.path,
                f"lies {number(round(water.level_m - banks, 2))} m above the ground along the outline",
                allowed=f"mostly up to {number(round(banks, 2))} m, the middle height along the outline",
                hint="give the level in the heights of the terrain, or correct the outline",
            )


def _waters(draft: Draft, resolved: Resolved) -> Iterator[_Water]:
    """Every area of water that has a level: by its own outline, then in the states of the water."""
    from shapely import Polygon

    areas = draft.readable("ground_areas")
    by_id = {area.id: area for area in areas.values()}
    found: list[tuple[Loc, Any, float | None, float | None, bool]] = [
        (("ground_areas", i, "level_m"), resolved.polygons.get(i), area.level_m, area.level_m, False)
        for i, area in areas.items()
    ]
    for s, state in enumerate(draft.conditions.water if draft.conditions is not None else ()):
        for k, outline in enumerate(state.outlines):
            own = by_id[outline.area].level_m if outline.area in by_id else None
            path: Loc = ("conditions", "water", s, "outlines", k, "level_m")
            if own is None or outline.level_m is None or outline.level_m > own:  # else lower than what is checked
                found.append((path, resolved.outlines.get((s, k)), outline.level_m, own, True))
    for where, points, level, own, of_state in found:
        if level is None or points is None or len(points.array) < 3:
            continue
        ring = points.array[:, :2]
        if Polygon(ring).is_valid:  # else reported with the outlines
            yield _Water(where, Polygon(ring), ring, level, own, of_state)


def _drowned(
    draft: Draft, resolved: Resolved, terrain: Terrain, water: _Water, stations: Callable[[Alignment], Array]
) -> Iterator[tuple[str, float]]:
    """What lies below the surface, by how much. [m]"""
    from shapely import contains_xy

    tracks, level = draft.readable("tracks"), water.level_m

    def below(what: str, z: Array) -> Iterator[tuple[str, float]]:
        if len(z) and z.min() < level:
            yield what, level - float(z.min())

    for k, alignment in resolved.alignments.items():
        rail = alignment.at(stations(alignment))
        yield from below(f"rails of track {shown(tracks[k].id)}", rail[contains_xy(water.shape, rail[:, :2]), 2])
    for receiver in draft.receivers.values():
        xy = np.array([receiver.position], dtype=np.float64)
        z = ground_height(terrain, xy) + receiver.height_m
        yield from below(f"receiver {shown(receiver.id)}", z[contains_xy(water.shape, xy)])
    for name, ground, top in _barriers(draft, resolved, terrain, water):
        yield from below(f"barrier {shown(name)}", np.maximum(top, ground))
    facades = list(draft.readable("facade_receivers").values())
    for building, ground in _buildings(resolved, terrain, water):
        base = base_m(draft, resolved, building)
        yield from below(f"building {shown(building.data.id)}", np.array([base + rise_m(building.data, base)]))
        chosen = [entry for entry in facades if selected(entry, building.data)]
        if chosen:
            floors = [e.storey_height_m for e in chosen[-1:] if e.heights == "every_floor"]
            stands = max(float(ground.min()), water.own_level_m if water.own_level_m is not None else -np.inf)
            lowest = np.array([stands + min(_FACADE_M, *floors) if floors else stands + _FACADE_M])
            yield from below(f"receivers on the facades of building {shown(building.data.id)}", lowest)


def _tell(draft: Draft, water: _Water, deep: dict[str, float]) -> None:
    for what, depth in list(deep.items())[:_MAX_TOLD]:
        draft.reporter.add(
            water.path,
            f"puts {what} up to {number(round(depth, 2))} m under water",
            hint="give the level in the heights of the terrain, or correct the outline",
        )
    if len(deep) > _MAX_TOLD:
        draft.reporter.add(water.path, f"puts {len(deep) - _MAX_TOLD} more things under water", found="")


def _tell_standing(draft: Draft, resolved: Resolved, terrain: Terrain, water: _Water, drowned: set[str]) -> None:
    """Say what stands in the water, and from where its height counts then."""
    standing: dict[str, float] = {}
    for building, ground in _buildings(resolved, terrain, water):
        standing[f"building {shown(building.data.id)}"] = water.level_m - float(ground.min())
    for name, ground, _ in _barriers(draft, resolved, terrain, water):
        what = f"barrier {shown(name)}"
        standing[what] = max(water.level_m - float(ground.min()), standing.get(what, 0.0))
    told = [(what, depth) for what, depth in standing.items() if depth > _DEEP_M and what not in drowned]
    for what, depth in told[:_MAX_TOLD]:
        draft.reporter.warn(
            water.path,
            f"lets {what} stand up to {number(round(depth, 2))} m deep in water; its height counts from the ground "
            "below the water, that of receivers on facades from the surface",
            hint="leave it out of the outline of the water, or correct the level",
        )
    if len(told) > _MAX_TOLD:
        draft.reporter.warn(
            water.path, f"lets {len(told) - _MAX_TOLD} more buildings or barriers stand in water", found=""
        )


def _buildings(resolved: Resolved, terrain: Terrain, water: _Water) -> Iterator[tuple[Any, Array]]:
    """Buildings of which a part stands in the water, with the heights of the ground along that part."""
    from shapely import STRtree, get_coordinates, get_parts

    if not resolved.buildings:
        return
    for k in sorted(STRtree([b.shape for b in resolved.buildings]).query(water.shape, predicate="intersects")):
        parts = get_parts(resolved.buildings[k].shape.intersection(water.shape))
        rings = [get_coordinates(part.exterior) for part in parts if part.geom_type == "Polygon" and part.area > 0.01]
        if rings:
            at = np.concatenate([_along(ring) for ring in rings])
            yield resolved.buildings[k], ground_height(terrain, at)


def _barriers(draft: Draft, resolved: Resolved, terrain: Terrain, water: _Water) -> Iterator[tuple[str, Array, Array]]:
    """Barriers that cross the water: id, heights of the ground below them there, and of their tops."""
    from shapely import LineString, get_coordinates, get_parts

    tracks = [a.xyz_m for a in resolved.alignments.values()]
    for i, barrier in draft.readable("barriers").items():
        if i not in resolved.lines:
            continue
        wet = get_parts(LineString(resolved.lines[i].array[:, :2]).intersection(water.shape))
        lines = [_along(get_coordinates(part)) for part in wet if part.geom_type == "LineString" and part.length]
        at = np.concatenate([*lines, np.empty((0, 2))])
        if not len(at) or (barrier.height_above != "ground" and not tracks):
            continue
        ground = ground_height(terrain, at)
        yield (
            barrier.id,
            ground,
            (ground if barrier.height_above == "ground" else rail_head(tracks, at)) + barrier.height_m,
        )


def _along(line: Array, closed: bool = False) -> Array:
    """Corners of a line or ring and points between them every few metres, (n, 2)."""
    points = np.vstack([line, line[:1]]) if closed else line
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    n = int(min(np.ceil(run[-1] / _STEP_M), _MOST_POINTS)) + 1
    at = np.union1d(np.linspace(0.0, run[-1], n), run)
    return np.column_stack([np.interp(at, run, points[:, k]) for k in (0, 1)])

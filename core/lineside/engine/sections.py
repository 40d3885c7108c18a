"""Points of a vertical section through the place, and what is heard there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import shapely

from lineside.acoustics.bands import Array
from lineside.engine.at_points import Listener
from lineside.engine.kept import Blocks
from lineside.engine.layers import Layers
from lineside.engine.pool import each
from lineside.engine.select import Selection
from lineside.project.maps import SectionMap
from lineside.scene.barriers import TOLERANCE_M, kept
from lineside.scene.model import BoolArray, Receivers, Scene
from lineside.scene.terrain import ground_height, surface_height, under_decks

#: Columns of points that are heard together.
COLUMNS_AT_ONCE = 4
#: Height of the lowest points above the ground. [m]
LOWEST_M = 1.0
#: Space of a train, in which no level is given: so far to both sides of the centre line, and above the rails. [m]
TRAIN_HALF_WIDTH_M, TRAIN_HEIGHT_M = 2.0, 5.0
#: Decks are looked up so often along a cut [m], but at no more places than this; lower ones are none. [m]
DECK_STEP_M, MOST_LOOKED_UP, DECK_ABOVE_M = 0.1, 20_000, 0.01


@dataclass(frozen=True)
class Met:
    """Something that a section cuts: its index, where along the cut, and between which levels it stands.

    Of a track, all levels are that of the rail head; ``from_m`` equals ``to_m`` for tracks and barriers.
    """

    index: int
    from_m: float
    to_m: float
    base_z_m: float
    top_z_m: float


@dataclass(frozen=True, eq=False)
class Cut:
    """What a section cuts through.

    ``distance_m`` (n_s,) along it; ``ground_z_m`` (n_s,), ``surface_z_m`` (n_s,) the same but for decks of viaducts,
    which lie on top; ``height_m`` (n_z,) above the ground; ``xyz_m`` (n_z, n_s, 3)
    in the scene's coordinates; ``free`` (n_z, n_s): neither inside a building nor below a deck nor in the space of a
    train. ``tracks``, ``barriers`` (by index in the project) and ``buildings`` in order along the cut. ``decks``:
    surface of each deck, (n_points, 2): distance along the cut and level.
    """

    distance_m: Array
    ground_z_m: Array
    surface_z_m: Array
    height_m: Array
    xyz_m: Array
    free: BoolArray
    tracks: tuple[Met, ...]
    barriers: tuple[Met, ...]
    buildings: tuple[Met, ...]
    decks: tuple[Array, ...] = ()


def cut_through(scene: Scene, wanted: SectionMap) -> Cut:
    """Points of a section and all that it meets, in order along it."""
    ends = np.array(wanted.line) - np.array(scene.origin)
    length = float(np.hypot(*(ends[1] - ends[0])))
    along = (ends[1] - ends[0]) / length
    distance = np.linspace(0.0, length, int(np.ceil(length / wanted.step_m)) + 1)
    xy = ends[0] + distance[:, None] * along
    ground, surface = ground_height(scene, xy), surface_height(scene, xy)
    height = np.arange(LOWEST_M, wanted.up_to_m + 1e-9, wanted.step_m)
    z = ground + height[:, None]
    xyz = np.concatenate([np.broadcast_to(xy, (*z.shape, 2)), z[:, :, None]], axis=-1)
    line = shapely.LineString(ends)
    tracks = _tracks(scene, line)
    buildings = _buildings(scene, line)
    free = ~under_decks(scene, xyz.reshape(-1, 3)).reshape(z.shape)
    for t in tracks:
        free &= ~((np.abs(distance - t.from_m) <= TRAIN_HALF_WIDTH_M) & (z <= t.top_z_m + TRAIN_HEIGHT_M))
    for b in buildings:
        free &= ~((distance >= b.from_m) & (distance <= b.to_m) & (z <= b.top_z_m))
    return Cut(
        distance, ground, surface, height, xyz, free, tracks, _barriers(scene, line), buildings, _decks(scene, ends)
    )


def heard_in_cut(
    cut: Cut,
    layer: Layers,
    selection: Selection,
    name: str,
    progress: Callable[[int, int], None] = lambda done, of: None,
    workers: int = 1,
    blocks: Blocks | None = None,
) -> Array:
    """A-weighted mean square of one layer, (n_periods, n_z, n_s), re (20 uPa)^2; NaN where no level is given.

    ``name``: under which finished columns are kept in ``blocks``.
    """
    at = Listener(layer, selection.propagation, selection.propagation_options).at
    n_z, n_s = cut.free.shape
    kept = blocks or Blocks()

    def columns(start: int) -> Array:
        here = slice(start, start + COLUMNS_AT_ONCE)
        known = kept.load(f"{name}-{start}", ("energy",))
        if known is not None:
            return known["energy"]
        free = cut.free[:, here]
        points = cut.xyz_m[:, here][free]
        energy = np.full((layer.power.shape[1], *free.shape), np.nan)
        if len(points):
            energy[:, free] = at(Receivers(tuple(map(str, range(len(points)))), points)).energy.T
        kept.save(f"{name}-{start}", {"energy": energy})
        return energy

    starts = range(0, n_s, COLUMNS_AT_ONCE)
    found = each(
        starts, columns, workers, lambda n: progress(n * n_z * COLUMNS_AT_ONCE, len(starts) * n_z * COLUMNS_AT_ONCE)
    )
    return np.concatenate(found, axis=2)


def _decks(scene: Scene, ends: Array) -> tuple[Array, ...]:
    """Surfaces of decks, looked up closer than points are heard: a deck may be narrower than their spacing."""
    if scene.terrain is None or not scene.terrain.over.any():
        return ()
    length = float(np.hypot(*(ends[1] - ends[0])))
    distance = np.linspace(0.0, length, min(int(np.ceil(length / DECK_STEP_M)), MOST_LOOKED_UP) + 1)
    xy = ends[0] + (distance / length)[:, None] * (ends[1] - ends[0])
    surface = surface_height(scene, xy)
    on = surface > ground_height(scene, xy) + DECK_ABOVE_M
    found = []
    for part in np.split(np.flatnonzero(on), np.flatnonzero(np.diff(np.flatnonzero(on)) > 1) + 1):
        if len(part) > 1:
            keep = part[kept(distance[part], surface[part][:, None], TOLERANCE_M)]
            found.append(np.column_stack([distance[keep], surface[keep]]))
    return tuple(found)


def _crossings(line: shapely.LineString, other: shapely.LineString) -> list[tuple[float, float]]:
    """Where two lines in plan meet: distance along each. Where they run together: the middle of it."""
    met = shapely.get_parts(line.intersection(other))
    points = [part.centroid for part in met if not part.is_empty]
    return [(float(line.project(p)), float(other.project(p))) for p in points]


def _in_order(found: list[Met]) -> tuple[Met, ...]:
    """Along the cut, each once: a barrier is met twice where two of its segments join."""
    distinct = {(m.index, round(m.from_m, 3)): m for m in found}
    return tuple(sorted(distinct.values(), key=lambda m: (m.from_m, m.index)))


def _tracks(scene: Scene, line: shapely.LineString) -> tuple[Met, ...]:
    found = []
    for k, track in enumerate(scene.tracks):
        run = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(track.xyz_m[:, :2], axis=0).T))))
        for at, along in _crossings(line, shapely.LineString(track.xyz_m[:, :2])):
            z = float(np.interp(along, run, track.xyz_m[:, 2]))
            found.append(Met(k, at, at, z, z))
    return _in_order(found)


def _barriers(scene: Scene, line: shapely.LineString) -> tuple[Met, ...]:
    found, screens = [], scene.barriers
    for k in range(len(screens.barrier)):
        other = shapely.LineString(screens.xy_m[k])
        for at, along in _crossings(line, other):
            share = along / other.length if other.length else 0.0
            base, top = (float(z[k, 0] + share * (z[k, 1] - z[k, 0])) for z in (screens.base_z_m, screens.top_z_m))
            found.append(Met(int(screens.barrier[k]), at, at, base, top))
    return _in_order(found)


def _buildings(scene: Scene, line: shapely.LineString) -> tuple[Met, ...]:
    found, houses = [], scene.buildings
    for k in range(len(houses)):
        footprint = shapely.Polygon(houses.xy_m[houses.start[k] : houses.start[k + 1]])
        for part in shapely.get_parts(line.intersection(footprint)):
            ends = [float(line.project(shapely.Point(p))) for p in shapely.get_coordinates(part)]
            if ends and max(ends) > min(ends):
                found.append(Met(k, min(ends), max(ends), float(houses.base_z_m[k]), float(houses.top_z_m[k])))
    return _in_order(found)

"""The tables of a scene that vertical cuts are taken from: lines, outlines, a grid over them, reflectors."""

from __future__ import annotations

import threading
import weakref
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene import cut_kernels as ck
from lineside.scene.grid_fill import fill_lines, fill_rings, fill_strips
from lineside.scene.model import BarrierSegments, Buildings, IntArray, Reflectors, Scene, Terrain
from lineside.scene.reflectors import reflectors_in

JOINED_M = 0.01  # obstacles nearer to each other than this are one
CELL_M, MOST_CELLS = (10.0, 1000.0), 4_000_000  # smallest and largest cell of the grid
MARGIN_M = 1.0


class Sites(NamedTuple):
    """The tables of a scene: of all lines, and of those of the ground alone, without barriers and buildings."""

    whole: ck.Site
    ground: ck.Site


_lock = threading.Lock()
_sites: weakref.WeakKeyDictionary[BarrierSegments, list[tuple[tuple[object, ...], Sites]]] = weakref.WeakKeyDictionary()


def sites_of(scene: Scene) -> Sites:
    """The tables of a scene, made once; scenes that share ground, barriers, terrain and buildings share them."""
    parts = (scene.ground, scene.terrain, scene.buildings)
    with _lock:
        known = _sites.setdefault(scene.barriers, [])
        for other, sites in known:
            if all(a is b for a, b in zip(parts, other[1:], strict=True)) and other[0] == scene.ground_level_m:
                return sites
        sites = Sites(_site(scene, scene.barriers, scene.buildings), _site(scene, _no_barriers(), Buildings.none()))
        known.append(((scene.ground_level_m, *parts), sites))
        return sites


def _no_barriers() -> BarrierSegments:
    ends = np.empty((0, 2))
    return BarrierSegments(np.empty((0, 2, 2)), ends, ends, np.empty(0, dtype=np.int64))


def _site(scene: Scene, barriers: BarrierSegments, houses: Buildings) -> ck.Site:
    terrain = scene.terrain or Terrain(scene.ground_level_m)
    lines = _Lines()
    n_areas = len(scene.ground.g)
    for k, (a, b) in enumerate(pairwise(scene.ground.start)):
        lines.ring(scene.ground.xy_m[a:b], ck.AREA, k, -1)
    g = list(scene.ground.g)
    for ring, work, factor in _strip_rings(terrain):
        lines.ring(ring, ck.STRIP, n_areas, work)
        g.append(factor)
    first_house = len(lines.rings)
    group_of_barrier, group_of_house, group, corner = _groups(barriers, houses)
    for k, (a, b) in enumerate(pairwise(houses.start)):
        lines.ring(houses.xy_m[a:b], ck.HOUSE, k, -1, float(houses.top_z_m[k]), int(group_of_house[k]))
        g.append(np.nan)
    breaks = terrain.breaks
    for work in range(len(terrain.over)):
        of = breaks.work == work
        lines.work(work, breaks, np.flatnonzero(of & breaks.border), np.flatnonzero(of & ~breaks.border))
        g.append(np.nan)
    first_barrier = lines.add(
        barriers.xy_m,
        barriers.top_z_m,
        ck.BARRIER,
        np.arange(len(barriers.barrier)),
        group_of_barrier,
        deck=-1 if barriers.deck is None else barriers.deck,
    )
    seg, tag = lines.tables()
    frame = _frame(seg, terrain)
    cell, cell_seg, cell_ring, cell_strip = _grid(frame, seg, lines.rings, terrain.strips.xyz_m)
    wall, wall_seg, wall_ring = _walls(
        reflectors_in(houses, barriers, terrain), houses, lines.rings, first_house, first_barrier
    )
    raster = np.zeros((1, 1)) if terrain.raster is None else _own(terrain.raster.z_m)
    return ck.Site(
        frame=frame,
        seg=seg,
        tag=tag,
        ring=np.array(lines.rings, dtype=np.int64).reshape(-1, ck.N_RING),
        ring_g=np.array([*g, scene.ground.default_g], dtype=np.float64),
        cell=cell,
        cell_seg=cell_seg,
        cell_xy=np.ascontiguousarray(seg[cell_seg, :4]),
        cell_ring=cell_ring,
        cell_strip=cell_strip,
        group=group,
        corner=corner,
        free=_free_ends(barriers),
        strip=_own(terrain.strips.xyz_m).reshape(-1, 4, 3),
        strip_work=np.array(terrain.strips.work, dtype=np.int64),
        over=np.array(terrain.over, dtype=np.bool_),
        raster=np.where(np.isnan(raster), terrain.level_m, raster),
        wall=wall,
        wall_seg=wall_seg,
        wall_ring=wall_ring,
    )


def _own(a: Array) -> Array:
    """A writable copy: compiled code would be made a second time for arrays that are read-only."""
    return np.array(a, dtype=np.float64)


class _Lines:
    """Lines and outlines in the making."""

    def __init__(self) -> None:
        self.seg: list[Array] = [np.empty((0, 6))]
        self.tag: list[IntArray] = [np.empty((0, ck.N_TAGS), dtype=np.int64)]
        self.rings: list[list[int]] = []
        self.n = 0

    def add(
        self, xy: Array, z: Array, kind: int, owner: IntArray | int, group: IntArray | int = -1, poly: int = -1,
        rank: IntArray | int = -1, deck: IntArray | int = -1,
    ) -> int:  # fmt: skip
        """Lines (n, 2, 2) with the heights of their ends; number of the first."""
        first, n = self.n, len(xy)
        tag = np.empty((n, ck.N_TAGS), dtype=np.int64)
        for column, value in zip(
            (ck.KIND, ck.OWNER, ck.POLY, ck.RANK, ck.GROUP, ck.DECK),
            (kind, owner, poly, rank, group, deck),
            strict=True,
        ):
            tag[:, column] = value
        self.seg.append(np.column_stack([_own(xy).reshape(n, 4), _own(z).reshape(n, 2)]))
        self.tag.append(tag)
        self.n += n
        return first

    def ring(self, xy: Array, kind: int, owner: int, work: int, top: float = 0.0, group: int = -1) -> None:
        sides = np.stack([xy, np.roll(xy, -1, axis=0)], axis=1)
        first = self.add(sides, np.full((len(xy), 2), top), kind, owner, group, poly=len(self.rings))
        self.rings.append([first, self.n, kind, owner, work])

    def work(self, work: int, breaks: object, border: IntArray, inner: IntArray) -> None:
        xy, z, line = breaks.xy_m, breaks.z_m, breaks.line  # type: ignore[attr-defined]
        first = self.add(xy[border], z[border], ck.BREAK, work, poly=len(self.rings), rank=line[border])
        self.rings.append([first, self.n, ck.BREAK, work, work])
        self.add(xy[inner], z[inner], ck.BREAK, work, rank=line[inner])

    def tables(self) -> tuple[Array, IntArray]:
        return np.concatenate(self.seg), np.concatenate(self.tag)


def _strip_rings(terrain: Terrain) -> list[tuple[Array, int, float]]:
    """Outlines of strips that have a ground factor, neighbours along one line with one factor in one outline."""
    strips = terrain.strips
    runs: list[list[int]] = []
    for k in range(len(strips.g)):
        if np.isnan(strips.g[k]):
            continue
        last = runs[-1][-1] if runs else -1
        same = last >= 0 and all(v[last] == v[k] for v in (strips.work, strips.line, strips.g))
        if same and np.allclose(strips.xyz_m[last, [3, 2], :2], strips.xyz_m[k, [0, 1], :2], rtol=0, atol=1e-9):
            runs[-1].append(k)
        else:
            runs.append([k])
    out = []
    for run in runs:
        xy = strips.xyz_m[run][:, :, :2]
        ring = np.concatenate([xy[:1, 0], xy[:, 3], xy[::-1, 2], xy[:1, 1]])
        out.append((ring, int(strips.work[run[0]]), float(strips.g[run[0]])))
    return out


def _frame(seg: Array, terrain: Terrain) -> Array:
    frame = np.zeros(ck.N_FRAME)
    frame[ck.LEVEL], frame[ck.CELL], frame[ck.STEP] = terrain.level_m, 1.0, 1.0
    if terrain.raster is not None:
        frame[ck.RASTER] = 1.0
        frame[ck.RASTER_X], frame[ck.RASTER_Y] = terrain.raster.x0_m, terrain.raster.y0_m
        frame[ck.STEP] = terrain.raster.step_m
    if len(seg):
        ends = seg[:, :4].reshape(-1, 2)
        low, size = ends.min(axis=0) - MARGIN_M, np.ptp(ends, axis=0) + 2 * MARGIN_M
        cell = float(np.clip(np.sqrt(size[0] * size[1] / len(seg)), *CELL_M))
        cell = max(cell, float(np.sqrt(size[0] * size[1] / MOST_CELLS)))
        frame[ck.BOX_X], frame[ck.BOX_Y] = low
        frame[ck.CELL] = cell
        frame[ck.CELLS_X], frame[ck.CELLS_Y] = np.ceil(size / cell)
    return frame


def _grid(
    frame: Array, seg: Array, rings: list[list[int]], strips: Array
) -> tuple[IntArray, IntArray, IntArray, IntArray]:
    """First entry of each cell in the lists of lines, outlines and strips, and these lists."""
    n = int(frame[ck.CELLS_X] * frame[ck.CELLS_Y])
    box = np.array([frame[ck.BOX_X], frame[ck.BOX_Y], frame[ck.CELL], frame[ck.CELLS_X], frame[ck.CELLS_Y]])
    found = [fill_lines(box, seg)]
    found.append(fill_rings(box, seg, np.array(rings, dtype=np.int64).reshape(-1, ck.N_RING)))
    found.append(fill_strips(box, _own(strips).reshape(-1, 4, 3)))
    cell, lists = np.zeros((n + 1, 3), dtype=np.int64), []
    for column, pairs in enumerate(found):
        order = np.argsort(pairs[:, 0], kind="stable")
        cell[:, column] = np.searchsorted(pairs[order, 0], np.arange(n + 1))
        lists.append(np.ascontiguousarray(pairs[order, 1]))
    return cell, lists[0], lists[1], lists[2]


def _groups(barriers: BarrierSegments, houses: Buildings) -> tuple[IntArray, IntArray, IntArray, Array]:
    """Obstacles: group of each barrier segment and of each building, first corner of each group, corners.

    Barriers of which two ends touch are one obstacle, as are buildings that touch each other or a barrier.
    """
    name = {int(b): k for k, b in enumerate(np.unique(barriers.barrier))}
    n_barriers = len(name)
    number = np.array([name[int(b)] for b in barriers.barrier], dtype=np.int64)
    joined = np.arange(n_barriers + len(houses))
    corner: dict[tuple[int, int], int] = {}
    touching: list[tuple[int, int]] = []
    for own, ends in zip(number, barriers.xy_m, strict=True):
        for x, y in ends:
            touching.append((int(own), corner.setdefault((round(x / JOINED_M), round(y / JOINED_M)), int(own))))
    touching += _near_houses(barriers, houses, number, n_barriers)
    for a, b in touching:
        if joined[a] != joined[b]:
            joined[joined == joined[b]] = joined[a]
    group = np.unique(joined, return_inverse=True)[1].astype(np.int64)
    of_barrier, of_house = group[number], group[n_barriers:]
    owner = np.concatenate([np.repeat(of_barrier, 2), np.repeat(of_house, np.diff(houses.start))])
    corners = np.concatenate([barriers.xy_m.reshape(-1, 2), houses.xy_m.reshape(-1, 2)])
    rows = np.unique(np.column_stack([owner, corners]), axis=0) if len(corners) else np.empty((0, 3))
    start = np.searchsorted(rows[:, 0], np.arange(int(group.max(initial=-1)) + 2)).astype(np.int64)
    return of_barrier, of_house, start, np.ascontiguousarray(rows[:, 1:])


def _near_houses(
    barriers: BarrierSegments, houses: Buildings, number: IntArray, n_barriers: int
) -> list[tuple[int, int]]:
    """Pairs of obstacles that touch, one of them a building."""
    if not len(houses):
        return []
    import shapely

    shapes = [shapely.Polygon(houses.xy_m[a:b]) for a, b in pairwise(houses.start)]
    tree = shapely.STRtree(shapes)
    pairs = [(n_barriers + int(a), n_barriers + int(b)) for a, b in tree.query(shapes, "dwithin", JOINED_M).T if a < b]
    if len(number):
        lines = shapely.linestrings(barriers.xy_m)
        pairs += [(int(number[a]), n_barriers + int(b)) for a, b in tree.query(lines, "dwithin", JOINED_M).T]
    return pairs


def _free_ends(barriers: BarrierSegments) -> Array:
    """Ends of barriers at which no other segment of the same barrier goes on, (k, 2)."""
    free = [np.empty((0, 2))]
    for barrier in np.unique(barriers.barrier):
        ends = barriers.xy_m[barriers.barrier == barrier].reshape(-1, 2).round(6)
        corners, uses = np.unique(ends, axis=0, return_counts=True)
        free.append(corners[uses == 1])
    return np.concatenate(free)


def _walls(
    reflectors: Reflectors, houses: Buildings, rings: list[list[int]], first_house: int, first_barrier: int
) -> tuple[Array, IntArray, IntArray]:
    """Reflectors, the line that each is (-1: it reflects nothing) and the outline that it belongs to.

    A face stands a little before the line of its foot, which no path to it meets: it has a number that no line has.
    """
    n = len(reflectors.building)
    of_house = reflectors.building >= 0
    n_barriers = int((reflectors.barrier >= 0).sum())
    wall = np.empty((n, ck.N_WALL))
    wall[:, : ck.WALL_TOP_0] = reflectors.xy_m.reshape(n, 4)
    wall[:, [ck.WALL_TOP_0, ck.WALL_TOP_1]] = reflectors.top_z_m
    wall[:, [ck.WALL_BASE_0, ck.WALL_BASE_1]] = reflectors.base_z_m
    wall[:, ck.WALL_ONE_SIDED] = reflectors.barrier < 0
    n_sides = int(of_house.sum())
    first = rings[first_house][0] if n_sides else 0
    faces = np.full(n - n_sides - n_barriers, np.iinfo(np.int64).max)
    line = np.concatenate([first + np.arange(n_sides), faces, first_barrier + np.arange(n_barriers)]).astype(np.int64)
    high = np.any(reflectors.top_z_m > reflectors.base_z_m, axis=1)
    line[~high | np.all(reflectors.xy_m[:, 0] == reflectors.xy_m[:, 1], axis=1)] = -1
    line[_covered(houses, reflectors.xy_m[:n_sides], reflectors.building[:n_sides])] = -1
    ring = np.where(of_house, first_house + reflectors.building, -1).astype(np.int64)
    return wall, line, ring


def _covered(houses: Buildings, sides: Array, building: IntArray) -> IntArray:
    """Sides of buildings against which another building of the same height or higher stands."""
    if not len(houses):
        return np.empty(0, dtype=np.int64)
    import shapely

    shapes = [shapely.Polygon(houses.xy_m[a:b]) for a, b in pairwise(houses.start)]
    along = sides[:, 1] - sides[:, 0]
    length = np.maximum(np.hypot(along[:, 0], along[:, 1]), 1e-9)
    outward = np.column_stack([along[:, 1], -along[:, 0]]) / length[:, None]
    middle = sides.mean(axis=1) + 2 * JOINED_M * outward
    side, other = shapely.STRtree(shapes).query(shapely.points(middle), "intersects")
    higher = (other != building[side]) & (houses.top_z_m[other] >= houses.top_z_m[building[side]])
    return np.unique(side[higher]).astype(np.int64)

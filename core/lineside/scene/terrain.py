"""Heights of the ground in a scene: raster or plain, and the earthworks on it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from typing import TYPE_CHECKING, Any
from weakref import WeakKeyDictionary

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.terrain import Bank, Earthwork
from lineside.scene.alignment import Alignment
from lineside.scene.banks import bank_sections
from lineside.scene.earthworks import CrossSections, breaks_of, cross_sections, strips_of
from lineside.scene.model import BoolArray, BreakSegments, IntArray, Raster, Scene, Strips, Terrain

if TYPE_CHECKING:
    from lineside.project.load import LoadedProject

#: Rounding of places on a strip, as a share of its size.
_INSIDE = 1e-7
#: Points that are looked up at a time, to bound memory.
_BLOCK = 200_000
_TREES: WeakKeyDictionary[Strips, Any] = WeakKeyDictionary()


def ground_height(where: Scene | Terrain, xy_m: Array) -> Array:
    """Height of the ground with its earthworks, below decks that lie over it, (n, 2) -> (n,). [m]"""
    return _height(where, xy_m, decks=False)


def surface_height(where: Scene | Terrain, xy_m: Array) -> Array:
    """Height of what one stands on: the ground with its earthworks, and decks, (n, 2) -> (n,). [m]"""
    return _height(where, xy_m, decks=True)


def work_at(where: Scene | Terrain, xy_m: Array, decks: bool = True) -> IntArray:
    """The earthwork that lies on top at each point, -1: none, (n, 2) -> (n,)."""
    terrain = where.terrain if isinstance(where, Scene) else where
    work = np.full(len(xy_m), -1, dtype=np.int64)
    if terrain is not None and len(terrain.strips.work):
        _lay_strips(terrain, np.asarray(xy_m, dtype=np.float64), decks, np.empty(len(xy_m)), work)
    return work


def under_decks(where: Scene | Terrain, xyz_m: Array) -> BoolArray:
    """Which points lie below a deck, between it and the ground, (n, 3) -> (n,)."""
    terrain = where.terrain if isinstance(where, Scene) else where
    if terrain is None or not terrain.over.any():
        return np.zeros(len(xyz_m), dtype=np.bool_)
    work = work_at(terrain, xyz_m[:, :2])
    return np.asarray((work >= 0) & terrain.over[work] & (xyz_m[:, 2] < surface_height(terrain, xyz_m[:, :2])))


def raster_height(raster: Raster, xy_m: Array) -> Array:
    """Bilinear heights; beyond the edge the ground goes on as at the edge, (n, 2) -> (n,). [m]"""
    n_y, n_x = raster.z_m.shape
    x = np.clip((xy_m[:, 0] - raster.x0_m) / raster.step_m, 0.0, n_x - 1.0)
    y = np.clip((xy_m[:, 1] - raster.y0_m) / raster.step_m, 0.0, n_y - 1.0)
    i, j = np.minimum(x.astype(np.int64), max(n_x - 2, 0)), np.minimum(y.astype(np.int64), max(n_y - 2, 0))
    u, v = x - i, y - j
    i1, j1 = np.minimum(i + 1, n_x - 1), np.minimum(j + 1, n_y - 1)
    z = raster.z_m
    south = z[j, i] * (1.0 - u) + z[j, i1] * u
    north = z[j1, i] * (1.0 - u) + z[j1, i1] * u
    return np.asarray(south * (1.0 - v) + north * v)


def terrain_of(loaded: LoadedProject, origin: Array) -> Terrain | None:
    """The terrain of a project in the scene's coordinates; None where it is a plain without earthworks.

    Its works are the earthworks, then the banks.
    """
    raster, works, banks = loaded.raster, loaded.project.earthworks, loaded.project.banks
    if raster is None and not works and not banks:
        return None
    if raster is not None:
        raster = replace(raster, x0_m=raster.x0_m - float(origin[0]), y0_m=raster.y0_m - float(origin[1]))
    shift = np.array([*origin, 0.0])
    alignments = {name: Alignment(at, xyz - shift) for name, (at, xyz) in loaded.alignments.items()}
    plain = Terrain(level_m=loaded.project.site.ground_level_m, raster=raster)
    laid = lay_earthworks(plain, works, alignments)
    return with_earthworks(plain, (*works, *banks), (*laid, *lay_banks(plain, works, laid, banks, origin)))


def with_water(terrain: Terrain | None, areas: Sequence[tuple[Array, float]]) -> Terrain | None:
    """A terrain with the surface of water in it.

    Parameters
    ----------
    terrain : Terrain or None
        Without a raster nothing changes.
    areas : sequence of (ndarray (n, 2), float)
        Outlines with the levels of their surfaces; a later one lies on top. [m]
    """
    if terrain is None or terrain.raster is None or not areas:
        return terrain
    import shapely

    raster = terrain.raster
    x = raster.x0_m + raster.step_m * np.arange(raster.z_m.shape[1])
    y = raster.y0_m + raster.step_m * np.arange(raster.z_m.shape[0])
    z = raster.z_m.copy()
    for xy, level in areas:
        shape = shapely.Polygon(xy)
        shapely.prepare(shape)
        z[shapely.contains_xy(shape, *np.meshgrid(x, y))] = level
    return replace(terrain, raster=replace(raster, z_m=z))


def lay_earthworks(
    ground: Terrain, works: Sequence[Earthwork], alignments: dict[str, Alignment]
) -> tuple[CrossSections, ...]:
    """Cross-sections of earthworks in their order: earth on the ground as given, decks over both."""
    step = ground.raster.step_m if ground.raster is not None else None
    laid: dict[int, CrossSections] = {}
    for k, work in enumerate(works):
        if not work.over:
            laid[k] = cross_sections(work, alignments, lambda xy: ground_height(ground, xy), step)
    below = with_earthworks(ground, [works[k] for k in laid], list(laid.values()))
    for k, work in enumerate(works):
        if work.over:
            laid[k] = cross_sections(work, alignments, lambda xy: ground_height(below, xy), step)
    return tuple(laid[k] for k in range(len(works)))


def lay_banks(
    ground: Terrain, works: Sequence[Earthwork], laid: Sequence[CrossSections], banks: Sequence[Bank], origin: Array
) -> tuple[CrossSections, ...]:
    """Cross-sections of banks in their order, each on the ground with the earthworks and the banks before it."""
    step = ground.raster.step_m if ground.raster is not None else None
    on: list[Earthwork | Bank] = list(works)
    known = list(laid)
    for bank in banks:
        below = with_earthworks(ground, on, known)
        known.append(bank_sections(bank, partial(ground_height, below), origin, step))
        on.append(bank)
    return tuple(known[len(works) :])


def with_earthworks(ground: Terrain, works: Sequence[Earthwork | Bank], laid: Sequence[CrossSections]) -> Terrain:
    """The ground with earthworks on it, of which a later one lies on top."""
    breaks = [breaks_of(k, s) for k, s in enumerate(laid)]
    strips = [strips_of(k, s) for k, s in enumerate(laid)]
    over = np.array([work.over for work in works], dtype=np.bool_)
    return replace(ground, breaks=_joined(BreakSegments, breaks), strips=_joined(Strips, strips), over=over)


def _joined(kind: Any, parts: Sequence[Any]) -> Any:
    empty = kind.none()
    return kind(**{name: np.concatenate([getattr(p, name) for p in (empty, *parts)]) for name in vars(empty)})


def _height(where: Scene | Terrain, xy_m: Array, decks: bool) -> Array:
    xy = np.asarray(xy_m, dtype=np.float64)
    terrain = where.terrain if isinstance(where, Scene) else where
    if terrain is None:
        assert isinstance(where, Scene)
        return np.full(len(xy), where.ground_level_m)
    z = np.full(len(xy), terrain.level_m) if terrain.raster is None else raster_height(terrain.raster, xy)
    if len(terrain.strips.work):
        _lay_strips(terrain, xy, decks, z, np.full(len(xy), -1, dtype=np.int64))
    return z


def _lay_strips(terrain: Terrain, xy: Array, decks: bool, z: Array, top: IntArray) -> None:
    """Write the heights of earthworks, and their numbers, over those of the ground."""
    from shapely import points

    strips = terrain.strips
    tree = _TREES.get(strips)
    if tree is None:
        tree = _TREES[strips] = _tree(strips)
    for start in range(0, len(xy), _BLOCK):
        block = xy[start : start + _BLOCK]
        point, strip = tree.query(points(block))
        if not decks:
            earth = ~terrain.over[strips.work[strip]]
            point, strip = point[earth], strip[earth]
        height, inside = on_strip(strips.xyz_m[strip], block[point])
        point, strip, height = point[inside], strip[inside], height[inside]
        work = strips.work[strip]
        order = np.lexsort((strip, work, terrain.over[work], point))
        last = order[np.flatnonzero(np.append(np.diff(point[order]) > 0, True))] if order.size else order
        z[start + point[last]] = height[last]
        top[start + point[last]] = strips.work[strip[last]]


def _tree(strips: Strips) -> Any:
    """Spatial index of the boxes around strips."""
    from shapely import STRtree, box

    low, high = strips.xyz_m[:, :, :2].min(axis=1), strips.xyz_m[:, :, :2].max(axis=1)
    return STRtree(box(low[:, 0], low[:, 1], high[:, 0], high[:, 1]))


def on_strip(corners: Array, xy: Array) -> tuple[Array, BoolArray]:
    """Heights of bilinear strips at points, and whether the points lie on them.

    Parameters
    ----------
    corners : ndarray, (n, 4, 3)
        As in :class:`~lineside.scene.model.Strips`; two corners may be one.
    xy : ndarray, (n, 2)

    Notes
    -----
    A point is ``(1 - v) ((1 - u) a + u b) + v ((1 - u) d + u c)``; without u that is a quadratic equation for v, of
    which the root counts that lies on the strip.
    """
    a, b, c, d = (corners[:, k, :2] for k in range(4))
    e, f, g, h = b - a, d - a, a - b + c - d, xy - a
    k2, k1, k0 = _cross(g, f), _cross(e, f) + _cross(h, g), _cross(h, e)
    root = np.sqrt(np.maximum(k1 * k1 - 4.0 * k2 * k0, 0.0))
    q = -0.5 * (k1 + np.copysign(root, k1))
    z, inside = np.full(len(xy), np.nan), np.zeros(len(xy), dtype=np.bool_)
    with np.errstate(divide="ignore", invalid="ignore"):
        for v in (k0 / q, q / k2):
            way = e + g * v[:, None]
            square = (way * way).sum(axis=1)
            u = ((h - f * v[:, None]) * way).sum(axis=1) / square
            fits = (square > 0.0) & (np.abs(u - 0.5) <= 0.5 + _INSIDE) & (np.abs(v - 0.5) <= 0.5 + _INSIDE) & ~inside
            height = (1.0 - v) * ((1.0 - u) * corners[:, 0, 2] + u * corners[:, 1, 2]) + v * (
                (1.0 - u) * corners[:, 3, 2] + u * corners[:, 2, 2]
            )
            z[fits] = height[fits]
            inside |= fits
    return z, inside


def _cross(one: Array, other: Array) -> Array:
    return np.asarray(one[:, 0] * other[:, 1] - one[:, 1] * other[:, 0])

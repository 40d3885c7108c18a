"""Levels on a grid of points, tile by tile, so that memory does not grow with the area."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from lineside.acoustics.bands import Array
from lineside.contracts import Window
from lineside.engine.at_points import PointLevels
from lineside.engine.emission import Emission
from lineside.engine.kept import Blocks
from lineside.engine.pool import each
from lineside.scene.grid_lines import grid_lines
from lineside.scene.model import BoolArray, Buildings, Receivers, Scene, TrackLine
from lineside.scene.terrain import ground_height, under_decks

#: Points of one tile along each side.
TILE = 16
#: Points outside a building are nearby to one inside when they lie no farther than the nearest of them and so many
#: spacings more.
NEARBY = 1.5
#: Points so near to the centre line of a track, in plan, are not computed: along its axis a dipole has a trough, which
#: is a property of the model and not of a train. Half the width of the space of trains.
ON_TRACK_M = 2.0
#: Points that lie equally far are found as such. [m]
SAME_M = 1e-6


@dataclass(frozen=True, eq=False)
class GridLevels:
    """A-weighted mean-square pressure on a grid: of each layer (situation of a map) and period.

    ``x_m`` (n_x,), ``y_m`` (n_y,) in the scene's coordinates; ``energy`` (n_layers, n_periods, n_y, n_x) re (20 uPa)^2;
    ``left_out`` of the same shape: upper bound of what was left out. ``inside`` (n_y, n_x): points inside buildings
    or below decks, which have the energies of the quietest point nearby. ``on_track`` of the same shape: points on a
    track, which have the highest energies of the nearest points beside it.
    """

    x_m: Array
    y_m: Array
    energy: Array
    left_out: Array
    inside: BoolArray
    on_track: BoolArray


def grid_axes(scene: Scene, spacing_m: float, margin_m: float) -> tuple[Array, Array]:
    """Axes of the grid: all tracks and receivers with a margin around, on multiples of the spacing."""
    points = np.concatenate([*(t.xyz_m[:, :2] for t in scene.tracks), scene.receivers.xyz_m[:, :2]])
    origin = np.array(scene.origin)
    first, last = grid_lines(points + origin, spacing_m, margin_m)
    x, y = (np.arange(first[k], last[k] + 1) * spacing_m - origin[k] for k in range(2))
    return x, y


def line_power(scene: Scene, emission: Emission, window: Window | None = None) -> Array:
    """Mean sound power per metre in each period, all mechanisms and services.

    Parameters
    ----------
    window : Window, optional
        Instead, what the trains in each period contribute to the mean over these clock hours: the periods add up to it.

    Returns
    -------
    ndarray, (n_periods, n_sections, n_classes, 24)
        Re 1 pW/m.
    """
    n_periods = len(scene.period_names)
    passes = np.zeros((n_periods, len(scene.services)))
    for hour in range(24) if window is None else window.hours():
        passes[scene.period_of_hour[hour]] += [s.trains_per_hour[hour] for s in scene.services]
    seconds = 3600.0 * np.bincount(scene.period_of_hour, minlength=n_periods)
    if window is not None:
        seconds = np.full(n_periods, 3600.0 * window.hours().size)
    return np.einsum("nmsckt,ns->nckt", emission.pass_energy, passes / seconds[:, None], optimize=True)


def grid_levels(
    scene: Scene,
    at: Callable[[Receivers], PointLevels],
    x_m: Array,
    y_m: Array,
    height_m: float,
    progress: Callable[[int, int], None] = lambda done, of: None,
    workers: int = 1,
    blocks: Blocks | None = None,
    n_layers: int = 1,
) -> GridLevels:
    """Long-term levels of each period on a grid.

    The level of a point outside buildings depends on nothing but its place. A point inside a building takes the lowest
    level of the points outside near it: Directive 2002/49/EC, Annex II, as set by Directive (EU) 2015/996, section 2.8,
    which leaves open how near; see ``NEARBY``. So does a point below a deck, which shields it as no path shows. A point
    on a track takes the highest level of the nearest points beside it (lineside's own rule); see ``ON_TRACK_M``.

    Parameters
    ----------
    at : callable
        Levels at points, layer by layer and in each the periods; see :meth:`lineside.engine.at_points.Listener.at`.
    x_m, y_m : ndarray
        Axes of the grid.
    height_m : float
        Height of the points above the ground.
    progress : callable
        Told how many points of how many are done.
    workers : int
        Threads that share the tiles.
    blocks : Blocks, optional
        Where finished tiles are kept.
    n_layers : int
        Situations that are heard at once.
    """
    blocks = blocks or Blocks()
    n_rows = n_layers * len(scene.period_names)
    energy, left_out = (np.zeros((n_rows, len(y_m), len(x_m))) for _ in range(2))
    inside = inside_buildings(scene.buildings, x_m, y_m) | below_decks(scene, x_m, y_m, height_m)
    on_track = on_tracks(scene.tracks, x_m, y_m) & ~inside
    tiles = list(_tiles(len(x_m), len(y_m)))
    known = [blocks.load(f"map-{t}", ("energy", "left_out")) for t in range(len(tiles))]
    of, n_done = inside.size, 0
    todo = [t for t, found in enumerate(known) if found is None]

    def put(t: int, found: Array, missing: Array) -> None:
        iy, ix = tiles[t]
        energy[:, iy, ix], left_out[:, iy, ix] = found, missing

    for t, kept in enumerate(known):
        if kept is not None:
            put(t, kept["energy"], kept["left_out"])
            n_done += energy[0][tiles[t]].size
    progress(n_done, of)

    def one(t: int) -> int:
        iy, ix = tiles[t]
        gx, gy = np.meshgrid(x_m[ix], y_m[iy])
        free = ~(inside | on_track)[iy, ix]
        xy = np.stack([gx[free], gy[free]], axis=-1)
        z = ground_height(scene, xy) + height_m
        receivers = Receivers(tuple(map(str, range(len(xy)))), np.concatenate([xy, z[:, None]], axis=1))
        found = at(receivers)
        whole = np.zeros((2, n_rows, *gx.shape))
        whole[0][:, free], whole[1][:, free] = found.energy.T, found.left_out.T
        put(t, whole[0], whole[1])
        blocks.save(f"map-{t}", {"energy": whole[0], "left_out": whole[1]})
        return gx.size

    sizes = [energy[0][tiles[t]].size for t in todo]
    each(todo, one, workers, lambda n: progress(n_done + sum(sizes[:n]), of))
    fill_on_track(energy, left_out, on_track, ~(inside | on_track), x_m, y_m)
    fill_inside(energy, left_out, inside, x_m, y_m, len(scene.period_names))
    by_layer, missing = (a.reshape(n_layers, -1, *inside.shape) for a in (energy, left_out))
    return GridLevels(x_m=x_m, y_m=y_m, energy=by_layer, left_out=missing, inside=inside, on_track=on_track)


def inside_buildings(buildings: Buildings, x_m: Array, y_m: Array) -> BoolArray:
    """Which points of a grid lie inside a footprint, (n_y, n_x); those on its outline do not."""
    inside = np.zeros((len(y_m), len(x_m)), dtype=np.bool_)
    for a, b in zip(buildings.start[:-1], buildings.start[1:], strict=True):
        ring = buildings.xy_m[a:b]
        (x0, y0), (x1, y1) = ring.min(axis=0), ring.max(axis=0)
        ix = slice(*np.searchsorted(x_m, [x0, x1 + 1e-9]))
        iy = slice(*np.searchsorted(y_m, [y0, y1 + 1e-9]))
        gx, gy = np.meshgrid(x_m[ix], y_m[iy])
        if gx.size:
            inside[iy, ix] |= shapely.contains_xy(shapely.Polygon(ring), gx, gy)
    return inside


def on_tracks(tracks: Sequence[TrackLine], x_m: Array, y_m: Array) -> BoolArray:
    """Which points of a grid lie within ``ON_TRACK_M`` of a centre line in plan, (n_y, n_x)."""
    near = np.zeros((len(y_m), len(x_m)), dtype=np.bool_)
    for track in tracks:
        pieces = np.stack([track.xyz_m[:-1, :2], track.xyz_m[1:, :2]], axis=1)
        for piece in pieces:
            (x0, y0), (x1, y1) = piece.min(axis=0) - ON_TRACK_M, piece.max(axis=0) + ON_TRACK_M
            ix = slice(*np.searchsorted(x_m, [x0 - SAME_M, x1 + SAME_M]))
            iy = slice(*np.searchsorted(y_m, [y0 - SAME_M, y1 + SAME_M]))
            gx, gy = np.meshgrid(x_m[ix], y_m[iy])
            if gx.size:
                near[iy, ix] |= shapely.dwithin(shapely.LineString(piece), shapely.points(gx, gy), ON_TRACK_M + SAME_M)
    return near


def fill_on_track(
    energy: Array, left_out: Array, on_track: BoolArray, beside: BoolArray, x_m: Array, y_m: Array
) -> None:
    """Give points on a track the highest energy of the nearest points ``beside`` it, period by period.

    Where a grid has no point beside tracks, all stay silent.
    """
    if not on_track.any() or not beside.any():
        return
    gx, gy = np.meshgrid(x_m, y_m)
    tree = shapely.STRtree(shapely.points(gx[beside], gy[beside]))
    within = shapely.points(gx[on_track], gy[on_track])
    which, distance = tree.query_nearest(within, return_distance=True, all_matches=False)
    reach = np.empty(len(within))
    reach[which[0]] = distance + SAME_M
    point, near = tree.query(within, predicate="dwithin", distance=reach)
    for n in range(len(energy)):
        values, missing = energy[n][beside][near], left_out[n][beside][near]
        highest, most = np.zeros(len(within)), np.zeros(len(within))
        np.maximum.at(highest, point, values)
        chosen = values == highest[point]
        np.maximum.at(most, point[chosen], missing[chosen])
        energy[n][on_track], left_out[n][on_track] = highest, most


def below_decks(scene: Scene, x_m: Array, y_m: Array, height_m: float) -> BoolArray:
    """Which points of a grid at a height above the ground lie below a deck, (n_y, n_x)."""
    if scene.terrain is None or not scene.terrain.over.any():
        return np.zeros((len(y_m), len(x_m)), dtype=np.bool_)
    xy = np.stack(np.meshgrid(x_m, y_m), axis=-1).reshape(-1, 2)
    xyz = np.column_stack([xy, ground_height(scene, xy) + height_m])
    return under_decks(scene, xyz).reshape(len(y_m), len(x_m))


def fill_inside(energy: Array, left_out: Array, inside: BoolArray, x_m: Array, y_m: Array, n_first: int) -> None:
    """Give points inside buildings all energies of the point nearby with the lowest sum of the first ``n_first`` rows.

    Those are the periods of the first layer: one point stands for all periods and layers, so that sums over periods
    and differences of layers are those of a real place. Where a grid has no point outside, all stay silent.
    """
    if not inside.any() or inside.all():
        return
    gx, gy = np.meshgrid(x_m, y_m)
    outside = np.stack([gx[~inside], gy[~inside]], axis=-1)
    values, missing = energy[:, ~inside], left_out[:, ~inside]
    tree = shapely.STRtree(shapely.points(outside))
    within = shapely.points(gx[inside], gy[inside])
    spacing = min((float(a[1] - a[0]) for a in (x_m, y_m) if len(a) > 1), default=0.0)
    which, distance = tree.query_nearest(within, return_distance=True, all_matches=False)
    reach = np.empty(len(within))
    reach[which[0]] = distance + NEARBY * spacing
    point, near = tree.query(within, predicate="dwithin", distance=reach)
    order = np.lexsort((near, values.sum(axis=0)[near], values[:n_first].sum(axis=0)[near], point))
    chosen = near[order][np.searchsorted(point[order], np.arange(len(within)))]
    energy[:, inside], left_out[:, inside] = values[:, chosen], missing[:, chosen]


def _tiles(n_x: int, n_y: int) -> Iterator[tuple[slice, slice]]:
    for y in range(0, n_y, TILE):
        for x in range(0, n_x, TILE):
            yield slice(y, min(y + TILE, n_y)), slice(x, min(x + TILE, n_x))

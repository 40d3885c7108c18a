"""Levels on a grid of points, tile by tile, so that memory does not grow with the area."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Window
from lineside.engine.emission import Emission
from lineside.scene.model import IntArray, Receivers, Scene

#: Points of one tile along each side.
TILE = 8


@dataclass(frozen=True, eq=False)
class GridLevels:
    """A-weighted mean-square pressure on a grid: of each layer (situation of a map) and period.

    ``x_m`` (n_x,), ``y_m`` (n_y,) in the scene's coordinates; ``energy`` (n_layers, n_periods, n_y, n_x) re (20 uPa)^2.
    """

    x_m: Array
    y_m: Array
    energy: Array


def grid_axes(scene: Scene, spacing_m: float, margin_m: float) -> tuple[Array, Array]:
    """Axes of the grid: all tracks and receivers with a margin around, on multiples of the spacing."""
    points = np.concatenate([*(t.xyz_m[:, :2] for t in scene.tracks), scene.receivers.xyz_m[:, :2]])
    origin = np.array(scene.origin)
    low = np.floor((points.min(axis=0) - margin_m + origin) / spacing_m)
    high = np.ceil((points.max(axis=0) + margin_m + origin) / spacing_m)
    x, y = (np.arange(low[k], high[k] + 1) * spacing_m - origin[k] for k in range(2))
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
    n_layers: int,
    listen: Callable[[Receivers], Array],
    x_m: Array,
    y_m: Array,
    height_m: float,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> GridLevels:
    """Long-term levels of each period on a grid.

    Parameters
    ----------
    n_layers : int
        Situations that are heard at once.
    listen : callable
        Gives the energies of all layers at some points, (n_layers, n_points, n_periods).
    x_m, y_m : ndarray
        Axes of the grid.
    height_m : float
        Height of the points above the ground.
    progress : callable
        Told how many tiles of how many are done.
    """
    energy = np.zeros((n_layers, len(scene.period_names), len(y_m), len(x_m)))
    tiles = list(_tiles(len(x_m), len(y_m)))
    for done, (iy, ix) in enumerate(tiles):
        gx, gy = np.meshgrid(x_m[ix], y_m[iy])
        z = np.full(gx.size, scene.ground_level_m + height_m)
        receivers = Receivers(
            ids=tuple(str(k) for k in range(gx.size)), xyz_m=np.stack([gx.ravel(), gy.ravel(), z], axis=-1)
        )
        found = np.moveaxis(listen(receivers), 1, -1)
        energy[:, :, iy[:, None], ix[None, :]] = found.reshape(*found.shape[:2], *gx.shape)
        progress(done + 1, len(tiles))
    return GridLevels(x_m=x_m, y_m=y_m, energy=energy)


def _tiles(n_x: int, n_y: int) -> Iterator[tuple[IntArray, IntArray]]:
    for y in range(0, n_y, TILE):
        for x in range(0, n_x, TILE):
            yield np.arange(y, min(y + TILE, n_y)), np.arange(x, min(x + TILE, n_x))

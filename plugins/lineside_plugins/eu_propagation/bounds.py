"""Upper bounds of what a path can carry, whatever lies on its way."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import N_OCTAVES, OCTAVES_HZ, Array
from lineside.scene.model import Scene
from lineside_plugins.eu_propagation.air import air_absorption_db_per_km
from lineside_plugins.eu_propagation.walls import Walls

SPREADING = 10.0**-1.1  # (2.5.12)
SOUND_SPEED_M_S = 340.0
BODY_REACH = 5.0  # a barrier throws sound back to a train within this many times its height
HIGHEST_SOURCE_M = 5.0  # above the rails
MOST_IMAGES = 200


def largest_gain(scene: Scene, source_g: Sequence[float]) -> float:
    r"""Upper bound of the energy ratio, times length squared, of one path without train body; air left out.

    Notes
    -----
    :math:`A_{div}` is at least :math:`20 \lg L + 11` for a path of plan length L. :math:`A_{ground}` is never below its
    bound: (2.5.18) and -3 dB for G = 0 give at least -3 (1 - G) in homogeneous, (2.5.20) at least -9 (1 - G) in
    favourable conditions, with the smallest G on the way or of the source area. In (2.5.31) and (2.5.32), with
    :math:`x = 10^{-A_{ground}/20}` and a factor s between 0 and 1, :math:`1 + (x - 1) s \le \max(1, x)`: neither side
    gains more than its ground effect, and pure diffraction takes nothing away from the loss. So one stretch of ground
    gives at most 9 (1 - G) dB, and two of them do where edges are possible. Walls give back less than they get:
    :math:`1 - \alpha \le 1`, and (2.5.37) is a loss.
    """
    ground = [scene.ground.default_g, *np.asarray(scene.ground.g).tolist(), *source_g]
    terrain = scene.terrain
    if terrain is not None:
        strips = np.asarray(terrain.strips.g)
        ground += strips[~np.isnan(strips)].tolist()
    if len(scene.buildings):
        ground.append(0.0)
    edges = bool(len(scene.barriers.barrier) or len(scene.buildings) or (terrain is not None and not terrain.flat))
    return float(SPREADING * 10.0 ** (0.9 * (1.0 - min(ground)) * (2.0 if edges else 1.0)))


def largest_body_gain(scene: Scene, walls: Walls, body_reflection: float) -> Array:
    r"""Upper bound of the energy that a barrier adds to a train beside it, (8,), as a factor of at least 1.

    Notes
    -----
    Of each image source, spreading, absorption, body and retrodiffraction only take away, and :math:`D_n \ge 0`. What
    remains is :math:`D_0`, by (2.5.21) with a path difference of at most twice the way from source to edge, since the
    way from edge to receiver is no longer than that back to the source and on. The edge stands within five times its
    height, the source up to 5 m above the rails.
    """
    facing = walls.body_row >= 0
    gain = np.ones(N_OCTAVES)
    if not np.any(facing) or not scene.tracks:
        return gain
    rails = min(float(np.min(track.xyz_m[:, 2])) for track in scene.tracks)
    height = np.max(np.asarray(scene.barriers.top_z_m)[facing]) - rails
    if height <= 0.0:
        return gain
    way = np.hypot(BODY_REACH * height, height + HIGHEST_SOURCE_M)
    q = (1.0 - walls.body_absorption[walls.body_row[facing]].min(axis=0)) * body_reflection
    images = np.where(q < 1.0, np.minimum(q / np.maximum(1.0 - q, 1e-9), MOST_IMAGES), MOST_IMAGES)
    return gain + images * (3.0 + 40.0 * OCTAVES_HZ / SOUND_SPEED_M_S * 2.0 * way)


def largest_transfer(
    scene: Scene, distance_m: Array, *, nearest_m: float, order: int, walls: Walls, body_reflection: float,
    source_g: Sequence[float],
) -> Array:  # fmt: skip
    """Upper bound of the energy ratio of all paths together from a point at a distance in plan, (..., 8).

    Parameters
    ----------
    scene : Scene
    distance_m : ndarray, (...)
        Distance in plan of the nearest part of the piece of track. [m]
    nearest_m : float
        Shorter paths count with this length. [m]
    order : int
        Largest number of reflections.
    walls : Walls
    body_reflection : float
        C_ref of the train.
    source_g : sequence of float
        Ground factors of the source areas.

    Notes
    -----
    No path is shorter than the distance in plan, those by way of walls neither; spreading and air take at least what
    they take over it. Each sequence of walls gives one path at most: n walls give up to n + n^2 + ... reflected ones,
    and a barrier beside the train may add to each of them.
    """
    air = scene.air
    absorption = air_absorption_db_per_km(air.temperature_deg_c, air.humidity_pct, air.pressure_kpa)
    d = np.maximum(np.asarray(distance_m, dtype=np.float64), nearest_m)[..., np.newaxis]
    paths = largest_body_gain(scene, walls, body_reflection)
    if order:
        paths = paths * sum(float(walls.n_large) ** k for k in range(order + 1))
    return np.asarray(largest_gain(scene, source_g) / d**2 * 10.0 ** (-absorption * d / 1e4) * paths)

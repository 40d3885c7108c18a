"""Upper bounds of what paths can add that are not computed."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.contracts import SourceClass
from lineside.engine.transfer import directed
from lineside.scene.model import IntArray, SourcePoints

#: Step of the angles at which the largest directivity is looked for, and what is put on top for angles between them.
STEP_DEG = 1.0
BETWEEN = 1.05
#: Distances below this count as this. [m]
NEAREST_M = 0.01
#: Points are left out on a first guess of the level: this share of its upper bound.
GUESS = 0.1
#: Fewer points than this share are not worth leaving out.
WORTH = 0.1


@lru_cache(maxsize=256)
def _most(source_class: SourceClass, gain: object) -> Array:
    phi, psi = np.meshgrid(np.arange(0.0, 90.0 + STEP_DEG, STEP_DEG), np.arange(-90.0, 90.0 + STEP_DEG, STEP_DEG))
    rise = source_class.height_m + np.sin(np.radians(psi.ravel()))
    found = directed(source_class, phi.ravel(), rise, np.maximum(np.cos(np.radians(psi.ravel())), 1e-9))
    return np.asarray(found.max(axis=0)) * BETWEEN


def most_directed(source_class: SourceClass) -> Array:
    """Largest directivity of a source class in any direction, (24,)."""
    if source_class.gain is None:
        return np.ones(N_THIRDS)
    return _most(source_class, source_class.gain)


def nearest_m(points: SourcePoints, receiver_xy: Array) -> Array:
    """Distance in plan to the nearest place of the piece of track that each point stands for, or less, (n_points,)."""
    distance = np.hypot(points.xyz_m[:, 0] - receiver_xy[0], points.xyz_m[:, 1] - receiver_xy[1])
    return np.maximum(distance - 0.5 * points.length_m, NEAREST_M)


def most_heard(most: Array, power: Array, points: SourcePoints) -> Array:
    """Upper bound of the A-weighted mean square from each point, (n_points, n_periods).

    Parameters
    ----------
    most : ndarray, (n_points, 8)
        Largest energy ratio of all its paths.
    power : ndarray, (n_sections, n_periods, 8)
        Largest A-weighted power per metre.
    """
    return np.asarray((power[points.section] * most[:, None, :]).sum(axis=-1) * points.length_m[:, None])


def to_leave_out(most: Array, tolerance_db: float) -> IntArray:
    """Points that need not be computed at first, by rising bound; none where too few would be saved.

    Together they add no more than a tolerance to a level of which a first guess is a share of its upper bound.

    Parameters
    ----------
    most : ndarray, (n_points, n_periods)
        Upper bound of what each point adds; nan: not known.
    """
    if not len(most) or np.isnan(most).any():
        return np.empty(0, dtype=np.int64)
    allowed = GUESS * (10.0 ** (tolerance_db / 10.0) - 1.0) * most.sum(axis=0)
    heard = allowed > 0
    share = (most[:, heard] / allowed[heard]).max(axis=1, initial=0.0)
    order = np.argsort(share, kind="stable")
    out = order[: np.count_nonzero(np.cumsum(share[order]) <= 1.0)]
    return out if len(out) >= WORTH * len(most) else np.empty(0, dtype=np.int64)

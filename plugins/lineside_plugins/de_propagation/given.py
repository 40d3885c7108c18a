"""What a caller gives for one path, checked and brought into the form of the kernels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import OutOfRangeError
from lineside_plugins.de_propagation.walls import LEAST_KEPT

ROUNDING_M = 1e-6  # by this much a profile may fall short of the source or the receiver
XY = tuple[float, float]


@dataclass(frozen=True)
class Wall:
    """A wall that reflects, at a place across the track of the unfolded cross-section.

    The unfolded cross-section is the image of the site behind each wall: source and receiver lie on its two sides.
    ``width_m`` is the length of the wall, ``incidence_deg`` the angle in plan between path and normal, ``d_rho_db`` the
    loss of Table 18.
    """

    x_m: float
    top_z_m: float
    base_z_m: float
    width_m: float = math.inf
    d_rho_db: float = 0.0
    incidence_deg: float = 0.0


def profile_of(terrain: Sequence[Sequence[float]], xs: float, xr: float) -> Array:
    """Ground from source to receiver, its places counted from the source, (n, 2)."""
    line = np.asarray(terrain, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or np.any(np.diff(line[:, 0]) < 0.0):
        raise OutOfRangeError("terrain: needs two or more points (x, z) with x not falling")
    if line[0, 0] > xs + ROUNDING_M or line[-1, 0] < xr - ROUNDING_M:
        raise OutOfRangeError("terrain: must reach from the source to the receiver")
    inner = line[(line[:, 0] > xs) & (line[:, 0] < xr)]
    first, last = (float(np.interp(x, line[:, 0], line[:, 1])) for x in (xs, xr))
    return np.array([[xs, first], *inner, [xr, last]]) - [xs, 0.0]


def corners_of(buildings: Sequence[Sequence[float]]) -> list[XY]:
    """Both top edges of each block."""
    if any(len(b) != 3 or not b[1] > b[0] for b in buildings):
        raise OutOfRangeError("buildings: need blocks (from x, to x, z of the top), from below to")
    return [(float(x), float(b[2])) for b in buildings for x in b[:2]]


def rows_of(tops: Array, xs: float, stretch: float, sine: float, back: float) -> Array:
    """Edges (x, z) as the kernels take them, all at one angle to the path, (n, 7)."""
    row = np.zeros((len(tops), 7))
    row[:, 0], row[:, 1] = (tops[:, 0] - xs) * stretch, tops[:, 1]
    row[:, 2], row[:, 3], row[:, 4], row[:, 5] = math.inf, sine, math.sqrt(max(0.0, 1.0 - sine * sine)), back
    return row


def way_of(corners: Sequence[Sequence[float]], xs: float, xr: float, along: float) -> list[float]:
    """Detour of a way round vertical edges, length between its outer corners, and from the source to the first."""
    at = np.array([[xs, 0.0], *corners, [xr, along]], dtype=np.float64)
    pieces = np.hypot(*np.diff(at, axis=0).T)
    return [float(pieces.sum()) - math.hypot(xr - xs, along), float(pieces[1:-1].sum()), float(pieces[0])]


def mirrors_of(walls: Sequence[Wall], xs: float, xr: float, stretch: float) -> tuple[Array, Array]:
    """Walls as the kernels take them, (n, 6), and what each leaves per octave, (n, 8)."""
    for wall in walls:
        if not xs < wall.x_m < xr:
            raise OutOfRangeError(f"wall at {wall.x_m:g} m: must stand between source and receiver")
        if not (wall.top_z_m > wall.base_z_m and wall.width_m > 0.0 and wall.d_rho_db >= 0.0):
            raise OutOfRangeError(f"wall at {wall.x_m:g} m: needs a top above its foot, a width and a loss not below 0")
        if not 0.0 <= wall.incidence_deg < 90.0:
            raise OutOfRangeError(f"wall at {wall.x_m:g} m: needs an angle of incidence from 0 to below 90 degrees")
    rows = [
        ((w.x_m - xs) * stretch, w.top_z_m, w.base_z_m, math.cos(math.radians(w.incidence_deg)), w.width_m, float(k))
        for k, w in enumerate(walls)
    ]
    kept = 10.0 ** (-0.1 * np.array([w.d_rho_db for w in walls]))
    return np.array(rows), np.repeat(np.where(kept > LEAST_KEPT, kept, 0.0)[:, np.newaxis], 8, axis=1)


def water_of(water: Sequence[Sequence[float]], xs: float, xr: float) -> float:
    """d_w/d_p, the same along and across the cross-section."""
    pieces = np.asarray(sorted(map(tuple, water)), dtype=np.float64).reshape(-1, 2)
    low, high = pieces[:, 0], pieces[:, 1]
    if np.any(low >= high) or np.any(low < xs - ROUNDING_M) or np.any(high > xr + ROUNDING_M):
        raise OutOfRangeError("water: stretches (from x, to x) must lie between source and receiver, from below to")
    if np.any(low[1:] < high[:-1] - ROUNDING_M):
        raise OutOfRangeError("water: stretches must not overlap")
    return min(1.0, float(np.sum(high - low)) / (xr - xs))


def edges_of(edges: Sequence[Sequence[float]], xs: float, xr: float) -> Array:
    """Edges by rising x, (n, 2); of several at one place the highest."""
    kept: list[list[float]] = []
    for x, z in edges:
        if not xs < x < xr:
            raise OutOfRangeError(f"edge at {x:g} m: must stand between source and receiver")
        if kept and x < kept[-1][0]:
            raise OutOfRangeError(f"edge at {x:g} m: edges must be in order from source to receiver")
        if kept and x - kept[-1][0] < ROUNDING_M:
            kept[-1][1] = max(kept[-1][1], float(z))
        else:
            kept.append([float(x), float(z)])
    return np.array(kept, dtype=np.float64).reshape(-1, 2)

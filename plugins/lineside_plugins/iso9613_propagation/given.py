"""What a caller gives for one path, checked and brought into the form of the kernels."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import OutOfRangeError

LEAST_RHO = 0.2  # the reflection coefficient of a surface that counts is larger, 7.5
ROUNDING_M = 1e-6  # by this much a profile may fall short of the source or the receiver


@dataclass(frozen=True)
class Edge:
    """The top edge of an obstacle, where the path crosses it.

    ``width_m`` is the obstacle's extent across the path, ``angle_deg`` the angle in plan between path and edge, 0 to
    180.
    """

    x_m: float
    z_m: float
    width_m: float = math.inf
    angle_deg: float = 90.0


@dataclass(frozen=True)
class Wall:
    """A wall that reflects, at a place along the unfolded path.

    ``width_m`` is the length of the wall, ``incidence_deg`` the angle in plan between path and normal, ``rho`` its
    reflection coefficient (of energy), one number or eight.
    """

    x_m: float
    top_z_m: float
    base_z_m: float
    width_m: float = math.inf
    rho: float | tuple[float, ...] = 1.0
    incidence_deg: float = 0.0


def kept_energy(rho: Array) -> Array:
    """Share of energy that surfaces leave: their reflection coefficient, or 0 where it is not above 0.2; 7.5."""
    rho = np.asarray(rho, dtype=np.float64)
    return np.where(rho > LEAST_RHO, rho, 0.0)


def terrain_of(terrain: Sequence[Sequence[float]], xs: float, xr: float) -> Array:
    """Ground from source to receiver, its places counted from the source, (n, 2)."""
    line = np.asarray(terrain, dtype=np.float64)
    if line.ndim != 2 or line.shape[1] != 2 or len(line) < 2 or np.any(np.diff(line[:, 0]) < 0.0):
        raise OutOfRangeError("terrain: needs two or more points (x, z) with x not falling")
    if line[0, 0] > xs + ROUNDING_M or line[-1, 0] < xr - ROUNDING_M:
        raise OutOfRangeError("terrain: must reach from the source to the receiver")
    inner = line[(line[:, 0] > xs) & (line[:, 0] < xr)]
    first, last = (float(np.interp(x, line[:, 0], line[:, 1])) for x in (xs, xr))
    return np.array([[xs, first], *inner, [xr, last]]) - [xs, 0.0]


def ground_of(ground: Sequence[Sequence[float]], xs: float, xr: float) -> tuple[Array, Array]:
    """Borders (n + 1,) and ground factors (n,) of the pieces."""
    pieces = np.asarray(ground, dtype=np.float64)
    if pieces.ndim != 2 or pieces.shape[1] != 3:
        raise OutOfRangeError("ground: needs pieces (from x, to x, G)")
    pieces = pieces[np.argsort(pieces[:, 0], kind="stable")]
    open_end = pieces[0, 0] > xs + ROUNDING_M or pieces[-1, 1] < xr - ROUNDING_M
    if open_end or np.any(np.abs(pieces[1:, 0] - pieces[:-1, 1]) > ROUNDING_M):
        raise OutOfRangeError("ground: pieces must follow each other without gap or overlap from source to receiver")
    if np.any((pieces[:, 2] < 0.0) | (pieces[:, 2] > 1.0)):
        raise OutOfRangeError("ground: G must be between 0 and 1")
    borders = np.append(pieces[:, 0], max(pieces[-1, 1], xr))
    borders[0] = min(borders[0], xs)
    return borders, pieces[:, 2].copy()


def edges_of(
    edges: Sequence[Edge | Sequence[float]], buildings: Sequence[Sequence[float]], profile: Array, xs: float, xr: float
) -> Array:
    """Edges of obstacles above the ground as the kernels take them; (n, 7)."""
    if any(len(b) != 3 or not b[1] > b[0] for b in buildings):
        raise OutOfRangeError("buildings: need blocks (from x, to x, z of the top), from below to")
    found: list[Edge] = []
    for given in (*edges, *((x, b[2]) for b in buildings for x in b[:2])):
        edge = given if isinstance(given, Edge) else Edge(float(given[0]), float(given[1]))
        if not xs < edge.x_m < xr:
            raise OutOfRangeError(f"edge at {edge.x_m:g} m: must lie between source and receiver")
        if not 0.0 <= edge.angle_deg <= 180.0 or not edge.width_m > 0.0:
            raise OutOfRangeError(f"edge at {edge.x_m:g} m: needs an angle from 0 to 180 degrees and a width above 0")
        if edge.z_m > np.interp(edge.x_m - xs, profile[:, 0], profile[:, 1]):
            found.append(edge)
    highest: list[Edge] = []  # of edges at one place the highest
    for edge in sorted(found, key=lambda e: (e.x_m, -e.z_m)):
        if not highest or edge.x_m - highest[-1].x_m > ROUNDING_M:
            highest.append(edge)
    rows = np.zeros((len(highest), 7))
    for row, edge in zip(rows, highest, strict=True):
        angle = math.radians(edge.angle_deg)
        row[:5] = edge.x_m - xs, edge.z_m, edge.width_m, math.sin(angle), math.cos(angle)
    return rows


def mirrors_of(walls: Sequence[Wall], xs: float, xr: float) -> tuple[Array, Array]:
    """Walls as the kernels take them, (n, 6), and what each leaves per octave, (n, 8)."""
    for wall in walls:
        if not xs < wall.x_m < xr:
            raise OutOfRangeError(f"wall at {wall.x_m:g} m: must stand between source and receiver")
        if not (
            wall.top_z_m > wall.base_z_m
            and wall.width_m > 0.0
            and np.all((np.array(wall.rho) >= 0.0) & (np.array(wall.rho) <= 1.0))
        ):
            raise OutOfRangeError(f"wall at {wall.x_m:g} m: needs a top above its foot, a width, and rho from 0 to 1")
        if not 0.0 <= wall.incidence_deg < 90.0:
            raise OutOfRangeError(f"wall at {wall.x_m:g} m: needs an angle of incidence from 0 to below 90 degrees")
    rows = [
        (w.x_m - xs, w.top_z_m, w.base_z_m, math.cos(math.radians(w.incidence_deg)), w.width_m, float(k))
        for k, w in enumerate(walls)
    ]
    return np.array(rows), kept_energy(np.array([np.broadcast_to(w.rho, 8) for w in walls]))


def ways_of(ways_round: Sequence[Sequence[Sequence[float]]], xs: float, xr: float) -> Array:
    """Detour and length between the corners of two ways; (4,)."""
    if len(ways_round) > 2:
        raise OutOfRangeError("ways_round: there are two ways round at most, one on each side")
    found = np.full(4, np.inf)
    for k, way in enumerate(ways_round):
        corners = np.asarray(way, dtype=np.float64)
        if corners.ndim != 2 or corners.shape[1] != 2 or not len(corners):
            raise OutOfRangeError("ways_round: each way needs corners (x, y)")
        steps = np.linalg.norm(np.diff([[xs, 0.0], *corners, [xr, 0.0]], axis=0), axis=1)
        found[2 * k : 2 * k + 2] = steps.sum() - (xr - xs), steps[1:-1].sum()
    return found

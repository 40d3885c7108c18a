"""How fast a train is where, and how long it stays there.

Plain kinematics: speed limits, constant acceleration and braking, standstill at stops. Everything is
followed at the middle of the train; a vehicle runs ahead of it or behind it by its offset.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array

#: Spacing of the nodes at which speed is known. [m]
NODE_SPACING_M = 2.0
#: Trains that do not call still need a rate at which they follow a change of the speed limit.
#: Common practice for urban trains, no source; printed as an assumption. [m/s2]
DEFAULT_RATE_M_S2 = 0.8


@dataclass(frozen=True, eq=False)
class SpeedProfile:
    """Speed of the middle of a train along the track, in its direction of travel.

    ``place_m`` (n,) is chainage times direction, so that it always rises; between nodes the
    acceleration is constant.
    """

    direction: int
    place_m: Array
    speed_m_s: Array
    time_s: Array  # (n,) since the first node, standstill not included

    def mean_speed_m_s(self, from_m: Array, to_m: Array, offset_m: float) -> Array:
        """Mean speed over chainage ranges of a vehicle ``offset_m`` ahead of the middle of the train, (n,)."""
        return (to_m - from_m) / self.duration_s(from_m, to_m, offset_m)

    def duration_s(self, from_m: Array, to_m: Array, offset_m: float) -> Array:
        """Time that such a vehicle needs from one chainage to another, standstill not included, (n,). [s]"""
        a = self.time_at(np.asarray(from_m) * self.direction - offset_m)
        b = self.time_at(np.asarray(to_m) * self.direction - offset_m)
        return np.abs(b - a)

    def gaining_s(self, from_m: Array, to_m: Array, offset_m: float) -> Array:
        """Part of :meth:`duration_s` during which the train gains speed, (n,). [s]"""
        gains = np.diff(self.speed_m_s) > 1e-9
        gained = np.concatenate([[0.0], np.cumsum(np.where(gains, np.diff(self.time_s), 0.0))])
        a, b = (
            np.interp(self.time_at(np.asarray(m) * self.direction - offset_m), self.time_s, gained)
            for m in (from_m, to_m)
        )
        return np.asarray(np.abs(b - a))

    def time_at(self, place_m: Array) -> Array:
        """Time at which the middle of the train is at a place; exact for constant acceleration, (n,). [s]"""
        k = np.clip(np.searchsorted(self.place_m, place_m, side="right") - 1, 0, len(self.place_m) - 2)
        v0, v1 = self.speed_m_s[k], self.speed_m_s[k + 1]
        length = self.place_m[k + 1] - self.place_m[k]
        into = np.clip(place_m - self.place_m[k], 0.0, length)
        v = np.sqrt(np.maximum(v0**2 + (v1**2 - v0**2) * into / length, 0.0))
        with np.errstate(invalid="ignore"):
            part = np.where(into > 0.0, 2.0 * into / np.where(v0 + v > 0, v0 + v, 1.0), 0.0)
        before = np.minimum(place_m - self.place_m[0], 0.0) / self.speed_m_s[0]
        after = np.maximum(place_m - self.place_m[-1], 0.0) / self.speed_m_s[-1]
        return np.asarray(self.time_s[k] + part + before + after)


def speed_profile(
    limit_at_m: Array,
    limit_m_s: Array,
    direction: int,
    stops_m: Array,
    acceleration_m_s2: float,
    braking_m_s2: float,
    margin_m: float,
) -> SpeedProfile:
    """The fastest run within speed limits, acceleration and braking, with standstill at stops.

    Parameters
    ----------
    limit_at_m : ndarray, (n + 1,)
        Rising chainages between which the limits hold. [m]
    limit_m_s : ndarray, (n,)
        Speed limits. [m/s]
    direction : int
        +1 with rising chainage, -1 against it.
    stops_m : ndarray, (n_stops,)
        Chainages at which the middle of the train stands.
    acceleration_m_s2, braking_m_s2 : float
        Constant rates.
    margin_m : float
        How far the run goes on beyond both ends of the track (half a train, so that its last
        vehicle leaves the track). [m]

    Returns
    -------
    SpeedProfile
    """
    low, high = float(limit_at_m[0]) - margin_m, float(limit_at_m[-1]) + margin_m
    n = max(2, int(np.ceil((high - low) / NODE_SPACING_M)) + 1)
    between = 0.5 * (np.sort(stops_m)[1:] + np.sort(stops_m)[:-1])  # a train moves between any two stops
    nodes = np.unique(np.concatenate([np.linspace(low, high, n), limit_at_m, stops_m, between]))
    nodes = nodes[np.concatenate([[True], np.diff(nodes) > 1e-6])]
    piece = np.clip(np.searchsorted(limit_at_m, 0.5 * (nodes[:-1] + nodes[1:])) - 1, 0, len(limit_m_s) - 1)
    in_piece = limit_m_s[piece]
    ceiling = np.minimum(np.concatenate([in_piece[:1], in_piece]), np.concatenate([in_piece, in_piece[-1:]]))
    square = ceiling**2
    for stop in stops_m:
        square[np.argmin(np.abs(nodes - stop))] = 0.0
    if direction < 0:
        nodes, square = -nodes[::-1], square[::-1].copy()
    step = np.diff(nodes)
    for k in range(len(step)):
        square[k + 1] = min(square[k + 1], square[k] + 2.0 * acceleration_m_s2 * step[k])
    for k in range(len(step) - 1, -1, -1):
        square[k] = min(square[k], square[k + 1] + 2.0 * braking_m_s2 * step[k])
    speed = np.sqrt(square)
    duration = 2.0 * step / (speed[:-1] + speed[1:])
    return SpeedProfile(
        direction=direction,
        place_m=nodes,
        speed_m_s=speed,
        time_s=np.concatenate([[0.0], np.cumsum(duration)]),
    )

"""Geometry of one track: position and direction at a chainage, and the curves that its shape implies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import Curve

#: Above this radius a track counts as straight in tables and drawings; no method here acts above 1000 m.
STRAIGHT_ABOVE_M = 2000.0
#: Vertices nearer than this to the one before are left out when curvature is read off the alignment,
#: so that the scatter of a survey does not read as curves.
MIN_CHORD_M = 10.0
#: Neighbouring vertices belong to one curve when their radii differ by less than this factor.
SAME_CURVE_FACTOR = 1.6


@dataclass(frozen=True, eq=False)
class Alignment:
    """A polyline with chainage.

    ``chainage_m`` (n,) rises strictly; ``xyz_m`` (n, 3) in metres.
    """

    chainage_m: Array
    xyz_m: Array

    @property
    def from_m(self) -> float:
        return float(self.chainage_m[0])

    @property
    def to_m(self) -> float:
        return float(self.chainage_m[-1])

    def at(self, chainage_m: Array) -> Array:
        """Positions at chainages, (n, 3); beyond the ends the end point. [m]"""
        return np.stack([np.interp(chainage_m, self.chainage_m, self.xyz_m[:, k]) for k in range(3)], axis=-1)

    def direction(self, chainage_m: Array) -> Array:
        """Unit vectors in plan along rising chainage, (n, 2)."""
        step = np.diff(self.xyz_m[:, :2], axis=0)
        unit = step / np.linalg.norm(step, axis=1, keepdims=True)
        index = np.clip(np.searchsorted(self.chainage_m, chainage_m, side="right") - 1, 0, len(unit) - 1)
        return np.asarray(unit[index])

    def between(self, from_m: float, to_m: float) -> Array:
        """The polyline between two chainages, (n, 3), both ends included."""
        inside = (self.chainage_m > from_m) & (self.chainage_m < to_m)
        return self.at(np.concatenate([[from_m], self.chainage_m[inside], [to_m]]))


def chainage_of(xyz_m: Array, start_m: float = 0.0) -> Array:
    """Chainage as distance in plan along a polyline, (n,). [m]"""
    return start_m + np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz_m[:, :2], axis=0), axis=1))])


def derive_curves(alignment: Alignment) -> tuple[Curve, ...]:
    """Curves that the shape of an alignment implies.

    At each vertex the radius is the mean length of the two chords that meet there divided by the
    angle between them (exact for chords of one circle); it holds from the middle of the one chord to
    the middle of the other. Neighbours that turn the same way with like radii form one curve, whose
    radius is its length divided by its whole turn.

    Parameters
    ----------
    alignment : Alignment

    Returns
    -------
    tuple of Curve
        In order of chainage, radii up to ``STRAIGHT_ABOVE_M``; ``given`` is False.
    """
    keep = _thin(alignment)
    chainage, xy = alignment.chainage_m[keep], alignment.xyz_m[keep, :2]
    if len(chainage) < 3:
        return ()
    chord = np.diff(xy, axis=0)
    heading = np.arctan2(chord[:, 1], chord[:, 0])
    turn = np.mod(np.diff(heading) + np.pi, 2 * np.pi) - np.pi
    middle = 0.5 * (chainage[:-1] + chainage[1:])
    curves: list[Curve] = []
    run: list[int] = []
    for k in range(len(turn)):
        reach = middle[k + 1] - middle[k]
        bends = abs(turn[k]) * STRAIGHT_ABOVE_M >= reach
        if run and not (bends and _belongs(k, run, turn, middle)):
            curves.append(_curve(run, turn, middle))
            run = []
        if bends:
            run.append(k)
    if run:
        curves.append(_curve(run, turn, middle))
    return tuple(curves)


def _thin(alignment: Alignment) -> list[int]:
    """Vertices at least ``MIN_CHORD_M`` apart; both ends stay."""
    keep = [0]
    last = len(alignment.chainage_m) - 1
    for k in range(1, last):
        if alignment.chainage_m[k] - alignment.chainage_m[keep[-1]] >= MIN_CHORD_M:
            keep.append(k)
    if len(keep) > 1 and alignment.chainage_m[last] - alignment.chainage_m[keep[-1]] < MIN_CHORD_M:
        keep.pop()
    return [*keep, last]


def _belongs(k: int, run: list[int], turn: Array, middle: Array) -> bool:
    mean_radius = (middle[run[-1] + 1] - middle[run[0]]) / abs(turn[run].sum())
    radius = (middle[k + 1] - middle[k]) / abs(turn[k])
    same_way = np.sign(turn[k]) == np.sign(turn[run[-1]])
    return bool(same_way and 1 / SAME_CURVE_FACTOR < radius / mean_radius < SAME_CURVE_FACTOR)


def _curve(run: list[int], turn: Array, middle: Array) -> Curve:
    from_m, to_m = float(middle[run[0]]), float(middle[run[-1] + 1])
    return Curve(from_m=from_m, to_m=to_m, radius_m=(to_m - from_m) / float(abs(turn[run].sum())), given=False)

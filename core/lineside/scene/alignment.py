"""Geometry of one track: position and direction at a chainage, and the curves that its shape implies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import Curve, IntArray

#: Above this radius a track counts as straight in tables and drawings; no method here acts above 500 m.
STRAIGHT_ABOVE_M = 1000.0
#: Vertices nearer than this to the one before are left out when curvature is read off the alignment,
#: so that the scatter of a survey does not read as curves.
MIN_CHORD_M = 8.0
#: Chords that differ by more than this factor belong to different things: a straight and an arc.
UNEQUAL_CHORDS = 2.0
#: Neighbouring vertices belong to one curve while their radii differ by less than this factor, so that a
#: compound curve stays two curves and a transition becomes steps.
SAME_CURVE_FACTOR = 1.25
#: Scatter of curvature (median second difference) from which on it is averaged along the track. [1/m]
ROUGH_CURVATURE_PER_M = 5e-5
#: Places nearer to each other than this are one place. [m]
SAME_PLACE_M = 0.01
#: Length over which rough curvature is averaged. [m]
AVERAGING_M = 30.0


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


def rail_head(tracks: Sequence[Array], xy: Array) -> Array:
    """Rail head of the nearest track abeam of points (n, 2), (n,). [m]

    Parameters
    ----------
    tracks : sequence of ndarray, (n_vertices, 3)
    """
    from shapely import LineString, distance, line_locate_point, points

    at = points(xy)
    lines = [LineString(t[:, :2]) for t in tracks]
    nearest = np.argmin([distance(line, at) for line in lines], axis=0)
    z = [np.interp(line_locate_point(line, at), chainage_of(t), t[:, 2]) for line, t in zip(lines, tracks, strict=True)]
    return np.asarray(np.stack(z)[nearest, np.arange(len(xy))])


def derive_curves(alignment: Alignment) -> tuple[Curve, ...]:
    """Curves that the shape of an alignment implies.

    At each vertex the radius is the mean length of the two chords that meet there divided by the
    angle between them (exact for chords of one circle); it holds from the middle of the one chord to
    the middle of the other. Where a long chord meets a short one, a straight meets an arc that begins
    at the vertex: only the short chord's half counts. Neighbours that turn the same way with nearly the
    same radius form one curve with their median radius. Where the curvature scatters from vertex to
    vertex, as in a survey, it is first averaged along the track.

    Parameters
    ----------
    alignment : Alignment

    Returns
    -------
    tuple of Curve
        In order of chainage, radii up to ``STRAIGHT_ABOVE_M``; ``given`` is False. Curves that follow each
        other without a gap touch.
    """
    keep = _thin(alignment)
    chainage, xy = alignment.chainage_m[keep], alignment.xyz_m[keep, :2]
    if len(chainage) < 3:
        return ()
    chord = np.diff(xy, axis=0)
    heading = np.arctan2(chord[:, 1], chord[:, 0])
    turn = np.mod(np.diff(heading) + np.pi, 2 * np.pi) - np.pi
    length = np.diff(chainage)
    before, after = length[:-1], length[1:]
    from_m = chainage[1:-1] - np.where(before > UNEQUAL_CHORDS * after, 0.0, 0.5 * before)
    to_m = chainage[1:-1] + np.where(after > UNEQUAL_CHORDS * before, 0.0, 0.5 * after)
    curvature = _smooth(turn, from_m, to_m)
    curves: list[Curve] = []
    run: list[int] = []
    for k in range(len(turn)):
        bends = abs(curvature[k]) * STRAIGHT_ABOVE_M >= 1.0
        if run and not (bends and _belongs(k, run, curvature, from_m, to_m)):
            curves.append(_curve(run, curvature, from_m, to_m))
            run = []
        if bends:
            run.append(k)
    if run:
        curves.append(_curve(run, curvature, from_m, to_m))
    return tuple(curves)


def _thin(alignment: Alignment) -> list[int]:
    """Vertices at least ``MIN_CHORD_M`` apart; both ends stay, and so does a vertex where a long chord begins."""
    chainage = alignment.chainage_m
    last = len(chainage) - 1
    keep = [0]
    for k in range(1, last):
        if chainage[k] - chainage[keep[-1]] >= MIN_CHORD_M:
            keep.append(k)
        elif len(keep) > 1 and chainage[k + 1] - chainage[k] > UNEQUAL_CHORDS * MIN_CHORD_M:
            keep[-1] = k
    if len(keep) > 1 and chainage[last] - chainage[keep[-1]] < MIN_CHORD_M:
        keep.pop()
    return [*keep, last]


def _smooth(turn: Array, from_m: Array, to_m: Array) -> Array:
    """Signed curvature at the vertices, (n,); averaged over ``AVERAGING_M`` where it scatters. [1/m]"""
    reach = to_m - from_m
    curvature = turn / reach
    if len(turn) < 5 or np.median(np.abs(np.diff(curvature, 2))) < ROUGH_CURVATURE_PER_M:
        return np.asarray(curvature)
    middle = 0.5 * (from_m + to_m)
    first, last = _near(middle, 0.5 * AVERAGING_M)
    turned, length = (np.concatenate(([0.0], np.cumsum(values))) for values in (turn, reach))
    return np.asarray((turned[last + 1] - turned[first]) / (length[last + 1] - length[first]))


def _near(middle: Array, most_m: float) -> tuple[IntArray, IntArray]:
    """First and last place (n,) that is no farther than ``most_m`` from each; the places rise."""
    own = np.arange(len(middle))
    first = np.searchsorted(middle, middle - most_m, "left")
    last = np.searchsorted(middle, middle + most_m, "right") - 1
    # the distance itself decides, where a sum is rounded across it
    before, after = np.maximum(first - 1, 0), np.minimum(last + 1, len(middle) - 1)
    first = np.where(middle - middle[before] <= most_m, before, first)
    last = np.where(middle[after] - middle <= most_m, after, last)
    first = np.where((middle - middle[first] > most_m) & (first < own), first + 1, first)
    last = np.where((middle[last] - middle > most_m) & (last > own), last - 1, last)
    return first, last


def _median_radius(run: list[int], curvature: Array, from_m: Array, to_m: Array) -> float:
    """Radius at or below which half of the length of a run lies. [m]"""
    order = np.argsort(1.0 / np.abs(curvature[run]))
    length = np.cumsum((to_m - from_m)[run][order])
    middle = int(np.searchsorted(length, 0.5 * length[-1]))
    return float(1.0 / abs(curvature[run][order][middle]))


def _belongs(k: int, run: list[int], curvature: Array, from_m: Array, to_m: Array) -> bool:
    ratio = _median_radius(run, curvature, from_m, to_m) * abs(curvature[k])
    same_way = np.sign(curvature[k]) == np.sign(curvature[run[-1]])
    touches = from_m[k] - to_m[run[-1]] < SAME_PLACE_M
    return bool(same_way and touches and 1 / SAME_CURVE_FACTOR < ratio < SAME_CURVE_FACTOR)


def _curve(run: list[int], curvature: Array, from_m: Array, to_m: Array) -> Curve:
    radius = _median_radius(run, curvature, from_m, to_m)
    return Curve(from_m=float(from_m[run[0]]), to_m=float(to_m[run[-1]]), radius_m=radius, given=False)

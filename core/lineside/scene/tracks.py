"""Tracks of a scene: attributes resolved along the chainage, joints, curves, homogeneous sections."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.model import SpectrumRef, Track, TrackAttributes, Work
from lineside.scene.alignment import SAME_PLACE_M, STRAIGHT_ABOVE_M, Alignment, derive_curves
from lineside.scene.model import Curve, IntArray, JointedStretch, Spectrum, Stretch, TrackForm, TrackLine


@dataclass(frozen=True, eq=False)
class TrackAlong:
    """One track with its attributes resolved between all places where one of them changes.

    ``at_m`` (n + 1,) rising chainages; ``values`` (n) dictionaries of attributes that hold between them;
    ``names`` (n) names of the stretches that hold there.
    """

    track: Track
    alignment: Alignment
    at_m: Array
    values: tuple[Mapping[str, Any], ...]
    names: tuple[str, ...]

    def piece(self, chainage_m: float) -> int:
        """Index of the piece that holds a chainage."""
        return int(np.clip(np.searchsorted(self.at_m, chainage_m, side="right") - 1, 0, len(self.values) - 1))

    def pieces(self, chainage_m: Array) -> IntArray:
        """Indices of the pieces that hold chainages, (n,)."""
        return np.clip(np.searchsorted(self.at_m, chainage_m, side="right") - 1, 0, len(self.values) - 1)

    def speed_limit_m_s(self) -> Array:
        """Speed limits between ``at_m``, (n,). [m/s]"""
        return np.array([v["speed_limit_km_h"] / 3.6 for v in self.values])


def resolve_track(track: Track, alignment: Alignment, changes: Sequence[Work] = ()) -> TrackAlong:
    """Lay the stretches over the attributes of the whole track, later ones on top; then the works, in their order.

    Parameters
    ----------
    changes : sequence of Work
        Works whose changes hold, as :func:`changes_at` gives them.
    """
    at_m, values, names = lay(track, changes, alignment.from_m, alignment.to_m)
    return TrackAlong(track=track, alignment=alignment, at_m=at_m, values=values, names=names)


def lay(
    track: Track, changes: Sequence[Work], from_m: float, to_m: float
) -> tuple[Array, tuple[Mapping[str, Any], ...], tuple[str, ...]]:
    """Attributes between two chainages: ``at_m``, ``values`` and ``names`` as in :class:`TrackAlong`."""
    ends = [c for stretch in track.stretches for c in (stretch.from_m, stretch.to_m)]
    ends += [c for work in changes for c in (work.from_m, work.to_m)]
    at_m = merge_cuts(np.array([from_m, *ends, to_m]), from_m, to_m)
    base = {key: getattr(track.attributes, key) for key in TrackAttributes.model_fields}
    values, names = [], []
    for middle in 0.5 * (at_m[:-1] + at_m[1:]):
        here, name = dict(base), ""
        for stretch in track.stretches:
            if stretch.from_m <= middle <= stretch.to_m:
                here.update(stretch.changes())
                name = stretch.name or name
        for work in changes:
            if work.from_m <= middle <= work.to_m:
                here = work.onto(here)
        values.append(here)
        names.append(name)
    return at_m, tuple(values), tuple(names)


def changes_at(works: Iterable[Work], track_id: str, date: dt.date) -> tuple[Work, ...]:
    """The works of a track whose changes hold on a date, in date order; those of one day in the order given."""
    here = [work for work in works if work.track == track_id and work.sets() and work.holds(date)]
    return tuple(sorted(here, key=lambda work: work.date))


def change_dates(works: Iterable[Work]) -> tuple[dt.date, ...]:
    """Dates on which works change attributes of tracks, or their changes end; in order, without doubles."""
    dates = {date for work in works if work.sets() for date in (work.date, work.until)}
    return tuple(sorted(date for date in dates if date is not None))


def merge_cuts(cuts: Array, from_m: float, to_m: float) -> Array:
    """Cuts inside a range, sorted, without doubles, both ends included."""
    inside = np.sort(cuts[(cuts > from_m + SAME_PLACE_M) & (cuts < to_m - SAME_PLACE_M)])
    if inside.size:
        inside = inside[np.concatenate([[True], np.diff(inside) > SAME_PLACE_M])]
    return np.concatenate([[from_m], inside, [to_m]])


def track_line(along: TrackAlong) -> TrackLine:
    """The track as calculators see it: with joints and curves located along it."""
    joints = []
    for key, from_m, to_m in _runs(along, "joints_per_100_m"):
        if key > 0:
            joints.append(JointedStretch(from_m=from_m, to_m=to_m, joints_per_m=key / 100.0, what="joints"))
    for turnout in along.track.turnouts:
        place = turnout.chainage_m
        joints.append(JointedStretch(from_m=place, to_m=place, joints_per_m=0.01, what="turnout"))
    return TrackLine(
        id=along.track.id,
        name=along.track.name or along.track.id,
        kind=along.track.kind,
        chainage_m=along.alignment.chainage_m,
        xyz_m=along.alignment.xyz_m,
        joints=tuple(joints),
        curves=_curves(along),
    )


def _runs(along: TrackAlong, key: str) -> list[tuple[Any, float, float]]:
    """Runs of pieces in which an attribute has one value: (value, from, to)."""
    runs: list[tuple[Any, float, float]] = []
    for k, value in enumerate(along.values):
        if runs and runs[-1][0] == value[key]:
            runs[-1] = (value[key], runs[-1][1], float(along.at_m[k + 1]))
        else:
            runs.append((value[key], float(along.at_m[k]), float(along.at_m[k + 1])))
    return runs


#: Half the length of track that counts as a turnout's own when it is passed on its diverging route. [m]
TURNOUT_HALF_LENGTH_M = 15.0


def _curves(along: TrackAlong) -> tuple[Curve, ...]:
    """Given radii where the user wrote them, derived ones elsewhere, diverging turnouts on top."""
    derived = derive_curves(along.alignment)
    curves: list[Curve] = []
    for radius, from_m, to_m in _runs(along, "curve_radius_m"):
        if radius is None:
            curves += [
                Curve(max(c.from_m, from_m), min(c.to_m, to_m), c.radius_m, given=False)
                for c in derived
                if min(c.to_m, to_m) - max(c.from_m, from_m) > SAME_PLACE_M
            ]
        elif radius != "straight" and radius <= STRAIGHT_ABOVE_M:
            curves.append(Curve(from_m, to_m, float(radius), given=True))
    for turnout in along.track.turnouts:
        if turnout.route == "diverging" and turnout.diverging_radius_m is not None:
            low = max(along.alignment.from_m, turnout.chainage_m - TURNOUT_HALF_LENGTH_M)
            high = min(along.alignment.to_m, turnout.chainage_m + TURNOUT_HALF_LENGTH_M)
            curves.append(Curve(low, high, turnout.diverging_radius_m, given=True, turnout=True))
    return tuple(sorted(curves, key=lambda c: (c.from_m, c.to_m)))


class Forms:
    """Collects the distinct combinations of attributes that calculators see."""

    def __init__(self, spectrum: Callable[[str], Spectrum]) -> None:
        self._spectrum = spectrum
        self._index: dict[tuple[Any, ...], int] = {}
        self.forms: list[TrackForm] = []

    def index(self, value: Mapping[str, Any]) -> int:
        """Index of the form with these attributes."""
        keys = ("form", "sleeper", "rail_pad", "track_transfer", "rail_roughness", "impact_roughness", "bridge")
        key = (*(str(value[k]) for k in keys), value["source_ground_g"], value["friction"])
        if key not in self._index:
            self._index[key] = len(self.forms)
            self.forms.append(
                TrackForm(
                    form=value["form"],
                    sleeper=value["sleeper"],
                    rail_pad=value["rail_pad"],
                    track_transfer=self.resolve(value["track_transfer"]),  # type: ignore[arg-type]
                    rail_roughness=self.resolve(value["rail_roughness"]),  # type: ignore[arg-type]
                    impact_roughness=self.resolve(value["impact_roughness"]),
                    bridge=None if value["bridge"] == "none" else self.resolve(value["bridge"]),
                    source_ground_g=value["source_ground_g"],
                    friction=value["friction"],
                )
            )
        return self._index[key]

    def resolve(self, value: str | SpectrumRef | None) -> str | Spectrum | None:
        """A class name as it is, a reference as its spectrum."""
        return self._spectrum(value.spectrum) if isinstance(value, SpectrumRef) else value


def stretch_label(along: TrackAlong, piece: int) -> str:
    """What a reader calls this piece of track."""
    name = along.names[piece] or (along.track.name or along.track.id)
    return f"{name}, {along.at_m[piece]:.0f} to {along.at_m[piece + 1]:.0f} m"


def stretches_of(index: int, along: TrackAlong) -> list[Stretch]:
    """The pieces of one track as stretches for the report."""
    return [
        Stretch(index, float(along.at_m[k]), float(along.at_m[k + 1]), stretch_label(along, k))
        for k in range(len(along.values))
    ]

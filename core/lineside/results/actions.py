"""What the depot can look at: places on the track to which the numbers point."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.engine.rails import Rails
from lineside.results import model
from lineside.scene.model import Scene

#: A part of the sound counts for an action where Lden would fall by this much without it. An assumption. [dB]
GAIN_DB = 1.0
#: Joints may be heard from a stretch that they do not lie in, as far as this from its ends. [m]
REACH_M = 60.0
#: A rail is named where what is looked for makes up this part of its roughness in any band. An assumption.
PART_OF_ROUGHNESS = 0.1
Kind = Literal["joints", "turnout", "curve", "marks", "new_rail", "growth"]
Place = tuple[Kind, str, float, float]


def actions(
    scene: Scene,
    mechanisms: Sequence[str],
    by_place: Array,
    hours: Array,
    explanations: Sequence[model.Explanation],
    rails: Rails,
    date: dt.date,
) -> list[model.Action]:
    """Places with joints, dry curves and rails that are rough after works or have grown rough.

    Parameters
    ----------
    by_place : ndarray, (n_receivers, n_periods, n_mechanisms, n_stretches)
        A-weighted energies.
    hours : ndarray, (n_periods,)
    date : date
        Works after it are not done yet.
    """
    energy = lden_energy(np.moveaxis(by_place, 1, -1), hours)
    gains: dict[Place, dict[str, float]] = {}
    for mechanism, places in (("impact", _joints), ("squeal", _curves)):
        if mechanism in mechanisms:
            _add(gains, scene, energy, energy[:, mechanisms.index(mechanism)], places(scene))
    _add_rails(gains, scene, explanations, rails, date)
    out = [
        model.Action(
            kind=kind,
            track=track,
            from_m=round(from_m, 2),
            to_m=round(to_m, 2),
            gains=[
                model.ActionGain(receiver=name, gain_db=round(gain, 2))
                for name, gain in sorted(heard.items(), key=lambda e: (-e[1], e[0]))
            ],
        )
        for (kind, track, from_m, to_m), heard in gains.items()
    ]
    return sorted(out, key=lambda a: (-a.gains[0].gain_db, a.kind, a.track, a.from_m))


def _add(
    gains: dict[Place, dict[str, float]],
    scene: Scene,
    energy: Array,
    by_stretch: Array,
    places: Mapping[int, Place],
) -> None:
    """Give the energy of one mechanism in each stretch, (n_receivers, n_stretches), to the place that makes it."""
    total = energy.sum(axis=(1, 2))
    parts: dict[Place, Array] = {}
    for stretch, place in places.items():
        parts[place] = parts.get(place, 0.0) + by_stretch[:, stretch]
    for place, part in parts.items():
        share = np.divide(part, total, out=np.zeros_like(total), where=total > 0)
        gain = -10.0 * np.log10(np.maximum(1.0 - share, 1e-6))
        heard = {scene.receivers.ids[r]: float(g) for r, g in enumerate(gain) if g >= GAIN_DB}
        if heard:
            gains[place] = heard


def _joints(scene: Scene) -> dict[int, Place]:
    """The joints or the turnout nearest to each stretch within reach."""
    out: dict[int, Place] = {}
    for k, stretch in enumerate(scene.stretches):
        line = scene.tracks[stretch.track]
        near = [(max(j.from_m - stretch.to_m, stretch.from_m - j.to_m, 0.0), -j.joints_per_m, j) for j in line.joints]
        if near:
            distance, _, joint = min(near, key=lambda n: n[:2])
            if distance <= REACH_M:
                kind: Kind = "turnout" if joint.what == "turnout" else "joints"
                out[k] = (kind, line.id, joint.from_m, joint.to_m)
    return out


def _curves(scene: Scene) -> dict[int, Place]:
    """The tightest curve of each stretch whose friction nothing manages."""
    friction = {
        int(s): scene.forms[int(f)].friction for s, f in zip(scene.sections.stretch, scene.sections.form, strict=True)
    }
    out: dict[int, Place] = {}
    for k, stretch in enumerate(scene.stretches):
        line = scene.tracks[stretch.track]
        curves = [c for c in line.curves if c.from_m < stretch.to_m and stretch.from_m < c.to_m]
        if curves and friction.get(k, "none") == "none":
            tightest = min(curves, key=lambda c: c.radius_m)
            out[k] = ("curve", line.id, tightest.from_m, tightest.to_m)
    return out


def _add_rails(
    gains: dict[Place, dict[str, float]],
    scene: Scene,
    explanations: Sequence[model.Explanation],
    rails: Rails,
    date: dt.date,
) -> None:
    """Runs of rail whose finish and marks, or growth, are heard; by the causes of the change since before the works."""
    if not rails.change:
        return
    changes = {e.receiver: {c.cause: c.change_db.get("lden") or 0.0 for c in e.causes} for e in explanations}
    causes: dict[str, tuple[str, ...]] = {"fresh": ("finish", "marks"), "growth": ("growth",)}
    heard = {w: {r: sum(c.get(p, 0.0) for p in parts) for r, c in changes.items()} for w, parts in causes.items()}
    energy = rails.parts([date]).energy
    whole = np.sum(list(energy.values()), axis=0)
    found: dict[tuple[Kind, str], list[tuple[float, float]]] = {}
    what: dict[tuple[Kind, str], str] = {}
    for k, run in enumerate(rails.runs.runs):
        done = [w for w in run.works if w.date <= date]
        fresh: Kind = "new_rail" if done and done[-1].kind == "rail_renewal" else "marks"
        kinds: dict[str, Kind] = {"fresh": fresh, "growth": "growth"}
        for cause, parts in causes.items():
            share = np.sum([energy[p][k, 0] for p in parts], axis=0) / whole[k, 0]
            if share.max() >= PART_OF_ROUGHNESS:
                key = (kinds[cause], scene.tracks[int(rails.runs.track[k])].id)
                found.setdefault(key, []).append((float(rails.runs.from_m[k]), float(rails.runs.to_m[k])))
                what[key] = cause
    for (kind, track), ranges in found.items():
        loud = {r: gain for r, gain in heard[what[kind, track]].items() if gain >= GAIN_DB}
        for from_m, to_m in _joined(ranges):
            if loud:
                gains[kind, track, from_m, to_m] = loud


def _joined(ranges: Sequence[tuple[float, float]]) -> list[tuple[float, float]]:
    """Ranges that touch or overlap as one."""
    out: list[tuple[float, float]] = []
    for low, high in sorted(ranges):
        if out and low <= out[-1][1]:
            out[-1] = (out[-1][0], max(high, out[-1][1]))
        else:
            out.append((low, high))
    return out

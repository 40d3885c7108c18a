"""What the depot can look at: places on the track to which the numbers point."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.engine.grid import line_power
from lineside.engine.levels import heard
from lineside.engine.plan import Plan
from lineside.engine.run import Computed, ReceiverLevels
from lineside.results import model
from lineside.scene.model import Scene

#: A part of the sound counts for an action where Lden would fall by this much without it. An assumption. [dB]
GAIN_DB = 1.0
#: The same for the rails of one track: what several tracks add is heard together. An assumption. [dB]
GAIN_RAILS_DB = 0.5
#: Joints may be heard from a stretch that they do not lie in, as far as this from its ends. [m]
REACH_M = 60.0
#: A rail is named where what is looked for makes up this part of its roughness in any band. An assumption.
PART_OF_ROUGHNESS = 0.1
Kind = Literal["joints", "turnout", "curve", "marks", "new_rail", "growth"]
Place = tuple[Kind, str, float, float]


def actions(planned: Plan, computed: Computed, hours: Array) -> list[model.Action]:
    """Places with joints, dry curves and rails that are rough after works or have grown rough, by the rated levels.

    Parameters
    ----------
    hours : ndarray, (n_periods,)
    """
    scene, mechanisms = planned.built.scene, computed.emission.mechanisms
    energy = lden_energy(np.moveaxis(computed.receivers.by_place, 1, -1), hours)
    gains: dict[Place, dict[str, float]] = {}
    for mechanism, places in (("impact", _joints), ("squeal", _curves)):
        if mechanism in mechanisms:
            _add(gains, scene, energy, energy[:, mechanisms.index(mechanism)], places(scene))
    _add_rails(gains, planned, computed.receivers, hours)
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


def _add_rails(gains: dict[Place, dict[str, float]], planned: Plan, levels: ReceiverLevels, hours: Array) -> None:
    """Runs of rail whose finish and marks, or growth, are heard: levels without them, one track and kind at a time."""
    rails, date, scene = planned.rails, planned.situation.date, planned.built.scene
    if not rails.change:
        return
    energy = rails.parts([date]).energy
    whole = np.sum(list(energy.values()), axis=0)
    found: dict[tuple[Kind, str, tuple[str, ...]], list[int]] = {}
    for k, run in enumerate(rails.runs.runs):
        done = [w for w in run.works if w.date <= date]
        fresh: Kind = "new_rail" if done and done[-1].kind == "rail_renewal" else "marks"
        kinds: dict[Kind, tuple[str, ...]] = {fresh: ("finish", "marks"), "growth": ("growth",)}
        for kind, parts in kinds.items():
            share = np.sum([energy[p][k, 0] for p in parts], axis=0) / whole[k, 0]
            if share.max() >= PART_OF_ROUGHNESS:
                found.setdefault((kind, scene.tracks[int(rails.runs.track[k])].id, parts), []).append(k)
    heard_now = lden_energy(levels.period, hours)
    for (kind, track, parts), members in found.items():
        emission = planned.emission_at(date, parts, members)
        without = lden_energy(heard(levels.transfer, line_power(scene, emission)), hours)
        gain = np.zeros_like(heard_now)
        np.log10(heard_now / np.where(without > 0, without, 1.0), out=gain, where=(heard_now > 0) & (without > 0))
        loud = {scene.receivers.ids[r]: float(10.0 * g) for r, g in enumerate(gain) if 10.0 * g >= GAIN_RAILS_DB}
        for from_m, to_m in _joined([(float(rails.runs.from_m[k]), float(rails.runs.to_m[k])) for k in members]):
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

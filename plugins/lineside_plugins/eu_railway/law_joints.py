"""How many rail joints count at a place, section 2.3 of Annex II, Directive 2002/49/EC."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import Scene, TrackLine

#: Impact noise reaches from this far before the first joint to this far after the last one. [m]
REACH_M = 50.0


def joint_density_per_m(track: TrackLine, chainage_m: Array) -> Array:
    """Joints per metre n_l that count at each chainage, (n,).

    A jointed stretch counts with its density from 50 m before to 50 m behind it; a turnout is one joint, so
    that its n_l of 0.01 per metre over 50 m on both sides holds it exactly once.

    Notes
    -----
    The law does not say what happens where reaches overlap. Jointed stretches that touch are parts of one
    jointed line: the larger density holds, they are not added. Turnouts are additional joints: each one adds
    its own, to other turnouts and to jointed track.
    """
    jointed = np.zeros_like(chainage_m)
    turnouts = np.zeros_like(chainage_m)
    for joint in track.joints:
        inside = (chainage_m > joint.from_m - REACH_M) & (chainage_m < joint.to_m + REACH_M)
        here = np.where(inside, joint.joints_per_m, 0.0)
        if joint.what == "turnout":
            turnouts += here
        else:
            jointed = np.maximum(jointed, here)
    return jointed + turnouts


def joint_cuts_m(track: TrackLine) -> Array:
    """Chainages at which the density may change, within the track, sorted, (n,). [m]"""
    ends = [end for j in track.joints if j.joints_per_m > 0 for end in (j.from_m - REACH_M, j.to_m + REACH_M)]
    cuts = np.unique(np.array(ends, dtype=np.float64))
    return cuts[(cuts > track.chainage_m[0]) & (cuts < track.chainage_m[-1])]


def section_joint_density_per_m(scene: Scene) -> Array:
    """Joints per metre in every section of a scene, taken at its middle, (n_sections,)."""
    density = np.zeros(len(scene.sections))
    mid_m = scene.sections.mid_m
    for index, track in enumerate(scene.tracks):
        here = scene.sections.track == index
        density[here] = joint_density_per_m(track, mid_m[here])
    return density

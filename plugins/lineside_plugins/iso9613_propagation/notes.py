"""What the report says about the propagation: the method in one paragraph, ranges left, assumptions."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Note, Standing
from lineside.scene.faces import faces_of
from lineside.scene.limits import missing_in_paths
from lineside.scene.model import Scene
from lineside_plugins.iso9613_propagation.options import Iso9613Options

FARTHEST_M = 1000.0  # Table 5
HIGHEST_M = 30.0  # Table 5
RAISED_TRACK_M = 1.0
POROUS_G = 0.5  # "mixed ground, most of which is porous" (7.3.2)


def statement_of(options: Iso9613Options) -> str:
    """The method in one paragraph."""
    ground = (
        "attenuation of the ground in a source, a middle and a receiver region with the mean ground factor of each "
        "(clause 7.3.1)"
    )
    if options.ground_method == "alternative":
        ground = (
            "attenuation of the ground from the mean height of the path, equal in all octaves (alternative method, "
            "clause 7.3.2, for A-weighted levels), with the index D_Omega for reflection near the source"
        )
    rule = "A_bar = D_z - A_gr (equation 12)"
    if options.ground_gain_behind_barriers:
        rule = "A_bar = D_z - max(A_gr, 0) (ISO/TR 17534-3)"
    sides = {
        "uncapped": "ways round their ends are added, without the cap of 20 or 25 dB, which stands for what reaches "
        "the receiver in any case and would otherwise count again for each end, however far away",
        "capped": "ways round their ends are added with the cap of 20 or 25 dB",
        "none": "ways round their ends do not count",
    }[options.side_edges]
    mirrors = "Reflections are not included."
    if options.reflection_order:
        times = {1: "once", 2: "up to twice", 3: "up to three times"}[options.reflection_order]
        mirrors = (
            f"Walls of buildings and barriers reflect {times} (clause 7.5), each octave by itself where the wall is "
            "large enough (equation 19) and more than 0.2 of the energy comes back, on paths up to "
            f"{options.reflection_reach:g} times as long as the straight line."
        )
    average = "levels under downwind conditions stand for all periods"
    if options.c0_db > 0.0:
        average = f"the meteorological correction C_met with C_0 = {options.c0_db:g} dB is subtracted (clause 8)"
    return (
        "Each piece of track is a point source. Along the line from point to receiver the octave levels 63 Hz to 8 "
        "kHz are reduced by spherical spreading (20 lg d + 11 dB), absorption of air by ISO 9613-1 at the exact "
        f"mid-band frequencies, and {ground}. Barriers, buildings and ground in the ray act by single or double "
        f"diffraction, if wider than the wavelength, with C_2 = {options.c2}, {rule}; {sides}. {mirrors} The standard "
        f"describes moderate downwind propagation; {average}. Heights count from the ground below. The ground within "
        f"{options.track_bed_m:g} m of the middle of the track has the ground factor of the track form. A piece is no "
        f"longer than {options.piece_ratio:g} of its distance and is split further where the end of a barrier or the "
        "border of two grounds divides it as seen from the receiver; pieces nearer than "
        f"{options.min_distance_m:g} m in plan are computed at that distance."
    )


def notes_on(scene: Scene, options: Iso9613Options) -> list[Note]:
    """Ranges left and assumptions made for this project."""
    return [*_assumptions(scene, options), *_ranges_left(scene, options)]


def _assumptions(scene: Scene, options: Iso9613Options) -> list[Note]:
    law = [
        "ISO 9613-2 gives levels under conditions favourable to propagation from source to receiver. The project's "
        "shares of favourable propagation do not enter.",
        "The edition of 1996 is used; the edition of 2024 changed parts of the ground method.",
        "For broadband noise, A-weighted, without screening or reflections, the standard states an accuracy of 3 dB up "
        "to 1000 m for mean heights of source and receiver up to 5 m (Table 5, from memory).",
    ]
    own = [
        _ground(scene),
        "Sound power counts as radiated into full space (11 dB); the ground method adds the reflection near the "
        "source.",
        "Ground factors of track forms: 1 for ballast, 0 for slab and embedded track, unless the project gives its "
        "own; the standard names no railway track.",
    ]
    if options.c0_db > 0.0:
        own.append(
            "C_met is subtracted in all periods and also from the levels of single passes, to which it does not "
            f"belong: largest levels of passes may be up to {options.c0_db:g} dB higher under downwind conditions."
        )
    if scene.barriers.barrier.size or len(scene.buildings):
        own.append(
            "Barriers are thin and stand on the ground, buildings have a flat top with an edge on each side and a hard "
            "roof. An obstacle counts in the octaves whose wavelength is smaller than its extent across the path; of "
            "more than two edges the two with the largest path difference count. Ways round its ends take ground and "
            "air of the direct path and are not checked for other obstacles; where ground blocks the ray there are "
            "none. Sound thrown to and fro between barrier and train is left out, so that the effect of a reflecting "
            "barrier may come out too large."
        )
        own.append(_reflections(options))
        if not options.ground_gain_behind_barriers:
            law.append(
                "By equation 12 a barrier takes the gain of hard ground away in low octaves, also where it is low and "
                "the source sees the receiver over it; the option ground_gain_behind_barriers leaves the gain."
            )
    if len(faces_of(scene.terrain).xy_m):
        own.append(
            "Steep faces of cuttings and retaining walls reflect all sound."
            if options.reflection_order
            else "Reflections from steep faces of cuttings and retaining walls are left out: levels opposite them "
            "come out too low."
        )
    return [*(Note("assumption", t, Standing.LAW) for t in law), *(Note("assumption", t) for t in own)]


def _flat(scene: Scene) -> bool:
    return scene.terrain is None or scene.terrain.flat


def _ground(scene: Scene) -> str:
    if _flat(scene):
        return "The terrain is a plain: cuttings, embankments and slopes do not act on the paths."
    return (
        "Heights of source and receiver count from the ground below them, whatever slope lies between. Ground that "
        "rises above the ray screens like a barrier, which the standard does not name; just below the ray it does "
        "nothing, so that levels jump by some decibels where a hill reaches the ray. It takes the direction of another "
        "edge, and alone is crossed at right angles."
    )


def _reflections(options: Iso9613Options) -> str:
    if not options.reflection_order:
        return "Reflections from buildings and barriers are left out: levels opposite walls come out too low."
    return (
        "A wall reflects where the path, bent over what blocks it, meets it between foot and top; its reflection "
        "coefficient is what it does not absorb, or for barriers of unknown absorption 1 if they reflect and 0.4 if "
        "not, or if that is unknown as well. Conditions of clause 7.5 from memory. Reflections from trains are left "
        "out."
    )


def _ranges_left(scene: Scene, options: Iso9613Options) -> list[Note]:
    level = scene.ground_level_m
    notes = [Note("validity", text) for text in missing_in_paths(scene)]
    for track in scene.tracks if _flat(scene) else ():
        low, high = np.min(track.xyz_m[:, 2]) - level, np.max(track.xyz_m[:, 2]) - level
        if high > RAISED_TRACK_M:
            text = (
                f"Track {track.id} rises to {high:.1f} m above the plain: the edge and the slope of its embankment are "
                "missing in the paths."
            )
            notes.append(Note("validity", text))
        if low < 0.0:
            text = (
                f"Track {track.id} lies down to {-low:.1f} m below the plain: the edges of its cutting are missing in "
                "the paths, levels come out too high."
            )
            notes.append(Note("validity", text))
    receivers = scene.receivers
    far = [receivers.ids[i] for i in np.flatnonzero(_distance_to_tracks(scene) > FARTHEST_M)]
    if far:
        text = f"Receivers more than {FARTHEST_M:g} m from every track: {', '.join(far)}. "
        text += "Table 5 states no accuracy there."
        notes.append(Note("validity", text, Standing.LAW))
    if not _flat(scene):
        return [*notes, *_method_left(scene, options)]
    tallest = max((float(np.max(t.xyz_m[:, 2])) for t in scene.tracks), default=level) - level
    mean = 0.5 * (receivers.xyz_m[:, 2] - level + max(0.0, tallest))
    high_up = [receivers.ids[i] for i in np.flatnonzero(mean > HIGHEST_M)]
    if high_up:
        text = (
            f"Mean height of track and receiver above {HIGHEST_M:g} m: {', '.join(high_up)}. Table 5 states no "
            "accuracy there."
        )
        notes.append(Note("validity", text, Standing.LAW))
    return [*notes, *_method_left(scene, options)]


def _method_left(scene: Scene, options: Iso9613Options) -> list[Note]:
    notes = []
    if options.ground_method == "alternative":
        text = (
            "The alternative ground method is meant for A-weighted levels over ground most of which is porous, and not "
            "for pure tones: octave levels and tones are outside its range."
        )
        notes.append(Note("validity", text, Standing.LAW))
        if scene.ground.default_g < POROUS_G or np.any(scene.ground.g < POROUS_G):
            text = "Some of the ground is hard (G below 0.5), where the alternative ground method does not hold."
            notes.append(Note("validity", text, Standing.LAW))
    return notes


def _distance_to_tracks(scene: Scene) -> Array:
    """Distance in plan of each receiver to the nearest track, (n_receivers,). [m]"""
    nearest = np.full(len(scene.receivers), np.inf)
    p = scene.receivers.xyz_m[:, np.newaxis, :2]
    for track in scene.tracks:
        a, b = track.xyz_m[:-1, :2], track.xyz_m[1:, :2]
        along = np.sum((p - a) * (b - a), axis=-1) / np.sum((b - a) ** 2, axis=-1)
        foot = a + np.clip(along, 0.0, 1.0)[..., np.newaxis] * (b - a)
        nearest = np.minimum(nearest, np.linalg.norm(p - foot, axis=-1).min(axis=1))
    return nearest

"""What the propagation calculator has to tell the reader about a project."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Note, Standing
from lineside.scene.faces import faces_of
from lineside.scene.limits import missing_in_paths
from lineside.scene.model import Scene
from lineside_plugins.eu_propagation.walls import reflecting_barriers

RAISED_TRACK_M = 1.0
CHECKED_DISTANCE_M = 800.0
LOWEST_RECEIVER_M = 1.5


def notes_of(scene: Scene, order: int, reflecting: float, absorbing: float) -> list[Note]:
    """Assumptions, then ranges left.

    Parameters
    ----------
    scene : Scene
    order : int
        Largest number of reflections.
    reflecting, absorbing : float
        What barriers absorb that are called so.
    """
    return [*_assumptions(scene, order), *_barriers(scene, reflecting, absorbing), *_ranges_left(scene)]


def _plain(scene: Scene) -> bool:
    return scene.terrain is None or scene.terrain.flat


def _assumptions(scene: Scene, order: int) -> list[Note]:
    texts = [
        "Sound power counts as radiated into full space (11 dB); what the ground below the source adds comes from the "
        "ground factor of the source area. The law does not settle this for railways.",
        "Where the mean ground factor of a path is 0 the ground effect is -3 dB in homogeneous conditions, by the "
        "letter of the law, also beside a ballasted track.",
    ]
    if _plain(scene):
        texts.insert(0, "The terrain is a plain: the project gives no heights and no earthworks.")
    faces = len(faces_of(scene.terrain).xy_m)
    walls = len(scene.barriers.barrier) + len(scene.buildings) + faces
    if order and walls:
        texts.append(
            "Where a reflected ray, drawn straight, runs above the top of the wall, the loss by retrodiffraction goes "
            "on rising from the 4.8 dB at the top: (2.5.36) is written for rays that meet the wall. Its lengths are "
            "straight in both weather states. Walls whose foot lies above the ray throw nothing back."
        )
    elif walls:
        texts.append("Reflections are switched off: levels in front of and between walls come out too low.")
    if walls or not _plain(scene):
        texts.append("No sound is bent round the ends of obstacles: the law knows that for industrial sources only.")
    if order and faces:
        texts.append("Steep faces of cuttings and retaining walls reflect like barriers of which nothing is known.")
    if len(scene.buildings):
        texts.append("The ground under buildings counts as hard (G = 0).")
    return [Note("assumption", text) for text in texts]


def _barriers(scene: Scene, reflecting: float, absorbing: float) -> list[Note]:
    barriers = scene.barriers
    if not len(barriers.barrier):
        return []
    called = reflecting_barriers(scene)
    known = barriers.absorption
    given = np.zeros_like(called) if known is None else np.array(~np.isnan(known).any(axis=1))
    texts = ["Barriers are thin walls."]
    if np.any(given | called):
        texts.append(
            "Between a train and a barrier that stands within five times its height of the nearest rail head (0.75 m "
            "from the track's axis), sound is thrown to and fro: images of the source in the section across the track, "
            "at right angles to it also for paths that leave it at a slant, until none adds 0.01 dB to any octave; "
            "octaves in which the barrier absorbs more than 0.8 are left as they are. Only the barrier that a path "
            "meets first counts, and only if neither a building nor another wall that throws sound back stands before "
            "it. It must stand beside the train: turned by no more than 15 degrees from the track, its foot and the "
            "ground before it no higher than the source. The law does not name these two conditions; they follow from "
            "its drawing of a section with the barrier standing at the height of the rails."
        )
        texts.append(
            "Of the images between train and barrier, the path difference of retrodiffraction is negative as printed, "
            "also where the ray from an image to a receiver above the barrier runs over mirrored tops. Taken as "
            "positive there, as it is for other walls, less would come back: behind a screen of 2 m at "
            "4 m that absorbs 0.2, at 500 Hz, 0.01 dB for a receiver 25 m away and 4 m high, 2.5 dB for one at 10 m."
        )
    if np.any(called & ~given):
        texts.append(f"Barriers called reflecting, without figures: {reflecting:g} of the sound is absorbed.")
    if barriers.reflecting is not None and np.any(~called & ~given):
        texts.append(
            f"Barriers called absorbing, without figures: {absorbing:g} of the sound is absorbed where they reflect, "
            "and nothing is thrown back to the train, as the law has it above 0.8. Give their absorption to have it "
            "counted."
        )
    if barriers.reflecting is None and not np.all(given):
        texts.append(
            f"Barriers of which nothing is known absorb {reflecting:g} of the sound where they reflect; nothing is "
            "thrown back to the train, so that their effect may come out too large."
        )
    return [Note("assumption", text) for text in texts]


def _ranges_left(scene: Scene) -> list[Note]:
    notes = [Note("validity", text) for text in missing_in_paths(scene)]
    if _plain(scene):
        notes += _tracks_off_the_plain(scene)
        height = scene.receivers.xyz_m[:, 2] - scene.ground_level_m
        below = [scene.receivers.ids[i] for i in np.flatnonzero(height < LOWEST_RECEIVER_M - 1e-9)]
        if below:
            text = (
                f"Receivers less than {LOWEST_RECEIVER_M:g} m above ground: {', '.join(below)}. Annex I asks for more."
            )
            notes.append(Note("validity", text, Standing.LAW))
    distance = _distance_to_tracks(scene)
    far = [scene.receivers.ids[i] for i in np.flatnonzero(distance > CHECKED_DISTANCE_M)]
    if far:
        text = f"Receivers more than {CHECKED_DISTANCE_M:g} m from every track: {', '.join(far)}. Not checked there."
        notes.append(Note("validity", text))
    return notes


def _tracks_off_the_plain(scene: Scene) -> list[Note]:
    """Tracks above or below a plain on which no earthwork carries them."""
    level = scene.ground_level_m
    notes = []
    for track in scene.tracks:
        low, high = np.min(track.xyz_m[:, 2]) - level, np.max(track.xyz_m[:, 2]) - level
        if high > RAISED_TRACK_M:
            text = (
                f"Track {track.id} rises to {high:.1f} m above the plain, and no earthwork carries it: the edge and "
                "the slope of an embankment are missing in the paths."
            )
            notes.append(Note("validity", text))
        if low < 0.0:
            text = (
                f"Track {track.id} lies down to {-low:.1f} m below the plain, and no earthwork takes it in: the edges "
                "of a cutting are missing in the paths, levels come out too high."
            )
            notes.append(Note("validity", text))
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

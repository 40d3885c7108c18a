"""What the propagation calculator has to tell the reader: the method in one paragraph, assumptions, ranges left."""

from __future__ import annotations

import numpy as np

from lineside.contracts import Note, Standing
from lineside.scene.faces import faces_of
from lineside.scene.limits import missing_in_paths
from lineside.scene.model import Scene
from lineside_plugins.de_propagation.options import DePropagationOptions
from lineside_plugins.de_propagation.walls import seen

RAISED_TRACK_M = 1.0
TIMES = {1: "first", 2: "second", 3: "third"}


def statement(options: DePropagationOptions) -> str:
    """The method in one paragraph."""
    sides = (
        "Ways round the ends of barriers and buildings are left out."
        if options.side_way_ratio <= 1.0
        else "Where a barrier or building blocks the straight line, the ways round its ends are added, if not longer "
        f"than {options.side_way_ratio:g} times the straight line (Gl. 18)."
    )
    ground = (
        "Ground that rises above the straight line screens like a barrier."
        if options.ground_screens
        else "Ground alone screens nothing."
    )
    mirrors = "Reflections are not included."
    if options.reflection_order:
        loss = "loss by Table 18" if options.wall_losses == "table_18" else "loss 10 lg(1 - absorption) by octaves"
        mirrors = (
            f"Walls of buildings and barriers reflect up to the {TIMES[options.reflection_order]} order (No. 6.6, "
            f"{loss}), each octave by itself where the wall is large enough (Gl. 27), on paths up to "
            f"{options.reflection_reach:g} times as long as the straight line."
        )
    return (
        "Each piece of track is a point source. Its octave levels 63 Hz to 8 kHz are reduced by spherical "
        "spreading (Gl. 11), absorption of air (Table 17), the ground effect of land from the mean height of the path "
        "above the terrain (Gl. 14, 15) less up to 3 dB over water (Gl. 16), and diffraction over barriers and "
        "buildings (Gl. 19 to 26, C_2 = 40), and raised by the solid angle of radiation (Gl. 9); for propagation "
        f"favourable to sound only, as the regulation has it. {ground} {sides} {mirrors} A piece is no longer than "
        f"{options.piece_ratio:g} of its distance and is split further where the end of a barrier or a shore divides "
        f"it as seen from the receiver; pieces nearer than {options.min_distance_m:g} m in plan are computed at that "
        "distance."
    )


def notes(scene: Scene, options: DePropagationOptions) -> list[Note]:
    """Assumptions, then ranges left."""
    return [
        *_always(),
        *_ground(scene, options),
        *_water(scene, options.hard_ground_is_water),
        *_obstacles(scene, options),
        *_reflections(scene, options),
        *_tracks(scene),
        *(Note("validity", text) for text in missing_in_paths(scene)),
    ]


def _always() -> list[Note]:
    text = (
        "Propagation is favourable all the time and the air is that of Table 17 (10 degrees Celsius, 70 %): the "
        "project's air and shares of favourable propagation have no effect."
    )
    return [Note("assumption", text, Standing.LAW)]


def _flat(scene: Scene) -> bool:
    return scene.terrain is None or scene.terrain.flat


def _ground(scene: Scene, options: DePropagationOptions) -> list[Note]:
    if _flat(scene):
        return [Note("assumption", "The terrain is a plain: cuttings, embankments and slopes do not act on the paths.")]
    text = "Where ground rises above the straight line from source to receiver, it is taken as an obstacle (No. 6.5)"
    if not options.ground_screens:
        text = "Ground that rises above the straight line from source to receiver is not taken as an obstacle (No. 6.5)"
    return [Note("assumption", f"{text}; the regulation leaves open whether it is one. Roofs count as land.")]


def _water(scene: Scene, hard_is_water: bool) -> list[Note]:
    hard = int(np.count_nonzero(np.asarray(scene.ground.g) == 0.0))
    if scene.ground.default_g != 0.0 and not hard:
        return []
    areas = f"{hard} ground area{'s' if hard != 1 else ''}"
    what = f"Ground with G = 0 ({areas})"
    if scene.ground.default_g == 0.0:
        what = f"Ground with G = 0 (the plain{f', {areas}' if hard else ''})"
    if hard_is_water:
        text = (
            f"{what}: counted as open water, over which up to 3 dB are added (Gl. 16). Where it is asphalt or other "
            "hard land, give it a G above 0, or set hard_ground_is_water to false."
        )
    else:
        text = f"{what}: counted as land, as hard_ground_is_water is false."
    return [Note("assumption", text)]


def _obstacles(scene: Scene, options: DePropagationOptions) -> list[Note]:
    what = seen(scene, options.hard_ground_is_water)
    if not len(scene.barriers.barrier) and not len(scene.buildings):
        return []
    texts = [
        "Barriers and buildings stand on the ground, weigh at least 10 kg/m2 and have no gaps (No. 6.5). A building "
        "has a flat top with an edge on each side. An edge below the straight line still counts as long as Gl. 21 "
        "gives more than the ground effect.",
        "Edges within 5 degrees of each other in plan count as parallel (Gl. 25); ground takes the direction of the "
        "edges beside it, and alone is crossed at right angles.",
    ]
    if options.side_way_ratio > 1.0:
        texts.append(
            f"Ways round the ends of barriers and buildings count up to {options.side_way_ratio:g} times the straight "
            "line; the regulation names no bound. They go round all that the straight line crosses; what else stands "
            "in such a way is not looked for. Where the ground itself blocks the straight line, there is none."
        )
    else:
        texts.append("Ways round the ends of barriers are left out, although the regulation counts them (No. 6.5).")
    found = [Note("assumption", text) for text in texts]
    if scene.barriers.reflecting is None and len(scene.barriers.barrier):
        text = "Whether barriers reflect is not known: they count as absorbing, D_refl = 0 (Gl. 20)."
        found.append(Note("assumption", text))
    elif np.any(what.reflecting):
        text = (
            "Reflecting barriers within 5 m of the source lose 3 dB of their effect (Gl. 20, no absorbing base); "
            "absorbing ones lose none."
        )
        found.append(Note("assumption", text, Standing.LAW))
    if what.lowered:
        which = ", ".join(str(k + 1) for k in what.lowered)
        text = (
            f"Low barriers, 0.5 to 1.0 m above the rails and less than 2 m from a track axis, count with 70 % of their "
            f"height above the rails (No. 6.5): number {which} in the project."
        )
        found.append(Note("assumption", text, Standing.LAW))
    return found


def _reflections(scene: Scene, options: DePropagationOptions) -> list[Note]:
    faces = len(faces_of(scene.terrain).xy_m)
    if not len(scene.barriers.barrier) and not len(scene.buildings) and not faces:
        return []
    order = options.reflection_order
    if not order:
        text = (
            "Reflections by buildings and barriers are left out, which the regulation counts up to the third order "
            "(No. 6.6): levels opposite reflecting walls come out too low."
        )
        return [Note("validity", text)]
    found = []
    if order < 3:
        text = f"Reflections count up to the {TIMES[order]} order, where the regulation asks for the third (No. 6.6)."
        found.append(Note("validity", text))
    if options.wall_losses == "table_18":
        text = (
            "Walls lose 0, 1, 4 or 8 dB by the row of Table 18 that their mean absorption from 250 Hz to 4 kHz "
            "reaches; a barrier of unknown absorption has the row of its kind. Gl. 28 is printed with + D_rho; the "
            "loss is subtracted."
        )
    else:
        text = "Walls lose 10 lg(1 - absorption) by octaves instead of the values of Table 18."
    found.append(Note("assumption", text))
    text = (
        "A wall reflects where the path, bent over what blocks it, meets it between foot and top, and where more than "
        "0.2 of the energy comes back (No. 6.6): highly absorbing barriers (8 dB) reflect nothing. The angle of Gl. 27 "
        "is that between incident path and normal. Whether a wall is large enough is found octave by octave."
    )
    found.append(Note("assumption", text))
    if faces:
        found.append(Note("assumption", "Steep faces of cuttings and retaining walls reflect like hard walls."))
    return found


def _tracks(scene: Scene) -> list[Note]:
    if not _flat(scene):
        return []
    found = []
    for track in scene.tracks:
        low, high = (float(f(track.xyz_m[:, 2])) - scene.ground_level_m for f in (np.min, np.max))
        if high > RAISED_TRACK_M:
            text = (
                f"Track {track.id} rises to {high:.1f} m above the plain: the shoulder and slope of its embankment are "
                "missing in the paths."
            )
            found.append(Note("validity", text))
        if low < 0.0:
            text = (
                f"Track {track.id} lies down to {-low:.1f} m below the plain: the edges of its cutting are missing in "
                "the paths, levels come out too high."
            )
            found.append(Note("validity", text))
    return found

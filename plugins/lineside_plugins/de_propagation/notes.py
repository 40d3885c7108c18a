"""What the propagation calculator has to tell the reader about a project."""

from __future__ import annotations

import numpy as np

from lineside.contracts import Note, Standing
from lineside.scene.model import Scene
from lineside_plugins.de_propagation.screens import screens_of

RAISED_TRACK_M = 1.0


def notes(scene: Scene, hard_is_water: bool, side_way_ratio: float) -> list[Note]:
    """Assumptions, then ranges left."""
    return [*_always(), *_water(scene, hard_is_water), *_barriers(scene, side_way_ratio), *_tracks(scene)]


def _always() -> list[Note]:
    return [
        Note(
            "assumption",
            "Propagation is favourable all the time and the air is that of Table 17 (10 degrees Celsius, 70 %): the "
            "project's air and shares of favourable propagation have no effect.",
            Standing.LAW,
        ),
        Note("assumption", "The terrain is a plain: cuttings, embankments and slopes do not act on the paths."),
        Note(
            "assumption",
            "Buildings as obstacles are left out, and so are reflections from buildings and barriers, which the "
            "regulation counts up to the third order (No. 6.6): levels opposite reflecting walls come out too low.",
        ),
    ]


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


def _barriers(scene: Scene, side_way_ratio: float) -> list[Note]:
    screens = screens_of(scene)
    if not len(screens):
        return []
    texts = [
        "Barriers are thin, stand on the plain, weigh at least 10 kg/m2 and have no gaps (No. 6.5). An edge below the "
        "straight line still counts as long as Gl. 21 gives more than the ground effect.",
        "Edges within 5 degrees of each other in plan count as parallel (Gl. 25).",
    ]
    if side_way_ratio > 1.0:
        texts.append(
            f"Ways round the ends of barriers count up to {side_way_ratio:g} times the straight line; the regulation "
            "names no bound. What else stands in such a way is not looked for. Round a closed barrier, and round one "
            "that the straight line crosses more than once, there is none."
        )
    else:
        texts.append("Ways round the ends of barriers are left out, although the regulation counts them (No. 6.5).")
    found = [Note("assumption", text) for text in texts]
    if scene.barriers.reflecting is None:
        text = "Whether barriers reflect is not known: they count as absorbing, D_refl = 0 (Gl. 20)."
        found.append(Note("assumption", text))
    elif np.any(screens.reflecting):
        text = (
            "Reflecting barriers within 5 m of the source lose 3 dB of their effect (Gl. 20, no absorbing base); "
            "absorbing ones lose none."
        )
        found.append(Note("assumption", text, Standing.LAW))
    if screens.lowered:
        which = ", ".join(str(k + 1) for k in screens.lowered)
        text = (
            f"Low barriers, 0.5 to 1.0 m above the rails and less than 2 m from a track axis, count with 70 % of their "
            f"height above the rails (No. 6.5): number {which} in the project."
        )
        found.append(Note("assumption", text, Standing.LAW))
    return found


def _tracks(scene: Scene) -> list[Note]:
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

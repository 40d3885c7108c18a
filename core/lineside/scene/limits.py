"""What no path through a scene shows, whatever the method: said in the notes of every propagation calculator."""

from __future__ import annotations

import numpy as np

from lineside.scene.model import Scene
from lineside.scene.terrain import under_decks


def missing_in_paths(scene: Scene) -> list[str]:
    """Sentences on levels that come out too low or too high because of what paths leave out."""
    terrain = scene.terrain
    if terrain is None:
        return []
    texts = []
    if terrain.over.any():
        texts.append(
            "The deck of a viaduct is no obstacle to sound that passes below it or comes up from below it, and below a "
            "deck nothing shields from the track on it: points of maps there have the level of a point beside the deck."
        )
    below = [scene.receivers.ids[i] for i in np.flatnonzero(under_decks(scene, scene.receivers.xyz_m))]
    if below:
        texts.append(f"Receivers below a deck: {', '.join(below)}. Their levels from the track on it are too high.")
    return texts

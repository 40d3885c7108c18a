"""Scenes of which a test cares about some parts only."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np

from lineside.scene.model import (
    Air,
    BarrierSegments,
    Buildings,
    FavourableShare,
    GroundAreas,
    Receivers,
    Scene,
    Sections,
    Traffic,
)


def scene_of(**parts: Any) -> Scene:
    """A scene with the given parts; without them a plain of porous ground at height 0 with nothing on it."""
    n = np.empty(0, dtype=np.int64)
    none: dict[str, Any] = {
        "origin": (0.0, 0.0),
        "ground_level_m": 0.0,
        "tracks": (),
        "stretches": (),
        "forms": (),
        "sections": Sections(n, n, n, np.empty(0), np.empty(0)),
        "vehicles": (),
        "services": (),
        "traffic": Traffic(n, n, n, n == 1, n == 1, np.empty((0, 0)), np.empty((0, 0)), np.empty((0, 0))),
        "receivers": Receivers((), np.empty((0, 3))),
        "ground": GroundAreas(1.0, np.empty((0, 2)), np.zeros(1, dtype=np.int64), np.empty(0)),
        "barriers": BarrierSegments(np.empty((0, 2, 2)), np.empty((0, 2)), np.empty((0, 2)), n),
        "air": Air(10.0, 70.0, 101.325),
        "favourable": FavourableShare(np.zeros(1), np.full((3, 1), 0.5)),
        "period_names": ("day", "evening", "night"),
        "period_of_hour": np.zeros(24, dtype=np.int64),
        "terrain": None,
        "buildings": Buildings.none(),
    }
    return Scene(**none | parts)


def whole(namespace: SimpleNamespace, **parts: Any) -> Scene:
    """The parts of a namespace as a scene."""
    return scene_of(**vars(namespace) | parts)

"""A propagation calculator of plain divergence with walls and bounds, and sites computed with it."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.api import load_project
from lineside.contracts import Options, PathLoss, PropagationCalculator, ReflectedPaths
from lineside.engine.plan import plan
from lineside.engine.run import Task
from lineside.engine.select import Selection, select
from lineside.engine.situation import Situation
from lineside.plugins import Plugins
from lineside.scene.model import Receivers, Scene, SourcePoints
from sites import write_site

SHADOW = 1e-6  # energy ratio of what passes into the shadow


class Plain(PropagationCalculator):
    """Divergence only.

    ``wall``: every pair has a second path of twice the length, 60 degrees off the track; ``shadow``: receivers behind
    this y hear next to nothing; ``bounded``: gives its bound; ``missing``: ratio of paths left out to those computed.
    """

    name, title, version = "plain", "Divergence only", "1"
    states = ("any",)

    def __init__(
        self, wall: bool = False, shadow: float = np.inf, bounded: bool = False, missing: float | None = None
    ) -> None:
        self.wall, self.shadow, self.bounded, self.missing = wall, shadow, bounded, missing
        self.pairs = 0

    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        step = receivers.xyz_m[:, None, None, :] - points.xyz_m[None, :, None, :]
        plan = np.maximum(np.hypot(step[..., 0], step[..., 1]), 1.0)
        square = plan**2 + (step[..., 2] - heights_m) ** 2
        one = 1 / (4 * np.pi * square)
        one = one * np.where(receivers.xyz_m[:, 1] > self.shadow, SHADOW, 1.0)[:, None, None]
        transfer = np.repeat(one[..., None, None], 8, axis=-1)
        self.pairs += transfer[:, :, 0, 0, 0].size
        reflected = None
        if self.wall:
            r, p = (a.ravel() for a in np.indices(transfer.shape[:2]))
            reflected = ReflectedPaths(
                r,
                p,
                np.full(r.size, 60.0),
                2 * plan[:, :, 0].ravel(),
                transfer.reshape(r.size, *transfer.shape[2:]) / 4,
            )
        left = None if self.missing is None else self.missing * transfer.max(axis=(2, 3, 4))
        return PathLoss(self.states, transfer, reflected, left)

    def most_transfer(self, scene: Scene, distance_m: Array, options: Options) -> Array | None:
        square = np.maximum(distance_m, 1.0) ** 2
        return np.repeat((1.25 / (4 * np.pi * square))[..., None], 8, axis=-1) if self.bounded else None

    def state_share(self, favourable: Array) -> Array:
        return np.ones((*favourable.shape, 1))

    def source_ground_g(self, form: str) -> float:
        return 1.0

    def surfaces(self) -> Mapping[str, tuple[float, str]]:
        return {}


def prepared(
    site: dict[str, Any], folder: Path, propagation: PropagationCalculator | None = None
) -> tuple[Task, Selection]:
    """What is to be computed for a site, with another propagation calculator if one is given."""
    plugins = Plugins.load()
    loaded = load_project(write_site(site, folder), plugins)
    selection = select(loaded, plugins)
    date = loaded.project.identity.date
    task = plan(loaded, selection, Situation(date.isoformat(), date, {})).task
    if propagation is not None:
        selection = dataclasses.replace(selection, propagation=propagation, propagation_options=Options())
    return task, selection

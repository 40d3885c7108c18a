"""A project taken apart into what the time line needs, with a transfer of made-up numbers."""

from __future__ import annotations

import copy
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

import lineside
from lineside.acoustics.bands import Array, thirds_to_octaves
from lineside.acoustics.levels import a_weighted_energy
from lineside.engine.emission import Emission, compute_emission
from lineside.engine.grid import line_power
from lineside.engine.select import Selection, select
from lineside.engine.timeline import TimelineLevels, timeline
from lineside.engine.timeline_states import Mixture
from lineside.plugins import Plugins
from lineside.scene.build import build_scene
from lineside.scene.model import Scene
from lineside.scene.rail_runs import RailRuns, rail_runs, with_roughness
from sites import write_site

N_RECEIVERS = 3


@dataclass(frozen=True, eq=False)
class Parts:
    """Everything that ``timeline`` takes but for dates and draws."""

    scene: Scene
    runs: RailRuns
    selection: Selection
    emission: Emission
    transfer: Array

    def timeline(
        self, dates: Sequence[dt.date], n_draws: int = 0, seed: int = 1, mixture: Mixture | None = None
    ) -> TimelineLevels:
        return timeline(
            self.scene, self.runs, self.selection, self.emission, self.transfer, dates, n_draws, seed, mixture
        )

    def with_sources(self, *sources: Any) -> Parts:
        selection = replace(self.selection, sources=tuple(sources))
        emission = compute_emission(self.scene, sources)
        return replace(self, selection=selection, emission=emission, transfer=some_transfer(self.scene, emission))

    def reference(self, date: dt.date, case: int, n_draws: int, seed: int = 1, scene: Scene | None = None) -> Array:
        """Levels of one state by computing the emission of the whole scene in it, (n_receivers, n_periods)."""
        assert self.selection.rail_state is not None
        wear, options = self.selection.rail_state
        given = wear.roughness(self.runs.runs, [date], options, n_draws, seed)
        changed = np.array([run.begins <= date for run in self.runs.runs])
        state = with_roughness(
            scene or self.scene, self.runs.run, given.wavelength_mm, given.level_db[:, 0, case], changed
        )
        own = compute_emission(state, self.selection.sources)
        assert own.classes == self.emission.classes
        return heard(self.transfer, line_power(state, own))


def heard(transfer: Array, power: Array) -> Array:
    return a_weighted_energy(thirds_to_octaves(np.einsum("rcknt,nckt->rnt", transfer, power)))


def some_transfer(scene: Scene, emission: Emission) -> Array:
    """Numbers of very different size, as places near and far from a track have."""
    shape = (N_RECEIVERS, len(scene.sections), len(emission.classes), len(scene.period_names), 24)
    return 10.0 ** np.random.default_rng(7).uniform(-8.0, -4.0, size=shape)


def built(project: dict[str, Any], folder: Path) -> Parts:
    plugins = Plugins.load()
    loaded = lineside.load_project(write_site(copy.deepcopy(project), folder), plugins)
    selection = select(loaded, plugins)
    scene = build_scene(loaded, selection.sources).scene
    emission = compute_emission(scene, selection.sources)
    runs = rail_runs(loaded, scene, selection.sources)
    return Parts(scene, runs, selection, emission, some_transfer(scene, emission))

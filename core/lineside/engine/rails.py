"""Roughness of rails with works: put into a scene at a date, as a whole or part by part."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db
from lineside.contracts import RAIL_PARTS, Options, RailParts, RailStateCalculator
from lineside.errors import PluginError
from lineside.scene.model import Scene
from lineside.scene.rail_runs import RailRuns, with_roughness

#: Parts of the mean-square roughness that differ by less than this ratio are the same.
SAME_RATIO = 1e-9


@dataclass(frozen=True, eq=False)
class Rails:
    """Runs of rail and the calculator of their state; without runs, rails stay as the project gives them."""

    runs: RailRuns
    calculator: RailStateCalculator | None
    options: Options | None

    @property
    def change(self) -> bool:
        """Is there any rail whose roughness changes?"""
        return self.calculator is not None and bool(self.runs.runs)

    def at(self, scene: Scene, date: dt.date) -> Scene:
        """The scene with the likely roughness of a date."""
        return self.with_parts(scene, dict.fromkeys(RAIL_PARTS, date))

    def with_parts(self, scene: Scene, dates: Mapping[str, dt.date]) -> Scene:
        """The scene with each part of the likely roughness as at its own date."""
        if not self.change:
            return scene
        wanted = sorted(set(dates.values()))
        given = self.parts(wanted)
        energy = sum(given.energy[part][:, wanted.index(date)] for part, date in dates.items())
        changed = np.any([self.runs.begun(date) for date in wanted], axis=0)
        return with_roughness(scene, self.runs.run, given.wavelength_mm, to_db(np.asarray(energy)), changed)

    def without(self, scene: Scene, date: dt.date, parts: Sequence[str], of_runs: Sequence[int]) -> Scene:
        """The scene with the likely roughness of a date, but for some parts of it on some runs."""
        if not self.change or not parts:
            return self.at(scene, date)
        given = self.parts([date])
        energy = {part: np.array(values[:, 0]) for part, values in given.energy.items()}
        for part in parts:
            energy[part][list(of_runs)] = 0.0
        total = np.sum(list(energy.values()), axis=0)
        return with_roughness(scene, self.runs.run, given.wavelength_mm, to_db(total), self.runs.begun(date))

    def differing_parts(self, one: dt.date, other: dt.date) -> tuple[str, ...]:
        """Parts of the roughness that differ between two dates on any run."""
        if not self.change or one == other:
            return ()
        given = self.parts([one, other])
        return tuple(
            part
            for part in RAIL_PARTS
            if not np.allclose(given.energy[part][:, 0], given.energy[part][:, 1], rtol=SAME_RATIO, atol=1e-12)
        )

    def parts(self, dates: list[dt.date]) -> RailParts:
        """Ask the calculator and check what it gives.

        Raises
        ------
        PluginError
            If a part is missing, has the wrong shape, or is no finite energy of at least 0.
        """
        assert self.calculator is not None and self.options is not None
        given = self.calculator.parts(self.runs.runs, dates, self.options)
        shape = (len(self.runs.runs), len(dates), given.wavelength_mm.size)
        if set(given.energy) != set(RAIL_PARTS):
            raise PluginError(f"{self.calculator.name}: parts {sorted(given.energy)}, needed are {RAIL_PARTS}")
        for part, energy in given.energy.items():
            if energy.shape != shape or not np.all(np.isfinite(energy)) or np.any(energy < 0):
                raise PluginError(f"{self.calculator.name}, part {part}: needs finite energies of the shape {shape}")
        if np.any(_total(given) <= 0):
            raise PluginError(f"{self.calculator.name}: roughness must be more than none in every band")
        return given


def _total(given: RailParts) -> Array:
    return np.sum(list(given.energy.values()), axis=0)

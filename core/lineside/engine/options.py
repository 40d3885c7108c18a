"""Levels of many options: what trains emit with each set of measures, times the transfer that is known already.

Sections are grouped by what may be done to them, and each group is evaluated once in every state that it takes in any
option: the trains and vehicles of its track, and the works that cover it. All states of all groups meet the transfer in
one product per group and period. Options with other walls have a transfer of their own, once per set of walls.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from itertools import pairwise

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.acoustics.levels import to_db
from lineside.contracts import SourceClass, Window
from lineside.engine.emission import powers
from lineside.engine.mixing import Calculators, source_mix
from lineside.engine.option_states import StateKeys, keys_of_options
from lineside.engine.plan import Plan, rails_of
from lineside.engine.rails import Rails
from lineside.engine.select import Selection
from lineside.engine.timeline_states import WEIGHT_OF_THIRDS
from lineside.errors import LinesideError, PluginError
from lineside.project.load import LoadedProject
from lineside.scene.build import Scenes, SourceState
from lineside.scene.model import IntArray, Scene
from lineside.scene.rail_runs import only_sections, with_roughness
from lineside.scene.traffic import TrafficMemo

#: Two energies that differ by less than this ratio are the same.
SAME_RATIO = 1e-9
#: Names of the sets of calculators by which options are evaluated.
RATED, FORECAST = "rated", "forecast"


@dataclass(frozen=True, eq=False)
class OptionLevels:
    """A-weighted mean-square pressure of options, re (20 uPa)^2.

    ``energy``: set of calculators -> (n_options, n_receivers, n_periods); ``windows``: the same for each window of the
    evaluation, (n_options, n_receivers, n_windows), with the calculators of the rating; ``failed``: reason by index of
    the options that could not be computed, whose energies are those of the first option. ``n_states`` pairs of group of
    sections and state were evaluated, ``n_transfers`` transfers computed.
    """

    energy: Mapping[str, Array]
    windows: Array
    failed: Mapping[int, str]
    n_states: int
    n_transfers: int


#: Gives the transfer (n_receivers, n_sections, n_classes, n_periods, 24) of the surroundings of a changed project.
TransferOf = Callable[[LoadedProject, Scenes, tuple[SourceClass, ...]], Array]
#: Gives the calculators of a changed project.
SelectionOf = Callable[[LoadedProject], Selection]


@dataclass(frozen=True, eq=False)
class Evaluation:
    """What all options have in common.

    ``transfer``: of the project as it is, (n_receivers, n_sections, n_classes, n_periods, 24), for the source classes
    of ``plan.task``.
    """

    plan: Plan
    selection: Selection
    transfer: Array
    selection_of: SelectionOf
    transfer_of: TransferOf
    windows: tuple[Window, ...] = ()

    @property
    def columns(self) -> list[tuple[int, IntArray, int]]:
        """Stretches of the day that trains are counted in: (period, its clock hours, hours over which to average).

        The periods first, then the parts of each window that lie in each period.
        """
        of_hour = self.plan.scenes.reference.scene.period_of_hour
        whole = [(n, np.flatnonzero(of_hour == n)) for n in range(self.transfer.shape[3])]
        out = [(n, hours, hours.size) for n, hours in whole]
        for window in self.windows:
            hours = window.hours()
            out += [(n, hours[of_hour[hours] == n], hours.size) for n, _ in whole if np.any(of_hour[hours] == n)]
        return out

    def of_windows(self, columns: Array) -> Array:
        """Columns (..., n_columns) -> windows (..., n_windows)."""
        of_hour = self.plan.scenes.reference.scene.period_of_hour
        sizes = [np.unique(of_hour[w.hours()]).size for w in self.windows]
        ends = self.transfer.shape[3] + np.cumsum([0, *sizes])
        parts = [columns[..., low:high].sum(axis=-1) for low, high in pairwise(ends)]
        return np.stack(parts, axis=-1) if parts else np.zeros((*columns.shape[:-1], 0))

    @property
    def classes(self) -> tuple[SourceClass, ...]:
        return self.plan.task.emission.mean.classes

    def sets(self, selection: Selection) -> dict[str, Calculators]:
        """Calculators of the rating, and those of forecasts where they are others."""
        out: dict[str, Calculators] = {RATED: selection.sources}
        if self.selection.forecast_sources != self.selection.sources:
            out[FORECAST] = selection.forecast_sources
        return out


def evaluate(evaluation: Evaluation, projects: Sequence[LoadedProject], date: dt.date) -> OptionLevels:
    """Levels of options on a date; the first of ``projects`` is the project as it is."""
    scenes = evaluation.plan.scenes
    keys = keys_of_options(scenes.sections, [t.id for t in scenes.loaded.project.tracks], projects)
    powers = _Powers(evaluation, keys, date)
    failed: dict[int, str] = {}
    # first those that are new on every track, so that one scene serves all of them
    for everywhere in (True, False):
        for n, loaded in enumerate(projects):
            if n not in failed and (reason := powers.add(n, loaded, everywhere)):
                failed[n] = reason
    names = list(evaluation.sets(evaluation.selection))
    n_receivers, n_periods = evaluation.transfer.shape[0], evaluation.transfer.shape[3]
    periods = [n for n, _, _ in evaluation.columns]
    energy = {name: np.zeros((len(projects), n_receivers, len(periods))) for name in names}
    by_way: dict[str, list[int]] = {}
    for n in range(len(projects)):
        if n not in failed:
            by_way.setdefault(keys.way[n], []).append(n)
    for way, members in by_way.items():
        transfer = evaluation.transfer
        if way != keys.way[0]:
            transfer = evaluation.transfer_of(projects[members[0]], powers.scenes_of(members[0]), evaluation.classes)
        heard = _heard(transfer, keys, [powers.known[name] for name in names], members, periods)
        for name, of_set in zip(names, heard, strict=True):
            energy[name][members] = of_set
    for n in failed:
        for name in names:
            energy[name][n] = energy[name][0]
    return OptionLevels(
        {name: columns[..., :n_periods] for name, columns in energy.items()},
        evaluation.of_windows(energy[RATED]),
        failed,
        len(powers.known[names[0]]),
        len(by_way) - 1,
    )


def _heard(
    transfer: Array,
    keys: StateKeys,
    known: Sequence[Mapping[tuple[int, int], Array]],
    members: Sequence[int],
    periods: Sequence[int],
) -> Array:
    """A-weighted mean square of some options, (n_sets, n_options, n_receivers, n_columns).

    ``periods``: index of the period whose transfer each column has.
    """
    from lineside.engine.kernels import AT_ONCE, sum_states

    n_receivers = len(transfer)
    out = np.zeros((len(known), len(members), n_receivers, len(periods)))
    for g, sections in enumerate(keys.groups):
        states, which = np.unique(keys.state[members, g], return_inverse=True)
        # sets and states, columns, sections, classes, bands
        power = np.stack([of_set[g, int(s)] for of_set in known for s in states])
        if not power.any():
            continue
        used = np.flatnonzero(power.any(axis=(0, 1, 2, 4)))
        padded = np.zeros((-(-len(power) // AT_ONCE) * AT_ONCE, *power[:, :, :, used].shape[1:]))
        padded[: len(power)] = power[:, :, :, used] * WEIGHT_OF_THIRDS
        loud = np.ascontiguousarray(np.moveaxis(padded, (0, 1), (4, 2)))
        heard = np.zeros((n_receivers, len(periods), len(padded)))
        sum_states(transfer, sections, used, np.array(periods), loud, heard)
        by_state = np.ascontiguousarray(np.moveaxis(heard, 2, 0))
        for k in range(len(known)):
            out[k] += by_state[k * len(states) + which.ravel()]
    return out


@dataclass(eq=False)
class _Powers:
    """Sound power per metre of groups of sections by state, (n_columns, n_sections, n_classes, 24) each."""

    evaluation: Evaluation
    keys: StateKeys
    date: dt.date
    known: dict[str, dict[tuple[int, int], Array]] = field(default_factory=dict)
    _scenes: dict[int, Scenes] = field(default_factory=dict)
    _loaded: dict[int, LoadedProject] = field(default_factory=dict)
    _memo: TrafficMemo = field(default_factory=TrafficMemo)
    _cuts: Mapping[str, Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._cuts = self.evaluation.plan.scenes.cuts
        self.known = {name: {} for name in self.evaluation.sets(self.evaluation.selection)}

    def add(self, n: int, loaded: LoadedProject, everywhere: bool) -> str:
        """Evaluate what an option has that none before it had; the reason if it cannot be done.

        ``everywhere``: only if it has something new on every track.
        """
        self._loaded[n] = loaded
        first = next(iter(self.known.values()))
        wanted = [g for g in range(len(self.keys.groups)) if (g, int(self.keys.state[n, g])) not in first]
        if not wanted or (everywhere and {self.keys.track[g] for g in wanted} != set(self.keys.track)):
            return ""
        keep = np.sort(np.concatenate([self.keys.groups[g] for g in wanted]))
        try:
            found = self._power(n, loaded, keep)
        except LinesideError as error:
            return str(error).splitlines()[0]
        for name, power in found.items():
            for g in wanted:
                at = np.searchsorted(keep, self.keys.groups[g])
                self.known[name][g, int(self.keys.state[n, g])] = power[:, at]
        return ""

    def scenes_of(self, n: int) -> Scenes:
        """The scenes of an option, with the sections of the project as it is."""
        if n not in self._scenes:
            evaluation = self.evaluation
            if n == 0:
                self._scenes[n] = evaluation.plan.scenes
            else:
                selection = evaluation.selection_of(self._loaded[n])
                self._scenes[n] = Scenes(
                    self._loaded[n],
                    selection.all_sources,
                    only_cut=self._cuts,
                    memo=self._memo,
                    like=evaluation.plan.scenes,
                )
        return self._scenes[n]

    def _power(self, n: int, loaded: LoadedProject, keep: IntArray) -> dict[str, Array]:
        evaluation = self.evaluation
        selection = evaluation.selection if n == 0 else evaluation.selection_of(loaded)
        scenes = self.scenes_of(n)
        rails = evaluation.plan.rails if n == 0 else rails_of(loaded, scenes, selection)
        out = option_powers(scenes, rails, selection, evaluation, self.date, keep)
        if n and self.keys.way[n] == self.keys.way[0]:
            self._scenes.pop(n, None)  # not needed again
        return out


def option_powers(
    scenes: Scenes, rails: Rails, selection: Selection, evaluation: Evaluation, date: dt.date, keep: IntArray
) -> dict[str, Array]:
    """Mean sound power per metre of some sections on a date: set -> (n_columns, n_sections, n_classes, 24).

    Each calculator is asked once per scene that differs for it: one that does not depend on the condition of the rails
    once for all of them.

    Raises
    ------
    PluginError
        If something sounds at a height that is silent in the project as it is.
    """
    sets = evaluation.sets(selection)
    columns = evaluation.columns
    out = {name: np.zeros((len(columns), keep.size, len(evaluation.classes), N_THIRDS)) for name in sets}
    weights: dict[tuple[SourceState, str], Array] = {}
    for name, calculators in sets.items():
        by_rail = any(c.by_rail_condition for c, _ in calculators)
        mix = source_mix(scenes, scenes.state(date), evaluation.plan.situation.choices, by_rail)
        for state, weight in zip(mix.states, mix.weight, strict=True):
            key = (scenes.same(state), name)
            weights[key] = weights.get(key, 0.0) + weight
    finished = _Finished(rails, date)
    known: dict[tuple[SourceState, str], Mapping[SourceClass, Array]] = {}
    for (state, name), weight in weights.items():
        scene = _heard_rows(only_sections(finished(scenes.at(state).scene), keep))
        calculators = sets[name]
        keys = {c.name: (state if c.by_rail_condition else replace(state, rail="dry"), c.name) for c, _ in calculators}
        given = powers(scene, calculators, {n: known[key] for n, key in keys.items() if key in known})
        known.update((keys[c.name], by_class) for c, by_class in given)
        trains = np.array([[s.trains_per_hour[hours].sum() for s in scene.services] for _, hours, _ in columns])
        trains = trains.reshape(len(columns), len(scene.services)) * weight[[n for n, _, _ in columns]]
        trains /= 3600.0 * np.array([over for _, _, over in columns])[:, None]
        vehicles = trains[:, scene.traffic.service, None] * scene.traffic.seconds_per_m
        for _, by_class in given:
            for source_class, power in by_class.items():
                k = _class_index(source_class, evaluation.classes, power)
                if k is not None:
                    out[name][:, :, k] += np.einsum("rct,nrc->nct", power, vehicles, optimize=True)
    return out


def _class_index(source_class: SourceClass, classes: Sequence[SourceClass], power: Array) -> int | None:
    for k, known in enumerate(classes):
        if known.name == source_class.name:
            return k
    if np.any(power > 0.0):
        raise PluginError(
            f"something sounds at the source {source_class.name!r}, which is silent in the project as it is"
        )
    return None


class _Finished:
    """Puts the roughness of a date into scenes; what the rails are like is asked once."""

    def __init__(self, rails: Rails, date: dt.date) -> None:
        self._rails, self._date = rails, date
        self._given = rails.parts([date]) if rails.change else None

    def __call__(self, scene: Scene) -> Scene:
        if self._given is None:
            return scene
        level_db = to_db(np.sum([energy[:, 0] for energy in self._given.energy.values()], axis=0))
        runs = self._rails.runs
        return with_roughness(scene, runs.run, self._given.wavelength_mm, level_db, runs.begun(self._date))


def _heard_rows(scene: Scene) -> Scene:
    """The scene with the rows of traffic that spend any time in its sections."""
    traffic = scene.traffic
    rows = np.flatnonzero(traffic.seconds_per_m.any(axis=1))
    given = {f.name: getattr(traffic, f.name) for f in fields(traffic)}
    return replace(scene, traffic=replace(traffic, **{n: a[rows] for n, a in given.items() if a is not None}))


def union_of_cuts(
    projects: Sequence[LoadedProject],
    calculators_of: Callable[[LoadedProject], Calculators],
) -> dict[str, Array]:
    """Track -> ends of sections of all the projects together. [m chainage]"""
    out: dict[str, Array] = {}
    like: Scenes | None = None
    for loaded in projects:
        scenes = Scenes(loaded, calculators_of(loaded), like=like)
        like = like or scenes
        for track, cuts in scenes.cuts.items():
            out[track] = np.union1d(out[track], cuts) if track in out else cuts
    return out

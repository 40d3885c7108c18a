"""From the measures that a project lists to the levels of all their options."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import SourceClass, Window
from lineside.engine.combine import Candidate, Changer, OptionKey, candidates, option_keys
from lineside.engine.mixing import surroundings
from lineside.engine.options import Evaluation, OptionLevels, evaluate, union_of_cuts
from lineside.engine.plan import Plan, rails_of
from lineside.engine.run import long_term
from lineside.engine.select import Selection, select, vocabulary_of
from lineside.engine.timeline import months_from
from lineside.errors import LinesideError
from lineside.measures import first_date
from lineside.plugins import Plugins
from lineside.project.check_measures import known_of
from lineside.project.derive import derived
from lineside.project.load import LoadedProject
from lineside.project.model import Project
from lineside.project.vocabulary import Vocabulary
from lineside.scene.build import Scenes

#: Wavelengths of rolling noise over which the trigger of grinding counts roughness. [mm]
TRIGGER_MM = (5.0, 250.0)
#: As far as a trigger is looked for. [months]
TRIGGER_MONTHS = 480


@dataclass(eq=False)
class Prepared:
    """The options of a project before any level is known.

    ``keys``: options to compute, the project as it is first; ``dropped``: options that are left out, with the reason.
    """

    loaded: LoadedProject
    vocabulary: Vocabulary
    plugins: Plugins
    candidates: tuple[Candidate, ...]
    changer: Changer
    date: dt.date
    keys: list[OptionKey]
    dropped: dict[OptionKey, str]
    _loaded: dict[int, LoadedProject] = field(default_factory=dict)
    _selections: dict[int, tuple[object, Selection]] = field(default_factory=dict)

    def loaded_of(self, key: OptionKey) -> LoadedProject | str:
        """The loaded project with the measures of an option, or why there is none."""
        project = self.changer.project(key)
        if isinstance(project, str):
            return project
        known = self._loaded.get(id(project))
        if known is None:
            try:
                known = derived(self.loaded, project, self.vocabulary)
            except LinesideError as error:
                return str(error).splitlines()[0]
            self._loaded[id(project)] = known
        return known

    def selection_of(self, loaded: LoadedProject) -> Selection:
        """The calculators of a changed project."""
        calculation = loaded.project.calculation
        known = self._selections.get(id(calculation))
        if known is None:
            known = self._selections[id(calculation)] = (calculation, select(loaded, self.plugins))
        return known[1]

    def cuts(self) -> dict[str, Array]:
        """Ends of sections of the project with each single measure, together. [m chainage]"""
        singles = [self.with_measures(key, dt.date.max) for key in self.keys if len(key) <= 1]
        projects = {id(found): found for found in singles if not isinstance(found, str)}
        return union_of_cuts(list(projects.values()), lambda p: self.selection_of(p).all_sources)

    def with_measures(self, key: OptionKey, date: dt.date) -> LoadedProject | str:
        """The loaded project with those measures that work by a date, or why there is none."""
        if date == self.date:
            return self.loaded_of(key)
        project = replace(self.changer, on=date, _made={}).project(key)
        if isinstance(project, str):
            return project
        try:
            return derived(self.loaded, project, self.vocabulary)
        except LinesideError as error:
            return str(error).splitlines()[0]


def prepare(loaded: LoadedProject, plugins: Plugins) -> Prepared | None:
    """Form the options of a project; None where it lists no measures.

    Raises
    ------
    RequestError
        If there are more options than the rules allow.
    """
    if not loaded.project.measures:
        return None
    vocabulary = vocabulary_of(plugins)
    rules = loaded.project.options
    given = candidates(loaded, vocabulary.measures)
    date = rules.date or first_date(loaded.project)
    keys, dropped = option_keys(given, rules)
    calculators = (*loaded.calculators, *loaded.forecast)
    known = known_of(loaded.alignments, loaded.spectra, loaded.times, calculators, vocabulary)
    trigger = Trigger(loaded, vocabulary, plugins)
    known = replace(known, exceeds=trigger)
    changer = Changer(loaded, known, {c.id: c for c in given}, date)
    return Prepared(loaded, vocabulary, plugins, given, changer, date, [(), *keys], dropped)


def plan_with(base: Plan, loaded: LoadedProject, selection: Selection) -> Plan:
    """The plan of a changed project, with the sections and source classes of the project as it is."""
    scenes = Scenes(loaded, selection.all_sources, only_cut=base.scenes.cuts, like=base.scenes)
    rails = rails_of(loaded, scenes, selection)
    return replace(base, scenes=scenes, rails=rails, built=scenes.reference, sources=selection.sources)


@dataclass(frozen=True, eq=False)
class Considered:
    """Options with their levels; ``keys`` as in ``levels``, the project as it is first."""

    prepared: Prepared
    evaluation: Evaluation
    keys: tuple[OptionKey, ...]
    levels: OptionLevels
    dropped: Mapping[OptionKey, str]


def consider(
    prepared: Prepared,
    planned: Plan,
    selection: Selection,
    transfer: Array,
    windows: Sequence[Window] = (),
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> Considered:
    """Levels of all options; ``planned`` has the sections of :meth:`Prepared.cuts`.

    Parameters
    ----------
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the source classes of ``planned.task``.
    windows : sequence of Window
        Stretches of the day over which levels are wanted besides the periods.
    """
    keys: list[OptionKey] = []
    projects: list[LoadedProject] = []
    dropped = dict(prepared.dropped)
    for key in prepared.keys:
        loaded = prepared.loaded_of(key)
        if isinstance(loaded, str):
            dropped[key] = loaded
        else:
            keys.append(key)
            projects.append(loaded)
    evaluation = Evaluation(
        plan=planned,
        selection=selection,
        transfer=transfer,
        selection_of=prepared.selection_of,
        transfer_of=TransferOf(planned, prepared.selection_of),
        windows=tuple(windows),
    )
    progress(0, 1)
    levels = evaluate(evaluation, projects, prepared.date)
    progress(1, 1)
    for n, reason in levels.failed.items():
        dropped[keys[n]] = reason
    kept = [n for n in range(len(keys)) if n not in levels.failed]
    energy = {name: e[kept] for name, e in levels.energy.items()}
    levels = replace(levels, energy=energy, windows=levels.windows[kept], failed={})
    return Considered(prepared, evaluation, tuple(keys[n] for n in kept), levels, dropped)


@dataclass(frozen=True, eq=False)
class TransferOf:
    """Computes the transfer of a project with other walls, receiver by receiver as the assessment does."""

    planned: Plan
    selection_of: Callable[[LoadedProject], Selection]

    def __call__(self, loaded: LoadedProject, scenes: Scenes, classes: tuple[SourceClass, ...]) -> Array:
        scene = scenes.reference.scene
        around = surroundings(scenes, scene, self.planned.situation.choices)
        task = replace(self.planned.task, around=around)
        selection = self.selection_of(loaded)
        return long_term(task, selection, scene.receivers)


@dataclass(frozen=True, eq=False)
class Trigger:
    """When rails have grown rough enough to be ground again."""

    loaded: LoadedProject
    vocabulary: Vocabulary
    plugins: Plugins

    def __call__(
        self, project: Project, track: str, from_m: float, to_m: float, excess_db: float, after: dt.date
    ) -> dt.date | None:
        """First of a month on which any rail of the place is rougher by ``excess_db`` than once worn in.

        Only what grows back counts: a rail that is rougher right after a work must first have come below. Roughness
        is the mean square over wavelengths from 5 to 250 mm with likely parameters.
        """
        loaded = derived(self.loaded, project, self.vocabulary)
        selection = select(loaded, self.plugins)
        if selection.rail_state is None:
            return None
        scenes = Scenes(loaded, selection.all_sources)
        runs = rails_of(loaded, scenes, selection).runs
        calculator, options = selection.rail_state
        index = [t.id for t in project.tracks].index(track)
        here = [k for k, t in enumerate(runs.track) if t == index and runs.from_m[k] < to_m and runs.to_m[k] > from_m]
        if not here:
            return None
        dates = [months_from(after, k) for k in range(1, TRIGGER_MONTHS + 1)]
        given = calculator.roughness([runs.runs[k] for k in here], dates, options)
        inside = (given.wavelength_mm >= TRIGGER_MM[0]) & (given.wavelength_mm <= TRIGGER_MM[1])
        energy = to_energy(given.level_db[:, :, 0, inside]).sum(axis=-1)
        ratio = energy / to_energy(given.worn_in_db[:, inside]).sum(axis=-1)[:, None]
        rough = ratio >= float(to_energy(excess_db))
        been_below = np.maximum.accumulate(~rough, axis=1)
        found = np.flatnonzero((rough & been_below).any(axis=0))
        return dates[int(found[0])] if found.size else None


def course_projects(prepared: Prepared, keys: Sequence[OptionKey]) -> list[tuple[OptionKey, LoadedProject]]:
    """Options with all their measures in place, whatever the date: their works carry their own dates."""
    later = replace(prepared.changer, on=dt.date.max, _made={})
    out = []
    for key in keys:
        project = later.project(key)
        if not isinstance(project, str):
            out.append((key, derived(prepared.loaded, project, prepared.vocabulary)))
    return out

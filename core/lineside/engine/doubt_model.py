"""Energies at the receivers with other values of uncertain inputs: what ranges of levels are made of.

Where only sources change, the transfer of the assessment serves; where the way of the sound does, it is computed anew.
Sections of track are always those of the assessment: where they end moves levels a little by itself, behind walls most,
which is no matter of the inputs.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeVar

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import a_weighted_energy
from lineside.contracts import Options, SourceCalculator, Window
from lineside.engine.emission import Emission
from lineside.engine.levels import mean_energy, pass_exposure, period_hours
from lineside.engine.mixing import MixedEmission, aligned, mixed_emission, source_mix, surroundings
from lineside.engine.plan import Plan
from lineside.engine.pool import each
from lineside.engine.rails import Rails
from lineside.engine.run import Task, long_term
from lineside.engine.select import Selection, select
from lineside.engine.timeline import roughness
from lineside.errors import PluginError
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject
from lineside.project.problems import Loc
from lineside.project.variants import on_way, variant
from lineside.project.vocabulary import Vocabulary
from lineside.scene.build import Scenes
from lineside.scene.model import Receivers, Scene, Spectrum, TrackForm, VehicleType
from lineside.scene.rail_runs import rail_runs, with_roughness
from lineside.scene.traffic import TrafficMemo

P = TypeVar("P", TrackForm, VehicleType)


#: Gives options with another value of something in them, and that value.
OptionChange = tuple[Callable[[Any, float], Options], float]


def _changed(options: Options, changes: Sequence[OptionChange]) -> Options:
    for at, value in changes:
        options = at(options, value)
    return options


@dataclass(frozen=True)
class Case:
    """Inputs that are moved away from their likely values.

    ``values``: place in the project file -> number; ``classes``: attribute -> shift of all its tabulated classes [dB];
    ``spectra``: id of a spectrum -> shift [dB]; ``wear``: probability of the roughness that works and traffic leave, 0
    smooth to 1 rough; ``options``: source calculator -> changes of its options, each with a value.
    """

    values: Mapping[Loc, float] = field(default_factory=dict)
    classes: Mapping[str, float] = field(default_factory=dict)
    spectra: Mapping[str, float] = field(default_factory=dict)
    wear: float | None = None
    options: Mapping[str, tuple[OptionChange, ...]] = field(default_factory=dict)


@dataclass(eq=False)
class DoubtModel:
    """The model of one assessment, to be asked again with other inputs.

    Parameters
    ----------
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the source classes of ``planned.task``, to the receivers of the scene, then to ``more``.
    more : Receivers, optional
        Further points at which levels are wanted.
    wear_draws, wear_seed : int
        Draws of the rail state from which its range is taken.
    """

    planned: Plan
    selection: Selection
    plugins: Plugins
    vocabulary: Vocabulary
    transfer: Array
    windows: tuple[Window, ...]
    more: Receivers | None = None
    wear_draws: int = 200
    wear_seed: int = 1
    workers: int = 1
    n_transfers: int = 0
    _memo: TrafficMemo = field(default_factory=TrafficMemo)

    @property
    def loaded(self) -> LoadedProject:
        return self.planned.scenes.loaded

    @property
    def mechanisms(self) -> tuple[str, ...]:
        return self.planned.task.emission.mean.mechanisms

    @property
    def wears(self) -> bool:
        """Does the roughness of any rail follow from works, at the date of the assessment?"""
        rails = self.planned.rails
        return rails.change and bool(rails.runs.begun(self.planned.situation.date).any())

    def base(self) -> Array:
        """Energies with likely values, (n_receivers, n_parts, n_columns): see :meth:`energies`."""
        return self.split(self.planned.built.scene, self.planned.task.emission.mean, self.transfer)

    def energies(self, case: Case, listed_only: bool = False) -> Array:
        """A-weighted energies by part: mechanisms times services; columns are the periods, then the windows.

        Parameters
        ----------
        listed_only : bool
            For the receivers of the scene only, without ``more``.

        Returns
        -------
        ndarray, (n_receivers, n_mechanisms x n_services, n_columns)

        Raises
        ------
        LinesideError
            If the model cannot be evaluated there.
        """
        loaded, selection = self._changed(case)
        moved = any(on_way(path, selection.propagation.name) for path in case.values)
        planned = self.planned
        same = loaded is self.loaded and not moved
        scenes = planned.scenes if same else self._scenes(loaded, selection)
        mixed, scene = self._emission(scenes, selection, case)
        known = planned.task.emission.mean.classes
        fits = {c.name for c in mixed.mean.classes} <= {c.name for c in known}
        if not moved and fits:
            transfer = self.transfer[: len(scene.receivers)] if listed_only else self.transfer
            return self.split(scene, aligned(mixed.mean, known), transfer)
        more = None if listed_only else self.more
        return self.split(scene, mixed.mean, self._transfer(scenes, scene, selection, mixed, more))

    def split(self, scene: Scene, emission: Emission, transfer: Array) -> Array:
        """Energies by part, (n_receivers, n_parts, n_columns)."""
        exposure = pass_exposure(scene, emission, transfer).energy
        hours = [period_hours(scene, n) for n in range(len(scene.period_names))]
        hours += [w.hours() for w in self.windows]
        columns = [a_weighted_energy(mean_energy(scene, exposure, h)).sum(axis=3) for h in hours]
        energy = np.stack(columns, axis=-1)
        return energy.reshape(len(energy), -1, energy.shape[-1])

    def _changed(self, case: Case) -> tuple[LoadedProject, Selection]:
        loaded = variant(self.loaded, case.values, self.vocabulary) if case.values else self.loaded
        if case.spectra:
            spectra = {k: _shifted(s, case.spectra[k]) if k in case.spectra else s for k, s in loaded.spectra.items()}
            loaded = replace(loaded, spectra=spectra)
        selection = self.selection
        if loaded.project.calculation is not self.loaded.project.calculation:
            selection = select(loaded, self.plugins)
        if case.options:
            changed = tuple((c, _changed(options, case.options.get(c.name, ()))) for c, options in selection.sources)
            selection = replace(selection, sources=changed)
        return loaded, selection

    def _scenes(self, loaded: LoadedProject, selection: Selection) -> Scenes:
        """Scenes with the sections of the assessment."""
        cuts = self.planned.scenes.cuts
        return Scenes(loaded, selection.all_sources, only_cut=cuts, memo=self._memo, like=self.planned.scenes)

    def _emission(self, scenes: Scenes, selection: Selection, case: Case) -> tuple[MixedEmission, Scene]:
        date, calculators = self.planned.situation.date, selection.sources
        own = scenes is self.planned.scenes and not case.classes

        def shifted(scene: Scene) -> Scene:
            return with_shifted_classes(scene, case.classes, [c for c, _ in calculators])

        rails = self.planned.rails
        if selection.rail_state is not None and not own:
            runs = rail_runs(scenes.loaded, shifted(scenes.reference.scene), calculators)
            rails = Rails(runs, *selection.rail_state)
        level = self._worn(rails, case.wear) if case.wear is not None and rails.change else None

        def finish(scene: Scene) -> Scene:
            scene = shifted(scene)
            if level is None:
                return rails.at(scene, date)
            return with_roughness(scene, rails.runs.run, level[0], level[1], rails.runs.begun(date))

        by_rail = any(c.by_rail_condition for c, _ in calculators)
        mix = source_mix(scenes, scenes.state(date), self.planned.situation.choices, by_rail)
        mixed = mixed_emission(scenes, mix, calculators, finish)
        if mixed.mean.mechanisms != self.mechanisms:
            raise PluginError("with other values of its inputs a calculator has other mechanisms")
        return mixed, scenes.at(scenes.state(date)).scene

    def _worn(self, rails: Rails, probability: float) -> tuple[Array, Array]:
        """Wavelengths, and roughness (n_runs, n_wavelengths) at a probability, band by band, about the likely one."""
        assert rails.calculator is not None and rails.options is not None
        date = self.planned.situation.date
        given = roughness(rails.calculator, rails.runs, [date], rails.options, self.wear_draws, self.wear_seed)
        likely, drawn = given.level_db[:, 0, 0], given.level_db[:, 0, 1:]
        # the calculator's likely level is not the median of its draws
        step = np.quantile(drawn, probability, axis=1) - np.quantile(drawn, 0.5, axis=1)
        return given.wavelength_mm, likely + step

    def _transfer(
        self, scenes: Scenes, scene: Scene, selection: Selection, mixed: MixedEmission, more: Receivers | None
    ) -> Array:
        task = Task(
            emission=mixed,
            around=surroundings(scenes, scene, self.planned.situation.choices),
            weather=self.planned.task.weather,
            forecast=np.empty(0),
            single_sources={},
        )
        self.n_transfers += 1
        found = [transfer_to(task, selection, scene.receivers, self.workers)]
        if more is not None:
            found.append(transfer_to(task, selection, more, self.workers))
        return np.concatenate(found)


def transfer_to(task: Task, selection: Selection, receivers: Receivers, workers: int) -> Array:
    """Long-term transfer, (n_receivers, n_sections, n_classes, n_periods, 24), one receiver after another."""

    def one(r: int) -> Array:
        return long_term(task, selection, receivers.part(r, r + 1))

    return np.concatenate(each(range(len(receivers)), one, workers))


def with_shifted_classes(scene: Scene, shifts: Mapping[str, float], calculators: Sequence[SourceCalculator]) -> Scene:
    """The scene with tabulated classes of some attributes of tracks and vehicles as spectra, shifted by so many dB."""
    if not any(shifts.values()):
        return scene
    forms = tuple(_with_shifts(form, shifts, calculators) for form in scene.forms)
    vehicles = tuple(_with_shifts(vehicle, shifts, calculators) for vehicle in scene.vehicles)
    return replace(scene, forms=forms, vehicles=vehicles)


def _with_shifts(part: P, shifts: Mapping[str, float], calculators: Sequence[SourceCalculator]) -> P:
    changed: dict[str, Any] = {}
    for attribute, shift in shifts.items():
        name = getattr(part, attribute, None)
        spectrum = _tabulated(attribute, name, calculators) if isinstance(name, str) else None
        if spectrum is not None:
            changed[attribute] = _shifted(spectrum, shift)
    return replace(part, **changed) if changed else part


def tabulated_classes(scene: Scene, attribute: str, calculators: Sequence[SourceCalculator]) -> tuple[str, ...]:
    """Names of the tabulated classes of an attribute that a scene has, in order."""
    found = [getattr(part, attribute, None) for part in (*scene.forms, *scene.vehicles)]
    names = {name for name in found if isinstance(name, str)}
    return tuple(sorted(name for name in names if _tabulated(attribute, name, calculators) is not None))


def _tabulated(attribute: str, name: str, calculators: Sequence[SourceCalculator]) -> Spectrum | None:
    given = (c.tabulated(attribute, name) for c in calculators)
    return next((spectrum for spectrum in given if spectrum is not None), None)


def _shifted(spectrum: Spectrum, shift_db: float) -> Spectrum:
    columns = {name: levels + shift_db for name, levels in spectrum.columns.items()}
    return replace(spectrum, id=f"{spectrum.id} {shift_db:+g} dB", columns=columns)

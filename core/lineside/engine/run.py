"""One run: receiver by receiver, then the grid, with emission that is known already.

Each listed receiver gets source points of its own, so that its levels do not depend on which other
receivers the project has.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import a_weighted_energy
from lineside.contracts import Window
from lineside.engine.emission import Emission
from lineside.engine.grid import GridLevels, grid_axes, grid_levels
from lineside.engine.layers import Layers, layer_of
from lineside.engine.levels import heard, mean_energy, pass_exposure, period_hours
from lineside.engine.mixing import PATH_KINDS, WEATHER, MixedEmission, Surroundings
from lineside.engine.passby import pass_history
from lineside.engine.select import Selection
from lineside.engine.transfer import Transfer, compute_transfer
from lineside.project.model import Grid
from lineside.scene.model import Receivers, Scene

Progress = Callable[[str, int, int], None]


def silent(_step: str, _done: int, _of: int) -> None:
    """A progress listener that says nothing."""


@dataclass(frozen=True, eq=False)
class Task:
    """What is to be computed.

    ``emission`` and ``around`` are the mixture that levels are rated for; ``weather``: one propagation state that
    prevails all the time, None: the mixture. ``forecast``: mean sound power per metre (n_periods, n_sections,
    n_classes, 24) by which single states are compared, ``single_sources`` the same with one state of a condition of the
    sources, by kind and id. All have the source classes of ``emission``.
    """

    emission: MixedEmission
    around: tuple[Surroundings, ...]
    weather: str | None
    forecast: Array
    single_sources: Mapping[tuple[str, str], Array]

    @property
    def scene(self) -> Scene:
        """The scene of the most frequent state, for all that is the same in every state."""
        return self.around[0].scene

    def single_states(self, propagation_states: Sequence[str]) -> tuple[tuple[str, str], ...]:
        """All single states, by kind and id, in the order of ``ReceiverLevels.single``; the mixture first."""
        paths = dict.fromkeys((kind, name) for a in self.around for kind, name in a.states.items())
        weather = [(WEATHER, s) for s in propagation_states] if self.weather is None else []
        weather = weather if len(weather) > 1 else []
        return (("", ""), *self.single_sources, *paths, *weather)


@dataclass(frozen=True, eq=False)
class ReceiverLevels:
    """Energies at the listed receivers, re (20 uPa)^2; A-weighted unless a field is per octave.

    ``spectrum`` (n_receivers, n_periods, 8) not A-weighted; ``by_mechanism``, ``by_service``, ``by_stretch``
    (n_receivers, n_periods, n_parts); ``by_place`` (n_receivers, n_periods, n_mechanisms, n_stretches); ``windows``
    (n_receivers, n_windows); ``lae``, ``lafmax`` (n_receivers, n_services, n_states) in the loudest of all states of
    sources, water and air; ``transfer`` (n_receivers, n_sections, n_classes, n_periods, 24) long-term, per unit of
    sound power per metre; ``single`` (n_receivers, n_single, n_periods) in the states of ``Task.single_states``.
    """

    spectrum: Array
    by_mechanism: Array
    by_service: Array
    by_stretch: Array
    by_place: Array
    windows: Array
    lae: Array
    lafmax: Array
    transfer: Array
    single: Array

    @property
    def period(self) -> Array:
        """A-weighted mean square per period, (n_receivers, n_periods)."""
        return a_weighted_energy(self.spectrum)


@dataclass(frozen=True, eq=False)
class Computed:
    """All numbers of one run; ``single_states`` name the entries of ``ReceiverLevels.single``."""

    emission: Emission
    states: tuple[str, ...]
    single_states: tuple[tuple[str, str], ...]
    windows: tuple[Window, ...]
    receivers: ReceiverLevels
    grid: GridLevels | None


def compute(
    task: Task,
    selection: Selection,
    windows: Sequence[Window] = (),
    grid: Grid | None = None,
    progress: Progress = silent,
    layers: Layers | None = None,
) -> Computed:
    """Compute levels at all receivers, single passes, and the grid if asked for.

    Parameters
    ----------
    layers : Layers, optional
        Situations on the grid, that of the task first. Default: that of the task alone.
    """
    scene, emission = task.scene, task.emission.mean
    parts = []
    for r in range(len(scene.receivers)):
        one = Receivers(ids=scene.receivers.ids[r : r + 1], xyz_m=scene.receivers.xyz_m[r : r + 1])
        parts.append(_one_receiver(task, selection, one, windows))
        progress("receivers", r + 1, len(scene.receivers))
    stacked = {k: np.concatenate([getattr(p, k) for p in parts]) for k in ReceiverLevels.__dataclass_fields__}
    levels = None
    if grid is not None:
        x, y = grid_axes(scene, grid.spacing_m, grid.margin_m)

        on_grid = layers or layer_of(task)

        def listen(receivers: Receivers) -> Array:
            return on_grid.heard(selection, receivers)

        n_layers = len(on_grid.power)
        levels = grid_levels(scene, n_layers, listen, x, y, grid.height_m, lambda d, of: progress("map", d, of))
    return Computed(
        emission=emission,
        states=selection.propagation.states,
        single_states=task.single_states(selection.propagation.states),
        windows=tuple(windows),
        receivers=ReceiverLevels(**stacked),
        grid=levels,
    )


def _transfer(scene: Scene, task: Task, selection: Selection, receivers: Receivers) -> Transfer:
    classes = task.emission.mean.classes
    return compute_transfer(scene, selection.propagation, selection.propagation_options, classes, receivers)


def _one_receiver(task: Task, selection: Selection, receiver: Receivers, windows: Sequence[Window]) -> ReceiverLevels:
    scene, emission = task.scene, task.emission.mean
    transfers = [_transfer(a.scene, task, selection, receiver) for a in task.around]
    states = transfers[0].states
    mixed = _mixed(task, transfers, task.weather)
    exposure = pass_exposure(scene, emission, mixed).energy
    periods = [mean_energy(scene, exposure, period_hours(scene, n)) for n in range(len(scene.period_names))]
    octaves = np.stack(periods, axis=1)  # receivers, periods, mechanisms, services, stretches, octaves
    loud = a_weighted_energy(octaves)
    in_window = [a_weighted_energy(mean_energy(scene, exposure, w.hours())).sum(axis=(1, 2, 3)) for w in windows]
    lae, lafmax = np.zeros((2, 1, len(scene.services), len(states)))
    for built, of_state in task.emission.states:
        for transfer in transfers:
            for k, run in enumerate(built.runs):
                history = pass_history(built.scene, run, k, of_state, transfer)
                lae[:, k] = np.maximum(lae[:, k], history.lae_energy())
                lafmax[:, k] = np.maximum(lafmax[:, k], history.lafmax_energy())
    return ReceiverLevels(
        spectrum=octaves.sum(axis=(2, 3, 4)),
        by_mechanism=loud.sum(axis=(3, 4)),
        by_service=loud.sum(axis=(2, 4)),
        by_stretch=loud.sum(axis=(2, 3)),
        by_place=loud.sum(axis=3),
        windows=np.stack(in_window, axis=1) if in_window else np.zeros((1, 0)),
        lae=lae,
        lafmax=lafmax,
        transfer=mixed,
        single=_single_states(task, transfers, mixed, states),
    )


def _mixed(task: Task, transfers: Sequence[Transfer], weather: str | None, kind: str = "", name: str = "") -> Array:
    """Transfer of the mixture, or with one state of one condition of the path prevailing all the time."""
    parts = [
        transfer.long_term_by_section(len(around.scene.sections), weather) * around.share(but=kind)[:, None]
        for around, transfer in zip(task.around, transfers, strict=True)
        if not kind or around.states.get(kind) == name
    ]
    return np.asarray(np.sum(parts, axis=0))


def _single_states(task: Task, transfers: Sequence[Transfer], mixed: Array, states: Sequence[str]) -> Array:
    """A-weighted energies in each single state, (1, n_single, n_periods)."""
    out = []
    for kind, name in task.single_states(states):
        power = task.single_sources.get((kind, name), task.forecast)
        if kind == WEATHER:
            way = _mixed(task, transfers, name)
        elif kind in PATH_KINDS:
            way = _mixed(task, transfers, task.weather, kind, name)
        else:
            way = mixed
        out.append(heard(way, power))
    return np.stack(out, axis=1)

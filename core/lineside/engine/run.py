"""One run: receiver by receiver, then the grid, with emission that is known already.

Each listed receiver gets source points of its own, so that its levels do not depend on which other
receivers the project has.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import a_weighted_energy
from lineside.contracts import Window
from lineside.engine.at_points import A_ENERGY, Listener
from lineside.engine.bounds import most_directed
from lineside.engine.emission import Emission
from lineside.engine.grid import GridLevels, grid_axes, grid_levels, line_power
from lineside.engine.kept import Blocks, room
from lineside.engine.layers import Layers, layer_of
from lineside.engine.levels import heard, mean_energy, pass_exposure, period_hours
from lineside.engine.mixing import PATH_KINDS, WEATHER, MixedEmission, Surroundings
from lineside.engine.passby import pass_history
from lineside.engine.pool import each
from lineside.engine.progress import Progress, silent
from lineside.engine.select import Selection
from lineside.engine.transfer import Transfer, compute_transfer
from lineside.project.model import Grid
from lineside.scene.model import Receivers, Scene
from lineside.scene.points import source_points

#: Listed receivers that are computed and kept together.
RECEIVERS_AT_ONCE = 4


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
    sound power per metre; ``single`` (n_receivers, n_single, n_periods) in the states of ``Task.single_states``;
    ``left_out`` (n_receivers, n_periods): upper bound of what paths would add that the calculator left out.
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
    left_out: Array

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
    workers: int = 1,
    blocks: Blocks | None = None,
    layers: Layers | None = None,
) -> Computed:
    """Compute levels at all receivers, single passes, and the grid if asked for.

    Parameters
    ----------
    workers : int
        Threads that share the work; no number depends on it.
    blocks : Blocks, optional
        Where finished receivers and tiles are kept, in case the run is stopped.
    layers : Layers, optional
        Situations on the grid, that of the task first. Default: that of the task alone.
    """
    blocks = blocks or Blocks()
    scene = task.scene
    levels = receiver_levels(task, selection, windows, lambda d, of: progress("receivers", d, of), workers, blocks)
    on_grid = None
    if grid is not None:
        x, y = grid_axes(scene, grid.spacing_m, grid.margin_m)
        layers = layers or layer_of(task)
        at, told = listener(layers, selection).at, lambda d, of: progress("map", d, of)
        on_grid = grid_levels(scene, at, x, y, grid.height_m, told, workers, blocks, len(layers))
    return Computed(
        emission=task.emission.mean,
        states=selection.propagation.states,
        single_states=task.single_states(selection.propagation.states),
        windows=tuple(windows),
        receivers=levels,
        grid=on_grid,
    )


def listener(what: Task | Layers, selection: Selection) -> Listener:
    """What hears the long-term mixture of a task, or some situations, at any points."""
    layers = what if isinstance(what, Layers) else layer_of(what)
    return Listener(layers, selection.propagation, selection.propagation_options)


def receiver_levels(
    task: Task,
    selection: Selection,
    windows: Sequence[Window],
    progress: Callable[[int, int], None],
    workers: int,
    blocks: Blocks,
) -> ReceiverLevels:
    """Levels at the listed receivers, in blocks of them."""
    receivers, names = task.scene.receivers, tuple(ReceiverLevels.__dataclass_fields__)
    begin = range(0, len(receivers), RECEIVERS_AT_ONCE)
    out: dict[str, Array] = {}
    guard = threading.Lock()

    def put(r: int, found: Mapping[str, Array]) -> None:
        with guard:
            for name in names if not out else ():
                out[name] = room((len(receivers), *found[name].shape[1:]))
        for name in names:
            out[name][r : r + len(found[name])] = found[name]

    def block(r: int) -> None:
        parts = []
        for k in range(r, min(r + RECEIVERS_AT_ONCE, len(receivers))):
            parts.append(_one_receiver(task, selection, receivers.part(k, k + 1), windows))
        found = {name: np.concatenate([getattr(part, name) for part in parts]) for name in names}
        blocks.save(f"receivers-{r}", found)
        put(r, found)

    todo = []
    for r in begin:
        known = blocks.load(f"receivers-{r}", names)
        if known is None:
            todo.append(r)
        else:
            put(r, known)
    n_kept = len(receivers) - sum(min(RECEIVERS_AT_ONCE, len(receivers) - r) for r in todo)
    progress(n_kept, len(receivers))
    each(todo, block, workers, lambda n: progress(min(n_kept + n * RECEIVERS_AT_ONCE, len(receivers)), len(receivers)))
    return ReceiverLevels(**out)


def long_term(task: Task, selection: Selection, receivers: Receivers) -> Array:
    """Long-term transfer, (n_receivers, n_sections, n_classes, n_periods, 24), as in ``ReceiverLevels.transfer``."""
    found = [
        _mixed(task, _transfers(task, selection, receivers.part(r, r + 1)), task.weather) for r in range(len(receivers))
    ]
    return np.concatenate(found)


def _transfers(task: Task, selection: Selection, receiver: Receivers) -> list[Transfer]:
    """Transfer in each state of the surroundings; all have the tracks of the first one, and so its source points."""
    classes, scene = task.emission.mean.classes, task.scene
    propagation, options = selection.propagation, selection.propagation_options
    points = source_points(scene, receiver, propagation.max_piece_ratio(options), propagation.source_ground_g)
    return [compute_transfer(a.scene, propagation, options, classes, receiver, points) for a in task.around]


def _one_receiver(task: Task, selection: Selection, receiver: Receivers, windows: Sequence[Window]) -> ReceiverLevels:
    scene, emission = task.scene, task.emission.mean
    transfers = _transfers(task, selection, receiver)
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
        left_out=_left_out(task, transfers),
    )


def _left_out(task: Task, transfers: Sequence[Transfer]) -> Array:
    """Upper bound of the energy of paths that the calculator left out, (1, n_periods)."""
    scene, emission = task.scene, task.emission.mean
    out = np.zeros((1, len(scene.period_names)))
    for around, transfer in zip(task.around, transfers, strict=True):
        missing = transfer.left_out_by_section(len(scene.sections))
        if missing is None or not missing.any():
            continue
        gain = np.array([most_directed(c) for c in emission.classes]).reshape(len(emission.classes), -1)
        power = np.einsum("nckt,kt,t->cn", line_power(scene, emission), gain, A_ENERGY)
        out += (missing @ power) * around.share()
    return out


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

"""One run: emission once, then receiver by receiver, then the grid.

Each listed receiver gets source points of its own, so that its levels do not depend on which other
receivers the project has.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import a_weighted_energy
from lineside.contracts import Window
from lineside.engine.emission import Emission, compute_emission
from lineside.engine.grid import GridLevels, grid_axes, grid_levels
from lineside.engine.levels import mean_energy, pass_exposure, period_hours
from lineside.engine.passby import pass_history
from lineside.engine.select import Selection
from lineside.engine.transfer import compute_transfer
from lineside.project.model import Grid
from lineside.scene.build import BuiltScene
from lineside.scene.model import Receivers

Progress = Callable[[str, int, int], None]


def silent(_step: str, _done: int, _of: int) -> None:
    """A progress listener that says nothing."""


@dataclass(frozen=True, eq=False)
class ReceiverLevels:
    """Energies at the listed receivers, re (20 uPa)^2; A-weighted unless a field is per octave.

    ``spectrum`` (n_receivers, n_periods, 8) not A-weighted; ``by_mechanism``, ``by_service``, ``by_stretch``
    (n_receivers, n_periods, n_parts); ``windows`` (n_receivers, n_windows); ``lae``, ``lafmax`` (n_receivers,
    n_services, n_states); ``transfer`` (n_receivers, n_sections, n_classes, n_periods, 24) long-term, per unit of
    sound power per metre.
    """

    spectrum: Array
    by_mechanism: Array
    by_service: Array
    by_stretch: Array
    windows: Array
    lae: Array
    lafmax: Array
    transfer: Array

    @property
    def period(self) -> Array:
        """A-weighted mean square per period, (n_receivers, n_periods)."""
        return a_weighted_energy(self.spectrum)


@dataclass(frozen=True, eq=False)
class Computed:
    """All numbers of one run."""

    emission: Emission
    states: tuple[str, ...]
    windows: tuple[Window, ...]
    receivers: ReceiverLevels
    grid: GridLevels | None


def compute(
    built: BuiltScene,
    selection: Selection,
    windows: Sequence[Window] = (),
    grid: Grid | None = None,
    progress: Progress = silent,
) -> Computed:
    """Compute levels at all receivers, single passes, and the grid if asked for."""
    scene = built.scene
    progress("emission", 0, 1)
    emission = compute_emission(scene, selection.sources)
    progress("emission", 1, 1)
    parts = []
    for r in range(len(scene.receivers)):
        one = Receivers(ids=scene.receivers.ids[r : r + 1], xyz_m=scene.receivers.xyz_m[r : r + 1])
        parts.append(_one_receiver(built, selection, emission, one, windows))
        progress("receivers", r + 1, len(scene.receivers))
    stacked = {k: np.concatenate([getattr(p, k) for p in parts]) for k in ReceiverLevels.__dataclass_fields__}
    levels = None
    if grid is not None:
        x, y = grid_axes(scene, grid.spacing_m, grid.margin_m)
        levels = grid_levels(
            scene,
            emission,
            selection.propagation,
            selection.propagation_options,
            x,
            y,
            grid.height_m,
            lambda done, of: progress("map", done, of),
        )
    return Computed(
        emission=emission,
        states=selection.propagation.states,
        windows=tuple(windows),
        receivers=ReceiverLevels(**stacked),
        grid=levels,
    )


def _one_receiver(
    built: BuiltScene, selection: Selection, emission: Emission, receiver: Receivers, windows: Sequence[Window]
) -> ReceiverLevels:
    scene = built.scene
    transfer = compute_transfer(scene, selection.propagation, selection.propagation_options, emission.classes, receiver)
    by_section = transfer.long_term_by_section(len(scene.sections))
    exposure = pass_exposure(scene, emission, by_section).energy
    periods = [mean_energy(scene, exposure, period_hours(scene, n)) for n in range(len(scene.period_names))]
    octaves = np.stack(periods, axis=1)  # receivers, periods, mechanisms, services, stretches, octaves
    loud = a_weighted_energy(octaves)
    in_window = [a_weighted_energy(mean_energy(scene, exposure, w.hours())).sum(axis=(1, 2, 3)) for w in windows]
    histories = [pass_history(scene, run, k, emission, transfer) for k, run in enumerate(built.runs)]
    n_states = len(transfer.states)
    return ReceiverLevels(
        spectrum=octaves.sum(axis=(2, 3, 4)),
        by_mechanism=loud.sum(axis=(3, 4)),
        by_service=loud.sum(axis=(2, 4)),
        by_stretch=loud.sum(axis=(2, 3)),
        windows=np.stack(in_window, axis=1) if in_window else np.zeros((1, 0)),
        lae=np.stack([h.lae_energy() for h in histories], axis=1) if histories else np.zeros((1, 0, n_states)),
        lafmax=np.stack([h.lafmax_energy() for h in histories], axis=1) if histories else np.zeros((1, 0, n_states)),
        transfer=by_section,
    )

"""Long-term levels at the receivers on facades: as on maps, without single passes, spectra and parts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Window
from lineside.engine.grid import line_power
from lineside.engine.kept import Blocks
from lineside.engine.layers import Layers, layer_of
from lineside.engine.pool import each
from lineside.engine.progress import Progress, silent
from lineside.engine.run import Task, listener
from lineside.engine.select import Selection
from lineside.scene.facades import FacadePoints
from lineside.scene.model import Receivers

#: Receivers that are computed and kept together.
BLOCK = 64


@dataclass(frozen=True, eq=False)
class FacadeLevels:
    """A-weighted mean squares re (20 uPa)^2.

    ``period`` (n_receivers, n_periods) and ``windows`` (n_receivers, n_windows) at the facades, ``front``
    (n_front, n_periods) 2 m in front of them; ``left_out`` (n_receivers, n_periods): upper bound of what was left out
    at the facades.
    """

    period: Array
    windows: Array
    front: Array
    left_out: Array


def facade_levels(
    task: Task,
    selection: Selection,
    points: FacadePoints,
    windows: Sequence[Window] = (),
    progress: Progress = silent,
    workers: int = 1,
    blocks: Blocks | None = None,
) -> FacadeLevels:
    """Levels of a task at receivers on facades; each depends on nothing but its place.

    Parameters
    ----------
    windows : sequence of Window
        Clock hours over which levels are averaged besides the periods.
    workers : int
        Threads that share the work; no number depends on it.
    blocks : Blocks, optional
        Where finished blocks are kept, in case the run is stopped.
    """
    blocks = blocks or Blocks()
    layers = _with_windows(layer_of(task), task, windows)
    hear = listener(layers, selection)
    n_near, n = len(points), len(points) + len(points.front)
    shape = (n, len(layers), len(task.scene.period_names))
    energy, left_out = np.zeros(shape), np.zeros(shape)
    # the receivers at the walls first, then those in front of them
    todo = [
        (of, start, min(start + BLOCK, len(receivers)))
        for of, receivers in enumerate((points.receivers, points.front))
        for start in range(0, len(receivers), BLOCK)
    ]

    def one(piece: tuple[int, int, int]) -> None:
        of, start, stop = piece
        name = f"facades-{of}-{start}"
        receivers: Receivers = points.front if of else points.receivers
        known = blocks.load(name, ("energy", "left_out"))
        if known is None:
            found = hear.at(receivers.part(start, stop))
            known = {"energy": found.energy, "left_out": found.left_out}
            blocks.save(name, known)
        rows = slice(start + of * n_near, stop + of * n_near)
        energy[rows] = known["energy"].reshape(-1, *shape[1:])
        left_out[rows] = known["left_out"].reshape(-1, *shape[1:])

    progress("facades", 0, n)
    each(todo, one, workers, lambda k: progress("facades", min(k * BLOCK, n) if k < len(todo) else n, n))
    return FacadeLevels(
        period=energy[:n_near, 0],
        windows=energy[:n_near, 1:].sum(axis=2),
        front=energy[n_near:, 0],
        left_out=left_out[:n_near, 0],
    )


def _with_windows(layers: Layers, task: Task, windows: Sequence[Window]) -> Layers:
    """The situation of the report, and averages over clock hours, whose periods add up to the mean."""
    emission = task.emission.mean
    power = [line_power(task.scene, emission, window)[None] for window in windows]
    return replace(
        layers,
        share=np.repeat(layers.share, 1 + len(windows), axis=1),
        weather=layers.weather * (1 + len(windows)),
        power=np.concatenate([layers.power, *power]),
    )

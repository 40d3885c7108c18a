"""Long-term levels at the receivers on facades: building by building, without single passes, spectra and parts."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Window
from lineside.engine.emission import Emission
from lineside.engine.levels import heard, period_hours
from lineside.engine.run import Progress, Task, long_term, silent
from lineside.engine.select import Selection
from lineside.scene.facades import FacadePoints
from lineside.scene.model import IntArray, Receivers, Scene

#: Receivers that share source points: those of one building, but no more than these, so that memory stays bounded.
BLOCK = 48


@dataclass(frozen=True, eq=False)
class FacadeLevels:
    """A-weighted mean squares re (20 uPa)^2.

    ``period`` (n_receivers, n_periods) and ``windows`` (n_receivers, n_windows) at the facades; ``front``
    (n_front, n_periods) 2 m in front of them.
    """

    period: Array
    windows: Array
    front: Array


def facade_levels(
    task: Task,
    selection: Selection,
    points: FacadePoints,
    windows: Sequence[Window] = (),
    progress: Progress = silent,
) -> FacadeLevels:
    """Levels of a task at receivers on facades; those of a building do not depend on the other buildings chosen.

    Parameters
    ----------
    windows : sequence of Window
        Clock hours over which levels are averaged besides the periods.
    """
    scene, emission = task.scene, task.emission.mean
    hours = [period_hours(scene, n) for n in range(len(scene.period_names))] + [w.hours() for w in windows]
    powers = [power_over(scene, emission, h) for h in hours]

    def levels(receivers: Receivers) -> Array:
        way = long_term(task, selection, receivers)
        return np.stack([heard(way, power).sum(axis=1) for power in powers], axis=1)

    near = _blocks(points.building)
    far = _blocks(points.building[points.front_of])
    n = len(near) + len(far)
    at_walls = _all(points.receivers, near, levels, lambda k: progress("facades", k, n))
    in_front = _all(points.front, far, levels, lambda k: progress("facades", len(near) + k, n))
    n_periods = len(scene.period_names)
    return FacadeLevels(
        at_walls.reshape(-1, len(hours))[:, :n_periods],
        at_walls.reshape(-1, len(hours))[:, n_periods:],
        in_front.reshape(-1, len(hours))[:, :n_periods],
    )


def _all(
    receivers: Receivers,
    blocks: Sequence[tuple[int, int]],
    levels: Callable[[Receivers], Array],
    told: Callable[[int], None],
) -> Array:
    out = []
    for k, (start, stop) in enumerate(blocks, start=1):
        out.append(levels(receivers.part(start, stop)))
        told(k)
    return np.concatenate(out) if out else np.empty(0)


def _blocks(building: IntArray) -> list[tuple[int, int]]:
    """Rows [start, stop) that are computed together: of one building, in blocks of equal size."""
    ends = [0, *(np.flatnonzero(np.diff(building)) + 1).tolist(), len(building)]
    out = []
    for low, high in pairwise(ends):
        n = -(-(high - low) // BLOCK)
        out += list(pairwise([low + (high - low) * k // n for k in range(n + 1)])) if n else []
    return out


def power_over(scene: Scene, emission: Emission, hours: IntArray) -> Array:
    """Mean sound power per metre over clock hours, by the period whose propagation holds in them.

    Returns
    -------
    ndarray, (n_periods, n_sections, n_classes, 24)
        Re 1 pW/m; the sum over periods of what is heard of it is the mean over the hours.
    """
    passes = np.zeros((len(scene.period_names), len(scene.services)))
    for hour in hours:
        passes[scene.period_of_hour[hour]] += [s.trains_per_hour[hour] for s in scene.services]
    return np.einsum("nmsckt,ns->nckt", emission.pass_energy, passes / (3600.0 * len(hours)), optimize=True)

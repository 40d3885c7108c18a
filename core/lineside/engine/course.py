"""The course of levels in time: track and rails of each date, in the mixture of states that levels are rated for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.engine.emission import Emission
from lineside.engine.plan import Plan
from lineside.engine.select import Selection
from lineside.engine.timeline import TimelineLevels, timeline


def course(
    planned: Plan, selection: Selection, transfer: Array, dates: Sequence[dt.date], n_draws: int, seed: int
) -> TimelineLevels:
    """Levels at the receivers at each date.

    Dates between two changes of the track by works are evaluated together; within them only the roughness of rails
    changes.

    Parameters
    ----------
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the source classes of ``planned.task``.
    """
    epochs: dict[int, list[dt.date]] = {}
    for date in dates:
        epochs.setdefault(planned.scenes.epoch(date), []).append(date)
    parts = [_within_epoch(planned, selection, transfer, group, n_draws, seed) for group in epochs.values()]
    return TimelineLevels(
        dates=tuple(dates),
        energy=np.concatenate([part.energy for part in parts]),
        before=parts[0].before,
        worn_in=parts[-1].worn_in,
        seed=seed,
        n_states=sum(part.n_states for part in parts),
        one_by_one=any(part.one_by_one for part in parts),
    )


def _within_epoch(
    planned: Plan, selection: Selection, transfer: Array, dates: Sequence[dt.date], n_draws: int, seed: int
) -> TimelineLevels:
    mix = planned.mixture_at(dates[0])
    scenes = [planned.scenes.at(state).scene for state in mix.states]
    emission: Emission = planned.emission_at(dates[0])
    mixture = list(zip(scenes, mix.weight, strict=True))
    return timeline(scenes[0], planned.rails.runs, selection, emission, transfer, dates, n_draws, seed, mixture)

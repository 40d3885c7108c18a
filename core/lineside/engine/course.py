"""The course of levels in time: track and rails of each date, in the mixture of states that levels are rated for."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.engine.emission import Emission
from lineside.engine.grid import line_power
from lineside.engine.kept import Blocks
from lineside.engine.plan import Plan
from lineside.engine.select import Selection
from lineside.engine.timeline import TimelineLevels, roughness, timeline
from lineside.engine.timeline_states import Listening, State, power_one_by_one


def course(
    planned: Plan,
    selection: Selection,
    transfer: Array,
    dates: Sequence[dt.date],
    n_draws: int,
    seed: int,
    blocks: Blocks | None = None,
) -> TimelineLevels:
    """Levels at the receivers at each date.

    Dates between two changes of the track by works are evaluated together; within them only the roughness of rails
    changes.

    Parameters
    ----------
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the source classes of ``planned.task``.
    blocks : Blocks, optional
        Where states of the rails that took long are kept, in case the run is stopped.
    """
    blocks = blocks or Blocks()
    epochs: dict[int, list[dt.date]] = {}
    for date in dates:
        epochs.setdefault(planned.scenes.epoch(date), []).append(date)
    parts = [
        _within_epoch(planned, selection, transfer, group, n_draws, seed, blocks, f"states-{epoch}")
        for epoch, group in epochs.items()
    ]
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
    planned: Plan,
    selection: Selection,
    transfer: Array,
    dates: Sequence[dt.date],
    n_draws: int,
    seed: int,
    blocks: Blocks,
    name: str,
) -> TimelineLevels:
    mix = planned.mixture_at(dates[0])
    scenes = [planned.scenes.at(state).scene for state in mix.states]
    emission: Emission = planned.emission_at(dates[0])
    mixture = list(zip(scenes, mix.weight, strict=True))
    runs = planned.rails.runs
    return timeline(scenes[0], runs, selection, emission, transfer, dates, n_draws, seed, mixture, blocks, name)


def thirds_in_time(planned: Plan, selection: Selection, transfer: Array, dates: Sequence[dt.date]) -> Array:
    """Third-octave spectra of the periods at each date, likely case, not A-weighted.

    Sections without works are evaluated once between two changes of the track, those with works in each state of their
    rails that differs.

    Parameters
    ----------
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the source classes of ``planned.task``.

    Returns
    -------
    ndarray, (n_dates, n_receivers, n_periods, 24)
        Mean square, re (20 uPa)^2.
    """
    epochs: dict[int, list[int]] = {}
    for k, date in enumerate(dates):
        epochs.setdefault(planned.scenes.epoch(date), []).append(k)
    out = np.empty((len(dates), len(transfer), transfer.shape[3], transfer.shape[4]))
    for members in epochs.values():
        out[members] = _thirds_within_epoch(planned, selection, transfer, [dates[k] for k in members])
    return out


def _thirds_within_epoch(planned: Plan, selection: Selection, transfer: Array, dates: Sequence[dt.date]) -> Array:
    assert selection.rail_state is not None
    runs, mix = planned.rails.runs, planned.mixture_at(dates[0])
    scenes = [planned.scenes.at(state).scene for state in mix.states]
    emission = planned.emission_at(dates[0])
    given = roughness(selection.rail_state[0], runs, dates, selection.rail_state[1])
    listening = Listening(
        mixture=list(zip(scenes, mix.weight, strict=True)),
        runs=runs,
        calculators=selection.sources,
        classes=emission.classes,
        transfer=transfer,
        wavelength_mm=given.wavelength_mm,
    )
    power = line_power(scenes[0], emission)
    power[:, runs.sections] = 0.0
    rest = _arriving(transfer, power)
    states = [State(given.level_db[:, d, 0], runs.begun(date)) for d, date in enumerate(dates)]
    new = {state.key(): state for state in states}
    transfer = transfer[:, runs.sections]
    heard = (_arriving(transfer, power) for power in power_one_by_one(listening, list(new.values())))
    known = dict(zip(new, heard, strict=True))
    return np.array([rest + known[state.key()] for state in states])


def _arriving(transfer: Array, power: Array) -> Array:
    """Mean square in third octaves, (n_receivers, n_periods, 24), of power (n_periods, n_sections, n_classes, 24)."""
    return np.asarray(np.einsum("rcknt,nckt->rnt", transfer, power))

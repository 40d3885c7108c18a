"""Levels in time: the emission of sections with works at each date, times the transfer that is known already."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array, thirds_to_octaves
from lineside.acoustics.levels import a_weighted_energy
from lineside.contracts import RAIL_CASES, Options, RailRoughness, RailStateCalculator
from lineside.engine.emission import Emission, compute_emission
from lineside.engine.grid import line_power
from lineside.engine.select import Selection
from lineside.errors import PluginError
from lineside.scene.model import BoolArray, Scene
from lineside.scene.rail_runs import RailRuns, only_sections, with_roughness

#: So many states are evaluated side by side; bounds the memory.
STATES_AT_ONCE = 12

LIKELY = RAIL_CASES.index("likely")


@dataclass(frozen=True, eq=False)
class TimelineLevels:
    """A-weighted mean-square pressure in time, re (20 uPa)^2.

    ``energy`` (n_dates, n_cases, n_receivers, n_periods); ``before`` and ``worn_in`` (n_receivers, n_periods): before
    the first work, and with all that the last works left worn away and nothing grown; ``n_states``
    emissions were evaluated.
    """

    dates: tuple[dt.date, ...]
    energy: Array
    before: Array
    worn_in: Array
    n_states: int


def months_from(date: dt.date, n: int) -> dt.date:
    """First day of the month that lies n months after (before: n < 0) the month of a date.

    >>> months_from(dt.date(2026, 11, 20), 2)
    datetime.date(2027, 1, 1)
    """
    month = 12 * date.year + date.month - 1 + n
    return dt.date(month // 12, month % 12 + 1, 1)


def timeline_dates(
    works: Sequence[dt.date], months_before: int, months_after: int, also: Sequence[dt.date]
) -> tuple[dt.date, ...]:
    """The first of each month around the works, the day after each work, and further dates, in order."""
    first, last = months_from(min(works), -months_before), months_from(max(works), months_after)
    n = 12 * (last.year - first.year) + last.month - first.month
    months = {months_from(first, k) for k in range(n + 1)}
    return tuple(sorted({*months, *(d + dt.timedelta(days=1) for d in works), *also}))


def scene_at(scene: Scene, runs: RailRuns, wear: tuple[RailStateCalculator, Options], date: dt.date) -> Scene:
    """The scene with the likely roughness of a date."""
    if not runs.runs:
        return scene
    calculator, options = wear
    given = roughness(calculator, runs, [date], options)
    return with_roughness(scene, runs.run, given.wavelength_mm, given.level_db[:, 0, LIKELY], _begun(runs, date))


def roughness(
    calculator: RailStateCalculator, runs: RailRuns, dates: Sequence[dt.date], options: Options
) -> RailRoughness:
    """Ask the calculator and check what it gives.

    Raises
    ------
    PluginError
        If the arrays have the wrong shape or levels that are not finite.
    """
    given = calculator.roughness(runs.runs, dates, options)
    shape = (len(runs.runs), len(dates), len(RAIL_CASES), given.wavelength_mm.size)
    if given.level_db.shape != shape or given.worn_in_db.shape != (shape[0], shape[3]):
        raise PluginError(f"{calculator.name}: shape {given.level_db.shape}, where {shape} is asked for")
    if not (np.all(np.isfinite(given.level_db)) and np.all(np.isfinite(given.worn_in_db))):
        raise PluginError(f"{calculator.name}: roughness must be finite levels")
    return given


def _begun(runs: RailRuns, date: dt.date) -> BoolArray:
    """Runs whose first work is done; the others keep their base exactly as the project gives it."""
    return np.array([run.works[0].date <= date for run in runs.runs], dtype=np.bool_)


def timeline(
    scene: Scene,
    runs: RailRuns,
    selection: Selection,
    emission: Emission,
    transfer: Array,
    dates: Sequence[dt.date],
) -> TimelineLevels:
    """Levels at the receivers at each date.

    Only sections with works are evaluated again, and each distinct state of all runs once.

    Parameters
    ----------
    scene : Scene
        With the base roughness of the project everywhere.
    emission : Emission
        Of the scene at any date: the sections without works are read from it.
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the classes of ``emission``.
    """
    assert selection.rail_state is not None
    calculator, options = selection.rail_state
    given = roughness(calculator, runs, dates, options)
    n_runs, n_cases = len(runs.runs), len(RAIL_CASES)
    none, every = np.zeros(n_runs, dtype=np.bool_), np.ones(n_runs, dtype=np.bool_)
    states = [_State(given.worn_in_db, none), _State(given.worn_in_db, every)]
    for d, date in enumerate(dates):
        states += [_State(given.level_db[:, d, c], _begun(runs, date)) for c in range(n_cases)]
    distinct = {state.key(): state for state in states}
    energies = _heard_states(scene, runs, selection, emission, transfer, given.wavelength_mm, list(distinct.values()))
    heard = dict(zip(distinct, energies, strict=True))
    energy = np.array([heard[state.key()] for state in states])
    return TimelineLevels(
        dates=tuple(dates),
        energy=energy[2:].reshape(len(dates), n_cases, *energy.shape[1:]),
        before=energy[0],
        worn_in=energy[1],
        n_states=len(distinct),
    )


@dataclass(frozen=True, eq=False)
class _State:
    """Roughness of all runs: levels (n_runs, n_wavelengths) of the runs that have changed (n_runs,)."""

    level_db: Array
    changed: BoolArray

    def key(self) -> bytes:
        return self.changed.tobytes() + np.where(self.changed[:, None], self.level_db, 0.0).tobytes()


def _heard_states(
    scene: Scene,
    runs: RailRuns,
    selection: Selection,
    emission: Emission,
    transfer: Array,
    wavelength_mm: Array,
    states: Sequence[_State],
) -> Iterator[Array]:
    """A-weighted energy (n_receivers, n_periods) in each state.

    Calculators see the sections with works of several states side by side, as if they were so much more track.
    """
    touched, untouched = runs.sections, np.flatnonzero(runs.run < 0)
    rest = _heard(transfer[:, untouched], line_power(scene, emission)[:, untouched])
    near = transfer[:, touched]
    n_runs, n_touched = len(runs.runs), len(touched)
    for first in range(0, len(states), STATES_AT_ONCE):
        batch = states[first : first + STATES_AT_ONCE]
        part = only_sections(scene, np.tile(touched, len(batch)))
        run = np.concatenate([runs.run[touched] + k * n_runs for k in range(len(batch))])
        level_db = np.concatenate([state.level_db for state in batch])
        changed = np.concatenate([state.changed for state in batch])
        power = _power(with_roughness(part, run, wavelength_mm, level_db, changed), selection, emission)
        for k in range(len(batch)):
            yield rest + _heard(near, power[:, k * n_touched : (k + 1) * n_touched])


def _power(state: Scene, selection: Selection, emission: Emission) -> Array:
    """Mean sound power per metre, (n_periods, n_sections, n_classes, 24), classes as in ``emission``."""
    own = compute_emission(state, selection.sources)
    power = line_power(state, own)
    out = np.zeros((*power.shape[:2], len(emission.classes), power.shape[3]))
    index = {c.name: k for k, c in enumerate(emission.classes)}
    for k, source_class in enumerate(own.classes):
        if source_class.name not in index:
            raise PluginError(f"the source class {source_class.name!r} is heard at some dates only")
        out[:, :, index[source_class.name]] = power[:, :, k]
    return out


def _heard(transfer: Array, power: Array) -> Array:
    """A-weighted energy, (n_receivers, n_periods)."""
    thirds = np.einsum("rcknt,nckt->rnt", transfer, power, optimize=True)
    return a_weighted_energy(thirds_to_octaves(thirds))

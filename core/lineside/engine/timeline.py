"""Levels in time: the emission of sections with works at each date, times the transfer that is known already."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Options, RailRoughness, RailStateCalculator
from lineside.engine.emission import Emission
from lineside.engine.grid import line_power
from lineside.engine.kept import Blocks
from lineside.engine.select import Selection
from lineside.engine.timeline_states import (
    STATES_AT_ONCE,
    WEIGHT_OF_THIRDS,
    Heard,
    Listening,
    Mixture,
    State,
    heard_one_by_one,
    listen,
)
from lineside.errors import PluginError
from lineside.scene.model import BoolArray, Scene
from lineside.scene.rail_runs import RailRuns

#: So many levels of roughness are held at a time; bounds the memory.
VALUES_AT_ONCE = 4_000_000
#: States that are evaluated one by one and kept together; a multiple of ``STATES_AT_ONCE``.
STATES_KEPT = 10 * STATES_AT_ONCE
#: Weeks after a work up to which there is a date every week, and every second week: fading is quickest then.
WEEKLY, FORTNIGHTLY = 4, 16


@dataclass(frozen=True, eq=False)
class TimelineLevels:
    """A-weighted mean-square pressure in time, re (20 uPa)^2.

    ``energy`` (n_dates, 1 + n_draws, n_receivers, n_periods): with likely parameters of the rail state first, then with
    random draws that follow from ``seed``; ``before`` and ``worn_in`` (n_receivers, n_periods): on the day before the
    first work, and with all that the last works left worn away and nothing grown. ``n_states`` states of the rails were
    evaluated: at each date the different ones of each run, runs that are alike together; or, ``one_by_one``, the
    different ones of all runs at once.
    """

    dates: tuple[dt.date, ...]
    energy: Array
    before: Array
    worn_in: Array
    seed: int
    n_states: int
    one_by_one: bool


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
    """The first of each month around the works, the day after each work and further dates, in order.

    After each work there are dates every week and then every second week, where none of the others is as near.
    """
    first, last = months_from(min(works), -months_before), months_from(max(works), months_after)
    n = 12 * (last.year - first.year) + last.month - first.month
    months = {months_from(first, k) for k in range(n + 1)}
    dates = {*months, *(d + dt.timedelta(days=1) for d in works), *also}
    for work in sorted(works):
        for weeks in (*range(1, WEEKLY), *range(WEEKLY, FORTNIGHTLY + 1, 2)):
            date, apart = work + dt.timedelta(weeks=weeks), 2 if weeks < WEEKLY else 4
            if date < last and not any(abs((date - d).days) <= apart for d in dates):
                dates.add(date)
    return tuple(sorted(dates))


def roughness(
    calculator: RailStateCalculator,
    runs: RailRuns,
    dates: Sequence[dt.date],
    options: Options,
    n_draws: int = 0,
    seed: int = 1,
) -> RailRoughness:
    """Ask the calculator and check what it gives.

    Raises
    ------
    PluginError
        If the arrays have the wrong shape or levels that are not finite.
    """
    given = calculator.roughness(runs.runs, dates, options, n_draws, seed)
    shape = (len(runs.runs), len(dates), 1 + n_draws, given.wavelength_mm.size)
    if given.level_db.shape != shape or given.worn_in_db.shape != (shape[0], shape[3]):
        raise PluginError(f"{calculator.name}: shape {given.level_db.shape}, where {shape} is asked for")
    if not (np.all(np.isfinite(given.level_db)) and np.all(np.isfinite(given.worn_in_db))):
        raise PluginError(f"{calculator.name}: roughness must be finite levels")
    return given


def timeline(
    scene: Scene,
    runs: RailRuns,
    selection: Selection,
    emission: Emission,
    transfer: Array,
    dates: Sequence[dt.date],
    n_draws: int = 0,
    seed: int = 1,
    mixture: Mixture | None = None,
    blocks: Blocks | None = None,
    name: str = "states",
) -> TimelineLevels:
    """Levels at the receivers at each date.

    Only sections with works are evaluated again, and each distinct state of a run once, for all receivers.

    Parameters
    ----------
    scene : Scene
        With the base roughness of the project everywhere.
    emission : Emission
        Of the scene at any date: the sections without works are read from it.
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the classes of ``emission``.
    n_draws, seed : int
        Random draws of the parameters of the rail state, and what they follow from.
    mixture : sequence, optional
        Scenes that alternate, like ``scene`` but for the traffic and the state of the day; default: the scene alone.
    blocks, name : optional
        Where states that are evaluated one by one are kept in case the run is stopped, and under which name.
    """
    assert selection.rail_state is not None
    calculator, options = selection.rail_state
    last_before = min((work.date for run in runs.runs for work in run.works), default=min(dates)) - dt.timedelta(days=1)
    first = roughness(calculator, runs, [last_before], options)
    nominal = np.ones((len(scene.period_names), len(scene.services)))
    listening = Listening(
        mixture=mixture or [(scene, nominal)],
        runs=runs,
        calculators=selection.sources,
        classes=emission.classes,
        transfer=transfer,
        wavelength_mm=first.wavelength_mm,
    )
    n_runs = len(runs.runs)
    before = _Course(first.level_db, runs.begun(last_before)[:, None])
    worn_in = _Course(first.worn_in_db[:, None, None], np.ones((n_runs, 1), dtype=np.bool_))
    heard = listen(listening, first.worn_in_db.mean(axis=0))
    evaluate = _OneByOne(listening, blocks or Blocks(), name) if heard is None else _ByAnswer(heard)
    energy = np.empty((len(dates), 1 + n_draws, listening.n_heard))
    per_date = n_runs * (1 + n_draws) * first.wavelength_mm.size
    at_once = max(1, VALUES_AT_ONCE // per_date)
    for k in range(0, len(dates), at_once):
        batch = dates[k : k + at_once]
        given = roughness(calculator, runs, batch, options, n_draws, seed)
        changed = np.stack([runs.begun(date) for date in batch], axis=1)
        energy[k : k + at_once] = evaluate(_Course(given.level_db, changed))
    power = line_power(scene, emission)
    power[:, runs.sections] = 0.0
    rest = np.einsum("rcknt,nckt->rn", transfer, power * WEIGHT_OF_THIRDS)
    energy += rest.ravel()
    shape = rest.shape
    return TimelineLevels(
        dates=tuple(dates),
        energy=energy.reshape(*energy.shape[:2], *shape),
        before=evaluate(before).reshape(shape) + rest,
        worn_in=evaluate(worn_in).reshape(shape) + rest,
        seed=seed,
        n_states=evaluate.n_states,
        one_by_one=heard is None,
    )


@dataclass(frozen=True, eq=False)
class _Course:
    """Roughness of all runs at dates: levels (n_runs, n_dates, n_cases, n_wavelengths), changed (n_runs, n_dates)."""

    level_db: Array
    changed: BoolArray


class _ByAnswer:
    """Evaluates by the answer to roughness; counts distinct states of runs."""

    def __init__(self, heard: Heard) -> None:
        self.heard = heard
        self.n_states = 0

    def __call__(self, course: _Course) -> Array:
        """A-weighted mean square of sections with works, (n_dates, n_cases, n_heard)."""
        _, n_dates, n_cases, _ = course.level_db.shape
        out = np.empty((n_dates, n_cases, self.heard.total.size))
        for d in range(n_dates):
            alike: dict[bytes, list[int]] = {}
            for run in np.flatnonzero(course.changed[:, d]):
                alike.setdefault(course.level_db[run, d].tobytes(), []).append(int(run))
            levels = [course.level_db[same[0], d] for same in alike.values()]
            levels = [level[:1] if np.all(level == level[0]) else level for level in levels]
            self.n_states += sum(len(level) for level in levels)
            out[d] = self.heard.at(levels, list(alike.values()))
        return out


class _OneByOne:
    """Evaluates by asking the calculators in each distinct state of all runs together, once."""

    def __init__(self, listening: Listening, blocks: Blocks, name: str) -> None:
        self.listening = listening
        self.known: dict[bytes, Array] = {}
        self.blocks = blocks
        self.name = name

    @property
    def n_states(self) -> int:
        return len(self.known)

    def __call__(self, course: _Course) -> Array:
        """A-weighted mean square of sections with works, (n_dates, n_cases, n_heard)."""
        _, n_dates, n_cases, _ = course.level_db.shape
        states = [State(course.level_db[:, d, c], course.changed[:, d]) for d in range(n_dates) for c in range(n_cases)]
        keys = [state.key() for state in states]
        new = {key: state for key, state in zip(keys, states, strict=True) if key not in self.known}
        for first in range(0, len(new), STATES_KEPT):
            some = list(new)[first : first + STATES_KEPT]
            self.known.update(zip(some, self._heard([new[key] for key in some]), strict=True))
        return np.array([self.known[key] for key in keys]).reshape(n_dates, n_cases, -1)

    def _heard(self, states: Sequence[State]) -> Array:
        """(n_states, n_heard), taken up where a run that was stopped has kept it: states come in the same order."""
        block = f"{self.name}-{len(self.known)}"
        kept = self.blocks.load(block, ("heard",))
        if kept is not None:
            return kept["heard"]
        heard = np.array(list(heard_one_by_one(self.listening, states)))
        self.blocks.save(block, {"heard": heard})
        return heard

"""The time line as the results document holds it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import RAIL_CASES, Options, RailStateCalculator
from lineside.engine.timeline import TimelineLevels
from lineside.results import model
from lineside.scene.model import BoolArray, Scene
from lineside.scene.rail_runs import RailRuns

#: Margins to the state before the works whose dates are given. [dB]
MARGINS_DB = (3.0, 2.0, 1.0)
DIGITS = 3


def describe(
    scene: Scene,
    runs: RailRuns,
    levels: TimelineLevels,
    wear: tuple[RailStateCalculator, Options],
    date: dt.date,
    ratings: Mapping[str, Sequence[model.Rating]],
) -> model.Timeline:
    """The time line of all receivers.

    Parameters
    ----------
    date : date
        The assessment date.
    ratings : mapping
        By receiver; see :func:`lineside.results.ratings.ratings`.
    """
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    return model.Timeline(
        calculator=wear[0].name,
        assessment_date=date.isoformat(),
        cases=list(RAIL_CASES),
        draws=levels.energy.shape[1] - 1,
        seed=levels.seed,
        dates=[d.isoformat() for d in levels.dates],
        work_dates=[d.isoformat() for d in runs.work_dates],
        runs=[
            model.RailRunInfo(
                track=scene.tracks[int(runs.track[k])].id,
                from_m=round(float(runs.from_m[k]), 2),
                to_m=round(float(runs.to_m[k]), 2),
                mgt_per_day=round(run.mgt_per_day, 6),
                radius_m=round(run.curve_radius_m, 2) if math.isfinite(run.curve_radius_m) else None,
                work_dates=[w.date.isoformat() for w in run.works],
            )
            for k, run in enumerate(runs.runs)
        ],
        receivers=[
            _receiver(r, scene, runs, levels, hours, ratings.get(scene.receivers.ids[r], ()))
            for r in range(len(scene.receivers))
        ],
    )


def _receiver(
    r: int,
    scene: Scene,
    runs: RailRuns,
    levels: TimelineLevels,
    hours: Array,
    ratings: Sequence[model.Rating],
) -> model.ReceiverTimeline:
    def quantities(period: Array) -> dict[str, Array]:
        named = {name: period[..., n] for n, name in enumerate(scene.period_names)}
        return {"lden": lden_energy(period, hours), **named}

    before, worn_in = quantities(levels.before[r]), quantities(levels.worn_in[r])
    in_time = quantities(levels.energy[:, :, r])
    lden = in_time["lden"]  # dates, likely and draws
    fresh = [levels.dates.index(d + dt.timedelta(days=1)) for d in runs.work_dates]
    silent = not before["lden"] > 0.0
    return model.ReceiverTimeline(
        receiver=scene.receivers.ids[r],
        before_db={q: _level(v) for q, v in before.items()},
        worn_in_db={q: _level(v) for q, v in worn_in.items()},
        fresh_db=by_case(cases(lden[fresh].max(axis=0))),
        levels_db={q: by_case(cases(values)) for q, values in in_time.items()},
        returns=[]
        if silent
        else returns_within(MARGINS_DB, levels.dates[fresh[-1] :], to_db(lden[fresh[-1] :] / before["lden"])),
        ratings=list(ratings),
    )


def cases(values: Array) -> Array:
    """The three cases, (..., 3): likely is the first value, low and high are 5 % and 95 % points of the others.

    Points are draws themselves, not interpolated between them, so that "never" (inf) stays what it is.

    Parameters
    ----------
    values : ndarray, (..., 1 + n_draws)
        Without draws, all cases are the likely one.
    """
    n_draws = values.shape[-1] - 1
    if n_draws == 0:
        return np.repeat(values, 3, axis=-1)
    low, high = (math.ceil(share * n_draws) - 1 for share in (0.05, 0.95))
    drawn = np.partition(values[..., 1:], (low, high), axis=-1)
    return np.stack([drawn[..., low], values[..., 0], drawn[..., high]], axis=-1)


def by_case(energy: Array) -> dict[str, Any]:
    """Levels of (..., 3) energies by case: one level, or a list of them."""
    level_db = np.round(to_db(energy), DIGITS).astype(object)
    level_db[energy <= 0.0] = None
    return dict(zip(RAIL_CASES, np.moveaxis(level_db, -1, 0).tolist(), strict=True))


def _level(energy: float | Array) -> float | None:
    level = float(to_db(energy))
    return round(level, DIGITS) if math.isfinite(level) else None


def returns_within(margins_db: Sequence[float], dates: Sequence[dt.date], excess_db: Array) -> list[model.Return]:
    """When an excess has come down to each margin, and whether it stays there.

    Likely dates are those of the likely course; low and high are 5 % and 95 % points of the dates of the draws.

    Parameters
    ----------
    dates : sequence of date
        From the day after the last work on.
    excess_db : ndarray, (n_dates, 1 + n_draws)
        Lden above the state before the works, likely first; linear between dates.
    """
    shape = (len(margins_db), excess_db.shape[1])
    excess, margin = np.tile(excess_db, len(margins_db)), np.repeat(margins_db, shape[1])
    inside = excess <= margin
    entry = _crossing(inside, dates, excess, margin).reshape(shape)
    leaving = _crossing(np.logical_or.accumulate(inside, axis=0) & ~inside, dates, excess, margin).reshape(shape)
    likely = excess_db[:, 0]
    never_likely = (
        "still falling at the end of the time line"
        if len(likely) > 1 and likely[-1] < likely[-2]
        else "does not return: it grows again"
    )

    def reason(case: str, day: float, days: Array) -> str:
        if day == dates[0].toordinal():
            return "within it from the start"
        if math.isfinite(day):
            return ""
        if case == "likely" or days.size == 1:
            return never_likely
        return f"not within it by the end of the time line in {100.0 * np.mean(np.isinf(days[1:])):.0f} % of the draws"

    return [
        model.Return(
            within_db=margins_db[m],
            dates={case: _date(day) for case, day in zip(RAIL_CASES, entries, strict=True)},
            leaves={case: _date(day) for case, day in zip(RAIL_CASES, leavings, strict=True)},
            reasons={case: reason(case, day, entry[m]) for case, day in zip(RAIL_CASES, entries, strict=True)},
        )
        for m, (entries, leavings) in enumerate(zip(cases(entry).tolist(), cases(leaving).tolist(), strict=True))
    ]


def _date(day: float) -> str | None:
    return dt.date.fromordinal(int(day)).isoformat() if math.isfinite(day) else None


def _crossing(hit: BoolArray, dates: Sequence[dt.date], excess_db: Array, level_db: Array) -> Array:
    """First whole day on which an excess has crossed its level before the first date that is hit, (n,); inf for none.

    ``hit`` and ``excess_db`` have the axes (n_dates, n). Days are ordinals.
    """
    if not hit.any():
        return np.full(hit.shape[1], np.inf)
    day = np.array([d.toordinal() for d in dates], dtype=np.float64)
    first, case = np.argmax(hit, axis=0), np.arange(hit.shape[1])
    before = np.maximum(first - 1, 0)
    now, last = excess_db[first, case], excess_db[before, case]
    share = np.divide(level_db - last, now - last, out=np.ones_like(now), where=now != last)
    at = np.ceil(day[before] + share * (day[first] - day[before]) - 1e-9)
    return np.where(hit.any(axis=0), np.where(first == 0, day[0], at), np.inf)

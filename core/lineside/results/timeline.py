"""The time line as the results document holds it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import RAIL_CASES, Options, RailStateCalculator
from lineside.engine.timeline import TimelineLevels
from lineside.results import model
from lineside.scene.model import Scene
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
) -> model.Timeline:
    """The time line of all receivers.

    Parameters
    ----------
    date : date
        The assessment date.
    """
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    return model.Timeline(
        calculator=wear[0].name,
        assessment_date=date.isoformat(),
        cases=list(RAIL_CASES),
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
        receivers=[_receiver(r, scene, runs, levels, hours) for r in range(len(scene.receivers))],
    )


def _receiver(r: int, scene: Scene, runs: RailRuns, levels: TimelineLevels, hours: Array) -> model.ReceiverTimeline:
    def quantities(period: Array) -> dict[str, Array]:
        named = {name: to_db(period[..., n]) for n, name in enumerate(scene.period_names)}
        return {"lden": to_db(lden_energy(period, hours)), **named}

    before, worn_in = quantities(levels.before[r]), quantities(levels.worn_in[r])
    in_time = quantities(levels.energy[:, :, r])
    lden = in_time["lden"]  # dates, cases
    fresh = [levels.dates.index(d + dt.timedelta(days=1)) for d in runs.work_dates]
    silent = not math.isfinite(float(before["lden"]))
    return model.ReceiverTimeline(
        receiver=scene.receivers.ids[r],
        before_db={q: _level(v) for q, v in before.items()},
        worn_in_db={q: _level(v) for q, v in worn_in.items()},
        fresh_db={case: _level(lden[fresh, c].max()) for c, case in enumerate(RAIL_CASES)},
        levels_db={
            q: {case: [_level(v) for v in values[:, c]] for c, case in enumerate(RAIL_CASES)}
            for q, values in in_time.items()
        },
        returns=[]
        if silent
        else [
            return_within(margin, levels.dates[fresh[-1] :], lden[fresh[-1] :] - before["lden"])
            for margin in MARGINS_DB
        ],
    )


def _level(value: float | Array) -> float | None:
    return round(float(value), DIGITS) if math.isfinite(float(value)) else None


def return_within(margin_db: float, dates: Sequence[dt.date], excess_db: Array) -> model.Return:
    """When an excess has come down to a margin, and whether it stays there.

    Parameters
    ----------
    dates : sequence of date
        From the day after the last work on.
    excess_db : ndarray, (n_dates, n_cases)
        Lden above the state before the works; linear between dates.
    """
    found: dict[str, str | None] = {}
    leaves: dict[str, str | None] = {}
    reasons: dict[str, str] = {}
    for c, case in enumerate(RAIL_CASES):
        excess = excess_db[:, c]
        inside = excess <= margin_db
        found[case] = leaves[case] = None
        reasons[case] = ""
        if not inside.any():
            falling = len(excess) > 1 and excess[-1] < excess[-2]
            reasons[case] = (
                "still falling at the end of the time line" if falling else "does not return: it grows again"
            )
            continue
        first = int(np.argmax(inside))
        found[case] = _crossing(first, dates, excess, margin_db).isoformat()
        if first == 0:
            reasons[case] = "within it from the start"
        outside = np.flatnonzero(~inside[first:])
        if outside.size:
            leaves[case] = _crossing(first + int(outside[0]), dates, excess, margin_db).isoformat()
    return model.Return(within_db=margin_db, dates=found, leaves=leaves, reasons=reasons)


def _crossing(k: int, dates: Sequence[dt.date], excess_db: Array, level_db: float) -> dt.date:
    """First whole day at which the excess has crossed the level, between dates k - 1 and k."""
    if k == 0:
        return dates[0]
    share = (level_db - excess_db[k - 1]) / (excess_db[k] - excess_db[k - 1])
    return dates[k - 1] + dt.timedelta(days=math.ceil(share * (dates[k] - dates[k - 1]).days - 1e-9))

"""Levels in time as limit sets compare them: with adjustments, and the days from which limits are kept."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db, to_energy
from lineside.contracts import RAIL_CASES, LimitCheck, Window
from lineside.engine.timeline import TimelineLevels
from lineside.engine.tones import tones_found
from lineside.results import model
from lineside.results.findings import RESOLUTION_DB, Question, window_text
from lineside.results.timeline import DIGITS, by_case, cases
from lineside.scene.model import BoolArray, Scene

#: Trains of the hours of a period that differ by less than this ratio are spread evenly.
EVEN_WITHIN = 1e-9


@dataclass(frozen=True, eq=False)
class LineOfTime:
    """What ratings are made of.

    ``steps``: dates on which levels may jump, those of works. ``thirds`` (n_dates, n_receivers, n_periods, 24): spectra
    of the likely case, where a check looks for tones.
    """

    scene: Scene
    levels: TimelineLevels
    last_work: dt.date
    steps: Sequence[dt.date]
    thirds: Array | None


def ratings(line: LineOfTime, asked: Iterable[Question]) -> dict[str, list[model.Rating]]:
    """Ratings by receiver, in the order of the questions.

    Left out are largest levels of passes, clock hours that hold a part of a period whose trains are not spread evenly,
    and silence.
    """
    receivers = {name: r for r, name in enumerate(line.scene.receivers.ids)}
    out: dict[str, list[model.Rating]] = {}
    for question in asked:
        for check in question.checks:
            weights = period_weights(check, line.scene)
            r = receivers[question.receiver]
            if weights is not None and np.any(line.levels.energy[:, :, r] @ weights > 0.0):
                out.setdefault(question.receiver, []).append(_rating(line, question.criterion, check, r, weights))
    return out


def period_weights(check: LimitCheck, scene: Scene) -> Array | None:
    """Weights (n_periods,) by which the mean squares of the periods add up to that of a check; None: they do not."""
    names = scene.period_names
    hours = np.bincount(scene.period_of_hour, minlength=len(names)).astype(np.float64)
    if check.window is not None:
        return _of_window(check.window, scene, hours)
    if check.quantity == "lden_db":
        return lden_energy(np.eye(len(names)), hours)
    named = [f"l{name}_db" == check.quantity for name in names]
    return np.array(named, dtype=np.float64) if any(named) else None


def _of_window(window: Window, scene: Scene, hours: Array) -> Array | None:
    inside = np.bincount(scene.period_of_hour[window.hours()], minlength=hours.size).astype(np.float64)
    for n in np.flatnonzero((inside > 0.0) & (inside < hours)):
        trains = [service.trains_per_hour[scene.period_of_hour == n] for service in scene.services]
        if any(np.ptp(each) > EVEN_WITHIN * each.max() for each in trains):
            return None
    return inside / inside.sum()


def _rating(line: LineOfTime, criterion: str, check: LimitCheck, r: int, weights: Array) -> model.Rating:
    levels, dates = line.levels, line.levels.dates
    toned, factor = _tones(line, check, r, weights)
    energy = cases((levels.energy[:, :, r] * factor[:, None, :]) @ weights)
    fixed = float(to_energy(check.adjustment_db))
    before = float(to_db((levels.before[r] * factor[0]) @ weights * fixed))
    rated_db = to_db(energy * fixed)
    limit_db = effective_limit_db(check)
    jumps = np.zeros(len(dates), dtype=np.bool_)
    jumps[1:] = np.any(factor[1:] != factor[:-1], axis=1) | _with_step(dates, line.steps)
    start = dates.index(line.last_work + dt.timedelta(days=1))
    kept = {case: keeps(dates, rated_db[:, k], limit_db, jumps, start) for k, case in enumerate(RAIL_CASES)}
    itself = check.window is None and check.adjustment_db == 0.0 and check.tone is None
    return model.Rating(
        criterion=criterion,
        label=check.label,
        quantity=check.quantity,
        window=window_text(check.window),
        limit_db=check.limit_db,
        rounded_up=check.rounding == "up",
        adjustment_db=check.adjustment_db,
        tone_rule=check.tone.name if check.tone is not None else "",
        tone_found=[] if toned is None else toned.tolist(),
        before_db=round(before, DIGITS) if math.isfinite(before) else None,
        above_before=before > limit_db + RESOLUTION_DB,
        rating_db={} if itself else by_case(energy * fixed),
        kept_from={case: _iso(k.kept_from) for case, k in kept.items()},
        above_from={case: _iso(k.above_from) for case, k in kept.items()},
        reasons={case: k.reason for case, k in kept.items()},
    )


def _tones(line: LineOfTime, check: LimitCheck, r: int, weights: Array) -> tuple[BoolArray | None, Array]:
    """At which dates a tone is found (n_dates,), and its factor to the energy of each period, (n_dates, n_periods).

    In Lden each period is raised by itself, as :func:`lineside.results.tone_rules.judge` says.
    """
    shape = (len(line.levels.dates), weights.size)
    if check.tone is None or line.thirds is None:
        return None, np.ones(shape)
    spectra = line.thirds[:, r]
    if check.quantity != "lden_db":
        spectra = np.einsum("dnt,n->dt", spectra, weights)[:, None]
    found = np.broadcast_to(tones_found(spectra, check.tone).any(axis=-1), shape)
    return np.asarray(found.any(axis=1)), np.where(found, float(to_energy(check.tone.adjustment_db)), 1.0)


def _with_step(dates: Sequence[dt.date], steps: Iterable[dt.date]) -> BoolArray:
    """Stretches between neighbouring dates that hold a step, on its day or the day after, (n_dates - 1,)."""
    day = np.array([date.toordinal() for date in dates])
    out = np.zeros(day.size - 1, dtype=np.bool_)
    for step in steps:
        for at in (step.toordinal(), step.toordinal() + 1):
            out |= (day[:-1] < at) & (at <= day[1:])
    return out


def effective_limit_db(check: LimitCheck) -> float:
    """Highest rating level that keeps a limit: levels are rounded up to whole dB where the criterion says so."""
    return float(math.floor(check.limit_db + RESOLUTION_DB)) if check.rounding == "up" else check.limit_db


@dataclass(frozen=True)
class Keeping:
    """From when on a limit is kept, and from when on no more; see :func:`keeps`."""

    kept_from: dt.date | None
    above_from: dt.date | None
    reason: model.KeptReason  # why there is no first date; empty: there is


def keeps(dates: Sequence[dt.date], level_db: Array, limit_db: float, jumps: BoolArray, start: int) -> Keeping:
    """When a course keeps a limit, first from the day after the last work on.

    Parameters
    ----------
    level_db : ndarray, (n_dates,)
        Linear between dates.
    jumps : ndarray of bool, (n_dates,)
        Dates before which it is not linear: the date itself is then that of a change.
    start : int
        Index of the day after the last work.
    """
    above = level_db > limit_db + RESOLUTION_DB
    if not above.any():
        return Keeping(None, None, "kept throughout")
    if above.all():
        return Keeping(None, None, "exceeded throughout")
    kept = np.flatnonzero(~above[start:])
    if kept.size == 0:
        falling = len(level_db) > 1 and level_db[-1] < level_db[-2]
        return Keeping(
            None,
            None,
            "exceeded to the end of the time line, still falling"
            if falling
            else "exceeded to the end of the time line",
        )
    first = start + int(kept[0])
    earlier = np.flatnonzero(above[:first])
    later = np.flatnonzero(above[first:])
    again = _crossing(dates, level_db, limit_db, jumps, first + int(later[0])) if later.size else None
    if earlier.size == 0:
        return Keeping(None, again, "kept until it is exceeded")
    return Keeping(_crossing(dates, level_db, limit_db, jumps, int(earlier[-1]) + 1), again, "")


def _crossing(dates: Sequence[dt.date], level_db: Array, limit_db: float, jumps: BoolArray, k: int) -> dt.date:
    """First whole day beyond the crossing of the limit between date k - 1 and date k."""
    last, now = float(level_db[k - 1]), float(level_db[k])
    if jumps[k] or not (math.isfinite(last) and math.isfinite(now)):
        return dates[k]
    share = (limit_db - last) / (now - last)
    days = math.ceil(min(max(share, 0.0), 1.0) * (dates[k] - dates[k - 1]).days - 1e-9)
    return dates[k - 1] + dt.timedelta(days=days)


def _iso(date: dt.date | None) -> str | None:
    return None if date is None else date.isoformat()

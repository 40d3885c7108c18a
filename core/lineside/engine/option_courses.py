"""Levels of chosen options in time, beside those of doing nothing."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lineside.acoustics.bands import Array
from lineside.engine.combine import OptionKey
from lineside.engine.course import thirds_in_time
from lineside.engine.grid import line_power
from lineside.engine.levels import heard
from lineside.engine.option_run import Considered, Prepared, course_projects, plan_with
from lineside.engine.plan import Plan
from lineside.engine.select import Selection
from lineside.engine.timeline import months_from, timeline_dates
from lineside.engine.timeline_states import WEIGHT_OF_THIRDS


@dataclass(frozen=True, eq=False)
class OptionCourses:
    """A-weighted mean square in time: (n_dates, n_receivers, n_periods) by option; () is doing nothing."""

    dates: tuple[dt.date, ...]
    energy: dict[OptionKey, Array]


def option_courses(considered: Considered, keys: Sequence[OptionKey]) -> OptionCourses | None:
    """Levels of options and of doing nothing from the date of comparison on; None where no rail changes in time.

    Each measure is there from its day on, or from the date of the project and its lead time on where that is later;
    options with other walls are left out, as they need a transfer of their own.
    """
    prepared, evaluation = _in_place(considered.prepared), considered.evaluation
    wear = prepared.loaded.project.calculation.rail_state
    if wear is None:
        return None
    chosen = [key for key in keys if all(prepared.changer.by_id[name].measure.side == "source" for name in key)]
    days = [prepared.changer.by_id[name].day for key in chosen for name in key]
    begin = min([prepared.date, *days])
    works = [w.date for w in prepared.loaded.project.works if w.date >= begin]
    last = months_from(max([begin, *works, *days]), wear.months_after)
    one = dt.timedelta(days=1)
    after = [begin, *works, *days, *(d + one for d in days), *(d - one for d in days)]
    dates = [d for d in timeline_dates([begin], 0, wear.months_after, after) if begin <= d <= last]
    parts = {key: [_there(key, prepared, date) for date in dates] for key in chosen}
    wanted = dict.fromkeys([(), *chosen, *(part for of_dates in parts.values() for part in of_dates)])
    found: dict[OptionKey, Array] = {}
    for key, loaded in course_projects(prepared, list(wanted)):
        selection = prepared.selection_of(loaded)
        found[key] = _likely(plan_with(evaluation.plan, loaded, selection), selection, evaluation.transfer, dates)
    energy: dict[OptionKey, Array] = {(): found[()]}
    for key, of_dates in parts.items():
        if all(part in found for part in of_dates):
            energy[key] = np.stack([found[part][n] for n, part in enumerate(of_dates)])
    return OptionCourses(tuple(dates), energy)


def _likely(planned: Plan, selection: Selection, transfer: Array, dates: Sequence[dt.date]) -> Array:
    """A-weighted mean square with likely rails at each date, (n_dates, n_receivers, n_periods)."""
    if planned.rails.change:
        return np.asarray(thirds_in_time(planned, selection, transfer, dates) @ WEIGHT_OF_THIRDS)
    known: dict[int, Array] = {}
    for date in dates:
        epoch = planned.scenes.epoch(date)
        if epoch not in known:
            known[epoch] = heard(transfer, line_power(planned.scenes.reference.scene, planned.emission_at(date)))
    return np.stack([known[planned.scenes.epoch(date)] for date in dates])


def _in_place(prepared: Prepared) -> Prepared:
    """The same options, each measure from the day on which it can be there."""
    project = prepared.loaded.project
    by_id = {name: c.in_place(project) for name, c in prepared.changer.by_id.items()}
    return replace(prepared, changer=replace(prepared.changer, by_id=by_id, _made={}))


def _there(key: OptionKey, prepared: Prepared, date: dt.date) -> OptionKey:
    """Those measures of an option that work by a date: what has no date of its own does not work before its day."""
    return tuple(name for name in key if prepared.changer.by_id[name].day <= date)

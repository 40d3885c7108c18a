"""Checks of what changes from day to day: ids and shares of states, outlines of the water, services, odd values."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.check_geometry import ring_is_sound
from lineside.project.check_plausible import check_air
from lineside.project.draft import Draft
from lineside.project.model import Calls, Conditions
from lineside.project.problems import Loc
from lineside.project.resolve import Points, Resolved
from lineside.project.resolve_conditions import KINDS, months_without, share_table, written_shares
from lineside.project.types import PERIODS
from lineside.project.weather import MONTHS
from lineside.project.wording import did_you_mean, names, number, shown
from lineside.scene.conditions import RAIL_CONDITIONS

#: Shares of a condition may miss 1 by this; they are then made to add up.
SUM_TOLERANCE = 0.001
#: Conditions multiply: so many combinations are computed on either side, of sources and of paths.
MOST_COMBINATIONS = 150
#: Words that lineside uses beside the ids of states.
RESERVED = ("before", "mixture", "homogeneous", "favourable", *(month.casefold() for month in MONTHS))
#: How far an outline may lie outside its ground area. [m]
OUTSIDE_M = 0.1
_DATE = re.compile(r"\d{4}-\d{1,2}(-\d{1,2})?")


def check_conditions(draft: Draft, resolved: Resolved) -> None:
    """Run every check of conditions."""
    given = draft.conditions
    if given is None:
        return
    _check_ids(draft, given)
    _check_shares(draft, given)
    _check_water(draft, given, resolved)
    for s, state in enumerate(given.air):
        check_air(draft, ("conditions", "air", s), state)
    _check_driving(draft, given)
    _check_timetable(draft, given)
    _check_wheels(draft, given)
    _check_number(draft, given)
    _check_effect(draft, given)


def _states(given: Conditions) -> Iterator[tuple[str, int, Any]]:
    for kind in KINDS:
        if kind != "rail":
            for s, state in enumerate(getattr(given, kind)):
                yield kind, s, state


def _check_ids(draft: Draft, given: Conditions) -> None:
    first: dict[str, Loc] = {}
    reserved = {*RESERVED, *RAIL_CONDITIONS}
    for kind, s, state in _states(given):
        path: Loc = ("conditions", kind, s, "id")
        hint = "it stands beside ids of states in the results; choose another word"
        if state.id.casefold() in reserved:
            draft.reporter.add(path, "is a word that lineside uses itself", hint=hint)
        elif _DATE.fullmatch(state.id):
            draft.reporter.add(path, "looks like a date", hint="name the state, not the time: low_water")
        if "+" in state.id:
            draft.reporter.add(path, "contains a +, which joins the ids of states", hint="write - or _ instead")
        if first.setdefault(state.id, path) != path:
            line = draft.reporter.document.mark(first[state.id])[0]
            draft.reporter.add(
                path,
                "two states have this id; each needs its own, also in different conditions",
                hint=f"it stands in line {line} already",
            )


def _check_shares(draft: Draft, given: Conditions) -> None:
    for kind, written in written_shares(given):
        tables: list[Array] = []
        for place, share in written:
            path: Loc = ("conditions", kind, place) if kind == "rail" else ("conditions", kind, place, "share")
            _check_months(draft, path, share)
            table = share_table(share)
            if table is None:
                continue
            tables.append(table)
            if not table.any() and kind != "rail":
                draft.reporter.warn(path, "the state never occurs: its share is 0 in every month and period")
        if len(tables) < len(written) or draft.faulty("conditions", kind):
            continue
        wrong = wrong_sums(np.sum(tables, axis=0))
        if wrong:
            draft.reporter.add(
                ("conditions", kind),
                f"the shares of time of its states must add up to 1: they give {wrong}",
                allowed=f"1 in each month and period, to within {SUM_TOLERANCE:g}",
                found="",
            )


def _check_months(draft: Draft, path: Loc, share: object) -> None:
    missing, doubled = months_without(share)
    wrong = []
    if missing:
        wrong.append(f"{_months(missing)} missing")
    if doubled:
        wrong.append(f"{_months(doubled)} twice")
    if wrong:
        draft.reporter.add(
            path, f"must have each month once: {', '.join(wrong)}", allowed="the months 1 to 12, each once", found=""
        )


def wrong_sums(total: Array) -> str:
    """Sums of shares (12, n_periods) that are not 1, in words; empty if all are.

    >>> wrong_sums(np.full((12, 3), 0.9))
    '0.9'
    >>> total = np.ones((12, 3))
    >>> total[[0, 1, 4], 2] = 1.2
    >>> wrong_sums(total)
    '1.2 (night; January to February, May)'
    """
    off = np.abs(total - 1) > SUM_TOLERANCE
    rounded = np.round(total, 4)
    if off.all() and np.ptp(rounded) == 0:
        return number(float(rounded[0, 0]))
    words = []
    for p, period in enumerate(PERIODS):
        for value in np.unique(rounded[off[:, p], p]):
            months = [int(m) + 1 for m in np.flatnonzero(off[:, p] & (rounded[:, p] == value))]
            when = "" if len(months) == len(MONTHS) else f"; {_months(months)}"
            words.append(f"{number(float(value))} ({period}{when})")
    more = f" and {len(words) - 6} more" if len(words) > 6 else ""
    return ", ".join(words[:6]) + more


def _months(months: list[int]) -> str:
    """Names of months (from 1, rising), those in a row as a range."""
    runs: list[list[int]] = []
    for month in months:
        if runs and month == runs[-1][-1] + 1:
            runs[-1].append(month)
        else:
            runs.append([month])
    return ", ".join(MONTHS[run[0] - 1] + (f" to {MONTHS[run[-1] - 1]}" if len(run) > 1 else "") for run in runs)


def _check_water(draft: Draft, given: Conditions, resolved: Resolved) -> None:
    from shapely import Polygon

    areas = {area.id: i for i, area in reversed(draft.readable("ground_areas").items())}
    for s, state in enumerate(given.water):
        seen: set[str] = set()
        for k, outline in enumerate(state.outlines):
            path: Loc = ("conditions", "water", s, "outlines", k)
            if outline.area in seen:
                draft.reporter.add(
                    (*path, "area"), "has two outlines in this state", hint="make the parts ground areas of their own"
                )
            seen.add(outline.area)
            _check_level(draft, path, outline.level_m, areas.get(outline.area))
            points = resolved.outlines.get((s, k))
            if points is None or not ring_is_sound(draft, path, points):
                continue
            around = resolved.polygons.get(areas.get(outline.area, -1))
            if around is not None and len(np.unique(around.array, axis=0)) >= 3:
                area = Polygon(around.array)
                if area.is_valid:
                    _check_inside(draft, path, points, area)


def _check_level(draft: Draft, path: Loc, level_m: float | None, area: int | None) -> None:
    """Whether the level of a state can be: not above that of the area's own outline, the highest one."""
    if level_m is None or area is None:
        return
    highest = draft.readable("ground_areas")[area].level_m
    if highest is None:
        draft.reporter.warn(
            (*path, "level_m"),
            "stands beside a ground area without a level",
            hint="give the ground area the level of the highest water, or its surface lies at the bed",
        )
    elif level_m > highest:
        draft.reporter.add(
            (*path, "level_m"),
            "is higher than the water of the ground area's own outline, which is the highest one",
            allowed=f"at most {number(highest)} m",
        )


def _check_inside(draft: Draft, path: Loc, points: Points, area: Any) -> None:
    from shapely import Point, Polygon, get_coordinates

    outside = Polygon(points.array).difference(area.buffer(OUTSIDE_M))
    if outside.is_empty or outside.area < 1e-9:
        return
    far = max(area.distance(Point(xy)) for xy in get_coordinates(outside))
    draft.reporter.add(
        (*path, "feature") if points.file is not None else points.path,
        f"the outline lies up to {number(round(max(far, OUTSIDE_M), 2))} m outside its ground area",
        allowed="an outline inside that of the ground area, which is the highest one",
        hint="draw the ground area at the highest water",
    )


def _check_driving(draft: Draft, given: Conditions) -> None:
    calls = any(isinstance(service.pattern, Calls) for service in draft.readable("services").values())
    for s, state in enumerate(given.driving):
        if state.acceleration_factor != 1 and not calls and draft.complete:
            draft.reporter.warn(
                ("conditions", "driving", s, "acceleration_factor"), "has no effect, as no service calls at a stop"
            )


def _check_timetable(draft: Draft, given: Conditions) -> None:
    known, services = draft.ids("services"), draft.readable("services")
    for s, state in enumerate(given.timetable):
        for name, change in state.services.items():
            path: Loc = ("conditions", "timetable", s, "services", name)
            if name not in known:
                draft.reporter.add(
                    path,
                    f"there is no service with the id {shown(name)}",
                    allowed=names(known),
                    hint=did_you_mean(name, known),
                    found="",
                    of_key=True,
                )
                continue
            service = services.get(known[name])
            unread = draft.faulty("services", known[name], "pattern")
            if change.passes and service is not None and not unread and not isinstance(service.pattern, Calls):
                draft.reporter.add(
                    (*path, "passes"), "the service passes already", allowed="only for services that call at stops"
                )
            elif not change.passes and change.trains_factor == 1 and not draft.faulty(*path):
                draft.reporter.warn(
                    path, "changes nothing", hint="give trains_factor or passes: true", found="", of_key=False
                )


def _check_wheels(draft: Draft, given: Conditions) -> None:
    known = draft.ids("vehicles")
    for s, state in enumerate(given.wheels):
        for name in state.vehicles:
            if name not in known:
                draft.reporter.add(
                    ("conditions", "wheels", s, "vehicles", name),
                    f"there is no vehicle with the id {shown(name)}",
                    allowed=names(known),
                    hint=did_you_mean(name, known),
                    found="",
                    of_key=True,
                )


def _check_number(draft: Draft, given: Conditions) -> None:
    """Are there more combinations of states than can be computed in reasonable time?"""
    rails = 3 if given.rail is not None else 1
    sides = {
        ("water", "air"): ("paths to every receiver", max(len(given.water), 1) * max(len(given.air), 1)),
        ("rail", "driving", "timetable", "wheels"): (
            "emissions",
            rails * max(len(given.driving), 1) * max(len(given.timetable), 1) * max(len(given.wheels), 1),
        ),
    }
    for kinds, (what, n) in sides.items():
        if n > MOST_COMBINATIONS:
            draft.reporter.add(
                ("conditions",),
                f"{n} combinations of the states of {', '.join(kinds)} are too many: the {what} are computed for each",
                allowed=f"up to {MOST_COMBINATIONS} combinations",
                hint="leave out states that hardly differ",
                found="",
            )


def _check_effect(draft: Draft, given: Conditions) -> None:
    """Conditions none of whose states changes anything."""
    changing = {
        "water": any(state.outlines for state in given.water),
        "driving": any(state.acceleration_factor != 1 or state.traction_db != 0 for state in given.driving),
        "timetable": any(state.services for state in given.timetable),
        "wheels": any(state.vehicles for state in given.wheels),
    }
    for kind, changes in changing.items():
        if getattr(given, kind) and not changes and not draft.faulty("conditions", kind):
            draft.reporter.warn(("conditions", kind), "none of the states changes anything", found="")

"""Checks of the rail state: dates and wheel loads that it needs, what nothing reads, measured roughness."""

from __future__ import annotations

import datetime as dt

from lineside.project.draft import Draft
from lineside.project.model import RailMeasurement
from lineside.scene.alignment import SAME_PLACE_M

#: Three months: so long before and after it a measurement of rail roughness counts in type tests of vehicles, if no
#: work changed the rail; Regulation (EU) No 1304/2014, Annex, 6.2.2.3.1.
_FRESH = dt.timedelta(days=92)


def check_rail_state(draft: Draft) -> None:
    """Is all there that a rail state needs?"""
    _check_measured_twice(draft)
    calculation, identity = draft.calculation, draft.identity
    if calculation is None or calculation.rail_state is None:
        _check_unread(draft)
        return
    _check_age(draft)
    if identity is not None and not identity.assessment_dates:
        draft.reporter.add(
            ("identity", "assessment_dates"),
            "needs a date, as calculation.rail_state makes the levels depend on it",
            allowed="a list of dates; the levels are those of the first one",
            found="",
        )
    units, vehicles = draft.by_id("units"), draft.ids("vehicles")
    running = {service.unit for service in draft.services.values()}
    run = {part.vehicle for name in running if name in units for part in units[name].vehicles}
    for name in sorted(run & set(vehicles)):
        i = vehicles[name]
        if i in draft.vehicles and draft.vehicles[i].actual.wheel_load_kn is None:
            draft.reporter.add(
                ("vehicles", i, "actual", "wheel_load_kn"),
                "is needed for the tonnage that wears the rails, since calculation.rail_state is set",
                hint="load per wheel: half the axle load, in kN (1 t is 9.81 kN)",
                found="",
            )


def _check_unread(draft: Draft) -> None:
    if draft.calculation is None:
        return
    for i, work in draft.works.items():
        if work.details:
            draft.reporter.warn(
                ("works", i, "details"), "have no effect", hint="set calculation.rail_state to compute with them"
            )
    for i in draft.rail_measurements:
        draft.reporter.warn(
            ("rail_measurements", i),
            "has no effect",
            hint="set calculation.rail_state to compute with it, or name the spectrum as rail_roughness of a stretch",
            found="",
        )


def _overlap(a: RailMeasurement, b: RailMeasurement) -> bool:
    return a.track == b.track and min(a.to_m, b.to_m) - max(a.from_m, b.from_m) > SAME_PLACE_M


def _check_measured_twice(draft: Draft) -> None:
    found = list(draft.rail_measurements.items())
    for n, (i, later) in enumerate(found):
        for k, earlier in found[:n]:
            if later.date == earlier.date and _overlap(later, earlier):
                other = (
                    f"rail_measurements[{k + 1}] in line {draft.reporter.document.mark(('rail_measurements', k))[0]}"
                )
                draft.reporter.add(
                    ("rail_measurements", i),
                    f"{other} was measured on some of these rails on the same date",
                    hint="give one spectrum for each place and date, such as the mean of both rails",
                    found="",
                )
                break


def _check_age(draft: Draft) -> None:
    """Measurements that lie far from the date of the levels, and future ones."""
    identity = draft.identity
    if identity is None:
        return
    dates = identity.assessment_dates
    for i, measured in draft.rail_measurements.items():
        path = ("rail_measurements", i, "date")
        if not draft.faulty("identity", "date") and measured.date > identity.date:
            draft.reporter.warn(path, "lies after the date of this revision", hint="is the year right?")
        if not dates or any(abs(date - measured.date) <= _FRESH for date in dates):
            continue
        replaced = any(
            measured.date < other.date <= max(dates) and _overlap(measured, other)
            for other in draft.rail_measurements.values()
        )
        if not replaced:
            draft.reporter.warn(
                path,
                "lies more than three months from every assessment date",
                hint="the wear of the rails since then is modelled; type tests of vehicles take a measurement for "
                "three months, if no work changed the rails (EU 1304/2014, Annex, 6.2.2.3.1)",
            )

"""Checks of the rail state: dates and wheel loads that it needs, details of works that nothing reads."""

from __future__ import annotations

from lineside.project.draft import Draft


def check_rail_state(draft: Draft) -> None:
    """Is all there that a rail state needs?"""
    calculation, identity = draft.calculation, draft.identity
    if calculation is None or calculation.rail_state is None:
        for i, work in draft.works.items():
            if work.details and calculation is not None:
                draft.reporter.warn(
                    ("works", i, "details"), "have no effect", hint="set calculation.rail_state to compute with them"
                )
        return
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

"""Conditions of a project: their files read, shares of time by month and period, states with numbers."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Literal, cast

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.model import (
    AirState,
    Conditions,
    DrivingState,
    PeriodShares,
    Project,
    SpectrumRef,
    TimetableState,
    WaterState,
    WheelsState,
)
from lineside.project.resolve import Resolved, Resolver
from lineside.project.types import PERIODS
from lineside.project.weather import MONTHS, rail_shares, read_weather
from lineside.scene.conditions import (
    RAIL_CONDITIONS,
    Condition,
    ConditionState,
    ServiceChange,
    StateChanges,
    WaterOutline,
)

Kind = Literal["water", "air", "rail", "driving", "timetable", "wheels"]
#: Order of conditions.
KINDS: tuple[Kind, ...] = ("water", "air", "rail", "driving", "timetable", "wheels")


def resolve_conditions(resolver: Resolver, result: Resolved) -> None:
    """Read outlines of the water and the table of the weather into ``result``."""
    given = resolver.draft.conditions
    if given is None:
        return
    for s, state in enumerate(given.water):
        for k, outline in enumerate(state.outlines):
            if outline.dry:
                continue
            path = ("conditions", "water", s, "outlines", k)
            found = resolver.shape(path, outline.polygon, "polygon", outline.file, outline.feature, "Polygon")
            if found is not None:
                result.outlines[s, k] = found
    if given.rail is not None and given.rail.weather_table is not None:
        result.weather = read_weather(resolver, given.rail.weather_table)


def months_without(share: object) -> tuple[list[int], list[int]]:
    """Months (from 1) that a share leaves out, and those that it has more than once."""
    if not isinstance(share, tuple):
        return [], []
    given = [month for season in share for month in season.months]
    every = range(1, len(MONTHS) + 1)
    return [m for m in every if m not in given], [m for m in every if given.count(m) > 1]


def share_table(share: object) -> Array | None:
    """A share as it is written, by month and period (12, n_periods); None unless it has each month once."""
    if any(months_without(share)):
        return None
    table = np.empty((len(MONTHS), len(PERIODS)))
    if not isinstance(share, tuple):
        table[:] = _by_period(share)
        return table
    for season in share:
        table[[month - 1 for month in season.months]] = _by_period(season.share)
    return table


def _by_period(share: object) -> list[float]:
    if isinstance(share, PeriodShares):
        return [getattr(share, period) for period in PERIODS]
    return [cast(float, share)] * len(PERIODS)


def written_shares(given: Conditions) -> Iterator[tuple[Kind, list[tuple[str | int, object]]]]:
    """Conditions with shares in the project file, in order: the place below the condition and the share of each."""
    for kind in KINDS:
        if kind != "rail":
            states = getattr(given, kind)
            if states:
                yield kind, [(s, state.share) for s, state in enumerate(states)]
        elif given.rail is not None and given.rail.weather_table is None:
            yield kind, [(name, getattr(given.rail, name)) for name in RAIL_CONDITIONS]


def conditions_of(
    project: Project, resolved: Resolved, exposed_g: Mapping[tuple[int, int], float]
) -> tuple[Condition, ...]:
    """Conditions of a project without errors, in the order of ``KINDS``; those that it gives.

    Parameters
    ----------
    exposed_g : mapping
        Ground factor of what lies bare, by state of the water and outline; nan where no vocabulary was loaded.
    """
    given = project.conditions
    if given is None:
        return ()
    shares = {kind: _normal([table for _, table in tables]) for kind, tables in _tables(given)}
    out: list[Condition] = []
    for kind in KINDS:
        if kind == "rail":
            if given.rail is not None:
                out.append(_rail(given, project, resolved, shares.get("rail")))
            continue
        states = getattr(given, kind)
        if not states:
            continue
        changes = [_changes(state, s, project, resolved, exposed_g) for s, state in enumerate(states)]
        made = (
            ConditionState(state.id, state.name or state.id, share, change)
            for state, share, change in zip(states, shares[kind], changes, strict=True)
        )
        out.append(Condition(kind, tuple(made)))
    return tuple(out)


def _tables(given: Conditions) -> Iterator[tuple[Kind, list[tuple[str | int, Array]]]]:
    for kind, written in written_shares(given):
        tables = [(place, share_table(share)) for place, share in written]
        yield kind, [(place, table) for place, table in tables if table is not None]


def _normal(tables: Sequence[Array]) -> Array:
    """Shares that add up to 1 exactly, (n_states, 12, n_periods)."""
    stacked = np.stack(tables)
    return np.asarray(stacked / stacked.sum(axis=0))


def _rail(given: Conditions, project: Project, resolved: Resolved, written: Array | None) -> Condition:
    assert given.rail is not None
    table = given.rail.weather_table
    if table is not None:
        assert resolved.weather is not None
        hours = np.array(project.site.periods.n_hours(), dtype=np.float64)
        share = rail_shares(*resolved.weather, hours, table.drying_ratio, table.damp_from_pct)
    else:
        assert written is not None
        share = written
    states = (ConditionState(name, name, share[k], StateChanges(rail=name)) for k, name in enumerate(RAIL_CONDITIONS))
    return Condition("rail", tuple(states))


def _changes(
    state: object, s: int, project: Project, resolved: Resolved, exposed_g: Mapping[tuple[int, int], float]
) -> StateChanges:
    if isinstance(state, WaterState):
        none = np.empty((0, 2))
        return StateChanges(
            water=tuple(
                WaterOutline(
                    o.area,
                    none if o.dry else resolved.outlines[s, k].array,
                    exposed_g.get((s, k), np.nan),
                    o.level_m,
                )
                for k, o in enumerate(state.outlines)
            )
        )
    if isinstance(state, AirState):
        pressure = project.site.air.pressure_kpa if state.pressure_kpa is None else state.pressure_kpa
        return StateChanges(
            temperature_deg_c=state.temperature_deg_c, humidity_pct=state.humidity_pct, pressure_kpa=pressure
        )
    if isinstance(state, DrivingState):
        return StateChanges(acceleration_factor=state.acceleration_factor, traction_db=state.traction_db)
    if isinstance(state, WheelsState):
        by_index = {spectrum.id: i for i, spectrum in enumerate(project.spectra)}
        return StateChanges(
            wheels={
                name: resolved.spectra[by_index[value.spectrum]] if isinstance(value, SpectrumRef) else value
                for name, value in state.vehicles.items()
            }
        )
    assert isinstance(state, TimetableState)
    return StateChanges(
        services={
            name: ServiceChange(change.trains_factor, True if change.passes else None)
            for name, change in state.services.items()
        }
    )

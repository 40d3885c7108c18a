"""What changes from day to day: states with shares of time, each usable on its own.

A condition is something that varies (the water level, the air, the state of the rails, the way of driving, the
timetable); its states share out the time. Conditions are taken to be independent of each other, so that the share of a
combination is the product of shares.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from lineside.acoustics.bands import Array
from lineside.scene.model import ClassOrSpectrum

#: Conditions of the running surface, from the one with the most squeal to the one with the least.
RAIL_CONDITIONS = ("dry", "damp", "wet")
#: Days of each month in a mean year. [d]
DAYS_OF_MONTH = np.array([31, 28.2425, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


@dataclass(frozen=True, eq=False)
class WaterOutline:
    """The outline of one ground area of water at one level, and what lies bare up to the area's own outline."""

    area: str  # id of the ground area in the project
    xy_m: Array  # (n, 2) corners, not closed; project coordinates; empty: the area has fallen dry
    exposed_g: float  # ground factor of the bank or bed that is bare at this level
    level_m: float | None = None  # of the surface inside the outline; None: as the terrain


@dataclass(frozen=True)
class ServiceChange:
    """How one service runs in a state of the timetable."""

    trains_factor: float = 1.0  # times the trains that the service has
    passes: bool | None = None  # True: runs through where it would call; None: as the service says


@dataclass(frozen=True)
class StateChanges:
    """What a state changes; which fields count follows from the kind of its condition."""

    temperature_deg_c: float | None = None
    humidity_pct: float | None = None
    pressure_kpa: float | None = None
    water: tuple[WaterOutline, ...] = ()
    rail: str = ""  # one of RAIL_CONDITIONS
    acceleration_factor: float = 1.0  # times the acceleration of services that call
    traction_db: float = 0.0  # added to the traction sound power of accelerating vehicles
    services: Mapping[str, ServiceChange] = field(default_factory=dict)  # by service id
    wheels: Mapping[str, ClassOrSpectrum] = field(default_factory=dict)  # roughness of wheels by vehicle id


@dataclass(frozen=True, eq=False)
class ConditionState:
    """One state of a condition.

    ``share`` (12, n_periods): share of time in each month and period; over the states of a condition they add up to 1.
    """

    id: str  # unique among all states of a project
    name: str
    share: Array
    changes: StateChanges

    def long_term_share(self) -> Array:
        """Share of time of the whole year, (n_periods,)."""
        return np.asarray(DAYS_OF_MONTH @ self.share / DAYS_OF_MONTH.sum())


@dataclass(frozen=True, eq=False)
class Condition:
    """Something that varies, with all its states."""

    kind: Literal["water", "air", "rail", "driving", "timetable", "wheels"]
    states: tuple[ConditionState, ...]

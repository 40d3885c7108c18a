"""Vehicles, units and services, as a project file describes them."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.types import Chainage, ClassOrSpectrum, FileName, Flag, Id, Number, Part, Text, TrackKind, Whole


class ActualWheels(Part):
    """True values where a class stands for the nearest tabulated one; printed beside it as an assumption."""

    wheel_load_kn: Annotated[Number, Field(gt=0, le=300)] | None = Field(
        default=None, description="Load per wheel [kN], above 0 to 300"
    )
    wheel_diameter_mm: Annotated[Number, Field(ge=200, le=2000)] | None = Field(
        default=None, description="Wheel diameter [mm], 200 to 2000"
    )


class Vehicle(Part):
    """One vehicle: what its sound depends on."""

    id: Id = Field(description="Id, unique among the vehicles")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    kind: TrackKind = Field(description="Kind of railway: `train`, `metro` or `tram`")
    freight: Flag = Field(default=False, description="true for a freight wagon. Default false")
    length_m: Annotated[Number, Field(ge=2, le=150)] = Field(
        description="Length over buffers or couplers [m], 2 to 150"
    )
    n_axles: Annotated[Whole, Field(ge=1, le=40)] = Field(description="Number of axles, 1 to 40")
    max_speed_km_h: Annotated[Number, Field(ge=5, le=500)] = Field(description="Highest speed [km/h], 5 to 500")
    wheel_roughness: ClassOrSpectrum = Field(
        description="Roughness of the wheels: a class name (by brake), or {spectrum: id of kind wheel_roughness}"
    )
    contact_filter: ClassOrSpectrum = Field(
        description="Contact filter: a class name (by wheel load and diameter), "
        "or {spectrum: id of kind contact_filter}"
    )
    vehicle_transfer: ClassOrSpectrum = Field(
        description="Transfer function of the wheels: a class name, or {spectrum: id of kind vehicle_transfer}"
    )
    superstructure_transfer: ClassOrSpectrum | None = Field(
        default=None,
        description="Transfer function of the car body: a class name, "
        "or {spectrum: id of kind superstructure_transfer}. Default null: none",
    )
    traction: ClassOrSpectrum = Field(
        description="Traction: a class name, {spectrum: id of kind traction}, or `none` for a vehicle without drive"
    )
    aerodynamic: ClassOrSpectrum | None = Field(
        default=None,
        description="Aerodynamic noise: a class name, or {spectrum: id of kind aerodynamic}. Default null: none",
    )
    actual: ActualWheels = Field(
        default=ActualWheels(),
        description="True wheel load and diameter, recorded beside the class. Default: not given",
    )


class UnitPart(Part):
    """Some vehicles alike, one behind the other."""

    vehicle: Id = Field(description="Id of the vehicle")
    count: Annotated[Whole, Field(ge=1, le=200)] = Field(
        default=1, description="How many in a row, 1 to 200. Default 1"
    )


class Unit(Part):
    """A train: vehicles in order from the front."""

    id: Id = Field(description="Id, unique among the units")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    vehicles: Annotated[tuple[UnitPart, ...], Field(min_length=1)] = Field(
        description="Vehicles in order from the front"
    )


_Trains = Annotated[Number, Field(ge=0, le=10_000)]


class TrainsPerPeriod(Part):
    """Trains on an average day, counted over each whole period."""

    kind: Literal["per_period"] = Field(description="`per_period`: numbers of trains")
    day: _Trains = Field(description="Trains in the whole day period, 0 to 10000")
    evening: _Trains = Field(description="Trains in the whole evening period, 0 to 10000")
    night: _Trains = Field(description="Trains in the whole night period, 0 to 10000")


class TrainTimes(Part):
    """Trains by their times on an average day."""

    kind: Literal["times"] = Field(description="`times`: a table of times")
    file: FileName | None = Field(default=None, description="CSV file with the column time (HH:MM)")
    times: tuple[Text, ...] | None = Field(default=None, description='Instead of a file: times "HH:MM", in quotes')

    @model_validator(mode="after")
    def _one_of(self) -> TrainTimes:
        if (self.file is None) == (self.times is None):
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "either file or times"})
        return self


Trains = Annotated[TrainsPerPeriod | TrainTimes, Field(discriminator="kind")]


class Passes(Part):
    """The train runs through."""

    kind: Literal["passes"] = Field(description="`passes`: runs through at line speed")


class Calls(Part):
    """The train calls at stops."""

    kind: Literal["calls"] = Field(description="`calls`: calls at stops")
    at: Annotated[tuple[Id, ...], Field(min_length=1)] = Field(description="Ids of the stops")
    acceleration_m_s2: Annotated[Number, Field(ge=0.02, le=3)] = Field(description="Acceleration [m/s2], 0.02 to 3")
    braking_m_s2: Annotated[Number, Field(ge=0.02, le=4)] = Field(description="Braking [m/s2], 0.02 to 4")
    dwell_s: Annotated[Number, Field(ge=0, le=86_400)] = Field(description="Standing time at each stop [s], 0 to 86400")


Pattern = Annotated[Passes | Calls, Field(discriminator="kind")]


class SpeedRestriction(Part):
    """A stretch on which one service runs slower than line and train allow."""

    from_m: Chainage = Field(description="Start [m chainage]")
    to_m: Chainage = Field(description="End [m chainage], beyond from_m")
    speed_km_h: Annotated[Number, Field(ge=1, le=500)] = Field(description="Highest speed there [km/h], 1 to 500")


class Service(Part):
    """Trains of one kind that run alike on one track."""

    id: Id = Field(description="Id, unique among the services")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    unit: Id = Field(description="Id of the unit")
    track: Id = Field(description="Id of the track")
    direction: Literal["rising", "falling"] = Field(
        description="Way along the track: with `rising` or `falling` chainage"
    )
    trains: Trains = Field(description="How many trains: by kind `per_period` or `times`")
    pattern: Pattern = Field(default=Passes(kind="passes"), description="By kind `passes` or `calls`. Default passes")
    speed_km_h: Annotated[Number, Field(ge=1, le=500)] | None = Field(
        default=None, description="Ceiling of speed for this service [km/h], 1 to 500. Default null: none"
    )
    speed_restrictions: tuple[SpeedRestriction, ...] = Field(
        default=(), description="Stretches on which this service runs slower. Default []: none"
    )

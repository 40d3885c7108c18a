"""What changes from day to day, as a project file describes it: states with their shares of time."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Discriminator, Field, Tag, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.site import Ground, inline_or_feature
from lineside.project.types import (
    XY,
    ClassOrSpectrum,
    FileName,
    Flag,
    Height,
    Id,
    Number,
    Part,
    PeriodShares,
    Share,
    Text,
    Whole,
)


def _form(value: Any) -> str:
    """How a share is written; names that no key of a project has."""
    if isinstance(value, list | tuple):
        return "Seasons"
    return "PerPeriod" if isinstance(value, dict | PeriodShares) else "Number"


_Constant = Annotated[
    Annotated[Share, Tag("Number")] | Annotated[PeriodShares, Tag("PerPeriod")],
    Discriminator(lambda value: "PerPeriod" if _form(value) == "PerPeriod" else "Number"),
]


class Season(Part):
    """A share of time in some months."""

    months: Annotated[tuple[Annotated[Whole, Field(ge=1, le=12)], ...], Field(min_length=1, max_length=12)] = Field(
        description="Numbers of the months, 1 to 12"
    )
    share: _Constant = Field(description="Share of time in these months, 0 to 1: one number, or by period")


ShareInput = Annotated[
    Annotated[Share, Tag("Number")]
    | Annotated[PeriodShares, Tag("PerPeriod")]
    | Annotated[tuple[Season, ...], Field(min_length=1, max_length=12), Tag("Seasons")],
    Discriminator(_form),
]
_SHARE = (
    "Share of time, 0 to 1: one number, by period {day, evening, night}, or a list of {months, share} that has each "
    "month once"
)
_STATE_ID = "Id, unique among all states of all conditions"


class State(Part):
    """What every state of a condition has."""

    id: Id = Field(description=_STATE_ID)
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    share: ShareInput = Field(description=_SHARE)


class Outline(Part):
    """The outline of an area of water at one level."""

    area: Id = Field(description="Id of a ground area that is water; its own outline is the highest one")
    polygon: Annotated[tuple[XY, ...], Field(min_length=3)] | None = Field(
        default=None, description="Corners [x, y] in order, at least three, inside the area's own outline [m]"
    )
    file: FileName | None = Field(default=None, description="Instead of polygon: GeoJSON file with a Polygon")
    feature: Id | None = Field(default=None, description="With file: the feature's id, or its properties.id")
    dry: Flag = Field(default=False, description="true: instead of an outline, the area has fallen dry. Default false")
    exposed: Ground = Field(description="Ground of the bank or bed that is bare: surface or g")
    level_m: Height | None = Field(
        default=None,
        description="Level of the water [m]: where site.terrain gives heights, the surface inside the outline lies at "
        "it. Default null: as the terrain",
    )

    @model_validator(mode="after")
    def _one_of(self) -> Outline:
        if self.dry and (self.polygon is not None or self.file is not None or self.feature is not None):
            what = "either an outline, or dry: true"
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": what})
        if not self.dry:
            inline_or_feature(self.polygon is not None, self.file, self.feature, "polygon, or dry: true")
        return self


class WaterState(State):
    """A level of the water beside the line."""

    outlines: tuple[Outline, ...] = Field(
        default=(), description="Outlines at this level. Default []: areas not named keep their own outline"
    )


class AirState(State):
    """A state of the air."""

    temperature_deg_c: Annotated[Number, Field(ge=-50, le=60)] = Field(description="Temperature [deg C], -50 to 60")
    humidity_pct: Annotated[Number, Field(gt=0, le=100)] = Field(description="Relative humidity [%], above 0 to 100")
    pressure_kpa: Annotated[Number, Field(ge=40, le=120)] | None = Field(
        default=None, description="Air pressure [kPa], 40 to 120. Default null: that of site.air"
    )


class WeatherTable(Part):
    """Shares of dry, damp and wet rails from a table of rain and humidity."""

    file: FileName = Field(
        description="CSV file with the columns month (1 to 12), period (day, evening, night), rain_hours (mean hours "
        "of rain in that period on an average day of that month), humidity_pct (mean relative humidity while it does "
        "not rain)"
    )
    drying_ratio: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=0.5,
        description="Time for which rails stay wet after rain, per time of rain, 0 to 10. Default 0.5: an assumption",
    )
    damp_from_pct: Annotated[Number, Field(ge=50, lt=100)] = Field(
        default=85.0,
        description="Relative humidity from which rails are damp at times [%], 50 to below 100; at 100 % they always "
        "are. Default 85: an assumption",
    )


class RailConditions(Part):
    """Dry, damp and wet rails: by their shares of time, or from a table of the weather."""

    dry: ShareInput | None = Field(default=None, description=f"Dry rails. {_SHARE}")
    damp: ShareInput | None = Field(default=None, description=f"Damp rails. {_SHARE}")
    wet: ShareInput | None = Field(default=None, description=f"Wet rails. {_SHARE}")
    weather_table: WeatherTable | None = Field(
        default=None, description="Instead of the three shares: a table from which they are derived"
    )

    @model_validator(mode="after")
    def _one_of(self) -> RailConditions:
        n = sum(share is not None for share in (self.dry, self.damp, self.wet))
        if n != (3 if self.weather_table is None else 0):
            what = "either dry, damp and wet, or weather_table"
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": what})
        return self


class DrivingState(State):
    """A way of driving."""

    acceleration_factor: Annotated[Number, Field(ge=0.2, le=2)] = Field(
        default=1.0, description="Times the acceleration of services that call, 0.2 to 2. Default 1"
    )
    traction_db: Annotated[Number, Field(ge=-20, le=20)] = Field(
        default=0.0, description="Added to the traction sound of accelerating vehicles [dB], -20 to 20. Default 0"
    )


class ServiceState(Part):
    """How a service runs in a state of the timetable."""

    trains_factor: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=1.0, description="Times the trains that the service has, 0 (none) to 10. Default 1"
    )
    passes: Flag = Field(
        default=False, description="true: a service that calls runs through. Default false: as the service says"
    )


class TimetableState(State):
    """A timetable, or days without some of the trains."""

    services: dict[Id, ServiceState] = Field(
        default={}, description="Changes by id of the service. Default {}: all run as the services say"
    )


class WheelsState(State):
    """A state of the wheels: freshly turned, worn, with flats."""

    vehicles: dict[Id, ClassOrSpectrum] = Field(
        default={},
        description="Roughness of the wheels by id of the vehicle: a class name, or {spectrum: id of kind "
        "wheel_roughness}. Default {}: as the vehicles say",
    )


_MAX_STATES = 20
_Water = Annotated[tuple[WaterState, ...], Field(max_length=_MAX_STATES)]
_Air = Annotated[tuple[AirState, ...], Field(max_length=_MAX_STATES)]
_Driving = Annotated[tuple[DrivingState, ...], Field(max_length=_MAX_STATES)]
_Timetable = Annotated[tuple[TimetableState, ...], Field(max_length=_MAX_STATES)]
_Wheels = Annotated[tuple[WheelsState, ...], Field(max_length=_MAX_STATES)]


class Conditions(Part):
    """What changes from day to day; the shares of the states of one condition make up 1."""

    water: _Water = Field(default=(), description="Levels of the water, up to 20. Default []: it does not change")
    air: _Air = Field(default=(), description="States of the air, up to 20. Default []: that of site.air")
    rail: RailConditions | None = Field(
        default=None, description="Dry, damp and wet rails. Default null: rails are always dry"
    )
    driving: _Driving = Field(default=(), description="Ways of driving, up to 20. Default []: as the services say")
    timetable: _Timetable = Field(default=(), description="Timetables, up to 20. Default []: as the services say")
    wheels: _Wheels = Field(default=(), description="States of the wheels, up to 20. Default []: as the vehicles say")


#: Kinds of conditions whose states are a list, with their models.
STATES: dict[Literal["water", "air", "driving", "timetable", "wheels"], type[State]] = {
    "water": WaterState,
    "air": AirState,
    "driving": DrivingState,
    "timetable": TimetableState,
    "wheels": WheelsState,
}

"""The project file as a person wrote it: validated, nothing computed.

The root is :class:`Project`; its parts are re-exported here from ``site``, ``terrain``, ``buildings``, ``wind``,
``track``, ``traffic``, ``works`` and ``conditions``.
Names of classes, surfaces, criteria and calculators come from plugins and are checked on loading
(:mod:`lineside.project.names`), not here.
"""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field

from lineside.project.buildings import Building, BuildingFile, FacadeReceivers
from lineside.project.conditions import (
    AirState,
    Conditions,
    DrivingState,
    Outline,
    RailConditions,
    Season,
    ServiceState,
    TimetableState,
    WaterState,
    WeatherTable,
    WheelsState,
)
from lineside.project.maps import Map
from lineside.project.neighbours import Contact, LetterWords
from lineside.project.options import CostInput, Life, MeasureUse, OptionRules
from lineside.project.site import (
    Air,
    Barrier,
    EpsgCoordinates,
    FavourableBySector,
    FavourableOneValue,
    Ground,
    GroundArea,
    Identity,
    LocalCoordinates,
    Periods,
    Receiver,
    Sector,
    Site,
)
from lineside.project.terrain import Bank, Earthwork, PointsTerrain, RasterTerrain
from lineside.project.track import (
    CsvAlignment,
    GeoJsonAlignment,
    InlineAlignment,
    SpectrumInput,
    Stop,
    StopPlace,
    Stretch,
    Track,
    TrackAttributes,
    Turnout,
)
from lineside.project.traffic import (
    ActualWheels,
    Calls,
    Passes,
    Service,
    SpeedRestriction,
    TrainsPerPeriod,
    TrainTimes,
    Unit,
    UnitPart,
    Vehicle,
)
from lineside.project.types import Flag, Id, Line, Number, Part, PeriodShares, SpectrumRef, Text, Whole
from lineside.project.wind import FavourableWindRose, WindClass
from lineside.project.works import RailMeasurement, Work, WorkChanges

__all__ = [
    "ActualWheels",
    "Air",
    "AirState",
    "Bank",
    "Barrier",
    "Building",
    "BuildingFile",
    "Calculation",
    "Calls",
    "Conditions",
    "Contact",
    "CostInput",
    "CriterionUse",
    "CsvAlignment",
    "DrivingState",
    "Earthwork",
    "EpsgCoordinates",
    "FacadeReceivers",
    "FavourableBySector",
    "FavourableOneValue",
    "FavourableWindRose",
    "GeoJsonAlignment",
    "Grid",
    "Ground",
    "GroundArea",
    "Identity",
    "InlineAlignment",
    "LetterWords",
    "Life",
    "LocalCoordinates",
    "Map",
    "MeasureUse",
    "OptionRules",
    "Outline",
    "Passes",
    "PeriodShares",
    "Periods",
    "PointsTerrain",
    "Project",
    "RailConditions",
    "RailMeasurement",
    "RailState",
    "RasterTerrain",
    "Receiver",
    "Season",
    "Sector",
    "Service",
    "ServiceState",
    "Site",
    "SpectrumInput",
    "SpectrumRef",
    "SpeedRestriction",
    "Stop",
    "StopPlace",
    "Stretch",
    "TimetableState",
    "Track",
    "TrackAttributes",
    "TrainTimes",
    "TrainsPerPeriod",
    "Turnout",
    "Uncertainty",
    "Unit",
    "UnitPart",
    "Vehicle",
    "WaterState",
    "WeatherTable",
    "WheelsState",
    "WindClass",
    "Work",
    "WorkChanges",
]

FORMAT_VERSION = 1


class Grid(Part):
    """The regular grid of points behind the level map."""

    spacing_m: Annotated[Number, Field(ge=1, le=1000)] = Field(
        default=20.0, description="Spacing [m], 1 to 1000. Default 20"
    )
    margin_m: Annotated[Number, Field(ge=0, le=5000)] = Field(
        default=150.0, description="Margin around tracks and receivers [m], 0 to 5000. Default 150"
    )
    height_m: Annotated[Number, Field(gt=0, le=100)] = Field(
        default=4.0, description="Height above the ground [m], above 0 to 100. Default 4"
    )


class Uncertainty(Part):
    """Uncertainty of the predicted levels, as stated by the user."""

    standard_db: Annotated[Number, Field(ge=0, le=20)] = Field(
        default=1.5, description="Standard uncertainty [dB], 0 to 20. Default 1.5: an assumption"
    )
    pass_standard_db: Annotated[Number, Field(ge=0, le=20)] = Field(
        default=2.0,
        description="Standard uncertainty of the largest level of a single pass [dB], 0 to 20. "
        "Default 2: an assumption",
    )
    coverage_factor: Annotated[Number, Field(ge=1, le=4)] = Field(
        default=2.0, description="Coverage factor, 1 to 4. Default 2"
    )
    statement: Text = Field(default="", description="Where the value comes from; free text, printed. Default empty")
    draws: Flag = Field(
        default=True,
        description="true: intervals of levels are computed from draws of all ranges. false: none. Default true",
    )
    draws_up_to: Annotated[Whole, Field(ge=8, le=16)] = Field(
        default=13,
        description="Largest number of draws, as a power of 2, 8 to 16. Default 13: 8192. Fewer are made where bounds "
        "stay in place",
    )
    settled_db: Annotated[Number, Field(ge=0.01, le=1)] = Field(
        default=0.1,
        description="Draws are doubled until no bound of a 90 % interval moves by more [dB], 0.01 to 1. Default 0.1",
    )
    direct_draws: Annotated[Whole, Field(ge=0, le=64)] = Field(
        default=4, description="Draws that are also computed by the whole model, as a check, 0 to 64. Default 4"
    )
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] = Field(
        default=1, description="Start of the draws: the same seed gives the same draws. Default 1"
    )


class RailState(Part):
    """How rail roughness changes with works and time, and how far the time line reaches."""

    name: Line = Field(description="Name of a calculator of rail states offered by the plugins")
    options: dict[str, Any] = Field(default={}, description="Options of that calculator")
    months_before: Annotated[Whole, Field(ge=1, le=120)] = Field(
        default=1, description="Months of the time line before the first work, 1 to 120. Default 1"
    )
    months_after: Annotated[Whole, Field(ge=1, le=240)] = Field(
        default=24, description="Months of the time line after the last work, 1 to 240. Default 24"
    )
    draws: Annotated[Whole, Field(ge=20, le=2000)] = Field(
        default=200, description="Random draws of the calculator's parameters for low and high, 20 to 2000. Default 200"
    )
    seed: Annotated[Whole, Field(ge=0, le=2**31 - 1)] = Field(
        default=1, description="Start of the random numbers: the same seed gives the same draws. Default 1"
    )


class Calculation(Part):
    """By which method, with which options, on which grid."""

    method: Line = Field(description="Name of a method offered by the plugins")
    options: dict[str, dict[str, Any]] = Field(default={}, description="Options by name of the calculator")
    without: tuple[Line, ...] = Field(
        default=(), description="Calculators of the method that are left out; the report says so loudly"
    )
    with_: tuple[Line, ...] = Field(
        default=(), alias="with", description="Calculators used besides those of the method"
    )
    forecast_with: tuple[Line, ...] = Field(
        default=(),
        description="Source calculators that take the place of those of the same mechanism in situations, explanations "
        "and forecasts; what is compared with limits keeps the method's own",
    )
    grid: Grid | None = Field(default=None, description="Grid of the level map. Default null: no map")
    rail_state: RailState | None = Field(
        default=None,
        description="Change of rail roughness with works and time. Default null: rails stay as rough as they are",
    )
    uncertainty: Uncertainty = Field(default=Uncertainty(), description="Uncertainty of the predicted levels")


class CriterionUse(Part):
    """A limit set to apply."""

    name: Line = Field(description="Name of a criterion offered by the plugins")
    id: Id | None = Field(default=None, description="Id, unique among the criteria. Default: the name")
    options: dict[str, Any] = Field(default={}, description="Options of the criterion")

    @property
    def use_id(self) -> str:
        """The id, or the name where none is given."""
        return self.id if self.id is not None else self.name


class Project(Part):
    """A lineside project: one site, its traffic, and what is asked about it."""

    lineside: Literal[1] = Field(description="Version of the file format: 1")
    identity: Identity = Field(description="What is printed on the cover")
    site: Site = Field(description="The place: coordinates, ground, air, hours")
    tracks: Annotated[tuple[Track, ...], Field(min_length=1)] = Field(description="Tracks, at least one")
    stops: tuple[Stop, ...] = Field(default=(), description="Places where trains call")
    spectra: tuple[SpectrumInput, ...] = Field(default=(), description="Measured or assumed spectra")
    vehicles: tuple[Vehicle, ...] = Field(default=(), description="Vehicles")
    units: tuple[Unit, ...] = Field(default=(), description="Trains made of vehicles")
    services: tuple[Service, ...] = Field(default=(), description="Trains that run")
    receivers: Annotated[tuple[Receiver, ...], Field(min_length=1)] = Field(
        description="Points at which levels are wanted, at least one"
    )
    ground_areas: tuple[GroundArea, ...] = Field(default=(), description="Areas of other ground; later ones on top")
    earthworks: tuple[Earthwork, ...] = Field(
        default=(), description="What carries tracks above or below the terrain; later ones on top"
    )
    banks: tuple[Bank, ...] = Field(default=(), description="Earth banks that stand by themselves")
    barriers: tuple[Barrier, ...] = Field(default=(), description="Walls and screens")
    buildings: tuple[Building, ...] = Field(default=(), description="Buildings")
    building_files: tuple[BuildingFile, ...] = Field(default=(), description="Layers of buildings in files")
    facade_receivers: tuple[FacadeReceivers, ...] = Field(
        default=(), description="Receivers generated on the facades of buildings"
    )
    works: tuple[Work, ...] = Field(default=(), description="Track works with dates")
    rail_measurements: tuple[RailMeasurement, ...] = Field(
        default=(), description="Roughness of rails measured at dates"
    )
    conditions: Conditions | None = Field(
        default=None, description="What changes from day to day, with shares of time. Default null: nothing"
    )
    calculation: Calculation = Field(description="Method, options, grid, uncertainty")
    criteria: tuple[CriterionUse, ...] = Field(default=(), description="Limit sets to apply")
    maps: tuple[Map, ...] = Field(
        default=(), description="Maps and vertical sections beside Lden and Lnight on the grid"
    )
    measures: tuple[MeasureUse, ...] = Field(default=(), description="Measures to consider; they change nothing else")
    report_sections: tuple[Line, ...] = Field(
        default=(), description="Sections that plugins add to the report, printed in appendix C. Default []: none"
    )
    options: OptionRules = Field(default=OptionRules(), description="How measures are combined and compared")
    contact: Contact | None = Field(
        default=None, description="The office that neighbours may call; letters need it. Default null"
    )
    letter: LetterWords | None = Field(default=None, description="The office's own sentences in letters. Default null")

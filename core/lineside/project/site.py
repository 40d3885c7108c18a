"""Identity, site, receivers, ground and barriers, as a project file describes them."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.neighbours import Address
from lineside.project.terrain import Terrain
from lineside.project.types import XY, FileName, Height, Id, IsoDate, Line, Number, Part, Share, Text, Whole
from lineside.project.wind import FavourableWindRose


class Identity(Part):
    """What is printed on the cover."""

    title: Line = Field(description="Title of the assessment")
    revision: Text = Field(default="A", description="Revision mark, in quotes if it is a number. Default A")
    date: Annotated[dt.date, IsoDate] = Field(description="Date of this revision, YYYY-MM-DD")
    author: Text = Field(default="", description="Who wrote it; free text. Default empty")
    client: Text = Field(default="", description="For whom; free text. Default empty")
    reviewer: Text = Field(default="", description="Who reviews and signs; free text. Default empty")
    competent_authority: Text = Field(default="", description="Who decides; free text. Default empty")
    purpose: Text = Field(default="", description="Why the assessment is made; free text. Default empty")
    assessment_dates: tuple[Annotated[dt.date, IsoDate], ...] = Field(
        default=(), description="Dates for which the levels are meant, YYYY-MM-DD; printed"
    )


class LocalCoordinates(Part):
    """A local metric system."""

    kind: Literal["local"] = Field(
        description="`local`: metres in a system of the project's own; x is east and y is north"
    )


class EpsgCoordinates(Part):
    """A projected metric system by its number."""

    kind: Literal["epsg"] = Field(description="`epsg`: a projected coordinate system by its EPSG number")
    code: Annotated[Whole, Field(ge=1024, le=32_767)] = Field(
        description="EPSG number of a projected system in metres, 1024 to 32767. x is east and y is north, "
        "whatever the axis order of the system"
    )


Coordinates = Annotated[LocalCoordinates | EpsgCoordinates, Field(discriminator="kind")]


class Ground(Part):
    """A ground surface: by name or by its ground factor."""

    surface: Line | None = Field(default=None, description="Name of a surface of the propagation calculator")
    g: Share | None = Field(default=None, description="Instead of a name: ground factor G, 0 (hard) to 1 (porous)")

    @model_validator(mode="after")
    def _one_of(self) -> Ground:
        if (self.surface is None) == (self.g is None):
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "either surface or g"})
        return self


class Air(Part):
    """Mean state of the air."""

    temperature_deg_c: Annotated[Number, Field(ge=-50, le=60)] = Field(description="Temperature [deg C], -50 to 60")
    humidity_pct: Annotated[Number, Field(gt=0, le=100)] = Field(description="Relative humidity [%], above 0 to 100")
    pressure_kpa: Annotated[Number, Field(ge=40, le=120)] = Field(
        default=101.325, description="Air pressure [kPa], 40 to 120. Default 101.325"
    )


_Hour = Annotated[Whole, Field(ge=0, le=24)]
_Hours = tuple[_Hour, _Hour]


class Periods(Part):
    """Clock hours [from, to) of day, evening and night; together 24 hours."""

    day: _Hours = Field(default=(7, 19), description="Clock hours [from, to] of the day, 0 to 24. Default [7, 19]")
    evening: _Hours = Field(default=(19, 23), description="Clock hours [from, to] of the evening. Default [19, 23]")
    night: _Hours = Field(default=(23, 7), description="Clock hours [from, to] of the night. Default [23, 7]")

    def n_hours(self) -> tuple[int, ...]:
        """Lengths of day, evening and night. [h]"""
        return tuple((hours[1] - hours[0] - 1) % 24 + 1 for hours in (self.day, self.evening, self.night))


class FavourableOneValue(Part):
    """Share of time with favourable propagation, the same for all directions."""

    kind: Literal["one_value"] = Field(description="`one_value`: the same for all directions")
    day: Share = Field(description="Share of the day period, 0 to 1")
    evening: Share = Field(description="Share of the evening period, 0 to 1")
    night: Share = Field(description="Share of the night period, 0 to 1")


class Sector(Part):
    """A range of directions of propagation, up to the next sector's start."""

    from_deg: Annotated[Number, Field(ge=0, lt=360)] = Field(
        description="Start of the sector [deg], 0 to below 360: direction from source to receiver, clockwise from north"
    )
    day: Share = Field(description="Share of the day period, 0 to 1")
    evening: Share = Field(description="Share of the evening period, 0 to 1")
    night: Share = Field(description="Share of the night period, 0 to 1")


class FavourableBySector(Part):
    """Share of time with favourable propagation by direction of propagation."""

    kind: Literal["by_sector"] = Field(description="`by_sector`: by direction from source to receiver")
    sectors: Annotated[tuple[Sector, ...], Field(min_length=1, max_length=360)] = Field(
        description="Sectors; the first starts at 0, and from_deg rises"
    )


Favourable = Annotated[FavourableOneValue | FavourableBySector | FavourableWindRose, Field(discriminator="kind")]


class Site(Part):
    """The place: coordinates, ground, air, hours."""

    coordinates: Coordinates = Field(
        default=LocalCoordinates(kind="local"),
        description="Coordinate system: by kind `local` or `epsg`; x is east and y is north. Default local",
    )
    ground_level_m: Height = Field(
        default=0.0, description="Level of the plain ground, where there is no terrain [m]. Default 0"
    )
    terrain: Terrain | None = Field(
        default=None,
        description="Heights of the ground from files: by kind `raster` or `points`. Default null: a plain at "
        "ground_level_m",
    )
    default_ground: Ground = Field(description="Ground outside all ground areas: surface or g")
    air: Air = Field(description="Mean state of the air")
    periods: Periods = Field(default=Periods(), description="Clock hours of day, evening and night; together 24 hours")
    favourable: Favourable = Field(
        default=FavourableOneValue(kind="one_value", day=0.5, evening=0.75, night=1.0),
        description="Share of time with favourable propagation: by kind `one_value`, `by_sector` or "
        "`wind_rose`. Default 0.5, 0.75, 1.0: an assumption",
    )


class Receiver(Part):
    """A point at which levels are wanted."""

    id: Id = Field(description="Id, unique among the receivers")
    name: Text = Field(default="", description="Name or address for the report. Default empty: the id is printed")
    address: Address = Field(
        default=(),
        description="Lines of the postal address for letters, at most 8. Default none: the name. The project file is "
        "attached to the report: names of persons belong into a file for `lineside letter --addresses`",
    )
    salutation: Line | None = Field(default=None, description="First line of letters. Default null: to all neighbours")
    position: XY = Field(description="Position [x, y] [m]; x is east, y is north")
    height_m: Annotated[Number, Field(gt=0, le=500)] = Field(
        default=4.0, description="Height above the ground [m], above 0 to 500. Default 4"
    )
    use: Literal["dwelling", "hospital", "school", "care_home", "office", "outdoor", "other"] = Field(
        description="What is protected there"
    )
    area: Literal["residential", "mixed", "commercial"] | None = Field(
        default=None, description="Kind of area in planning law: `residential`, `mixed`, `commercial`. Default null"
    )
    dwellings: Annotated[Whole, Field(ge=0, le=100_000)] = Field(
        default=0, description="Number of dwellings. Default 0"
    )
    persons: Annotated[Whole, Field(ge=0, le=1_000_000)] = Field(default=0, description="Number of persons. Default 0")


class GroundArea(Part):
    """An area of other ground; later ones lie on top of earlier ones."""

    id: Id = Field(description="Id, unique among the ground areas")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    surface: Line | None = Field(default=None, description="Name of a surface of the propagation calculator")
    g: Share | None = Field(default=None, description="Instead of a name: ground factor G, 0 (hard) to 1 (porous)")
    polygon: Annotated[tuple[XY, ...], Field(min_length=3)] | None = Field(
        default=None, description="Corners [x, y] in order, at least three [m]"
    )
    file: FileName | None = Field(default=None, description="Instead of polygon: GeoJSON file with a Polygon")
    feature: Id | None = Field(default=None, description="With file: the feature's id, or its properties.id")
    level_m: Height | None = Field(
        default=None,
        description="Of water: its level [m]; where site.terrain gives heights, the surface inside lies at "
        "it. Default null: as the terrain",
    )

    @model_validator(mode="after")
    def _one_of(self) -> GroundArea:
        if (self.surface is None) == (self.g is None):
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "either surface or g"})
        inline_or_feature(self.polygon is not None, self.file, self.feature, "polygon")
        return self


class Barrier(Part):
    """A thin wall or screen."""

    id: Id = Field(description="Id, unique among the barriers")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    height_m: Annotated[Number, Field(gt=0, le=50)] = Field(
        description="Height above the ground, or above the rails by height_above [m], above 0 to 50"
    )
    height_above: Literal["ground", "rail"] = Field(
        default="ground",
        description="What height_m counts from: `ground` below the barrier, or `rail`, the rail head of the nearest "
        "track abeam. One above the rails stands on the deck where it lies on one. Default ground",
    )
    surface: Literal["absorbing", "reflecting"] = Field(
        description="Side facing the track: `absorbing` or `reflecting`"
    )
    absorption: Share | Annotated[tuple[Share, ...], Field(min_length=8, max_length=8)] | None = Field(
        default=None,
        description="Share of sound energy that its sides absorb, 0 to 1: one number, or one for each octave 63 to "
        "8000 Hz. Default null: by the method's rule for surface",
    )
    line: Annotated[tuple[XY, ...], Field(min_length=2)] | None = Field(
        default=None, description="Points [x, y] along the barrier, at least two [m]"
    )
    file: FileName | None = Field(default=None, description="Instead of line: GeoJSON file with a LineString")
    feature: Id | None = Field(default=None, description="With file: the feature's id, or its properties.id")

    @model_validator(mode="after")
    def _one_of(self) -> Barrier:
        inline_or_feature(self.line is not None, self.file, self.feature, "line")
        return self


def inline_or_feature(inline: bool, file: str | None, feature: str | None, key: str) -> None:
    """Raise a validation error unless a shape is given once: inline, or by file and feature."""
    if inline == (file is not None) or (file is None) != (feature is None):
        raise PydanticCustomError("needs_one_of", "needs {what}", {"what": f"either {key}, or file and feature"})

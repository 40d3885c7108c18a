"""The wind rose of a site, as a project file describes it: favourable propagation by the wind."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.types import FileName, Number, Part, PeriodShares, Share

_Speed = Annotated[Number, Field(ge=0, le=60)]


class WindClass(Part):
    """Share of time of the winds of one direction, or of one direction and speed."""

    wind_from_deg: Annotated[Number, Field(ge=0, le=360)] = Field(
        description="Middle of the range of directions from which the wind blows [deg], clockwise from north, 0 to 360"
    )
    speed_m_s: _Speed | None = Field(
        default=None, description="Mean speed of the class [m/s], 0 to 60. Default null: assumed_speed_m_s"
    )
    day: Share = Field(description="Share of the day period, 0 to 1")
    evening: Share = Field(description="Share of the evening period, 0 to 1")
    night: Share = Field(description="Share of the night period, 0 to 1")


class FavourableWindRose(Part):
    """Share of time with favourable propagation, derived from the winds of the site."""

    kind: Literal["wind_rose"] = Field(description="`wind_rose`: from shares of time of wind directions and speeds")
    file: FileName | None = Field(
        default=None,
        description="CSV file with the columns wind_from_deg, day, evening, night and, if known, speed_m_s",
    )
    rows: Annotated[tuple[WindClass, ...], Field(min_length=4, max_length=2000)] | None = Field(
        default=None, description="Instead of a file: the same as a list; with calm the shares of a period make up 1"
    )
    calm: PeriodShares = Field(
        default=PeriodShares(day=0, evening=0, night=0),
        description="Share of time without a wind that has a direction. Default 0 in each period",
    )
    threshold_m_s: Annotated[Number, Field(ge=0, le=10)] = Field(
        default=1.0,
        description="Wind from source to receiver above which propagation is favourable [m/s], 0 to 10. "
        "Default 1: an assumption",
    )
    assumed_speed_m_s: Annotated[Number, Field(gt=0, le=60)] = Field(
        default=3.0,
        description="Speed of winds for which the table has none [m/s], above 0 to 60. Default 3: an assumption",
    )
    inversion_share: PeriodShares = Field(
        default=PeriodShares(day=0, evening=0, night=0),
        description="Share of the calm time (calm, and winds that are not above the threshold) with an inversion: "
        "favourable in all directions. Default 0 in each period: an assumption",
    )

    @model_validator(mode="after")
    def _one_of(self) -> FavourableWindRose:
        if (self.file is None) == (self.rows is None):
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "either file or rows"})
        return self

"""Measures to consider and rules for combining them, as a project file describes them."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.types import Flag, Id, IsoDate, Line, Number, Part, Text, Whole

_Price = Annotated[Number, Field(ge=0, le=1e12)]


class CostInput(Part):
    """A price with its range and its source."""

    low: _Price = Field(description="Low price, 0 or more")
    likely: _Price = Field(description="Likely price")
    high: _Price = Field(description="High price")
    per: Literal["m", "m2", "piece", "vehicle", "whole"] = Field(
        description="What the price is for: `m` of track or wall, `m2` of wall, `piece` (joint, turnout, dwelling), "
        "`vehicle`, or the `whole` measure"
    )
    every: Literal["once", "year"] = Field(default="once", description="`once` or each `year`. Default once")
    currency: Annotated[Line, Field(max_length=12)] = Field(description="Currency, the same in all costs, e.g. EUR")
    year: Annotated[Whole, Field(ge=1950, le=2100)] = Field(description="Year of the price, 1950 to 2100")
    source: Line = Field(description="Where the price comes from: offer, contract, publication; printed")

    @model_validator(mode="after")
    def _in_order(self) -> CostInput:
        if not self.low <= self.likely <= self.high:
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "low, likely and high in rising order"})
        return self


class Life(Part):
    """How long a measure lasts, and who says so."""

    years: Annotated[Number, Field(ge=0.1, le=200)] = Field(description="Service life [years], 0.1 to 200")
    source: Line = Field(description="Where the life comes from; printed")


class MeasureUse(Part):
    """A measure to consider."""

    id: Id = Field(description="Id, unique among the measures; the report names options by it")
    measure: Line = Field(description="Name of a measure offered by the plugins")
    name: Text = Field(default="", description="Name for the report. Default empty: title of the measure")
    options: dict[str, Any] = Field(default={}, description="Options of the measure: place, date, values")
    costs: tuple[CostInput, ...] = Field(
        default=(), description="Costs. Default []: what is published, else not known, and the report asks for them"
    )
    life: Life | None = Field(default=None, description="Service life. Default null: not known")
    lead_days: Annotated[Whole, Field(ge=0, le=20_000)] | None = Field(
        default=None,
        description="Time to put it in place [days] from the date of the project on: printed, and levels in time have "
        "it no sooner. Default null: not known",
    )
    note: Text = Field(default="", description="Free text, printed. Default empty")


class PlaceSearch(Part):
    """Which part of a wall or bank, and how high, helps most."""

    measure: Id = Field(description="Id of a measure with a line and a height: a barrier, low barrier or bank")
    heights_m: Annotated[tuple[Annotated[Number, Field(gt=0, le=50)], ...], Field(min_length=1, max_length=8)] = Field(
        description="Heights to compare, as the measure counts them [m], above 0 to 50, rising; 1 to 8 of them"
    )
    parts: Annotated[Whole, Field(ge=2, le=40)] = Field(
        default=8, description="Equal parts of its line; those built lie side by side. 2 to 40. Default 8"
    )

    @model_validator(mode="after")
    def _rising(self) -> PlaceSearch:
        if list(self.heights_m) != sorted(set(self.heights_m)):
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "heights_m in rising order, each once"})
        return self


class OptionRules(Part):
    """How measures are combined and compared."""

    combine_up_to: Annotated[Whole, Field(ge=1, le=8)] = Field(
        default=2, description="Largest number of measures in one option, 1 to 8. Default 2"
    )
    exclude: tuple[Annotated[tuple[Id, ...], Field(min_length=2)], ...] = Field(
        default=(), description="Groups of ids of measures of which one option has one at most. Default []"
    )
    max_options: Annotated[Whole, Field(ge=1, le=20_000)] = Field(
        default=2000,
        description="Most options that are computed and pairs that exclude each other, 1 to 20000; more are an error. "
        "Default 2000",
    )
    date: Annotated[dt.date, IsoDate] | None = Field(
        default=None, description="Day for which options are compared, YYYY-MM-DD. Default: first assessment date"
    )
    years: Annotated[Whole, Field(ge=1, le=100)] = Field(
        default=30, description="Years over which costs are counted, 1 to 100. Default 30: an assumption"
    )
    discount_rate_pct: Annotated[Number, Field(ge=0, le=20)] = Field(
        default=0.0, description="Yearly discount rate of later costs [%], 0 to 20. Default 0: not discounted"
    )
    dose_effect: Line | None = Field(
        default=None,
        description="Name of a relation between levels and harmful effects offered by the plugins. Default null: "
        "people highly annoyed or disturbed in their sleep are not estimated",
    )
    place_search: PlaceSearch | None = Field(
        default=None, description="Looks for the best part and height of one wall or bank. Default null: not done"
    )
    suggest: Flag = Field(
        default=False, description="true: name further measures that act on what prevails at receivers. Default false"
    )

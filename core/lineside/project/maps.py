"""Maps that a project asks for, beside those of the grid at the assessment date."""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, RootModel, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.types import XY, Id, Line, Number, Part, Text, Whole

#: Quantities of maps and what criteria call them.
QUANTITIES = ("lden", "lday", "levening", "lnight", "laeq")
Quantity = Literal["lden", "lday", "levening", "lnight", "laeq"]

_WHAT = "lden, lday, levening, lnight (with the project's periods) or laeq (over the clock hours from_hour to to_hour)"
_SITUATION = "a date YYYY-MM-DD, before (the day before the first work), a state, a month, or several joined by +"


def _as_text(value: Any) -> Any:
    """YAML reads a bare date as a date; here it is a word of a situation."""
    return value.isoformat() if isinstance(value, dt.date) and not isinstance(value, dt.datetime) else value


SituationText = Annotated[Line, BeforeValidator(_as_text)]


class Heard(Part):
    """What every map has."""

    id: Id = Field(description="Id, unique among the maps")
    name: Text = Field(default="", description="Name for the report. Default empty: made from what the map shows")


class _OfQuantity(Heard):
    quantity: Quantity = Field(default="lden", description=f"What is drawn: {_WHAT}. Default lden")
    from_hour: Annotated[Whole, Field(ge=0, le=23)] | None = Field(
        default=None, description="laeq only: first clock hour, 0 to 23"
    )
    to_hour: Annotated[Whole, Field(ge=0, le=24)] | None = Field(
        default=None, description="laeq only: clock hour at which the average ends, 0 to 24; may wrap midnight"
    )
    measures: tuple[Id, ...] = Field(
        default=(),
        description="Ids of measures that are in place, those that work by the date of the situation. Default none",
    )

    @model_validator(mode="after")
    def _hours_belong_to_laeq(self) -> _OfQuantity:
        given = (self.from_hour is not None, self.to_hour is not None)
        if given != (self.quantity == "laeq",) * 2:
            what = "from_hour and to_hour with quantity laeq, and with no other"
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": what})
        return self


class LevelMap(_OfQuantity):
    """Levels in one situation."""

    kind: Literal["levels"] = Field(description="`levels`: levels in one situation")
    at: SituationText | None = Field(
        default=None, description=f"Situation: {_SITUATION}. Default null: that of the report"
    )


class DifferenceMap(_OfQuantity):
    """Levels in one situation minus those in another."""

    kind: Literal["difference"] = Field(description="`difference`: levels in the situation `to` minus those in `from`")
    from_: SituationText | None = Field(
        default=None,
        alias="from",
        description=f"Situation whose levels are taken away, without the measures: {_SITUATION}. Default null: with "
        "measures the same as `to`; without them it must be given",
    )
    to: SituationText | None = Field(
        default=None, description="Situation, with the measures if any. Default null: that of the report"
    )

    @model_validator(mode="after")
    def _between_two(self) -> DifferenceMap:
        if self.from_ is None and not self.measures:
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "from, or measures, or both"})
        return self


class ConflictMap(_OfQuantity):
    """Where a limit is exceeded, as if all the ground had one use."""

    kind: Literal["conflict"] = Field(description="`conflict`: where a level exceeds a limit, and by how much")
    at: SituationText | None = Field(
        default=None, description=f"Situation: {_SITUATION}. Default null: that of the report"
    )
    criterion: Id | None = Field(
        default=None, description="Id (or name) of an entry of `criteria` whose limit for `quantity` is compared"
    )
    use: Literal["dwelling", "hospital", "school", "care_home", "office", "outdoor", "other"] | None = Field(
        default=None, description="With criterion: use of the ground, as at receivers; it holds all over the map"
    )
    area: Literal["residential", "mixed", "commercial"] | None = Field(
        default=None, description="With criterion: kind of area in planning law, as at receivers. Default null"
    )
    limit_db: Annotated[Number, Field(ge=0, le=140)] | None = Field(
        default=None, description="Instead of criterion: the limit [dB], A-weighted, 0 to 140"
    )
    source: Line | None = Field(default=None, description="With limit_db: where the limit is written")

    @model_validator(mode="after")
    def _one_of(self) -> ConflictMap:
        by_criterion = (self.criterion is not None, self.use is not None)
        by_number = (self.limit_db is not None, self.source is not None)
        whole = all(by_criterion) and not any(by_number)
        if not whole and not (all(by_number) and not any(by_criterion) and self.area is None):
            what = "either criterion and use, or limit_db and source"
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": what})
        return self


class SectionMap(_OfQuantity):
    """Levels in a vertical cut."""

    kind: Literal["section"] = Field(description="`section`: levels in a vertical cut through the place")
    at: SituationText | None = Field(
        default=None, description=f"Situation: {_SITUATION}. Default null: that of the report"
    )
    line: tuple[XY, XY] = Field(description="Both ends [x, y] of the cut in plan [m]")
    step_m: Annotated[Number, Field(ge=0.25, le=50)] = Field(
        default=2.0, description="Spacing of the points along the cut and upwards [m], 0.25 to 50. Default 2"
    )
    up_to_m: Annotated[Number, Field(ge=2, le=200)] = Field(
        default=20.0, description="Height above the ground up to which levels are computed [m], 2 to 200. Default 20"
    )


Map = Annotated[LevelMap | DifferenceMap | ConflictMap | SectionMap, Field(discriminator="kind")]
#: Maps on the points of the grid.
GRID_MAPS = (LevelMap, DifferenceMap, ConflictMap)


class AnyMap(RootModel[Map]):
    """One entry of the list."""

"""Measures at the running surface of the rail."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Any, ClassVar, Literal, cast

from pydantic import Field, model_validator

from lineside.contracts import Options
from lineside.measures import Known, Lack, Measure
from lineside.project.model import Project
from lineside.project.types import IsoDate
from lineside_plugins.measures_catalogue.common import (
    OnTrack,
    PlaceOptions,
    only_de,
    place,
    with_de_stretch,
    with_works,
    work_at,
)
from lineside_plugins.measures_catalogue.facts import sources_of

_NO_WEAR = "calculation.rail_state is not set: rails stay as rough as the project says, whatever is ground"
_DE_AVERAGE = "the regulation takes rails in average condition; only specially monitored track counts"


class GrindingOptions(PlaceOptions):
    """Options of a pass with acoustic finish."""

    machine: Literal["rotating_stones", "oscillating_stones", "milling", "high_speed"] = Field(
        default="oscillating_stones", description="Machine, as in the details of works. Default oscillating_stones"
    )
    worn_in_offset_db: float = Field(
        default=0.0,
        ge=-20,
        le=20,
        description="Level of the surface after the pass against the rail's base roughness [dB], -20 to 20: what was "
        "measured or is warranted. Default 0",
    )

    def details(self) -> dict[str, Any]:
        given = {"machine": self.machine, "finish": "acoustic"}
        return {**given, "worn_in_offset_db": self.worn_in_offset_db} if self.worn_in_offset_db else dict(given)


class Grinding(OnTrack):
    """Measures that grind; they act through the roughness of the rails in time."""

    acts_on: ClassVar[tuple[str, ...]] = ("rolling", "bridge", "trains")
    stage = 10
    options_model: ClassVar[type[Options]] = GrindingOptions

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        if only_de(known):
            return _DE_AVERAGE
        return _NO_WEAR if project.calculation.rail_state is None else ""

    def fits(self, project: Project, known: Known) -> bool:
        return not only_de(known) and project.calculation.rail_state is not None

    def passes(self, project: Project, options: GrindingOptions, known: Known, days: Sequence[dt.date]) -> Project:
        """The project with a pass on each day, in words that the rail state understands."""
        if project.calculation.rail_state is None:
            return project
        works = [{**work_at(options, project, known, "grinding", details=options.details()), "date": d} for d in days]
        return with_works(project, works)


class AcousticGrinding(Grinding):
    """A pass with fine finish after the production pass: takes away its marks."""

    name = "acoustic_grinding"
    title = "Acoustic (finish) grinding after the production pass"
    sources = sources_of(name)
    options_model = GrindingOptions

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(GrindingOptions, options)
        return self.passes(project, options, known, [options.day(project)])


class EarlierOptions(GrindingOptions):
    """Options of grinding by a trigger or at intervals."""

    trigger_db: float | None = Field(
        default=None,
        gt=0,
        le=20,
        description="Grind when the rails are rougher by this much than once worn in [dB], above 0 to 20: mean square "
        "over wavelengths 5 to 250 mm",
    )
    interval_months: int | None = Field(
        default=None, ge=1, le=240, description="Instead: grind every so many months, 1 to 240"
    )
    until: Annotated[dt.date, IsoDate] = Field(description="No pass after this day, YYYY-MM-DD")

    @model_validator(mode="after")
    def _one(self) -> EarlierOptions:
        if (self.trigger_db is None) == (self.interval_months is None):
            raise ValueError("needs either trigger_db or interval_months")
        return self


class EarlierGrinding(Grinding):
    """Further passes: when a trigger of roughness is reached, or at intervals."""

    name = "earlier_grinding"
    title = "Earlier next grinding, by a roughness trigger or at intervals"
    sources = sources_of(name)
    options_model = EarlierOptions
    stage = 12

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        options = cast(EarlierOptions, options)
        if options.interval_months is not None:
            days = _every(options.day(project), options.interval_months, options.until)
            return self.passes(project, options, known, days)
        assert options.trigger_db is not None
        from_m, to_m = place(options, known)
        after = options.day(project)
        for _ in range(_MOST_PASSES):
            day = known.exceeds(project, options.track, from_m, to_m, options.trigger_db, after)
            if day is None or day > options.until:
                break
            project, after = self.passes(project, options, known, [day]), day
        return project


_MOST_PASSES = 40


def _every(first: dt.date, months: int, until: dt.date) -> list[dt.date]:
    """The first of every so many months from a date to another, the date itself first."""
    days: list[dt.date] = []
    k = 0
    while True:
        month = 12 * first.year + first.month - 1 + k * months
        day = first if k == 0 else dt.date(month // 12, month % 12 + 1, 1)
        if day > until:
            return days
        days.append(day)
        k += 1


class MonitoredOptions(EarlierOptions):
    """Options of the regime of monitored rail condition."""

    trigger_db: float | None = Field(
        default=None, gt=0, le=20, description="Grind when the rails are rougher by this much than once worn in [dB]"
    )
    interval_months: int | None = Field(
        default=None, ge=1, le=240, description="Instead: grind every so many months, 1 to 240. Default 12"
    )
    until: Annotated[dt.date, IsoDate] = Field(
        default=dt.date(2100, 1, 1), description="End of the regime, YYYY-MM-DD. Default 2100-01-01"
    )
    rail_roughness: str = Field(
        default="well_maintained",
        description="Without calculation.rail_state: class of rail roughness that the regime keeps. Default "
        "well_maintained",
    )

    @model_validator(mode="after")
    def _one(self) -> MonitoredOptions:
        if self.trigger_db is not None and self.interval_months is not None:
            raise ValueError("needs either trigger_db or interval_months")
        return self


class MonitoredRail(Grinding):
    """Acoustic grinding with a yearly check: the rail never gets rougher than average by more than the trigger."""

    name = "monitored_rail"
    title = "Regime of monitored rail condition"
    sources = sources_of(name)
    options_model = MonitoredOptions
    stage = 14

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        return ""

    def fits(self, project: Project, known: Known) -> bool:
        return True

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        """German method: the law's own credit. Else passes in time, or the class of rail that the regime keeps."""
        options = cast(MonitoredOptions, options)
        project = with_de_stretch(project, options, known, specially_monitored=True)
        if only_de(known):
            return project
        if project.calculation.rail_state is None:
            changes = {"rail_roughness": options.rail_roughness}
            return with_works(project, [work_at(options, project, known, "other", changes=changes)])
        given = options.model_dump(exclude_unset=True)
        if options.trigger_db is None:
            given["interval_months"] = options.interval_months or 12
        given.pop("rail_roughness", None)
        given.setdefault("until", _horizon(project, options))
        return EarlierGrinding().apply(project, EarlierOptions.model_validate(given), known)

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        found = list(super().lacks(project, options, known))
        wanted = cast(MonitoredOptions, options).rail_roughness
        unset = project.calculation.rail_state is None and not only_de(known)
        if not found and unset and known.tabulated("rail_roughness", wanted) is None:
            found.append(Lack("rail_roughness", "no calculator in use knows this class of rail roughness"))
        return found


def _horizon(project: Project, options: MonitoredOptions) -> dt.date:
    """As far as the time line reaches after the regime began."""
    wear = project.calculation.rail_state
    months = wear.months_after if wear is not None else 24
    day = options.day(project)
    month = 12 * day.year + day.month - 1 + months
    return dt.date(month // 12, month % 12 + 1, 1)


def measures() -> tuple[Measure, ...]:
    return (AcousticGrinding(), EarlierGrinding(), MonitoredRail())

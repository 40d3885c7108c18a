"""What a project may say about the wear model and about a pass."""

from __future__ import annotations

from typing import Annotated, Literal, cast

from pydantic import Field, model_validator

from lineside.acoustics.bands import Array
from lineside.contracts import Options, RailWork
from lineside_plugins.rail_wear.history import Work, resets_roughness
from lineside_plugins.rail_wear.marks import pitch_mm as pitch_of
from lineside_plugins.rail_wear.parameters import Range, default_ranges, with_given


class GivenParameter(Options):
    """A parameter of the wear model that the project replaces."""

    likely: float = Field(description="Likely value, in the unit of the parameter's table")
    low: float | None = Field(default=None, description="5 % point. Default: the likely value")
    high: float | None = Field(default=None, description="95 % point. Default: the likely value")
    source: str = Field(default="", description="Where the value comes from; printed. Default empty")

    @model_validator(mode="after")
    def _in_order(self) -> GivenParameter:
        low = self.likely if self.low is None else self.low
        high = self.likely if self.high is None else self.high
        if not low <= self.likely <= high:
            raise ValueError("needs low, likely and high in rising order")
        return self


class WearOptions(Options):
    """Options of the wear model."""

    parameters: dict[str, GivenParameter] = Field(
        default={}, description="Parameters to replace, by name. Default: the plugin's table wear_parameters"
    )

    @model_validator(mode="after")
    def _known(self) -> WearOptions:
        known = default_ranges()
        for name in self.parameters:
            if name not in known:
                raise ValueError(f"the wear model has no parameter {name}; it has {', '.join(known)}")
        return self

    def ranges(self) -> dict[str, Range]:
        """All parameters of the model, with those of the project put in."""
        ranges = default_ranges()
        for name, given in self.parameters.items():
            ranges = with_given(ranges, name, given.likely, given.low, given.high, given.source)
        return ranges


_Pitch = Annotated[float, Field(ge=3, le=500)]
_Speed = Annotated[float, Field(gt=0, le=30)]
_Rate = Annotated[float, Field(gt=0, le=500)]


class WorkDetails(Options):
    """What is known about a pass; without effect on works that leave the running surface as it is."""

    machine: Literal["rotating_stones", "oscillating_stones", "milling", "high_speed"] = Field(
        default="rotating_stones",
        description="`rotating_stones`, `oscillating_stones`, `milling` or `high_speed`. Default rotating_stones",
    )
    finish: Literal["production", "acoustic"] = Field(
        default="production", description="`production` or `acoustic`. Default production"
    )
    pitch_mm: _Pitch | None = Field(
        default=None, description="Pitch of the marks [mm], 3 to 500. Default: from speed and rotation, else assumed"
    )
    working_speed_km_h: _Speed | None = Field(
        default=None, description="Working speed of the machine [km/h], with rotation_hz gives the pitch. Default null"
    )
    rotation_hz: _Rate | None = Field(default=None, description="Rotation rate of the stones [Hz]. Default null")
    speed_spread_ratio: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.0, description="(max - min) / mean of the working speed, 0 to 1. Default 0"
    )
    marks: bool | None = Field(
        default=None, description="Whether the pass left periodic marks. Default null: by machine and finish"
    )
    worn_in_offset_db: Annotated[float, Field(ge=-20, le=20)] = Field(
        default=0.0,
        description="Level of the surface once worn in after this work, against the rail's base roughness in every "
        "band [dB], -20 to 20. Default 0",
    )

    @model_validator(mode="after")
    def _one_pitch(self) -> WorkDetails:
        if (self.working_speed_km_h is None) != (self.rotation_hz is None):
            raise ValueError("needs working_speed_km_h and rotation_hz together")
        if self.pitch_mm is not None and self.rotation_hz is not None:
            raise ValueError("needs either pitch_mm, or working_speed_km_h and rotation_hz")
        if self.rotation_hz is not None and not 3.0 <= self.pitch_from_machine() <= 500.0:
            raise ValueError("gives a pitch outside 3 to 500 mm")
        return self

    def pitch_from_machine(self) -> float:
        """Pitch from working speed and rotation rate. [mm]"""
        assert self.working_speed_km_h is not None and self.rotation_hz is not None
        return float(pitch_of(self.working_speed_km_h, self.rotation_hz))

    def pitch(self) -> float | None:
        """The known pitch, None if it is not known. [mm]"""
        return self.pitch_from_machine() if self.rotation_hz is not None else self.pitch_mm


def work_of(work: RailWork, base_db: Array) -> Work:
    """A work of a project in the words of the model; ``base_db`` (35,) is the base roughness of its run."""
    details = cast(WorkDetails, work.details)
    if not resets_roughness(work.kind):
        return Work(work.date, work.kind)
    offset = details.worn_in_offset_db
    return Work(
        date=work.date,
        kind=work.kind,
        machine=details.machine,
        finish=details.finish,
        pitch_mm=details.pitch(),
        spread_ratio=details.speed_spread_ratio,
        marks=details.marks,
        base_db=tuple(base_db + offset) if offset else None,
    )

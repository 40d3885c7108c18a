"""Tables that a project gives: shares of passes that squeal, their level, effects of friction management."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field, model_validator

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.contracts import Options

Case = Literal["low", "likely", "high"]
Kind = Literal["train", "metro", "tram"]
Rail = Literal["dry", "damp", "wet", "any"]
Managed = Literal["gauge_lubrication", "friction_modifier", "both"]
Friction = Literal["none", "gauge_lubrication", "friction_modifier", "both", "any"]
Source = Annotated[str, Field(min_length=3, max_length=300)]

#: Third octaves in which squeal sounds where the project gives no spectrum: 0.4 to 5 kHz with equal levels. The range
#: is from memory, the equal levels are an assumption. [Hz]
SQUEAL_HZ = tuple(float(f) for f in THIRD_OCTAVES_HZ if 400 <= f <= 5000)


class Range(Options):
    """A value with its range."""

    likely: float = Field(ge=0, le=150, description="Likely value [dB], 0 to 150")
    low: float | None = Field(default=None, ge=0, le=150, description="Low value [dB]. Default: the likely one")
    high: float | None = Field(default=None, ge=0, le=150, description="High value [dB]. Default: the likely one")

    @model_validator(mode="after")
    def _in_order(self) -> Range:
        _rising(self.at("low"), self.likely, self.at("high"))
        return self

    def at(self, case: Case) -> float:
        """The value in a case."""
        given = getattr(self, case)
        return float(self.likely if given is None else given)


class Share(Options):
    """Share of passes that squeal; all three are needed, as no share is known exactly."""

    low: float = Field(ge=0, le=1, description="Low share, 0 to 1")
    likely: float = Field(ge=0, le=1, description="Likely share, 0 to 1")
    high: float = Field(ge=0, le=1, description="High share, 0 to 1")

    @model_validator(mode="after")
    def _in_order(self) -> Share:
        _rising(self.low, self.likely, self.high)
        return self

    def at(self, case: Case) -> float:
        """The share in a case."""
        return float(getattr(self, case))


def _rising(low: float, likely: float, high: float) -> None:
    if not low <= likely <= high:
        raise ValueError("needs low, likely and high in rising order")


class ShareRow(Options):
    """One row of the table of shares."""

    radius_up_to_m: float = Field(gt=0, le=5000, description="The row holds for curves up to this radius [m]")
    vehicle_kinds: tuple[Kind, ...] = Field(
        default=(), description="Kinds of vehicle: `train`, `metro`, `tram`. Default: all"
    )
    rail: Rail = Field(default="any", description="State of the rails: `dry`, `damp`, `wet` or `any`. Default any")
    friction: Friction = Field(
        default="any",
        description="Friction management of the track: `none`, `gauge_lubrication`, `friction_modifier`, `both` or "
        "`any`. Default any",
    )
    share: Share = Field(description="Share of passes that squeal")
    source: Source = Field(description="Where the share comes from: counted when and how, or estimated; printed")

    def holds(self, radius_m: float, kind: str, rail: str, friction: str) -> bool:
        """Whether the row is about such a pass."""
        return (
            radius_m <= self.radius_up_to_m
            and (not self.vehicle_kinds or kind in self.vehicle_kinds)
            and self.rail in ("any", rail)
            and self.friction in ("any", friction)
        )

    def covers(self, other: ShareRow) -> bool:
        """Whether the row holds wherever the other one does."""
        own, theirs = set(self.vehicle_kinds), set(other.vehicle_kinds)
        return (
            other.radius_up_to_m <= self.radius_up_to_m
            and (not own or (bool(theirs) and theirs <= own))
            and self.rail in ("any", other.rail)
            and self.friction in ("any", other.friction)
        )


class Band(Options):
    """Level of squeal in one third octave, relative to the others."""

    frequency_hz: float = Field(description="Nominal mid-band frequency [Hz], 50 to 10000")
    level_db: float = Field(ge=-200, le=200, description="Level [dB], relative to the other bands")

    @model_validator(mode="after")
    def _nominal(self) -> Band:
        if self.frequency_hz not in THIRD_OCTAVES_HZ:
            raise ValueError("needs a nominal third octave from 50 to 10000 Hz, such as 1000, 1250 or 1600")
        return self


class Level(Options):
    """How loud a squealing pass is."""

    excess_db: Range | None = Field(
        default=None,
        description="Level of a squealing pass above the rolling noise of a pass that does not squeal [dB], the same "
        "in all bands",
    )
    level_7_5m_db: Range | None = Field(
        default=None,
        description="A-weighted level of a squealing pass 7.5 m beside the track's centre line and 1.2 m above the "
        "rail heads [dB]. Rolling noise in it is not taken off",
    )
    quantity: Literal["laeq_tp", "lafmax"] = Field(
        default="laeq_tp",
        description="What level_7_5m_db is: `laeq_tp`, exposure related to the time that the train takes to pass, or "
        "`lafmax`, largest level. Default laeq_tp",
    )
    spectrum: tuple[Band, ...] = Field(
        default=(),
        description="Third octaves of squeal, with level_7_5m_db. Default: equal levels from 400 to 5000 Hz, an "
        "assumption",
    )
    source: Source = Field(description="Where the level comes from; printed")

    @model_validator(mode="after")
    def _one_form(self) -> Level:
        if (self.excess_db is None) == (self.level_7_5m_db is None):
            raise ValueError("needs either excess_db or level_7_5m_db")
        if self.excess_db is not None and self.excess_db.at("high") > 40.0:
            raise ValueError("excess_db lies above rolling noise: 0 to 40 dB")
        if self.level_7_5m_db is not None and self.level_7_5m_db.at("low") < 50.0:
            raise ValueError("level_7_5m_db is the level of the pass itself: 50 to 150 dB")
        if self.excess_db is not None and self.model_fields_set & {"quantity", "spectrum"}:
            raise ValueError(
                "quantity and spectrum belong to level_7_5m_db; an excess has the spectrum of rolling noise"
            )
        frequencies = [band.frequency_hz for band in self.spectrum]
        if len(set(frequencies)) != len(frequencies):
            raise ValueError("spectrum has one third octave twice")
        return self

    @property
    def value(self) -> Range:
        """The level in the form that was given."""
        given = self.level_7_5m_db if self.excess_db is None else self.excess_db
        assert given is not None
        return given


class Effect(Range):
    """By how much friction management lowers the level of passes that squeal all the same."""

    source: Source = Field(description="Where the reduction comes from; printed")


class SquealPassesOptions(Options):
    """Shares and levels; without them squeal is not computed."""

    shares: tuple[ShareRow, ...] = Field(
        default=(),
        max_length=200,
        description="Shares of passes that squeal; the first row that holds counts. Beyond its radii nothing squeals. "
        "Default: none, as no general value is published; then squeal is not computed",
    )
    level: Level | None = Field(default=None, description="How loud a squealing pass is; needed beside shares")
    level_reduction_db: dict[Managed, Effect] = Field(
        default={},
        description="Lower level [dB] of passes that squeal all the same, by friction management of the track. "
        "Default: none; friction management acts through the shares only",
    )
    case: Case = Field(
        default="likely",
        description="`low`, `likely` or `high`: which end of all ranges is taken (of reductions the other one). "
        "Default likely",
    )

    @model_validator(mode="after")
    def _whole(self) -> SquealPassesOptions:
        if self.shares and self.level is None:
            raise ValueError("needs level, how loud a squealing pass is, beside shares")
        for n, row in enumerate(self.shares):
            above = next((k for k, other in enumerate(self.shares[:n]) if other.covers(row)), None)
            if above is not None:
                raise ValueError(
                    f"row {n + 1} of shares is never used, as row {above + 1} above it holds there as well"
                )
        return self

    @property
    def largest_radius_m(self) -> float:
        """Beyond this radius the table has nothing; 0 without a table. [m]"""
        return max((row.radius_up_to_m for row in self.shares), default=0.0)

    def effect(self, friction: str) -> Effect | None:
        """What friction management does to the level of squealing passes, where that is given."""
        return next((effect for name, effect in self.level_reduction_db.items() if name == friction), None)

    def reduction_db(self, friction: str, case: Case) -> float:
        """Lower level of squealing passes; the low case has the largest reduction. [dB]"""
        effect = self.effect(friction)
        other_end: dict[Case, Case] = {"low": "high", "likely": "likely", "high": "low"}
        return 0.0 if effect is None else float(effect.at(other_end[case]))

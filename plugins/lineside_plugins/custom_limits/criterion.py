"""The limits that a project file states, with the place where they are written."""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from typing import Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from lineside.contracts import Criterion, LimitCheck, NotApplicable, Options, Particulars, ReceiverUse, Window
from lineside.project.types import Line, Number, Text, Whole
from lineside_plugins.custom_limits.tones import CAUTION, LEAST_DB, MOST_DB, STANDING, survey

Use = Literal["dwelling", "hospital", "school", "care_home", "office", "outdoor", "other"]

_SYMBOLS = {
    "lden": "Lden",
    "lday": "Lday",
    "levening": "Levening",
    "lnight": "Lnight",
    "laeq": "LAeq",
    "lafmax": "LAFmax",
}


def _as_text(value: object) -> object:
    """YAML reads a bare 2019 or 2019-05-01 as number or date; both are meant as text here."""
    if isinstance(value, datetime.date) or (isinstance(value, int) and not isinstance(value, bool)):
        return str(value)
    return value


class Limit(Options):
    """One limit of the project file."""

    quantity: Literal["lden", "lday", "levening", "lnight", "laeq", "lafmax"] = Field(
        description="What is limited: lden, lday, levening, lnight (with the project's periods), laeq (average over "
        "the clock hours from_hour to to_hour) or lafmax (the loudest train, time weighting F)"
    )
    limit_db: Annotated[Number, Field(ge=0, le=140)] = Field(description="The limit [dB, A-weighted]")
    from_hour: Annotated[Whole, Field(ge=0, le=23)] | None = Field(
        default=None, description="laeq only: first clock hour, 0 to 23"
    )
    to_hour: Annotated[Whole, Field(ge=0, le=24)] | None = Field(
        default=None, description="laeq only: clock hour at which the average ends, 0 to 24; may wrap midnight"
    )
    uses: tuple[Use, ...] | None = Field(
        default=None, min_length=1, description="Uses of receivers that the limit protects; left out: all receivers"
    )
    label: Line | None = Field(
        default=None, description="Name of the limit in tables; left out: made from the quantity"
    )

    adjustment_db: Annotated[Number, Field(ge=-20, le=20)] = Field(
        default=0.0,
        description="Fixed adjustment that the rule adds to the level before it is compared [dB]. Default 0",
    )
    adjustment_for: Literal["tones", "other"] = Field(
        default="other", description="What the fixed adjustment stands for: tones, or anything else. Default other"
    )
    tone: Literal["none", "iso_1996_2_2007_annex_d"] = Field(
        default="none",
        description="Rule that looks for tones in the average level: none, or iso_1996_2_2007_annex_d (survey of third "
        "octaves; thresholds from memory). Not for lafmax. Default none",
    )
    tone_adjustment_db: Annotated[Number, Field(ge=LEAST_DB, le=MOST_DB)] | None = Field(
        default=None, description="With tone: what is added where a tone is found [dB], 3 to 6"
    )

    @model_validator(mode="after")
    def _hours_belong_to_laeq(self) -> Self:
        hours = (self.from_hour, self.to_hour)
        if self.quantity == "laeq" and None in hours:
            raise ValueError("quantity laeq needs from_hour and to_hour, for example from_hour: 22, to_hour: 6")
        if self.quantity != "laeq" and hours != (None, None):
            raise ValueError(f"from_hour and to_hour belong to quantity laeq only; {self.quantity} has its own period")
        return self

    @model_validator(mode="after")
    def _tones_count_once(self) -> Self:
        if self.tone == "none" and self.tone_adjustment_db is not None:
            raise ValueError("tone_adjustment_db needs a rule that finds tones: tone: iso_1996_2_2007_annex_d")
        if self.adjustment_for == "tones" and self.adjustment_db == 0:
            raise ValueError("adjustment_for: tones needs adjustment_db, the dB that are added for them")
        if self.tone == "none":
            return self
        if self.quantity == "lafmax":
            raise ValueError("tone judges average levels; quantity lafmax is the level of one pass: leave tone out")
        if self.tone_adjustment_db is None:
            raise ValueError(f"tone needs tone_adjustment_db, {LEAST_DB:g} to {MOST_DB:g} dB, as the rule here says")
        if self.adjustment_for == "tones":
            raise ValueError("a fixed adjustment for tones and tone count tones twice: keep one of them")
        return self

    def check(self) -> LimitCheck:
        """The comparison that this limit asks for."""
        window = None
        label = _SYMBOLS[self.quantity]
        if self.from_hour is not None and self.to_hour is not None:
            window = Window(self.from_hour, self.to_hour)
            label = f"{label} {self.from_hour:02d}–{self.to_hour:02d} h"
        return LimitCheck(
            f"{self.quantity}_db",
            self.limit_db,
            self.label or label,
            window,
            adjustment_db=self.adjustment_db,
            tone=survey(self.tone_adjustment_db) if self.tone_adjustment_db is not None else None,
            adjustment_for_tones=self.adjustment_for == "tones",
        )


class CustomOptions(Options):
    """Limits from a permit, a contract or a local rule."""

    title: Line = Field(description="Name of the rule, for example: Operating permit, condition 14")
    source: Line = Field(description="Where the limits are written: document, date, page")
    nature: Line = Field(
        default="limit stated in the project file", description="What kind of limit: permit condition, ..."
    )
    place: Line = Field(default="this project", description="Where the limits apply")
    valid_from: Annotated[Line, BeforeValidator(_as_text)] = Field(
        default="not stated", description="Since when the limits apply"
    )
    caution: Text = Field(default="", description="Anything that a reader of the findings must know")
    limits: tuple[Limit, ...] = Field(
        min_length=1, description="The limits; each receiver is compared with all that name its use"
    )

    @property
    def with_tones(self) -> bool:
        """Whether any limit asks for a rule that looks for tones."""
        return any(limit.tone != "none" for limit in self.limits)


class CustomLimits(Criterion):
    """Compares levels with limits that the project file states."""

    name = "custom"
    title = "Limits stated in the project file"
    version = "1.0"
    verification_note = "The limits are as written in the project file; lineside cannot check them."
    options_model = CustomOptions
    place = "as stated in the project file"
    valid_from = "as stated in the project file"
    nature = "as stated in the project file"

    def particulars(self, options: Options) -> Particulars:
        """As the project file says."""
        assert isinstance(options, CustomOptions)
        caution = " ".join(part for part in (options.caution, CAUTION if options.with_tones else "") if part)
        return Particulars(options.title, options.place, options.valid_from, options.nature, caution)

    def statement(self, options: Options) -> str:
        """Title, source and all that the project file says about the limits."""
        assert isinstance(options, CustomOptions)
        parts = [
            f"{options.title}: {options.nature}, applies to {options.place}, valid from: {options.valid_from}.",
            f"Source as given in the project file: {options.source}.",
            STANDING if options.with_tones else "",
            options.caution,
        ]
        return " ".join(part for part in parts if part)

    def checks(self, receiver: ReceiverUse, options: Options) -> Sequence[LimitCheck] | NotApplicable:
        """All limits that name the receiver's use, in the order of the project file."""
        assert isinstance(options, CustomOptions)
        found = [limit.check() for limit in options.limits if limit.uses is None or receiver.use in limit.uses]
        return found or NotApplicable(f"{options.title} states no limit for the use {receiver.use!r}.")

"""A night level that neighbours and operator have agreed on."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from pydantic import Field

from lineside.contracts import Criterion, LimitCheck, NotApplicable, Options, ReceiverUse, Window

NIGHT = Window(22, 6)


class AgreementOptions(Options):
    """Options of the agreement."""

    limit_db: float = Field(ge=20, le=90, description="Agreed mean level from 22 to 6 o'clock [dB, A-weighted]")
    source: str = Field(min_length=3, max_length=300, description="Where the agreement is written; printed")


class NightAgreement(Criterion):
    """One value for all dwellings."""

    name = "night_agreement"
    title = "Agreed night level"
    version = "0.4"
    place = "this project"
    valid_from = "as agreed"
    nature = "agreement"
    verification_note = "There is nothing to compute."
    options_model = AgreementOptions

    def checks(self, receiver: ReceiverUse, options: Options) -> Sequence[LimitCheck] | NotApplicable:
        if receiver.use != "dwelling":
            return NotApplicable("the agreement is about dwellings only")
        limit_db = cast(AgreementOptions, options).limit_db
        return (LimitCheck("laeq_db", limit_db, "LAeq, agreed night", window=NIGHT),)

    def statement(self, options: Options) -> str:
        options = cast(AgreementOptions, options)
        return f"Mean level from 22 to 6 o'clock at dwellings: {options.limit_db:g} dB, by {options.source}."

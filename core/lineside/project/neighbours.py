"""What letters to neighbours say beside the results: whom to call, why, what comes next."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.types import Line, Part

#: Lines of an address, as on an envelope.
Address = Annotated[tuple[Line, ...], Field(max_length=8)]


class Contact(Part):
    """The office that neighbours may call."""

    name: Line = Field(description="Name of the office, printed as sender of letters")
    phone: Line | None = Field(default=None, description="Telephone number. Default null")
    email: Line | None = Field(default=None, description="E-mail address. Default null")
    hours: Line | None = Field(default=None, description="When someone answers, in words. Default null")
    address: Address = Field(
        default=(), description="Lines of the postal address of the office, at most 8. Default none"
    )

    @model_validator(mode="after")
    def _one_of(self) -> Contact:
        if self.phone is None and self.email is None:
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": "phone or email"})
        return self


class LetterWords(Part):
    """Sentences of the office, printed in letters as they stand: plain words, no promise that cannot be kept."""

    reason: Line | None = Field(default=None, description="Why the work is done, or the letter written. Default null")
    next_steps: Annotated[tuple[Line, ...], Field(max_length=5)] = Field(
        default=(), description="What the office does next, at most 5 sentences. Default none"
    )

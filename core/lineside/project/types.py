"""Types that the models of the project file share: every one has a range, and messages without jargon."""

from __future__ import annotations

import datetime as dt
import re
import unicodedata
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field
from pydantic_core import PydanticCustomError


class Part(BaseModel):
    """Base of every model of the project file: frozen, unknown keys refused."""

    model_config = ConfigDict(extra="forbid", frozen=True)


#: A finite number; text and yes/no are not numbers.
Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
Whole = Annotated[int, Field(strict=True)]
Flag = Annotated[bool, Field(strict=True)]

#: Plan coordinate. [m]
Coordinate = Annotated[Number, Field(ge=-1e8, le=1e8)]
#: Absolute height. [m]
Height = Annotated[Number, Field(ge=-1000, le=9000)]
#: Position along a track. [m]
Chainage = Annotated[Number, Field(ge=-1e7, le=1e7)]
#: Share or ground factor.
Share = Annotated[Number, Field(ge=0, le=1)]
Level = Annotated[Number, Field(ge=-200, le=200)]


#: Periods of the day, in the order of all arrays.
PERIODS = ("day", "evening", "night")


class PeriodShares(Part):
    """One share for each period."""

    day: Share = Field(description="Share of the day period, 0 to 1")
    evening: Share = Field(description="Share of the evening period, 0 to 1")
    night: Share = Field(description="Share of the night period, 0 to 1")


XY = tuple[Coordinate, Coordinate]
XYZ = tuple[Coordinate, Coordinate, Height]

TrackKind = Literal["train", "metro", "tram"]

_CONTROL = re.compile(r"[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029\ufeff]")


#: They turn the order of the letters that follow, so that a reader sees other words than the file has.
_TURNING = re.compile(r"[\u202a-\u202e\u2066-\u2069]")


def _refuse_turning(value: str) -> None:
    found = _TURNING.search(value)
    if found is not None:
        which = f"U+{ord(found[0]):04X} ({unicodedata.name(found[0]).lower()})"
        raise PydanticCustomError("turning_character", "contains the character {which}", {"which": which})


def _free_text(value: str) -> str:
    _refuse_turning(value)
    if _CONTROL.search(value):
        raise PydanticCustomError("control_character", "contains a control character")
    return value


def _one_line(value: str) -> str:
    _refuse_turning(value)
    if not value.strip():
        raise PydanticCustomError("blank_text", "must not be empty")
    if value != value.strip():
        raise PydanticCustomError("outer_space", "must not start or end with a space")
    if "\n" in value or "\t" in value or _CONTROL.search(value):
        raise PydanticCustomError("control_character", "contains a line break, tab or control character")
    return value


#: Free text, printed as written.
Text = Annotated[str, Field(strict=True, max_length=5000), AfterValidator(_free_text)]
#: Text of one line that must not be empty: titles, sources, class names.
Line = Annotated[str, Field(strict=True, max_length=300, min_length=1), AfterValidator(_one_line)]


def _visible(value: str) -> str:
    """An id that a reader can tell from another: composed letters, nothing invisible."""
    _refuse_turning(value)
    if any(unicodedata.category(c) in ("Cf", "Co", "Cn") for c in value):
        raise PydanticCustomError("control_character", "contains an invisible character")
    if unicodedata.normalize("NFC", value) != value:
        raise PydanticCustomError("control_character", "contains a letter written in two parts, which looks like one")
    return _one_line(value)


#: What other entries use to point here.
Id = Annotated[str, Field(strict=True, max_length=60, min_length=1), AfterValidator(_visible)]
#: A file inside the project folder.
FileName = Annotated[str, Field(strict=True, max_length=300, min_length=1), AfterValidator(_one_line)]


class SpectrumRef(Part):
    """A spectrum of the list ``spectra``, used instead of a tabulated class."""

    spectrum: Id = Field(description="Id of an entry of `spectra`")


def _reference(value: Any) -> SpectrumRef | None:
    """A reference to a spectrum made of ``{spectrum: id}``; None if it is something else."""
    if isinstance(value, SpectrumRef):
        return value
    if isinstance(value, dict) and set(value) == {"spectrum"} and isinstance(value["spectrum"], str):
        return SpectrumRef(spectrum=value["spectrum"])
    return None


def _class_or_spectrum(value: Any) -> Any:
    if isinstance(value, str):
        return _one_line(value)
    reference = _reference(value)
    if reference is None:
        raise PydanticCustomError("class_or_spectrum", "must be the name of a class, or a spectrum")
    return reference


def _spectrum_only(value: Any) -> Any:
    reference = _reference(value)
    if reference is None and value is not None:
        raise PydanticCustomError("spectrum_only", "must be a spectrum")
    return reference


def _radius(value: Any) -> Any:
    if value is None or value == "straight":
        return value
    if isinstance(value, bool) or not isinstance(value, int | float) or not 15 <= value <= 100_000:
        raise PydanticCustomError("radius", "must be a radius, straight or null")
    return float(value)


#: Years of dates: months before works and after them must exist, too.
FIRST_YEAR, LAST_YEAR = 1000, 9000


def _iso_date(value: Any) -> Any:
    if isinstance(value, str) and not re.fullmatch(r"\d{4}-\d\d-\d\d", value):
        raise PydanticCustomError("iso_date", "must be a date")
    if isinstance(value, int | float):
        raise PydanticCustomError("iso_date", "must be a date")
    year = value.year if isinstance(value, dt.date) else int(str(value)[:4])
    if not FIRST_YEAR <= year <= LAST_YEAR:
        raise PydanticCustomError("date_range", "lies beyond the calendar of this program")
    return value


#: Name of a tabulated class of a calculator, or a measured spectrum.
ClassOrSpectrum = Annotated[str | SpectrumRef, BeforeValidator(_class_or_spectrum)]
#: A measured spectrum, where no classes exist.
SpectrumOnly = Annotated[SpectrumRef | None, BeforeValidator(_spectrum_only)]
#: Radius [m], ``straight``, or null for "derive it from the alignment".
Radius = Annotated[Annotated[Number, Field(ge=15, le=100_000)] | Literal["straight"] | None, BeforeValidator(_radius)]
#: Marks a date validated from ISO 8601 text.
IsoDate = BeforeValidator(_iso_date)

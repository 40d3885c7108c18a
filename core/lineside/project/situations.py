"""Words that name a situation: a date, ``before``, a state, a month, or several of them joined by ``+``."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Mapping
from dataclasses import dataclass

from lineside.errors import RequestError

#: The day before the first track work.
BEFORE = "before"
#: The kind of the states of propagation, beside the conditions of the project.
WEATHER = "weather"
MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def shorten(text: str) -> str:
    """The start of a text, for messages."""
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(frozen=True)
class Words:
    """What a situation may name: every state with the kind of its condition, and the date of the first work."""

    kinds: Mapping[str, str]
    first_work: dt.date | None


def read_situation(text: str, words: Words) -> tuple[dt.date | None, Mapping[str, str], int | None]:
    """The date, the states by kind of condition, and the month that a text names.

    Raises
    ------
    RequestError
        If a word is unknown, or two of them contradict each other.
    """
    choices: dict[str, str] = {}
    date: dt.date | None = None
    month: int | None = None
    for word in (w.strip() for w in text.split("+")):
        if not word:
            raise RequestError(f"{shorten(text)!r} lacks a name; it is no date, no month and no state beside a +")
        found = _date(word, words)
        if found is not None:
            if date is not None:
                raise RequestError(f"{shorten(text)!r} names two dates; name one")
            date = found
        elif word.lower() in MONTHS:
            if month is not None:
                raise RequestError(f"{shorten(text)!r} names two months; name one")
            month = MONTHS.index(word.lower()) + 1
        elif word in words.kinds:
            if words.kinds[word] in choices:
                raise RequestError(f"{shorten(text)!r} names two states of the {words.kinds[word]}; name one")
            choices[words.kinds[word]] = word
        else:
            near = difflib.get_close_matches(word, [*words.kinds, BEFORE], 1)
            meant = f"; did you mean {near[0]}?" if near else ""
            raise RequestError(
                f"{shorten(word)!r} is no date (YYYY-MM-DD), no month and no state of this project{meant}\n"
                f"  states: {', '.join(words.kinds) or 'none'}; {BEFORE} is the day before the first work"
            )
    return date, choices, month


def _date(word: str, words: Words) -> dt.date | None:
    if word == BEFORE:
        if words.first_work is None:
            raise RequestError(f"{BEFORE!r} is the day before the first work, but the project has no works")
        return words.first_work - dt.timedelta(days=1)
    try:
        return dt.date.fromisoformat(word) if _DAY.fullmatch(word) else None
    except ValueError:
        return None

"""Situations that a user may ask for: a date, and states of conditions."""

from __future__ import annotations

import datetime as dt
import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lineside.engine.mixing import WEATHER, Choice, Choices
from lineside.errors import RequestError
from lineside.project.load import LoadedProject

#: The day before the first track work.
BEFORE = "before"
MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october", "november",
    "december",
)  # fmt: skip

_DAY = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}")


def shorten(text: str) -> str:
    """The start of a text, for messages."""
    return text if len(text) <= 60 else text[:57] + "..."


@dataclass(frozen=True)
class Situation:
    """A date whose track and rails hold, and what holds of each condition."""

    label: str
    date: dt.date
    choices: Choices


def state_kinds(loaded: LoadedProject, propagation_states: Sequence[str]) -> Mapping[str, str]:
    """Every state of a project and the kind of its condition; propagation states are those of the weather."""
    known = {s.id: c.kind for c in loaded.conditions for s in c.states}
    return {**known, **(dict.fromkeys(propagation_states, WEATHER) if len(propagation_states) > 1 else {})}


def parse_situation(text: str, loaded: LoadedProject, propagation_states: Sequence[str], date: dt.date) -> Situation:
    """Read a situation: a date, ``before``, a state, a month, or several of them joined by ``+``.

    Parameters
    ----------
    date : date
        Holds where the text names none.

    Raises
    ------
    RequestError
        If a word is unknown, or two of them contradict each other.

    A month stands for the shares that all conditions without a state of their own have in it.
    """
    kinds = state_kinds(loaded, propagation_states)
    choices: dict[str, Choice] = {}
    month, dated = None, False
    for word in (w.strip() for w in text.split("+")):
        if not word:
            raise RequestError(f"{shorten(text)!r} lacks a name; it is no date, no month and no state beside a +")
        found = _date(word, loaded)
        if found is not None:
            if dated:
                raise RequestError(f"{shorten(text)!r} names two dates; name one")
            date, dated = found, True
        elif word.lower() in MONTHS:
            if month is not None:
                raise RequestError(f"{shorten(text)!r} names two months; name one")
            month = MONTHS.index(word.lower()) + 1
        elif word in kinds:
            if kinds[word] in choices:
                raise RequestError(f"{shorten(text)!r} names two states of the {kinds[word]}; name one")
            choices[kinds[word]] = word
        else:
            near = difflib.get_close_matches(word, [*kinds, BEFORE], 1)
            meant = f"; did you mean {near[0]}?" if near else ""
            raise RequestError(
                f"{shorten(word)!r} is no date (YYYY-MM-DD), no month and no state of this project{meant}\n"
                f"  states: {', '.join(kinds) or 'none'}; {BEFORE} is the day before the first work"
            )
    if month is not None:
        choices = {**{c.kind: month for c in loaded.conditions}, **choices}
    return Situation(text, date, choices)


def _date(word: str, loaded: LoadedProject) -> dt.date | None:
    if word == BEFORE:
        if not loaded.project.works:
            raise RequestError(f"{BEFORE!r} is the day before the first work, but the project has no works")
        return min(w.date for w in loaded.project.works) - dt.timedelta(days=1)
    try:
        return dt.date.fromisoformat(word) if _DAY.fullmatch(word) else None
    except ValueError:
        return None

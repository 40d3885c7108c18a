"""Situations that a user may ask for: a date, and states of conditions."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from lineside.engine.mixing import WEATHER, Choice, Choices
from lineside.project.load import LoadedProject
from lineside.project.situations import BEFORE, MONTHS, Words, read_situation, shorten

__all__ = ["BEFORE", "MONTHS", "Situation", "parse_situation", "shorten", "state_kinds"]


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
    first = min((w.date for w in loaded.project.works), default=None)
    named, states, month = read_situation(text, Words(state_kinds(loaded, propagation_states), first))
    choices: dict[str, Choice] = dict(states)
    if month is not None:
        choices = {**{c.kind: month for c in loaded.conditions}, **choices}
    return Situation(text, named or date, choices)

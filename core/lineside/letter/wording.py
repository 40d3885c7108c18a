"""Numbers, dates and changes of level in words for a letter: whole decibels, parts of years."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable

from lineside.report.strings import Strings
from lineside.report.text import NOTHING
from lineside.results.model import Finding, Level, Period

#: Where the catalogue of the letter lies in the template package.
FOLDER = "letter/strings"
#: From this change on the next stronger words are used. That 3 dB can just be noticed in daily life and that 10 dB
#: sound twice as loud is common practice, no source; 6 dB between them is an assumption. [dB]
STEPS_DB = (1, 3, 6, 10)


def catalogue(language: str = "en") -> Strings:
    """The wording of letters in a language."""
    return Strings(language, FOLDER)


def rounded(value: float) -> int:
    """To whole decibels, halves up.

    >>> rounded(2.5), rounded(-2.5), rounded(3.49)
    (3, -2, 3)
    """
    return math.floor(value + 0.5)


def whole(value: Level) -> str:
    """A level as printed.

    >>> whole(54.5), whole(None)
    ('55', '–')
    """
    return NOTHING if value is None else str(rounded(value)).replace("-", "−")


def limit_words(limit_db: float) -> str:
    """A limit as it is written where it stands: whole, unless it is not.

    >>> limit_words(54.0), limit_words(54.5)
    ('54', '54.5')
    """
    return f"{limit_db:g}".replace("-", "−")


def change_words(change_db: float, strings: Strings, by: bool = False) -> str:
    """A change of level as people hear it; with its size in decibels, if asked for."""
    size = abs(rounded(change_db))
    if size < STEPS_DB[0]:
        return strings("before.same")
    step = max(s for s in STEPS_DB if s <= size)
    size_words = strings("before.by", n=size) if by else ""
    return strings(f"before.{'louder' if change_db > 0 else 'quieter'}_{step}", by=size_words)


def part_of_year(day: dt.date, strings: Strings) -> str:
    """A third of a year: names of seasons would be wrong on the other half of the globe."""
    part = ("early", "middle", "late")[(day.month - 1) // 4]
    return strings("when.part", part=strings(f"when.{part}"), year=day.year)


def interval(first: str, last: str, today: str, strings: Strings) -> str:
    """From one ISO date to another, as parts of years; from now on where the first has passed by ``today``."""
    start, end = dt.date.fromisoformat(first), dt.date.fromisoformat(last)
    now = dt.date.fromisoformat(today)
    begin, finish = part_of_year(start, strings), part_of_year(end, strings)
    if start <= now:
        return strings("when.from_now", last=finish)
    return strings("when.same", first=begin) if begin == finish else strings("when.between", first=begin, last=finish)


def month_year(date: str, strings: Strings) -> tuple[str, int]:
    """Name of the month, and the year."""
    day = dt.date.fromisoformat(date)
    return strings(f"month.m{day.month}"), day.year


def hours_words(period: Period, strings: Strings) -> str:
    """Clock hours of a period."""
    return strings("quantity.hours", from_hour=period.from_hour, to_hour=period.to_hour)


def quantity_words(quantity: str, window: str | None, label: str, periods: Iterable[Period], strings: Strings) -> str:
    """What a limit is for, in plain words; the criterion's own label where the catalogue knows no better."""
    named = {f"l{p.name}_db": p for p in periods}
    if quantity == "laeq_db":
        return strings("quantity.laeq_db", window=window) if window else strings("quantity.laeq_whole")
    if quantity in named and strings.has(f"quantity.{quantity}"):
        return strings(f"quantity.{quantity}", hours=hours_words(named[quantity], strings))
    return strings(f"quantity.{quantity}") if strings.has(f"quantity.{quantity}") else label


def kept_words(finding: Finding, strings: Strings) -> str:
    """Whether a limit is kept, and by how much it is not."""
    if finding.verdict != "above":
        return strings("kept.borderline" if finding.verdict == "borderline" else "kept.well_below")
    over = rounded(finding.difference_db or 0.0)
    unsure = "_unsure" if finding.within_uncertainty else ""
    return strings(f"kept.above{unsure}", n=over) if over >= 1 else strings(f"kept.above_little{unsure}")

"""Numbers and words as printed: digits, signs, dashes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any

from lineside.results.model import Level

NOTHING = "–"
MINUS = "−"


def level(value: Level) -> str:
    """A level to 0.1 dB; a dash for silence.

    >>> level(61.25), level(None), level(-3.04)
    ('61.2', '–', '−3.0')
    """
    return NOTHING if value is None else _sign(f"{value:.1f}")


def whole(value: Level) -> str:
    """A level to a whole dB, for text.

    >>> whole(60.6)
    '61'
    """
    return NOTHING if value is None else _sign(f"{value:.0f}")


def difference(value: float | None) -> str:
    """A signed difference to 0.1 dB that never prints a small one as nothing.

    >>> difference(2.34), difference(-0.02), difference(0.0)
    ('+2.3', '> −0.1', '0.0')
    """
    if value is None:
        return NOTHING
    if 0.0 < value < 0.05:
        return "< +0.1"
    if -0.05 < value < 0.0:
        return f"> {MINUS}0.1"
    return "0.0" if value == 0.0 else _sign(f"{value:+.1f}")


def number(value: float | int | None, digits: int = 6) -> str:
    """A number as short as it can be written.

    >>> number(60.0), number(0.25), number(-2.5), number(None)
    ('60', '0.25', '−2.5', '–')
    """
    return NOTHING if value is None else _sign(f"{value:.{digits}g}")


def metres(value: float | None, digits: int = 0) -> str:
    """A length; whole metres unless more is asked for.

    >>> metres(184.2), metres(12.34, 1)
    ('184', '12.3')
    """
    return NOTHING if value is None else _sign(f"{value:.{digits}f}")


def _sign(text: str) -> str:
    text = text.replace("-", MINUS)
    return text[1:] if text.startswith(MINUS) and not text.strip(f"{MINUS}0.") else text


def joined(items: Iterable[str], last: str = ", ") -> str:
    """Names with commas."""
    return last.join(items)


def plain(value: Any) -> str:
    """Any value of an options model in words.

    >>> plain({"a": [1, 2.50], "b": None, "c": True})
    'a: 1, 2.5; b: –; c: yes'
    """
    if value is None or value == "" or value == [] or value == {}:
        return NOTHING
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return number(value)
    if isinstance(value, Mapping):
        return "; ".join(f"{k}: {plain(v)}" for k, v in value.items())
    if isinstance(value, list | tuple):
        nested = any(isinstance(v, Mapping | list | tuple) for v in value)
        return ("; " if nested else ", ").join(f"({plain(v)})" if nested else plain(v) for v in value)
    return str(value)

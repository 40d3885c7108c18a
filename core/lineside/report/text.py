"""Numbers and words as printed: digits, signs, dashes."""

from __future__ import annotations

import math
from collections.abc import Iterable

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


def told(value: Level, limits: Iterable[float]) -> str:
    """A level in running text: whole dB, but to 0.1 dB within 1 dB of a limit that it is compared with.

    >>> told(80.369, [80.0]), told(83.2, [80.0]), told(60.0, [60.0])
    ('80.4', '83', '60.0')
    """
    return level(value) if value is not None and any(abs(value - x) <= 1.0 for x in limits) else whole(value)


def level_before(value: Level, compared: Level, limit: float | None) -> str:
    """A level with as many decimals as it takes to follow how it was rounded up, or why it passes a limit.

    >>> level_before(59.049, 60.0, 59.0), level_before(59.4, 60.0, 59.0), level_before(54.02, 54.02, 54.0)
    ('59.05', '59.4', '54.02')
    """
    if value is None or compared is None:
        return level(value)
    rounded = compared != value and compared == math.ceil(value)
    for digits in (1, 2, 3):
        text = f"{value:.{digits}f}"
        followed = math.ceil(float(text)) == compared if rounded else limit in (None, value) or float(text) != limit
        if followed:
            break
    else:
        text = f"{value:.1f}"
    return _sign(text)

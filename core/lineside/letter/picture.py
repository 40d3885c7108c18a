"""The small pictures of a letter, written as SVG by hand: hundreds of them take no time. Black, white and grey."""

from __future__ import annotations

import base64
import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from xml.sax.saxutils import escape

from lineside.figures.words import clean, shorten
from lineside.results.model import Level

FONT = "Source Sans 3"
WIDTH_MM = 166.0
#: Room for words left of the bars. [mm]
LABEL_MM = 50.0
BAR_MM, STEP_MM = 4.0, 5.6
PLOT_MM = 28.0
INK, GREY, BAND = "#111111", "#777777", "#d4d4d4"


@dataclass(frozen=True)
class Picture:
    """Address of the picture as part of the page, and its width on paper."""

    source: str
    width_mm: float


def _written(parts: Sequence[str], height_mm: float) -> Picture:
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH_MM:g}mm" height="{height_mm:g}mm" '
    head += f'viewBox="0 0 {WIDTH_MM:g} {height_mm:g}" font-family="{FONT}" font-size="3.3" fill="{INK}">'
    svg = head + "".join(parts) + "</svg>"
    return Picture("data:image/svg+xml;base64," + base64.b64encode(svg.encode()).decode("ascii"), WIDTH_MM)


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}">{escape(clean(words))}</text>'


def _line(x0: float, y0: float, x1: float, y1: float, width: float, style: str = "", colour: str = INK) -> str:
    dashes = f' stroke-dasharray="{style}"' if style else ""
    return (
        f'<line x1="{x0:.2f}" y1="{y0:.2f}" x2="{x1:.2f}" y2="{y1:.2f}" stroke="{colour}" '
        f'stroke-width="{width:g}"{dashes}/>'
    )


def bars(parts: Sequence[tuple[str, float, str]]) -> Picture:
    """One bar for each part of the sound.

    Parameters
    ----------
    parts : sequence of (name, share, share in words)
        Shares of 1; the first one is the largest.
    """
    out, room = [], WIDTH_MM - LABEL_MM - 16.0
    for k, (name, share, said) in enumerate(parts):
        top = 0.6 + k * STEP_MM
        ink = INK if k % 2 == 0 else GREY
        length = max(room * min(max(share, 0.0), 1.0), 0.4)
        out += [
            _text(LABEL_MM - 2.0, top + 3.1, shorten(name, 34), "end"),
            f'<rect x="{LABEL_MM:g}" y="{top:.2f}" width="{length:.2f}" height="{BAR_MM:g}" fill="{ink}"/>',
            _text(LABEL_MM + length + 1.5, top + 3.1, said),
        ]
    return _written(out, 0.6 + len(parts) * STEP_MM)


@dataclass(frozen=True)
class Course:
    """A level in time: ISO dates, the likely level with its band, the level before, a limit, words for the last two."""

    dates: Sequence[str]
    low_db: Sequence[Level]
    likely_db: Sequence[Level]
    high_db: Sequence[Level]
    before_db: float
    limit_db: float | None
    before_words: str
    limit_words: str
    unit: str


def in_time(course: Course) -> Picture:
    """The level from the first to the last date."""
    days = [dt.date.fromisoformat(d).toordinal() for d in course.dates]
    likely = [v for v in course.likely_db if v is not None]
    band = [(d, low, high) for d, low, high in zip(days, course.low_db, course.high_db, strict=True)]
    known = [(d, low, high) for d, low, high in band if low is not None and high is not None]
    shown = [*likely, *(v for _, low, high in known for v in (low, high)), course.before_db]
    if course.limit_db is not None:
        shown.append(course.limit_db)
    low_db, high_db = min(shown) - 1.0, max(shown) + 1.5
    left, right, top, bottom = 9.0, WIDTH_MM - 27.0, 2.0, 2.0 + PLOT_MM

    def x(day: float) -> float:
        return left + (right - left) * (day - days[0]) / max(days[-1] - days[0], 1)

    def y(level_db: float) -> float:
        return bottom - (bottom - top) * (level_db - low_db) / (high_db - low_db)

    out = []
    if known:
        there = [f"{x(d):.2f},{y(high):.2f}" for d, _, high in known]
        back = [f"{x(d):.2f},{y(low):.2f}" for d, low, _ in reversed(known)]
        out.append(f'<polygon points="{" ".join([*there, *back])}" fill="{BAND}"/>')
    step = next(s for s in (2, 5, 10, 20, 50, 1000) if (high_db - low_db) / s <= 6)
    for tick in range(int(low_db // step) * step, int(high_db) + 1, step):
        if tick >= low_db:
            out += [
                _line(left, y(tick), right, y(tick), 0.1, colour=GREY),
                _text(left - 1.2, y(tick) + 1.1, str(tick), "end"),
            ]
    out += [_line(left, bottom, right, bottom, 0.25), _text(left - 1.2, bottom + 4.2, course.unit, "end")]
    for day in _ticks(days[0], days[-1]):
        date = dt.date.fromordinal(day)
        out += [_line(x(day), bottom, x(day), bottom + 1.0, 0.25)]
        out += [_text(x(day), bottom + 4.2, f"{date.year}-{date.month:02d}", "middle")]
    points = [f"{x(d):.2f},{y(v):.2f}" for d, v in zip(days, course.likely_db, strict=True) if v is not None]
    out.append(f'<polyline points="{" ".join(points)}" fill="none" stroke="{INK}" stroke-width="0.5"/>')
    before = y(course.before_db)
    out += [_line(left, before, right, before, 0.35, "2 1.2")]
    at = before + 1.1
    if course.limit_db is not None:
        limit = y(course.limit_db)
        out += [_line(left, limit, right, limit, 1.0), _text(right + 1.2, limit + 1.1, course.limit_words)]
        if abs(before - limit) < 3.6:  # words must not lie on each other
            at = limit + 1.1 + (3.6 if before >= limit else -3.6)
    out.append(_text(right + 1.2, at, course.before_words))
    return _written(out, bottom + 5.6)


def _ticks(first: int, last: int) -> list[int]:
    """First days of months, at most five of them, evenly spread."""
    start, end = dt.date.fromordinal(first), dt.date.fromordinal(last)
    months = range(12 * start.year + start.month, 12 * end.year + end.month)
    step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if len(months) / s <= 5), 120)
    return [dt.date(m // 12, m % 12 + 1, 1).toordinal() for m in months if m % step == 0]

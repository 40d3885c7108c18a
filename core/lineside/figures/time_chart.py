"""Level against time around track works: one panel per receiver."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures.style import (
    DASHES,
    GREY,
    INK,
    LINES,
    PALE,
    TEXT_WIDTH_MM,
    Picture,
    house_style,
    new_figure,
    write,
)
from lineside.figures.words import Words, shorten
from lineside.results.model import Level, ReceiverResult, ReceiverTimeline, Timeline

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

MAX_TIME_PANELS = 6
#: Limits farther than this above or below the curve are left out of its panel. [dB]
LIMIT_REACH_DB = 8.0


@dataclass(frozen=True)
class RatedLine:
    """A rating level at the dates of the time line, likely case, and its limit. [dB]"""

    quantity: str  # as printed
    rating_db: Sequence[Level]
    limit_db: float


def time_chart(
    timeline: Timeline,
    receivers: Sequence[ReceiverResult],
    limits_db: Mapping[str, Sequence[float]],
    words: Words,
    rated: Mapping[str, Sequence[RatedLine]] | None = None,
) -> Picture:
    """Lden in time: band from low to high, likely line, state before, works, limits, rating levels.

    Parameters
    ----------
    receivers : sequence of ReceiverResult
        One panel each; at most ``MAX_TIME_PANELS``.
    limits_db : mapping
        Receiver id to limits of Lden.
    rated : mapping, optional
        Receiver id to rating levels that are drawn beside it.
    """
    shown = list(receivers)[:MAX_TIME_PANELS]
    by_id = {t.receiver: t for t in timeline.receivers}
    total, boxes = panel_boxes(len(shown))
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        panels = []
        for receiver, box in zip(shown, boxes, strict=True):
            axes = figure.add_axes(box)
            lines = (rated or {}).get(receiver.id, ())
            _panel(axes, timeline, by_id[receiver.id], limits_db.get(receiver.id, ()), lines, words)
            axes.set_title(shorten(f"{receiver.id}  {receiver.name}", 40))
            panels.append(axes)
        # that panel has all kinds of lines which any of them has
        legend_above(figure, max(panels, key=lambda axes: len(axes.get_legend_handles_labels()[1])))
        return write(figure)


def panel_boxes(n: int) -> tuple[float, list[tuple[float, float, float, float]]]:
    """Height of a figure with n panels, two in a row [mm], and the place of each, as shares of the figure."""
    rows = (n + 1) // 2
    panel, gap = 40.0, 16.0
    total = rows * (panel + gap) + 8.0
    return total, [
        (
            (13.0 + (k % 2) * 84.0) / TEXT_WIDTH_MM,
            (total - 8.0 - (k // 2 + 1) * (panel + gap) + gap - 5.0) / total,
            70.0 / TEXT_WIDTH_MM,
            panel / total,
        )
        for k in range(n)
    ]


def legend_above(figure: Figure, axes: Axes) -> None:
    """One legend for all panels, in a line above them."""
    handles, labels = axes.get_legend_handles_labels()
    figure.legend(
        handles,
        labels,
        loc="upper left",
        ncols=len(labels),
        borderaxespad=0,
        borderpad=0,
        bbox_to_anchor=(13.0 / TEXT_WIDTH_MM, 1.0),
        handlelength=2.6,
        columnspacing=1.4,
    )


def _panel(
    axes: Axes,
    timeline: Timeline,
    receiver: ReceiverTimeline,
    limits_db: Sequence[float],
    rated: Sequence[RatedLine],
    words: Words,
) -> None:
    day = np.array([day_of(d) for d in timeline.dates])
    low, likely, high = (floats(receiver.levels_db["lden"][case]) for case in timeline.cases)
    axes.fill_between(day, low, high, color=PALE, lw=0, label=words("charts.band"))
    axes.plot(day, likely, color=LINES[0], label=words("charts.likely"))
    before = receiver.before_db["lden"]
    if before is not None:
        axes.axhline(before, color=LINES[2], lw=1.0, ls=(0, (5, 2)), label=words("charts.before"))
    values = [np.nanmin(low), np.nanmax(high)]
    for k, line in enumerate(rated):
        course = floats(line.rating_db)
        axes.plot(day, course, color=LINES[3], lw=1.1, ls=DASHES[3], label=words("charts.rated") if k == 0 else None)
        values += [np.nanmin(course), np.nanmax(course)]
        _beside_peak(axes, day, course, words("charts.rated_of", quantity=line.quantity))
    show_works(axes, timeline, words)
    named = {limit: words("charts.limit", limit=f"{limit:g}") for limit in limits_db}
    for line in rated:
        text = words("charts.limit_of", limit=f"{line.limit_db:g}", quantity=line.quantity)
        named.setdefault(line.limit_db, text)
    bottom, top = min(values), max(values)
    near = [limit for limit in named if bottom - LIMIT_REACH_DB <= limit <= top + LIMIT_REACH_DB]
    for limit in near:
        axes.axhline(limit, color=LINES[1], lw=1.1, ls="-" if limit in limits_db else DASHES[3])
        _written(axes, named[limit], limit)
    axes.set_ylim(np.floor(min([bottom, *near])) - 1.0, np.ceil(max([top, *near])) + 1.5)
    date_axis(axes, timeline)
    other = any(line.quantity != words("quantity.lden_db") for line in rated)
    axes.set_ylabel(words("charts.level_named" if other else "charts.level_lden"))
    axes.grid(axis="y")


def _beside_peak(axes: Axes, day: Array, course: Array, text: str) -> None:
    """Words above the peak of a course, away from the words at the right edge."""
    top = int(np.nanargmax(course))
    early = day[top] - day[0] < 0.6 * (day[-1] - day[0])
    axes.annotate(
        text,
        (day[top], course[top]),
        fontsize=7,
        color=INK,
        ha="left" if early else "right",
        va="bottom",
        xytext=(0, 2),
        textcoords="offset points",
    )


def _written(axes: Axes, text: str, level_db: float) -> None:
    """Words above a line, at the right edge."""
    axes.annotate(
        text,
        (1.0, level_db),
        xycoords=("axes fraction", "data"),
        fontsize=7,
        color=INK,
        ha="right",
        va="bottom",
        xytext=(0, 1),
        textcoords="offset points",
    )


def show_works(axes: Axes, timeline: Timeline, words: Words) -> None:
    """Dotted lines at the dates of works."""
    for k, work in enumerate(timeline.work_dates):
        axes.axvline(day_of(work), color=GREY, lw=0.7, ls=(0, (1, 2)), label=words("charts.work") if k == 0 else None)


def date_axis(axes: Axes, timeline: Timeline) -> None:
    """Time from the first to the last date, with ticks at firsts of months."""
    axes.set_xlim(day_of(timeline.dates[0]), day_of(timeline.dates[-1]))
    ticks = _ticks(timeline.dates)
    axes.set_xticks([t.toordinal() for t in ticks], [f"{t:%Y-%m}" for t in ticks])


def day_of(date: str) -> int:
    """Place of a date on the axis of time. [d]"""
    return dt.date.fromisoformat(date).toordinal()


def floats(levels: Sequence[Level]) -> Array:
    """Values, nan for none."""
    return np.array([np.nan if v is None else v for v in levels])


def _ticks(dates: Sequence[str]) -> list[dt.date]:
    """Four or five firsts of months, evenly spread."""
    first, last = dt.date.fromisoformat(dates[0]), dt.date.fromisoformat(dates[-1])
    months = [m for m in range(12 * first.year + first.month - 1, 12 * last.year + last.month)]
    step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if len(months) / s <= 5), 120)
    firsts = [dt.date(m // 12, m % 12 + 1, 1) for m in months if m % step == 0]
    return [d for d in firsts if first <= d <= last]

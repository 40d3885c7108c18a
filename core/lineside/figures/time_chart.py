"""Level against time around track works: one panel per receiver."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from lineside.figures.style import GREY, INK, LINES, PALE, TEXT_WIDTH_MM, Picture, house_style, new_figure, write
from lineside.figures.words import Words, shorten
from lineside.results.model import Level, ReceiverResult, ReceiverTimeline, Timeline

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_TIME_PANELS = 6
#: Limits farther than this above or below the curve are left out of its panel. [dB]
LIMIT_REACH_DB = 8.0


def time_chart(
    timeline: Timeline, receivers: Sequence[ReceiverResult], limits_db: Mapping[str, Sequence[float]], words: Words
) -> Picture:
    """Lden in time: band from low to high, likely line, state before, works, limits.

    Parameters
    ----------
    receivers : sequence of ReceiverResult
        One panel each; at most ``MAX_TIME_PANELS``.
    limits_db : mapping
        Receiver id to limits of Lden.
    """
    shown = list(receivers)[:MAX_TIME_PANELS]
    by_id = {t.receiver: t for t in timeline.receivers}
    rows = (len(shown) + 1) // 2
    panel, gap = 40.0, 16.0
    total = rows * (panel + gap) + 8.0
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        for k, receiver in enumerate(shown):
            bottom = total - 8.0 - (k // 2 + 1) * (panel + gap) + gap - 5.0
            box = (
                (13.0 + (k % 2) * 84.0) / TEXT_WIDTH_MM,
                bottom / total,
                70.0 / TEXT_WIDTH_MM,
                panel / total,
            )
            axes = figure.add_axes(box)
            _panel(axes, timeline, by_id[receiver.id], limits_db.get(receiver.id, ()), words)
            axes.set_title(shorten(f"{receiver.id}  {receiver.name}", 40))
            if k == 0:
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
        return write(figure)


def _panel(
    axes: Axes, timeline: Timeline, receiver: ReceiverTimeline, limits_db: Sequence[float], words: Words
) -> None:
    day = np.array([_day(d) for d in timeline.dates])
    low, likely, high = (_floats(receiver.levels_db["lden"][case]) for case in timeline.cases)
    axes.fill_between(day, low, high, color=PALE, lw=0, label=words("charts.band"))
    axes.plot(day, likely, color=LINES[0], label=words("charts.likely"))
    before = receiver.before_db["lden"]
    if before is not None:
        axes.axhline(before, color=LINES[2], lw=1.0, ls=(0, (5, 2)), label=words("charts.before"))
    for k, work in enumerate(timeline.work_dates):
        axes.axvline(_day(work), color=GREY, lw=0.7, ls=(0, (1, 2)), label=words("charts.work") if k == 0 else None)
    bottom, top = np.nanmin(low), np.nanmax(high)
    near = [limit for limit in limits_db if bottom - LIMIT_REACH_DB <= limit <= top + LIMIT_REACH_DB]
    for limit in near:
        axes.axhline(limit, color=LINES[1], lw=1.1)
        axes.annotate(
            words("charts.limit", limit=f"{limit:g}"),
            (1.0, limit),
            xycoords=("axes fraction", "data"),
            fontsize=7,
            color=INK,
            ha="right",
            va="bottom",
            xytext=(0, 1),
            textcoords="offset points",
        )
    axes.set_ylim(np.floor(min([bottom, *near])) - 1.0, np.ceil(max([top, *near])) + 1.5)
    axes.set_xlim(day[0], day[-1])
    ticks = _ticks(timeline.dates)
    axes.set_xticks([t.toordinal() for t in ticks], [f"{t:%Y-%m}" for t in ticks])
    axes.set_ylabel(words("charts.level_lden"))
    axes.grid(axis="y")


def _day(date: str) -> int:
    return dt.date.fromisoformat(date).toordinal()


def _floats(levels: Sequence[Level]) -> np.ndarray:
    return np.array([np.nan if v is None else v for v in levels])


def _ticks(dates: Sequence[str]) -> list[dt.date]:
    """Four or five firsts of months, evenly spread."""
    first, last = dt.date.fromisoformat(dates[0]), dt.date.fromisoformat(dates[-1])
    months = [m for m in range(12 * first.year + first.month - 1, 12 * last.year + last.month)]
    step = next((s for s in (1, 2, 3, 6, 12, 24, 60) if len(months) / s <= 5), 120)
    firsts = [dt.date(m // 12, m % 12 + 1, 1) for m in months if m % step == 0]
    return [d for d in firsts if first <= d <= last]

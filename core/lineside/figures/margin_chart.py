"""Marks on rails above all other roughness against time: one panel per group of marks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from lineside.figures.style import INK, LINES, PALE, TEXT_WIDTH_MM, Picture, house_style, new_figure, write
from lineside.figures.time_chart import (
    MAX_TIME_PANELS,
    date_axis,
    day_of,
    floats,
    legend_above,
    panel_boxes,
    show_works,
)
from lineside.figures.words import Words, shorten
from lineside.results.model import Timeline, ToneInfo

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Marks fainter than this below the level needed for a tone are left out of the panels. [dB]
REACH_DB = 15.0


def shown_marks(marks: Sequence[ToneInfo]) -> list[ToneInfo]:
    """Of each group of marks the service under which they stand out most; the strongest groups first."""
    best: dict[tuple[object, ...], ToneInfo] = {}
    for m in sorted(marks, key=lambda m: -m.margin_fresh_db["likely"]):
        if m.margin_db:
            best.setdefault((m.track, m.from_m, m.to_m, m.pitch_mm, m.fresh_date), m)
    return list(best.values())


def margin_chart(timeline: Timeline, marks: Sequence[ToneInfo], words: Words) -> Picture:
    """Margin in time: band from low to high, likely line, level needed for a tone, works.

    Parameters
    ----------
    marks : sequence of ToneInfo
        From :func:`shown_marks`, at least one; at most ``MAX_TIME_PANELS`` are drawn.
    """
    shown = list(marks)[:MAX_TIME_PANELS]
    total, boxes = panel_boxes(len(shown))
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        for k, (m, box) in enumerate(zip(shown, boxes, strict=True)):
            axes = figure.add_axes(box)
            _panel(axes, timeline, m, words)
            place = words("tones.marks_at", track=m.track, from_m=f"{m.from_m:.0f}", to_m=f"{m.to_m:.0f}")
            axes.set_title(shorten(f"{place}, {words('tones.pitch', pitch=f'{m.pitch_mm:.3g}')}", 40))
            if k == 0:
                legend_above(figure, axes)
        return write(figure)


def _panel(axes: Axes, timeline: Timeline, marks: ToneInfo, words: Words) -> None:
    day = np.array([day_of(d) for d in timeline.dates])
    low, likely, high = (floats(marks.margin_db[case]) for case in timeline.cases)
    needed = marks.needed_margin_db
    bottom = needed - REACH_DB
    axes.fill_between(
        day, np.maximum(low, bottom), np.maximum(high, bottom), color=PALE, lw=0, label=words("charts.band")
    )
    axes.plot(day, likely, color=LINES[0], label=words("charts.likely"))
    axes.axhline(needed, color=LINES[1], lw=1.1)
    axes.annotate(
        words("charts.needed", margin=f"{needed:g}"),
        (1.0, needed),
        xycoords=("axes fraction", "data"),
        fontsize=7,
        color=INK,
        ha="right",
        va="bottom",
        xytext=(0, 1),
        textcoords="offset points",
    )
    show_works(axes, timeline, words)
    top = np.nanmax([needed, *high])
    axes.set_ylim(bottom, np.ceil(top) + 1.5)
    date_axis(axes, timeline)
    axes.set_ylabel(words("charts.margin"))
    axes.grid(axis="y")

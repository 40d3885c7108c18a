"""Which doubt counts most: one bar per group of inputs, the longest first."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lineside.figures.style import GREY, INK, LINES, PALE, TEXT_WIDTH_MM, Picture, house_style, new_figure, write
from lineside.figures.words import Words, shorten

ROW_MM = 6.0
HEAD_MM, FOOT_MM = 3.0, 13.0
LEFT_MM = 66.0


@dataclass(frozen=True)
class Bar:
    """A group: by how much intervals would be narrower, on the mean of the receivers and at the extremes. [dB]"""

    name: str
    mean_db: float
    low_db: float
    high_db: float


def tornado_chart(bars: Sequence[Bar], words: Words) -> Picture:
    """Bars of the means with their values, and a line from the smallest to the largest value of any receiver."""
    rows = ROW_MM * len(bars)
    total = HEAD_MM + rows + FOOT_MM
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        box = (
            LEFT_MM / TEXT_WIDTH_MM,
            FOOT_MM / total,
            (TEXT_WIDTH_MM - LEFT_MM - 4.0) / TEXT_WIDTH_MM,
            rows / total,
        )
        axes = figure.add_axes(box)
        for row, bar in enumerate(bars):
            axes.barh(row, bar.mean_db, height=0.6, color=LINES[0])
            ends = [max(bar.low_db, 0.0), max(bar.high_db, bar.mean_db)]
            axes.plot(ends, [row, row], color=GREY, lw=1.0, marker="|", ms=6)
            axes.annotate(
                f"{bar.mean_db:.1f}",
                (ends[1], row),
                xytext=(5, 0),
                textcoords="offset points",
                va="center",
                fontsize=8,
                color=INK,
            )
        longest = max(max(bar.high_db, bar.mean_db) for bar in bars)
        axes.set_xlim(0.0, 1.12 * max(longest, 0.1))
        axes.set_ylim(len(bars) - 0.4, -0.6)
        axes.set_yticks(range(len(bars)), [shorten(bar.name, 48) for bar in bars])
        axes.tick_params(axis="y", length=0)
        axes.grid(axis="x", color=PALE)
        axes.set_xlabel(words("sure.axis"))
        return write(figure)

"""Why a level changed: steps from the level at the start to the level at the end, one per cause."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from lineside.figures.style import GREY, INK, LINES, PALE, TEXT_WIDTH_MM, Picture, house_style, new_figure, write
from lineside.figures.words import Words, shorten

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_CAUSE_PANELS = 4
ROW_MM = 5.2
HEAD_MM = 9.0
FOOT_MM = 12.0
LEFT_MM = 62.0


@dataclass(frozen=True)
class Steps:
    """One panel: levels at both ends and what lies between them, in order; all words are finished."""

    title: str
    start: str
    end: str
    start_db: float
    end_db: float
    parts: Sequence[tuple[str, float]]


def cause_chart(panels: Sequence[Steps], words: Words) -> Picture:
    """Horizontal steps: a mark for the start, a bar for each cause, a mark for the end."""
    shown = list(panels)[:MAX_CAUSE_PANELS]
    heights = [HEAD_MM + ROW_MM * (len(p.parts) + 2) + FOOT_MM for p in shown]
    total = sum(heights)
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        top = total
        for panel, height in zip(shown, heights, strict=True):
            rows = ROW_MM * (len(panel.parts) + 2)
            box = (
                LEFT_MM / TEXT_WIDTH_MM,
                (top - HEAD_MM - rows) / total,
                (TEXT_WIDTH_MM - LEFT_MM - 12.0) / TEXT_WIDTH_MM,
                rows / total,
            )
            _panel(figure.add_axes(box), panel, words)
            figure.text(0.0, (top - HEAD_MM + 3.0) / total, shorten(panel.title, 90), fontweight=600, va="bottom")
            top -= height
        return write(figure)


def _panel(axes: Axes, panel: Steps, words: Words) -> None:
    labels = [panel.start, *(name for name, _ in panel.parts), panel.end]
    at, ends = panel.start_db, [panel.start_db, panel.end_db]
    for row, (_, change) in enumerate(panel.parts, start=1):
        louder = change >= 0
        axes.barh(
            row,
            change,
            left=at,
            height=0.62,
            color=LINES[1] if louder else "white",
            edgecolor=LINES[1] if louder else LINES[2],
            hatch=None if louder else "////",
            lw=0.8,
        )
        axes.plot([at, at], [row - 1.0 + 0.3, row - 0.3], color=GREY, lw=0.6)
        tip = max(at, at + change)
        _number(axes, tip, row, words("charts.step", change=f"{change:+.1f}".replace("-", "−")))
        at += change
        ends.append(at)
    last = len(labels) - 1
    axes.plot([at, at], [last - 0.7, last - 0.3], color=GREY, lw=0.6)
    for row, value in ((0, panel.start_db), (last, panel.end_db)):
        axes.plot([value], [row], marker="D" if row else "o", color=LINES[0], ms=5, ls="")
        _number(axes, value, row, words("charts.step_level", level=f"{value:.1f}"))
    low, high = min(ends), max(ends)
    margin = max(0.15 * (high - low), 0.4)
    axes.set_xlim(low - margin, high + 2.2 * margin)
    axes.set_ylim(last + 0.7, -0.7)
    axes.set_yticks(range(len(labels)), [shorten(label, 44) for label in labels])
    axes.tick_params(axis="y", length=0)
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x", color=PALE)
    axes.set_xlabel(words("charts.level_lden"))


def _number(axes: Axes, x: float, row: int, text: str) -> None:
    axes.annotate(text, (x, row), xytext=(5, 0), textcoords="offset points", va="center", fontsize=8, color=INK)

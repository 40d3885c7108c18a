"""Cost against benefit of options: those that none beats are joined by steps and labelled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from lineside.figures.labels import Placer
from lineside.figures.style import GREY, INK, LINES, TEXT_WIDTH_MM, Picture, house_style, new_figure, write
from lineside.figures.words import Words, shorten

if TYPE_CHECKING:
    from matplotlib.axes import Axes

HEIGHT_MM = 98.0
LEFT_MM, RIGHT_MM, BOTTOM_MM, TOP_MM = 17.0, 5.0, 14.0, 9.0
#: Most options that are drawn beside those that none beats, and most that are labelled.
MAX_OTHERS, MAX_LABELS = 400, 14
LABEL_PT = 7.5
#: Costs that differ by more than this ratio stand on a logarithmic axis.
LOG_RATIO = 30.0


@dataclass(frozen=True)
class Spot:
    """An option in the figure; ``front``: no option is both cheaper and better."""

    label: str
    low: float
    likely: float
    high: float
    benefit: float
    front: bool


def cost_chart(spots: Sequence[Spot], cost: str, benefit: str, words: Words) -> Picture:
    """Likely cost with its range to the right, benefit upwards.

    Parameters
    ----------
    spots : sequence of Spot
        At least one in front.
    cost, benefit : str
        Titles of the axes.
    """
    front = sorted((s for s in spots if s.front), key=lambda s: s.likely)
    others = sorted((s for s in spots if not s.front), key=lambda s: -s.benefit)[:MAX_OTHERS]
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, HEIGHT_MM)
        wide, high = TEXT_WIDTH_MM - LEFT_MM - RIGHT_MM, HEIGHT_MM - BOTTOM_MM - TOP_MM
        axes = figure.add_axes((LEFT_MM / TEXT_WIDTH_MM, BOTTOM_MM / HEIGHT_MM, wide / TEXT_WIDTH_MM, high / HEIGHT_MM))
        _scale(axes, [*front, *others])
        axes.plot(
            [s.likely for s in others],
            [s.benefit for s in others],
            marker="o",
            ls="",
            ms=3.6,
            mfc="white",
            mec=GREY,
            mew=0.7,
            label=words("help.chart_others"),
        )
        axes.plot([s.likely for s in front], [s.benefit for s in front], drawstyle="steps-post", color=LINES[0], lw=1.0)
        for s in front:
            axes.plot([s.low, s.high], [s.benefit] * 2, color=GREY, lw=0.8, marker="|", ms=4, mec=GREY, zorder=1)
        axes.plot(
            [s.likely for s in front],
            [s.benefit for s in front],
            marker="s",
            ls="",
            color=LINES[0],
            ms=5.5,
            label=words("help.chart_front"),
        )
        axes.set_xlabel(cost)
        axes.set_ylabel(benefit)
        axes.grid()
        axes.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, borderaxespad=0.2, handletextpad=0.3)
        _labels(axes, front, others, wide, high)
        return write(figure)


def _scale(axes: Axes, spots: Sequence[Spot]) -> None:
    from matplotlib.ticker import FuncFormatter

    costs = np.array([value for s in spots for value in (s.low, s.likely, s.high)])
    gains = np.array([s.benefit for s in spots])
    positive = costs[costs > 0]
    if positive.size == costs.size and positive.max() > LOG_RATIO * positive.min():
        axes.set_xscale("log")
        axes.set_xlim(positive.min() / 1.3, positive.max() * 1.6)
    else:
        span = costs.max() or 1.0
        axes.set_xlim(-0.03 * span, 1.12 * span)
    low, high = min(0.0, gains.min()), gains.max()
    axes.set_ylim(low - 0.04 * (high - low), high + 0.14 * (high - low or 1.0))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:,.0f}" if value >= 0 else ""))


def _labels(axes: Axes, front: Sequence[Spot], others: Sequence[Spot], wide_mm: float, high_mm: float) -> None:
    def on_paper(cost: float, benefit: float) -> tuple[float, float]:
        x, y = axes.transAxes.inverted().transform(axes.transData.transform((cost, benefit)))
        return float(x * wide_mm), float(y * high_mm)

    placer = Placer(wide_mm, high_mm)
    for s in [*front, *others[:100]]:
        placer.block(*on_paper(s.likely, s.benefit), 1.2)
    ends = [on_paper(s.likely, s.benefit) for s in front]
    for s, here in zip(front, ends, strict=True):
        placer.taken.append(
            (on_paper(s.low, s.benefit)[0], here[1] - 0.7, on_paper(s.high, s.benefit)[0], here[1] + 0.7)
        )
    for (_, low), (x, high) in pairwise(ends):
        placer.taken.append((x - 0.7, low, x + 0.7, high))
    for s in front[-MAX_LABELS:]:
        text = shorten(s.label, 34)
        x, y = on_paper(s.likely, s.benefit)
        cx, cy, leader = placer.place(x, y, text, LABEL_PT)
        axes.annotate(
            text,
            (x / wide_mm, y / high_mm),
            xycoords="axes fraction",
            xytext=(cx / wide_mm, cy / high_mm),
            textcoords="axes fraction",
            ha="center",
            va="center",
            fontsize=LABEL_PT,
            color=INK,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
            arrowprops={"arrowstyle": "-", "lw": 0.5, "color": GREY, "shrinkA": 0, "shrinkB": 3} if leader else None,
        )

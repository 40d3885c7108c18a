"""How much a wall helps by its length and height, and where along its line the chosen parts stand."""

from __future__ import annotations

from typing import TYPE_CHECKING

from lineside.figures.style import (
    DASHES,
    GREY,
    INK,
    LINES,
    MARKERS,
    PALE,
    TEXT_WIDTH_MM,
    Picture,
    house_style,
    new_figure,
    write,
)
from lineside.figures.words import Words
from lineside.results.options import PlaceOfWall, WallSearch

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: Height of the upper panel, of one bar of the lower one, and of margins around both. [mm]
CURVES_MM, BAR_MM, HEAD_MM, BETWEEN_MM, FOOT_MM = 62.0, 6.0, 9.0, 17.0, 12.0
LEFT_MM, RIGHT_MM = 20.0, 22.0


def place_search_chart(found: WallSearch, words: Words) -> Picture:
    """Benefit against length, one line for each height; below, the chosen parts along the line."""
    heights = sorted({p.height_m for p in found.best})
    bars = BAR_MM * (len(heights) + 1)
    total = HEAD_MM + CURVES_MM + BETWEEN_MM + bars + FOOT_MM
    left, width = LEFT_MM / TEXT_WIDTH_MM, 1.0 - (LEFT_MM + RIGHT_MM) / TEXT_WIDTH_MM
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        curves = figure.add_axes((left, (FOOT_MM + bars + BETWEEN_MM) / total, width, CURVES_MM / total))
        _curves(curves, found, heights, words)
        places = figure.add_axes((left, FOOT_MM / total, width, bars / total))
        _places(places, found, heights, words)
        return write(figure)


def _curves(axes: Axes, found: WallSearch, heights: list[float], words: Words) -> None:
    ends: list[tuple[float, str]] = []
    for k, height in enumerate(heights):
        line = [p for p in found.best if p.height_m == height]
        x, y = [_length(p) for p in line], [p.decibel_dwellings for p in line]
        style = {
            "color": LINES[k],
            "ls": DASHES[k],
            "marker": MARKERS[k],
            "mfc": "white",
            "mec": LINES[k],
            "clip_on": False,
            "zorder": 3,
        }
        axes.plot([0.0, *x], [0.0, *y], **style)
        chosen = next(p for p in found.chosen if p.height_m == height)
        axes.plot([_length(chosen)], [chosen.decibel_dwellings], marker=MARKERS[k], color=LINES[k], ms=7, ls="none")
        ends.append((y[-1], words("search.height", height=f"{height:g}")))
    top = max(1e-9, *(value for value, _ in ends))
    axes.set_ylim(min(0.0, *(p.decibel_dwellings for p in found.best)), 1.06 * top)
    axes.set_xlim(0.0, found.length_m)
    place = -1.0
    for value, text in sorted(ends):
        place = max(value, place + 0.07 * top)
        axes.annotate(text, (found.length_m, place), xytext=(6, 0), textcoords="offset points", va="center", fontsize=8)
    axes.grid(axis="y")
    axes.set_xlabel(words("search.length"))
    axes.set_ylabel(words(f"search.benefit_{found.weighted_by}"))
    axes.set_title(words("search.curves"))


def _places(axes: Axes, found: WallSearch, heights: list[float], words: Words) -> None:
    for k, height in enumerate(heights):
        chosen = next(p for p in found.chosen if p.height_m == height)
        axes.barh(k, found.length_m, height=0.5, color="none", edgecolor=GREY, lw=0.5)
        axes.barh(k, _length(chosen), left=chosen.from_m, height=0.5, color=PALE, edgecolor=INK, lw=0.8, hatch="///")
        label = words("search.metres", length=f"{_length(chosen):.0f}")
        axes.annotate(label, (1.0, k), xycoords=("axes fraction", "data"), xytext=(6, 0), textcoords="offset points",
                      va="center", fontsize=8)  # fmt: skip
    axes.set_yticks(range(len(heights)), [words("search.height", height=f"{h:g}") for h in heights])
    axes.tick_params(axis="y", length=0)
    axes.set_ylim(-0.6, len(heights) - 0.4)
    axes.set_xlim(0.0, found.length_m)
    axes.set_xlabel(words("search.along"))
    axes.set_title(words("search.places"))


def _length(place: PlaceOfWall) -> float:
    return place.to_m - place.from_m

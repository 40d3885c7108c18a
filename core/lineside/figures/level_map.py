"""Levels on a grid of points as filled classes with labelled contours."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures import place
from lineside.figures.style import INK, MM_PER_INCH, TEXT_WIDTH_MM, Picture, house_style, write
from lineside.figures.words import Words
from lineside.results.model import Grid, Level, ReceiverResult, Site

CLASS_DB = 5.0
MAX_CLASSES = 9
CLASS_STRIP_MM = 11.0
#: Pale to dark, lightness falling all the way: reads the same in greyscale (computed and tested in CIELAB).
DARK_FROM = 6  # from this edge on, lines and labels are white
CLASS_COLOURS = ("#fbf6e9", "#f3e0b0", "#ecc27f", "#e49c60", "#d57457", "#b75059", "#8d3560", "#5d2559", "#2c1842")


def class_edges(levels: Array) -> Array:
    """Edges of the classes: multiples of 5 dB that hold the levels, the quietest ones put together."""
    finite = levels[np.isfinite(levels)]
    low = np.floor(finite.min() / CLASS_DB) * CLASS_DB
    high = max(np.ceil(finite.max() / CLASS_DB) * CLASS_DB, low + CLASS_DB)
    edges = np.arange(low, high + CLASS_DB / 2, CLASS_DB)
    return edges[-(MAX_CLASSES + 1) :]


def as_array(rows: Sequence[Sequence[Level]]) -> Array:
    """Rows of levels with silence as -inf, (n_y, n_x)."""
    return np.array([[-np.inf if v is None else v for v in row] for row in rows], dtype=np.float64)


def can_be_drawn(grid: Grid | None, quantity: str) -> bool:
    """Whether there are enough points with sound for contours."""
    if grid is None or quantity not in grid.levels_db or min(len(grid.x), len(grid.y)) < 2:
        return False
    return bool(np.isfinite(as_array(grid.levels_db[quantity])).sum() >= 4)


def level_map(
    grid: Grid, quantity: str, site: Site, receivers: Sequence[ReceiverResult], legend: str, words: Words
) -> Picture:
    """Map of one quantity on the grid.

    Parameters
    ----------
    grid : Grid
        Points and levels; ``quantity`` is one of its keys.
    legend : str
        What the classes are, with unit.
    """
    levels = as_array(grid.levels_db[quantity])
    edges = class_edges(levels)
    view = place.view_of((grid.x[0], grid.y[0]), (grid.x[-1], grid.y[-1]))
    with house_style():
        sheet = place.new_sheet(view, place.LEGEND_MM + CLASS_STRIP_MM)
        _fill(sheet, grid, levels, edges)
        place.draw_tracks(sheet, site, words, curves=False)
        place.draw_barriers(sheet, site, words)
        place.draw_receivers(sheet, receivers, words)
        place.draw_keys(sheet, columns=4)
        _class_keys(sheet, edges, bool(levels.min() < edges[0]), legend, words)
        place.draw_scale_and_north(sheet, words)
        return write(sheet.figure)


def _fill(sheet: place.Sheet, grid: Grid, levels: Array, edges: Array) -> None:
    # silence is drawn as the quietest class, so that contours close
    shown = np.maximum(np.where(np.isfinite(levels), levels, edges[0]), edges[0])
    colours = CLASS_COLOURS[: len(edges) - 1] if len(edges) <= MAX_CLASSES + 1 else CLASS_COLOURS
    filled = sheet.axes.contourf(grid.x, grid.y, shown, levels=edges, colors=colours, zorder=0)
    filled.set_rasterized(True)
    if len(edges) > 2:
        inks = [INK if k < DARK_FROM else "white" for k in range(1, len(edges) - 1)]
        lines = sheet.axes.contour(grid.x, grid.y, shown, levels=edges[1:-1], colors=inks, linewidths=0.55, zorder=3)
        for label in sheet.axes.clabel(lines, fmt="%g", fontsize=7, inline=True, inline_spacing=2):
            sheet.placer.block(*sheet.view.mm(*label.get_position()), 2.4)


def _class_keys(sheet: place.Sheet, edges: Array, open_below: bool, legend: str, words: Words) -> None:
    """A strip of class patches with their edges, above the other keys."""
    height_mm = sheet.figure.get_size_inches()[1] * MM_PER_INCH
    axes = sheet.figure.add_axes((0, 0, 1, 1), zorder=10)
    axes.set_axis_off()
    axes.set_xlim(0, TEXT_WIDTH_MM)
    axes.set_ylim(0, height_mm)
    base, left, step = place.LEGEND_MM + 5.6, 58.0, 12.0
    axes.text(10.0, base + 1.4, legend, fontsize=8, va="center", weight=600)
    for k, low in enumerate(edges[:-1]):
        axes.fill_between(
            [left + k * step, left + (k + 1) * step],
            base,
            base + 2.8,
            facecolor=CLASS_COLOURS[k],
            edgecolor=INK,
            lw=0.4,
        )
        if k or not open_below:
            axes.text(left + k * step, base - 0.4, f"{low:g}", fontsize=7.5, ha="center", va="top")
    axes.text(
        left + (len(edges) - 1) * step,
        base - 0.4,
        words("map.db", level=f"{edges[-1]:g}"),
        fontsize=7.5,
        ha="center",
        va="top",
    )

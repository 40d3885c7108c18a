"""A vertical section: classes of levels above the ground, with tracks, barriers and buildings that it cuts."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures.class_colours import level_styles
from lineside.figures.labels import Placer
from lineside.figures.level_map import Shown, class_keys, fill, plain
from lineside.figures.place import BARRIER, BUILDING, BUILDING_EDGE, WHITE_UNDER, barrier_label
from lineside.figures.style import GREY, INK, TEXT_WIDTH_MM, Picture, house_style, new_figure, write
from lineside.figures.words import Words, shorten
from lineside.results.contours import as_array, bands, filled_in
from lineside.results.model import SectionResult

if TYPE_CHECKING:
    from matplotlib.axes import Axes

GROUND_FILL = "#ddd6c8"
LEFT_MM, RIGHT_MM, AXIS_MM, STRIP_MM, TOP_MM = 13.0, 3.0, 11.0, 15.5, 3.0
MIN_HEIGHT_MM, MAX_HEIGHT_MM = 45.0, 130.0
#: Heights are drawn so many times larger than lengths, as little as gives a figure that can be read.
EXAGGERATION = (1, 2, 5, 10, 20)
#: Space of a train, as in the results: half its width and its height above the rails. [m]
TRAIN_M = (2.0, 5.0)
#: Share of the height below the lowest ground.
BELOW = 0.12
COMPASS = ("n", "ne", "e", "se", "s", "sw", "w", "nw")


def exaggeration(section: SectionResult) -> int:
    """How many times larger heights are drawn than lengths."""
    low, high = _heights(section)
    per_mm = section.distance_m[-1] / (TEXT_WIDTH_MM - LEFT_MM - RIGHT_MM)
    return next((f for f in EXAGGERATION if f * (high - low) / per_mm >= MIN_HEIGHT_MM), EXAGGERATION[-1])


def compass(section: SectionResult) -> str:
    """Towards which of eight points of the compass the cut runs: n, ne, e, ..."""
    (x0, y0), (x1, y1) = section.line
    bearing = np.degrees(np.arctan2(x1 - x0, y1 - y0)) % 360.0
    return COMPASS[round(bearing / 45.0) % 8]


def section_chart(section: SectionResult, legend: str, words: Words) -> Picture:
    """Levels in a vertical section; ``legend`` says what the classes are, with period and date."""
    x, z, values = _points(section)
    low, high = _heights(section)
    width_mm = TEXT_WIDTH_MM - LEFT_MM - RIGHT_MM
    factor = exaggeration(section)
    height_mm = min(factor * (high - low) * width_mm / section.distance_m[-1], MAX_HEIGHT_MM)
    with house_style():
        whole = height_mm + AXIS_MM + STRIP_MM + TOP_MM
        figure = new_figure(TEXT_WIDTH_MM, whole)
        axes = figure.add_axes(
            (LEFT_MM / TEXT_WIDTH_MM, (AXIS_MM + STRIP_MM) / whole, width_mm / TEXT_WIDTH_MM, height_mm / whole)
        )
        axes.set_xlim(0.0, section.distance_m[-1])
        axes.set_ylim(low, high)
        found = bands(x, z, values, section.edges_db)
        styles = level_styles(section.edges_db)
        fill(axes, found, styles)
        _contours(axes, section, x, z, values)
        _ground(axes, section, low)
        _things(axes, section, Placer(width_mm, height_mm), low, high, width_mm, height_mm, words)
        (x0, y0), _ = section.line
        towards = words(f"compass.{compass(section)}")
        start = {"x": f"{x0:g}".replace("-", "\u2212"), "y": f"{y0:g}".replace("-", "\u2212")}
        axes.set_xlabel(words("charts.along_cut", **start, towards=towards), labelpad=2)
        upwards = words("charts.height_times", factor=factor) if factor > 1 else words("charts.height_axis")
        axes.set_ylabel(upwards, labelpad=2)
        shown = Shown(found, styles, values, section.edges_db, legend, words("map.unit"))
        class_keys(figure, whole, STRIP_MM - 8.5, shown, words)
        return write(figure)


def _heights(section: SectionResult) -> tuple[float, float]:
    """Lowest and highest level drawn."""
    ground = np.array(section.ground_z_m)
    high = float(ground.max()) + section.height_m[-1]
    high = max([high, *(b.top_z_m for b in section.buildings), *(b.top_z_m for b in section.barriers)])
    span = high - float(ground.min())
    return float(ground.min()) - BELOW * span, high


def _points(section: SectionResult) -> tuple[Array, Array, Array]:
    """Distance, height and level of the points, (n_z, n_s); where no level is given, that of the points around."""
    z = np.array(section.ground_z_m) + np.array(section.height_m)[:, None]
    x = np.broadcast_to(np.array(section.distance_m), z.shape)
    values = as_array(section.levels_db, np.nan)
    return x, z, filled_in(values, np.isnan(values))


def _contours(axes: Axes, section: SectionResult, x: Array, z: Array, values: Array) -> None:
    inner = [k for k, e in enumerate(section.edges_db) if np.nanmin(values) < e < np.nanmax(values)]
    if inner:
        styles = level_styles(section.edges_db)
        lines = axes.contour(
            x,
            z,
            np.ma.masked_invalid(values),
            levels=[section.edges_db[k] for k in inner],
            colors=[styles[k + 1].line for k in inner],
            linewidths=0.55,
            zorder=2,
        )
        axes.clabel(lines, fmt=plain, fontsize=7, inline=True, inline_spacing=2)


def _ground(axes: Axes, section: SectionResult, low: float) -> None:
    """The ground, and decks above it as lines."""
    s, ground = np.array(section.distance_m), np.array(section.ground_z_m)
    axes.fill_between(s, low, ground, facecolor=GROUND_FILL, edgecolor="none", lw=0, zorder=3)
    axes.plot(s, ground, color=INK, lw=1.1, zorder=4)
    for deck in section.decks:
        axes.plot(deck.distance_m, deck.z_m, color=INK, lw=2.2, zorder=7, solid_capstyle="butt", gid="deck")


def _things(
    axes: Axes,
    section: SectionResult,
    placer: Placer,
    low: float,
    high: float,
    width_mm: float,
    height_mm: float,
    words: Words,
) -> None:
    """Trains, barriers and buildings with their names, tracks by their space."""
    per_m, up_per_m = width_mm / section.distance_m[-1], height_mm / (high - low)
    half, tall = TRAIN_M
    named: list[tuple[float, float, str]] = []
    for building in section.buildings:
        xs = [building.from_m, building.to_m]
        style: dict[str, Any] = {"facecolor": BUILDING, "edgecolor": BUILDING_EDGE, "lw": 0.7}
        axes.fill_between(xs, building.base_z_m, building.top_z_m, zorder=5, **style)
        named.append((0.5 * sum(xs), building.top_z_m, shorten(building.id, 14)))
    for track in section.tracks:
        xs, rail = [track.at_m - half, track.at_m + half], track.rail_z_m
        axes.fill_between(xs, rail, rail + tall, facecolor="white", edgecolor=INK, lw=0.7, ls=(0, (3, 2)), zorder=6)
        axes.plot([track.at_m - 0.75, track.at_m + 0.75], [rail, rail], color=INK, lw=2.4, zorder=7)
        named.append((track.at_m, rail + tall, words("charts.track_short", id=shorten(track.track, 14))))
    for barrier in section.barriers:
        ends = [barrier.base_z_m, barrier.top_z_m]
        axes.plot([barrier.at_m] * 2, ends, color="white", lw=4.2, zorder=7.5, solid_capstyle="butt")
        axes.plot([barrier.at_m] * 2, ends, color=BARRIER, lw=2.6, zorder=8, solid_capstyle="butt")
        named.append((barrier.at_m, barrier.top_z_m, barrier_label(barrier, words)))
    for x, z, _ in named:
        placer.block(x * per_m, (z - low) * up_per_m, 1.2)
    for x, z, name in named:
        cx, cy, far = placer.place(x * per_m, (z - low) * up_per_m, name, 7.5)
        at = (cx / per_m, low + cy / up_per_m)
        if far:
            axes.plot([x, at[0]], [z, at[1]], color=GREY, lw=0.4, zorder=8.5)
        axes.text(*at, name, fontsize=7.5, ha="center", va="center", zorder=9, bbox=WHITE_UNDER, weight=600)

"""Maps of levels, of differences and of limits exceeded: classes with labelled contours, and the place above them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures import place
from lineside.figures.class_colours import ClassStyle, conflict_styles, difference_styles, level_styles
from lineside.figures.earthworks import draw_banks
from lineside.figures.style import INK, MM_PER_INCH, TEXT_WIDTH_MM, WATER, Picture, house_style, write
from lineside.figures.words import Words, shorten
from lineside.results.contours import Band, as_array, filled_in, level_edges
from lineside.results.maps import footprints, map_bands
from lineside.results.model import Grid, Level, MapResult, ReceiverResult, SectionResult, Site

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from shapely import Geometry

CLASS_STRIP_MM = 15.5
#: Distance of the hatching lines on paper. [mm]
HATCH_MM = 1.6
#: Width and height of one class in the legend. [mm]
CLASS_MM, STRIP_MM = 12.0, 2.8


@dataclass(frozen=True, eq=False)
class Shown:
    """A map ready to be drawn: ``bands`` with a style for each, ``values`` (n_y, n_x) for contour lines at ``edges``.

    ``signed``: contours say whether they are above or below none. ``legend`` says what the classes are, ``unit``
    stands behind them.
    """

    bands: Sequence[Band]
    styles: Sequence[ClassStyle]
    values: Array
    edges: Sequence[float]
    legend: str
    unit: str
    signed: bool = False


def can_be_drawn(grid: Grid | None, quantity: str) -> bool:
    """Whether there are enough points with sound for contours."""
    return grid is not None and quantity in grid.levels_db and enough(grid, grid.levels_db[quantity])


def enough(grid: Grid, values: Sequence[Sequence[Level]]) -> bool:
    """Whether enough points have a value for contours."""
    if min(len(grid.x), len(grid.y)) < 2:
        return False
    return bool(np.isfinite(as_array(values)).sum() >= 4)


def level_map(
    grid: Grid,
    quantity: str,
    site: Site,
    receivers: Sequence[ReceiverResult],
    legend: str,
    words: Words,
    sections: Sequence[SectionResult] = (),
) -> Picture:
    """Map of one quantity on the grid.

    Parameters
    ----------
    grid : Grid
        Points and levels; ``quantity`` is one of its keys.
    legend : str
        What the classes are, with period, date and height.
    sections : sequence of SectionResult
        Vertical sections whose lines are drawn.
    """
    values = grid.levels_db[quantity]
    edges = level_edges(as_array(values)).tolist()
    bands, unit = map_bands(grid, values, edges, site), words("map.unit")
    shown = Shown(bands, level_styles(edges), _levels(values, edges), edges, legend, unit)
    return _drawn(grid, shown, site, receivers, words, sections)


def asked_map(
    grid: Grid,
    found: MapResult,
    site: Site,
    receivers: Sequence[ReceiverResult],
    legend: str,
    words: Words,
    sections: Sequence[SectionResult] = (),
) -> Picture:
    """A map that the project asks for; ``legend`` as in :func:`level_map`."""
    edges = found.edges_db
    values = as_array(found.values_db, np.nan) if found.kind == "difference" else _levels(found.values_db, edges)
    styles: dict[str, Callable[[Sequence[float]], list[ClassStyle]]] = {
        "levels": level_styles,
        "difference": difference_styles,
        "conflict": conflict_styles,
    }
    bands = map_bands(grid, found.values_db, edges, site, known=found.kind == "difference")
    unit = words("map.unit" if found.kind == "levels" else f"map.unit_{found.kind}")
    shown = Shown(bands, styles[found.kind](edges), values, edges, legend, unit, signed=found.kind != "levels")
    new = {"barriers": [*site.barriers, *found.new_barriers], "banks": [*site.banks, *found.new_banks]}
    site = site.model_copy(update=new)
    return _drawn(grid, shown, site, receivers, words, sections)


def _levels(values: Sequence[Sequence[Level]], edges: Sequence[float]) -> Array:
    """Values with silence somewhat below the lowest border, so that contours close."""
    return np.maximum(as_array(values), edges[0] - 5.0)


def _drawn(
    grid: Grid,
    shown: Shown,
    site: Site,
    receivers: Sequence[ReceiverResult],
    words: Words,
    sections: Sequence[SectionResult],
) -> Picture:
    view = place.view_of((grid.x[0], grid.y[0]), (grid.x[-1], grid.y[-1]))
    with house_style():
        sheet = place.new_sheet(view, place.LEGEND_MM + CLASS_STRIP_MM)
        fill(sheet.axes, shown.bands, shown.styles)
        step = HATCH_MM * (view.x_max - view.x_min) / view.width_mm
        hatch(sheet.axes, [b.shape for b, s in zip(shown.bands, shown.styles, strict=True) if s.hatched], step)
        _contours(sheet, grid, site, shown)
        _water(sheet, site, words, strokes=not shown.signed)
        draw_banks(sheet, site, words)
        place.draw_tracks(sheet, site, words, curves=False)
        place.draw_barriers(sheet, site, words)
        place.draw_buildings(sheet, site, words, names=False)
        _cuts(sheet, sections, words)
        place.draw_receivers(sheet, receivers, words)
        place.draw_keys(sheet, columns=4)
        height_mm = sheet.figure.get_size_inches()[1] * MM_PER_INCH
        class_keys(sheet.figure, height_mm, place.LEGEND_MM + 7.5, shown, words)
        place.draw_scale_and_north(sheet, words)
        return write(sheet.figure)


def fill(axes: Axes, bands: Sequence[Band], styles: Sequence[ClassStyle]) -> None:
    """The areas of the classes, as one picture of dots: hairlines would show between drawn ones."""
    from matplotlib.patches import PathPatch

    for band, style in zip(bands, styles, strict=True):
        if style.colour is not None and not band.shape.is_empty:
            path = _path(band.shape)
            axes.add_patch(
                PathPatch(path, facecolor=style.colour, edgecolor=style.colour, lw=0.2, zorder=0, rasterized=True)
            )


def _path(shape: Geometry) -> Any:
    from matplotlib.path import Path
    from shapely import get_coordinates, get_parts, get_rings

    rings = [get_coordinates(ring) for part in get_parts(shape) for ring in get_rings(part)]
    return Path.make_compound_path(*(Path(ring, closed=True) for ring in rings))


def hatch(axes: Axes, shapes: Sequence[Geometry], step: float, across: float = 1.0) -> None:
    """Diagonal lines over some areas; lines, since patterns print badly.

    Parameters
    ----------
    step : float
        Distance between lines, in units of the plan.
    across : float
        Units upwards for one unit to the right, where the axes are not to one scale.
    """
    from matplotlib.collections import LineCollection
    from shapely import GeometryType, LineString, MultiLineString, get_coordinates, get_parts, get_type_id, union_all

    area = union_all(list(shapes))
    if area.is_empty:
        return
    x_min, y_min, x_max, y_max = area.bounds
    height = (y_max - y_min) / across
    starts = np.arange(np.floor((x_min - height) / step) * step, x_max, step * np.sqrt(2.0))
    lines = MultiLineString([LineString([(x, y_min), (x + height, y_max)]) for x in starts])
    parts = get_parts(lines.intersection(area))
    parts = parts[get_type_id(parts) == GeometryType.LINESTRING]
    axes.add_collection(LineCollection([get_coordinates(p) for p in parts], colors=INK, lw=0.3, zorder=0.5))


def _contours(sheet: place.Sheet, grid: Grid, site: Site, shown: Shown) -> None:
    """Lines between the classes with their levels; none where a class is not drawn on both sides."""
    from shapely import contains_xy

    inner = [k for k, e in enumerate(shown.edges) if _between(shown, k, e)]
    if not inner:
        return
    houses = footprints(site)
    values = shown.values
    if not houses.is_empty:
        values = filled_in(values, contains_xy(houses, *np.meshgrid(grid.x, grid.y)))
    lines = sheet.axes.contour(
        grid.x,
        grid.y,
        np.ma.masked_invalid(values),
        levels=[shown.edges[k] for k in inner],
        colors=[shown.styles[k + 1].line for k in inner],
        linewidths=[1.1 if shown.signed and shown.edges[k] == 0.0 else 0.55 for k in inner],
        linestyles="-",
        zorder=2.5,
    )
    form = signed if shown.signed else plain
    for label in sheet.axes.clabel(lines, fmt=form, fontsize=7, inline=True, inline_spacing=2):
        sheet.placer.block(*sheet.view.mm(*label.get_position()), 2.4)
        if shown.signed:  # a minus along its line would look like a piece of it
            label.set_bbox(place.WHITE_UNDER)


def _between(shown: Shown, k: int, edge: float) -> bool:
    """Whether values lie on both sides of a border."""
    known = shown.values[np.isfinite(shown.values)]
    return bool(known.size and known.min() < edge < known.max())


def plain(value: float) -> str:
    """A level without needless digits."""
    return f"{value:g}"


def signed(value: float) -> str:
    """A difference with its sign, none for 0.

    >>> signed(5.0), signed(-2.5), signed(0.0)
    ('+5', '−2.5', '0')
    """
    return f"{value:+g}".replace("-", "\u2212") if value else "0"


def _water(sheet: place.Sheet, site: Site, words: Words, strokes: bool) -> None:
    """Water above the classes: its outline and, where no class is hatched, level strokes."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Polygon

    areas = [a for a in site.ground if a.water]
    for area in areas:
        sheet.axes.add_patch(Polygon(area.xy, closed=True, fill=False, edgecolor=WATER, lw=1.0, zorder=2))
        if strokes:
            place.hatch_water(sheet, area.xy)
    if areas:
        sheet.keys.append((Line2D([], [], color=WATER, lw=1.0), words("map.key_shore")))


def _cuts(sheet: place.Sheet, sections: Sequence[SectionResult], words: Words) -> None:
    """Lines of the vertical sections, named at their first end."""
    from matplotlib.lines import Line2D

    style: dict[str, Any] = {"color": INK, "lw": 0.9, "ls": (0, (7, 2, 1.5, 2))}
    for section in sections:
        (x0, y0), (x1, y1) = section.line
        sheet.axes.plot([x0, x1], [y0, y1], zorder=6, **style)
        if sheet.view.holds(x0, y0):
            sheet.text(x0, y0, shorten(section.id, 12), 7.5, style="italic")
    if sections:
        sheet.keys.append((Line2D([], [], **style), words("map.key_section")))


def class_keys(figure: Any, height_mm: float, base: float, shown: Shown, words: Words) -> None:
    """What the classes are, and a strip of them with their borders."""
    axes = figure.add_axes((0, 0, 1, 1), zorder=10)
    axes.set_axis_off()
    axes.set_xlim(0, TEXT_WIDTH_MM)
    axes.set_ylim(0, height_mm)
    left, top = 10.0, base + 3.0
    axes.text(left, top + 2.2, shown.legend, fontsize=8, va="center", weight=600)
    first, last = _drawn_range(shown)
    step = min(CLASS_MM, (TEXT_WIDTH_MM - left - 60.0) / (last - first))
    form = signed if shown.signed else plain
    for n, k in enumerate(range(first, last)):
        style, x = shown.styles[k], left + n * step
        axes.fill_between(
            [x, x + step], base - STRIP_MM, base, facecolor=style.colour or "white", edgecolor=INK, lw=0.4
        )
        for start in np.arange(-STRIP_MM, step, HATCH_MM) if style.hatched else ():
            low, high = max(start, 0.0), min(start + STRIP_MM, step)
            axes.plot([x + low, x + high], [base - STRIP_MM + v - start for v in (low, high)], color=INK, lw=0.3)
        if k > 0:
            axes.text(x, base - STRIP_MM - 0.4, form(shown.edges[k - 1]), fontsize=7.5, ha="center", va="top")
    end = left + (last - first) * step
    if last - 1 < len(shown.edges):
        axes.text(end, base - STRIP_MM - 0.4, form(shown.edges[last - 1]), fontsize=7.5, ha="center", va="top")
    axes.text(end + 2.0, base - STRIP_MM / 2, shown.unit, fontsize=7.5, va="center")


def _drawn_range(shown: Shown) -> tuple[int, int]:
    """First class and the one after the last of those in the legend; of levels, empty ones at the ends are left out."""
    used = [
        k
        for k, (band, style) in enumerate(zip(shown.bands, shown.styles, strict=True))
        if style.colour is not None and (shown.signed or not band.shape.is_empty)
    ]
    return used[0], used[-1] + 1

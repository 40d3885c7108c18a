"""Map sheets: choosing the view, and drawing what lies in it."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures.labels import Placer, text_size_mm
from lineside.figures.style import GREY, GROUND, INK, MM_PER_INCH, TEXT_WIDTH_MM, WATER, new_figure
from lineside.figures.words import Words, shorten
from lineside.results.model import (
    XY,
    BarrierInfo,
    BuildingInfo,
    CurveInfo,
    CutBarrier,
    GroundInfo,
    ReceiverResult,
    Site,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: A map shows everything unless the tracks reach this many times farther than what stands beside them.
FOCUS_RATIO = 2.5
FOCUS_MARGIN_M = 60.0
MAX_MAP_HEIGHT_MM = 165.0
MIN_MAP_HEIGHT_MM = 70.0
LEGEND_MM = 17.0
TICKS_MM = 6.0
MAX_RECEIVER_LABELS = 60
MAX_CURVE_LABELS = 8
BARRIER = "#7a1f12"
BUILDING, BUILDING_EDGE = "#cdc6bb", "#6b645a"
MAX_BUILDING_LABELS, BUILDING_PT = 60, 6.0
WHITE_UNDER = {"boxstyle": "square,pad=0.08", "facecolor": "white", "edgecolor": "none", "alpha": 0.8}


@dataclass(frozen=True)
class View:
    """The piece of the plan that a map shows, and its size on paper."""

    x_min: float
    x_max: float
    y_min: float
    y_max: float
    width_mm: float
    height_mm: float
    clipped: bool  # tracks go on beyond the edge

    def mm(self, x: float, y: float) -> XY:
        """Position on paper, from the lower left corner of the map."""
        scale = self.width_mm / (self.x_max - self.x_min)
        return (x - self.x_min) * scale, (y - self.y_min) * scale

    def plan(self, x_mm: float, y_mm: float) -> XY:
        """Position in the plan of a place on paper."""
        scale = (self.x_max - self.x_min) / self.width_mm
        return self.x_min + x_mm * scale, self.y_min + y_mm * scale

    def holds(self, x: float, y: float) -> bool:
        return self.x_min <= x <= self.x_max and self.y_min <= y <= self.y_max


@dataclass
class Sheet:
    """A map being drawn."""

    figure: Figure
    axes: Axes
    view: View
    placer: Placer
    keys: list[tuple[Any, str]] = field(default_factory=list)  # legend handles and their words

    def text(self, x: float, y: float, text: str, size: float = 7.5, **style: Any) -> None:
        """A label beside a mark at plan position (x, y)."""
        x_mm, y_mm = self.view.mm(x, y)
        cx, cy, far = self.placer.place(x_mm, y_mm, text, size)
        if far:
            xs, ys = zip((x, y), self.view.plan(cx, cy), strict=True)
            self.axes.plot(xs, ys, color=GREY, lw=0.4, zorder=7)
        self.axes.text(
            *self.view.plan(cx, cy),
            text,
            fontsize=size,
            ha="center",
            va="center",
            zorder=9,
            bbox=WHITE_UNDER,
            clip_on=True,
            **style,
        )


def choose_view(site: Site, receivers: Sequence[ReceiverResult]) -> View:
    """Everything, or the part beside the receivers where the tracks run far beyond."""
    near = [(r.x, r.y) for r in receivers] + [s.xy for s in site.stops]
    near += [p for barrier in site.barriers for p in barrier.xy]
    near += [p for building in site.buildings if building.n_receivers for ring in building.rings for p in ring]
    lines = [p for track in site.tracks for p in track.xy]
    focus = np.array(near or lines, dtype=np.float64)
    everything = np.array([*near, *lines], dtype=np.float64)
    low, high = everything.min(axis=0), everything.max(axis=0)
    focus_low, focus_high = focus.min(axis=0) - FOCUS_MARGIN_M, focus.max(axis=0) + FOCUS_MARGIN_M
    clipped = bool((high - low).max() > FOCUS_RATIO * (focus_high - focus_low).max())
    if clipped:
        low, high = focus_low, focus_high
    margin = 0.06 * float((high - low).max()) + 5.0
    return _on_paper(low - margin, high + margin, clipped)


def _on_paper(low: Array, high: Array, clipped: bool) -> View:
    """Fit a view on a sheet of the text's width: very flat ones are widened, tall ones printed narrower."""
    width_mm = TEXT_WIDTH_MM - 10.0
    dx, dy = (float(v) for v in high - low)
    wider = max(0.0, MIN_MAP_HEIGHT_MM / width_mm * dx - dy)
    height_mm = width_mm * (dy + wider) / dx
    if height_mm > MAX_MAP_HEIGHT_MM:
        width_mm = max(width_mm * MAX_MAP_HEIGHT_MM / height_mm, MIN_MAP_HEIGHT_MM)
        height_mm = MAX_MAP_HEIGHT_MM
    extra = max(0.0, dy * width_mm / height_mm - dx)
    return View(
        float(low[0]) - extra / 2,
        float(high[0]) + extra / 2,
        float(low[1]) - wider / 2,
        float(high[1]) + wider / 2,
        width_mm,
        height_mm,
        clipped,
    )


def view_of(low: XY, high: XY) -> View:
    """The view that shows exactly one rectangle of the plan, as large as the page allows."""
    (x0, y0), (x1, y1) = low, high
    width_mm = min(TEXT_WIDTH_MM - 10.0, MAX_MAP_HEIGHT_MM * (x1 - x0) / (y1 - y0))
    return View(x0, x1, y0, y1, width_mm, width_mm * (y1 - y0) / (x1 - x0), False)


def new_sheet(view: View, legend_mm: float = LEGEND_MM) -> Sheet:
    """A framed map with coordinates on its edge and room for the legend below."""
    height = view.height_mm + legend_mm + TICKS_MM
    figure = new_figure(TEXT_WIDTH_MM, height)
    axes = figure.add_axes(
        (
            10.0 / TEXT_WIDTH_MM,
            (legend_mm + TICKS_MM) / height - 0.5 / height,
            view.width_mm / TEXT_WIDTH_MM - 0.001,
            view.height_mm / height,
        )
    )
    axes.set_xlim(view.x_min, view.x_max)
    axes.set_ylim(view.y_min, view.y_max)
    axes.spines[["top", "right"]].set_visible(True)
    axes.tick_params(labelsize=6.5, length=2.5, pad=1.5, labelcolor=GREY)
    axes.ticklabel_format(style="plain", useOffset=False)
    axes.locator_params(nbins=6, prune="both")
    for label in axes.get_yticklabels():
        label.set(rotation=90, verticalalignment="center")
    return Sheet(figure, axes, view, Placer(view.width_mm, view.height_mm))


def along(xy: Sequence[XY], from_m: float, to_m: float, start_m: float, end_m: float) -> Array:
    """The part of a line between two chainages, ends included, (n, 2).

    ``from_m`` and ``to_m`` are the chainages of the line's ends.

    >>> along([(0.0, 0.0), (10.0, 0.0)], 100.0, 110.0, 102.0, 105.0).tolist()
    [[2.0, 0.0], [5.0, 0.0]]
    """
    line = np.array(xy, dtype=np.float64)
    run = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
    chainage = from_m + run * ((to_m - from_m) / run[-1] if run[-1] > 0 else 0.0)
    inside = chainage[(chainage > start_m) & (chainage < end_m)]
    wanted = np.concatenate(([start_m], inside, [end_m]))
    return np.column_stack([np.interp(wanted, chainage, line[:, k]) for k in (0, 1)])


def draw_ground(sheet: Sheet, areas: Sequence[GroundInfo], words: Words, names: bool = True) -> None:
    """Ground areas pale, water hatched with level strokes; hatch as lines, since patterns print badly."""
    from matplotlib.patches import Patch, Polygon

    for area in areas:
        edge = WATER if area.water else GREY
        sheet.axes.add_patch(
            Polygon(
                area.xy,
                closed=True,
                facecolor="white" if area.water else GROUND,
                alpha=0.7,
                edgecolor=edge,
                lw=0.6,
                zorder=1,
            )
        )
        if area.water:
            hatch_water(sheet, area.xy)
    if names:
        _name_areas(sheet, areas)
    if any(not area.water for area in areas):
        sheet.keys.append((Patch(facecolor=GROUND, edgecolor=GREY, lw=0.6), words("map.key_ground")))
    if any(area.water for area in areas):
        sheet.keys.append((Patch(facecolor="white", edgecolor=WATER, lw=0.6, hatch="---"), words("map.key_water")))


def _visible(view: View, ring: Sequence[XY]) -> Any:
    from shapely import Polygon, box, make_valid

    return make_valid(Polygon(ring)).intersection(box(view.x_min, view.y_min, view.x_max, view.y_max))


def hatch_water(sheet: Sheet, ring: Sequence[XY]) -> None:
    """Level strokes over water."""
    from matplotlib.collections import LineCollection
    from shapely import LineString, MultiLineString, get_coordinates, get_parts

    view = sheet.view
    step = 2.2 * (view.x_max - view.x_min) / view.width_mm
    rows = np.arange(view.y_min, view.y_max, step)
    lines = MultiLineString([LineString([(view.x_min, y), (view.x_max, y)]) for y in rows])
    parts = [get_coordinates(p) for p in get_parts(lines.intersection(_visible(view, ring)))]
    sheet.axes.add_collection(LineCollection([p for p in parts if len(p) == 2], colors=WATER, lw=0.35, zorder=1.5))


def _name_areas(sheet: Sheet, areas: Sequence[GroundInfo]) -> None:
    """Names stand inside their areas; one that finds no free place there is left to the table."""
    for area in areas:
        if area.name:
            style = {"bbox": WHITE_UNDER, "style": "italic", "color": GREY, "zorder": 8}
            _name_inside(sheet, area.xy, shorten(area.name, 24), 7.0, **style)


def _name_inside(sheet: Sheet, ring: Sequence[XY], name: str, size: float, **style: Any) -> None:
    """A name inside an outline, where a free place for it is found."""
    from shapely import contains_xy

    seen = _visible(sheet.view, ring)
    if seen.is_empty:
        return
    x_min, y_min, x_max, y_max = seen.bounds
    x, y = (v.ravel() for v in np.meshgrid(np.linspace(x_min, x_max, 25), np.linspace(y_min, y_max, 25)))
    inside = contains_xy(seen, x, y)
    spots = [(float(a), float(b)) for a, b in zip(x[inside], y[inside], strict=True)]
    found = sheet.placer.centre([sheet.view.mm(*spot) for spot in spots], name, size)
    if found is not None:
        sheet.axes.text(*sheet.view.plan(*found), name, fontsize=size, ha="center", va="center", **style)


def draw_tracks(sheet: Sheet, site: Site, words: Words, curves: bool = True) -> None:
    """Tracks as a dark line with a pale dashed core; curves as a grey band below."""
    from matplotlib.lines import Line2D

    shown = [c for c in site.curves if not c.turnout] if curves else []
    for curve in shown:
        line = of_curve(site, curve)
        sheet.axes.plot(line[:, 0], line[:, 1], color="#b9a27a", lw=6, alpha=0.65, zorder=2, solid_capstyle="butt")
    for track in site.tracks:
        x, y = np.array(track.xy, dtype=np.float64).T
        sheet.axes.plot(x, y, color=INK, lw=1.9, zorder=4, solid_capstyle="butt")
        sheet.axes.plot(x, y, color="white", lw=0.8, zorder=4.1, ls=(0, (3, 3)), dash_capstyle="butt")
        _keep_free(sheet, track.xy)
    sheet.keys.append((Line2D([], [], color=INK, lw=1.9), words("map.key_track")))
    if shown:
        sheet.keys.append((Line2D([], [], color="#b9a27a", lw=5, alpha=0.65), words("map.key_curve")))


def of_curve(site: Site, curve: CurveInfo) -> Array:
    """The line of a curve in the plan, (n, 2)."""
    track = next(t for t in site.tracks if t.id == curve.track)
    return along(track.xy, track.from_m, track.to_m, curve.from_m, curve.to_m)


def _keep_free(sheet: Sheet, line: Sequence[XY]) -> None:
    """Let labels avoid a line: block small squares along it."""
    view = sheet.view
    points = np.array(line, dtype=np.float64)
    for start, end in itertools.pairwise(points):
        a, b = view.mm(*start), view.mm(*end)
        n = max(1, int(np.hypot(b[0] - a[0], b[1] - a[1]) / 1.5))
        for s in np.linspace(0.0, 1.0, n, endpoint=False):
            x, y = a[0] + s * (b[0] - a[0]), a[1] + s * (b[1] - a[1])
            if 0 <= x <= view.width_mm and 0 <= y <= view.height_mm:
                sheet.placer.block(x, y, 0.6)


def label_tracks(sheet: Sheet, site: Site, words: Words) -> None:
    """Track ids near their ends, radii at the middle of curves."""
    view = sheet.view
    for track in site.tracks:
        visible = [p for p in track.xy if view.holds(*p)]
        if visible:
            x, y = visible[0]
            sheet.text(x, y, shorten(track.id, 14), 8, weight=600)
    smallest = sorted((c for c in site.curves if not c.turnout), key=lambda c: c.radius_m)[:MAX_CURVE_LABELS]
    for curve in smallest:
        line = of_curve(site, curve)
        x, y = line[len(line) // 2]
        if view.holds(x, y):
            sheet.text(x, y, words("map.radius", radius=f"{curve.radius_m:.0f}"), 7)


def draw_barriers(sheet: Sheet, site: Site, words: Words) -> None:
    """Barriers as heavy lines."""
    from matplotlib.lines import Line2D

    for barrier in site.barriers:
        x, y = np.array(barrier.xy, dtype=np.float64).T
        sheet.axes.plot(x, y, color="white", lw=5.6, zorder=4.9, solid_capstyle="butt")
        sheet.axes.plot(x, y, color=BARRIER, lw=3.2, zorder=5, solid_capstyle="butt")
        _keep_free(sheet, barrier.xy)
    if site.barriers:
        sheet.keys.append((Line2D([], [], color=BARRIER, lw=3.2), words("map.key_barrier")))


def label_barriers(sheet: Sheet, site: Site, words: Words) -> None:
    """Barrier ids with heights, at the middle of each."""
    for barrier in site.barriers:
        x, y = along(barrier.xy, 0.0, 1.0, 0.5, 0.5)[0]
        if sheet.view.holds(x, y):
            sheet.text(x, y, barrier_label(barrier, words), 7)


def barrier_label(barrier: BarrierInfo | CutBarrier, words: Words) -> str:
    """Id and height as given."""
    key = "map.barrier" if barrier.height_above == "ground" else "map.barrier_above_rail"
    return words(key, id=shorten(barrier.id, 14), height=f"{barrier.height_m:g}")


def draw_buildings(sheet: Sheet, site: Site, words: Words, names: bool = True) -> None:
    """Buildings as filled footprints with courtyards left open, under tracks and receivers; ids where there is room."""
    from matplotlib.collections import PathCollection
    from matplotlib.patches import Patch
    from matplotlib.path import Path

    paths = [Path.make_compound_path(*(Path([*r, r[0]], closed=True) for r in b.rings)) for b in site.buildings]
    style: dict[str, Any] = {"facecolor": BUILDING, "edgecolor": BUILDING_EDGE, "lw": 0.4}
    sheet.axes.add_collection(PathCollection(paths, zorder=3, **style), autolim=False)
    seen = [b for b in site.buildings if any(sheet.view.holds(*p) for p in b.rings[0])] if names else []
    if len(seen) <= MAX_BUILDING_LABELS:
        _name_buildings(sheet, seen)
    if site.buildings:
        sheet.keys.append((Patch(**style), words("map.key_building")))


def _name_buildings(sheet: Sheet, buildings: Sequence[BuildingInfo]) -> None:
    """Ids within footprints that have room for them, else close beside; none where one would cover anything."""
    from shapely import Polygon, box

    outlines = [Polygon([sheet.view.mm(*p) for p in b.rings[0]]) for b in buildings]
    names = [shorten(b.id, 12) for b in buildings]
    outside = []
    for name, outline in zip(names, outlines, strict=True):
        width, height = text_size_mm(name, BUILDING_PT)
        x, y = outline.centroid.x, outline.centroid.y
        room = box(x - width / 2, y - height / 2, x + width / 2, y + height / 2)
        spot = (x, y) if outline.is_valid and outline.contains(room) else None
        if spot is not None and sheet.placer.centre([spot], name, BUILDING_PT) is not None:
            _write(sheet, spot, name)
        else:
            outside.append((name, outline))
    for outline in outlines:
        sheet.placer.block_box(outline.bounds)
    for name, outline in outside:
        beside = sheet.placer.beside(outline.bounds, name, BUILDING_PT)
        if beside is not None:
            _write(sheet, beside, name)


def _write(sheet: Sheet, mm: XY, name: str) -> None:
    at = sheet.view.plan(*mm)
    sheet.axes.text(*at, name, fontsize=BUILDING_PT, ha="center", va="center", color=INK, zorder=3.5, clip_on=True)


def draw_stops(sheet: Sheet, site: Site, words: Words, names: bool = True) -> None:
    """Stops as open squares; one name per stop."""
    from matplotlib.lines import Line2D

    style: dict[str, Any] = {"marker": "s", "ls": "none", "color": INK, "mfc": "white", "mew": 1.1, "ms": 5.5}
    named: set[str] = set()
    for stop in site.stops:
        sheet.axes.plot([stop.xy[0]], [stop.xy[1]], zorder=6, **style)
        sheet.placer.block(*sheet.view.mm(*stop.xy), 1.2)
    for stop in site.stops:
        if names and stop.id not in named and sheet.view.holds(*stop.xy):
            sheet.text(*stop.xy, shorten(stop.name or stop.id, 26), 7.5, style="italic")
            named.add(stop.id)
    if site.stops:
        sheet.keys.append((Line2D([], [], **style), words("map.key_stop")))


def draw_receivers(sheet: Sheet, receivers: Sequence[ReceiverResult], words: Words) -> None:
    """Receivers as filled points with their ids (the most exposed ones only, where there are very many)."""
    from matplotlib.lines import Line2D

    style: dict[str, Any] = {"marker": "o", "ls": "none", "color": INK, "mec": "white", "mew": 0.7, "ms": 5.0}
    receivers = [r for r in receivers if sheet.view.holds(r.x, r.y)]
    sheet.axes.plot([r.x for r in receivers], [r.y for r in receivers], zorder=8, **style)
    for receiver in receivers:
        sheet.placer.block(*sheet.view.mm(receiver.x, receiver.y), 1.1)
    loudest = sorted(receivers, key=lambda r: -(r.lden_db if r.lden_db is not None else -np.inf))
    for receiver in loudest[:MAX_RECEIVER_LABELS]:
        sheet.text(receiver.x, receiver.y, shorten(receiver.id, 12), 7.5, weight=600)
    sheet.keys.append((Line2D([], [], **style), words("map.key_receiver")))


def draw_scale_and_north(sheet: Sheet, words: Words) -> None:
    """Scale bar and north arrow to the right of the legend, outside the map."""
    view, figure = sheet.view, sheet.figure
    width_in, height_in = figure.get_size_inches()
    width_mm, height_mm = width_in * MM_PER_INCH, height_in * MM_PER_INCH
    per_mm = (view.x_max - view.x_min) / view.width_mm
    length = max(s for s in (10.0**e * f for e in range(-1, 5) for f in (1, 2, 5)) if s / per_mm <= 34.0 or s <= 0.1)
    axes = figure.add_axes((0, 0, 1, 1), zorder=10)
    axes.set_axis_off()
    axes.set_xlim(0, width_mm)
    axes.set_ylim(0, height_mm)
    left, base = width_mm - 12.0 - length / per_mm, 5.0
    half = length / per_mm / 2
    for part, colour in ((0, INK), (1, "white")):
        axes.fill_between(
            [left + part * half, left + (part + 1) * half], base, base + 1.2, facecolor=colour, edgecolor=INK, lw=0.6
        )
    for part, label in enumerate(("0", f"{length / 2:g}", f"{length:g} m")):
        axes.text(left + part * half, base - 0.7, label, fontsize=7, ha="center", va="top")
    x = width_mm - 4.5
    axes.fill([x, x + 1.7, x, x - 1.7], [base + 5.6, base - 1.2, base + 0.4, base - 1.2], facecolor=INK, lw=0)
    axes.text(x, base + 6.0, words("map.north"), fontsize=8, ha="center", va="bottom", weight=600)


def draw_keys(sheet: Sheet, columns: int = 3, top_mm: float = LEGEND_MM) -> None:
    """The legend below the map, its upper edge ``top_mm`` above the lower edge of the sheet."""
    handles = [handle for handle, _ in sheet.keys]
    labels = [label for _, label in sheet.keys]
    height = sheet.figure.get_size_inches()[1] * MM_PER_INCH
    sheet.figure.legend(
        handles,
        labels,
        loc="upper left",
        ncols=columns,
        fontsize=7.5,
        handlelength=2.2,
        bbox_to_anchor=(8.0 / TEXT_WIDTH_MM, (top_mm + 1.0) / height),
        columnspacing=1.4,
        borderaxespad=0,
        borderpad=0,
        labelspacing=0.45,
    )

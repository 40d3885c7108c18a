"""The map: what lies in the place, the areas of level classes, and the receivers on facades."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import shapely

from lineside.figures.class_colours import ClassStyle, conflict_styles, difference_styles, level_styles
from lineside.figures.level_map import can_be_drawn, enough
from lineside.figures.place import choose_view
from lineside.figures.words import shorten
from lineside.report import maps
from lineside.report.causes import situation_words
from lineside.report.strings import Strings
from lineside.report.text import number
from lineside.results.contours import as_array, level_edges
from lineside.results.maps import map_bands
from lineside.results.model import BankInfo, BarrierInfo, Grid, MapResult, Results
from lineside.web.geometry import Frame

#: Quantities of the grid that the map offers.
GRID_QUANTITIES = ("lden", "lnight")
#: Borders of classes may move by this part of the spacing of the grid, so that the file stays small.
SMOOTH = 0.05
#: Labels of tracks keep this part of the width apart.
APART = 0.12

STYLES: dict[str, Callable[[Sequence[float]], list[ClassStyle]]] = {
    "levels": level_styles,
    "difference": difference_styles,
    "conflict": conflict_styles,
}


@dataclass(frozen=True)
class Area:
    """One class of a layer: path, colour (empty: not filled), words for the legend."""

    path: str
    colour: str
    hatched: bool
    words: str


@dataclass(frozen=True)
class Banks:
    """Earth banks: outlines and the middles of their crests."""

    outline: str = ""
    crest: str = ""


@dataclass(frozen=True)
class Layer:
    """A map of levels, differences or limits exceeded that can be switched on."""

    key: str
    title: str
    unit: str
    areas: tuple[Area, ...]
    barriers: str = ""  # that its measures add
    banks: Banks = Banks()


@dataclass(frozen=True)
class House:
    """A building; ``place``: its number among those with receivers on their facades, if it is one of them."""

    path: str
    place: int | None


@dataclass(frozen=True)
class Label:
    x: int
    y: int
    text: str


@dataclass(frozen=True)
class Plan:
    """All that is drawn but for the receivers themselves."""

    frame: Frame
    layers: tuple[Layer, ...]
    ground: str
    water: str
    tracks: str
    barriers: str
    banks: Banks
    houses: tuple[House, ...]
    labels: tuple[Label, ...]
    stops: tuple[Label, ...]
    dots: tuple[Area, ...]

    @property
    def hatch(self) -> int:
        """Distance of the lines of a hatch."""
        return max(self.frame.width // 110, 1)


def draw(results: Results, strings: Strings, words: Strings) -> Plan:
    """The plan of a results document."""
    frame = _frame(results)
    site = results.site
    places = {b.building: k for k, b in enumerate(results.facades.buildings)} if results.facades else {}
    return Plan(
        frame=frame,
        layers=tuple(_layers(results, frame, strings, words)),
        ground=frame.rings(area.xy for area in site.ground if not area.water),
        water=frame.rings(area.xy for area in site.ground if area.water),
        tracks="".join(frame.line(track.xy) for track in site.tracks),
        barriers=_barriers(site.barriers, frame),
        banks=_banks(site.banks, frame),
        houses=tuple(House(frame.rings(b.rings), places.get(b.id)) for b in site.buildings),
        labels=tuple(_track_labels(results, frame)),
        stops=tuple(_stops(results, frame)),
        dots=tuple(_dots(results, frame, words)),
    )


def _frame(results: Results) -> Frame:
    view = choose_view(results.site, results.receivers)
    x_min, x_max, y_min, y_max = view.x_min, view.x_max, view.y_min, view.y_max
    grid = results.grid
    if grid is not None and grid.x and grid.y:
        points = [(r.x, r.y) for r in results.receivers]
        x_min, x_max = min(grid.x[0], *(x for x, _ in points)), max(grid.x[-1], *(x for x, _ in points))
        y_min, y_max = min(grid.y[0], *(y for _, y in points)), max(grid.y[-1], *(y for _, y in points))
    return Frame(x_min, x_max, y_min, y_max)


def _layers(results: Results, frame: Frame, strings: Strings, words: Strings) -> list[Layer]:
    grid = results.grid
    if grid is None:
        return []
    out = []
    for quantity in GRID_QUANTITIES:
        name = quantity if quantity in grid.levels_db else quantity.removeprefix("l")
        if can_be_drawn(grid, name):
            values = grid.levels_db[name]
            edges = level_edges(as_array(values)).tolist()
            title = words(
                "map.layer",
                quantity=maps.quantity_words(quantity, None, results, strings),
                situation=situation_words(results.situation, strings),
                height=number(grid.height_m),
            )
            areas = _areas(results, grid, frame, values, edges, "levels", words)
            out.append(Layer(f"grid-{quantity}", title, strings("map.unit"), areas))
    for k, found in enumerate(results.maps):
        if found.edges_db and enough(grid, found.values_db):
            areas = _areas(results, grid, frame, found.values_db, found.edges_db, found.kind, words)
            unit = strings("map.unit" if found.kind == "levels" else f"map.unit_{found.kind}")
            new = (_barriers(found.new_barriers, frame), _banks(found.new_banks, frame))
            out.append(Layer(f"map-{k}", _title(found, results, strings), unit, areas, *new))
    return out


def _barriers(barriers: Sequence[BarrierInfo], frame: Frame) -> str:
    return "".join(frame.line(barrier.xy) for barrier in barriers)


def _banks(banks: Sequence[BankInfo], frame: Frame) -> Banks:
    return Banks(frame.rings(bank.xy for bank in banks), "".join(frame.line(bank.line) for bank in banks))


def _title(found: MapResult, results: Results, strings: Strings) -> str:
    if found.name:
        return shorten(found.name, 120)
    quantity = maps.quantity_words(found.quantity, found.window, results, strings)
    situation = maps.measured_situation(found, strings)
    if found.before is not None:
        before = situation_words(found.before, strings)
        return strings("maps.caption_difference", quantity=quantity, situation=situation, before=before)
    if found.limit is not None:
        limit = number(found.limit.limit_db)
        return strings("maps.caption_conflict", quantity=quantity, situation=situation, limit=limit)
    return strings("maps.caption_levels", quantity=quantity, situation=situation)


def _areas(
    results: Results,
    grid: Grid,
    frame: Frame,
    values: Sequence[Sequence[float | None]],
    edges: Sequence[float],
    kind: str,
    words: Strings,
) -> tuple[Area, ...]:
    bands = map_bands(grid, values, edges, results.site, known=kind == "difference")
    shapes = shapely.coverage_simplify([b.shape for b in bands], SMOOTH * grid.spacing_m)
    found = zip(shapes, STYLES[kind](edges), _class_words(edges, words), strict=True)
    return tuple(
        Area(frame.shape(shape), style.colour or "", style.hatched, text)
        for shape, style, text in found
        if not shape.is_empty and (style.colour is not None or style.hatched)
    )


def _class_words(edges: Sequence[float], words: Strings) -> list[str]:
    inner = [words("map.class_from", low=number(low), high=number(high)) for low, high in pairwise(edges)]
    return [
        words("map.class_below", edge=number(edges[0])),
        *inner,
        words("map.class_above", edge=number(edges[-1])),
    ]


def _track_labels(results: Results, frame: Frame) -> list[Label]:
    """Names of tracks in the middle of what is seen of them; of tracks side by side one."""
    out: list[Label] = []
    for track in results.site.tracks:
        seen = [frame.at(x, y) for x, y in _spread(track.xy) if _inside(frame, x, y)]
        if not seen:
            continue
        x, y = seen[len(seen) // 2]
        if all(math.hypot(x - other.x, y - other.y) > APART * frame.width for other in out):
            out.append(Label(x, y, shorten(track.name or track.id, 32)))
    return out


def _spread(xy: Sequence[tuple[float, float]], n: int = 100) -> list[tuple[float, float]]:
    line = shapely.LineString(xy)
    points = shapely.line_interpolate_point(line, [k / n for k in range(n + 1)], normalized=True)
    return [(float(p.x), float(p.y)) for p in points]


def _inside(frame: Frame, x: float, y: float) -> bool:
    return frame.x_min <= x <= frame.x_max and frame.y_min <= y <= frame.y_max


def _stops(results: Results, frame: Frame) -> list[Label]:
    """One mark for each track of a stop; the first carries its name."""
    out, named = [], set()
    for stop in results.site.stops:
        name = "" if stop.id in named else shorten(stop.name or stop.id, 32)
        named.add(stop.id)
        out.append(Label(*frame.at(*stop.xy), name))
    return out


def _dots(results: Results, frame: Frame, words: Strings) -> list[Area]:
    """Receivers on facades by class of Lden."""
    if results.facades is None or not results.facades.receivers.id:
        return []
    columns = results.facades.receivers
    levels = as_array([columns.lden_db])
    heard = [v for v in columns.lden_db if v is not None]
    if not heard:
        return []
    edges = level_edges(levels).tolist()
    classes: list[list[tuple[float, float]]] = [[] for _ in range(len(edges) + 1)]
    for x, y, level_db in zip(columns.x, columns.y, columns.lden_db, strict=True):
        silent = level_db is None
        classes[0 if silent else sum(level_db >= edge for edge in edges)].append((x, y))
    found = zip(classes, level_styles(edges), _class_words(edges, words), strict=True)
    return [Area(frame.dots(xy), style.colour or "", False, text) for xy, style, text in found if xy]

"""Maps and vertical sections that the project asks for: figures F6.M1 and following, and their areas."""

from __future__ import annotations

from lineside.figures.level_map import asked_map, enough
from lineside.figures.section_chart import exaggeration, section_chart
from lineside.figures.style import TEXT_WIDTH_MM
from lineside.figures.words import Words, clean, shorten
from lineside.report.causes import situation_words
from lineside.report.place_inputs import columns
from lineside.report.selection import criterion_titles, sentences
from lineside.report.strings import Strings
from lineside.report.text import difference, joined, level, metres, number
from lineside.report.views import Figure, Row, Table, drawn
from lineside.results.contours import as_array
from lineside.results.model import Grid, MapLimit, MapResult, Results, SectionResult

TABLE_ID = "T6.8"


def map_ids(results: Results) -> list[str]:
    """Ids of the figures, in the order of the project: maps, then sections."""
    return [f"F6.M{k}" for k in range(1, len(results.maps) + len(results.sections) + 1)]


def intro(results: Results, strings: Strings) -> str:
    """What all these maps have in common; empty where there are none."""
    if not results.maps:
        return ""
    expanded = number(results.uncertainty.expanded_db, 3)
    judges = strings("maps.judges_facades" if results.facades is not None else "maps.judges")
    return strings("maps.intro", expanded=expanded, judges=judges, table=TABLE_ID)


def figures(results: Results, strings: Strings) -> list[Figure]:
    """One figure for each map and section."""

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    ids = iter(map_ids(results))
    maps = [_map(next(ids), found, results, strings, words) for found in results.maps]
    return [*maps, *(_section(next(ids), found, results, strings, words) for found in results.sections)]


def quantity_words(quantity: str, window: str | None, results: Results, strings: Strings) -> str:
    """The symbol of a quantity with its clock hours."""
    symbol = strings.known("quantity", f"{quantity}_db")
    if window is not None:
        return strings("maps.with_hours", quantity=symbol, hours=window)
    hours = {f"l{p.name}": (p.from_hour, p.to_hour) for p in results.periods}
    if quantity not in hours:
        return symbol
    start, end = hours[quantity]
    return strings("maps.with_hours", quantity=symbol, hours=strings("period.clock", from_hour=start, to_hour=end))


def legend_words(
    quantity: str, window: str | None, situation: str, height_m: float, results: Results, strings: Strings
) -> str:
    """Quantity with its hours, situation (as printed) and height, for a legend."""
    return strings(
        "maps.legend",
        quantity=quantity_words(quantity, window, results, strings),
        situation=situation,
        height=number(height_m),
    )


def measured_situation(found: MapResult | SectionResult, strings: Strings) -> str:
    """The situation of a map or section, with its measures."""
    words = situation_words(found.situation, strings)
    if not found.measures:
        return words
    return strings("maps.with_measures", situation=words, measures=joined(found.measures))


def hectares(area_m2: float) -> str:
    """An area in hectares with one decimal.

    >>> hectares(12345.0), hectares(1.2e6), hectares(300.0), hectares(0.0)
    ('1.2 ha', '120.0 ha', '< 0.1 ha', '0 ha')
    """
    return f"{_hectares(area_m2)} ha"


def _hectares(area_m2: float) -> str:
    if area_m2 == 0.0:
        return "0"
    return "< 0.1" if area_m2 < 500.0 else f"{area_m2 / 1e4:.1f}"


def _map(figure_id: str, found: MapResult, results: Results, strings: Strings, words: Words) -> Figure:
    grid = results.grid
    caption = _caption(found, results, strings)
    if grid is None or not found.edges_db or not enough(grid, found.values_db):
        return Figure(figure_id, caption, "", "", TEXT_WIDTH_MM, empty=strings("maps.none"))
    legend = clean(_legend(found, grid, results, strings))
    picture = asked_map(grid, found, results.site, results.receivers, legend, words, results.sections)
    message = _message(found, strings)
    alt = strings(f"maps.alt_{found.kind}", what=legend, message=message, table=TABLE_ID)
    return drawn(figure_id, caption, alt, picture, sentences(message, _limit_note(found.limit, results, strings)))


def _caption(found: MapResult, results: Results, strings: Strings) -> str:
    if found.name:
        return shorten(found.name, 120)
    quantity = quantity_words(found.quantity, found.window, results, strings)
    situation = measured_situation(found, strings)
    if found.before is not None:
        before = situation_words(found.before, strings)
        return strings("maps.caption_difference", quantity=quantity, situation=situation, before=before)
    if found.limit is not None:
        limit = number(found.limit.limit_db)
        return strings("maps.caption_conflict", quantity=quantity, situation=situation, limit=limit)
    return strings("maps.caption_levels", quantity=quantity, situation=situation)


def _legend(found: MapResult, grid: Grid, results: Results, strings: Strings) -> str:
    legend = legend_words(
        found.quantity, found.window, measured_situation(found, strings), grid.height_m, results, strings
    )
    if found.before is not None:
        return strings(
            "maps.legend_difference",
            quantity=quantity_words(found.quantity, found.window, results, strings),
            situation=measured_situation(found, strings),
            before=situation_words(found.before, strings),
            height=number(grid.height_m),
        )
    if found.limit is not None:
        return strings("maps.legend_conflict", legend=legend, limit=number(found.limit.limit_db))
    return legend


def _message(found: MapResult, strings: Strings) -> str:
    """What a map says, in one sentence."""
    values = [v for row in found.values_db for v in row if v is not None]
    areas = dict(zip([None, *found.edges_db], found.area_m2, strict=True))
    if found.kind == "difference" and not any(values):
        return strings("maps.message_unchanged")
    if found.kind == "difference":
        middle = len(found.edges_db) // 2
        return strings(
            "maps.message_difference",
            quieter=hectares(sum(found.area_m2[:middle])),
            louder=hectares(sum(found.area_m2[middle + 1 :])),
            whole=hectares(sum(found.area_m2)),
            lowest=difference(min(values)),
            highest=difference(max(values)),
        )
    if found.kind == "conflict":
        over = sum(area for edge, area in areas.items() if edge is not None and edge >= 0.0)
        highest = max(values)
        if over == 0.0:
            return strings("maps.message_kept", below=level(-highest))
        return strings(
            "maps.message_conflict", over=hectares(over), whole=hectares(sum(found.area_m2)), highest=level(highest)
        )
    return strings("maps.message_levels", lowest=level(min(values)), highest=level(max(values)))


def _limit_note(limit: MapLimit | None, results: Results, strings: Strings) -> str:
    if limit is None:
        return ""
    if limit.criterion is None:
        said = strings("maps.limit_given", limit=number(limit.limit_db), source=limit.source)
    else:
        uses = [strings.known("use", limit.use or ""), *([limit.area] if limit.area else [])]
        said = strings(
            "maps.limit_of",
            criterion=criterion_titles(results).get(limit.criterion, limit.criterion),
            label=limit.label,
            limit=number(limit.limit_db),
            use=", ".join(uses),
        )
    moved = limit.threshold_db != limit.limit_db
    return sentences(
        said,
        strings("maps.limit_moved", threshold=number(limit.threshold_db)) if moved else "",
        strings("maps.limit_without_tones") if limit.without_tones else "",
    )


def _section(figure_id: str, found: SectionResult, results: Results, strings: Strings, words: Words) -> Figure:
    quantity = quantity_words(found.quantity, found.window, results, strings)
    situation = measured_situation(found, strings)
    caption = shorten(found.name, 120) or strings(
        "maps.caption_section", id=shorten(found.id, 20), quantity=quantity, situation=situation
    )
    heard = [v for row in found.levels_db for v in row if v is not None]
    if not found.edges_db or as_array(found.levels_db).shape[0] < 2 or len(heard) < 4:
        return Figure(figure_id, caption, "", "", TEXT_WIDTH_MM, empty=strings("maps.none"))
    legend = clean(strings("maps.legend_section", quantity=quantity, situation=situation))
    picture = section_chart(found, legend, words)
    ends = [f"({number(x)}, {number(y)})" for x, y in found.line]
    alt = strings(
        "maps.alt_section",
        what=legend,
        length=metres(found.distance_m[-1]),
        height=metres(found.height_m[-1]),
        tracks=len(found.tracks),
        barriers=len(found.barriers),
        buildings=len(found.buildings),
        lowest=level(min(heard)),
        highest=level(max(heard)),
    )
    factor = exaggeration(found)
    note = sentences(
        strings("maps.note_section", start=ends[0], end=ends[1], lowest=number(found.height_m[0])),
        strings("maps.exaggerated", factor=factor) if factor > 1 else "",
    )
    return drawn(figure_id, caption, alt, picture, note)


def table(results: Results, strings: Strings) -> Table:
    """T6.8: areas of the classes of all maps that the project asks for."""
    rows: list[Row] = []
    for figure_id, found in zip(map_ids(results), results.maps, strict=False):
        whole = sum(found.area_m2)
        rows.append(Row((f"{figure_id} {shorten(found.id, 30)}: {_caption(found, results, strings)}",), group=True))
        borders = [None, *found.edges_db, None]
        for k, area in enumerate(found.area_m2):
            if area > 0.0:
                class_db = _class(borders[k], borders[k + 1], strings)
                cells = (class_db, _hectares(area), f"{100 * area / whole:.1f}")
                rows.append(Row((figure_id, *cells)))
    head = columns(strings, figure="text", class_db="text", area_ha="num", share_pct="num")
    note = strings("maps.table_note") if rows else ""
    return Table(TABLE_ID, strings("maps.table"), head, tuple(rows), strings("maps.table_none"), note)


def _class(low: float | None, high: float | None, strings: Strings) -> str:
    """A class in words; the lowest and the highest are open."""
    if low is None and high is None:
        return ""
    if low is None:
        return strings("maps.class_below", edge=number(high))
    if high is None:
        return strings("maps.class_above", edge=number(low))
    return strings("maps.class_from", low=number(low), high=number(high))

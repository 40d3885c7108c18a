"""What would help: figure F7.2 and table T7.16, which part of a wall helps most."""

from __future__ import annotations

from lineside.figures.place_search_chart import place_search_chart
from lineside.figures.style import TEXT_WIDTH_MM
from lineside.figures.words import clean
from lineside.report.place_inputs import columns
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, metres, number
from lineside.report.views import Figure, Row, Table, drawn
from lineside.results.model import Results
from lineside.results.options import Money, PlaceOfWall, WallSearch

FIGURE_ID, TABLE_ID = "F7.2", "T7.16"


def figures(results: Results, strings: Strings) -> list[Figure]:
    """F7.2; none where no option is compared."""
    return [search_figure(results, strings)] if _measures(results) else []


def tables(results: Results, strings: Strings) -> list[Table]:
    """T7.16; none where no option is compared."""
    return [search_table(results, strings)] if _measures(results) else []


def _measures(results: Results) -> bool:
    return results.options is not None and bool(results.options.measures)


def search_figure(results: Results, strings: Strings) -> Figure:
    """Benefit by length and height; empty with the reason where nothing was looked for."""
    caption = strings("search.caption")
    found = results.options.places if results.options is not None else None
    if found is None:
        return Figure(FIGURE_ID, caption, "", "", TEXT_WIDTH_MM, empty=strings("search.none"))

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    best = max(found.chosen, key=lambda p: p.computed or 0.0, default=None)
    message = _nothing(found, strings) if best is None else _message(best, found, strings)
    heights = ", ".join(number(h) for h in sorted({p.height_m for p in found.best}))
    alt = strings("search.alt", message=message, heights=heights)
    caption = strings("search.caption_of", measure=found.measure)
    return drawn(FIGURE_ID, caption, alt, place_search_chart(found, words), message)


def _nothing(found: WallSearch, strings: Strings) -> str:
    """Why no part is chosen: none helps, or each by too little."""
    most = max(p.decibel_dwellings for p in found.best)
    if most < 0.005:
        return strings("search.nothing", measure=found.measure)
    return strings(
        "search.little",
        measure=found.measure,
        least=number(found.least),
        most=number(round(most, 2)),
        unit=strings(f"search.unit_{found.weighted_by}"),
    )


def _message(best: PlaceOfWall, found: WallSearch, strings: Strings) -> str:
    return strings(
        "search.message",
        measure=found.measure,
        share=number(round(100 * found.share)),
        length=metres(best.to_m - best.from_m),
        whole=metres(found.length_m),
        height=number(best.height_m),
        from_m=metres(best.from_m),
        to_m=metres(best.to_m),
    )


def search_table(results: Results, strings: Strings) -> Table:
    """For each height the shortest part that gives most of what the whole gives."""
    found = results.options.places if results.options is not None else None
    head = columns(
        strings,
        height_m="num",
        length_m="num",
        place_m="text",
        benefit_estimated="num",
        benefit_computed="num",
        benefit_whole="num",
        present_cost="text",
    )
    rows = () if found is None else tuple(_row(k, found, strings) for k in range(len(found.chosen)))
    note = (
        ""
        if found is None
        else strings(
            "search.note",
            share=number(round(100 * found.share)),
            gap=number(round(100 * found.largest_gap)),
            weight=strings(f"search.weight_{found.weighted_by}"),
        )
    )
    empty = strings("search.none") if found is None else _nothing(found, strings)
    return Table(TABLE_ID, strings("search.table"), head, rows, empty, note if rows else "")


def _row(k: int, found: WallSearch, strings: Strings) -> Row:
    place = found.chosen[k]
    most = max(p.decibel_dwellings for p in found.best if p.height_m == place.height_m)
    return Row(
        (
            number(place.height_m),
            metres(place.to_m - place.from_m),
            strings("search.range", from_m=metres(place.from_m), to_m=metres(place.to_m)),
            number(round(place.decibel_dwellings, 1)),
            NOTHING if place.computed is None else number(round(place.computed, 1)),
            number(round(most, 1)),
            NOTHING if place.cost is None else _money(place.cost, strings),
        )
    )


def _money(money: Money, strings: Strings) -> str:
    low, likely, high = (f"{round(v, -3):,.0f}".replace(",", "\u202f") for v in (money.low, money.likely, money.high))
    return strings("search.money", low=low, likely=likely, high=high, currency=money.currency)

"""Draws the figures of the report and describes each one in words."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from lineside.figures.charts import MAX_SERVICES_PER_PANEL, MAX_SPECTRUM_PANELS, parts_chart, spectrum_chart
from lineside.figures.charts import speed_chart as draw_speeds
from lineside.figures.level_map import can_be_drawn, level_map
from lineside.figures.place import choose_view
from lineside.figures.site_map import site_map
from lineside.figures.style import TEXT_WIDTH_MM
from lineside.figures.words import clean, shorten
from lineside.report import causes, in_time, maps, option_figure, place_search, sure, tones, tones_in_time
from lineside.report.causes import situation_words
from lineside.report.result_tables import PartsOf, figure_receivers
from lineside.report.selection import (
    OTHERS,
    largest_parts,
    mechanism_names,
    period_names,
    service_names,
    shown_parts,
    with_others,
)
from lineside.report.strings import Strings
from lineside.report.text import metres, number, whole
from lineside.report.views import Figure, drawn
from lineside.results.contours import as_array, level_edges
from lineside.results.model import Results

#: Keys of the grid's levels that each map may use, the first one present.
MAP_QUANTITIES = {"F6.1": ("lden", ("lden", "lden_db")), "F6.2": ("lnight", ("lnight", "lnight_db", "night"))}


def figures(results: Results, strings: Strings) -> list[Figure]:
    """All figures in the order of their ids."""
    stretches = {s.id: f"{s.id} {s.label}".strip() for s in results.site.stretches}
    return [
        _place(results, strings),
        _speeds(results, strings),
        _map("F6.1", results, strings),
        _map("F6.2", results, strings),
        _spectra(results, strings),
        _parts(
            "F6.4",
            "T6.10",
            "mechanisms",
            lambda r: r.by_mechanism_db,
            mechanism_names(results, strings),
            results,
            strings,
        ),
        _parts("F6.5", "T6.11", "services", lambda r: r.by_service_db, service_names(results), results, strings),
        _parts("F6.6", "T6.12", "stretches", lambda r: r.by_stretch_db, stretches, results, strings),
        in_time.figure(results, strings),
        tones.figure(results, strings),
        causes.figure(results, strings),
        tones_in_time.figure(results, strings),
        *maps.figures(results, strings),
        option_figure.figure(results, strings),
        *place_search.figures(results, strings),
        sure.figure(results, strings),
    ]


def _absent(figure_id: str, caption: str, why: str) -> Figure:
    return Figure(figure_id, caption, "", "", TEXT_WIDTH_MM, empty=why)


def _words(strings: Strings) -> Callable[..., str]:
    """Wording for figures, with names cleaned as the templates clean them."""

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    return words


def _place(results: Results, strings: Strings) -> Figure:
    site, receivers = results.site, results.receivers
    view = choose_view(site, receivers)
    alt = strings(
        "place.map_alt",
        width=metres(view.x_max - view.x_min),
        height=metres(view.y_max - view.y_min),
        tracks=len(site.tracks),
        curves=sum(not c.turnout for c in site.curves),
        stops=len({s.id for s in site.stops}),
        receivers=len(receivers),
        barriers=len(site.barriers),
        buildings=len(site.buildings),
        ground=len(site.ground),
        joints=sum(j.what == "joints" for j in site.joints),
        turnouts=sum(j.what == "turnout" for j in site.joints),
    )
    note = (strings("place.map_clipped") if view.clipped else "") + strings("place.map_note")
    return drawn("F2.1", strings("place.map"), alt, site_map(site, receivers, _words(strings)), note)


def _speeds(results: Results, strings: Strings) -> Figure:
    site = results.site
    if not site.services:
        return _absent("F5.1", strings("inputs.speed"), strings("inputs.speed_none"))
    details = [
        strings(
            "inputs.speed_alt_service",
            service=s.name or s.id,
            track=s.track,
            low=whole(min(s.profile.speed_km_h)),
            high=whole(max(s.profile.speed_km_h)),
        )
        for s in site.services
        if s.profile.speed_km_h
    ]
    return drawn(
        "F5.1",
        strings("inputs.speed"),
        strings("inputs.speed_alt", details=" ".join(details[:12])),
        draw_speeds(site, _words(strings)),
        strings("inputs.speed_note", n=MAX_SERVICES_PER_PANEL),
    )


def _map(figure_id: str, results: Results, strings: Strings) -> Figure:
    name, candidates = MAP_QUANTITIES[figure_id]
    grid = results.grid
    height = number(grid.height_m) if grid is not None else ""
    caption = strings(f"results.map_{name}", height=height, situation=situation_words(results.situation, strings))
    quantity = next((q for q in candidates if can_be_drawn(grid, q)), None)
    if grid is None or quantity is None:
        return _absent(figure_id, caption.partition(",")[0], strings("results.map_none"))
    edges = level_edges(as_array(grid.levels_db[quantity]))
    alt = strings(
        "results.map_alt",
        quantity=strings.known("quantity", f"{name}_db"),
        spacing=number(grid.spacing_m),
        low=number(edges[0]),
        high=number(edges[-1]),
    )
    legend = clean(
        maps.legend_words(name, None, situation_words(results.situation, strings), grid.height_m, results, strings)
    )
    picture = level_map(grid, quantity, results.site, results.receivers, legend, _words(strings), results.sections)
    tables = strings("results.levels_in_facades" if results.facades is not None else "results.levels_in")
    note = strings("results.map_note", spacing=number(grid.spacing_m), tables=tables)
    note += strings("results.map_inside") if grid.n_inside else ""
    note += strings("results.map_on_track") if grid.n_on_track else ""
    return drawn(figure_id, caption, alt, picture, note)


def _spectra(results: Results, strings: Strings) -> Figure:
    receivers = figure_receivers(results)[:MAX_SPECTRUM_PANELS]
    caption = strings("results.spectra_figure")
    if not receivers:
        return _absent("F6.3", caption, strings("summary.silent"))
    alt = strings("results.spectra_alt", ids=", ".join(r.id for r in receivers))
    picture = spectrum_chart(receivers, period_names(results, strings), _words(strings))
    return drawn("F6.3", caption, alt, picture, strings("results.spectra_figure_note"))


def _parts(
    figure_id: str,
    table_id: str,
    what: str,
    parts_of: PartsOf,
    names: Mapping[str, str],
    results: Results,
    strings: Strings,
) -> Figure:
    receivers = figure_receivers(results)
    shown, n_others = shown_parts([parts_of(r).get("lden", {}) for r in results.receivers])
    caption = strings(f"results.{what}")
    if not shown or not receivers:
        return _absent(figure_id, caption, strings("results.parts_none"))
    parts = {r.id: with_others(parts_of(r).get("lden", {}), shown) for r in receivers}
    printed = {n: clean(names.get(n, n)) for n in shown}
    if n_others:
        printed[OTHERS] = strings("charts.others", n=n_others)
    picture = parts_chart(receivers, parts, printed, _words(strings))
    top = receivers[0]
    first = largest_parts([{n: v for n, v in parts[top.id].items() if n != OTHERS}], 1)[0]
    details = strings(
        "results.parts_alt_receiver",
        id=top.id,
        part=shorten(names.get(first, first), 60),
        level=whole(parts[top.id][first]),
        total=whole(top.lden_db),
    )
    alt = strings("results.parts_alt", n=len(receivers), details=details, table=table_id)
    cut = len(receivers) < len(results.receivers)
    note = strings("results.receivers_capped", n=len(receivers)) if cut else ""
    return drawn(figure_id, caption, alt, picture, note)

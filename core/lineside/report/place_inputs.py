"""Tables of section 2 (the place and the works) and section 5 (inputs)."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping
from typing import Any, Literal

from lineside.report.selection import MAX_ROWS, capped_note, of_project, period_names, printed_receivers, sentences
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, joined, metres, number
from lineside.report.views import Column, Row, Table
from lineside.report.wording import class_name
from lineside.results.model import BankInfo, BarrierInfo, EarthworkInfo, FavourableInfo, Results, Site, WorkInfo


def tables(results: Results, strings: Strings) -> list[Table]:
    """All tables of both sections."""
    makers = (
        _receivers,
        _works,
        _stretches,
        _curves,
        _services,
        _units,
        _vehicles,
        _air,
        _ground,
        _barriers,
        _earthworks,
        _banks,
        _assumptions,
    )
    return [make(results, strings) for make in makers]


def columns(strings: Strings, **kinds: Literal["text", "num", "hash"]) -> tuple[Column, ...]:
    """Columns by key of their heading: ``name="text"``, ``from_m="num"``."""
    return tuple(Column(strings(f"col.{key}"), kind) for key, kind in kinds.items())


def _receivers(results: Results, strings: Strings) -> Table:
    shown = printed_receivers(results)
    rows = tuple(
        Row(
            (
                r.id,
                r.name,
                strings.known("use", r.use),
                r.area or NOTHING,
                str(r.dwellings),
                str(r.persons),
                metres(r.x, 1),
                metres(r.y, 1),
                number(r.height_m),
                metres(r.distance_m),
                r.nearest_track,
            )
        )
        for r in shown
    )
    head = columns(
        strings,
        id="text",
        name="text",
        use="text",
        area="text",
        dwellings="num",
        persons="num",
        x="num",
        y="num",
        height_m="num",
        distance_m="num",
        nearest="text",
    )
    return Table(
        "T2.1",
        strings("place.receivers"),
        head,
        rows,
        strings("report.none_given"),
        capped_note(strings, len(shown), len(results.receivers)),
    )


def _works(results: Results, strings: Strings) -> Table:
    rows = tuple(
        Row((w.date, strings.known("work", w.kind), w.track, metres(w.from_m), metres(w.to_m), _about(w, strings)))
        for w in results.site.works
    )
    head = columns(strings, date="text", kind="text", track="text", from_m="num", to_m="num", description="text")
    note = strings("place.works_note" if results.timeline is None else "place.works_computed") if rows else ""
    return Table("T2.3", strings("place.works"), head, rows[:MAX_ROWS], strings("place.works_none"), note)


def _about(work: WorkInfo, strings: Strings) -> str:
    """What is known of a work, what it changes, and until when."""
    known = [f"{key.replace('_', ' ')} {_said(value)}" for key, value in work.details.items()]
    changed = [f"{key.replace('_', ' ')} {_said(value)}" for key, value in work.changes.items()]
    parts = [
        work.description,
        joined(known),
        strings("place.work_changes", changes=joined(changed)) if changed else "",
        strings("place.work_until", date=work.until) if work.until else "",
    ]
    return joined((p for p in parts if p), "; ") or NOTHING


def _said(value: str | float) -> str:
    return value.replace("_", " ") if isinstance(value, str) else number(value)


def _stretches(results: Results, strings: Strings) -> Table:
    def radius(value: float | None, given: bool) -> str:
        return strings("inputs.straight") if value is None else metres(value) + (" †" if given else "")

    rows = tuple(
        Row(
            (
                s.id,
                s.label or NOTHING,
                metres(s.from_m),
                metres(s.to_m),
                class_name(s.form, strings),
                class_name(s.transfer, strings),
                class_name(s.rail_roughness, strings),
                number(s.joints_per_100_m),
                class_name(s.bridge, strings),
                number(s.speed_limit_km_h),
                radius(s.radius_m, s.radius_given),
            )
        )
        for s in results.site.stretches
    )
    head = columns(
        strings,
        stretch="text",
        label="text",
        from_m="num",
        to_m="num",
        form="text",
        transfer="text",
        roughness="text",
        joints="num",
        bridge="text",
        limit_km_h="num",
        radius_m="num",
    )
    return capped("T5.1", strings("inputs.stretches"), head, rows, strings, strings("inputs.stretches_note"))


def capped(
    table_id: str,
    caption: str,
    head: tuple[Column, ...],
    rows: tuple[Row, ...],
    strings: Strings,
    note: str = "",
    empty: str = "",
) -> Table:
    """A table of at most ``MAX_ROWS`` rows that says so where it is cut."""
    cut = strings("report.capped", shown=MAX_ROWS, total=len(rows)) if len(rows) > MAX_ROWS else ""
    return Table(
        table_id,
        caption,
        head,
        rows[:MAX_ROWS],
        empty or strings("report.none_given"),
        " ".join(p for p in (note, cut) if p),
    )


def _curves(results: Results, strings: Strings) -> Table:
    def origin(given: bool, turnout: bool) -> str:
        return strings("col.turnout" if turnout else ("col.given" if given else "col.derived"))

    rows = tuple(
        Row((c.track, metres(c.from_m), metres(c.to_m), metres(c.radius_m), origin(c.given, c.turnout)))
        for c in sorted(results.site.curves, key=lambda c: (c.track, c.from_m))
    )
    head = columns(strings, track="text", from_m="num", to_m="num", radius_m="num", origin="text")
    return capped("T5.2", strings("inputs.curves"), head, rows, strings)


def _services(results: Results, strings: Strings) -> Table:
    periods = period_names(results, strings)
    rows = tuple(
        Row(
            (
                s.name or s.id,
                s.track,
                strings.known("direction", s.direction),
                s.unit,
                metres(s.train_length_m),
                str(s.n_axles),
                s.pattern,
                *(number(round(s.trains.get(p, 0.0), 2)) for p in periods),
            )
        )
        for s in results.site.services
    )
    head = (
        *columns(
            strings,
            service="text",
            track="text",
            direction="text",
            unit="text",
            length_m="num",
            axles="num",
            pattern="text",
        ),
        *(Column(name, "num") for name in periods.values()),
    )
    return capped("T5.3", strings("inputs.services"), head, rows, strings, strings("inputs.services_note"))


def _units(results: Results, strings: Strings) -> Table:
    def vehicles(unit: Mapping[str, Any]) -> str:
        return joined(f"{v.get('count', 1)} × {v.get('vehicle')}" for v in unit.get("vehicles", []))

    rows = tuple(Row((str(u.get("id")), vehicles(u))) for u in of_project(results, "units", default=[]))
    return capped("T5.4", strings("inputs.units"), columns(strings, unit="text", vehicles="text"), rows, strings)


def _vehicles(results: Results, strings: Strings) -> Table:
    classes = ("wheel_roughness", "contact_filter", "vehicle_transfer", "traction")
    rows = tuple(
        Row(
            (
                str(v.get("id")),
                strings.known("kind", str(v.get("kind"))),
                number(v.get("length_m")),
                number(v.get("n_axles")),
                number(v.get("max_speed_km_h")),
                *(class_name(v.get(c), strings) for c in classes),
            )
        )
        for v in of_project(results, "vehicles", default=[])
    )
    head = columns(
        strings,
        id="text",
        kind="text",
        length_m="num",
        axles="num",
        speed_km_h="num",
        wheel_roughness="text",
        contact_filter="text",
        vehicle_transfer="text",
        traction="text",
    )
    return capped("T5.5", strings("inputs.vehicles"), head, rows, strings, strings("inputs.vehicles_note"))


def _air(results: Results, strings: Strings) -> Table:
    air = of_project(results, "site", "air", default={})
    entries = [
        (strings("inputs.temperature"), f"{number(air.get('temperature_deg_c'))} °C"),
        (strings("inputs.humidity"), f"{number(air.get('humidity_pct'))} %"),
        (strings("inputs.pressure"), f"{number(air.get('pressure_kpa'))} kPa"),
        *_favourable(results, strings),
    ]
    note = strings("inputs.air_note") if len(results.site.favourable) > 1 else ""
    return Table(
        "T5.6",
        strings("inputs.air"),
        columns(strings, quantity="text", value="num"),
        tuple(Row(e) for e in entries),
        strings("report.none_given"),
        note,
    )


def _favourable(results: Results, strings: Strings) -> list[tuple[str, str]]:
    """One entry per range of directions with equal shares, with the shares of all periods."""
    runs: list[FavourableInfo] = []
    for sector in results.site.favourable:
        if runs and runs[-1].share == sector.share:
            runs[-1] = runs[-1].model_copy(update={"to_deg": sector.to_deg})
        else:
            runs.append(sector)
    out = []
    for run in runs:
        key = "inputs.favourable" if len(runs) == 1 else "inputs.favourable_sector"
        words = strings(key, from_deg=number(run.from_deg), to_deg=number(run.to_deg))
        shares = (f"{strings.known('period', p.name)} {number(run.share[p.name], 3)}" for p in results.periods)
        out.append((words, joined(shares)))
    return out


def _ground(results: Results, strings: Strings) -> Table:
    site = results.site
    rows = tuple(Row((a.id, a.name or NOTHING, a.surface or NOTHING, number(a.g))) for a in site.ground)
    note = strings("inputs.ground_note", surface=site.default_ground, g=number(site.default_g))
    head = columns(strings, id="text", name="text", surface="text", g="num")
    return capped("T5.7", strings("inputs.ground"), head, rows, strings, note)


def _barriers(results: Results, strings: Strings) -> Table:
    rows = tuple(
        Row(
            (
                b.id,
                b.name or NOTHING,
                _surface(b, strings),
                _height(b, strings),
                metres(sum(math.dist(*pair) for pair in itertools.pairwise(b.xy))),
                *(metres(v, 1) for end in (b.xy[0], b.xy[-1]) for v in end),
            )
        )
        for b in results.site.barriers
    )
    head = columns(
        strings,
        id="text",
        name="text",
        surface="text",
        height_m="num",
        length_m="num",
        start_x="num",
        start_y="num",
        end_x="num",
        end_y="num",
    )
    return capped("T5.8", strings("inputs.barriers"), head, rows, strings)


def _surface(barrier: BarrierInfo, strings: Strings) -> str:
    known, shares = strings.known("surface", barrier.surface), barrier.absorption
    if shares is None:
        return known
    low, high = number(min(shares)), number(max(shares))
    return strings("inputs.absorption", surface=known, share=low if low == high else f"{low}–{high}")


def _height(barrier: BarrierInfo, strings: Strings) -> str:
    height = number(barrier.height_m)
    return height if barrier.height_above == "ground" else strings("inputs.above_rail", height=height)


def ground_words(site: Site, strings: Strings) -> str:
    """What the ground is, as part of a sentence."""
    terrain = site.terrain
    if terrain is None:
        words = strings("place.plain", level=number(site.ground_level_m))
    else:
        words = strings(
            f"place.terrain_{terrain.kind}",
            files=joined(terrain.files),
            step=number(terrain.step_m),
            low=metres(terrain.low_m, 1),
            high=metres(terrain.high_m, 1),
        )
    return strings("place.with_earthworks", ground=words) if site.earthworks else words


def _earthworks(results: Results, strings: Strings) -> Table:
    def side(work: EarthworkInfo, ratio: float | None) -> str:
        if work.kind == "viaduct":
            return strings("inputs.deck")
        return strings("inputs.wall") if ratio is None else strings("inputs.slope", ratio=number(ratio))

    rows = tuple(
        Row(
            (
                w.id,
                strings.known("earthwork", w.kind),
                joined(w.tracks),
                metres(w.from_m),
                metres(w.to_m),
                side(w, w.left_ratio),
                side(w, w.right_ratio),
                number(w.ballast_half_width_m),
                number(w.ballast_below_rail_m),
                number(w.formation_edge_m),
                number(w.formation_below_rail_m),
                metres(w.low_m, 1),
                metres(w.high_m, 1),
            )
        )
        for w in results.site.earthworks
    )
    head = columns(
        strings,
        id="text",
        kind="text",
        earthwork_tracks="text",
        from_m="num",
        to_m="num",
        left="text",
        right="text",
        ballast_edge="num",
        ballast_below="num",
        formation_edge="num",
        formation_below="num",
        above_low="num",
        above_high="num",
    )
    works = results.site.earthworks
    sunk = [w.id for w in works if w.kind == "embankment" and w.high_m < 0]
    raised = [w.id for w in works if w.kind == "cutting" and w.low_m > 0]
    note = sentences(
        strings("inputs.earthworks_note") if rows else "",
        strings("inputs.sunk_embankments", ids=joined(sunk)) if sunk else "",
        strings("inputs.raised_cuttings", ids=joined(raised)) if raised else "",
    )
    return capped("T5.9", strings("inputs.earthworks"), head, rows, strings, note, strings("inputs.earthworks_none"))


def _banks(results: Results, strings: Strings) -> Table:
    def row(b: BankInfo) -> Row:
        length = sum(math.dist(*pair) for pair in itertools.pairwise(b.line))
        g = strings("inputs.by_ground") if b.g is None else number(b.g)
        sizes = (number(b.height_m), number(b.crest_width_m), strings("inputs.slope", ratio=number(b.slope_ratio)))
        return Row((b.id, b.name or NOTHING, *sizes, g, metres(length), *(metres(v, 1) for v in b.top_z_m)))

    head = columns(
        strings,
        id="text",
        name="text",
        height_m="num",
        crest_m="num",
        slopes="text",
        g="num",
        length_m="num",
        crest_low="num",
        crest_high="num",
    )
    rows = tuple(row(b) for b in results.site.banks)
    return capped("T5.10", strings("inputs.banks"), head, rows, strings, empty=strings("inputs.banks_none"))


def _assumptions(results: Results, strings: Strings) -> Table:
    rows = tuple(Row((n.origin, n.text, n.standing)) for n in results.notes if n.kind == "assumption")
    head = columns(strings, calculator="text", assumption="text", standing="text")
    none = strings("inputs.assumptions_none")
    return capped("T5.12", strings("inputs.assumptions"), head, rows, strings, empty=none)

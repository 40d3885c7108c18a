"""Tables of buildings: levels at their facades, who is exposed, limits; and what the summary says of them."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.report import sure
from lineside.report.place_inputs import columns
from lineside.report.result_tables import rounded
from lineside.report.selection import (
    MAX_ROWS,
    capped_note,
    criterion_natures,
    criterion_titles,
    period_names,
    quantity_name,
    sentences,
    value,
)
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, difference, joined, level, level_before, number
from lineside.report.views import Column, Row, Table
from lineside.results.model import BuildingInfo, BuildingLevels, ExposureBand, Facades, Finding, Results


def tables(results: Results, strings: Strings) -> list[Table]:
    """T2.2 and T6.4 to T6.6."""
    return [
        _buildings(results, strings),
        _levels(results, strings),
        _exposure(results, strings),
        _findings(results, strings),
    ]


def _infos(results: Results) -> dict[str, BuildingInfo]:
    return {b.id: b for b in results.site.buildings}


def _loudest(facades: Facades) -> list[BuildingLevels]:
    """The most exposed buildings, in the order of the project."""
    order = sorted(facades.buildings, key=lambda b: -value(b.highest_db["lden"]))
    kept = {b.building for b in order[:MAX_ROWS]}
    return [b for b in facades.buildings if b.building in kept]


def _buildings(results: Results, strings: Strings) -> Table:
    every = results.site.buildings
    heard = {b.building: value(b.highest_db["lden"]) for b in results.facades.buildings} if results.facades else {}
    order = sorted(every, key=lambda b: (-heard.get(b.id, value(None)), -b.height_m))
    kept = {b.id for b in order[:MAX_ROWS]}
    rows = tuple(
        Row(
            (
                b.id,
                b.name if b.name != b.id else NOTHING,
                strings.known("use", b.use),
                b.area or NOTHING,
                number(b.height_m, 4),
                str(b.floors),
                number(round(b.dwellings, 1)),
                number(round(b.persons, 1)),
                _absorbed(b.absorption, strings),
            )
        )
        for b in every
        if b.id in kept
    )
    head = columns(
        strings,
        building="text",
        name="text",
        use="text",
        area="text",
        height_m="num",
        floors="num",
        dwellings="num",
        persons="num",
        absorption="num",
    )
    note = sentences(strings("buildings.note") if rows else "", capped_note(strings, len(rows), len(every)))
    return Table("T2.2", strings("buildings.buildings"), head, rows, strings("buildings.none"), note)


def _absorbed(octaves: Sequence[float], strings: Strings) -> str:
    low, high = min(octaves), max(octaves)
    return number(low, 3) if low == high else strings("buildings.from_to", low=number(low, 3), high=number(high, 3))


def _levels(results: Results, strings: Strings) -> Table:
    facades, infos, periods = results.facades, _infos(results), period_names(results, strings)
    shown = _loudest(facades) if facades is not None else []
    rows = tuple(
        Row(
            (
                b.building,
                strings.known("use", infos[b.building].use),
                number(round(infos[b.building].dwellings, 1)),
                *(level(b.highest_db.get(p)) for p in periods),
                level(b.highest_db["lden"]),
                b.highest_at["lden"].partition("/")[2] if b.highest_at["lden"].startswith(b.building) else NOTHING,
                level(b.lowest_front_db),
                NOTHING if b.quiet_facade is None else strings("report.yes" if b.quiet_facade else "report.no"),
                *((_interval(b, strings),) if results.sure else ()),
            )
        )
        for b in shown
    )
    head = (
        *columns(strings, building="text", use="text", dwellings="num"),
        *(Column(strings("col.laeq", period=name), "num") for name in periods.values()),
        *columns(strings, lden="num", facade_at="text", front_lden="num", quiet="text"),
        *(columns(strings, interval_lden="num") if results.sure else ()),
    )
    note = ""
    if facades is not None:
        note = sentences(
            strings("buildings.levels_note", n=len(facades.receivers.id)),
            strings("sure.facade_note", n=sum(bool(b.interval_db) for b in facades.buildings)) if results.sure else "",
            strings("buildings.left_out", db=number(facades.left_out_db, 2)) if facades.left_out_db >= 0.005 else "",
            strings("buildings.bare", ids=joined(facades.bare[:20])) if facades.bare else "",
            capped_note(strings, len(rows), len(facades.buildings)),
        )
    return Table("T6.4", strings("buildings.levels"), head, rows, strings("buildings.levels_none"), note)


def _interval(building: BuildingLevels, strings: Strings) -> str:
    low, high = building.interval_db.get("lden", (None, None))
    return sure.interval(low, high, strings)


def _exposure(results: Results, strings: Strings) -> Table:
    facades = results.facades
    rows: list[Row] = []
    for quantity in ("lden", "lnight"):
        own = [band for band in facades.exposure if band.quantity == quantity] if facades is not None else []
        if own:
            rows.append(Row((strings(f"quantity.{quantity}_db"),), group=True))
            rows += [_band(band, strings) for band in own]
            rows.append(_total(own, strings))
    rows += _above_limits(results, strings)
    head = columns(
        strings,
        band="text",
        dwellings="num",
        persons="num",
        quiet_dwellings="num",
        quiet_persons="num",
        sensitive="num",
    )
    note = ""
    if facades is not None:
        others = facades.other_dwellings or facades.other_persons
        note = sentences(
            strings("buildings.exposure_note"),
            strings("buildings.above_limits_note") if facades.above_limits else "",
            strings("buildings.without_tones") if any(a.without_tones for a in facades.above_limits) else "",
            strings(
                "buildings.others",
                dwellings=number(round(facades.other_dwellings, 1)),
                persons=number(round(facades.other_persons, 1)),
            )
            if others
            else "",
            strings("buildings.listed_apart") if any(r.dwellings or r.persons for r in results.receivers) else "",
        )
    return Table("T6.5", strings("buildings.exposure"), head, tuple(rows), strings("buildings.levels_none"), note)


def _above_limits(results: Results, strings: Strings) -> list[Row]:
    """Who lives above each limit, by criterion."""
    limits = results.facades.above_limits if results.facades is not None else []
    titles, natures = criterion_titles(results), criterion_natures(results)
    rows: list[Row] = []
    for criterion in dict.fromkeys(limit.criterion for limit in limits):
        own = [limit for limit in limits if limit.criterion == criterion]
        nature = natures[criterion]
        rows.append(Row((titles[criterion] + (f" [{nature}]" if nature else ""),), group=True))
        labels = [(limit.quantity, limit.window, limit.limit_db) for limit in own]
        for limit, label in zip(own, labels, strict=True):
            words = strings(
                "buildings.above_limit", quantity=quantity_name(limit, strings), limit=number(limit.limit_db)
            )
            twice = labels.count(label) > 1 and limit.label
            rows.append(
                Row(
                    (
                        f"{words} ({limit.label})" if twice else words,
                        *_numbers(
                            limit.dwellings_above,
                            limit.persons_above,
                            limit.quiet_dwellings_above,
                            limit.quiet_persons_above,
                            limit.sensitive_above,
                        ),
                    )
                )
            )
    return rows


def _band(band: ExposureBand, strings: Strings) -> Row:
    if band.from_db is None:
        words = strings("buildings.below", high=number(band.to_db))
    elif band.to_db is None:
        words = strings("buildings.above", low=number(band.from_db))
    else:
        words = strings("buildings.band", low=number(band.from_db), high=number(band.to_db))
    return Row(
        (words, *_numbers(band.dwellings, band.persons, band.quiet_dwellings, band.quiet_persons, band.sensitive))
    )


def _total(bands: Sequence[ExposureBand], strings: Strings) -> Row:
    keys = ("dwellings", "persons", "quiet_dwellings", "quiet_persons", "sensitive")
    return Row((strings("buildings.total"), *_numbers(*(sum(getattr(b, key) for b in bands) for key in keys))), True)


def _numbers(*values: float) -> tuple[str, ...]:
    return tuple(number(round(v, 1)) for v in values)


def _made(facades: Facades | None) -> list[tuple[BuildingLevels, Finding]]:
    found = [(b, f) for b in facades.buildings for f in b.findings] if facades is not None else []
    return [(b, f) for b, f in found if f.verdict != "not assessed"]


def _findings(results: Results, strings: Strings) -> Table:
    facades = results.facades
    made = _made(facades)
    worst = sorted(range(len(made)), key=lambda k: (-value(made[k][1].difference_db), k))[:MAX_ROWS]
    printed = [made[k] for k in worst]
    titles, natures = criterion_titles(results), criterion_natures(results)
    rows: list[Row] = []
    for criterion in dict.fromkeys(f.criterion for _, f in made):
        own = [(b, f) for b, f in printed if f.criterion == criterion]
        if own:
            nature = natures[criterion]
            rows.append(Row((titles[criterion] + (f" [{nature}]" if nature else ""),), group=True))
            rows += [_finding(b, f, results, strings) for b, f in own]
    head = columns(
        strings,
        building="text",
        receiver="text",
        quantity="text",
        level="num",
        compared="num",
        limit="num",
        difference="num",
        verdict="text",
    )
    if results.sure is not None:
        head += columns(strings, interval="num", probability="num")
    note = sentences(
        strings("buildings.findings_note") if rows else "",
        strings("sure.facade_finding_note") if rows and results.sure is not None else "",
        _not_made(facades, strings),
        capped_note(strings, len(printed), len(made)),
    )
    return Table("T6.6", strings("buildings.findings"), head, tuple(rows), strings("buildings.findings_none"), note)


def _finding(building: BuildingLevels, f: Finding, results: Results, strings: Strings) -> Row:
    words = strings("verdict." + f.verdict.replace(" ", "_"))
    return Row(
        (
            building.building,
            f.receiver.removeprefix(f"{building.building}/"),
            quantity_name(f, strings),
            level_before(f.level_db, f.compared_db, f.limit_db),
            number(f.compared_db) if rounded(f) else level_before(f.compared_db, f.compared_db, f.limit_db),
            number(f.limit_db),
            difference(f.difference_db),
            f"{words} ±" if f.within_uncertainty else words,
            *(sure.of_finding(f, strings) if results.sure is not None else ()),
        ),
        f.verdict == "above",
    )


def _not_made(facades: Facades | None, strings: Strings) -> str:
    """Reasons why comparisons were not made, with the number of buildings."""
    reasons: dict[str, set[str]] = {}
    for b in facades.buildings if facades is not None else ():
        for f in b.findings:
            if f.verdict == "not assessed":
                reasons.setdefault(f.reason, set()).add(b.building)
    parts = (f"{reason.rstrip('.')} ({len(ids)})" for reason, ids in reasons.items())
    return strings("buildings.not_made", reasons=joined(parts, "; ")) if reasons else ""


def limits_in_summary(results: Results, strings: Strings) -> list[str]:
    """At how many buildings a limit of each criterion is exceeded, and who lives in them."""
    made, infos, titles = _made(results.facades), _infos(results), criterion_titles(results)
    parts = []
    for criterion in dict.fromkeys(f.criterion for _, f in made):
        own = [(b.building, f) for b, f in made if f.criterion == criterion]
        hit = {name for name, f in own if f.verdict == "above"}
        total = len({name for name, _ in own})
        part = strings("summary.exceed_part", n=len(hit), total=total, criterion=titles[criterion])
        dwellings = sum(infos[name].dwellings for name in hit)
        if dwellings > 0:
            part += strings("buildings.with_dwellings", dwellings=number(round(dwellings, 1)))
        parts.append(part)
    return [strings("buildings.exceed", parts=joined(parts, "; "))] if parts else []


def persons_in_summary(results: Results, strings: Strings) -> list[str]:
    """How many persons in buildings are exposed to the levels from which on exposure is reported."""
    facades = results.facades
    if facades is None or not (facades.dwellings or facades.persons):
        return []
    reported = {
        q: [b for b in facades.exposure if b.quantity == q and b.from_db is not None] for q in ("lden", "lnight")
    }
    return [
        strings(
            "buildings.exposed",
            dwellings=number(round(facades.dwellings, 1)),
            persons=number(round(facades.persons, 1)),
            lden=number(reported["lden"][0].from_db),
            lnight=number(reported["lnight"][0].from_db),
            n_lden=number(round(sum(b.persons for b in reported["lden"]), 1)),
            n_lnight=number(round(sum(b.persons for b in reported["lnight"]), 1)),
        )
    ]

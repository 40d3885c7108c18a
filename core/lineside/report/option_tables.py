"""What would help: tables T7.1 to T7.8, which compare options."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from lineside.report.option_words import (
    MAX_OPTIONS,
    about,
    amount,
    benefit,
    capped_options,
    currency,
    date_or_month,
    likely,
    money,
    option_name,
    places,
    ranked,
    titles,
)
from lineside.report.selection import MAX_ROWS, criterion_titles, sentences
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, difference, joined, level, number
from lineside.report.views import Column, Row, Table
from lineside.results.model import Results
from lineside.results.options import AboveAny, AboveLimit, OptionResult, OptionsResult, RelationInfo

#: Effects that the table for comparison has columns for, in whatever project.
COMPARED_EFFECTS = ("highly_annoyed", "highly_sleep_disturbed")


def tables(results: Results, strings: Strings) -> list[Table]:
    """Tables of options; only the first, which says why it is empty, where the project lists no measures."""
    options = results.options
    if options is None or not options.measures:
        return [Table("T7.1", strings("help.compared"), compared_head(None, strings), (), strings("help.no_measures"))]
    return [
        _compared(results, options, strings),
        _pareto(options, strings),
        _order(options, strings),
        _limits(results, options, strings),
        _reductions(options, strings),
        _people(options, strings),
        _in_time(options, strings),
        _costs(options, strings),
    ]


def _columns(strings: Strings, *keys: str, text: Sequence[str] = ("option",)) -> tuple[Column, ...]:
    return tuple(Column(strings(f"help.col_{key}"), "text" if key in text else "num") for key in keys)


def _money_column(key: str, options: OptionsResult | None, strings: Strings) -> Column:
    """A heading that ends with the currency, as others end with their unit."""
    unit = currency(options) if options is not None else ""
    return Column(strings(f"help.col_{key}") + (f", {unit}" if unit else ""), "num")


def compared_head(options: OptionsResult | None, strings: Strings) -> tuple[Column, ...]:
    """Columns of T7.1, the same in every report."""
    return (
        *_columns(strings, "place", "option", "receivers_above", "dwellings_above", "persons_above"),
        *_columns(strings, "mean", "least", *COMPARED_EFFECTS),
        _money_column("likely_cost", options, strings),
        _money_column("likely_per", options, strings),
    )


def _above(above: AboveAny, results: Results, options: OptionsResult) -> tuple[str, str, str]:
    """Dashes where no limit is compared, or no receiver has dwellings or persons."""
    if not any(o.above for o in options.options):
        return NOTHING, NOTHING, NOTHING
    dwellings, persons = _named(results)
    return (
        str(above.receivers),
        str(above.dwellings) if dwellings else NOTHING,
        str(above.persons) if persons else NOTHING,
    )


def _named(results: Results) -> tuple[bool, bool]:
    """Whether any receiver has dwellings, and any has persons."""
    return any(r.dwellings for r in results.receivers), any(r.persons for r in results.receivers)


def people(value: float | None) -> str:
    """Persons affected, to a tenth.

    >>> people(12.34), people(None)
    ('12.3', '–')
    """
    return NOTHING if value is None else f"{value:.1f}"


def fewer(value: float) -> str:
    """Persons affected less, to a tenth; a small number is never called nothing.

    >>> fewer(0.66), fewer(0.01), fewer(-0.3)
    ('0.7', '< 0.1', '−0.3')
    """
    return difference(value).replace("+", "")


def _compared(results: Results, options: OptionsResult, strings: Strings) -> Table:
    shown, place = ranked(options)[:MAX_OPTIONS], places(options)
    now = Row(
        (
            NOTHING,
            strings("help.as_it_is"),
            *_above(options.above_before, results, options),
            *(NOTHING, NOTHING),
            *(people(options.people_before.get(e)) for e in COMPARED_EFFECTS),
            *(NOTHING, NOTHING),
        )
    )
    rows = [
        Row(
            (
                str(place[o.id]) if o.id in place else NOTHING,
                option_name(o),
                *_above(o.above_any, results, options),
                difference(o.mean_reduction_db.get("lden")),
                difference(o.worst_reduction_db.get("lden")),
                *(people(o.people.get(e)) for e in COMPARED_EFFECTS),
                likely(o.cost),
                likely(o.cost_per_db_dwelling),
            ),
            strong=place.get(o.id) == 1,
        )
        for o in shown
    ]
    note = sentences(
        strings("help.compared_note", date=options.date),
        strings("help.without_buildings") if results.facades is not None else "",
        strings("help.no_people") if options.relation is None else "",
        capped_options(options, len(shown), strings),
    )
    head = compared_head(options, strings)
    return Table("T7.1", strings("help.compared"), head, (now, *rows) if rows else (), strings("help.none_acts"), note)


def pareto(options: OptionsResult) -> list[OptionResult]:
    """Options that none beats, the cheapest first."""
    found = [o for o in options.options if o.pareto and o.cost is not None]
    return sorted(found, key=lambda o: (o.cost.likely if o.cost else 0.0, o.id))


def no_pareto(options: OptionsResult, strings: Strings) -> str:
    """Why cost is not set against benefit."""
    known = any(o.cost is not None for o in options.options if o.acts)
    return strings("help.pareto_none_better" if known else "help.pareto_no_cost")


def _pareto(options: OptionsResult, strings: Strings) -> Table:
    found = pareto(options)
    shown, total = found[:MAX_OPTIONS], len(found)
    by_dwellings = options.benefit == "decibel_dwellings"
    rows = []
    for o in shown:
        cells = [option_name(o), titles(o.measures, options), money(o.cost)]
        if by_dwellings:
            cells += [money(o.cost_per_db_dwelling), level(benefit(options, o))]
        rows.append(Row((*cells, difference(o.mean_reduction_db.get("lden")))))
    head = [*_columns(strings, "option", "measures", text=("option", "measures"))]
    head.append(_money_column("cost", options, strings))
    if by_dwellings:
        head += [_money_column("per_db_dwelling", options, strings), *_columns(strings, "benefit")]
    head += _columns(strings, "mean")
    note = sentences(
        strings("help.pareto_note"),
        strings("help.more_in_data", shown=len(rows), total=total, more=total - len(rows)) if total > len(rows) else "",
    )
    empty = no_pareto(options, strings)
    return Table("T7.2", strings("help.pareto"), tuple(head), tuple(rows), empty, note if rows else "")


def _order(options: OptionsResult, strings: Strings) -> Table:
    by_id = {o.id: o for o in options.options}
    rows = tuple(
        Row((str(k), place.option, titles(by_id[place.option].measures, options), _sentence(place.reason)))
        for k, place in enumerate(options.order, start=1)
    )
    head = _columns(strings, "place", "option", "measures", "reason", text=("option", "measures", "reason"))
    return Table(
        "T7.3", strings("help.order"), head, rows, strings("help.none_acts"), strings("help.order_note") if rows else ""
    )


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:] + "."


def _recommended(options: OptionsResult) -> list[OptionResult]:
    by_id = {o.id: o for o in options.options}
    return [by_id[place.option] for place in options.order]


def arrow(before: float, now: float) -> str:
    """A number before and with an option.

    >>> arrow(12, 3)
    '12 → 3'
    """
    return f"{before} → {now}"


def _limits(results: Results, options: OptionsResult, strings: Strings) -> Table:
    """Each limit that is exceeded as a group: the project as it is, then the options that change something."""
    shown, names, counted = _recommended(options), criterion_titles(results), (True, *_named(results))
    rows: list[Row] = []
    left_out = 0
    for k, limit in enumerate(shown[0].above if shown else []):
        here = [(option_name(o), o.above[k]) for o in shown]
        if not any(a.receivers_before or a.receivers for _, a in here):
            left_out += 1
            continue
        before = (limit.receivers_before, limit.dwellings_before, limit.persons_before)
        group = [Row((_limit_words(limit, names, strings),), group=True)]
        cells = (str(n) if there else NOTHING for n, there in zip(before, counted, strict=True))
        group.append(Row((strings("help.as_it_is"), *cells)))
        for name, a in here:
            now = (a.receivers, a.dwellings, a.persons)
            if now != before:
                pairs = zip(before, now, counted, strict=True)
                group.append(Row((name, *(arrow(x, y) if there else NOTHING for x, y, there in pairs))))
        if len(rows) + len(group) > MAX_ROWS:
            break
        rows += group
    note = sentences(strings("help.limits_note"), strings("help.limits_kept", n=left_out) if left_out else "")
    head = _columns(strings, "option", "receivers", "dwellings", "persons")
    asked = any(o.above for o in options.options)
    empty = strings("help.limits_all_kept" if asked and shown else "help.limits_none")
    return Table("T7.4", strings("help.limits"), head, tuple(rows), empty, note if rows else "")


def _limit_words(limit: AboveLimit, names: dict[str, str], strings: Strings) -> str:
    symbol = strings.known("quantity", limit.quantity)
    title = names.get(limit.criterion, limit.criterion)
    parts = [title, *([limit.label] if limit.label and limit.label != title else [])]
    return f"{joined(parts)} ({symbol}{', ' + limit.window if limit.window else ''})"


def _reductions(options: OptionsResult, strings: Strings) -> Table:
    shown = ranked(options)[:MAX_OPTIONS]
    periods = [n for n in (shown[0].mean_reduction_db if shown else {}) if n != "lden"]
    forecast = any(o.forecast_mean_reduction_db for o in shown)
    names = ["lden", *periods]
    rows = tuple(
        Row(
            (
                option_name(o),
                *(difference(r.get(n)) for n in names for r in (o.mean_reduction_db, o.worst_reduction_db)),
                *([difference(o.forecast_mean_reduction_db.get("lden"))] if forecast else []),
            )
        )
        for o in shown
    )
    head = [*_columns(strings, "option")]
    for n in names:
        quantity = strings("quantity.lden_db") if n == "lden" else strings.known("period", n)
        head += [
            Column(strings("help.col_mean_of", what=quantity), "num"),
            Column(strings("help.col_least_of", what=quantity), "num"),
        ]
    if forecast:
        head += _columns(strings, "forecast")
    note = sentences(
        strings("help.reductions_note"),
        strings("help.reductions_forecast") if forecast else "",
        capped_options(options, len(rows), strings),
    )
    return Table("T7.5", strings("help.reductions"), tuple(head), rows, strings("help.none_acts"), note if rows else "")


def _people(options: OptionsResult, strings: Strings) -> Table:
    relation = options.relation
    effects = list(relation.words) if relation is not None else []
    shown = _recommended(options) if effects and any(options.people_before.values()) else []
    rows = [
        Row(
            (
                option_name(o),
                *(
                    cell
                    for e in effects
                    for cell in (people(o.people[e]), fewer(options.people_before[e] - o.people[e]))
                ),
            )
        )
        for o in shown
    ]
    now = (
        strings("help.as_it_is"),
        *(cell for e in effects for cell in (people(options.people_before.get(e)), NOTHING)),
    )
    head = [*_columns(strings, "option")]
    for effect in effects:
        word = relation.words[effect] if relation is not None else effect
        head += [
            Column(strings("help.col_affected", what=word), "num"),
            Column(strings("help.col_fewer", what=word), "num"),
        ]
    empty = strings("help.people_none" if effects else "help.no_people")
    note = relation_words(relation, options, strings) if relation is not None else ""
    return Table(
        "T7.6", strings("help.people"), tuple(head), (Row(now), *rows) if rows else (), empty, note if rows else ""
    )


def relation_words(relation: RelationInfo, options: OptionsResult, strings: Strings) -> str:
    """Source, validity and standing of the relation between levels and people."""
    ranges = [
        strings(
            "help.relation_range",
            effect=relation.words[effect],
            quantity=strings.known("quantity", level),
            low=number(relation.valid_db[effect][0]),
            high=number(relation.valid_db[effect][1]),
            outside=options.people_outside.get(effect, 0),
        )
        for effect, level in relation.indicator.items()
        if relation.valid_db.get(effect)
    ]
    source = joined((f"{s.key}, {s.part}" if s.part else s.key for s in relation.sources), "; ")
    return sentences(
        strings("help.relation", title=relation.title, source=source, verification=relation.verification),
        relation.statement,
        *ranges,
        relation.caution,
    )


def _in_time(options: OptionsResult, strings: Strings) -> Table:
    shown = [o for o in ranked(options) if o.in_time is not None][:MAX_OPTIONS]
    relation = options.relation
    effects = list(relation.words) if relation is not None and shown else []
    rows = []
    until = ""
    for o in shown:
        found = o.in_time
        if found is None:
            continue
        until = found.until
        worn = date_or_month(found.worn_in_anyway, strings)
        if found.takes_effect and not found.worn_in_anyway:
            worn = strings("help.not_worn_in")
        rows.append(
            Row(
                (
                    option_name(o),
                    found.takes_effect or strings("help.no_effect"),
                    worn,
                    *(amount(round(found.avoided_days[e])) if e in found.avoided_days else NOTHING for e in effects),
                )
            )
        )
    head = (
        *_columns(strings, "option", "takes_effect", "worn_in", text=("option", "takes_effect", "worn_in")),
        *(
            Column(strings("help.col_days", what=relation.words[e] if relation is not None else e), "num")
            for e in effects
        ),
    )
    note = sentences(strings("help.time_note"), strings("help.time_days", until=until) if effects else "")
    return Table("T7.7", strings("help.time"), head, tuple(rows), strings("help.time_none"), note if rows else "")


def _costs(options: OptionsResult, strings: Strings) -> Table:
    shown = [o for o in ranked(options) if o.cost is not None or o.cost_unknown][:MAX_OPTIONS]
    rows = tuple(
        Row(
            (
                option_name(o),
                *(_or_dash(getattr(o.cost, part, None)) for part in ("low", "likely", "high")),
                money(o.cost_per_db_dwelling),
                _missing(o.cost_unknown) or NOTHING,
            )
        )
        for o in shown
    )
    head = (
        *_columns(strings, "option"),
        *(_money_column(key, options, strings) for key in ("low", "likely", "high")),
        _money_column("per_db_dwelling", options, strings),
        *_columns(strings, "missing", text=("missing",)),
    )
    note = sentences(
        strings("help.costs_note", years=options.years),
        strings("help.costs_no_dwellings") if options.benefit != "decibel_dwellings" else "",
        capped_options(options, len(rows), strings),
    )
    return Table("T7.8", strings("help.costs"), head, rows, strings("help.none_acts"), note if rows else "")


def _or_dash(value: float | None) -> str:
    return NOTHING if value is None else about(value)


def _missing(unknown: Iterable[str]) -> str:
    return joined(unknown, "; ")

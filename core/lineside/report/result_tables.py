"""Tables of section 6 (results)."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from lineside.acoustics.bands import OCTAVES_HZ
from lineside.report import sure
from lineside.report.place_inputs import columns
from lineside.report.selection import (
    MAX_FIGURE_RECEIVERS,
    MAX_ROWS,
    OTHERS,
    by_exposure,
    capped_note,
    criterion_natures,
    criterion_titles,
    mechanism_names,
    ordered_criteria,
    period_names,
    printed_receivers,
    quantity_name,
    sentences,
    service_names,
    shown_parts,
    value,
    with_others,
)
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, difference, level, level_before, metres, number
from lineside.report.tones import TONE_SIGN, findings_note
from lineside.report.views import Column, Row, Table
from lineside.results.model import Finding, Level, ReceiverResult, Results

#: Spectra take one row per receiver and period: printed for this many receivers.
MAX_SPECTRUM_RECEIVERS = 20

PartsOf = Callable[[ReceiverResult], Mapping[str, Mapping[str, Level]]]


def tables(results: Results, strings: Strings) -> list[Table]:
    """All tables of the section."""
    stretches = {s.id: s.id for s in results.site.stretches}
    return [
        _levels(results, strings),
        _findings(results, strings),
        _not_made(results, strings),
        _passes(results, strings),
        _spectra(results, strings),
        _parts("T6.10", "mechanisms", lambda r: r.by_mechanism_db, mechanism_names(results, strings), results, strings),
        _parts("T6.11", "services", lambda r: r.by_service_db, service_names(results), results, strings),
        _parts("T6.12", "stretches", lambda r: r.by_stretch_db, stretches, results, strings),
    ]


def _levels(results: Results, strings: Strings) -> Table:
    periods, known = period_names(results, strings), sure.of_receivers(results)
    shown = printed_receivers(results)
    drawn = ("night", "lden") if known else ()
    rows = tuple(
        Row(
            (
                r.id,
                r.name,
                strings.known("use", r.use),
                metres(r.distance_m),
                number(r.height_m),
                *(level(r.period_db.get(p)) for p in periods),
                level(r.lden_db),
                *(sure.of_receiver(known.get(r.id), q, strings) for q in drawn),
            )
        )
        for r in shown
    )
    head = (
        *columns(strings, receiver="text", name="text", use="text", distance_m="num", height_m="num"),
        *(Column(strings("col.laeq", period=name), "num") for name in periods.values()),
        Column(strings("col.lden"), "num"),
        *(columns(strings, interval_lnight="num", interval_lden="num") if drawn else ()),
    )
    note = sentences(
        strings("results.levels_note"),
        strings("sure.cell_note") if drawn else "",
        _dash(rows, strings),
        capped_note(strings, len(shown), len(results.receivers)),
    )
    return Table("T6.1", strings("results.levels"), head, rows, strings("report.none_given"), note)


def _dash(rows: tuple[Row, ...], strings: Strings) -> str:
    return strings("report.dash_note") if any(NOTHING in row.cells[1:] for row in rows) else ""


def verdict(finding: Finding, strings: Strings) -> str:
    """The verdict with its sign, never by colour."""
    words = strings("verdict." + finding.verdict.replace(" ", "_"))
    return f"{words} ±" if finding.within_uncertainty and finding.verdict != "not assessed" else words


def _findings(results: Results, strings: Strings) -> Table:
    made = [f for f in results.findings if f.verdict != "not assessed"]
    worst = sorted(range(len(made)), key=lambda k: (-value(made[k].difference_db), k))[:MAX_ROWS]
    printed = [made[k] for k in sorted(worst)]
    titles, natures = criterion_titles(results), criterion_natures(results)
    rows: list[Row] = []
    for criterion in ordered_criteria(results):
        own = [f for f in printed if f.criterion == criterion.name]
        if own:
            nature = natures[criterion.name]
            heading = titles[criterion.name] + (f" [{nature}]" if nature else "")
            rows += [Row((heading,), group=True), *(_finding_row(f, results, strings) for f in own)]
    head = columns(
        strings,
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
        strings(
            "results.findings_note",
            expanded=number(results.uncertainty.expanded_db, 3),
            expanded_pass=number(results.uncertainty.pass_expanded_db, 3),
        ),
        strings("results.rounded_note") if any(_rounded_up(f) for f in printed) else "",
        strings("results.same_quantity_note"),
        strings("sure.finding_note") if results.sure is not None else "",
        findings_note(printed, strings),
        capped_note(strings, len(printed), len(made)),
    )
    return Table("T6.2", strings("results.findings"), head, tuple(rows), strings("results.findings_none"), note)


def _finding_row(f: Finding, results: Results, strings: Strings) -> Row:
    return Row(
        (
            f.receiver,
            quantity_name(f, strings),
            level_before(f.level_db, f.compared_db, f.limit_db),
            (number(f.compared_db) if rounded(f) else level_before(f.compared_db, f.compared_db, f.limit_db))
            + (f" {TONE_SIGN}" if f.tone_found else ""),
            number(f.limit_db),
            difference(f.difference_db),
            verdict(f, strings),
            *(sure.of_finding(f, strings) if results.sure is not None else ()),
        ),
        f.verdict == "above",
    )


def rounded(finding: Finding) -> bool:
    """Whether the criterion compares a whole number."""
    compared = finding.compared_db
    return compared is not None and compared != finding.level_db and compared == round(compared)


def _rounded_up(finding: Finding) -> bool:
    return rounded(finding) and value(finding.compared_db) > value(finding.level_db)


def _not_made(results: Results, strings: Strings) -> Table:
    titles = criterion_titles(results)
    groups: dict[tuple[str, str], list[str]] = {}
    for f in results.findings:
        if f.verdict == "not assessed":
            ids = groups.setdefault((titles.get(f.criterion, f.criterion), f.reason), [])
            if f.receiver not in ids:
                ids.append(f.receiver)
    rows = tuple(Row((criterion, reason or NOTHING, ", ".join(ids))) for (criterion, reason), ids in groups.items())
    head = columns(strings, criterion="text", reason="text", receiver="text")
    return Table(
        "T6.3",
        strings("results.not_made"),
        head,
        rows[:MAX_ROWS],
        strings("results.not_made_none"),
        capped_note(strings, min(len(rows), MAX_ROWS), len(rows)),
    )


def _passes(results: Results, strings: Strings) -> Table:
    names = service_names(results)
    states = list(dict.fromkeys(p.state for r in results.receivers for p in r.passes))
    found: dict[tuple[str, str], dict[str, tuple[Level, Level]]] = {}
    for receiver in results.receivers:
        for p in receiver.passes:
            found.setdefault((receiver.id, p.service), {})[p.state] = (p.lae_db, p.lafmax_db)
    keys = list(found)
    loudest = {key: max(value(lafmax) for _, lafmax in found[key].values()) for key in keys}
    kept = set(sorted(keys, key=lambda k: -loudest[k])[:MAX_ROWS])
    absent: tuple[Level, Level] = (None, None)
    rows = tuple(
        Row((key[0], names.get(key[1], key[1]), *(level(found[key].get(s, absent)[k]) for k in (0, 1) for s in states)))
        for key in keys
        if key in kept
    )
    head = (
        *columns(strings, receiver="text", service="text"),
        *(Column(strings(f"col.{what}", state=s), "num") for what in ("lae", "lafmax") for s in states),
    )
    explained = [f"{s.capitalize()}: {strings(f'state_note.{s}')}" for s in states if strings.has(f"state_note.{s}")]
    note = sentences(
        strings("results.passes_note"), *explained, _dash(rows, strings), capped_note(strings, len(rows), len(keys))
    )
    return Table("T6.7", strings("results.passes"), head, rows, strings("results.passes_none"), note)


def _spectra(results: Results, strings: Strings) -> Table:
    periods = period_names(results, strings)
    shown = printed_receivers(results, MAX_SPECTRUM_RECEIVERS)
    rows = tuple(
        Row((r.id, periods[p], *(level(v) for v in r.spectrum_db[p])))
        for r in shown
        for p in periods
        if p in r.spectrum_db
    )
    head = (*columns(strings, receiver="text", period="text"), *(Column(f"{hz:g}", "num") for hz in OCTAVES_HZ))
    total = len(results.receivers)
    cut = capped_note(strings, len(shown), total) if len(shown) < total else ""
    note = sentences(strings("results.spectra_note"), _dash(rows, strings), cut)
    return Table("T6.9", strings("results.spectra"), head, rows, strings("report.none_given"), note)


def _parts(
    table_id: str, what: str, parts_of: PartsOf, names: Mapping[str, str], results: Results, strings: Strings
) -> Table:
    receivers = printed_receivers(results)
    shown, n_others = shown_parts([parts_of(r).get("lden", {}) for r in results.receivers])
    keys = [*shown, OTHERS] if n_others else shown
    rows = (
        tuple(
            Row((r.id, *(level(with_others(parts_of(r).get("lden", {}), shown)[k]) for k in keys), level(r.lden_db)))
            for r in receivers
        )
        if shown
        else ()
    )
    head = (
        *columns(strings, receiver="text"),
        *(Column(strings("col.others") if k == OTHERS else names.get(k, k), "num") for k in keys),
        Column(strings("col.whole"), "num"),
    )
    note = sentences(
        strings("results.parts_note"),
        strings("results.others_note", n=n_others) if n_others else "",
        _dash(rows, strings),
        capped_note(strings, len(receivers), len(results.receivers)),
    )
    return Table(table_id, strings(f"results.{what}"), head, rows, strings("results.parts_none"), note)


def figure_receivers(results: Results) -> list[ReceiverResult]:
    """Receivers in figures: the most exposed ones, in the order of exposure."""
    return [r for r in by_exposure(results.receivers) if r.lden_db is not None][:MAX_FIGURE_RECEIVERS]

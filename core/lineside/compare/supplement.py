"""The comparison as a supplement of two pages, in the style of the report and with all changes attached."""

from __future__ import annotations

import io
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lineside.compare.changes import About, Change, Comparison, LevelChange, VerdictChange
from lineside.compare.outcomes import named
from lineside.compare.words import ends
from lineside.errors import ReportError
from lineside.figures.words import shorten
from lineside.report import archive, html
from lineside.report.pdf import write_whole
from lineside.report.strings import Strings
from lineside.report.sure import probability
from lineside.report.text import NOTHING, difference, level
from lineside.report.views import Column, Row, Table

DATA_FILE = "comparison.json"
#: Tables of the supplement, in their order; the ids never change their meaning.
TABLES = ("C0.1", "C1.1", "C1.2", "C2.1", "C2.2", "C3.1", "C3.2", "C3.3", "C3.4", "C3.5")
#: Rows of each table, tried one after the other until all fits on two pages.
ROWS = (24, 16, 12, 9, 6, 4, 2)
MAX_PAGES = 2
MAX_CELL = 90


@dataclass(frozen=True)
class Supplement:
    """All that the template may use."""

    language: str = field(metadata={"help": "Language tag of the document"})
    title: str = field(metadata={"help": "Title of the second assessment"})
    running: str = field(metadata={"help": "Running header"})
    footer: str = field(metadata={"help": "Version of lineside and check sums of the inputs"})
    date: str = field(metadata={"help": "Date of the second assessment, ISO 8601"})
    summary: Sequence[str] = field(metadata={"help": "Sentences"})
    tables: dict[str, Table] = field(metadata={"help": "Tables by id"})


def write_supplement(found: Comparison, path: Path) -> None:
    """Write the PDF, whole or not at all.

    Raises
    ------
    ReportError
        If the PDF cannot be made; where the libraries of the PDF engine are missing, an HTML file is written beside it.
    """
    strings = Strings()
    content = b""
    for rows in ROWS:
        view = build(found, strings, rows)
        try:
            content = archive.make_with(_page(view, strings, html.font_for_pdf), _attach(found, view.date))
        except archive.EngineMissing:
            write_whole(path.with_suffix(".html"), _page(view, strings, html.font_for_web).encode())
            raise
        if archive.n_pages(content) <= MAX_PAGES:
            break
    write_whole(path, content)


def _attach(found: Comparison, day: str) -> Callable[[object], list[object]]:
    data = json.dumps(found.as_json(), ensure_ascii=False, indent=1).encode()
    moment = archive.moment_of(day)

    def attachments(engine: object) -> list[object]:
        return [
            engine.Attachment(  # type: ignore[attr-defined]
                file_obj=io.BytesIO(data),
                name=DATA_FILE,
                description="All changes",
                relationship="Data",
                created=moment,
                modified=moment,
            )
        ]

    return attachments


def _page(view: Supplement, strings: Strings, font: html.FontAddress) -> str:
    from jinja2 import TemplateError

    try:
        template = html.environment("compare").get_template("compare.html.j2")
        return template.render(report=view, t=strings, font=font)
    except TemplateError as error:
        raise ReportError(f"The template of the supplement failed: {error}") from error


def build(found: Comparison, strings: Strings, max_rows: int) -> Supplement:
    """Everything that is printed, with at most so many rows in each table."""
    a, b = found.first, found.second
    return Supplement(
        language=strings("report.language"),
        title=b.title or strings("report.no_title"),
        running=strings(
            "compare.running", title=shorten(b.title, 70), a=shorten(a.revision, 12), b=shorten(b.revision, 12)
        ),
        footer=strings("compare.footer", a=a.project_sha256[:12], b=b.project_sha256[:12], version=b.lineside_version),
        date=b.date,
        summary=_summary(found, strings),
        tables={
            table.id: table
            for table in (
                _about(a, b, strings),
                _changes("C1.1", "inputs", found.inputs, strings, max_rows),
                _changes("C1.2", "files", found.files, strings, max_rows),
                _changes("C2.1", "methods", found.methods, strings, max_rows),
                _changes("C2.2", "ranges", found.ranges, strings, max_rows),
                _levels(found, strings, max_rows),
                _verdicts(found, strings, max_rows),
                _dates(found, strings, max_rows),
                _doubts(found, strings, max_rows),
                _changes("C3.5", "options", found.options, strings, max_rows),
            )
        },
    )


def _summary(found: Comparison, strings: Strings) -> list[str]:
    if found.same:
        return [strings("compare.same")]
    places = {c.place for c in found.levels}
    up = [c for c in found.levels if c.change_db is not None and c.quantity == "Lden"]
    out = [
        strings("compare.counts", inputs=len(found.inputs), files=len(found.files), methods=len(found.methods)),
        strings("compare.levels_none", n=found.n_levels)
        if not found.levels
        else strings("compare.levels_some", n=len(found.levels), of=found.n_levels, places=len(places)),
    ]
    if up:
        least, most = (pick(up, key=lambda c: c.change_db or 0.0) for pick in (min, max))
        values = {"low": difference(least.change_db), "high": difference(most.change_db)}
        out.append(strings("compare.lden_range", **values, at_low=least.place, at_high=most.place))
    exceeded = [v.place for v in found.verdicts if v.crossing == "now exceeded"]
    kept = [v.place for v in found.verdicts if v.crossing == "now kept"]
    for key, names in (
        *(("now_exceeded", exceeded), ("now_kept", kept)),
        *(("receivers_added", found.receivers_added), ("receivers_removed", found.receivers_removed)),
    ):
        if names:
            unique = list(dict.fromkeys(names))
            out.append(strings(f"compare.{key}", n=len(names), names=shorten(", ".join(unique), 160)))
    if not exceeded and not kept:
        out.append(strings("compare.no_crossing"))
    if found.ranges or found.probabilities or found.intervals:
        doubts = {key: len(getattr(found, key)) for key in ("ranges", "probabilities", "intervals")}
        out.append(strings("compare.doubts_some", **doubts))
    if found.options:
        out.append(strings("compare.options_some", n=len(found.options)))
    return out


def _columns(
    strings: Strings, text: Sequence[str], numbers: Sequence[str] = (), more: Sequence[str] = ()
) -> tuple[Column, ...]:
    return (
        *(Column(strings(f"compare.{key}")) for key in text),
        *(Column(strings(f"compare.{key}"), "num") for key in numbers),
        *(Column(strings(f"compare.{key}")) for key in more),
    )


def _about(a: About, b: About, strings: Strings) -> Table:
    facts = ("title", "revision", "date", "situation", "n_receivers", "lineside_version", "project_sha256")
    rows = tuple(Row((strings(f"compare.{f}"), _cut(getattr(a, f)), _cut(getattr(b, f)))) for f in facts)
    head = _columns(strings, ("col_what", "col_first", "col_second"))
    return Table("C0.1", strings("compare.about"), head, rows, NOTHING)


def _changes(name: str, key: str, changes: Sequence[Change], strings: Strings, max_rows: int) -> Table:
    head = _columns(strings, ("col_what", "col_first", "col_second"))
    rows = tuple(Row((_cut(c.where), *_sides(c, strings))) for c in changes[:max_rows])
    note = _more(len(rows), len(changes), strings)
    return Table(name, strings(f"compare.{key}"), head, rows, strings("compare.nothing"), note)


def _sides(change: Change, strings: Strings) -> tuple[str, str]:
    absent = strings("compare.absent")
    return (
        absent if change.kind == "added" else _cut(change.before),
        absent if change.kind == "removed" else _cut(change.after),
    )


def _levels(found: Comparison, strings: Strings, max_rows: int) -> Table:
    """One row per place: Lden and Lnight; the other quantities are in the attachment."""
    by_place: dict[str, dict[str, LevelChange]] = {}
    for change in found.levels:
        by_place.setdefault(change.place, {})[change.quantity] = change
    shown = [(p, c) for p, c in by_place.items() if "Lden" in c or "Lnight" in c or "LAFmax" in c]
    rows = tuple(
        Row((place, next(iter(c.values())).name, *_values(c.get("Lden")), *_values(c.get("Lnight"))))
        for place, c in shown[:max_rows]
    )
    lden, night = (
        ("col_lden_first", "col_lden_second", "col_lden_change"),
        ("col_night_first", "col_night_second", "col_night_change"),
    )
    head = _columns(strings, ("col_receiver", "col_name"), (*lden, *night))
    note = " ".join(t for t in (strings("compare.levels_note"), _more(len(rows), len(shown), strings)) if t)
    empty = strings("compare.levels_none", n=found.n_levels)
    return Table("C3.1", strings("compare.levels"), head, rows, empty, note if rows else "")


def _values(change: LevelChange | None) -> tuple[str, str, str]:
    if change is None:
        return ("=", "=", "=")
    return level(change.before_db), level(change.after_db), difference(change.change_db)


def _verdicts(found: Comparison, strings: Strings, max_rows: int) -> Table:
    rows = tuple(
        Row(
            (
                v.place,
                _cut(v.criterion, 50),
                _cut(named(v.quantity, v.window, v.label, strings), 50),
                _limits(v),
                f"{level(v.compared_before_db)} → {level(v.compared_after_db)}",
                _word(v.verdict_before, strings),
                _word(v.verdict_after, strings),
            ),
            strong=bool(v.crossing),
        )
        for v in found.verdicts[:max_rows]
    )
    head = _columns(
        strings,
        ("col_receiver", "col_criterion", "col_quantity"),
        ("col_limit", "col_compared"),
        ("col_first", "col_second"),
    )
    counts = strings("compare.findings", added=found.findings_added, removed=found.findings_removed)
    crossed = strings("compare.crossing_note") if any(v.crossing for v in found.verdicts) else ""
    note = " ".join(t for t in (crossed, counts, _more(len(rows), len(found.verdicts), strings)) if t)
    return Table("C3.2", strings("compare.verdicts"), head, rows, strings("compare.verdicts_none"), note)


def _limits(v: VerdictChange) -> str:
    if v.limit_before_db == v.limit_after_db:
        return level(v.limit_after_db)
    return f"{level(v.limit_before_db)} → {level(v.limit_after_db)}"


def _word(verdict: str, strings: Strings) -> str:
    return strings.known("verdict", verdict.replace(" ", "_"))


def _dates(found: Comparison, strings: Strings, max_rows: int) -> Table:
    rows = tuple(Row((d.place, _cut(d.what), d.before, d.after)) for d in found.dates[:max_rows])
    head = _columns(strings, ("col_receiver", "col_what", "col_first", "col_second"))
    note = _more(len(rows), len(found.dates), strings)
    return Table("C3.3", strings("compare.dates"), head, rows, strings("compare.nothing"), note)


def _doubts(found: Comparison, strings: Strings, max_rows: int) -> Table:
    """Probabilities, then intervals, each the largest change first; as many of both as there is room for."""
    chances = [
        Row(
            (
                c.place,
                _cut(c.criterion, 50),
                _cut(named(c.quantity, c.window, c.label, strings), 50),
                probability(c.before, strings),
                probability(c.after, strings),
            )
        )
        for c in found.probabilities
    ]
    moved = [
        Row((c.place, NOTHING, c.quantity, f"{ends(c.before_db, strings)} dB", f"{ends(c.after_db, strings)} dB"))
        for c in found.intervals
    ]
    n = max(max_rows // 2, max_rows - len(moved))
    rows = (*chances[:n], *moved[: max_rows - min(n, len(chances))])
    head = _columns(strings, ("col_receiver", "col_criterion", "col_quantity", "col_first", "col_second"))
    note = _more(len(rows), len(chances) + len(moved), strings)
    return Table("C3.4", strings("compare.doubts"), head, rows, strings("compare.doubts_none"), note)


def _more(shown: int, total: int, strings: Strings) -> str:
    return strings("compare.more", n=total - shown, file=DATA_FILE) if shown < total else ""


def _cut(value: object, limit: int = MAX_CELL) -> str:
    return shorten(str(value), limit)

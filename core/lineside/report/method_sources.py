"""Sections 3, 4, 7 and 9 and the appendices: what took part, what it says about itself, and where it comes from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lineside.contracts import Verification
from lineside.report.place_inputs import columns
from lineside.report.selection import criterion_titles
from lineside.report.strings import Strings
from lineside.report.text import MINUS, NOTHING, number
from lineside.report.views import Card, Row, Table
from lineside.report.wording import in_words
from lineside.results.model import CitationUsed, OfferUsed, Results

#: The status of calculators that reproduce published cases, as the results document has it.
PUBLISHED = Verification.PUBLISHED.value
#: Kind of the calculators that compute situations, explanations and forecasts only.
FORECAST = "source (forecast)"
#: Options of a criterion that have a line of their own.
PRINTED_OPTIONS = ("title", "source", "nature", "limits", "place", "valid_from", "caution")


def tables(results: Results, strings: Strings) -> list[Table]:
    """Tables of these sections."""
    return [
        _calculators(results, strings),
        _notes(results, strings),
        _sources(results, strings),
        _inputs(results, strings),
        _data(results, strings),
        _versions(results, strings),
    ]


def citation(source: CitationUsed) -> str:
    """A source in one line."""
    return f"{source.issuer}: {source.title} ({source.year})" + (f", {source.part}" if source.part else "")


def _short(source: CitationUsed) -> str:
    """A source by its key in section 11, with the part of it that was used."""
    return f"{source.key}, {source.part}" if source.part else source.key


def criteria_cards(results: Results, strings: Strings) -> Sequence[Card]:
    """One card per criterion of the project."""
    titles = criterion_titles(results)
    return [
        Card(titles[o.name], _without_title(o.statement, titles[o.name]), tuple(_criterion_facts(o, strings)))
        for o in results.provenance.offers
        if o.kind == "criterion"
    ]


def _without_title(statement: str, title: str) -> str:
    """The statement of a criterion that opens with its own title, which stands above it already."""
    rest = statement.removeprefix(f"{title}: ")
    return rest[:1].upper() + rest[1:]


def _criterion_facts(offer: OfferUsed, strings: Strings) -> list[tuple[str, str]]:
    options = offer.options
    sources = [citation(s) for s in offer.sources] + ([str(options["source"])] if options.get("source") else [])
    own = {k: v for k, v in options.items() if k not in PRINTED_OPTIONS and v not in (None, "", [], {})}
    limits = [_limit(entry, strings) for entry in options.get("limits") or () if isinstance(entry, Mapping)]
    settings = ". ".join([*limits, *([in_words(own, strings)] if own else [])])
    unknown = strings("report.unknown")
    given, own_caution = options.get("caution"), offer.caution or ""
    caution = ". ".join(str(c) for c in (None if given and str(given) in own_caution else given, own_caution) if c)
    return [
        (strings("criteria.source"), "; ".join(sources) or strings("criteria.no_source")),
        (strings("criteria.valid_from"), str(options.get("valid_from") or offer.valid_from or unknown)),
        (strings("criteria.place"), str(options.get("place") or offer.place or unknown)),
        (strings("criteria.nature"), str(options.get("nature") or offer.nature or unknown)),
        *([(strings("criteria.options"), settings)] if settings else []),
        *([(strings("criteria.caution"), caution)] if caution else []),
    ]


def _limit(entry: Mapping[str, Any], strings: Strings) -> str:
    """One limit written in the project file, in words."""
    quantity = str(entry.get("quantity", "")).removesuffix("_db")
    window = ""
    if entry.get("from_hour") is not None and entry.get("to_hour") is not None:
        window = strings("criteria.limit_window", from_hour=int(entry["from_hour"]), to_hour=int(entry["to_hour"]))
    uses = entry.get("uses")
    return strings(
        "criteria.limit",
        quantity=strings.known("quantity", f"{quantity}_db"),
        window=window,
        limit=number(entry.get("limit_db")),
        uses=strings("criteria.limit_uses", uses=", ".join(strings.known("use", u) for u in uses)) if uses else "",
    ) + _adjustments(entry, strings)


def _adjustments(entry: Mapping[str, Any], strings: Strings) -> str:
    """What is added to the level before it is compared with a limit."""
    fixed, tone = entry.get("adjustment_db") or 0.0, entry.get("tone_adjustment_db")
    return (strings("criteria.limit_adjusted", added=f"{fixed:+g}".replace("-", MINUS)) if fixed else "") + (
        strings("criteria.limit_tone", added=number(tone)) if tone is not None else ""
    )


def took_part(results: Results) -> list[OfferUsed]:
    """Calculators that the levels come from."""
    return [o for o in results.provenance.offers if o.kind not in ("criterion", "measure", "dose effect")]


def calculator_cards(results: Results, strings: Strings) -> Sequence[Card]:
    """Statement, verification, options and sources of each calculator."""
    notes = {
        o.name: " ".join(n.text for n in results.notes if n.kind == "validity" and n.origin == o.name)
        for o in took_part(results)
    }
    return [
        Card(
            o.title,
            o.statement,
            (
                *([(strings("method.used_for"), strings("method.forecast_only"))] if o.kind == FORECAST else []),
                (strings("method.verification"), ". ".join(p for p in (o.verification, o.verification_note) if p)),
                *([(strings("method.options"), in_words(o.options, strings))] if o.options else []),
                (strings("method.source"), "; ".join(_short(s) for s in o.sources) or strings("report.unknown")),
                (strings("method.validity"), notes[o.name] or strings("method.no_validity")),
            ),
        )
        for o in took_part(results)
    ]


def _calculators(results: Results, strings: Strings) -> Table:
    heard = {
        name
        for r in results.receivers
        for name, level in r.by_mechanism_db.get("lden", {}).items()
        if level is not None
    }

    def contribution(offer: OfferUsed) -> str:
        if offer.mechanism is None:
            return NOTHING
        if offer.kind == FORECAST:
            return strings("method.forecast")
        return strings("method.contributes" if offer.mechanism in heard else "method.no_contribution")

    rows = tuple(
        Row(
            (
                o.title,
                strings.known("mechanism", o.mechanism) if o.mechanism else strings.known("offer_kind", o.kind),
                o.name,
                o.version,
                contribution(o),
                o.verification,
            )
        )
        for o in took_part(results)
    )
    head = columns(
        strings, calculator="text", what="text", id="text", version="text", contribution="text", verification="text"
    )
    return Table("T4.1", strings("method.table"), head, rows, strings("report.none_given"))


def unpublished(results: Results, strings: Strings) -> list[str]:
    """What checks each calculator and limit set that reproduces no published cases."""
    return [
        strings("limits.verification_of", title=o.title, status=o.verification, note=o.verification_note)
        for o in results.provenance.offers
        if o.verification != PUBLISHED
    ]


def _notes(results: Results, strings: Strings) -> Table:
    rows = tuple(Row((n.origin, n.text, n.standing)) for n in results.notes if n.kind in ("validity", "warning"))
    head = columns(strings, origin="text", note="text", standing="text")
    return Table("T9.1", strings("limits.notes"), head, rows, strings("limits.notes_none"))


def _sources(results: Results, strings: Strings) -> Table:
    users: dict[tuple[str, str, str, str, str], list[str]] = {}
    for offer in results.provenance.offers:
        for s in offer.sources:
            users.setdefault((s.key, s.title, s.issuer, str(s.year), s.part), []).append(offer.name)
    rows = tuple(
        Row((key, title, issuer, year, part or NOTHING, ", ".join(dict.fromkeys(names))))
        for (key, title, issuer, year, part), names in sorted(users.items())
    )
    head = columns(strings, id="text", title="text", issuer="text", year="num", part="text", used_by="text")
    return Table("T11.1", strings("sources.table"), head, rows, strings("sources.none"))


def _inputs(results: Results, strings: Strings) -> Table:
    rows = tuple(Row((f.name, str(f.n_bytes), f.sha256)) for f in results.provenance.inputs)
    note = strings("appendix.hash_note", hash=results.provenance.project_sha256)
    head = columns(strings, file="text", bytes="num", sha256="hash")
    return Table("TB.1", strings("appendix.inputs"), head, rows, strings("report.none_given"), note)


def _data(results: Results, strings: Strings) -> Table:
    used: dict[tuple[str, str, str, str], None] = {}
    for offer in results.provenance.offers:
        for table in offer.data_files:
            used[table.name, table.title, table.source, table.sha256] = None
    rows = tuple(Row(key) for key in sorted(used))
    head = columns(strings, table="text", title="text", source="text", sha256="hash")
    return Table("TB.2", strings("appendix.tables"), head, rows, strings("appendix.tables_none"))


def _versions(results: Results, strings: Strings) -> Table:
    provenance = results.provenance
    own = ("lineside", provenance.lineside_version)
    packages_used = {(o.package, o.package_version) for o in provenance.offers}
    packages_used |= {(s.package, s.package_version) for s in provenance.report_sections}
    packages = sorted(packages_used - {own})
    offers = [(f"{o.name} ({o.kind})", o.version) for o in provenance.offers]
    offers += [(f"{s.name} ({strings('appendix.report_section')})", s.version) for s in provenance.report_sections]
    rows = tuple(Row(entry) for entry in [own, *packages, *offers])
    return Table(
        "TB.3",
        strings("appendix.versions"),
        columns(strings, component="text", version="text"),
        rows,
        strings("report.none_given"),
    )

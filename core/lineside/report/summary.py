"""The one-page summary in plain words, made from the numbers of the results document."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from lineside.report import in_time
from lineside.report.selection import (
    by_exposure,
    criterion_titles,
    largest_parts,
    left_out,
    of_project,
    quantity_name,
    service_names,
    value,
)
from lineside.report.strings import Strings
from lineside.report.text import metres, number, plain, whole
from lineside.report.views import Block, Column, Row, Table
from lineside.results.model import Finding, Level, ReceiverResult, Results


def scope(results: Results, strings: Strings) -> str:
    """What was assessed, in one sentence."""
    trains = sum(sum(s.trains.values()) for s in results.site.services)
    n_tracks, n_receivers = len(results.site.tracks), len(results.receivers)
    return strings(
        "summary.scope",
        trains=number(round(trains, 1) if trains < 10 else round(trains)),
        tracks=strings("summary.tracks_one") if n_tracks == 1 else strings("summary.tracks_many", n=n_tracks),
        receivers=_receivers(n_receivers, strings),
    )


def _receivers(n: int, strings: Strings) -> str:
    return strings("summary.receivers_one") if n == 1 else strings("summary.receivers_many", n=n)


def blocks(results: Results, strings: Strings) -> Sequence[Block]:
    """The paragraphs of the summary."""
    pieces = {
        "how_loud": _how_loud,
        "for_whom": _for_whom,
        "against_limits": _against_limits,
        "what_dominates": _what_dominates,
        **({"until_when": in_time.summary} if results.timeline is not None else {}),
        "not_known": _not_known,
    }
    return [
        Block(strings(f"summary.{name}"), tuple(s for s in make(results, strings) if s))
        for name, make in pieces.items()
    ]


def _how_loud(results: Results, strings: Strings) -> list[str]:
    heard = [r for r in by_exposure(results.receivers) if r.lden_db is not None]
    if not heard:
        return [strings("summary.silent")]
    top = heard[0]
    key = "summary.range" if len(heard) > 1 else "summary.range_one"
    out = [
        strings(
            key,
            low=whole(heard[-1].lden_db),
            high=whole(top.lden_db),
            id=top.id,
            name=top.name,
            distance=metres(top.distance_m),
            track=top.nearest_track,
        )
    ]
    night = next((p for p in results.periods if p.name == "night"), None)
    if night is not None:
        loudest = max(results.receivers, key=lambda r: value(r.period_db.get("night")))
        hours = strings("period.clock", from_hour=night.from_hour, to_hour=night.to_hour)
        if loudest.period_db.get("night") is not None:
            out.append(strings("summary.night", hours=hours, level=whole(loudest.period_db["night"]), id=loudest.id))
    passes = [(value(p.lafmax_db), r.id, p) for r in results.receivers for p in r.passes if p.lafmax_db is not None]
    if passes:
        _, receiver, loud = max(passes, key=lambda entry: entry[0])
        names = service_names(results)
        out.append(
            strings(
                "summary.loudest_pass",
                level=whole(loud.lafmax_db),
                id=receiver,
                state=loud.state,
                service=names.get(loud.service, loud.service),
            )
        )
    return out


def _for_whom(results: Results, strings: Strings) -> list[str]:
    dwellings = sum(r.dwellings for r in results.receivers)
    persons = sum(r.persons for r in results.receivers)
    uses = Counter(strings.known("use", r.use) for r in results.receivers)
    printed = ", ".join(f"{use} ({n})" for use, n in sorted(uses.items(), key=lambda e: (-e[1], e[0])))
    return [
        strings("summary.persons", dwellings=dwellings, persons=persons)
        if dwellings or persons
        else strings("summary.no_persons"),
        strings("summary.uses", uses=printed) if uses else "",
    ]


def _against_limits(results: Results, strings: Strings) -> list[str]:
    if not results.findings:
        return [strings("summary.no_criteria")]
    made = [f for f in results.findings if f.verdict != "not assessed"]
    missing = len(results.findings) - len(made)
    last = strings("summary.not_made", n=missing) if missing else ""
    if not made:
        return [strings("summary.none_compared")]
    above = [f for f in made if f.verdict == "above"]
    borderline = sum(f.verdict == "borderline" for f in made)
    if not above:
        return [strings("summary.none_above", n=len(made), borderline=borderline), last]
    hit = {f.receiver for f in above}
    receivers = [r for r in results.receivers if r.id in hit]
    return [
        strings(
            "summary.some_above",
            above=len(above),
            n=len(made),
            borderline=borderline,
            receivers=_receivers(len(hit), strings),
            dwellings=sum(r.dwellings for r in receivers),
            persons=sum(r.persons for r in receivers),
        ),
        _worst(above, results, strings),
        last,
    ]


def _worst(above: Sequence[Finding], results: Results, strings: Strings) -> str:
    worst = max(above, key=lambda f: value(f.difference_db))
    excess = worst.difference_db or 0.0
    printed = strings("summary.decibels", n=whole(excess)) if excess >= 1.0 else strings("summary.less_than_one")
    return strings(
        "summary.worst",
        id=worst.receiver,
        quantity=quantity_name(worst, strings),
        level=whole(worst.compared_db),
        limit=number(worst.limit_db),
        difference=printed,
        criterion=criterion_titles(results).get(worst.criterion, worst.criterion),
    )


def _parts(receiver: ReceiverResult, parts: Mapping[str, Mapping[str, Level]]) -> list[str]:
    return largest_parts([parts.get("lden", {})], len(parts.get("lden", {})))


def _what_dominates(results: Results, strings: Strings) -> list[str]:
    first = Counter(names[0] for r in results.receivers if (names := _parts(r, r.by_mechanism_db)))
    if not first:
        return [strings("summary.silent")]
    leading, n = min(first.items(), key=lambda e: (-e[1], e[0]))
    top = by_exposure(results.receivers)[0]
    order = _parts(top, top.by_mechanism_db)
    levels = top.by_mechanism_db["lden"]
    out = [
        strings("summary.dominant", part=_mechanism(leading, strings).capitalize(), n=n, total=len(results.receivers)),
        strings(
            "summary.dominant_at",
            id=top.id,
            part=_mechanism(order[0], strings),
            level=whole(levels[order[0]]),
            total=whole(top.lden_db),
        ),
    ]
    if len(order) > 1:
        out.append(strings("summary.dominant_next", part=_mechanism(order[1], strings), level=whole(levels[order[1]])))
    services, stretches = _parts(top, top.by_service_db), _parts(top, top.by_stretch_db)
    if services and stretches:
        labels = {s.id: f"{s.id} ({s.label})" if s.label else s.id for s in results.site.stretches}
        out.append(
            strings(
                "summary.dominant_service",
                service=service_names(results).get(services[0], services[0]),
                level=whole(top.by_service_db["lden"][services[0]]),
                stretch=labels.get(stretches[0], stretches[0]),
                level_stretch=whole(top.by_stretch_db["lden"][stretches[0]]),
            )
        )
    return [*out, strings("summary.parts_add")]


def _mechanism(name: str, strings: Strings) -> str:
    return strings.known("mechanism", name)


def _not_known(results: Results, strings: Strings) -> list[str]:
    stated = results.uncertainty
    spectra = of_project(results, "spectra", default=[])
    calculators = [o for o in results.provenance.offers if o.kind != "criterion"]
    unverified = [o.title for o in calculators if o.verification == "not verified"]
    notes = sum(n.kind in ("validity", "warning") for n in results.notes)
    missing = left_out(results)
    return [
        strings("summary.predicted"),
        strings("summary.measured_inputs", n=len(spectra)) if spectra else "",
        strings(
            "summary.uncertainty",
            expanded=number(stated.expanded_db, 3),
            statement=stated.statement,
            standing=stated.standing,
        ),
        strings("summary.not_verified", names=", ".join(unverified)) if unverified else "",
        strings("summary.left_out", names=plain(list(missing))) if missing else "",
        _works(results, strings),
        strings("summary.notes", n=notes) if notes else "",
    ]


def _works(results: Results, strings: Strings) -> str:
    if not results.site.works:
        return ""
    return strings("summary.works" if results.timeline is None else "summary.works_computed")


def criteria_table(results: Results, strings: Strings) -> Table:
    """T1.1: comparisons counted per criterion and verdict."""
    titles = criterion_titles(results)
    counts: dict[str, Counter[str]] = {}
    for finding in results.findings:
        counts.setdefault(finding.criterion, Counter())[finding.verdict] += 1
    rows = tuple(
        Row((titles.get(name, name), str(sum(c.values()) - c["not assessed"]), *(str(c[v]) for v in _VERDICTS)))
        for name, c in counts.items()
    )
    columns = ("comparisons", "above", "borderline", "well_below", "not_assessed")
    return Table(
        "T1.1",
        strings("summary.table"),
        (Column(strings("col.criterion")), *(Column(strings(f"col.{c}"), "num") for c in columns)),
        rows,
        strings("summary.no_criteria"),
    )


_VERDICTS = ("above", "borderline", "well below", "not assessed")

"""What the page knows of each receiver and building: levels, limits, contributions, causes.

Levels are rounded to 0.1 dB in the way the report rounds them, so that both print the same figures.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from lineside.report.causes import SMALL_DB, cause_sentences, situation_words
from lineside.report.result_tables import rounded
from lineside.report.selection import (
    MAX_PARTS,
    OTHERS,
    criterion_natures,
    criterion_titles,
    largest_parts,
    quantity_name,
    service_names,
    value,
    with_others,
)
from lineside.report.strings import Strings
from lineside.report.sure import interval, of_finding, of_receiver, of_receivers
from lineside.report.text import difference, level, level_before, metres, number
from lineside.report.tones import TONE_SIGN
from lineside.results.model import (
    BuildingLevels,
    Explanation,
    Facades,
    Finding,
    Level,
    Pass,
    ReceiverResult,
    Results,
    ToneAtReceiver,
)
from lineside.web.geometry import Frame

#: From the worst to the best; a place is marked by the worst of its comparisons.
VERDICTS = ("above", "borderline", "well below", "not assessed")


def tenth(level_db: Level) -> Level:
    """A level as printed.

    >>> tenth(61.25), tenth(None)
    (61.2, None)
    """
    return None if level_db is None else float(f"{level_db:.1f}")


def tenths(levels: Sequence[Level]) -> list[Level]:
    """Levels as printed."""
    return [tenth(v) for v in levels]


def quantities(results: Results) -> list[str]:
    """Lden and the periods, in the order in which levels stand in all lists."""
    return ["lden", *(p.name for p in results.periods)]


def worst_verdict(findings: Sequence[Finding]) -> str:
    """The worst word of all comparisons."""
    found = {f.verdict for f in findings}
    return next((v for v in VERDICTS if v in found), VERDICTS[-1])


def worst_margin(findings: Sequence[Finding]) -> float | None:
    """The largest level minus limit; None where nothing is compared."""
    return max((f.difference_db for f in findings if f.difference_db is not None), default=None)


def finding(f: Finding, strings: Strings, criteria: Sequence[str]) -> dict[str, Any]:
    """One comparison, with the words and figures of the report."""
    made = f.verdict != "not assessed"
    within, chance = of_finding(f, strings)
    drawn = {
        **({"interval": within} if f.interval_db is not None else {}),
        **({"chance": chance} if f.probability_above is not None else {}),
    }
    compared = number(f.compared_db) if rounded(f) else level_before(f.compared_db, f.compared_db, f.limit_db)
    return {
        "criterion": criteria.index(f.criterion),
        "quantity": quantity_name(f, strings),
        "verdict": VERDICTS.index(f.verdict),
        "level": level_before(f.level_db, f.compared_db, f.limit_db),
        "compared": compared + (f" {TONE_SIGN}" if f.tone_found else ""),
        "limit": number(f.limit_db),
        "difference": difference(f.difference_db),
        "excess": f.difference_db,
        "unsure": f.within_uncertainty and made,
        "reason": "" if made else f.reason,
        **drawn,
    }


def criteria(results: Results) -> list[str]:
    """Ids of all criteria that findings name."""
    found = [*results.findings, *(f for b in _buildings(results) for f in b.findings)]
    return list(dict.fromkeys(f.criterion for f in found))


def criterion_words(results: Results) -> list[str]:
    """Their titles, with what kind of limit they are."""
    titles, natures = criterion_titles(results), criterion_natures(results)
    words = ((titles.get(name, name), natures.get(name, "")) for name in criteria(results))
    return [f"{title} [{nature}]" if nature else title for title, nature in words]


def _buildings(results: Results) -> Sequence[BuildingLevels]:
    return results.facades.buildings if results.facades is not None else ()


def _judged(findings: Sequence[Finding], strings: Strings, names: Sequence[str]) -> dict[str, Any]:
    margin = worst_margin(findings)
    return {
        "verdict": VERDICTS.index(worst_verdict(findings)),
        "margin": difference(margin),
        "excess": margin,
        "findings": [finding(f, strings, names) for f in findings],
    }


def receivers(results: Results, frame: Frame, strings: Strings, detailed: frozenset[str]) -> list[dict[str, Any]]:
    """All listed receivers; ``detailed`` ones also with what makes their level up."""
    names = criteria(results)
    own: dict[str, list[Finding]] = {}
    for f in results.findings:
        own.setdefault(f.receiver, []).append(f)
    why = {e.receiver: e for e in results.explanations}
    tones: dict[str, list[ToneAtReceiver]] = {}
    for tone in results.tones.at_receivers if results.tones is not None else ():
        tones.setdefault(tone.receiver, []).append(tone)
    sure, out = of_receivers(results), []
    for r in results.receivers:
        x, y = frame.at(r.x, r.y)
        entry = {
            "id": r.id,
            "name": r.name,
            "x": x,
            "y": y,
            "use": strings.known("use", r.use),
            "distance": metres(r.distance_m),
            "track": r.nearest_track,
            "height": number(r.height_m),
            "dwellings": r.dwellings,
            "persons": r.persons,
            "levels": [tenth(r.lden_db), *(tenth(r.period_db.get(p.name)) for p in results.periods)],
            **_judged(own.get(r.id, []), strings, names),
            "parts": [_parts(r.by_mechanism_db, results, _mechanisms(r, strings))],
        }
        if r.id in sure:
            entry["intervals"] = [of_receiver(sure[r.id], q, strings) for q in quantities(results)]
        if r.id in detailed:
            entry["parts"] += [
                _parts(r.by_service_db, results, service_names(results)),
                _parts(r.by_stretch_db, results, _stretches(results)),
            ]
            entry["passes"] = _passes(r, results)
            entry["states"] = _states(r, results, strings)
            entry["why"] = _why(why[r.id], strings) if r.id in why else None
            entry["tones"] = [_tone(tone, results, strings) for tone in tones.get(r.id, [])]
        out.append(entry)
    return out


def _mechanisms(receiver: ReceiverResult, strings: Strings) -> dict[str, str]:
    return {name: strings.known("mechanism", name) for name in receiver.by_mechanism_db.get("lden", {})}


def _stretches(results: Results) -> dict[str, str]:
    return {
        s.id: f"{s.id}, {metres(s.from_m)}–{metres(s.to_m)} m" + (f" ({s.label})" if s.label else "")
        for s in results.site.stretches
    }


def _parts(parts: Mapping[str, Mapping[str, Level]], results: Results, names: Mapping[str, str]) -> list[list[Any]]:
    """Rows of a name and its levels; the largest first, small ones put together under the name null."""
    asked = quantities(results)
    shown = largest_parts([parts.get("lden", {})], MAX_PARTS)
    per_quantity = [with_others(parts.get(q, {}), shown) for q in asked]
    rows: list[list[Any]] = [
        [names.get(name, name) if name != OTHERS else None, *(tenth(levels.get(name)) for levels in per_quantity)]
        for name in (*shown, OTHERS)
    ]
    return [row for row in rows if any(v is not None for v in row[1:])]


def _passes(receiver: ReceiverResult, results: Results) -> list[list[Any]]:
    """The loudest pass of each service: service, state of propagation, LAFmax, LAE."""
    names = service_names(results)
    best: dict[str, Pass] = {}
    for p in receiver.passes:
        known = best.get(p.service)
        if p.lafmax_db is not None and (known is None or p.lafmax_db > value(known.lafmax_db)):
            best[p.service] = p
    found = sorted(best.values(), key=lambda p: (-value(p.lafmax_db), p.service))
    return [[names.get(p.service, p.service), p.state, tenth(p.lafmax_db), tenth(p.lae_db)] for p in found]


def _states(receiver: ReceiverResult, results: Results, strings: Strings) -> list[list[Any]]:
    """Lden while each state prevails; the mixture of all comes first."""
    names = {s.id: s.name or s.id for c in results.conditions for s in c.states}
    return [
        [names.get(state) or strings.known("state", state), tenth(levels.get("lden"))]
        for state, levels in receiver.states_db.items()
    ]


def _why(explanation: Explanation, strings: Strings) -> dict[str, Any]:
    parts = [(c.cause, c.change_db.get("lden")) for c in explanation.causes]
    seen = [(name, part) for name, part in parts if part is not None and abs(part) >= SMALL_DB]
    return {
        "start": situation_words(explanation.start, strings),
        "end": situation_words(explanation.end, strings),
        "from": tenth(explanation.start_db.get("lden")),
        "to": tenth(explanation.end_db.get("lden")),
        "causes": [
            [strings.known("cause", name), difference(part), round(part, 2)]
            for name, part in sorted(seen, key=lambda e: (-abs(e[1]), e[0]))
        ],
        "sentences": cause_sentences(explanation, strings)[: len(seen)],
    }


def _tone(tone: ToneAtReceiver, results: Results, strings: Strings) -> list[Any]:
    low, high = tone.frequency_hz
    return [
        service_names(results).get(tone.service, tone.service),
        f"{metres(low)}–{metres(high)}",
        strings(f"tone_word.{tone.fresh}"),
        strings(f"tone_word.{tone.at_date}") if tone.at_date is not None else "",
    ]


def buildings(results: Results, strings: Strings) -> list[dict[str, Any]]:
    """Buildings with receivers on their facades."""
    names, about = criteria(results), {b.id: b for b in results.site.buildings}
    return [
        {
            "id": b.building,
            "name": about[b.building].name,
            "use": strings.known("use", about[b.building].use),
            "dwellings": number(about[b.building].dwellings),
            "persons": number(about[b.building].persons),
            "levels": tenths([b.highest_db.get(q) for q in quantities(results)]),
            "at": b.highest_at.get("lden", ""),
            "quiet": b.quiet_facade,
            "front": level(b.lowest_front_db),
            **({"intervals": _intervals(b, results, strings)} if b.interval_db else {}),
            **_judged(b.findings, strings, names),
        }
        for b in _buildings(results)
    ]


def _intervals(building: BuildingLevels, results: Results, strings: Strings) -> list[str]:
    ends = (building.interval_db.get(q, (None, None)) for q in quantities(results))
    return [interval(low, high, strings) for low, high in ends]


def facades(results: Results, frame: Frame) -> dict[str, Any] | None:
    """Receivers on facades, one list for each column."""
    found: Facades | None = results.facades
    if found is None:
        return None
    columns = found.receivers
    number_of = {b.building: k for k, b in enumerate(found.buildings)}
    places = [frame.at(x, y) for x, y in zip(columns.x, columns.y, strict=True)]
    return {
        "id": columns.id,
        "building": [number_of.get(b, -1) for b in columns.building],
        "x": [x for x, _ in places],
        "y": [y for _, y in places],
        "height": [tenth(h) for h in columns.height_m],
        "levels": [tenths(columns.lden_db), *(tenths(columns.period_db[p.name]) for p in results.periods)],
    }


def sure_notes(results: Results, strings: Strings) -> dict[str, str]:
    """What intervals and probabilities mean, beside levels and findings of receivers and of buildings."""
    if results.sure is None:
        return {}
    n = sum(bool(b.interval_db) for b in _buildings(results))
    return {
        "levels": strings("sure.cell_note"),
        "limits": strings("sure.finding_note"),
        "levels_buildings": strings("sure.facade_note", n=n),
        "limits_buildings": strings("sure.facade_finding_note"),
    }

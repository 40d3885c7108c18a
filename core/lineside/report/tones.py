"""Tones of rail marks: tables T6.16 and T6.17, figure F6.8, and what summary and findings say of tones."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.figures.tone_chart import MAX_PITCHES, MAX_TONE_SERVICES, tone_chart
from lineside.figures.words import clean, shorten
from lineside.report.place_inputs import columns
from lineside.report.selection import MAX_ROWS, capped_note, quantity_name, sentences, service_names, value
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, joined, level, metres, number
from lineside.report.views import Figure, Row, Table, drawn
from lineside.results.model import Finding, Results, ToneAtReceiver, ToneInfo

FIGURE_ID = "F6.8"
#: Sign of a compared level that holds an adjustment for a tone.
TONE_SIGN = "†"
WORDS = ("likely", "possible", "unlikely")
#: Longest list of receivers in a note. [characters]
MAX_LIST = 160


def tables(results: Results, strings: Strings) -> list[Table]:
    """Tones by service, tones at receivers."""
    return [_by_service(results, strings), _at_receivers(results, strings)]


def _marks(results: Results) -> Sequence[ToneInfo]:
    return results.tones.marks if results.tones is not None else ()


def _empty(results: Results, strings: Strings) -> str:
    return strings("time.none" if results.timeline is None else "tones.none")


def _by_service(results: Results, strings: Strings) -> Table:
    names, marks = service_names(results), _marks(results)
    rows = tuple(
        Row(
            (
                names.get(t.service, t.service),
                t.track,
                metres(t.from_m),
                metres(t.to_m),
                number(t.pitch_mm, 3) + ("" if t.pitch_given else " *"),
                _range(t.speed_km_h),
                *(_range(t.frequency_hz[n]) if n in t.frequency_hz else NOTHING for n in (1, 2, 3)),
                level(t.margin_fresh_db["likely"]) + (" ‡" if t.wheel_roughness_db is None else ""),
                level(t.margin_at_assessment_db["likely"] if t.margin_at_assessment_db is not None else None),
            )
        )
        for t in marks
    )
    head = columns(
        strings,
        service="text",
        track="text",
        from_m="num",
        to_m="num",
        pitch="num",
        speeds="num",
        tone_1="num",
        tone_2="num",
        tone_3="num",
        margin_fresh="num",
        margin_at="num",
    )
    note = sentences(
        strings("tones.by_service_note"),
        strings("tones.pitch_assumed") if any(not t.pitch_given for t in marks) else "",
        strings("tones.wheels_unknown") if any(t.wheel_roughness_db is None for t in marks) else "",
        capped_note(strings, min(len(rows), MAX_ROWS), len(rows)),
    )
    return Table("T6.16", strings("tones.by_service"), head, rows[:MAX_ROWS], _empty(results, strings), note)


def _at_receivers(results: Results, strings: Strings) -> Table:
    names = service_names(results)
    heard = _clearest(results)
    shown = heard[:MAX_ROWS]
    rows = tuple(
        Row(
            (
                t.receiver,
                names.get(t.service, t.service),
                strings("tones.marks_at", track=t.track, from_m=metres(t.from_m), to_m=metres(t.to_m)),
                number(t.pitch_mm, 3),
                _range(t.frequency_hz),
                f"{t.band_hz:g}",
                level(t.over_neighbours_fresh_db),
                level(t.over_neighbours_at_date_db),
                strings.known("tone_word", t.fresh),
                strings.known("tone_word", t.at_date) if t.at_date is not None else NOTHING,
                NOTHING if t.flagged is None else strings("tones.flagged" if t.flagged else "tones.not_flagged"),
            )
        )
        for t in shown
    )
    head = columns(
        strings,
        receiver="text",
        service="text",
        marks_at="text",
        pitch="num",
        tone_1="num",
        third_octave="num",
        over_fresh="num",
        over_at="num",
        heard_fresh="text",
        heard_at="text",
        survey="text",
    )
    rule = ""
    if heard and results.tones is not None:
        first = results.tones.marks[0]
        rule = strings(
            "tones.rule", margin=number(first.needed_margin_db), smear=number(round(100.0 * first.smear_ratio, 1))
        )
    note = sentences(
        strings("tones.at_receivers_note"), rule, hidden(results, strings), capped_note(strings, len(rows), len(heard))
    )
    return Table("T6.17", strings("tones.at_receivers"), head, rows, _empty(results, strings), note if rows else "")


def _clearest(results: Results) -> list[ToneAtReceiver]:
    """The service under which the marks of one place are heard most clearly at each receiver, the clearest first."""

    def clarity(tone: ToneAtReceiver) -> tuple[int, float]:
        return WORDS.index(tone.fresh), -value(tone.over_neighbours_fresh_db)

    best: dict[tuple[str, str, float, float, float], ToneAtReceiver] = {}
    for tone in sorted(results.tones.at_receivers if results.tones is not None else (), key=clarity):
        best.setdefault((tone.receiver, tone.track, tone.from_m, tone.to_m, tone.pitch_mm), tone)
    return list(best.values())


def _range(ends: tuple[float, float]) -> str:
    low, high = (f"{end:.0f}" for end in ends)
    return low if low == high else f"{low}–{high}"


def figure(results: Results, strings: Strings) -> Figure:
    """F6.8: expected tone against train speed and along the line."""
    caption, marks = strings("tones.figure"), _marks(results)
    if not marks:
        return Figure(FIGURE_ID, caption, "", "", 170.0, empty=_empty(results, strings))

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    names = service_names(results)
    details = [
        strings(
            "tones.figure_alt_service",
            service=names.get(m.service, m.service),
            low=f"{m.frequency_hz[1][0]:.0f}",
            high=f"{m.frequency_hz[1][1]:.0f}",
            speeds=_range(m.speed_km_h),
        )
        for m in marks[:MAX_TONE_SERVICES]
        if 1 in m.frequency_hz
    ]
    picture = tone_chart(results.site.services, marks, words)
    more = len({m.service for m in marks}) > MAX_TONE_SERVICES or len({m.pitch_mm for m in marks}) > MAX_PITCHES
    note = sentences(
        strings("tones.figure_note"),
        strings("tones.figure_capped", services=MAX_TONE_SERVICES, pitches=MAX_PITCHES) if more else "",
    )
    alt = strings("tones.figure_alt", details=" ".join(details))
    return drawn(FIGURE_ID, caption, alt, picture, note)


def summary(results: Results, strings: Strings) -> str:
    """What tone neighbours may hear, and whether the survey could have missed it."""
    strong = [t for t in _marks(results) if t.margin_fresh_db["likely"] >= t.needed_margin_db and 1 in t.frequency_hz]
    said = ""
    if strong:
        low, high = min(t.frequency_hz[1][0] for t in strong), max(t.frequency_hz[1][1] for t in strong)
        said = strings("tones.summary", low=number(round(low, -1)), high=number(round(high, -1)))
    return sentences(said, hidden(results, strings))


def hidden(results: Results, strings: Strings) -> str:
    """Says where a tone is likely at the assessment date although the survey of third octaves does not flag it."""
    heard: Sequence[ToneAtReceiver] = results.tones.at_receivers if results.tones is not None else ()
    ids = dict.fromkeys(t.receiver for t in heard if t.at_date == "likely" and t.flagged is False)
    return strings("tones.hidden", ids=shorten(joined(ids), MAX_LIST)) if ids else ""


def asked(results: Results) -> list[Finding]:
    """Findings for which tones were looked for."""
    return [f for f in results.findings if f.tone_found is not None]


def adjusted(results: Results, strings: Strings) -> str:
    """How many comparisons hold an adjustment for tones; empty if no criterion asks for one."""
    judged = asked(results)
    return strings("tones.adjusted", n=sum(bool(f.tone_found) for f in judged), asked=len(judged)) if judged else ""


def findings_note(findings: Sequence[Finding], strings: Strings) -> str:
    """Where tones were found among printed findings, and what they add; one sentence per outcome."""
    judged = [f for f in findings if f.tone_found is not None]
    groups: dict[tuple[str, str, str, str], list[str]] = {}
    for f in judged:
        if f.tone_found:
            bands = joined(f"{hz:g}" for hz in f.tone_bands_hz)
            periods = joined(strings.known("period", p) for p in f.tone_periods)
            key = (f.tone_rule, bands, periods, number(round(value(f.tone_adjustment_db), 1)))
            groups.setdefault(key, []).append(f"{f.receiver} {quantity_name(f, strings)}")
    found = [
        strings("tones.found", rule=rule, bands=b, periods=p, added=added, where=shorten("; ".join(where), MAX_LIST))
        for (rule, b, p, added), where in groups.items()
    ]
    rules = joined(dict.fromkeys(f.tone_rule for f in judged))
    return sentences(strings("tones.asked", rules=rules, n=len(judged)), *found) if judged else ""

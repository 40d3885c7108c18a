"""Why levels change: tables T6.18 to T6.20, figure F6.10, and the sentences that say it in plain words."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.figures.cause_chart import MAX_CAUSE_PANELS, Steps, cause_chart
from lineside.figures.words import clean
from lineside.report.option_words import option_for
from lineside.report.place_inputs import columns
from lineside.report.selection import MAX_ROWS, capped_note, printed_receivers, sentences, value
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, difference, joined, level, metres, number
from lineside.report.views import Column, Figure, Row, Table, drawn
from lineside.results.model import Action, Explanation, ReceiverResult, Results, SituationInfo

FIGURE_ID = "F6.10"
#: Parts smaller than this get no sentence and no step of their own. [dB]
SMALL_DB = 0.05
#: The name of the mixture of all states among the levels of single states.
MIXTURE = "mixture"
MAX_STATES = 10
MAX_GAINS = 4
#: So many causes are named in the summary.
MAX_NAMED = 3


def tables(results: Results, strings: Strings) -> list[Table]:
    """Causes of the change, levels in single states, actions for the depot."""
    return [_causes(results, strings), _states(results, strings), _actions(results, strings)]


def change(explanation: Explanation, quantity: str = "lden") -> float | None:
    """End minus start; None where one of them is silence."""
    start, end = explanation.start_db[quantity], explanation.end_db[quantity]
    return None if start is None or end is None else end - start


def situation_words(situation: SituationInfo, strings: Strings) -> str:
    """A situation as printed."""
    words = strings("causes.before") if situation.label == "before" else situation.date
    return joined([words, *dict.fromkeys(situation.states.values())])


def cause_sentences(explanation: Explanation, strings: Strings, quantity: str = "lden") -> list[str]:
    """One sentence per cause, the largest part first, from the numbers."""
    parts = [(c.cause, c.change_db[quantity]) for c in explanation.causes]
    found = sorted(((n, p) for n, p in parts if p is not None), key=lambda e: (-abs(e[1]), e[0]))
    out = []
    for name, part in found:
        key = "up" if part > 0 else "down"
        if abs(part) < SMALL_DB:
            out.append(strings("causes.nothing", cause=strings.known("cause", name)))
        else:
            out.append(strings(f"cause_{key}.{name}", change=number(round(abs(part), 1))))
    return out


def _causes(results: Results, strings: Strings) -> Table:
    printed = {r.id for r in printed_receivers(results)}
    found = [e for e in results.explanations if e.receiver in printed]
    names = [c.cause for c in found[0].causes] if found else []
    rows = tuple(
        Row(
            (
                e.receiver,
                level(e.start_db["lden"]),
                *(difference(c.change_db["lden"]) for c in e.causes),
                level(e.end_db["lden"]),
                difference(change(e)),
            )
        )
        for e in found
    )
    head = (
        *columns(strings, receiver="text"),
        Column(strings("col.before"), "num"),
        *(Column(strings("col.cause", cause=strings.known("cause", n)), "num") for n in names),
        *columns(strings, cause_end="num", cause_change="num"),
    )
    note = ""
    if found:
        start, end = situation_words(found[0].start, strings), situation_words(found[0].end, strings)
        capped = capped_note(strings, len(rows), len(results.receivers))
        note = sentences(strings("causes.table_note", start=start, end=end), _by_forecast(results, strings), capped)
    return Table("T6.18", strings("causes.table"), head, rows, strings("causes.none"), note)


def _by_forecast(results: Results, strings: Strings) -> str:
    names = forecast_titles(results)
    return strings("causes.by_forecast", names=joined(names)) if names else ""


def _states(results: Results, strings: Strings) -> Table:
    """Lden while each single state prevails."""
    shown = printed_receivers(results)
    names = [n for n in (shown[0].states_db if shown else {}) if n != MIXTURE][:MAX_STATES]
    states = {s.id: s.name or s.id for c in results.conditions for s in c.states}
    rows = tuple(
        Row((r.id, *(level(r.states_db[n]["lden"]) for n in (MIXTURE, *names) if n in r.states_db))) for r in shown
    )
    head = (
        *columns(strings, receiver="text", mixture="num"),
        *(
            Column(strings("col.state", state=strings.known("state", n) if n not in states else states[n]), "num")
            for n in names
        ),
    )
    n_all = len(shown[0].states_db) - 1 if shown else 0
    note = sentences(
        strings("causes.states_note"),
        strings("causes.states_left", shown=len(names), n=n_all) if n_all > len(names) else "",
        _by_forecast(results, strings),
        capped_note(strings, len(rows), len(results.receivers)) if names else "",
    )
    return Table("T6.19", strings("causes.states"), head, rows if names else (), strings("causes.no_states"), note)


def _actions(results: Results, strings: Strings) -> Table:
    rows = tuple(
        Row(
            (
                strings(f"action.{a.kind}"),
                a.track,
                metres(a.from_m),
                metres(a.to_m),
                joined(strings("causes.gain", id=g.receiver, gain=level(g.gain_db)) for g in a.gains[:MAX_GAINS]),
                _todo(a, results, strings),
            )
        )
        for a in results.actions[:MAX_ROWS]
    )
    head = columns(strings, action="text", track="text", from_m="num", to_m="num", gains="text", todo="text")
    return Table(
        "T6.20", strings("causes.actions"), head, rows, strings("causes.no_actions"), strings("causes.actions_note")
    )


def _todo(action: Action, results: Results, strings: Strings) -> str:
    """What the depot can do, and the recommended option that would act at the place."""
    option = option_for(action, results)
    return sentences(strings(f"action_do.{action.kind}"), strings("help.depot", option=option) if option else "")


def _loudest_changes(results: Results) -> list[tuple[ReceiverResult, Explanation]]:
    by_id = {e.receiver: e for e in results.explanations}
    found = [(r, by_id[r.id]) for r in results.receivers if r.id in by_id and change(by_id[r.id]) is not None]
    return sorted(found, key=lambda pair: (-abs(change(pair[1]) or 0.0), pair[0].id))


def figure(results: Results, strings: Strings) -> Figure:
    """F6.10: steps of causes at the receivers with the largest change."""
    caption = strings("causes.figure")
    shown = _loudest_changes(results)[:MAX_CAUSE_PANELS]
    if not shown:
        return Figure(FIGURE_ID, caption, "", "", 170.0, empty=strings("causes.none"))

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    picture = cause_chart([steps(r, e, strings) for r, e in shown], words)
    alt = strings("causes.figure_alt", ids=joined(r.id for r, _ in shown))
    note = sentences(strings("causes.figure_note", n=len(shown)), _by_forecast(results, strings))
    return drawn(FIGURE_ID, caption, alt, picture, note)


def steps(receiver: ReceiverResult | None, explanation: Explanation, strings: Strings, quantity: str = "lden") -> Steps:
    """One panel of the figure; parts too small to see are left out of it."""
    parts = [(c.cause, c.change_db[quantity]) for c in explanation.causes]
    return Steps(
        title=clean(f"{receiver.id}  {receiver.name}" if receiver else explanation.receiver),
        start=clean(situation_words(explanation.start, strings)),
        end=clean(situation_words(explanation.end, strings)),
        start_db=value(explanation.start_db[quantity]),
        end_db=value(explanation.end_db[quantity]),
        parts=[(strings.known("cause", n), p) for n, p in parts if p is not None and abs(p) >= SMALL_DB],
    )


def summary(results: Results, strings: Strings) -> list[str]:
    """The largest change in one or two sentences."""
    found = _loudest_changes(results)
    if not found:
        return []
    receiver, explanation = found[0]
    whole_change = change(explanation) or 0.0
    if abs(whole_change) < SMALL_DB:
        return [strings("causes.summary_same", date=explanation.end.date)]
    way = "up" if whole_change > 0 else "down"
    said = {"id": receiver.id, "date": explanation.end.date, "change": number(round(abs(whole_change), 1))}
    parts = [(c.cause, c.change_db["lden"] or 0.0) for c in explanation.causes]
    same_way = sorted((p for p in parts if p[1] * whole_change > 0), key=lambda p: (-abs(p[1]), p[0]))
    named = [
        strings("causes.part", cause=strings.known("cause", name), change=difference(part))
        for name, part in same_way[:MAX_NAMED]
        if abs(part) >= SMALL_DB
    ]
    return [
        strings(f"causes.summary_{way}", **said),
        strings("causes.summary_parts", parts=joined(named)) if named else "",
    ]


def forecast_titles(results: Results) -> list[str]:
    """Calculators that stand in for the method's own in explanations and single states."""
    return [o.title for o in results.provenance.offers if o.kind == "source (forecast)"]


def action_words(action: Action, strings: Strings) -> str:
    """An action in one sentence, for text output."""
    gains = joined(strings("causes.gain", id=g.receiver, gain=level(g.gain_db)) for g in action.gains[:MAX_GAINS])
    return strings(
        "causes.action_line", action=strings(f"action.{action.kind}"), track=action.track, from_m=metres(action.from_m),
        to_m=metres(action.to_m), gains=gains or NOTHING, todo=strings(f"action_do.{action.kind}"),
    )  # fmt: skip


def conditions_table(results: Results, strings: Strings) -> Table:
    """T5.17: states of what changes from day to day, with their shares of time."""
    periods: Sequence[str] = [p.name for p in results.periods]
    rows = tuple(
        Row(
            (
                strings.known("condition", c.kind),
                s.name or s.id,
                *(number(round(100.0 * s.share[p], 1)) for p in periods),
                joined((_change(k, v, strings) for k, v in s.changes.items()), "; ") or NOTHING,
            )
        )
        for c in results.conditions
        for s in c.states
    )
    head = (
        *columns(strings, condition="text", state_name="text"),
        *(Column(strings("col.share_of", period=strings.known("period", p)), "num") for p in periods),
        *columns(strings, state_changes="text"),
    )
    return Table("T5.17", strings("causes.conditions"), head, rows, strings("causes.no_conditions"))


def _change(key: str, value: str | float, strings: Strings) -> str:
    if isinstance(value, str):
        return f"{key}: {value}"
    return strings(f"state_change.{key}", value=number(value))

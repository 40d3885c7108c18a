"""The one-page summary in plain words, made from the numbers of the results document."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from lineside.report import buildings, causes, in_time, kept_limits, option_figure, sure
from lineside.report.method_sources import took_part
from lineside.report.nearest import nearest_joint
from lineside.report.selection import (
    by_exposure,
    largest_parts,
    left_out,
    limits_of,
    of_project,
    service_names,
    value,
)
from lineside.report.strings import Strings
from lineside.report.text import joined, metres, number, told, whole
from lineside.report.views import Block
from lineside.results.model import Level, ReceiverResult, Results


def blocks(results: Results, strings: Strings) -> Sequence[Block]:
    """The paragraphs of the summary."""
    pieces = {
        "in_short": _in_short,
        "against_limits": _against_limits,
        "how_loud": _how_loud,
        "what_dominates": _what_dominates,
        **({"until_when": _since_the_works} if results.timeline is not None or results.explanations else {}),
        **({"what_helps": option_figure.summary} if option_figure.summary(results, strings) else {}),
        "not_known": _not_known,
    }
    return [
        Block(strings(f"summary.{name}"), tuple(s for s in make(results, strings) if s))
        for name, make in pieces.items()
    ]


def _against_limits(results: Results, strings: Strings) -> list[str]:
    return [*kept_limits.sentences_per_criterion(results, strings), *buildings.limits_in_summary(results, strings)]


def _since_the_works(results: Results, strings: Strings) -> list[str]:
    return [*causes.summary(results, strings), *in_time.summary(results, strings)]


def of_one_situation(results: Results, strings: Strings) -> str:
    """Says loudly that levels are not those of the mixture at the first assessment date; empty where they are."""
    dates = of_project(results, "identity", "assessment_dates", default=[])
    usual = str(dates[0]) if dates else str(of_project(results, "identity", "date", default=""))
    situation = results.situation
    if situation.date == usual and not situation.states:
        return ""
    states = joined(situation.states.values()) or strings("summary.no_states")
    return strings("summary.one_situation", date=situation.date, states=states)


def _in_short(results: Results, strings: Strings) -> list[str]:
    return [s for s in (of_one_situation(results, strings), *_loudest(results, strings)) if s]


def _loudest(results: Results, strings: Strings) -> list[str]:
    heard = [r for r in by_exposure(results.receivers) if r.lden_db is not None]
    if not heard:
        return [strings("summary.silent"), _scope(results, strings)]
    top = heard[0]
    loudest = strings(
        "summary.loudest_place",
        id=top.id,
        name=top.name,
        distance=metres(top.distance_m),
        track=top.nearest_track,
        level=told(top.lden_db, limits_of(results, top.id, "lden_db")),
    )
    above = [*kept_limits.receivers_above(results, strings), *buildings.limits_in_summary(results, strings)]
    return [loudest, *above, _scope(results, strings)]


def _scope(results: Results, strings: Strings) -> str:
    """What was assessed, in one sentence."""
    trains = sum(sum(s.trains.values()) for s in results.site.services)
    n_tracks = len(results.site.tracks)
    return strings(
        "summary.scope",
        trains=number(round(trains, 1) if trains < 10 else round(trains)),
        tracks=strings("summary.tracks_one") if n_tracks == 1 else strings("summary.tracks_many", n=n_tracks),
        receivers=kept_limits.receivers(len(results.receivers), strings),
    )


def _lden(receiver: ReceiverResult, results: Results) -> str:
    return told(receiver.lden_db, limits_of(results, receiver.id, "lden_db"))


def _how_loud(results: Results, strings: Strings) -> list[str]:
    heard = [r for r in by_exposure(results.receivers) if r.lden_db is not None]
    if not heard:
        return [strings("summary.silent")]
    low, high = heard[-1], heard[0]
    out = [strings("summary.range", low=_lden(low, results), low_id=low.id, high=_lden(high, results), high_id=high.id)]
    night = next((p for p in results.periods if p.name == "night"), None)
    if night is not None:
        loudest = max(results.receivers, key=lambda r: value(r.period_db.get("night")))
        hours = strings("period.clock", from_hour=night.from_hour, to_hour=night.to_hour)
        if loudest.period_db.get("night") is not None:
            printed = told(loudest.period_db["night"], limits_of(results, loudest.id, "lnight_db"))
            out.append(strings("summary.night", hours=hours, level=printed, id=loudest.id))
    passes = [(value(p.lafmax_db), r.id, p) for r in results.receivers for p in r.passes if p.lafmax_db is not None]
    if passes:
        _, receiver, loud = max(passes, key=lambda entry: entry[0])
        names = service_names(results)
        out.append(
            strings(
                "summary.loudest_pass",
                level=told(loud.lafmax_db, limits_of(results, receiver, "lafmax_db")),
                id=receiver,
                state=loud.state,
                service=names.get(loud.service, loud.service),
            )
        )
    return [*out, *_for_whom(results, strings)]


def _for_whom(results: Results, strings: Strings) -> list[str]:
    dwellings = sum(r.dwellings for r in results.receivers)
    persons = sum(r.persons for r in results.receivers)
    uses = Counter(strings.known("use", r.use) for r in results.receivers)
    in_buildings = buildings.persons_in_summary(results, strings)
    none = "" if in_buildings else strings("summary.no_persons")
    printed = ", ".join(f"{use} ({n})" for use, n in sorted(uses.items(), key=lambda e: (-e[1], e[0])))
    return [
        strings("summary.persons", dwellings=dwellings, persons=persons) if dwellings or persons else none,
        *in_buildings,
        strings("summary.uses", uses=printed) if uses else "",
    ]


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
            total=_lden(top, results),
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
    if "impact" in (order[0], leading):
        out.append(_where_the_joints_are(top, results, strings))
    return out


def _where_the_joints_are(receiver: ReceiverResult, results: Results, strings: Strings) -> str:
    """Names what makes impact noise near a receiver."""
    found = nearest_joint(receiver, results.site.joints)
    if found is None:
        return ""
    joint, distance = found
    key = "summary.nearest_joints" if joint.what == "joints" else "summary.nearest_turnout"
    return strings(
        key,
        id=receiver.id,
        track=joint.track,
        from_m=metres(joint.from_m),
        to_m=metres(joint.to_m),
        distance=metres(distance),
    )


def _mechanism(name: str, strings: Strings) -> str:
    return strings.known("mechanism", name)


def _not_known(results: Results, strings: Strings) -> list[str]:
    stated = results.uncertainty
    spectra = of_project(results, "spectra", default=[])
    unverified = [o.title for o in took_part(results) if o.verification == "not verified"]
    notes = sum(n.kind in ("validity", "warning") for n in results.notes)
    missing = left_out(results)
    return [
        strings("summary.predicted"),
        strings("summary.measured_inputs", n=len(spectra)) if spectra else "",
        strings(
            "summary.uncertainty",
            expanded=number(stated.expanded_db, 3),
            expanded_pass=number(stated.pass_expanded_db, 3),
            statement=stated.statement,
            standing=stated.standing,
        ),
        sure.summary(results, strings),
        strings("summary.not_verified", names=", ".join(unverified)) if unverified else "",
        strings("summary.left_out", names=", ".join(missing)) if missing else "",
        _works(results, strings),
        strings("summary.notes", n=notes) if notes else "",
    ]


def _works(results: Results, strings: Strings) -> str:
    if not results.site.works:
        return ""
    return strings("summary.works" if results.timeline is None else "summary.works_computed")

"""Checks of works: what each kind may change, what a change needs, and works that contradict each other."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from itertools import combinations
from typing import Any

from lineside.contracts import Options
from lineside.project.draft import Draft
from lineside.project.model import Track, Work
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.wording import names
from lineside.project.works import MAY_CHANGE, MAY_END, NEW_SURFACE
from lineside.scene.alignment import SAME_PLACE_M
from lineside.scene.tracks import change_dates, changes_at, lay, resolve_track, track_line

#: Attributes that together say how a track answers.
_TRANSFER = frozenset({"sleeper", "rail_pad", "track_transfer"})
_WHY_NOT = {
    "grinding": "what it does to the roughness of the rails stands in details, for calculation.rail_state",
    "milling": "what it does to the roughness of the rails stands in details, for calculation.rail_state",
    "tamping": "it changes no input of the methods: leave changes out, the work is recorded",
}


def check_works(draft: Draft, resolved: Resolved) -> None:
    """Run every check of works."""
    for i, work in draft.readable("works").items():
        _check_keys(draft, i, work)
        _check_needs(draft, i, work)
        _check_end(draft, i, work)
    _check_date_is_asked_for(draft)
    _check_transfer(draft)
    _check_same_day_changes(draft)
    for i, track in draft.tracks.items():
        here = {k: work for k, work in draft.works.items() if work.track == track.id and work.from_m < work.to_m}
        for k, work in here.items():
            if work.kind == "joint_removal":
                _check_joints(draft, k, work, track, list(here.values()))
            elif work.kind == "turnout_renewal" and not _touches(work, [t.chainage_m for t in track.turnouts]):
                draft.reporter.warn(("works", k), "there is no turnout of this track between from_m and to_m", found="")
        _check_curves(draft, resolved, i, track, here)


def _check_keys(draft: Draft, i: int, work: Work) -> None:
    may = MAY_CHANGE[work.kind]
    for key in work.changes.written():
        if key not in may:
            draft.reporter.add(
                ("works", i, "changes", key),
                f"a work of kind {work.kind} does not change {key}",
                allowed=names(may),
                hint=_WHY_NOT.get(work.kind, "use kind: other for a work that changes other things"),
                of_key=True,
                found="",
            )


def _check_needs(draft: Draft, i: int, work: Work) -> None:
    path: Loc = ("works", i, "changes")
    if draft.faulty(*path):
        return
    written = work.changes.written()
    if work.kind == "rail_dampers" and written.get("track_transfer") is None:
        draft.reporter.add(
            (*path, "track_transfer"),
            "track_transfer is missing: what rail dampers do depends on the track, there is no general value",
            allowed="{spectrum: id} of kind track_transfer, measured or computed for the damped track",
            hint="to record the work only, write kind: other",
            found="",
            of_key=True,
        )
    elif work.kind == "rail_pads" and not set(written) & set(MAY_CHANGE["rail_pads"]):
        draft.reporter.add(
            path,
            "changes is missing: which pads lie there now?",
            allowed=names(MAY_CHANGE["rail_pads"]),
            hint="to record the work only, write kind: other",
            found="",
            of_key=True,
        )
    elif set(written) == {"rail_pad_stiffness_mn_m"}:
        draft.reporter.warn(
            (*path, "rail_pad_stiffness_mn_m"),
            "changes no level: the stiffness is recorded beside the class of the pad",
            hint="give rail_pad, or a track_transfer",
        )
    elif work.kind == "turnout_renewal" and not written:
        draft.reporter.warn(
            ("works", i),
            "is recorded only, as it has no changes",
            hint=f"write in changes what is new: {names(MAY_CHANGE['turnout_renewal'])}",
            found="",
        )


def _check_end(draft: Draft, i: int, work: Work) -> None:
    path: Loc = ("works", i, "until")
    if work.until is None:
        return
    if work.kind not in MAY_END:
        draft.reporter.add(
            path,
            f"what a work of kind {work.kind} changes lasts",
            allowed=f"until beside kind: {names(MAY_END)}",
            hint="leave until out; write another work for what came after",
        )
    elif not draft.faulty("works", i, "date") and work.until <= work.date:
        draft.reporter.add(path, "must lie after date", allowed=f"a date after {work.date.isoformat()}")
    elif not work.sets() and not draft.faulty("works", i, "changes"):
        draft.reporter.warn(path, "has no effect, as the work changes nothing", hint="write changes, or leave it out")


def _check_date_is_asked_for(draft: Draft) -> None:
    """Levels of which date, if works change the track?"""
    identity, calculation = draft.identity, draft.calculation
    if identity is None or identity.assessment_dates or (calculation is not None and calculation.rail_state):
        return
    changing = [i for i, work in draft.works.items() if work.sets()]
    if changing:
        line = draft.reporter.document.mark(("works", changing[0]))[0]
        draft.reporter.add(
            ("identity", "assessment_dates"),
            f"needs a date, as the work in line {line} changes the track",
            allowed="a list of dates; the levels are those of the first one",
            found="",
        )


def worked_pieces(draft: Draft) -> Iterator[tuple[int, Mapping[str, Any]]]:
    """Pieces of track with other sleepers, pads or transfer by works, at each date of change: (last work, values)."""
    for track in draft.tracks.values():
        sound = [w for w in draft.works.values() if w.from_m < w.to_m and w.sets().keys() & _TRANSFER]
        index = {id(work): i for i, work in draft.works.items()}
        for date in change_dates(w for w in sound if w.track == track.id):
            done = changes_at(sound, track.id, date)
            if not done:
                continue
            at_m, values, _ = lay(track, done, min(w.from_m for w in done), max(w.to_m for w in done))
            for middle, here in zip(0.5 * (at_m[:-1] + at_m[1:]), values, strict=True):
                last = next((w for w in reversed(done) if w.from_m <= middle <= w.to_m), None)
                if last is not None and not draft.faulty("works", index[id(last)], "changes"):
                    yield index[id(last)], here


def _check_transfer(draft: Draft) -> None:
    for i, here in worked_pieces(draft):
        path: Loc = ("works", i, "changes")
        new = draft.works[i].sets()
        if here["track_transfer"] is None and here["sleeper"] is None:
            draft.reporter.add(
                (*path, "sleeper"), "needs sleeper: the track has no track_transfer here after this work", found=""
            )
        for key in ("sleeper", "rail_pad"):
            if here["track_transfer"] is not None and new.get(key) is not None and "track_transfer" not in new:
                draft.reporter.warn(
                    (*path, key),
                    "has no effect, as track_transfer replaces sleeper and pad",
                    hint="write track_transfer: null in this work, or the spectrum of the changed track",
                )


def _check_joints(draft: Draft, i: int, work: Work, track: Track, works: list[Work]) -> None:
    done = changes_at(works, track.id, work.date)
    before = done[: next((n for n, other in enumerate(done) if other is work), 0)]
    joints = [w for w in before if "joints_per_100_m" in w.sets()]
    if all(here["joints_per_100_m"] == 0 for here in lay(track, joints, work.from_m, work.to_m)[1]):
        draft.reporter.warn(
            ("works", i),
            "there are no joints here to remove",
            hint="attributes and stretches of a track describe it before its works: give joints_per_100_m there",
            found="",
        )


def _touches(work: Work, chainages_m: list[float]) -> bool:
    return any(work.from_m <= chainage <= work.to_m for chainage in chainages_m)


def _check_curves(draft: Draft, resolved: Resolved, i: int, track: Track, works: Mapping[int, Work]) -> None:
    lubricated = {k: work for k, work in works.items() if work.kind == "lubrication"}
    if not lubricated or i not in resolved.alignments:
        return
    curves = track_line(resolve_track(track, resolved.alignments[i])).curves
    for k, work in lubricated.items():
        if not any(min(c.to_m, work.to_m) - max(c.from_m, work.from_m) > SAME_PLACE_M for c in curves):
            draft.reporter.warn(
                ("works", k),
                "lubricates straight track",
                hint="gauge faces are lubricated in curves: are track and chainages right?",
                found="",
            )


def _same_day(draft: Draft) -> Iterator[tuple[int, int]]:
    """Pairs of works of one kind and day that cover some of the same track, in the order of the file."""
    alike: dict[tuple[Any, ...], list[int]] = {}
    for i, work in draft.works.items():
        alike.setdefault((work.track, work.date, work.kind), []).append(i)
    for group in alike.values():
        for a, b in combinations(group, 2):
            first, second = draft.works[a], draft.works[b]
            if min(first.to_m, second.to_m) - max(first.from_m, second.from_m) > SAME_PLACE_M:
                yield a, b


def _other_work(draft: Draft, i: int) -> str:
    return f"works[{i + 1}] in line {draft.reporter.document.mark(('works', i))[0]}"


_ONE_OF_TWO = "which of the two came last cannot be known: give only that one, or end one where the other begins"


def _check_same_day_changes(draft: Draft) -> None:
    for a, b in _same_day(draft):
        first, second = draft.works[a].sets(), draft.works[b].sets()
        for key in first.keys() & second.keys():
            if first[key] != second[key]:
                draft.reporter.add(
                    ("works", b, "changes", key),
                    f"is another one in {_other_work(draft, a)}, of the same kind and day on the same track",
                    hint=_ONE_OF_TWO,
                )


def check_same_day_surfaces(draft: Draft, details: Mapping[int, Options]) -> None:
    """Report works that leave a new surface, but not the same one, on one place and day.

    ``details`` by index of the work, as the calculator of the rail state read them.
    """
    for a, b in _same_day(draft):
        if draft.works[b].kind in NEW_SURFACE and a in details and b in details and details[a] != details[b]:
            draft.reporter.add(
                ("works", b),
                f"is of the same kind and day as {_other_work(draft, a)}, on the same track, with other details",
                hint=_ONE_OF_TWO,
                found="",
            )

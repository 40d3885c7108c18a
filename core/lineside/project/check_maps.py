"""Checks of the maps that a project asks for: situations, points, limits, cuts."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from math import ceil, hypot
from typing import Any

from lineside.errors import RequestError
from lineside.project.check_coordinates import FAR_M, MISPLACED_HINT, distance_words
from lineside.project.conditions import STATES
from lineside.project.draft import Draft
from lineside.project.map_limits import limit_on_map, use_of
from lineside.project.maps import GRID_MAPS, ConflictMap, DifferenceMap, SectionMap
from lineside.project.names import Named
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.situations import WEATHER, Words, read_situation
from lineside.project.vocabulary import Vocabulary
from lineside.project.wording import did_you_mean, names, shown
from lineside.project.works import Work
from lineside.scene.conditions import RAIL_CONDITIONS

#: A situation: its date, states by kind of condition, and the month.
Meant = tuple[dt.date | None, Mapping[str, str], int | None]

_SHORTEST_M = 1.0
MAX_MAPS = 50
_CUT_LARGE, _CUT_TOO_LARGE = 10_000, 200_000


def check_maps(draft: Draft, resolved: Resolved, named: Named, vocabulary: Vocabulary | None) -> None:
    """Run every check of maps."""
    words = _words(draft, vocabulary)
    _check_grid(draft)
    if len(draft.maps) > MAX_MAPS:
        draft.reporter.add(("maps",), f"holds {len(draft.maps)} maps", found="", allowed=f"up to {MAX_MAPS}")
        return
    n_points = 0
    for i, wanted in draft.maps.items():
        path: Loc = ("maps", i)
        if words is not None:
            _check_situations(draft, path, wanted, words)
        if draft.faulty(*path):
            continue
        _check_measures(draft, path, wanted, vocabulary)
        if isinstance(wanted, ConflictMap):
            _check_limit(draft, path, wanted, named, vocabulary)
        if isinstance(wanted, SectionMap):
            n = _check_cut(draft, resolved, path, wanted)
            n_points += n if n <= _CUT_TOO_LARGE else 0
    if n_points > _CUT_TOO_LARGE:
        draft.reporter.add(
            ("maps",),
            f"make sections of {n_points} points together",
            found="",
            allowed=f"up to {_CUT_TOO_LARGE} points",
            hint="take wider step_m, shorter lines or smaller up_to_m, or fewer sections",
        )


def _check_grid(draft: Draft) -> None:
    on_grid = [i for i, wanted in draft.maps.items() if isinstance(wanted, GRID_MAPS)]
    unread = draft.calculation is None or draft.faulty("calculation", "grid")
    if on_grid and not unread and draft.calculation is not None and draft.calculation.grid is None:
        draft.reporter.add(
            ("maps", on_grid[0]),
            "needs the points of a grid, but calculation.grid is not set",
            hint="write under calculation: grid: {spacing_m: 20}",
            found="",
        )


def _words(draft: Draft, vocabulary: Vocabulary | None) -> Words | None:
    """What situations may name; None where it cannot be read."""
    if draft.faulty("conditions") or draft.faulty("works") or draft.calculation is None or vocabulary is None:
        return None
    kinds: dict[str, str] = {}
    if draft.conditions is not None:
        kinds = {state.id: kind for kind in STATES for state in getattr(draft.conditions, kind)}
        if draft.conditions.rail is not None:
            kinds.update(dict.fromkeys(RAIL_CONDITIONS, "rail"))
    weather = vocabulary.weather_states.get(draft.calculation.method, ())
    kinds.update(dict.fromkeys(weather if len(weather) > 1 else (), WEATHER))
    return Words(kinds, min((work.date for work in draft.works.values()), default=None))


def _check_situations(draft: Draft, path: Loc, wanted: Any, words: Words) -> None:
    given = {"at": wanted.at} if not isinstance(wanted, DifferenceMap) else {"from": wanted.from_, "to": wanted.to}
    if isinstance(wanted, DifferenceMap) and wanted.measures:
        given = {key: text for key, text in given.items() if text is not None}
    read: dict[str, Meant] = {}
    for key, text in given.items():
        try:
            read[key] = _meant(draft, text, words)
        except RequestError as error:
            message, _, rest = str(error).partition("\n")
            draft.reporter.add((*path, key), message, hint=rest.strip(), found="")
    if wanted.measures:
        return
    if isinstance(wanted, DifferenceMap) and len(read) == 2 and read["from"] == read["to"]:
        draft.reporter.add(
            (*path, "from"),
            "is the same situation as that of the report" if wanted.to is None else "is the same situation as to",
            allowed="another one: before, another date, or a state",
        )
    elif isinstance(wanted, DifferenceMap) and len(read) == 2 and _cannot_differ(draft, *read.values()):
        draft.reporter.warn(
            (*path, "from"),
            "makes an empty map: without calculation.rail_state no work changes a level between these dates",
            hint="set calculation.rail_state to compute the running surface, or changes of a work",
        )


def _cannot_differ(draft: Draft, one: Meant, other: Meant) -> bool:
    """Whether two situations differ in their dates alone, and nothing that is computed depends on these."""
    (date, *rest), (later, *others) = one, other
    unread = draft.calculation is None or draft.faulty("works") or draft.faulty("calculation", "rail_state")
    if unread or date is None or later is None or rest != others:
        return False
    if draft.calculation is not None and draft.calculation.rail_state is not None:
        return False
    return all(w.holds(date) == w.holds(later) for w in draft.works.values() if _counts(w))


def _counts(work: Work) -> bool:
    """Whether a work changes more than what is recorded only."""
    return bool(work.sets().keys() - {"rail_pad_stiffness_mn_m"})


def _meant(draft: Draft, text: str | None, words: Words) -> Meant:
    """What a situation is, with the date that holds where it names none."""
    identity = draft.identity
    own = (*identity.assessment_dates, identity.date)[0] if identity is not None else None
    date, states, month = (None, {}, None) if text is None else read_situation(text, words)
    return date or own, states, month


def _check_measures(draft: Draft, path: Loc, wanted: Any, vocabulary: Vocabulary | None) -> None:
    known = {use.id: use for use in draft.measures.values()}
    for k, name in enumerate(wanted.measures):
        where = (*path, "measures", k)
        if name not in known:
            draft.reporter.add(
                where,
                "there is no measure with this id",
                allowed=names(known) if known else "none, as the project lists no measures",
                hint=did_you_mean(name, known),
            )
        elif vocabulary is not None and known[name].measure in vocabulary.measures:
            side = vocabulary.measures[known[name].measure].side
            if side not in ("source", "path"):
                draft.reporter.warn(where, "changes no level outdoors, and so nothing on a map")


def _check_limit(draft: Draft, path: Loc, wanted: ConflictMap, named: Named, vocabulary: Vocabulary | None) -> None:
    if wanted.criterion is None:
        return
    uses = {use.use_id: use for use in draft.criteria.values()}
    if wanted.criterion not in uses:
        draft.reporter.add(
            (*path, "criterion"),
            "is none of the criteria of this project",
            allowed=names(uses) if uses else "limit_db and source, as the project names no criterion",
            hint=did_you_mean(wanted.criterion, uses),
        )
        return
    options = named.criteria_options.get(wanted.criterion)
    ask = vocabulary.limits.get(uses[wanted.criterion].name) if vocabulary is not None else None
    if options is None or ask is None:
        return
    found = limit_on_map(wanted, ask(use_of(wanted), options))
    if isinstance(found, str):
        draft.reporter.add(
            (*path, "criterion"),
            f"cannot be applied to this map: {found}",
            hint="choose the quantity (and hours), use and area that it limits, or give limit_db and source",
        )
    elif found.tone is not None:
        draft.reporter.warn(
            (*path, "criterion"),
            "asks for a search for tones, which a map does not make: it shows the limit without the adjustment",
        )


def _check_cut(draft: Draft, resolved: Resolved, path: Loc, wanted: SectionMap) -> int:
    """Check a section; the number of its points, 0 where it has none."""
    from shapely import LineString

    (x0, y0), (x1, y1) = wanted.line
    length = hypot(x1 - x0, y1 - y0)
    if length < _SHORTEST_M:
        draft.reporter.add(
            (*path, "line"), f"is {length:.2f} m long", allowed=f"at least {_SHORTEST_M:g} m", hint="give both ends"
        )
        return 0
    n = (ceil(length / wanted.step_m) + 1) * (ceil(wanted.up_to_m / wanted.step_m) + 1)
    if n > _CUT_LARGE:
        draft.reporter.add(
            (*path, "step_m"),
            f"makes a section of {n} points" + ("" if n > _CUT_TOO_LARGE else ": this takes long"),
            allowed=f"up to {_CUT_TOO_LARGE} points" if n > _CUT_TOO_LARGE else "",
            hint="take a wider step_m, a shorter line or a smaller up_to_m",
            severity="error" if n > _CUT_TOO_LARGE else "warning",
        )
    cut = LineString(wanted.line)
    tracks = {i: LineString(a.xyz_m[:, :2]) for i, a in resolved.alignments.items()}
    if not tracks:
        return n
    far = min(line.distance(cut) for line in tracks.values())
    if far > FAR_M:
        draft.reporter.add(
            (*path, "line"),
            f"lies {distance_words(far)} from the nearest track",
            allowed=f"at most {FAR_M / 1000:g} km",
            hint=MISPLACED_HINT,
        )
    elif not any(line.intersects(cut) for line in tracks.values()):
        known = [shown(t.id) for i, t in draft.readable("tracks").items() if i in tracks]
        draft.reporter.warn((*path, "line"), f"crosses no track ({', '.join(known)})", hint="are both ends right?")
    return n

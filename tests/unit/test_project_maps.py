"""Maps in the project file: what can be asked for, and what is said where it cannot be."""

from __future__ import annotations

import functools
from typing import Any

import pytest

import lineside
from lineside.contracts import LimitCheck, NotApplicable, Window
from lineside.errors import ProjectError
from lineside.plugins import Plugins
from lineside.project.map_limits import limit_on_map, threshold_db
from lineside.project.maps import ConflictMap
from sites import straight_site, write_site

PLUGINS = functools.cache(Plugins.load)


def site(*maps: dict[str, Any], grid: bool = True, **more: Any) -> dict[str, Any]:
    found = straight_site()
    found["calculation"]["grid"] = {"spacing_m": 50} if grid else None
    permit = {
        "title": "Permit",
        "source": "page 3",
        "limits": [
            {"quantity": "laeq", "from_hour": 22, "to_hour": 6, "limit_db": 45},
            {"quantity": "lden", "limit_db": 58, "uses": ["dwelling"]},
            {"quantity": "lafmax", "limit_db": 75, "uses": ["school"]},
        ],
    }
    found["criteria"].append({"name": "custom", "id": "permit", "options": permit})
    return {**found, **more, "maps": list(maps)}


def problems(tmp_path, given: dict[str, Any]) -> list[str]:
    try:
        return [str(w) for w in lineside.load_project(write_site(given, tmp_path), PLUGINS()).warnings]
    except ProjectError as error:
        return [str(p) for p in error.problems]


def levels(**more: Any) -> dict[str, Any]:
    return {"id": "L", "kind": "levels", **more}


def conflict(**more: Any) -> dict[str, Any]:
    return {"id": "C", "kind": "conflict", **more}


def cut(**more: Any) -> dict[str, Any]:
    return {"id": "S", "kind": "section", "line": [[0, -50], [0, 100]], **more}


WORK = {"date": "2026-11-25", "kind": "joint_removal", "track": "T", "from_m": 900, "to_m": 1100}
CONDITIONS = {"rail": {"dry": 0.7, "wet": 0.3}, "driving": [{"id": "calm", "share": 1.0}]}

GOOD = {
    "all kinds": site(
        levels(quantity="lnight", at="2027-01-01"),
        levels(id="E", quantity="laeq", from_hour=22, to_hour=6),
        {"id": "D", "kind": "difference", "from": "before", "to": "2027-03-01"},
        conflict(criterion="permit", use="dwelling"),
        conflict(id="C2", criterion="permit", use="office", quantity="laeq", from_hour=22, to_hour=6),
        conflict(id="C3", limit_db=50, source="Plan, page 2", quantity="lnight"),
        conflict(id="C4", criterion="who_2018", use="dwelling", quantity="lnight"),
        cut(at="before"),
        works=[WORK],
    ),
    "states, weather and months": site(
        levels(at="favourable"), levels(id="M", at="march+wet"), levels(id="W", at="calm"), conditions=CONDITIONS
    ),
    "a section needs no grid": site(cut(), grid=False),
}


@pytest.mark.parametrize("name", GOOD)
def test_what_can_be_asked_for(name, tmp_path):
    assert not [p for p in problems(tmp_path, GOOD[name]) if "maps" in p]


BAD = {
    "a date that does not exist": (site(levels(at="2026-02-30")), 'maps[1] "L": at', "is no date", "states:"),
    "a slip of the pen": (site(levels(at="befor"), works=[WORK]), "at: 'befor'", "did you mean before?"),
    "before without works": (site(levels(at="before")), "at", "the project has no works"),
    "two dates": (site(levels(at="2027-01-01+2027-02-01")), "names two dates"),
    "a state that is not there": (site(levels(at="wet")), "'wet' is no date", "states: homogeneous, favourable"),
    "no grid": (site(levels(), conflict(limit_db=50, source="P"), grid=False), "maps[1]", "calculation.grid"),
    "two of one id": (site(levels(), levels()), 'maps[2] "L": id', "each map needs its own"),
    "no change by name": (
        site({"id": "D", "kind": "difference", "from": "2027-01-01", "to": "2027-01-01"}),
        "from: is the same situation as to",
    ),
    "no change from the report": (
        site({"id": "D", "kind": "difference", "from": "2026-11-20"}),
        "from: is the same situation as that of the report",
    ),
    "no such criterion": (
        site(conflict(criterion="who", use="dwelling")),
        "criterion: is none of the criteria",
        "who_2018, permit",
        "did you mean who_2018?",
    ),
    "a quantity without a limit": (
        site(conflict(criterion="permit", use="dwelling", quantity="lnight")),
        "criterion: cannot be applied to this map",
        "quantity: laeq, from_hour: 22, to_hour: 6; quantity: lden",
    ),
    "a use without limits": (
        site(conflict(criterion="who_2018", use="office")),
        "cannot be applied to this map",
        "receiver's use is 'office'",
    ),
    "neither criterion nor limit": (site(conflict()), "needs either criterion and use, or limit_db and source"),
    "a limit without a source": (site(conflict(limit_db=50)), "needs either criterion and use, or limit_db and source"),
    "criterion and limit": (
        site(conflict(criterion="permit", use="dwelling", limit_db=50, source="P")),
        "needs either criterion and use, or limit_db and source",
    ),
    "hours without laeq": (site(levels(from_hour=22, to_hour=6)), "from_hour and to_hour with quantity laeq"),
    "laeq without hours": (site(levels(quantity="laeq")), "from_hour and to_hour with quantity laeq"),
    "an unknown kind": (site({"id": "X", "kind": "level"}), "is not a known kind", "levels", "did you mean levels?"),
    "an unknown key": (site(levels(qantity="lden")), "unknown key qantity", "did you mean quantity?"),
    "a section of no length": (site(cut(line=[[0, 5], [0, 5]])), "line: is 0.00 m long", "at least 1 m"),
    "a section far away": (site(cut(line=[[0, 9000], [0, 9100]])), "lies 9 km from the nearest track", "at most 5 km"),
    "a section beside the track": (site(cut(line=[[0, 10], [0, 100]])), 'crosses no track ("T")'),
    "a section of too many points": (site(cut(step_m=0.25, up_to_m=200)), "makes a section of", "up to 200000 points"),
    "a section of many points": (site(cut(step_m=0.5, up_to_m=30)), "makes a section of", "this takes long"),
}


def test_sections_are_counted_together(tmp_path):
    cuts = [cut(id=f"S{k}", line=[[0, -50], [0, 950]], step_m=0.5, up_to_m=20) for k in range(2)]
    assert not [p for p in problems(tmp_path, site(*cuts)) if "together" in p]
    cuts = [{**c, "up_to_m": 30} for c in cuts]
    (problem,) = [p for p in problems(tmp_path, site(*cuts)) if "together" in p]
    assert "make sections of 244122 points together" in problem and "up to 200000 points" in problem


def test_the_number_of_maps_has_a_limit(tmp_path):
    assert not [p for p in problems(tmp_path, site(*(levels(id=f"L{k}") for k in range(50)))) if "holds" in p]
    (problem,) = [p for p in problems(tmp_path, site(*(levels(id=f"L{k}") for k in range(51)))) if "holds" in p]
    assert "holds 51 maps" in problem and "up to 50" in problem


@pytest.mark.parametrize("name", BAD)
def test_what_is_said_where_a_map_cannot_be_made(name, tmp_path):
    given, *words = BAD[name]
    found = [p for p in problems(tmp_path, given) if "maps[" in p]
    assert len(found) == 1, found
    assert all(word in " ".join(found[0].split()) for word in words), found[0]


GRINDING = {**WORK, "kind": "grinding"}
CHANGE = {"id": "D", "kind": "difference", "from": "before", "to": "2027-03-01"}
RAIL_STATE = {"name": "rail_wear"}


@pytest.mark.parametrize(
    ("works", "change", "told"),
    [
        ([GRINDING], {}, True),
        ([GRINDING, WORK], {}, False),
        ([GRINDING], {"to": "2027-03-01+favourable"}, False),
        ([GRINDING, {**WORK, "date": "2026-12-24"}], {"from": "2027-01-01"}, True),
        ([{**WORK, "kind": "lubrication", "until": "2026-12-01"}], {}, True),
        ([{**WORK, "kind": "lubrication", "until": "2026-12-01"}], {"to": "2026-11-30"}, False),
    ],
)
def test_a_difference_of_what_cannot_differ_is_warned_of(works, change, told, tmp_path):
    given = site({**CHANGE, **change}, works=works)
    given["identity"]["assessment_dates"] = ["2026-12-01"]
    found = [p for p in problems(tmp_path, given) if "makes an empty map" in p]
    assert len(found) == told and all("calculation.rail_state" in p and 'maps[1] "D": from' in p for p in found)


def test_with_a_rail_state_grinding_makes_a_difference(tmp_path):
    given = site(CHANGE, works=[GRINDING])
    given["identity"]["assessment_dates"] = ["2026-12-01"]
    given["calculation"]["rail_state"] = RAIL_STATE
    assert not [p for p in problems(tmp_path, given) if "makes an empty map" in p]


def test_all_mistakes_of_maps_are_told_at_once(tmp_path):
    given = site(levels(at="befor"), conflict(criterion="who", use="dwelling"), cut(line=[[0, 5], [0, 5]]))
    assert len(problems(tmp_path, given)) == 3


def test_a_faulty_map_makes_no_second_error(tmp_path):
    given = site(conflict(criterion="permit", use="office", quantity="lnite"))
    (found,) = problems(tmp_path, given)
    assert "quantity: is not an accepted value" in found


def wanted(**more: Any) -> ConflictMap:
    return ConflictMap.model_validate({"id": "C", "kind": "conflict", "criterion": "c", "use": "dwelling", **more})


def test_the_lowest_of_several_limits_counts():
    checks = [LimitCheck("lden_db", 60.0, "a"), LimitCheck("lden_db", 62.0, "b", adjustment_db=5.0)]
    found = limit_on_map(wanted(), checks)
    assert isinstance(found, LimitCheck) and found.label == "b" and threshold_db(found) == 57.0


def test_clock_hours_must_be_those_of_the_limit():
    checks = [LimitCheck("laeq_db", 50.0, "night", Window(22, 6))]
    assert limit_on_map(wanted(quantity="laeq", from_hour=22, to_hour=6), checks) is checks[0]
    assert isinstance(limit_on_map(wanted(quantity="laeq", from_hour=23, to_hour=6), checks), str)


def test_limits_of_single_passes_are_not_on_a_map():
    found = limit_on_map(wanted(), [LimitCheck("lafmax_db", 75.0, "a")])
    assert isinstance(found, str) and "loudest train only" in found
    assert limit_on_map(wanted(), NotApplicable("no use")) == "no use"
    assert "no limit applies" in str(limit_on_map(wanted(), []))


def test_a_limit_with_a_search_for_tones_is_warned_of(tmp_path):
    given = site(conflict(criterion="permit", use="dwelling"))
    limit = given["criteria"][-1]["options"]["limits"][1]
    limit.update({"tone": "iso_1996_2_2007_annex_d", "tone_adjustment_db": 5})
    (found,) = [p for p in problems(tmp_path, given) if "maps[" in p]
    assert "without the adjustment" in found

"""Mixtures of states and the causes of a change, from the project file to levels: one straight site with a curve."""

from __future__ import annotations

import copy
import datetime as dt
from dataclasses import replace
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.acoustics.levels import to_db, to_energy
from lineside.api import Assessment, Explained, explain
from lineside.engine.select import select
from lineside.engine.situation import parse_situation
from lineside.errors import ProjectError, RequestError
from lineside.plugins import Plugins
from lineside.report.explanation import draw, lines
from lineside.results.model import Explanation
from lineside.scene.build import Scenes
from sites import straight_site, write_site

PLUGINS = Plugins.load()
PERIODS = ("day", "evening", "night")
DATE = dt.date(2026, 9, 2)
GRINDING = {
    "date": "2026-09-01", "kind": "grinding", "track": "T", "from_m": 300, "to_m": 700, "details": {"pitch_mm": 30},
}  # fmt: skip
JOINTS = {"date": "2026-08-20", "kind": "joint_removal", "track": "T", "from_m": 0, "to_m": 1000}
PADS = {
    "date": "2026-08-25", "kind": "rail_pads", "track": "T", "from_m": 0, "to_m": 1000, "changes": {"rail_pad": "hard"},
}  # fmt: skip
MODIFIER = {"date": "2026-08-28", "kind": "friction_modifier", "track": "T", "from_m": 400, "to_m": 600}
SQUEAL = {
    "shares": [
        {"radius_up_to_m": 300, "friction": "friction_modifier", "share": share(0.05), "source": "made up"}
        if with_modifier
        else {"radius_up_to_m": 300, "rail": rail, "share": share(p), "source": "made up"}
        for share in [lambda p: {"low": p, "likely": p, "high": p}]
        for with_modifier, rail, p in [(True, "", 0.0), (False, "dry", 0.6), (False, "damp", 0.2), (False, "wet", 0.0)]
    ],
    "level": {"excess_db": {"likely": 12}, "source": "made up"},
}
CONDITIONS = {
    "water": [
        {"id": "high", "share": 0.25},
        {"id": "low", "share": 0.75, "outlines": [{"area": "pond", "dry": True, "exposed": {"g": 1.0}}]},
    ],
    "air": [
        {"id": "cool", "share": {"day": 0.2, "evening": 0.5, "night": 0.9}, "temperature_deg_c": 2, "humidity_pct": 90},
        {
            "id": "warm",
            "share": {"day": 0.8, "evening": 0.5, "night": 0.1},
            "temperature_deg_c": 25,
            "humidity_pct": 40,
        },
    ],
    "rail": {"dry": 0.5, "damp": 0.3, "wet": 0.2},
    "driving": [
        {"id": "gentle", "share": 0.6, "acceleration_factor": 0.5, "traction_db": -3},
        {"id": "brisk", "share": 0.4, "acceleration_factor": 1.5, "traction_db": 2},
    ],
    "timetable": [
        {"id": "weekday", "share": 0.7},
        {"id": "sunday", "share": 0.3, "services": {"S": {"trains_factor": 0.5, "passes": True}}},
    ],
    "wheels": [
        {"id": "turned", "share": 0.9},
        {"id": "flat", "share": 0.1, "vehicles": {"car": "composite_block"}},
    ],
}


def site(conditions: dict[str, Any] | None = None, works: list[dict[str, Any]] | None = None, **changes: Any) -> Any:
    """A calling service on 1 km with a stop, a given curve, joints and a pond."""
    out = straight_site(500.0, joints_per_100_m=4)
    out["identity"]["assessment_dates"] = [DATE.isoformat()]
    out["tracks"][0]["stretches"] = [{"from_m": 400, "to_m": 600, "curve_radius_m": 150, "name": "Bend"}]
    out["vehicles"][0]["actual"] = {"wheel_load_kn": 50}
    out["stops"] = [{"id": "halt", "at": [{"track": "T", "chainage_m": 450}]}]
    calls = {"kind": "calls", "at": ["halt"], "acceleration_m_s2": 1.0, "braking_m_s2": 0.8, "dwell_s": 20}
    out["services"][0]["pattern"] = calls
    out["ground_areas"] = [
        {"id": "pond", "surface": "water", "polygon": [[-300, 10], [300, 10], [300, 45], [-300, 45]]}
    ]
    out["calculation"]["rail_state"] = {"name": "rail_wear", "months_after": 3, "draws": 20}
    if conditions is not None:
        out["conditions"] = conditions
    if works is not None:
        out["works"] = works
    out["calculation"].update(changes)
    return copy.deepcopy(out)


def with_squeal(conditions: dict[str, Any] | None = None, works: list[dict[str, Any]] | None = None) -> Any:
    return site(conditions, works, forecast_with=["squeal_passes"], options={"squeal_passes": SQUEAL})


def assess(project: Any, folder: Path, state: str = "") -> Assessment:
    return lineside.assess(write_site(project, folder), PLUGINS, state=state)


def explained(project: Any, folder: Path, start: str = "", end: str = "") -> Explained:
    return explain(write_site(project, folder), "R", start, end, PLUGINS)


def parts_of(explanation: Explanation, quantity: str = "lden") -> dict[str, float]:
    return {c.cause: float(c.change_db[quantity] or 0.0) for c in explanation.causes}


def assert_adds_up(explanation: Explanation) -> None:
    for quantity, start in explanation.start_db.items():
        end = explanation.end_db[quantity]
        assert start is not None and end is not None
        assert sum(parts_of(explanation, quantity).values()) == pytest.approx(end - start, abs=0.004)


def test_the_mixture_is_the_sum_over_combinations_of_shares_times_energies(tmp_path: Path) -> None:
    """Every combination of states assessed by itself, weighted by the product of the shares in each period."""
    kinds = ("water", "air", "timetable", "wheels")
    conditions = {kind: CONDITIONS[kind] for kind in kinds}
    mixture = assess(site(conditions), tmp_path).results.receivers[0].period_db
    total = dict.fromkeys(PERIODS, 0.0)
    for states in product(*(conditions[kind] for kind in kinds)):
        of_combination = assess(site(conditions), tmp_path, "+".join(s["id"] for s in states)).results
        for period in PERIODS:
            shares = [s["share"] if isinstance(s["share"], float) else s["share"][period] for s in states]
            total[period] += float(np.prod(shares)) * float(to_energy(of_combination.receivers[0].period_db[period]))
    for period in PERIODS:
        assert mixture[period] == pytest.approx(float(to_db(total[period])), abs=0.003)


def test_single_states_are_those_of_an_assessment_in_that_state(tmp_path: Path) -> None:
    project = site({k: CONDITIONS[k] for k in ("water", "air", "driving", "timetable", "wheels")})
    found = assess(project, tmp_path).results.receivers[0]
    assert found.states_db["mixture"] == {"lden": found.lden_db, **found.period_db}
    for state in ("low", "warm", "gentle", "sunday", "flat", "favourable"):
        alone = assess(project, tmp_path, state).results.receivers[0]
        expected = {"lden": alone.lden_db, **alone.period_db}
        assert found.states_db[state] == pytest.approx(expected, abs=0.0021), state


def test_what_states_change_goes_the_way_it_should(tmp_path: Path) -> None:
    found = assess(with_squeal(CONDITIONS), tmp_path).results.receivers[0].states_db
    lden = {name: float(levels["lden"] or 0.0) for name, levels in found.items()}
    assert lden["dry"] > lden["damp"] > lden["wet"], "fewer trains squeal on wet rails"
    assert lden["high"] > lden["low"], "a bare bed of G = 1 swallows sound that water reflects"
    assert lden["brisk"] > lden["gentle"]
    assert lden["flat"] > lden["turned"]
    assert lden["favourable"] > lden["homogeneous"]
    assert lden["weekday"] - lden["sunday"] > -3.01
    for kind in ("rail", "driving", "water", "wheels", "timetable"):
        given = CONDITIONS[kind]
        names = list(given) if isinstance(given, dict) else [s["id"] for s in given]
        assert min(lden[n] for n in names) < lden["mixture"] < max(lden[n] for n in names)


def test_half_the_trains_are_3_db_less_and_squeal_follows_its_share(tmp_path: Path) -> None:
    timetable = [{"id": "a", "share": 0.5}, {"id": "b", "share": 0.5, "services": {"S": {"trains_factor": 0.5}}}]
    found = explained(site({"timetable": timetable}), tmp_path, "a", "b").explanation
    assert parts_of(found) == {"pattern": pytest.approx(0.0, abs=1e-9), "numbers": pytest.approx(-3.0103, abs=0.001)}


def test_causes_add_up_and_have_their_names(tmp_path: Path) -> None:
    project = with_squeal(CONDITIONS, [JOINTS, PADS, MODIFIER, GRINDING])
    found = explained(project, tmp_path, "before+dry+high+weekday+brisk+turned+warm+homogeneous",
                      "2026-09-02+wet+low+sunday+gentle+flat+cool+favourable").explanation  # fmt: skip
    assert list(parts_of(found)) == [
        "finish", "marks", "joints", "track", "friction", "rail", "wheels", "driving", "pattern", "numbers", "weather",
        "water", "air",
    ]  # fmt: skip
    assert_adds_up(found)
    parts = parts_of(found)
    assert parts["marks"] > 0 and parts["finish"] > 0 and parts["wheels"] > 0 and parts["weather"] > 0
    assert all(parts[c] < 0 for c in ("joints", "rail", "friction", "driving", "numbers", "water"))


def test_each_work_is_its_own_cause_and_nothing_else(tmp_path: Path) -> None:
    for work, cause in ((JOINTS, {"joints"}), (PADS, {"track"}), (GRINDING, {"finish", "marks"})):
        found = explained(site(None, [work]), tmp_path / work["kind"]).explanation
        assert set(parts_of(found)) == cause, work["kind"]
        assert_adds_up(found)
    found = explained(with_squeal(None, [MODIFIER]), tmp_path / "modifier").explanation
    assert set(parts_of(found)) == {"friction"} and parts_of(found)["friction"] < -0.5


def test_ends_of_an_explanation_are_assessed_levels(tmp_path: Path) -> None:
    project = site({"wheels": CONDITIONS["wheels"]}, [JOINTS, GRINDING])
    found = explained(project, tmp_path, "2026-08-10", "2026-09-10+flat").explanation
    for text, levels in (("2026-08-10", found.start_db), ("2026-09-10+flat", found.end_db)):
        assessed = assess(project, tmp_path, text).results.receivers[0]
        assert levels == pytest.approx({"lden": assessed.lden_db, **assessed.period_db}, abs=0.0021)


def test_a_state_equal_to_another_explains_to_zero(tmp_path: Path) -> None:
    twins = {
        "wheels": [{"id": "a", "share": 0.5}, {"id": "b", "share": 0.5, "vehicles": {"car": "disc"}}],
        "water": [{"id": "c", "share": 0.5}, {"id": "d", "share": 0.5}],
        "driving": [{"id": "e", "share": 0.5}, {"id": "f", "share": 0.5}],
    }
    for start, end in (("a", "b"), ("c", "d"), ("e", "f"), ("a+c+e", "b+d+f")):
        found = explained(site(twins), tmp_path, start, end).explanation
        assert found.causes and found.start_db == found.end_db
        for cause in found.causes:
            assert cause.change_db == pytest.approx(dict.fromkeys(found.start_db, 0.0), abs=1e-9), (start, end)


def test_no_works_no_change_and_no_explanation(tmp_path: Path) -> None:
    assert assess(site(CONDITIONS, []), tmp_path).results.explanations == []


def test_levels_in_time_are_those_of_an_assessment_at_that_date(tmp_path: Path) -> None:
    """With works on the track, on the rails, and a mixture of states that rating counts."""
    conditions = {k: CONDITIONS[k] for k in ("timetable", "wheels", "air")}
    timeline = assess(site(conditions, [JOINTS, PADS, GRINDING]), tmp_path).results.timeline
    assert timeline is not None
    levels = timeline.receivers[0].levels_db
    for date in ("2026-08-21", "2026-08-26", "2026-09-02", timeline.dates[-1]):
        alone = assess(site(conditions, [JOINTS, PADS, GRINDING]), tmp_path, date).results.receivers[0]
        at = timeline.dates.index(date)
        assert levels["lden"]["likely"][at] == pytest.approx(alone.lden_db, abs=0.003), date
        assert levels["night"]["likely"][at] == pytest.approx(alone.period_db["night"], abs=0.003), date
    before = assess(site(conditions, [JOINTS, PADS, GRINDING]), tmp_path, "before").results.receivers[0]
    assert timeline.receivers[0].before_db["lden"] == pytest.approx(before.lden_db, abs=0.003)


def test_states_say_what_they_change(tmp_path: Path) -> None:
    found = {s.id: s.changes for c in assess(site(CONDITIONS), tmp_path).results.conditions for s in c.states}
    assert found["gentle"] == {"acceleration_factor": 0.5, "traction_db": -3.0}
    assert found["low"] == {"pond": "dry of 21000 m2, bare G = 1"} and found["high"] == {}
    assert found["sunday"] == {"S": "trains x 0.5, passes"} and found["flat"] == {"car": "composite_block"}
    assert found["warm"] == {"temperature_deg_c": 25.0, "humidity_pct": 40.0, "pressure_kpa": 101.325}


def test_tonnage_counts_the_trains_of_the_mixture(tmp_path: Path) -> None:
    """160 trains a day of 4 cars with 4 axles and 2 wheels of 50 kN; on 3 of 10 days half as many."""
    timetable = [{"id": "a", "share": 0.7}, {"id": "b", "share": 0.3, "services": {"S": {"trains_factor": 0.5}}}]
    timeline = assess(site({"timetable": timetable}, [GRINDING]), tmp_path).results.timeline
    assert timeline is not None
    expected = 160 * (0.7 + 0.3 * 0.5) * 4 * 4 * 2 * 50 / 9.80665 / 1e6
    assert [run.mgt_per_day for run in timeline.runs] == pytest.approx([expected] * len(timeline.runs), abs=1e-6)


def test_worn_in_and_before_have_the_track_of_their_own_time(tmp_path: Path) -> None:
    """Before: with joints and rough wheels' rails as given; worn in: joints welded, pads hard, the pass worn away."""
    timeline = assess(site(None, [JOINTS, PADS, GRINDING]), tmp_path / "all").results.timeline
    assert timeline is not None
    track_only = assess(site(None, [JOINTS, PADS]), tmp_path / "track", "2026-12-01").results.receivers[0]
    untouched = assess(site(None, []), tmp_path / "none").results.receivers[0]
    assert timeline.receivers[0].worn_in_db["lden"] == pytest.approx(track_only.lden_db, abs=0.003)
    assert timeline.receivers[0].before_db["lden"] == pytest.approx(untouched.lden_db, abs=0.003)


def test_a_coupled_timetable_is_explained_as_it_is_rated(tmp_path: Path) -> None:
    """One state changes both how trains run and how many: ways and numbers must not come apart."""
    timetable = [
        {"id": "a", "share": 0.5},
        {"id": "b", "share": 0.5, "services": {"S": {"trains_factor": 4, "passes": True}}},
    ]
    project = site({"timetable": timetable}, [GRINDING])
    found = explained(project, tmp_path).explanation
    assert found.end_db["lden"] == pytest.approx(assess(project, tmp_path).results.receivers[0].lden_db, abs=0.0021)
    assert_adds_up(found)


def test_explanations_do_not_depend_on_other_receivers(tmp_path: Path) -> None:
    project = site(None, [GRINDING])
    project["receivers"].append({**project["receivers"][0], "id": "Q", "position": [120.0, 15.0]})
    (of_both, _) = assess(project, tmp_path / "both").results.explanations
    (alone,) = assess(site(None, [GRINDING]), tmp_path / "alone").results.explanations
    assert of_both == alone


def test_livelier_starts_reach_the_speed_sooner(tmp_path: Path) -> None:
    """50 m after the stop: v = sqrt(2 a s) with the acceleration of the state."""
    loaded = lineside.load_project(write_site(site(CONDITIONS), tmp_path), PLUGINS)
    scenes = Scenes(loaded, select(loaded, PLUGINS).all_sources)
    for driving, acceleration in (("gentle", 0.5), ("brisk", 1.5), (None, 1.0)):
        (run,) = scenes.at(replace(scenes.state(DATE), driving=driving)).runs
        speed = float(np.interp(500.0, run.profile.place_m, run.profile.speed_m_s))
        assert speed == pytest.approx(np.sqrt(2 * acceleration * 50.0), rel=0.01)


def test_gain_of_an_action_is_what_lden_loses_without_it(tmp_path: Path) -> None:
    jointed = site(None, [])
    del jointed["tracks"][0]["stretches"]
    (action,) = assess(jointed, tmp_path / "with").results.actions
    without = copy.deepcopy(jointed)
    without["calculation"]["without"] = ["eu_impact"]
    levels = [assess(p, tmp_path / n).results.receivers[0].lden_db for p, n in ((jointed, "a"), (without, "b"))]
    assert action.gains[0].gain_db == pytest.approx(float(levels[0] or 0) - float(levels[1] or 0), abs=0.02)


def test_passes_are_those_of_the_loudest_state(tmp_path: Path) -> None:
    conditions = {"wheels": CONDITIONS["wheels"], "water": CONDITIONS["water"]}
    mixed = assess(site(conditions), tmp_path).results.receivers[0].passes
    alone = [
        assess(site(conditions), tmp_path, f"{a}+{b}").results.receivers[0].passes
        for a, b in product(("turned", "flat"), ("high", "low"))
    ]
    for k, one in enumerate(mixed):
        assert one.lafmax_db == max(float(passes[k].lafmax_db or 0.0) for passes in alone)
        assert one.lae_db == max(float(passes[k].lae_db or 0.0) for passes in alone)


def test_depot_actions_name_joints_dry_curves_and_fresh_rails(tmp_path: Path) -> None:
    bend = assess(site(None, [GRINDING]), tmp_path / "bend").results.actions
    assert [(a.kind, a.from_m, a.to_m) for a in bend] == [("curve", 400.0, 600.0), ("marks", 300.0, 700.0)]
    jointed = site(None, [])
    del jointed["tracks"][0]["stretches"]
    (joints,) = assess(jointed, tmp_path / "straight").results.actions
    assert (joints.kind, joints.track, joints.from_m, joints.to_m) == ("joints", "T", 0.0, 1000.0)
    assert joints.gains[0].receiver == "R" and joints.gains[0].gain_db > 1.0
    managed = assess(site(None, [{**MODIFIER, "from_m": 390, "to_m": 610}, JOINTS]), tmp_path / "managed").results
    assert managed.actions == [], "nothing to look at: welded, a friction modifier in the bend, no pass"


def test_rails_of_each_track_have_their_own_gain(tmp_path: Path) -> None:
    """Two tracks ground alike, one near and one far: the gains are those of removing the work of one of them."""
    project = site(None, [GRINDING, {**GRINDING, "track": "U"}])
    del project["tracks"][0]["stretches"]
    far = copy.deepcopy(project["tracks"][0])
    far.update(id="U", alignment={"kind": "inline", "points": [[-500, -40, 0.3], [500, -40, 0.3]]})
    project["tracks"].append(far)
    project["stops"][0]["at"].append({"track": "U", "chainage_m": 450})
    project["services"].append({**project["services"][0], "id": "V", "track": "U"})
    project["calculation"]["without"] = ["eu_impact", "eu_squeal"]
    both = assess(project, tmp_path / "both").results
    gains = {a.track: a.gains[0].gain_db for a in both.actions if a.kind == "marks"}
    for track, other in (("T", "U"), ("U", "T")):
        one = copy.deepcopy(project)
        one["works"] = [w for w in project["works"] if w["track"] == other]
        without = assess(one, tmp_path / track).results.receivers[0].lden_db
        assert gains.get(track, 0.0) == pytest.approx(
            float(both.receivers[0].lden_db or 0) - float(without or 0), abs=0.03
        )
    assert gains["T"] > gains.get("U", 0.0)


def test_a_month_takes_the_shares_of_that_month(tmp_path: Path) -> None:
    seasons = [
        {"id": "worn", "share": [{"months": [1], "share": 1}, {"months": list(range(2, 13)), "share": 0}],
         "vehicles": {"car": "composite_block"}},
        {"id": "new", "share": [{"months": [1], "share": 0}, {"months": list(range(2, 13)), "share": 1}]},
    ]  # fmt: skip
    project = site({"wheels": seasons})
    levels = {s: assess(project, tmp_path, s).results.receivers[0].lden_db for s in ("january", "worn", "june", "new")}
    assert levels["january"] == levels["worn"] and levels["june"] == levels["new"]
    year = float(assess(project, tmp_path).results.receivers[0].lden_db or 0.0)
    january = 31 / 365.2425
    expected = to_db(january * to_energy(levels["worn"]) + (1 - january) * to_energy(levels["new"]))
    assert year == pytest.approx(float(expected), abs=0.002)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("2026-13-40", "no date"),
        ("dri", "did you mean dry"),
        ("dry+wet", "two states of the rail"),
        ("2026-01-01+2026-02-01", "two dates"),
        ("", "lacks a name"),
        ("dry+", "lacks a name"),
        ("june+july", "two months"),
        ("2026-W48-1", "no date"),
        ("before", "has no works"),
    ],
)
def test_situations_that_cannot_be_read_are_errors(text: str, said: str, tmp_path: Path) -> None:
    loaded = lineside.load_project(write_site(with_squeal(CONDITIONS), tmp_path), PLUGINS)
    states = select(loaded, PLUGINS).propagation.states
    with pytest.raises(RequestError, match=said):
        parse_situation(text, loaded, states, DATE)


def test_an_unknown_receiver_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="no receiver 'X'; the project has R"):
        explain(write_site(site(), tmp_path), "X", plugins=PLUGINS)


def test_a_work_may_not_set_the_roughness_that_is_computed(tmp_path: Path) -> None:
    renewal = {"date": "2026-08-01", "kind": "turnout_renewal", "track": "T", "from_m": 300, "to_m": 400}
    project = site(None, [{**renewal, "changes": {"rail_roughness": "well_maintained"}}])
    with pytest.raises(ProjectError, match=r"rail_roughness: is computed, since calculation.rail_state is set"):
        lineside.load_project(write_site(project, tmp_path), PLUGINS)


def test_a_situation_in_which_nothing_is_heard_is_said(tmp_path: Path) -> None:
    timetable = [{"id": "a", "share": 0.5}, {"id": "b", "share": 0.5, "services": {"S": {"trains_factor": 0}}}]
    found = explained(site({"timetable": timetable}), tmp_path, "a", "b")
    assert any("nothing is heard here" in line for line in lines(found))
    with pytest.raises(RequestError, match="nothing is heard"):
        draw(found)


def test_without_works_both_situations_must_be_named(tmp_path: Path) -> None:
    with pytest.raises(RequestError, match="no works to compare with"):
        explained(site(CONDITIONS, []), tmp_path)


@pytest.mark.parametrize("date", ["0001-01-01", "9999-12-31"])
def test_dates_at_the_ends_of_the_calendar_are_errors(date: str, tmp_path: Path) -> None:
    with pytest.raises(ProjectError, match="1000 to 9000"):
        lineside.load_project(write_site(site(None, [{**GRINDING, "date": date}]), tmp_path), PLUGINS)

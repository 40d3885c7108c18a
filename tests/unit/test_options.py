"""Options of measures: what each one does to levels, and that the short way gives what the long one gives."""

from __future__ import annotations

import datetime as dt
import itertools
import json
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

import lineside
from lineside.acoustics.levels import to_db
from lineside.api import load_project
from lineside.engine.combine import Candidate, option_keys
from lineside.engine.grid import line_power
from lineside.engine.levels import heard
from lineside.engine.option_run import prepare
from lineside.engine.option_states import other_way
from lineside.engine.plan import plan
from lineside.engine.situation import Situation
from lineside.errors import ProjectError, RequestError
from lineside.measures import FRICTION_APPROVAL, TRACK_SAFETY, Known
from lineside.project.derive import derived
from lineside.project.model import MeasureUse
from lineside.project.options import Life, OptionRules
from lineside.results.option_costs import costs_of
from lineside.results.option_info import _prompts
from measure_sites import ACTING, PLUGINS, considered, site
from sites import write_site


def changes_db(data: dict[str, Any], folder: Path) -> dict[tuple[str, ...], np.ndarray]:
    """Change of the level by option, (n_receivers, n_periods)."""
    found, energy = considered(data, folder)
    return {key: to_db(energy[n]) - to_db(energy[0]) for n, key in enumerate(found.keys)}


def direct(found: Any, key: tuple[str, ...]) -> np.ndarray:
    """Energies of an option by a plan of its own, as an assessment of the changed project would have them."""
    prepared, evaluation = found.prepared, found.evaluation
    loaded = prepared.loaded_of(key)
    selection = prepared.selection_of(loaded)
    situation = Situation("", prepared.date, {})
    planned = plan(loaded, selection, situation, evaluation.plan.scenes.cuts)
    transfer = evaluation.transfer
    if other_way(loaded.project, prepared.loaded.project):
        transfer = evaluation.transfer_of(loaded, planned.scenes, evaluation.classes)
    return heard(transfer, line_power(planned.built.scene, planned.task.emission.mean))


def test_every_option_equals_an_assessment_of_the_changed_project(tmp_path: Path) -> None:
    names = [name for name in ACTING if name != "earlier_grinding"]
    found, energy = considered(site(*names, combine_up_to=1), tmp_path)
    assert found.dropped == {}
    for n, key in enumerate(found.keys):
        np.testing.assert_allclose(energy[n], direct(found, key), rtol=1e-9, err_msg=str(key))


def test_combinations_equal_an_assessment_of_the_changed_project(tmp_path: Path) -> None:
    names = ["rail_dampers", "rail_pads", "speed_restriction", "joint_removal", "barrier", "smoother_wheels"]
    found, energy = considered(site(*names, combine_up_to=3), tmp_path)
    assert len(found.keys) == 1 + 6 + 15 + 20
    for n in range(0, len(found.keys), 4):
        np.testing.assert_allclose(energy[n], direct(found, found.keys[n]), rtol=1e-9, err_msg=str(found.keys[n]))
    assert found.levels.n_transfers == 1


def test_joints_are_heard_beyond_the_place_where_they_are_removed(tmp_path: Path) -> None:
    """Joints sound 50 m beyond their stretch, so that their removal matters to sections outside of it."""
    data = site("joint_removal", "rail_pads", combine_up_to=2)
    data["tracks"][0]["attributes"]["joints_per_100_m"] = 0
    data["tracks"][0]["stretches"] = [{"from_m": 900, "to_m": 1000, "joints_per_100_m": 4}]
    data["measures"][0]["options"] = {"track": "T", "from_m": 900, "to_m": 1000}
    data["measures"][1]["options"] |= {"from_m": 950, "to_m": 1050}
    found, energy = considered(data, tmp_path)
    for n, key in enumerate(found.keys):
        np.testing.assert_allclose(energy[n], direct(found, key), rtol=1e-9, err_msg=str(key))


def test_states_of_the_day_count_with_their_shares(tmp_path: Path) -> None:
    """Dry and wet rails, two timetables and two ways of driving; by the rating's and the forecast's calculators."""
    data = site("friction_modifier", "driving_instruction", "speed_restriction", combine_up_to=2)
    data["services"][0]["pattern"] = {
        "kind": "calls",
        "at": ["P"],
        "acceleration_m_s2": 1,
        "braking_m_s2": 1,
        "dwell_s": 20,
    }
    data["stops"] = [{"id": "P", "at": [{"track": "T", "chainage_m": 700}]}]
    data["conditions"] = {
        "rail": {"dry": 0.6, "damp": 0, "wet": 0.4},
        "timetable": [
            {"id": "work", "share": 0.7},
            {"id": "free", "share": 0.3, "services": {"S": {"trains_factor": 0.5, "passes": True}}},
        ],
        "driving": [
            {"id": "calm", "share": 0.5},
            {"id": "fast", "share": 0.5, "acceleration_factor": 1.3, "traction_db": 3},
        ],
    }
    row = data["calculation"]["options"]["squeal_passes"]["shares"][0]
    wet = {**row, "rail": "wet", "share": {"low": 0, "likely": 0.01, "high": 0.1}}
    data["calculation"]["options"]["squeal_passes"]["shares"] = [wet, row]
    found, energy = considered(data, tmp_path)
    forecast = found.levels.energy["forecast"]
    for n, key in enumerate(found.keys):
        loaded = found.prepared.loaded_of(key)
        selection = found.prepared.selection_of(loaded)
        planned = plan(loaded, selection, Situation("", found.prepared.date, {}), found.evaluation.plan.scenes.cuts)
        np.testing.assert_allclose(energy[n], direct(found, key), rtol=1e-9, err_msg=str(key))
        expected = heard(found.evaluation.transfer, planned.task.forecast)
        np.testing.assert_allclose(forecast[n], expected, rtol=1e-9, err_msg=str(key))


def test_windows_equal_those_of_an_assessment(tmp_path: Path) -> None:
    """Trains with times fill hours unevenly, so that 22 to 6 is no mean of periods."""
    data = site("other_times")
    data["services"][0]["trains"] = {"kind": "times", "times": ["05:10", "06:20", "12:00", "22:30"]}
    data["measures"][0]["options"] = {"service": "S", "later_min": 90, "before": "06:00"}
    limits = [{"quantity": "laeq", "from_hour": 22, "to_hour": 6, "limit_db": 45}]
    data["criteria"] = [{"name": "custom", "options": {"title": "Permit", "source": "Invented", "limits": limits}}]
    found, _ = considered(data, tmp_path / "one")
    moved = {**data, "measures": []}
    moved["services"][0]["trains"]["times"] = ["06:40", "06:20", "12:00", "22:30"]
    results = lineside.assess(write_site(moved, tmp_path / "two"), PLUGINS).results
    levels = {f.receiver: f.level_db for f in results.findings}
    windows = to_db(found.levels.windows[1, :, 0])
    np.testing.assert_allclose(windows, [levels["R"], levels["Q"]], atol=0.01)
    assert 3.0 < to_db(found.levels.windows[0, 0, 0]) - windows[0] < 3.1, "half the trains, those of favourable nights"


#: Measures that lower every level here; the others move sound or act on forecasts only.
LOUDER_SOMEWHERE = {"other_times", "other_track", "friction_modifier"}


@pytest.fixture(scope="module")
def singles(tmp_path_factory: pytest.TempPathFactory) -> dict[tuple[str, ...], np.ndarray]:
    return changes_db(site(*ACTING), tmp_path_factory.mktemp("singles"))


@pytest.mark.parametrize("name", [n for n in ACTING if n not in LOUDER_SOMEWHERE])
def test_a_measure_makes_nothing_louder_and_something_quieter(name: str, singles: dict) -> None:  # type: ignore[type-arg]
    change = singles[(name,)]
    assert change.max() < 1e-9
    assert change.min() < -0.01


def test_trains_at_other_times_move_the_sound(singles: dict) -> None:  # type: ignore[type-arg]
    """The night falls silent and the day has 136 trains instead of 120."""
    change = singles[("other_times",)]
    assert np.all(change[:, 2] == -np.inf)
    np.testing.assert_allclose(change[:, 0], 10 * np.log10(136 / 120), atol=1e-9)
    np.testing.assert_allclose(change[:, 1], 0.0, atol=1e-9)


def test_half_the_trains_are_3_db(tmp_path: Path) -> None:
    data = site("other_times")
    data["measures"][0]["options"] = {"service": "S", "from_period": "day", "to_period": "night", "trains": 60}
    change = changes_db(data, tmp_path)[("other_times",)]
    np.testing.assert_allclose(change[:, 0], -3.0103, atol=1e-4)


@pytest.mark.parametrize(
    ("name", "option", "values"),
    [
        ("speed_restriction", "speed_km_h", (50, 40, 30)),
        ("wheel_dampers", "reduction_db", ({"2000": 1}, {"2000": 3}, {"2000": 6})),
        ("rail_dampers", "reduction_db", ({"1000": 1}, {"1000": 3}, {"1000": 6})),
        ("rail_dampers", "to_m", (900, 1000, 1200)),
        ("turnout_renewal", "impact_reduction_db", (2, 5, 10)),
        ("barrier", "height_m", (2, 3, 5)),
        ("joint_removal", "to_m", (800, 1200, 2000)),
    ],
)
def test_more_of_a_measure_is_not_louder(name: str, option: str, values: tuple[Any, ...], tmp_path: Path) -> None:
    data = site()
    options = dict(ACTING[name])
    data["measures"] = [
        {"id": f"m{k}", "measure": name, "options": {**options, option: value}} for k, value in enumerate(values)
    ]
    changes = changes_db(data, tmp_path)
    series = np.array([changes[(f"m{k}",)] for k in range(len(values))])
    assert np.all(np.diff(series, axis=0) < 1e-9)
    assert series[-1].min() < series[0].min() - 0.01


def test_the_order_of_measures_does_not_matter(tmp_path: Path) -> None:
    names = ["rail_dampers", "rail_pads", "joint_removal"]
    one = changes_db(site(*names, combine_up_to=3), tmp_path / "one")
    other = changes_db(site(*names[::-1], combine_up_to=3), tmp_path / "other")
    assert {tuple(sorted(k)) for k in one} == {tuple(sorted(k)) for k in other}
    for key, change in one.items():
        np.testing.assert_allclose(change, other[key[::-1]], atol=1e-9)


def test_dampers_lie_on_the_pads_of_another_measure(tmp_path: Path) -> None:
    """Both together are quieter than each alone: the dampers start from what the new pads leave."""
    changes = changes_db(site("rail_dampers", "rail_pads", combine_up_to=2), tmp_path)
    both = changes[("rail_dampers", "rail_pads")]
    assert np.all(both <= changes[("rail_pads",)] + 1e-9) and both.min() < changes[("rail_pads",)].min() - 0.1


def test_friction_modifier_acts_on_forecasts_by_the_published_mean(tmp_path: Path) -> None:
    """The published 12 dB (J. Sound Vib. 293, abstract) are taken off passes that squeal, a fifth of all.

    Rolling and squeal are then 10 lg(0.8 + 0.2 x 10^0.3) = 0.79 dB above rolling instead of 8.53 dB; published check.
    """
    data = site("friction_modifier")
    for track in data["tracks"]:
        track["attributes"] |= {"bridge": "none", "joints_per_100_m": 0}
    data["tracks"][0]["turnouts"] = []
    data["vehicles"][0]["traction"] = "none"
    found, rated = considered(data, tmp_path)
    forecast = found.levels.energy["forecast"]
    np.testing.assert_allclose(to_db(forecast[1] / forecast[0]), 0.79 - 8.53, atol=0.02)
    np.testing.assert_allclose(rated[1], rated[0], rtol=1e-12)


def test_a_speed_restriction_at_night_leaves_the_day_alone(tmp_path: Path) -> None:
    data = site("speed_restriction")
    data["measures"][0]["options"]["periods"] = ["night"]
    change = changes_db(data, tmp_path)[("speed_restriction",)]
    np.testing.assert_allclose(change[:, :2], 0.0, atol=1e-6)
    assert np.all(change[:, 2] < -0.3)


def test_the_project_is_the_same_after_its_options(tmp_path: Path) -> None:
    found, _ = considered(site(*ACTING, combine_up_to=1), tmp_path)
    loaded = found.prepared.loaded
    again = load_project(loaded.folder, PLUGINS)
    assert again.project == loaded.project
    assert derived(loaded, loaded.project, found.prepared.vocabulary) is loaded


def test_measures_that_exclude_each_other_are_not_combined(tmp_path: Path) -> None:
    data = site("rail_dampers", "rail_shields", "barrier", combine_up_to=2)
    data["options"]["exclude"] = [["rail_dampers", "rail_shields"]]
    found, _ = considered(data, tmp_path)
    assert ("rail_dampers", "rail_shields") not in found.keys
    assert found.dropped == {("rail_dampers", "rail_shields"): "rail_dampers and rail_shields exclude each other"}


def test_options_are_built_from_kept_ones_and_only_pairs_are_left_out() -> None:
    given = [SimpleNamespace(id=name, outdoors=name != "w") for name in "abwcde"]
    rules = OptionRules(combine_up_to=4, exclude=(("a", "c", "e"), ("e", "d")))
    kept, dropped = option_keys(given, rules)  # type: ignore[arg-type]
    clash = [{"a", "c"}, {"a", "e"}, {"c", "e"}, {"d", "e"}]
    keys = [key for n in (1, 2, 3, 4) for key in itertools.combinations("abwcde", n)]
    assert kept == [k for k in keys if len(k) == 1 or not (any(pair <= set(k) for pair in clash) or "w" in k)]
    assert [set(key) for key in dropped] == clash
    assert dropped["c", "e"] == "c and e exclude each other"


def test_excluded_pairs_count_towards_the_limit() -> None:
    names = [f"m{k:02}" for k in range(40)]
    given = [SimpleNamespace(id=name, outdoors=True) for name in names]
    kept, dropped = option_keys(given, OptionRules(combine_up_to=8, exclude=(tuple(names),)))  # type: ignore[arg-type]
    assert (len(kept), len(dropped)) == (40, 780)
    with pytest.raises(RequestError, match="more than 800 options, with the pairs that exclude"):
        option_keys(given, OptionRules(exclude=(tuple(names),), max_options=800))  # type: ignore[arg-type]


def test_a_life_is_long_enough_to_count_renewals() -> None:
    assert Life(years=0.1, source="Invented").years == 0.1
    with pytest.raises(ValidationError):
        Life(years=1e-300, source="Invented")


def test_what_does_not_go_together_is_rejected_with_the_reason(tmp_path: Path) -> None:
    data = site("barrier", "close_barrier", combine_up_to=2)
    data["measures"][1]["options"] = {**ACTING["close_barrier"], "id": "N"}
    found, _ = considered(data, tmp_path)
    (reason,) = found.dropped.values()
    assert "a barrier with this id already" in reason


def test_too_many_options_are_an_error(tmp_path: Path) -> None:
    data = site("rail_dampers", "rail_pads", "barrier", combine_up_to=3, max_options=5)
    loaded = load_project(write_site(data, tmp_path), PLUGINS)
    with pytest.raises(RequestError, match=r"3 measures in options of up to 3 are more than 5"):
        prepare(loaded, PLUGINS)


def test_windows_and_waiting_are_options_by_themselves(tmp_path: Path) -> None:
    data = site("rail_dampers", combine_up_to=2)
    data["measures"] += [
        {"id": "wait", "measure": "waiting"},
        {
            "id": "glass",
            "measure": "facade_insulation",
            "options": {"receivers": ["R"], "low_db": 5, "likely_db": 8, "high_db": 10, "source": "Offer"},
        },
    ]
    loaded = load_project(write_site(data, tmp_path), PLUGINS)
    prepared = prepare(loaded, PLUGINS)
    assert prepared is not None
    assert option_keys(prepared.candidates, loaded.project.options)[0] == [("rail_dampers",), ("wait",), ("glass",)]


FAULTS = {
    "measure": ({"measure": "rail_damper", "options": {}}, "no plugin offers this measure(.|\n)*rail_dampers"),
    "option": ({"options": {"track": "T", "form_m": 5}}, "form_m"),
    "track": ({"options": {"track": "X"}}, "there is no track with this id"),
    "place": (
        {"options": {"track": "T", "to_m": 5000}},
        r"measures\[1\](.|\n)*lies beyond the alignment(.|\n)*0 to 2000",
    ),
    "cost": (
        {"costs": [{"low": 3, "likely": 2, "high": 4, "per": "m", "currency": "EUR", "year": 2026, "source": "x"}]},
        "needs low, likely and high in rising order",
    ),
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_faulty_measure_is_located(fault: str, tmp_path: Path) -> None:
    data = site("rail_dampers")
    change, message = FAULTS[fault]
    data["measures"][0] |= change
    with pytest.raises(ProjectError, match=message) as raised:
        load_project(write_site(data, tmp_path), PLUGINS)
    errors = [p for p in raised.value.problems if p.severity == "error"]
    assert errors and all(p.line is not None and p.place.startswith("measures[1]") for p in errors)


def test_faulty_rules_are_located(tmp_path: Path) -> None:
    data = site("rail_dampers", exclude=[["rail_dampers", "rail_pad"]], dose_effect="eu")
    with pytest.raises(ProjectError) as raised:
        load_project(write_site(data, tmp_path), PLUGINS)
    assert "there is no measure with this id" in str(raised.value)
    assert "no plugin offers this relation" in str(raised.value)


def test_a_group_that_names_a_measure_twice_is_an_error(tmp_path: Path) -> None:
    data = site("rail_dampers", "rail_pads", exclude=[["rail_dampers", "rail_pads", "rail_dampers"]])
    with pytest.raises(ProjectError, match="this measure is in the group already"):
        load_project(write_site(data, tmp_path), PLUGINS)


def test_ids_that_differ_in_case_only_are_doubtful(tmp_path: Path) -> None:
    data = site("rail_dampers", "rail_pads")
    data["measures"][1]["id"] = "Rail_Dampers"
    warnings = load_project(write_site(data, tmp_path), PLUGINS).warnings
    (found,) = [str(w) for w in warnings if "case of letters only" in str(w)]
    assert 'measures[2] "Rail_Dampers"' in found and '"rail_dampers"' in found


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory):  # type: ignore[no-untyped-def]
    data = site("rail_dampers", "acoustic_grinding", "friction_modifier", "barrier", combine_up_to=2, suggest=True)
    data["options"] |= {"dose_effect": "eu_2020_367", "discount_rate_pct": 3, "years": 20}
    data["calculation"]["rail_state"]["months_after"] = 48
    price = {"low": 10, "likely": 20, "high": 40, "per": "m", "currency": "EUR", "year": 2026, "source": "Invented"}
    for use in data["measures"][1:]:
        use |= {"costs": [price], "life": {"years": 10, "source": "Invented"}}
    data["measures"].append({"id": "lube", "measure": "gauge_lubrication", "options": {"track": "U"}})
    folder = write_site(data, tmp_path_factory.mktemp("results"))
    return lineside.assess(folder, PLUGINS).results


def test_results_hold_every_option(results) -> None:  # type: ignore[no-untyped-def]
    options = results.options
    assert len(options.options) == 5 + 10 and options.rejected == []
    assert json.loads(results.model_dump_json())["options"]["date"] == "2026-11-20"
    by_set = {tuple(o.measures): o for o in options.options}
    single, both = by_set[("barrier",)], by_set[("rail_dampers", "barrier")]
    assert both.mean_reduction_db["lden"] > single.mean_reduction_db["lden"] > 1.0
    receivers = {r.id: r.lden_db for r in results.receivers}
    fall = [receivers[name] - level for name, level in single.lden_db.items()]
    assert single.mean_reduction_db["lden"] == pytest.approx(np.mean(fall), abs=0.01)
    assert single.decibel_dwellings == pytest.approx(4 * fall[0] + 2 * fall[1], abs=0.05)


def test_people_and_limits_are_counted(results) -> None:  # type: ignore[no-untyped-def]
    """Highly annoyed: persons x (38.1596 - 2.05538 L + 0.0285 L^2) / 100, Directive (EU) 2020/367 (from memory)."""
    options, levels = results.options, {r.id: r.lden_db for r in results.receivers}
    expected = sum(n * (38.1596 - 2.05538 * L + 0.0285 * L**2) / 100 for n, L in ((9, levels["R"]), (5, levels["Q"])))
    assert options.people_before["highly_annoyed"] == pytest.approx(expected, abs=0.01)
    first = options.options[0].above[0]
    above = [r for r in results.receivers if r.lden_db > 54]
    assert (first.receivers_before, first.persons_before) == (len(above), sum(r.persons for r in above))


def test_costs_are_present_values(results) -> None:  # type: ignore[no-untyped-def]
    """800 m x 20 EUR now and after ten years of twenty at 3 %: 16000 (1 + 1.03^-10)."""
    by_set = {tuple(o.measures): o for o in results.options.options}
    grinding = by_set[("acoustic_grinding",)]
    assert grinding.cost.likely == pytest.approx(16000 * (1 + 1.03**-10), abs=0.01)
    assert grinding.in_time.worn_in_anyway is not None
    assert grinding.cost_per_db_dwelling is None and grinding.fades, "the gain of one day, the cost of years"
    assert all(o.cost_per_db_dwelling is None for o in results.options.options if "acoustic_grinding" in o.measures)
    priced = [o for o in results.options.options if o.cost_per_db_dwelling is not None]
    for option in priced:
        per = option.cost.likely / option.decibel_dwellings
        assert option.cost_per_db_dwelling.likely == pytest.approx(per, rel=1e-3) and not option.fades
    dampers = by_set[("rail_dampers",)]
    assert dampers.cost is None and dampers.cost_unknown == ["rail_dampers: service life"]
    info = next(m for m in results.options.measures if m.id == "rail_dampers")
    assert [(c.likely, c.standing) for c in info.costs] == [(365.0, "read in a published source")]


def test_pareto_options_are_not_beaten(results) -> None:  # type: ignore[no-untyped-def]
    known = [o for o in results.options.options if o.cost is not None]
    front = [o for o in known if o.pareto]
    assert front
    for option in front:
        assert not any(
            o.cost.likely <= option.cost.likely and o.decibel_dwellings > option.decibel_dwellings for o in known
        )


def test_a_measure_that_acts_on_nothing_says_so(results) -> None:  # type: ignore[no-untyped-def]
    infos = {m.id: m for m in results.options.measures}
    assert not infos["lube"].acts and "say nothing about gauge_lubrication" in infos["lube"].nothing
    assert infos["barrier"].acts and infos["barrier"].nothing == ""
    assert any("Only levels of forecasts would fall" in text for text in infos["friction_modifier"].warnings)


def test_notes_that_must_always_stand(results) -> None:  # type: ignore[no-untyped-def]
    infos = {m.id: m for m in results.options.measures}
    for name in ("friction_modifier", "lube"):
        assert FRICTION_APPROVAL in infos[name].approval
    for name in ("rail_dampers", "acoustic_grinding", "friction_modifier", "barrier", "lube"):
        assert TRACK_SAFETY in infos[name].safety
    assert any("well damped" in text for text in infos["rail_dampers"].warnings)


def test_customary_values_are_never_stated(results) -> None:  # type: ignore[no-untyped-def]
    (lube,) = (m for m in results.options.measures if m.id == "lube")
    assert lube.effects == []
    assert any("habit without a source" in prompt for prompt in lube.prompts)


def test_time_of_an_option_against_wear_in(results) -> None:  # type: ignore[no-untyped-def]
    by_set = {tuple(o.measures): o for o in results.options.options}
    grinding = by_set[("acoustic_grinding",)].in_time
    assert grinding.takes_effect == "2026-11-20"
    assert grinding.worn_in_anyway is not None and grinding.worn_in_anyway > "2026-11-20"
    assert grinding.avoided_days["highly_annoyed"] > 0
    assert by_set[("barrier",)].in_time is None


def test_the_order_names_the_best_first(results) -> None:  # type: ignore[no-untyped-def]
    order, options = results.options.order, {o.id: o for o in results.options.options}
    gains = [options[place.option] for place in order]
    assert "barrier" in gains[0].measures
    assert all("lube" not in o.measures for o in gains), "a part of it does the same"
    assert "the computed Lden would be lower by" in order[0].reason


def test_suggestions_are_measures_that_act_on_what_prevails(results) -> None:  # type: ignore[no-untyped-def]
    found = {s.measure: s for s in results.options.suggestions}
    assert found["speed_restriction"].acts_at == {"squeal": ["R", "Q"]}
    assert not {"rail_pads", "joint_removal", "rail_dampers", "waiting"} & set(found)


def test_suggestions_need_no_measures(tmp_path: Path) -> None:
    data = site(suggest=True, dose_effect="eu_2020_367")
    found = lineside.assess(write_site(data, tmp_path), PLUGINS).results.options
    assert found is not None and found.measures == found.options == found.order == []
    assert {"friction_modifier", "speed_restriction"} <= {s.measure for s in found.suggestions}


@pytest.mark.parametrize(
    ("measure", "missing"),
    [
        ("turnout_renewal", {"turnouts": []}),
        ("joint_removal", {"joints_per_100_m": 0}),
        ("bridge_treatment", {"bridge": "none"}),
    ],
)
def test_what_has_nothing_to_act_on_does_not_fit(measure: str, missing: dict[str, Any], tmp_path: Path) -> None:
    asked = next(m for m in PLUGINS.measures if m.name == measure)
    for lacking in (False, True):
        data = site()
        for track in data["tracks"] if lacking else ():
            turnouts = {k: v for k, v in missing.items() if k == "turnouts"}
            track |= turnouts
            track["attributes"] |= {k: v for k, v in missing.items() if k != "turnouts"}
        loaded = load_project(write_site(data, tmp_path / str(lacking)), PLUGINS)
        assert asked.fits(loaded.project, Known(loaded.alignments)) is not lacking


def test_suggestions_leave_out_what_cannot_act(tmp_path: Path) -> None:
    """Rolling prevails; first without a turnout, another track or a barrier, then with a turnout and a barrier."""
    data = site(suggest=True)
    data["tracks"] = data["tracks"][:1]
    data["tracks"][0]["attributes"] |= {"joints_per_100_m": 0, "bridge": "none", "curve_radius_m": None}
    data["tracks"][0].pop("turnouts")
    names = {"turnout_renewal", "other_track", "absorbing_facing", "barrier", "speed_restriction"}

    def suggested(folder: Path) -> set[str]:
        found = lineside.assess(write_site(data, folder), PLUGINS).results.options
        assert found is not None
        return names & {s.measure for s in found.suggestions}

    assert suggested(tmp_path / "a") == {"barrier", "speed_restriction"}
    wall = {"id": "W", "line": [[-200, -20], [200, -20]], "height_m": 2, "surface": "reflecting"}
    data["barriers"] = [wall]
    data["tracks"][0]["turnouts"] = [{"id": "W", "chainage_m": 1000}]
    assert suggested(tmp_path / "b") == names - {"other_track"}


def test_a_price_paid_once_without_a_life_is_warned_of(tmp_path: Path) -> None:
    price = {"low": 1, "likely": 2, "high": 4, "per": "m", "currency": "EUR", "year": 2026, "source": "Invented"}
    data = site("barrier", "rail_dampers", "rail_pads")
    data["measures"][0]["costs"] = [price]
    data["measures"][1] |= {"costs": [price], "life": {"years": 10, "source": "Invented"}}
    data["measures"][2]["costs"] = [{**price, "every": "year"}]
    warned = [p for p in load_project(write_site(data, tmp_path), PLUGINS).warnings if "service life" in p.message]
    assert [p.place.split(",")[0].split(" ")[0] for p in warned] == ["measures[1]"]
    assert "life: {years: " in warned[0].hint and warned[0].line is not None


def test_measures_and_the_relation_stand_in_the_provenance(results) -> None:  # type: ignore[no-untyped-def]
    offers = {(o.kind, o.name): o for o in results.provenance.offers}
    assert {name for kind, name in offers if kind == "measure"} == {m.measure for m in results.options.measures}
    assert any("effects" in f.name for f in offers["measure", "rail_dampers"].data_files)
    relation = results.options.relation
    assert ("dose effect", relation.name) in offers and relation.valid_db["highly_annoyed"] == [40.0, 85.0]


def test_above_any_limit_counts_each_receiver_once(results) -> None:  # type: ignore[no-untyped-def]
    now = results.options.above_before
    over = {f.receiver for f in results.findings if f.verdict == "above" and f.quantity != "lafmax_db"}
    assert now.receivers == len(over) > 0
    assert now.persons == sum(r.persons for r in results.receivers if r.id in over)
    for option in results.options.options:
        assert max((a.receivers for a in option.above), default=0) <= option.above_any.receivers <= now.receivers


def test_ids_of_options_do_not_depend_on_what_else_is_considered(results, tmp_path: Path) -> None:  # type: ignore[no-untyped-def]
    found, _ = considered(site("barrier", "rail_dampers", combine_up_to=2), tmp_path)
    ids = {frozenset(o.measures): o.id for o in results.options.options}
    assert {frozenset(key) for key in found.keys if key} <= set(ids)
    assert ids[frozenset(["barrier", "rail_dampers"])] == "barrier + rail_dampers"


def test_answered_questions_are_not_asked_again(results) -> None:  # type: ignore[no-untyped-def]
    infos = {m.id: m for m in results.options.measures}
    assert any("service life" in p for p in infos["rail_dampers"].prompts), "no life is given"
    assert not any("price" in p or "life" in p for p in infos["barrier"].prompts)


GIVEN = {
    "costs": [{"low": 1, "likely": 2, "high": 4, "per": "m", "currency": "EUR", "year": 2026, "source": "Invented"}],
    "life": {"years": 10, "source": "Invented"},
    "lead_days": 30,
}


@pytest.mark.parametrize("answers", [(), ("costs",), ("life",), ("costs", "life", "lead_days")])
def test_only_what_is_not_given_is_asked(answers: tuple[str, ...]) -> None:
    """All measures of the catalogue: questions for a price, a life or an effect, by what the project file answers."""
    for measure in PLUGINS.measures:
        if measure.side == "waiting":
            continue
        use = MeasureUse.model_validate({"id": "m", "measure": measure.name} | {k: GIVEN[k] for k in answers})
        options = measure.options_model.model_construct(source="Offer" if answers else "")
        facts = measure.facts()
        found = _prompts(
            Candidate(use, measure, options, dt.date(2026, 1, 1)), costs_of(use, facts.costs, ""), facts.prompts
        )
        n = {word: sum(word in p for p in found) for word in ("price", "cost", "life", "time to put")}
        priced, dropped = bool(facts.costs) or "costs" in answers, "source" in measure.options_model.model_fields
        assert n["price"] + n["cost"] == (0 if priced else 1), (measure.name, found)
        assert n["life"] == (0 if "life" in answers else 1), (measure.name, found)
        assert n["time to put"] == (0 if "lead_days" in answers else 1) and len(found) == len(set(found))
        about = [p.partition(":")[0] for p in found if p.startswith("effect on")]
        assert not any(a != b and a.startswith(b) for a in about for b in about), (measure.name, found)
        asked = sum("effect on" in p or "improvement" in p or "reduction by" in p for p in found)
        assert not (answers and dropped and asked), (measure.name, found)
        if not answers and measure.name in ("facade_insulation", "wheel_dampers"):
            assert asked


def test_a_question_answered_in_part_leaves_the_other_part() -> None:
    measure = next(m for m in PLUGINS.measures if m.name == "barrier")
    use = MeasureUse.model_validate({"id": "m", "measure": "barrier", "costs": GIVEN["costs"], "lead_days": 1})
    candidate = Candidate(use, measure, measure.options_model.model_construct(), dt.date(2026, 1, 1))
    costs = costs_of(use, (), "")
    assert _prompts(candidate, costs, ["price and service life"]) == ["service life, with source"]
    assert _prompts(candidate, costs, ["price and effect", "who pays"]) == [
        "price and effect", "who pays", "service life, with source"
    ]  # fmt: skip


def test_a_measure_takes_effect_after_its_lead_time(tmp_path: Path) -> None:
    """Dated 2026-11-20: 20 days later is 2026-12-10, and after 100 days the rails have worn in without a finish."""
    data = site("rail_dampers", "acoustic_grinding", dose_effect="eu_2020_367")
    found = {}
    for days in (0, 20, 100):
        for use in data["measures"]:
            use["lead_days"] = days
        options = lineside.assess(write_site(data, tmp_path / str(days)), PLUGINS).results.options
        assert options is not None
        found[days] = {o.id: o.in_time for o in options.options if o.in_time is not None}
    takes = {days: [found[days][n].takes_effect for n in ("rail_dampers", "acoustic_grinding")] for days in found}
    assert takes == {0: ["2026-11-20"] * 2, 20: ["2026-12-10"] * 2, 100: ["2027-02-28", None]}
    now, later = (found[days]["rail_dampers"] for days in (0, 20))
    assert now.until == later.until == "2027-05-01"  # 162 days, and 142 of them
    assert later.avoided_days["highly_annoyed"] == pytest.approx(
        142 / 162 * now.avoided_days["highly_annoyed"], rel=0.02
    )


def test_works_of_a_measure_are_done_after_its_lead_time(tmp_path: Path) -> None:
    """A date of its own counts where it is later."""
    for date, expected in ((None, dt.date(2026, 12, 10)), ("2027-03-01", dt.date(2027, 3, 1))):
        data = site("acoustic_grinding")
        data["measures"][0]["lead_days"] = 20
        if date is not None:
            data["measures"][0]["options"]["date"] = date
        prepared = prepare(load_project(write_site(data, tmp_path / expected.isoformat()), PLUGINS), PLUGINS)
        assert prepared is not None
        project, (candidate,) = prepared.loaded.project, prepared.candidates
        later = candidate.in_place(project)
        made = later.measure.apply(project, later.options, prepared.changer.known)
        assert later.day == made.works[-1].date == expected

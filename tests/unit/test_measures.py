"""Single measures of the catalogue: what they write into a project."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.levels import to_db
from lineside.api import load_project
from lineside.contracts import SourceCalculator
from lineside.engine.option_run import prepare
from lineside.engine.select import select
from lineside.errors import ProjectError
from lineside.measures import Known, Measure
from lineside.project.model import Project
from lineside.results.option_costs import present_value
from lineside.scene.build import build_scene
from lineside.small_project import small_known, small_project
from lineside_plugins.measures_catalogue.traffic import is_part_of, part_id
from measure_sites import PLUGINS, considered, site
from sites import straight_site, write_site


def applied(name: str, options: dict[str, Any], project: Project | None = None) -> Project:
    project = project or small_project()
    measure = PLUGINS.find(Measure, name)  # type: ignore[type-abstract]
    return measure.apply(project, measure.options_model.model_validate(options), small_known(project))


def test_trains_of_some_periods_become_a_service_of_their_own() -> None:
    changed = applied("speed_restriction", {"track": "T", "speed_km_h": 30, "periods": ["evening", "night"]})
    first, second, other = changed.services
    assert (first.id, second.id) == ("S", "S, evening+night") and other == small_project().services[1]
    assert (first.trains.day, first.trains.evening, first.trains.night) == (100.0, 0.0, 0.0)
    assert (second.trains.day, second.trains.evening, second.trains.night) == (0.0, 20.0, 10.0)
    assert first.speed_restrictions == () and second.speed_restrictions[0].speed_km_h == 30.0


def test_trains_with_times_are_split_by_the_clock() -> None:
    """The night is from 23 to 7: two of the three trains run in it."""
    changed = applied("speed_restriction", {"track": "U", "speed_km_h": 30, "periods": ["night"]})
    day, night = changed.services[1:]
    assert day.trains.times == ("12:00",) and night.trains.times == ("05:10", "05:40")


def test_times_move_over_midnight_and_only_before() -> None:
    changed = applied("other_times", {"service": "E", "later_min": 90, "before": "05:30"})
    assert changed.services[1].trains.times == ("05:40", "06:40", "12:00")
    changed = applied("other_times", {"service": "E", "later_min": -360})
    assert changed.services[1].trains.times == ("06:00", "23:10", "23:40")


def test_dampers_lower_the_transfer_by_octave() -> None:
    changed = applied("rail_dampers", {"track": "T", "reduction_db": {500: 2, 1000: 3, 2000: 3}})
    (spectrum,) = changed.spectra
    np.testing.assert_allclose(-np.array(spectrum.levels_db), [0] * 9 + [2] * 3 + [3] * 6 + [0] * 6)
    (work,) = changed.works
    assert work.kind == "rail_dampers" and work.changes.track_transfer.spectrum == spectrum.id


def test_dampers_follow_what_lies_there() -> None:
    """Where sleepers differ along the place, so do the spectra; a work on each piece."""
    project = small_project()
    data = project.model_dump(by_alias=True)
    data["tracks"][0]["stretches"] = [{"from_m": 400.0, "to_m": 600.0, "sleeper": "wooden"}]
    changed = applied("rail_dampers", {"track": "T", "from_m": 300}, Project.model_validate(data))
    assert [(w.from_m, w.to_m) for w in changed.works] == [(300.0, 400.0), (400.0, 600.0), (600.0, 1000.0)]
    assert changed.works[0].changes.track_transfer == changed.works[2].changes.track_transfer
    assert len(changed.spectra) == 2


def test_a_close_barrier_keeps_its_distance_in_a_curve() -> None:
    angle = np.linspace(0.0, np.pi / 2, 91)
    xyz = np.stack([300 * np.sin(angle), 300 - 300 * np.cos(angle), np.full(91, 0.4)], axis=-1)
    chainage = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(xyz[:, :2], axis=0), axis=1))])
    measure, project = PLUGINS.find(Measure, "close_barrier"), small_project()  # type: ignore[type-abstract]
    options = {"id": "N", "track": "T", "side": "left", "offset_m": 2.0, "above_rail_m": 0.9}
    known = Known({"T": (chainage, xyz)})
    barrier = measure.apply(project, measure.options_model.model_validate(options), known).barriers[-1]
    radius = np.hypot(*(np.array(barrier.line) - [0.0, 300.0]).T)
    np.testing.assert_allclose(radius[1:-1], 298.0, atol=0.02)
    assert (barrier.height_m, barrier.height_above) == (0.9, "rail")


def test_grinding_at_intervals_ends() -> None:
    options = {"track": "T", "interval_months": 12, "until": "2029-01-01"}
    changed = applied("earlier_grinding", options)
    assert [w.date for w in changed.works] == [dt.date(2026, 6, 1), dt.date(2027, 6, 1), dt.date(2028, 6, 1)]
    assert all(w.details["finish"] == "acoustic" for w in changed.works)


def test_grinding_by_a_trigger_waits_until_rails_are_rough(tmp_path: Path) -> None:
    """A lower trigger is reached earlier, and a rail is first left to wear in."""
    data = site()
    data["calculation"]["rail_state"]["options"] = {
        "parameters": {
            "growth_straight_db_per_year": {"likely": 2, "source": "Measured"},
            "growth_curve_db_per_year": {"likely": 2, "source": "Measured"},
        }
    }
    data["services"][0]["trains"] |= {"day": 1200, "evening": 240, "night": 160}
    data["measures"] = [
        {
            "id": f"g{k}",
            "measure": "earlier_grinding",
            "options": {"track": "T", "trigger_db": k, "until": "2040-01-01", "from_m": 600, "to_m": 900},
        }
        for k in (1, 2)
    ]
    prepared = prepare(load_project(write_site(data, tmp_path), PLUGINS), PLUGINS)
    assert prepared is not None
    days = {}
    for name in ("g1", "g2"):
        changed = prepared.changer.project((name,))
        assert isinstance(changed, Project)
        days[name] = [w.date for w in changed.works[1:]]
    assert len(days["g1"]) > len(days["g2"]) >= 1
    assert dt.date(2026, 11, 20) < days["g1"][0] < days["g2"][0]
    gaps = np.diff([d.toordinal() for d in days["g1"]])
    assert np.ptp(gaps) <= 62, "each pass is as far from the last one"


def test_monitored_rail_without_a_rail_state_is_well_kept(tmp_path: Path) -> None:
    data = site("monitored_rail")
    del data["calculation"]["rail_state"]
    for track in data["tracks"]:
        track["attributes"] |= {"curve_radius_m": None, "joints_per_100_m": 0, "bridge": "none"}
    data["vehicles"][0]["wheel_roughness"] = "disc"
    found, energy = considered(data, tmp_path)
    loaded = found.prepared.loaded_of(("monitored_rail",))
    assert not isinstance(loaded, str) and loaded.project.works[-1].changes.rail_roughness == "well_maintained"
    assert np.all(to_db(energy[1] / energy[0]) < 0)


def test_a_restriction_slows_the_service_there(tmp_path: Path) -> None:
    data = straight_site()
    data["services"][0]["speed_restrictions"] = [{"from_m": 900, "to_m": 1100, "speed_km_h": 25}]
    loaded = load_project(write_site(data, tmp_path), PLUGINS)
    built = build_scene(loaded, select(loaded, PLUGINS).sources)
    speed, middle = built.scene.traffic.speed_km_h[0], built.scene.sections.mid_m
    assert speed[np.abs(middle - 1000) < 60].max() < 25.5
    assert speed[np.abs(middle - 300) < 100].min() > 59
    permitted = built.scene.traffic.permitted_km_h
    assert permitted is not None and set(np.round(permitted[0], 6)) == {25.0, 60.0}


def test_a_restriction_beyond_the_track_is_an_error(tmp_path: Path) -> None:
    data = straight_site()
    data["services"][0]["speed_restrictions"] = [{"from_m": 900, "to_m": 3000, "speed_km_h": 25}]
    with pytest.raises(ProjectError, match=r"speed_restrictions\[1\]: to_m: lies beyond the alignment"):
        load_project(write_site(data, tmp_path), PLUGINS)


@pytest.mark.parametrize(
    ("attribute", "name", "first_db"),
    [
        ("track_transfer", "monoblock + medium", 50.9),
        ("track_transfer", "wooden + soft", 44.0),
        ("vehicle_transfer", "wheel_840mm", 75.4),
        ("bridge", "plus_10_dba", 85.2),
    ],
)
def test_tabulated_classes_are_the_law_s(attribute: str, name: str, first_db: float) -> None:
    """At 50 Hz; Directive (EU) 2015/996 with 2021/1226, Appendix G, Tables G-3 and G-7, from the plugin's tables."""
    rolling = PLUGINS.find(SourceCalculator, "eu_rolling")  # type: ignore[type-abstract]
    spectrum = rolling.tabulated(attribute, name)
    assert spectrum is not None and spectrum.axis[0] == 50.0
    assert spectrum.columns["level_db"][0] == first_db
    assert rolling.tabulated(attribute, "unknown") is None


def test_present_value_needs_its_amounts() -> None:
    assert present_value([], {}, None, 30, 0.0).missing == ("no cost is given or published",)


def test_measures_at_one_service_do_what_they_say_whatever_their_ids() -> None:
    """A restriction at night splits the service; what changes its times or way then holds for both parts."""
    assert is_part_of("S, night", "S") and is_part_of("S, night, evening", "S") and not is_part_of("S, east", "S")
    long = "L" * 60
    assert part_id(long, ["night"]) != part_id("L" * 59 + "M", ["night"]) and len(part_id(long, ["night"])) <= 60
    assert is_part_of(part_id(long, ["night"]), long)
    slow = {"track": "T", "speed_km_h": 30, "periods": ["night"]}
    project = applied("speed_restriction", slow)
    project = applied("driving_instruction", {"services": ["S"], "speed_km_h": 25}, project)
    assert [s.speed_km_h for s in project.services[:2]] == [25.0, 25.0]
    project = applied("speed_restriction", {**slow, "speed_km_h": 20, "services": ["S"]}, project)
    night = next(s for s in project.services if s.id == "S, night")
    assert [r.speed_km_h for r in night.speed_restrictions] == [30.0, 20.0]


@pytest.mark.parametrize(("first", "second"), [("a", "b"), ("b", "a")])
def test_levels_do_not_depend_on_the_ids_of_measures(first: str, second: str, tmp_path: Path) -> None:
    data = site(combine_up_to=2)
    slow = {"track": "T", "speed_km_h": 30, "periods": ["night"]}
    later = {"service": "S", "from_period": "night", "to_period": "day"}
    data["measures"] = [
        {"id": first, "measure": "speed_restriction", "options": slow},
        {"id": second, "measure": "other_times", "options": later},
    ]
    found, energy = considered(data, tmp_path)
    both = next(n for n, key in enumerate(found.keys) if len(key) == 2)
    alone = next(n for n, key in enumerate(found.keys) if key == (second,))
    np.testing.assert_allclose(energy[both], energy[alone], rtol=1e-9)  # no train is left to be slower at night

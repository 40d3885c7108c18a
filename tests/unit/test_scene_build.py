"""From a project to a scene: what each entry becomes."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.api import load_project
from lineside.engine.select import select
from lineside.plugins import Plugins
from lineside.scene.build import BuiltScene, build_scene
from lineside.scene.points import source_points
from lineside.scene.traffic import standing_share
from sites import straight_site, write_site


@pytest.fixture
def built(tmp_path: Path) -> Any:
    def build(site: dict[str, Any]) -> BuiltScene:
        plugins = Plugins.load()
        loaded = load_project(write_site(copy.deepcopy(site), tmp_path / "site"), plugins)
        return build_scene(loaded, select(loaded, plugins).sources)

    return build


def test_heights_of_receivers_and_barriers_count_from_the_ground(built: Any) -> None:
    site = straight_site()
    site["site"]["ground_level_m"] = 52.0
    site["tracks"][0]["alignment"]["points"] = [[-100, 0, 52.3], [100, 0, 52.3]]
    site["barriers"] = [{"id": "B", "height_m": 2.5, "surface": "absorbing", "line": [[-10, 5], [10, 5]]}]
    scene = built(site).scene
    assert scene.receivers.xyz_m[0, 2] == pytest.approx(56.0)
    assert scene.barriers.top_z_m == pytest.approx(np.array([[54.5, 54.5]]))
    assert scene.barriers.base_z_m == pytest.approx(np.array([[52.0, 52.0]]))
    assert scene.tracks[0].xyz_m[:, 2] == pytest.approx([52.3, 52.3])


def test_air_of_the_project_is_the_air_of_the_scene(built: Any) -> None:
    site = straight_site()
    site["site"]["air"] = {"temperature_deg_c": 27, "humidity_pct": 41, "pressure_kpa": 93.5}
    air = built(site).scene.air
    assert (air.temperature_deg_c, air.humidity_pct, air.pressure_kpa) == (27.0, 41.0, 93.5)


def test_later_stretches_lie_on_top_of_earlier_ones(built: Any) -> None:
    site = straight_site()
    site["tracks"][0]["stretches"] = [
        {"from_m": 100, "to_m": 300, "joints_per_100_m": 2, "rail_roughness": "well_maintained"},
        {"from_m": 200, "to_m": 400, "joints_per_100_m": 5},
    ]
    built_scene = built(site)
    (along,) = built_scene.alongs
    at = {place: along.values[along.piece(place)] for place in (50.0, 150.0, 250.0, 350.0)}
    assert [at[p]["joints_per_100_m"] for p in at] == [0.0, 2.0, 5.0, 5.0]
    assert [at[p]["rail_roughness"] for p in at] == ["average_network", *2 * ["well_maintained"], "average_network"]
    joints = [(j.from_m, j.to_m, j.joints_per_m) for j in built_scene.scene.tracks[0].joints]
    assert joints == [(100.0, 200.0, pytest.approx(0.02)), (200.0, 400.0, pytest.approx(0.05))]


def test_a_turnout_is_one_joint_in_100_m_and_a_curve_of_30_m_if_it_diverges(built: Any) -> None:
    """One joint, so that n_l = 0.01 per metre within 50 m to both sides; length: common practice, no source."""
    site = straight_site()
    site["tracks"][0]["turnouts"] = [
        {"id": "W1", "chainage_m": 500, "route": "diverging", "diverging_radius_m": 190},
        {"id": "W2", "chainage_m": 900, "route": "through", "diverging_radius_m": 190},
        {"id": "W3", "chainage_m": 4, "route": "diverging", "diverging_radius_m": 150},
    ]
    track = built(site).scene.tracks[0]
    assert {(j.what, j.from_m, j.to_m, j.joints_per_m) for j in track.joints} == {
        ("turnout", 500.0, 500.0, 0.01),
        ("turnout", 900.0, 900.0, 0.01),
        ("turnout", 4.0, 4.0, 0.01),
    }
    assert [(c.from_m, c.to_m, c.radius_m, c.turnout) for c in track.curves] == [
        (0.0, 19.0, 150.0, True),
        (485.0, 515.0, 190.0, True),
    ]


@pytest.mark.parametrize("direction", ["rising", "falling"])
def test_trains_that_pass_run_at_the_limit(built: Any, direction: str) -> None:
    site = straight_site()
    site["services"][0]["direction"] = direction
    traffic = built(site).scene.traffic
    np.testing.assert_allclose(traffic.speed_km_h, 60.0, rtol=1e-9)
    np.testing.assert_allclose(traffic.seconds_per_m, 3.6 / 60.0, rtol=1e-9)


def test_speed_is_section_length_over_time_where_it_changes(built: Any) -> None:
    site = straight_site()
    site["tracks"][0]["stretches"] = [{"from_m": 800, "to_m": 1200, "speed_limit_km_h": 30}]
    traffic = built(site).scene.traffic
    np.testing.assert_allclose(traffic.speed_km_h * traffic.seconds_per_m, 3.6, rtol=1e-9)
    assert traffic.speed_km_h.min() == pytest.approx(30.0, rel=1e-9)
    assert traffic.speed_km_h.max() == pytest.approx(60.0, rel=1e-9)


@pytest.mark.parametrize(("direction", "sign"), [("rising", 1), ("falling", -1)])
def test_the_front_of_a_standing_train_points_where_it_runs(built: Any, direction: str, sign: int) -> None:
    site = straight_site()
    site["stops"] = [{"id": "stop", "at": [{"track": "T", "chainage_m": 1000}]}]
    site["services"][0]["direction"] = direction
    calls = {"kind": "calls", "at": ["stop"], "acceleration_m_s2": 1.0, "braking_m_s2": 1.0, "dwell_s": 20}
    site["services"][0]["pattern"] = calls
    (run,) = built(site).runs
    low = np.arange(950.0, 1050.0, 10.0)
    covered = np.stack([standing_share(run, k, 1000.0, low, low + 10.0) for k in range(4)])
    centre = (covered * 10.0) @ (low + 5.0)
    np.testing.assert_allclose(covered.sum(axis=1) * 10.0, 1.0)
    np.testing.assert_allclose(centre, 1000.0 + sign * np.array([30.0, 10.0, -10.0, -30.0]))


def test_every_track_form_has_its_own_source_ground(built: Any) -> None:
    site = straight_site()
    site["tracks"][0]["stretches"] = [
        {"from_m": 500, "to_m": 800, "form": "slab"},
        {"from_m": 1200, "to_m": 1500, "form": "embedded", "source_ground_g": 0.4},
    ]
    scene = built(site).scene
    points = source_points(scene, scene.receivers, 0.5, {"ballast": 1.0, "slab": 0.0, "embedded": 0.0}.__getitem__)
    chainage = points.xyz_m[:, 0] - scene.tracks[0].xyz_m[0, 0]
    expected = np.select([(chainage > 500) & (chainage < 800), (chainage > 1200) & (chainage < 1500)], [0.0, 0.4], 1.0)
    assert set(expected) == {0.0, 0.4, 1.0}
    np.testing.assert_array_equal(points.ground_g, expected)


def test_favourable_share_has_a_value_for_each_period_and_sector(built: Any) -> None:
    site = straight_site()
    sectors = [
        {"from_deg": 0, "day": 0.1, "evening": 0.2, "night": 0.3},
        {"from_deg": 200, "day": 0.7, "evening": 0.8, "night": 0.9},
    ]
    site["site"]["favourable"] = {"kind": "by_sector", "sectors": sectors}
    share = built(site).scene.favourable
    np.testing.assert_array_equal(
        share.at(np.array([0.0, 199.9, 200.0, 359.9, -10.0])),
        [[0.1, 0.1, 0.7, 0.7, 0.7], [0.2, 0.2, 0.8, 0.8, 0.8], [0.3, 0.3, 0.9, 0.9, 0.9]],
    )


def test_barriers_know_whether_they_reflect(built: Any) -> None:
    site = straight_site()
    site["barriers"] = [
        {"id": "A", "height_m": 2, "surface": "absorbing", "line": [[-10, 5], [0, 5], [10, 5]]},
        {"id": "B", "height_m": 2, "surface": "reflecting", "line": [[20, 5], [30, 5]]},
    ]
    assert built(site).scene.barriers.reflecting.tolist() == [False, False, True]


def test_permitted_speed_is_the_lowest_of_line_train_and_service_wherever_trains_call(built: Any) -> None:
    site = straight_site(500.0)
    site["tracks"][0]["stretches"] = [{"from_m": 300, "to_m": 600, "speed_limit_km_h": 120}]
    site["vehicles"][0]["max_speed_km_h"] = 90
    site["stops"] = [{"id": "stop", "name": "Stop", "at": [{"track": "T", "chainage_m": 500.0}]}]
    site["services"][0]["pattern"] = {
        "kind": "calls", "at": ["stop"], "acceleration_m_s2": 0.8, "braking_m_s2": 0.8, "dwell_s": 40,
    }  # fmt: skip
    site["services"].append({**site["services"][0], "id": "slow", "speed_km_h": 40})
    scene = built(site).scene
    middle, traffic = scene.sections.mid_m, scene.traffic
    expected = np.where((middle > 300) & (middle < 600), 90.0, 60.0)
    for row in np.flatnonzero(~traffic.standing):
        slow = scene.services[traffic.service[row]].id == "slow"
        np.testing.assert_allclose(traffic.permitted_km_h[row], np.minimum(expected, 40.0) if slow else expected)
    assert np.any(traffic.speed_km_h[~traffic.standing] < 30.0)
    assert not traffic.permitted_km_h[traffic.standing].any()

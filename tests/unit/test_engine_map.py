"""Levels at points of a map: they depend on the place alone, and on what was proven to matter."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from engine_parts import Plain, prepared
from lineside.acoustics.levels import to_db
from lineside.engine.at_points import PointLevels
from lineside.engine.grid import fill_inside, fill_on_track, grid_levels, inside_buildings, on_tracks
from lineside.engine.levels import heard
from lineside.engine.run import compute, line_power, listener, long_term
from lineside.engine.sections import cut_through
from lineside.project.maps import SectionMap
from lineside.scene.model import Buildings, Receivers
from lineside.small_scene import small_scene
from sites import straight_site

SITE = straight_site(600.0)
SITE["barriers"] = [{"id": "B", "height_m": 3.0, "surface": "absorbing", "line": [[-80, 10], [60, 10]]}]
SITE["ground_areas"] = [{"id": "pond", "g": 0.0, "polygon": [[-50, 40], [90, 40], [90, 80], [-50, 80]]}]
SITE["receivers"] += [
    {"id": f"R{k}", "position": [30.0 * k, 20.0 + 25 * k], "height_m": 4.0, "use": "other", "area": None}
    for k in range(6)
]


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    return prepared(SITE, tmp_path_factory.mktemp("site"))


def axes(task, x, y):
    return np.asarray(x) - task.scene.origin[0], np.asarray(y) - task.scene.origin[1]


def test_a_point_of_the_map_hears_what_a_receiver_hears_there(site):
    task, selection = site
    levels = compute(task, selection).receivers
    found = listener(task, selection).at(task.scene.receivers)
    np.testing.assert_allclose(to_db(found.energy), to_db(levels.period), rtol=0, atol=1e-9)
    power = line_power(task.scene, task.emission.mean)
    slow = heard(long_term(task, selection, task.scene.receivers), power)
    np.testing.assert_allclose(to_db(found.energy), to_db(slow), rtol=0, atol=1e-9)


@pytest.mark.parametrize("weather", ["favourable", "homogeneous"])
def test_one_state_of_the_weather_may_prevail(site, weather):
    task, selection = replace(site[0], weather=weather), site[1]
    found = listener(task, selection).at(task.scene.receivers)
    np.testing.assert_allclose(to_db(found.energy), to_db(compute(task, selection).receivers.period), atol=1e-9)


def test_a_level_depends_on_nothing_but_its_place(site):
    task, selection = site
    at = listener(task, selection).at
    x, y = axes(task, np.arange(-200.0, 200.0, 10.0), np.arange(-100.0, 140.0, 10.0))
    whole = grid_levels(task.scene, at, x, y, 4.0).energy[0]
    part = grid_levels(task.scene, at, x[7:31], y[3:20], 4.0).energy[0]
    np.testing.assert_array_equal(whole[:, 3:20, 7:31], part)
    alone = at(Receivers(("P",), np.array([[x[9], y[5], 4.0]]))).energy[0]
    np.testing.assert_array_equal(whole[:, 5, 9], alone)


@pytest.mark.parametrize("workers", [2, 3, 5])
def test_the_number_of_workers_changes_no_bit(site, workers):
    task, selection = site
    one, many = (compute(task, selection, workers=n).receivers for n in (1, workers))
    for name in type(one).__dataclass_fields__:
        np.testing.assert_array_equal(getattr(one, name), getattr(many, name), err_msg=name)
    x, y = axes(task, np.arange(-200.0, 200.0, 10.0), np.arange(-100.0, 140.0, 10.0))
    at = listener(task, selection).at
    maps = [grid_levels(task.scene, at, x, y, 4.0, workers=n).energy for n in (1, workers)]
    np.testing.assert_array_equal(*maps)


def test_small_batches_change_nothing(site):
    task, selection = site
    whole, parts = listener(task, selection), listener(task, selection)
    parts.paths_at_once = 1
    np.testing.assert_array_equal(whole.at(task.scene.receivers).energy, parts.at(task.scene.receivers).energy)


def test_reflected_paths_add_with_a_direction_and_a_height_of_their_own(tmp_path):
    # a quarter of the energy again, of which the horizontal directivity at 60 degrees takes a quarter
    site = straight_site(300.0)
    found = {}
    for wall in (False, True):
        task, selection = prepared(site, tmp_path / str(wall), Plain(wall=wall))
        found[wall] = compute(task, selection).receivers.period, listener(task, selection).at(task.scene.receivers)
    for period, at in found.values():
        np.testing.assert_allclose(at.energy, period, rtol=1e-12)
    assert np.all(found[True][0] > 1.05 * found[False][0])
    assert np.all(found[True][0] < 1.6 * found[False][0])


FAR = straight_site(20000.0)
FAR["receivers"] = [
    {"id": f"R{k}", "position": [10.0 * k, 12.0 + 9 * k], "height_m": 4.0, "use": "other", "area": None}
    for k in range(4)
]


def test_what_is_left_out_stays_below_the_bound(tmp_path):
    task, selection = prepared(FAR, tmp_path, Plain())
    exact = listener(task, selection).at(task.scene.receivers).energy
    calculator = Plain(bounded=True)
    cut = listener(task, replace(selection, propagation=calculator))
    found = cut.at(task.scene.receivers)
    everything = Plain()
    listener(task, replace(selection, propagation=everything)).at(task.scene.receivers)
    assert calculator.pairs < 0.9 * everything.pairs
    assert np.all(found.energy[:3] < exact[:3])  # at the last one too little would be saved
    assert np.all(exact <= (found.energy + found.left_out) * (1 + 1e-12))
    assert 0.001 < to_db(1 + found.left_out / found.energy).max() <= 0.05


def test_where_the_bound_is_far_too_high_everything_is_computed(tmp_path):
    # behind the shadow next to nothing arrives, so that the bound of what was left out outweighs what was found
    task, selection = prepared(FAR, tmp_path, Plain(shadow=25.0))
    exact = listener(task, selection).at(task.scene.receivers).energy
    found = listener(task, replace(selection, propagation=Plain(shadow=25.0, bounded=True))).at(task.scene.receivers)
    np.testing.assert_allclose(found.energy[2:], exact[2:], rtol=1e-12)
    assert np.all(found.left_out[2:] == 0)
    assert np.all(found.left_out[:2] > 0)


def test_what_the_calculator_leaves_out_is_known(tmp_path):
    task, selection = prepared(straight_site(300.0), tmp_path, Plain(missing=0.01))
    found = compute(task, selection).receivers
    share = found.left_out / found.period
    # the bound takes the loudest direction of each source, and so lies above the share that is really missing
    assert np.all(share >= 0.01) and np.all(share < 0.05)
    at = listener(task, selection).at(task.scene.receivers)
    np.testing.assert_allclose(at.left_out, found.left_out, rtol=1e-9)
    assert np.all(compute(task, replace(selection, propagation=Plain())).receivers.left_out == 0)


SQUARE = Buildings(
    ids=("A", "B"),
    xy_m=np.array([[10.0, 10], [30, 10], [30, 30], [10, 30], [62.0, 10], [68, 10], [68, 16], [62, 16]]),
    start=np.array([0, 4, 8]),
    base_z_m=np.zeros(2),
    top_z_m=np.full(2, 8.0),
    absorption=np.zeros((2, 8)),
)


def test_points_inside_buildings_take_the_levels_of_the_quietest_point_nearby():
    x, y = np.arange(0.0, 101.0, 5.0), np.arange(0.0, 51.0, 5.0)
    inside = inside_buildings(SQUARE, x, y)
    assert {tuple(p) for p in np.argwhere(inside)} == {(j, i) for j in (3, 4, 5) for i in (3, 4, 5)} | {(3, 13)}
    gx, gy = np.meshgrid(x, y)
    energy = np.stack([1000.0 - 2 * gx - gy, gx + gy])
    left_out = 0.001 * energy
    energy[:, inside] = np.nan
    before = energy.copy()
    fill_inside(energy, left_out, inside, x, y, 2)
    np.testing.assert_array_equal(energy[:, ~inside], before[:, ~inside])
    assert np.isfinite(energy).all()
    # the small house: nearest points 5 m off, so that those up to 12.5 m off are nearby; the sum is 1000 - x
    near = (np.hypot(gx - 65, gy - 15) <= 12.5) & ~inside
    assert energy[:, 3, 13].sum() == before.sum(axis=0)[near].min() == 925.0
    # the middle of the large one: the nearest outside 10 m off, nearby up to 17.5 m
    near = (np.hypot(gx - 20, gy - 20) <= 17.5) & ~inside
    assert energy[:, 4, 4].sum() == before.sum(axis=0)[near].min() == 965.0
    np.testing.assert_allclose(left_out[:, 4, 4], 0.001 * energy[:, 4, 4])
    # of all periods and layers one place: two layers, of which the second rises where the first falls
    layers = np.concatenate([before, before[:, ::-1, ::-1]])
    fill_inside(layers, 0.0 * layers, inside, x, y, 2)
    for j, i in np.argwhere(inside):
        assert (layers[:, j, i, None] == layers[:, ~inside]).all(axis=0).any()
    np.testing.assert_array_equal(layers[:2], energy)


def test_points_inside_are_not_asked_for():
    asked = []

    scene = replace(small_scene(), buildings=SQUARE, ground_level_m=1.0, period_names=("day",))

    def at(receivers):
        asked.append(receivers.xyz_m)
        return PointLevels(np.ones((len(receivers), 1)), np.zeros((len(receivers), 1)))

    x, y = np.arange(0.0, 101.0, 5.0), np.arange(0.0, 51.0, 5.0)
    levels = grid_levels(scene, at, x, y, 4.0)
    places = np.concatenate(asked)
    assert len(places) == levels.inside.size - levels.inside.sum() - levels.on_track.sum()
    assert levels.inside.sum() == 10
    assert np.all(places[:, 2] == 5.0)
    assert np.all(levels.energy == 1.0)


def test_points_on_a_track_take_the_highest_level_beside_it(site):
    task, selection = site
    at = listener(task, selection).at
    x, y = axes(task, np.arange(-40.0, 41.0, 10.0), np.arange(-12.0, 13.0, 1.0))
    levels = grid_levels(task.scene, at, x, y, 4.0)
    rows = np.abs(y + task.scene.origin[1]) <= 2.0
    assert rows.sum() == 5 and np.all(levels.on_track == rows[:, None])
    energy, missing = levels.energy[0], levels.left_out[0]
    beside = np.maximum(energy[:, 9], energy[:, 15])  # 3 m to both sides
    np.testing.assert_array_equal(energy[:, 12], beside)
    np.testing.assert_array_equal(energy[:, 10:12], np.repeat(energy[:, 9:10], 2, axis=1))
    assert np.all(missing[:, 12] / energy[:, 12] <= np.maximum(*(missing / energy)[:, [9, 15]].swapaxes(0, 1)))
    axis = at(Receivers(("P",), np.array([[x[4], y[12], 4.0]]))).energy[0]
    assert np.all(to_db(axis) < to_db(energy[:, 12, 4]) - 3.0), "the trough that must not be shown"


def test_points_on_tracks_are_found_along_bends():
    bend = replace(small_scene().tracks[0], xyz_m=np.array([[0.0, 0, 0], [10, 0, 0], [20, 10, 0]]))
    x, y = np.arange(-5.0, 26.0), np.arange(-5.0, 16.0)
    gx, gy = np.meshgrid(x, y)
    first = np.hypot(gx - np.clip(gx, 0, 10), gy)
    t = np.clip(((gx - 10) + gy) / 20, 0, 1)
    second = np.hypot(gx - 10 - 10 * t, gy - 10 * t)
    np.testing.assert_array_equal(on_tracks([bend], x, y), np.minimum(first, second) <= 2.0)


def test_a_grid_on_the_track_alone_stays_silent():
    energy, left_out = np.zeros((2, 1, 1, 3))
    where = np.ones((1, 3), dtype=bool)
    fill_on_track(energy, left_out, where, ~where, np.arange(3.0), np.zeros(1))
    assert not energy.any()


def test_points_below_a_deck_are_not_asked_for(tmp_path):
    site = straight_site(100.0)
    site["tracks"][0]["alignment"]["points"] = [[-100.0, 0.0, 8.0], [100.0, 0.0, 8.0]]
    work = {"id": "V", "kind": "viaduct", "along": "T", "from_m": 0.0, "to_m": 200.0, "formation_edge_m": 4.0}
    site["earthworks"] = [work]
    task, _ = prepared(site, tmp_path, Plain())
    x, y = axes(task, np.arange(-20.0, 21.0, 5.0), np.arange(-10.0, 11.0, 2.5))
    for height, n in ((4.0, 9 * 3), (9.0, 0)):  # y = -2.5, 0 and 2.5; above the deck none
        asked = []

        def at(receivers, asked=asked):
            asked.append(receivers.xyz_m)
            energy = np.repeat(np.abs(receivers.xyz_m[:, 1:2] + task.scene.origin[1]), 3, axis=1)
            return PointLevels(energy, np.zeros_like(energy))

        levels = grid_levels(task.scene, at, x, y, height)
        assert levels.inside.sum() == n and len(np.concatenate(asked)) == 81 - n - levels.on_track.sum()
        assert levels.on_track.sum() == (0 if n else 9)
        assert levels.energy[0, 0, 4, 4] == (5.0 if n else 2.5)
    cut = cut_through(
        task.scene, SectionMap(id="C", kind="section", line=((0.0, -10.0), (0.0, 10.0)), step_m=1.0, up_to_m=12.0)
    )
    off = np.abs(cut.distance_m - 10.0)
    assert not cut.free[cut.height_m < 7.0][:, off < 3.9].any() and cut.free[:, off > 4.1].all()

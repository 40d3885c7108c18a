"""Walls of the propagation calculator: barriers beside trains, and what reflects."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from pydantic import ValidationError

from flat_scene import flat_scene, receivers_at
from lineside.scene.model import Buildings, SourcePoints
from lineside_plugins.eu_propagation import EuPropagation, EuPropagationOptions, barrier_beside_train, vertical_cut
from town import bank, terrain

CALCULATOR = EuPropagation()
OPTIONS = EuPropagationOptions()
HEIGHTS = np.array([0.5, 4.0])


def beside_track(x: float, top: float = 2.0, **more: Any) -> Any:
    """A long barrier beside the track along y at x = 0."""
    where = flat_scene(screens=[[x, -90, x, 90, top]])
    return replace(where, barriers=replace(where.barriers, **more), forms=())


def points(xyz: Any) -> SourcePoints:
    p = np.asarray(xyz, dtype=float).reshape(-1, 3)
    n = len(p)
    return SourcePoints(np.zeros(n, dtype=int), p, np.tile([0.0, 1.0], (n, 1)), np.zeros(n), np.ones(n))


REFLECTING = {"reflecting": np.array([True])}
ABSORBING = {"reflecting": np.array([False])}


def gained_db(where: Any, bare: Any, to: Any, options: EuPropagationOptions = OPTIONS) -> np.ndarray:
    source = points([[0, 0, 0.2]])
    one, two = (CALCULATOR.path_loss(s, source, HEIGHTS, receivers_at(to), options).transfer for s in (where, bare))
    return 10 * np.log10(one / two)[0, 0]


@pytest.mark.parametrize("to", [[25.75, 0.0, 4.2], [20.0, 31.0, 1.7]])
def test_a_train_beside_a_barrier_is_louder(to: list[float]) -> None:
    """The section is at right angles to the track, from its rail head 0.75 m off the axis, also for slanting paths."""
    alpha = np.linspace(0.1, 0.95, 8)
    found = gained_db(beside_track(4.75, absorption=alpha[np.newaxis]), beside_track(4.75), [to])
    for h, height in enumerate(HEIGHTS):
        expected = barrier_beside_train(height, (4.0, 1.8), (to[0] - 0.75, to[2] - 0.2), alpha).gain_db
        np.testing.assert_allclose(found[h], np.tile(expected, (2, 1)), atol=0.05)
    assert np.all(found[0, :, :6] > 0.5) and np.all(found[:, :, 7] == 0.0)  # more than 0.8 is absorbed


@pytest.mark.parametrize(
    ("where", "options", "alpha"),
    [
        (beside_track(4.75, **REFLECTING), OPTIONS, 0.2),
        (beside_track(4.75, **REFLECTING), EuPropagationOptions(reflecting_absorption=0.5), 0.5),
        (beside_track(4.75, **ABSORBING, absorption=np.full((1, 8), 0.4)), OPTIONS, 0.4),
        (beside_track(4.75, **REFLECTING, absorption=np.full((1, 8), np.nan)), OPTIONS, 0.2),
        (beside_track(4.75, **ABSORBING), OPTIONS, None),
        (beside_track(4.75, absorption=np.full((1, 8), np.nan)), OPTIONS, None),
        (beside_track(4.75, **REFLECTING), EuPropagationOptions(train_body_reflection=0.0), None),
        (beside_track(9.8, **REFLECTING), OPTIONS, None),  # 9.05 m from the rail: more than five times 1.8 m
        (beside_track(9.7, **REFLECTING), OPTIONS, 0.2),
        (beside_track(0.7, **REFLECTING), OPTIONS, None),  # between the rails
    ],
)
def test_which_barriers_throw_sound_back_to_the_train(where: Any, options: Any, alpha: float | None) -> None:
    bare = beside_track(float(where.barriers.xy_m[0, 0, 0]))
    found = gained_db(where, bare, [[30.75, 0.0, 4.2]], options)
    x = float(where.barriers.xy_m[0, 0, 0]) - 0.75
    expected = np.zeros(8) if alpha is None else barrier_beside_train(0.5, (x, 1.8), (30.0, 4.0), alpha).gain_db
    np.testing.assert_allclose(found[0], np.tile(expected, (2, 1)), atol=0.03 if alpha is not None else 0.0)


def test_a_house_before_the_barrier_keeps_the_train_from_it() -> None:
    ring = np.array([[2.0, -9], [3.0, -9], [3.0, 9], [2.0, 9]])
    house = Buildings(("H",), ring, np.array([0, 4]), np.zeros(1), np.full(1, 0.3), np.full((1, 8), 0.1))
    where, bare = (
        replace(beside_track(4.75, **more), buildings=house) for more in (REFLECTING, cast("dict[str, Any]", {}))
    )
    assert np.all(gained_db(where, bare, [[30.0, 0.0, 4.0]]) == 0.0)


def on_ground(across: list[tuple[float, float]], x: float, top: float, **more: Any) -> Any:
    return replace(beside_track(x, top, **more), terrain=terrain(bank([-90, 90], across)))


def test_a_barrier_above_the_train_does_not_face_it() -> None:
    """On the edge of a cutting of 6 m: its foot stands above both sources."""
    cutting = [(-16.0, 0.0), (-5.0, -6.0), (5.0, -6.0), (16.0, 0.0)]
    one, two = (on_ground(cutting, 16.5, 2.0, **given) for given in (REFLECTING, cast("dict[str, Any]", {})))
    source, to = points([[0, 0, -5.3]]), receivers_at([[30.0, 0.0, 4.0]])
    found = [CALCULATOR.path_loss(s, source, HEIGHTS, to, OPTIONS).transfer for s in (one, two)]
    np.testing.assert_array_equal(*found)


def test_only_sources_above_the_foot_of_a_barrier_face_it() -> None:
    """On a step of 1.5 m, also where the ground falls again before the barrier: the lower of both sources is hidden."""
    for across in ([(3.0, 0.0), (4.0, 1.5), (6.0, 1.5), (7.0, 0.0)], [(2.0, 0.0), (3.0, 1.5), (4.0, 0.0)]):
        one, two = (on_ground(across, 4.75, 5.0, **given) for given in (REFLECTING, cast("dict[str, Any]", {})))
        found = gained_db(one, two, [[30.75, 0.0, 4.2]])
        expected = barrier_beside_train(4.0, (4.0, 4.8), (30.0, 4.0), 0.2).gain_db
        assert np.all(found[0] == 0.0)
        np.testing.assert_allclose(found[1], np.tile(expected, (2, 1)), atol=0.05)


@pytest.mark.parametrize(("degrees", "faces"), [(0, True), (10, True), (-10, True), (20, False), (-20, False)])
def test_a_barrier_faces_the_train_if_it_runs_along_the_track(degrees: float, faces: bool) -> None:
    """Within 15 degrees (our reading), whichever way barrier and track are drawn and the path slants."""
    a = np.radians(degrees)
    ends = np.array([-np.sin(a), -np.cos(a), np.sin(a), np.cos(a)]) * 15.0
    for way, along, y in ((1.0, 1.0, 8.0), (-1.0, 1.0, 8.0), (1.0, -1.0, -8.0)):
        where = flat_scene(screens=[[*(way * ends + [4.75, 0.0, 4.75, 0.0]), 2.0]])
        where = replace(where, forms=())
        facing = replace(where, barriers=replace(where.barriers, **REFLECTING))
        source = replace(points([[0, 0, 0.2]]), direction=np.array([[0.0, along]]))
        one, two = (
            CALCULATOR.path_loss(s, source, HEIGHTS, receivers_at([[20.0, y, 4.0]]), OPTIONS).transfer
            for s in (facing, where)
        )
        assert bool(np.all(one[0, 0, 0, :, 2:] > 1.2 * two[0, 0, 0, :, 2:])) == faces
        assert faces or np.array_equal(one, two)


def test_a_wing_wall_throws_nothing_back_to_the_train() -> None:
    one, two = (flat_scene(screens=[[4, 8, 60, 8, 4]], reflecting=given) for given in ([True], None))
    one, two = replace(one, forms=()), replace(two, forms=())
    assert np.all(gained_db(one, two, [[50.0, 14.0, 4.0]]) == 0.0)


def reflected(where: Any, to: Any) -> Any:
    found = CALCULATOR.path_loss(where, points([[0, 0, 0.2]]), HEIGHTS, receivers_at(to), OPTIONS).reflected
    assert found is not None
    return found.transfer


def test_sound_between_train_and_barrier_goes_on_by_way_of_a_wall() -> None:
    """The barrier counts where the path meets it before the wall, not behind it."""
    for wall, factor in ((40.0, True), (-1.5, False)):
        where = flat_scene(screens=[[4.75, -90, 4.75, 90, 2.0], [wall, -90, wall, 90, 60.0]], reflecting=[True, True])
        one = replace(where, forms=())
        two = replace(one, barriers=replace(where.barriers, reflecting=np.array([False, True])))
        gain = 10 * np.log10(reflected(one, [[20.0, 0.0, 4.2]]) / reflected(two, [[20.0, 0.0, 4.2]]))
        assert len(gain) == 1
        for h, height in enumerate(HEIGHTS):
            expected = barrier_beside_train(height, (4.0, 1.8), (60.0 - 0.75, 4.0), 0.2).gain_db if factor else 0.0
            np.testing.assert_allclose(gain[0, h], np.broadcast_to(expected, (2, 8)), atol=0.05)


def test_a_wall_high_above_the_ray_throws_nothing_back() -> None:
    """As the walls of a viaduct beside the track; a ray that has to climb over a screen does meet it."""
    where = replace(beside_track(-5.0, 9.0), forms=())
    deck = replace(where, barriers=replace(where.barriers, base_z_m=np.full((1, 2), 5.0)))
    assert np.all(reflected(deck, [[30.0, 0.0, 4.0]]) == 0.0) and np.all(reflected(where, [[30.0, 0.0, 4.0]]) > 0.0)
    high = [[30.0, 0.0, 60.0]]  # the ray meets the wall at about 8 m
    np.testing.assert_array_equal(reflected(deck, high), reflected(where, high))
    for top, meets in ((6.0, True), (4.5, False)):
        screens = flat_scene(screens=[[-5, -90, -5, 90, 9], [-3, -90, -3, 90, top]]).barriers
        both = replace(where, barriers=replace(screens, base_z_m=np.array([[5.0, 5.0], [0.0, 0.0]])))
        assert np.all((reflected(both, [[30.0, 0.0, 4.0]])[0] > 0.0) == meets)


def test_walls_of_a_single_cut_reach_down_without_end() -> None:
    def lost(z: float) -> Any:
        ground = [(0, z), (40, z)]
        cut = vertical_cut((0, z + 0.5), (40, z + 4), ground, [(0, 40, 1)], source_ground_g=1, walls=[(5, z + 9, 0.2)])
        return cut.homogeneous.a_reflection_db

    np.testing.assert_allclose(lost(-30.0), lost(0.0), atol=1e-9)


def test_sections_that_are_kept_are_the_same_in_any_order() -> None:
    where, rng = beside_track(4.75, **REFLECTING), np.random.default_rng(3)
    to = np.column_stack([rng.uniform(6, 90, 60), rng.uniform(-40, 40, 60), rng.uniform(1, 9, 60)])
    source = points([[0, 0, 0.2], [0.3, 9, 0.2]])
    one = CALCULATOR.path_loss(where, source, HEIGHTS, receivers_at(to), OPTIONS).transfer
    two = CALCULATOR.path_loss(where, source, HEIGHTS, receivers_at(to[::-1]), OPTIONS).transfer
    np.testing.assert_array_equal(one, two[::-1])


@pytest.mark.parametrize(
    ("given", "kept"), [({}, 0.8), (REFLECTING, 0.8), (ABSORBING, 0.4), ({"absorption": np.full((1, 8), 0.7)}, 0.3)]
)
def test_what_a_barrier_behind_the_track_throws_back(given: dict[str, Any], kept: float) -> None:
    source, to = points([[0, 0, 0]]), receivers_at([[30, 0, 4]])
    hard = beside_track(-5.0, 60.0, absorption=np.zeros((1, 8)))
    one, two = (
        CALCULATOR.path_loss(s, source, HEIGHTS, to, OPTIONS).reflected
        for s in (beside_track(-5.0, 60.0, **given), hard)
    )
    assert one is not None and two is not None and len(one.point) == 1
    np.testing.assert_allclose(one.transfer / two.transfer, kept, rtol=1e-9)


def test_reflections_may_be_switched_off() -> None:
    found = CALCULATOR.path_loss(
        beside_track(-5.0),
        points([[0, 0, 0]]),
        HEIGHTS,
        receivers_at([[30, 0, 4]]),
        EuPropagationOptions(reflection_order=0),
    )
    assert found.reflected is None and found.left_out is None
    assert "not included" in CALCULATOR.statement(EuPropagationOptions(reflection_order=0))
    assert "up to twice" in CALCULATOR.statement(EuPropagationOptions(reflection_order=2))
    with pytest.raises(ValidationError):
        EuPropagationOptions(reflection_order=4)

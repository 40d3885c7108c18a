"""Walls of the propagation calculator: barriers beside trains, and what reflects."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, cast

import numpy as np
import pytest
from pydantic import ValidationError

from flat_scene import flat_scene, receivers_at
from lineside.scene.model import Buildings, SourcePoints
from lineside_plugins.eu_propagation import EuPropagation, EuPropagationOptions, barrier_beside_train

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

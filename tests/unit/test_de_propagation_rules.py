"""Rules of propagation by 16. BImSchV, Annex 2: geometry in plan, water, screens, options, notes, compiled code."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from pydantic import ValidationError

from flat_scene import flat_scene, receivers_at, track_pieces
from lineside.contracts import Verification
from lineside.errors import OutOfRangeError
from lineside.scene.model import Receivers
from lineside_plugins.de_propagation import (
    DePropagation,
    DePropagationOptions,
    Wall,
    kernels,
    propagation_path,
    register_propagation_calculators,
)

CALCULATOR = DePropagation()
HEIGHTS = np.array([0.0, 4.0])
LAND = [(-1.0, 0.0), (1000.0, 0.0)]
WAVELENGTH = 340.0 / np.array([63, 125, 250, 500, 1000, 2000, 4000, 8000])


def transfer_db(where: Any, y: ArrayLike, to: ArrayLike, *, length: float = 0.0, **options: Any) -> np.ndarray:
    """D_Omega - A of pieces at y along the track, source heights 0 and 4 m: (receivers, points, heights, bands)."""
    opts = DePropagationOptions(**options)
    found = CALCULATOR.path_loss(where, track_pieces(y, length), HEIGHTS, receivers_at(to), opts)
    assert found.states == ("favourable",)
    return 10 * np.log10(found.transfer[:, :, :, 0])


def path_db(height: float, x: float, z: float, **terms: Any) -> np.ndarray:
    return propagation_path((0, height), (x, z), LAND, **terms).transfer_db


def test_shape_and_agreement_with_the_single_path() -> None:
    found = transfer_db(flat_scene(), [0, 30], [[40, 0, 4], [120, 10, 6], [7, 3, 1.5]])
    assert found.shape == (3, 2, 2, 8)
    np.testing.assert_allclose(found[1, 1, 1], path_db(4.0, 120, 6.0, along_m=-20.0), atol=1e-9)


# Water


def test_all_land_and_all_water_differ_by_3_db() -> None:
    to = [[25, 0, 3.5], [300, 40, 2.0]]
    land, water = (transfer_db(flat_scene(default_g=g), [0.0], to) for g in (1.0, 0.0))
    np.testing.assert_allclose(water - land, 3.0, atol=1e-9)


def test_stretches_of_water_add_up_along_an_oblique_path() -> None:
    """Two areas of water, a meadow on top of one, on a path of 100 m: 25 and 12.5 m are wet."""
    areas = [
        (0.0, [[10, -50], [40, -50], [40, 150], [10, 150]]),
        (0.7, [[20, -50], [30, -50], [30, 150], [20, 150]]),
        (0.0, [[60, 150], [70, 150], [70, -50], [60, -50]]),
    ]
    found = transfer_db(flat_scene(areas), [0.0], [[80, 60, 2.0]])
    expected = path_db(0.0, 80, 2.0, along_m=60.0, water=[(10, 20), (30, 40), (60, 70)])
    np.testing.assert_allclose(found[0, 0, 0], expected, atol=1e-9)
    land = propagation_path((0, 0), (80, 2), LAND, along_m=60.0)
    np.testing.assert_allclose(expected - land.transfer_db, 3.0 * 0.375, atol=1e-9)


@pytest.mark.parametrize(("y", "to"), [(0.0, [100, 0, 4]), (0.0, [-100, 0, 4])])
def test_a_path_that_starts_in_water(y: float, to: list[float]) -> None:
    ring = [[-20, -20], [20, -20], [20, 20], [-20, 20]]
    found = transfer_db(flat_scene([(0.0, ring)]), [y], [to])
    np.testing.assert_allclose(found[0, 0, 0], path_db(0.0, 100.0, 4.0, water=[(0, 20)]), atol=1e-9)


def test_a_concave_lake_is_entered_twice() -> None:
    ring = [[10, -10], [90, -10], [90, 20], [70, 20], [70, 0], [30, 0], [30, 20], [10, 20]]
    found = transfer_db(flat_scene([(0.0, ring)]), [10.0], [[100, 10, 4]])
    expected = path_db(0.0, 100.0, 4.0, water=[(10, 30), (70, 90)])
    np.testing.assert_allclose(found[0, 0, 0], expected, atol=1e-9)


def test_only_ground_factor_zero_is_water_and_only_if_asked_for() -> None:
    ring = [[10, -50], [90, -50], [90, 50], [10, 50]]
    land = transfer_db(flat_scene(), [0.0], [[100, 0, 4]])
    for where, options in (
        (flat_scene([(0.01, ring)]), {}),
        (flat_scene([(0.3, ring)], default_g=0.7), {}),
        (flat_scene([(0.0, ring)], default_g=0.0), {"hard_ground_is_water": False}),
    ):
        np.testing.assert_allclose(transfer_db(where, [0.0], [[100, 0, 4]], **options), land, atol=1e-9)
    wet = transfer_db(flat_scene([(0.0, ring)]), [0.0], [[100, 0, 4]])
    np.testing.assert_allclose(wet - land, 2.4, atol=1e-9)


# Top edges


def test_an_oblique_path_over_parallel_screens() -> None:
    """Gl. 25: d_s, d_r, e at right angles to the edges, the rest of the path along them."""
    where = flat_scene(screens=[[5, -500, 5, 500, 3.0], [70, 500, 70, -500, 4.0]])
    found = transfer_db(where, [0.0], [[80, 60, 2.0]], side_way_ratio=1.0)
    for h, height in enumerate(HEIGHTS):
        expected = path_db(height, 80, 2.0, along_m=60.0, edges=[(5, 3.0), (70, 4.0)])
        np.testing.assert_allclose(found[0, 0, h], expected, atol=1e-8)
    screen = propagation_path((0, 0), (80, 2), LAND, along_m=60.0, edges=[(5, 3), (70, 4)]).top
    assert screen is not None
    over = np.hypot(5, 3) + np.hypot(65, 1) + np.hypot(10, 2)
    assert screen.z_m == pytest.approx(np.hypot(over, 60) - np.hypot(100, 2), abs=1e-9)
    assert (screen.d_s_m, screen.e_m) == pytest.approx((np.hypot(5, 3), np.hypot(65, 1)))


def test_edges_that_are_not_parallel() -> None:
    """Gl. 26: true lengths along the path, where the edges differ by more than 5 degrees in plan."""
    to = [[80, 60, 2.0]]
    turned = flat_scene(screens=[[5, -500, 5, 500, 3.0], [70 - 50, -447.5, 70 + 50, 552.5, 4.0]])
    found = transfer_db(turned, [0.0], to, side_way_ratio=1.0)[0, 0, 0]
    expected = path_db(0.0, 80, 2.0, along_m=60.0, edges=[(5, 3.0), (70, 4.0)], parallel=False)
    np.testing.assert_allclose(found, expected, atol=1e-8)
    screen = propagation_path((0, 0), (80, 2), LAND, along_m=60.0, edges=[(5, 3), (70, 4)], parallel=False).top
    assert screen is not None
    over = np.hypot(6.25, 3) + np.hypot(81.25, 1) + np.hypot(12.5, 2)
    assert screen.z_m == pytest.approx(over - np.hypot(100, 2), abs=1e-9)
    nearly = flat_scene(screens=[[5, -500, 5, 500, 3.0], [70 - 40, -447.5, 70 + 40, 552.5, 4.0]])
    found = transfer_db(nearly, [0.0], to, side_way_ratio=1.0)[0, 0, 0]
    expected = path_db(0.0, 80, 2.0, along_m=60.0, edges=[(5, 3.0), (70, 4.0)])
    np.testing.assert_allclose(found, expected, atol=1e-8)


def test_only_edges_under_the_rubber_band_count() -> None:
    one = propagation_path((0, 0), (60, 4), LAND, edges=[(10, 5), (20, 2.0), (40, 1.0)])
    assert one.top is not None and one.top.edges_m == ((10.0, 5.0),)
    np.testing.assert_allclose(one.transfer_db, path_db(0, 60, 4, edges=[(10, 5)]), atol=1e-12)


def test_below_the_straight_line_the_nearest_edge_counts() -> None:
    both = propagation_path((0, 4), (60, 4), LAND, edges=[(10, 1.0), (30, 3.8)])
    assert both.top is not None and both.top.edges_m == ((30.0, 3.8),) and both.top.z_m < 0
    assert both.a_bar_db[0] > 0
    np.testing.assert_allclose(both.transfer_db, path_db(4, 60, 4, edges=[(30, 3.8)]), atol=1e-12)


def test_screening_replaces_the_ground_effect() -> None:
    """Gl. 19: A_gr + A_bar is the larger of A_gr and D_z, also over water, where A_gr is negative."""
    for water in ([], [(5, 50)]):
        path = propagation_path((0, 0), (50, 4), LAND, edges=[(4, 3)], water=water)
        assert path.top is not None
        np.testing.assert_allclose(path.a_gr_db + path.a_bar_db, path.top.d_z_db, atol=1e-9)
    far = propagation_path((0, 0), (500, 2), LAND, edges=[(400, 0.6)])
    np.testing.assert_allclose(far.a_bar_db, np.maximum(far.top.d_z_db - far.a_gr_db, 0.0), atol=1e-9)  # type: ignore[union-attr]
    assert far.a_bar_db.min() == pytest.approx(0.0, abs=1e-9)


def test_caps_and_yards() -> None:
    one = propagation_path((0, 0), (25, 2), LAND, edges=[(5, 8)]).top
    two = propagation_path((0, 0), (25, 2), LAND, edges=[(5, 8), (15, 8)]).top
    assert one is not None and two is not None
    assert (one.d_z_db[-1], two.d_z_db[-1]) == pytest.approx((20.0, 25.0))
    yard = propagation_path((0, 0), (25, 2), LAND, edges=[(4, 1.5)], c_2=20.0).top
    line = propagation_path((0, 0), (25, 2), LAND, edges=[(4, 1.5)]).top
    assert yard is not None and line is not None
    factor = (10 ** (line.d_z_db[:5] / 10) - 3) / (10 ** (yard.d_z_db[:5] / 10) - 3)
    np.testing.assert_allclose(factor, 2.0, rtol=1e-9)


def test_a_screen_of_uneven_height_counts_where_it_is_crossed() -> None:
    where = flat_scene(screens=[[5, -10, 5, 10, 3.0]])
    where.barriers.top_z_m[:] = [[2.0, 4.0]]
    found = transfer_db(where, [0.0], [[50, 20, 4.0]], side_way_ratio=1.0)
    expected = path_db(0.0, 50, 4.0, along_m=20.0, edges=[(5, 3.2)])
    np.testing.assert_allclose(found[0, 0, 0], expected, atol=1e-8)


def test_a_path_that_ends_before_the_screen_is_free() -> None:
    free = transfer_db(flat_scene(), [0.0], [[50, 0, 4]])
    for screen in ([60, -99, 60, 99, 9], [-5, -99, -5, 99, 9], [20, 5, 20, 99, 9]):
        np.testing.assert_array_equal(transfer_db(flat_scene(screens=[screen]), [0.0], [[50, 0, 4]]), free)
    assert np.all(transfer_db(flat_scene(screens=[[20, -99, 20, 99, 9]]), [0.0], [[50, 0, 4]]) < free - 3.0)


def test_a_barrier_narrower_than_the_wavelength_is_no_obstacle() -> None:
    """Gl. 17, band by band: 2 m wide across the path, so from 250 Hz on (wavelength 1.36 m)."""
    where = flat_scene(screens=[[20, -0.7, 20, 1.3, 9]])
    change = transfer_db(where, [0.0], [[50, 0, 2]]) - transfer_db(flat_scene(), [0.0], [[50, 0, 2]])
    assert np.all((np.abs(change[0, 0]) < 1e-9) == (WAVELENGTH >= 2.0))
    wide = transfer_db(flat_scene(screens=[[20, -0.7, 20, 1.3, 9], [30, -99, 30, 99, 9]]), [0.0], [[50, 0, 2]])
    alone = transfer_db(flat_scene(screens=[[30, -99, 30, 99, 9]]), [0.0], [[50, 0, 2]])
    assert np.all((np.abs(wide - alone)[0, 0] < 1e-9) == (WAVELENGTH >= 2.0))


# Ways round the sides


def side_db(corners: list[tuple[float, float]], to: tuple[float, float, float], d_z_cap: float) -> np.ndarray:
    """-(A_gr + D_z) of a way round vertical edges from a source at (0, 0, 0), written out from Gl. 18 to 25."""
    x, y, z = to
    d_p = np.hypot(x, y)
    way = np.array([(0.0, 0.0), *corners, (x, y)])
    pieces = np.hypot(*np.diff(way, axis=0).T)
    d = np.hypot(d_p, z)
    detour = np.hypot(pieces.sum(), z) - d
    e = pieces[1:-1].sum()
    c_3 = 1.0 if e == 0 else (1 + (5 * WAVELENGTH / e) ** 2) / (1 / 3 + (5 * WAVELENGTH / e) ** 2)
    k_met = np.exp(-np.sqrt(pieces[0] * pieces[-1] * d / (2 * detour)) / 2000)
    d_z = np.minimum(10 * np.log10(3 + 40 / WAVELENGTH * c_3 * detour * k_met), d_z_cap)
    a_gr = max(0.0, 4.8 - 2 * (0.5 * d_p * z / d) / d * (17 + 300 / d))
    return np.asarray(-a_gr - d_z)


def added(found: np.ndarray, without: np.ndarray, to: tuple[float, float, float]) -> np.ndarray:
    """What ways round the sides add, without spreading, air and solid angle: -(A_gr + A_bar) in dB."""
    x, y, z = to
    path = propagation_path((0, 0), (x, z), LAND, along_m=y)
    more = 10 ** (found / 10) - 10 ** (without / 10)
    return np.asarray(10 * np.log10(more) + path.a_div_db + path.a_atm_db - path.d_omega_db)


def energy_sum(*levels: np.ndarray) -> np.ndarray:
    return np.asarray(10 * np.log10(np.sum([10 ** (level / 10) for level in levels], axis=0)))


@pytest.mark.parametrize(
    ("screens", "barrier", "left", "right"),
    [
        ([[10, -8, 10, 12, 6]], [0], [(10, 12)], [(10, -8)]),
        ([[10, 12, 10, -8, 6]], [0], [(10, 12)], [(10, -8)]),
        # a bent barrier that curves away from the source, and one that curves round it
        ([[10, -8, 10, 12, 6], [10, 12, 20, 14, 6]], [0, 0], [(10, 12), (20, 14)], [(10, -8)]),
        ([[10, -8, 9, 10, 6], [9, 10, 4, 16, 6]], [0, 0], [(4, 16)], [(10, -8)]),
        # the same in two barriers that meet, drawn against each other
        ([[9, 10, 10, -8, 6], [9, 10, 4, 16, 6]], [0, 1], [(4, 16)], [(10, -8)]),
        # two barriers one behind the other: the rubber band touches one or both
        ([[10, -8, 10, 12, 6], [30, -6, 30, 3, 6]], [0, 1], [(10, 12)], [(10, -8), (30, -6)]),
        ([[10, -8, 10, 12, 6], [20, -9, 20, 14, 6]], [0, 1], [(10, 12), (20, 14)], [(10, -8), (20, -9)]),
        # behind the corner the barrier is lower than the straight line: the way goes round that part, too
        ([[10, -8, 10, 12, 6], [10, 12, 10, 30, 0.1]], [0, 1], [(10, 30)], [(10, -8)]),
        # a closed wall, and one crossed twice
        (
            [[10, -5, 20, -5, 6], [20, -5, 20, 7, 6], [20, 7, 10, 7, 6], [10, 7, 10, -5, 6]],
            [0] * 4,
            [(10, 7), (20, 7)],
            [(10, -5), (20, -5)],
        ),
        (
            [[10, -5, 10, 7, 6], [10, 7, 20, 7, 6], [20, 7, 20, -5, 6]],
            [0] * 3,
            [(10, 7), (20, 7)],
            [(10, -5), (20, -5)],
        ),
    ],
)
def test_ways_round_the_ends_of_barriers(
    screens: list[list[float]], barrier: list[int], left: list[tuple[float, float]], right: list[tuple[float, float]]
) -> None:
    """Corners found by hand; what both ways add to the way over the top."""
    to = (50.0, 1.0, 2.0)
    where = flat_scene(screens=screens, barrier=barrier)
    without, both = (transfer_db(where, [0.0], [to], side_way_ratio=r)[0, 0, 0] for r in (1.0, 3.0))
    ways = [side_db(corners, to, 20.0 if len(corners) == 1 else 25.0) for corners in (left, right)]
    np.testing.assert_allclose(added(both, without, to), energy_sum(*ways), atol=1e-6)


def test_the_public_path_adds_ways_round_the_sides() -> None:
    to = (50.0, 1.0, 2.0)
    found = propagation_path(
        (0, 0), (50, 2), LAND, along_m=1.0, edges=[(10, 6)], side_ways=[[(10, 12)], [(10, -8), (20, -9)]]
    )
    ways = [side_db([(10, 12)], to, 20.0), side_db([(10, -8), (20, -9)], to, 25.0)]
    alone = propagation_path((0, 0), (50, 2), LAND, along_m=1.0, edges=[(10, 6)])
    np.testing.assert_allclose(added(found.transfer_db, alone.transfer_db, to), energy_sum(*ways), atol=1e-6)
    np.testing.assert_array_equal(found.a_db, alone.a_db)
    assert [len(side.edges_m) for side in found.sides] == [1, 2]
    sees = propagation_path((0, 4), (50, 2), LAND, edges=[(10, 0.5)], side_ways=[[(10, 3)]])
    assert not sees.sides


def test_ways_that_are_too_long_do_not_count() -> None:
    """The right way is 53.6 m long, the left one 81.6 m; the straight line 50 m."""
    where = flat_scene(screens=[[10, -8, 10, 30, 6]])
    to = (50.0, 0.0, 2.0)
    right, left = (np.hypot(10, y) + np.hypot(40, y) for y in (8, 30))
    without = transfer_db(where, [0.0], [to], side_way_ratio=1.0)[0, 0, 0]
    for ratio, ways in (
        ((right - 0.1) / 50, 0),
        ((right + 0.1) / 50, 1),
        ((left - 0.1) / 50, 1),
        ((left + 0.1) / 50, 2),
    ):
        found = transfer_db(where, [0.0], [to], side_way_ratio=ratio)[0, 0, 0]
        expected = [side_db([(10, -8)], to, 20.0), side_db([(10, 30)], to, 20.0)][:ways]
        if ways:
            np.testing.assert_allclose(added(found, without, to), energy_sum(*expected), atol=1e-6)
        else:
            np.testing.assert_array_equal(found, without)


def test_no_way_round_where_nothing_blocks() -> None:
    where = flat_scene(screens=[[10, -5, 10, 5, 0.3]])
    one, two = (transfer_db(where, [0.0], [[50, 0, 2]], side_way_ratio=r) for r in (1.0, 9.0))
    np.testing.assert_array_equal(one[:, :, 1], two[:, :, 1])
    blocked = flat_scene(screens=[[10, -5, 10, 5, 3.0]])
    one, two = (transfer_db(blocked, [0.0], [[50, 0, 2]], side_way_ratio=r) for r in (1.0, 9.0))
    assert np.all(two[:, :, 0] > one[:, :, 0])


def test_a_piece_behind_the_end_of_a_screen_counts_in_parts() -> None:
    """The end of the screen at (10, 0) divides the piece from y = -4 to 4 in the middle, as seen from (50, 0)."""
    where = flat_scene(screens=[[10, 0, 10, 90, 6]])
    whole = 10 ** (transfer_db(where, [0.0], [[50, 0, 2]], length=8.0) / 10)
    halves = 10 ** (transfer_db(where, [-2.0, 2.0], [[50, 0, 2]]) / 10)
    np.testing.assert_allclose(whole[:, 0], halves.mean(axis=1), rtol=1e-9)
    assert np.all(halves[0, 0, 0] > 2.0 * halves[0, 1, 0])


# Barriers near the track


@pytest.mark.parametrize(("x", "reflecting", "lost"), [(4.9, True, 3.0), (5.1, True, 0.0), (4.9, False, 0.0)])
def test_reflecting_barriers_near_the_source_lose_3_db(x: float, reflecting: bool, lost: float) -> None:
    """Gl. 20: up to 5 m from the source."""
    row = [[x, -500, x, 500, 3.0]]
    found = transfer_db(
        flat_scene(screens=row, reflecting=[reflecting]), [0.0, 200.0], [[50, 0, 2]], side_way_ratio=1.0
    )
    for k, y in enumerate((0.0, 200.0)):
        expected = path_db(0.0, 50, 2.0, along_m=-y, edges=[(x, 3.0)], d_refl_db=lost)
        np.testing.assert_allclose(found[0, k, 0], expected, atol=1e-8)
    unknown = transfer_db(flat_scene(screens=row), [0.0], [[50, 0, 2]])
    absorbing = transfer_db(flat_scene(screens=row, reflecting=[False]), [0.0], [[50, 0, 2]])
    np.testing.assert_array_equal(unknown, absorbing)


def test_the_part_of_a_reflecting_barrier_that_is_near_counts_for_all_of_it() -> None:
    bent = [[4, -10, 4, 10, 3.0], [4, 10, 30, 40, 3.0]]
    where = flat_scene(screens=bent, barrier=[0, 0], reflecting=[True, True])
    found = transfer_db(where, [0.0], [[40, 35, 2]], side_way_ratio=1.0)
    absorbing = transfer_db(flat_scene(screens=bent, barrier=[0, 0]), [0.0], [[40, 35, 2]], side_way_ratio=1.0)
    np.testing.assert_allclose(found[0, 0, 0] - absorbing[0, 0, 0], 3.0, atol=1e-9)


def test_reflection_never_makes_a_screen_louder_than_none() -> None:
    where = flat_scene(screens=[[4, -500, 4, 500, 0.4]], reflecting=[True])
    found = transfer_db(where, [0.0], [[50, 0, 4]])
    assert np.all(found <= transfer_db(flat_scene(), [0.0], [[50, 0, 4]]) + 1e-9)


@pytest.mark.parametrize(
    ("x", "top", "counted"), [(1.75, 1.1, 0.86), (2.05, 1.1, 1.1), (1.75, 1.35, 1.35), (1.75, 0.75, 0.75)]
)
def test_low_barriers_near_the_track_count_with_70_per_cent(x: float, top: float, counted: float) -> None:
    """No. 6.5: above the rails, here at 0.3 m, 0.8 m count as 0.56 m."""
    track = [("T", [[0, -500, 0.3], [0, 500, 0.3]])]
    where = flat_scene(screens=[[x, -400, x, 400, top]], tracks=track)
    to = receivers_at([[20, 0, 1.8]])
    opts = DePropagationOptions(side_way_ratio=1.0)
    found = CALCULATOR.path_loss(where, track_pieces([0.0], 0.0, rail_z=0.3), HEIGHTS, to, opts).transfer
    expected = propagation_path((0, 0.3), (20, 1.8), LAND, edges=[(x, counted)]).transfer_db
    np.testing.assert_allclose(10 * np.log10(found[0, 0, 0, 0]), expected, atol=1e-8)


# Special places


def test_only_heights_above_the_plain_matter() -> None:
    low = transfer_db(flat_scene(screens=[[5, -9, 5, 9, 2.0]]), [0.0], [[50, 0, 4]])
    where = flat_scene(screens=[[5, -9, 5, 9, 2.0]], z=412.5)
    to = receivers_at([[50, 0, 416.5]])
    high = CALCULATOR.path_loss(where, track_pieces([0.0], 0.0, rail_z=412.5), HEIGHTS, to, DePropagationOptions())
    np.testing.assert_allclose(10 * np.log10(high.transfer[:, :, :, 0]), low, atol=1e-7)


@pytest.mark.parametrize("x", [0.0, 0.3, 1.0])
def test_points_on_the_track_are_computed_one_metre_away(x: float) -> None:
    found = transfer_db(flat_scene(screens=[[5, -9, 5, 9, 2.0]]), [0.0], [[x, 0, 4]])
    np.testing.assert_allclose(found[0, 0, 0], path_db(0.0, 1.0, 4.0), atol=1e-9)


def test_sources_and_receivers_on_or_below_the_plain_are_finite() -> None:
    for where in (flat_scene(), flat_scene(screens=[[5, -99, 5, 99, 1.0]]), flat_scene(default_g=0.0)):
        for z in (0.0, -0.5, -3.0):
            pieces = track_pieces([0.0, 5.0], 0.0, rail_z=z)
            found = CALCULATOR.path_loss(
                where, pieces, np.array([0.0, 0.5]), receivers_at([[60, 0, 0], [0, 0, -1]]), DePropagationOptions()
            )
            assert np.all(np.isfinite(found.transfer)) and np.all(found.transfer > 0)


def test_mean_height_over_a_hollow_and_an_embankment() -> None:
    """Gl. 15: S is the area between path and ground; hand-made trapezoids."""
    terrain = [(0, 3), (2, 3), (8, 0), (40, 0)]
    path = propagation_path((0, 3.6), (40, 2), terrain)
    area = 0.5 * (3.6 + 2) * 40 - (2 * 3 + 0.5 * 6 * 3)
    assert path.h_m_m == pytest.approx(area / np.hypot(40, 1.6))
    assert path.d_omega_db == pytest.approx(10 * np.log10(1 + (1600 + 1.4**2) / (1600 + 2.6**2)))
    slanted = propagation_path((0, 3.6), (40, 2), terrain, along_m=30.0)
    assert slanted.h_m_m == pytest.approx(area * 50 / 40 / np.hypot(50, 1.6))
    assert propagation_path((0, -5), (40, -5), [(0, -5), (5, 9), (40, -5)]).h_m_m == 0.0


def test_series_for_exp_agrees_with_the_library() -> None:
    x = np.concatenate([np.linspace(0, 5, 300), np.linspace(5, 200, 300)])
    np.testing.assert_allclose([kernels.exp_neg(v) for v in x], np.exp(-x), rtol=1e-10)


#: A hill, a block and a wall behind it.
CALL = (
    "propagation_path((0, 0.5), (80, 3), [(0, 0), (20, 0), (25, 4), (30, 0), (80, 0)], buildings=[(40, 50, 5)],"
    " ground_screens=True, walls=[Wall(70, 30, 0, 30, 1.0, 20)])"
)


def test_the_same_without_compiler() -> None:
    """The formulas are plain Python too: numba's compiler switched off gives the same numbers."""
    code = (
        "import numpy as np\n"
        "from flat_scene import flat_scene, receivers_at, track_pieces\n"
        "from lineside_plugins.de_propagation import DePropagation, DePropagationOptions, kernels\n"
        "assert type(kernels.hull).__name__ == 'function'\n"
        "where = flat_scene([(0., [[20, -9], [30, -9], [30, 9], [20, 9]])],\n"
        "                   [[10, -8, 10, 12, 3], [15, -9, 15, 14, 4]])\n"
        "t = DePropagation().path_loss(where, track_pieces([0, 9], 4.), np.array([0., 4.]),\n"
        "                              receivers_at([[50, 1, 2]]), DePropagationOptions()).transfer\n"
        "from lineside_plugins.de_propagation import Wall, propagation_path\n"
        f"p = {CALL}.transfer_db\n"
        "print(*map(float.hex, [*t.ravel().tolist(), *(10 ** (p / 10)).tolist()]))"
    )
    tests = str(Path(__file__).parents[1])
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1", "PYTHONPATH": tests}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    where = flat_scene([(0.0, [[20, -9], [30, -9], [30, 9], [20, 9]])], [[10, -8, 10, 12, 3], [15, -9, 15, 14, 4]])
    found = transfer_db(where, [0, 9], [[50, 1, 2]], length=4.0)
    found = np.append(found, eval(CALL, {"propagation_path": propagation_path, "Wall": Wall}).transfer_db)
    np.testing.assert_allclose(found, 10 * np.log10([float.fromhex(v) for v in run.stdout.split()]), atol=1e-9)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"receiver": (0, 4)}, "must lie to the right"),
        ({"terrain": [(0, 0), (40, 0)]}, "terrain: must reach"),
        ({"terrain": [(0, 0), (60, 0), (50, 0)]}, "x not falling"),
        ({"water": [(20, 55)]}, "between source and receiver"),
        ({"water": [(20, 30), (25, 40)]}, "must not overlap"),
        ({"edges": [(50, 4)]}, "edge at 50 m: must stand"),
        ({"edges": [(20, 4), (10, 4)]}, "must be in order"),
    ],
)
def test_a_path_that_makes_no_sense_is_refused(change: dict[str, Any], message: str) -> None:
    given: dict[str, Any] = {"source": (0, 0.5), "receiver": (50, 4), "terrain": [(0, 0), (50, 0)]}
    propagation_path(**given)
    with pytest.raises(OutOfRangeError, match=message):
        propagation_path(**given | change)


def test_declarations() -> None:
    (calculator,) = register_propagation_calculators()
    assert calculator.name == "de_propagation" and calculator.verification is Verification.COMPUTED
    assert [calculator.source_ground_g(form) for form in ("ballast", "slab", "embedded")] == [1.0, 1.0, 1.0]
    with pytest.raises(OutOfRangeError, match="ballast, slab, embedded"):
        calculator.source_ground_g("gras")
    np.testing.assert_array_equal(calculator.state_share(np.array([0.0, 0.3])), [[1.0], [1.0]])
    assert calculator.max_piece_ratio(DePropagationOptions(piece_ratio=0.1)) == 0.1
    assert "0.1 of its distance" in calculator.statement(DePropagationOptions(piece_ratio=0.1))
    assert "left out" in calculator.statement(DePropagationOptions(side_way_ratio=1.0))
    assert "1.5 times the straight line" in calculator.statement(DePropagationOptions(side_way_ratio=1.5))
    with pytest.raises(ValidationError):
        DePropagationOptions(piece_ratio=0.6)
    assert calculator.data_files()[0].title == "Absorption of sound by air"
    assert {name: g for name, (g, _) in calculator.surfaces().items()} == {"water": 0.0, "land": 1.0}


def test_notes_name_what_is_left_out_and_what_counts() -> None:
    ring = [[20, -9], [30, -9], [30, 9], [20, 9]]
    where = flat_scene(
        [(0.0, ring)], [[1.5, -9, 1.5, 9, 1.1]], reflecting=[True],
        tracks=[("T1", [[0, 0, 0.2], [0, 100, 2.5]]), ("T2", [[9, 0, -1.0], [9, 100, 0.2]])],
    )  # fmt: skip
    where.barriers.top_z_m[:] = 1.0
    said = CALCULATOR.notes(where, DePropagationOptions())
    validity = " ".join(note.text for note in said if note.kind == "validity")
    assert "T1 rises to 2.5 m" in validity and "T2 lies down to 1.0 m" in validity
    text = " ".join(note.text for note in said)
    for part in (
        "Ground with G = 0 (1 ground area): counted as open water", "shares of favourable propagation have no effect",
        "0, 1, 4 or 8 dB by the row", "up to 2 times the straight line", "lose 3 dB", "number 1 in the project",
    ):  # fmt: skip
        assert part in text, part
    dry = CALCULATOR.notes(where, DePropagationOptions(hard_ground_is_water=False, side_way_ratio=1.0))
    text = " ".join(note.text for note in dry)
    assert "counted as land" in text and "are left out, although" in text
    plain = replace(flat_scene(default_g=0.0), receivers=Receivers(("R",), np.array([[50, 30, 4.0]])))
    said = CALCULATOR.notes(plain, DePropagationOptions())
    assert any("(the plain)" in note.text for note in said)
    assert all(note.kind == "assumption" for note in said)
    unknown = flat_scene(screens=[[5, -9, 5, 9, 2.0]])
    assert any(
        "Whether barriers reflect is not known" in n.text for n in CALCULATOR.notes(unknown, DePropagationOptions())
    )

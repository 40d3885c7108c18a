"""What must hold for propagation by 16. BImSchV, Annex 2, whatever the site."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from flat_scene import flat_scene, halved_pieces, receivers_at, track_pieces
from lineside.scene.model import SourcePoints
from lineside_plugins.de_propagation import (
    DePropagation,
    DePropagationOptions,
    air_absorption_db_per_km,
    propagation_path,
)

CALCULATOR = DePropagation()
OPTIONS = DePropagationOptions()
HEIGHTS = np.array([0.0, 4.0])
#: A-weighted octaves of a freight train at 0 and 4 m, invented after the regulation's data. [dB re 1 pW per metre]
POWER_DB = np.array(
    [[39.8, 47.4, 58.6, 73.4, 78.4, 75.7, 70.5, 53.1], [37.5, 46.5, 55.5, 60.8, 60.9, 59.9, 50.5, 41.6]]
)
RIVER = [[12.0, -70.0], [16.0, 90.0], [55.0, 60.0], [48.0, -60.0]]
GARDEN = [[30.0, -20.0], [30.0, 30.0], [80.0, 30.0], [80.0, -20.0]]
SCREEN = [4.5, -40.0, 4.5, 25.0, 2.5]
TO = np.array([[25, 0, 4], [60, 20, 2], [110, -50, 6.0], [8, 10, 1.5]])


def transfer(where: Any, source: SourcePoints, to: ArrayLike, heights: ArrayLike = HEIGHTS) -> np.ndarray:
    found = CALCULATOR.path_loss(where, source, np.asarray(heights), receivers_at(to), OPTIONS).transfer
    return found[:, :, :, 0]


def line_level(where: Any, to: ArrayLike, ratio: float) -> np.ndarray:
    """A-weighted level of a 1 km line, per receiver; directivity by Gl. 8."""
    middle, length = halved_pieces(500.0, to, ratio)
    source = track_pieces(middle, length)
    step = np.asarray(to)[:, None, None] - source.xyz_m[None, :, None] - HEIGHTS[:, None] * [0, 0, 1]
    directivity = 0.22 + 1.27 * (1 - step[..., 1] ** 2 / np.sum(step**2, axis=-1))
    found = transfer(where, source, to)
    return 10 * np.log10(np.einsum("rphb,rph,p,hb->r", found, directivity, length, 10 ** (POWER_DB / 10)))


@pytest.mark.parametrize("distance", [30.0, 100.0, 400.0])
def test_a_doubled_distance_costs_6_db_and_the_air(distance: float) -> None:
    """Both ends so far above the ground that it has no effect (Gl. 14) and the solid angle is near 4 pi (Gl. 9)."""
    z = 1e6
    found = -10 * np.log10(
        transfer(flat_scene(), track_pieces([0.0], 0.0), [[distance, 0, z], [2 * distance, 0, z]], [z])
    )
    expected = 20 * np.log10(2.0) + air_absorption_db_per_km() * distance / 1000
    np.testing.assert_allclose(found[1, 0, 0] - found[0, 0, 0], expected, atol=1e-5)


def test_free_field_of_a_source_on_the_ground_is_that_of_a_half_space() -> None:
    """d = 10 m to a high receiver: 20 lg d + 8 dB and the air, no ground effect."""
    found = propagation_path((0, 0), (8, 6), [(0, 0), (8, 0)])
    expected = -20 * np.log10(10.0) - 10 * np.log10(2 * np.pi) - air_absorption_db_per_km() / 100
    np.testing.assert_allclose(found.transfer_db, expected, atol=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.floats(5.0, 800.0), st.floats(0.0, 8.0), st.floats(0.5, 12.0), st.floats(0.0, 1.0))
def test_water_adds_3_db_times_its_share(distance: float, z_s: float, z_r: float, share: float) -> None:
    land, wet = (
        propagation_path((0, z_s), (distance, z_r), [(0, 0), (distance, 0)], water=water)
        for water in ([], [(0, share * distance)] if share * distance > 0 else [])
    )
    np.testing.assert_allclose(wet.transfer_db - land.transfer_db, 3.0 * share, atol=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    st.floats(0.03, 0.97), st.floats(15.0, 300.0), st.sampled_from([0.0, 4.0]), st.floats(1.5, 8.0),
    st.sampled_from([0.0, 1.0]),
)  # fmt: skip
def test_a_screen_that_rises_through_the_straight_line_makes_no_jump(
    place: float, distance: float, z_s: float, z_r: float, wet: float
) -> None:
    grazing = z_s + (z_r - z_s) * place
    water = [(0, distance)] if wet else []
    found = [
        propagation_path(
            (0, z_s), (distance, z_r), [(0, 0), (distance, 0)], edges=[(place * distance, grazing + dz)], water=water
        )
        for dz in (-1e-4, -1e-7, 1e-7, 1e-4)
    ]
    levels = np.array([path.transfer_db for path in found])
    assert np.abs(np.diff(levels, axis=0)).max() < 0.01
    middle = found[1]
    np.testing.assert_allclose(
        middle.a_gr_db + middle.a_bar_db, np.maximum(middle.a_gr_db, 10 * np.log10(3.0)), atol=0.01
    )


@settings(max_examples=80, deadline=None)
@given(
    st.floats(0.03, 0.97), st.floats(-2.0, 3.0), st.floats(0.05, 4.0), st.floats(15.0, 300.0),
    st.sampled_from([0.0, 4.0]), st.sampled_from([1.5, 4.0, 8.0]), st.floats(0.0, 100.0),
)  # fmt: skip
def test_a_higher_screen_is_not_louder(
    place: float, above: float, more: float, distance: float, z_s: float, z_r: float, along: float
) -> None:
    base = z_s + (z_r - z_s) * place + above
    low, high = (
        propagation_path(
            (0, z_s), (distance, z_r), [(0, 0), (distance, 0)], edges=[(place * distance, top)], along_m=along
        ).transfer_db
        for top in (base, base + more)
    )
    assert np.all(high <= low + 1e-9)


@settings(max_examples=40, deadline=None)
@given(st.floats(2.0, 60.0), st.floats(1.5, 6.0), st.sampled_from([0.0, 4.0]))
def test_two_screens_in_one_place_are_one(x: float, top: float, z_s: float) -> None:
    given = ((0, z_s), (70, 4), [(0, 0), (70, 0)])
    one = propagation_path(*given, edges=[(x, top)])
    two = propagation_path(*given, edges=[(x, top), (x, top), (x, top - 0.5)])
    np.testing.assert_array_equal(one.transfer_db, two.transfer_db)
    wide = flat_scene(screens=[[x, -90, x, 90, top]])
    twice = flat_scene(screens=[[x, -90, x, 90, top], [x, 90, x, -90, top]])
    source = track_pieces([0.0], 0.0)
    np.testing.assert_array_equal(transfer(wide, source, [[70, 0, 4]]), transfer(twice, source, [[70, 0, 4]]))


@settings(max_examples=40, deadline=None)
@given(st.floats(2.0, 60.0), st.floats(4.5, 9.0), st.floats(1e-5, 1e-3))
def test_two_edges_close_together_differ_from_one_by_the_cap_only(x: float, top: float, apart: float) -> None:
    one = propagation_path((0, 0), (70, 4), [(0, 0), (70, 0)], edges=[(x, top)]).top
    two = propagation_path((0, 0), (70, 4), [(0, 0), (70, 0)], edges=[(x, top), (x + apart, top)]).top
    assert one is not None and two is not None
    below = one.d_z_db < 19.99
    np.testing.assert_allclose(two.d_z_db[below], one.d_z_db[below], atol=0.01)
    assert np.all(two.d_z_db[~below] <= 25.0)


@settings(max_examples=60, deadline=None)
@given(st.floats(1.0, 40.0), st.floats(0.0, 60.0), st.floats(0.0, 60.0), st.floats(0.5, 8.0), st.floats(-80.0, 80.0))
def test_ways_round_the_ends_never_weaken_a_barrier_by_more_than_open_ways(
    x: float, left: float, right: float, top: float, y: float
) -> None:
    """Each end adds at most what the ground effect alone lets through; a barrier without ends is quieter."""
    where, source = flat_scene(screens=[[x, y - right - 0.01, x, y + left + 0.01, top]]), track_pieces([0.0], 0.0)
    endless = flat_scene(screens=[[x, -9999, x, 9999, top]])
    to = [[50, 1.5 * y, 3.0]]
    free, found, quiet = (transfer(scene, source, to) for scene in (flat_scene(), where, endless))
    assert np.all(found <= 3.0 * free * (1 + 1e-9)) and np.all(found >= quiet * (1 - 1e-9))


def test_order_of_screens_and_areas() -> None:
    other = [[60.0, -20.0], [60.0, 30.0], [80.0, 30.0], [80.0, -20.0]]
    second = [20.0, -10.0, 22.0, 30.0, 3.0]
    source = track_pieces([-30.0, 0.0, 12.0], 4.0)
    one = transfer(flat_scene([(0.0, RIVER), (0.3, other)], [SCREEN, second]), source, TO)
    two = transfer(flat_scene([(0.3, other), (0.0, RIVER)], [second, SCREEN]), source, TO)
    np.testing.assert_allclose(one, two, rtol=1e-12)


def test_a_later_area_lies_on_top() -> None:
    source = track_pieces([0.0], 0.0)
    both = transfer(flat_scene([(0.0, RIVER), (1.0, GARDEN)]), source, TO)
    assert not np.allclose(both, transfer(flat_scene([(1.0, GARDEN), (0.0, RIVER)]), source, TO), rtol=1e-3)


@pytest.mark.parametrize(("angle", "dx", "dy"), [(30.0, 0.0, 0.0), (0.0, 4000.0, -2500.0), (213.0, 900.0, 350.0)])
def test_the_site_may_be_turned_and_moved(angle: float, dx: float, dy: float) -> None:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    matrix = np.array([[c, s], [-s, c]])

    def turn(xy: np.ndarray) -> np.ndarray:
        return xy @ matrix + [dx, dy]

    y, areas = [-30.0, 0.0, 12.0], [(0.0, RIVER), (1.0, GARDEN)]
    screens = [SCREEN, [14.0, -9.0, 20.0, 9.0, 4.0]]
    moved = np.concatenate([turn(TO[:, :2]), TO[:, 2:]], axis=1)
    track = [("T", [[0, -99, 0.0], [0, 99, 0.0]])]
    here = transfer(flat_scene(areas, screens, reflecting=[True, True], tracks=track), track_pieces(y, 9.0), TO)
    there = transfer(
        flat_scene(areas, screens, reflecting=[True, True], tracks=track, turn=turn),
        track_pieces(y, 9.0, turn=turn),
        moved,
    )
    np.testing.assert_allclose(there, here, rtol=1e-6)


def test_order_and_grouping_of_receivers_and_points_change_no_bit() -> None:
    where, y = flat_scene([(0.0, RIVER)], [SCREEN]), np.array([-30.0, 0.0, 12.0, 55.0])
    whole = transfer(where, track_pieces(y, 6.0), TO)
    np.testing.assert_array_equal(transfer(where, track_pieces(y, 6.0), TO[::-1]), whole[::-1])
    np.testing.assert_array_equal(transfer(where, track_pieces(y[::-1], 6.0), TO), whole[:, ::-1])
    for r in range(len(TO)):
        np.testing.assert_array_equal(transfer(where, track_pieces(y[1:3], 6.0), TO[r : r + 1])[0], whole[r, 1:3])
    np.testing.assert_array_equal(transfer(where, track_pieces(y, 6.0), TO, HEIGHTS[1:]), whole[:, :, 1:])


def test_inputs_stay_as_they_were() -> None:
    track = [("T", [[0, -99, 0.0], [0, 99, 0.0]])]
    low = [1.5, -40.0, 1.5, 25.0, 0.8]
    where, source = flat_scene([(0.0, RIVER)], [low], reflecting=[True], tracks=track), track_pieces([0.0], 4.0)
    arrays = [where.ground.xy_m, where.ground.g, where.barriers.xy_m, where.barriers.top_z_m, source.xyz_m]
    before = [a.copy() for a in arrays]
    transfer(where, source, TO)
    for now, then in zip(arrays, before, strict=True):
        np.testing.assert_array_equal(now, then)


SITES = {
    "free": ([], []),
    "river": ([(0.0, RIVER)], []),
    "river and garden": ([(0.0, RIVER), (1.0, GARDEN)], []),
    "shore seen along its side": ([(0.0, [[4, -27], [4, 23], [90, 23], [90, -27]])], []),
    "short screen": ([], [[4.5, -8, 4.5, 22, 3.0]]),
    "screen with river": ([(0.0, RIVER)], [SCREEN]),
    "gap between screens": ([], [[4.5, -300, 4.5, -7, 4.0], [4.5, 6, 4.5, 300, 4.0]]),
    "low screen on one side": ([], [[3.0, 13, 3.0, 400, 1.5]]),
}


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("receiver", [(9.0, 3.0), (25.0, -5.0), (50.0, 17.0), (200.0, -14.0)])
def test_half_as_long_pieces_change_less_than_a_tenth_of_a_decibel(site: str, receiver: tuple[float, float]) -> None:
    """No. 3.4 of the regulation."""
    where, to = flat_scene(*SITES[site]), [[*receiver, 4.0]]
    one, half = (line_level(where, to, factor * OPTIONS.piece_ratio) for factor in (1.0, 0.5))
    assert np.abs(half - one).max() < 0.1

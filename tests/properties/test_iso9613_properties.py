"""What must hold for propagation by ISO 9613-2 whatever the site."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB
from lineside.scene.model import Air, BarrierSegments, GroundAreas, Receivers, SourcePoints
from lineside_plugins.iso9613_propagation import (
    Edge,
    Iso9613,
    Iso9613Options,
    absorption_db_per_km,
    profile_terms,
)
from whole_scene import scene_of

CALCULATOR = Iso9613()
OPTIONS = Iso9613Options()
HEIGHTS = np.array([0.5, 4.0])
#: A railway-like spectrum, invented. [dB re 1 pW per metre]
POWER_DB = np.array([82.0, 86.0, 89.0, 94.0, 96.0, 93.0, 88.0, 80.0])
RIVER = [[-70.0, 12.0], [90.0, 16.0], [60.0, 55.0], [-60.0, 48.0]]
GARDEN = [[-20.0, 30.0], [30.0, 30.0], [30.0, 80.0], [-20.0, 80.0]]
SCREEN = [-40.0, 4.5, 25.0, 4.5, 2.5]
TO = np.array([[0, 25, 4], [20, 60, 2], [-50, 110, 6.0], [10, 8, 1.5]])
METHODS = ("general", "alternative")


def scene(areas: Sequence[tuple[float, ArrayLike]] = (), screens: ArrayLike = (), turn: Any = None) -> Any:
    """A plain with ground areas (G, polygon) and screens (x, y, x, y, top); ``turn`` maps plan coordinates."""
    turn = turn or (lambda xy: xy)
    rings = [turn(np.asarray(polygon, dtype=float)) for _, polygon in areas]
    line = np.asarray(screens, dtype=float).reshape(-1, 5)
    tops = np.repeat(line[:, 4:], 2, axis=1)
    return scene_of(
        ground_level_m=0.0,
        ground=GroundAreas(
            0.8,
            np.concatenate(rings) if rings else np.empty((0, 2)),
            np.cumsum([0, *(len(r) for r in rings)]),
            np.array([g for g, _ in areas], dtype=float),
        ),
        barriers=BarrierSegments(turn(line[:, :4].reshape(-1, 2, 2)), tops, tops * 0, np.arange(len(line))),
        air=Air(15.0, 70.0, 101.325),
    )


def points(x: ArrayLike, length: ArrayLike, turn: Any = None) -> SourcePoints:
    """Pieces of a straight track along x."""
    turn = turn or (lambda xy: xy)
    x, length = np.asarray(x, dtype=float), np.asarray(length, dtype=float)
    n = x.size
    xy = turn(np.stack([x, np.zeros(n)], axis=1))
    along = turn(np.stack([x + 1, np.zeros(n)], axis=1)) - xy
    xyz = np.concatenate([xy, np.full((n, 1), 0.3)], axis=1)
    return SourcePoints(np.zeros(n, dtype=int), xyz, along, length, np.ones(n))


def transfer(where: Any, source: SourcePoints, to: ArrayLike, heights: ArrayLike = HEIGHTS) -> np.ndarray:
    p = np.asarray(to, dtype=float)
    receivers = Receivers(tuple(f"R{i}" for i in range(len(p))), p)
    return CALCULATOR.path_loss(where, source, np.asarray(heights), receivers, OPTIONS).transfer


def pieces(half_length: float, to: ArrayLike, ratio: float) -> tuple[np.ndarray, np.ndarray]:
    """Middles and lengths after halving until no piece is longer than ``ratio`` of its distance."""
    todo, done = [(-half_length, half_length)], []
    while todo:
        a, b = todo.pop()
        distance = min(np.hypot(max(a - x, 0.0, x - b), y) for x, y, _ in np.asarray(to))
        if b - a <= ratio * distance:
            done.append((0.5 * (a + b), b - a))
        else:
            todo += [(0.5 * (a + b), b), (a, 0.5 * (a + b))]
    middle, length = np.array(done).T
    return middle, length


def line_level(where: Any, to: ArrayLike, ratio: float) -> np.ndarray:
    """A-weighted level of a 1 km line with a dipole's directivity, per receiver and source height."""
    middle, length = pieces(500.0, to, ratio)
    source = points(middle, length)
    away = np.asarray(to)[:, np.newaxis, :2] - source.xyz_m[:, :2]
    dipole = 0.01 + 0.99 * away[..., 1] ** 2 / np.sum(away**2, axis=-1)
    power = 10 ** ((POWER_DB + A_WEIGHTING_OCTAVE_DB) / 10)
    return 10 * np.log10(np.einsum("rphb,rp,p,b->rh", transfer(where, source, to)[..., 0, :], dipole, length, power))


@pytest.mark.parametrize("distance", [30.0, 100.0, 400.0])
def test_a_doubled_distance_costs_6_db_and_the_air(distance: float) -> None:
    """Both ends 60 m above hard ground, where A_gr is -3 dB up to 3600 m."""
    first, second = (
        profile_terms((0, 60), (d, 60), [(0, 0), (d, 0)], [(0, d, 0)], temperature_deg_c=15)
        for d in (distance, 2 * distance)
    )
    air = absorption_db_per_km(15.0) * distance / 1000
    np.testing.assert_allclose(second.a_db - first.a_db, 20 * np.log10(2.0) + air, atol=1e-9)
    np.testing.assert_allclose(first.a_db, first.a_div_db + air - 3.0, atol=1e-9)


def test_hard_and_porous_ground_far_away() -> None:
    """Table 3: hard ground tends to -6 dB; porous ground gives 0 dB from 2 kHz on at every distance."""
    far = [(0, 1e5, 0.0)], [(0, 1e5, 1.0)]
    hard, soft = (profile_terms((0, 1), (1e5, 4), [(0, 0), (1e5, 0)], g).ground for g in far)
    np.testing.assert_allclose(hard.a_gr_db, -6.0 + 3 * 150 / 1e5, atol=1e-9)
    np.testing.assert_allclose(soft.a_gr_db[5:], 0.0, atol=1e-12)
    near = profile_terms((0, 1), (20, 4), [(0, 0), (20, 0)], [(0, 20, 0.0)]).ground
    np.testing.assert_allclose(near.a_gr_db, -3.0)
    assert near.q == 0.0 and near.g_m is None


@settings(max_examples=100, deadline=None)
@given(
    place=st.floats(0.03, 0.97),
    above=st.floats(0.0, 6.0),
    more=st.floats(0.0, 4.0),
    distance=st.floats(15.0, 900.0),
    height=st.sampled_from([0.5, 4.0]),
    z_r=st.sampled_from([1.5, 4.0, 8.0]),
    g=st.sampled_from([0.0, 0.3, 1.0]),
    angle=st.floats(20.0, 160.0),
    method=st.sampled_from(METHODS),
    gain=st.booleans(),
)
def test_a_higher_edge_is_never_louder(
    place: float,
    above: float,
    more: float,
    distance: float,
    height: float,
    z_r: float,
    g: float,
    angle: float,
    method: Any,
    gain: bool,
) -> None:
    base = height + (z_r - height) * place - 3.0 + above
    a = [
        profile_terms(
            (0, height), (distance, z_r), [(0, 0), (distance, 0)], [(0, distance, g)],
            edges=[Edge(place * distance, top, angle_deg=angle)], ground_method=method,
            ground_gain_behind_barriers=gain,
        ).a_db
        for top in (base, base + more)
    ]  # fmt: skip
    assert np.all(a[1] >= a[0] - 1e-9)


@settings(max_examples=60, deadline=None)
@given(
    x=st.floats(3.0, 67.0), z_s=st.floats(0.5, 6.0), z_r=st.floats(1.0, 9.0), g=st.sampled_from([0.0, 0.7, 1.0]),
    angle=st.floats(20.0, 160.0), sides=st.booleans(),
)  # fmt: skip
def test_nothing_jumps_where_an_edge_meets_the_ray(
    x: float, z_s: float, z_r: float, g: float, angle: float, sides: bool
) -> None:
    ray = z_s + (z_r - z_s) * x / 70
    a = [
        profile_terms(
            (0, z_s), (70, z_r), [(0, 0), (70, 0)], [(0, 70, g)], edges=[Edge(x, ray + up, angle_deg=angle)],
            ways_round=[[(x, 4.0)], [(x, -20.0)]] if sides else [],
        ).a_db
        for up in (-1e-5, -1e-7, 1e-7, 1e-5)
    ]  # fmt: skip
    np.testing.assert_allclose(a[1:], a[:-1], atol=2e-3)


def test_an_edge_far_below_the_ray_does_nothing() -> None:
    path = ((0, 10), (40, 10), [(0, 0), (40, 0)], [(0, 40, 0.0)])
    np.testing.assert_array_equal(profile_terms(*path, edges=[(20.0, 1.0)]).a_db, profile_terms(*path).a_db)


@settings(max_examples=60, deadline=None)
@given(
    distance=st.floats(20.0, 900.0), z_s=st.floats(0.3, 6.0), z_r=st.floats(1.0, 12.0), border=st.floats(0.05, 0.95),
    place=st.floats(0.05, 0.6), top=st.floats(0.5, 9.0), method=st.sampled_from(METHODS),
)  # fmt: skip
def test_source_and_receiver_may_change_places(
    distance: float, z_s: float, z_r: float, border: float, place: float, top: float, method: Any
) -> None:
    def a(turned: bool) -> np.ndarray:
        def at(x: float) -> float:
            return (1 - x if turned else x) * distance

        ground = sorted([(*sorted((at(0.0), at(border))), 1.0), (*sorted((at(border), at(1.0))), 0.2)])
        edges = [Edge(at(place), top, angle_deg=60), Edge(at(place + 0.3), 0.8 * top, angle_deg=60)]
        ways = [[(at(place), 7.0), (at(place + 0.3), 9.0)][:: -1 if turned else 1]]
        z = (z_r, z_s) if turned else (z_s, z_r)
        return profile_terms(
            (0, z[0]), (distance, z[1]), [(0, 0), (distance, 0)], ground, edges=edges, ways_round=ways,
            ground_method=method, c0_db=2.0,
        ).a_db  # fmt: skip

    np.testing.assert_allclose(a(True), a(False), atol=1e-8)


@settings(max_examples=30, deadline=None)
@given(st.floats(2.0, 60.0), st.sampled_from([0.0, 0.7, 1.0]), st.floats(1.5, 6.0))
def test_two_edges_in_one_place_are_one(x: float, g: float, top: float) -> None:
    path = ((0, 0.5), (70, 4), [(0, 0), (70, 0)], [(0, 70, g)])
    one = profile_terms(*path, edges=[(x, top)])
    two = profile_terms(*path, edges=[(x, top), (x, top), (x, top - 0.5)])
    np.testing.assert_array_equal(one.a_db, two.a_db)


def test_two_edges_draw_near_to_one_up_to_the_caps() -> None:
    """C_3 tends to 1 as e tends to 0; only the cap of 25 instead of 20 dB remains (7.4)."""
    path = ((0, 0.5), (70, 4), [(0, 0), (70, 0)], [(0, 70, 1)])
    one = profile_terms(*path, edges=[(10, 6)]).top
    two = profile_terms(*path, edges=[(10, 6), (10.001, 6)]).top
    assert one is not None and two is not None and len(two.edges_m) == 2
    np.testing.assert_allclose(np.minimum(two.d_z_db, 20.0), one.d_z_db, atol=1e-3)
    assert two.d_z_db[-1] > 20.0


def test_cutting_the_ground_into_more_pieces_changes_nothing() -> None:
    one = profile_terms((0, 0.5), (300, 4), [(0, 0), (300, 0)], [(0, 80, 0.3), (80, 300, 0.9)])
    cuts = [0, 10, 15, 79, 80, 200, 290, 300]
    more = [(a, b, 0.3 if b <= 80 else 0.9) for a, b in pairwise(cuts)]
    two = profile_terms((0, 0.5), (300, 4), [(0, 0), (120, 0), (300, 0)], more)
    np.testing.assert_allclose(two.a_db, one.a_db, rtol=1e-12)


def test_order_of_areas_that_do_not_overlap_and_of_screens() -> None:
    other = [[-20.0, 60.0], [30.0, 60.0], [30.0, 80.0], [-20.0, 80.0]]
    second = [-10.0, 20.0, 30.0, 22.0, 3.0]
    source = points([-30.0, 0.0, 12.0], [4.0, 4.0, 4.0])
    one = transfer(scene([(0.0, RIVER), (0.3, other)], [SCREEN, second]), source, TO)
    two = transfer(scene([(0.3, other), (0.0, RIVER)], [second, SCREEN]), source, TO)
    np.testing.assert_allclose(one, two, rtol=1e-12)


@pytest.mark.parametrize(("angle", "dx", "dy"), [(30.0, 0.0, 0.0), (0.0, 4000.0, -2500.0), (213.0, 900.0, 350.0)])
def test_the_site_may_be_turned_and_moved(angle: float, dx: float, dy: float) -> None:
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    matrix = np.array([[c, s], [-s, c]])

    def turn(xy: np.ndarray) -> np.ndarray:
        return xy @ matrix + [dx, dy]

    x, length, areas = [-30.0, 0.0, 12.0], [9.0, 9.0, 9.0], [(0.0, RIVER), (1.0, GARDEN)]
    moved = np.concatenate([turn(TO[:, :2]), TO[:, 2:]], axis=1)
    here = transfer(scene(areas, [SCREEN]), points(x, length), TO)
    there = transfer(scene(areas, [SCREEN], turn), points(x, length, turn), moved)
    np.testing.assert_allclose(there, here, rtol=1e-7)


def test_order_and_grouping_of_receivers_and_points_change_no_bit() -> None:
    where, x, length = scene([(0.0, RIVER)], [SCREEN]), np.array([-30.0, 0.0, 12.0, 55.0]), np.full(4, 6.0)
    whole = transfer(where, points(x, length), TO)
    np.testing.assert_array_equal(transfer(where, points(x, length), TO[::-1]), whole[::-1])
    np.testing.assert_array_equal(transfer(where, points(x[::-1], length), TO), whole[:, ::-1])
    for r in range(len(TO)):
        np.testing.assert_array_equal(transfer(where, points(x[1:3], length[1:3]), TO[r : r + 1])[0], whole[r, 1:3])
    np.testing.assert_array_equal(transfer(where, points(x, length), TO, HEIGHTS[1:]), whole[:, :, 1:])


SITES = {
    "free": ([], []),
    "river": ([(0.0, RIVER)], []),
    "river and garden": ([(0.0, RIVER), (1.0, GARDEN)], []),
    "border seen along its side": ([(0.0, [[-27, 4], [23, 4], [23, 90], [-27, 90]])], []),
    "short screen": ([], [[-8, 4.5, 22, 4.5, 3.0]]),
    "screen with river": ([(0.0, RIVER)], [SCREEN]),
    "gap between screens": ([(0.0, RIVER)], [[-300, 4.5, -7, 4.5, 4.0], [6, 4.5, 300, 4.5, 4.0]]),
    "low screen on one side": ([], [[13, 3.0, 400, 3.0, 1.5]]),
}


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("receiver", [(3.0, 9.0), (-5.0, 25.0), (17.0, 50.0), (-14.0, 200.0)])
def test_half_and_double_length_of_pieces_change_little(site: str, receiver: tuple[float, float]) -> None:
    """0.1 dB, as for the propagation of the EU method."""
    where, to = scene(*SITES[site]), [[*receiver, 4.0]]
    levels = [line_level(where, to, factor * OPTIONS.piece_ratio) for factor in (0.5, 1.0, 2.0)]
    np.testing.assert_allclose(levels[0], levels[1], atol=0.1)
    np.testing.assert_allclose(levels[2], levels[1], atol=0.1)

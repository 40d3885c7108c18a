"""What must hold for propagation whatever the site."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import ArrayLike

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB
from lineside.acoustics.levels import energy_sum_db
from lineside.scene.model import Air, BarrierSegments, Buildings, GroundAreas, Receivers, SourcePoints
from lineside_plugins.eu_propagation import EuPropagation, EuPropagationOptions, air_absorption_db_per_km, vertical_cut

CALCULATOR = EuPropagation()
OPTIONS = EuPropagationOptions()
HEIGHTS = np.array([0.5, 4.0])
#: A railway-like spectrum, invented. [dB re 1 pW per metre]
POWER_DB = np.array([82.0, 86.0, 89.0, 94.0, 96.0, 93.0, 88.0, 80.0])
RIVER = [[-70.0, 12.0], [90.0, 16.0], [60.0, 55.0], [-60.0, 48.0]]
GARDEN = [[-20.0, 30.0], [30.0, 30.0], [30.0, 80.0], [-20.0, 80.0]]
SCREEN = [-40.0, 4.5, 25.0, 4.5, 2.5]
TO = np.array([[0, 25, 4], [20, 60, 2], [-50, 110, 6.0], [10, 8, 1.5]])


def scene(areas: Sequence[tuple[float, ArrayLike]] = (), screens: ArrayLike = (), turn: Any = None) -> Any:
    """A plain with ground areas (G, polygon) and screens (x, y, x, y, top); ``turn`` maps plan coordinates."""
    turn = turn or (lambda xy: xy)
    rings = [turn(np.asarray(polygon, dtype=float)) for _, polygon in areas]
    line = np.asarray(screens, dtype=float).reshape(-1, 5)
    tops = np.repeat(line[:, 4:], 2, axis=1)
    return SimpleNamespace(
        ground_level_m=0.0,
        ground=GroundAreas(
            0.8,
            np.concatenate(rings) if rings else np.empty((0, 2)),
            np.cumsum([0, *(len(r) for r in rings)]),
            np.array([g for g, _ in areas], dtype=float),
        ),
        barriers=BarrierSegments(turn(line[:, :4].reshape(-1, 2, 2)), tops, tops * 0, np.arange(len(line))),
        air=Air(15.0, 70.0, 101.325),
        terrain=None,
        buildings=Buildings.none(),
        forms=(),
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


def receivers(xyz: ArrayLike) -> Receivers:
    p = np.asarray(xyz, dtype=float)
    return Receivers(tuple(f"R{i}" for i in range(len(p))), p)


def transfer(where: Any, source: SourcePoints, to: ArrayLike, heights: ArrayLike = HEIGHTS) -> np.ndarray:
    return CALCULATOR.path_loss(where, source, np.asarray(heights), receivers(to), OPTIONS).transfer


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
    """A-weighted level of a 1 km line with a dipole's directivity, per receiver, source height and state."""
    middle, length = pieces(500.0, to, ratio)
    source = points(middle, length)
    away = np.asarray(to)[:, np.newaxis, :2] - source.xyz_m[:, :2]
    dipole = 0.01 + 0.99 * away[..., 1] ** 2 / np.sum(away**2, axis=-1)
    power = 10 ** ((POWER_DB + A_WEIGHTING_OCTAVE_DB) / 10)
    return 10 * np.log10(np.einsum("rphsb,rp,p,b->rhs", transfer(where, source, to), dipole, length, power))


@pytest.mark.parametrize("distance", [30.0, 100.0, 400.0])
def test_a_doubled_distance_costs_6_db_and_the_air(distance: float) -> None:
    """Both ends at one height far above hard ground, where the ground effect is -3 dB at both distances."""
    where = scene([(0.0, [[-1, -1], [2000, -1], [2000, 1], [-1, 1]])])
    source = replace(points([0.0], [0.0]), ground_g=np.zeros(1))
    found = -10 * np.log10(transfer(where, source, [[distance, 0, 60.3], [2 * distance, 0, 60.3]], [60.0]))
    air = air_absorption_db_per_km() * distance / 1000
    expected = np.tile(20 * np.log10(2.0) + air, (2, 1))
    np.testing.assert_allclose((found[1] - found[0])[0, 0], expected, atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(
    place=st.floats(0.03, 0.97),
    above=st.floats(0.001, 3.0),
    more=st.floats(0.05, 4.0),
    distance=st.floats(15.0, 300.0),
    height=st.sampled_from([0.5, 4.0]),
    z_r=st.sampled_from([1.5, 4.0, 8.0]),
    g=st.sampled_from([0.0, 0.3, 0.7, 1.0]),
)
def test_where_it_blocks_a_higher_screen_is_not_louder(
    place: float, above: float, more: float, distance: float, height: float, z_r: float, g: float
) -> None:
    """From the top of the curved ray upward, in both states, A-weighted with the spectrum above.

    Never over hard ground. Over porous ground the method itself may give a little more for a higher edge, since the
    ground effect on both sides weakens as the edge rises: at most 0.63 dB among 6000 random cuts, all close to grazing.
    """
    sag = place * (1 - place) * distance**2 / (2 * max(1000.0, 8 * distance))
    base = height + (z_r - height) * place + sag + above
    levels = []
    for top in (base, base + more):
        cut = vertical_cut(
            (0, height), (distance, z_r), [(0, 0), (distance, 0)], [(0, distance, g)], source_ground_g=float(g > 0.5),
            barriers=[(place * distance, top)],
        )  # fmt: skip
        for state in (cut.homogeneous, cut.favourable):
            levels.append(energy_sum_db(POWER_DB + A_WEIGHTING_OCTAVE_DB - state.a_db))
    louder = np.array(levels[2:]) - levels[:2]
    assert np.all(louder <= (1e-6 if g < 0.5 else 1.0))


@settings(max_examples=30, deadline=None)
@given(st.floats(2.0, 60.0), st.sampled_from([0.0, 0.7, 1.0]), st.floats(1.5, 6.0))
def test_two_screens_in_one_place_are_one(x: float, g: float, top: float) -> None:
    given = ((0, 0.5), (70, 4), [(0, 0), (70, 0)], [(0, 70, g)])
    one = vertical_cut(*given, source_ground_g=1.0, barriers=[(x, top)])
    two = vertical_cut(*given, source_ground_g=1.0, barriers=[(x, top), (x, top), (x, top - 0.5)])
    np.testing.assert_array_equal(one.homogeneous.a_db, two.homogeneous.a_db)
    np.testing.assert_array_equal(one.favourable.a_db, two.favourable.a_db)


def test_order_of_areas_that_do_not_overlap_and_of_screens() -> None:
    other = [[-20.0, 60.0], [30.0, 60.0], [30.0, 80.0], [-20.0, 80.0]]
    second = [-10.0, 20.0, 30.0, 22.0, 3.0]
    source = points([-30.0, 0.0, 12.0], [4.0, 4.0, 4.0])
    one = transfer(scene([(0.0, RIVER), (0.3, other)], [SCREEN, second]), source, TO)
    two = transfer(scene([(0.3, other), (0.0, RIVER)], [second, SCREEN]), source, TO)
    np.testing.assert_allclose(one, two, rtol=1e-12)


def test_a_later_area_lies_on_top() -> None:
    source = points([0.0], [0.0])
    both = transfer(scene([(0.0, RIVER), (1.0, GARDEN)]), source, TO)
    assert not np.allclose(both, transfer(scene([(1.0, GARDEN), (0.0, RIVER)]), source, TO), rtol=1e-3)
    three = transfer(scene([(0.0, RIVER), (0.5, GARDEN), (1.0, GARDEN)]), source, TO)
    np.testing.assert_allclose(both, three, rtol=1e-12)


@pytest.mark.parametrize("share", [0.0, 0.2, 0.5, 1.0])
def test_the_long_term_level_lies_between_the_two_states(share: float) -> None:
    found = transfer(scene([(0.0, RIVER)], [SCREEN]), points([-30.0, 0.0, 12.0], [4.0, 4.0, 4.0]), TO)
    mixed = np.einsum("...sb,s->...b", found, CALCULATOR.state_share(np.array(share)))
    assert np.all(mixed >= found.min(axis=-2) * (1 - 1e-12)) and np.all(mixed <= found.max(axis=-2) * (1 + 1e-12))
    assert CALCULATOR.state_share(np.array(share)).sum() == pytest.approx(1.0)


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


def test_inputs_stay_as_they_were() -> None:
    where, source = scene([(0.0, RIVER)], [SCREEN]), points([0.0], [4.0])
    arrays = [where.ground.xy_m, where.ground.start, where.ground.g, where.barriers.xy_m, source.xyz_m, source.length_m]
    before = [a.copy() for a in arrays]
    transfer(where, source, TO)
    for now, then in zip(arrays, before, strict=True):
        np.testing.assert_array_equal(now, then)


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
    """Section 2.5 of the law: more points must not change the result noticeably. Here: 0.1 dB."""
    where, to = scene(*SITES[site]), [[*receiver, 4.0]]
    levels = [line_level(where, to, factor * OPTIONS.piece_ratio) for factor in (0.5, 1.0, 2.0)]
    np.testing.assert_allclose(levels[0], levels[1], atol=0.1)
    np.testing.assert_allclose(levels[2], levels[1], atol=0.1)

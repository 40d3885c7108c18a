"""16. BImSchV, Annex 2: terrain, buildings and reflections at places that can be reckoned by hand."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike

from lineside.errors import OutOfRangeError
from lineside.scene.model import Receivers, Scene
from lineside.scene.reflectors import reflectors_of
from lineside.tables import load_table
from lineside_plugins.de_propagation import (
    DePropagation,
    DePropagationOptions,
    Wall,
    least_dimension_m,
    propagation_path,
)
from lineside_plugins.de_propagation.walls import kept_energy, seen
from town import bank, box, buildings, points_at, receivers_at, terrain, town, walls
from whole_scene import whole

CALCULATOR = DePropagation()
LAND = [(-500.0, 0.0), (500.0, 0.0)]
WAVELENGTH = 340.0 / np.array([63, 125, 250, 500, 1000, 2000, 4000, 8000])
PIT = bank([-400.0, 400.0], [(-12.0, 3.0), (-5.0, 0.0), (5.0, 0.0), (12.0, 3.0)])


def loss(scene: Any, to: Receivers, height: float = 0.0, rail: float = 0.5, **options: Any) -> Any:
    """Of one point at the origin, for one source height."""
    where = scene if isinstance(scene, Scene) else whole(scene)
    opts = DePropagationOptions(**options)
    return CALCULATOR.path_loss(where, points_at([0, 0], rail), np.array([height]), to, opts)


def direct_db(scene: Any, to: Receivers, height: float = 0.0, rail: float = 0.5, **options: Any) -> np.ndarray:
    return np.asarray(10 * np.log10(loss(scene, to, height, rail, **options).transfer[0, 0, 0, 0]))


def reflected_db(scene: Any, to: Receivers, height: float = 0.0, rail: float = 0.5, **options: Any) -> np.ndarray:
    """All reflected paths together; -inf in bands without."""
    found = loss(scene, to, height, rail, **options).reflected
    energy = np.zeros(8) if found is None else found.transfer[:, 0, 0].sum(axis=0)
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(energy))


# Terrain and buildings


def test_a_cutting_screens_by_its_edge() -> None:
    to = receivers_at([60, 0], 5.0)
    scene = town(terrain=terrain(PIT, level_m=3.0), level_m=3.0)
    section = [(0, 0), (5, 0), (12, 3), (60, 3)]
    screened = propagation_path((0, 0.5), (60, 5), section, ground_screens=True)
    assert screened.top is not None and screened.top.edges_m == ((12.0, 3.0),) and screened.a_bar_db.min() > 1.0
    np.testing.assert_allclose(direct_db(scene, to), screened.transfer_db, atol=1e-9)
    given = propagation_path((0, 0.5), (60, 5), section, edges=[(12, 3)])
    np.testing.assert_allclose(given.transfer_db, screened.transfer_db, rtol=1e-12)
    sees = propagation_path((0, 0.5), (60, 5), section)
    np.testing.assert_allclose(direct_db(scene, to, ground_screens=False), sees.transfer_db, atol=1e-9)
    area = 0.5 * (0.5 + 5) * 60 - (0.5 * 7 * 3 + 48 * 3)
    assert sees.h_m_m == screened.h_m_m == pytest.approx(area / np.hypot(60, 4.5))
    assert sees.d_omega_db == pytest.approx(10 * np.log10(1 + (3600 + 1.5**2) / (3600 + 2.5**2)))


def test_ground_below_the_straight_line_does_nothing() -> None:
    section = [(0, 0), (30, 0), (30, 2), (60, 2)]
    grazing = propagation_path((0, 1), (60, 3.0), section, ground_screens=True)
    assert grazing.top is None
    assert propagation_path((0, 1), (60, 2.99), section, ground_screens=True).top is not None


def test_ground_takes_the_direction_of_the_barrier_beside_it() -> None:
    """A barrier on the edge of a cutting, both along the track, on an oblique path: Gl. 25 for both."""
    scene = town(
        terrain=terrain(PIT, level_m=3.0), level_m=3.0, barriers=walls([[20, -300], [20, 300]], top=4.5, base=3)
    )
    found = direct_db(scene, receivers_at([60, 80], 3.2), side_way_ratio=1.0)
    section = [(0, 0), (5, 0), (12, 3), (60, 3)]
    path = propagation_path((0, 0.5), (60, 3.2), section, along_m=80, edges=[(12, 3), (20, 4.5)])
    assert path.top is not None and len(path.top.edges_m) == 2
    np.testing.assert_allclose(found, path.transfer_db, atol=1e-8)


def test_a_building_is_an_obstacle_with_two_edges() -> None:
    """Case DE-21 of the computed cases as a scene: 12 m wide, 10 m high, and the same by the public function."""
    scene = town(houses=buildings(box(31, 0, 12, 900), top=10.0))
    found = direct_db(scene, receivers_at([60, 0], 4.0), rail=0.0)
    edges = propagation_path((0, 0), (60, 4), LAND, edges=[(25, 10), (37, 10)])
    block = propagation_path((0, 0), (60, 4), LAND, buildings=[(25, 37, 10)])
    np.testing.assert_allclose(found, edges.transfer_db, atol=1e-9)
    np.testing.assert_array_equal(block.transfer_db, edges.transfer_db)
    assert edges.top is not None and edges.top.z_m == pytest.approx(2.56237, abs=6e-6)


def test_ways_lead_round_buildings_but_not_round_hills() -> None:
    house = buildings(box(30, 0, 10, 20), top=6.0)
    to, ways = receivers_at([60, 0], 2.0), [[(25, 10), (35, 10)], [(25, -10), (35, -10)]]
    path = propagation_path((0, 0.5), (60, 2), LAND, buildings=[(25, 35, 6)], side_ways=ways)
    assert len(path.sides) == 2
    np.testing.assert_allclose(direct_db(town(houses=house), to), path.transfer_db, atol=1e-8)
    hill = [(0, 0), (40, 0), (41, 3), (42, 0), (60, 0)]
    blocked = propagation_path((0, 0.5), (60, 2), hill, buildings=[(25, 35, 6)], side_ways=ways, ground_screens=True)
    alone = propagation_path((0, 0.5), (60, 2), hill, buildings=[(25, 35, 6)], ground_screens=True)
    assert not blocked.sides
    np.testing.assert_array_equal(blocked.transfer_db, alone.transfer_db)


def test_an_earthwork_with_ground_factor_0_is_no_water() -> None:
    hard = bank([-400.0, 400.0], [(-6.0, 0.0), (-3.0, 1.0), (3.0, 1.0), (6.0, 0.0)], g=[0.0, 0.0, 0.0])
    soft = bank([-400.0, 400.0], [(-6.0, 0.0), (-3.0, 1.0), (3.0, 1.0), (6.0, 0.0)])
    found = [direct_db(town(terrain=terrain(work)), receivers_at([60, 0], 4.0), rail=1.5) for work in (hard, soft)]
    np.testing.assert_array_equal(found[0], found[1])


# Reflections


def test_table_18() -> None:
    table = load_table("lineside_plugins.de_propagation", "wall_losses")
    assert table["d_rho_db"].tolist() == [0.0, 1.0, 4.0, 8.0]
    assert table.text["wall_surface"][1] == "building with windows"
    assert table in CALCULATOR._tables


def test_least_dimension_against_computed_numbers() -> None:
    """Gl. 27 for d_so = 10 m, d_or = 30 m, beta = 0: computed from the regulation, not published."""
    found = least_dimension_m(10, 30)
    np.testing.assert_allclose(found, [9.0, 6.4, 4.5, 3.2, 2.3, 1.6, 1.1, 0.8], atol=0.05)
    np.testing.assert_allclose(found, np.sqrt(2 * WAVELENGTH / (1 / 10 + 1 / 30)))
    np.testing.assert_allclose(least_dimension_m(10, 30, 60.0), 2 * found)
    np.testing.assert_array_equal(least_dimension_m(30, 10), found)


@pytest.mark.parametrize(("absorption", "d_rho"), [(0.1, 0.0), (0.2, 1.0), (0.59, 1.0), (0.61, 4.0)])
def test_a_facade_reflects_with_the_loss_of_table_18(absorption: float, d_rho: float) -> None:
    """A long house behind the track, its wall at x = -20: image source at x = -40."""
    house = buildings(box(-30, 0, 20, 400), top=20.0)
    scene = town(houses=replace(house, absorption=np.full((1, 8), absorption)))
    found = loss(scene, receivers_at([50, 30], 4.0))
    path = propagation_path(
        (-40, 0.5), (50, 4), LAND, along_m=30,
        walls=[Wall(-20, 20, 0, 400, d_rho, float(np.degrees(np.arctan2(30, 90))))],
    )  # fmt: skip
    free = propagation_path((-40, 0.5), (50, 4), LAND, along_m=30)
    there = found.reflected
    assert len(there.receiver) == 1
    np.testing.assert_allclose(10 * np.log10(there.transfer[0, 0, 0]), path.transfer_db, atol=1e-9)
    np.testing.assert_allclose(path.transfer_db, free.transfer_db - d_rho, atol=1e-9)
    np.testing.assert_allclose(path.symbols()["D_rho"], d_rho, atol=1e-12)
    assert there.length_m[0] == pytest.approx(np.hypot(90, 30))
    assert there.phi_deg[0] == pytest.approx(np.degrees(np.arctan2(90, 30)))


def test_losses_by_octaves_and_walls_that_absorb_too_much() -> None:
    house = buildings(box(-30, 0, 20, 400), top=20.0)
    shares = np.linspace(0.0, 0.9, 8)
    scene = whole(town(houses=replace(house, absorption=shares[np.newaxis])))
    to, hard = receivers_at([50, 0], 4.0), propagation_path((-40, 0.5), (50, 4), LAND, walls=[Wall(-20, 20, 0)])
    with np.errstate(divide="ignore"):
        lost = np.where(1 - shares > 0.2, 10 * np.log10(1 - shares), -np.inf)
    found = reflected_db(scene, to, wall_losses="absorption")
    np.testing.assert_allclose(found, hard.transfer_db + lost, atol=1e-9)
    much = replace(scene, buildings=replace(scene.buildings, absorption=np.full((1, 8), 0.85)))
    assert loss(much, to).reflected is None  # 8 dB leave 0.16, which is not above 0.2
    with_8 = propagation_path((-40, 0.5), (50, 4), LAND, walls=[Wall(-20, 20, 0, d_rho_db=8.0)])
    assert np.all(np.isinf(with_8.transfer_db))


@pytest.mark.parametrize(("reflecting", "d_rho"), [([True], 0.0), ([False], 4.0), (None, 4.0)])
def test_barriers_reflect_by_their_kind(reflecting: Any, d_rho: float) -> None:
    barrier = replace(walls([[-20, -200], [-20, 200]], top=6.0), reflecting=reflecting and np.array(reflecting))
    scene = whole(town(barriers=barrier))
    kept = kept_energy(seen(scene, True), reflectors_of(scene), "table_18")
    np.testing.assert_allclose(kept, 10 ** (-d_rho / 10))
    by_octaves = kept_energy(seen(scene, True), reflectors_of(scene), "absorption")
    np.testing.assert_array_equal(by_octaves, kept)
    found = reflected_db(scene, receivers_at([50, 0], 4.0))
    path = propagation_path((-40, 0.5), (50, 4), LAND, walls=[Wall(-20, 6, 0, d_rho_db=d_rho)])
    large = 6.0 * 90 / np.hypot(90, 3.5) > least_dimension_m(*shares_of(20, 70))
    np.testing.assert_array_equal(np.isfinite(found), large)
    assert 0 < large.sum() < 8
    np.testing.assert_allclose(found[large], path.transfer_db[large], atol=1e-9)


def shares_of(near: float, far: float) -> tuple[float, float]:
    """Slant distances of a path from 0.5 to 4 m height."""
    slant = np.hypot(near + far, 3.5) / (near + far)
    return near * slant, far * slant


def test_known_absorption_of_barriers_finds_its_row() -> None:
    barrier = walls([[-20, -200], [-20, 200]], [[-30, -9], [-30, 9]], top=6.0)
    share = np.array([[0.0, 0.0, 0.5, 0.6, 0.8, 0.8, 0.7, 0.0], np.full(8, 0.9)])
    scene = whole(town(barriers=replace(barrier, absorption=share)))
    kept = kept_energy(seen(scene, True), reflectors_of(scene), "table_18")
    np.testing.assert_allclose(kept, [[10**-0.4] * 8, [0.0] * 8])  # mean 0.68, 4.9 dB; 0.9, 10 dB


def test_the_smallest_dimension_decides_band_by_band() -> None:
    """A wall 4 m high, or 4 m long, 20 m behind the track."""
    low, short = buildings(box(-30, 0, 20, 400), top=4.0), buildings(box(-30, 0, 20, 4), top=20.0)
    slant = np.hypot(90, 3.5)
    large = 4.0 * 90 / slant > least_dimension_m(*shares_of(20, 70))
    assert 0 < large.sum() < 8
    for house in (low, short):
        np.testing.assert_array_equal(np.isfinite(reflected_db(town(houses=house), receivers_at([50, 0], 4.0))), large)


def test_the_path_must_meet_the_wall_between_foot_and_top() -> None:
    """A source at 4.5 m meets the wall at 4.4 m, one at 0.5 m at 1.3 m."""
    to = receivers_at([50, 0], 4.0)
    for top, foot, met in ((4.5, 0.0, (True, True)), (4.3, 0.0, (True, False)), (9.0, 1.5, (False, True))):
        scene = whole(town(houses=buildings(box(-30, 0, 20, 400), top=top)))
        scene = replace(scene, buildings=replace(scene.buildings, base_z_m=np.array([foot])))
        for height, expected in zip((0.0, 4.0), met, strict=True):
            assert np.isfinite(reflected_db(scene, to, height)[-1]) == expected
            path = propagation_path((-40, 0.5 + height), (50, 4), LAND, walls=[Wall(-20, top, foot)])
            assert np.isfinite(path.transfer_db[-1]) == expected


def test_a_path_bent_over_a_barrier_meets_the_wall_higher_up() -> None:
    """A barrier 4 m high between track and wall: the band meets the wall at 3.9 m, the straight line at 1.3 m."""
    screen = walls([[-10, -300], [-10, 300]], top=4.0)
    for top, met in ((3.8, False), (4.2, True)):
        scene = town(houses=buildings(box(-30, 0, 20, 400), top=top), barriers=screen)
        found = loss(scene, receivers_at([50, 0], 4.0)).reflected
        facade = 0 if found is None else np.sum(np.isclose(found.length_m, 90.0))
        assert facade == met
        path = propagation_path((-40, 0.5), (50, 4), LAND, edges=[(-30, 4), (-10, 4)], walls=[Wall(-20, top, 0)])
        assert np.isfinite(path.transfer_db[-1]) == met


def test_order_reach_and_the_own_facade() -> None:
    """Two long parallel walls: images at distances 2a, 2b and both together."""
    scene = whole(town(houses=buildings(box(-30, 0, 20, 800), box(80, 0, 20, 800), top=20.0)))
    to = receivers_at([50, 0], 4.0)
    lengths = [sorted(loss(scene, to, reflection_order=k).reflected.length_m.round(6).tolist()) for k in (1, 2, 3)]
    assert lengths[0] == [90, 90]  # by x = -20: 40 + 50; by x = 70: 140 - 50
    assert lengths[1] == [90, 90, 130, 230]
    assert len(lengths[2]) == 6
    off = loss(scene, to, reflection_order=0)
    assert off.reflected is None and off.left_out is None
    np.testing.assert_array_equal(off.transfer, loss(scene, to).transfer)
    near = loss(scene, to, reflection_order=1, reflection_reach=1.5)
    assert near.reflected is None and near.left_out is not None
    all_of_them = loss(scene, to, reflection_order=1).reflected.transfer[:, 0, 0].sum(axis=0).max()
    assert all_of_them <= near.left_out[0, 0] <= 10 * all_of_them
    at_wall = Receivers(
        to.ids, np.array([[69.9, 0.0, 4.0]]), np.array([7])
    )  # side of the second house towards the track
    free = Receivers(to.ids, at_wall.xyz_m)
    assert len(loss(scene, free, reflection_order=1).reflected.receiver) == 2
    assert len(loss(scene, at_wall, reflection_order=1).reflected.receiver) == 1


def test_blocks_of_receivers_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    scene = whole(town(houses=buildings(box(-30, 0, 20, 80), top=9.0), barriers=walls([[5, -20], [5, 20]])))
    points, heights = points_at([[0, y] for y in range(-20, 20, 4)], 0.5, 4.0), np.array([0.0, 4.0])
    wall = np.full(7, -1)
    wall[3] = 1
    to = receivers_at([[50, y] for y in range(7)], 4.0, wall)
    one = CALCULATOR.path_loss(scene, points, heights, to, DePropagationOptions())
    monkeypatch.setattr("lineside_plugins.de_propagation.calculator.BLOCK", 25)
    two = CALCULATOR.path_loss(scene, points, heights, to, DePropagationOptions())
    np.testing.assert_array_equal(one.transfer, two.transfer)
    assert one.reflected is not None and two.reflected is not None
    for a, b in zip(vars(one.reflected).values(), vars(two.reflected).values(), strict=True):
        np.testing.assert_array_equal(a, b)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"buildings": [(20, 10, 5)]}, "from x, to x, z of the top"),
        ({"walls": [Wall(60, 5, 0)]}, "wall at 60 m: must stand"),
        ({"walls": [Wall(20, 0, 5)]}, "needs a top above its foot"),
        ({"walls": [Wall(20, 5, 0, d_rho_db=-1)]}, "a loss not below 0"),
        ({"walls": [Wall(20, 5, 0, incidence_deg=90)]}, "0 to below 90 degrees"),
    ],
)
def test_walls_and_blocks_that_make_no_sense_are_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        propagation_path((0, 0.5), (50, 4), [(0, 0), (50, 0)], **change)


def words(scene: Any, **options: Any) -> str:
    return " ".join(note.text for note in CALCULATOR.notes(whole(scene), DePropagationOptions(**options)))


def test_notes_and_statement_say_what_acts() -> None:
    house = town(houses=buildings(box(30, 0, 10, 20)))
    assert "The terrain is a plain" in words(house) and "highly absorbing barriers (8 dB) reflect nothing" in words(
        house
    )
    assert "asks for the third" not in words(house) and "asks for the third" in words(house, reflection_order=1)
    assert "come out too low" in words(house, reflection_order=0)
    assert "instead of the values of Table 18" in words(house, wall_losses="absorption")
    hill = town(terrain=terrain(PIT))
    assert "is taken as an obstacle" in words(hill) and "is not taken as" in words(hill, ground_screens=False)
    assert "reflect" not in words(hill)
    texts = [CALCULATOR.statement(DePropagationOptions(reflection_order=k)) for k in range(4)]
    assert "Reflections are not included" in texts[0]
    for text, order in zip(texts[1:], ("first", "second", "third"), strict=True):
        assert f"up to the {order} order" in text


def test_without_walls_there_are_neither_reflected_paths_nor_a_bound() -> None:
    found = loss(town(), receivers_at([50, 0]))
    assert found.reflected is None and found.left_out is None


def direction(angle_deg: float) -> ArrayLike:
    return np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))


@pytest.mark.parametrize("angle", [0.0, 30.0, 75.0])
def test_phi_is_that_of_the_way_to_the_wall(angle: float) -> None:
    house = buildings(box(-30, 0, 20, 400), top=20.0)
    points = points_at([0, 0], 0.5, direction=direction(angle))
    found = CALCULATOR.path_loss(
        whole(town(houses=house)), points, np.zeros(1), receivers_at([50, 0], 4.0), DePropagationOptions()
    ).reflected
    assert found is not None and found.phi_deg[0] == pytest.approx(angle, abs=1e-5)

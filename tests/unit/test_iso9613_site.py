"""ISO 9613-2: terrain, buildings and reflections at places that can be reckoned by hand.

Equation 19 and what counts as a reflection (7.5): from memory.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lineside.errors import OutOfRangeError
from lineside.scene.model import Receivers, Scene
from lineside_plugins.iso9613_propagation import (
    Edge,
    Iso9613,
    Iso9613Options,
    Wall,
    least_dimension_m,
    profile_terms,
)
from town import bank, box, buildings, points_at, receivers_at, terrain, town, walls
from whole_scene import whole

CALCULATOR = Iso9613()
PLAIN = [(-500.0, 0.0), (500.0, 0.0)]
SOFT = [(-500.0, 500.0, 1.0)]
PIT = bank([-400.0, 400.0], [(-12.0, 3.0), (-5.0, 0.0), (5.0, 0.0), (12.0, 3.0)])


def loss(scene: Any, to: Receivers, height: float = 0.5, **options: Any) -> Any:
    """Of one point at the origin, for one source height above rails at the plain."""
    where = scene if isinstance(scene, Scene) else whole(scene)
    return CALCULATOR.path_loss(where, points_at([0, 0], 0.0), np.array([height]), to, Iso9613Options(**options))


def direct_db(scene: Any, to: Receivers, height: float = 0.5, **options: Any) -> np.ndarray:
    return np.asarray(-10 * np.log10(loss(scene, to, height, **options).transfer[0, 0, 0, 0]))


def reflected_db(scene: Any, to: Receivers, **options: Any) -> np.ndarray:
    """A of all reflected paths together; inf in bands without."""
    found = loss(scene, to, **options).reflected
    energy = np.zeros(8) if found is None else found.transfer[:, 0, 0].sum(axis=0)
    with np.errstate(divide="ignore"):
        return np.asarray(-10 * np.log10(energy))


@pytest.mark.parametrize("method", ["general", "alternative"])
def test_a_cutting_screens_by_its_edge(method: Any) -> None:
    scene = town(terrain=terrain(PIT, level_m=3.0), level_m=3.0)
    terms = profile_terms(
        (0, 0.5),
        (60, 5),
        [(0, 0), (5, 0), (12, 3), (60, 3)],
        SOFT,
        ground_method=method,
        ground_gain_behind_barriers=True,
    )
    assert terms.top is not None and terms.top.edges_m == ((12.0, 3.0),) and (terms.h_s_m, terms.h_r_m) == (0.5, 2.0)
    found = direct_db(scene, receivers_at([60, 0], 5.0), ground_method=method, ground_gain_behind_barriers=True)
    np.testing.assert_allclose(found, terms.a_db, atol=1e-9)


def test_a_building_is_an_obstacle_with_two_edges_and_a_hard_roof() -> None:
    scene = town(houses=buildings(box(30, 0, 10, 900), top=6.0))
    ground = [(0, 25, 1.0), (25, 35, 0.0), (35, 60, 1.0)]
    block = profile_terms((0, 0.5), (60, 4), PLAIN, ground, buildings=[(25, 35, 6)])
    edges = profile_terms((0, 0.5), (60, 4), PLAIN, ground, edges=[(25, 6), (35, 6)])
    np.testing.assert_array_equal(block.a_db, edges.a_db)
    assert block.top is not None and block.top.e_m == 10.0
    found = direct_db(scene, receivers_at([60, 0]), side_edges="none")
    np.testing.assert_allclose(found, block.a_db, atol=1e-9)


def test_ways_lead_round_buildings_but_not_round_hills() -> None:
    to, ways = receivers_at([60, 0], 2.0), [[(25, 10), (35, 10)], [(25, -10), (35, -10)]]
    ground = [(0, 25, 1.0), (25, 35, 0.0), (35, 60, 1.0)]
    given = {"buildings": [(25, 35, 6)], "ways_round": ways}
    terms = profile_terms((0, 0.5), (60, 2), PLAIN, ground, **given)
    house = buildings(box(30, 0, 10, 20), top=6.0)
    np.testing.assert_allclose(direct_db(town(houses=house), to), terms.a_db, atol=1e-8)
    ridge = bank([-400.0, 400.0], [(45.0, 0.0), (46.0, 4.0), (47.0, 0.0)])
    hill = [(0, 0), (45, 0), (46, 4), (47, 0), (60, 0)]
    blocked = profile_terms((0, 0.5), (60, 2), hill, ground, buildings=[(25, 35, 6)])
    found = direct_db(town(houses=house, terrain=terrain(ridge)), to)
    np.testing.assert_allclose(found, blocked.a_db, atol=1e-8)


def test_ground_takes_the_direction_of_the_other_edge() -> None:
    hill = [(0, 0), (20, 0), (21, 4), (22, 0), (60, 0)]
    beside = profile_terms((0, 0.5), (60, 2), hill, SOFT, edges=[Edge(40, 4, angle_deg=50)]).top
    both = profile_terms(
        (0, 0.5), (60, 2), PLAIN, SOFT, edges=[Edge(21, 4, angle_deg=50), Edge(40, 4, angle_deg=50)]
    ).top
    assert beside is not None and both is not None
    assert (beside.z_m, beside.e_m, beside.a_m) == pytest.approx((both.z_m, both.e_m, both.a_m))
    alone = profile_terms((0, 0.5), (60, 2), hill, SOFT).top
    assert alone is not None and alone.a_m == 0.0


def test_least_dimension_against_numbers_of_the_german_law() -> None:
    """The condition of 7.5 is Gl. 27 of 16. BImSchV, Annex 2, for which these numbers were computed."""
    np.testing.assert_allclose(least_dimension_m(10, 30), [9.0, 6.4, 4.5, 3.2, 2.3, 1.6, 1.1, 0.8], atol=0.05)
    np.testing.assert_allclose(least_dimension_m(10, 30, 60.0), 2 * least_dimension_m(10, 30))


def test_a_facade_reflects_what_it_does_not_absorb() -> None:
    """Image source at x = -40, rho where it is above 0.2."""
    absorbed = np.linspace(0.0, 0.9, 8)
    house = buildings(box(-30, 0, 20, 400), top=20.0)
    scene = town(houses=replace(house, absorption=absorbed[np.newaxis]))
    found = loss(scene, receivers_at([50, 30]))
    length, incidence = np.hypot(90, 30), float(np.degrees(np.arctan2(30, 90)))
    wall = Wall(length * 2 / 9, 20, 0, 400, tuple(1 - absorbed), incidence)
    terms = profile_terms((0, 0.5), (length, 4), PLAIN, SOFT, walls=[wall])
    free = profile_terms((0, 0.5), (length, 4), PLAIN, SOFT)
    with np.errstate(divide="ignore"):
        lost = np.where(1 - absorbed > 0.2, -10 * np.log10(1 - absorbed), np.inf)
    np.testing.assert_allclose(terms.a_db, free.a_db + lost)
    np.testing.assert_allclose(terms.symbols()["-10 lg rho"], lost, atol=1e-12)
    there = found.reflected
    assert there is not None and there.length_m.tolist() == pytest.approx([length])
    assert there.phi_deg[0] == pytest.approx(90 - incidence)
    with np.errstate(divide="ignore"):
        np.testing.assert_allclose(-10 * np.log10(there.transfer[0, 0, 0]), terms.a_db, atol=1e-9)


@pytest.mark.parametrize(("reflecting", "rho"), [([True], 1.0), ([False], 0.4), (None, 0.4)])
def test_barriers_of_unknown_absorption(reflecting: Any, rho: float) -> None:
    barrier = replace(walls([[-20, -200], [-20, 200]], top=6.0), reflecting=reflecting and np.array(reflecting))
    found = reflected_db(town(barriers=barrier), receivers_at([50, 0]))
    terms = profile_terms((-40, 0.5), (50, 4), PLAIN, SOFT, walls=[Wall(-20, 6, 0, rho=rho)])
    assert 0 < np.isfinite(found).sum() < 8
    np.testing.assert_allclose(found, terms.a_db, atol=1e-9)
    known = replace(barrier, absorption=np.full((1, 8), 0.3))
    other = profile_terms((-40, 0.5), (50, 4), PLAIN, SOFT, walls=[Wall(-20, 6, 0, rho=0.7)])
    np.testing.assert_allclose(reflected_db(town(barriers=known), receivers_at([50, 0])), other.a_db, atol=1e-9)


def test_the_path_must_meet_the_wall_between_foot_and_top() -> None:
    to = receivers_at([50, 0])
    for top, foot, met in ((2.0, 0.0, True), (1.2, 0.0, False), (9.0, 1.5, False)):
        scene = whole(town(houses=buildings(box(-30, 0, 20, 400), top=top)))
        scene = replace(scene, buildings=replace(scene.buildings, base_z_m=np.array([foot])))
        assert np.isfinite(reflected_db(scene, to)[-1]) == met
        terms = profile_terms((-40, 0.5), (50, 4), PLAIN, SOFT, walls=[Wall(-20, top, foot)])
        assert np.isfinite(terms.a_db[-1]) == met
    bent = profile_terms((-40, 0.5), (50, 4), PLAIN, SOFT, edges=[(-30, 4)], walls=[Wall(-20, 3.8, 0)])
    assert np.isinf(bent.a_db[-1])
    bent = profile_terms((-40, 0.5), (50, 4), PLAIN, SOFT, edges=[(-30, 4)], walls=[Wall(-20, 4.2, 0)])
    assert np.isfinite(bent.a_db[-1])


def test_order_reach_and_the_own_facade() -> None:
    scene = whole(town(houses=buildings(box(-30, 0, 20, 800), box(80, 0, 20, 800), top=20.0)))
    to = receivers_at([50, 0])
    lengths = [sorted(loss(scene, to, reflection_order=k).reflected.length_m.round(6).tolist()) for k in (1, 2, 3)]
    assert lengths[0] == [90, 90] and lengths[1] == [90, 90, 130, 230] and len(lengths[2]) == 6
    off = loss(scene, to, reflection_order=0)
    assert off.reflected is None and off.left_out is None
    np.testing.assert_array_equal(off.transfer, loss(scene, to).transfer)
    near = loss(scene, to, reflection_reach=1.5)
    everything = loss(scene, to).reflected.transfer[:, 0, 0].sum(axis=0).max()
    assert near.reflected is None and everything <= near.left_out[0, 0] <= 10 * everything
    at_wall = Receivers(to.ids, np.array([[69.9, 0.0, 4.0]]), np.array([7]))
    assert len(loss(scene, at_wall).reflected.receiver) == 1
    assert len(loss(scene, Receivers(to.ids, at_wall.xyz_m)).reflected.receiver) == 2


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"buildings": [(20, 10, 5)]}, "from x, to x, z of the top"),
        ({"walls": [Wall(60, 5, 0)]}, "wall at 60 m: must stand"),
        ({"walls": [Wall(20, 5, 0, rho=1.1)]}, "rho from 0 to 1"),
        ({"walls": [Wall(20, 5, 0, incidence_deg=90)]}, "0 to below 90 degrees"),
    ],
)
def test_walls_and_blocks_that_make_no_sense_are_refused(change: dict[str, Any], message: str) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        profile_terms((0, 0.5), (50, 4), [(0, 0), (50, 0)], SOFT, **change)


def test_notes_and_statement_say_what_acts() -> None:
    def words(scene: Any, **options: Any) -> str:
        return " ".join(note.text for note in CALCULATOR.notes(whole(scene), Iso9613Options(**options)))

    house = town(houses=buildings(box(30, 0, 10, 20)))
    assert "hard roof" in words(house) and "A wall reflects where" in words(house) and "is a plain" in words(house)
    assert "come out too low" in words(house, reflection_order=0)
    assert "levels jump" in words(town(terrain=terrain(PIT)))
    assert "reflects" not in words(town())
    texts = [CALCULATOR.statement(Iso9613Options(reflection_order=k)) for k in range(4)]
    for text, part in zip(texts, ("are not included", "reflect once", "up to twice", "up to three times"), strict=True):
        assert part in text

"""What must hold for propagation through vertical cuts, on sites with terrain, earthworks, buildings and walls."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from lineside.contracts import PathLoss
from lineside.scene.model import Air, Raster
from lineside_plugins.eu_propagation import EuPropagation, EuPropagationOptions, air_absorption_db_per_km, calculator
from town import bank, box, buildings, hills, points_at, random_town, receivers_at, terrain, town, walls

EU = EuPropagation()
OPTIONS = EuPropagationOptions()
DIRECT = EuPropagationOptions(reflection_order=0)
HEIGHTS = np.array([0.5, 4.0])


def loss(scene: Any, points: Any, receivers: Any, options: Any = OPTIONS, heights: Any = HEIGHTS) -> PathLoss:
    scene.air, scene.forms, scene.tracks = Air(15.0, 70.0, 101.325), (), ()
    return EU.path_loss(scene, points, np.asarray(heights, dtype=float), receivers, options)


def loss_db(scene: Any, points: Any, receivers: Any, options: Any = DIRECT, heights: Any = HEIGHTS) -> np.ndarray:
    return -10 * np.log10(loss(scene, points, receivers, options, heights).transfer)


def valley(z_m: Any, step_m: float = 5.0) -> Raster:
    """Heights along x from -100 m, the same for all y."""
    z = np.asarray(z_m, dtype=float)
    return Raster(-100.0, -500.0, step_m, np.tile(z, (int(1000 / step_m), 1)))


def place(x: float, z: float) -> Any:
    return receivers_at([[x, 0.0]], z)


@pytest.mark.parametrize("distance", [30.0, 300.0])
def test_free_field_between_two_mountains(distance: float) -> None:
    """Deep below the path the ground gives 0 dB over porous ground: spreading and air remain."""
    z = np.where(np.abs(np.arange(201) * 5.0 - 100 - 500) < 480, -200.0, 0.0)
    found = loss_db(
        town(terrain=terrain(raster=valley(z))),
        points_at([[300.0, 0.0]], 0.0),
        place(300.0 + distance, 100.0),
        heights=[100],
    )
    air = air_absorption_db_per_km() * distance / 1000
    np.testing.assert_allclose(found[0, 0, 0], np.tile(20 * np.log10(distance) + 11 + air, (2, 1)), atol=1e-9)


@pytest.mark.parametrize("slope", [0.0, 0.1, -0.3])
def test_a_hard_plane_adds_3_db_however_it_slopes(slope: float) -> None:
    z = slope * (np.arange(201) * 5.0 - 100.0)
    points = replace(points_at([[0.0, 0.0]], 0.3), ground_g=np.zeros(1))
    found = loss_db(town(terrain=terrain(raster=valley(z)), default_g=0.0), points, place(60.0, 60 * slope + 4.0))
    for h, height in enumerate(HEIGHTS):
        d = np.hypot(60.0, 60 * slope + 4.0 - 0.3 - height)
        expected = 20 * np.log10(d) + 11 + air_absorption_db_per_km() * d / 1000 - 3
        np.testing.assert_allclose(found[0, 0, h, 0], expected, atol=1e-9)


@settings(max_examples=15, deadline=None)
@given(st.floats(15.0, 120.0), st.floats(0.5, 20.0), st.floats(0.5, 20.0), st.floats(0.2, 12.0), st.floats(0.2, 0.8))
def test_both_ways_are_alike_over_hard_ground(distance: float, z_s: float, z_r: float, top: float, at: float) -> None:
    """Homogeneous: a house and a barrier between two points may be passed from either end.

    Unless the ray grazes the roof from end to end: then either of its edges has the largest path difference.
    """
    assume(max(abs(top - z_s), abs(top - z_r)) > 0.01)
    x = at * distance
    scene = town(
        houses=buildings(box(x, 0.0, 4.0, 60.0), top=top),
        barriers=walls([[0.9 * x - 2.0, -20.0], [0.9 * x - 2.0, 20.0]], top=0.8 * top),
        default_g=0.0,
    )
    there, back = points_at([[0.0, 0.0]], 0.0), points_at([[distance, 0.0]], 0.0)
    hard = np.zeros(1)
    one = loss_db(scene, replace(there, ground_g=hard), place(distance, z_r), heights=[z_s])
    two = loss_db(scene, replace(back, ground_g=hard), place(0.0, z_s), heights=[z_r])
    np.testing.assert_allclose(one[..., 0, :], two[..., 0, :], atol=1e-6)


@pytest.mark.parametrize("kind", ["barrier", "house", "bank"])
def test_an_edge_that_grows_into_the_ray_changes_nothing_suddenly(kind: str) -> None:
    """From just below the straight ray to just above it; over porous ground, in both states."""

    def site(top: float) -> Any:
        if kind == "barrier":
            return town(barriers=walls([[12.0, -60.0], [12.0, 60.0]], top=top))
        if kind == "house":
            return town(houses=buildings(box(14.0, 0.0, 4.0, 120.0), top=top))
        across = [(8.0, 0.0), (12.0, top), (14.0, top), (18.0, 0.0)]
        return town(terrain=terrain(bank([-60, 60], across)))

    points, to = points_at([[0.0, 0.0]], 0.0), place(50.0, 6.0)
    ray = 2.0 + 4.0 * 12.0 / 50.0
    below, above = (loss_db(site(ray + step), points, to, heights=[2.0]) for step in (-1e-6, 1e-6))
    np.testing.assert_allclose(below, above, atol=2e-3)
    assert np.all(loss_db(site(ray + 1.0), points, to, heights=[2.0]) > below + 0.5)


def test_a_wall_of_a_house_and_a_barrier_on_it_are_one_edge() -> None:
    house = buildings(box(20.0, 0.0, 6.0, 80.0), top=5.0)
    alone = town(houses=house)
    with_barrier = town(houses=house, barriers=walls([[17.0, -30.0], [17.0, 30.0]], top=5.0))
    points, to = points_at([[0.0, 0.0]], 0.3), place(60.0, 4.0)
    np.testing.assert_allclose(loss_db(with_barrier, points, to), loss_db(alone, points, to), atol=1e-9)


def test_two_steps_of_ground_in_one_place_are_one_edge() -> None:
    sharp = terrain(bank([-90, 90], [(10.0, 0.0), (10.0, 3.0), (10.0, 3.0), (30.0, 3.0), (30.0, 0.0)]))
    once = terrain(bank([-90, 90], [(10.0, 0.0), (10.0, 3.0), (30.0, 3.0), (30.0, 0.0)]))
    points, to = points_at([[0.0, 0.0]], 0.3), place(60.0, 4.0)
    found = [loss_db(town(terrain=ground), points, to) for ground in (sharp, once)]
    np.testing.assert_allclose(found[0], found[1], atol=1e-9)


def test_a_cutting_is_quieter_and_a_bank_without_screen_is_not() -> None:
    """Energies of all bands together, 60 m away: edges of the cutting stand in the way."""
    levels = {}
    for z in (-5.0, 0.0, 5.0):
        across = [(-10.0 - abs(z), 0.0), (-4.0, z), (4.0, z), (10.0 + abs(z), 0.0)]
        found = loss(town(terrain=terrain(bank([-300, 300], across))), points_at([[0, 0]], z + 0.3), place(60.0, 4.0))
        levels[z] = 10 * np.log10(found.transfer[0, 0, 0, :, 2:6].sum(axis=-1))
    assert np.all(levels[-5.0] < levels[0.0] - 5.0)
    assert np.all(levels[5.0] > levels[-5.0] + 5.0)


def test_source_in_a_hollow_counts_as_lying_on_its_mean_plane() -> None:
    """Ground rises from the track on both sides: the source is below the plane, and everything stays finite."""
    z = 0.04 * np.abs(np.arange(201) * 5.0 - 100.0)
    found = loss(town(terrain=terrain(raster=valley(z))), points_at([[0, 0]], 0.1), place(60.0, 2.4 + 1.5))
    assert np.all(np.isfinite(found.transfer)) and np.all(found.transfer > 0)
    np.testing.assert_array_less(-10 * np.log10(found.transfer), 90)


@pytest.fixture(scope="module")
def village() -> tuple[Any, Any, Any]:
    across = [(-14.0, 0.0), (-5.0, 3.0), (5.0, 3.0), (14.0, 0.0)]
    ground = terrain(bank([-150, 150], across), raster=hills(3))
    scene = random_town(5, n_houses=14, terrain=ground)
    scene.barriers = replace(scene.barriers, reflecting=np.ones(len(scene.barriers.barrier), dtype=bool))
    y = np.linspace(-90, 90, 13)
    points = points_at(np.column_stack([np.zeros(13), y]), 3.3, length_m=10.0)
    rng = np.random.default_rng(2)
    return scene, points, receivers_at(rng.uniform(-95, 95, (11, 2)), rng.uniform(2, 12, 11))


def same(a: PathLoss, b: PathLoss) -> None:
    np.testing.assert_array_equal(a.transfer, b.transfer)
    assert a.reflected is not None and b.reflected is not None
    for name in ("receiver", "point", "phi_deg", "length_m", "transfer"):
        np.testing.assert_array_equal(getattr(a.reflected, name), getattr(b.reflected, name), err_msg=name)
    np.testing.assert_array_equal(a.left_out, b.left_out)


@pytest.mark.parametrize("pairs", [1, 5, 40])
def test_blocks_of_pairs_change_no_bit(pairs: int, village: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    options = EuPropagationOptions(reflection_least=0.05)
    whole = loss(*village, options)
    assert whole.left_out is not None and np.any(whole.left_out > 0)
    monkeypatch.setattr(calculator, "PAIRS_AT_A_TIME", pairs)
    parts = loss(*village, options)
    order = np.lexsort((parts.reflected.length_m, parts.reflected.point, parts.reflected.receiver))
    again = np.lexsort((whole.reflected.length_m, whole.reflected.point, whole.reflected.receiver))
    sort = {name: getattr(parts.reflected, name)[order] for name in parts.reflected.__dataclass_fields__}
    base = {name: getattr(whole.reflected, name)[again] for name in whole.reflected.__dataclass_fields__}
    same(
        replace(whole, reflected=replace(whole.reflected, **base)),
        replace(parts, reflected=replace(parts.reflected, **sort)),
    )


def test_threads_at_the_same_time_change_no_bit(village: Any) -> None:
    alone = loss(*village)
    with ThreadPoolExecutor(4) as pool:
        for found in pool.map(lambda _: loss(*village), range(8)):
            same(alone, found)


def test_what_is_left_out_is_bounded(village: Any) -> None:
    """All reflected paths beyond those computed carry less than ``left_out``, in every band, height and state."""
    every = loss(*village, EuPropagationOptions(reflection_least=0.0))
    some = loss(*village, EuPropagationOptions(reflection_least=0.05))
    n = len(village[2]), len(village[1])

    def carried(found: PathLoss) -> np.ndarray:
        total = np.zeros((*n, 2, 2, 8))
        np.add.at(total, (found.reflected.receiver, found.reflected.point), found.reflected.transfer)
        return total

    missing = (carried(every) - carried(some)).max(axis=(2, 3, 4))
    assert np.any(missing > 0) and np.all(missing <= some.left_out * (1 + 1e-9))
    assert np.all(every.left_out == 0)


@pytest.mark.parametrize("order", [0, 1, 2])
@pytest.mark.parametrize("default_g", [0.0, 0.4, 1.0])
def test_nothing_exceeds_the_largest_transfer(order: int, default_g: float, village: Any) -> None:
    scene, points, receivers = village
    scene = SimpleNamespace(**vars(scene))
    scene.ground = replace(scene.ground, default_g=default_g)
    options = EuPropagationOptions(reflection_order=order, piece_ratio=0.5)
    found = loss(scene, points, receivers, options)
    total = found.transfer.copy()
    if found.reflected is not None:
        np.add.at(total, (found.reflected.receiver, found.reflected.point), found.reflected.transfer)
    step = receivers.xyz_m[:, None, :2] - points.xyz_m[:, :2]
    bound = EU.most_transfer(scene, np.linalg.norm(step, axis=-1), options)
    assert bound is not None and bound.shape == (*step.shape[:2], 8)
    assert np.all(total <= bound[:, :, None, None, :])


def test_the_bound_over_flat_porous_ground_is_spreading_and_air() -> None:
    scene = town()
    scene.air, scene.forms, scene.tracks = Air(15.0, 70.0, 101.325), (), ()
    bound = EU.most_transfer(scene, np.array([100.0, 1000.0]), EuPropagationOptions(piece_ratio=0.2))
    d = np.array([90.0, 900.0])[:, None]
    np.testing.assert_allclose(-10 * np.log10(bound), 20 * np.log10(d) + 11 + air_absorption_db_per_km() * d / 1000)


def test_reflection_from_one_wall_is_the_sound_of_an_image() -> None:
    """A long high house beside the track, hard flat ground: the image stands 2 x 20 m further away."""
    scene = town(houses=buildings(box(-25.0, 0.0, 10.0, 400.0), top=60.0), default_g=0.0)
    points = replace(points_at([[0.0, 0.0]], 0.0), ground_g=np.zeros(1))
    found = loss(scene, points, place(30.0, 4.0)).reflected
    assert found is not None and found.point.tolist() == [0] and found.length_m == pytest.approx([70.0])
    assert found.phi_deg == pytest.approx([90.0])
    for h, height in enumerate(HEIGHTS):
        d = np.hypot(70.0, 4.0 - height)
        expected = 20 * np.log10(d) + 11 + air_absorption_db_per_km() * d / 1000 - 3 - 10 * np.log10(0.9)
        np.testing.assert_allclose(-10 * np.log10(found.transfer[0, h, 0]), expected, atol=1e-6)


@pytest.mark.parametrize(("top", "width", "n"), [(0.45, 60.0, 0), (0.55, 60.0, 1), (8.0, 0.4, 0), (8.0, 0.6, 1)])
def test_walls_below_half_a_metre_do_not_reflect(top: float, width: float, n: int) -> None:
    scene = town(houses=buildings(box(-25.0, 0.0, 10.0, width), top=top))
    found = loss(scene, points_at([[0.0, 0.0]], 0.0), place(30.0, 0.4)).reflected
    assert found is not None and len(found.point) == n


def test_loss_over_the_top_of_a_wall_grows_steadily_as_it_sinks() -> None:
    """From a wall far above the ray to one far below it: no jump where the ray leaves the wall."""
    points, to = points_at([[0.0, 0.0]], 0.0), place(30.0, 4.0)
    last = None
    for top in np.linspace(8.0, 0.6, 300):
        found = loss(town(houses=buildings(box(-25.0, 0.0, 10.0, 300.0), top=top)), points, to, heights=[2.0]).reflected
        lost = -10 * np.log10(found.transfer[0, 0, 0])
        if last is not None:
            assert np.all(lost >= last - 1e-9) and np.all(lost < last + 2.5)
        last = lost


def test_a_facade_does_not_reflect_to_its_own_receiver() -> None:
    scene = town(houses=buildings(box(25.0, 0.0, 10.0, 40.0), top=9.0))
    to = receivers_at([[19.9, 0.0]], 4.0)
    points = points_at([[0.0, 0.0]], 0.3)
    assert len(loss(scene, points, to).reflected.point) == 1
    assert len(loss(scene, points, replace(to, wall=np.array([3]))).reflected.point) == 0

"""Vertical cuts: profiles, ground, edges, ways round and mirrors along paths."""

from __future__ import annotations

import threading
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
import shapely

from lineside.scene.cuts import (
    BARRIER,
    BUILDING,
    COSINE,
    EDGES_TO,
    GROUND_TO,
    INCIDENCE_COSINE,
    KIND,
    LENGTH,
    MIRROR_BASE_Z,
    MIRROR_PLACE,
    MIRROR_TOP_Z,
    MIRROR_WIDTH,
    MIRRORS_TO,
    OWNER,
    PLACE,
    PROFILE_TO,
    REFLECTOR,
    SHARE,
    SINE,
    TOP_Z,
    TRACK_COSINE,
    TRACK_SINE,
    WAYS,
    WIDTH,
    Mirrors,
    VerticalCuts,
    vertical_cuts,
)
from lineside.scene.earthworks import CrossSections, breaks_of, strips_of
from lineside.scene.model import Raster, Terrain
from lineside.scene.reflectors import reflectors_of
from town import (
    bank,
    box,
    buildings,
    hills,
    points_at,
    random_town,
    receivers_at,
    terrain,
    town,
    walls,
)


def cuts(scene: Any, sources: Any, to: Any, **more: Any) -> VerticalCuts:
    points = sources if hasattr(sources, "xyz_m") else points_at(sources)
    receivers = to if hasattr(to, "xyz_m") else receivers_at(to)
    return vertical_cuts(scene, points, receivers, **{"nearest_m": 1.0, "roof_g": 0.0, **more})


def rows(found: VerticalCuts, k: int) -> tuple[Any, Any, Any, Any]:
    """Profile, ground, edges and mirrors of path k."""
    parts = []
    for table, column in (("profile", PROFILE_TO), ("ground", GROUND_TO), ("edge", EDGES_TO), ("mirror", MIRRORS_TO)):
        low = int(found.path[k - 1, column]) if k else 0
        parts.append(getattr(found, table)[low : int(found.path[k, column])])
    return parts[0], parts[1], parts[2], parts[3]


def bends(profile: Any) -> Any:
    """A profile without the points that lie on the line between their neighbours."""
    kept = [profile[0]]
    for point, after in pairwise(profile[1:]):
        if abs(np.linalg.det([point - kept[-1], after - kept[-1]])) > 1e-9:
            kept.append(point)
    return np.array([*kept, profile[-1]])


def test_free_paths_of_all_pairs() -> None:
    found = cuts(town(level_m=2.0), [[0, 0], [0, 10], [30, 0]], [[40, 30], [30, 0.2]])
    assert found.first.tolist() == [0, 1, 2, 3, 4, 5, 6]
    step = np.array([[40, 30], [40, 20], [10, 30], [30, 0.2], [30, -9.8], [0, 0.2]])
    length = np.hypot(*step.T)
    np.testing.assert_allclose(found.path[:, LENGTH], np.maximum(length, 1.0))
    np.testing.assert_allclose(found.path[:, TRACK_SINE], step[:, 0] / length)
    assert np.all(found.path[:, SHARE] == 1.0) and np.all(np.isinf(found.path[:, WAYS:TRACK_COSINE]))
    np.testing.assert_allclose(found.path[:, TRACK_COSINE], step[:, 1] / length)
    assert found.path[:, PROFILE_TO].tolist() == [2, 4, 6, 8, 10, 12]
    assert found.path[:, GROUND_TO].tolist() == [1, 2, 3, 4, 5, 6] and not found.path[:, EDGES_TO:WAYS].any()
    for k in range(6):
        np.testing.assert_allclose(rows(found, k)[0], [[0, 2], [found.path[k, LENGTH], 2]])
        np.testing.assert_allclose(rows(found, k)[1], [[found.path[k, LENGTH], 1.0]])
    assert found.edge.shape == (0, 7) and found.mirror.shape == (0, 6) and not found.left_out.any()


def test_a_house_gives_two_edges_and_its_own_ground() -> None:
    scene = town(houses=buildings(box(30, 0, 10, 20), box(30, 80, 4, 4)), areas=[(0.5, box(20, 0, 10, 10))])
    profile, ground, edge, _ = rows(found := cuts(scene, [0, 0], [50, 0], roof_g=0.2), 0)
    np.testing.assert_allclose(profile, [[0, 0], [50, 0]])
    np.testing.assert_allclose(ground, [[15, 1], [25, 0.5], [35, 0.2], [50, 1]])
    np.testing.assert_allclose(edge[:, [PLACE, TOP_Z, WIDTH, SINE]], [[25, 8, 20, 1], [35, 8, 20, 1]])
    assert edge[:, KIND].tolist() == [BUILDING] * 2 and edge[:, OWNER].tolist() == [0, 0]
    way = np.hypot(25, 10) + 10 + np.hypot(15, 10) - 50
    np.testing.assert_allclose(found.path[0, WAYS:TRACK_COSINE], [way, 10, way, 10, *[np.hypot(25, 10)] * 2])
    _, ground, edge, _ = rows(cuts(scene, [0, 0], [30, 0], roof_g=0.2), 0)
    np.testing.assert_allclose(ground[-1], [30, 0.2])
    assert edge[:, PLACE].tolist() == [25]


def test_edges_against_shapely() -> None:
    """Houses and barriers that cross the line, under the roofs and in ground areas the lengths that shapely finds."""
    scene = random_town(3)
    rng = np.random.default_rng(4)
    sources, to = rng.uniform(-120, 120, (30, 2)), rng.uniform(-120, 120, (30, 2))
    found = cuts(scene, sources, to, roof_g=-1.0)
    houses = [shapely.Polygon(scene.buildings.xy_m[a:b]) for a, b in pairwise(scene.buildings.start)]
    grounds = [shapely.Polygon(scene.ground.xy_m[a:b]) for a, b in pairwise(scene.ground.start)]
    roofs = shapely.union_all(houses)
    assert len(found.path) == 900
    for k, (r, s) in enumerate((r, s) for r in to for s in sources):
        line, want = shapely.LineString([s, r]), []
        for owner, house in enumerate(houses):
            cut = line.intersection(house.exterior)
            want += [(line.project(p), BUILDING, owner) for p in getattr(cut, "geoms", [cut]) if not p.is_empty]
        for owner, ends in enumerate(scene.barriers.xy_m):
            cut = line.intersection(shapely.LineString(ends))
            want += [(line.project(cut), BARRIER, owner)] if not cut.is_empty else []
        _, ground, edge, _ = rows(found, k)
        np.testing.assert_allclose(edge[:, [PLACE, KIND, OWNER]], np.array(sorted(want)).reshape(-1, 3), atol=1e-9)
        tops = [scene.buildings.top_z_m[int(o)] if kind == BUILDING else 3.0 for kind, o in edge[:, [KIND, OWNER]]]
        np.testing.assert_allclose(edge[:, TOP_Z], tops)
        lengths = np.diff(ground[:, 0], prepend=0.0)
        assert lengths[ground[:, 1] == -1.0].sum() == pytest.approx(line.intersection(roofs).length, abs=1e-9)
        above = roofs
        for g, area in reversed([(0.1 * i, a) for i, a in enumerate(grounds)]):
            mine = lengths[ground[:, 1] == g].sum()
            assert mine == pytest.approx(line.intersection(area).difference(above).length, abs=1e-9)
            above = above.union(area)


def test_profile_follows_the_raster() -> None:
    raster = Raster(-10.0, -10.0, 10.0, np.add.outer(np.arange(6.0), 2 * np.arange(12.0)))  # z = 3 + x/5 + y/10
    found = cuts(town(terrain=terrain(raster=raster)), [0, 0], [75, 30])
    profile = rows(found, 0)[0]
    length = np.hypot(75, 30)
    np.testing.assert_allclose(profile[:, 0], np.linspace(0, length, 10))
    np.testing.assert_allclose(profile[:, 1], 3 + 18 * profile[:, 0] / length)


BANK = [(-12.0, 0.0), (-4.0, 4.0), (4.0, 4.0), (12.0, 0.0)]


def test_profile_of_a_bank_on_a_plain() -> None:
    scene = town(terrain=terrain(bank([-50.0, 0.0, 50.0], BANK, g=[np.nan, 0.3, np.nan])))
    profile, ground, _, _ = rows(cuts(scene, [0, 10], [40, 10]), 0)
    np.testing.assert_allclose(bends(profile), [[0, 4], [4, 4], [12, 0], [40, 0]])
    np.testing.assert_allclose(ground, [[4, 0.3], [40, 1]])
    profile, ground, _, _ = rows(cuts(scene, [-40, -10], [40, 10]), 0)
    stretch = np.hypot(80, 20) / 80
    np.testing.assert_allclose(
        bends(profile),
        [[0, 0], [28 * stretch, 0], [36 * stretch, 4], [44 * stretch, 4], [52 * stretch, 0], [80 * stretch, 0]],
    )
    np.testing.assert_allclose(ground, np.array([[36, 1], [44, 0.3], [80, 1]]) * [stretch, 1])
    profile = rows(cuts(scene, [0, 40], [0, 90]), 0)[0]  # out at its end, a vertical face
    np.testing.assert_allclose(bends(profile), [[0, 4], [10, 4], [10, 0], [50, 0]])


def test_vertical_faces_in_both_directions() -> None:
    """A retaining wall on the right: two lines at one place."""
    section = [(-12.0, 0.0), (-4.0, 4.0), (4.0, 4.0), (4.0, 0.0)]
    scene = town(terrain=terrain(bank([-50.0, 50.0], section)))
    np.testing.assert_allclose(rows(cuts(scene, [0, 3], [9, 3]), 0)[0], [[0, 4], [4, 4], [4, 0], [9, 0]])
    np.testing.assert_allclose(rows(cuts(scene, [9, 3], [0, 3]), 0)[0], [[0, 0], [5, 0], [5, 4], [9, 4]])


def test_the_upper_of_two_earthworks_counts() -> None:
    lower = bank([-50.0, 50.0], [(-30.0, 0.0), (-20.0, 2.0), (20.0, 2.0), (30.0, 0.0)], g=[0.1, 0.2, 0.1])
    upper = bank([-20.0, 20.0], [(-5.0, 2.0), (-1.0, 4.0), (1.0, 4.0), (5.0, 2.0)])
    scene = town(terrain=terrain(lower, upper))
    profile, ground, _, _ = rows(cuts(scene, [-40, 0], [40, 0]), 0)
    np.testing.assert_allclose(
        bends(profile), [[0, 0], [10, 0], [20, 2], [35, 2], [39, 4], [41, 4], [45, 2], [60, 2], [70, 0], [80, 0]]
    )
    np.testing.assert_allclose(ground, [[10, 1], [20, 0.1], [35, 0.2], [45, 1], [60, 0.2], [70, 0.1], [80, 1]])


def test_a_deck_counts_for_what_stands_on_it() -> None:
    deck = bank([-50.0, 50.0], [(-3.0, 8.0), (3.0, 8.0)], g=[0.0])
    scene = town(terrain=terrain(deck, over=[True]))
    on_deck = points_at([0, 0], z=8.5)
    profile, ground, _, _ = rows(cuts(scene, on_deck, [20, 0]), 0)
    np.testing.assert_allclose(bends(profile), [[0, 8], [3, 8], [3, 0], [20, 0]])
    np.testing.assert_allclose(ground, [[3, 0.0], [20, 1.0]])
    for source in (points_at([0, 0], z=0.5), points_at([-20, 0], z=0.5)):
        profile, ground, _, _ = rows(cuts(scene, source, [20, 0]), 0)
        np.testing.assert_allclose(profile[:, 1], 0.0)
        assert len(profile) == 2 and ground[:, 1].tolist() == [1.0]
    profile = rows(cuts(scene, points_at([-20, 0]), receivers_at([0, 0], z=9.0)), 0)[0]
    np.testing.assert_allclose(bends(profile), [[0, 0], [17, 0], [17, 8], [20, 8]])


def test_a_deck_over_a_bank() -> None:
    """The bank is numbered after the deck that leads over it."""
    deck = bank([-50.0, 50.0], [(-3.0, 8.0), (3.0, 8.0)])
    low = bank([-50.0, 50.0], [(-12.0, 0.0), (-8.0, 2.0), (8.0, 2.0), (12.0, 0.0)])
    scene = town(terrain=terrain(deck, low, over=[True, False]))
    profile = rows(cuts(scene, points_at([0, 0], z=8.5), [20, 0]), 0)[0]
    np.testing.assert_allclose(bends(profile), [[0, 8], [3, 8], [3, 2], [8, 2], [12, 0], [20, 0]])
    profile = rows(cuts(scene, points_at([0, 0], z=4.5), [20, 0]), 0)[0]
    np.testing.assert_allclose(bends(profile), [[0, 2], [8, 2], [12, 0], [20, 0]])


def test_a_long_way_on_an_earthwork_follows_its_surface() -> None:
    """A bank whose top rises by 4 m up to y = 0 and falls again, without a line across it."""
    breaks, strips = bank([-50.0, 0.0, 50.0], BANK)
    breaks.z_m[np.isclose(breaks.xy_m[:, :, 1], 0.0) & (breaks.z_m > 0)] = 8.0
    high = np.isclose(strips.xyz_m[:, :, 1], 0.0) & (strips.xyz_m[:, :, 2] > 0)
    strips.xyz_m[:, :, 2][high] = 8.0
    profile = rows(cuts(town(terrain=terrain((breaks, strips))), [1, -45], [1, 45]), 0)[0]
    assert np.diff(profile[:, 0]).max() <= 10.0 and len(profile) == 10
    np.testing.assert_allclose(profile[:, 1], 8.0 - 0.08 * abs(profile[:, 0] - 45.0))


def test_raster_samples_within_an_earthwork_are_dropped() -> None:
    raster = Raster(-100.0, -100.0, 5.0, np.full((41, 41), 1.0))
    scene = town(terrain=terrain(bank([-50.0, 50.0], BANK), raster=raster))
    profile = rows(cuts(scene, [-30, 0], [30, 0]), 0)[0]
    at = [0, 5, 10, 15, 18, 18, 26, 34, 42, 42, 45, 50, 55, 60]
    z = [1, 1, 1, 1, 1, 0, 4, 4, 0, 1, 1, 1, 1, 1]
    np.testing.assert_allclose(profile, np.column_stack([at, z]))


def test_edges_that_do_not_rise_above_the_ground_are_left_out() -> None:
    scene = town(
        terrain=terrain(bank([-50.0, 50.0], BANK)),
        barriers=walls([[4, -9], [4, 9]], [[8, -9], [8, 9]], [[20, -9], [20, 9]]),
        houses=buildings(box(-30, 0, 4, 4), top=0.0),
    )
    edge = rows(cuts(scene, [-60, 0], [60, 0]), 0)[2]
    np.testing.assert_allclose(edge[:, PLACE], [68, 80])


def test_touching_houses_are_one_obstacle() -> None:
    apart = town(houses=buildings(box(10, 0, 4, 10), box(10, 10.5, 4, 10)))
    row = town(houses=buildings(box(10, 0, 4, 10), box(10, 10, 4, 10)))
    one, both = (cuts(scene, [0, 0], [20, 0]) for scene in (apart, row))
    assert one.edge[:, WIDTH].tolist() == [10, 10] and both.edge[:, WIDTH].tolist() == [20, 20]
    assert both.path[0, WAYS] == pytest.approx(2 * np.hypot(8, 15) + 4 - 20)


def test_reflectors_are_sides_in_the_order_of_corners_then_barriers() -> None:
    scene = town(
        houses=buildings(box(0, 0, 2, 2), [[9, 0], [12, 0], [9, 4]]), barriers=walls([[0, 9], [5, 9], [5, 12]])
    )
    found = reflectors_of(scene)
    assert found.building.tolist() == [0, 0, 0, 0, 1, 1, 1, -1, -1]
    assert found.barrier.tolist() == [-1] * 7 + [0, 0]
    np.testing.assert_allclose(found.xy_m[:2], [[[-1, -1], [1, -1]], [[1, -1], [1, 1]]])
    np.testing.assert_allclose(found.xy_m[6], [[9, 4], [9, 0]])
    np.testing.assert_allclose(found.top_z_m[:, 0], [8] * 7 + [3] * 2)
    assert np.all(np.isnan(found.absorption[7:])) and np.all(found.absorption[:7] == 0.1)


def test_a_reflected_path() -> None:
    """Source at (0, 0), receiver at (40, 0), a facade along y = 15: the path meets it at (20, 15)."""
    scene = town(
        houses=buildings(box(20, 20, 16, 10), top=9.0),
        areas=[(0.5, box(30, 0, 10, 60))],
        barriers=walls([[10, 5], [10, 10]]),
    )
    found = cuts(scene, [0, 0], [40, 0], mirrors=Mirrors())
    assert found.first.tolist() == [0, 2]
    assert found.path[1, [SHARE, LENGTH]].tolist() == [1.0, 50.0] and found.path[1, TRACK_SINE] == pytest.approx(0.8)
    assert np.all(np.isinf(found.path[1, WAYS:TRACK_COSINE]))
    profile, ground, edge, mirror = rows(found, 1)
    np.testing.assert_allclose(profile, [[0, 0], [25, 0], [50, 0]])
    np.testing.assert_allclose(ground, [[31.25, 1], [43.75, 0.5], [50, 1]])
    np.testing.assert_allclose(edge[:, [PLACE, TOP_Z, SINE, COSINE]], [[12.5, 3, 0.8, 0.6]])
    np.testing.assert_allclose(mirror, [[25, 9, 0, 0.6, 16, 0]])
    facade = cuts(scene, [0, 0], receivers_at([40, 0], wall=[0]), mirrors=Mirrors())
    assert facade.first.tolist() == [0, 1]


def test_what_is_left_out_is_summed_up() -> None:
    scene = town(houses=buildings(box(20, 20, 16, 10)))
    least = (40 / 50) ** 2
    assert cuts(scene, [0, 0], [40, 0], mirrors=Mirrors(1, least - 1e-9)).left_out.tolist() == [0.0]
    found = cuts(scene, [0, 0], [40, 0], mirrors=Mirrors(1, least + 1e-9))
    assert found.first.tolist() == [0, 1] and found.left_out[0] == pytest.approx(1 / 2500)


def test_a_wall_against_which_a_house_stands_does_not_reflect() -> None:
    for top, n in ((9.0, 1), (5.0, 2)):
        scene = town(houses=buildings(box(20, 20, 16, 10), box(20, 12.5, 16, 5), top=[8.0, top]))
        found = cuts(scene, [0, 0], [40, 0], mirrors=Mirrors())
        assert len(found.path) == 1 + n


def test_two_mirrors_of_a_street() -> None:
    """Between facades at y = -5 and y = 5 the image of order n lies 10 m further off each time."""
    scene = town(houses=buildings(box(20, 10, 100, 10), box(20, -10, 100, 10)))
    found = cuts(scene, [0, 0], [40, 0], mirrors=Mirrors(order=3))
    lengths = np.hypot(40, 10.0 * np.array([1, 1, 2, 2, 3, 3]))
    np.testing.assert_allclose(found.path[1:, LENGTH], lengths)
    mirror = rows(found, 6)[3]
    np.testing.assert_allclose(mirror[:, MIRROR_PLACE], lengths[-1] * np.array([1, 3, 5]) / 6)
    assert abs(np.diff(mirror[:, REFLECTOR])).min() > 0 and np.all(mirror[:, [MIRROR_TOP_Z, MIRROR_WIDTH]] == [8, 100])
    np.testing.assert_allclose(mirror[:, INCIDENCE_COSINE], 30 / lengths[-1])
    assert not mirror[:, MIRROR_BASE_Z].any() and not len(found.edge)


def test_ends_on_outlines_and_corners() -> None:
    """On a lattice many paths start, end and run on outlines; where they do not run along one, lengths are exact."""
    ring = [[0, 0], [20, 0], [20, 10], [10, 10], [10, 20], [0, 20]]
    scene = town(houses=buildings([[30, 0], [40, 0], [40, 20], [30, 20]]), areas=[(0.5, ring)])
    lattice = np.array([[x, y] for x in range(-10, 51, 10) for y in range(-10, 31, 10)], dtype=float)
    found = cuts(scene, lattice, lattice, roof_g=-1.0)
    shapes = {0.5: shapely.Polygon(ring), -1.0: shapely.box(30, 0, 40, 20)}
    for k, (r, s) in enumerate((r, s) for r in lattice for s in lattice):
        line, ground = shapely.LineString([s, r]), rows(found, k)[1]
        lengths = np.diff(ground[:, 0], prepend=0.0)
        assert np.all(lengths > 0) and np.isin(ground[:, 1], [1.0, *shapes]).all()
        for g, shape in shapes.items():
            along = line.intersection(shape.exterior).length
            mine = lengths[ground[:, 1] == g].sum() if line.length > 0 else 0.0
            inside = line.intersection(shape).length
            assert inside - along - 1e-9 <= mine <= inside + 1e-9


def test_threads_share_a_scene() -> None:
    scene = random_town(5, terrain=terrain(raster=hills()))
    rng = np.random.default_rng(1)
    sources, to = rng.uniform(-100, 100, (20, 2)), rng.uniform(-100, 100, (20, 2))
    out: list[Any] = [None] * 4

    def work(k: int) -> None:
        out[k] = cuts(scene, sources, to, mirrors=Mirrors())

    threads = [threading.Thread(target=work, args=(k,)) for k in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    for other in out[1:]:
        for name in ("first", "path", "profile", "ground", "edge", "mirror"):
            np.testing.assert_array_equal(getattr(out[0], name), getattr(other, name))


def test_inputs_stay_as_they_were() -> None:
    scene = random_town(5)
    before = scene.buildings.xy_m.copy()
    scene.buildings.xy_m.setflags(write=False)
    cuts(scene, [0, 0], [50, 0])
    np.testing.assert_array_equal(scene.buildings.xy_m, before)


def test_a_parapet_is_in_the_way_of_what_its_deck_carries_only() -> None:
    deck = bank([-50.0, 50.0], [(-3.0, 8.0), (3.0, 8.0)])
    parapet = walls([(2.8, -50.0), (2.8, 50.0)], top=9.0, base=8.0)
    scene = town(terrain=terrain(deck, over=[True]), barriers=replace(parapet, deck=np.array([0])))
    edge = rows(cuts(scene, points_at([0, 0], z=8.5), [20, 0]), 0)[2]
    np.testing.assert_allclose(edge[:, :2], [[2.8, 9.0]])
    assert not len(rows(cuts(scene, points_at([-20, 0], z=0.5), [20, 0]), 0)[2])
    on_the_ground = town(terrain=terrain(deck, over=[True]), barriers=parapet)
    assert len(rows(cuts(on_the_ground, points_at([-20, 0], z=0.5), [20, 0]), 0)[2]) == 1


def test_before_a_terrace_the_front_of_the_neighbour_counts_as_the_own() -> None:
    """Receiver 2 m before a terrace along y = 15; the reflected path meets its front where the neighbour stands."""
    for back, n in ((0.0, 1), (0.09, 1), (0.2, 2)):
        scene = town(houses=buildings(box(15, 20, 10, 10), box(5, 20 + back, 10, 10)))
        listener = receivers_at([10.5, 13], wall=[0])
        assert len(cuts(scene, [0, 0], listener, mirrors=Mirrors()).path) == n
        assert len(cuts(scene, [0, 0], receivers_at([10.5, 13]), mirrors=Mirrors()).path) == 2
    opposite = town(houses=buildings(box(15, 20, 10, 10), box(5, -20, 10, 10)))
    assert len(cuts(opposite, [5, 0], receivers_at([10.5, 13], wall=[0]), mirrors=Mirrors()).path) == 2


def walled_cutting() -> Any:
    """A cutting along y, 5 m deep and 8 m wide between walls at x = -4 and x = 4 under a plain at z = 0."""
    y = np.array([-100.0, 0.0, 100.0])
    lines = [(-4.0, 0.0), (-4.0, -5.0), (4.0, -5.0), (4.0, 0.0)]
    xyz = np.array([[[x, at, z] for x, z in lines] for at in y])
    sections = CrossSections(y, xyz, np.full(len(lines) - 1, np.nan), np.ones((3, 2), dtype=bool), np.zeros((3, 1)))
    ground = Terrain(level_m=0.0)
    return replace(ground, breaks=breaks_of(0, sections), strips=strips_of(0, sections), over=np.array([False]))


def test_walls_of_a_cutting_throw_sound_back_into_it() -> None:
    """From the middle by the left wall to a place 30 m to the right, above the cutting: as from an image 8 m off."""
    scene = town(terrain=walled_cutting())
    every = reflectors_of(scene)
    assert len(every.building) == 2 and np.all(every.building == -1) and np.all(every.barrier == -1)
    assert np.all(np.isnan(every.absorption))
    found = cuts(scene, [0, 0], [30, 0.5], mirrors=Mirrors(1))
    assert len(found.path) == 2
    profile, _, edge, mirror = rows(found, 1)
    wall, far = np.hypot(4, 0), found.path[1, LENGTH]
    assert far == pytest.approx(np.hypot(38, 0.5), abs=0.15)
    assert mirror[0, [MIRROR_TOP_Z, MIRROR_BASE_Z]].tolist() == [0.0, -5.0]
    assert mirror[0, MIRROR_PLACE] == pytest.approx(wall, abs=0.07) and not len(edge)
    before = profile[:, 0] < far - 26.1
    assert np.all(profile[before, 1] == -5.0), "on the floor up to the wall, and back to the other one"
    assert np.all(profile[profile[:, 0] > far - 25.9, 1] == 0.0)
    for x in (-30.0, 30.0):  # the near wall turns its back to what lies beside the cutting
        beside = cuts(scene, [x, 0], [x, 20], mirrors=Mirrors(1))
        assert beside.mirror[:, MIRROR_PLACE] == pytest.approx([np.hypot(34, 10)], abs=0.1)
    assert len(cuts(scene, [0, 0], [1, 20], mirrors=Mirrors(1)).path) == 3
    assert len(cuts(scene, [0, 0], [1, 20], mirrors=Mirrors(2)).path) == 5

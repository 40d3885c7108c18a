"""Plan geometry of paths: pieces of track, ground, walls and ways round them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
import shapely
from numpy.typing import ArrayLike

from lineside.scene.model import BarrierSegments, GroundAreas, Receivers, SourcePoints
from lineside.scene.paths import (
    COSINE,
    EDGES_TO,
    GROUND_TO,
    LENGTH,
    PLACE,
    SHARE,
    SINE,
    TOP_Z,
    TRACK_SINE,
    WAYS,
    WIDTH,
    PlanPaths,
    plan_paths,
)


def ground(areas: Sequence[tuple[float, ArrayLike]] = ()) -> GroundAreas:
    rings = [np.asarray(ring, dtype=float) for _, ring in areas]
    xy = np.concatenate([np.empty((0, 2)), *rings])
    return GroundAreas(1.0, xy, np.cumsum([0, *map(len, rings)]), np.array([g for g, _ in areas], dtype=float))


def barriers(*lines: ArrayLike, top: float = 3.0) -> BarrierSegments:
    """One barrier for each polyline."""
    parts = [np.asarray(line, dtype=float) for line in lines]
    xy = np.concatenate([np.empty((0, 2, 2)), *(np.stack([p[:-1], p[1:]], axis=1) for p in parts)])
    number = np.repeat(np.arange(len(parts)), [len(p) - 1 for p in parts])
    return BarrierSegments(xy, np.full((len(xy), 2), top), np.zeros((len(xy), 2)), number)


def paths(
    sources: ArrayLike,
    to: ArrayLike,
    areas: Sequence[tuple[float, ArrayLike]] = (),
    walls: BarrierSegments | None = None,
    length_m: float = 0.0,
    floor_z_m: float = 0.0,
) -> PlanPaths:
    xy = np.asarray(sources, dtype=float).reshape(-1, 2)
    n = len(xy)
    points = SourcePoints(
        np.zeros(n, dtype=int),
        np.column_stack([xy, np.zeros(n)]),
        np.tile([0.0, 1.0], (n, 1)),
        np.full(n, length_m),
        np.ones(n),
    )
    place = np.asarray(to, dtype=float).reshape(-1, 2)
    receivers = Receivers(tuple(map(str, range(len(place)))), np.column_stack([place, np.full(len(place), 4.0)]))
    return plan_paths(points, receivers, ground(areas), walls or barriers(), floor_z_m, 1.0)


def test_free_paths_of_all_pairs() -> None:
    found = paths([[0, 0], [0, 10], [30, 0]], [[40, 30], [30, 0.2]])
    assert found.first.tolist() == [0, 1, 2, 3, 4, 5, 6]
    step = np.array([[40, 30], [40, 20], [10, 30], [30, 0.2], [30, -9.8], [0, 0.2]])
    length = np.hypot(*step.T)
    np.testing.assert_allclose(found.path[:, LENGTH], np.maximum(length, 1.0))
    np.testing.assert_allclose(found.path[:, TRACK_SINE], step[:, 0] / length)
    assert np.all(found.path[:, SHARE] == 1.0) and np.all(np.isinf(found.path[:, WAYS:]))
    assert found.path[:, GROUND_TO].tolist() == [1, 2, 3, 4, 5, 6] and not found.path[:, EDGES_TO].any()
    np.testing.assert_allclose(found.ground, np.column_stack([found.path[:, LENGTH], np.ones(6)]))
    assert found.edge.shape == (0, 5)


def test_ground_pieces_follow_polygons_in_their_order() -> None:
    areas = [(0.3, [[10, -50], [40, -50], [40, 150], [10, 150]]), (0.0, [[30, 150], [60, 150], [60, -50], [30, -50]])]
    found = paths([0, 0], [80, 60], areas)
    np.testing.assert_allclose(found.ground, [[12.5, 1], [37.5, 0.3], [50, 0], [75, 0], [100, 1]])
    inside = paths([20, 0], [35, 0], areas)
    np.testing.assert_allclose(inside.ground, [[10, 0.3], [15, 0]])


def test_edges_where_walls_are_crossed() -> None:
    """Two walls, oblique, the second with a sloping top; a low one and one beside the path do not count."""
    walls = barriers(
        [[5, -9], [5, 9]], [[30, -20], [50, 20]], [[20, -9], [20, 9]], [[60, 5], [60, 9]], [[90, -9], [90, 9]]
    )
    walls.top_z_m[1] = [2.0, 6.0]
    walls.top_z_m[2] = 0.5
    found = paths([0, 0], [80, 0], walls=walls, floor_z_m=1.0)
    np.testing.assert_allclose(found.edge[:, PLACE], [5, 40])
    np.testing.assert_allclose(found.edge[:, TOP_Z], [3, 4])
    np.testing.assert_allclose(found.edge[:, WIDTH], [18, 40])
    np.testing.assert_allclose(found.edge[:, SINE], [1, 2 / np.sqrt(5)])
    np.testing.assert_allclose(found.edge[:, COSINE], [0, 1 / np.sqrt(5)], atol=1e-15)


def test_of_two_walls_in_one_place_the_higher_counts() -> None:
    walls = barriers([[5, -9], [5, 9]], [[5, 20], [5, -20]])
    walls.top_z_m[1] = 7.0
    for order in (np.array([0, 1]), np.array([1, 0])):
        turned = BarrierSegments(walls.xy_m[order], walls.top_z_m[order], walls.base_z_m, walls.barrier[order])
        found = paths([0, 0], [80, 0], walls=turned)
        assert found.edge[:, TOP_Z].tolist() == [7.0] and found.edge[0, WIDTH] == pytest.approx(40)


def test_ways_round_both_ends() -> None:
    found = paths([0, 0], [50, 0], walls=barriers([[5, -20], [5, 8], [9, 12]]))
    left = np.hypot(5, 8) + np.hypot(4, 4) + np.hypot(41, 12) - 50
    right = np.hypot(5, 20) + np.hypot(45, 20) - 50
    np.testing.assert_allclose(found.path[0, WAYS:], [left, np.hypot(4, 4), right, 0.0])
    turned = paths([50, 0], [0, 0], walls=barriers([[5, -20], [5, 8], [9, 12]]))
    np.testing.assert_allclose(turned.path[0, WAYS:], [right, 0.0, left, np.hypot(4, 4)])


def test_a_way_round_walls_that_reach_behind_source_and_receiver() -> None:
    found = paths([0, 0], [50, 0], walls=barriers([[-10, 6], [5, 0], [20, -30]], [[60, 9], [45, -4]]))
    left = np.hypot(10, 6) + np.hypot(70, 3) + np.hypot(10, 9) - 50
    right = np.hypot(20, 30) + np.hypot(30, 30) - 50
    np.testing.assert_allclose(found.path[0, WAYS:], [left, np.hypot(70, 3), right, 0.0])


def test_barriers_that_touch_are_one_wall() -> None:
    apart = paths([0, 0], [50, 0], walls=barriers([[5, -9], [5, 2]], [[5, 2.5], [5, 30]]))
    joined = paths([0, 0], [50, 0], walls=barriers([[5, -9], [5, 2]], [[5, 30], [5, 2.004]]))
    assert apart.path[0, WAYS] == pytest.approx(np.hypot(5, 2) + np.hypot(45, 2) - 50)
    assert joined.path[0, WAYS] == pytest.approx(np.hypot(5, 30) + np.hypot(45, 30) - 50)
    assert apart.edge[0, WIDTH] == pytest.approx(11) and joined.edge[0, WIDTH] == pytest.approx(39)


def test_pieces_are_split_at_free_ends_and_where_the_ground_changes() -> None:
    """From (50, 0) the end of the wall at (10, 0.8) divides the piece from y = -4 to 4 at y = 1."""
    found = paths([0, 0], [50, 0], walls=barriers([[10, 0.8], [10, 90]]), length_m=8.0)
    np.testing.assert_allclose(found.path[:, SHARE], [5 / 8, 3 / 8])
    np.testing.assert_allclose(found.path[:, LENGTH], np.hypot(50, [-1.5, 2.5]))
    assert found.path[:, EDGES_TO].tolist() == [0, 1]
    river = [(0.0, [[1, 0], [60, 0], [60, 90], [1, 90]])]
    split = paths([0, 0], [50, 0], river, length_m=8.0)
    assert len(split.path) == 10 and split.path[:, SHARE].sum() == pytest.approx(1.0)
    assert len(paths([0, 0], [50, 0], river, length_m=0.5).path) == 1


def test_inner_corners_and_ends_behind_track_or_receiver_split_nothing() -> None:
    bent = barriers([[10, -90], [10, 0.8], [12, 90]])
    assert len(paths([0, 0], [50, 0], walls=bent, length_m=8.0).path) == 1
    behind = barriers([[-10, 0.5], [-10, 90]], [[70, 0.5], [70, 90]])
    assert len(paths([0, 0], [50, 0], walls=behind, length_m=8.0).path) == 1


def test_the_angle_of_an_edge_does_not_depend_on_how_it_was_drawn() -> None:
    found = paths([0, 0], [80, 0], walls=barriers([[5, -9], [8, 9]], [[18, 9], [15, -9]], [[28, -9], [25, 9]]))
    np.testing.assert_allclose(found.edge[:, COSINE], np.array([1, 1, -1]) / np.sqrt(37))
    np.testing.assert_allclose(found.edge[:, SINE], 6 / np.sqrt(37))


def test_a_point_under_the_receiver_is_stretched() -> None:
    found = paths([0, 0], [0, 0], [(0.2, [[-5, -5], [5, -5], [5, 5], [-5, 5]])])
    assert found.path[0, LENGTH] == 1.0
    np.testing.assert_allclose(found.ground, [[1.0, 0.2]])


def test_many_paths_against_shapely() -> None:
    rng = np.random.default_rng(5)
    sources, to = rng.uniform(-50, 50, (40, 2)), rng.uniform(-50, 50, (30, 2))
    rings = [shapely.Point(*rng.uniform(-40, 40, 2)).buffer(rng.uniform(5, 30), quad_segs=3) for _ in range(4)]
    areas = [(0.1 * k, np.array(ring.exterior.coords[:-1])) for k, ring in enumerate(rings)]
    lines = [rng.uniform(-50, 50, (rng.integers(2, 6), 2)) for _ in range(6)]
    found = paths(sources, to, areas, barriers(*lines))
    starts = np.concatenate([[[0, 0]], found.path[:, [GROUND_TO, EDGES_TO]]]).astype(int)
    wall = shapely.MultiLineString(lines)
    for k, (r, s) in enumerate((r, s) for r in to for s in sources):
        line = shapely.LineString([s, r])
        touched = line.intersection(wall)
        crossed = [line.project(p) for p in getattr(touched, "geoms", [touched]) if not p.is_empty]
        edges = found.edge[starts[k, 1] : starts[k + 1, 1]]
        np.testing.assert_allclose(edges[:, PLACE], sorted(crossed), atol=1e-9)
        pieces = found.ground[starts[k, 0] : starts[k + 1, 0]]
        for on_top, ring in ((pieces[:, 1] > 0.25, rings[3]), (pieces[:, 1] < 1.0, shapely.union_all(rings))):
            on_top &= pieces[:, 1] < 1.0
            mine = np.diff(pieces[:, 0], prepend=0.0)[on_top].sum()
            assert mine == pytest.approx(line.intersection(ring).length, abs=1e-9)


def test_inputs_stay_as_they_were() -> None:
    walls = barriers([[5, -9], [5, 9]])
    before = walls.xy_m.copy()
    walls.xy_m.setflags(write=False)
    paths([0, 0], [50, 0], walls=walls)
    np.testing.assert_array_equal(walls.xy_m, before)

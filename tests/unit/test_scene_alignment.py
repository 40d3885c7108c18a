"""Alignment: position, direction, and radii read off the shape."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from lineside.scene import alignment
from lineside.scene.alignment import Alignment, chainage_of, derive_curves


def arc(radius_m: float, angle_deg: float, chord_m: float, lead_m: float = 200.0) -> Alignment:
    """Straight, left-hand arc, straight, as a polyline."""
    n = max(2, round(np.radians(angle_deg) * radius_m / chord_m))
    a = np.radians(np.linspace(0.0, angle_deg, n + 1))
    curve = np.stack([radius_m * np.sin(a), radius_m * (1.0 - np.cos(a))], axis=-1)
    out = np.array([np.cos(a[-1]), np.sin(a[-1])])
    xy = np.concatenate([[[-lead_m, 0.0]], curve, [curve[-1] + lead_m * out]])
    xyz = np.column_stack([xy, np.zeros(len(xy))])
    return Alignment(chainage_of(xyz), xyz)


@pytest.mark.parametrize("radius_m", [150.0, 250.0, 450.0])
@pytest.mark.parametrize("chord_m", [2.0, 10.0, 25.0])
def test_radius_of_an_arc_is_found_within_five_percent(radius_m, chord_m):
    curves = derive_curves(arc(radius_m, 60.0, chord_m))
    longest = max(curves, key=lambda c: c.to_m - c.from_m)
    assert longest.radius_m == pytest.approx(radius_m, rel=0.05)
    assert longest.to_m - longest.from_m == pytest.approx(np.radians(60.0) * radius_m, abs=1.1 * max(chord_m, 10.0))
    assert not longest.given


def test_straight_track_has_no_curves():
    xyz = np.array([[0.0, 0, 0], [100, 0, 0], [300, 0.5, 0], [700, 0, 0]])
    assert derive_curves(Alignment(chainage_of(xyz), xyz)) == ()


def test_centimetre_scatter_of_a_dense_survey_is_no_sharp_curve():
    x = np.arange(0.0, 600.0, 2.0)
    xyz = np.column_stack([x, 0.01 * np.random.default_rng(3).standard_normal(x.size), np.zeros_like(x)])
    assert all(c.radius_m > 500 for c in derive_curves(Alignment(chainage_of(xyz), xyz)))


def test_opposite_curves_stay_apart():
    first = arc(200.0, 45.0, 10.0)
    mirrored = first.xyz_m.copy()
    mirrored[:, 1] *= -1
    end, heading = first.xyz_m[-1], np.radians(45.0)
    turn = np.array([[np.cos(heading), -np.sin(heading)], [np.sin(heading), np.cos(heading)]])
    second = (mirrored[:, :2] - mirrored[0, :2]) @ turn.T + end[:2]
    xyz = np.column_stack([np.concatenate([first.xyz_m[:-1, :2], second[1:]]), np.zeros(2 * len(second) - 2)])
    radii = [c.radius_m for c in derive_curves(Alignment(chainage_of(xyz), xyz))]
    assert radii == pytest.approx([200.0, 200.0], rel=0.06)


def test_position_and_direction_follow_the_chainage():
    xyz = np.array([[0.0, 0, 1], [30, 0, 1], [30, 40, 3]])
    line = Alignment(np.array([100.0, 130.0, 170.0]), xyz)
    assert line.at(np.array([115.0, 150.0])) == pytest.approx(np.array([[15, 0, 1], [30, 20, 2]]))
    assert line.direction(np.array([115.0, 150.0])) == pytest.approx(np.array([[1, 0], [0, 1]]))
    assert line.between(120.0, 140.0) == pytest.approx(np.array([[20, 0, 1], [30, 0, 1], [30, 10, 1.5]]))


def compound(*parts: tuple[float, float, float], chord_m: float = 10.0, lead_m: float = 200.0) -> Alignment:
    """Straight, then arcs or transitions (radius at start, radius at end, length), straight."""
    points, heading, place = [np.array([0.0, 0.0])], 0.0, np.array([lead_m, 0.0])
    points.append(place)
    for start, end, length in parts:
        n = round(length / chord_m)
        for k in range(n):
            curvature = np.interp((k + 0.5) / n, [0, 1], [1 / start, 1 / end])
            heading += 0.5 * curvature * length / n
            place = place + length / n * np.array([np.cos(heading), np.sin(heading)])
            heading += 0.5 * curvature * length / n
            points.append(place)
    points.append(place + lead_m * np.array([np.cos(heading), np.sin(heading)]))
    xyz = np.column_stack([np.array(points), np.zeros(len(points))])
    return Alignment(chainage_of(xyz), xyz)


@pytest.mark.parametrize(
    ("first", "second"), [((450, 200), (700, 200)), ((280, 60), (420, 200)), ((250, 100), (390, 100))]
)
def test_a_compound_curve_stays_two_curves(first, second):
    curves = derive_curves(compound((first[0], first[0], first[1]), (second[0], second[0], second[1])))
    assert [c.radius_m for c in curves] == pytest.approx([first[0], second[0]], rel=0.03)
    assert [c.to_m - c.from_m for c in curves] == pytest.approx([first[1], second[1]], abs=11.0)
    assert curves[0].to_m == pytest.approx(curves[1].from_m)


@pytest.mark.parametrize("chord_m", [5.0, 10.0, 20.0])
@pytest.mark.parametrize(("radius_m", "length_m", "transition_m"), [(480, 80, 40), (280, 100, 60)])
def test_transitions_do_not_dilute_the_radius_between_them(radius_m, length_m, transition_m, chord_m):
    shape = compound(
        (1e9, radius_m, transition_m), (radius_m, radius_m, length_m), (radius_m, 1e9, transition_m), chord_m=chord_m
    )
    tightest = [c for c in derive_curves(shape) if c.radius_m <= 1.03 * radius_m]
    assert sum(c.to_m - c.from_m for c in tightest) >= length_m - chord_m
    assert min(c.radius_m for c in tightest) >= 0.97 * radius_m


def test_a_scattered_survey_of_a_curve_is_still_that_curve():
    shape = compound((350, 350, 300), chord_m=5.0)
    noise = 0.02 * np.random.default_rng(5).standard_normal(shape.xyz_m.shape)
    xyz = shape.xyz_m + noise * [1, 1, 0]
    curves = derive_curves(Alignment(chainage_of(xyz), xyz))
    length = np.array([c.to_m - c.from_m for c in curves])
    radius = np.array([c.radius_m for c in curves])
    assert length[(radius > 290) & (radius < 420)].sum() > 240
    assert length[radius < 280].sum() < 15


@pytest.mark.parametrize("spacing_m", [5.0, 7.5, 15.0, 0.1])
def test_averaged_curvature_is_that_over_all_vertices_within_reach(spacing_m: float) -> None:
    rng = np.random.default_rng(5)
    chainage = 1000.1 + np.cumsum(spacing_m + rng.choice([0.0, 0.3, 20.0], 400, p=[0.8, 0.15, 0.05]))
    turn, from_m, to_m = rng.normal(0.0, 0.05, 399), chainage[:-1], chainage[1:]
    middle = 0.5 * (from_m + to_m)
    near = np.abs(middle[:, None] - middle[None, :]) <= 0.5 * alignment.AVERAGING_M
    expected = (near @ turn) / (near @ (to_m - from_m))
    np.testing.assert_allclose(alignment._smooth(turn, from_m, to_m), expected, rtol=1e-9, atol=1e-12)
    first, last = alignment._near(middle, 0.5 * alignment.AVERAGING_M)
    np.testing.assert_array_equal(last - first + 1, near.sum(axis=1))


def test_averaging_a_long_line_needs_little_memory() -> None:
    ends = 10.0 * np.arange(60_001)
    tracemalloc.start()
    alignment._smooth(np.random.default_rng(1).normal(0.0, 0.05, 60_000), ends[:-1], ends[1:])
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 50e6


@pytest.mark.parametrize("spacing_m", [0.1, 2.5, 7.5])
@pytest.mark.parametrize("start_m", [0.1, 7.7, 1000.1])
def test_places_just_within_reach_are_found_by_their_distance(start_m: float, spacing_m: float) -> None:
    """Their distance is 15 m but for rounding, and so is 15 m added to a place."""
    middle = start_m + np.cumsum(np.full(600, spacing_m))
    near = np.abs(middle[:, None] - middle[None, :]) <= 15.0
    first, last = alignment._near(middle, 15.0)
    np.testing.assert_array_equal(last - first + 1, near.sum(axis=1))

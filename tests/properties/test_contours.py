"""Contours as polygons: they are valid, leave no gap and do not overlap, and hold the points of their class."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from lineside.results.contours import bands, filled_in, level_edges, without

EDGES = (40.0, 45.0, 50.0, 55.0)
#: Many equal levels, many that lie on a border: what makes contours touch themselves.
COARSE = arrays(np.float64, (6, 7), elements=st.sampled_from([37.5, 40.0, 45.0, 47.5, 50.0, 55.0, 60.0, -np.inf]))
FINE = arrays(np.float64, (5, 8), elements=st.floats(30.0, 65.0, allow_nan=False))
X, Y = np.arange(8) * 10.0, np.arange(6) * 10.0


def axes(values):
    return X[: values.shape[1]], Y[: values.shape[0]]


@pytest.mark.parametrize("levels", [COARSE, FINE], ids=["coarse", "fine"])
def test_classes_cover_the_grid_once(levels):
    @settings(max_examples=150, deadline=None)
    @given(levels)
    def check(values):
        x, y = axes(values)
        found = bands(x, y, values, EDGES)
        assert len(found) == len(EDGES) + 1
        assert all(band.shape.is_valid for band in found)
        whole = (x[-1] - x[0]) * (y[-1] - y[0])
        assert sum(band.area_m2 for band in found) == pytest.approx(whole, abs=1e-6)
        for k, band in enumerate(found):
            for other in found[k + 1 :]:
                assert band.shape.intersection(other.shape).area < 1e-6

    check()


@settings(max_examples=150, deadline=None)
@given(COARSE)
def test_each_point_lies_in_the_class_of_its_level(values):
    x, y = axes(values)
    found = bands(x, y, values, EDGES)
    for band in found:
        lower = -math.inf if band.lower is None else band.lower
        upper = math.inf if band.upper is None else band.upper
        inside = (values > lower) & (values < upper)
        gx, gy = np.meshgrid(x, y)
        points = shapely.points(gx[inside], gy[inside])
        assert np.all(shapely.distance(band.shape, points) < 1e-6)


def test_a_cone_gives_rings_of_known_area():
    """L = 70 - r / 2: between two borders lies a ring; pi (r2^2 - r1^2)."""
    x = y = np.linspace(-100.0, 100.0, 401)
    r = np.hypot(*np.meshgrid(x, y))
    found = {band.lower: band for band in bands(x, y, 70.0 - r / 2.0, (50.0, 55.0, 60.0, 65.0))}
    for low in (50.0, 55.0, 60.0, 65.0):
        outer, inner = 2.0 * (70.0 - low), 2.0 * max(70.0 - low - 5.0, 0.0)
        assert found[low].area_m2 == pytest.approx(math.pi * (outer**2 - inner**2), rel=2e-3)
        (part,) = shapely.get_parts(found[low].shape)
        assert len(part.interiors) == (0 if low == 65.0 else 1), "a ring has one hole"


def test_cells_around_unknown_points_belong_to_no_class():
    values = np.full((5, 5), 47.0)
    values[2, 2] = np.nan
    found = bands(np.arange(5.0), np.arange(5.0), values, EDGES)
    assert sum(band.area_m2 for band in found) == pytest.approx(16.0 - 4.0)


def test_silence_is_of_the_lowest_class():
    values = np.full((3, 3), -np.inf)
    found = bands(np.arange(3.0), np.arange(3.0), values, EDGES)
    assert [band.area_m2 for band in found] == [4.0, 0.0, 0.0, 0.0, 0.0]


def test_curved_grids_are_followed():
    """A terrain of the shape of a step: columns of points stand on it."""
    x = np.broadcast_to(np.arange(5.0), (4, 5))
    z = np.arange(4.0)[:, None] + np.array([0.0, 0.0, 1.0, 2.0, 2.0])
    found = bands(x, z, np.full((4, 5), 47.0), EDGES)
    assert found[2].area_m2 == pytest.approx(12.0) and found[2].area_m2 == sum(b.area_m2 for b in found)


def test_class_borders_are_few_and_hold_the_levels():
    assert level_edges(np.array([[41.0, 52.3, -np.inf]])).tolist() == [40.0, 45.0, 50.0, 55.0]
    wide = level_edges(np.linspace(-20.0, 91.0, 50))
    assert wide[-1] == 95.0 and len(wide) == 10
    assert level_edges(np.array([50.0])).tolist() == [50.0, 55.0]


def test_absent_values_are_those_of_the_nearest_points():
    values = np.tile(np.arange(7.0), (5, 1))
    absent = np.zeros((5, 7), dtype=bool)
    absent[1:4, 2:5] = True
    found = filled_in(values, absent)
    assert np.array_equal(found[~absent], values[~absent])
    assert np.all((found[absent] >= 1.0) & (found[absent] <= 5.0))
    assert found[2, 2] < 2.5 < 3.5 < found[2, 4], "each side of a house by what is heard in front of it"


def test_values_stay_absent_where_there_is_no_other():
    assert np.isnan(filled_in(np.ones((2, 2)), np.ones((2, 2), dtype=bool))).all()


def test_houses_are_cut_out():
    values = np.full((5, 5), 47.0)
    house = shapely.box(1.0, 1.0, 2.0, 3.0)
    found = without(bands(np.arange(5.0), np.arange(5.0), values, EDGES), house)
    assert found[2].area_m2 == pytest.approx(14.0) and found[2].shape.is_valid
    assert without(found, shapely.Polygon()) == tuple(found)

"""What must hold for facades of any buildings."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import Point, Polygon, union_all

from lineside.errors import ProjectError
from lineside.project.footprints import FootprintProblem, footprint, outlines, ring_area, simple_rings
from lineside.project.load import load_project
from lineside.results.exposure import BANDS_DB, band_of, by_length, louder_half
from lineside.scene.build import Scenes
from lineside.scene.buildings import sides
from lineside.scene.facade_rules import LONGEST_M, RULES, Segment
from lineside.scene.facades import facade_points
from sites import straight_site, write_site

coordinate = st.floats(-60, 60).map(lambda v: round(v, 2))
MIDDLE = np.array([0.0, 40.0])
levels = st.lists(st.floats(0, 90), min_size=1, max_size=30)


@st.composite
def star(draw: st.DrawFn) -> np.ndarray:
    """A simple outline around (0, 40), of any number of corners, in either direction."""
    n = draw(st.integers(3, 12))
    radii = draw(st.lists(st.floats(2, 30), min_size=n, max_size=n))
    angles = np.sort(draw(st.lists(st.floats(0, 6.2), min_size=n, max_size=n, unique_by=lambda a: round(a, 1))))
    ring = np.stack([np.array(radii) * np.cos(angles), 40 + np.array(radii) * np.sin(angles)], axis=1)
    return np.round(ring if draw(st.booleans()) else ring[::-1], 3)


@given(star(), st.sampled_from(sorted(RULES)))
def test_spots_lie_on_the_outline_and_stand_for_no_more_than_it(ring: np.ndarray, rule: str) -> None:
    try:
        shape, _ = footprint([[ring]])
    except FootprintProblem:
        return
    for line in outlines(shape):
        segments = [Segment(k, a, b) for k, (a, b) in enumerate(zip(line, np.roll(line, -1, axis=0), strict=True))]
        around = sum(s.length_m for s in segments)
        spots = RULES[rule](segments)
        assert sum(s.length_m for s in spots) <= around + 1e-6
        for spot in spots:
            a, b = segments[spot.side].start, segments[spot.side].end
            along = (b - a) / np.hypot(*(b - a))
            step = spot.point - a
            assert abs(step[0] * along[1] - step[1] * along[0]) < 1e-6
            assert -1e-6 <= step @ along <= np.hypot(*(b - a)) + 1e-6
            assert np.allclose(spot.normal, [along[1], -along[0]])
            if rule != "each_facade":
                assert spot.length_m <= LONGEST_M + 1e-6
        if rule == "every_5_m":
            assert abs(sum(s.length_m for s in spots) - around) < 1e-6


@given(st.lists(star(), min_size=1, max_size=3), st.lists(star(), max_size=2))
def test_simple_rings_make_the_same_area(rings: list[np.ndarray], holes: list[np.ndarray]) -> None:
    polygons = [[ring + np.array([90.0 * k, 0.0])] for k, ring in enumerate(rings)]
    small = [MIDDLE + 0.05 * (h - MIDDLE) for h in holes[:1]]
    try:
        shape, _ = footprint([[*polygons[0], *small], *polygons[1:]])
    except FootprintProblem:
        return
    parts = simple_rings(shape)
    assert all(ring_area(r) > 0 and Polygon(r).is_valid for r in parts)
    assert abs(sum(ring_area(r) for r in parts) - shape.area) < 1e-2
    assert abs(union_all([Polygon(r) for r in parts]).symmetric_difference(shape).area) < 1e-2


@settings(max_examples=25, deadline=None)
@given(
    st.lists(
        st.tuples(star(), st.floats(-80, 80), st.sampled_from([0.0, 40.0]), st.floats(3, 30)), min_size=1, max_size=4
    ),
    st.sampled_from(sorted(RULES)),
)
def test_receivers_stand_outside_all_buildings_10_cm_from_their_wall(houses: list[Any], rule: str) -> None:
    site = straight_site()
    site["receivers"][0]["position"] = [-300.0, 30.0]
    site["buildings"] = [
        {"id": f"H{k}", "polygon": np.round(ring + np.array([x, y]), 3).tolist(), "height_m": h, "use": "dwelling"}
        for k, (ring, x, y, h) in enumerate(houses)
    ]
    site["facade_receivers"] = [{"rule": rule, "heights": "every_floor"}]
    with tempfile.TemporaryDirectory() as folder:
        try:
            built = Scenes(load_project(write_site(site, Path(folder))), [])
        except ProjectError:  # one inside the other, or an outline that crosses itself
            return
    scene = built.reference.scene
    shapes = [Polygon(r) for b in built.standing for r in b.data.parts]
    for a in range(len(shapes)):
        for b in range(a):
            assert shapes[a].intersection(shapes[b]).area < 1e-3, "footprints do not overlap"
    town = union_all(shapes)
    points = facade_points(built.loaded, scene, built.standing)
    start, end, _ = sides(scene.buildings)
    for of, away in ((points.receivers, 0.1), (points.front, 2.0)):
        assert len(set(of.ids)) == len(of.ids)
        for xyz, wall in zip(of.xyz_m, of.wall if of.wall is not None else (), strict=True):
            assert not town.contains(Point(xyz[:2] + np.array(scene.origin)))
            assert wall >= 0
            a, b = start[wall], end[wall]
            along = (b - a) / np.hypot(*(b - a))
            step = xyz[:2] - a
            assert abs(step[0] * along[1] - step[1] * along[0] - away) < 1e-3


@given(levels)
def test_the_louder_half_holds_everything_and_nothing_louder_is_left_out(values: list[float]) -> None:
    level = np.round(values, 3)
    share = louder_half(level)
    assert abs(share.sum() - 1.0) < 1e-12
    assert len(level) < 2 or np.count_nonzero(share) == len(level) // 2
    if (share == 0).any():
        assert level[share > 0].min() >= level[share == 0].max()
    assert louder_half(level + 3.0).tolist() == share.tolist()


@given(levels)
def test_bands_hold_every_level_once(values: list[float]) -> None:
    for quantity, ends in BANDS_DB.items():
        band = band_of(np.array(values), quantity)
        assert band.min() >= 0 and band.max() <= len(ends)
        for value, n in zip(values, band, strict=True):
            assert n == 0 or value >= ends[n - 1] - 1e-6
            assert n == len(ends) or value < ends[n]


@given(st.lists(st.floats(0.1, 50), min_size=1, max_size=20))
def test_shares_by_length_sum_to_one(lengths: list[float]) -> None:
    assert abs(by_length(np.array(lengths)).sum() - 1.0) < 1e-12

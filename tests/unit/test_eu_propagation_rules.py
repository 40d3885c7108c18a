"""Rules of the propagation calculator: geometry in plan, special places, options, notes, compiled code."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from pydantic import ValidationError

from lineside.contracts import Verification
from lineside.errors import OutOfRangeError
from lineside.scene.model import Air, BarrierSegments, Buildings, GroundAreas, Receivers, SourcePoints
from lineside_plugins.eu_common import register_methods
from lineside_plugins.eu_propagation import (
    EuPropagation,
    EuPropagationOptions,
    kernels,
    register_propagation_calculators,
    vertical_cut,
)

CALCULATOR = EuPropagation()
OPTIONS = EuPropagationOptions()
HEIGHTS = np.array([0.5, 4.0])


def scene(
    areas: Sequence[tuple[float, ArrayLike]] = (), screens: ArrayLike = (), default_g: float = 1.0, z: float = 0.0
) -> Any:
    """Ground areas (G, polygon) and screens (ends and top height above the plain at z)."""
    rings = [np.asarray(polygon, dtype=float) for _, polygon in areas]
    line = np.asarray(screens, dtype=float).reshape(-1, 5)
    tops = np.repeat(line[:, 4:], 2, axis=1) + z
    return SimpleNamespace(
        ground_level_m=z,
        ground=GroundAreas(
            default_g,
            np.concatenate(rings) if rings else np.empty((0, 2)),
            np.cumsum([0, *(len(r) for r in rings)]),
            np.array([g for g, _ in areas], dtype=float),
        ),
        barriers=BarrierSegments(line[:, :4].reshape(-1, 2, 2), tops, tops * 0 + z, np.arange(len(line))),
        air=Air(15.0, 70.0, 101.325),
        terrain=None,
        buildings=Buildings.none(),
        forms=(),
        tracks=(),
        receivers=Receivers((), np.empty((0, 3))),
    )


def points(xyz: ArrayLike, length_m: float = 0.0, g_s: float = 1.0) -> SourcePoints:
    p = np.asarray(xyz, dtype=float).reshape(-1, 3)
    n = len(p)
    return SourcePoints(np.zeros(n, dtype=int), p, np.tile([0.0, 1.0], (n, 1)), np.full(n, length_m), np.full(n, g_s))


def receivers(xyz: ArrayLike) -> Receivers:
    p = np.asarray(xyz, dtype=float).reshape(-1, 3)
    return Receivers(tuple(f"R{i}" for i in range(len(p))), p)


def loss_db(where: Any, source: SourcePoints, to: ArrayLike, heights: ArrayLike = HEIGHTS) -> np.ndarray:
    found = CALCULATOR.path_loss(where, source, np.asarray(heights), receivers(to), OPTIONS)
    assert found.states == ("homogeneous", "favourable")
    return -10 * np.log10(found.transfer)


def cut_db(height: float, distance: float, z_r: float, ground: Any, **kwargs: Any) -> np.ndarray:
    cut = vertical_cut((0, height), (distance, z_r), [(0, 0), (distance, 0)], ground, source_ground_g=1.0, **kwargs)
    return np.stack([cut.homogeneous.a_db, cut.favourable.a_db])


def test_shape_and_agreement_with_the_single_cut() -> None:
    found = loss_db(scene(), points([[0, 0, 0], [0, 30, 0]]), [[40, 0, 4], [120, 10, 6], [7, 3, 1.5]])
    assert found.shape == (3, 2, 2, 2, 8)
    expected = cut_db(4.0, np.hypot(120, 20), 6.0, [(0, 500, 1.0)])
    np.testing.assert_allclose(found[1, 1, 1], expected, atol=1e-9)


def test_ground_areas_and_screens_are_found_in_plan() -> None:
    """Oblique path over two areas, the later one on top, and over two screens of different heights."""
    areas = [(0.3, [[10, -50], [40, -50], [40, 150], [10, 150]]), (0.0, [[30, 150], [60, 150], [60, -50], [30, -50]])]
    screens = [[5, -50, 5, 150, 3.0], [70, 150, 70, -50, 4.0]]
    found = loss_db(scene(areas, screens, default_g=0.8), points([[0, 0, 0]]), [[80, 60, 2.0]])
    ground = [(0, 12.5, 0.8), (12.5, 37.5, 0.3), (37.5, 75, 0.0), (75, 100, 0.8)]
    for h, height in enumerate(HEIGHTS):
        expected = cut_db(height, 100.0, 2.0, ground, barriers=[(6.25, 3.0), (87.5, 4.0)])
        np.testing.assert_allclose(found[0, 0, h], expected, atol=1e-8)


def test_a_screen_of_uneven_height_counts_where_it_is_crossed() -> None:
    where = scene(screens=[[5, -10, 5, 10, 3.0]])
    where.barriers.top_z_m[:] = [[2.0, 4.0]]
    found = loss_db(where, points([[0, 0, 0]]), [[50, 20, 4.0]])
    expected = cut_db(0.5, np.hypot(50, 20), 4.0, [(0, 99, 1.0)], barriers=[(0.1 * np.hypot(50, 20), 3.2)])
    np.testing.assert_allclose(found[0, 0, 0], expected, atol=1e-8)


def test_a_path_that_starts_or_ends_inside_an_area() -> None:
    ring = [[-20, -20], [20, -20], [20, 20], [-20, 20]]
    for source, receiver in (([0, 0, 0], [100, 0, 4]), ([100, 0, 0], [0, 0, 4])):
        found = loss_db(scene([(0.2, ring)]), points([source]), [receiver])
        ground = [(0, 20, 0.2), (20, 100, 1.0)] if source[0] == 0 else [(0, 80, 1.0), (80, 100, 0.2)]
        np.testing.assert_allclose(found[0, 0, 0], cut_db(0.5, 100.0, 4.0, ground), atol=1e-9)


def test_a_concave_area_is_entered_twice() -> None:
    ring = [[10, -10], [90, -10], [90, 20], [70, 20], [70, 0], [30, 0], [30, 20], [10, 20]]
    found = loss_db(scene([(0.0, ring)]), points([[0, 10, 0]]), [[100, 10, 4]])
    ground = [(0, 10, 1), (10, 30, 0), (30, 70, 1), (70, 90, 0), (90, 100, 1)]
    np.testing.assert_allclose(found[0, 0, 0], cut_db(0.5, 100.0, 4.0, ground), atol=1e-9)


def test_a_path_that_ends_before_the_screen_is_free() -> None:
    source, to = points([[0, 0, 0]]), [[50, 0, 4]]
    free = loss_db(scene(), source, to)
    for screen in ([60, -99, 60, 99, 9], [-5, -99, -5, 99, 9], [20, 5, 20, 99, 9]):
        np.testing.assert_array_equal(loss_db(scene(screens=[screen]), source, to), free)
    assert np.all(loss_db(scene(screens=[[20, -5, 20, 99, 9]]), source, to) > free + 3.0)


def test_a_piece_behind_the_end_of_a_screen_counts_in_parts() -> None:
    """The end of the screen at (10, 0) divides the piece from y = -4 to 4 in the middle, as seen from (50, 0)."""
    whole = 10 ** (-loss_db(scene(screens=[[10, 0, 10, 90, 4]]), points([[0, 0, 0]], length_m=8.0), [[50, 0, 4]]) / 10)
    halves = [loss_db(scene(screens=[[10, 0, 10, 90, 4]]), points([[0, y, 0]]), [[50, 0, 4]]) for y in (-2.0, 2.0)]
    np.testing.assert_allclose(whole, np.mean([10 ** (-h / 10) for h in halves], axis=0), rtol=1e-9)
    assert np.all(halves[1][0, 0, 0] > halves[0][0, 0, 0] + 3.0)


def test_joined_segments_of_one_screen_have_no_end_between_them() -> None:
    line = scene(screens=[[10, -90, 10, 0.1, 4], [10, 0.1, 10, 90, 4]])
    line.barriers.barrier[:] = 0
    source = points([[0, 0, 0]], length_m=8.0)
    found = loss_db(line, source, [[50, 0, 4]])
    np.testing.assert_allclose(found, loss_db(scene(screens=[[10, -90, 10, 90, 4]]), source, [[50, 0, 4]]), atol=1e-9)


def test_only_heights_above_the_plain_matter() -> None:
    low = loss_db(scene(screens=[[5, -9, 5, 9, 2.0]]), points([[0, 0, 0.3]]), [[50, 0, 4]])
    high = loss_db(scene(screens=[[5, -9, 5, 9, 2.0]], z=412.5), points([[0, 0, 412.8]]), [[50, 0, 416.5]])
    np.testing.assert_allclose(high, low, atol=1e-7)


@pytest.mark.parametrize("x", [0.0, 0.3, 1.0])
def test_points_on_the_track_are_computed_one_metre_away(x: float) -> None:
    found = loss_db(scene(), points([[0, 0, 0]]), [[x, 0, 4]])
    np.testing.assert_allclose(found[0, 0, 0], cut_db(0.5, 1.0, 4.0, [(0, 1, 1.0)]), atol=1e-9)


def test_sources_and_receivers_on_or_below_the_plain_are_finite() -> None:
    to = receivers([[60, 0, 0]])
    for where in (scene(), scene(screens=[[5, -99, 5, 99, 1.0]])):
        for z in (0.0, -0.5, -3.0):
            found = CALCULATOR.path_loss(where, points([[0, 0, z]]), np.array([0.0, 0.5]), to, OPTIONS)
            assert np.all(np.isfinite(found.transfer)) and np.all(found.transfer > 0)


def test_ground_effect_of_two_points_on_the_ground() -> None:
    """Heights 0: the turbulence term has no limit; the bound -9 (1 - G) of (2.5.20) remains."""
    k, t = kernels, kernels.tile()
    for row, value in zip((k.G, k.G_S, k.Z_A, k.Z_B, k.D_P, k.CURVED), (0.5, 1.0, 0.0, 0.0, 80.0, 1.0), strict=True):
        t[k.WHOLE + row] = value
    k.ground_of_whole(t, k.band_table(), k.LANES)
    np.testing.assert_allclose(10 * np.log10(t[k.WHOLE + k.Q :: k.TILE][:8]), 4.5, atol=1e-9)


def test_an_edge_below_the_ray_counts_by_both_conditions() -> None:
    """Section 2.5.6 as amended: delta > -lambda/20, and Rayleigh: delta > lambda/4 - delta*; written out here."""
    decisions = set()
    for h, top in ((4, 0.5), (4, 1.5), (4, 2.0), (4, 3.0), (4, 3.9), (0.5, 0.4), (0.5, 0.8), (0.5, 1.0)):
        cut = vertical_cut((0, h), (60, 4), [(0, 0), (60, 0)], [(0, 60, 0.5)], source_ground_g=1, barriers=[(10, top)])
        delta = np.hypot(60, 4 - h) - np.hypot(10, h - top) - np.hypot(50, 4 - top)
        mirrored = np.hypot(10, h + top) + np.hypot(50, 4 + top) - np.hypot(60, 4 - h)
        lam = 340.0 / np.array([63, 125, 250, 500, 1000, 2000, 4000, 8000])
        near, rough = delta > -lam / 20, delta > lam / 4 - mirrored
        assert cut.homogeneous.diffraction.tolist() == (near & rough).tolist(), (h, top)
        decisions |= set(zip(near.tolist(), rough.tolist(), strict=True))
    assert decisions == {(False, False), (False, True), (True, False), (True, True)}


def test_image_lies_opposite_across_a_sloping_plane() -> None:
    info = np.zeros((1, 8))
    a, b = kernels.mean_plane(np.array([0.0, 30.0]), np.array([1.0, 10.0]), 2, 0.0, 30.0)
    kernels.stretch(a, b, 0.5, 0.0, 3.0, 30.0, 15.0, info, 0)
    for end, x, z in ((kernels.IMAGE_A, 0.0, 3.0), (kernels.IMAGE_B, 30.0, 15.0)):
        xi, zi = info[0, end : end + 2]
        assert 0.5 * (z + zi) == pytest.approx(1.0 + 0.3 * 0.5 * (x + xi))  # halfway: on the plane
        assert (zi - z) * 0.3 + (xi - x) == pytest.approx(0.0)  # at right angles to it
    assert info[0, kernels.INFO_Z_A] == pytest.approx(2.0 / np.hypot(1, 0.3))


def test_a_roof_below_the_ray_belongs_to_the_mean_plane() -> None:
    cut = vertical_cut(
        (0, 4.5), (100, 20), [(0, 0), (100, 0)], [(0, 100, 1)], source_ground_g=1, buildings=[(40, 60, 2)]
    )
    x = np.linspace(0, 100, 200001)
    a, b = np.polyfit(x, np.where((x > 40) & (x < 60), 2.0, 0.0), 1)
    assert not cut.homogeneous.diffraction.any()
    assert cut.homogeneous.whole_path.z_a_m == pytest.approx((4.5 - b) / np.hypot(1, a), abs=1e-4)


def test_ends_of_screens_behind_track_or_receiver_split_nothing() -> None:
    source, alone = points([[0, 0, 0]], length_m=8.0), points([[0, 0, 0]])
    where = scene(screens=[[-10, 0.5, -10, 90, 4], [70, 0.5, 70, 90, 4]])
    np.testing.assert_array_equal(loss_db(where, source, [[50, 0, 4]]), loss_db(where, alone, [[50, 0, 4]]))


def test_point_below_its_mean_plane_is_its_own_image() -> None:
    """Source-side ground sinks below the plane: Delta_ground(S,O) = A_ground(S,O), section 2.5.6 as amended."""
    info = np.zeros((1, 8))
    a, b = kernels.mean_plane(np.array([0.0, 10.0, 20.0]), np.array([0.0, 5.0, 0.0]), 3, 0.0, 20.0)
    kernels.stretch(a, b, 0.5, 0.0, 0.2, 20.0, 4.0, info, 0)
    assert info[0, kernels.INFO_Z_A] == 0.0
    assert info[0, kernels.IMAGE_A : kernels.IMAGE_A + 2].tolist() == [0.0, 0.2]
    for image in (5.0, 4.0):
        assert kernels.ground_behind_edge(0.3, 5.0 / image) ** 2 == pytest.approx(0.3)


def test_hull_of_arcs_drops_an_edge_that_the_straight_hull_keeps() -> None:
    """A crest 2 m wide seen from 80 m: the ray that bends over it touches its far side only."""
    ex, ez, found = np.array([80.0, 82.0]), np.array([3.0, 3.0]), np.zeros(3, dtype=np.int64)
    both = np.arange(2)
    assert kernels.hull(ex, ez, both, 2, 0.5, 122.0, 0.5, 0.0, found) == 2
    assert kernels.hull(ex, ez, both, 2, 0.5, 122.0, 0.5, 1000.0, found) == 1 and found[0] == 1


def test_series_for_exp_agrees_with_the_library() -> None:
    t = kernels.tile()
    row = t[kernels.E : kernels.E + kernels.TILE]
    for x in np.concatenate([np.linspace(-3, 5, 320), np.linspace(5, 600, 320)]).reshape(-1, kernels.TILE):
        row[:] = x
        kernels.exp_neg(t, kernels.E, kernels.TILE)
        np.testing.assert_allclose(row, np.exp(-x), rtol=1e-13)


def test_series_for_a_power_agrees_with_the_library() -> None:
    t = kernels.tile()
    row = t[kernels.U : kernels.U + kernels.TILE]
    for g in np.concatenate([np.geomspace(1e-12, 1, 128), np.linspace(0.001, 1, 192)]).reshape(-1, kernels.TILE):
        row[:] = g
        kernels.power_1_3(t, kernels.U, kernels.TILE)
        np.testing.assert_allclose(row, g**1.3, rtol=2e-14)


def test_the_same_without_compiler() -> None:
    """The formulas are plain Python too: numba's compiler switched off gives the same numbers."""
    code = (
        "from lineside_plugins.eu_propagation import vertical_cut, kernels\n"
        "assert type(kernels.hull).__name__ == 'function'\n"
        "c = vertical_cut((0, .5), (80, 2), [(0, 0), (80, 0)], [(0, 5, 1), (5, 80, .7)], source_ground_g=1,\n"
        "                 barriers=[(5, 4), (65, 4.5)])\n"
        "print(*map(float.hex, map(float, [*c.homogeneous.a_db, *c.favourable.a_db])))"
    )
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    plain = [float.fromhex(v) for v in run.stdout.split()]
    cut = vertical_cut(
        (0, 0.5), (80, 2), [(0, 0), (80, 0)], [(0, 5, 1), (5, 80, 0.7)], source_ground_g=1, barriers=[(5, 4), (65, 4.5)]
    )
    np.testing.assert_allclose([*cut.homogeneous.a_db, *cut.favourable.a_db], plain, atol=1e-9)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"receiver": (0, 4)}, "must lie to the right"),
        ({"terrain": [(0, 0), (40, 0)]}, "terrain: must reach"),
        ({"terrain": [(0, 0), (60, 0), (50, 0)]}, "x not falling"),
        ({"ground": [(0, 20, 1), (25, 50, 1)]}, "without gap or overlap"),
        ({"ground": [(0, 50, 1.2)]}, "G must be between 0 and 1"),
        ({"barriers": [(50, 4)]}, "barrier at 50 m"),
        ({"buildings": [(20, 55, 4)]}, "building from 20 to 55 m"),
        ({"favourable_share": 1.5}, "between 0 and 1"),
    ],
)
def test_a_cut_that_makes_no_sense_is_refused(change: dict[str, Any], message: str) -> None:
    given: dict[str, Any] = {
        "source": (0, 0.5),
        "receiver": (50, 4),
        "terrain": [(0, 0), (50, 0)],
        "ground": [(0, 50, 1)],
        "source_ground_g": 1,
    }
    vertical_cut(**given)
    with pytest.raises(OutOfRangeError, match=message):
        vertical_cut(**given | change)


def test_declarations() -> None:
    (calculator,) = register_propagation_calculators()
    assert calculator.name == "eu_propagation" and calculator.verification is Verification.COMPUTED
    (method,) = register_methods()
    assert method.propagation == calculator.name
    assert [calculator.source_ground_g(form) for form in ("ballast", "slab", "embedded")] == [1.0, 0.0, 0.0]
    with pytest.raises(OutOfRangeError, match="ballast, slab, embedded"):
        calculator.source_ground_g("gras")
    np.testing.assert_allclose(calculator.state_share(np.array([0.0, 0.3])), [[1, 0], [0.7, 0.3]])
    assert calculator.max_piece_ratio(EuPropagationOptions(piece_ratio=0.1)) == 0.1
    assert "0.1 of its distance" in calculator.statement(EuPropagationOptions(piece_ratio=0.1))
    with pytest.raises(ValidationError):
        EuPropagationOptions(piece_ratio=0.6)
    assert calculator.data_files()[0].title == "Ground factor G of surfaces"


def test_surfaces_follow_the_table_of_the_law() -> None:
    """Directive 2002/49/EC, Annex II, Table 2.5.a: classes A to D 1, E 0.7, F 0.3, G and H 0."""
    by_class = {"A": 1.0, "B": 1.0, "C": 1.0, "D": 1.0, "E": 0.7, "F": 0.3, "G": 0.0, "H": 0.0}
    surfaces = CALCULATOR.surfaces()
    assert {meaning[-2] for _, meaning in surfaces.values()} == set(by_class)
    for name, (g, meaning) in surfaces.items():
        assert g == by_class[meaning[-2]], name
    assert surfaces["water"][0] == 0.0 and surfaces["park"][0] == 0.7 and surfaces["gravel"][0] == 0.3


def test_notes_name_what_is_left_out() -> None:
    where = scene(screens=[[5, -9, 5, 9, 2.0]])
    where.tracks = (
        SimpleNamespace(id="T1", xyz_m=np.array([[0, 0, 0.2], [100, 0, 2.5]])),
        SimpleNamespace(id="T2", xyz_m=np.array([[0, 9, -1.0], [100, 9, 0.2]])),
    )
    where.receivers = Receivers(("near", "low", "far"), np.array([[50, 30, 4], [50, 30, 1.2], [50, 900, 4.0]]))
    text = {note.text: note.kind for note in CALCULATOR.notes(where, OPTIONS)}
    validity = " ".join(t for t, kind in text.items() if kind == "validity")
    for part in ("T1 rises to 2.5 m", "T2 lies down to 1.0 m", "above ground: low.", "every track: far."):
        assert part in validity
    assert any("Barriers are thin" in t for t in text)
    where.barriers = replace(where.barriers, reflecting=np.array([True]))
    beside = " ".join(note.text for note in CALCULATOR.notes(where, OPTIONS))
    for part in (
        "no more than 15 degrees",
        "no higher than the source",
        "whose foot lies above",
        "negative as printed",
    ):
        assert part in beside
    where.tracks, where.receivers = (), Receivers(("near",), np.array([[50, 30, 4.0]]))
    where.tracks = (SimpleNamespace(id="T1", xyz_m=np.array([[0, 0, 0.2], [100, 0, 0.3]])),)
    assert all(note.kind == "assumption" for note in CALCULATOR.notes(where, OPTIONS))


def laid_out(profile: np.ndarray, edge: np.ndarray, *found: np.ndarray) -> tuple[int, int]:
    room = found[0].size
    return kernels.lay_out(
        profile, edge, np.empty((len(edge) + 1, 3)), np.empty((kernels.N_WORK, room)), np.empty(room, np.int64), *found
    )


def test_a_house_with_one_corner_in_the_ground_is_an_edge_without_a_box() -> None:
    """Of the two edges of a house the one below ground is left out by the geometry: what remains still counts."""
    edge = np.array([[20.0, 4.0, 5.0, 1.0, 0.0, 1.0, 0.0]])
    profile = np.array([[0.0, 0.0], [15.0, 0.0], [30.0, 9.0], [60.0, 0.0]])
    px, pz, ex, ez = np.empty((4, 12))
    n, n_edges = laid_out(profile, edge, px, pz, ex, ez)
    assert (n, n_edges) == (4, 2) and ex[:2].tolist() == [20.0, 30.0]


def test_houses_are_laid_on_the_ground() -> None:
    """Two houses that touch, one entered twice, ground points beneath and where a house begins."""
    at = [(10, 5, 0), (14, 5, 0), (14, 6, 1), (20, 6, 1), (30, 5, 0), (32, 5, 0)]
    edge = np.array([[x, top, 1.0, 1.0, 0.0, 1.0, owner] for x, top, owner in at], dtype=float)
    profile = np.array([[0.0, 0.0], [12.0, 1.2], [20.0, 2.0], [31.0, 2.5], [50.0, 2.0]])
    px, pz, ex, ez = np.empty((4, 40))
    n, n_edges = laid_out(profile, edge, px, pz, ex, ez)
    foot = np.interp([10, 14, 20, 30, 32], profile[:, 0], profile[:, 1])
    expected = [(0, 0), (10, foot[0]), (10, 5), (14, 5), (14, foot[1]), (14, foot[1]), (14, 6), (20, 6), (20, 2)]
    expected += [(20, 2), (30, foot[3]), (30, 5), (32, 5), (32, foot[4]), (50, 2)]
    np.testing.assert_allclose(np.stack([px, pz], axis=1)[:n], expected, atol=1e-12)
    assert list(zip(ex[:n_edges], ez[:n_edges], strict=True)) == [(10, 5), (14, 6), (20, 6), (30, 5), (32, 5)]


def test_most_promising_edges_are_not_passed_over() -> None:
    """The search over all edges, one by one, finds the same edge and path difference as the one that skips."""
    rng, decided = np.random.default_rng(4), 0
    for _ in range(400):
        n, length = int(rng.integers(1, 30)), float(rng.uniform(10, 600))
        zs, zr = rng.uniform(0.3, 30, 2)
        ex = np.sort(rng.uniform(0.5, length - 0.5, n))
        ez = zs + (zr - zs) * ex / length - rng.uniform(0.0, 4.0, n) ** 2 * rng.choice([0.01, 1.0])
        for gamma in (0.0, kernels.ray_radius(np.hypot(length, zr - zs))):
            every = [kernels.one_edge(0.0, zs, x, z, length, zr, gamma) for x, z in zip(ex, ez, strict=True)]
            best, delta = kernels.closest_edge(ex, ez, n, zs, length, zr, gamma, -0.27)
            if max(every) > -0.27:
                decided += 1
                assert best == int(np.argmax(every)) and delta == pytest.approx(max(every), abs=1e-12)
            else:
                assert best == -1
    assert decided > 200


def test_edges_left_out_lie_on_no_hull() -> None:
    """Hulls found among the edges that several source heights need are those found one by one among all edges."""
    rng, kinds = np.random.default_rng(7), set()
    for _ in range(400):
        n_ground, n_walls, length = int(rng.integers(2, 40)), int(rng.integers(0, 6)), float(rng.uniform(20, 600))
        x = np.concatenate([[0.0], np.sort(rng.uniform(0, length, n_ground)), [length]])
        profile = np.stack([x, rng.choice([0.1, 1.0, 5.0]) * rng.normal(size=x.size).cumsum() / 3], axis=1)
        at = np.sort(rng.uniform(1, length - 1, n_walls))
        edge = np.zeros((n_walls, 7))
        edge[:, 0], edge[:, 1] = at, np.interp(at, *profile.T) + rng.uniform(0.1, 8.0, n_walls)
        heights = rng.permutation([0.5, 2.0, 4.0])
        z_rail, zr = profile[0, 1] + 0.3, profile[-1, 1] + rng.uniform(1.5, 15)
        room = x.size + 2 * n_walls + 4
        px, pz, ex, ez, all_x, all_z = np.empty((6, room))
        work, boxes, pick = np.empty((kernels.N_WORK, room)), np.empty((n_walls + 1, 3)), np.empty(room, np.int64)
        straight, curved = np.zeros((2, 3, room), np.int64)
        n_hull = np.zeros((3, 2), np.int64)
        _, n_all = laid_out(profile, edge, px, pz, all_x, all_z)
        n_ground = kernels.apart(profile, work[0], work[1])
        n = kernels.find_edges(
            edge, work[0], work[1], n_ground, boxes, 0, int(np.argmin(heights)), z_rail, heights, zr, work, pick, ex,
            ez, straight, curved, n_hull,
        )  # fmt: skip
        for h, height in enumerate(heights):
            zs = z_rail + height
            above, first, second = np.zeros((3, room), np.int64)
            n_above = kernels.edges_above(all_x, all_z, n_all, zs, length, zr, above)
            n_first = kernels.hull(all_x, all_z, above, n_above, zs, length, zr, 0.0, first)
            gamma = kernels.ray_radius(np.hypot(length, zr - zs))
            n_second = kernels.hull(all_x, all_z, first, n_first, zs, length, zr, gamma, second)
            assert n_hull[h].tolist() == [n_first, n_second]
            assert ex[straight[h, :n_first]].tolist() == all_x[first[:n_first]].tolist()
            assert ez[curved[h, :n_second]].tolist() == all_z[second[:n_second]].tolist()
        if (n_hull == 0).any():
            assert ex[:n].tolist() == all_x[:n_all].tolist()
        kinds.add(((n_hull == 0).any(), n < n_all))
    assert kinds >= {(True, False), (False, True)}


@pytest.mark.parametrize("height", [2.0, 400.0])
def test_path_differences_of_many_lanes_are_those_of_single_rays(height: float) -> None:
    """One edge; at 400 m above the ground arcs to the images are longer than a series for asin reaches."""
    k, t, rng = kernels, kernels.tile(), np.random.default_rng(3)
    n, length = k.TILE, 100.0
    x, z = rng.uniform(5, 95, n), height + rng.uniform(-3, 3, n)
    gamma = rng.choice([0.0, k.ray_radius(length)], n)
    bend = np.divide(0.5, gamma, out=np.zeros(n), where=gamma > 0)
    rows = ((k.FIRST_X, x), (k.FIRST_Z, z), (k.LAST_X, x), (k.LAST_Z, z), (k.BETWEEN, 0.0), (k.SOURCE_Z, height))
    rows += ((k.LENGTHS, length), (k.RECEIVER_Z, height), (k.BEND, bend), (k.SEVERAL, 0.0))
    rows += ((k.SLOPE_1, 0.01), (k.BASE_1, 0.0), (k.SLOPE_2, -0.02), (k.BASE_2, 1.0))
    for row, value in rows:
        t[row : row + n] = value
    k.differences(t, n)
    info = np.zeros((3, 8))
    for j in range(n):
        k.stretch(0.01, 0.0, 0.5, 0.0, height, x[j], z[j], info, k.BEFORE)
        k.stretch(-0.02, 1.0, 0.5, x[j], z[j], length, height, info, k.BEHIND)
        (xi, zi), (xj, zj) = info[k.BEFORE, k.IMAGE_A :][:2], info[k.BEHIND, k.IMAGE_B :][:2]
        for row, ends in ((k.DELTA, (0, height, length, height)), (k.DELTA_S, (xi, zi, length, height)),
                          (k.DELTA_R, (0, height, xj, zj))):  # fmt: skip
            expected = k.one_edge(ends[0], ends[1], x[j], z[j], ends[2], ends[3], gamma[j])
            assert t[row + j] == pytest.approx(expected, abs=1e-10)
        assert t[k.SOURCE_SIDE + k.Z_A + j] == pytest.approx(info[k.BEFORE, k.INFO_Z_A])
        assert t[k.RECEIVER_SIDE + k.D_P + j] == pytest.approx(info[k.BEHIND, k.INFO_D_P])

"""Rules of the calculator of ISO 9613-2: options, special places, messages, notes, compiled code."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from numpy.typing import ArrayLike
from pydantic import ValidationError

from lineside.contracts import Standing, Verification
from lineside.errors import OutOfRangeError
from lineside.plugins import Plugins
from lineside.scene.model import Air, BarrierSegments, GroundAreas, Receivers, SourcePoints
from lineside_plugins.iso9613_propagation import Edge, Iso9613, Iso9613Options, Wall, kernels, profile_terms
from whole_scene import scene_of

CALCULATOR = Iso9613()
HEIGHTS = np.array([0.5, 4.0])


def scene(screens: ArrayLike = (), default_g: float = 1.0, z: float = 0.0) -> Any:
    """A plain at z with screens (ends and top height above it)."""
    line = np.asarray(screens, dtype=float).reshape(-1, 5)
    tops = np.repeat(line[:, 4:], 2, axis=1) + z
    return scene_of(
        ground_level_m=z,
        ground=GroundAreas(default_g, np.empty((0, 2)), np.array([0]), np.empty(0)),
        barriers=BarrierSegments(line[:, :4].reshape(-1, 2, 2), tops, tops * 0 + z, np.arange(len(line))),
        air=Air(10.0, 70.0, 101.325),
    )


def points(xyz: ArrayLike, length_m: float = 0.0, g: float = 1.0) -> SourcePoints:
    p = np.asarray(xyz, dtype=float).reshape(-1, 3)
    n = len(p)
    return SourcePoints(np.zeros(n, dtype=int), p, np.tile([0.0, 1.0], (n, 1)), np.full(n, length_m), np.full(n, g))


def receivers(xyz: ArrayLike) -> Receivers:
    p = np.asarray(xyz, dtype=float).reshape(-1, 3)
    return Receivers(tuple(f"R{i}" for i in range(len(p))), p)


def loss_db(where: Any, source: SourcePoints, to: ArrayLike, **options: Any) -> np.ndarray:
    """(n_receivers, n_points, n_heights, 8)."""
    found = CALCULATOR.path_loss(where, source, HEIGHTS, receivers(to), Iso9613Options(**options))
    assert found.states == ("downwind",)
    return -10 * np.log10(found.transfer[:, :, :, 0])


def path_db(height: float, distance: float, z_r: float, ground: Any, **more: Any) -> np.ndarray:
    return profile_terms((0, height), (distance, z_r), [(0, 0), (distance, 0)], ground, **more).a_db


def test_the_track_bed_has_the_ground_of_the_track() -> None:
    """Abeam the first 2.5 m, obliquely as far as 2.5 m beside the track; the whole path along the track."""
    to = [[40, 0, 4], [30, 40, 4], [0, 60, 4]]
    found = loss_db(scene(default_g=0.2), points([[0, 0, 0]], g=1.0), to)
    for r, (distance, bed) in enumerate([(40.0, 2.5), (50.0, 2.5 / 0.6), (60.0, 60.0)]):
        for h, height in enumerate(HEIGHTS):
            ground = [(0, bed, 1.0), (bed, 100, 0.2)] if bed < distance else [(0, 100, 1.0)]
            np.testing.assert_allclose(found[r, 0, h], path_db(height, distance, 4.0, ground), atol=1e-9)
    bare = loss_db(scene(default_g=0.2), points([[0, 0, 0]], g=1.0), to, track_bed_m=0.0)
    np.testing.assert_allclose(bare[0, 0, 0], path_db(0.5, 40.0, 4.0, [(0, 40, 0.2)]), atol=1e-9)


def test_only_heights_above_the_plain_matter() -> None:
    low = loss_db(scene([5, -9, 5, 9, 2.0]), points([[0, 0, 0.3]]), [[50, 0, 4]])
    high = loss_db(scene([5, -9, 5, 9, 2.0], z=412.5), points([[0, 0, 412.8]]), [[50, 0, 416.5]])
    np.testing.assert_allclose(high, low, atol=1e-7)


def test_a_piece_behind_the_end_of_a_screen_counts_in_parts() -> None:
    """The end of the screen at (10, 0) divides the piece from y = -4 to 4 in the middle, as seen from (50, 0)."""
    where = scene([10, 0, 10, 90, 4])
    whole = 10 ** (-loss_db(where, points([[0, 0, 0]], length_m=8.0), [[50, 0, 4]]) / 10)
    halves = [loss_db(where, points([[0, y, 0]]), [[50, 0, 4]]) for y in (-2.0, 2.0)]
    np.testing.assert_allclose(whole, np.mean([10 ** (-h / 10) for h in halves], axis=0), rtol=1e-9)
    assert np.all(halves[1][0, 0, 0] > halves[0][0, 0, 0] + 1.0)


@pytest.mark.parametrize("x", [0.0, 0.3, 1.0])
def test_points_on_the_track_are_computed_one_metre_away(x: float) -> None:
    found = loss_db(scene(), points([[0, 0, 0]]), [[x, 0, 4]])
    np.testing.assert_allclose(found[0, 0, 0], path_db(0.5, 1.0, 4.0, [(0, 1, 1.0)]), atol=1e-9)


@pytest.mark.parametrize("method", ["general", "alternative"])
def test_sources_and_receivers_on_or_below_the_plain_are_finite(method: Any) -> None:
    options = Iso9613Options(ground_method=method, c0_db=2.0)
    for where in (scene(), scene([5, -99, 5, 99, 1.0])):
        for z in (0.0, -0.5, -3.0):
            found = CALCULATOR.path_loss(where, points([[0, 0, z]]), np.zeros(1), receivers([[60, 0, 0]]), options)
            assert np.all(np.isfinite(found.transfer)) and np.all(found.transfer > 0)


def test_receivers_in_blocks_are_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    where, source = scene([10, -5, 10, 90, 4]), points([[0, y, 0] for y in range(-20, 20, 4)], length_m=4.0)
    to = [[50, y, 4] for y in range(7)]
    whole = loss_db(where, source, to)
    monkeypatch.setattr("lineside_plugins.iso9613_propagation.calculator.BLOCK", 25)
    np.testing.assert_array_equal(loss_db(where, source, to), whole)


def test_an_obstacle_counts_where_it_is_wider_than_the_wavelength() -> None:
    """7.4: an obstacle 0.5 m wide counts from 1 kHz (0.34 m) on, not at 500 Hz (0.68 m)."""
    ground = [(0, 50, 0.5)]
    wide, narrow = (path_db(0.5, 50, 4, ground, edges=[Edge(5, 3, width_m=w)]) for w in (100.0, 0.5))
    free = path_db(0.5, 50, 4, ground)
    np.testing.assert_allclose(narrow, np.where(np.arange(8) < 4, free, wide), rtol=1e-12)
    low = path_db(0.5, 50, 4, ground, edges=[Edge(5, 3, width_m=0.5), Edge(9, 3.4)])
    np.testing.assert_allclose(low[:4], path_db(0.5, 50, 4, ground, edges=[(9, 3.4)])[:4], rtol=1e-12)
    assert np.all(low[4:7] > wide[4:7])


def test_of_three_edges_the_two_with_the_largest_path_difference_count() -> None:
    edges = [(10, 5), (20, 6.5), (30, 7)]
    three = profile_terms((0, 1), (60, 2), [(0, 0), (60, 0)], [(0, 60, 1)], edges=edges)
    pairs = [
        profile_terms((0, 1), (60, 2), [(0, 0), (60, 0)], [(0, 60, 1)], edges=[a, b])
        for a, b in ((edges[0], edges[1]), (edges[0], edges[2]), (edges[1], edges[2]))
    ]
    best = max((p.top for p in pairs if p.top), key=lambda top: top.z_m)
    assert three.top is not None and three.top.edges_m == best.edges_m
    assert three.top.d_z_db.max() == 25.0 and best.edges_m == ((10.0, 5.0), (30.0, 7.0))


def test_edges_that_are_not_parallel_are_taken_in_the_plane_of_the_path() -> None:
    given = ((0, 0.5), (60, 4), [(0, 0), (60, 0)], [(0, 60, 1)])
    skew = profile_terms(*given, edges=[Edge(5, 3, angle_deg=60), Edge(9, 3.4, angle_deg=120)]).top
    plane = profile_terms(*given, edges=[(5, 3), (9, 3.4)]).top
    same = profile_terms(*given, edges=[Edge(5, 3, angle_deg=60), Edge(9, 3.4, angle_deg=60)]).top
    assert skew is not None and plane is not None and same is not None
    assert (skew.z_m, skew.e_m, skew.a_m) == pytest.approx((plane.z_m, np.hypot(4, 0.4), 0.0))
    assert (same.e_m, same.a_m) == pytest.approx((np.hypot(4 * np.sin(np.pi / 3), 0.4), 30.0))


def test_all_ways_together_carry_no_more_than_the_open_path() -> None:
    ground = [(0, 50, 1.0)]
    for top in (2.9, 3.05):
        ways = {"edges": [(25.0, top)], "ground_gain_behind_barriers": True}
        around = path_db(2.0, 50, 4, ground, ways_round=[[(25.0, 0.01)], [(25.0, -0.01)]], **ways)
        over, free = path_db(2.0, 50, 4, ground, **ways), path_db(2.0, 50, 4, ground)
        assert np.all(around >= free - 1e-9) and np.all(around <= over) and np.any(around < over - 1.0)


def test_symbols_name_all_terms() -> None:
    terms = profile_terms(
        (0, 1), (400, 4), [(0, 0), (400, 0)], [(0, 400, 1)], edges=[(5, 3)], ways_round=[[(5, 9)]], c0_db=2,
        power_db=np.full(8, 90.0),
    )  # fmt: skip
    found = terms.symbols()
    assert {"d", "d_p", "h_s", "h_r", "A_div", "A_atm", "A_gr", "A_bar", "A", "D_Omega", "C_met"} <= set(found)
    assert {"A_s", "A_m", "A_r", "G_s", "G_m", "G_r", "q", "z", "d_ss", "d_sr", "e", "a", "C_3", "K_met"} <= set(found)
    assert {"D_z", "sides", "L_fT(DW)", "L_AT(DW)", "L_AT(LT)"} <= set(found)
    total = terms.a_div_db + terms.a_atm_db + terms.ground.a_gr_db + terms.a_bar_db - terms.d_omega_db
    np.testing.assert_allclose(terms.a_db, total, rtol=1e-9)


def test_series_for_exp_agrees_with_the_library() -> None:
    x = np.concatenate([np.linspace(0, 5, 300), np.linspace(5, 200, 300)])
    np.testing.assert_allclose([kernels.exp_neg(v) for v in x], np.exp(-x), rtol=1e-10)


def test_the_same_without_compiler() -> None:
    """The formulas are plain Python too: numba's compiler switched off gives the same numbers."""
    call = (
        "profile_terms((0, .5), (80, 2), [(0, 0), (80, 0)], [(0, 5, 1), (5, 80, .7)], edges=[(5, 4), (65, 4.5)],"
        " ways_round=[[(5, 9), (65, 12)]], ground_method={!r}).a_db"
    )
    calls = [call.format(method) for method in ("general", "alternative")]
    calls.append(
        "profile_terms((0, .5), (80, 3), [(0, 0), (20, 0), (25, 4), (30, 0), (80, 0)], [(0, 80, .7)],"
        " buildings=[(40, 50, 5)], walls=[Wall(70, 9, 0, 30, .5, 20)]).a_db"
    )
    code = (
        "from lineside_plugins.iso9613_propagation import Wall, profile_terms, kernels\n"
        "assert type(kernels.hull).__name__ == 'function'\n"
        f"print(*map(float.hex, map(float, [*{calls[0]}, *{calls[1]}, *{calls[2]}])))"
    )
    run = subprocess.run(
        [sys.executable, "-W", "error", "-c", code],
        env={**os.environ, "NUMBA_DISABLE_JIT": "1"}, capture_output=True, text=True, check=True,
    )  # fmt: skip
    plain = [float.fromhex(v) for v in run.stdout.split()]
    here = [v for line in calls for v in eval(line, {"profile_terms": profile_terms, "Wall": Wall})]
    np.testing.assert_allclose(here, plain, atol=1e-9)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"receiver": (0, 4)}, "must lie to the right"),
        ({"source": (0, -0.2)}, "the source lies 0.2 m below the ground"),
        ({"receiver": (50, -1)}, "the receiver lies 1 m below the ground"),
        ({"terrain": [(0, 0), (40, 0)]}, "terrain: must reach"),
        ({"terrain": [(0, 0), (60, 0), (50, 0)]}, "x not falling"),
        ({"ground": None}, "the general method needs the ground factors"),
        ({"ground": [(0, 20, 1), (25, 50, 1)]}, "without gap or overlap"),
        ({"ground": [(0, 50, 1.2)]}, "G must be between 0 and 1"),
        ({"ground": [(0, 50)]}, r"needs pieces \(from x, to x, G\)"),
        ({"edges": [(50, 4)]}, "edge at 50 m: must lie between"),
        ({"edges": [Edge(5, 4, angle_deg=200)]}, "an angle from 0 to 180 degrees"),
        ({"edges": [Edge(5, 4, width_m=0)]}, "a width above 0"),
        ({"ways_round": [[(5, 1)]] * 3}, "two ways round at most"),
        ({"ways_round": [[]]}, r"each way needs corners \(x, y\)"),
        ({"humidity_pct": 5}, "relative humidity 5 %"),
    ],
)
def test_a_profile_that_makes_no_sense_is_refused(change: dict[str, Any], message: str) -> None:
    given: dict[str, Any] = {"source": (0, 0.5), "receiver": (50, 4), "terrain": [(0, 0), (50, 0)]}
    given["ground"] = [(0, 50, 1)]
    profile_terms(**given)
    with pytest.raises(OutOfRangeError, match=message):
        profile_terms(**given | change)


def test_declarations() -> None:
    plugins = Plugins.load()
    (method,) = [m for m in plugins.methods if m.name == "eu_sources_iso9613"]
    assert method.propagation == CALCULATOR.name and "no law" in method.title
    (common,) = [m for m in plugins.methods if m.name == "eu_common"]
    assert method.source_calculators == common.source_calculators
    assert CALCULATOR.verification is Verification.PUBLISHED
    assert [CALCULATOR.source_ground_g(form) for form in ("ballast", "slab", "embedded")] == [1.0, 0.0, 0.0]
    with pytest.raises(OutOfRangeError, match="ballast, slab, embedded"):
        CALCULATOR.source_ground_g("gras")
    np.testing.assert_array_equal(CALCULATOR.state_share(np.array([[0.0, 0.3]])), [[[1.0], [1.0]]])
    assert CALCULATOR.max_piece_ratio(Iso9613Options(piece_ratio=0.1)) == 0.1
    for bad in ({"piece_ratio": 0.6}, {"c2": 30}, {"c0_db": -1}, {"ground_method": "other"}, {"side_edges": "some"}):
        with pytest.raises(ValidationError):
            Iso9613Options.model_validate(bad)


def test_surfaces_are_hard_or_porous_and_take_no_name_of_another_calculator() -> None:
    for propagation in Plugins.load().propagation_calculators:
        if propagation.name != CALCULATOR.name:
            assert not set(propagation.surfaces()) & set(CALCULATOR.surfaces()), propagation.name
    for g, meaning in CALCULATOR.surfaces().values():
        assert meaning.startswith({0.0: "hard", 1.0: "porous"}[g])


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({}, ["clause 7.3.1", "C_2 = 20", "A_bar = D_z - A_gr", "without the cap", "stand for all periods", "2.5 m"]),
        ({"ground_method": "alternative"}, ["7.3.2", "D_Omega"]),
        ({"c0_db": 1.5}, ["C_0 = 1.5 dB"]),
        ({"c2": 40, "ground_gain_behind_barriers": True}, ["C_2 = 40", "D_z - max(A_gr, 0)"]),
        ({"side_edges": "none", "piece_ratio": 0.1}, ["ends do not count", "0.1 of its distance"]),
    ],
)
def test_the_statement_says_what_was_chosen(options: dict[str, Any], words: list[str]) -> None:
    text = CALCULATOR.statement(Iso9613Options(**options))
    for word in words:
        assert word in text


def test_notes_name_ranges_and_assumptions() -> None:
    where = scene([5, -9, 5, 9, 2.0], default_g=0.3)
    tracks = (
        SimpleNamespace(id="T1", xyz_m=np.array([[0, 0, 0.2], [100, 0, 2.5]])),
        SimpleNamespace(id="T2", xyz_m=np.array([[0, 9, -1.0], [100, 9, 0.2]])),
    )
    to = Receivers(("near", "high", "far"), np.array([[50, 30, 4], [50, 30, 70.0], [50, 1100, 4.0]]))
    where = replace(where, tracks=tracks, receivers=to)
    notes = CALCULATOR.notes(where, Iso9613Options(ground_method="alternative", c0_db=2.0))
    validity = " ".join(note.text for note in notes if note.kind == "validity")
    for part in ("T1 rises to 2.5 m", "T2 lies down to 1.0 m", "every track: far.", "above 30 m: high.", "porous"):
        assert part in validity
    assert "Some of the ground is hard" in validity
    assumed = " ".join(note.text for note in notes if note.kind == "assumption")
    for part in ("do not enter", "edition of 2024", "accuracy of 3 dB", "up to 2 dB higher", "Barriers are thin"):
        assert part in assumed
    assert {note.standing for note in notes} == {Standing.LAW, Standing.ASSUMPTION}
    low: Any = SimpleNamespace(id="T1", xyz_m=np.array([[0, 0, 0.2], [100, 0, 0.3]]))
    where = replace(scene(), tracks=(low,), receivers=Receivers(("near",), np.array([[50, 30, 4.0]])))
    quiet = CALCULATOR.notes(where, Iso9613Options())
    assert all(note.kind == "assumption" for note in quiet)
    assert not any("C_met" in note.text or "Barriers" in note.text for note in quiet)

"""ISO 9613-2:1996 on single paths, with all terms.

Sources: ``data/iso9613_2_cases.json`` (its head says which numbers are published, in ISO/TR 17534-3:2015, and which are
computed); for barriers also numbers computed for 16. BImSchV, Annex 2, whose equations 21 to 25 are those of 7.4.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.bands import OCTAVES_HZ
from lineside.acoustics.levels import energy_sum_db
from lineside_plugins.iso9613_propagation import Edge, IsoTerms, profile_terms

DATA = json.loads((Path(__file__).parent / "data" / "iso9613_2_cases.json").read_text(encoding="utf-8"))
CASES = {case["id"]: case for case in DATA["cases"]}
PUBLISHED = [i for i, case in CASES.items() if "published" in case]
PRINTED_DB = 0.05  # what ISO/TR 17534-3 calls correct


@cache
def computed(case_id: str, **choices: Any) -> IsoTerms:
    given = CASES[case_id]["inputs"]
    return profile_terms(
        (0.0, given["source_z"]),
        (given["profile"][-1][0], given["receiver_z"]),
        given["profile"],
        given["ground"],
        edges=given["edges"],
        ground_method=given["method"],
        temperature_deg_c=given["temperature_c"],
        humidity_pct=given["humidity_percent"],
        power_db=np.full(8, 93.0),
        **choices,
    )


def test_there_are_cases() -> None:
    assert set(PUBLISHED) == {f"ISO-T0{n}" for n in range(1, 6)}
    assert len(CASES) == 7


@pytest.mark.parametrize("case_id", PUBLISHED)
def test_published_levels_and_totals(case_id: str) -> None:
    printed, found = CASES[case_id]["published"], computed(case_id)
    np.testing.assert_allclose(found.level_db, printed["level_db"], atol=PRINTED_DB)
    assert energy_sum_db(found.level_db) == pytest.approx(printed["total_db"], abs=PRINTED_DB)
    assert found.laeq_db == pytest.approx(printed["total_a_weighted_db"], abs=PRINTED_DB)
    assert found.laeq_long_term_db == found.laeq_db


@pytest.mark.parametrize("case_id", PUBLISHED)
def test_published_terms(case_id: str) -> None:
    """Half a unit of the last printed digit; zones as lengths from G_s, G_m, G_r of T04."""
    found = computed(case_id).symbols()
    for name, value in CASES[case_id]["published"].items():
        if name in found:
            np.testing.assert_allclose(found[name], value, atol=0.0051, err_msg=name)


def test_published_terms_were_found() -> None:
    names = {name for i in PUBLISHED for name in CASES[i]["published"] if name in computed(i).symbols()}
    assert names == {"d", "d_p", "A_div", "A_gr", "q", "G_s", "G_m", "G_r", "h_m", "D_Omega"}


@pytest.mark.parametrize("end", [0, 1])
def test_published_functions_of_height(end: int) -> None:
    """a' to d' of Table 3 for 1 m and 4 m, read off A_s and A_r over porous ground (T03)."""
    terms, shape = computed("ISO-T03").ground, DATA["shape_of_region"]
    row = (terms.a_s_db, terms.a_r_db)[end]
    assert row is not None
    for band, name in enumerate("abcd", start=1):
        assert row[band] + 1.5 == pytest.approx(shape[name][end], abs=0.0051), name


@pytest.mark.parametrize("case_id", CASES)
def test_terms_against_a_separate_computation(case_id: str) -> None:
    expected, found = CASES[case_id]["expected"], computed(case_id).symbols()
    assert set(expected) <= {"d", "A_div", "A_atm", "A_gr", "D_Omega", "D_z", "A"}
    for name, value in expected.items():
        if value is None:
            assert name not in found
        else:
            np.testing.assert_allclose(found[name], value, atol=0.0051, err_msg=name)


def test_gain_of_hard_ground_behind_a_barrier() -> None:
    """The other reading: A_bar = D_z - max(A_gr, 0), ISO/TR 17534-3 (from memory)."""
    (other,) = CASES["ISO-12"]["alternative_readings"]
    found = computed("ISO-12", ground_gain_behind_barriers=True)
    np.testing.assert_allclose(found.a_db, other["A"], atol=0.0051)
    np.testing.assert_allclose(found.a_bar_db[0], found.top.d_z_db[0], atol=1e-9)


def flat(length: float, source_z: float, receiver_z: float, **more: Any) -> IsoTerms:
    return profile_terms((0, source_z), (length, receiver_z), [(0, 0), (length, 0)], [(0, length, 1.0)], **more)


def test_one_edge_against_numbers_of_the_german_law() -> None:
    """Edge 2 m at 3.8 m, source 0 m, receiver 25 m / 3.5 m, C_2 = 40; computed from 16. BImSchV, Annex 2, 6.5."""
    top = flat(25, 0.0, 3.5, edges=[(3.8, 2.0)], c2=40).top
    assert top is not None
    lengths = [top.d_ss_m, top.d_sr_m, top.z_m, top.e_m, top.k_met[0]]
    np.testing.assert_allclose(lengths, [4.2942, 21.2530, 0.30337, 0.0, 0.96966], atol=5.1e-5)
    np.testing.assert_allclose(top.d_z_db, [7.14, 8.65, 10.66, 13.08, 15.75, 18.59, 20.0, 20.0], atol=0.0051)
    high = flat(25, 0.0, 3.5, edges=[(3.8, 4.0)], c2=40).top
    assert high is not None
    np.testing.assert_allclose([high.z_m, high.k_met[0]], [1.47933, 0.98433], atol=5.1e-6)
    np.testing.assert_allclose(high.d_z_db[:4], [11.40, 13.88, 16.61, 19.48], atol=0.0051)
    below = flat(25, 4.0, 3.5, edges=[(3.8, 2.0)], c2=40)
    assert below.top is not None and below.top.z_m == pytest.approx(-0.54218, abs=5.1e-6)
    assert np.all(below.a_bar_db == 0.0)


def test_two_edges_against_numbers_of_the_german_law() -> None:
    """A block from 25 to 37 m, 10 m high, source 0 m, receiver 60 m / 4 m; computed from 16. BImSchV, Annex 2."""
    top = flat(60, 0.0, 4.0, edges=[(25, 10), (37, 10)], c2=40).top
    assert top is not None and top.edges_m == ((25.0, 10.0), (37.0, 10.0))
    np.testing.assert_allclose([top.d_ss_m, top.d_sr_m, top.e_m], [26.93, 23.77, 12.0], atol=0.0051)
    assert top.z_m == pytest.approx(2.56237, abs=5.1e-6)
    np.testing.assert_allclose(top.d_z_db, [13.70, 17.32, 21.72, 25, 25, 25, 25, 25], atol=0.0051)


def test_c_3_against_numbers_of_the_german_law() -> None:
    """C_3 for e = 5 m."""
    top = flat(60, 0.5, 4.0, edges=[(25, 10), (30, 10)]).top
    assert top is not None and top.e_m == 5.0
    np.testing.assert_allclose(top.c_3, [1.023, 1.086, 1.305, 1.838, 2.485, 2.840, 2.958, 2.989], atol=0.00051)


def test_an_oblique_edge_by_equation_16() -> None:
    """z = sqrt((d_ss + d_sr)^2 + a^2) - d in the plane normal to the edge; written out here."""
    angle = np.radians(35.0)
    top = flat(80, 0.5, 4.0, edges=[Edge(10.0, 3.0, angle_deg=35.0)]).top
    assert top is not None
    d_ss, d_sr = np.hypot(10 * np.sin(angle), 2.5), np.hypot(70 * np.sin(angle), 1.0)
    z = np.sqrt((d_ss + d_sr) ** 2 + (80 * np.cos(angle)) ** 2) - np.hypot(80, 3.5)
    np.testing.assert_allclose([top.d_ss_m, top.d_sr_m, top.z_m], [d_ss, d_sr, z], rtol=1e-12)
    k_met = np.exp(-np.sqrt(d_ss * d_sr * np.hypot(80, 3.5) / (2 * z)) / 2000)
    np.testing.assert_allclose(top.d_z_db, np.minimum(20, 10 * np.log10(3 + 20 * OCTAVES_HZ / 340 * z * k_met)))


def test_ways_round_by_equation_13() -> None:
    """A wall 8 m to the left and 20 m to the right of the path: A_bar = D_z, K_met = 1, all ways summed (memory)."""
    given = {"edges": [(5.0, 3.0)], "ways_round": [[(5.0, 8.0)], [(5.0, -20.0), (9.0, -20.0)]]}
    terms = flat(50, 0.5, 4.0, **given)
    assert terms.top is not None
    d = np.hypot(50, 3.5)
    left = np.hypot(np.hypot(5, 8) + np.hypot(45, 8), 3.5) - d
    right = np.hypot(np.hypot(5, 20) + 4 + np.hypot(41, 20), 3.5) - d
    c_3 = (1 + (5 * 340 / OCTAVES_HZ / 4) ** 2) / (1 / 3 + (5 * 340 / OCTAVES_HZ / 4) ** 2)
    d_z = [10 * np.log10(3 + 20 * OCTAVES_HZ / 340 * x) for x in (left, c_3 * right)]
    for side, z, e, value in zip(terms.sides, (left, right), (0.0, 4.0), d_z, strict=True):
        assert (side.z_m, side.e_m) == pytest.approx((z, e))
        np.testing.assert_allclose(side.d_z_db, value)
    a_gr = terms.ground.a_gr_db
    ways = [np.maximum(a_gr, terms.top.d_z_db), a_gr + d_z[0], a_gr + d_z[1]]
    np.testing.assert_allclose(a_gr + terms.a_bar_db, -energy_sum_db(-np.array(ways), axis=0), rtol=1e-9)
    capped = flat(50, 0.5, 4.0, side_edges="capped", **given)
    for side, value, cap in zip(capped.sides, d_z, (20.0, 25.0), strict=True):
        np.testing.assert_allclose(side.d_z_db, np.minimum(value, cap))
    np.testing.assert_array_equal(
        flat(50, 0.5, 4.0, side_edges="none", **given).a_db, flat(50, 0.5, 4.0, edges=given["edges"]).a_db
    )


@pytest.mark.parametrize(("length", "expected"), [(30.0, 0.0), (45.0, 0.0), (100.0, 1.65), (900.0, 2.85)])
def test_long_term_correction(length: float, expected: float) -> None:
    """C_met = C_0 (1 - 10 (h_s + h_r) / d_p) from d_p = 10 (h_s + h_r) on, (21) and (22); from memory. C_0 = 3 dB."""
    terms = flat(length, 0.5, 4.0, c0_db=3.0, power_db=np.full(8, 90.0))
    assert terms.c_met_db == pytest.approx(expected)
    assert terms.laeq_db is not None and terms.laeq_long_term_db == pytest.approx(terms.laeq_db - expected)
    np.testing.assert_allclose(terms.a_db, flat(length, 0.5, 4.0).a_db, rtol=1e-12)


@pytest.mark.parametrize(
    ("length", "h_m", "expected"), [(25, 1.75, 0.74), (50, 2, 2.96), (100, 2, 4.00), (200, 2, 4.43), (20, 4, 0.0)]
)
def test_alternative_ground_against_computed_values(length: float, h_m: float, expected: float) -> None:
    """Equation 10, both ends at h_m; computed for 16. BImSchV, Annex 2, equation 14, which is the same. Not below 0."""
    terms = profile_terms((0, h_m), (length, h_m), [(0, 0), (length, 0)], ground_method="alternative")
    assert terms.ground.h_m_m == pytest.approx(h_m)
    np.testing.assert_allclose(terms.ground.a_gr_db, expected, atol=0.0051)


def test_mean_height_over_a_hill_and_a_hollow() -> None:
    """Area between ray and ground over the slant distance, Figure 3: 8 m ray over a triangle and a trench, by hand."""
    terrain = [(0, 0), (20, 0), (30, 4), (40, 0), (60, 0), (60, -3), (80, -3), (80, 0), (100, 0)]
    terms = profile_terms((0, 8), (100, 8), terrain, ground_method="alternative")
    assert terms.ground.h_m_m == pytest.approx((800 - 40 + 60) / 100)
    above = profile_terms((0, 8), (100, 8), [(0, 0), (20, 0), (30, 12), (40, 0), (100, 0)], ground_method="alternative")
    assert above.ground.h_m_m == pytest.approx((640 + 2 * 0.5 * 8 * 20 / 3) / 100)  # where the ray is above the ground


def test_heights_count_from_the_ground_below_and_hills_in_the_ray_are_edges() -> None:
    """A step of 10 m acts as flat ground with h_s = 1 and h_r = 4. A ridge above the ray screens."""
    step = profile_terms((0, 1), (194, 14), [(0, 0), (112, 0), (179, 10), (194, 10)], [(0, 194, 0.5)])
    level = profile_terms((0, 1), (194, 4), [(0, 0), (194, 0)], [(0, 194, 0.5)])
    np.testing.assert_allclose(step.ground.a_gr_db, level.ground.a_gr_db, rtol=1e-12)
    assert step.top is None and step.d_m == pytest.approx(np.hypot(194, 13))
    ridge = [(0, 0), (40, 0), (50, 6), (60, 0), (194, 0)]
    hill = profile_terms((0, 1), (194, 4), ridge, [(0, 194, 0.5)])
    wall = profile_terms((0, 1), (194, 4), [(0, 0), (194, 0)], [(0, 194, 0.5)], edges=[(50, 6)])
    np.testing.assert_allclose(hill.a_db, wall.a_db, rtol=1e-12)

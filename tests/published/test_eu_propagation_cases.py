"""Propagation cases of the EU common method, with all intermediate terms.

Source: ``data/eu_propagation_cases.json``: computed, not published, by an independent scalar implementation of
Directive 2002/49/EC, Annex II, section 2.5; rounded to 0.01 dB.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.bands import OCTAVES_HZ
from lineside.acoustics.levels import a_weighted_energy, to_db, to_energy
from lineside_plugins.eu_propagation import vertical_cut

DATA = json.loads((Path(__file__).parent / "data" / "eu_propagation_cases.json").read_text(encoding="utf-8"))
CASES = {case["id"]: case for case in DATA["cases"]}
PATHS = [i for i, case in CASES.items() if case["kind"] in ("vertical_cut", "reflection")]
#: Lengths, heights and ground factors are printed to 3 or 5 decimals, angles and levels to 2.
LENGTH_TOLERANCE_M = 0.0051


@cache
def computed(case_id: str) -> dict[str, Any]:
    case = CASES[case_id]
    given = case["inputs"]
    power = np.array(given["L_W"])
    if case["kind"] == "reflection":  # an image source: what the wall takes off its power is given
        power = power + np.array(case["expected"]["source_correction"])
    return vertical_cut(
        (given["source"]["x"], given["source"]["z"]),
        (given["receiver"]["x"], given["receiver"]["z"]),
        given["terrain"],
        given["ground"],
        source_ground_g=given["G_s"],
        barriers=[(b["x"], b["top_z"]) for b in given["barriers"]],
        buildings=[(b["x1"], b["x2"], b["top_z"]) for b in given["buildings"]],
        favourable_share=given["p"],
        power_db=power,
        **air(given),
    ).symbols()


def air(given: dict[str, Any]) -> dict[str, float]:
    a = given["air"]
    return {
        "temperature_deg_c": a["temperature_c"],
        "humidity_pct": a["humidity_percent"],
        "pressure_kpa": a["pressure_kpa"],
    }


def test_there_are_cases() -> None:
    assert len(PATHS) == 21


@pytest.mark.parametrize("case_id", PATHS)
def test_attenuations_and_levels(case_id: str) -> None:
    expected, found = CASES[case_id]["expected"], computed(case_id)
    for name in ("A_div", "A_atm", "A_boundary_H", "A_boundary_F", "A_H", "A_F", "L_longterm", "L_Aeq_longterm"):
        np.testing.assert_allclose(found[name], expected[name], atol=CASES[case_id]["tolerance_db"], err_msg=name)


@pytest.mark.parametrize("case_id", PATHS)
def test_which_bands_are_diffracted(case_id: str) -> None:
    for name in ("diffraction_H", "diffraction_F"):
        assert computed(case_id)[name].tolist() == CASES[case_id]["expected"][name], name


@pytest.mark.parametrize("case_id", PATHS)
def test_lengths_heights_and_edges(case_id: str) -> None:
    expected, found = CASES[case_id]["expected"], computed(case_id)
    assert found["d"] == pytest.approx(expected["d"], abs=LENGTH_TOLERANCE_M)
    for state in ("H", "F"):
        for part in ("whole_path", "source_side", "receiver_side"):
            for name, value in expected.get(f"{part}_{state}", {}).items():
                assert found[f"{part}_{state}"][name] == pytest.approx(value, abs=LENGTH_TOLERANCE_M), (part, name)
        if f"delta_{state}" in expected:
            assert found[f"delta_{state}"] == pytest.approx(expected[f"delta_{state}"], abs=6e-6)
            assert [list(edge) for edge in found[f"edges_{state}"]] == expected[f"edges_{state}"]
        else:
            assert f"delta_{state}" not in found


def test_a_reflecting_wall_given_with_its_absorption() -> None:
    """EU-44: absorption and retrodiffraction by the program, 10 lg(1 - alpha) - Delta_retrodif, straight lengths."""
    case = CASES["EU-44"]
    given, expected = case["inputs"], case["expected"]
    found = vertical_cut(
        (given["source"]["x"], given["source"]["z"]), (given["receiver"]["x"], given["receiver"]["z"]),
        given["terrain"], given["ground"], source_ground_g=given["G_s"], walls=[(6.0, 2.0, given["wall_absorption"])],
        favourable_share=given["p"], power_db=given["L_W"], **air(given),
    ).symbols()  # fmt: skip
    for state in ("H", "F"):
        np.testing.assert_allclose(found[f"source_correction_{state}"], expected["source_correction"], atol=0.0051)
        with_wall = np.array(expected[f"A_{state}"]) - expected["source_correction"]
        np.testing.assert_allclose(found[f"A_{state}"], with_wall, atol=case["tolerance_db"])
    np.testing.assert_allclose(found["L_longterm"], expected["L_longterm"], atol=case["tolerance_db"])
    assert found["L_Aeq_longterm"] == pytest.approx(expected["L_Aeq_longterm"], abs=case["tolerance_db"])


def test_a_line_in_pieces_with_directivity() -> None:
    """EU-49: 60 pieces, each in its own stretched cut; directivity by (2.3.15) and (2.3.16), written out here."""
    case = CASES["EU-49"]
    given, expected = case["inputs"], case["expected"]
    x_r, z_r = given["receiver"]["x"], given["receiver"]["z"]
    with_directivity, without = np.zeros(8), np.zeros(8)
    for y in np.linspace(-150, 150, 61)[:-1] + 2.5:
        plan = np.hypot(x_r, y)
        ground = [[a * plan / x_r, b * plan / x_r, g] for a, b, g in given["ground"]]
        power = np.array(given["L_W_per_m"]) + 10 * np.log10(5.0)
        cut = vertical_cut(
            (0.0, 0.5), (plan, z_r), [(0, 0), (plan, 0)], ground, source_ground_g=given["G_s"], **air(given),
            favourable_share=given["p"], power_db=power,
        )  # fmt: skip
        psi = np.arctan2(z_r - 0.5, plan)
        horizontal = 10 * np.log10(0.01 + 0.99 * (x_r / plan) ** 2)
        vertical = 40 / 3 * (2 / 3 * np.sin(2 * psi) - np.sin(psi)) * np.log10((OCTAVES_HZ + 600) / 200)
        without += to_energy(cut.level_db)
        with_directivity += to_energy(cut.level_db + horizontal + np.abs(vertical))
    for energy, bands, total in (
        (with_directivity, "L_longterm", "L_Aeq_longterm"),
        (without, "L_longterm_without_directivity", "L_Aeq_without_directivity"),
    ):
        np.testing.assert_allclose(to_db(energy), expected[bands], atol=case["tolerance_db"])
        assert to_db(a_weighted_energy(energy)) == pytest.approx(expected[total], abs=case["tolerance_db"])

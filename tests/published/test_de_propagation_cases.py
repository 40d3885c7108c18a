"""Propagation cases of 16. BImSchV, Annex 2, with all intermediate terms.

Source: ``data/de_16bimschv_cases.json``: computed, not published, by an independent scalar implementation of the
regulation; rounded to 0.01 dB.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flat_scene import flat_scene, receivers_at, track_pieces
from lineside_plugins.de_propagation import DePropagation, DePropagationOptions, PropagationPath, propagation_path

DATA = json.loads((Path(__file__).parent / "data" / "de_16bimschv_cases.json").read_text(encoding="utf-8"))
CASES = {case["id"]: case for case in DATA["cases"]}
POINTS = [i for i, case in CASES.items() if case["kind"] == "point"]
LENGTH_TOLERANCE_M = 0.0051  # lengths are rounded to 0.01 m
HEIGHTS = np.array([0.0, 4.0, 5.0])


def computed(given: dict[str, Any]) -> PropagationPath:
    source, receiver = given["source"], given["receiver"]
    wet = given["water_share"] * (receiver["x"] - source["x"])
    return propagation_path(
        (source["x"], source["z"]),
        (receiver["x"], receiver["z"]),
        given["terrain"],
        along_m=receiver["y"] - source["y"],
        water=[(source["x"], source["x"] + wet)] if wet else [],
        edges=given["edges"],
        d_refl_db=given["D_refl"],
        c_2=given["C_2"],
    )


def directivity_db(given: dict[str, Any]) -> float:
    """Gl. 8, written out here: 10 lg(0.22 + 1.27 sin^2 delta), delta from the track's axis along y."""
    step = [given["receiver"][axis] - given["source"][axis] for axis in "xyz"]
    square = step[0] ** 2 + step[1] ** 2 + step[2] ** 2
    return float(10 * np.log10(0.22 + 1.27 * (1 - step[1] ** 2 / square)))


def test_there_are_cases() -> None:
    assert len(POINTS) == 6


@pytest.mark.parametrize("case_id", POINTS)
def test_terms_of_a_path(case_id: str) -> None:
    case = CASES[case_id]
    expected, found = case["expected"], computed(case["inputs"]).symbols()
    for name in ("A_div", "A_atm", "A_gr", "D_Omega", "A_bar", "A"):
        np.testing.assert_allclose(found[name], expected[name], atol=case["tolerance_db"], err_msg=name)
    whole = np.asarray(found["transfer"]) + directivity_db(case["inputs"])
    np.testing.assert_allclose(whole, expected["transfer"], atol=case["tolerance_db"])
    for name in ("d", "d_p", "h_m"):
        assert found[name] == pytest.approx(expected[name], abs=LENGTH_TOLERANCE_M), name


@pytest.mark.parametrize("case_id", [i for i in POINTS if "screen" in CASES[i]["expected"]])
def test_terms_of_a_screen(case_id: str) -> None:
    case = CASES[case_id]
    expected, found = case["expected"]["screen"], computed(case["inputs"]).symbols()["screen"]
    assert isinstance(found, dict)
    assert found["z"] == pytest.approx(expected["z"], abs=6e-6)
    assert found["edges"] == expected["edges"]
    for name in ("d_s", "d_r", "e"):
        assert found[name] == pytest.approx(expected[name], abs=LENGTH_TOLERANCE_M), name
    np.testing.assert_allclose(found["D_z"], expected["D_z_after_cap"], atol=case["tolerance_db"])


@pytest.mark.parametrize("case_id", POINTS)
def test_the_calculator_gives_the_same(case_id: str) -> None:
    """Each case as a scene: source at the origin of a track along y, endless screens, water across the track."""
    case = CASES[case_id]
    given = case["inputs"]
    x, y = given["receiver"]["x"], given["receiver"]["y"] - given["source"]["y"]
    water = [(0.0, [[0, -999], [given["water_share"] * x, -999], [given["water_share"] * x, 999], [0, 999]])]
    where = flat_scene(water if given["water_share"] else [], [[e, -900, e, 900, top] for e, top in given["edges"]])
    pieces = track_pieces([0.0], 0.0, rail_z=given["source"]["z"])
    to = receivers_at([[x, y, given["receiver"]["z"]]])
    found = DePropagation().path_loss(where, pieces, np.zeros(1), to, DePropagationOptions()).transfer
    np.testing.assert_allclose(
        10 * np.log10(found[0, 0, 0, 0]) + directivity_db(given), case["expected"]["transfer"], atol=0.02
    )


#: One category 10 wagon per hour, composite blocks, 100 km/h: octaves at 0 m printed to 0.1 dB beside case DE-34.
WAGON_DB = np.array([[25.7, 33.3, 43.9, 59.4, 64.4, 61.8, 56.5, 39.1]])


@pytest.mark.parametrize(
    ("case_id", "power_db", "rounding_db"),
    [
        ("DE-30", np.array(list(CASES["DE-01"]["expected"]["L_W_per_m_by_height"].values())), 0.0),
        ("DE-34", WAGON_DB, 0.05),
    ],
)
def test_whole_lines(case_id: str, power_db: np.ndarray, rounding_db: float) -> None:
    case = CASES[case_id]
    given, expected = case["inputs"], case["expected"]
    half, n = (800.0, 400) if case_id == "DE-30" else (2000.0, 4000)
    assert f"from y = -{half:g} to {half:g} m in {n} equal pieces" in given["track"]
    length = 2 * half / n
    pieces = track_pieces(-half + length * (np.arange(n) + 0.5), length, rail_z=given["rail_top_z"])
    to = receivers_at([list(given["receiver"].values())])
    heights = HEIGHTS[: len(power_db)]
    found = DePropagation().path_loss(flat_scene(), pieces, heights, to, DePropagationOptions()).transfer[0, :, :, 0]
    step = to.xyz_m[0] - pieces.xyz_m[:, np.newaxis] - heights[:, np.newaxis] * [0, 0, 1]
    directivity = 0.22 + 1.27 * (1 - step[..., 1] ** 2 / np.sum(step**2, axis=-1))
    bands = 10 * np.log10(np.einsum("phb,ph,hb->b", found, directivity, length * 10 ** (power_db / 10)))
    np.testing.assert_allclose(bands, expected["L_pA_bands"], atol=case["tolerance_db"] + rounding_db)
    total = 10 * np.log10(np.sum(10 ** (bands / 10)))
    assert total == pytest.approx(expected["L_pAeq_1h"], abs=case["tolerance_db"] + rounding_db)

    if case_id == "DE-34":  # No. 2.2.9 of the regulation: L_W'A - 19 dB at 25 m and 3.5 m above the rails
        assert total == pytest.approx(67.51 - 19.0, abs=0.7)

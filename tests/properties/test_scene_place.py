"""What levels must make of the ground's height, the air and the track's attributes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sites import assess_site, straight_site

#: ISO 9613-2:1996, Table 2: dB per km at 10 deg C, 70 %, and at 30 deg C, 70 %; printed digits.
AIR_10_70 = [0.1, 0.4, 1.0, 1.9, 3.7, 9.7, 32.8, 117.0]
AIR_30_70 = [0.1, 0.3, 1.0, 3.1, 7.4, 12.7, 23.1, 59.3]


def screened(ground_m: float) -> dict[str, Any]:
    site = straight_site(300.0)
    site["site"]["ground_level_m"] = ground_m
    site["tracks"][0]["alignment"]["points"] = [[-300, 0, ground_m + 0.3], [300, 0, ground_m + 0.3]]
    site["barriers"] = [{"id": "B", "height_m": 2.0, "surface": "absorbing", "line": [[-60, 5], [80, 7]]}]
    site["receivers"].append({**site["receivers"][0], "id": "Q", "position": [30.0, -20.0]})
    return site


def test_lifting_the_whole_site_changes_no_level(tmp_path: Path) -> None:
    low, high = (assess_site(screened(z), tmp_path / str(z)) for z in (0.0, 100.0))
    for name in low:
        for what in ("lden_db", "period_db", "spectrum_db", "by_mechanism_db", "passes"):
            assert getattr(high[name], what) == getattr(low[name], what), (name, what)
        assert high[name].z == low[name].z + 100.0


def test_other_air_takes_its_own_share(tmp_path: Path) -> None:
    """A short track 200 m away: the spectrum moves by 200 m of the difference between the two absorptions."""
    spectra = []
    for temperature in (10, 30):
        site = straight_site(2.0)
        site["site"]["air"]["temperature_deg_c"] = temperature
        site["receivers"][0]["position"] = [0.0, 200.0]
        spectra.append(assess_site(site, tmp_path / str(temperature))["R"].spectrum_db["day"])
    expected = 0.2 * (np.array(AIR_10_70) - AIR_30_70)
    moved = np.array(spectra[1], dtype=float) - np.array(spectra[0], dtype=float)
    # the last printed digit of both values of the table, and of the levels
    np.testing.assert_allclose(moved[:-1], expected[:-1], atol=0.2 * 0.1 + 0.002)
    assert moved[-1] == pytest.approx(expected[-1], abs=0.2 * (0.5 + 0.05) + 0.002)


def test_twice_the_joints_make_twice_the_impact_sound(tmp_path: Path) -> None:
    few, many = (
        assess_site(straight_site(joints_per_100_m=n), tmp_path / str(n))["R"].by_mechanism_db["day"]["impact"]
        for n in (1.0, 2.0)
    )
    assert many - few == pytest.approx(10 * np.log10(2), abs=0.002)


def test_wind_towards_the_receiver_counts_where_the_receiver_is(tmp_path: Path) -> None:
    """Always favourable towards the north, never towards the south: the northern receiver hears more."""
    site = straight_site(600.0)
    towards = [(0, 1.0), (90, 0.0), (270, 1.0)]
    site["site"]["favourable"] = {
        "kind": "by_sector",
        "sectors": [{"from_deg": d, "day": p, "evening": 1 - p, "night": p} for d, p in towards],
    }
    other = {**site["receivers"][0], "id": "S", "position": [0.0, -200.0]}
    site["receivers"] = [{**site["receivers"][0], "id": "N", "position": [0.0, 200.0]}, other]
    found = assess_site(site, tmp_path)
    north, south = found["N"].period_db, found["S"].period_db
    assert north["day"] > south["day"] + 0.5
    assert south["evening"] > north["evening"] + 0.5
    factor = 10 * np.log10((24 / 4) / (120 / 12))  # the same state: periods differ by the number of trains
    assert south["evening"] - north["day"] == pytest.approx(factor, abs=0.002)

"""Limits of single passes in options: the same as in an assessment of the project with the measure in it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.engine.option_passes import largest_passes
from measure_sites import considered
from sites import straight_site, write_site

WALL = {"id": "N", "line": [[-150, 10], [150, 10]], "height_m": 3}
SLOW = {"track": "T", "speed_km_h": 40}


def place(limit_db: float = 60.0, **more: Any) -> dict[str, Any]:
    site = straight_site(300.0)
    site["identity"]["assessment_dates"] = ["2026-12-01"]
    site["receivers"][0] |= {"dwellings": 3, "persons": 5}
    site["receivers"].append({"id": "Q", "position": [40, 90], "use": "dwelling", "dwellings": 2, "persons": 4})
    limits = {"title": "Permit", "source": "p. 3", "limits": [{"quantity": "lafmax", "limit_db": limit_db}]}
    site["criteria"] = [{"name": "custom", "id": "permit", "options": limits}]
    site["measures"] = [
        {"id": "wall", "measure": "barrier", "options": WALL},
        {"id": "slow", "measure": "speed_restriction", "options": SLOW},
    ]
    return {**site, **more}


def loudest(site: dict[str, Any], folder: Path) -> np.ndarray:
    results = lineside.assess(write_site(site, folder)).results
    return np.array([max(p.lafmax_db for p in r.passes) for r in results.receivers])


def test_passes_are_those_of_the_changed_project(tmp_path: Path) -> None:
    run, _ = considered(place(), tmp_path / "all")
    found = largest_passes(run, run.evaluation.selection, run.keys, [0, 1])
    got = {key: 10 * np.log10(energy) for key, energy in found.items()}
    slow = place(measures=[])
    slow["services"][0]["speed_restrictions"] = [{"from_m": 0, "to_m": 600, "speed_km_h": 40}]
    expected = {
        (): loudest(place(measures=[]), tmp_path / "none"),
        ("wall",): loudest(place(measures=[], barriers=[{**WALL, "surface": "absorbing"}]), tmp_path / "wall"),
        ("slow",): loudest(slow, tmp_path / "slow"),
    }
    for key, level in expected.items():
        np.testing.assert_allclose(got[key], level, atol=0.0051)
    assert np.all(got["wall",] < got[()] - 1.0) and np.all(got["slow",] < got[()] - 1.0)
    assert np.all(got["wall", "slow"] <= np.minimum(got["wall",], got["slow",]))


def test_options_are_compared_with_limits_of_passes(tmp_path: Path) -> None:
    before = loudest(place(measures=[]), tmp_path / "none")
    limit = float(before.max()) - 0.5  # only the nearer house is above it
    options = lineside.assess(write_site(place(limit), tmp_path / "all")).results.options
    assert options is not None
    for option in options.options:
        (above,) = option.above
        assert (above.quantity, above.receivers_before, above.receivers) == ("lafmax_db", 1, 0)
        assert (above.dwellings_before, above.persons_before, above.persons) == (3, 5, 0)
    assert any("play no part in the order" in note for note in options.notes)
    assert not any("average levels do not answer" in note for note in options.notes)


@pytest.mark.parametrize("name", ["wall", "slow"])
def test_the_order_does_not_count_them(name: str, tmp_path: Path) -> None:
    site = place(40.0)
    site["measures"] = [m for m in site["measures"] if m["id"] == name]
    options = lineside.assess(write_site(site, tmp_path)).results.options
    assert options is not None and "limit" not in options.order[0].reason

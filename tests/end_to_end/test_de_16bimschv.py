"""A whole project by the method de_16bimschv, against check values of the regulation.

Source: computed, not published: ``tests/published/data/de_16bimschv_check_values.csv``, levels of one electric multiple
unit per hour (category 5, wheel-disc brake, 10 axles, 100 km/h) beside an endless line with its rails on the ground.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

import lineside
from lineside.errors import LinesideError, ProjectError
from sites import assess_site, straight_site, write_site

RIVER = {"ground_areas": [{"id": "W", "surface": "water", "polygon": [[-9e3, -1], [9e3, -1], [9e3, 999], [-9e3, 999]]}]}
BARRIER = {
    "barriers": [{"id": "B", "height_m": 2.0, "surface": "absorbing", "line": [[-2500, 4], [2500, 4]]}],
}


def site(**more: Any) -> dict[str, Any]:
    """One multiple unit per hour on 4 km of straight track."""
    found = straight_site(2000.0)
    track, (car,) = found["tracks"][0], found["vehicles"]
    track["kind"] = car["kind"] = "train"
    track["alignment"]["points"] = [[-2000.0, 0.0, 0.0], [2000.0, 0.0, 0.0]]
    track["attributes"]["speed_limit_km_h"] = 100
    car |= {"n_axles": 10, "length_m": 68, "max_speed_km_h": 160}
    found["units"][0]["vehicles"] = [{"vehicle": "car"}]
    found["services"][0]["trains"] = {"kind": "per_period", "day": 12, "evening": 4, "night": 8}
    found["calculation"] = {
        "method": "de_16bimschv",
        "options": {
            "de_railway": {"vehicles": {"car": {"category": 5, "brake": "wheel_disc"}}},
            "de_propagation": {"side_way_ratio": 1},
        },
    }
    found["receivers"] = [
        {"id": f"R{d}", "position": [0.0, d], "height_m": 4.0, "use": "dwelling", "area": "residential"}
        for d in (50, 100, 200)
    ]
    found["criteria"] = [{"name": "de_16bimschv"}]
    return found | more


@pytest.mark.parametrize(
    ("more", "expected"),
    [({}, {"R50": 45.00, "R100": 40.76, "R200": 36.70}), (RIVER, {"R100": 43.76}), (BARRIER, {"R50": 34.54})],
    ids=["land", "water", "barrier"],
)
def test_levels_of_a_project(more: dict[str, Any], expected: dict[str, float], tmp_path: Path) -> None:
    found = assess_site(site(**more), tmp_path)
    for receiver, level in expected.items():
        for period in ("day", "evening", "night"):
            assert found[receiver].period_db[period] == pytest.approx(level, abs=0.05)
        assert found[receiver].by_mechanism_db["day"] == {"trains": found[receiver].period_db["day"]}


def test_calling_trains_sound_as_at_the_permitted_speed(tmp_path: Path) -> None:
    """No. 4.3: permitted speeds cover braking, standing and starting."""
    through = assess_site(site(), tmp_path / "a")
    calling = site(stops=[{"id": "stop", "name": "Stop", "at": [{"track": "T", "chainage_m": 2000.0}]}])
    calling["services"][0]["pattern"] = {
        "kind": "calls", "at": ["stop"], "acceleration_m_s2": 0.8, "braking_m_s2": 0.8, "dwell_s": 40,
    }  # fmt: skip
    found = assess_site(calling, tmp_path / "b")
    for receiver in found:
        assert found[receiver].period_db["day"] == pytest.approx(through[receiver].period_db["day"], abs=0.02)


def test_limits_are_compared_with_levels_rounded_up(tmp_path: Path) -> None:
    assessment = lineside.assess(write_site(site(), tmp_path))
    findings = [f for f in assessment.results.findings if f.receiver == "R50"]
    assert [f.limit_db for f in findings] == [59.0, 49.0]
    assert all(f.level_db == pytest.approx(45.0, abs=0.05) for f in findings)
    said = " ".join(note.text for note in assessment.results.notes)
    assert "whatever roughness the project gives" in said and "shares of favourable propagation have no effect" in said


def test_a_vehicle_without_a_category_is_a_plain_error(tmp_path: Path) -> None:
    bare = site()
    del bare["calculation"]["options"]["de_railway"]
    with pytest.raises(LinesideError, match="no entry for car"):
        assess_site(bare, tmp_path / "a")
    wrong = site()
    wrong["calculation"]["options"]["de_railway"]["vehicles"]["car"] = {"category": 11, "breaks": "disc"}
    with pytest.raises(ProjectError) as caught:
        assess_site(wrong, tmp_path / "b")
    text = str(caught.value)
    assert "category" in text and "breaks" in text and "project.yaml" in text


def test_options_appear_in_the_results(tmp_path: Path) -> None:
    assessment = lineside.assess(write_site(site(), tmp_path))
    (offer,) = [o for o in assessment.results.provenance.offers if o.name == "de_railway"]
    assert "wheel_disc" in json.dumps(offer.options)

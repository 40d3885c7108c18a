"""An explanation takes up the transfer that the run has computed, and says the same as without it."""

from __future__ import annotations

import copy
import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

import lineside
from lineside.engine import causes
from lineside.engine.causes import Explainer, known_way
from lineside.engine.situation import Situation
from lineside.plugins import Plugins
from sites import straight_site, write_site

SITE = straight_site(300.0)
SITE["identity"]["assessment_dates"] = ["2026-11-20"]
SITE["works"] = [
    {
        "date": "2026-06-01",
        "kind": "rail_pads",
        "track": "T",
        "from_m": 100,
        "to_m": 400,
        "changes": {"rail_pad": "soft"},
    }
]
SITE["receivers"] += [
    {"id": f"Q{k}", "position": [20.0 * k, -30.0], "height_m": 4.0, "use": "other", "area": None} for k in range(4)
]


@pytest.fixture(scope="module")
def assessment(tmp_path_factory):
    return lineside.assess(write_site(SITE, tmp_path_factory.mktemp("site")))


def split(assessment, start, known, workers=1):
    planned = assessment.plan
    explainer = Explainer(planned.scenes, planned.rails, assessment.selection, known, workers)
    return explainer.split(start, planned.situation, planned.built.scene.receivers)


def test_nothing_is_computed_again_and_nothing_changes(assessment, monkeypatch):
    planned = assessment.plan
    start = Situation("before", dt.date.fromisoformat("2026-05-31"), planned.situation.choices)
    slow = split(assessment, start, None)
    assert len(slow.causes) == 1 and np.all(np.abs(slow.parts_db) > 0.1)
    known = known_way(planned, assessment.computed.receivers.transfer)

    def never(*words, **more):
        raise AssertionError("computed again")

    monkeypatch.setattr(causes, "compute_transfer", never)
    for workers in (1, 3):
        quick = split(assessment, start, known, workers)
        np.testing.assert_allclose(quick.parts_db, slow.parts_db, rtol=0, atol=1e-9)
        np.testing.assert_allclose(quick.after_db, slow.after_db, rtol=0, atol=1e-9)
    with pytest.raises(AssertionError, match="computed again"):
        split(assessment, start, None)


def test_another_weather_is_computed(assessment):
    planned = assessment.plan
    known = known_way(planned, assessment.computed.receivers.transfer)
    start = replace(planned.situation, choices={"weather": "homogeneous"})
    np.testing.assert_allclose(
        split(assessment, start, known).before_db, split(assessment, start, None).before_db, rtol=0, atol=1e-9
    )
    assert split(assessment, start, known).causes == ("weather",)


def test_nothing_is_known_for_the_track_of_another_date(assessment):
    early = replace(assessment.plan, situation=Situation("early", dt.date.fromisoformat("2026-01-01"), {}))
    assert known_way(early, assessment.computed.receivers.transfer) is None


def test_works_without_any_source(tmp_path):
    """All calculators left out: nothing is heard, before the works and after."""
    site = copy.deepcopy(SITE)
    method = next(m for m in Plugins.load().methods if m.name == "eu_common")
    site["calculation"] = {"method": "eu_common", "without": list(method.source_calculators)}
    found = lineside.assess(write_site(site, tmp_path)).results
    assert found.receivers[0].lden_db is None
    assert found.explanations and all(e.start_db["lden"] is e.end_db["lden"] is None for e in found.explanations)

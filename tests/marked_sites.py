"""Straight sites with marks on the rails, and what they are assessed with."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import lineside
from lineside.api import Assessment
from sites import straight_site, write_site

SURVEY = {"tone": "iso_1996_2_2007_annex_d", "tone_adjustment_db": 5}
#: With grinding of 10 mm finish switched off, so that marks are all that is new.
NO_FINISH = {"finish_production_db": {"likely": -40.0}}


def site(*limits: dict[str, Any], marks_db: float = 10.0, speed_km_h: float = 57.06, **changes: Any) -> dict[str, Any]:
    """A straight line of 1 km ground all along on the day before, its marks at 25.12 mm."""
    out = straight_site(500.0, speed_limit_km_h=speed_km_h)
    out["identity"]["assessment_dates"] = ["2026-09-02"]
    out["vehicles"][0].update(actual={"wheel_load_kn": 50}, wheel_roughness=changes.get("wheels", "disc"))
    details = {"pitch_mm": 25.12, **changes.get("details", {})}
    work = {"date": "2026-09-01", "kind": "grinding", "track": "T", "from_m": 0, "to_m": 1000, "details": details}
    out["works"] = [work, *changes.get("works", [])]
    parameters = {**NO_FINISH, "marks_db": {"likely": marks_db}}
    wear = {"name": "rail_wear", "months_after": 12, "options": {"parameters": parameters}}
    out["calculation"] = {"method": "eu_common", "rail_state": wear}
    options = {"title": "Permit", "source": "page 12", "limits": list(limits)}
    out["criteria"] = [{"name": "custom", "options": options}] if limits else []
    return out


def assess(project: dict[str, Any], folder: Path) -> Assessment:
    return lineside.assess(write_site(copy.deepcopy(project), folder))

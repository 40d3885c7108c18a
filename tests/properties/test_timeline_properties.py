"""Levels in time whatever the site: the quick evaluation of many states is the exact one."""

from __future__ import annotations

import copy
import datetime as dt
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from sites import straight_site
from timeline_parts import built

FIRST = dt.date(2026, 9, 1)
N_DRAWS = 20
#: What the quick evaluation may be off by in any level. [dB]
CLOSE_DB = 0.02


@st.composite
def sites(draw: st.DrawFn) -> dict[str, Any]:
    """Speeds, wheels, units, calls, joints, bridges, works and options of all kinds on a straight track."""
    out = straight_site(400.0, joints_per_100_m=draw(st.sampled_from([0, 0, 4])))
    out["identity"]["assessment_dates"] = ["2028-12-01"]
    track, car, service = out["tracks"][0], out["vehicles"][0], out["services"][0]
    track["kind"] = car["kind"] = kind = draw(st.sampled_from(["train", "metro", "tram"]))
    track["attributes"]["speed_limit_km_h"] = draw(st.floats(15.0, 140.0))
    track["attributes"]["rail_roughness"] = draw(st.sampled_from(["average_network", "well_maintained"]))
    car.update(actual={"wheel_load_kn": 50}, max_speed_km_h=160)
    at = draw(st.floats(100.0, 600.0))
    track["stretches"] = [{"from_m": at, "to_m": at + 60.0, "bridge": "plus_10_dba", "speed_limit_km_h": 40}]
    wheels = draw(st.lists(st.sampled_from(["disc", "composite_block", "cast_iron_block"]), min_size=1, max_size=3))
    filters = st.sampled_from(["load_50kn_wheel_920mm", "load_100kn_wheel_920mm", "load_25kn_wheel_920mm"])
    out["vehicles"] = [
        {
            **car,
            "id": f"v{k}",
            "wheel_roughness": w,
            "contact_filter": draw(filters),
            "n_axles": draw(st.integers(2, 6)),
        }
        for k, w in enumerate(wheels)
    ]
    out["units"] = [{"id": "unit", "vehicles": [{"vehicle": f"v{k}", "count": 2} for k in range(len(wheels))]}]
    out["stops"] = [{"id": "stop", "at": [{"track": "T", "chainage_m": draw(st.floats(250.0, 550.0))}]}]
    calls = {"kind": "calls", "at": ["stop"], "acceleration_m_s2": 0.8, "braking_m_s2": 0.7, "dwell_s": 30}
    patterns = draw(st.lists(st.sampled_from([calls, {"kind": "passes"}]), min_size=1, max_size=2))
    out["services"] = [
        {
            **copy.deepcopy(service),
            "id": f"s{k}",
            "pattern": pattern,
            "speed_km_h": draw(st.floats(12.0, 140.0)),
            "direction": draw(st.sampled_from(["rising", "falling"])),
        }
        for k, pattern in enumerate(patterns)
    ]
    kinds = st.sampled_from(["grinding", "milling", "rail_renewal", "tamping"])
    out["works"] = []
    for k in range(draw(st.integers(1, 3))):
        low = draw(st.floats(0.0, 500.0))
        work = {"date": (FIRST + dt.timedelta(days=40 * k)).isoformat(), "kind": draw(kinds), "track": "T"}
        work |= {"from_m": low, "to_m": low + draw(st.floats(30.0, 300.0))}
        if work["kind"] in ("grinding", "milling"):
            work["details"] = {"pitch_mm": draw(st.floats(12.0, 90.0)), "marks": draw(st.booleans())}
        out["works"].append(work)
    mapping = {"wavelength_mapping": draw(st.sampled_from(["level", "energy_mean"]))}
    names = ("eu_rolling", "eu_impact", "eu_squeal", "eu_bridge")
    out["calculation"] = {
        "method": "eu_common",
        "options": {name: mapping for name in names},
        "rail_state": {"name": "rail_wear"},
    }
    assert kind
    return out


@given(project=sites(), days=st.lists(st.integers(-10, 900), min_size=2, max_size=3), case=st.integers(0, N_DRAWS))
@settings(max_examples=25, deadline=None)
def test_the_quick_evaluation_is_the_exact_one(project: dict[str, Any], days: list[int], case: int) -> None:
    dates = sorted({FIRST, *(FIRST + dt.timedelta(days=n) for n in days)})
    with tempfile.TemporaryDirectory() as folder:
        parts = built(project, Path(folder))
    found = parts.timeline(dates, N_DRAWS)
    assert not found.one_by_one
    for d, date in enumerate(dates):
        exact = parts.reference(date, case, N_DRAWS)
        assert np.abs(10.0 * np.log10(found.energy[d, case] / exact)).max() < CLOSE_DB


@given(factor=st.floats(1.2, 8.0), days=st.lists(st.integers(1, 300), min_size=2, max_size=6, unique=True))
@settings(max_examples=10, deadline=None)
def test_more_traffic_fades_faster_in_every_draw(factor: float, days: list[int]) -> None:
    """Rolling noise alone per train, and no growth: what is left of the rise is less, draw by draw."""
    site = straight_site(300.0)
    site["identity"]["assessment_dates"] = ["2028-12-01"]
    site["vehicles"][0].update(actual={"wheel_load_kn": 50}, traction="none")
    site["works"] = [{"date": FIRST.isoformat(), "kind": "grinding", "track": "T", "from_m": 100, "to_m": 500}]
    none = {"likely": 0}
    wear = {"parameters": {"growth_straight_db_per_year": none, "growth_curve_db_per_year": none}}
    site["calculation"]["rail_state"] = {"name": "rail_wear", "options": wear}
    busy = copy.deepcopy(site)
    for period in ("day", "evening", "night"):
        busy["services"][0]["trains"][period] *= factor
    dates = [FIRST, *(FIRST + dt.timedelta(days=n) for n in sorted(days))]
    with tempfile.TemporaryDirectory() as folder:
        parts = [built(one, Path(folder) / str(k)) for k, one in enumerate((site, busy))]
    slow, fast = (p.timeline(dates, N_DRAWS) for p in parts)
    rise = [found.energy / found.before for found in (slow, fast)]
    np.testing.assert_allclose(rise[0][0], rise[1][0], rtol=1e-9)
    assert np.all(rise[1][1:] <= rise[0][1:] * (1.0 + 1e-12))
    audible = rise[0][1:] > 1.01
    assert np.all(rise[1][1:][audible] < rise[0][1:][audible])

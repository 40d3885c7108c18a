"""A small site with curves, joints, a bridge and a barrier, on which every measure of the catalogue can act."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

from lineside.acoustics.bands import Array
from lineside.api import load_project, situation_of
from lineside.engine.option_run import Considered, consider, prepare
from lineside.engine.plan import plan
from lineside.engine.run import long_term
from lineside.engine.select import select
from lineside.plugins import Plugins
from lineside.results.findings import questions, windows_of
from sites import straight_site, write_site

PLUGINS = Plugins.load()
#: One use of each measure that acts on this site by the EU method.
ACTING: dict[str, dict[str, Any]] = {
    "acoustic_grinding": {"track": "T", "from_m": 600, "to_m": 1400},
    "earlier_grinding": {"track": "T", "interval_months": 1, "until": "2027-01-01"},
    "monitored_rail": {"track": "T"},
    "rail_dampers": {"track": "T", "from_m": 800, "to_m": 1200},
    "rail_shields": {"track": "T", "from_m": 800, "to_m": 1200},
    "rail_pads": {"track": "T", "rail_pad": "hard"},
    "friction_modifier": {"track": "T"},
    "joint_removal": {"track": "T"},
    "turnout_renewal": {"track": "T", "impact_reduction_db": 5, "source": "Offer of a maker"},
    "smoother_wheels": {"vehicles": ["car"], "wheel_roughness": "disc"},
    "wheel_dampers": {"vehicles": ["car"], "reduction_db": {"2000": 3, "4000": 5}, "source": "Trial of a maker"},
    "speed_restriction": {"track": "T", "from_m": 800, "to_m": 1200, "speed_km_h": 30},
    "other_times": {"service": "S", "from_period": "night", "to_period": "day"},
    "other_track": {"service": "S", "track": "U"},
    "driving_instruction": {"services": ["S"], "speed_km_h": 40},
    "barrier": {"id": "N", "line": [[-200, 20], [200, 20]], "height_m": 3},
    "bank": {"id": "B", "line": [[-200, 20], [200, 20]], "height_m": 3},
    "close_barrier": {"id": "C", "track": "T", "side": "left", "offset_m": 2, "above_rail_m": 1},
    "bridge_treatment": {"track": "T", "reduction_db": {"125": 3, "250": 6, "500": 6}, "source": "Trial of a maker"},
}


def site(*measures: str, **rules: Any) -> dict[str, Any]:
    """The site with measures by their names, which are their ids too."""
    data = straight_site(bridge="plus_10_dba", joints_per_100_m=2)
    data["identity"]["assessment_dates"] = ["2026-11-20"]
    data["tracks"][0]["attributes"]["curve_radius_m"] = 250
    other = copy.deepcopy(data["tracks"][0])
    other |= {"id": "U", "alignment": {"kind": "inline", "points": [[-1000, -60, 0.3], [1000, -60, 0.3]]}}
    data["tracks"].append(other)
    data["tracks"][0]["turnouts"] = [{"id": "W", "chainage_m": 1000}]
    data["vehicles"][0]["wheel_roughness"] = "cast_iron_block"
    data["vehicles"][0]["actual"] = {"wheel_load_kn": 50}
    data["receivers"][0] |= {"dwellings": 4, "persons": 9}
    data["receivers"].append({"id": "Q", "position": [300, 80], "use": "dwelling", "dwellings": 2, "persons": 5})
    data["works"] = [{"date": "2026-10-20", "kind": "grinding", "track": "T", "from_m": 500, "to_m": 1500}]
    data["calculation"] = {
        "method": "eu_common",
        "rail_state": {"name": "rail_wear", "months_after": 6},
        "forecast_with": ["squeal_passes"],
        "options": {
            "squeal_passes": {
                "shares": [
                    {"radius_up_to_m": 300, "share": {"low": 0.1, "likely": 0.2, "high": 0.5}, "source": "Estimate"}
                ],
                "level": {"excess_db": {"likely": 15}, "source": "Estimate"},
            }
        },
    }
    data["measures"] = [{"id": name, "measure": name, "options": ACTING[name]} for name in measures]
    data["options"] = {"combine_up_to": 1, **rules}
    return data


def considered(data: dict[str, Any], folder: Path) -> tuple[Considered, Array]:
    """Options of a site, and Lden-like energies at its receivers (n_options, n_receivers, n_periods)."""
    loaded = load_project(write_site(data, folder), PLUGINS)
    selection = select(loaded, PLUGINS)
    prepared = prepare(loaded, PLUGINS)
    assert prepared is not None
    planned = plan(loaded, selection, situation_of(loaded, selection), prepared.cuts())
    transfer = long_term(planned.task, selection, planned.task.scene.receivers)
    windows = windows_of(questions(loaded.project, selection))
    found = consider(prepared, planned, selection, transfer, windows)
    return found, found.levels.energy["rated"]

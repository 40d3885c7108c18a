"""Small invented sites for tests, written as project folders."""

from __future__ import annotations

import copy
import json
from pathlib import Path
from typing import Any

import lineside
from lineside.plugins import Plugins
from lineside.results.model import ReceiverResult


def straight_site(half_length_m: float = 1000.0, **attributes: Any) -> dict[str, Any]:
    """A straight double-ended track along x, one service that passes, one receiver 50 m beside it."""
    return {
        "lineside": 1,
        "identity": {"title": "Straight track", "date": "2026-11-20"},
        "site": {
            "default_ground": {"g": 0.7},
            "air": {"temperature_deg_c": 10, "humidity_pct": 70},
            "favourable": {"kind": "one_value", "day": 0.5, "evening": 0.75, "night": 1.0},
        },
        "tracks": [
            {
                "id": "T",
                "kind": "metro",
                "alignment": {
                    "kind": "inline",
                    "start_chainage_m": 0.0,
                    "points": [[-half_length_m, 0.0, 0.3], [half_length_m, 0.0, 0.3]],
                },
                "attributes": {
                    "form": "ballast",
                    "sleeper": "monoblock",
                    "rail_pad": "medium",
                    "rail_roughness": "average_network",
                    "speed_limit_km_h": 60,
                    **attributes,
                },
            }
        ],
        "vehicles": [
            {
                "id": "car",
                "kind": "metro",
                "length_m": 20,
                "n_axles": 4,
                "max_speed_km_h": 100,
                "wheel_roughness": "disc",
                "contact_filter": "load_50kn_wheel_920mm",
                "vehicle_transfer": "wheel_920mm",
                "traction": "electric_multiple_unit",
            }
        ],
        "units": [{"id": "unit", "vehicles": [{"vehicle": "car", "count": 4}]}],
        "services": [
            {
                "id": "S",
                "unit": "unit",
                "track": "T",
                "direction": "rising",
                "trains": {"kind": "per_period", "day": 120, "evening": 24, "night": 16},
            }
        ],
        "receivers": [
            {
                "id": "R",
                "position": [0.0, 50.0],
                "height_m": 4.0,
                "use": "dwelling",
                "area": "residential",
                "persons": 2,
            }
        ],
        "calculation": {"method": "eu_common"},
        "criteria": [{"name": "who_2018"}],
    }


def write_site(site: dict[str, Any], folder: Path) -> Path:
    """Write a project folder; JSON is YAML."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "project.yaml").write_text(json.dumps(site, indent=1), encoding="utf-8")
    return folder


def assess_site(site: dict[str, Any], folder: Path, plugins: Plugins | None = None) -> dict[str, ReceiverResult]:
    """Assess and return the receivers by id."""
    assessment = lineside.assess(write_site(copy.deepcopy(site), folder), plugins)
    return {r.id: r for r in assessment.results.receivers}

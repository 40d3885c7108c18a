"""A small invented project, for checking measures without a project file."""

from __future__ import annotations

from typing import Any

import numpy as np

from lineside.acoustics.bands import N_THIRDS, THIRD_OCTAVES_HZ
from lineside.measures import Known
from lineside.project.model import Project
from lineside.scene.model import Spectrum

_TRACK: dict[str, Any] = {
    "kind": "metro",
    "attributes": {
        "form": "ballast",
        "sleeper": "monoblock",
        "rail_pad": "medium",
        "rail_roughness": "average_network",
        "speed_limit_km_h": 60.0,
        "joints_per_100_m": 2.0,
        "bridge": "plus_10_dba",
    },
    "turnouts": [{"id": "W1", "chainage_m": 500.0}],
}
_VEHICLE = {
    "kind": "metro",
    "length_m": 20.0,
    "n_axles": 4,
    "max_speed_km_h": 80.0,
    "wheel_roughness": "cast_iron_block",
    "contact_filter": "load_50kn_wheel_920mm",
    "vehicle_transfer": "wheel_920mm",
    "traction": "electric_multiple_unit",
}
_CALLS = {"kind": "calls", "at": ["P"], "acceleration_m_s2": 1.0, "braking_m_s2": 1.0, "dwell_s": 20.0}


def small_project() -> Project:
    """Two tracks T and U along x, services S (by period, calls at P) and E (by times, runs through), a barrier B."""
    tracks = [
        {
            "id": name,
            **_TRACK,
            "alignment": {"kind": "inline", "points": [[0.0, y, 0.5], [1000.0, y, 0.5]]},
        }
        for name, y in (("T", 0.0), ("U", 4.0))
    ]
    return Project.model_validate(
        {
            "lineside": 1,
            "identity": {"title": "Small project", "date": "2026-06-01", "assessment_dates": ["2026-06-01"]},
            "site": {"default_ground": {"g": 0.5}, "air": {"temperature_deg_c": 10.0, "humidity_pct": 70.0}},
            "tracks": tracks,
            "stops": [{"id": "P", "at": [{"track": t, "chainage_m": 400.0} for t in ("T", "U")]}],
            "vehicles": [{"id": "car", **_VEHICLE}, {"id": "trailer", **_VEHICLE}],
            "units": [{"id": "unit", "vehicles": [{"vehicle": "car"}, {"vehicle": "trailer"}]}],
            "services": [
                {
                    "id": "S",
                    "unit": "unit",
                    "track": "T",
                    "direction": "rising",
                    "trains": {"kind": "per_period", "day": 100.0, "evening": 20.0, "night": 10.0},
                    "pattern": _CALLS,
                },
                {
                    "id": "E",
                    "unit": "unit",
                    "track": "U",
                    "direction": "falling",
                    "trains": {"kind": "times", "times": ["05:10", "05:40", "12:00"]},
                },
            ],
            "receivers": [
                {"id": "R", "position": [500.0, 50.0], "use": "dwelling", "dwellings": 3, "persons": 7},
            ],
            "barriers": [
                {"id": "B", "height_m": 2.0, "surface": "reflecting", "line": [[100.0, -10.0], [900.0, -10.0]]}
            ],
            "calculation": {
                "method": "any",
                "rail_state": {"name": "any"},
            },
        }
    )


def small_known(project: Project) -> Known:
    """What a measure may look up in it: every class is a flat spectrum."""

    def tabulated(attribute: str, name: str) -> Spectrum:
        levels = {"level_db": np.zeros(N_THIRDS)}
        kind = "bridge_transfer" if attribute == "bridge" else attribute
        return Spectrum(name or "own", kind, THIRD_OCTAVES_HZ, levels, source="a check")

    alignments = {
        t.id: (np.array([0.0, 1000.0]), np.array(getattr(t.alignment, "points", ()), dtype=np.float64))
        for t in project.tracks
    }
    return Known(alignments, tabulated=tabulated)

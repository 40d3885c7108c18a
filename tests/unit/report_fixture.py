"""An invented results document for tests of the report: plausible in shape and size, computed by no method.

Levels follow a made-up law of distance; nothing here is a reference value.
"""

from __future__ import annotations

import hashlib
import itertools
import math
import runpy
from pathlib import Path
from typing import Any

from lineside.results.model import Results

OPTIONS = runpy.run_path(str(Path(__file__).with_name("option_fixture.py")))

PROJECT_YAML = """\
lineside: 1
identity:
  title: Quay curve, rail renewal
  revision: B
  date: 2026-11-20
  author: A. Writer
  client: Harbour Transit Authority (invented)
  reviewer: ""
  competent_authority: Town of Millgate, environment office (invented)
  assessment_dates: [2026-12-01]
site:
  air: {temperature_deg_c: 10, humidity_pct: 75, pressure_kpa: 101.325}   # LONG
tracks:
  - id: T1
    name: Towards Millgate
    kind: metro
    alignment: {kind: csv, file: t1.csv}
""".replace("LONG", "a comment that is long enough to be wrapped in print, which is what it is here for: on and on")

T1 = [
    (0.0, 0.0),
    (150.0, 0.0),
    (300.0, 4.0),
    (340.0, 12.0),
    (378.0, 28.0),
    (412.0, 52.0),
    (440.0, 84.0),
    (458.0, 120.0),
    (468.0, 160.0),
    (472.0, 330.0),
]
USES = [
    "dwelling",
    "dwelling",
    "school",
    "dwelling",
    "dwelling",
    "hospital",
    "dwelling",
    "office",
    "dwelling",
    "outdoor",
]
NAMES = [
    "12 Quay Street",
    "14 Quay Street",
    "Harbour School, south front",
    "3 Weir Lane",
    "5 Weir Lane",
    "St Anne Clinic, ward wing",
    "21 Mill Bank",
    "Customs House",
    "40 Upper Terrace",
    "Riverside garden",
]
PLACES = [
    (330.0, 62.0),
    (352.0, 80.0),
    (250.0, 110.0),
    (395.0, 130.0),
    (410.0, 150.0),
    (300.0, 190.0),
    (160.0, 60.0),
    (100.0, -45.0),
    (205.0, 215.0),
    (520.0, 90.0),
]
MECHANISMS = {"rolling": -1.9, "squeal": -6.0, "impact": -11.0, "traction": -8.0, "aerodynamic": -28.0}
SERVICES = {"local-up": -2.5, "local-down": -3.1, "fast-up": -12.0, "early-empty": -16.0}
STRETCHES = {"T1/1": -9.0, "T1/2": -1.8, "T1/3": -7.0, "T2/1": -10.0, "T2/2": -8.5}
PERIOD_SHIFT = {"day": 0.0, "evening": -2.3, "night": -6.8}
SHAPE = [-6.0, -7.5, -6.2, -3.0, -3.4, -6.6, -12.5, -21.0]


def _level(distance_m: float) -> float:
    return 66.0 - 13.0 * math.log10(max(distance_m, 5.0) / 10.0)


def _distance(x: float, y: float) -> float:
    best = math.inf
    for (x0, y0), (x1, y1) in itertools.pairwise(T1):
        dx, dy = x1 - x0, y1 - y0
        t = min(max(((x - x0) * dx + (y - y0) * dy) / (dx * dx + dy * dy), 0.0), 1.0)
        best = min(best, math.hypot(x - x0 - t * dx, y - y0 - t * dy))
    return best


def _parts(level: float, shifts: dict[str, float]) -> dict[str, dict[str, float | None]]:
    parts: dict[str, dict[str, float | None]] = {}
    for period, shift in {**PERIOD_SHIFT, "lden": 1.9}.items():
        parts[period] = {name: round(level + shift + s, 3) for name, s in shifts.items()}
    return parts


def _receiver(k: int, n: int) -> dict[str, Any]:
    x, y = PLACES[k % 10]
    x, y = x + 9.0 * (k // 10), y + 7.0 * (k // 10)
    distance = _distance(x, y)
    level = _level(distance)
    mechanisms = _parts(level, MECHANISMS)
    for values in mechanisms.values():
        values["bridge"] = None
    return {
        "id": f"R{k + 1}",
        "name": NAMES[k % 10],
        "x": x,
        "y": y,
        "z": 4.0,
        "height_m": 4.0,
        "use": USES[k % 10],
        "area": "residential" if USES[k % 10] == "dwelling" else None,
        "dwellings": 6 if k % 2 else 4,
        "persons": 14 if k % 2 else 9,
        "distance_m": distance,
        "nearest_track": "T1",
        "lden_db": level + 1.9,
        "period_db": {p: level + s for p, s in PERIOD_SHIFT.items()},
        "spectrum_db": {p: [level + s + b for b in SHAPE] for p, s in PERIOD_SHIFT.items()},
        "by_mechanism_db": mechanisms,
        "by_service_db": _parts(level, SERVICES),
        "by_stretch_db": _parts(level, STRETCHES),
        "passes": [
            {"service": s, "state": state, "lae_db": level + 19.0 + v / 4 + d, "lafmax_db": level + 17.5 + v / 4 + d}
            for s, v in SERVICES.items()
            for state, d in (("homogeneous", -0.8), ("favourable", 0.0))
        ],
    }


def _finding(
    n: int,
    receiver: dict[str, Any],
    criterion: str,
    quantity: str,
    limit: float,
    window: str | None = None,
    round_up: bool = False,
) -> dict[str, Any]:
    levels = {
        "lden_db": receiver["lden_db"],
        "lnight_db": receiver["period_db"]["night"],
        "lday_db": receiver["period_db"]["day"],
        "laeq_db": receiver["period_db"]["day"],
        "lafmax_db": max(p["lafmax_db"] for p in receiver["passes"]),
    }
    level = levels[quantity]
    compared = math.ceil(level) if round_up else level
    difference = compared - limit
    expanded = 4.0 if quantity == "lafmax_db" else 3.0
    verdict = "above" if difference > 0 else ("borderline" if difference >= -expanded else "well below")
    return {
        "id": f"F{n}",
        "receiver": receiver["id"],
        "criterion": criterion,
        "label": quantity.split("_")[0],
        "quantity": quantity,
        "window": window,
        "level_db": level,
        "compared_db": compared,
        "limit_db": limit,
        "difference_db": difference,
        "verdict": verdict,
        "within_uncertainty": abs(difference) <= expanded,
    }


def _findings(receivers: list[dict[str, Any]]) -> list[dict[str, Any]]:
    out: list[dict[str, Any]] = []
    for receiver in receivers:
        out.append(_finding(len(out) + 1, receiver, "who_2018", "lden_db", 54.0))
        out.append(_finding(len(out) + 1, receiver, "who_2018", "lnight_db", 44.0))
        if receiver["area"] is None:
            out.append(
                {
                    "id": f"F{len(out) + 1}",
                    "receiver": receiver["id"],
                    "criterion": "de_16bimschv",
                    "label": "",
                    "quantity": "lday_db",
                    "level_db": None,
                    "compared_db": None,
                    "limit_db": None,
                    "difference_db": None,
                    "verdict": "not assessed",
                    "within_uncertainty": False,
                    "reason": "The receiver has no area type; the limits depend on it.",
                }
            )
        else:
            out.append(_finding(len(out) + 1, receiver, "de_16bimschv", "laeq_db", 59.0, "06:00 to 22:00", True))
        out.append(_finding(len(out) + 1, receiver, "permit-2019", "lden_db", 58.0))
        out.append(_finding(len(out) + 1, receiver, "permit-2019", "lafmax_db", 72.0))
    return out


def _offer(name: str, kind: str, title: str, **extra: Any) -> dict[str, Any]:
    offer = {
        "name": name,
        "kind": kind,
        "title": title,
        "version": "1.0",
        "package": "lineside",
        "package_version": "0.1.0",
        "verification": "reproduces published cases",
        "verification_note": "Agrees with an invented case set within 0.01 dB in every octave.",
        "statement": f"{title}: computed from invented numbers, for tests of the report only. " * 2,
        "options": {},
        "sources": [],
        "data_files": [],
    }
    return {**offer, **extra}


def _offers() -> list[dict[str, Any]]:
    law = {
        "key": "EU-2015-996",
        "title": "Common noise assessment methods",
        "issuer": "European Commission",
        "year": 2015,
        "part": "Annex, section 2.3",
    }
    table = {
        "name": "rail_roughness.csv",
        "title": "Rail roughness classes",
        "source": "Invented",
        "sha256": hashlib.sha256(b"table").hexdigest(),
    }
    criterion = {
        "place": "Anywhere",
        "valid_from": "2018",
        "nature": "guideline value",
        "caution": "Not binding by itself: the competent authority says what applies.",
    }
    offers = [
        _offer(f"eu_{m}", "source", f"{m.capitalize()} noise", mechanism=m, sources=[law], data_files=[table])
        for m in (*MECHANISMS, "bridge")
    ]
    offers[1]["verification"] = "not verified"
    offers[1]["options"] = {"radius_rule": "amended", "applies_to": ["train", "metro"], "nested": {"a": 1, "b": None}}
    return [
        *offers,
        _offer("eu_propagation", "propagation", "Outdoor propagation", sources=[law]),
        _offer(
            "who_2018",
            "criterion",
            "Environmental noise guidelines, railway noise",
            sources=[
                {
                    "key": "WHO-2018",
                    "title": "Environmental Noise Guidelines for the European Region",
                    "issuer": "World Health Organization, Regional Office for Europe",
                    "year": 2018,
                }
            ],
            **criterion,
        ),
        _offer(
            "de_16bimschv",
            "criterion",
            "Limits of the 16. BImSchV",
            **{
                **criterion,
                "place": "Germany",
                "nature": "legal limit",
                "valid_from": "2015-01-01",
                "caution": "Its rating level asks for a method of its own; the level compared here is another.",
            },
        ),
        _offer(
            "permit-2019",
            "criterion",
            "Limits written in the project file",
            options={
                "title": "Operating permit, condition 14",
                "source": "Permit 2019-07 (invented), condition 14",
                "nature": "permit condition",
                "limits": [
                    {"quantity": "lden", "limit_db": 58.0, "uses": ["dwelling"]},
                    {"quantity": "lafmax", "limit_db": 72.0, "uses": None},
                ],
            },
            **{**criterion, "place": "as written in the project", "nature": "permit condition", "valid_from": "2019"},
        ),
    ]


def _stretch(track: str, n: int, a: float, b: float, radius: float | None, label: str) -> dict[str, Any]:
    return {
        "id": f"{track}/{n}",
        "track": track,
        "from_m": a,
        "to_m": b,
        "label": label,
        "form": "ballast",
        "transfer": "monoblock, medium pad",
        "rail_roughness": "average_network" if n != 2 else "spectrum rail-2026",
        "joints_per_100_m": 0.0 if n != 3 else 1.0,
        "bridge": "none",
        "speed_limit_km_h": 60.0 if radius is None else 40.0,
        "radius_m": radius,
        "radius_given": n == 2,
    }


def _service(sid: str, name: str, track: str, direction: str, trains: dict[str, float], calls: bool) -> dict[str, Any]:
    chainage = [float(c) for c in range(0, 681, 20)]
    speed = [
        max(0.0, 60.0 - max(0.0, 60.0 - abs(c - 620.0) / 3.0)) if calls else 60.0 - 20.0 * (300 < c < 520)
        for c in chainage
    ]
    return {
        "id": sid,
        "name": name,
        "track": track,
        "direction": direction,
        "unit": "six-car",
        "train_length_m": 108.0,
        "n_axles": 24,
        "pattern": "calls at: Quay" if calls else "passes",
        "trains": trains,
        "profile": {"chainage_m": chainage, "speed_km_h": speed},
    }


def _site() -> dict[str, Any]:
    t2 = [(x - 1.0, y + 4.0) for x, y in T1]
    return {
        "coordinate_system": "local, metres",
        "ground_level_m": 0.0,
        "default_ground": "pasture",
        "default_g": 1.0,
        "tracks": [
            {"id": "T1", "name": "Towards Millgate", "kind": "metro", "from_m": 0.0, "to_m": 680.0, "xy": T1},
            {"id": "T2", "name": "Towards Harbour", "kind": "metro", "from_m": 0.0, "to_m": 676.0, "xy": t2},
        ],
        "stretches": [
            _stretch("T1", 1, 0, 300, None, "approach"),
            _stretch("T1", 2, 300, 520, 180.0, "Quay curve"),
            _stretch("T1", 3, 520, 680, None, "Quay stop"),
            _stretch("T2", 1, 0, 300, None, "approach"),
            _stretch("T2", 2, 300, 676, 184.2, "Quay curve"),
        ],
        "curves": [
            {"track": "T1", "from_m": 300, "to_m": 520, "radius_m": 180.0, "given": True, "turnout": False},
            {"track": "T2", "from_m": 302, "to_m": 518, "radius_m": 184.2, "given": False, "turnout": False},
            {"track": "T1", "from_m": 140, "to_m": 165, "radius_m": 190.0, "given": True, "turnout": True},
        ],
        "joints": [
            {
                "track": "T1",
                "what": "turnout",
                "from_m": 150.0,
                "to_m": 150.0,
                "joints_per_100_m": 1.0,
                "xy": [(150.0, 0.0), (150.0, 0.0)],
            },
            {
                "track": "T1",
                "what": "joints",
                "from_m": 520.0,
                "to_m": 680.0,
                "joints_per_100_m": 1.0,
                "xy": [(468.2, 168.0), (472.0, 330.0)],
            },
            {
                "track": "T2",
                "what": "turnout",
                "from_m": 100.0,
                "to_m": 100.0,
                "joints_per_100_m": 1.0,
                "xy": [(99.0, 4.0), (99.0, 4.0)],
            },
        ],
        "stops": [
            {"id": "quay", "name": "Quay", "track": "T1", "chainage_m": 620.0, "xy": (470.6, 270.0)},
            {"id": "quay", "name": "Quay", "track": "T2", "chainage_m": 618.0, "xy": (469.6, 274.0)},
        ],
        "services": [
            _service(
                "local-up",
                "Local, towards Millgate",
                "T1",
                "rising",
                {"day": 144.0, "evening": 32.0, "night": 24.0},
                True,
            ),
            _service(
                "local-down",
                "Local, towards Harbour",
                "T2",
                "falling",
                {"day": 144.0, "evening": 32.0, "night": 24.0},
                True,
            ),
            _service(
                "fast-up", "Fast, towards Millgate", "T1", "rising", {"day": 36.0, "evening": 8.0, "night": 0.0}, False
            ),
            _service(
                "early-empty",
                "Empty train before service",
                "T2",
                "falling",
                {"day": 0.0, "evening": 0.0, "night": 1.4},
                False,
            ),
        ],
        "barriers": [
            {
                "id": "B1",
                "name": "Quay wall",
                "height_m": 2.5,
                "surface": "absorbing",
                "xy": [(310.0, 20.0), (352.0, 32.0), (388.0, 54.0), (410.0, 78.0)],
            }
        ],
        "ground": [
            {
                "id": "river",
                "name": "River",
                "surface": "water",
                "g": 0.0,
                "water": True,
                "xy": [(-60.0, -120.0), (520.0, -90.0), (640.0, 60.0), (640.0, -160.0), (-60.0, -180.0)],
            },
            {
                "id": "yard",
                "name": "Goods yard",
                "surface": "compacted",
                "g": 0.3,
                "water": False,
                "xy": [(20.0, 15.0), (140.0, 15.0), (140.0, 48.0), (20.0, 48.0)],
            },
        ],
        "favourable": [{"from_deg": 0, "to_deg": 360, "share": {"day": 0.5, "evening": 0.75, "night": 1.0}}],
        "works": [
            {
                "date": "2026-10-04",
                "kind": "rail_renewal",
                "track": "T1",
                "from_m": 250.0,
                "to_m": 560.0,
                "description": "Both rails renewed in the curve",
            },
            {
                "date": "2026-10-11",
                "kind": "grinding",
                "track": "T1",
                "from_m": 250.0,
                "to_m": 560.0,
                "description": "",
            },
        ],
    }


def _project() -> dict[str, Any]:
    vehicle = {
        "kind": "metro",
        "freight": False,
        "length_m": 18.0,
        "n_axles": 4,
        "max_speed_km_h": 80.0,
        "wheel_roughness": "disc",
        "contact_filter": "load_50kn_wheel_920mm",
        "vehicle_transfer": "wheel_840mm",
        "superstructure_transfer": None,
        "aerodynamic": None,
        "actual": {"wheel_load_kn": 52.0},
    }
    return {
        "lineside": 1,
        "identity": {
            "title": "Quay curve, rail renewal",
            "revision": "B",
            "date": "2026-11-20",
            "author": "A. Writer",
            "client": "Harbour Transit Authority (invented)",
            "reviewer": "",
            "purpose": "The rails in the quay curve were renewed; the neighbours report a change.",
            "competent_authority": "Town of Millgate, environment office (invented)",
            "assessment_dates": ["2026-12-01"],
        },
        "site": {
            "air": {"temperature_deg_c": 10.0, "humidity_pct": 75.0, "pressure_kpa": 101.325},
            "favourable": {"kind": "one_value", "day": 0.5, "evening": 0.75, "night": 1.0},
        },
        "tracks": [
            {
                "id": "T1",
                "alignment": {"kind": "csv", "file": "t1.csv", "start_chainage_m": 0.0},
                "turnouts": [
                    {"id": "W0", "chainage_m": 20.0, "route": "through", "diverging_radius_m": None},
                    {"id": "W1", "chainage_m": 150.0, "route": "diverging", "diverging_radius_m": 190.0},
                ],
            },
            {
                "id": "T2",
                "alignment": {"kind": "inline", "points": [[-1.0, 4.0, 0.25], [471.0, 334.0, 1.5]]},
                "turnouts": [{"id": "W2", "chainage_m": 100.0, "route": "through", "diverging_radius_m": None}],
            },
        ],
        "services": [
            {
                "id": "local-up",
                "trains": {"kind": "per_period", "day": 144, "evening": 32, "night": 24},
                "pattern": {
                    "kind": "calls",
                    "at": ["quay"],
                    "dwell_s": 25.0,
                    "acceleration_m_s2": 0.9,
                    "braking_m_s2": 0.8,
                },
                "speed_km_h": None,
            },
            {
                "id": "early-empty",
                "trains": {"kind": "times", "file": "early.csv", "times": None},
                "pattern": {"kind": "passes"},
                "speed_km_h": 40.0,
            },
        ],
        "vehicles": [
            {"id": "motor-car", **vehicle, "traction": "electric_multiple_unit"},
            {"id": "trailer", **vehicle, "traction": None},
        ],
        "units": [
            {
                "id": "six-car",
                "vehicles": [
                    {"vehicle": "motor-car", "count": 2},
                    {"vehicle": "trailer", "count": 2},
                    {"vehicle": "motor-car", "count": 2},
                ],
            }
        ],
        "spectra": [
            {
                "id": "rail-2026",
                "kind": "rail_roughness",
                "source": "measured 2026-03-02, ISO 3095 (invented)",
                "axis": [100.0, 80.0, 63.0, 50.0, 40.0],
                "levels_db": [5.0, 4.0, 3.0, 2.0, 1.0],
            },
            {"id": "wheel-2026", "kind": "wheel_roughness", "source": "invented", "file": "wheel.csv"},
            {
                "id": "motor",
                "kind": "traction",
                "source": "invented",
                "axis": [50.0, 63.0],
                "columns": {"source_a_db": [90.0, 91.0], "source_b_db": [80.0, 81.0]},
            },
            {"id": "odd", "kind": "traction", "source": "invented", "file": "odd.csv"},
        ],
        "calculation": {"method": "eu_common", "options": {}, "without": ["eu_bridge"], "with": []},
        "criteria": [{"name": "who_2018"}, {"name": "de_16bimschv"}, {"name": "custom", "id": "permit-2019"}],
    }


def _grid() -> dict[str, Any]:
    x = [float(v) for v in range(-40, 601, 20)]
    y = [float(v) for v in range(-160, 401, 20)]
    level = [[_level(_distance(a, b)) for a in x] for b in y]
    return {
        "height_m": 4.0,
        "spacing_m": 20.0,
        "x": x,
        "y": y,
        "levels_db": {
            "lden": [[v + 1.9 for v in row] for row in level],
            "lnight": [[v - 6.8 for v in row] for row in level],
        },
    }


TIMELINE_DATES = ("2026-09-01", "2026-10-01", "2026-10-05", "2026-10-12", "2026-11-01", "2026-12-01", "2027-03-01")
#: Rise of the likely case above the state before, at these dates. [dB]
RISE_DB = (0.0, 0.0, 2.5, 5.0, 4.0, 2.9, 0.6)


def _rating(before: dict[str, float], share: dict[str, float]) -> dict[str, Any]:
    """Lnight with 3 dB for a tone on the days after the works; the limit lies 4 dB above the state before."""
    toned = [rise >= 2.5 for rise in RISE_DB]
    rated = {
        c: [before["night"] + f * r + 3.0 * t for r, t in zip(RISE_DB, toned, strict=True)] for c, f in share.items()
    }
    return {
        "criterion": "permit-2019",
        "label": "Condition 14",
        "quantity": "lnight_db",
        "limit_db": round(before["night"] + 4.0),
        "rounded_up": False,
        "adjustment_db": 0.0,
        "tone_rule": "ISO 1996-2:2007, Annex D",
        "tone_found": toned,
        "before_db": before["night"],
        "above_before": False,
        "rating_db": rated,
        "kept_from": {"low": "2026-12-11", "likely": "2027-01-20", "high": None},
        "above_from": {"low": "2027-02-20", "likely": None, "high": None},
        "reasons": {"low": "", "likely": "", "high": "exceeded to the end of the time line, still falling"},
    }


def _receiver_timeline(receiver: dict[str, Any]) -> dict[str, Any]:
    now, quantities = RISE_DB[TIMELINE_DATES.index("2026-12-01")], ("lden", "day", "evening", "night")
    levels = {"lden": receiver["lden_db"], **receiver["period_db"]}
    before = {q: levels[q] - now for q in quantities}
    share = {"low": 0.6, "likely": 1.0, "high": 1.5}
    return {
        "receiver": receiver["id"],
        "before_db": before,
        "worn_in_db": before,
        "fresh_db": {case: before["lden"] + f * max(RISE_DB) for case, f in share.items()},
        "levels_db": {
            q: {case: [before[q] + f * rise for rise in RISE_DB] for case, f in share.items()} for q in quantities
        },
        "ratings": [_rating(before, share)],
        "returns": [
            {
                "within_db": 3.0,
                "dates": {"low": "2026-10-12", "likely": "2026-11-29", "high": "2027-01-09"},
                "leaves": {"low": None, "likely": None, "high": None},
                "reasons": {"low": "within it from the start", "likely": "", "high": ""},
            },
            {
                "within_db": 1.0,
                "dates": {"low": "2026-12-28", "likely": "2027-02-14", "high": None},
                "leaves": {"low": "2027-02-28", "likely": None, "high": None},
                "reasons": {
                    "low": "",
                    "likely": "",
                    "high": "not within it by the end of the time line in 7 % of the draws",
                },
            },
        ],
    }


def _timeline(receivers: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "calculator": "rail_wear",
        "assessment_date": "2026-12-01",
        "cases": ["low", "likely", "high"],
        "draws": 200,
        "seed": 1,
        "dates": list(TIMELINE_DATES),
        "work_dates": ["2026-10-04", "2026-10-11"],
        "runs": [
            {
                "track": "T1",
                "from_m": 250.0,
                "to_m": 560.0,
                "mgt_per_day": 0.04,
                "radius_m": 180.0,
                "work_dates": ["2026-10-04", "2026-10-11"],
            }
        ],
        "receivers": [_receiver_timeline(r) for r in receivers if r["lden_db"] is not None],
    }


def _tones(receivers: list[dict[str, Any]]) -> dict[str, Any]:
    marks = {"track": "T1", "from_m": 250.0, "to_m": 560.0, "pitch_mm": 27.8}
    services = {"local-up": (35.2, 60.0), "fast-up": (40.0, 60.0)}
    over = [(15.0 - k, 2.0 - k) for k in range(len(receivers))]
    return {
        "assessment_date": "2026-12-01",
        "marks": [
            {
                **marks,
                "service": service,
                "pitch_given": False,
                "speed_km_h": (low, high),
                "frequency_hz": {n: (round(n * low / 0.10008, 1), round(n * high / 0.10008, 1)) for n in (1, 2)},
                "fresh_date": "2026-10-12",
                "wheel_roughness_db": -4.2,
                "margin_fresh_db": {"low": 4.1, "likely": 8.1, "high": 12.1},
                "margin_at_assessment_db": {"low": -9.0, "likely": 1.2, "high": 8.0},
                "margin_db": {
                    "low": [None, None, None, 4.1, -2.0, -9.0, None],
                    "likely": [None, None, None, 8.1, 5.0, 1.2, None],
                    "high": [None, None, None, 12.1, 10.4, 8.0, None],
                },
                "needed_margin_db": 0.0,
                "smear_ratio": 0.12,
            }
            for service, (low, high) in services.items()
        ],
        "at_receivers": [
            {
                **marks,
                "receiver": r["id"],
                "service": service,
                "frequency_hz": (580.0, 599.5) if service == "fast-up" else (420.0, 590.0),
                "spread_ratio": 0.033 if service == "fast-up" else 0.337,
                "band_hz": 630.0 if service == "fast-up" else 500.0,
                "over_neighbours_fresh_db": fresh,
                "over_neighbours_at_date_db": now,
                "fresh": "likely" if service == "fast-up" else "possible",
                "at_date": "likely" if service == "fast-up" else None,
                "flagged": None,
            }
            for (fresh, now), r in zip(over, receivers, strict=True)
            if r["lden_db"] is not None
            for service in services
        ],
        "third_octaves": [
            {"receiver": r["id"], "period": period, "leq_db": [50.0 - k for k in range(24)]}
            for r in receivers
            for period in PERIOD_SHIFT
        ],
    }


def build_inputs() -> dict[str, bytes]:
    """The raw input files of the invented project."""
    return {
        "project.yaml": PROJECT_YAML.encode(),
        "t1.csv": b"x_m,y_m,z_m\n0,0,0.5\n150,0,0.75\n",
        "wheel.csv": b"wavelength_mm,level_db\n100,5.5\n80,-4\n",
        "odd.csv": b"frequency_hz,source_a_db,source_b_db\n50,90,80\n",
    }


def _conditions() -> list[dict[str, Any]]:
    share = {"day": 0.7, "evening": 0.7, "night": 0.6}
    rest = {name: round(1.0 - value, 3) for name, value in share.items()}
    return [
        {
            "kind": "rail",
            "states": [{"id": "dry", "name": "", "share": share}, {"id": "wet", "name": "", "share": rest}],
        },
        {
            "kind": "water",
            "states": [
                {"id": "high_water", "name": "High water", "share": rest},
                {"id": "low_water", "name": "Low water", "share": share},
            ],
        },
    ]


def _explanation(receiver: dict[str, Any]) -> dict[str, Any]:
    """1.5 dB more by marks, 0.6 dB less by joints, nothing by the finish."""
    end = {"lden": receiver["lden_db"], **receiver["period_db"]}
    parts = {"finish": 0.0, "marks": 1.5, "joints": -0.6}
    states = {"label": "2026-12-01", "date": "2026-12-01", "states": {}}
    return {
        "receiver": receiver["id"],
        "start": {"label": "before", "date": "2026-09-11", "states": {}},
        "end": states,
        "start_db": {q: None if v is None else v - sum(parts.values()) for q, v in end.items()},
        "end_db": end,
        "causes": [
            {"cause": name, "change_db": {q: None if v is None else part for q, v in end.items()}}
            for name, part in parts.items()
        ],
    }


def _actions(receivers: list[dict[str, Any]]) -> list[dict[str, Any]]:
    gains = [{"receiver": r["id"], "gain_db": 3.2 - 0.2 * k} for k, r in enumerate(receivers[:3])]
    return [
        {"kind": "joints", "track": "T2", "from_m": 0.0, "to_m": 90.0, "gains": gains},
        {"kind": "curve", "track": "T1", "from_m": 320.0, "to_m": 480.0, "gains": gains[:1]},
    ]


def build_results(n_receivers: int = 10, **changes: Any) -> Results:
    """The invented document, with top-level parts replaced as wished."""
    receivers = [_receiver(k, n_receivers) for k in range(n_receivers)]
    inputs = build_inputs()
    document: dict[str, Any] = {
        "provenance": {
            "lineside_version": "0.1.0",
            "method": "eu_common",
            "method_title": "Common method of the European Union",
            "project_sha256": hashlib.sha256(b"p").hexdigest(),
            "inputs": [
                {"name": n, "sha256": hashlib.sha256(b).hexdigest(), "n_bytes": len(b)} for n, b in inputs.items()
            ],
            "offers": _offers(),
        },
        "project": _project(),
        "periods": [
            {"name": "day", "from_hour": 7, "to_hour": 19, "hours": 12},
            {"name": "evening", "from_hour": 19, "to_hour": 23, "hours": 4},
            {"name": "night", "from_hour": 23, "to_hour": 7, "hours": 8},
        ],
        "site": _site(),
        "receivers": receivers,
        "findings": _findings(receivers),
        "uncertainty": {
            "standard_db": 1.5,
            "pass_standard_db": 2.0,
            "coverage_factor": 2.0,
            "expanded_db": 3.0,
            "pass_expanded_db": 4.0,
            "statement": "Standard uncertainty of the computed level, stated without a measurement at this site.",
            "standing": "assumption",
        },
        "notes": [
            {
                "kind": "validity",
                "origin": "eu_squeal",
                "text": "Squeal: the radius of 180 m lies at the edge of the range of the tabulated values.",
                "standing": "law or standard",
            },
            {
                "kind": "assumption",
                "origin": "eu_rolling",
                "text": "The wheel load of 52 kN is computed with the class of 50 kN.",
                "standing": "assumption",
            },
            {
                "kind": "warning",
                "origin": "project",
                "text": "R10 stands in the open, 50 m from any building.",
                "standing": "given in the project file",
            },
        ],
        "grid": _grid(),
        "timeline": _timeline(receivers),
        "tones": _tones(receivers),
        "situation": {"label": "2026-12-01", "date": "2026-12-01", "states": {}},
        "conditions": _conditions(),
        "explanations": [_explanation(r) for r in receivers],
        "actions": _actions(receivers),
        "options": OPTIONS["build_options"](),
    }
    document.update(changes)
    return Results.model_validate(document)

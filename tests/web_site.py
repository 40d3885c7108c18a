"""Results documents for tests of the web page: hostile names, works in time, thousands of receivers on facades."""

from __future__ import annotations

import math
import runpy
from pathlib import Path
from typing import Any

from lineside.results.model import Results
from lineside.results.options import (
    AboveAny,
    AboveLimit,
    InTime,
    MeasureInfo,
    Money,
    OptionResult,
    OptionsResult,
    Place,
    Rejected,
    Suggestion,
)
from lineside.results.write import results_bytes
from lineside.web.page import render

FIXTURE = runpy.run_path(str(Path(__file__).parent / "unit" / "report_fixture.py"))

#: Would end the script, the attribute, the line or the text that it stands in, if it were not escaped.
HOSTILE = "</script><script>window.hit=1</script>\"'><img src=x onerror=window.hit=1>\u2028{{7*7}}<!--&amp;"


def plain(n: int = 10) -> Results:
    """Ten receivers or more, works, time line, explanations, a grid."""
    found: Results = FIXTURE["build_results"](n)
    return found.model_copy(update={"options": None})


def hostile() -> Results:
    """The same with names that try to become markup or script."""
    document = plain(4).model_dump()
    document["project"]["identity"].update(title=HOSTILE, purpose=HOSTILE, client=HOSTILE)
    first, second = document["receivers"][:2]
    first["name"], first["use"] = HOSTILE, HOSTILE
    second["name"] = "__proto__"
    for track in document["site"]["tracks"]:
        track["name"] = HOSTILE
    for stop in document["site"]["stops"]:
        stop["name"] = HOSTILE
    for service in document["site"]["services"]:
        service["name"] = HOSTILE
    for stretch in document["site"]["stretches"]:
        stretch["label"] = HOSTILE
    for note in document["notes"]:
        note["text"] = HOSTILE
    for finding in document["findings"]:
        if finding["reason"]:
            finding["reason"] = HOSTILE
    for offer in document["provenance"]["offers"]:
        offer["title"] = HOSTILE
        if "title" in offer["options"]:
            offer["options"]["title"] = HOSTILE
    document["provenance"]["inputs"][0]["name"] = HOSTILE
    return Results.model_validate(document)


def many_facades(n_buildings: int = 250, per_building: int = 8) -> Results:
    """Rows of houses, each with receivers around it."""
    document = plain(4).model_dump()
    buildings: list[dict[str, Any]] = []
    levels: list[dict[str, Any]] = []
    keys = ("id", "building", "facade", "floor", "x", "y", "z", "height_m", "bearing_deg", "length_m", "lden_db")
    columns: dict[str, Any] = {key: [] for key in (*keys, "front_lden_db", "share_lden", "share_lnight")}
    periods = [p["name"] for p in document["periods"]]
    columns["period_db"] = {name: [] for name in periods}
    for k in range(n_buildings):
        x, y = 20.0 * (k % 25), 60.0 + 30.0 * (k // 25)
        name = f"H{k}"
        ring = [(x, y), (x + 10, y), (x + 10, y + 8), (x, y + 8)]
        about = {"use": "dwelling", "area": None, "height_m": 7.0, "top_z_m": 7.0, "floors": 2}
        extra = {"absorption": [0.1] * 8, "dwellings": 2.0, "persons": 5.0, "n_receivers": per_building}
        buildings.append({"id": name, "name": f"Row {k}", **about, **extra, "rings": [ring]})
        own = []
        for side in range(per_building):
            angle = 2 * math.pi * side / per_building
            lden = 70.0 - 10 * math.log10(1 + y / 20) - 3.0 * math.sin(angle) - 0.013 * k
            own.append(lden)
            row = {"id": f"{name}/{side + 1}.1/4m", "building": name, "facade": side + 1, "floor": 0, "z": 4.0}
            place = {"x": x + 5 + 6 * math.cos(angle), "y": y + 4 + 5 * math.sin(angle), "height_m": 4.0}
            row |= {**place, "bearing_deg": math.degrees(angle), "length_m": 4.0, "lden_db": lden}
            row |= {"front_lden_db": lden, "share_lden": 0.1, "share_lnight": 0.1}
            for key, value in row.items():
                columns[key].append(value)
            for shift, period in enumerate(periods):
                columns["period_db"][period].append(lden - 2.0 - 3 * shift)
        top = max(own)
        highest = {"lden": top, **{p: top - 2.0 - 3 * s for s, p in enumerate(periods)}}
        at = dict.fromkeys(highest, f"{name}/{own.index(top) + 1}.1/4m")
        finding = {
            "id": f"B{k}",
            "receiver": at["lden"],
            "criterion": "who_2018",
            "label": "Lden",
            "quantity": "lden_db",
            "level_db": top,
            "compared_db": top,
            "limit_db": 54.0,
            "difference_db": top - 54.0,
            "verdict": "above" if top > 54.0 else "borderline" if top > 51.0 else "well below",
            "within_uncertainty": abs(top - 54.0) < 3.0,
        }
        judged = {"quiet_facade": False, "lowest_front_db": min(own), "findings": [finding]}
        levels.append(
            {"building": name, "n_receivers": per_building, "highest_db": highest, "highest_at": at, **judged}
        )
    document["site"]["buildings"] = buildings
    document["facades"] = {
        "receivers": columns,
        "buildings": levels,
        "exposure": [
            {
                "quantity": quantity,
                "from_db": from_db,
                "to_db": None,
                **dict.fromkeys(("dwellings", "persons", "quiet_dwellings", "quiet_persons"), 1.0),
                "sensitive": 0,
            }
            for quantity, from_db in (("lden", 55.0), ("lnight", 50.0))
        ],
        "dwellings": 2.0 * n_buildings,
        "persons": 5.0 * n_buildings,
        "other_dwellings": 0.0,
        "other_persons": 0.0,
        "bare": [],
        "left_out_db": 0.0,
    }
    return Results.model_validate(document)


def considered(results: Results) -> Results:
    """The same with one option."""
    measure = MeasureInfo(
        id="m1",
        measure="rail_dampers",
        name="",
        title="Rail dampers <b>",
        side="source",
        acts_on=["rolling"],
        day="2027-01-01",
        options={},
        package="lineside",
        effects=[],
        costs=[],
        life_years=None,
        life_source="",
        lead_days=None,
        side_conditions=["Needs a clean foot of the rail"],
        approval=["Approval of the track"],
        cannot=[],
        safety=[],
        warnings=[],
        prompts=[],
        acts=True,
    )
    any_limit = AboveAny(receivers=3, dwellings=12, persons=30)
    above = AboveLimit(
        criterion="who_2018",
        label="LAeq",
        quantity="laeq_db",
        window="22-06 h",
        receivers_before=7,
        receivers=3,
        dwellings_before=20,
        dwellings=12,
        persons_before=50,
        persons=30,
    )
    option = OptionResult(
        id="o1",
        measures=["m1"],
        acts=True,
        mean_reduction_db={"lden": 2.04},
        best_reduction_db={"lden": 3.55},
        worst_reduction_db={"lden": -0.1},
        lden_db={results.receivers[0].id: 51.26},
        above=[above],
        above_any=any_limit,
        decibel_dwellings=24.0,
        cost=Money(low=90000.0, likely=120000.4, high=150000.0, currency="EUR"),
        in_time=InTime(takes_effect="2027-03-01", worn_in_anyway="2027-09-01", until="2030-01-01"),
    )
    found = OptionsResult(
        date="2027-01-01",
        years=20,
        discount_rate_pct=0.0,
        above_before=any_limit,
        measures=[measure],
        options=[option],
        rejected=[Rejected(measures=["m1"], reason="Too late.")],
        order=[Place(option="o1", reason="Cheapest for what it gives.")],
        suggestions=[Suggestion(measure="gauge_lubrication", title="Lubrication", acts_at={"squeal": ["R1"]})],
        notes=["A note."],
        n_states=1,
        n_transfers=0,
    )
    return results.model_copy(update={"options": found})


def drawn() -> Results:
    """With draws at the first receiver."""
    document = plain(4).model_dump()
    first = document["receivers"][0]["id"]
    levels = {"lden": 60.0, **{p["name"]: 55.0 for p in document["periods"]}}
    receiver = {"receiver": first, "low_db": {k: v - 3.4 for k, v in levels.items()}, "median_db": levels}
    receiver |= {"high_db": {k: v + 3.4 for k, v in levels.items()}, "first": {}, "total": {}, "narrower_db": {}}
    numbers = {"draws": 512, "seed": 1, "settled_db": 0.1, "moved_db": 0.05, "direct_draws": 0, "direct_db": None}
    names = {"groups": [], "without_range": [], "not_stated": [], "exact_spectra": [], "inputs": []}
    document["sure"] = {**numbers, **names, "transfers": 0, "receivers": [receiver]}
    finding = next(f for f in document["findings"] if f["receiver"] == first)
    finding |= {"interval_db": (56.6, 63.4), "probability_above": 0.83}
    return Results.model_validate(document)


def page(results: Results) -> str:
    """The page of a document."""
    return render(results, results_bytes(results)).decode()

"""Changes of ranges, intervals, probabilities and options are said, and small ones are not."""

from __future__ import annotations

import copy
import json
import runpy
from pathlib import Path
from typing import Any

import pikepdf
import pytest

from lineside.compare import supplement
from lineside.compare.run import compare_results
from lineside.compare.words import lines
from lineside.report.strings import Strings
from lineside.results.model import Results

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))


def _input(label: str, **changes: Any) -> dict[str, Any]:
    facts = {"group": "trains", "label": label, "low": 20.0, "likely": 30.0, "high": 40.0, "unit": "1/h"}
    facts |= {"shape": "triangular", "standing": "estimate", "source": "A count", "kind": "number", "acts": True}
    return {**facts, **changes}


def document() -> dict[str, Any]:
    """Three receivers with draws, and options."""
    found: dict[str, Any] = FIXTURE["build_results"](3).model_dump(mode="json")
    levels = {"lden": 60.0, "night": 50.0, "22-06 h": 51.0}
    none: dict[str, Any] = {"first": {}, "total": {}, "narrower_db": {}}
    receivers = [
        {
            "receiver": r["id"],
            "low_db": {k: v - 3 for k, v in levels.items()},
            "median_db": levels,
            "high_db": {k: v + 3 for k, v in levels.items()},
            **none,
        }
        for r in found["receivers"]
    ]
    names = {"groups": ["trains"], "without_range": [], "not_stated": [], "exact_spectra": []}
    numbers = {"draws": 512, "seed": 1, "settled_db": 0.1, "moved_db": 0.05, "direct_draws": 0, "direct_db": None}
    inputs = [_input("tram at night"), _input("train by day")]
    found["sure"] = {**numbers, **names, "transfers": 0, "inputs": inputs, "receivers": receivers}
    for f in found["findings"]:
        f["probability_above"] = 0.5
    return found


def compared(change: Any) -> Any:
    first = document()
    second = copy.deepcopy(first)
    change(second)
    return compare_results(Results.model_validate(first), Results.model_validate(second))


def test_a_range_its_shape_and_its_standing_are_told() -> None:
    def change(d: dict[str, Any]) -> None:
        d["sure"]["inputs"][0] |= {"high": 50.0, "shape": "uniform", "standing": "measured"}
        d["sure"]["inputs"][1]["label"] = "train by night"

    found = compared(change)
    assert [(c.kind, c.where.partition(": ")[2], c.before, c.after) for c in found.ranges] == [
        ("changed", "tram at night, range", "30 (20 to 40) 1/h", "30 (20 to 50) 1/h"),
        ("changed", "tram at night, shape", "triangular", "uniform"),
        ("changed", "tram at night, standing", "estimate", "measured"),
        ("removed", "train by day", "30 (20 to 40) 1/h, triangular, estimate", ""),
        ("added", "train by night", "", "30 (20 to 40) 1/h, triangular, estimate"),
    ]
    assert not found.same and "Ranges of inputs: 5 changed" in list(lines(found))


def test_inputs_of_one_name_are_kept_apart() -> None:
    first = document()
    first["sure"]["inputs"].append(_input("tram at night", low=0.0))
    second = copy.deepcopy(first)
    second["sure"]["inputs"][2]["low"] = 10.0
    found = compare_results(Results.model_validate(first), Results.model_validate(second))
    assert [c.where.partition(": ")[2] for c in found.ranges] == ["tram at night (2), range"]


@pytest.mark.parametrize(("moved_db", "listed"), [(0.49, 0), (0.5, 1)])
def test_intervals_are_listed_from_half_a_decibel_on(moved_db: float, listed: int) -> None:
    def change(d: dict[str, Any]) -> None:
        d["sure"]["receivers"][1]["high_db"]["night"] += moved_db

    found = compared(change)
    assert len(found.intervals) == listed and found.n_intervals == 9 and found.same is not bool(listed)
    if listed:
        (one,) = found.intervals
        assert (one.quantity, one.before_db, one.after_db) == ("Lnight", (47.0, 53.0), (47.0, 53.5))
        said = list(lines(found))
        assert f"  {one.place}: Lnight 47 to 53 -> 47 to 54 dB" in said
        assert "90 % intervals: 1 of 9 have an end that moves by 0.5 dB or more" in said


@pytest.mark.parametrize(("share", "listed"), [(0.549, 0), (0.55, 1)])
def test_probabilities_are_listed_from_five_points_on(share: float, listed: int) -> None:
    def change(d: dict[str, Any]) -> None:
        d["findings"][0]["probability_above"] = share

    found = compared(change)
    assert len(found.probabilities) == listed and found.n_probabilities > 1
    if listed:
        assert any(line.endswith(": about 50 % -> about 55 %") for line in lines(found))
        assert json.loads(json.dumps(found.as_json()))["probabilities"][0]["after"] == share


def test_draws_that_one_does_not_make_are_one_change() -> None:
    found = compared(lambda d: d.update(sure=None))
    assert [(c.kind, c.before) for c in found.ranges] == [("removed", "512 draws, 2 inputs with a range")]
    assert not found.intervals


def test_order_reduction_cost_and_measures_are_told() -> None:
    named: dict[str, Any] = {}

    def change(d: dict[str, Any]) -> None:
        options = d["options"]
        options["order"].reverse()
        first = next(o for o in options["options"] if o["cost"] is not None)
        first["mean_reduction_db"]["lden"] += 0.06
        first["cost"]["likely"] *= 1.1
        first["cost"]["high"] = max(first["cost"]["high"], first["cost"]["likely"])
        named.update(option=first["id"], gone=options["measures"].pop()["id"])

    found = compared(change)
    kinds = {c.where: c.kind for c in found.options}
    assert kinds.pop(f"measure {named['gone']}") == "removed"
    assert kinds.pop("recommended order") == "changed"
    assert sorted(w.rpartition(", ")[2] for w in kinds) == ["cost", "mean reduction of Lden"]
    assert all(w.startswith(named["option"]) for w in kinds)
    assert any(line.startswith("  recommended order: 1 ") for line in lines(found))


def test_a_smaller_reduction_than_printed_is_none() -> None:
    def change(d: dict[str, Any]) -> None:
        d["options"]["options"][0]["mean_reduction_db"]["lden"] += 0.04

    assert compared(change).same


def test_options_that_one_does_not_have_are_one_change() -> None:
    found = compared(lambda d: d.update(options=None))
    assert [(c.kind, c.where) for c in found.options] == [("removed", "options")]


def test_the_supplement_prints_them_on_its_two_pages(tmp_path: Path) -> None:
    def change(d: dict[str, Any]) -> None:
        d["sure"]["inputs"] = [_input(f"input {k}") for k in range(60)]
        for r in d["sure"]["receivers"]:
            r["low_db"] = {k: v - 2 for k, v in r["low_db"].items()}
        for f in d["findings"]:
            f["probability_above"] = 0.995
        d["options"]["order"].reverse()

    found = compared(change)
    tables = supplement.build(found, Strings(), 6).tables
    assert [row.cells[3:] for row in tables["C3.4"].rows[:1]] == [("about 50\u00a0%", "> 99\u00a0%")]
    assert tables["C3.4"].rows[-1].cells[2:] == ("LAeq 22-06 h", "48 to 54 dB", "46 to 54 dB")
    assert len(tables["C3.4"].rows) == 6 and "more rows" in tables["C3.4"].note
    assert len(tables["C2.2"].rows) == 6 and tables["C3.5"].rows[0].cells[0] == "recommended order"
    supplement.write_supplement(found, tmp_path / "changes.pdf")
    with pikepdf.open(tmp_path / "changes.pdf") as pdf:
        assert len(pdf.pages) == 2

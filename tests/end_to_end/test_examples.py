"""Each example project, from the folder to the PDF and back."""

from __future__ import annotations

import csv
import fcntl
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pikepdf
import pytest
from netCDF4 import Dataset

EXAMPLES = Path(__file__).parents[2] / "example_projects"
NAMES = sorted(p.name for p in EXAMPLES.iterdir() if (p / "project.yaml").exists())


def assess(name, out, **environment):
    return subprocess.run(
        [sys.executable, "-m", "lineside.cli", "assess", str(EXAMPLES / name), "--quiet", "--out", str(out)],
        capture_output=True,
        text=True,
        timeout=600,
        env={**os.environ, **environment},
    )


@pytest.fixture(scope="module", params=NAMES)
def example(request, tmp_path_factory, worker_id):
    """An example with what comes of it, made once for all workers."""
    name, own = request.param, tmp_path_factory.getbasetemp()
    shared = own if worker_id == "master" else own.parent
    out, made = shared / f"example-{name}", shared / f"example-{name}.made"
    with (shared / f"example-{name}.lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if not made.exists():
            done = assess(name, out)
            assert done.returncode == 0, done.stderr
            made.touch()
    return name, out, json.loads((out / "results.json").read_text())


def test_there_are_two_examples():
    assert len(NAMES) >= 2


def test_the_same_project_gives_the_same_bytes_in_another_process(example, tmp_path):
    name, out, _ = example
    if name == "river_curve":
        pytest.skip("takes two minutes; the other two examples have all that it has but contours in its terrain")
    assert assess(name, tmp_path, PYTHONHASHSEED="7", TZ="Asia/Tokyo", NUMBA_NUM_THREADS="1").returncode == 0
    for file in (
        "assessment.pdf",
        "index.html",
        "results.json",
        "results.nc",
        "tables/receivers.csv",
        "tables/tables.xlsx",
    ):
        assert (
            hashlib.sha256((tmp_path / file).read_bytes()).hexdigest()
            == hashlib.sha256((out / file).read_bytes()).hexdigest()
        ), file


def test_pdf_holds_the_project_and_the_results(example):
    name, out, _ = example
    with pikepdf.open(out / "assessment.pdf") as pdf:
        attached = {k: pdf.attachments[k].get_file().read_bytes() for k in pdf.attachments}
    for file in (EXAMPLES / name).iterdir():
        if file.suffix in (".yaml", ".csv", ".geojson"):
            assert attached[file.name] == file.read_bytes()
    assert attached["results.json"] == (out / "results.json").read_bytes()


def test_tables_hold_what_the_document_holds(example):
    _, out, document = example
    with (out / "tables" / "receivers.csv").open(newline="") as file:
        rows = {r["id"]: r for r in csv.DictReader(file)}
    for receiver in document["receivers"]:
        assert float(rows[receiver["id"]]["lden_db"]) == receiver["lden_db"]
        assert float(rows[receiver["id"]]["lnight_db"]) == receiver["period_db"]["night"]


def test_levels_are_the_product_of_the_written_emission_and_transfer(example):
    _, out, document = example
    with Dataset(out / "results.nc") as file:
        power = 10 ** (np.asarray(file["line_power_db"][:]) / 10)
        transfer = 10 ** (np.asarray(file["transfer_db"][:]) / 10)
        leq = np.asarray(file["leq_db"][:])
    thirds = np.einsum("rscpt,psct->rpt", transfer, power)
    octaves = 10 * np.log10(thirds.reshape(*thirds.shape[:-1], 8, 3).sum(axis=-1))
    assert octaves == pytest.approx(leq, abs=1e-6)
    for k, receiver in enumerate(document["receivers"]):
        assert leq[k, 0] == pytest.approx(receiver["spectrum_db"]["day"], abs=1e-3)


def test_every_receiver_is_answered_by_every_criterion(example):
    _, _, document = example
    asked = {(f["receiver"], f["criterion"]) for f in document["findings"]}
    names = [o["name"] for o in document["provenance"]["offers"] if o["kind"] == "criterion"]
    assert asked == {(r["id"], name) for r in document["receivers"] for name in names}
    for finding in document["findings"]:
        if finding["verdict"] == "not assessed":
            assert finding["reason"]
        else:
            above = finding["compared_db"] > finding["limit_db"]
            assert (finding["verdict"] == "above") == above


def test_options_of_measures_are_in_the_document_the_tables_and_the_arrays(example):
    _, out, document = example
    options = document["options"]
    assert len(options["measures"]) >= 6
    assert len(options["order"]) >= 3
    with (out / "tables" / "options.csv").open(newline="") as file:
        rows = {r["option"]: r for r in csv.DictReader(file)}
    assert set(rows) == {o["id"] for o in options["options"]}
    now = {r["id"]: r["lden_db"] for r in document["receivers"]}
    with Dataset(out / "results.nc") as file:
        names, levels = list(file["option"][:]), np.asarray(file["option_lden_db"][:])
    assert {p["option"] for p in options["order"]} <= set(names)
    for name, lden in zip(names, levels, strict=True):
        fall = np.array(list(now.values())) - lden
        assert float(rows[name]["mean_reduction_lden_db"]) == pytest.approx(np.mean(fall), abs=0.01)
        assert float(rows[name]["least_reduction_lden_db"]) == pytest.approx(np.min(fall), abs=0.01)

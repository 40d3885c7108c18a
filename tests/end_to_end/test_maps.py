"""Maps and a section, from the project file to report and files."""

import hashlib
import json
import os
import sqlite3
import subprocess
import sys

import pikepdf
import pytest

from sites import straight_site, write_site

ORIGIN = (500_000.0, 5_400_000.0)


def moved(points):
    return [[x + ORIGIN[0], y + ORIGIN[1], *rest] for x, y, *rest in points]


def site():
    """On a projected system, with works between two dates."""
    given = straight_site()
    given["identity"]["assessment_dates"] = ["2026-12-01"]
    given["site"]["coordinates"] = {"kind": "epsg", "code": 25832}
    track = given["tracks"][0]
    track["alignment"]["points"] = moved([[-300, 0, 0.3], [300, 0, 0.3]])
    track["stretches"] = [{"from_m": 200, "to_m": 400, "joints_per_100_m": 4}]
    given["works"] = [{"date": "2026-11-25", "kind": "joint_removal", "track": "T", "from_m": 200, "to_m": 400}]
    given["receivers"][0]["position"] = moved([[0, 50]])[0]
    given["calculation"]["grid"] = {"spacing_m": 25, "margin_m": 100}
    given["maps"] = [
        {"id": "old", "kind": "levels", "quantity": "lnight", "at": "before"},
        {"id": "gain", "kind": "difference", "from": "before", "name": "What the joints made"},
        {"id": "who", "kind": "conflict", "criterion": "who_2018", "use": "dwelling"},
        {"id": "cut", "kind": "section", "line": moved([[0, -40], [0, 80]]), "step_m": 4},
    ]
    return given


def assess(project, out, **environment):
    return subprocess.run(
        [sys.executable, "-m", "lineside.cli", "assess", str(project), "--quiet", "--out", str(out)],
        capture_output=True,
        text=True,
        timeout=600,
        env={**os.environ, **environment},
    )


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    done = assess(write_site(site(), folder / "project"), folder / "out")
    assert done.returncode == 0, done.stderr
    return folder / "out"


def test_report_shows_every_map_with_words_for_those_who_cannot_see_it(out):
    with pikepdf.open(out / "assessment.pdf") as pdf:
        alts = [str(o["/Alt"]) for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and "/Alt" in o]
    assert any("Map of differences: Lden: 2026-12-01 minus before the works" in alt for alt in alts)
    assert any("Map of limits exceeded: Lden, 2026-12-01, 4 m above ground: over the limit of 54 dB" in a for a in alts)
    assert any("Map of Lnight (23 to 07 h), before the works" in alt for alt in alts)
    assert any("Vertical section of Lden, 2026-12-01, 120 m long" in alt for alt in alts)


def test_files_hold_what_the_document_holds(out):
    document = json.loads((out / "results.json").read_text())
    maps = {m["id"]: m for m in document["maps"]}
    with sqlite3.connect(out / "maps.gpkg") as file:
        file.row_factory = sqlite3.Row
        for table, name in (("differences", "gain"), ("conflicts", "who"), ("contours", "old")):
            rows = file.execute(f'SELECT * FROM "{table}" WHERE map = ?', (name,)).fetchall()
            edges = [None, *maps[name]["edges_db"], None]
            whole = {(edges[k], edges[k + 1]): area for k, area in enumerate(maps[name]["area_m2"])}
            assert rows and all(
                whole[row["lower_db"], row["upper_db"]] == pytest.approx(row["area_m2"]) for row in rows
            )
        receiver = file.execute("SELECT * FROM receivers").fetchone()
    assert receiver["lden_db"] == document["receivers"][0]["lden_db"]
    found = json.loads((out / "maps" / "receivers.geojson").read_text())["features"][0]
    assert found["properties"]["lden_db"] == receiver["lden_db"]
    lon, lat = found["geometry"]["coordinates"]
    assert lon == pytest.approx(9.0, abs=1e-6) and 48.7 < lat < 48.8


def test_the_same_bytes_in_another_process(out, tmp_path):
    assert (
        assess(write_site(site(), tmp_path / "project"), tmp_path, PYTHONHASHSEED="7", TZ="Asia/Tokyo").returncode == 0
    )
    files = ["maps.gpkg", "assessment.pdf", *(f"maps/{p.name}" for p in (out / "maps").iterdir())]
    for file in files:
        one, other = (hashlib.sha256((folder / file).read_bytes()).hexdigest() for folder in (out, tmp_path))
        assert one == other, file

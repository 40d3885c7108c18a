"""Levels at facades: the same as at listed receivers, limits by use, exposure, and what the outputs say."""

from __future__ import annotations

import copy
import csv
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pytest
from shapely import box

import lineside
from house_files import geojson, rectangle
from lineside.api import Assessment
from lineside.engine.kept import KeptBlocks
from lineside.plugins import Plugins
from lineside.report import buildings, context
from lineside.report.strings import Strings
from lineside.results.exposure import occupancy
from lineside.results.facades import NO_PASSES, NO_TONES, compute_facades, plan_facades
from lineside.results.features import layers
from lineside.results.model import Facades
from lineside.results.write import write_arrays, write_tables
from lineside.scene.build import Scenes
from sites import straight_site, write_site

SILENT = {"title": "Own", "source": "here", "place": "here", "valid_from": "now", "nature": "limit"}


def town() -> dict[str, Any]:
    """Two houses and a school beside a track; a receiver listed where one on a facade stands."""
    site = straight_site(half_length_m=400.0)
    site["services"][0]["trains"] = {"kind": "times", "times": ["05:30", "06:10", "12:00", "20:00", "22:10", "23:30"]}
    site["receivers"][0].update(position=[2.0, 19.9], height_m=4.0, dwellings=0, persons=0)
    site["buildings"] = [
        {
            "id": "A",
            "name": "1 Weir Lane",
            "polygon": rectangle(0, 20, 12, 9),
            "height_m": 6,
            "use": "dwelling",
            "area": "residential",
            "dwellings": 5,
            "persons": 11,
        },
        {"id": "S", "polygon": rectangle(60, 15, 12, 9), "height_m": 6, "use": "school", "persons": 300},
        {
            "id": "Z",
            "polygon": rectangle(0, 60, 4, 6),
            "height_m": 6,
            "use": "dwelling",
            "dwellings": 1,
            "persons": 2,
            "dwelling_facades": "one",
        },
        {"id": "X", "polygon": rectangle(90, 60), "height_m": 6, "use": "dwelling", "dwellings": 7, "persons": 9},
    ]
    site["facade_receivers"] = [{"buildings": ["A", "S", "Z"]}]
    limits = [
        {"quantity": "lnight", "limit_db": 10.0, "uses": ["dwelling"]},
        {"quantity": "laeq", "limit_db": 99.0, "from_hour": 22, "to_hour": 6},
        {"quantity": "lafmax", "limit_db": 30.0},
        {"quantity": "lden", "limit_db": 99.0, "tone": "iso_1996_2_2007_annex_d", "tone_adjustment_db": 5.0},
        {"quantity": "lday", "limit_db": 5.0, "tone": "iso_1996_2_2007_annex_d", "tone_adjustment_db": 5.0},
    ]
    site["criteria"] = [{"name": "custom", "options": {**SILENT, "limits": limits}}]
    return site


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    return lineside.assess(write_site(town(), tmp_path_factory.mktemp("town")))


@pytest.fixture(scope="module")
def facades(assessed: Assessment) -> Facades:
    found = assessed.results.facades
    assert found is not None
    return found


def test_levels_are_those_of_a_listed_receiver_at_the_place(assessed: Assessment, facades: Facades) -> None:
    """Within what other source points change; source points of a building serve all its facades."""
    (listed,) = assessed.results.receivers
    k = facades.receivers.id.index("A/1.1/4m")
    assert (facades.receivers.x[k], facades.receivers.y[k], facades.receivers.z[k]) == (2.0, 19.9, 4.0)
    assert facades.receivers.lden_db[k] == pytest.approx(listed.lden_db, abs=0.05)
    for period, value in listed.period_db.items():
        assert facades.receivers.period_db[period][k] == pytest.approx(value, abs=0.05)


def test_averages_over_clock_hours_are_those_of_a_listed_receiver(assessed: Assessment, facades: Facades) -> None:
    """From 22 to 6 h run three of the trains, one of them in the evening: no period has this average."""
    listed = next(f for f in assessed.results.findings if f.quantity == "laeq_db")
    at_a = next(f for f in facades.buildings[0].findings if f.quantity == "laeq_db")
    assert at_a.window == listed.window == "22:00 to 06:00"
    k = facades.receivers.id.index(at_a.receiver)
    ahead = facades.receivers.lden_db[k] - facades.receivers.lden_db[facades.receivers.id.index("A/1.1/4m")]
    assert at_a.level_db == pytest.approx(listed.level_db + ahead, abs=0.05)


def test_the_loudest_receiver_is_judged_by_the_use_of_the_building(facades: Facades) -> None:
    house, school, _ = facades.buildings
    columns = facades.receivers
    for b in facades.buildings:
        rows = [k for k, name in enumerate(columns.building) if name == b.building]
        loudest = max(rows, key=lambda k: columns.lden_db[k])
        assert (b.highest_at["lden"], b.highest_db["lden"]) == (columns.id[loudest], columns.lden_db[loudest])
        assert b.n_receivers == len(rows)
    assert [f.quantity for f in house.findings] == ["lnight_db", "laeq_db", "", "", "lday_db"]
    assert [f.verdict for f in house.findings] == ["above", "well below", "not assessed", "not assessed", "above"]
    assert [f.quantity for f in school.findings] == ["laeq_db", "", "", "lday_db"], "no limit for the night at a school"
    assert house.findings[2].reason == NO_PASSES
    assert house.findings[3].reason == NO_TONES, "without tones the limit is kept, with them it may not be"
    ids = [f.id for b in facades.buildings for f in b.findings]
    assert ids == [f"B{n}" for n in range(1, len(ids) + 1)]


def test_all_dwellings_and_persons_are_assigned_once(facades: Facades) -> None:
    for quantity in ("lden", "lnight"):
        bands = [b for b in facades.exposure if b.quantity == quantity]
        assert sum(b.dwellings for b in bands) == pytest.approx(facades.dwellings) == 6
        assert sum(b.persons for b in bands) == pytest.approx(facades.persons) == 13, "pupils do not live there"
        assert sum(b.sensitive for b in bands) == 1
        assert bands[0].from_db is None and bands[-1].to_db is None
        assert all(a.to_db == b.from_db for a, b in pairwise(bands))
    assert (facades.other_dwellings, facades.other_persons) == (7, 9), "building X has no receivers"


def test_shares_follow_the_median_or_the_length_of_facade(facades: Facades) -> None:
    columns = facades.receivers
    at = {name: [k for k, b in enumerate(columns.building) if b == name] for name in ("A", "S", "Z")}
    levels = np.array([columns.lden_db[k] for k in at["A"]])
    share = np.array([columns.share_lden[k] for k in at["A"]])
    assert len(levels) == 10 and sorted(share.tolist()) == [0.0] * 5 + [0.2] * 5
    assert levels[share > 0].min() >= levels[share == 0].max()
    lengths = np.array([columns.length_m[k] for k in at["Z"]])
    assert [columns.share_lden[k] for k in at["Z"]] == pytest.approx((lengths / lengths.sum()).tolist(), abs=1e-6)


def test_quiet_facades_need_20_db(tmp_path: Path) -> None:
    """Nothing screens here: no house of this size is quiet; a pier of 2 km is, at its far end."""
    site = town()
    site["buildings"] = [
        {"id": "P", "polygon": rectangle(0, 20, 8, 2000), "height_m": 6, "use": "dwelling", "persons": 4}
    ]
    site["facade_receivers"] = [{"rule": "each_facade"}]
    site["receivers"][0]["position"] = [-20.0, 50.0]
    pier = lineside.assess(write_site(site, tmp_path)).results.facades
    assert pier is not None
    (found,) = pier.buildings
    assert found.quiet_facade is True
    assert found.lowest_front_db < found.highest_db["lden"] - 20
    assert sum(b.quiet_persons for b in pier.exposure if b.quantity == "lden") == 4


def test_no_house_is_quiet_without_screening(facades: Facades) -> None:
    assert [b.quiet_facade for b in facades.buildings] == [False, False, False]


def test_a_building_does_not_depend_on_which_others_are_chosen(facades: Facades, tmp_path: Path) -> None:
    site = town()
    site["facade_receivers"] = [{"buildings": ["A"]}]
    alone = lineside.assess(write_site(site, tmp_path)).results.facades
    assert alone is not None
    n = len(alone.receivers.id)
    assert alone.receivers.lden_db == facades.receivers.lden_db[:n]


def test_threads_and_kept_blocks_change_no_number(assessed: Assessment, tmp_path: Path) -> None:
    """Blocks of another run are taken up as they are: what lies there is what comes out."""
    planned, selection = assessed.plan, assessed.selection
    kept = KeptBlocks(tmp_path)
    wanted = plan_facades(planned, selection)
    one = compute_facades(wanted, planned, selection, workers=1, blocks=kept)
    two = compute_facades(wanted, planned, selection, workers=2)
    assert one is not None and two is not None
    names = sorted(p.name for p in tmp_path.iterdir())
    assert names == ["facades-0-0.npz", "facades-1-0.npz"]
    for name in ("period", "windows", "front", "left_out"):
        assert np.array_equal(getattr(one.levels, name), getattr(two.levels, name))
    stored = kept.load("facades-0-0")
    assert stored is not None
    kept.save("facades-0-0", {"energy": 2.0 * stored["energy"], "left_out": stored["left_out"]})
    again = compute_facades(wanted, planned, selection, blocks=kept)
    assert again is not None and np.array_equal(again.levels.period, 2.0 * one.levels.period)


def test_totals_of_a_layer_are_shared_out_by_volume(tmp_path: Path) -> None:
    """(2.8.2): volumes 80 x 6, 160 x 6 and 80 x 12 m3; offices have no part in it. (2.8.7): 80 x 0.8 x 2 / 32 = 4."""
    entries = [
        (box(0, 20, 10, 28), {"h": 6, "use": "dwelling"}),
        (box(20, 20, 40, 28), {"h": 6, "use": "dwelling"}),
        (box(50, 20, 60, 28), {"h": 12, "use": "dwelling"}),
        (box(70, 20, 80, 28), {"h": 60, "use": "office"}),
    ]
    site = town()
    site["buildings"], site["facade_receivers"] = [], []
    layer = {
        "id": "t",
        "file": "t.geojson",
        "height_attribute": "h",
        "use_attribute": "use",
        "persons_total": 100,
        "dwellings_total": 50,
    }
    site["building_files"] = [layer]
    folder = write_site(site, tmp_path)
    (folder / "t.geojson").write_bytes(geojson(entries))
    built = Scenes(lineside.load_project(folder), [])
    dwellings, persons = occupancy(built.standing, built.loaded.project.building_files)
    assert dwellings.tolist() == pytest.approx([10, 20, 20, 0])
    assert persons.tolist() == pytest.approx([20, 40, 40, 0])
    layer.pop("persons_total")
    layer["floor_space_per_person_m2"] = 32.0
    built = Scenes(lineside.load_project(write_site(site, tmp_path)), [])
    assert occupancy(built.standing, built.loaded.project.building_files)[1].tolist() == pytest.approx([4, 8, 8, 0])


def test_files_hold_every_receiver(assessed: Assessment, facades: Facades, tmp_path: Path) -> None:
    write_tables(assessed.results, tmp_path)
    rows = list(csv.DictReader((tmp_path / "facades.csv").read_text(encoding="utf-8").splitlines()))
    assert [r["id"] for r in rows] == facades.receivers.id
    assert [float(r["lnight_db"]) for r in rows] == facades.receivers.period_db["night"]
    (first, *_) = csv.DictReader((tmp_path / "buildings.csv").read_text(encoding="utf-8").splitlines())
    assert float(first["highest_lden_db"]) == facades.buildings[0].highest_db["lden"]
    assert len(list(csv.DictReader((tmp_path / "exposure.csv").read_text(encoding="utf-8").splitlines()))) == 12
    above = list(csv.DictReader((tmp_path / "exposure_limits.csv").read_text(encoding="utf-8").splitlines()))
    assert [(r["limit_db"], r["persons_above"]) for r in above[:2]] == [("10.0", "13.0"), ("99.0", "0.0")]
    limits = list(csv.DictReader((tmp_path / "building_findings.csv").read_text(encoding="utf-8").splitlines()))
    assert [r["building"] for r in limits][:2] == ["A", "A"]
    write_arrays(assessed.results, assessed.built, assessed.computed, tmp_path / "r.nc")
    with netCDF4.Dataset(tmp_path / "r.nc") as file:
        assert file["facade_lden_db"][:].tolist() == pytest.approx(facades.receivers.lden_db)
        assert list(file["facade_receiver"][:]) == facades.receivers.id


def test_layers_of_features_hold_every_receiver(assessed: Assessment, facades: Facades) -> None:
    (layer,) = [x for x in layers(assessed.results) if x.name == "facade_receivers"]
    own = facades.receivers
    assert [(s.x, s.y) for s, _ in layer.rows] == list(zip(own.x, own.y, strict=True)) and layer.rows
    columns = {"id": own.id, "building": own.building, "facade": own.facade}
    assert {key: [v[key] for _, v in layer.rows] for key in columns} == columns
    for key, levels in (("lden_db", own.lden_db), ("lnight_db", own.period_db["night"])):
        assert [v[key] for _, v in layer.rows] == [round(level, 2) for level in levels], key


def test_the_report_has_levels_exposure_and_limits(assessed: Assessment) -> None:
    strings = Strings()
    tables = {t.id: t for t in buildings.tables(assessed.results, strings)}
    assert [r.cells[0] for r in tables["T2.2"].rows] == ["A", "S", "Z", "X"]
    assert [r.cells[0] for r in tables["T6.4"].rows] == ["A", "S", "Z"]
    assert tables["T6.4"].rows[0].cells[-2] == "no"
    own = assessed.results.facades.buildings[0]
    low, high = own.interval_db["lden"]
    assert low < own.highest_db["lden"] < high
    assert tables["T6.4"].rows[0].cells[-1] == f"{math.floor(low)} to {math.ceil(high)}"
    bands = [r for r in tables["T6.5"].rows if not r.group]
    assert [r.cells[1] for r in bands if r.cells[0] == "Together"] == ["6", "6"]
    title, *above = tables["T6.5"].rows[-5:]
    assert title.group and title.cells == ("Own [limit]",)
    assert [(r.cells[0], *r.cells[1:]) for r in above] == [
        ("Lnight above 10 dB", "6", "13", "0", "0", "0"),
        ("LAeq, 22:00 to 06:00 above 99 dB", "0", "0", "0", "0", "0"),
        ("Lden above 99 dB", "0", "0", "0", "0", "0"),
        ("Lday above 5 dB", "5.8", "12.6", "0", "0", "1"),  # of Z four fifths of the facades
    ]
    assert "What a tone would add is left out." in tables["T6.5"].note
    assert "with 7 dwellings and 9 persons, are in no band" in tables["T6.5"].note
    limits = [r for r in tables["T6.6"].rows if not r.group]
    assert limits[0].strong and limits[0].cells[0] in ("A", "Z")
    assert NO_PASSES + " (3)" in tables["T6.6"].note and NO_TONES.rstrip(".") + " (3)" in tables["T6.6"].note
    said = " ".join(buildings.limits_in_summary(assessed.results, strings))
    assert said.startswith("Buildings at whose facades a limit is exceeded: 3 of 3 for “Own” (dwellings in them: 6)")
    persons = " ".join(buildings.persons_in_summary(assessed.results, strings))
    assert persons.startswith("The buildings with receivers on their facades hold 6 dwellings with 13 persons;")
    report = context.build(assessed.results, {}, context.draw(assessed.results, strings), strings)
    whole = " ".join(s for block in report.summary for s in block.sentences)
    assert said in whole and persons in whole and "names no dwellings or persons" not in whole


def test_what_is_taken_for_granted_is_said(assessed: Assessment) -> None:
    said = {n.text: n.standing for n in assessed.results.notes if n.kind == "assumption"}
    assert said["Walls of buildings absorb 20 % of the sound energy in each octave, where nothing else is given."] == (
        "common practice, no source"
    )
    assert any("These are: R." in text for text in said), "the listed receiver stands 10 cm in front of a wall"
    assert any("the louder half of its receivers" in text for text in said)


def test_nothing_of_it_without_facade_receivers(tmp_path: Path) -> None:
    site = copy.deepcopy(town())
    site["facade_receivers"] = []
    site["criteria"] = []
    results = lineside.assess(write_site(site, tmp_path)).results
    assert results.facades is None and len(results.site.buildings) == 4
    tables = {t.id: t for t in buildings.tables(results, Strings())}
    assert tables["T6.4"].rows == () and tables["T6.4"].empty == "The project file asks for no receivers on facades."
    assert buildings.limits_in_summary(results, Strings()) == []
    assert len(write_tables(results, tmp_path / "t")) > 10


def test_sheds_without_room_and_silence_give_a_report(tmp_path: Path) -> None:
    site = town()
    site["buildings"] = [
        {"id": "H", "polygon": rectangle(0, 20, 1.2, 1.2), "height_m": 2, "use": "dwelling", "persons": 1}
    ]
    site["facade_receivers"] = [{}]
    site["receivers"][0]["position"] = [-20.0, 50.0]
    results = lineside.assess(write_site(site, tmp_path / "shed")).results
    assert results.facades is not None
    assert results.facades.bare == ["H"] and results.facades.buildings == [] and results.facades.other_persons == 1
    strings = Strings()
    note = {t.id: t for t in buildings.tables(results, strings)}["T6.4"].note
    assert "No room for a receiver: H." in note
    site["buildings"][0]["polygon"] = rectangle(0, 20)
    (method,) = [m for m in Plugins.load().methods if m.name == "eu_common"]
    site["calculation"]["without"] = list(method.source_calculators)
    silent = lineside.assess(write_site(site, tmp_path / "silent")).results.facades
    assert silent is not None
    assert silent.buildings[0].highest_db == {"lden": None, "day": None, "evening": None, "night": None}
    assert silent.buildings[0].quiet_facade is False
    assert silent.exposure[0].persons == 1 and sum(b.persons for b in silent.exposure) == 2

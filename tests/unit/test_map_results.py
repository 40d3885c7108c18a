"""Maps and sections: what they show is what the levels of their situations say."""

from __future__ import annotations

import json
import sqlite3
import struct
from typing import Any

import numpy as np
import pytest
import shapely

import lineside
from lineside.acoustics.levels import energy_sum_db
from lineside.results.contours import as_array
from lineside.results.features import LAYERS, layers
from lineside.results.maps import map_bands
from lineside.results.model import Results
from lineside.results.write import write_maps
from sites import straight_site, write_site

#: Levels above 52.5 dB exceed it.
THRESHOLD_DB = 52.5
LIMIT = {"quantity": "lden", "limit_db": 57.5, "adjustment_db": 5}
SOURCES = ("rolling", "impact", "squeal", "traction", "aerodynamic", "bridge")
HOUSE = [[-20.0, 55.0], [20.0, 55.0], [20.0, 75.0], [-20.0, 75.0]]


def place(**more: Any) -> dict[str, Any]:
    """A short track with joints that are taken away, a barrier, a house, water and all kinds of maps."""
    site = straight_site(250.0)
    site["identity"]["assessment_dates"] = ["2026-12-01"]
    site["tracks"][0]["stretches"] = [{"from_m": 150, "to_m": 350, "joints_per_100_m": 4}]
    site["works"] = [{"date": "2026-11-25", "kind": "joint_removal", "track": "T", "from_m": 150, "to_m": 350}]
    site["barriers"] = [{"id": "B", "height_m": 3, "surface": "absorbing", "line": [[-80, 8], [80, 8]]}]
    site["buildings"] = [{"id": "H", "height_m": 9, "use": "dwelling", "polygon": HOUSE}]
    site["ground_areas"] = [
        {"id": "pond", "surface": "water", "polygon": [[-90, -60], [90, -60], [90, -30], [-90, -30]]}
    ]
    mild = {"id": "mild", "share": 0.5, "temperature_deg_c": 15, "humidity_pct": 70}
    frost = {"id": "frost", "share": 0.5, "temperature_deg_c": -5, "humidity_pct": 60}
    site["conditions"] = {"air": [mild, frost]}
    permit = {"title": "Permit", "source": "p. 3", "limits": [LIMIT]}
    site["criteria"].append({"name": "custom", "id": "permit", "options": permit})
    site["receivers"][0]["position"] = [105, 120]  # a point of the grid
    site["calculation"]["grid"] = {"spacing_m": 15, "margin_m": 90}
    site["maps"] = [
        {"id": "now", "kind": "levels"},
        {"id": "old", "kind": "levels", "at": "before"},
        {"id": "change", "kind": "difference", "from": "before"},
        {"id": "permit", "kind": "conflict", "criterion": "permit", "use": "dwelling"},
        {"id": "day", "kind": "levels", "quantity": "laeq", "from_hour": 7, "to_hour": 19},
        {"id": "whole", "kind": "levels", "quantity": "laeq", "from_hour": 0, "to_hour": 24},
        {"id": "frosty", "kind": "levels", "quantity": "lday", "at": "frost+homogeneous"},
        {"id": "cut", "kind": "section", "line": [[0, -50], [0, 100]], "step_m": 3, "up_to_m": 16},
        {"id": "cut old", "kind": "section", "line": [[0, -50], [0, 100]], "step_m": 3, "up_to_m": 16, "at": "before"},
    ]
    return {**site, **more}


@pytest.fixture(scope="module")
def results(tmp_path_factory) -> Results:
    return lineside.assess(write_site(place(), tmp_path_factory.mktemp("maps"))).results


@pytest.fixture(scope="module")
def values(results) -> dict[str, np.ndarray]:
    return {m.id: as_array(m.values_db, np.nan) for m in results.maps}


def test_maps_come_in_the_order_of_the_project(results):
    assert [m.id for m in results.maps] == ["now", "old", "change", "permit", "day", "whole", "frosty"]
    assert [s.id for s in results.sections] == ["cut", "cut old"]
    assert results.maps[1].situation.label == "before" and results.maps[1].situation.date == "2026-11-24"


def test_the_situation_of_the_report_is_the_grid_itself(results, values):
    assert np.array_equal(values["now"], as_array(results.grid.levels_db["lden"]))


def test_a_difference_is_that_of_the_two_levels(values):
    assert values["change"] == pytest.approx(values["now"] - values["old"], abs=0.0101)
    assert values["change"].min() < -3.0, "the joints are gone"


def test_a_map_before_the_works_is_that_of_an_assessment_before_them(results, values, tmp_path):
    alone = place(maps=[])
    found = lineside.assess(write_site(alone, tmp_path), state="before").results
    assert values["old"] == pytest.approx(as_array(found.grid.levels_db["lden"]), abs=0.06)
    near = np.abs(values["old"] - as_array(found.grid.levels_db["lden"])) <= 0.0101
    assert near.mean() > 0.95, "all but what the cut-off leaves open"


def test_a_state_of_air_and_wind_is_that_of_an_assessment_in_it(values, tmp_path):
    found = lineside.assess(write_site(place(maps=[]), tmp_path), state="frost+homogeneous").results
    assert values["frosty"] == pytest.approx(as_array(found.grid.levels_db["day"]), abs=0.06)
    grid, receiver = found.grid, found.receivers[0]
    at_receiver = values["frosty"][grid.y.index(receiver.y), grid.x.index(receiver.x)]
    assert at_receiver == pytest.approx(receiver.period_db["day"], abs=0.06)


def test_levels_over_clock_hours(results, values):
    grid = {name: as_array(rows) for name, rows in results.grid.levels_db.items()}
    assert values["day"] == pytest.approx(grid["day"], abs=0.0101)
    hours = {"day": 12, "evening": 4, "night": 8}
    parts = [grid[name] + 10.0 * np.log10(n / 24.0) for name, n in hours.items()]
    assert values["whole"] == pytest.approx(energy_sum_db(np.stack(parts), axis=0), abs=0.0151)


def test_a_conflict_is_what_a_level_is_over_the_limit(results, values):
    found = next(m for m in results.maps if m.id == "permit")
    assert values["permit"] == pytest.approx(values["now"] - THRESHOLD_DB, abs=0.0101)
    assert (found.limit.threshold_db, found.limit.limit_db, found.limit.use) == (THRESHOLD_DB, 57.5, "dwelling")
    assert found.edges_db[:2] == [-results.uncertainty.expanded_db, 0.0], "borderline, then above"


def test_a_conflict_map_agrees_with_findings_beside_the_track(tmp_path):
    """The level at a receiver that stands on a point of the grid."""
    site = place(buildings=[], maps=[place()["maps"][3]])
    site["receivers"] = [
        {**site["receivers"][0], "id": f"R{k}", "position": [0, y]} for k, y in enumerate((15, 30, 60))
    ]
    results = lineside.assess(write_site(site, tmp_path)).results
    grid, found = results.grid, as_array(results.maps[0].values_db)
    for finding in results.findings:
        if finding.criterion == "permit":
            receiver = next(r for r in results.receivers if r.id == finding.receiver)
            on_map = found[grid.y.index(receiver.y), grid.x.index(receiver.x)]
            assert on_map == pytest.approx(finding.difference_db, abs=0.07)
            assert (on_map > 0) == (finding.verdict == "above")


def test_areas_add_up_to_the_grid_without_the_house(results):
    x, y = results.grid.x, results.grid.y
    whole = (x[-1] - x[0]) * (y[-1] - y[0]) - shapely.Polygon(HOUSE).area
    for found in results.maps:
        assert sum(found.area_m2) == pytest.approx(whole, abs=1.0), found.id
        assert len(found.area_m2) == len(found.edges_db) + 1


def test_contours_reach_the_walls_from_both_sides(results):
    """Points inside the house have the lowest level around; before its walls the contours are those outside."""
    found = next(m for m in results.maps if m.id == "now")
    x, y = np.meshgrid(results.grid.x, results.grid.y)
    loud = np.where((np.abs(x) < 20) & (np.abs(y - 65) < 10), 99.0, as_array(found.values_db)).tolist()
    assert loud != found.values_db
    one, other = (
        [band.area_m2 for band in map_bands(results.grid, v, found.edges_db, results.site)]
        for v in (found.values_db, loud)
    )
    assert one == other


def test_sections_stand_on_the_ground_and_leave_out_house_and_train(results):
    cut, old = results.sections
    levels = as_array(cut.levels_db, np.nan)
    s, h = np.array(cut.distance_m), np.array(cut.height_m)
    assert s[0] == 0.0 and s[-1] == 150.0 and h[0] == 1.0 and set(cut.ground_z_m) == {0.0}
    (track,), (barrier,), (house,) = cut.tracks, cut.barriers, cut.buildings
    assert (track.track, track.at_m, track.rail_z_m) == ("T", 50.0, 0.3)
    assert (barrier.id, barrier.at_m, barrier.base_z_m, barrier.top_z_m) == ("B", 58.0, 0.0, 3.0)
    assert (house.id, house.from_m, house.to_m, house.top_z_m) == ("H", 105.0, 125.0, 9.0)
    blank = (np.abs(s - 50.0) <= 2.0) & (h[:, None] <= 5.3) | (s >= 105.0) & (s <= 125.0) & (h[:, None] <= 9.0)
    assert np.array_equal(np.isnan(levels), blank)
    near, far = (levels[0, int(np.argmin(np.abs(s - at)))] for at in (44.0, 64.0))
    assert near - far > 8.0, "the barrier"
    assert np.nanmean(as_array(old.levels_db, np.nan) - levels) > 1.0, "the joints"


def test_a_section_has_the_level_of_a_receiver(tmp_path):
    site = place(buildings=[], maps=[{**place()["maps"][7], "step_m": 3}])
    site["receivers"] = [{**site["receivers"][0], "position": [0, 70], "height_m": 4.0}]
    results = lineside.assess(write_site(site, tmp_path)).results
    cut = results.sections[0]
    at = cut.levels_db[cut.height_m.index(4.0)][cut.distance_m.index(120.0)]
    assert at == pytest.approx(results.receivers[0].lden_db, abs=0.06)


def test_maps_change_nothing_else(results, tmp_path):
    plain = lineside.assess(write_site(place(maps=[]), tmp_path)).results
    ours, theirs = results.model_dump(), plain.model_dump()
    for key in set(ours) - {"maps", "sections", "provenance", "project", "grid"}:
        assert ours[key] == theirs[key], key
    grid, other = (as_array(r.grid.levels_db["lden"]) for r in (results, plain))
    assert grid == pytest.approx(other, abs=0.06)


def test_silence_makes_maps_without_classes(tmp_path):
    change = {"id": "change", "kind": "difference", "from": "frost"}
    site = place(works=[], maps=[place()["maps"][0], change, place()["maps"][3]])
    site["calculation"]["without"] = [f"eu_{m}" for m in SOURCES]
    results = lineside.assess(write_site(site, tmp_path)).results
    assert [m.edges_db for m in results.maps] == [[], [], []] and [m.area_m2 for m in results.maps] == [[]] * 3


# --- files ---


@pytest.fixture(scope="module")
def written(results, tmp_path_factory):
    folder = tmp_path_factory.mktemp("written")
    write_maps(results, folder)
    return folder


def geometry(blob: bytes):
    magic, version, flags, srs_id = struct.unpack("<2sBBi", blob[:8])
    assert (magic, version, flags) == (b"GP", 0, 3)
    return shapely.from_wkb(blob[40:]), srs_id, struct.unpack("<4d", blob[8:40])


def test_geopackage_names_its_layers_and_system(results, written):
    with sqlite3.connect(written / "maps.gpkg") as file:
        assert file.execute("PRAGMA application_id").fetchone() == (0x47504B47,)
        assert file.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        contents = file.execute("SELECT table_name, data_type, last_change, srs_id FROM gpkg_contents").fetchall()
        names = {name for name, *_ in contents}
        assert {kind for _, kind, _, _ in contents} == {"features"} and {s for *_, s in contents} == {-1}
        assert {changed for _, _, changed, _ in contents} == {"2026-11-20T00:00:00.000Z"}
        assert names == {x.name for x in layers(results) if x.rows} == {p.stem for p in (written / "maps").iterdir()}
        assert {row[0] for row in file.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")} == {-1, 0, 4326}
        for name in names:
            kind = file.execute("SELECT geometry_type_name FROM gpkg_geometry_columns WHERE table_name = ?", (name,))
            (kind,) = kind.fetchone()
            for (blob,) in file.execute(f'SELECT geom FROM "{name}"').fetchall():
                shape, srs_id, bounds = geometry(blob)
                assert shape.is_valid and shape.geom_type.upper() == kind and srs_id == -1
                assert (bounds[0], bounds[2], bounds[1], bounds[3]) == shape.bounds


def test_geojson_says_the_same_as_the_document(results, written):
    files = {p.stem: json.loads(p.read_text()) for p in (written / "maps").iterdir()}
    assert all(f["type"] == "FeatureCollection" and f["crs"] is None and "local" in f["note"] for f in files.values())
    (receiver,) = files["receivers"]["features"]
    own = results.receivers[0]
    given = receiver["properties"]
    assert receiver["geometry"]["coordinates"] == [own.x, own.y]
    assert (given["lden_db"], given["lnight_db"]) == (round(own.lden_db, 2), round(own.period_db["night"], 2))
    (barrier,) = files["barriers"]["features"]
    about = {"height_m": 3.0, "height_above": "ground", "top_low_z_m": 3.0, "top_high_z_m": 3.0}
    assert about.items() <= barrier["properties"].items()
    worst = max(f.difference_db for f in results.findings if f.difference_db is not None)
    assert given["over_limit_db"] == round(worst, 2)
    change = next(m for m in results.maps if m.kind == "difference")
    areas = [f["properties"]["area_m2"] for f in files["differences"]["features"]]
    assert areas == pytest.approx([a for a in change.area_m2 if a > 0.0], abs=0.11)
    assert {f["properties"]["map"] for f in files["contours"]["features"]} == {
        "grid", "now", "old", "day", "whole", "frosty",
    }  # fmt: skip
    assert {f["properties"]["verdict"] for f in files["conflicts"]["features"]} == {"above", "borderline"}
    for name in ("contours", "differences", "conflicts"):
        for feature in files[name]["features"]:
            shape = shapely.geometry.shape(feature["geometry"])
            assert shape.is_valid and all(p.exterior.is_ccw for p in shape.geoms)
            assert shape.area == pytest.approx(feature["properties"]["area_m2"], rel=1e-3, abs=1.0)


def test_layers_round_levels_and_chainages(results):
    track = results.site.tracks[0].model_copy(update={"to_m": 500.123456})
    site = results.site.model_copy(update={"tracks": [track]})
    found = {x.name: x for x in layers(results.model_copy(update={"site": site}))}
    assert found["tracks"].rows[0][1]["to_m"] == 500.12
    for layer in found.values():
        for _, values in layer.rows:
            assert all(v == round(v, 2) for k, v in values.items() if k.endswith("_db") and v is not None), layer.name


def test_both_formats_hold_the_same_values(written):
    with sqlite3.connect(written / "maps.gpkg") as file:
        file.row_factory = sqlite3.Row
        for path in (written / "maps").iterdir():
            features = json.loads(path.read_text())["features"]
            rows = file.execute(f'SELECT * FROM "{path.stem}" ORDER BY fid').fetchall()
            assert len(rows) == len(features)
            for row, feature in zip(rows, features, strict=True):
                assert {k: row[k] for k in feature["properties"]} == feature["properties"]


def test_all_layers_are_named(results):
    assert tuple(layer.name for layer in layers(results)) == LAYERS


def test_the_same_bytes_again_and_no_leftovers(results, written, tmp_path):
    (tmp_path / "maps").mkdir()
    (tmp_path / "maps" / "differences.geojson").write_text("{}")
    write_maps(results.model_copy(update={"maps": []}), tmp_path)
    assert not (tmp_path / "maps" / "differences.geojson").exists(), "of an earlier run"
    write_maps(results, tmp_path)
    assert (tmp_path / "maps.gpkg").read_bytes() == (written / "maps.gpkg").read_bytes()
    for path in (written / "maps").iterdir():
        assert (tmp_path / "maps" / path.name).read_bytes() == path.read_bytes()


def test_projected_coordinates_become_longitude_and_latitude(results, tmp_path):
    """EPSG:25832 has its central meridian, 9 degrees east, at x = 500 km."""
    moved = results.model_copy(update={"site": results.site.model_copy(update={"coordinate_system": "EPSG:25832"})})
    receivers = [r.model_copy(update={"x": 500_000.0, "y": 5_400_000.0}) for r in results.receivers]
    write_maps(moved.model_copy(update={"receivers": receivers, "grid": None, "maps": []}), tmp_path)
    found = json.loads((tmp_path / "maps" / "receivers.geojson").read_text())
    lon, lat = found["features"][0]["geometry"]["coordinates"]
    assert lon == pytest.approx(9.0, abs=1e-7) and 48.7 < lat < 48.8
    assert "crs" not in found and "EPSG:25832" in found["note"]
    with sqlite3.connect(tmp_path / "maps.gpkg") as file:
        assert file.execute("SELECT DISTINCT srs_id FROM gpkg_contents").fetchall() == [(25832,)]
        (text,) = file.execute("SELECT definition FROM gpkg_spatial_ref_sys WHERE srs_id = 25832").fetchone()
        assert text.startswith("PROJCS[") and '"25832"' in text
        shape, srs_id, _ = geometry(file.execute("SELECT geom FROM receivers").fetchone()[0])
        assert (shape.x, shape.y, srs_id) == (500_000.0, 5_400_000.0, 25832), "in the project's own coordinates"

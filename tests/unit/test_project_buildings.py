"""Buildings in project files and layers: what is read, what is repaired, and the wording of what is refused."""

from __future__ import annotations

import json
import sqlite3
import struct
import time
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import MultiPolygon, Polygon, box

from house_files import geojson, geopackage, rectangle
from lineside.errors import Problem, ProjectError
from lineside.project.load import LoadedProject, load_project
from sites import straight_site, write_site

HOUSE: dict[str, Any] = {"id": "A", "polygon": rectangle(0, 20), "height_m": 6, "use": "dwelling"}
FACADES = [{"buildings": "all"}]


def site(*buildings: dict[str, Any], **more: Any) -> dict[str, Any]:
    given = {**straight_site(), "buildings": list(buildings), "facade_receivers": FACADES, **more}
    given["receivers"][0]["position"] = [-80.0, 50.0]
    return given


def load(given: dict[str, Any], tmp_path: Path, files: dict[str, bytes] | None = None) -> LoadedProject:
    folder = write_site(given, tmp_path / "site")
    for name, data in (files or {}).items():
        (folder / name).write_bytes(data)
    return load_project(folder)


def problems(given: dict[str, Any], tmp_path: Path, files: dict[str, bytes] | None = None) -> list[Problem]:
    with pytest.raises(ProjectError) as caught:
        load(given, tmp_path, files)
    return [p for p in caught.value.problems if p.severity == "error"]


def only(given: dict[str, Any], tmp_path: Path, files: dict[str, bytes] | None = None) -> Problem:
    (problem,) = problems(given, tmp_path, files)
    return problem


def warnings(loaded: LoadedProject) -> list[str]:
    return [w.message for w in loaded.warnings]


def layer(entries: Any, tmp_path: Path, **keys: Any) -> LoadedProject:
    entry = {"id": "town", "file": "town.geojson", "use": "dwelling", **keys}
    return load(site(building_files=[entry]), tmp_path, {"town.geojson": geojson(entries)})


def house(x: float, y: float = 20.0, width: float = 10.0, depth: float = 8.0) -> Polygon:
    return box(x, y, x + width, y + depth)


# what is read


def test_an_inline_building_is_read_with_its_defaults(tmp_path: Path) -> None:
    (found,) = load(site({**HOUSE, "polygon": rectangle(0, 20)[::-1]}), tmp_path).buildings
    (ring,) = found.parts
    x, y = ring.T
    assert 0.5 * float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) == pytest.approx(80.0), "counter-clockwise"
    assert found.area_m2 == pytest.approx(80.0)
    assert found.absorption.tolist() == [0.2] * 8
    assert (found.id, found.name, found.height_m, found.floors, found.use) == ("A", "A", 6.0, None, "dwelling")


def test_absorption_may_be_given_by_octave(tmp_path: Path) -> None:
    octaves = [0.1, 0.1, 0.2, 0.3, 0.4, 0.5, 0.5, 0.5]
    assert load(site({**HOUSE, "absorption": octaves}), tmp_path).buildings[0].absorption.tolist() == octaves
    for wrong in (1.0, -0.1, [0.2] * 7, "hard"):
        problem = only(site({**HOUSE, "absorption": wrong}), tmp_path)
        assert problem.message == "absorption: must be a share of the sound energy", wrong
        assert problem.allowed.startswith("a number, 0 to below 1, or a list of eight")


def test_a_layer_gives_its_attributes(tmp_path: Path) -> None:
    entries = [
        (house(0), {"nr": "H1", "street": "1 Weir Lane", "h": 9.5, "fl": 3, "kind": "1010", "dw": 4, "p": 9, "a": 0.4}),
        (house(20), {"nr": "H2", "h": "7.5", "kind": "school"}),
        (house(40), {"nr": "H3", "fl": 2, "kind": "9999"}),
        (house(60), {"nr": "H4", "top": 12.0, "kind": None}),
    ]
    loaded = layer(
        entries,
        tmp_path,
        use="other",
        id_attribute="nr",
        name_attribute="street",
        height_attribute="h",
        top_z_attribute="top",
        floors_attribute="fl",
        use_attribute="kind",
        uses={"1010": "dwelling"},
        dwellings_attribute="dw",
        persons_attribute="p",
        absorption_attribute="a",
    )
    one, two, three, four = loaded.buildings
    assert (one.id, one.name, one.height_m, one.floors, one.use) == ("H1", "1 Weir Lane", 9.5, 3, "dwelling")
    assert (one.dwellings, one.persons, one.absorption[0]) == (4.0, 9.0, 0.4)
    assert (two.height_m, two.use, two.absorption[0]) == (7.5, "school", 0.2)
    assert (three.height_m, three.top_z_m, three.floors, three.use) == (None, None, 2, "other")
    assert (four.height_m, four.top_z_m) == (None, 12.0)
    assert any('does not say what "9999" is; 1 buildings' in w for w in warnings(loaded))


@pytest.mark.parametrize("envelope", [True, False])
def test_a_geopackage_gives_the_same_as_geojson(envelope: bool, tmp_path: Path) -> None:
    entries = [(house(20.0 * k), {"h": 5.0 + k}) for k in range(5)]
    packed = geopackage({"houses": entries}, envelope=envelope)
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_attribute": "h"}])
    given["site"]["coordinates"] = {"kind": "local"}
    loaded = load(given, tmp_path, {"t.gpkg": packed})
    plain = layer(entries, tmp_path / "json", height_attribute="h")
    assert [b.height_m for b in loaded.buildings] == [5, 6, 7, 8, 9]
    assert [b.id for b in loaded.buildings] == ["1", "2", "3", "4", "5"]
    assert [b.id for b in plain.buildings] == ["town-1", "town-2", "town-3", "town-4", "town-5"]
    for a, b in zip(loaded.buildings, plain.buildings, strict=True):
        assert a.parts[0].tolist() == b.parts[0].tolist()


def test_a_geopackage_in_write_ahead_mode_is_read(tmp_path: Path) -> None:
    data = bytearray(geopackage({"houses": [(house(0), {"h": 5.0})]}))
    data[18:20] = b"\x02\x02"
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_attribute": "h"}])
    assert len(load(given, tmp_path, {"t.gpkg": bytes(data)}).buildings) == 1


def test_several_pieces_and_courtyards_stay_one_building(tmp_path: Path) -> None:
    block = Polygon(box(0, 20, 40, 50).exterior, [box(10, 30, 30, 40).exterior.coords[::-1]])
    loaded = layer(
        [(block, {"h": 12}), (MultiPolygon([house(60), house(90)]), {"h": 6})], tmp_path, height_attribute="h"
    )
    yard, two = loaded.buildings
    assert len(yard.outlines) == 2 and len(yard.parts) == 2
    assert yard.area_m2 == pytest.approx(40 * 30 - 20 * 10)
    shapes = [Polygon(r) for r in yard.parts]
    assert shapes[0].intersection(shapes[1]).area == pytest.approx(0.0, abs=1e-9)
    assert all(s.is_valid and s.exterior.is_ccw for s in shapes)
    assert len(two.parts) == 2 and two.area_m2 == pytest.approx(160.0)


def test_an_inline_building_may_stand_in_a_file(tmp_path: Path) -> None:
    entry = {"id": "A", "file": "a.geojson", "feature": "f1", "height_m": 6, "use": "school"}
    loaded = load(site(entry), tmp_path, {"a.geojson": geojson([(house(0), {"id": "f1"})])})
    assert loaded.buildings[0].area_m2 == pytest.approx(80.0)


# what is repaired, and said


def test_an_outline_that_touches_itself_is_repaired(tmp_path: Path) -> None:
    spike = [[0, 20], [10, 20], [10, 28], [10, 40], [10, 28], [0, 28]]
    loaded = load(site({**HOUSE, "polygon": spike}), tmp_path)
    assert loaded.buildings[0].area_m2 == pytest.approx(80.0)
    assert any("touches or crosses itself" in w and "it was repaired" in w for w in warnings(loaded))


def test_corners_on_straight_sides_are_left_out(tmp_path: Path) -> None:
    corners = [[0, 20], [4, 20], [10, 20], [10, 28], [0, 28]]
    assert len(load(site({**HOUSE, "polygon": corners}), tmp_path).buildings[0].parts[0]) == 4


def test_an_overlap_belongs_to_the_taller_one(tmp_path: Path) -> None:
    low = {**HOUSE, "polygon": rectangle(0, 20, 12), "height_m": 4}
    high = {**HOUSE, "id": "B", "polygon": rectangle(10, 20), "height_m": 9}
    loaded = load(site(low, high), tmp_path)
    assert [round(b.area_m2, 6) for b in loaded.buildings] == [80.0, 80.0]
    assert any('overlaps "B" by 16 m²; this part counts to "B"' in w for w in warnings(loaded))


def test_a_tower_on_a_podium_leaves_it_a_courtyard(tmp_path: Path) -> None:
    podium = {**HOUSE, "polygon": rectangle(0, 20, 40, 40), "height_m": 4}
    tower = {**HOUSE, "id": "B", "polygon": rectangle(15, 35), "height_m": 30}
    low, high = load(site(podium, tower), tmp_path).buildings
    assert low.area_m2 == pytest.approx(1600 - 80) and high.area_m2 == pytest.approx(80.0)
    assert len(low.parts) == 2


def test_small_overlaps_are_told_in_one_line(tmp_path: Path) -> None:
    loaded = layer([(house(9.99 * k), {}) for k in range(10)], tmp_path, height_m=6)
    told = [w for w in warnings(loaded) if "overlap" in w]
    assert told == ["9 pairs of buildings overlap by up to 0.5 m²; what they share counts to the taller one"]
    assert [b.area_m2 for b in loaded.buildings] == pytest.approx([80.0] + [79.92] * 9)


def test_buildings_far_away_are_left_out_of_a_layer(tmp_path: Path) -> None:
    loaded = layer([(house(0), {}), (house(0, 9000), {}), (house(0, 9900), {})], tmp_path, height_m=6)
    assert len(loaded.buildings) == 1
    assert any("2 buildings lie more than 5 km from all tracks; they are left out" in w for w in warnings(loaded))


# what is refused


def test_a_self_crossing_outline_is_refused_with_its_place(tmp_path: Path) -> None:
    bow = [[0, 20], [10, 28], [10, 20], [0, 28]]
    problem = only(site({**HOUSE, "polygon": bow}), tmp_path)
    assert problem.message == "polygon: the outline crosses itself near [5, 24]"
    assert problem.place == 'buildings[1] "A"'


@pytest.mark.parametrize(
    ("corners", "message"),
    [
        ([[0, 20], [10, 20], [5, 20]], "has no area"),
        ([[0, 20], [10, 20], [0, 20]], "has fewer than three different corners"),
    ],
)
def test_an_outline_without_area_is_refused(corners: Any, message: str, tmp_path: Path) -> None:
    assert message in only(site({**HOUSE, "polygon": corners}), tmp_path).message


def test_a_building_inside_another_is_refused(tmp_path: Path) -> None:
    twin = {**HOUSE, "id": "B"}
    problem = only(site(HOUSE, twin), tmp_path)
    assert 'lies inside "A": 100 % of it' in problem.message and problem.place == "" and "buildings[2]" in str(problem)


def test_many_buildings_inside_another_are_told_a_few_times_and_counted(tmp_path: Path) -> None:
    entries = [(house(0, width=300, depth=60), {"h": 9})] + [
        (house(2 + 7 * k, 22 + 7 * row, 5, 5), {"h": 6}) for row in range(3) for k in range(10)
    ]
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "height_attribute": "h"}
    given = site(building_files=[entry])
    found = problems(given, tmp_path, {"t.geojson": geojson(entries)})
    assert len(found) == 21 and all("lies inside " in p.message or "more" in p.message for p in found)
    assert "10 more buildings lie inside others" in [p.message for p in found]


def test_buildings_all_over_each_other_are_given_up(tmp_path: Path) -> None:
    entries = [(house(0.01 * k), {}) for k in range(3000)]
    given = site(building_files=[{"id": "t", "file": "t.geojson", "use": "dwelling", "height_m": 5}])
    start = time.process_time()
    problem = only(given, tmp_path, {"t.geojson": geojson(entries)})
    assert time.process_time() - start < 10.0
    assert "and all 3000 buildings do so more than" in problem.message
    assert problem.allowed == "up to 20 times for each building on average" and problem.file == "t.geojson"


def test_a_top_below_the_ground_is_refused(tmp_path: Path) -> None:
    low = {**{k: v for k, v in HOUSE.items() if k != "height_m"}, "top_z_m": -5}
    problem = only(site(low), tmp_path)
    assert problem.message == "top_z_m: lies 5 m below the ground at the lowest corner"
    assert problem.allowed == "above 0 m"


def test_a_building_on_a_track_is_refused(tmp_path: Path) -> None:
    problem = only(site({**HOUSE, "polygon": rectangle(0, -4)}), tmp_path)
    assert problem.message == 'buildings[1] "A": stands on track "T": 10 m of it lie in the footprint'
    near = load(site({**HOUSE, "polygon": rectangle(0, 1.2)}), tmp_path)
    assert any('stands 1.20 m from the centre line of track "T"' in w for w in warnings(near))


def test_a_receiver_inside_a_building_is_told_the_nearest_wall(tmp_path: Path) -> None:
    given = site({**HOUSE, "polygon": rectangle(-83, 45, 10, 20)})
    problem = only(given, tmp_path)
    assert problem.message == 'position: lies inside building "A", 3.00 m from its nearest wall'
    assert "that wall is at [-83, 50]" in problem.hint


@pytest.mark.parametrize(("gap_m", "doubtful"), [(1.9, False), (2.5, True), (5.5, False)])
def test_a_receiver_that_may_have_missed_its_facade(gap_m: float, doubtful: bool, tmp_path: Path) -> None:
    given = site({**HOUSE, "polygon": rectangle(-83, 50 + gap_m, 10, 20)})
    told = [w for w in warnings(load(given, tmp_path)) if "whose reflection counts there" in w]
    assert len(told) == doubtful


def test_a_barrier_through_a_building_is_doubtful(tmp_path: Path) -> None:
    barrier = {"id": "W", "height_m": 2, "surface": "absorbing", "line": [[-10, 24], [30, 24]]}
    loaded = load(site(HOUSE, barriers=[barrier]), tmp_path)
    assert any('runs through building "A" over 10 m' in w for w in warnings(loaded))


def test_heights_are_missing_double_or_implausible(tmp_path: Path) -> None:
    bare = {k: v for k, v in HOUSE.items() if k != "height_m"}
    problem = only(site(bare), tmp_path)
    assert problem.message == "height_m is missing" and problem.allowed == "height_m, top_z_m or floors"
    assert "stands beside height_m" in only(site({**HOUSE, "top_z_m": 9}), tmp_path).message
    assert load(site({**bare, "floors": 3}), tmp_path).buildings[0].floors == 3
    assert any("is 300 m high" in w for w in warnings(load(site({**HOUSE, "height_m": 300}), tmp_path)))
    wrong = warnings(load(site({**HOUSE, "floors": 12}), tmp_path))
    assert any("has 12 floors in 6 m: 0.5 m each" in w for w in wrong)


def test_missing_heights_in_a_layer_are_told_a_few_times_and_counted(tmp_path: Path) -> None:
    entries = [(house(20.0 * k), {"h": None}) for k in range(30)]
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "height_attribute": "h"}
    found = problems(site(building_files=[entry]), tmp_path, {"t.geojson": geojson(entries)})
    told = [p for p in found if p.message == "has no height and no number of floors"]
    assert len(told) == 20 and told[0].place == "feature number 1"
    assert any(p.message.startswith("10 more features have a problem of this kind") for p in found)


@pytest.mark.parametrize(
    ("value", "found"), [("high", '"high"'), (-3, "-3"), ("9,5", '"9,5"'), (0, "0"), (5000, "5000")]
)
def test_attributes_that_are_no_numbers_are_refused(value: Any, found: str, tmp_path: Path) -> None:
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "height_attribute": "h"}
    data = {"t.geojson": geojson([(house(0), {"h": value}), (house(20), {"h": 5})])}
    problem = only(site(building_files=[entry]), tmp_path, data)
    assert (problem.message, problem.found) == ("attribute h is not a number in the range", found)
    assert problem.allowed == "a number, above 0 to 1000"


def test_an_unknown_attribute_is_told_with_the_known_ones(tmp_path: Path) -> None:
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "height_attribute": "heigth"}
    problem = only(site(building_files=[entry]), tmp_path, {"t.geojson": geojson([(house(0), {"height": 5})])})
    assert problem.allowed == "height" and problem.hint == "did you mean height?"


def test_ids_must_differ_across_the_project_and_its_layers(tmp_path: Path) -> None:
    assert "two entries have this id" in only(site(HOUSE, {**HOUSE, "polygon": rectangle(50, 20)}), tmp_path).message
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "id_attribute": "nr", "height_m": 5}
    data = {"t.geojson": geojson([(house(30), {"nr": "A"}), (house(60), {"nr": "B"})])}
    problem = only(site(HOUSE, building_files=[entry]), tmp_path, data)
    assert problem.message == 'two buildings have the id "A"' and "in the project file" in problem.hint


def test_mixed_coordinate_systems_are_told_both(tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    given["site"]["coordinates"] = {"kind": "epsg", "code": 25833}
    shift = [500_000, 5_500_000]
    given["tracks"][0]["alignment"]["points"] = [
        [x + shift[0], y + shift[1], z] for x, y, z in given["tracks"][0]["alignment"]["points"]
    ]
    given["receivers"][0]["position"] = [shift[0], shift[1] + 50]
    data = {"t.gpkg": geopackage({"h": [(house(shift[0], shift[1] + 20), {})]})}
    problem = only(given, tmp_path, data)
    assert problem.message == "has another coordinate system than the project"
    assert (problem.found, problem.allowed) == ("EPSG:25832", "EPSG:25833")
    stranger = {"t.gpkg": geopackage({"h": [(house(shift[0], shift[1] + 20), {})]}, organization="NOBODY")}
    assert only(given, tmp_path / "x", stranger).found == '"a system"'


def test_a_layer_in_degrees_is_refused(tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.geojson", "use": "dwelling", "height_m": 5}])
    small = box(9.0, 48.0, 9.0001, 48.0001)
    problem = only(given, tmp_path, {"t.geojson": geojson([(small, {})])})
    assert problem.message == "has no area" and "degrees" in problem.hint


def test_a_layer_elsewhere_is_refused(tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.geojson", "use": "dwelling", "height_m": 5}])
    found = problems(given, tmp_path, {"t.geojson": geojson([(house(4e5, 5e6), {}), (house(4e5 + 20, 5e6), {})])})
    assert "all buildings lie far from the tracks, the nearest 5016 km" in found[0].message
    assert found[0].hint == "are x and y swapped? another coordinate system?"


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"SQLite format 3\x00" + b"x" * 5000, "cannot be read as a GeoPackage"),
        (b"not a package", "is not a GeoPackage"),
        (geopackage({}), "has no layer of polygons"),
        (geopackage({"a": [(house(0), {})], "b": [(house(0), {})]}), "has more than one layer of polygons"),
        (geopackage({"a": [(house(0).centroid, {})]}), "has no layer of polygons"),
        (geopackage({"a": []}), "has no features"),
    ],
)
def test_faulty_geopackages_are_refused(data: bytes, message: str, tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    assert message in problems(given, tmp_path, {"t.gpkg": data})[0].message


def test_the_layer_may_be_named(tmp_path: Path) -> None:
    data = {"t.gpkg": geopackage({"a": [(house(0), {})], "b": [(house(0), {}), (house(20), {})]})}
    entry = {"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5, "layer": "b"}
    assert len(load(site(building_files=[entry]), tmp_path, data).buildings) == 2
    problem = problems(site(building_files=[{**entry, "layer": "c"}]), tmp_path / "x", data)[0]
    assert problem.message == 'has no layer "c"' and problem.allowed == "a, b"


def test_a_geometry_that_is_no_polygon_is_named(tmp_path: Path) -> None:
    data = {"t.gpkg": geopackage({"a": [(house(0), {}), (house(20).exterior, {})]})}
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    problem = problems(given, tmp_path, data)[0]
    assert problem.message.startswith("must be a Polygon or MultiPolygon, not a Line")
    assert problem.place == 'feature "2"'


def spoilt(change: str, *values: Any) -> bytes:
    """A package with one house after a change by the database itself."""
    db = sqlite3.connect(":memory:")
    db.deserialize(geopackage({"a": [(house(0), {})]}))
    db.execute(change, values)
    db.commit()
    return db.serialize()


def wkb(code: int, *parts: bytes) -> bytes:
    return struct.pack("<BII", 1, code, len(parts)) + b"".join(parts)


def nested(code: int, depth: int) -> bytes:
    return struct.pack("<BII", 1, code, 1) * depth + wkb(code)


HEAD = b"GP\x00\x01" + struct.pack("<i", 25832)
RING = struct.pack("<I8d", 4, 0, 20, 9, 20, 9, 28, 0, 20)


@pytest.mark.parametrize(
    ("geometry", "message"),
    [
        (nested(7, 200_000), "must be a Polygon or MultiPolygon, not a GeometryCollection"),
        (nested(6, 200_000), "must hold polygons only"),
        (wkb(6, wkb(3, RING), nested(7, 200_000)), "must hold polygons only"),
        (wkb(6, wkb(3, RING), nested(65536 - 536 + 7, 9)), "must hold polygons only"),
        (wkb(10, RING), "must be a Polygon or MultiPolygon, not a CurvePolygon"),
        (struct.pack("<BII", 1, 6, 2**32 - 1), "has a geometry that cannot be read"),
        (wkb(3, RING)[:-9], "has a geometry that cannot be read"),
        (b"\x07" + wkb(3, RING)[1:], "has a geometry that cannot be read"),
    ],
)
def test_geometries_that_are_no_polygons_never_reach_the_library(geometry: bytes, message: str, tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    data = spoilt("UPDATE a SET geom = ?", HEAD + geometry)
    assert only(given, tmp_path, {"t.gpkg": data}).message == message


@pytest.mark.parametrize("code", [6, 6 + 0x20000000])
def test_several_polygons_and_empty_inner_rings_are_read(code: int, tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    part = wkb(3, RING, struct.pack("<I", 0))
    geometry = wkb(code, part)
    if code > 6:  # a coordinate system stands between the code and the number of parts
        geometry = geometry[:5] + struct.pack("<I", 25832) + geometry[5:]
    loaded = load(given, tmp_path, {"t.gpkg": spoilt("UPDATE a SET geom = ?", HEAD + geometry)})
    assert len(loaded.buildings[0].outlines) == 1


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ("UPDATE gpkg_geometry_columns SET srs_id = NULL", "cannot be read as a GeoPackage"),
        ("UPDATE gpkg_geometry_columns SET srs_id = 'x'", "cannot be read as a GeoPackage"),
        ("UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = NULL", "cannot be read as a GeoPackage"),
        ("UPDATE gpkg_spatial_ref_sys SET organization_coordsys_id = 'x'", "cannot be read as a GeoPackage"),
        (
            "INSERT INTO gpkg_geometry_columns WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n "
            "WHERE i < 1001) SELECT 'b' || i, 'geom', 'POLYGON', 25832, 0, 0 FROM n",
            "has too many layers",
        ),
    ],
)
def test_faulty_tables_of_a_geopackage_are_refused(change: str, message: str, tmp_path: Path) -> None:
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    assert only(given, tmp_path, {"t.gpkg": spoilt(change)}).message.startswith(message)


@pytest.mark.parametrize(
    ("n", "n_bytes", "message"),
    [(300, 1_000_000, "has a layer that is too large"), (1, 60_000_000, "cannot be read as a GeoPackage")],
)
def test_a_query_with_large_values_is_given_up(n: int, n_bytes: int, message: str, tmp_path: Path) -> None:
    db = sqlite3.connect(":memory:")
    db.deserialize(geopackage({"a": [(house(0), {})]}))
    db.execute("ALTER TABLE a RENAME TO b")
    db.execute(
        f"CREATE VIEW a AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < {n}) "
        f"SELECT i AS fid, geom, zeroblob({n_bytes}) AS waste FROM n, b"
    )
    given = site(building_files=[{"id": "t", "file": "t.gpkg", "use": "dwelling", "height_m": 5}])
    assert only(given, tmp_path, {"t.gpkg": db.serialize()}).message.startswith(message)


def test_names_and_ids_lose_what_cannot_be_printed(tmp_path: Path) -> None:
    document = json.loads(geojson([(house(0), {"name": "Hof\ud800 \u0007 7"}), (house(20), {"id": "b\udfff\x1b"})]))
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "height_m": 5, "name_attribute": "name"}
    data = json.dumps(document).encode()
    found = load(site(building_files=[entry]), tmp_path, {"t.geojson": data}).buildings
    assert [(b.id, b.name) for b in found] == [("t-1", "Hof  7"), ("b", "")]


def test_totals_and_attributes_exclude_each_other(tmp_path: Path) -> None:
    entry = {
        "id": "t",
        "file": "t.geojson",
        "height_m": 5,
        "use": "office",
        "persons_attribute": "p",
        "persons_total": 100,
        "floor_space_per_person_m2": 40,
    }
    found = problems(site(building_files=[entry]), tmp_path, {"t.geojson": geojson([(house(0), {"p": 3})])})
    said = [p.message for p in found]
    assert "persons_total: stands beside persons_attribute" in said
    assert "floor_space_per_person_m2: stands beside persons_attribute" in said
    assert "persons_total: no building of the file is a dwelling" in said


def test_dwellings_beside_another_use_are_doubtful(tmp_path: Path) -> None:
    said = warnings(load(site({**HOUSE, "use": "office", "dwellings": 2}), tmp_path))
    assert any("has dwellings, though its use is office; they are counted" in w for w in said)
    said = warnings(load(site({**HOUSE, "use": "school", "persons": 200}), tmp_path))
    assert any("has persons, though its use is school and it has no dwellings; they are not counted" in w for w in said)
    said = warnings(load(site({**HOUSE, "dwellings": 9, "persons": 4}), tmp_path))
    assert any("fewer persons than dwellings" in w for w in said)


def test_facade_receivers_name_what_exists(tmp_path: Path) -> None:
    given = site(HOUSE, facade_receivers=[{"buildings": ["A", "b"]}])
    problem = only(given, tmp_path)
    assert "there is no building with this id" in problem.message and problem.allowed == "A"
    assert "no building with one of these uses" in only(
        site(HOUSE, facade_receivers=[{"uses": ["school"]}]), tmp_path
    ).message.replace("there is ", "")
    assert "the project has no buildings" in only(site(), tmp_path).message
    many = [(house(60.0 * k, 20, 50, 50), {}) for k in range(33)]
    said = warnings(layer(many, tmp_path, height_m=6))
    assert not any("takes long" in w for w in said)


def test_dwellings_without_facade_receivers_are_doubtful(tmp_path: Path) -> None:
    said = warnings(load(site({**HOUSE, "dwellings": 2}, facade_receivers=[]), tmp_path))
    assert any("dwellings of buildings are counted at facade receivers, and there are none" in w for w in said)


def test_a_layer_without_uses_is_doubtful(tmp_path: Path) -> None:
    entry = {"id": "t", "file": "t.geojson", "height_m": 5}
    loaded = load(site(building_files=[entry]), tmp_path, {"t.geojson": geojson([(house(0), {})])})
    assert any("does not say what its buildings are used for" in w for w in warnings(loaded))


def test_thousands_of_buildings_load_fast(tmp_path: Path) -> None:
    """Judged generously for a busy machine: without a spatial index this takes minutes."""
    entries = [(house(12.0 * (k % 80) - 480, 20 + 12.0 * (k // 80)), {}) for k in range(4000)]
    start = time.process_time()
    given = site(building_files=[{"id": "t", "file": "t.geojson", "use": "dwelling", "height_m": 5}])
    given["receivers"][0]["position"] = [0.0, 15.0]
    loaded = load(given, tmp_path, {"t.geojson": geojson(entries)})
    assert len(loaded.buildings) == 4000
    assert time.process_time() - start < 20.0

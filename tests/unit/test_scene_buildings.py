"""Buildings and facade receivers as arrays of a scene."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from shapely import Polygon, box

from house_files import geojson, rectangle
from lineside.errors import ProjectError
from lineside.project.load import load_project
from lineside.scene.build import Scenes
from lineside.scene.buildings import sides, walls_beside
from lineside.scene.facades import FacadePoints, facade_points
from lineside.scene.model import Scene
from sites import straight_site, write_site

A: dict[str, Any] = {"id": "A", "polygon": rectangle(0, 20, 12, 9), "height_m": 6, "use": "dwelling"}


def scenes(tmp_path: Path, *buildings: dict[str, Any], files: dict[str, bytes] | None = None, **more: Any) -> Scenes:
    given = {**straight_site(), "buildings": list(buildings), "facade_receivers": [{}], **more}
    folder = write_site(given, tmp_path / "site")
    for name, data in (files or {}).items():
        (folder / name).write_bytes(data)
    return Scenes(load_project(folder), [])


def standing(tmp_path: Path, *buildings: dict[str, Any], **more: Any) -> tuple[Scene, FacadePoints]:
    built = scenes(tmp_path, *buildings, **more)
    scene = built.reference.scene
    return scene, facade_points(built.loaded, scene, built.standing)


def test_heights_count_from_the_ground(tmp_path: Path) -> None:
    given = straight_site()["site"] | {"ground_level_m": 0.2}
    b = {"id": "B", "polygon": rectangle(40, 20), "top_z_m": 7.2, "use": "office"}
    c = {"id": "C", "polygon": rectangle(60, 20), "floors": 2, "use": "office"}
    built = scenes(tmp_path, A, b, c, site=given)
    found = built.reference.scene.buildings
    assert found.ids == ("A", "B", "C")
    assert found.base_z_m.tolist() == [0.2, 0.2, 0.2]
    assert found.top_z_m == pytest.approx([6.2, 7.2, 6.2])
    assert [s.floors for s in built.standing] == [2, 2, 2]
    assert found.absorption.shape == (3, 8)


def test_a_top_below_the_ground_is_refused(tmp_path: Path) -> None:
    low = {"id": "B", "polygon": rectangle(40, 20), "top_z_m": -1.0, "use": "office"}
    with pytest.raises(ProjectError, match='"B": top_z_m: lies 1 m below the ground'):
        scenes(tmp_path, low)


def test_sides_run_round_each_ring_with_the_outside_to_the_right(tmp_path: Path) -> None:
    found = scenes(tmp_path, A, {**A, "id": "B", "polygon": rectangle(40, 20)}).reference.scene.buildings
    start, end, part = sides(found)
    assert part.tolist() == [0] * 4 + [1] * 4
    middle, along = 0.5 * (start + end), end - start
    outside = middle + 0.1 * np.stack([along[:, 1], -along[:, 0]], axis=1) / np.hypot(*along.T)[:, None]
    shapes = [Polygon(found.xy_m[found.start[k] : found.start[k + 1]]) for k in range(2)]
    for k, p in zip(part, outside, strict=True):
        assert shapes[k].distance(Polygon(box(*p, *p + 1e-9))) > 0.05
    assert np.hypot(*along.T).tolist() == [12, 9, 12, 9, 10, 8, 10, 8]


def test_a_listed_receiver_within_2_m_has_its_wall(tmp_path: Path) -> None:
    places = {
        "front": (6.0, 19.0),
        "side": (13.9, 25.0),
        "free": (6.0, 17.9),
        "behind": (6.0, 30.0),
        "corner": (12.5, 18.6),
    }
    base = straight_site()["receivers"][0]
    receivers = [{**base, "id": name, "position": list(xy)} for name, xy in places.items()]
    scene = scenes(tmp_path, A, receivers=receivers).reference.scene
    assert scene.receivers.wall is not None
    start, end, _ = sides(scene.buildings)
    walls = dict(zip(scene.receivers.ids, scene.receivers.wall.tolist(), strict=True))
    assert walls["free"] == -1
    assert start[walls["front"], 1] == end[walls["front"], 1] == 20
    assert start[walls["side"], 0] == end[walls["side"], 0] == 12 + 1000
    assert start[walls["behind"], 1] == 29
    assert walls["corner"] == walls["front"], "farther out from the south wall than from the east wall"
    assert scene.receivers.part(1, 3).wall.tolist() == [walls["side"], -1]


def test_no_walls_without_buildings(tmp_path: Path) -> None:
    scene = scenes(tmp_path, facade_receivers=[]).reference.scene
    assert scene.receivers.wall.tolist() == [-1] and len(scene.buildings) == 0
    assert walls_beside(scene.buildings, np.zeros((2, 2))).tolist() == [-1, -1]


def test_a_facade_of_12_m_has_three_receivers_10_cm_in_front(tmp_path: Path) -> None:
    scene, points = standing(tmp_path, A)
    xy = points.receivers.xyz_m[:, :2] + np.array(scene.origin)
    south = points.bearing_deg == 180
    assert xy[south].tolist() == pytest.approx(np.array([[2, 19.9], [6, 19.9], [10, 19.9]]))
    assert points.receivers.ids[:3] == ("A/1.1/4m", "A/1.2/4m", "A/1.3/4m")
    assert points.receivers.xyz_m[:, 2].tolist() == [4.0] * 10
    assert points.length_m[south].tolist() == pytest.approx([4, 4, 4])
    assert sorted(set(points.bearing_deg.tolist())) == [0, 90, 180, 270]
    front = points.front.xyz_m[:, :2] + np.array(scene.origin)
    assert front[:3].tolist() == pytest.approx(np.array([[2, 18], [6, 18], [10, 18]]))
    assert points.front.ids == points.receivers.ids


def test_each_receiver_points_at_its_wall(tmp_path: Path) -> None:
    scene, points = standing(tmp_path, A, {**A, "id": "B", "polygon": rectangle(40, 20)})
    start, end, _ = sides(scene.buildings)
    for of in (points.receivers, points.front):
        assert of.wall is not None and (of.wall >= 0).all()
        a, b = start[of.wall], end[of.wall]
        along = (b - a) / np.hypot(*(b - a).T)[:, None]
        step = of.xyz_m[:, :2] - a
        away = step[:, 0] * along[:, 1] - step[:, 1] * along[:, 0]
        assert away == pytest.approx(0.1 if of is points.receivers else 2.0)


def test_every_floor_stands_beside_the_receivers_at_4_m(tmp_path: Path) -> None:
    _, points = standing(tmp_path, {**A, "floors": 3, "height_m": 9}, facade_receivers=[{"heights": "every_floor"}])
    first = [k for k, name in enumerate(points.receivers.ids) if name.startswith("A/1.1/")]
    assert [points.receivers.ids[k] for k in first] == ["A/1.1/4m", "A/1.1/floor1", "A/1.1/floor2", "A/1.1/floor3"]
    assert points.height_m[first].tolist() == pytest.approx([4.0, 2.8, 5.6, 8.4])
    assert points.floor[first].tolist() == [0, 1, 2, 3]
    assert len(points.front) == 10, "quiet facades at 4 m only"


def test_a_party_wall_has_no_receivers(tmp_path: Path) -> None:
    right = {**A, "id": "B", "polygon": rectangle(12, 20, 12, 9)}
    gap = {**A, "id": "C", "polygon": rectangle(24.1, 20, 12, 9)}
    scene, points = standing(tmp_path, A, right, gap)
    looks = [(points.standing[k].data.id, b) for k, b in zip(points.building, points.bearing_deg, strict=True)]
    assert ("A", 90.0) not in looks and ("B", 270.0) not in looks, "one wall for both"
    assert ("B", 90.0) not in looks and ("C", 270.0) not in looks, "10 cm apart"
    assert looks.count(("A", 270.0)) == 2 and looks.count(("C", 90.0)) == 2
    xy = points.receivers.xyz_m[:, :2] + np.array(scene.origin)
    south = xy[points.bearing_deg == 180]
    assert south[:, 0].tolist() == pytest.approx([2, 6, 10, 14, 18, 22, 26.1, 30.1, 34.1]), "fronts keep their length"


def test_half_a_side_behind_a_neighbour_counts_by_what_is_free(tmp_path: Path) -> None:
    """A side of 20 m, of which a neighbour covers 12 m: 8 m are left, two receivers."""
    long = {**A, "polygon": rectangle(0, 20, 20, 10)}
    behind = {**A, "id": "B", "polygon": rectangle(0, 30, 12, 9)}
    scene, points = standing(tmp_path, long, behind)
    mine = (points.bearing_deg == 0) & (points.building == 0)
    x = points.receivers.xyz_m[mine, 0] + scene.origin[0]
    assert sorted(x.tolist()) == pytest.approx([14.07, 18.02], abs=0.03)
    assert points.length_m[mine] == pytest.approx(4.0, abs=0.06)


def test_no_quiet_place_in_a_narrow_gap(tmp_path: Path) -> None:
    other = {**A, "id": "B", "polygon": rectangle(13.5, 20, 12, 9)}
    _, points = standing(tmp_path, A, other)
    gap = [
        n
        for n, b, k in zip(points.receivers.ids, points.bearing_deg, points.building, strict=True)
        if k == 0 and b == 90
    ]
    assert len(gap) == 2 and not set(gap) & set(points.front.ids)
    _, points = standing(tmp_path / "x", A, facade_receivers=[{"quiet_facade": False}])
    assert len(points.front) == 0 and points.front.xyz_m.shape == (0, 3)


def test_a_courtyard_has_facades(tmp_path: Path) -> None:
    block = Polygon(box(0, 20, 40, 50).exterior, [box(10, 30, 30, 40).exterior.coords[::-1]])
    entry = {"id": "t", "file": "t.geojson", "use": "dwelling", "height_m": 12}
    receiver = [{**straight_site()["receivers"][0], "position": [-50.0, 50.0]}]
    scene, points = standing(
        tmp_path, building_files=[entry], receivers=receiver, files={"t.geojson": geojson([(block, {})])}
    )
    xy = points.receivers.xyz_m[:, :2] + np.array(scene.origin)
    inside = [tuple(np.round(p, 6)) for p in xy if box(10, 30, 30, 40).contains(Polygon(box(*p, *p + 1e-9)))]
    assert len(inside) == 12 and (10.1, 37.5) in inside and (27.5, 39.9) in inside
    assert points.receivers.wall is not None and (points.receivers.wall >= 0).all()
    assert len(scene.buildings) == 2 and scene.buildings.ids == ("t-1", "t-1")
    assert points.facade.max() == 8


def test_later_entries_take_the_place_of_earlier_ones(tmp_path: Path) -> None:
    b = {**A, "id": "B", "polygon": rectangle(40, 20), "use": "school"}
    rules = [{}, {"buildings": ["B"], "rule": "each_facade"}]
    _, points = standing(tmp_path, A, b, facade_receivers=rules)
    assert np.bincount(points.building).tolist() == [10, 4]
    _, points = standing(tmp_path / "x", A, b, facade_receivers=[{"uses": ["school"]}])
    assert set(points.building.tolist()) == {1}


def test_buildings_without_room_are_named(tmp_path: Path) -> None:
    """A row of three: the middle one has walls of 2 m to both streets only, on which the law asks for no receiver."""
    row = [{**A, "id": n, "polygon": rectangle(x, 20, w, 9)} for n, x, w in (("L", 0, 9), ("M", 9, 2), ("R", 11, 9))]
    _, points = standing(tmp_path, *row)
    assert points.bare == ("M",)


def hillside(tmp_path: Path, *buildings: dict[str, Any], **more: Any) -> Scenes:
    """Ground that rises by 1 m in 10 m towards the north, from 10 m beside the track on."""
    z = "\n".join(" ".join([f"{max(0.0, (580 - 20 * row) / 10):g}"] * 120) for row in range(60))
    head = "ncols 120\nnrows 60\nxllcorner -1200\nyllcorner -600\ncellsize 20\n"
    given = straight_site()["site"] | {"terrain": {"kind": "raster", "file": "hill.asc"}}
    receiver = {**straight_site()["receivers"][0], "position": [-80.0, 50.0]}
    more.setdefault("receivers", [receiver])
    return scenes(tmp_path, *buildings, site=given, files={"hill.asc": (head + z).encode()}, **more)


def test_buildings_and_facade_receivers_stand_on_the_terrain(tmp_path: Path) -> None:
    b = {"id": "B", "polygon": rectangle(40, 30, 12, 20), "top_z_m": 12.0, "use": "office"}
    built = hillside(tmp_path, {**A, "polygon": rectangle(0, 30, 12, 20)}, b)
    scene = built.reference.scene
    assert scene.buildings.base_z_m == pytest.approx([2.0, 2.0], abs=0.01), (
        "the lowest ground, at the side of the track"
    )
    assert scene.buildings.top_z_m == pytest.approx([8.0, 12.0], abs=0.01)
    points = facade_points(built.loaded, scene, built.standing)
    y = points.receivers.xyz_m[:, 1]
    assert points.receivers.xyz_m[:, 2] == pytest.approx(4.0 + (y - 10) / 10.0, abs=0.01)


def test_the_higher_top_keeps_the_overlap_on_a_slope(tmp_path: Path) -> None:
    """A house 8 m high at the foot has its top below that of one 6 m high 40 m up the hill."""
    foot = {**A, "id": "foot", "polygon": rectangle(0, 20, 12, 42), "height_m": 8}
    hill = {**A, "id": "hill", "polygon": rectangle(0, 60, 12, 20), "height_m": 6}
    built = hillside(tmp_path, foot, hill)
    assert [round(b.data.area_m2) for b in built.standing] == [12 * 40, 12 * 20]

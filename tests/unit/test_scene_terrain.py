"""Terrain of a scene: heights, cross-sections worked by hand, and what stands on them."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside import api
from lineside.engine.sections import cut_through
from lineside.engine.select import select
from lineside.plugins import Plugins
from lineside.project.load import load_project
from lineside.project.maps import SectionMap
from lineside.scene.alignment import Alignment, chainage_of
from lineside.scene.barriers import barriers_of
from lineside.scene.build import Scenes, build_scene
from lineside.scene.convert import receivers_of
from lineside.scene.earthworks import lines_of
from lineside.scene.faces import faces_of
from lineside.scene.limits import missing_in_paths
from lineside.scene.model import BarrierSegments, Buildings, Raster, Terrain
from lineside.scene.terrain import (
    ground_height,
    on_strip,
    raster_height,
    surface_height,
    terrain_of,
    under_decks,
    with_water,
    work_at,
)
from sites import straight_site, write_site
from terrain_sites import WHOLE, grid, hilly_site, slope, write_geotiff

ZERO = np.zeros(2)


def terrain(site: dict[str, Any], folder: Path, height: Any = slope) -> Terrain:
    """The terrain of a site in the project's coordinates."""
    found = terrain_of(loaded(site, folder, height), ZERO)
    assert found is not None
    return found


def loaded(site: dict[str, Any], folder: Path, height: Any = slope) -> Any:
    if site["site"].get("terrain"):
        axis, z = grid(height)
        write_geotiff(folder / "dem.tif", z, axis[0], axis[0], 5.0)
    return load_project(write_site(copy.deepcopy(site), folder))


def plain_site(rail_m: float, **work: Any) -> dict[str, Any]:
    """A level track along x at a height above the plain z = 0, on one earthwork."""
    site = straight_site(300.0)
    site["tracks"][0]["alignment"]["points"] = [[-300.0, 0.0, rail_m], [300.0, 0.0, rail_m]]
    site["earthworks"] = [{**WHOLE, **work}]
    return site


def across(found: Terrain, x: float, *y: float) -> list[float]:
    heights = ground_height(found, np.array([[x, v] for v in y]))
    return [round(float(z), 9) for z in heights]


def test_a_plain_without_earthworks_is_no_terrain(tmp_path: Path) -> None:
    assert terrain_of(loaded(straight_site(), tmp_path), ZERO) is None


def test_the_raster_is_bilinear_and_goes_on_level_beyond_its_edge() -> None:
    raster = Raster(10.0, 20.0, 2.0, np.array([[1.0, 3.0], [5.0, 11.0]]))
    xy = np.array([[10, 20], [12, 20], [10, 22], [12, 22], [11, 20.5], [0, 0], [99, 21]], dtype=float)
    # (11, 20.5): south 2, north 8, a quarter of the way
    assert raster_height(raster, xy).tolist() == [1.0, 3.0, 5.0, 11.0, 3.5, 1.0, 7.0]


def test_an_embankment_on_the_plain_worked_by_hand(tmp_path: Path) -> None:
    """Rails at 4 m: ballast at 3.8 to 2.2 m, down 1 : 1.5 to the formation at 3.3 m, 2.95 m out; edge at 3.5 m; slope
    1 : 2 on the left to 3.5 + 2 x 3.3 = 10.1 m, a wall on the right."""
    site = plain_site(4.0, left={"kind": "slope", "ratio": 2}, right={"kind": "wall"})
    found = terrain(site, tmp_path)
    left = [0.0, 2.2, 2.575, 2.95, 3.5, 6.8, 10.1, 30.0]
    assert across(found, 17.3, *left) == [3.8, 3.8, 3.55, 3.3, 3.3, 1.65, 0.0, 0.0]
    assert across(found, 17.3, -2.2, -2.95, -3.49, -3.51) == [3.8, 3.3, 3.3, 0.0]
    lines = lines_of(found.breaks, 0)
    assert [round(float(line[0, 1]), 9) for line in lines] == [10.1, 3.5, 2.95, 2.2, -2.2, -2.95, -3.5, -3.5]
    assert [round(float(line[0, 2]), 9) for line in lines] == [0.0, 3.3, 3.3, 3.8, 3.8, 3.3, 3.3, 0.0]


def test_a_cutting_on_the_plain_rises_to_the_ground(tmp_path: Path) -> None:
    """Rails at -5 m: formation at -5.7 m, so 1 : 1.5 ends 3.5 + 8.55 = 12.05 m out."""
    found = terrain(plain_site(-5.0, kind="cutting"), tmp_path)
    assert across(found, 0.0, 0.0, 3.5, 7.775, 12.05, 12.2) == [-5.2, -5.7, -2.85, 0.0, 0.0]


def test_a_slab_has_no_shoulder(tmp_path: Path) -> None:
    section = {"ballast_half_width_m": 1.6, "ballast_below_rail_m": 0.3, "formation_below_rail_m": 0.3}
    found = terrain(plain_site(2.0, kind="retaining_wall", ballast_g=0.0, **section), tmp_path)
    assert across(found, 0.0, 0.0, 1.6, 3.4, 3.6) == [1.7, 1.7, 1.7, 0.0]
    hard = found.strips.g == 0.0
    assert np.abs(found.strips.xyz_m[hard, :, 1]).max() == pytest.approx(1.6)
    assert np.isnan(found.strips.g[~hard]).all() and hard.any()


def test_a_double_track_lies_on_one_bed_that_joins_both_rails(tmp_path: Path) -> None:
    """The second track lies 4 m to the left and 0.4 m higher."""
    site = plain_site(4.0, tracks=["U"])
    track = copy.deepcopy(site["tracks"][0])
    track.update(id="U", alignment={"kind": "inline", "points": [[300.0, 4.0, 4.4], [-300.0, 4.0, 4.4]]})
    site["tracks"].append(track)
    found = terrain(site, tmp_path)
    bed = [-2.2, 0.0, 2.0, 4.0, 6.2]
    assert across(found, 5.0, *bed) == [3.8, 3.8, 4.0, 4.2, 4.2]
    assert across(found, 5.0, -3.5, 7.5) == [3.3, 3.7]
    assert across(found, 5.0, -3.5 - 1.5 * 3.3, 7.5 + 1.5 * 3.7) == [0.0, 0.0]


def test_a_viaduct_leaves_the_ground_below_it(tmp_path: Path) -> None:
    found = terrain(plain_site(8.0, kind="viaduct", formation_edge_m=4.0, ballast_g=1.0), tmp_path)
    xy = np.array([[0.0, 0.0], [0.0, 3.9], [0.0, 4.1]])
    assert ground_height(found, xy).tolist() == [0.0, 0.0, 0.0]
    assert surface_height(found, xy) == pytest.approx([7.8, 7.3, 0.0])
    assert work_at(found, xy).tolist() == [0, 0, -1] and work_at(found, xy, decks=False).tolist() == [-1, -1, -1]
    assert found.over.tolist() == [True]
    assert set(found.strips.g) == {0.0, 1.0}  # hard beside the ballast


def test_a_deck_over_an_embankment_stands_on_nothing(tmp_path: Path) -> None:
    """A second line crosses above the embankment of the first: its sides end on the slopes there."""
    site = plain_site(4.0)
    track = copy.deepcopy(site["tracks"][0])
    track.update(id="U", alignment={"kind": "inline", "points": [[0.0, -100.0, 12.0], [0.0, 100.0, 12.0]]})
    site["tracks"].append(track)
    site["receivers"][0]["position"] = [80.0, 50.0]
    site["earthworks"].insert(0, {"id": "V", "kind": "viaduct", "along": "U", "from_m": 0, "to_m": 200})
    found = terrain(site, tmp_path)
    foot = lines_of(found.breaks, 0)[0]
    assert foot[:, 2].max() == pytest.approx(3.8) and foot[:, 2].min() == 0.0
    xy = np.array([[0.0, 0.0], [0.0, 6.0]])
    assert ground_height(found, xy) == pytest.approx([3.8, (8.45 - 6.0) / 1.5])
    assert surface_height(found, xy) == pytest.approx([11.8, 11.8])


def test_later_earthworks_lie_on_top(tmp_path: Path) -> None:
    site = plain_site(4.0, to_m=400.0)
    track = copy.deepcopy(site["tracks"][0])
    track.update(id="U", alignment={"kind": "inline", "points": [[-300.0, 8.0, 3.0], [300.0, 8.0, 3.0]]})
    site["tracks"].append(track)
    site["earthworks"].append({**WHOLE, "id": "F", "along": "U"})
    found = terrain(site, tmp_path)
    assert across(found, 0.0, 0.0, 5.5, 8.0) == [3.8, 2.6, 2.8]
    assert work_at(found, np.array([[0.0, 0.0], [0.0, 5.5], [150.0, 3.0]])).tolist() == [0, 1, 1]


def test_the_ends_of_an_earthwork_are_closed(tmp_path: Path) -> None:
    found = terrain(plain_site(4.0, from_m=100.0, to_m=500.0), tmp_path)
    ends = found.breaks.line == -1
    assert found.breaks.border[ends].all()
    assert sorted(set(found.breaks.xy_m[ends][:, :, 0].ravel())) == [-200.0, 200.0]
    y = found.breaks.xy_m[ends & (found.breaks.xy_m[:, 0, 0] < 0)][:, :, 1]
    assert (y.min(), y.max()) == (pytest.approx(-8.45), pytest.approx(8.45))
    assert np.sum(y[:, 0] - y[:, 1]) == pytest.approx(16.9)  # from left to right without a gap
    assert across(found, 200.01, 0.0) == [0.0] and across(found, 199.99, 0.0) == [3.8]


def test_neighbours_along_a_track_meet_without_a_gap(tmp_path: Path) -> None:
    site = plain_site(4.0, to_m=300.0)
    site["tracks"][0]["alignment"]["points"] = [[-300, 0, 4], [-20, 0, 4], [250, 90, 5]]
    site["earthworks"].append({**WHOLE, "id": "F", "from_m": 300.0, "to_m": 560.0})
    found = terrain(site, tmp_path)
    one, other = lines_of(found.breaks, 0), lines_of(found.breaks, 1)
    np.testing.assert_allclose([line[-1] for line in one], [line[0] for line in other], atol=1e-9)


def test_borders_are_the_outer_lines_and_the_ends(tmp_path: Path) -> None:
    breaks = terrain(plain_site(4.0), tmp_path).breaks
    assert sorted(set(breaks.line[breaks.border])) == [-1, 0, 7]
    assert sorted(set(breaks.line[~breaks.border])) == [1, 2, 3, 4, 5, 6]


def test_lines_are_parallels_of_a_curved_track(tmp_path: Path) -> None:
    turn = np.radians(np.arange(0.0, 61.0, 2.0))
    arc = [[float(200 * np.sin(t)), float(200 - 200 * np.cos(t)), 4.0] for t in turn]
    site = plain_site(4.0, to_m=200.0)
    site["tracks"][0]["alignment"]["points"] = arc
    site["receivers"][0]["position"] = [100.0, -50.0]
    found = terrain(site, tmp_path)
    edge = lines_of(found.breaks, 0)[1]
    from shapely import LineString, points

    axis = LineString(np.array(arc)[:, :2])
    np.testing.assert_allclose(axis.distance(points(edge[:, :2])), 3.5, atol=0.002)
    assert len(edge) == 30  # each vertex of the arc is a station


def test_lines_stay_parallels_round_a_corner(tmp_path: Path) -> None:
    """The track turns left by 30 degrees in one point: inside, every station of the edge is 3.5 m from it."""
    from shapely import LineString, points

    site = plain_site(4.0)
    bend = [[-300.0, 0.0, 4.0], [0.0, 0.0, 4.0], [259.8, 150.0, 4.0]]
    site["tracks"][0]["alignment"]["points"] = bend
    site["earthworks"][0]["to_m"] = 599.9
    inside = lines_of(terrain(site, tmp_path).breaks, 0)[1]
    np.testing.assert_allclose(LineString(np.array(bend)[:, :2]).distance(points(inside[:, :2])), 3.5, atol=1e-9)


def test_receivers_stand_on_the_terrain_and_on_earthworks(tmp_path: Path) -> None:
    site = hilly_site([WHOLE])
    site["receivers"].append({**site["receivers"][0], "id": "Q", "position": [37.0, 6.0]})
    project = loaded(site, tmp_path)
    found = terrain_of(project, ZERO)
    receivers = receivers_of(project.project, ZERO, Buildings.none(), found)
    # the rail at x = 37 is 13.37 m high, the slope begins at 3.5 m, 0.7 m below it
    assert receivers.xyz_m[:, 2] == pytest.approx([slope(0, 50) + 4.0, 12.67 - 2.5 / 1.5 + 4.0])


def barriers(site: dict[str, Any], folder: Path, *given: dict[str, Any], height: Any = slope) -> BarrierSegments:
    site["barriers"] = [{"surface": "absorbing", **b} for b in given]
    project = loaded(site, folder, height)
    return barriers_of(project, ZERO, terrain_of(project, ZERO))


class TestBarriers:
    def test_foot_and_top_follow_the_terrain(self, tmp_path: Path) -> None:
        line = [[-200, 60], [200, 60]]
        wavy = lambda x, y: 10.0 + np.sin(x / 20.0) + 0.0 * y  # noqa: E731
        found = barriers(hilly_site([WHOLE]), tmp_path, {"id": "B", "height_m": 2, "line": line}, height=wavy)
        assert found.top_z_m - found.base_z_m == pytest.approx(2.0)
        x = found.xy_m[:, :, 0]
        axis, z = grid(wavy)
        assert np.abs(found.base_z_m - np.interp(x, axis, z[0])).max() < 1e-9
        middle = np.abs(found.base_z_m.mean(axis=1) - np.interp(x.mean(axis=1), axis, z[0]))
        assert middle.max() < 0.025 and 20 < len(x) < 100
        assert (x[0, 0], x[-1, 1]) == (-200.0, 200.0) and np.all(x[1:, 0] == x[:-1, 1])

    def test_on_a_plane_one_piece_is_enough(self, tmp_path: Path) -> None:
        line = [[-200, 60], [200, 60]]
        found = barriers(hilly_site([WHOLE]), tmp_path, {"id": "B", "height_m": 2, "line": line})
        assert found.base_z_m == pytest.approx(slope(np.array([[-200, 200]]), 60.0))

    def test_height_above_the_rail(self, tmp_path: Path) -> None:
        given = {"id": "B", "height_m": 1.5, "line": [[-100, 5], [100, 5]], "height_above": "rail"}
        found = barriers(hilly_site([WHOLE]), tmp_path, given)
        # rails 12 m to 14 m high there; the barrier stands 1.5 m out on the slope, 0.7 m + 1 m below them
        assert found.top_z_m == pytest.approx(np.array([[13.5, 15.5]]))
        assert found.base_z_m == pytest.approx(np.array([[10.3, 12.3]]))

    def test_above_the_rail_on_plain_ground(self, tmp_path: Path) -> None:
        given = {"id": "B", "height_m": 1.5, "line": [[-100, 5], [100, 5]], "height_above": "rail"}
        found = barriers(straight_site(), tmp_path, given)
        assert found.top_z_m == pytest.approx(1.8) and found.base_z_m == pytest.approx(0.0)

    def test_on_a_deck_only_if_it_counts_from_the_rail(self, tmp_path: Path) -> None:
        line = [[-100, 3], [100, 3]]
        given = [
            {"id": "A", "height_m": 1.0, "line": line, "height_above": "rail"},
            {"id": "B", "height_m": 1.0, "line": line},
        ]
        found = barriers(plain_site(8.0, kind="viaduct"), tmp_path, *given)
        assert found.deck is not None and found.deck.tolist() == [0, -1]
        assert found.base_z_m[:, 0] == pytest.approx([7.3, 0.0])
        assert found.top_z_m[:, 0] == pytest.approx([9.0, 1.0])

    def test_absorption(self, tmp_path: Path) -> None:
        line = [[-100, 30], [100, 30]]
        octaves = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8]
        given = [
            {"id": str(k), "height_m": 1.0, "line": line, "absorption": a} for k, a in enumerate([0.5, octaves, None])
        ]
        found = barriers(straight_site(), tmp_path, *given)
        np.testing.assert_array_equal(found.absorption, [[0.5] * 8, octaves, [np.nan] * 8])
        assert barriers(straight_site(), tmp_path, given[2]).absorption is None


def test_a_section_finds_decks_and_parapets_on_them_between_its_points(tmp_path: Path) -> None:
    """Points stand 30 m apart; the deck reaches 3.5 m to both sides, 0.7 m below the rails at 8 m, under ballast."""
    site = plain_site(8.0, kind="viaduct")
    line = [[-100, 3], [100, 3]]
    site["barriers"] = [{"id": "A", "height_m": 1, "line": line, "height_above": "rail", "surface": "absorbing"}]
    asked = SectionMap(id="S", kind="section", line=((0.0, -40.0), (0.0, 50.0)), step_m=30.0)
    cut = cut_through(Scenes(loaded(site, tmp_path), []).reference.scene, asked)
    (deck,) = cut.decks
    assert deck[[0, -1], 0] == pytest.approx([36.5, 43.5], abs=0.11) and deck[[0, -1], 1] == pytest.approx(7.3)
    assert len(deck) < 12 and deck[:, 1].max() == pytest.approx(8.0, abs=0.2)
    (wall,) = cut.barriers
    assert (wall.from_m, wall.base_z_m, wall.top_z_m) == pytest.approx((43.0, 7.3, 9.0))
    bank = Scenes(loaded(plain_site(8.0), tmp_path), []).reference.scene
    assert cut_through(bank, asked).decks == ()


def test_strips_with_one_corner_less() -> None:
    """Triangles at either end, and a trapezium, against their planes."""
    plane = np.array([0.3, -0.2])
    a, b, c, d = np.array([[0, 2], [0, -1], [3, -1.5], [3, 2.5]], dtype=float)
    for corners in ((a, b, c, d), (a, a, c, d), (a, b, c, c)):
        xy = np.array(corners)
        strip = np.column_stack([xy, 5.0 + xy @ plane])
        middle = np.unique(xy, axis=0).mean(axis=0)
        inside = np.array([middle, 0.9 * middle + 0.1 * a])
        z, on = on_strip(np.repeat(strip[None], 2, axis=0), inside)
        assert on.all()
        np.testing.assert_allclose(z, 5.0 + inside @ plane, atol=1e-12)
        _, on = on_strip(np.repeat(strip[None], 2, axis=0), np.array([[1.5, 3.0], [4.0, 0.0]]))
        assert not on.any()


def test_an_alignment_with_its_own_chainage_keeps_it(tmp_path: Path) -> None:
    """Chainages of the file count 1 % longer than the line; the earthwork follows them."""
    points = np.array([[-300.0, 0.0, 4.0], [300.0, 0.0, 4.0]])
    alignment = Alignment(chainage_of(points) * 1.01, points)
    rows = "\n".join(f"{x},{y},{z},{c}" for (x, y, z), c in zip(points, alignment.chainage_m, strict=True))
    site = plain_site(4.0, from_m=101.0, to_m=202.0)
    site["tracks"][0]["alignment"] = {"kind": "csv", "file": "line.csv"}
    (tmp_path / "line.csv").write_text(f"x_m,y_m,z_m,chainage_m\n{rows}\n")
    line = lines_of(terrain(site, tmp_path).breaks, 0)[0]
    assert (line[0, 0], line[-1, 0]) == (pytest.approx(-200.0), pytest.approx(-100.0))


def test_water_lies_at_its_level_and_its_bed_bare_around_it() -> None:
    bed = Terrain(0.0, Raster(0.0, 0.0, 5.0, np.full((21, 21), -3.0)))
    lake = np.array([[10.0, 10.0], [90.0, 10.0], [90.0, 90.0], [10.0, 90.0]])
    pool = np.array([[40.0, 40.0], [60.0, 40.0], [60.0, 60.0], [40.0, 60.0]])
    here = np.array([[50.0, 50.0], [20.0, 50.0], [2.0, 50.0]])
    high = with_water(bed, [(lake, -1.0)])
    low = with_water(bed, [(pool, -2.0)])
    assert high is not None and low is not None
    assert ground_height(high, here).tolist() == [-1.0, -1.0, -3.0]
    assert ground_height(low, here).tolist() == [-2.0, -3.0, -3.0]
    assert ground_height(bed, here).tolist() == [-3.0, -3.0, -3.0]
    assert with_water(Terrain(0.0), [(lake, -1.0)]).flat  # type: ignore[union-attr]


def test_what_lies_below_a_deck(tmp_path: Path) -> None:
    found = terrain(plain_site(8.0, kind="viaduct", formation_edge_m=4.0), tmp_path)
    points = np.array([[0.0, 0, 4], [0, 3.9, 7], [0, 4.1, 4], [0, 0, 9], [400, 0, 4]])
    assert under_decks(found, points).tolist() == [True, True, False, False, False]
    bank = terrain(plain_site(8.0), tmp_path)
    assert not under_decks(bank, points).any()


@pytest.mark.parametrize(
    ("rail_m", "work", "n", "base", "top"),
    [
        (-5.0, {"kind": "cutting", "left": {"kind": "wall"}, "right": {"kind": "wall"}}, 2, -5.7, 0.0),
        (-5.0, {"kind": "cutting", "right": {"kind": "wall"}}, 1, -5.7, 0.0),
        (-5.0, {"kind": "cutting", "left": {"kind": "slope", "ratio": 0.25}}, 1, -5.7, 0.0),
        (-5.0, {"kind": "cutting", "left": {"kind": "slope", "ratio": 0.3}}, 0, None, None),
        (-5.0, {"kind": "cutting"}, 0, None, None),
        (4.0, {"kind": "retaining_wall"}, 2, 0.0, 3.3),
        (1.1, {"kind": "retaining_wall"}, 0, None, None),
        (8.0, {"kind": "viaduct"}, 0, None, None),
    ],
)
def test_steep_faces_are_one_wall_each_open_to_the_low_side(
    rail_m: float, work: dict[str, Any], n: int, base: float | None, top: float | None, tmp_path: Path
) -> None:
    found = terrain(plain_site(rail_m, **work), tmp_path)
    faces = faces_of(found)
    assert len(faces.xy_m) == n
    for xy, high, low in zip(*faces, strict=True):
        np.testing.assert_allclose(low, base)
        np.testing.assert_allclose(high, top)
        assert abs(xy[1, 0] - xy[0, 0]) == pytest.approx(600.0), "one piece, though there are many stations"
        x, y = (xy[1] - xy[0]) / np.linalg.norm(xy[1] - xy[0])
        open_side, earth = (xy.mean(axis=0) + d * np.array([y, -x]) for d in (0.3, -0.4 if rail_m > 0.0 else -1.6))
        assert ground_height(found, np.array([open_side, earth])).tolist() == pytest.approx([base, top])


def test_a_face_that_another_earthwork_covers_is_none(tmp_path: Path) -> None:
    """An embankment 8 m to the left, from the middle on, lies against the left wall."""
    site = plain_site(4.0, kind="retaining_wall")
    track = copy.deepcopy(site["tracks"][0])
    track.update(id="U", alignment={"kind": "inline", "points": [[0.0, 8.0, 4.0], [300.0, 8.0, 4.0]]})
    site["tracks"].append(track)
    site["earthworks"].append({"id": "F", "kind": "embankment", "along": "U", "from_m": 0.0, "to_m": 300.0})
    faces = faces_of(terrain(site, tmp_path))
    left, right = sorted(faces.xy_m, key=lambda xy: -xy[0, 1])
    assert sorted(left[:, 0]) == pytest.approx([-300.0, 0.0]) and sorted(right[:, 0]) == pytest.approx([-300.0, 300.0])


def test_a_face_of_ballast_is_no_wall(tmp_path: Path) -> None:
    section = {"ballast_slope_ratio": 0.0, "formation_below_rail_m": 1.2}
    assert not len(faces_of(terrain(plain_site(-5.0, kind="cutting", **section), tmp_path)).xy_m)


def test_what_paths_leave_out_below_decks_is_said(tmp_path: Path) -> None:
    site = plain_site(8.0, kind="viaduct")
    for y, n in ((1.0, 2), (40.0, 1)):
        site["receivers"][0]["position"] = [0.0, y]
        project = api.load_project(write_site(copy.deepcopy(site), tmp_path / str(n)), Plugins.load())
        said = missing_in_paths(build_scene(project, select(project, Plugins.load()).sources).scene)
        assert len(said) == n and "no obstacle" in said[0]

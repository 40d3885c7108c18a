"""Terrain and earthworks of a project: each mistake gives one message that says where it is and what to do."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.errors import Problem, ProjectError
from lineside.project import triangles
from lineside.project.load import LoadedProject, load_project
from sites import write_site
from terrain_sites import WHOLE, ascii_grid, grid, hilly_site, slope, write_geotiff

HILLS = grid(slope, -800.0, 800.0, 10.0)


def load(site: dict[str, Any], folder: Path, z: Any = None, **more: Any) -> LoadedProject:
    """Load a site; its raster is written beside it unless it is there."""
    if not (folder / "dem.tif").exists():
        axis = HILLS[0]
        write_geotiff(folder / "dem.tif", HILLS[1] if z is None else z, axis[0], axis[0], 10.0, **more)
    return load_project(write_site(site, folder))


def problems(site: dict[str, Any], folder: Path, z: Any = None, **more: Any) -> list[Problem]:
    """Errors and warnings but those about unused or unjudged things."""
    try:
        found = load(site, folder, z, **more).warnings
    except ProjectError as error:
        found = error.problems
    return [p for p in found if "criterion" not in p.message]


def only(site: dict[str, Any], folder: Path, z: Any = None, **more: Any) -> Problem:
    found = problems(site, folder, z, **more)
    assert len(found) == 1, found
    return found[0]


def house(name: str, x: float, y: float, **more: Any) -> dict[str, Any]:
    """A house of 20 m by 10 m, 6 m high."""
    ring = [[x, y], [x + 20, y], [x + 20, y + 10], [x, y + 10]]
    return {"id": name, "polygon": ring, "height_m": 6.0, "use": "other", **more}


def test_a_sound_site_with_terrain_has_no_problems(tmp_path: Path) -> None:
    loaded = load(hilly_site([WHOLE]), tmp_path)
    assert loaded.warnings == () and loaded.raster is not None
    assert "dem.tif" in loaded.inputs


def test_an_ascii_grid_serves_as_well(tmp_path: Path) -> None:
    site = hilly_site([WHOLE])
    site["site"]["terrain"]["file"] = "dem.asc"
    axis, z = HILLS
    (tmp_path / "dem.asc").write_text(ascii_grid(z, axis[0], axis[0], 10.0))
    raster, tiff = load(site, tmp_path).raster, load(hilly_site([WHOLE]), tmp_path).raster
    assert raster is not None and tiff is not None
    np.testing.assert_allclose(raster.z_m, tiff.z_m, atol=1e-6)
    assert (raster.x0_m, raster.y0_m, raster.step_m) == (tiff.x0_m, tiff.y0_m, tiff.step_m)


class TestCover:
    def test_terrain_that_ends_before_the_site_does(self, tmp_path: Path) -> None:
        _, z = grid(slope, -290.0, 290.0, 10.0)
        write_geotiff(tmp_path / "dem.tif", z, -290.0, -290.0, 10.0)
        problem = only(hilly_site([WHOLE]), tmp_path)
        assert problem.message == (
            "file: dem.tif does not cover the site with its tracks, receivers, barriers, banks, sections and grid: "
            "it lacks 10 m in the west, 10 m in the east"
        )
        assert problem.found == "heights from [-290, -290] to [290, 290]"
        assert problem.allowed == "at least from [-300, 0] to [300, 50]"
        assert problem.place == "site, terrain" and problem.line is not None
        assert problem.hint == "add the missing ground"

    def test_the_grid_of_the_map_needs_terrain(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["calculation"]["grid"] = {"spacing_m": 20, "margin_m": 600}
        problem = only(site, tmp_path)
        assert "it lacks 100 m in the west, 100 m in the east" in problem.message
        assert problem.hint == "add the missing ground, or take a smaller margin_m or spacing_m of calculation.grid"

    def test_the_grid_reaches_to_multiples_of_its_spacing(self, tmp_path: Path) -> None:
        """500 m around tracks up to 300 m: to 800 m, where heights end; to 806 m with a spacing of 26 m."""
        site = hilly_site([WHOLE])
        site["calculation"]["grid"] = {"spacing_m": 25, "margin_m": 500}
        assert problems(site, tmp_path) == []
        site["calculation"]["grid"]["spacing_m"] = 26
        assert only(site, tmp_path).message.endswith("it lacks 6 m in the west, 6 m in the east")

    def test_a_section_needs_terrain(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["maps"] = [{"id": "S", "kind": "section", "line": [[0, -50], [0, 900]], "step_m": 10}]
        assert "sections and grid: it lacks 100 m in the north" in only(site, tmp_path).message

    def test_a_misplaced_section_is_no_matter_of_the_terrain(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["maps"] = [{"id": "S", "kind": "section", "line": [[0, 90_000], [100, 90_000]], "step_m": 10}]
        assert not any("does not cover" in p.message for p in problems(site, tmp_path))

    def test_terrain_elsewhere(self, tmp_path: Path) -> None:
        write_geotiff(tmp_path / "dem.tif", HILLS[1], 5_000.0, -800.0, 10.0)
        problem = only(hilly_site([WHOLE]), tmp_path)
        assert problem.message.endswith("they lie apart") and problem.hint == "another coordinate system?"

    @pytest.mark.parametrize("x", [785.0, 900.0])
    def test_a_building_beyond_the_terrain_is_said(self, tmp_path: Path, x: float) -> None:
        site = hilly_site([WHOLE])
        site["buildings"] = [house("H", x, 20.0), house("G", 100.0, 20.0)]
        problem = only(site, tmp_path)
        assert (problem.severity, problem.place) == ("warning", "site, terrain")
        assert problem.message == (
            'file: dem.tif does not reach below building "H": the ground there is taken to go on as at its edge'
        )
        site["buildings"].append(house("I", x, 60.0))
        assert 'below building "H" and 1 more: ' in only(site, tmp_path).message

    def test_a_building_with_receivers_needs_terrain(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["buildings"] = [house("H", 785.0, 20.0)]
        site["facade_receivers"] = [{"buildings": ["H"]}]
        assert "it lacks 5 m in the east" in only(site, tmp_path).message

    def test_a_misplaced_receiver_is_no_matter_of_the_terrain(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["receivers"].append({**site["receivers"][0], "id": "F", "position": [0, 90_000]})
        assert only(site, tmp_path).message == "position: lies 90 km from the nearest track"


class TestHoles:
    def test_a_small_hole_is_filled_and_that_is_said(self, tmp_path: Path) -> None:
        z = HILLS[1].copy()
        z[82:85, 80:83] = -1.0
        loaded = load(hilly_site([WHOLE]), tmp_path, z, nodata=-1.0)
        (warning,) = loaded.warnings
        assert warning.message == "file: dem.tif lacks 9 heights in the site: they were filled from their neighbours"
        assert loaded.raster is not None and np.isfinite(loaded.raster.z_m).all()
        x = loaded.raster.x0_m + 10.0 * np.arange(loaded.raster.z_m.shape[1])
        y = loaded.raster.y0_m + 10.0 * np.arange(loaded.raster.z_m.shape[0])
        np.testing.assert_allclose(loaded.raster.z_m, slope(*np.meshgrid(x, y)), atol=0.4)

    def test_a_large_one_is_an_error(self, tmp_path: Path) -> None:
        z = HILLS[1].copy()
        z[60:100, 80:90] = -1.0
        problem = only(hilly_site([WHOLE]), tmp_path, z, nodata=-1.0)
        assert problem.severity == "error" and "dem.tif has a hole around [40, 20]" in problem.message
        assert problem.allowed == "holes up to 50 m wide, which are filled"

    def test_one_outside_the_site_does_not_matter(self, tmp_path: Path) -> None:
        z = HILLS[1].copy()
        z[:60, :20] = -1.0
        loaded = load(hilly_site([WHOLE]), tmp_path, z, nodata=-1.0)
        assert loaded.warnings == ()
        assert loaded.raster is not None and np.isfinite(loaded.raster.z_m).all()

    def test_no_heights_at_all(self, tmp_path: Path) -> None:
        problem = only(hilly_site([WHOLE]), tmp_path, np.full_like(HILLS[1], -1.0), nodata=-1.0)
        assert problem.message == "file: dem.tif holds no height at the site"


class TestCoordinates:
    """UTM zone 32 north: EPSG 25832; zone 33: 25833; 4326 counts degrees, 2263 feet."""

    def site(self, code: int | None = 25832) -> dict[str, Any]:
        site = hilly_site([WHOLE])
        if code is not None:
            site["site"]["coordinates"] = {"kind": "epsg", "code": code}
        for track in site["tracks"]:
            track["alignment"]["points"] = [[500_000 + x, 5_400_000 + y, z] for x, y, z in track["alignment"]["points"]]
        site["receivers"][0]["position"] = [500_000.0, 5_400_050.0]
        return site

    def problems(self, folder: Path, code: int | None, crs: str | None) -> list[Problem]:
        write_geotiff(folder / "dem.tif", HILLS[1], 499_200.0, 5_399_200.0, 10.0, crs=crs)
        return problems(self.site(code), folder)

    @pytest.mark.parametrize("crs", ["EPSG:25832", "EPSG:25832+7837"])
    def test_one_system(self, tmp_path: Path, crs: str) -> None:
        assert self.problems(tmp_path, 25832, crs) == []

    def test_two_systems_are_an_error_that_names_both(self, tmp_path: Path) -> None:
        (problem,) = self.problems(tmp_path, 25832, "EPSG:25833")
        assert problem.severity == "error" and problem.file == "dem.tif"
        assert problem.message == "has another coordinate system than the project"
        assert (problem.found, problem.allowed) == ("EPSG:25833", "EPSG:25832")

    def test_local_coordinates_with_a_raster_that_names_a_system(self, tmp_path: Path) -> None:
        (problem,) = self.problems(tmp_path, None, "EPSG:25832")
        assert problem.severity == "warning"
        assert problem.message == "names EPSG:25832, while the project's coordinates are local"

    @pytest.mark.parametrize(("crs", "unit"), [("EPSG:4326", "degree"), ("EPSG:2263", "US survey foot")])
    def test_other_units(self, tmp_path: Path, crs: str, unit: str) -> None:
        (problem,) = self.problems(tmp_path, 25832, crs)
        assert problem.severity == "error" and problem.message == f"counts {unit}"

    def test_a_raster_that_names_none(self, tmp_path: Path) -> None:
        assert self.problems(tmp_path, 25832, None) == []


def points_site(*files: str, **more: Any) -> dict[str, Any]:
    site = hilly_site([WHOLE])
    site["site"]["terrain"] = {"kind": "points", "files": list(files), **more}
    return site


def csv_of(points: Any) -> str:
    return "x_m,y_m,z_m\n" + "\n".join(f"{x},{y},{z}" for x, y, z in points) + "\n"


def spots(step_m: float = 100.0) -> Any:
    axis, z = grid(slope, -800.0, 800.0, step_m)
    x, y = np.meshgrid(axis, axis)
    return np.column_stack([x.ravel(), y.ravel(), z.ravel()])


def geojson(*features: tuple[Any, Any, Any], **more: Any) -> str:
    """Of (kind, coordinates, properties)."""
    parts = [{"type": "Feature", "properties": p, "geometry": {"type": k, "coordinates": c}} for k, c, p in features]
    return json.dumps({"type": "FeatureCollection", "features": parts, **more})


class TestPoints:
    def test_spot_heights_of_a_plane_give_the_plane(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        raster = load(points_site("spots.csv", step_m=4), tmp_path).raster
        assert raster is not None and raster.step_m == 4.0
        x = raster.x0_m + 4.0 * np.arange(raster.z_m.shape[1])
        y = raster.y0_m + 4.0 * np.arange(raster.z_m.shape[0])
        np.testing.assert_allclose(raster.z_m, slope(*np.meshgrid(x, y)), atol=1e-6)

    def test_contours_lines_and_points_of_several_files(self, tmp_path: Path) -> None:
        """Contours of the plane by property, one line and the corners with heights of their own."""
        lines: list[Any] = []
        for level in range(-6, 30, 2):
            ends = [[x, (level - 10.0 - 0.01 * x) / 0.03] for x in (-900.0, 900.0)]
            lines.append(("LineString", ends, {"level": level}))
        axis = [-800.0, 800.0]
        corners = [[x, y, float(slope(x, y))] for x in axis for y in axis]
        lines.append(("MultiPoint", corners, {}))
        (tmp_path / "lines.geojson").write_text(geojson(*lines))
        ridge = [[x, -700.0, float(slope(x, -700.0))] for x in axis]
        (tmp_path / "more.geojson").write_text(geojson(("LineString", ridge, None)))
        site = points_site("lines.geojson", "more.geojson", height_property="level")
        raster = load(site, tmp_path).raster
        assert raster is not None
        x = raster.x0_m + 5.0 * np.arange(raster.z_m.shape[1])
        y = raster.y0_m + 5.0 * np.arange(raster.z_m.shape[0])
        gx, gy = np.meshgrid(x, y)
        inside = np.abs(gy) < 400
        np.testing.assert_allclose(raster.z_m[inside], slope(gx, gy)[inside], atol=1e-6)

    def test_two_heights_at_one_place(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of([*spots(), (100.0, 100.0, 99.0)]))
        problem = only(points_site("spots.csv"), tmp_path)
        assert (problem.file, problem.line) == ("spots.csv", 291)
        # after 9 rows of 17 and 9 points, and the header
        assert problem.message == "the height 99 m at [100, 100] differs from spots.csv, line 164"
        assert problem.found == "99 m and 14 m"

    def test_the_same_height_twice_is_no_mistake(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of([*spots(), *spots()]))
        assert problems(points_site("spots.csv"), tmp_path) == []

    def test_contours_that_cross(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        cross = [
            ("LineString", [[-50, 5], [50, 5]], {"height_m": 9}),
            ("LineString", [[0, -50], [0, 50]], {"height_m": 8}),
        ]
        (tmp_path / "lines.geojson").write_text(geojson(*cross))
        problem = only(points_site("spots.csv", "lines.geojson"), tmp_path)
        assert (problem.file, problem.place) == ("lines.geojson", "feature 2")
        assert problem.message == ("the contour line of 8 m crosses that of 9 m (lines.geojson, feature 1) at [0, 5]")

    def test_a_contour_without_length_is_a_point(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        cross = [
            ("LineString", [[0, 5], [0, 5]], {"height_m": 10.15}),
            ("LineString", [[-5, 5], [5, 5]], {"height_m": 10.16}),
        ]
        (tmp_path / "lines.geojson").write_text(geojson(*cross))
        assert problems(points_site("spots.csv", "lines.geojson"), tmp_path) == []

    def test_a_line_of_the_length_of_the_earth_is_counted_before_it_is_followed(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        (tmp_path / "lines.geojson").write_text(geojson(("LineString", [[-1e8, 0, 1], [1e8, 0, 1]], None)))
        problem = only(points_site("spots.csv", "lines.geojson", step_m=0.5), tmp_path)
        assert problem.message == "has 400000290 points with heights" and problem.allowed == "up to 500000"

    def test_too_few_points(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of([(0, 0, 1), (0, 0, 1), (5, 5, 2)]))
        assert only(points_site("spots.csv"), tmp_path).message == "has 2 different points with heights"

    def test_points_on_one_line(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of([(x, 0, 1) for x in range(-400, 400, 50)]))
        assert only(points_site("spots.csv"), tmp_path).message == "has points on one line only: they span no ground"

    def test_too_many_points(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        monkeypatch.setattr(triangles, "MAX_POINTS", 100)
        assert only(points_site("spots.csv"), tmp_path).message == "has 289 points with heights"

    def test_too_fine_a_step(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        monkeypatch.setattr(triangles, "MAX_CELLS", 1000)
        problem = only(points_site("spots.csv"), tmp_path)
        assert problem.message.startswith("step_m: step_m makes a raster of") and problem.hint == "take a wider step"

    def test_points_that_do_not_reach_round_the_site(self, tmp_path: Path) -> None:
        (tmp_path / "spots.csv").write_text(csv_of([p for p in spots() if p[0] < 250]))
        assert "it lacks 100 m in the east" in only(points_site("spots.csv"), tmp_path).message

    @pytest.mark.parametrize(
        ("feature", "message"),
        [
            (("LineString", [[0, 0], [1, 1]], {}), "has no height"),
            (("LineString", [[0, 0], [1, 1]], {"height_m": "9"}), "its property height_m is no number"),
            (("LineString", [[0, 0], [1, 1]], {"height_m": True}), "its property height_m is no number"),
            (("LineString", [[0, 0], [1, 1]], {"height_m": 1e9}), "has a height out of range"),
            (("LineString", [[0, 0], [1, 1, 3]], {"height_m": 9}), "has no sound coordinates"),
            (("LineString", [[0, "a"]], {"height_m": 9}), "has no sound coordinates"),
            (("LineString", [[0, 0], [1, True]], {"height_m": 9}), "has no sound coordinates"),
            (("LineString", [[0, 0], [1, "1"]], {"height_m": 9}), "has no sound coordinates"),
            (("LineString", None, {"height_m": 9}), "has no sound coordinates"),
            (("LineString", [[10**400, 0]], {"height_m": 9}), "has no sound coordinates"),
            (("LineString", [[0, 0], [1, 1]], {"height_m": 10**400}), "has a height out of range"),
            (("MultiLineString", 7, {"height_m": 9}), "has no coordinates"),
            (("Polygon", [[[0, 0], [1, 1], [1, 0]]], {"height_m": 9}), "is no point or line"),
        ],
    )
    def test_what_is_wrong_with_a_feature(self, tmp_path: Path, feature: Any, message: str) -> None:
        (tmp_path / "lines.geojson").write_text(geojson(("Point", [0, 0, 3], {}), feature))
        problem = only(points_site("lines.geojson"), tmp_path)
        assert (problem.file, problem.place, problem.message) == ("lines.geojson", "feature 2", message)

    @pytest.mark.parametrize("features", [[], [("MultiLineString", [], {"height_m": 9})]])
    def test_a_file_without_points(self, tmp_path: Path, features: Any) -> None:
        (tmp_path / "spots.csv").write_text(csv_of(spots()))
        (tmp_path / "none.geojson").write_text(geojson(*features))
        problem = only(points_site("spots.csv", "none.geojson"), tmp_path)
        assert (problem.file, problem.message) == ("none.geojson", "has no points with heights")

    def test_another_coordinate_system(self, tmp_path: Path) -> None:
        crs = {"type": "name", "properties": {"name": "EPSG:25833"}}
        (tmp_path / "spots.geojson").write_text(geojson(("MultiPoint", spots().tolist(), {}), crs=crs))
        (problem,) = problems(points_site("spots.geojson"), tmp_path)
        assert problem.message == "names EPSG:25833, while the project's coordinates are local"


class TestFiles:
    def test_no_such_file(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["site"]["terrain"]["file"] = "dom.tif"
        problem = only(site, tmp_path)
        assert problem.message == "file: no such file in the project folder" and problem.hint == "did you mean dem.tif?"

    def test_a_file_of_another_kind(self, tmp_path: Path) -> None:
        (tmp_path / "dem.tif").write_bytes(b"\x89PNG\r\n")
        assert only(hilly_site([WHOLE]), tmp_path).message == "is not a raster of heights"

    def test_a_file_outside_the_folder(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["site"]["terrain"]["file"] = "../dem.tif"
        assert only(site, tmp_path / "site").message == "file: lies outside the project folder"

    def test_a_mistake_of_form_hides_nothing_else(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["site"]["terrain"] = {"kind": "raster", "path": "dem.tif"}
        site["site"]["air"]["humidity_pct"] = 170
        site["earthworks"][0]["to_m"] = 900.0
        found = [p.message for p in problems(site, tmp_path)]
        assert sorted(found) == [
            "file is missing",
            "humidity_pct: is too large",
            'to_m: lies beyond the alignment of track "T"',
            "unknown key path",
        ]

    def test_a_level_beside_terrain_has_no_effect(self, tmp_path: Path) -> None:
        site = hilly_site([WHOLE])
        site["site"]["ground_level_m"] = 3.0
        assert (
            only(site, tmp_path).message
            == "ground_level_m: has no effect, as site.terrain gives the heights of the ground"
        )


class TestWater:
    def water(self, folder: Path, level_m: float, low_y: float, high_y: float) -> list[Problem]:
        site = hilly_site([WHOLE])
        ring = [[-100.0, low_y], [100.0, low_y], [100.0, high_y], [-100.0, high_y]]
        site["ground_areas"] = [{"id": "lake", "surface": "water", "level_m": level_m, "polygon": ring}]
        return problems(site, folder)

    def test_above_a_receiver(self, tmp_path: Path) -> None:
        (problem,) = self.water(tmp_path, 50.0, 10.0, 90.0)
        assert problem.severity == "error" and problem.place == 'ground_areas[1] "lake"'
        assert problem.message.startswith('level_m: puts receiver "R') and problem.message.endswith(" m under water")

    def test_above_the_rails(self, tmp_path: Path) -> None:
        (problem,) = self.water(tmp_path, 12.5, -20.0, 5.0)
        assert problem.severity == "error"
        assert problem.message == 'level_m: puts rails of track "T" up to 0.45 m under water'

    def test_above_its_banks(self, tmp_path: Path) -> None:
        (problem,) = self.water(tmp_path, 14.0, 60.0, 90.0)
        assert problem.severity == "warning"
        assert problem.message == "level_m: lies 1.75 m above the ground along the outline"

    def test_below_its_banks_it_is_sound(self, tmp_path: Path) -> None:
        assert self.water(tmp_path, 10.0, -20.0, 90.0) == []

    def stands(self, folder: Path, level_m: float, **more: Any) -> list[Problem]:
        """A lake on ground between 12.1 and 12.7 m, with what stands in it."""
        site = {**hilly_site([WHOLE]), **more}
        ring = [[-100.0, 70.0], [100.0, 70.0], [100.0, 90.0], [-100.0, 90.0]]
        site["ground_areas"] = [{"id": "lake", "surface": "water", "level_m": level_m, "polygon": ring}]
        return [p for p in problems(site, folder) if "above the ground along the outline" not in p.message]

    def test_above_a_building(self, tmp_path: Path) -> None:
        """The house stands on 11.95 m at its lowest corner and ends at 17.95 m."""
        houses = [house("H", 0.0, 65.0)]
        (problem,) = self.stands(tmp_path, 19.0, buildings=houses)
        assert (problem.severity, problem.place) == ("error", 'ground_areas[1] "lake"')
        assert problem.message == 'level_m: puts building "H" up to 1.05 m under water'

    def test_around_a_building(self, tmp_path: Path) -> None:
        houses = [house("H", 0.0, 65.0)]
        (problem,) = self.stands(tmp_path, 13.0, buildings=houses)
        assert problem.severity == "warning"
        assert problem.message == (
            'level_m: lets building "H" stand up to 0.9 m deep in water; its height counts from the ground below the '
            "water, that of receivers on facades from the surface"
        )
        assert self.stands(tmp_path, 12.3, buildings=houses) == []  # as rasters and outlines have it at banks
        assert self.stands(tmp_path, 13.0, buildings=[house("H", 20.0, 58.0)]) == []  # beside it

    def test_above_a_barrier(self, tmp_path: Path) -> None:
        def wall(height_m: float, **more: Any) -> list[dict[str, Any]]:
            line = [[0.0, 60.0], [0.0, 80.0]]
            return [{"id": "B", "height_m": height_m, "surface": "absorbing", "line": line, **more}]

        (problem,) = self.stands(tmp_path, 14.5, barriers=wall(2.0))
        assert (problem.severity, problem.message) == ("error", 'level_m: puts barrier "B" up to 0.4 m under water')
        (problem,) = self.stands(tmp_path, 14.5, barriers=wall(3.0))
        assert problem.severity == "warning"
        assert problem.message.startswith('level_m: lets barrier "B" stand up to 2.4 m deep in water; its height')
        far, problem = self.stands(tmp_path, 15.45, barriers=wall(2.0, height_above="rail"))
        assert far.severity == "warning"
        assert problem.message == 'level_m: puts barrier "B" up to 0.45 m under water'
        assert self.stands(tmp_path, 12.5, barriers=wall(2.0)) == []
        assert self.stands(tmp_path, 13.5, barriers=wall(4.0, line=[[0.0, 20.0], [40.0, 20.0]])) == []  # beside it

    def test_in_a_state_above_receivers_on_facades(self, tmp_path: Path) -> None:
        """The surface of a ground area without a level is the bed, on which they stand 4 m high."""
        site = hilly_site([WHOLE])
        ring = [[-100.0, 70.0], [100.0, 70.0], [100.0, 90.0], [-100.0, 90.0]]
        site["ground_areas"] = [{"id": "lake", "surface": "water", "polygon": ring}]
        site["buildings"] = [house("H", 0.0, 65.0, use="dwelling", dwellings=1)]
        site["facade_receivers"] = [{"buildings": "all"}]
        flood = {"area": "lake", "polygon": ring, "exposed": {"g": 0.3}, "level_m": 16.5}
        low = {"area": "lake", "dry": True, "exposed": {"g": 0.3}}
        site["conditions"] = {
            "water": [
                {"id": "flood", "share": 0.5, "outlines": [flood]},
                {"id": "low", "share": 0.5, "outlines": [low]},
            ]
        }
        (problem,) = [p for p in problems(site, tmp_path) if p.severity == "error"]
        assert problem.place.startswith("conditions, water")
        assert problem.message == ('level_m: puts receivers on the facades of building "H" up to 0.4 m under water')
        site["facade_receivers"] = [{"buildings": "all", "heights": "every_floor", "storey_height_m": 2.5}]
        (problem,) = [p for p in problems(site, tmp_path) if p.severity == "error"]
        assert problem.message.endswith('building "H" up to 1.9 m under water')
        flood["level_m"] = 14.0
        assert not [p for p in problems(site, tmp_path) if p.severity == "error"]

"""Rasters of heights: what is read from GeoTIFF and ASCII grids, and what is refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.errors import ProjectError
from lineside.project import raster as module
from lineside.project.raster import RasterFile, read_raster
from terrain_sites import ascii_grid, grid, slope, write_geotiff

ALL = (-1e6, -1e6, 1e6, 1e6)


def tiff(folder: Path, z: Any, *where: Any, **more: Any) -> bytes:
    write_geotiff(folder / "dem.tif", z, *where, **more)
    return (folder / "dem.tif").read_bytes()


def refused(data: bytes, wanted: Any = ALL) -> Any:
    with pytest.raises(ProjectError) as caught:
        read_raster(data, "dem", wanted)
    (problem,) = caught.value.problems
    return problem


def heights_at(found: RasterFile) -> Any:
    """Columns and rows of the points, and heights."""
    n_y, n_x = found.raster.z_m.shape
    x = found.raster.x0_m + found.raster.step_m * np.arange(n_x)
    y = found.raster.y0_m + found.raster.step_m * np.arange(n_y)
    return *np.meshgrid(x, y), found.raster.z_m


class TestGeoTiff:
    def test_heights_stand_at_the_middle_of_their_cells(self, tmp_path: Path) -> None:
        axis, z = grid(slope, 0.0, 50.0, 5.0)
        found = read_raster(tiff(tmp_path, z, axis[0], axis[0], 5.0), "dem", ALL)
        x, y, read = heights_at(found)
        np.testing.assert_allclose(read, slope(x, y), atol=1e-12)
        assert found.extent == (0.0, 0.0, 50.0, 50.0) and found.remarks == ()

    def test_only_what_is_wanted_is_kept(self, tmp_path: Path) -> None:
        axis, z = grid(slope, 0.0, 100.0, 5.0)
        found = read_raster(tiff(tmp_path, z, axis[0], axis[0], 5.0), "dem", (22.0, 41.0, 33.0, 44.0))
        x, y, read = heights_at(found)
        assert (x.min(), x.max(), y.min(), y.max()) == (20.0, 35.0, 40.0, 45.0)
        np.testing.assert_allclose(read, slope(x, y), atol=1e-12)
        assert found.extent == (0.0, 0.0, 100.0, 100.0)

    def test_whole_numbers_with_scale_and_holes(self, tmp_path: Path) -> None:
        import rasterio

        z = np.array([[1000, 1010], [1020, -1]])
        tiff(tmp_path, z, 0.0, 0.0, 1.0, dtype="int16", nodata=-1)
        with rasterio.open(tmp_path / "dem.tif", "r+") as out:
            out.scales, out.offsets = (0.1,), (5.0,)
        found = read_raster((tmp_path / "dem.tif").read_bytes(), "dem", ALL)
        np.testing.assert_allclose(found.raster.z_m, [[105.0, 106.0], [107.0, np.nan]])

    def test_cells_that_are_not_square_are_interpolated_and_that_is_said(self, tmp_path: Path) -> None:
        x, y = np.meshgrid(np.arange(0.0, 101.0, 10.0), np.arange(0.0, 51.0, 5.0))
        found = read_raster(tiff(tmp_path, slope(x, y), 0.0, 0.0, (10.0, 5.0)), "dem", ALL)
        x, y, read = heights_at(found)
        assert found.raster.step_m == 5.0 and (x.max(), y.max()) == (100.0, 50.0)
        np.testing.assert_allclose(read, slope(x, y), atol=1e-12)
        (remark,) = found.remarks
        assert remark.severity == "warning" and "cells of 10 m by 5 m" in remark.message

    def test_rows_from_south_to_north(self, tmp_path: Path) -> None:
        from rasterio.transform import Affine

        _, z = grid(slope, 0.0, 20.0, 5.0)
        data = tiff(tmp_path, z[::-1], 0.0, 0.0, 5.0, transform=Affine(5, 0, -2.5, 0, 5, -2.5))
        x, y, read = heights_at(read_raster(data, "dem", (0.0, 0.0, 20.0, 10.0)))
        assert y.max() == 10.0
        np.testing.assert_allclose(read, slope(x, y), atol=1e-12)

    @pytest.mark.parametrize(
        ("more", "message"),
        [
            ({"count": 3, "dtype": "uint8"}, "has 3 bands; heights are one band"),
            ({"dtype": "complex64"}, "holds values of type complex64, not heights"),
            ({"transform": None}, "does not say where it lies"),
        ],
    )
    def test_what_is_no_heights(self, tmp_path: Path, more: Any, message: str) -> None:
        import warnings

        with warnings.catch_warnings(action="ignore"):
            data = tiff(tmp_path, np.ones((3, 3)), 0.0, 0.0, 1.0, **more)
        assert refused(data).message == message

    def test_turned_raster(self, tmp_path: Path) -> None:
        from rasterio.transform import Affine

        data = tiff(tmp_path, np.ones((3, 3)), 0.0, 0.0, 1.0, transform=Affine(1, 0.2, 0, 0.2, -1, 0))
        assert refused(data).message == "is turned against the coordinates"

    def test_an_undeclared_mark_for_holes_is_no_height(self, tmp_path: Path) -> None:
        problem = refused(tiff(tmp_path, np.array([[1.0, 2.0], [3.0, -9999.0]]), 10.0, 20.0, 5.0))
        assert problem.message == "holds 1 values that are no heights, one at [15, 25]"
        assert problem.found == "-9999" and "NODATA" in problem.hint

    def test_too_many_heights(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        _, z = grid(slope, 0.0, 100.0, 5.0)
        data = tiff(tmp_path, z, 0.0, 0.0, 5.0)
        monkeypatch.setattr(module, "MAX_CELLS", 100)
        assert refused(data).message == "has 441 heights around the site"
        # few are wanted, but the file must be unpacked in larger pieces
        assert refused(data, (0.0, 0.0, 10.0, 10.0)).message == "is packed in one piece that is too large"

    @pytest.mark.parametrize("cut", [10, 60, 200, -100])
    def test_a_damaged_file_is_refused_without_a_traceback(self, tmp_path: Path, cut: int) -> None:
        _, z = grid(slope, 0.0, 50.0, 5.0)
        problem = refused(tiff(tmp_path, z, 0.0, 0.0, 5.0)[:cut])
        assert problem.message == "is a TIFF file that cannot be read" and problem.file == "dem"

    @pytest.mark.parametrize("data", [b"", b"PK\x03\x04 zip", b"<VRTDataset/>", b"\x00" * 50, b"x_m,y_m,z_m\n1,2,3\n"])
    def test_other_files(self, data: bytes) -> None:
        assert refused(data).message == "is not a raster of heights"


class TestAsciiGrid:
    @pytest.mark.parametrize("corner", [True, False])
    def test_heights_and_holes(self, corner: bool) -> None:
        axis, z = grid(slope, 100.0, 140.0, 4.0)
        z = z.copy()
        z[3, 2] = np.nan
        found = read_raster(ascii_grid(z, axis[0], axis[0], 4.0, corner).encode(), "dem", ALL)
        x, y, read = heights_at(found)
        assert np.isnan(read[3, 2])
        np.testing.assert_allclose(np.nan_to_num(read - slope(x, y)), 0.0, atol=1e-6)
        assert found.extent == (100.0, 100.0, 140.0, 140.0)

    def test_only_what_is_wanted_is_kept(self) -> None:
        _, z = grid(slope, 0.0, 40.0, 4.0)
        x, y, read = heights_at(read_raster(ascii_grid(z, 0, 0, 4.0).encode(), "dem", (9.0, 13.0, 15.0, 18.0)))
        assert (x.min(), x.max(), y.min(), y.max()) == (8.0, 16.0, 12.0, 20.0)
        np.testing.assert_allclose(read, slope(x, y), atol=1e-6)

    def test_blank_lines_and_rows_cut_into_lines_do_no_harm(self) -> None:
        text = ascii_grid(np.array([[1.0, 2.0], [3.0, 4.0]]), 0.0, 0.0, 1.0)
        found = read_raster(text.replace("3.0", "\n \n3.0").encode() + b"\n\n", "dem", ALL)
        np.testing.assert_array_equal(found.raster.z_m, [[1.0, 2.0], [3.0, 4.0]])

    @pytest.mark.parametrize(
        ("old", "new", "message", "line"),
        [
            ("cellsize 1.0\n", "", "the header lacks cellsize", 1),
            ("xllcorner -0.5\n", "", "the header lacks xllcorner or xllcenter", 1),
            ("cellsize 1.0", "cellsize one", "cellsize needs one number", 5),
            ("cellsize 1.0", "cellsize -1", "cellsize or the position of the corner is out of range", 1),
            ("cellsize 1.0", "cellsize 1e-320", "cellsize or the position of the corner is out of range", 1),
            ("2.000000", "2.000000 7", "has more heights than ncols x nrows, which are 4", 8),
            ("2.000000", "2.000000\n7 8 9\nx", "has more heights than ncols x nrows, which are 4", 9),
            ("2.000000", "2.000000 7" + " x" * 1000, "has more heights than ncols x nrows, which are 4", 8),
            ("cellsize 1.0", "cellsize inf", "cellsize or the position of the corner is out of range", 1),
            ("ncols 2", "ncols 2.5", "ncols is not a count", None),
            ("ncols 2", "ncols nan", "ncols is not a count", None),
            ("nrows 2", "nrows 90000000", "has 180000000 heights around the site", None),
            ("nrows 2", "rows 2", 'unknown word "rows" in the header', 2),
            ("nrows 2", "nrows 3", "has 4 heights where ncols x nrows are 6", None),
            ("2.000000", "two", "holds something that is no number", 8),
            ("3.000000", "inf", "holds 1 values that are no heights, one at [0, 1]", None),
        ],
    )
    def test_what_is_wrong(self, old: str, new: str, message: str, line: int | None) -> None:
        text = ascii_grid(np.array([[1.0, 2.0], [3.0, 4.0]]), 0.0, 0.0, 1.0)
        assert old in text
        problem = refused(text.replace(old, new).encode())
        assert (problem.message, problem.line) == (message, line)

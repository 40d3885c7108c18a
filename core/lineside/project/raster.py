"""Reading heights on a regular grid: GeoTIFF and ASCII grid, only as much as the site needs."""

from __future__ import annotations

import math
import re
import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.source import decode
from lineside.project.wording import number, shown
from lineside.scene.model import Raster

#: Cells of a raster that is kept, and of one block of a file that must be unpacked for it.
MAX_CELLS = 16_000_000
#: Heights beyond these are marks or faults, not heights. [m]
LOWEST_M, HIGHEST_M = -1000.0, 9000.0
#: Sides of cells that differ by less than this ratio are equal.
_SQUARE = 1e-6
#: No raster of heights is finer than this. [m]
_FINEST_M = 1e-3
_TIFF = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
_HEADER = re.compile(r"\s*ncols\b", re.IGNORECASE)
_KEYS = ("ncols", "nrows", "xllcorner", "xllcenter", "yllcorner", "yllcenter", "cellsize", "nodata_value")

#: West, south, east, north. [m]
Box = tuple[float, float, float, float]


@dataclass(frozen=True, eq=False)
class RasterFile:
    """What a file holds around a site.

    ``raster`` has NaN where the file has no height; ``system`` is the coordinate system that the file names, as WKT;
    ``extent`` the box around the file's cells; ``remarks`` say what was done to make heights of it.
    """

    raster: Raster
    extent: Box
    system: str = ""
    remarks: tuple[Problem, ...] = ()


def read_raster(data: bytes, file: str, wanted: Box) -> RasterFile:
    """Read the part of a raster that lies in a box, or what there is of it.

    Raises
    ------
    ProjectError
        If the file is no raster of heights, or has too many cells there.
    """
    if data.startswith(_TIFF):
        return _read_geotiff(data, file, wanted)
    if _HEADER.match(data[:200].decode("latin-1")):
        return _read_ascii(data, file, wanted)
    raise _error(
        file, "is not a raster of heights", allowed="a GeoTIFF, or an ASCII grid that begins with ncols", hint=""
    )


def _error(file: str, message: str, line: int | None = None, **more: str) -> ProjectError:
    return ProjectError([Problem(message, file, line, **more)])  # type: ignore[arg-type]


def _read_geotiff(data: bytes, file: str, wanted: Box) -> RasterFile:
    from rasterio import Env, MemoryFile
    from rasterio.errors import RasterioError

    try:
        with (
            warnings.catch_warnings(action="ignore"),
            Env(GDAL_DISABLE_READDIR_ON_OPEN="EMPTY_DIR", GTIFF_IGNORE_READ_ERRORS="NO", CPL_LOG_ERRORS="OFF"),
            MemoryFile(data) as memory,
            memory.open(driver="GTiff") as source,
        ):
            return _from_tiff(source, file, wanted)
    except (RasterioError, ValueError, OverflowError, MemoryError) as error:
        reason = str(error) if type(error) is ValueError else "is the file damaged, or cut off?"
        raise _error(file, "is a TIFF file that cannot be read", hint=shown(reason, quote=False)) from None


def _from_tiff(source: Any, file: str, wanted: Box) -> RasterFile:
    shift = source.transform
    if source.count != 1:
        raise _error(
            file,
            f"has {source.count} bands; heights are one band",
            hint="is it a picture? save the band of heights alone",
        )
    if np.dtype(source.dtypes[0]).kind not in "iuf":
        raise _error(file, f"holds values of type {source.dtypes[0]}, not heights")
    if shift.is_identity or source.width < 1:
        raise _error(file, "does not say where it lies", hint="save it as a GeoTIFF with its position in it")
    if abs(shift.b) > 1e-9 or abs(shift.d) > 1e-9 or shift.a <= 0 or shift.e == 0:
        raise _error(
            file, "is turned against the coordinates", hint="resample it so that its rows run from west to east"
        )
    dx, dy = float(shift.a), abs(float(shift.e))
    x0 = float(shift.c) + 0.5 * dx
    top = float(shift.f) + 0.5 * float(shift.e)
    y0 = top if shift.e > 0 else top - dy * (source.height - 1)
    extent = (x0, y0, x0 + dx * (source.width - 1), y0 + dy * (source.height - 1))
    columns = _span(x0, dx, source.width, wanted[0], wanted[2])
    rows = _span(y0, dy, source.height, wanted[1], wanted[3])
    _check_size(file, columns, rows)
    if any(math.prod(block) > MAX_CELLS for block in source.block_shapes):
        raise _error(file, "is packed in one piece that is too large", hint="save it in tiles, or cut out the site")
    first = rows[0] if shift.e > 0 else source.height - rows[1]
    window = ((first, first + rows[1] - rows[0]), columns)
    read = source.read(1, window=window, masked=True)
    z = np.ma.filled(read.astype(np.float64), np.nan) * source.scales[0] + source.offsets[0]
    z = z if shift.e > 0 else z[::-1]
    system = source.crs.to_wkt() if source.crs else ""
    return _square(file, x0 + dx * columns[0], y0 + dy * rows[0], dx, dy, z, extent, system)


def _span(start: float, step: float, n: int, low: float, high: float) -> tuple[int, int]:
    """Indices from and to (exclusive) of the points that are needed between two coordinates; at least one."""
    first = min(max(math.floor((low - start) / step), 0), n - 1)
    last = min(max(math.ceil((high - start) / step), 0), n - 1)
    return first, last + 1


def _check_size(file: str, columns: tuple[int, int], rows: tuple[int, int]) -> None:
    n = (columns[1] - columns[0]) * (rows[1] - rows[0])
    if n > MAX_CELLS:
        raise _error(
            file,
            f"has {n} heights around the site",
            allowed=f"up to {MAX_CELLS}",
            hint="resample it to a coarser grid; 2 m to 5 m serve well",
        )


def _square(
    file: str, x0: float, y0: float, dx: float, dy: float, z: Array, extent: Box, system: str = ""
) -> RasterFile:
    """A raster with one step in both directions; heights checked."""
    known = np.isfinite(z)
    wrong = known & ((z < LOWEST_M) | (z > HIGHEST_M)) | np.isinf(z)
    if wrong.any():
        j, i = (int(k[0]) for k in np.nonzero(wrong))
        raise _error(
            file,
            f"holds {int(wrong.sum())} values that are no heights, one at "
            f"[{number(round(x0 + dx * i, 2))}, {number(round(y0 + dy * j, 2))}]",
            found=shown(float(z[j, i])),
            allowed=f"heights in m, {number(LOWEST_M)} to {number(HIGHEST_M)}",
            hint="does it mark places without a height? name it in the file as its NODATA value",
        )
    remarks: tuple[Problem, ...] = ()
    if abs(dx - dy) > _SQUARE * dx:
        step = min(dx, dy)
        _check_size(file, (0, round(dx * z.shape[1] / step)), (0, round(dy * z.shape[0] / step)))
        z = _along(_along(z, dx / step, 1), dy / step, 0)
        remarks = (
            Problem(
                f"has cells of {number(round(dx, 4))} m by {number(round(dy, 4))} m: heights on squares of "
                f"{number(round(step, 4))} m are interpolated from them",
                file,
                severity="warning",
            ),
        )
        dx = step
    raster = Raster(x0_m=x0, y0_m=y0, step_m=dx, z_m=np.ascontiguousarray(z))
    return RasterFile(raster, extent, system, remarks)


def _along(z: Array, ratio: float, axis: int) -> Array:
    """Linear interpolation along one axis onto a step that is ``ratio`` times smaller."""
    if abs(ratio - 1.0) <= _SQUARE:
        return z
    n = z.shape[axis]
    place = np.arange(int((n - 1) * ratio + 1e-9) + 1) / ratio
    low = np.minimum(place.astype(np.int64), max(n - 2, 0))
    share = place - low
    share = share[:, None] if axis == 0 else share[None, :]
    return np.take(z, low, axis) * (1.0 - share) + np.take(z, np.minimum(low + 1, n - 1), axis) * share


def _read_ascii(data: bytes, file: str, wanted: Box) -> RasterFile:
    lines = decode(data, file).splitlines()
    header, first = _header(lines, file)
    n_x, n_y = int(header["ncols"]), int(header["nrows"])
    step = header["cellsize"]
    x0, y0 = (
        header[f"{axis}llcenter"] if f"{axis}llcenter" in header else header[f"{axis}llcorner"] + 0.5 * step
        for axis in "xy"
    )
    z = _values(lines, first, file, n_x, n_y)[::-1]
    z[z == header.get("nodata_value", -9999.0)] = np.nan
    extent = (x0, y0, x0 + step * (n_x - 1), y0 + step * (n_y - 1))
    columns, rows = _span(x0, step, n_x, wanted[0], wanted[2]), _span(y0, step, n_y, wanted[1], wanted[3])
    z = z[rows[0] : rows[1], columns[0] : columns[1]]
    return _square(file, x0 + step * columns[0], y0 + step * rows[0], step, step, z, extent)


def _header(lines: Sequence[str], file: str) -> tuple[dict[str, float], int]:
    """The header's values by key in small letters, and the number of the line after it (from 0)."""
    found: dict[str, float] = {}
    n = 0
    for n, line in enumerate(lines):
        words = line.split()
        if not words:
            continue
        key = words[0].lower()
        if not key[0].isalpha() or key in ("nan", "inf"):
            break
        if key not in _KEYS:
            raise _error(file, f"unknown word {shown(words[0])} in the header", n + 1, allowed=", ".join(_KEYS))
        try:
            (text,) = words[1:]
            found[key] = float(text)
        except ValueError:
            raise _error(file, f"{key} needs one number", n + 1, found=shown(line)) from None
    wanted = [("ncols",), ("nrows",), ("xllcorner", "xllcenter"), ("yllcorner", "yllcenter"), ("cellsize",)]
    for keys in wanted:
        if not any(key in found for key in keys):
            raise _error(file, f"the header lacks {' or '.join(keys)}", 1)
    for key in ("ncols", "nrows"):
        if not (found[key] >= 1 and found[key].is_integer()):
            raise _error(file, f"{key} is not a count", found=shown(found[key]))
    if found["ncols"] * found["nrows"] > MAX_CELLS:
        _check_size(file, (0, int(found["ncols"])), (0, int(found["nrows"])))
    if not (_FINEST_M <= found["cellsize"] < 1e6 and all(abs(v) <= 1e8 for k, v in found.items() if "ll" in k)):
        raise _error(file, "cellsize or the position of the corner is out of range", 1)
    return found, n


def _values(lines: Sequence[str], first: int, file: str, n_x: int, n_y: int) -> Array:
    rows: list[Array] = []
    n_read = 0
    for n, line in enumerate(lines[first:], start=first + 1):
        if not line or line.isspace():
            continue
        left = n_x * n_y - n_read
        words = line.split(maxsplit=left)
        if len(words) > left:
            raise _error(file, f"has more heights than ncols x nrows, which are {n_x * n_y}", n)
        try:
            rows.append(np.array(words, dtype=np.float64))
        except ValueError:
            raise _error(file, "holds something that is no number", n, found=shown(line)) from None
        n_read += len(words)
    if n_read != n_x * n_y:
        raise _error(file, f"has {n_read} heights where ncols x nrows are {n_x * n_y}", hint="is the file cut off?")
    return np.concatenate(rows).reshape(n_y, n_x)

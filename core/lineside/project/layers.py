"""Reading layers of polygons with attributes: all features of a GeoJSON file, or of a layer of a GeoPackage.

A GeoPackage is an SQLite database (OGC 12-128r19): table ``gpkg_geometry_columns`` names the layers, a geometry is a
header and well-known binary. It is read from memory with the standard library and shapely.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.geojson import feature_id, feature_list, named_system, polygons_of
from lineside.project.well_known_binary import check_polygons_only
from lineside.project.wording import did_you_mean, names, printable, shown

#: A polygon as rings, the outer one first, not closed, (n, 2) each.
Rings = list[Array]

MAX_FEATURES = 20_000
#: Steps of the database engine after which a layer that is a query is given up.
_MAX_STEPS = 200_000_000
#: Layers and bytes of attributes and geometries of a GeoPackage, and bytes of one value. [bytes]
_MAX_LAYERS, _MAX_BYTES, _MAX_VALUE_BYTES = 1000, 200_000_000, 50_000_000
_ROWS_AT_ONCE = 100
_ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}


@dataclass(frozen=True, eq=False)
class LayerFeature:
    """One feature: its number from 1, its id if it has one, its attributes and polygons."""

    number: int
    id: str | None
    attributes: Mapping[str, Any]
    polygons: list[Rings]

    @property
    def label(self) -> str:
        """What to call it in a message."""
        return f"feature {shown(self.id)}" if self.id is not None else f"feature number {self.number}"


@dataclass(frozen=True, eq=False)
class Layer:
    """All features of a layer; ``epsg`` is its coordinate system, if it names one with a number.

    ``other_system``: name of a system without an EPSG number, empty if there is none.
    """

    file: str
    features: tuple[LayerFeature, ...]
    attributes: tuple[str, ...]
    epsg: int | None
    other_system: str = ""


def read_layer(data: bytes, file: str, layer: str | None) -> Layer:
    """Read a layer of polygons.

    Parameters
    ----------
    data : bytes
        A GeoPackage, or GeoJSON text.
    layer : str or None
        Layer of a GeoPackage; None: its only one with polygons.

    Raises
    ------
    ProjectError
        With every feature that is no polygon, or why the file cannot be read.
    """
    if data[:16] == b"SQLite format 3\x00":
        return _geopackage(data, file, layer)
    if layer is not None:
        raise ProjectError([Problem("is no GeoPackage and has no layers", file, found=shown(layer), hint="drop layer")])
    if file.lower().endswith(".gpkg"):
        raise ProjectError([Problem("is not a GeoPackage", file, hint="is it a whole and unzipped file?")])
    return _geojson(data, file)


def _geojson(data: bytes, file: str) -> Layer:
    root, features = feature_list(data, file)
    _check_number(len(features), file)
    found: list[LayerFeature] = []
    problems: list[Problem] = []
    for number, feature in enumerate(features, start=1):
        properties = feature.get("properties")
        attributes = properties if isinstance(properties, Mapping) else {}
        entry = LayerFeature(number, feature_id(feature), attributes, [])
        try:
            entry.polygons.extend(polygons_of(feature, file, entry.label))
        except ProjectError as error:
            problems += error.problems
        found.append(entry)
    if problems:
        raise ProjectError(problems)
    known = tuple(dict.fromkeys(str(name) for f in found for name in f.attributes))
    return Layer(file, tuple(found), known, named_system(root, file))


def _check_number(n: int, file: str) -> None:
    if n > MAX_FEATURES:
        hint = "cut the layer to the surroundings of the line"
        raise ProjectError([Problem(f"has {n} features", file, allowed=f"up to {MAX_FEATURES}", hint=hint)])
    if n == 0:
        raise ProjectError([Problem("has no features", file)])


@contextmanager
def _opened(data: bytes, file: str) -> Iterator[sqlite3.Connection]:
    """The database in memory, its own code switched off; errors of the database become problems of the file."""
    connection = sqlite3.connect(":memory:")
    try:
        # a database in write-ahead mode is one file when it lies still; bytes 18 and 19 say how to go on writing
        connection.deserialize(data[:18] + b"\x01\x01" + data[20:])
        connection.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, _MAX_VALUE_BYTES)
        connection.execute("PRAGMA trusted_schema = OFF")
        connection.execute("PRAGMA writable_schema = OFF")
        connection.execute("PRAGMA query_only = ON")
        connection.text_factory = lambda raw: raw.decode("utf-8", "replace")
        connection.set_progress_handler(_Steps(), 100_000)
        yield connection
    except ProjectError:
        raise
    except (sqlite3.Error, OverflowError, MemoryError, TypeError, ValueError, RecursionError) as error:
        message = f"cannot be read as a GeoPackage: {shown(str(error), quote=False)}"
        raise ProjectError([Problem(message, file, hint="is it a whole file?")]) from None
    finally:
        connection.close()


class _Steps:
    """Stops a query that goes on without end."""

    def __init__(self) -> None:
        self.left = _MAX_STEPS // 100_000

    def __call__(self) -> int:
        self.left -= 1
        return int(self.left < 0)


def _geopackage(data: bytes, file: str, layer: str | None) -> Layer:
    with _opened(data, file) as connection:
        table, column, srs = _layer(connection, file, layer)
        system, other = _system(connection, srs)
        key = next((str(c[1]) for c in connection.execute(f"PRAGMA table_info({_quoted(table)})") if c[5]), None)
        (n,) = connection.execute(f"SELECT count(*) FROM {_quoted(table)}").fetchone()
        _check_number(n, file)
        cursor = connection.execute(f"SELECT * FROM {_quoted(table)}")
        columns = [str(c[0]) for c in cursor.description]
        rows = [dict(zip(columns, row, strict=True)) for row in _fetched(cursor, file)]
    found: list[LayerFeature] = []
    problems: list[Problem] = []
    for number, row in enumerate(rows, start=1):
        geometry = row.pop(column, None)
        own = None if key is None or row.get(key) is None else printable(str(row[key]))
        entry = LayerFeature(number, own, row, [])
        try:
            entry.polygons.extend(_polygons(geometry))
        except ValueError as error:
            problems.append(Problem(str(error), file, place=entry.label))
        found.append(entry)
    if problems:
        raise ProjectError(problems)
    return Layer(file, tuple(found), tuple(c for c in columns if c != column), system, other)


def _fetched(cursor: sqlite3.Cursor, file: str) -> Iterator[tuple[Any, ...]]:
    """The rows of a query, as long as they are not too large together."""
    n_bytes = n_rows = 0
    while rows := cursor.fetchmany(_ROWS_AT_ONCE):
        n_rows += len(rows)
        n_bytes += sum(len(v) for row in rows for v in row if isinstance(v, str | bytes))
        if n_bytes > _MAX_BYTES or n_rows > MAX_FEATURES:
            raise ProjectError(
                [
                    Problem(
                        "has a layer that is too large",
                        file,
                        allowed=f"up to {MAX_FEATURES} features and {_MAX_BYTES // 1_000_000} MB",
                        hint="cut the layer to the surroundings of the line",
                    )
                ]
            )
        yield from rows


def _quoted(name: str) -> str:
    return '"' + name.replace('"', '""') + '"'


def _layer(connection: sqlite3.Connection, file: str, layer: str | None) -> tuple[str, str, int]:
    """Table, column of the geometry and number of the coordinate system of a layer."""
    query = "SELECT table_name, column_name, srs_id, geometry_type_name FROM gpkg_geometry_columns"
    found = connection.execute(query).fetchmany(_MAX_LAYERS + 1)
    if len(found) > _MAX_LAYERS:
        raise ProjectError([Problem("has too many layers", file, allowed=f"up to {_MAX_LAYERS}")])
    known = {str(r[0]): (str(r[0]), str(r[1]), int(r[2]), str(r[3]).upper()) for r in found}
    if layer is None:
        kinds = ("POLYGON", "MULTIPOLYGON", "GEOMETRY", "SURFACE", "MULTISURFACE", "GEOMETRYCOLLECTION")
        fitting = [name for name, entry in known.items() if entry[3] in kinds]
        if len(fitting) != 1:
            what = "has more than one layer of polygons" if fitting else "has no layer of polygons"
            raise ProjectError(
                [Problem(what, file, found=names(known), hint="say which one: layer" if fitting else "")]
            )
        layer = fitting[0]
    if layer not in known:
        raise ProjectError(
            [Problem(f"has no layer {shown(layer)}", file, allowed=names(known), hint=did_you_mean(layer, known))]
        )
    return known[layer][:3]


def _system(connection: sqlite3.Connection, srs: int) -> tuple[int | None, str]:
    """EPSG number of a coordinate system, or the name of one that has none; neither where it is undefined."""
    if srs in (-1, 0):
        return None, ""
    query = "SELECT organization, organization_coordsys_id, srs_name, definition FROM gpkg_spatial_ref_sys"
    row = connection.execute(f"{query} WHERE srs_id = ?", (srs,)).fetchone()
    if row is None:
        return None, f"number {srs} of the file"
    if str(row[0]).upper() == "EPSG":
        return int(row[1]), ""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    try:
        code = CRS.from_user_input(str(row[3])).to_epsg()
    except CRSError:
        code = None
    return code, "" if code is not None else str(row[2])


def _polygons(blob: Any) -> list[Rings]:
    """Polygons of a GeoPackage geometry.

    Raises
    ------
    ValueError
        What is wrong with it, in words.
    """
    from shapely import GEOSException, Polygon, from_wkb, get_parts

    if blob is None:
        raise ValueError("has no geometry")
    if not isinstance(blob, bytes) or len(blob) < 8 or blob[:2] != b"GP" or (blob[3] >> 1) & 7 not in _ENVELOPE_BYTES:
        raise ValueError("has a geometry that cannot be read")
    if blob[3] & 16:
        raise ValueError("has no geometry")
    wkb = blob[8 + _ENVELOPE_BYTES[(blob[3] >> 1) & 7] :]
    check_polygons_only(wkb)
    try:
        geometry = from_wkb(wkb)
    except (GEOSException, ValueError):
        raise ValueError("has a geometry that cannot be read") from None
    parts = get_parts(geometry)
    if not len(parts) or not all(isinstance(p, Polygon) for p in parts):
        raise ValueError(f"must be a Polygon or MultiPolygon, not a {geometry.geom_type}")
    out = [
        [np.asarray(ring.coords)[:-1, :2] for ring in (p.exterior, *p.interiors) if not ring.is_empty]
        for p in parts
        if not p.is_empty
    ]
    if not out or not all(np.isfinite(ring).all() and np.abs(ring).max() <= 1e8 for rings in out for ring in rings):
        raise ValueError("has coordinates that are no numbers of metres")
    return out

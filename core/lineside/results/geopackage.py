"""Writing layers of features as a GeoPackage: SQLite with the tables that the standard asks for.

References
----------
.. [1] OGC 12-128r17, GeoPackage Encoding Standard, version 1.3: identification of the file (1.1.1.1), spatial reference
   systems (1.1.2), contents (1.1.3), features (2.1), binary format of geometries (2.1.3).
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Sequence
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING

from lineside.results.features import Layer

if TYPE_CHECKING:
    from shapely import Geometry

#: "GPKG" and 10300, [1], requirement 2.
APPLICATION_ID, USER_VERSION = 0x47504B47, 10300
#: Undefined Cartesian and geographic systems, [1], table 4.
CARTESIAN = -1
_WGS84 = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],PRIMEM["Greenwich",0],'
    'UNIT["degree",0.0174532925199433],AUTHORITY["EPSG","4326"]]'
)
_TABLES = """
CREATE TABLE gpkg_spatial_ref_sys (
  srs_name TEXT NOT NULL, srs_id INTEGER PRIMARY KEY, organization TEXT NOT NULL,
  organization_coordsys_id INTEGER NOT NULL, definition TEXT NOT NULL, description TEXT);
CREATE TABLE gpkg_contents (
  table_name TEXT NOT NULL PRIMARY KEY, data_type TEXT NOT NULL, identifier TEXT UNIQUE, description TEXT DEFAULT '',
  last_change DATETIME NOT NULL DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')),
  min_x DOUBLE, min_y DOUBLE, max_x DOUBLE, max_y DOUBLE, srs_id INTEGER,
  CONSTRAINT fk_gc_r_srs_id FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys(srs_id));
CREATE TABLE gpkg_geometry_columns (
  table_name TEXT NOT NULL, column_name TEXT NOT NULL, geometry_type_name TEXT NOT NULL, srs_id INTEGER NOT NULL,
  z TINYINT NOT NULL, m TINYINT NOT NULL,
  CONSTRAINT pk_geom_cols PRIMARY KEY (table_name, column_name),
  CONSTRAINT uk_gc_table_name UNIQUE (table_name),
  CONSTRAINT fk_gc_tn FOREIGN KEY (table_name) REFERENCES gpkg_contents(table_name),
  CONSTRAINT fk_gc_srs FOREIGN KEY (srs_id) REFERENCES gpkg_spatial_ref_sys (srs_id));
"""
_TYPES = {str: "TEXT", float: "DOUBLE", int: "INTEGER"}


def write_geopackage(path: Path, layers: Sequence[Layer], epsg: int | None, date: str) -> None:
    """Write layers into a new file; the same bytes for the same layers.

    Parameters
    ----------
    epsg : int, optional
        Number of the coordinate system; None: a local one in metres.
    date : str
        YYYY-MM-DD, written as the day of the last change.
    """
    path.unlink(missing_ok=True)
    with closing(sqlite3.connect(path, isolation_level=None)) as file:
        file.executescript(
            f"PRAGMA page_size = 4096; PRAGMA journal_mode = OFF; PRAGMA application_id = {APPLICATION_ID}; "
            f"PRAGMA user_version = {USER_VERSION}; BEGIN; {_TABLES}"
        )
        srs_id = _systems(file, epsg)
        for layer in layers:
            _write(file, layer, srs_id, f"{date}T00:00:00.000Z")
        file.execute("COMMIT")


def _systems(file: sqlite3.Connection, epsg: int | None) -> int:
    """Fill in the reference systems; the id of the one in use."""
    rows = [
        ("Undefined Cartesian SRS", CARTESIAN, "NONE", CARTESIAN, "undefined", "local metres"),
        ("Undefined geographic SRS", 0, "NONE", 0, "undefined", "undefined"),
        ("WGS 84 geodetic", 4326, "EPSG", 4326, _WGS84, "longitude and latitude"),
    ]
    if epsg is not None and epsg != 4326:
        from pyproj import CRS

        system = CRS.from_epsg(epsg)
        rows.append((system.name, epsg, "EPSG", epsg, system.to_wkt("WKT1_GDAL"), ""))
    file.executemany("INSERT INTO gpkg_spatial_ref_sys VALUES (?, ?, ?, ?, ?, ?)", rows)
    return CARTESIAN if epsg is None else epsg


def _write(file: sqlite3.Connection, layer: Layer, srs_id: int, changed: str) -> None:
    from shapely import total_bounds

    columns = "".join(f', "{name}" {_TYPES[kind]}' for name, kind in layer.columns.items())
    file.execute(
        f'CREATE TABLE "{layer.name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, geom {layer.kind}{columns})'
    )
    bounds = [float(v) for v in total_bounds([shape for shape, _ in layer.rows])]
    file.execute(
        "INSERT INTO gpkg_contents VALUES (?, 'features', ?, ?, ?, ?, ?, ?, ?, ?)",
        (layer.name, layer.name, layer.meaning, changed, *bounds, srs_id),
    )
    file.execute("INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)", (layer.name, layer.kind, srs_id))
    marks = ", ".join("?" * (len(layer.columns) + 1))
    names = "".join(f', "{name}"' for name in layer.columns)
    file.executemany(
        f'INSERT INTO "{layer.name}" (geom{names}) VALUES ({marks})',
        ((geometry_blob(shape, srs_id), *values.values()) for shape, values in layer.rows),
    )


def geometry_blob(shape: Geometry, srs_id: int) -> bytes:
    """A shape in the binary format of [1], 2.1.3: header with its envelope, then ISO WKB, little endian."""
    from shapely import to_wkb

    min_x, min_y, max_x, max_y = shape.bounds
    flags = 0b0000_0011  # envelope in x and y, little endian
    header = struct.pack("<2sBBi4d", b"GP", 0, flags, srs_id, min_x, max_x, min_y, max_y)
    return bytes(header + to_wkb(shape, output_dimension=2, byte_order=1, flavor="iso"))

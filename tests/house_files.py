"""Layers of invented buildings for tests, as GeoJSON and GeoPackage bytes."""

from __future__ import annotations

import json
import sqlite3
import struct
from collections.abc import Mapping, Sequence
from typing import Any

import shapely

Entry = tuple[Any, Mapping[str, Any]]  # geometry (shapely), attributes


def rectangle(x: float, y: float, width: float = 10.0, depth: float = 8.0) -> list[list[float]]:
    """Corners counter-clockwise from the lower left."""
    return [[x, y], [x + width, y], [x + width, y + depth], [x, y + depth]]


def geojson(entries: Sequence[Entry], epsg: int | None = None) -> bytes:
    """A FeatureCollection."""
    features = [
        {"type": "Feature", "properties": dict(attributes), "geometry": json.loads(shapely.to_geojson(shape))}
        for shape, attributes in entries
    ]
    document: dict[str, Any] = {"type": "FeatureCollection", "features": features}
    if epsg is not None:
        document["crs"] = {"type": "name", "properties": {"name": f"urn:ogc:def:crs:EPSG::{epsg}"}}
    return json.dumps(document).encode()


def geopackage(
    layers: Mapping[str, Sequence[Entry]], srs: int = 25832, organization: str = "EPSG", envelope: bool = True
) -> bytes:
    """A GeoPackage with one table per layer; all layers have the same coordinate system."""
    db = sqlite3.connect(":memory:")
    db.execute(
        "CREATE TABLE gpkg_spatial_ref_sys (srs_name, srs_id, organization, organization_coordsys_id, definition)"
    )
    db.execute("INSERT INTO gpkg_spatial_ref_sys VALUES ('a system', ?, ?, ?, 'undefined')", (srs, organization, srs))
    db.execute("CREATE TABLE gpkg_geometry_columns (table_name, column_name, geometry_type_name, srs_id, z, m)")
    for name, entries in layers.items():
        columns = list(dict.fromkeys(key for _, attributes in entries for key in attributes))
        kind = entries[0][0].geom_type.upper() if entries else "POLYGON"
        db.execute("INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)", (name, kind, srs))
        db.execute(f'CREATE TABLE "{name}" (fid INTEGER PRIMARY KEY, geom BLOB{"".join(f", {c}" for c in columns)})')
        for shape, attributes in entries:
            values = [_blob(shape, srs, envelope), *(attributes.get(c) for c in columns)]
            names = ", ".join(["geom", *columns])
            db.execute(f'INSERT INTO "{name}" ({names}) VALUES ({", ".join("?" * len(values))})', values)
    db.commit()
    return db.serialize()


def _blob(shape: Any, srs: int, envelope: bool) -> bytes:
    head = b"GP\x00" + bytes([1 | (2 if envelope else 0)]) + struct.pack("<i", srs)
    box = struct.pack("<4d", *(shape.bounds[k] for k in (0, 2, 1, 3))) if envelope else b""
    return head + box + shapely.to_wkb(shape)

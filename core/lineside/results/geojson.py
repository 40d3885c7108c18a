"""Writing layers of features as GeoJSON.

References
----------
.. [1] RFC 7946, The GeoJSON Format, 2016: coordinates are longitude and latitude of WGS 84 (section 4); outer rings
   counter-clockwise (3.1.6); members of one's own are allowed (6.1).
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.results.features import Layer

if TYPE_CHECKING:
    from shapely import Geometry

#: Step of coordinates: 1e-7 degrees are about 1 cm; metres to the millimetre.
DEGREE_STEP, METRE_STEP = 1e-7, 1e-3
WGS84 = 4326


def geojson_bytes(layer: Layer, epsg: int | None) -> bytes:
    """One layer as a feature collection, one feature in each line; the same bytes for the same layer.

    Projected coordinates are turned into longitude and latitude [1]. Those of a local system stay metres: the file
    then says so, since readers take GeoJSON for longitude and latitude.

    Parameters
    ----------
    epsg : int, optional
        Number of the coordinate system of the layer; None: a local one.
    """
    head: dict[str, Any] = {"type": "FeatureCollection", "name": layer.name, "description": layer.meaning}
    if epsg is None:
        head["crs"] = None
        head["note"] = "Coordinates are metres of a local system, x east and y north, not longitude and latitude."
    else:
        head["note"] = f"Longitude and latitude (WGS 84), transformed from EPSG:{epsg}."
    shapes = [_placed(shape, epsg) for shape, _ in layer.rows]
    lines = [
        json.dumps(
            {"type": "Feature", "geometry": shape, "properties": dict(values)}, ensure_ascii=False, allow_nan=False
        )
        for shape, (_, values) in zip(shapes, layer.rows, strict=True)
    ]
    opening = json.dumps(head, ensure_ascii=False)[:-1]
    return (opening + ', "features": [\n' + ",\n".join(lines) + "\n]}\n").encode()


def _placed(shape: Geometry, epsg: int | None) -> dict[str, Any]:
    """A shape as a GeoJSON geometry: transformed, rounded without losing its validity, rings as [1] asks."""
    import shapely

    step = METRE_STEP if epsg is None else DEGREE_STEP
    if epsg is not None and epsg != WGS84:
        shape = shapely.transform(shape, lambda xy: _to_wgs84(xy, epsg))
    fine = shapely.set_precision(shape, step)
    kept = fine if not fine.is_empty else shape
    digits = round(-np.log10(step))
    return _rounded(shapely.geometry.mapping(_oriented(kept)), int(digits))


def _to_wgs84(xy: Array, epsg: int) -> Array:
    from pyproj import Transformer

    transformer = Transformer.from_crs(epsg, WGS84, always_xy=True)
    return np.column_stack(transformer.transform(xy[:, 0], xy[:, 1]))


def _oriented(shape: Geometry) -> Geometry:
    from shapely import MultiPolygon, get_parts
    from shapely.geometry.polygon import orient

    if shape.geom_type == "Polygon":
        return orient(shape)
    if shape.geom_type == "MultiPolygon":
        return MultiPolygon([orient(part) for part in get_parts(shape)])
    return shape


def _rounded(geometry: Any, digits: int) -> Any:
    if isinstance(geometry, dict):
        return {key: _rounded(value, digits) for key, value in geometry.items()}
    if isinstance(geometry, list | tuple):
        return [_rounded(value, digits) for value in geometry]
    return round(float(geometry), digits) if isinstance(geometry, float | int) else geometry

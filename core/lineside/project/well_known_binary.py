"""Looking through well-known binary before it is read: it must hold polygons only.

OGC 06-103r4, section 8.2; codes with marks of heights, measures and a coordinate system as GEOS understands them.
GEOS follows nested collections without a limit of depth, down to a crash.
"""

from __future__ import annotations

import struct

_POLYGON, _MULTI_POLYGON = 3, 6
_KINDS = {
    1: "Point",
    2: "LineString",
    4: "MultiPoint",
    5: "MultiLineString",
    7: "GeometryCollection",
    8: "CircularString",
    9: "CompoundCurve",
    10: "CurvePolygon",
    11: "MultiCurve",
    12: "MultiSurface",
    15: "PolyhedralSurface",
    16: "TIN",
    17: "Triangle",
}


def check_polygons_only(wkb: bytes) -> None:
    """Refuse all but a Polygon or a MultiPolygon of polygons.

    Raises
    ------
    ValueError
        What the geometry is instead, in words.
    """
    try:
        kind, order, _, at = _header(wkb, 0)
        if kind not in (_POLYGON, _MULTI_POLYGON):
            what = _KINDS.get(kind, "geometry of another kind")
            raise ValueError(f"must be a Polygon or MultiPolygon, not a {what}")
        if kind == _POLYGON:
            return
        (n,) = struct.unpack_from(f"{order}I", wkb, at)
        at += 4
        for _ in range(n):
            at = _after_polygon(wkb, at)
    except (struct.error, IndexError):
        raise ValueError("has a geometry that cannot be read") from None


def _header(wkb: bytes, at: int) -> tuple[int, str, int, int]:
    """Kind, byte order and number of coordinates of the geometry at a place, and where its own data begin."""
    if wkb[at] not in (0, 1):
        raise ValueError("has a geometry that cannot be read")
    order = "<" if wkb[at] else ">"
    (code,) = struct.unpack_from(f"{order}I", wkb, at + 1)
    kind, marks = code % 65536 % 1000, code % 65536 // 1000
    n_axes = 2 + (bool(code & 0x80000000) or marks in (1, 3)) + (bool(code & 0x40000000) or marks in (2, 3))
    return kind, order, n_axes, at + (9 if code & 0x20000000 else 5)


def _after_polygon(wkb: bytes, at: int) -> int:
    """Where the polygon at a place ends."""
    kind, order, n_axes, at = _header(wkb, at)
    if kind != _POLYGON:
        raise ValueError("must hold polygons only")
    (n_rings,) = struct.unpack_from(f"{order}I", wkb, at)
    at += 4
    for _ in range(n_rings):
        (n,) = struct.unpack_from(f"{order}I", wkb, at)
        at += 4 + 8 * n_axes * n
    return at

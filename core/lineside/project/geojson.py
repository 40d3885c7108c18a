"""Reading lines and polygons from GeoJSON files beside the project file."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.source import decode, position
from lineside.project.wording import did_you_mean, names, printable, shown


@dataclass(frozen=True, eq=False)
class Features:
    """Features of one file by id; ``epsg`` is the coordinate system that the file names, if any."""

    file: str
    by_id: Mapping[str, Mapping[str, Any]]
    epsg: int | None
    n_without_id: int

    def coordinates(self, feature: str, kind: str) -> Array:
        """Coordinates of a LineString, or the outer ring of a Polygon without its closing point.

        A MultiLineString or MultiPolygon of one part counts as that part.

        Returns
        -------
        ndarray, (n, 2) or (n, 3)

        Raises
        ------
        ProjectError
            If there is no such feature, or it has another shape.
        """
        geometry = self.by_id[feature].get("geometry")
        found = geometry.get("type") if isinstance(geometry, Mapping) else None
        points = geometry.get("coordinates") if isinstance(geometry, Mapping) else None
        if found == f"Multi{kind}":
            parts = points if isinstance(points, list) else []
            n = len(parts)
            if n != 1:
                raise self._problem(
                    feature,
                    f"must be one {kind}; this {found} has {n} parts",
                    hint="split it into features of one part each" if n else "",
                )
            points = parts[0]
        elif found != kind:
            raise self._problem(feature, f"must be a {kind}", found=shown(found))
        if kind == "Polygon":
            if not isinstance(points, list) or not points:
                raise self._problem(feature, "has no ring")
            if len(points) > 1:
                raise self._problem(
                    feature, "has a hole", hint="make it one outline, and write the hole as an area of its own after it"
                )
            points = points[0]
        array = _positions(self.file, f"feature {shown(feature)}", points)
        return _open(array) if kind == "Polygon" else array

    def polygons(self, feature: str) -> list[list[Array]]:
        """Polygons of a feature, with their holes; see :func:`polygons_of`."""
        return polygons_of(self.by_id[feature], self.file, f"feature {shown(feature)}")

    def _problem(self, feature: str, message: str, **more: str) -> ProjectError:
        return _problem(self.file, f"feature {shown(feature)}", message, **more)

    def unknown(self, feature: str) -> tuple[str, str, str]:
        """Message, allowed and hint for a feature that is not there."""
        hint = did_you_mean(feature, self.by_id)
        if not self.by_id:
            hint = "give each feature an id, or properties.id"
        return f"no such feature in {shown(self.file, quote=False)}", names(self.by_id), hint


def read_features(data: bytes, file: str) -> Features:
    """Read a GeoJSON FeatureCollection, or a single Feature.

    Raises
    ------
    ProjectError
        If it is not one.
    """
    root, features = feature_list(data, file)
    by_id: dict[str, Mapping[str, Any]] = {}
    problems: list[Problem] = []
    nameless = 0
    for feature in features:
        name = feature_id(feature)
        if name is None:
            nameless += 1
        elif name in by_id:
            problems.append(Problem(f"two features have the id {shown(name)}", file))
        else:
            by_id[name] = feature
    if problems:
        raise ProjectError(problems)
    return Features(file, by_id, named_system(root, file), nameless)


def feature_list(data: bytes, file: str) -> tuple[Mapping[str, Any], Sequence[Mapping[str, Any]]]:
    """The document and its features.

    Raises
    ------
    ProjectError
        If it is no GeoJSON FeatureCollection or Feature.
    """
    root = _parse(decode(data, file), file)
    if not isinstance(root, Mapping) or root.get("type") not in ("FeatureCollection", "Feature"):
        found = root.get("type") if isinstance(root, Mapping) else root
        raise ProjectError(
            [
                Problem(
                    "is not GeoJSON with features",
                    file,
                    found=shown(found),
                    allowed="type FeatureCollection or Feature",
                )
            ]
        )
    features = root.get("features") if root["type"] == "FeatureCollection" else [root]
    if not isinstance(features, list) or not all(isinstance(f, Mapping) for f in features):
        raise ProjectError([Problem("features is not a list of features", file)])
    return root, features


def polygons_of(feature: Mapping[str, Any], file: str, label: str) -> list[list[Array]]:
    """Polygons of a feature with a Polygon or MultiPolygon: rings (n, 2), the outer one first, not closed.

    Raises
    ------
    ProjectError
        If it has another shape.
    """
    geometry = feature.get("geometry")
    kind = geometry.get("type") if isinstance(geometry, Mapping) else None
    points = geometry.get("coordinates") if isinstance(geometry, Mapping) else None
    if kind not in ("Polygon", "MultiPolygon"):
        raise _problem(file, label, "must be a Polygon or MultiPolygon", found=shown(kind))
    polygons = [points] if kind == "Polygon" else points
    if not isinstance(polygons, list) or not polygons or not all(isinstance(p, list) and p for p in polygons):
        raise _problem(file, label, "has no ring")
    return [[_open(_positions(file, label, ring)[:, :2]) for ring in polygon] for polygon in polygons]


def _open(ring: Array) -> Array:
    """A ring without its closing point."""
    return ring[:-1] if len(ring) > 1 and np.array_equal(ring[0], ring[-1]) else ring


def _positions(file: str, label: str, points: Any) -> Array:
    if not isinstance(points, list) or not points:
        raise _problem(file, label, "has no coordinates")
    lengths = set()
    for n, point in enumerate(points, start=1):
        if (
            not isinstance(point, list)
            or len(point) not in (2, 3)
            or any(isinstance(v, bool) or not isinstance(v, int | float) or not abs(v) <= 1e8 for v in point)
        ):
            raise _problem(
                file, label, f"point {n} is not a position", found=shown(point), allowed="[x, y] or [x, y, z] in m"
            )
        lengths.add(len(point))
    if len(lengths) > 1:
        raise _problem(file, label, "has heights at some points only", hint="give all points a height, or none")
    return np.array(points, dtype=np.float64)


def _problem(file: str, label: str, message: str, **more: str) -> ProjectError:
    return ProjectError([Problem(message, file, place=label, **more)])  # type: ignore[arg-type]


def _parse(text: str, file: str) -> Any:
    def refuse(constant: str) -> Any:
        raise ProjectError([Problem("holds a number that is not finite", file, found=constant)])

    try:
        return json.loads(text, parse_constant=refuse)
    except json.JSONDecodeError as error:
        line, column = position(text, error.pos)
        raise ProjectError(
            [
                Problem(
                    f"cannot be read as JSON: line {line}, column {column}",
                    file,
                    line,
                    column,
                    hint="is it GeoJSON text?",
                )
            ]
        ) from None
    except RecursionError:
        raise ProjectError([Problem("is nested too deeply", file)]) from None
    except ValueError:
        raise ProjectError([Problem("holds a number that is too long", file)]) from None


def feature_id(feature: Mapping[str, Any]) -> str | None:
    """The id of a feature, or its ``properties.id``."""
    properties = feature.get("properties")
    inner = properties.get("id") if isinstance(properties, Mapping) else None
    for value in (feature.get("id"), inner):
        if isinstance(value, str | int) and not isinstance(value, bool):
            return printable(str(value))
    return None


def named_system(root: Mapping[str, Any], file: str) -> int | None:
    """The EPSG number of an old-style ``crs`` member."""
    crs = root.get("crs")
    if crs is None:
        return None
    properties = crs.get("properties") if isinstance(crs, Mapping) else None
    name = properties.get("name") if isinstance(properties, Mapping) else None
    if isinstance(name, str):
        match = re.fullmatch(r"(?:urn:ogc:def:crs:)?EPSG:(?:[0-9.]*:)?(\d{4,6})", name)
        if match:
            return int(match[1])
        if "CRS84" in name:
            return 4326
    raise ProjectError(
        [
            Problem(
                "names a coordinate system that cannot be read",
                file,
                found=shown(name),
                allowed="urn:ogc:def:crs:EPSG::25832",
            )
        ]
    )

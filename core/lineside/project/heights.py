"""Heights at points and along lines, read from CSV and GeoJSON files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import PurePosixPath
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.geojson import feature_id, feature_list, named_system
from lineside.project.problems import Loc
from lineside.project.raster import HIGHEST_M, LOWEST_M
from lineside.project.resolve import Resolver
from lineside.project.terrain import PointsTerrain
from lineside.project.wording import number, shown

_MAX_PROBLEMS = 20
_SHAPES: Mapping[str, int] = {"Point": 0, "MultiPoint": 1, "LineString": 1, "MultiLineString": 2}


@dataclass(frozen=True, eq=False)
class HeightPart:
    """Points with heights, (n, 3); ``line``: they follow each other along a line. ``place`` and ``file_line`` say where
    they stand in the file."""

    xyz_m: Array
    file: str
    line: bool = False
    place: str = ""
    file_lines: tuple[int, ...] = ()

    @property
    def contour(self) -> bool:
        """Whether it is a line of one height."""
        return self.line and len(self.xyz_m) > 1 and bool(np.ptp(self.xyz_m[:, 2]) == 0.0)

    def problem(self, k: int, message: str, **more: Any) -> Problem:
        """A problem with point ``k``."""
        line = self.file_lines[k] if self.file_lines else None
        place = self.place or ("" if line is not None else f"point {k + 1}")
        return Problem(message, self.file, line, place=place, **more)


def read_heights(resolver: Resolver, given: PointsTerrain) -> list[HeightPart] | None:
    """All points and lines of the files; None, with the reasons reported, if one cannot be used."""
    out: list[HeightPart] = []
    sound = True
    for k, file in enumerate(given.files):
        path: Loc = ("site", "terrain", "files", k)
        if PurePosixPath(file).suffix.lower() in (".geojson", ".json"):
            parts = resolver.guarded(path, partial(_features, resolver, file, given.height_property))
        else:
            parts = _spots(resolver, path, file)
        if parts is not None and not sum(len(part.xyz_m) for part in parts):
            resolver.reporter.put(Problem("has no points with heights", file))
            parts = None
        sound = sound and parts is not None
        out += parts or []
    return out if sound else None


def _spots(resolver: Resolver, path: Loc, file: str) -> list[HeightPart] | None:
    columns = resolver.columns(path, file, ("x_m", "y_m", "z_m"))
    if columns is None:
        return None
    limits = ((-1e8, 1e8), (-1e8, 1e8), (LOWEST_M, HIGHEST_M))
    found = [resolver.numbers(columns, name, *limit) for name, limit in zip(("x_m", "y_m", "z_m"), limits, strict=True)]
    read = [values for values in found if values is not None]
    if len(read) < 3:
        return None
    return [HeightPart(np.stack(read, axis=1), file, file_lines=tuple(columns.lines))]


def _features(resolver: Resolver, file: str, height: str) -> list[HeightPart]:
    root, features = feature_list(resolver.folder.read(file), file)
    resolver.check_system(file, named_system(root, file))
    out: list[HeightPart] = []
    problems: list[Problem] = []
    for n, feature in enumerate(features, start=1):
        name = feature_id(feature)
        place = f"feature {shown(name)}" if name is not None else f"feature {n}"
        try:
            out += _parts(feature, file, place, height)
        except ProjectError as error:
            problems += error.problems
            if len(problems) >= _MAX_PROBLEMS:
                problems.append(Problem("more features have problems", file))
                break
    if problems:
        raise ProjectError(problems)
    return out


def _parts(feature: Mapping[str, Any], file: str, place: str, height: str) -> list[HeightPart]:
    geometry = feature.get("geometry")
    kind = geometry.get("type") if isinstance(geometry, Mapping) else None
    if not isinstance(kind, str) or kind not in _SHAPES:
        raise _error(file, place, "is no point or line", found=shown(kind), allowed=", ".join(_SHAPES))
    assert isinstance(geometry, Mapping)
    parts = geometry.get("coordinates")
    for _ in range(_SHAPES[kind], 2):
        parts = [parts]
    if not isinstance(parts, list):
        raise _error(file, place, "has no coordinates")
    properties = feature.get("properties")
    z = properties.get(height) if isinstance(properties, Mapping) else None
    return [
        HeightPart(_xyz(points, z, file, place, height), file, line=kind.endswith("LineString"), place=place)
        for points in parts
    ]


def _xyz(points: Any, z: Any, file: str, place: str, height: str) -> Array:
    """Points with heights, (n, 3): those of the property, else of the points themselves."""
    try:
        plain = all(type(v) in (int, float) for point in points for v in point)  # no text, true or false
        xyz = np.array(points if plain else (), dtype=np.float64)
    except (TypeError, ValueError, OverflowError):
        xyz = np.empty(0)
    if xyz.ndim != 2 or xyz.shape[1] not in (2, 3) or not np.all(np.abs(xyz) <= 1e8):
        raise _error(file, place, "has no sound coordinates", allowed="[x, y] or [x, y, z] in m, alike in all points")
    if isinstance(z, bool) or not isinstance(z, int | float | None):
        raise _error(file, place, f"its property {shown(height, quote=False)} is no number", found=shown(z))
    if z is None and xyz.shape[1] == 2:
        raise _error(
            file,
            place,
            "has no height",
            allowed=f"points [x, y, z], or a property {shown(height, quote=False)}",
            hint="site: terrain: height_property: names the property that holds the height",
        )
    heights = xyz[:, 2] if z is None else np.full(len(xyz), max(min(z, 1e9), -1e9))
    wrong = heights[~((heights >= LOWEST_M) & (heights <= HIGHEST_M))]
    if wrong.size:
        allowed = f"heights in m, {number(LOWEST_M)} to {number(HIGHEST_M)}"
        found = shown(float(wrong[0]) if z is None else z)
        raise _error(file, place, "has a height out of range", found=found, allowed=allowed)
    return np.column_stack([xyz[:, :2], heights])


def _error(file: str, place: str, message: str, **more: str) -> ProjectError:
    return ProjectError([Problem(message, file, place=place, **more)])  # type: ignore[arg-type]

"""Geometry, spectra and times of a project, read from where the project file says they stand."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.draft import Draft
from lineside.project.folder import FileProblem, ProjectFolder
from lineside.project.geojson import Features, read_features
from lineside.project.model import CsvAlignment, EpsgCoordinates, GeoJsonAlignment, Track, TrainTimes
from lineside.project.problems import Loc, Reporter
from lineside.project.tabular import Columns, read_columns
from lineside.project.wording import number, shown
from lineside.scene.alignment import Alignment, chainage_of
from lineside.scene.model import IntArray, Raster, Spectrum, Terrain
from lineside.scene.wind_rose import WindRose

if TYPE_CHECKING:
    from lineside.project.resolve_buildings import FoundBuilding

#: Chainage and geometry of an alignment may differ by this ratio.
CHAINAGE_TOLERANCE = 0.02
_SAME_POINT_M = 1e-3


@dataclass(frozen=True, eq=False)
class Points:
    """Points with the way back to where each one is written."""

    array: Array
    path: Loc
    file: str | None = None
    lines: Sequence[int] = ()
    feature: str = ""
    chainage_m: Array | None = None

    def report(self, reporter: Reporter, k: int, message: str, **more: Any) -> None:
        """Report a problem with point ``k`` (from 0)."""
        if self.file is None:
            reporter.add((*self.path, k), message, **more)
            return
        found = shown([float(v) for v in self.array[k]])
        place = f"feature {shown(self.feature)}, point {k + 1}" if self.feature else f"point {k + 1}"
        line = self.lines[k] if len(self.lines) else None
        reporter.put(Problem(message, self.file, line, place=place, found=found, **more))


@dataclass(eq=False)
class Resolved:
    """What was read, by index in the project file's lists."""

    points: dict[int, Points] = field(default_factory=dict)
    alignments: dict[int, Alignment] = field(default_factory=dict)
    polygons: dict[int, Points] = field(default_factory=dict)
    lines: dict[int, Points] = field(default_factory=dict)
    spectra: dict[int, Spectrum] = field(default_factory=dict)
    times: dict[int, IntArray] = field(default_factory=dict)
    outlines: dict[tuple[int, int], Points] = field(default_factory=dict)  # by state of the water and outline
    buildings: list[FoundBuilding] = field(default_factory=list)
    raster: Raster | None = None  # heights around the site, in the project's coordinates, without gaps
    terrain: Terrain | None = None  # with those earthworks that are sound, in the project's coordinates
    weather: tuple[Array, Array] | None = None  # hours of rain and humidity, each (12, n_periods)
    wind_rose: WindRose | None = None


class Resolver:
    """Reads the files that a draft names; every problem goes to the draft's reporter."""

    def __init__(self, draft: Draft, folder: ProjectFolder) -> None:
        self.draft, self.folder, self.reporter = draft, folder, draft.reporter
        self._features: dict[str, Features | None] = {}

    def resolve(self) -> Resolved:
        """Read everything but spectra, the wind rose and conditions, which have files of their own."""
        result = Resolved()
        for i, track in self.draft.readable("tracks").items():
            points = self._track_points(i, track)
            if points is not None:
                result.points[i] = points
                alignment = self._alignment(points, track.alignment.start_chainage_m)
                if alignment is not None:
                    result.alignments[i] = alignment
        for i, area in self.draft.readable("ground_areas").items():
            found = self.shape(("ground_areas", i), area.polygon, "polygon", area.file, area.feature, "Polygon")
            if found is not None:
                result.polygons[i] = found
        for i, barrier in self.draft.readable("barriers").items():
            found = self.shape(("barriers", i), barrier.line, "line", barrier.file, barrier.feature, "LineString")
            if found is not None:
                result.lines[i] = found
        for i, service in self.draft.readable("services").items():
            if isinstance(service.trains, TrainTimes):
                times = self._times(("services", i, "trains"), service.trains)
                if times is not None:
                    result.times[i] = times
        return result

    def columns(self, path: Loc, name: str, required: Sequence[str], optional: Sequence[str] = ()) -> Columns | None:
        """A CSV file named at a path; None, with the reason reported, if it cannot be used."""
        columns = self.guarded(path, lambda: read_columns(self.folder.read(name), name, required, optional))
        for warning in columns.warnings if columns is not None else ():
            self.reporter.put(warning)
        return columns

    def numbers(self, columns: Columns, name: str, low: float, high: float) -> Array | None:
        """A column of numbers; None, with the reasons reported, if one is not."""
        return self.guarded((), lambda: columns.numbers(name, low, high))

    def guarded(self, path: Loc, read: Callable[[], Any]) -> Any:
        """What a function reads; None, with the reason reported, if it cannot."""
        try:
            return read()
        except FileProblem as problem:
            self.reporter.add(path, problem.message, allowed=problem.allowed, hint=problem.hint)
        except ProjectError as error:
            for problem_found in error.problems:
                self.reporter.put(problem_found)
        return None

    def _track_points(self, i: int, track: Track) -> Points | None:
        given = track.alignment
        path: Loc = ("tracks", i, "alignment")
        if isinstance(given, CsvAlignment):
            return self._csv_points(path, given)
        if isinstance(given, GeoJsonAlignment):
            return self._geojson_points(path, given)
        return Points(np.array(given.points, dtype=np.float64), (*path, "points"))

    def _csv_points(self, path: Loc, given: CsvAlignment) -> Points | None:
        columns = self.columns((*path, "file"), given.file, ("x_m", "y_m", "z_m"), ("chainage_m",))
        if columns is None:
            return None
        if len(columns.lines) < 2:
            self.reporter.put(Problem("has one point only", given.file, allowed="at least two rows"))
            return None
        wanted = ["x_m", "y_m", "z_m"] + (["chainage_m"] if "chainage_m" in columns else [])
        limits = {"z_m": (-1000.0, 9000.0), "chainage_m": (-1e7, 1e7)}
        found = [self.numbers(columns, name, *limits.get(name, (-1e8, 1e8))) for name in wanted]
        read = [values for values in found if values is not None]
        if len(read) < len(wanted):
            return None
        if "chainage_m" in columns and "start_chainage_m" in given.model_fields_set:
            self.reporter.warn((*path, "start_chainage_m"), f"has no effect, as {given.file} has a column chainage_m")
        return Points(
            np.stack(read[:3], axis=1), path, given.file, columns.lines, chainage_m=read[3] if len(read) > 3 else None
        )

    def _geojson_points(self, path: Loc, given: GeoJsonAlignment) -> Points | None:
        found = self._feature(path, given.file, given.feature, "LineString")
        if found is None:
            return None
        if len(found) < 2:
            self.reporter.add((*path, "feature"), "has one point only", allowed="at least two points")
            return None
        if found.shape[1] == 2:
            if given.z_m is None:
                self.reporter.add(
                    (*path, "z_m"),
                    "z_m is missing, as the points of the feature have no height",
                    found="",
                    of_key=True,
                    allowed="level of the rail head in m",
                )
                return None
            found = np.column_stack([found, np.full(len(found), given.z_m)])
        return Points(found, path, given.file, feature=given.feature)

    def _alignment(self, points: Points, start_m: float) -> Alignment | None:
        step = np.linalg.norm(np.diff(points.array[:, :2], axis=0), axis=1)
        same = np.flatnonzero(step < _SAME_POINT_M)
        for k in same[:3]:
            points.report(self.reporter, int(k) + 1, "lies on the point before it", hint="remove one of the two points")
        if same.size:
            return None
        if points.chainage_m is None:
            return Alignment(chainage_of(points.array, start_m), points.array)
        rise = np.diff(points.chainage_m)
        wrong = np.flatnonzero(rise <= 0)
        for k in wrong[:3]:
            points.report(
                self.reporter,
                int(k) + 1,
                f"chainage {number(points.chainage_m[k + 1])} m does not rise: "
                f"the point before has {number(points.chainage_m[k])} m",
                hint="order the points by chainage" if wrong.size < rise.size else "reverse the order of the points",
            )
        if wrong.size:
            return None
        off = np.flatnonzero(np.abs(rise - step) > np.maximum(CHAINAGE_TOLERANCE * step, 0.5))
        for k in off[:3]:
            points.report(
                self.reporter,
                int(k) + 1,
                f"chainage grows by {number(rise[k])} m from the point before, "
                f"but the points are {number(round(float(step[k]), 2))} m apart in plan",
                allowed="chainage and distance equal within 2 %",
            )
        return None if off.size else Alignment(points.chainage_m, points.array)

    def shape(
        self,
        path: Loc,
        inline: Sequence[Sequence[float]] | None,
        key: str,
        file: str | None,
        feature: str | None,
        kind: str,
    ) -> Points | None:
        """A line or an outline, inline or from a file; None, with the reason reported, if it cannot be used."""
        if inline is not None:
            return Points(np.array(inline, dtype=np.float64), (*path, key))
        assert file is not None and feature is not None
        found = self._feature(path, file, feature, kind)
        if found is None:
            return None
        least = 3 if kind == "Polygon" else 2
        if len(found) < least:
            self.reporter.add((*path, "feature"), "has too few points", allowed=f"at least {least} different points")
            return None
        return Points(found[:, :2], path, file, feature=feature)

    def polygons(self, path: Loc, file: str, feature: str) -> list[list[Array]] | None:
        """Polygons of a feature, rings with the outer one first; None, with the reason reported, if there are none."""
        features = self._features_with(path, file, feature)
        if features is None:
            return None
        found: list[list[Array]] | None = self.guarded((*path, "feature"), lambda: features.polygons(feature))
        return found

    def _feature(self, path: Loc, file: str, feature: str, kind: str) -> Array | None:
        features = self._features_with(path, file, feature)
        if features is None:
            return None
        array: Array | None = self.guarded((*path, "feature"), lambda: features.coordinates(feature, kind))
        return array

    def _features_with(self, path: Loc, file: str, feature: str) -> Features | None:
        """The features of a file if one with an id is among them."""
        if file not in self._features:
            found = self.guarded((*path, "file"), lambda: read_features(self.folder.read(file), file))
            self._features[file] = found
            if found is not None:
                self.check_system(file, found.epsg)
        features = self._features[file]
        if features is None:
            return None
        if feature not in features.by_id:
            message, allowed, hint = features.unknown(feature)
            self.reporter.add((*path, "feature"), message, allowed=allowed, hint=hint)
            return None
        return features

    def check_system(self, file: str, epsg: int | None, other: str = "") -> None:
        """Compare the coordinate system that a file names with the project's; ``other``: one without EPSG number."""
        site = self.draft.site
        if site is None or (epsg is None and not other):
            return
        if not isinstance(site.coordinates, EpsgCoordinates):
            self.reporter.put(
                Problem(
                    f"names {f'EPSG:{epsg}' if epsg is not None else shown(other)}, "
                    "while the project's coordinates are local",
                    file,
                    hint="site: coordinates: {kind: epsg, code: ...} if they are the same",
                    severity="warning",
                )
            )
        elif epsg != site.coordinates.code:
            self.reporter.put(
                Problem(
                    "has another coordinate system than the project",
                    file,
                    found=f"EPSG:{epsg}" if epsg is not None else shown(other),
                    allowed=f"EPSG:{site.coordinates.code}",
                    hint="transform the file",
                )
            )

    def _times(self, path: Loc, given: TrainTimes) -> IntArray | None:
        """Minutes since midnight."""
        if given.times is not None:
            texts: Sequence[str] = given.times
            lines: Sequence[int] = ()
        else:
            assert given.file is not None
            columns = self.columns((*path, "file"), given.file, ("time",))
            if columns is None:
                return None
            texts, lines = columns.text["time"], columns.lines
        minutes = np.empty(len(texts), dtype=np.int64)
        faults = 0
        for k, text in enumerate(texts):
            match = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)(?::[0-5]\d)?", text.strip(), re.ASCII)
            if match:
                minutes[k] = 60 * int(match[1]) + int(match[2])
                continue
            faults += 1
            if faults > 10:
                continue
            message, allowed = "is not a time of day", "HH:MM from 00:00 to 23:59"
            if given.times is not None:
                self.reporter.add((*path, "times", k), message, allowed=allowed)
            else:
                self.reporter.put(Problem(message, given.file or "", lines[k], found=shown(text), allowed=allowed))
        if faults:
            return None
        self._report_doubled(path, given, texts, lines)
        return minutes

    def _report_doubled(self, path: Loc, given: TrainTimes, texts: Sequence[str], lines: Sequence[int]) -> None:
        """Warn of times that stand twice: the first few of them."""
        first: dict[str, int] = {}
        clock = [text.strip().rjust(5, "0") if text.strip().count(":") == 1 else text.strip() for text in texts]
        doubled = [k for k, time in enumerate(clock) if first.setdefault(time, k) != k]
        hint = "two trains at one time of day? each entry is one train on an average day"
        for k in doubled[:5]:
            message = f"the time {clock[k]} stands twice"
            if given.times is not None:
                self.reporter.warn((*path, "times", k), message, hint=hint)
            else:
                self.reporter.put(Problem(message, given.file or "", lines[k], hint=hint, severity="warning"))

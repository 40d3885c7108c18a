"""Buildings of a project, from the project file and from layers, with sound footprints that do not overlap."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any, get_args

import numpy as np

from lineside.errors import Problem
from lineside.project.buildings import FLOOR_M, Building, BuildingFile, BuildingUse, FacadeReceivers
from lineside.project.draft import Draft
from lineside.project.footprints import (
    FootprintProblem,
    LoadedBuilding,
    footprint,
    outlines,
    simple_rings,
    tidy,
)
from lineside.project.layers import Layer, LayerFeature, Rings, read_layer
from lineside.project.problems import Loc, Reporter
from lineside.project.resolve import Resolved, Resolver
from lineside.project.wording import did_you_mean, names, number, printable, shown
from lineside.scene.terrain import raster_height

#: An overlap up to this is a matter of drawing; all such ones are told in one line. [m2]
SMALL_OVERLAP_M2 = 0.5
#: A building of which no more than this is clear of taller ones lies inside them.
INSIDE_RATIO = 0.1
#: Pairs of buildings that touch or overlap, for each building on average: more are no town, and take long.
MAX_PAIRS = 20
_MAX_PROBLEMS = 20
#: Buildings of which neighbours are looked for at a time.
_BLOCK = 200
_USES: tuple[str, ...] = get_args(BuildingUse)


@dataclass(frozen=True, eq=False)
class FoundBuilding:
    """A building with the way back to where it is written; ``shape``: its footprint (shapely)."""

    data: LoadedBuilding
    shape: Any
    path: Loc
    file: str | None = None
    label: str = ""

    def report(self, reporter: Reporter, message: str, key: str = "", **more: Any) -> None:
        """Report a problem with it; ``key``: of which of its keys, if it stands in the project file."""
        if self.file is None:
            more.setdefault("found", None if key else "")
            reporter.add((*self.path, key) if key else self.path, message, **more)
        else:
            reporter.put(Problem(message, self.file, place=self.label, **more))


def resolve_buildings(resolver: Resolver, resolved: Resolved) -> None:
    """Read all buildings; every problem goes to the reporter."""
    resolved.buildings = [*_inline(resolver), *_from_layers(resolver)]
    _check_ids(resolver.reporter, resolved.buildings)


def keep_apart(resolver: Resolver, resolved: Resolved) -> None:
    """Clear footprints of each other, once the terrain is known, and cut them into rings."""
    base = [base_m(resolver.draft, resolved, b) for b in resolved.buildings]
    top = [z + rise_m(b.data, z) for z, b in zip(base, resolved.buildings, strict=True)]
    resolved.buildings = [
        replace(b, data=replace(b.data, parts=simple_rings(b.shape), outlines=outlines(b.shape)))
        for b in _apart(resolver.reporter, resolved.buildings, top)
    ]


def base_m(draft: Draft, resolved: Resolved, building: FoundBuilding) -> float:
    """The lowest ground at the corners of a building, earthworks left aside. [m]"""
    from shapely import get_coordinates

    if resolved.raster is None:
        return draft.site.ground_level_m if draft.site is not None else 0.0
    return float(raster_height(resolved.raster, get_coordinates(building.shape)).min())


def selected(entry: FacadeReceivers, building: LoadedBuilding) -> bool:
    """Whether an entry asks for receivers at a building."""
    named = entry.buildings == "all" or building.id in entry.buildings
    return named and (entry.uses is None or building.use in entry.uses)


def _inline(resolver: Resolver) -> Iterator[FoundBuilding]:
    draft = resolver.draft
    for i, entry in draft.readable("buildings").items():
        path: Loc = ("buildings", i)
        _check_height(resolver, path, entry)
        if entry.polygon is not None:
            polygons: list[Rings] | None = [[np.array(entry.polygon, dtype=np.float64)]]
            where: Loc = (*path, "polygon")
        else:
            polygons, where = resolver.polygons(path, entry.file, entry.feature), (*path, "feature")
        if polygons is None:
            continue
        try:
            shape, repair = footprint(polygons)
        except FootprintProblem as problem:
            resolver.reporter.add(where, problem.message, hint=problem.hint)
            continue
        if repair:
            resolver.reporter.warn(where, f"{repair}; it was repaired", hint="correct the corners")
        yield FoundBuilding(_loaded(entry), shape, path)


def _check_height(resolver: Resolver, path: Loc, entry: Building) -> None:
    given = [k for k in ("height_m", "top_z_m") if getattr(entry, k) is not None]
    if len(given) == 2:
        resolver.reporter.add((*path, "top_z_m"), "stands beside height_m", hint="give one of the two")
    elif not given and entry.floors is None and not resolver.draft.faulty(*path):
        resolver.reporter.add(
            (*path, "height_m"),
            "height_m is missing",
            found="",
            of_key=True,
            allowed="height_m, top_z_m or floors",
            hint="the height decides what the building screens",
        )


def _loaded(entry: Building) -> LoadedBuilding:
    return LoadedBuilding(
        id=entry.id,
        name=entry.name or entry.id,
        parts=(),
        outlines=(),
        height_m=entry.height_m,
        top_z_m=entry.top_z_m,
        floors=entry.floors,
        absorption=_octaves(entry.absorption),
        use=entry.use,
        area=entry.area,
        dwellings=entry.dwellings,
        persons=entry.persons,
        one_facade=entry.dwelling_facades == "one",
    )


def _octaves(absorption: float | tuple[float, ...]) -> np.ndarray:
    return np.broadcast_to(np.array(absorption, dtype=np.float64), 8).copy()


def _from_layers(resolver: Resolver) -> Iterator[FoundBuilding]:
    for i, entry in resolver.draft.readable("building_files").items():
        path: Loc = ("building_files", i)
        layer = _layer(resolver, path, entry)
        if layer is None:
            continue
        resolver.check_system(layer.file, layer.epsg, layer.other_system)
        if _check_attributes(resolver.reporter, path, entry, layer):
            yield from _Reader(resolver.reporter, path, entry, layer).buildings()


def _layer(resolver: Resolver, path: Loc, entry: BuildingFile) -> Layer | None:
    def read() -> Layer:
        return read_layer(resolver.folder.read(entry.file), entry.file, entry.layer)

    found: Layer | None = resolver.guarded((*path, "file"), read)
    return found


def _check_attributes(reporter: Reporter, path: Loc, entry: BuildingFile, layer: Layer) -> bool:
    sound = True
    for key, value in entry:
        if key.endswith("_attribute") and value is not None and value not in layer.attributes:
            reporter.add(
                (*path, key),
                f"the layer has no such attribute: {shown(value)}",
                allowed=names(layer.attributes),
                hint=did_you_mean(value, layer.attributes),
            )
            sound = False
    return sound


class _Reader:
    """Makes buildings of the features of one layer; problems of one kind are told a few times, then counted."""

    def __init__(self, reporter: Reporter, path: Loc, entry: BuildingFile, layer: Layer) -> None:
        self.reporter, self.path, self.entry, self.layer = reporter, path, entry, layer
        self._told: dict[str, int] = {}

    def buildings(self) -> Iterator[FoundBuilding]:
        """All sound ones."""
        unknown: dict[str, int] = {}
        for feature in self.layer.features:
            try:
                shape, repair = footprint(feature.polygons)
            except FootprintProblem as problem:
                self._put(feature, problem.message, hint=problem.hint)
                continue
            if repair:
                self._put(feature, f"{repair}; it was repaired", severity="warning")
            data = self._data(feature, unknown)
            if data is not None:
                label = f"{feature.label} ({shown(data.id, quote=False)})"
                yield FoundBuilding(data, shape, (*self.path, "file"), self.layer.file, label)
        for kind, n in self._told.items():
            if n > _MAX_PROBLEMS:
                message = f"{n - _MAX_PROBLEMS} more features have a problem of this kind: {kind}"
                self.reporter.put(Problem(message, self.layer.file))
        for word, n in sorted(unknown.items(), key=lambda item: -item[1])[:_MAX_PROBLEMS]:
            self.reporter.warn(
                (*self.path, "uses"),
                f"does not say what {shown(word)} is; {n} buildings of that kind are taken as {self.entry.use}",
                allowed=f"uses: {{{shown(word)}: {' or '.join(_USES)}}}",
                found="",
            )

    def _put(self, feature: LayerFeature, message: str, kind: str = "", **more: Any) -> None:
        kind = kind or message.partition(" near")[0]
        self._told[kind] = self._told.get(kind, 0) + 1
        if self._told[kind] <= _MAX_PROBLEMS:
            self.reporter.put(Problem(message, self.layer.file, place=feature.label, **more))

    def _data(self, feature: LayerFeature, unknown: dict[str, int]) -> LoadedBuilding | None:
        entry = self.entry
        numbers = {
            key: self._number(feature, getattr(entry, f"{key}_attribute"), low, high, above)
            for key, low, high, above in (
                ("height", 0.0, 1000.0, True),
                ("top_z", -1000.0, 9000.0, False),
                ("floors", 1.0, 300.0, False),
                ("absorption", 0.0, 0.999, False),
                ("dwellings", 0.0, 1e5, False),
                ("persons", 0.0, 1e6, False),
            )
        }
        if any(isinstance(v, float) and math.isnan(v) for v in numbers.values()):
            return None
        height, top, floors = numbers["height"], numbers["top_z"], numbers["floors"]
        if height is not None:
            top = None
        elif top is None and floors is None:
            height = entry.height_m
            if height is None:
                self._put(
                    feature,
                    "has no height and no number of floors",
                    hint="height_m in building_files gives those without a height of their own",
                )
                return None
        absorbed = numbers["absorption"]
        return LoadedBuilding(
            id=self._text(feature, entry.id_attribute) or feature.id or f"{entry.id}-{feature.number}",
            name=self._text(feature, entry.name_attribute),
            parts=(),
            outlines=(),
            height_m=height,
            top_z_m=top,
            floors=None if floors is None else max(1, round(floors)),
            absorption=_octaves(entry.absorption if absorbed is None else absorbed),
            use=self._use(feature, unknown),
            area=entry.area,
            dwellings=numbers["dwellings"] or 0.0,
            persons=numbers["persons"] or 0.0,
            one_facade=False,
            layer=entry.id,
        )

    def _use(self, feature: LayerFeature, unknown: dict[str, int]) -> str:
        word = self._text(feature, self.entry.use_attribute)
        if not word:
            return self.entry.use
        found = self.entry.uses.get(word) or (word if word in _USES else None)
        if found is None:
            unknown[word] = unknown.get(word, 0) + 1
        return found or self.entry.use

    def _text(self, feature: LayerFeature, attribute: str | None) -> str:
        value = feature.attributes.get(attribute) if attribute is not None else None
        if value is None or isinstance(value, bytes | Mapping | list):
            return ""
        return printable(" ".join(str(value).split()))[:60]

    def _number(
        self, feature: LayerFeature, attribute: str | None, low: float, high: float, above: bool
    ) -> float | None:
        """A number of an attribute; None where there is none, nan (reported) where it is not one in the range."""
        value = feature.attributes.get(attribute) if attribute is not None else None
        if value is None or value == "":
            return None
        try:
            found = float(value) if not isinstance(value, bool | bytes) else math.nan
        except (TypeError, ValueError, OverflowError):
            found = math.nan
        if (found > low if above else found >= low) and found <= high:
            return found
        allowed = f"a number, {'above ' if above else ''}{number(low)} to {number(high)}"
        message = f"attribute {shown(attribute, quote=False)} is not a number in the range"
        self._put(feature, message, found=shown(value), allowed=allowed)
        return math.nan


def _check_ids(reporter: Reporter, found: list[FoundBuilding]) -> None:
    first: dict[str, FoundBuilding] = {}
    for building in found:
        other = first.setdefault(building.data.id, building)
        if other is building or building.file is None:  # two in the project file are told by the check of ids
            continue
        where = f"in {other.file}" if other.file is not None else "in the project file"
        building.report(
            reporter,
            f"two buildings have the id {shown(building.data.id)}",
            hint=f"the other one stands {where}; name an id_attribute without doubles",
        )


def rise_m(building: LoadedBuilding, ground_m: float) -> float:
    """Height above a level of the ground: as given, from the top, or from the floors. [m]"""
    if building.height_m is not None:
        return building.height_m
    if building.top_z_m is not None:
        return building.top_z_m - ground_m
    return FLOOR_M * (building.floors or 1)


def _apart(reporter: Reporter, found: list[FoundBuilding], top_m: list[float]) -> list[FoundBuilding]:
    """Footprints without overlap: what two buildings share belongs to the taller one, or the earlier of equal ones."""
    from shapely import STRtree, unary_union

    if len(found) < 2:
        return found
    order = sorted(range(len(found)), key=lambda k: (-top_m[k], k))
    rank = {k: place for place, k in enumerate(order)}
    shapes = [b.shape for b in found]
    tree = STRtree(shapes)
    taller: dict[int, list[int]] = {}
    n_pairs = 0
    for start in range(0, len(found), _BLOCK):
        for of, b in tree.query(shapes[start : start + _BLOCK], predicate="intersects").T.tolist():
            a = start + of
            if rank[b] < rank[a]:
                taller.setdefault(a, []).append(b)
                n_pairs += 1
        if n_pairs > MAX_PAIRS * len(found):
            worst = max(taller, key=lambda k: len(taller[k]))
            found[worst].report(
                reporter,
                f"touches or overlaps {len(taller[worst])} others, and all {len(found)} buildings do so more than "
                f"{n_pairs - 1} times",
                allowed=f"up to {MAX_PAIRS} times for each building on average",
                hint="is every building there once, and are their outlines their own?",
            )
            return found
    out = list(found)
    small, told, inside = 0, 0, 0
    lost: set[int] = set()
    tell: Callable[..., None]
    for k in order:
        building, others = found[k], [j for j in taller.get(k, []) if j not in lost]
        shared = {j: building.shape.intersection(out[j].shape).area for j in others}
        shared = {j: area for j, area in shared.items() if area > 1e-9}
        if not shared:
            continue
        clear = building.shape.difference(unary_union([out[j].shape for j in shared]))
        most = max(shared, key=lambda j: shared[j])
        tell = building.report
        if clear.area <= INSIDE_RATIO * building.shape.area:
            share = 100 * (1 - clear.area / building.shape.area)
            inside += 1
            if inside <= _MAX_PROBLEMS:
                tell(
                    reporter,
                    f"lies inside {shown(found[most].data.id)}: {share:.0f} % of it are covered by taller or equal "
                    "ones",
                    hint="remove one of the two",
                )
            lost.add(k)
            continue
        out[k] = replace(building, shape=tidy(clear))
        large = {j: area for j, area in shared.items() if area > SMALL_OVERLAP_M2}
        small += len(shared) - len(large)
        for j, area in large.items():
            told += 1
            if told <= _MAX_PROBLEMS:
                tell(
                    reporter,
                    f"overlaps {shown(found[j].data.id)} by {number(round(area, 1))} m²; this part counts to "
                    f"{shown(found[j].data.id)}, which is taller or comes first",
                    severity="warning",
                )
    _tell_rest(reporter, small, told - _MAX_PROBLEMS)
    if inside > _MAX_PROBLEMS:
        message = f"{inside - _MAX_PROBLEMS} more buildings lie inside others"
        reporter.put(Problem(message, reporter.document.file, hint="remove one of each two"))
    return [b for k, b in enumerate(out) if k not in lost]


def _tell_rest(reporter: Reporter, small: int, more: int) -> None:
    what = []
    if more > 0:
        what.append(f"{more} more pairs of buildings overlap")
    if small > 0:
        what.append(f"{small} pairs of buildings overlap by up to {number(SMALL_OVERLAP_M2)} m²")
    if what:
        reporter.put(
            Problem(
                f"{'; '.join(what)}; what they share counts to the taller one",
                reporter.document.file,
                severity="warning",
            )
        )

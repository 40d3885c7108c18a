"""The place, the levels and the maps as layers of features, for geographic information systems."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from lineside.results.contours import Band, as_array, level_edges
from lineside.results.maps import footprint, map_bands
from lineside.results.model import Finding, MapResult, ReceiverResult, Results

if TYPE_CHECKING:
    from shapely import Geometry

Kind = Literal["POINT", "LINESTRING", "POLYGON", "MULTIPOLYGON"]
Value = str | float | int | None
Types = type[str] | type[float] | type[int]

#: What the maps of the grid itself are called in the column ``map``.
GRID_MAP = "grid"
#: Decimals of levels, lengths and heights.
DIGITS = 2
#: The worst verdict first.
VERDICTS = ("above", "borderline", "well below", "not assessed")


@dataclass(frozen=True, eq=False)
class Layer:
    """Features of one kind: ``columns`` name -> type; ``rows``: shape (shapely, project coordinates) and values."""

    name: str
    meaning: str
    kind: Kind
    columns: Mapping[str, Types]
    rows: Sequence[tuple[Geometry, Mapping[str, Value]]]


#: Names of all layers, in their order.
LAYERS = (
    "tracks", "receivers", "facade_receivers", "contours", "differences", "conflicts", "sections", "buildings",
    "barriers", "earthworks", "banks", "ground_areas",
)  # fmt: skip


def layers(results: Results) -> list[Layer]:
    """All layers in a fixed order, those without features too."""
    make: tuple[Callable[[Results], Layer], ...] = (
        _tracks, _receivers, _facade_receivers, _contours, _differences, _conflicts, _sections, _buildings, _barriers,
        _earthworks, _banks, _ground,
    )  # fmt: skip
    return [f(results) for f in make]


def epsg_code(results: Results) -> int | None:
    """EPSG number of the project's coordinates; None for a local system."""
    system = results.site.coordinate_system
    return int(system.removeprefix("EPSG:")) if system.startswith("EPSG:") else None


def _layer(name: str, meaning: str, kind: Kind, columns: Mapping[str, Types], rows: list[Any]) -> Layer:
    for _, values in rows:
        assert list(values) == list(columns), name
    return Layer(name, meaning, kind, columns, [(shape, _rounded(values)) for shape, values in rows])


def _rounded(values: Mapping[str, Value]) -> dict[str, Value]:
    """Levels and lengths without digits that say nothing."""
    return {
        key: round(value, DIGITS) if isinstance(value, float) and key.endswith(("_db", "_m")) else value
        for key, value in values.items()
    }


def _tracks(results: Results) -> Layer:
    from shapely import LineString

    columns = {"id": str, "name": str, "kind": str, "from_m": float, "to_m": float}
    rows = [(LineString(t.xy), {key: getattr(t, key) for key in columns}) for t in results.site.tracks]
    return _layer("tracks", "Centre lines of the tracks", "LINESTRING", columns, rows)


def _receivers(results: Results) -> Layer:
    from shapely import Point

    own: dict[str, Types] = {
        "id": str, "name": str, "height_m": float, "use": str, "area": str, "dwellings": int, "persons": int,
        "nearest_track": str, "distance_m": float, "lden_db": float,
    }  # fmt: skip
    periods = {f"l{p.name}_db": p.name for p in results.periods}
    columns: dict[str, Types] = {**own, **dict.fromkeys((*periods, "z_m"), float)}
    columns |= {"verdict": str, "criterion": str, "limit": str, "over_limit_db": float}
    by_receiver: dict[str, list[Finding]] = {}
    for finding in results.findings:
        by_receiver.setdefault(finding.receiver, []).append(finding)
    rows = []
    for r in results.receivers:
        values: dict[str, Value] = {key: getattr(r, key) for key in own}
        values |= {**{column: r.period_db.get(name) for column, name in periods.items()}, "z_m": r.z}
        rows.append((Point(r.x, r.y), {**values, **_worst(r, by_receiver)}))
    return _layer("receivers", "Receivers with their levels and the worst comparison", "POINT", columns, rows)


def _facade_receivers(results: Results) -> Layer:
    from shapely import Point

    own: dict[str, Types] = {"id": str, "building": str, "facade": int, "floor": int, "height_m": float, "z_m": float}
    columns = {**own, "lden_db": float, **{f"l{p.name}_db": float for p in results.periods}}
    rows: list[Any] = []
    if results.facades is not None:
        found = results.facades.receivers
        levels = [found.lden_db, *(found.period_db[p.name] for p in results.periods)]
        lists = (found.id, found.building, found.facade, found.floor, found.height_m, found.z, *levels)
        for x, y, own_values in zip(found.x, found.y, zip(*lists, strict=True), strict=True):
            rows.append((Point(x, y), dict(zip(columns, own_values, strict=True))))
    meaning = "Receivers on facades with their levels, incident sound; floor 0: 4 m above the ground"
    return _layer("facade_receivers", meaning, "POINT", columns, rows)


def _worst(receiver: ReceiverResult, by_receiver: Mapping[str, list[Finding]]) -> dict[str, Value]:
    """The comparison that is worst: by its verdict, then by the difference from the limit."""
    found = by_receiver.get(receiver.id, [])
    if not found:
        return {"verdict": None, "criterion": None, "limit": None, "over_limit_db": None}
    over = {f.id: f.difference_db if f.difference_db is not None else float("-inf") for f in found}
    worst = min(found, key=lambda f: (VERDICTS.index(f.verdict), -over[f.id]))
    return {
        "verdict": worst.verdict,
        "criterion": worst.criterion,
        "limit": worst.label or None,
        "over_limit_db": worst.difference_db,
    }


_ABOUT: Mapping[str, Types] = {
    "map": str,
    "quantity": str,
    "window": str,
    "situation": str,
    "date": str,
    "measures": str,
}
_CLASS: Mapping[str, Types] = {"lower_db": float, "upper_db": float, "area_m2": float}


def _about(found: MapResult) -> dict[str, Value]:
    return {
        "map": found.id,
        "quantity": found.quantity,
        "window": found.window,
        "situation": found.situation.label,
        "date": found.situation.date,
        "measures": ", ".join(found.measures) or None,
    }


def _class(band: Band) -> dict[str, Value]:
    return {"lower_db": band.lower, "upper_db": band.upper, "area_m2": round(band.area_m2, 1)}


def _bands(results: Results, found: MapResult) -> list[Band]:
    """Classes of a map that are somewhere."""
    if results.grid is None or not found.edges_db:
        return []
    known = found.kind == "difference"
    areas = map_bands(results.grid, found.values_db, found.edges_db, results.site, known)
    return [band for band in areas if not band.shape.is_empty]


def _contours(results: Results) -> Layer:
    """Level maps: those of the grid itself, then those that the project asks for."""
    rows: list[Any] = []
    grid = results.grid
    for name, values in grid.levels_db.items() if grid is not None else ():
        levels = as_array(values)
        if grid is None or (levels == -float("inf")).all():
            continue
        quantity = name if name == "lden" else f"l{name}"
        situation = results.situation
        about = (GRID_MAP, quantity, None, situation.label, situation.date, None)
        for band in map_bands(grid, values, level_edges(levels).tolist(), results.site):
            if not band.shape.is_empty:
                rows.append((_multi(band.shape), {**dict(zip(_ABOUT, about, strict=True)), **_class(band)}))
    for found in (m for m in results.maps if m.kind == "levels"):
        rows += [(_multi(band.shape), {**_about(found), **_class(band)}) for band in _bands(results, found)]
    meaning = "Areas between contours of the level; map 'grid': in the situation of the report"
    return _layer("contours", meaning, "MULTIPOLYGON", {**_ABOUT, **_CLASS}, rows)


def _differences(results: Results) -> Layer:
    rows = [
        (
            _multi(band.shape),
            {
                **_about(found),
                "before": found.before.label if found.before is not None else None,
                "before_date": found.before.date if found.before is not None else None,
                **_class(band),
            },
        )
        for found in results.maps
        if found.kind == "difference"
        for band in _bands(results, found)
    ]
    columns = {**_ABOUT, "before": str, "before_date": str, **_CLASS}
    return _layer("differences", "Level in the situation minus level before", "MULTIPOLYGON", columns, rows)


def _conflicts(results: Results) -> Layer:
    """Areas above a limit, and those where it lies within the uncertainty."""
    rows = []
    for found in results.maps:
        limit = found.limit
        if found.kind != "conflict" or limit is None:
            continue
        for band in _bands(results, found):
            if band.lower is None:
                continue
            verdict = "above" if band.lower >= 0.0 else "borderline"
            compared: dict[str, Value] = {
                "criterion": limit.criterion,
                "use": limit.use,
                "area": limit.area,
                "limit": limit.label,
                "limit_db": limit.limit_db,
                "threshold_db": limit.threshold_db,
                "verdict": verdict,
            }
            rows.append((_multi(band.shape), {**_about(found), **compared, **_class(band)}))
    text = dict.fromkeys(("criterion", "use", "area", "limit"), str)
    columns: dict[str, Types] = {**_ABOUT, **text, "limit_db": float, "threshold_db": float, "verdict": str, **_CLASS}
    meaning = "Areas in which a level exceeds a threshold, by lower_db to upper_db, or is borderline"
    return _layer("conflicts", meaning, "MULTIPOLYGON", columns, rows)


def _sections(results: Results) -> Layer:
    from shapely import LineString

    rows = [
        (
            LineString(s.line),
            {
                "id": s.id,
                "name": s.name,
                "quantity": s.quantity,
                "window": s.window,
                "situation": s.situation.label,
                "date": s.situation.date,
            },
        )
        for s in results.sections
    ]
    columns = dict.fromkeys(("id", "name", "quantity", "window", "situation", "date"), str)
    return _layer("sections", "Lines of the vertical sections", "LINESTRING", columns, rows)


def _buildings(results: Results) -> Layer:
    own: dict[str, Types] = {
        "id": str, "name": str, "use": str, "height_m": float, "top_z_m": float, "floors": int, "dwellings": float,
        "persons": float,
    }  # fmt: skip
    highest = ("lden", *(p.name for p in results.periods))
    levels = {b.building: b.highest_db for b in results.facades.buildings} if results.facades is not None else {}
    columns: dict[str, Types] = {**own, **{f"highest_l{q.removeprefix('l')}_db": float for q in highest}}
    rows = [
        (
            _multi(footprint(b)),
            {
                **{key: getattr(b, key) for key in own},
                **{f"highest_l{q.removeprefix('l')}_db": levels.get(b.id, {}).get(q) for q in highest},
            },
        )
        for b in results.site.buildings
    ]
    meaning = "Footprints of buildings, with the highest level at receivers on their facades"
    return _layer("buildings", meaning, "MULTIPOLYGON", columns, rows)


def _barriers(results: Results) -> Layer:
    from shapely import LineString

    own: dict[str, Types] = {"id": str, "name": str, "height_m": float, "height_above": str, "surface": str}
    columns = {**own, "top_low_z_m": float, "top_high_z_m": float}
    rows = []
    for b in results.site.barriers:
        low, high = b.top_z_m if b.top_z_m is not None else (None, None)
        rows.append(
            (LineString(b.xy), {**{key: getattr(b, key) for key in own}, "top_low_z_m": low, "top_high_z_m": high})
        )
    meaning = "Walls and screens; top_low_z_m and top_high_z_m: lowest and highest level of the top"
    return _layer("barriers", meaning, "LINESTRING", columns, rows)


def _earthworks(results: Results) -> Layer:
    from shapely import Polygon

    columns: dict[str, Types] = {"id": str, "name": str, "kind": str, "from_m": float, "to_m": float}
    columns |= {"low_m": float, "high_m": float}
    rows = [(Polygon(e.xy), {key: getattr(e, key) for key in columns}) for e in results.site.earthworks]
    meaning = "Earthworks; low_m and high_m: lowest and highest edge above the ground, below it negative"
    return _layer("earthworks", meaning, "POLYGON", columns, rows)


def _banks(results: Results) -> Layer:
    from shapely import Polygon

    own: dict[str, Types] = {"id": str, "name": str, "height_m": float, "crest_width_m": float, "slope_ratio": float}
    columns = {**own, "top_low_z_m": float, "top_high_z_m": float}
    rows = [
        (
            Polygon(b.xy),
            {**{key: getattr(b, key) for key in own}, "top_low_z_m": b.top_z_m[0], "top_high_z_m": b.top_z_m[1]},
        )
        for b in results.site.banks
    ]
    meaning = "Earth banks; top_low_z_m and top_high_z_m: lowest and highest level of the crest"
    return _layer("banks", meaning, "POLYGON", columns, rows)


def _ground(results: Results) -> Layer:
    from shapely import Polygon

    columns: dict[str, Types] = {"id": str, "name": str, "surface": str, "g": float}
    rows = [(Polygon(a.xy), {key: getattr(a, key) for key in columns}) for a in results.site.ground]
    return _layer("ground_areas", "Ground areas; later ones lie on top of earlier ones", "POLYGON", columns, rows)


def _multi(shape: Geometry) -> Geometry:
    from shapely import MultiPolygon

    return shape if shape.geom_type == "MultiPolygon" else MultiPolygon([shape])

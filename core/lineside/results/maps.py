"""The maps and sections that a project asks for: what must be heard for them, and what they show."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import LimitCheck, Window
from lineside.engine.kept import Blocks
from lineside.engine.layers import Layers, Wanted, layers_of
from lineside.engine.option_run import Prepared, plan_with
from lineside.engine.option_states import other_way
from lineside.engine.plan import Plan
from lineside.engine.progress import Progress
from lineside.engine.sections import Cut, cut_through, heard_in_cut
from lineside.engine.select import Selection
from lineside.engine.situation import Situation, parse_situation
from lineside.errors import RequestError
from lineside.project.map_limits import limit_on_map, threshold_db, use_of, window_of
from lineside.project.maps import ConflictMap, DifferenceMap, LevelMap, Map, SectionMap
from lineside.results import model
from lineside.results.causes import situation
from lineside.results.contours import Band, as_array, bands, filled_in, level_edges, without
from lineside.results.describe import barrier_infos
from lineside.results.describe_terrain import bank_infos
from lineside.results.findings import window_text
from lineside.scene.model import Scene
from lineside.scene.terrain import ground_height

#: Borders of the classes of a difference, to both sides of none. [dB]
DIFFERENCE_STEPS_DB = (1.0, 3.0, 5.0, 10.0)
#: Borders of the classes above a limit; the highest one is open. [dB]
CONFLICT_STEPS_DB = (0.0, 5.0, 10.0, 15.0)
DIGITS = 2
#: Ground that a measure raises by less is as it was. [m]
SAME_GROUND_M = 0.05


@dataclass(frozen=True, eq=False)
class Request:
    """One entry of the project's maps; ``layer`` and ``before`` are indices into the layers, 0: that of the report."""

    wanted: LevelMap | DifferenceMap | ConflictMap | SectionMap
    situation: Situation
    layer: int
    before: tuple[Situation, int] | None = None
    limit: LimitCheck | None = None
    changed: Plan | None = None  # with the measures of the entry

    @property
    def window(self) -> Window | None:
        """Clock hours of laeq."""
        return window_of(self.wanted.quantity, self.wanted.from_hour, self.wanted.to_hour)


@dataclass(frozen=True, eq=False)
class MapPlan:
    """All requests, and what is heard for them; ``base`` is the plan of the project as it is."""

    requests: tuple[Request, ...]
    layers: Layers
    base: Plan

    @property
    def sections(self) -> list[Request]:
        """Those for vertical sections, in order."""
        return [r for r in self.requests if isinstance(r.wanted, SectionMap)]


def plan_maps(planned: Plan, selection: Selection, prepared: Prepared | None = None) -> MapPlan | None:
    """What the maps of a project need; None where it asks for none.

    Parameters
    ----------
    prepared : Prepared, optional
        The measures of the project, of which maps may show some.

    Raises
    ------
    RequestError
        If a situation names what the project does not have, a limit is not one of a map, or measures of one map do not
        go together.
    """
    loaded = planned.scenes.loaded
    if not loaded.project.maps:
        return None
    wanted: list[Wanted] = [Wanted(planned.situation)]

    def layer(of: Situation, window: Window | None, changed: Plan | None = None) -> int:
        for k, known in enumerate(wanted):
            same = (known.situation.date, known.situation.choices) == (of.date, of.choices)
            if same and known.window == window and known.changed is changed:
                return k
        own_way = changed is not None and other_way(changed.scenes.loaded.project, loaded.project)
        wanted.append(Wanted(of, window, changed, own_way))
        return len(wanted) - 1

    plans: dict[tuple[tuple[str, ...], dt.date], Plan] = {}

    def with_measures(entry: Map, of: Situation) -> Plan | None:
        if not entry.measures:
            return None
        key = (tuple(sorted(entry.measures)), of.date)
        if key not in plans:
            assert prepared is not None, "ids of measures were checked"
            found = prepared.with_measures(key[0], of.date)
            if isinstance(found, str):
                raise RequestError(f"map {entry.id!r}: its measures do not go together: {found}")
            plans[key] = plan_with(planned, found, prepared.selection_of(found))
        return plans[key]

    def meant(text: str | None) -> Situation:
        if text is None:
            return planned.situation
        return parse_situation(text, loaded, selection.propagation.states, planned.situation.date)

    requests = []
    for entry in loaded.project.maps:
        window = window_of(entry.quantity, entry.from_hour, entry.to_hour)
        own = meant(entry.to if isinstance(entry, DifferenceMap) else entry.at)
        before = (meant(entry.from_) if entry.from_ else own) if isinstance(entry, DifferenceMap) else None
        changed = with_measures(entry, own)
        requests.append(
            Request(
                wanted=entry,
                situation=own,
                layer=layer(own, window, changed),
                before=(before, layer(before, window)) if before is not None else None,
                limit=_limit(entry, selection) if isinstance(entry, ConflictMap) else None,
                changed=changed,
            )
        )
    return MapPlan(tuple(requests), layers_of(planned, wanted[1:]), planned)


def _limit(entry: ConflictMap, selection: Selection) -> LimitCheck:
    if entry.limit_db is not None:
        window = window_of(entry.quantity, entry.from_hour, entry.to_hour)
        return LimitCheck(f"{entry.quantity}_db", entry.limit_db, entry.name or "limit given with the map", window)
    criterion, options = next((c, o) for use_id, c, o in selection.criteria if use_id == entry.criterion)
    found = limit_on_map(entry, criterion.checks(use_of(entry), options))
    if isinstance(found, str):
        raise RequestError(f"map {entry.id!r}: criterion {entry.criterion!r} cannot be applied: {found}")
    return found


def level_db(energy: Array, quantity: str, periods: Sequence[str], hours: Array) -> Array:
    """Levels of a layer, (...), from its energies (n_periods, ...); silence is -inf."""
    if quantity == "lden":
        return to_db(lden_energy(np.moveaxis(energy, 0, -1), hours))
    if quantity == "laeq":
        return to_db(energy.sum(axis=0))
    return to_db(energy[periods.index(quantity.removeprefix("l"))])


def describe_maps(
    planned: MapPlan | None,
    grid: model.Grid | None,
    energy: Array | None,
    site: model.Site,
    periods: Sequence[str],
    hours: Array,
    expanded_db: float,
) -> list[model.MapResult]:
    """All maps on the grid.

    Parameters
    ----------
    energy : ndarray, (n_layers, n_periods, n_y, n_x)
        Of the layers of ``planned``.
    expanded_db : float
        Expanded uncertainty: so far below a limit a level is borderline.
    """
    if planned is None or grid is None or energy is None:
        return []
    out = []
    for request in planned.requests:
        entry = request.wanted
        if isinstance(entry, SectionMap):
            continue
        level = level_db(energy[request.layer], entry.quantity, periods, hours)
        limit = _described(request)
        if request.before is not None:
            before = level_db(energy[request.before[1]], entry.quantity, periods, hours)
            both = np.isfinite(level) & np.isfinite(before)
            level = np.where(both, np.where(both, level, 0.0) - np.where(both, before, 0.0), np.nan)
        if limit is not None:
            level = level - limit.threshold_db
        level = _beside_new_ground(level, request, planned.base, grid)
        values = rounded(level)
        shown = as_array(values, math.nan)
        edges = _edges(entry, shown, expanded_db)
        found = map_bands(grid, values, edges, site, known=isinstance(entry, DifferenceMap)) if edges else ()
        new_barriers, new_banks = _new(request, planned.base)
        out.append(
            model.MapResult(
                id=entry.id,
                name=entry.name,
                kind=entry.kind,
                quantity=entry.quantity,
                window=window_text(request.window),
                situation=situation(request.situation),
                before=situation(request.before[0]) if request.before is not None else None,
                limit=limit,
                measures=list(entry.measures),
                new_barriers=new_barriers,
                new_banks=new_banks,
                values_db=values,
                edges_db=edges,
                area_m2=[round(band.area_m2, 1) for band in found],
            )
        )
    return out


def _beside_new_ground(level: Array, request: Request, base: Plan, grid: model.Grid) -> Array:
    """Levels where a measure raises the ground below the points: those of the nearest points beside it."""
    if request.changed is None or request.changed.scenes.terrain is base.scenes.terrain:
        return level
    scene = base.built.scene
    xy = np.stack(np.meshgrid(np.array(grid.x), np.array(grid.y)), axis=-1).reshape(-1, 2) - np.array(scene.origin)
    raised = np.abs(ground_height(request.changed.built.scene, xy) - ground_height(scene, xy)) > SAME_GROUND_M
    if not raised.any() or raised.all():
        return level
    near = shapely.STRtree(shapely.points(xy[~raised])).nearest(shapely.points(xy[raised]))
    out = level.reshape(-1).copy()
    out[raised] = out[~raised][near]
    return out.reshape(level.shape)


def _new(request: Request, base: Plan) -> tuple[list[model.BarrierInfo], list[model.BankInfo]]:
    """Barriers and banks that the measures of a map add."""
    if request.changed is None:
        return [], []
    loaded, scene = request.changed.scenes.loaded, request.changed.built.scene
    before = base.scenes.loaded.project
    known = {b.id for b in before.barriers} | {b.id for b in before.banks}
    barriers = [b for b in barrier_infos(loaded, scene) if b.id not in known]
    return barriers, [b for b in bank_infos(loaded, scene) if b.id not in known]


def _described(request: Request) -> model.MapLimit | None:
    entry, check = request.wanted, request.limit
    if check is None or not isinstance(entry, ConflictMap):
        return None
    return model.MapLimit(
        criterion=entry.criterion,
        use=entry.use,
        area=entry.area,
        label=check.label,
        limit_db=check.limit_db,
        adjustment_db=check.adjustment_db,
        rounded_up=check.rounding == "up",
        threshold_db=threshold_db(check),
        without_tones=check.tone is not None,
        source=entry.source or "",
    )


def _edges(entry: LevelMap | DifferenceMap | ConflictMap, shown: Array, expanded_db: float) -> list[float]:
    """Borders of the classes; none where nothing is heard."""
    heard = shown[np.isfinite(shown)]
    if not heard.size:
        return []
    if isinstance(entry, DifferenceMap):
        largest = float(np.abs(heard).max())
        steps = [s for k, s in enumerate(DIFFERENCE_STEPS_DB) if k == 0 or largest > s]
        return [*(-s for s in reversed(steps)), *steps]
    if isinstance(entry, ConflictMap):
        steps = [s for k, s in enumerate(CONFLICT_STEPS_DB) if k < 1 or float(heard.max()) > s]
        return [*([-expanded_db] if expanded_db > 0 else []), *steps]
    return [float(e) for e in level_edges(shown)]


def map_bands(
    grid: model.Grid,
    values_db: Sequence[Sequence[model.Level]],
    edges_db: Sequence[float],
    site: model.Site,
    known: bool = False,
) -> tuple[Band, ...]:
    """The areas of the classes of a map, without the footprints of buildings.

    Up to a wall, contours go on as they do before it: values inside buildings, which are the lowest ones around,
    play no part.

    Parameters
    ----------
    known : bool
        A point without a value is one where nothing can be said; otherwise it is one without sound.
    """
    x, y = np.array(grid.x), np.array(grid.y)
    houses = footprints(site)
    values = as_array(values_db, math.nan if known else -math.inf)
    inside = np.zeros(values.shape, dtype=np.bool_)
    if not houses.is_empty:
        shapely.prepare(houses)
        inside = shapely.contains_xy(houses, *np.meshgrid(x, y))
    return without(bands(x, y, filled_in(values, inside), edges_db), houses)


def footprint(building: model.BuildingInfo) -> shapely.Geometry:
    """A building in plan, courtyards left open."""
    rings = [shapely.LinearRing(ring) for ring in building.rings]
    outer, inner = ([shapely.Polygon(r) for r in rings if r.is_ccw == side] for side in (True, False))
    return shapely.difference(shapely.union_all(outer), shapely.union_all(inner))


def footprints(site: model.Site) -> shapely.Geometry:
    """All buildings as one shape in plan."""
    return shapely.union_all([footprint(b) for b in site.buildings])


def rounded(values: Array) -> list[list[float | None]]:
    """Rows of values, rounded as those of the grid; None for what is no number."""
    return [[round(round(v, 3), DIGITS) if math.isfinite(v) else None for v in row] for row in values.tolist()]


def heard_sections(
    maps: MapPlan | None, planned: Plan, selection: Selection, progress: Progress, workers: int, blocks: Blocks
) -> list[tuple[Cut, Array]]:
    """The vertical sections that a project asks for, each with the energies of its situation."""
    asked = maps.sections if maps is not None else []
    cuts = [
        cut_through((r.changed or planned).built.scene, r.wanted) for r in asked if isinstance(r.wanted, SectionMap)
    ]
    begun = np.cumsum([0, *(cut.free.size for cut in cuts)])
    out = []
    for k, (request, cut) in enumerate(zip(asked, cuts, strict=True)):
        assert maps is not None

        def told(done: int, of: int, k: int = k) -> None:
            progress("sections", int(begun[k] + (begun[k + 1] - begun[k]) * done // of), int(begun[-1]))

        layer = maps.layers.only(request.layer)
        out.append((cut, heard_in_cut(cut, layer, selection, f"section-{k}", told, workers, blocks)))
    return out


def describe_sections(
    planned: MapPlan | None,
    cuts: Sequence[tuple[Cut, Array]],
    site: model.Site,
    scene: Scene,
    hours: Array,
) -> list[model.SectionResult]:
    """All vertical sections.

    Parameters
    ----------
    cuts : sequence of (Cut, ndarray)
        In the order of the requests, each with the energies of its layer, (n_periods, n_z, n_s).
    """
    out = []
    for request, (cut, energy) in zip(planned.sections if planned is not None else (), cuts, strict=True):
        entry = request.wanted
        assert isinstance(entry, SectionMap) and planned is not None
        barriers = (request.changed or planned.base).scenes.loaded.project.barriers
        values = rounded(level_db(energy, entry.quantity, scene.period_names, hours))
        shown = as_array(values, math.nan)
        out.append(
            model.SectionResult(
                id=entry.id,
                name=entry.name,
                quantity=entry.quantity,
                window=window_text(request.window),
                situation=situation(request.situation),
                measures=list(entry.measures),
                line=entry.line,
                distance_m=[round(float(v), 3) for v in cut.distance_m],
                ground_z_m=[round(float(v), 3) for v in cut.ground_z_m],
                surface_z_m=[round(float(v), 3) for v in cut.surface_z_m],
                height_m=[round(float(v), 3) for v in cut.height_m],
                levels_db=values,
                edges_db=[float(e) for e in level_edges(shown)] if np.isfinite(shown).any() else [],
                tracks=[
                    model.CutTrack(
                        track=scene.tracks[t.index].id, at_m=round(t.from_m, 3), rail_z_m=round(t.top_z_m, 3)
                    )
                    for t in cut.tracks
                ],
                barriers=[
                    model.CutBarrier(
                        id=barriers[b.index].id,
                        at_m=round(b.from_m, 3),
                        base_z_m=round(b.base_z_m, 3),
                        top_z_m=round(b.top_z_m, 3),
                        height_m=barriers[b.index].height_m,
                        height_above=barriers[b.index].height_above,
                    )
                    for b in cut.barriers
                ],
                buildings=[
                    model.CutBuilding(
                        id=scene.buildings.ids[b.index],
                        from_m=round(b.from_m, 3),
                        to_m=round(b.to_m, 3),
                        base_z_m=round(b.base_z_m, 3),
                        top_z_m=round(b.top_z_m, 3),
                    )
                    for b in cut.buildings
                ],
                decks=[
                    model.CutDeck(
                        distance_m=[round(float(v), 3) for v in deck[:, 0]],
                        z_m=[round(float(v), 3) for v in deck[:, 1]],
                    )
                    for deck in cut.decks
                ],
            )
        )
    return out

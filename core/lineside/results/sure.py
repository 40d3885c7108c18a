"""How sure levels are, as it stands in the results document, and chances that limits are exceeded."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import LimitCheck, Window
from lineside.engine.doubt_inputs import GROUPS, WEAR, Uncertain, exact_spectra, not_stated, uncertain_inputs
from lineside.engine.doubt_model import DoubtModel, transfer_to
from lineside.engine.draws import Response
from lineside.engine.plan import Plan
from lineside.engine.run import Computed
from lineside.engine.select import Selection, vocabulary_of
from lineside.engine.sure import Settings, Sure, how_sure
from lineside.plugins import Plugins
from lineside.results import sure_model
from lineside.results.facades import AtFacades, first_of_loudest
from lineside.results.findings import RESOLUTION_DB, Chance, Chances, Intervals, window_text
from lineside.results.ratings import effective_limit_db
from lineside.scene.model import BoolArray, Receivers

#: Buildings at whose loudest facade levels are drawn; more would cost more than they tell.
MAX_BUILDINGS = 40
#: Levels of which the shares of groups are told.
SHARED = ("lden", "night")
#: Bounds are told to this many digits, shares and chances to these.
DIGITS, SHARE_DIGITS = 2, 3
#: Groups without any range are only worth a word where they are inputs that everybody has.
_EXPECTED = tuple(g for g in GROUPS if g not in ("propagation", "squeal", WEAR, "other"))


@dataclass(frozen=True, eq=False)
class DrawnLevels:
    """Draws of levels with the model that made them; columns as in :class:`lineside.engine.sure.Sure`."""

    model: DoubtModel
    sure: Sure
    receivers: tuple[str, ...]
    columns: tuple[str, ...]
    facades: tuple[str, ...] = ()

    def levels(self, receiver: str, name: str) -> Array | None:
        """Draws of one level, (n_draws,); None: silence, or nothing is drawn for it."""
        if name in self.columns and receiver in self.facades:
            found = self.sure.more_db[:, self.facades.index(receiver), self.columns.index(name)]
            return found if found.any() else None
        if name not in self.columns or receiver not in self.receivers:
            return None
        r, k = self.receivers.index(receiver), self.columns.index(name)
        return self.sure.level_db[:, r, k] if self.sure.heard[r, k] else None


def draw_levels(
    planned: Plan,
    selection: Selection,
    computed: Computed,
    plugins: Plugins,
    windows: Sequence[Window],
    workers: int,
    at_facades: AtFacades | None = None,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> DrawnLevels | None:
    """Draw levels at the receivers, and at the loudest facades; None where the project wants no draws."""
    project, scene = planned.scenes.loaded.project, planned.built.scene
    wanted, wear = project.calculation.uncertainty, project.calculation.rail_state
    if not wanted.draws:
        return None
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    transfer, more, own = computed.receivers.transfer, None, set(windows)
    if at_facades is not None and len(at_facades.plan.points):
        more = loudest_facades(at_facades, hours)
        transfer = np.concatenate([transfer, transfer_to(planned.task, selection, more, workers)])
        own.update(at_facades.plan.windows)
    drawn_windows = tuple(sorted(own, key=lambda w: (w.from_hour, w.to_hour)))
    model = DoubtModel(
        planned=planned,
        selection=selection,
        plugins=plugins,
        vocabulary=vocabulary_of(plugins),
        transfer=transfer,
        windows=drawn_windows,
        more=more,
        wear_draws=wear.draws if wear is not None else 0,
        wear_seed=wear.seed if wear is not None else 1,
        workers=workers,
    )
    heights = np.array([r.height_m for r in project.receivers], dtype=np.float64)
    places = scene.receivers.xyz_m
    if more is not None:
        places = np.concatenate([places, more.xyz_m])
        heights = np.concatenate([heights, _heights(at_facades, more)])
    inputs = uncertain_inputs(model, nearest_track_m(planned, places), 0.5 * heights)
    settings = Settings(wanted.draws_up_to, wanted.settled_db, wanted.direct_draws, wanted.seed)
    columns = ("lden", *scene.period_names, *(str(window_text(w)) for w in drawn_windows))
    found = how_sure(model, inputs, hours, settings, progress)
    return DrawnLevels(model, found, scene.receivers.ids, columns, more.ids if more is not None else ())


def loudest_facades(found: AtFacades, hours: Array) -> Receivers:
    """The receiver with the highest Lden of each of the loudest buildings, in order of the buildings."""
    points, lden = found.plan.points, to_db(lden_energy(found.levels.period, hours))
    rows = []
    for building in np.unique(points.building).tolist():
        rows.append(first_of_loudest(lden, points.rows(building)))
    kept = sorted(sorted(rows, key=lambda row: -lden[row])[:MAX_BUILDINGS])
    all_of = points.receivers
    wall = None if all_of.wall is None else all_of.wall[kept]
    return Receivers(tuple(all_of.ids[k] for k in kept), all_of.xyz_m[kept], wall)


def _heights(found: AtFacades | None, receivers: Receivers) -> Array:
    """Heights of receivers on facades above the ground. [m]"""
    assert found is not None
    points = found.plan.points
    known = dict(zip(points.receivers.ids, points.height_m, strict=True))
    return np.array([known[name] for name in receivers.ids], dtype=np.float64)


def nearest_track_m(planned: Plan, xyz_m: Array) -> Array:
    """Plan distance of points to the nearest track, (n,). [m]"""
    lines = shapely.MultiLineString([t.xyz_m[:, :2] for t in planned.built.scene.tracks])
    return np.asarray(shapely.distance(lines, shapely.points(xyz_m[:, :2])))


def chances(drawn: DrawnLevels | None) -> Chances:
    """Chances of the checks of criteria."""

    def of(receiver: str, check: LimitCheck, tone_db: float) -> Chance | None:
        level = None if drawn is None else drawn.levels(receiver, column_of(check))
        return None if level is None else chance(level, check, tone_db)

    return of


def intervals(drawn: DrawnLevels | None) -> Intervals:
    """Intervals at receivers on facades."""

    def of(receiver: str) -> dict[str, tuple[float, float]]:
        out = {}
        for name in drawn.columns if drawn is not None and receiver in drawn.facades else ():
            level = drawn.levels(receiver, name) if drawn is not None else None
            if level is not None:
                low, high = np.quantile(level, (0.05, 0.95))
                out[name] = (round(float(low), DIGITS), round(float(high), DIGITS))
        return out

    return of


def chance(level_db: Array, check: LimitCheck, tone_db: float) -> Chance:
    """Of draws of a level, (n_draws,), against a limit with its adjustments and its rounding."""
    above = level_db + check.adjustment_db + tone_db > effective_limit_db(check) + RESOLUTION_DB
    low, high = np.quantile(level_db, (0.05, 0.95))
    return Chance(round(float(low), DIGITS), round(float(high), DIGITS), round(float(above.mean()), SHARE_DIGITS))


def column_of(check: LimitCheck) -> str:
    """Name of the column that a check compares."""
    if check.window is not None:
        return str(window_text(check.window))
    name = check.quantity.removesuffix("_db")
    return name if name in ("lden", "lafmax") else name.removeprefix("l")


def describe_sure(drawn: DrawnLevels) -> sure_model.Sure:
    """The part of the results document."""
    sure, model = drawn.sure, drawn.model
    some = sure.energy > 0.0
    inputs = [_input(u, r, some) for u, r in zip(sure.inputs, sure.responses, strict=True)]
    acting = {i.group for i in inputs if i.acts}
    groups = [g for g in sure.groups if g in acting]
    ranged = {u.group for u in sure.inputs}
    return sure_model.Sure(
        draws=len(sure.level_db),
        seed=sure.settings.seed,
        settled_db=sure.settings.settled_db,
        moved_db=round(sure.moved_db, 3),
        direct_draws=sure.n_direct,
        direct_db=None if sure.direct_db is None else round(sure.direct_db, DIGITS),
        transfers=sure.n_transfers,
        groups=groups,
        without_range=[g for g in _EXPECTED if g not in ranged],
        not_stated=list(not_stated(model)),
        exact_spectra=list(exact_spectra(model)),
        inputs=inputs,
        receivers=[_receiver(drawn, r, groups) for r in range(len(drawn.receivers))],
    )


def _input(one: Uncertain, answer: Response, heard: BoolArray) -> sure_model.UncertainInput:
    d = one.distribution
    acts = bool(np.any(answer.low[heard]) or np.any(answer.high[heard]) or answer.new is not None)
    kind = "ends" if one.ends is not None else "error" if one.unit == "dB" else "number"
    return sure_model.UncertainInput(
        group=one.group,
        label=one.label,
        low=d.low,
        likely=d.likely,
        high=d.high,
        unit=one.unit,
        shape=d.form,
        standing=str(one.standing),
        source=one.source,
        kind=kind,
        acts=acts,
    )


def _receiver(drawn: DrawnLevels, r: int, groups: Sequence[str]) -> sure_model.ReceiverSure:
    sure = drawn.sure
    heard = [k for k in range(len(drawn.columns)) if sure.heard[r, k]]

    def bound(n: int) -> dict[str, float | None]:
        return {
            name: round(float(sure.bounds[n, r, k]), DIGITS) if k in heard else None
            for k, name in enumerate(drawn.columns)
        }

    def of_groups(values: Array, digits: int) -> dict[str, dict[str, float]]:
        index = {g: sure.groups.index(g) for g in groups}
        return {
            drawn.columns[k]: {g: round(float(values[i, r, k]), digits) + 0.0 for g, i in index.items()}
            for k in heard
            if drawn.columns[k] in SHARED
        }

    return sure_model.ReceiverSure(
        receiver=drawn.receivers[r],
        low_db=bound(0),
        median_db=bound(1),
        high_db=bound(2),
        first=of_groups(sure.first, SHARE_DIGITS),
        total=of_groups(sure.total, SHARE_DIGITS),
        narrower_db=of_groups(sure.narrower_db, DIGITS),
    )


def by_receiver(result: sure_model.Sure | None) -> Mapping[str, sure_model.ReceiverSure]:
    """Receivers by id."""
    return {} if result is None else {r.receiver: r for r in result.receivers}

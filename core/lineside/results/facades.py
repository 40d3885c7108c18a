"""Levels at the facades of buildings as the results document holds them: receivers, buildings, limits, exposure."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import LimitCheck, NotApplicable, ReceiverUse, Window
from lineside.engine.facades import FacadeLevels, facade_levels
from lineside.engine.kept import Blocks
from lineside.engine.plan import Plan
from lineside.engine.progress import Progress, silent
from lineside.engine.select import Selection
from lineside.project.load import LoadedProject
from lineside.results import model
from lineside.results.exposure import BANDS_DB, band_of, by_length, is_quiet, louder_half, occupancy
from lineside.results.exposure_limits import above_limits
from lineside.results.findings import Chances, Intervals, Question, find, windows_of
from lineside.scene.buildings import StandingBuilding
from lineside.scene.facades import FacadePoints, chosen_buildings, facade_points
from lineside.scene.model import IntArray, Scene

DIGITS = 3
SENSITIVE = ("hospital", "school", "care_home")
NO_PASSES = "the highest level of single passes is not computed at receivers on facades"
NO_TONES = (
    "tones are looked for at listed receivers only; without what a tone would add, the limit is not exceeded here"
)

Levels = Mapping[tuple[str, Window | None], Array]


def receivers_of_buildings(found: AtFacades | None) -> dict[str, int]:
    """Number of receivers on the facades of each building, by id."""
    if found is None:
        return {}
    points = found.plan.points
    return {points.standing[k].data.id: n for k, n in Counter(points.building.tolist()).items()}


def building_questions(
    standing: Sequence[StandingBuilding], chosen: Sequence[int], selection: Selection
) -> list[Question]:
    """What the criteria ask at buildings: by their use, as for receivers."""
    out = []
    for k in chosen:
        data = standing[k].data
        for use_id, criterion, options in selection.criteria:
            answer = criterion.checks(ReceiverUse(id=data.id, use=data.use, area=data.area), options)
            if isinstance(answer, NotApplicable):
                out.append(Question(data.id, use_id, (), answer.reason))
            else:
                reason = "" if answer else f"no limit applies to the use {data.use!r}"
                out.append(Question(data.id, use_id, tuple(answer), reason))
    return out


@dataclass(frozen=True, eq=False)
class FacadePlan:
    """What is to be computed at facades; ``asked`` from :func:`building_questions`, ``windows`` that it holds."""

    points: FacadePoints
    asked: tuple[Question, ...]
    windows: tuple[Window, ...]

    @property
    def n_points(self) -> int:
        """Number of points at which levels are computed."""
        return len(self.points) + len(self.points.front)


@dataclass(frozen=True, eq=False)
class AtFacades:
    """What was computed at facades."""

    plan: FacadePlan
    levels: FacadeLevels


def plan_facades(planned: Plan, selection: Selection) -> FacadePlan | None:
    """The receivers on facades that the project asks for; None where it asks for none."""
    loaded, standing = planned.scenes.loaded, planned.scenes.standing
    chosen = chosen_buildings(loaded, standing)
    if not chosen:
        return None
    asked = tuple(building_questions(standing, list(chosen), selection))
    return FacadePlan(facade_points(loaded, planned.built.scene, standing), asked, windows_of(asked))


def compute_facades(
    wanted: FacadePlan | None,
    planned: Plan,
    selection: Selection,
    progress: Progress = silent,
    workers: int = 1,
    blocks: Blocks | None = None,
) -> AtFacades | None:
    """Levels at facades; see :func:`lineside.engine.facades.facade_levels`."""
    if wanted is None:
        return None
    windows = wanted.windows
    levels = facade_levels(planned.task, selection, wanted.points, windows, progress, workers, blocks)
    return AtFacades(wanted, levels)


def describe_facades(
    loaded: LoadedProject,
    scene: Scene,
    found: AtFacades,
    uncertainty: model.Uncertainty,
    left_out: Sequence[str],
    chances: Chances = lambda receiver, check, tone_db: None,
    intervals: Intervals = lambda receiver: {},
) -> model.Facades:
    """The part of the results document."""
    points, levels, asked, windows = found.plan.points, found.levels, found.plan.asked, found.plan.windows
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    names = scene.period_names
    lden = to_db(lden_energy(levels.period, hours))
    front = np.full(len(points), np.nan)
    front[points.front_of] = to_db(lden_energy(levels.front, hours))
    by_quantity: dict[tuple[str, Window | None], Array] = {("lden_db", None): lden}
    by_quantity.update({(f"l{p}_db", None): to_db(levels.period[:, n]) for n, p in enumerate(names)})
    by_quantity.update({("laeq_db", w): to_db(levels.windows[:, n]) for n, w in enumerate(windows)})
    questions: dict[str, list[Question]] = {}
    for question in asked:
        questions.setdefault(question.receiver, []).append(question)
    share = {"lden": np.zeros(len(points)), "lnight": np.zeros(len(points))}
    buildings: list[model.BuildingLevels] = []
    n_findings = 0
    for k in np.unique(points.building).tolist():
        rows, data = points.rows(k), points.standing[k].data
        low = rows[points.floor[rows] == 0]
        for quantity, values in share.items():
            at = by_quantity[f"{quantity}_db", None][low]
            values[low] = by_length(points.length_m[low]) if data.one_facade else louder_half(at)
        limits = _findings(questions.get(data.id, []), rows, points, by_quantity, uncertainty, left_out, chances)
        limits = [f.model_copy(update={"id": f"B{n_findings + n}"}) for n, f in enumerate(limits, start=1)]
        n_findings += len(limits)
        described = _building(points, rows, low, lden, front, by_quantity, names, limits)
        drawn = intervals(described.highest_at["lden"])
        buildings.append(described.model_copy(update={"interval_db": drawn}))
    dwellings, persons = occupancy(points.standing, loaded.project.building_files)
    counted = np.array([counts(b) for b in points.standing], dtype=np.float64)
    has = np.isin(np.arange(len(points.standing)), points.building)
    quiet = {b.building: bool(b.quiet_facade) for b in buildings}
    return model.Facades(
        receivers=_columns(points, scene, levels, lden, front, share, names),
        buildings=buildings,
        exposure=[
            band
            for quantity in BANDS_DB
            for band in _bands(
                quantity, points, by_quantity[f"{quantity}_db", None], share, dwellings, persons * counted, quiet
            )
        ],
        above_limits=above_limits(
            asked, points, by_quantity, dwellings, persons * counted, lambda name: quiet[name], SENSITIVE
        ),
        dwellings=_rounded(dwellings[has].sum()),
        persons=_rounded((persons * counted)[has].sum()),
        other_dwellings=_rounded(dwellings[~has].sum()),
        other_persons=_rounded((persons * counted)[~has].sum()),
        bare=list(points.bare),
        left_out_db=_left_out_db(levels),
    )


def _left_out_db(levels: FacadeLevels) -> float:
    """By how much the level of any period at any facade could be higher with what was left out. [dB]"""
    heard = levels.period > 0
    ratio = levels.left_out[heard] / levels.period[heard]
    return round(float(10.0 * np.log10(1.0 + ratio.max())), DIGITS) if ratio.size else 0.0


def counts(building: StandingBuilding) -> bool:
    """Whether the persons of a building are counted: those who live in it."""
    return building.data.use == "dwelling" or building.data.dwellings > 0


def _rounded(value: float) -> float:
    return round(float(value), 6)


def _level(value: float) -> float | None:
    return round(float(value), DIGITS) if math.isfinite(value) else None


def _building(
    points: FacadePoints,
    rows: IntArray,
    low: IntArray,
    lden: Array,
    front: Array,
    by_quantity: Levels,
    names: Sequence[str],
    findings: list[model.Finding],
) -> model.BuildingLevels:
    own = {"lden": lden, **{p: by_quantity[f"l{p}_db", None] for p in names}}
    top = {name: first_of_loudest(values, rows) for name, values in own.items()}
    ahead = front[low][~np.isnan(front[low])]
    return model.BuildingLevels(
        building=points.standing[int(points.building[rows[0]])].data.id,
        n_receivers=len(rows),
        highest_db={name: _level(own[name][row]) for name, row in top.items()},
        highest_at={name: points.receivers.ids[row] for name, row in top.items()},
        quiet_facade=is_quiet(ahead, float(lden[low].max())) if ahead.size else None,
        lowest_front_db=_level(ahead.min()) if ahead.size else None,
        findings=findings,
    )


def _findings(
    asked: Sequence[Question],
    rows: IntArray,
    points: FacadePoints,
    by_quantity: Levels,
    uncertainty: model.Uncertainty,
    left_out: Sequence[str],
    chances: Chances,
) -> list[model.Finding]:
    """Each limit at the receiver of a building where its level is highest."""
    out: list[model.Finding] = []
    for question in asked:
        for check in question.checks or (None,):
            row = rows[0] if check is None else _loudest(check, rows, by_quantity)
            at = points.receivers.ids[row]
            levels = {at: {key: float(values[row]) for key, values in by_quantity.items()}}
            if check is None:
                own = Question(at, question.criterion, (), question.reason)
            elif check.quantity == "lafmax_db":
                own = Question(at, question.criterion, (), NO_PASSES)
            else:
                own = Question(at, question.criterion, (replace(check, tone=None),))
            (found,) = find([own], levels, uncertainty, left_out, None, chances)
            if check is not None and check.tone is not None and found.verdict in ("well below", "borderline"):
                (found,) = find([Question(at, question.criterion, (), NO_TONES)], levels, uncertainty)
            out.append(_short(found))
    return out


def _loudest(check: LimitCheck, rows: IntArray, by_quantity: Levels) -> int:
    values = by_quantity.get((check.quantity, check.window))
    return int(rows[0]) if values is None else first_of_loudest(values, rows)


def first_of_loudest(level_db: Array, rows: IntArray) -> int:
    """The row with the highest level; of equal ones the first, whatever the last bits of a sum."""
    return int(rows[int(np.argmax(np.round(level_db[rows], DIGITS)))])


def _short(finding: model.Finding) -> model.Finding:
    keys = ("level_db", "compared_db", "difference_db")
    return finding.model_copy(update={k: round(v, DIGITS) for k in keys if (v := getattr(finding, k)) is not None})


def _columns(
    points: FacadePoints,
    scene: Scene,
    levels: FacadeLevels,
    lden: Array,
    front: Array,
    share: Mapping[str, Array],
    names: Sequence[str],
) -> model.FacadeReceiverColumns:
    x, y, z = (np.round(v, DIGITS).tolist() for v in (points.receivers.xyz_m + np.array([*scene.origin, 0.0])).T)
    return model.FacadeReceiverColumns(
        id=list(points.receivers.ids),
        building=[points.standing[k].data.id for k in points.building],
        facade=points.facade.tolist(),
        floor=points.floor.tolist(),
        x=x,
        y=y,
        z=z,
        height_m=np.round(points.height_m, DIGITS).tolist(),
        bearing_deg=np.round(points.bearing_deg, 1).tolist(),
        length_m=np.round(points.length_m, DIGITS).tolist(),
        lden_db=[_level(v) for v in lden],
        period_db={p: [_level(v) for v in to_db(levels.period[:, n])] for n, p in enumerate(names)},
        front_lden_db=[_level(v) for v in front],
        share_lden=[_rounded(v) for v in share["lden"]],
        share_lnight=[_rounded(v) for v in share["lnight"]],
    )


def _bands(
    quantity: str,
    points: FacadePoints,
    level_db: Array,
    share: Mapping[str, Array],
    dwellings: Array,
    persons: Array,
    quiet: Mapping[str, bool],
) -> list[model.ExposureBand]:
    """Bands of a quantity, from the one below all that are reported to the open one above."""
    ends = [None, *BANDS_DB[quantity], None]
    band = band_of(level_db, quantity)
    weight = share[quantity]
    calm = np.array([quiet[points.standing[k].data.id] for k in points.building], dtype=np.float64)
    at_building = {"dwellings": dwellings[points.building] * weight, "persons": persons[points.building] * weight}
    loudest = {
        k: int(band[points.rows(k)].max())
        for k in np.unique(points.building).tolist()
        if points.standing[k].data.use in SENSITIVE
    }
    return [
        model.ExposureBand(
            quantity="lden" if quantity == "lden" else "lnight",
            from_db=ends[n],
            to_db=ends[n + 1],
            **{what: _rounded(values[band == n].sum()) for what, values in at_building.items()},
            **{f"quiet_{what}": _rounded((values * calm)[band == n].sum()) for what, values in at_building.items()},
            sensitive=sum(b == n for b in loudest.values()),
        )
        for n in range(len(ends) - 1)
    ]

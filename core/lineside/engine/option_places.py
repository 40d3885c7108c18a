"""Where along its line a barrier helps most: every part of it in several heights, from one transfer for each height.

A path from a source point to a receiver crosses the line of the barrier at one place at most, the first that counts.
So the transfer with a part of the barrier is that with the whole for paths that cross the part, and that without it for
all others. What this leaves out (sound that the rest would have thrown back, ways round the ends) is checked by
computing chosen parts directly.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from lineside.acoustics.bands import Array
from lineside.engine.at_points import A_ENERGY
from lineside.engine.combine import Candidate, Changer
from lineside.engine.grid import line_power
from lineside.engine.levels import heard
from lineside.engine.mixing import surroundings
from lineside.engine.option_run import Considered, plan_with
from lineside.engine.plan import Plan
from lineside.engine.run import Task, long_term
from lineside.engine.select import Selection
from lineside.engine.transfer import Transfer, compute_transfer, share_of
from lineside.errors import RequestError
from lineside.project.derive import derived
from lineside.project.load import LoadedProject
from lineside.project.options import PlaceSearch
from lineside.scene.model import IntArray, Receivers
from lineside.scene.points import source_points

__all__ = ["PlaceEnergies", "direct_energy", "place_energies"]


@dataclass(frozen=True, eq=False)
class PlaceEnergies:
    """A-weighted mean square by the part of the line that a path crosses, re (20 uPa)^2.

    ``edges_m`` (n_parts + 1,): ends of the parts along the line; ``without`` (n_receivers, n_periods, n_parts + 1) and
    ``whole`` (n_heights, n_receivers, n_periods, n_parts + 1) without the barrier and with all of it, the last part:
    paths that cross none.
    """

    edges_m: Array
    without: Array
    whole: Array

    @property
    def n_parts(self) -> int:
        return len(self.edges_m) - 1

    def of(self, height: int, first: int, last: int) -> Array:
        """With the parts ``first`` to ``last - 1`` built, (n_receivers, n_periods)."""
        built = np.zeros(self.n_parts + 1, dtype=np.bool_)
        built[first:last] = True
        built[-1] = (first, last) == (0, self.n_parts)
        return np.asarray(np.where(built, self.whole[height], self.without).sum(axis=-1))


def place_energies(
    considered: Considered,
    selection: Selection,
    rule: PlaceSearch,
    progress: Callable[[int, int], None] = lambda done, of: None,
) -> PlaceEnergies:
    """Energies without a barrier and with the whole of it in each height, split by parts of its line.

    Raises
    ------
    RequestError
        If the barrier cannot be in one of the heights, or other measures stand in its way.
    """
    base = considered.evaluation.plan
    projects = [_built(considered, rule, height, 0.0, 1.0) for height in rule.heights_m]
    tasks = [_task(base, base)] + [_task(base, plan_with(base, p, selection)) for p in projects]
    line = _line(considered, projects[0]) - np.array(base.built.scene.origin)
    run = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(line, axis=0), axis=1))])
    edges = np.linspace(0.0, run[-1], rule.parts + 1)
    power = _power(base, considered.prepared.date)
    receivers = base.task.scene.receivers
    found = np.zeros((len(tasks), len(receivers), power.shape[0], rule.parts + 1))
    for r in range(len(receivers)):
        receiver = receivers.part(r, r + 1)
        for k, task in enumerate(tasks):
            xy, energy = _by_point(task, selection, receiver, power)
            part = _crossed(xy, receiver.xyz_m[0, :2], line, run, edges)
            np.add.at(found[k, r].T, part, energy)
        progress(r + 1, len(receivers))
    return PlaceEnergies(edges, found[0], found[1:])


def direct_energy(
    considered: Considered, selection: Selection, rule: PlaceSearch, height_m: float, begin: float, end: float
) -> Array:
    """With the part between two shares of its line, computed directly, (n_receivers, n_periods)."""
    base = considered.evaluation.plan
    loaded = _built(considered, rule, height_m, begin, end)
    task = _task(base, plan_with(base, loaded, selection))
    return heard(long_term(task, selection, task.scene.receivers), _power(base, considered.prepared.date))


def _candidate(considered: Considered, rule: PlaceSearch) -> Candidate:
    return considered.prepared.changer.by_id[rule.measure]


def _built(considered: Considered, rule: PlaceSearch, height_m: float, begin: float, end: float) -> LoadedProject:
    prepared, given = considered.prepared, _candidate(considered, rule)
    options = given.measure.part(given.options, prepared.changer.known, height_m, begin, end)
    assert options is not None, "the rules of options were checked"
    changed = replace(given, options=options, day=dt.date.min)
    project = Changer(prepared.loaded, prepared.changer.known, {rule.measure: changed}, prepared.date).project(
        (rule.measure,)
    )
    if isinstance(project, str):
        raise RequestError(f"options.place_search: {height_m:g} m: {project}")
    return derived(prepared.loaded, project, prepared.vocabulary)


def _line(considered: Considered, loaded: LoadedProject) -> Array:
    """Points along the barrier or the bank that a project has more than the one as it is, (n, 2)."""
    before = considered.prepared.loaded.project
    known = {b.id for b in before.barriers}
    for barrier in loaded.project.barriers:
        if barrier.id not in known:
            return loaded.lines[barrier.id]
    known = {b.id for b in before.banks}
    (bank,) = (b for b in loaded.project.banks if b.id not in known)
    return np.array(bank.line, dtype=np.float64)


def _task(base: Plan, planned: Plan) -> Task:
    if planned is base:
        return base.task
    around = surroundings(planned.scenes, planned.built.scene, base.situation.choices)
    return replace(base.task, around=around)


def _power(base: Plan, date: dt.date) -> Array:
    """Sound power per metre on the date of comparison, A-weighted, (n_periods, n_sections, n_classes, 24)."""
    return line_power(base.scenes.at(base.scenes.state(date)).scene, base.emission_at(date))


def _by_point(task: Task, selection: Selection, receiver: Receivers, power: Array) -> tuple[Array, Array]:
    """Source points in plan, (n, 2), and the A-weighted mean square that each gives, (n, n_periods)."""
    classes, propagation, options = task.emission.mean.classes, selection.propagation, selection.propagation_options
    points = source_points(task.scene, receiver, propagation.max_piece_ratio(options), propagation.source_ground_g)
    out = np.zeros((len(points), power.shape[0]))
    loud = np.moveaxis(power * A_ENERGY, 0, 1)[points.section]  # (n_points, n_periods, n_classes, 24)
    for around in task.around:
        transfer = compute_transfer(around.scene, propagation, options, classes, receiver, points)
        out += _mean(transfer, loud, task.weather) * around.share()
    return points.xyz_m[:, :2], out


def _mean(transfer: Transfer, loud: Array, weather: str | None) -> Array:
    share = share_of(transfer.share[0], transfer.states, weather)  # (n_points, n_periods, n_states)
    by_state = np.einsum("pcst,pnct->pns", transfer.energy[0], loud, optimize=True)
    return np.asarray((by_state * share).sum(axis=-1) * transfer.points.length_m[:, None])


def _crossed(points_xy: Array, to_xy: Array, line: Array, run: Array, edges: Array) -> IntArray:
    """Index of the part of a line that the way from each point crosses first, the number of parts: none, (n,)."""
    way = to_xy - points_xy  # (n, 2)
    along = np.diff(line, axis=0)  # (m, 2)
    off = line[None, :-1] - points_xy[:, None]  # (n, m, 2)
    across = way[:, None, 0] * along[None, :, 1] - way[:, None, 1] * along[None, :, 0]
    with np.errstate(divide="ignore", invalid="ignore"):
        t = (off[..., 0] * along[None, :, 1] - off[..., 1] * along[None, :, 0]) / across
        u = (off[..., 0] * way[:, None, 1] - off[..., 1] * way[:, None, 0]) / across
    met = (across != 0.0) & (t >= 0.0) & (t <= 1.0) & (u >= 0.0) & (u <= 1.0)
    first = np.argmin(np.where(met, t, np.inf), axis=1)
    rows = np.arange(len(points_xy))
    place = run[first] + u[rows, first] * np.diff(run)[first]
    part = np.clip(np.searchsorted(edges, place, side="right") - 1, 0, len(edges) - 2)
    return np.where(met.any(axis=1), part, len(edges) - 1)

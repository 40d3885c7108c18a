"""How sure levels are: intervals from draws of all uncertain inputs, and what each group of inputs has in them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import ValidationError

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.engine.doubt_inputs import Uncertain, by_group, merged
from lineside.engine.doubt_model import DoubtModel
from lineside.engine.draws import Acting, Response, acting, at_receiver, draws, energy, offset, response
from lineside.engine.pool import each
from lineside.engine.sobol import indices, points
from lineside.errors import LinesideError, PluginError
from lineside.scene.model import BoolArray

#: Draws that are made at first, as a power of 2.
FIRST_DRAWS = 8
#: Draws from which shares of groups are taken, as a power of 2: they need fewer than the ends of intervals.
SHARE_DRAWS = 10
#: Probabilities that are told: the ends of the 90 % interval, and the median between them.
BOUNDS = (0.05, 0.5, 0.95)


@dataclass(frozen=True)
class Settings:
    """How draws are made; see :class:`lineside.project.model.Uncertainty`."""

    up_to: int
    settled_db: float
    direct: int
    seed: int


@dataclass(frozen=True, eq=False)
class Sure:
    """Levels in draws. Columns are Lden, the periods and the windows.

    ``level_db`` (n_draws, n_receivers, n_columns), ``heard`` (n_receivers, n_columns): what is not silence; ``bounds``
    (3, n_receivers, n_columns) [dB]; ``groups`` in order; ``first``, ``total`` (n_groups, n_receivers, n_columns):
    shares of the variance; ``narrower_db`` of the same shape: by how much the 90 % interval would be narrower if the
    inputs of the group were known to be at their likely values. ``moved_db``: how far bounds moved when draws were last
    doubled; ``direct_db``: largest difference between a level by the whole model and by interpolation; None: none was
    made. ``energy`` (n_receivers, n_parts, n_columns - 1) at likely values. ``more_db`` (n_draws, n_more, n_columns):
    levels in the same draws at the further points of the model, where services are taken together.
    """

    inputs: tuple[Uncertain, ...]
    responses: tuple[Response, ...]
    groups: tuple[str, ...]
    energy: Array
    level_db: Array
    heard: BoolArray
    bounds: Array
    first: Array
    total: Array
    narrower_db: Array
    moved_db: float
    n_direct: int
    direct_db: float | None
    n_transfers: int
    settings: Settings
    points: tuple[Array, Array]
    more_db: Array


Told = Callable[[int, int], None]


@dataclass(frozen=True, eq=False)
class Nodes:
    """Energies with one input at low and at high, (n_receivers, n_parts, n_columns); or the errors of a method."""

    input: Uncertain
    low: Array | None = None
    high: Array | None = None


def nodes(model: DoubtModel, inputs: Sequence[Uncertain], progress: Told = lambda done, of: None) -> list[Nodes]:
    """The model at the ends of each range.

    Raises
    ------
    LinesideError
        If the model cannot be evaluated at an end of a range.
    """
    base = model.base()
    out = []
    for k, one in enumerate(inputs):
        progress(k, len(inputs))
        if one.half_width_db is not None:
            out.append(Nodes(one))
            continue
        ends = one.ends
        if ends is None:
            assert one.case is not None
            ends = one.case(one.distribution.low), one.case(one.distribution.high)
        d = one.distribution
        try:
            low = base if d.low == d.likely else model.energies(ends[0])
            high = base if d.high == d.likely else model.energies(ends[1])
        except ValidationError as error:
            raise PluginError(f"the range of {one.label} cannot be evaluated: {error.errors()[0]['msg']}") from error
        out.append(Nodes(one, low, high))
    progress(len(inputs), len(inputs))
    return out


def responses_of(base: Array, found: Sequence[Nodes], rows: slice, n_services: int = 1) -> list[Response]:
    """How energies at some receivers answer to each input.

    Parameters
    ----------
    base : ndarray, (n_rows, n_parts, n_columns)
        Of these receivers at likely values, services summed.
    n_services : int
        So many parts that follow on each other in the nodes are summed.
    """
    out = []
    for node in found:
        one = node.input
        if node.low is None or node.high is None:
            assert one.half_width_db is not None and one.parts is not None
            parts = one.parts.reshape(-1, n_services)[:, 0]
            out.append(offset(one.half_width_db[rows], parts, (base.shape[0], base.shape[1], base.shape[2])))
        else:
            low, high = (summed(e[rows], n_services) for e in (node.low, node.high))
            out.append(response(one.distribution, base, low, high))
    return out


def summed(energies: Array, n_services: int) -> Array:
    """Parts (n, n_mechanisms x n_services, n_columns) summed over services."""
    n, parts, columns = energies.shape
    return np.asarray(energies.reshape(n, parts // n_services, n_services, columns).sum(axis=2))


def how_sure(
    model: DoubtModel,
    inputs: Sequence[Uncertain],
    hours: Array,
    settings: Settings,
    progress: Told = lambda done, of: None,
) -> Sure:
    """Intervals of the levels at the receivers, and shares of groups of inputs.

    Parameters
    ----------
    hours : ndarray, (n_periods,)
        Lengths of the periods. [h]
    """
    known = nodes(model, inputs, progress)
    whole = model.base()
    n, n_services = len(model.planned.built.scene.receivers), len(model.planned.built.scene.services)
    base = whole[:n]
    responses = responses_of(base, known, slice(0, n))
    groups = by_group(inputs)
    found = analyse(base, responses, groups, hours, settings, model.workers)
    more = summed(whole[n:], n_services) if len(whole) > n else np.zeros((0, 1, base.shape[2]))
    more_db = np.zeros((len(found.level_db), 0, found.level_db.shape[2]))
    if len(more):
        at_more = responses_of(more, known, slice(n, None), n_services)
        t = np.concatenate([draws(at_more, part).t for part in found.points])
        work = _Levels(more, at_more, groups, hours, t)
        more_db = np.stack(each(range(len(more)), work, model.workers), axis=1)
    n_direct, direct_db = _direct(model, inputs, responses, base, found.points[0], settings.direct)
    return Sure(
        inputs=tuple(inputs),
        responses=tuple(responses),
        groups=tuple(groups),
        energy=base,
        more_db=more_db,
        n_direct=n_direct,
        direct_db=direct_db,
        n_transfers=model.n_transfers,
        settings=settings,
        **{name: getattr(found, name) for name in Analysis.__dataclass_fields__},
    )


@dataclass(frozen=True, eq=False)
class Analysis:
    """The part of :class:`Sure` that follows from the responses alone."""

    level_db: Array
    heard: BoolArray
    bounds: Array
    first: Array
    total: Array
    narrower_db: Array
    moved_db: float
    points: tuple[Array, Array]


def analyse(
    base: Array,
    responses: Sequence[Response],
    groups: Mapping[str, Sequence[int]],
    hours: Array,
    settings: Settings,
    workers: int = 1,
) -> Analysis:
    """Draw, until bounds stay in place; then shares of the groups.

    Receivers are worked through one by one, each by itself, and all sums run in a fixed order: no number depends on the
    number of workers.
    """
    receivers = range(len(base))
    whole = _with_lden(base.sum(axis=1), hours)
    heard = whole > 0.0
    bounds: Array | None = None
    moved = np.inf
    for power in range(min(FIRST_DRAWS, settings.up_to), settings.up_to + 1):
        u = points(2**power, len(responses), settings.seed)
        t = np.concatenate([draws(responses, part).t for part in u])
        level = np.stack(each(receivers, _Levels(base, responses, groups, hours, t), workers), axis=1)
        now = np.quantile(level, BOUNDS, axis=0)
        if bounds is not None:
            moved = float(np.abs(now - bounds)[[0, 2]].max(initial=0.0))
        bounds = now
        if moved < settings.settled_db:
            break
    assert bounds is not None
    n, few = 2**power, 2 ** min(power, SHARE_DRAWS)
    shares = each(receivers, _Shares(base, responses, groups, hours, t[:few], t[n : n + few]), workers)
    first, total, narrower = (np.stack([s[k] for s in shares], axis=1) for k in range(3))
    return Analysis(level, heard, bounds, first, total, narrower, moved if np.isfinite(moved) else 0.0, u)


def _with_lden(period_and_windows: Array, hours: Array) -> Array:
    """Energies with that of Lden before them, (..., 1 + n_columns)."""
    lden = lden_energy(period_and_windows[..., : hours.size], hours)
    return np.concatenate([lden[..., None], period_and_windows], axis=-1)


def to_levels(energies: Array, hours: Array) -> Array:
    """Levels of Lden and all columns; silence is 0. [dB]"""
    whole = _with_lden(energies, hours)
    return np.where(whole > 0.0, 10.0 * np.log10(np.where(whole > 0.0, whole, 1.0)), 0.0)


@dataclass(frozen=True, eq=False)
class _Levels:
    """Levels at one receiver in all draws, (n, n_columns)."""

    base: Array
    responses: Sequence[Response]
    groups: Mapping[str, Sequence[int]]
    hours: Array
    t: Array

    def __call__(self, r: int) -> Array:
        here = at_receiver(self.base, self.responses, r)
        does = [acting(here, members, self.t) for members in self.groups.values()]
        return to_levels(energy(here.base, does, len(self.t)), self.hours)


@dataclass(frozen=True, eq=False)
class _Shares:
    """Shares of the groups at one receiver, and narrower intervals, (n_groups, n_columns) each."""

    base: Array
    responses: Sequence[Response]
    groups: Mapping[str, Sequence[int]]
    hours: Array
    a: Array
    b: Array

    def __call__(self, r: int) -> tuple[Array, Array, Array]:
        here = at_receiver(self.base, self.responses, r)
        in_a, in_b = ([acting(here, members, t) for members in self.groups.values()] for t in (self.a, self.b))
        n = len(self.a)

        def level(does: Sequence[Acting]) -> Array:
            return to_levels(energy(here.base, does, n), self.hours)

        of_a, of_b = level(in_a), level(in_b)
        widest = _width(np.concatenate([of_a, of_b]))
        mixed = np.empty((len(self.groups), *of_a.shape))
        narrower = np.empty((len(self.groups), of_a.shape[1]))
        for g in range(len(self.groups)):
            if in_a[g].nothing:
                mixed[g], narrower[g] = of_a, 0.0
                continue
            mixed[g] = level([*in_a[:g], in_b[g], *in_a[g + 1 :]])
            without = [level([*does[:g], *does[g + 1 :]]) for does in (in_a, in_b)]
            narrower[g] = widest - _width(np.concatenate(without))
        found = indices(of_a, of_b, mixed)
        return found.first, found.total, narrower


def _width(level: Array) -> Array:
    low, high = np.quantile(level, (BOUNDS[0], BOUNDS[2]), axis=0)
    return np.asarray(high - low)


def _direct(
    model: DoubtModel,
    inputs: Sequence[Uncertain],
    responses: Sequence[Response],
    base: Array,
    u: Array,
    n: int,
) -> tuple[int, float | None]:
    """How many draws were computed by the whole model, and the largest difference of any level. [dB]

    Values beyond low and high are put on them, since not every value there is one of its field. Errors of methods,
    which act alike in both, stay at their likely values.
    """
    moved = [k for k, one in enumerate(inputs) if one.case is not None]
    if not moved or n == 0:
        return 0, None
    worst, done = 0.0, 0
    for row in u[:n]:
        cases, t = [], np.zeros((1, len(inputs)))
        for k in moved:
            d, case = inputs[k].distribution, inputs[k].case
            assert case is not None
            value = float(np.clip(d.at(row[k : k + 1])[0], d.low, d.high))
            cases.append(case(value))
            t[0, k] = responses[k].t(np.array([value]))[0]
        try:
            directly = model.energies(merged(cases), listed_only=True)
        except (LinesideError, ValidationError):
            continue  # values that each may be had, but not together
        done += 1
        for r in range(len(base)):
            here = at_receiver(base, responses, r)
            near = energy(here.base, [acting(here, range(len(inputs)), t)], 1)[0]
            far = directly[r].sum(axis=0)
            some = (near > 0.0) & (far > 0.0)
            worst = max(worst, float(np.abs(10.0 * np.log10(near[some] / far[some])).max(initial=0.0)))
    return done, worst if done else None

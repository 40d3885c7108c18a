"""The change of level between two situations, split into causes that add up to it.

Each cause is a part of the inputs that differs between the situations. Its share is its Shapley value: the change that
it makes when it comes in, averaged over all orders in which the causes can come in. No order is preferred, and the
shares add up to the whole change. L. S. Shapley, A value for n-person games, in: Contributions to the Theory of Games
II, Princeton University Press, 1953, equation (12), from memory.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations
from math import factorial

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import RAIL_PARTS, SourceClass
from lineside.engine.emission import compute_emission
from lineside.engine.kept import Blocks
from lineside.engine.levels import heard
from lineside.engine.mixing import PATH_KINDS, SOURCE_KINDS, WEATHER, Choices, source_mix, surroundings
from lineside.engine.plan import Plan
from lineside.engine.pool import each
from lineside.engine.rails import Rails
from lineside.engine.select import Selection
from lineside.engine.situation import Situation
from lineside.engine.transfer import compute_transfer
from lineside.scene.build import FRICTION_ATTRIBUTES, JOINT_ATTRIBUTES, Scenes, SourceState
from lineside.scene.model import Receivers, Scene

#: Causes that are properties of the track at a date.
TRACK_CAUSES = ("joints", "track", "friction")
#: Causes on the side of the sources, in the order of reports; ``rail`` is the condition of the running surface.
SOURCE_CAUSES = (*RAIL_PARTS, *TRACK_CAUSES, "rail", "wheels", "driving", "pattern", "numbers")
#: Causes on the way of the sound.
PATH_CAUSES = (WEATHER, *PATH_KINDS)

#: Receivers whose causes are found and kept together.
RECEIVERS_AT_ONCE = 8

Causes = frozenset[str]


@dataclass(frozen=True, eq=False)
class Split:
    """A change of level and its causes at some receivers.

    ``quantities``: ``lden`` and the periods; ``before_db``, ``after_db`` (n_receivers, n_quantities); ``parts_db``
    (n_receivers, n_quantities, n_causes), which add up to after - before. Where one of the levels is silence, the parts
    are not numbers.
    """

    causes: tuple[str, ...]
    quantities: tuple[str, ...]
    before_db: Array
    after_db: Array
    parts_db: Array


def shapley(values: Mapping[Causes, Array], causes: Sequence[str]) -> Array:
    """Shares of the causes, (..., n_causes), from the value of every set of causes.

    Examples
    --------
    >>> worth = {frozenset(): np.array(0.0), frozenset("a"): np.array(1.0), frozenset("b"): np.array(3.0)}
    >>> worth[frozenset("ab")] = np.array(10.0)
    >>> shapley(worth, ("a", "b")).tolist()
    [4.0, 6.0]
    """
    n = len(causes)
    shares = []
    for cause in causes:
        others = [c for c in causes if c != cause]
        share = np.zeros_like(values[frozenset()])
        for size in range(n):
            weight = factorial(size) * factorial(n - size - 1) / factorial(n)
            for chosen in combinations(others, size):
                without = frozenset(chosen)
                share = share + weight * (values[without | {cause}] - values[without])
        shares.append(share)
    return np.stack(shares, axis=-1) if shares else np.zeros((*values[frozenset()].shape, 0))


@dataclass(frozen=True, eq=False)
class KnownWay:
    """Long-term transfer (n_receivers, n_sections, n_classes, n_periods, 24) that was computed for some choices."""

    choices: Choices
    classes: tuple[SourceClass, ...]
    transfer: Array

    def at(self, choices: Choices, receiver: int, classes: tuple[SourceClass, ...]) -> Array | None:
        """The transfer to a receiver, (1, n_sections, n_classes, n_periods, 24); None where it is another one."""
        if any(choices.get(kind) != self.choices.get(kind) for kind in PATH_CAUSES):
            return None
        names = [c.name for c in self.classes]
        if not {c.name for c in classes} <= set(names):
            return None
        return self.transfer[receiver : receiver + 1][:, :, [names.index(c.name) for c in classes]]


def known_way(planned: Plan, transfer: Array) -> KnownWay | None:
    """What a run has computed, if it is for the track at the date by which situations are compared."""
    scenes = planned.scenes
    if scenes.epoch(planned.situation.date) != scenes.epoch(scenes.reference_date):
        return None
    return KnownWay(planned.situation.choices, planned.task.emission.mean.classes, transfer)


@dataclass(eq=False)
class Explainer:
    """Compares situations of one project; what was computed for one comparison serves the next.

    Parameters
    ----------
    scenes : Scenes
    rails : Rails
        Roughness of rails with works at dates.
    selection : Selection
    known : KnownWay, optional
        Transfer to the receivers that need not be computed again.
    workers : int
        Threads that share the receivers; no number depends on it.
    """

    scenes: Scenes
    rails: Rails
    selection: Selection
    known: KnownWay | None = None
    workers: int = 1
    _classes: dict[str, SourceClass] = field(default_factory=dict)
    _energies: dict[tuple[SourceState, tuple[dt.date, ...]], Mapping[str, Array]] = field(default_factory=dict)

    def split(
        self,
        start: Situation,
        end: Situation,
        receivers: Receivers,
        progress: Callable[[int, int], None] = lambda done, of: None,
        blocks: Blocks | None = None,
    ) -> Split:
        """Split the change of level from one situation to another.

        ``blocks``: where the energies at finished receivers are kept, of this one comparison, in case the run is
        stopped.
        """
        blocks = blocks or Blocks()
        causes = self.causes(start, end)
        source = _subsets([c for c in causes if c in SOURCE_CAUSES])
        path = _subsets([c for c in causes if c in PATH_CAUSES])
        sets = [s | p for p in path for s in source]
        scene = self.scenes.reference.scene
        n_periods, n = len(scene.period_names), len(receivers)
        hours = np.bincount(scene.period_of_hour, minlength=n_periods).astype(np.float64)
        energy = np.empty((len(sets), n, n_periods))
        todo = []
        for r in range(0, n, RECEIVERS_AT_ONCE):
            kept = blocks.load(f"causes-{r}", ("energy",))
            if kept is None:
                todo.append(r)
            else:
                energy[:, r : r + RECEIVERS_AT_ONCE] = kept["energy"]
        n_kept = n - sum(min(RECEIVERS_AT_ONCE, n - r) for r in todo)
        progress(n_kept, n)
        if todo:
            heard_at = self._hearing(start, end, source, path, receivers)

            def block(first: int) -> None:
                # one by one: source points of a receiver must not depend on the others
                found = [heard_at(r) for r in range(first, min(first + RECEIVERS_AT_ONCE, n))]
                energy[:, first : first + len(found)] = np.stack(found, axis=1)
                blocks.save(f"causes-{first}", {"energy": energy[:, first : first + len(found)]})

            each(todo, block, self.workers, lambda k: progress(min(n_kept + k * RECEIVERS_AT_ONCE, n), n))
        values = {
            name: to_db(np.concatenate([lden_energy(of_set, hours)[:, None], of_set], axis=1))
            for name, of_set in zip(sets, energy, strict=True)
        }
        with np.errstate(invalid="ignore"):
            parts = shapley(values, causes)
        return Split(
            causes=causes,
            quantities=("lden", *scene.period_names),
            before_db=values[frozenset()],
            after_db=values[frozenset(causes)],
            parts_db=parts,
        )

    def _hearing(
        self, start: Situation, end: Situation, source: Sequence[Causes], path: Sequence[Causes], receivers: Receivers
    ) -> Callable[[int], Array]:
        """What hears receiver number r with each set of causes, those of the path outside, (n_sets, n_periods)."""
        by_name = [self._power(start, end, s) for s in source]
        classes = tuple(self._classes[name] for name in sorted(self._classes))
        scene = self.scenes.reference.scene
        powers = [_stacked(power, classes, scene) for power in by_name]
        chosen = [_chosen(start, end, p) for p in path]

        def at(r: int) -> Array:
            ways = (self._way(choices, receivers.part(r, r + 1), r, classes) for choices in chosen)
            return np.concatenate([heard(way, power) for way in ways for power in powers])

        return at

    def causes(self, start: Situation, end: Situation) -> tuple[str, ...]:
        """What differs between two situations, in the order of reports."""
        found = set(self.rails.differing_parts(start.date, end.date))
        attributes = {"joints": JOINT_ATTRIBUTES, "friction": FRICTION_ATTRIBUTES}
        for cause in TRACK_CAUSES:
            if self.scenes.track_differs(start.date, end.date, attributes.get(cause)):
                found.add(cause)
        kinds = {c.kind for c in self.scenes.loaded.conditions} | {WEATHER}
        differing = {k for k in kinds if start.choices.get(k) != end.choices.get(k)}
        if "timetable" in differing:
            differing = (differing - {"timetable"}) | {"pattern", "numbers"}
        found |= differing
        return tuple(c for c in (*SOURCE_CAUSES, *PATH_CAUSES) if c in found)

    def _power(self, start: Situation, end: Situation, causes: Causes) -> Mapping[str, Array]:
        """Sound power per metre by source class, (n_periods, n_sections, 24), with some causes as at the end."""
        dates = {c: (end if c in causes else start).date for c in TRACK_CAUSES}
        parts = {part: (end if part in causes else start).date for part in RAIL_PARTS}
        base = SourceState(form=dates["track"], joints=dates["joints"], friction=dates["friction"])
        mix = source_mix(self.scenes, base, _chosen(start, end, causes), self.selection.by_rail)
        scene = self.scenes.reference.scene
        passes = np.zeros((len(scene.period_names), len(scene.services)))
        for hour in range(24):
            passes[scene.period_of_hour[hour]] += [s.trains_per_hour[hour] for s in scene.services]
        seconds = 3600.0 * np.bincount(scene.period_of_hour, minlength=len(scene.period_names))
        rate = passes / seconds[:, None]
        total: dict[str, Array] = {}
        for state, weight in zip(mix.states, mix.weight, strict=True):
            for name, energy in self._energy(state, parts).items():
                power = np.einsum("ns,sct->nct", rate * weight, energy)
                total[name] = total[name] + power if name in total else power
        return total

    def _energy(self, state: SourceState, parts: Mapping[str, dt.date]) -> Mapping[str, Array]:
        """Sound energy per metre during one pass, by source class, (n_services, n_sections, 24)."""
        key = (state, tuple(parts.values()))
        if key not in self._energies:
            emission = compute_emission(
                self.rails.with_parts(self.scenes.at(state).scene, parts), self.selection.forecast_sources
            )
            self._classes.update({c.name: c for c in emission.classes})
            self._energies[key] = {
                c.name: emission.pass_energy[0][:, :, :, k].sum(axis=0) for k, c in enumerate(emission.classes)
            }
        return self._energies[key]

    def _way(self, choices: Choices, receivers: Receivers, r: int, classes: tuple[SourceClass, ...]) -> Array:
        """Long-term transfer to the one receiver, number r, (1, n_sections, n_classes, n_periods, 24)."""
        known = self.known.at(choices, r, classes) if self.known is not None else None
        if known is not None:
            return known
        weather = choices.get(WEATHER)
        state = weather if isinstance(weather, str) else None
        calculator, options = self.selection.propagation, self.selection.propagation_options
        parts = []
        for around in surroundings(self.scenes, self.scenes.reference.scene, choices):
            transfer = compute_transfer(around.scene, calculator, options, classes, receivers)
            parts.append(transfer.long_term_by_section(len(self.scenes.sections), state) * around.share()[:, None])
        return np.asarray(np.sum(parts, axis=0))


def _subsets(causes: Sequence[str]) -> list[Causes]:
    return [frozenset(c) for size in range(len(causes) + 1) for c in combinations(causes, size)]


def _chosen(start: Situation, end: Situation, causes: Causes) -> Choices:
    """What holds of each condition, with some causes as at the end."""
    kinds = (*SOURCE_KINDS, *PATH_KINDS, WEATHER)
    chosen = {k: (end if ("pattern" if k == "timetable" else k) in causes else start).choices.get(k) for k in kinds}
    chosen["numbers"] = (end if "numbers" in causes else start).choices.get("timetable")
    return chosen


def _stacked(power: Mapping[str, Array], classes: tuple[SourceClass, ...], scene: Scene) -> Array:
    """Sound power per metre, (n_periods, n_sections, n_classes, 24), silent where a class is missing."""
    out = np.zeros((len(scene.period_names), len(scene.sections), len(classes), N_THIRDS))
    for k, of_class in enumerate(classes):
        if of_class.name in power:
            out[:, :, k] = power[of_class.name]
    return out

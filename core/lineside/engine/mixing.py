"""Mixtures of states: which states of sources and surroundings prevail for which share of time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.contracts import Options, SourceCalculator, SourceClass
from lineside.engine.emission import Emission, compute_emission
from lineside.errors import PluginError
from lineside.project.situations import WEATHER as WEATHER
from lineside.scene.build import BuiltScene, Scenes, SourceState
from lineside.scene.conditions import Condition, ConditionState
from lineside.scene.model import Scene

#: Conditions on the side of the sources and on the side of the way of the sound.
SOURCE_KINDS = ("rail", "driving", "timetable", "wheels")
PATH_KINDS = ("water", "air")

Calculators = Sequence[tuple[SourceCalculator, Options]]


#: What holds of a condition: the id of a state, a month (1 to 12) with its shares, or None: the shares of the year.
Choice = str | int | None
#: Kind of condition -> what holds of it; a kind that is left out has its shares of the whole year.
Choices = Mapping[str, Choice]


def shares(condition: Condition, choice: Choice) -> list[tuple[ConditionState, Array]]:
    """States of a condition with their share of time in each period, (n_periods,); without those that never prevail."""
    if isinstance(choice, str):
        return [(s, np.ones(s.share.shape[1])) for s in condition.states if s.id == choice]
    found = [(s, s.long_term_share() if choice is None else s.share[choice - 1]) for s in condition.states]
    return [(s, share) for s, share in found if share.any()]


@dataclass(frozen=True, eq=False)
class SourceMix:
    """States of the sources; ``weight`` (n_states, n_periods, n_services): share of time, times trains over nominal."""

    states: tuple[SourceState, ...]
    weight: Array


def source_mix(scenes: Scenes, base: SourceState, choices: Choices, by_rail: bool) -> SourceMix:
    """The states of the sources that make up a mixture.

    Parameters
    ----------
    base : SourceState
        Whose track holds.
    choices : mapping
        ``numbers`` beside ``timetable``: whose numbers of trains hold, where it is not the state whose way of running
        holds.
    by_rail : bool
        Does any calculator in use depend on the condition of the rails? If not, it multiplies no states.
    """
    conditions = {c.kind: c for c in scenes.loaded.conditions}
    n_periods, services = len(scenes.reference.scene.period_names), [s.id for s in scenes.reference.scene.services]
    one = np.ones(n_periods)
    found: list[list[tuple[dict[str, str], Array]]] = []
    if by_rail and "rail" in conditions:
        found.append(
            [({"rail": s.changes.rail}, share) for s, share in shares(conditions["rail"], choices.get("rail"))]
        )
    for kind in ("driving", "wheels"):
        if kind in conditions:
            found.append([({kind: s.id}, share) for s, share in shares(conditions[kind], choices.get(kind))])
    weights: dict[SourceState, Array] = {}
    for way, factor in _timetable(conditions.get("timetable"), choices, services, n_periods):
        for combination in product(*found):
            changes = {key: value for given, _ in combination for key, value in given.items()}
            share = np.prod([one, *(s for _, s in combination)], axis=0)
            state = replace(base, pattern=way, **changes)  # type: ignore[arg-type]
            weights[state] = weights.get(state, 0.0) + share[:, None] * factor
    return SourceMix(tuple(weights), np.array(list(weights.values())).reshape(len(weights), n_periods, len(services)))


def _timetable(
    condition: Condition | None, choices: Choices, services: Sequence[str], n_periods: int
) -> list[tuple[str | None, Array]]:
    """Ways of running with share of time x trains over nominal, (n_periods, n_services)."""
    if condition is None:
        return [(None, np.ones((n_periods, len(services))))]

    def factor(state: ConditionState) -> Array:
        changed = state.changes.services
        return np.array([changed[s].trains_factor if s in changed else 1.0 for s in services])

    by_way = shares(condition, choices.get("timetable"))
    if choices.get("numbers", choices.get("timetable")) == choices.get("timetable"):
        return [(s.id, share[:, None] * factor(s)) for s, share in by_way]
    mean = np.sum([share[:, None] * factor(s) for s, share in shares(condition, choices["numbers"])], axis=0)
    return [(s.id, share[:, None] * mean) for s, share in by_way]


@dataclass(frozen=True, eq=False)
class MixedEmission:
    """The mean emission of a mixture, and each of its states with its scene; all with the same source classes."""

    mean: Emission
    states: tuple[tuple[BuiltScene, Emission], ...]


def mixed_emission(
    scenes: Scenes, mix: SourceMix, calculators: Calculators, finish: Callable[[Scene], Scene] = lambda scene: scene
) -> MixedEmission:
    """Emission of each state of a mixture, and their mean.

    Parameters
    ----------
    finish : callable
        Puts the roughness of a date into a scene.
    """
    built = [scenes.at(state) for state in mix.states]
    built = [replace(b, scene=finish(b.scene)) for b in built]
    found = [compute_emission(b.scene, calculators) for b in built]
    classes = classes_of(found)
    found = [aligned(emission, classes) for emission in found]
    mean = sum(e.pass_energy * w[:, None, :, None, None, None] for e, w in zip(found, mix.weight, strict=True))
    if len({e.mechanisms for e in found}) != 1:
        raise PluginError("calculators give other mechanisms in other states")
    most = int(np.argmax(mix.weight.sum(axis=(1, 2))))
    first = found[most]
    return MixedEmission(
        mean=Emission(first.mechanisms, first.classes, np.asarray(mean), first.power),
        states=tuple(zip(built, found, strict=True)),
    )


def classes_of(emissions: Sequence[Emission]) -> tuple[SourceClass, ...]:
    """All source classes of some emissions, by name."""
    classes = {c.name: c for emission in emissions for c in emission.classes}
    return tuple(classes[name] for name in sorted(classes))


def aligned(emission: Emission, classes: tuple[SourceClass, ...]) -> Emission:
    """The emission with source classes of others among its own."""
    if emission.classes == classes:
        return emission
    names = [c.name for c in classes]

    def spread(array: Array) -> Array:
        out = np.zeros((*array.shape[:-2], len(classes), N_THIRDS))
        for old, source_class in enumerate(emission.classes):
            out[..., names.index(source_class.name), :] = array[..., old, :]
        return out

    return Emission(emission.mechanisms, classes, spread(emission.pass_energy), spread(emission.power))


@dataclass(frozen=True, eq=False)
class Surroundings:
    """One state of water and air: a scene to propagate in, and the shares of time of its states.

    ``states`` maps the kind of a condition to the id of its state, ``shares`` to that state's share of time in each
    period, (n_periods,).
    """

    scene: Scene
    states: Mapping[str, str]
    shares: Mapping[str, Array]

    def share(self, but: str = "") -> Array:
        """Share of time in each period, (n_periods,); of one kind of condition, the state counts as always there."""
        one = np.ones(len(self.scene.period_names))
        return np.asarray(np.prod([one, *(s for kind, s in self.shares.items() if kind != but)], axis=0))


def surroundings(scenes: Scenes, scene: Scene, choices: Choices) -> tuple[Surroundings, ...]:
    """The states of the way of the sound that make up a mixture."""
    conditions = [c for c in scenes.loaded.conditions if c.kind in PATH_KINDS]
    found = [[(c.kind, s.id, share) for s, share in shares(c, choices.get(c.kind))] for c in conditions]
    out = []
    for combination in product(*found):
        states: dict[str, str] = {kind: name for kind, name, _ in combination}
        around = scenes.around(scene, states.get("water"), states.get("air"))
        out.append(Surroundings(around, states, {kind: share for kind, _, share in combination}))
    return tuple(out)

"""What is heard on the points of maps: several situations at once, since the way of the sound costs most and is shared.

A layer is one situation: a sound power per metre, and a mixture of states of the way of the sound. The first layer is
the situation of the report.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import SourceClass, Window
from lineside.engine.emission import Emission
from lineside.engine.grid import line_power
from lineside.engine.levels import heard
from lineside.engine.mixing import (
    WEATHER,
    Choices,
    MixedEmission,
    aligned,
    classes_of,
    mixed_emission,
    source_mix,
    surroundings,
)
from lineside.engine.select import Selection
from lineside.engine.situation import Situation
from lineside.engine.transfer import compute_transfer
from lineside.scene.model import Receivers, Scene

if TYPE_CHECKING:
    from lineside.engine.plan import Plan
    from lineside.engine.run import Task


@dataclass(frozen=True)
class Wanted:
    """A situation, in its periods or, with a ``window``, averaged over clock hours."""

    situation: Situation
    window: Window | None = None


@dataclass(frozen=True, eq=False)
class Way:
    """A mixture of ways of the sound: index of the surroundings -> share of time in each period, (n_periods,).

    ``weather``: one propagation state that prevails all the time, None: the mixture.
    """

    weather: str | None
    shares: Mapping[int, Array]


@dataclass(frozen=True, eq=False)
class Layers:
    """All that maps need to know before any sound travels.

    ``around``: scenes to propagate in; ``way`` (n_layers,) index into ``ways``; ``power`` (n_layers, n_periods,
    n_sections, n_classes, 24): sound power per metre, re 1 pW/m. The energies of the periods of a layer with a window
    add up to its mean.
    """

    classes: tuple[SourceClass, ...]
    around: tuple[Scene, ...]
    ways: tuple[Way, ...]
    way: tuple[int, ...]
    power: Array

    def only(self, layer: int) -> Layers:
        """One of the layers alone."""
        way = self.ways[self.way[layer]]
        around = tuple(self.around[k] for k in way.shares)
        own = Way(way.weather, dict(enumerate(way.shares.values())))
        return Layers(self.classes, around, (own,), (0,), self.power[layer : layer + 1])

    def heard(self, selection: Selection, receivers: Receivers) -> Array:
        """A-weighted mean square of each layer at some points, (n_layers, n_points, n_periods), re (20 uPa)^2."""
        calculator, options = selection.propagation, selection.propagation_options
        transfers = [compute_transfer(scene, calculator, options, self.classes, receivers) for scene in self.around]
        n_sections = self.power.shape[2]
        out = np.empty((len(self.power), len(receivers), self.power.shape[1]))
        for w, way in enumerate(self.ways):
            parts = [
                transfers[k].long_term_by_section(n_sections, way.weather) * share[:, None]
                for k, share in way.shares.items()
            ]
            by_section = np.asarray(np.sum(parts, axis=0))
            for layer in (k for k, own in enumerate(self.way) if own == w):
                out[layer] = heard(by_section, self.power[layer])
        return out


def layer_of(task: Task) -> Layers:
    """The situation of the report alone."""
    return Layers(
        classes=task.emission.mean.classes,
        around=tuple(a.scene for a in task.around),
        ways=(Way(task.weather, {k: a.share() for k, a in enumerate(task.around)}),),
        way=(0,),
        power=line_power(task.scene, task.emission.mean)[None],
    )


def layers_of(planned: Plan, wanted: Sequence[Wanted]) -> Layers:
    """The situation of the report, then those that maps ask for, in their order."""
    asked = [Wanted(planned.situation), *wanted]
    known: dict[tuple[object, ...], Emission] = {}
    emissions = [_emission(planned, w.situation, known) for w in asked]
    classes = classes_of(list(known.values()))
    scene, around = planned.built.scene, _Around(planned)
    ways = [around.way(w.situation.choices) for w in asked]
    distinct = list(dict.fromkeys(key for key, _ in ways))
    by_key = dict(ways)
    power = [
        line_power(scene, aligned(emission, classes), w.window) for emission, w in zip(emissions, asked, strict=True)
    ]
    return Layers(
        classes=classes,
        around=tuple(around.scenes),
        ways=tuple(by_key[key] for key in distinct),
        way=tuple(distinct.index(key) for key, _ in ways),
        power=np.stack(power),
    )


def _emission(planned: Plan, situation: Situation, known: dict[tuple[object, ...], Emission]) -> Emission:
    """Mean emission by which a situation is rated; the same one for situations that differ in the air only."""
    own = {kind: c for kind, c in situation.choices.items() if kind not in ("water", "air", WEATHER)}
    key = (situation.date, *sorted(own.items(), key=str))
    if key not in known:
        same = situation == planned.situation
        known[key] = (planned.task.emission if same else _mixed(planned, situation)).mean
    return known[key]


def _mixed(planned: Plan, situation: Situation) -> MixedEmission:
    scenes = planned.scenes
    by_rail = any(c.by_rail_condition for c, _ in planned.sources)
    mix = source_mix(scenes, scenes.state(situation.date), situation.choices, by_rail)
    return mixed_emission(scenes, mix, planned.sources, lambda scene: planned.rails.at(scene, situation.date))


class _Around:
    """Surroundings of all layers, each state of water and air once."""

    def __init__(self, planned: Plan) -> None:
        self.planned = planned
        self.index: dict[tuple[tuple[str, str], ...], int] = {}
        self.scenes: list[Scene] = []
        for around in planned.task.around:
            self._known(around.states, around.scene)

    def way(self, choices: Choices) -> tuple[tuple[object, ...], Way]:
        """The mixture of some choices, and a key that is the same for the same mixture."""
        found = surroundings(self.planned.scenes, self.planned.built.scene, choices)
        weather = choices.get(WEATHER)
        shares = {self._known(a.states, a.scene): a.share() for a in found}
        way = Way(weather if isinstance(weather, str) else None, shares)
        return (way.weather, *((k, tuple(share.tolist())) for k, share in shares.items())), way

    def _known(self, states: Mapping[str, str], scene: Scene) -> int:
        key = tuple(sorted(states.items()))
        if key not in self.index:
            self.index[key] = len(self.scenes)
            self.scenes.append(scene)
        return self.index[key]

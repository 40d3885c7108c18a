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
from lineside.engine.situation import Situation
from lineside.scene.model import Scene

if TYPE_CHECKING:
    from lineside.engine.plan import Plan
    from lineside.engine.run import Task


@dataclass(frozen=True)
class Wanted:
    """A situation, in its periods or, with a ``window``, averaged over clock hours.

    ``changed``: the plan of a project with measures, None: the project as it is; ``own_way``: they change the way of
    the sound.
    """

    situation: Situation
    window: Window | None = None
    changed: Plan | None = None
    own_way: bool = False


@dataclass(frozen=True, eq=False)
class Layers:
    """All that maps need to know before any sound travels.

    ``around``: scenes to propagate in; ``share`` (n_around, n_layers, n_periods): share of time of each; ``weather``
    (n_layers,): one propagation state that prevails all the time, None: the mixture; ``power`` (n_layers, n_periods,
    n_sections, n_classes, 24): sound power per metre, re 1 pW/m. The energies of the periods of a layer with a window
    add up to its mean.
    """

    classes: tuple[SourceClass, ...]
    around: tuple[Scene, ...]
    share: Array
    weather: tuple[str | None, ...]
    power: Array

    def __len__(self) -> int:
        return len(self.weather)

    def only(self, layer: int) -> Layers:
        """One of the layers alone."""
        share = self.share[:, layer : layer + 1]
        prevails = np.flatnonzero(share.any(axis=(1, 2)))
        around = tuple(self.around[k] for k in prevails)
        one = slice(layer, layer + 1)
        return Layers(self.classes, around, share[prevails], self.weather[one], self.power[one])


def layer_of(task: Task) -> Layers:
    """The situation of the report alone."""
    from lineside.engine.grid import line_power

    return Layers(
        classes=task.emission.mean.classes,
        around=tuple(a.scene for a in task.around),
        share=np.stack([a.share()[None] for a in task.around]),
        weather=(task.weather,),
        power=line_power(task.scene, task.emission.mean)[None],
    )


def layers_of(planned: Plan, wanted: Sequence[Wanted]) -> Layers:
    """The situation of the report, then those that maps ask for, in their order."""
    from lineside.engine.grid import line_power

    asked = [Wanted(planned.situation), *wanted]
    known: dict[tuple[object, ...], Emission] = {}
    emissions = [_emission(planned, w, known) for w in asked]
    classes = classes_of(list(known.values()))
    scene = planned.built.scene
    around: dict[tuple[tuple[str, str], ...], Scene] = {_key(a.states): a.scene for a in planned.task.around}
    shares: list[dict[tuple[tuple[str, str], ...], Array]] = []
    for w in asked:
        own = w.changed if w.changed is not None and w.own_way else planned
        found = surroundings(own.scenes, scene if own is planned else own.built.scene, w.situation.choices)
        way = () if own is planned else (("measures", str(id(own))),)
        shares.append({(*_key(a.states), *way): a.share() for a in found})
        for a in found:
            around.setdefault((*_key(a.states), *way), a.scene)
    never = np.zeros(len(scene.period_names))
    return Layers(
        classes=classes,
        around=tuple(around.values()),
        share=np.array([[of_layer.get(key, never) for of_layer in shares] for key in around]),
        weather=tuple(_weather(w.situation.choices) for w in asked),
        power=np.stack(
            [line_power(scene, aligned(e, classes), w.window) for e, w in zip(emissions, asked, strict=True)]
        ),
    )


def _key(states: Mapping[str, str]) -> tuple[tuple[str, str], ...]:
    return tuple(sorted(states.items()))


def _weather(choices: Choices) -> str | None:
    weather = choices.get(WEATHER)
    return weather if isinstance(weather, str) else None


def _emission(planned: Plan, wanted: Wanted, known: dict[tuple[object, ...], Emission]) -> Emission:
    """Mean emission by which a situation is rated; the same one for situations that differ in the air only."""
    situation, changed = wanted.situation, wanted.changed
    own = {kind: c for kind, c in situation.choices.items() if kind not in ("water", "air", WEATHER)}
    key = (situation.date, id(changed), *sorted(own.items(), key=str))
    if key not in known:
        same = situation == planned.situation and changed is None
        known[key] = (planned.task.emission if same else _mixed(changed or planned, situation)).mean
    return known[key]


def _mixed(planned: Plan, situation: Situation) -> MixedEmission:
    scenes = planned.scenes
    by_rail = any(c.by_rail_condition for c, _ in planned.sources)
    mix = source_mix(scenes, scenes.state(situation.date), situation.choices, by_rail)
    return mixed_emission(scenes, mix, planned.sources, lambda scene: planned.rails.at(scene, situation.date))

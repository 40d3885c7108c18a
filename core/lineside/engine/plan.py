"""What one assessment computes: the emission and the surroundings of its situation, and single states beside it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from lineside.acoustics.bands import Array
from lineside.engine.emission import Emission
from lineside.engine.grid import line_power
from lineside.engine.mixing import (
    SOURCE_KINDS,
    WEATHER,
    Calculators,
    Choices,
    MixedEmission,
    SourceMix,
    aligned,
    classes_of,
    mixed_emission,
    shares,
    source_mix,
    surroundings,
)
from lineside.engine.rails import Rails
from lineside.engine.run import Task
from lineside.engine.select import Selection
from lineside.engine.situation import Situation
from lineside.errors import PluginError
from lineside.project.load import LoadedProject
from lineside.scene.build import BuiltScene, Scenes
from lineside.scene.model import ClassOrSpectrum, Scene
from lineside.scene.rail_runs import RailRuns, rail_runs


@dataclass(frozen=True, eq=False)
class Plan:
    """Everything that is known before any sound travels; ``built`` is the scene of the situation for the report."""

    situation: Situation
    scenes: Scenes
    rails: Rails
    built: BuiltScene
    task: Task
    sources: Calculators  # those of the rating

    def mixture_at(self, date: dt.date) -> SourceMix:
        """States of the sources with the track of a date, by which levels are rated."""
        by_rail = any(c.by_rail_condition for c, _ in self.sources)
        return source_mix(self.scenes, self.scenes.state(date), self.situation.choices, by_rail)

    def wheels(self) -> Mapping[str, Sequence[ClassOrSpectrum]]:
        """Roughness of the wheels in each state that prevails at times, by vehicle id."""
        vehicles = self.scenes.reference.scene.vehicles
        states = [
            state.changes.wheels
            for condition in self.scenes.loaded.conditions
            if condition.kind == "wheels"
            for state, _ in shares(condition, self.situation.choices.get("wheels"))
        ]
        return {v.id: [of_state.get(v.id, v.wheel_roughness) for of_state in states or [{}]] for v in vehicles}

    def emission_at(self, date: dt.date, without: Sequence[str] = (), of_runs: Sequence[int] = ()) -> Emission:
        """Mean emission with track and rails of a date, with the source classes of ``task.emission``.

        Parameters
        ----------
        without, of_runs
            Parts of the roughness that are left out on some runs of rail, by index.

        Raises
        ------
        PluginError
            If there is a source class at this date only, to which no transfer is known.
        """

        def finish(scene: Scene) -> Scene:
            return self.rails.without(scene, date, without, of_runs)

        mixed = mixed_emission(self.scenes, self.mixture_at(date), self.sources, finish)
        classes = self.task.emission.mean.classes
        missing = sorted({c.name for c in mixed.mean.classes} - {c.name for c in classes})
        if missing:
            raise PluginError(f"the source class {missing[0]!r} is heard at some dates only")
        return aligned(mixed.mean, classes)


def rails_of(loaded: LoadedProject, scenes: Scenes, selection: Selection) -> Rails:
    """Runs of rail with works and their calculator; none where the project computes no rail state."""
    if selection.rail_state is None:
        return Rails(RailRuns.none(len(scenes.sections)), None, None)
    return Rails(rail_runs(loaded, scenes.reference.scene, selection.sources), *selection.rail_state)


def plan(
    loaded: LoadedProject, selection: Selection, situation: Situation, also_cut: Mapping[str, Array] | None = None
) -> Plan:
    """Compute the emission of a situation, long-term and in each single state of the sources.

    ``also_cut``: track -> further ends of sections, so that options with measures have the same sections. [m chainage]
    """
    scenes = Scenes(loaded, selection.all_sources, also_cut)
    rails = rails_of(loaded, scenes, selection)
    state = scenes.state(situation.date)

    def finish(scene: Scene) -> Scene:
        return rails.at(scene, situation.date)

    def mixed(choices: Choices, forecast: bool) -> MixedEmission:
        calculators = selection.forecast_sources if forecast else selection.sources
        by_rail = any(c.by_rail_condition for c, _ in calculators)
        return mixed_emission(scenes, source_mix(scenes, state, choices, by_rail), calculators, finish)

    rated = mixed(situation.choices, forecast=False)
    beside = rated if selection.forecast_sources == selection.sources else mixed(situation.choices, forecast=True)
    single = {
        (c.kind, s.id): mixed({**situation.choices, c.kind: s.id}, forecast=True).mean
        for c in loaded.conditions
        if c.kind in SOURCE_KINDS and not isinstance(situation.choices.get(c.kind), str)
        if c.kind != "rail" or selection.by_rail
        for s in c.states
    }
    classes = classes_of([rated.mean, beside.mean, *single.values()])
    built = scenes.at(state)
    built = replace(built, scene=finish(built.scene))

    def power(emission: Emission) -> Array:
        return line_power(built.scene, aligned(emission, classes))

    weather = situation.choices.get(WEATHER)
    return Plan(
        situation=situation,
        scenes=scenes,
        rails=rails,
        built=built,
        task=Task(
            emission=MixedEmission(
                aligned(rated.mean, classes), tuple((b, aligned(e, classes)) for b, e in rated.states)
            ),
            around=surroundings(scenes, built.scene, situation.choices),
            weather=weather if isinstance(weather, str) else None,
            forecast=power(beside.mean),
            single_sources={key: power(emission) for key, emission in single.items()},
        ),
        sources=selection.sources,
    )

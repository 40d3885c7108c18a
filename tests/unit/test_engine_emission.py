"""Calculators that build on the sound power of others."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from lineside.acoustics.bands import Array
from lineside.contracts import Options, SourceCalculator, SourceClass
from lineside.engine.emission import compute_emission
from lineside.errors import PluginError
from lineside.scene.model import Scene
from lineside.small_scene import small_scene

LOW, HIGH = SourceClass("low", 0.5), SourceClass("high", 4.0)


class Steady(SourceCalculator):
    title = "One power everywhere"
    version = "1"

    def __init__(self, name: str, mechanism: str, power: float, source_class: SourceClass = LOW) -> None:
        self.name, self.mechanism, self.power, self.source_class = name, mechanism, power, source_class  # type: ignore[misc]

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        return {self.source_class: np.full((len(scene.traffic), len(scene.sections), 24), self.power)}


class Above(Steady):
    """So many times the power of what it builds on."""

    def __init__(self, name: str, mechanism: str, power: float, *builds_on: str) -> None:
        super().__init__(name, mechanism, power)
        self.builds_on = builds_on  # type: ignore[misc]
        self.seen: list[tuple[str, ...]] = []

    def emission_beside(
        self, scene: Scene, options: Options, others: Mapping[str, Mapping[SourceClass, Array]]
    ) -> Mapping[SourceClass, Array]:
        self.seen.append(tuple(others))
        found: dict[SourceClass, Array] = {}
        for by_class in others.values():
            for source_class, power in by_class.items():
                found[source_class] = found.get(source_class, 0.0) + self.power * power
        return found


def powers(*calculators: SourceCalculator) -> dict[tuple[str, str], float]:
    """Energy of one pass by mechanism and source class, in units of the pass energy of power 1."""
    scene = small_scene()
    unit = compute_emission(scene, [(Steady("unit", "unit", 1.0), Options())]).pass_energy.sum()
    emission = compute_emission(scene, [(c, Options()) for c in calculators])
    by = emission.pass_energy.sum(axis=(0, 2, 3, 5)) / unit
    return {
        (m, c.name): round(float(by[i, k]), 9)
        for i, m in enumerate(emission.mechanisms)
        for k, c in enumerate(emission.classes)
    }


def test_powers_are_those_of_all_calculators_of_the_mechanism_by_source_class() -> None:
    found = powers(
        Steady("b", "rolling", 2.0), Above("a", "squeal", 10.0, "rolling"), Steady("c", "rolling", 3.0),
        Steady("d", "rolling", 7.0, HIGH), Steady("e", "impact", 100.0),
    )  # fmt: skip
    assert (found["squeal", "low"], found["squeal", "high"]) == (50.0, 70.0)
    assert (found["rolling", "low"], found["rolling", "high"]) == (5.0, 7.0)


def test_a_chain_is_followed_whatever_the_names() -> None:
    found = powers(Above("a", "third", 2.0, "second"), Above("b", "second", 3.0, "first"), Steady("c", "first", 1.0))
    assert [found[m, "low"] for m in ("first", "second", "third")] == [1.0, 3.0, 6.0]


def test_it_waits_for_the_last_calculator_of_the_mechanism() -> None:
    """``z`` is of the mechanism that ``a`` builds on, and builds on another one itself."""
    found = powers(
        Above("a", "squeal", 1.0, "rolling"), Steady("b", "rolling", 1.0), Above("z", "rolling", 1.0, "impact"),
        Steady("i", "impact", 4.0),
    )  # fmt: skip
    assert found["squeal", "low"] == 5.0


def test_an_absent_mechanism_is_there_without_classes() -> None:
    above = Above("a", "squeal", 10.0, "rolling", "impact")
    found = powers(Steady("b", "impact", 2.0), above)
    assert above.seen == [("rolling", "impact")] and found["squeal", "low"] == 20.0


@pytest.mark.parametrize("builds_on", [("second",), ("first",)], ids=["each other", "itself"])
def test_a_circle_is_refused(builds_on: tuple[str, ...]) -> None:
    first, second = Above("a", "first", 1.0, *builds_on), Above("b", "second", 1.0, "first")
    with pytest.raises(PluginError, match="a, b build on each other"):
        powers(first, second)


def test_powers_of_others_cannot_be_written_to() -> None:
    class Greedy(Above):
        def emission_beside(self, scene, options, others):  # type: ignore[no-untyped-def]
            for power in others["rolling"].values():
                power *= 2.0
            return {}

    with pytest.raises(ValueError, match="read-only"):
        powers(Steady("b", "rolling", 1.0), Greedy("a", "squeal", 1.0, "rolling"))


def test_wrong_power_is_found_before_others_build_on_it() -> None:
    with pytest.raises(PluginError, match=r"^b, source class 'low': powers must be finite"):
        powers(Steady("b", "rolling", -1.0), Above("a", "squeal", 1.0, "rolling"))

"""What calculators say about how far they may be off is held to the contract."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
import pytest

from lineside.contracts import Citation, Doubt, OptionDoubt, Options, PathDoubt, SourceCalculator, Standing
from lineside.doubt_checks import path_doubt_problems, source_doubt_problems
from lineside.errors import PluginError
from lineside.plugin_checks import check_offer
from lineside.plugins import Plugins

PLUGINS = Plugins.load()


class Hum(SourceCalculator):
    """A source that is silent."""

    name, title, version, mechanism = "hum", "Hum", "1", "hum"
    sources = (Citation("x", "x", "x", 2020),)

    def emission(self, scene, options):
        return {}


class Nameless(Hum):
    def doubt(self, options):
        return Doubt(2.0, Standing.ASSUMPTION, " ")


class Untabulated(Hum):
    class_doubts: ClassVar = {"rail_roughness": Doubt(2.0, Standing.ASSUMPTION, "x")}


class Other(Options):
    """Options of something else."""


class Mixed(Hum):
    options_model = type("Own", (Options,), {"__doc__": "Own options."})

    def option_doubts(self, options):
        return (OptionDoubt("x", 0.0, 1.0, 2.0, lambda options, value: Other(), Standing.USER, "y"),)


def test_a_sound_plugin_may_say_nothing() -> None:
    check_offer(Hum())


@pytest.mark.parametrize(
    ("offer", "words"),
    [
        (Nameless(), "does not say where it comes from"),
        (Untabulated(), "of which it tabulates no class"),
        (Mixed(), "options of its own model"),
    ],
)
def test_broken_doubts_are_named(offer: SourceCalculator, words: str) -> None:
    with pytest.raises(PluginError, match=words):
        check_offer(offer)


def test_bundled_sources_and_ways_state_how_far_they_may_be_off() -> None:
    for source in PLUGINS.source_calculators:
        if source.options_model.model_fields and any(
            f.is_required() for f in source.options_model.model_fields.values()
        ):
            continue
        assert not list(source_doubt_problems(source, source.options_model()))
        assert source.doubt(source.options_model()) is not None or source.name == "squeal_passes"
    for way in PLUGINS.propagation_calculators:
        options = way.options_model()
        assert not list(path_doubt_problems(way, options)) and way.doubt(np.ones(1), np.ones(1), options) is not None


def test_the_accuracy_of_iso_9613_2_depends_on_distance_and_height() -> None:
    """ISO 9613-2:1996, Table 5, from memory: 3 dB; 1 dB up to 100 m where the mean height is 5 m and more."""
    (way,) = (p for p in PLUGINS.propagation_calculators if p.name == "iso9613")
    distance, height = np.array([50.0, 50.0, 500.0, 500.0]), np.array([2.0, 8.0, 2.0, 8.0])
    found = way.doubt(distance, height, way.options_model())
    assert isinstance(found, PathDoubt)
    assert found.half_width_db.tolist() == [3.0, 1.0, 3.0, 3.0]

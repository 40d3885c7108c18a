"""Every shipped calculator, criterion and method keeps what it declares; and the check notices when one does not."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from typing import ClassVar

import numpy as np
import pytest

from lineside.acoustics.bands import Array
from lineside.contracts import (
    Citation,
    Criterion,
    LimitCheck,
    NotApplicable,
    Offer,
    Options,
    PathLoss,
    PropagationCalculator,
    ReceiverUse,
    SourceCalculator,
    SourceClass,
    Standing,
    Term,
    Verification,
    Window,
)
from lineside.errors import PluginError
from lineside.measures import DoseEffect, Effect, Facts, Known, Lack, Measure
from lineside.plugin_checks import check_offer
from lineside.plugins import Plugins
from lineside.project.model import Project, Work
from lineside.scene.model import Receivers, Scene, SourcePoints
from lineside.small_scene import small_powers, small_scene

PLUGINS = Plugins.load()
OFFERS: tuple[Offer, ...] = (
    *PLUGINS.source_calculators,
    *PLUGINS.propagation_calculators,
    *PLUGINS.rail_states,
    *PLUGINS.criteria,
    *PLUGINS.measures,
    *PLUGINS.dose_effects,
)
#: Options for offers that cannot do without, or are silent without.
NEEDED = {
    "de_railway": {"vehicles": {"car": {"category": 21}, "wagon": {"category": 10, "brake": "composite_block"}}},
    "custom": {
        "title": "Operating permit, condition 14",
        "source": "Permit of 3 May 2019, page 12",
        "limits": [
            {"quantity": "lden", "limit_db": 60, "uses": ["dwelling"]},
            {"quantity": "laeq", "from_hour": 22, "to_hour": 6, "limit_db": 49},
            {"quantity": "lafmax", "limit_db": 75, "uses": ["dwelling", "hospital"]},
        ],
    },
    "squeal_passes": {
        "shares": [{"radius_up_to_m": 300, "share": {"low": 0.1, "likely": 0.2, "high": 0.5}, "source": "Estimate"}],
        "level": {"excess_db": {"likely": 15}, "source": "Estimate"},
    },
    "acoustic_grinding": {"track": "T"},
    "earlier_grinding": {"track": "T", "interval_months": 6, "until": "2028-01-01"},
    "monitored_rail": {"track": "T"},
    "rail_dampers": {"track": "T", "from_m": 100},
    "rail_shields": {"track": "T"},
    "rail_pads": {"track": "T", "rail_pad": "hard"},
    "gauge_lubrication": {"track": "T"},
    "friction_modifier": {"track": "T"},
    "joint_removal": {"track": "T"},
    "turnout_renewal": {"track": "T", "impact_reduction_db": 5, "source": "Offer of a maker"},
    "smoother_wheels": {"vehicles": ["car"], "wheel_roughness": "disc"},
    "wheel_dampers": {"vehicles": ["car"], "reduction_db": {2000: 3}, "source": "Trial of a maker"},
    "speed_restriction": {"track": "T", "from_m": 300, "to_m": 600, "speed_km_h": 30, "periods": ["night"]},
    "other_times": {"service": "E", "later_min": 180, "before": "06:00"},
    "other_track": {"service": "S", "track": "U"},
    "driving_instruction": {"services": ["S"], "acceleration_factor": 0.7},
    "barrier": {"id": "N", "line": [[0, 20], [500, 20]], "height_m": 2},
    "bank": {"id": "N", "line": [[0, 60], [500, 60]], "height_m": 3},
    "close_barrier": {"id": "N", "track": "T", "side": "left", "offset_m": 2, "above_rail_m": 0.8},
    "absorbing_facing": {"barriers": ["B"]},
    "bridge_treatment": {"track": "T", "reduction_db": {125: 3}, "source": "Trial of a maker"},
    "facade_insulation": {"receivers": ["R"], "low_db": 5, "likely_db": 8, "high_db": 10, "source": "Offer"},
}


def test_every_entry_point_loads() -> None:
    assert PLUGINS.failed == ()
    assert {PLUGINS.origin(offer).distribution for offer in OFFERS} >= {"lineside"}


def options_of(offer: Offer) -> Options:
    return offer.options_model.model_validate(NEEDED.get(offer.name, {}))


@pytest.mark.parametrize("offer", OFFERS, ids=lambda offer: offer.name)
def test_offer_keeps_its_contract(offer: Offer) -> None:
    check_offer(offer, options_of(offer))


@pytest.mark.parametrize("calculator", PLUGINS.source_calculators, ids=lambda offer: offer.name)
def test_the_small_scene_makes_every_mechanism_sound(calculator: SourceCalculator) -> None:
    scene, options = small_scene(calculator.vocabulary), options_of(calculator)
    given = calculator.emission_beside(scene, options, small_powers(scene, calculator.builds_on))
    assert max(power.max() for power in given.values()) > 0


@pytest.mark.parametrize("method", PLUGINS.methods, ids=lambda method: method.name)
def test_method_names_calculators_that_are_there(method) -> None:  # type: ignore[no-untyped-def]
    sources = {c.name: c for c in PLUGINS.source_calculators}
    propagation = {c.name: c for c in PLUGINS.propagation_calculators}
    assert method.source_calculators and set(method.source_calculators) <= set(sources)
    assert method.propagation in propagation
    for name, options in method.options.items():
        (sources | propagation)[name].options_model.model_validate(options)
    assert len({sources[name].mechanism for name in method.source_calculators}) == len(method.source_calculators)


# From here on: the check itself, on small calculators of which one promise at a time is broken.


class HumOptions(Options):
    pass


class Hum(SourceCalculator):
    name = "hum"
    title = "Hum of one watt"
    version = "1"
    mechanism = "hum"
    sources = (Citation("own", "Own notes", "Nobody", 2026),)
    options_model = HumOptions
    vocabulary: Mapping[str, tuple[Term, ...]] = {"traction": (Term("steam", "Steam engine"),)}

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        power = np.where(scene.traffic.seconds_per_m > 0, 1e12, 0.0)
        return {SourceClass("hum", 0.5): np.repeat(power[:, :, None], 24, axis=2)}


class Echo(Hum):
    """As loud as all hum together."""

    name = "echo"
    mechanism = "echo"
    builds_on = ("hum",)

    def emission_beside(
        self, scene: Scene, options: Options, others: Mapping[str, Mapping[SourceClass, Array]]
    ) -> Mapping[SourceClass, Array]:
        return {source_class: 1.0 * power for source_class, power in others["hum"].items()}


class Straight(PropagationCalculator):
    name = "straight"
    title = "Divergence only"
    version = "1"
    sources = (Citation("own", "Own notes", "Nobody", 2026),)
    states = ("any",)

    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        up = np.array([0.0, 0.0, 1.0])
        source = points.xyz_m[:, None, :] + heights_m[:, None] * up
        square = ((receivers.xyz_m[:, None, None, :] - source) ** 2).sum(axis=-1)
        return PathLoss(("any",), np.repeat((1 / (4 * np.pi * square))[..., None, None], 8, axis=-1))

    def state_share(self, favourable: Array) -> Array:
        return np.ones((*favourable.shape, 1))

    def source_ground_g(self, form: str) -> float:
        return 0.0

    def surfaces(self) -> Mapping[str, tuple[float, str]]:
        return {"meadow": (1.0, "Grass")}


class Fixed(Criterion):
    name = "fixed"
    title = "60 dB everywhere"
    version = "1"
    sources = (Citation("own", "Own notes", "Nobody", 2026),)
    place = "nowhere"
    valid_from = "2026"
    nature = "example"

    def checks(self, receiver: ReceiverUse, options: Options):  # type: ignore[no-untyped-def]
        return (LimitCheck("lden_db", 60.0, "Lden"),)


@pytest.mark.parametrize("good", [Hum(), Echo(), Straight(), Fixed()], ids=lambda offer: offer.name)
def test_a_sound_calculator_passes(good: Offer) -> None:
    assert check_offer(good) is None


class Undocumented(Options):
    depth_mm: float = 1.0


class Loose(HumOptions, extra="ignore"):
    pass


BROKEN_DECLARATIONS = {
    "name": ("Hum!", "lower-case letters"),
    "title": (" ", "title is empty"),
    "mechanism": ("", "mechanism is empty"),
    "sources": ((), "names no source"),
    "verification": (Verification.PUBLISHED, "verification_note does not say"),
    "options_model": (Undocumented, "option depth_mm of Undocumented has no description"),
    "vocabulary": ({"colour": (Term("red", "Red"),)}, "no attribute is called 'colour'"),
}


@pytest.mark.parametrize("attribute", BROKEN_DECLARATIONS)
def test_a_broken_declaration_is_found(attribute: str) -> None:
    value, message = BROKEN_DECLARATIONS[attribute]
    with pytest.raises(PluginError, match=message):
        check_offer(type("Broken", (Hum,), {attribute: value})())


def test_options_that_ignore_unknown_keys_are_found() -> None:
    with pytest.raises(PluginError, match="Loose must refuse unknown keys"):
        check_offer(type("Broken", (Hum,), {"options_model": Loose})())


def test_a_class_without_meaning_is_found() -> None:
    words = {"traction": (Term("steam", ""), Term("steam", "Twice"))}
    with pytest.raises(PluginError, match=r"one name twice(.|\n)*has no meaning"):
        check_offer(type("Broken", (Hum,), {"vocabulary": words})())


def emission(change):  # type: ignore[no-untyped-def]
    """A Hum whose emission is changed by ``change(scene, power)``."""

    def broken(self: Hum, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        ((source_class, power),) = Hum.emission(self, scene, options).items()
        changed = change(scene, power)
        return changed if isinstance(changed, dict) else {source_class: changed}

    return type("Broken", (Hum,), {"emission": broken})()


def spoil(scene: Scene, power: Array) -> Array:
    scene.traffic.speed_km_h[:] += 1.0
    return power


STATE = np.random.default_rng(1)
BROKEN_EMISSIONS = {
    "shape": (lambda scene, power: power[:, :1], r"shape \(4, 1, 24\)"),
    "nan": (lambda scene, power: power * np.nan, "finite and at least 0"),
    "negative": (lambda scene, power: -power, "finite and at least 0"),
    "dtype": (lambda scene, power: power.astype(np.float32), "float32"),
    "scene": (spoil, "changes the scene"),
    "random": (lambda scene, power: power * STATE.random(), "changes from call to call"),
    "order": (lambda scene, power: power * np.arange(4)[:, None, None], "order of the traffic rows"),
    "gain": (
        lambda scene, power: {SourceClass("hum", 0.5, lambda phi, psi: np.cos(np.radians(phi))): power},
        "gain of 'hum' has the shape",
    ),
}


@pytest.mark.parametrize("kind", BROKEN_EMISSIONS)
def test_a_broken_emission_is_found(kind: str) -> None:
    change, message = BROKEN_EMISSIONS[kind]
    with pytest.raises(PluginError, match=message):
        check_offer(emission(change))


@pytest.mark.parametrize("name", ["echo", " "])
def test_a_calculator_that_builds_on_itself_or_nothing_is_found(name: str) -> None:
    with pytest.raises(PluginError, match="must name other mechanisms"):
        check_offer(type("Broken", (Echo,), {"builds_on": ("hum", name)})())


def beside(change):  # type: ignore[no-untyped-def]
    def broken(self, scene, options, others):  # type: ignore[no-untyped-def]
        return {c: change(power) for c, power in others["hum"].items()}

    return type("Broken", (Echo,), {"emission_beside": broken})()


def spoil_power(power: Array) -> Array:
    power *= 2.0
    return power.copy()


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (spoil_power, "changes the scene or the powers that it builds on"),
        (lambda power: power * STATE.random(), "changes from call to call"),
        (lambda power: power[0] + 0 * power, "order of the traffic rows"),
        (lambda power: power[:, :1], r"shape \(4, 1, 24\)"),
    ],
)
def test_a_broken_emission_beside_others_is_found(change, message: str) -> None:  # type: ignore[no-untyped-def]
    with pytest.raises(PluginError, match=message):
        check_offer(beside(change))


def path_loss(change):  # type: ignore[no-untyped-def]
    def broken(self, scene, points, heights_m, receivers, options):  # type: ignore[no-untyped-def]
        sound = Straight.path_loss(self, scene, points, heights_m, receivers, options)
        return dataclasses.replace(sound, transfer=change(sound.transfer))

    return {"path_loss": broken}


def spread(distance: Array) -> Array:
    """Divergence to a receiver at the height of the source."""
    return np.repeat((1 / (4 * np.pi * distance**2))[..., None], 8, axis=-1)


def bound(most):  # type: ignore[no-untyped-def]
    return {"most_transfer": lambda self, scene, distance_m, options: most(distance_m)}


BROKEN_PROPAGATION = {
    "shape": (path_loss(lambda t: t[..., :4]), r"transfer has the shape \(3, 5, 2, 1, 4\)"),
    "nan": (path_loss(lambda t: np.nan * t), "finite and at least 0"),
    "order": (path_loss(lambda t: t * np.arange(1, 4)[:, None, None, None, None]), "order of receivers, points"),
    "states": ({"states": ("other",)}, "declared are"),
    "share": ({"state_share": lambda self, favourable: favourable[..., None]}, "sum to 1"),
    "ground": ({"source_ground_g": lambda self, form: 2.0}, r"source_ground_g\('ballast'\): G must lie"),
    "surface": ({"surfaces": lambda self: {"meadow": (1.0, "")}}, "surface 'meadow' has no meaning"),
    "ratio": ({"max_piece_ratio": lambda self, options: 0.0}, "max_piece_ratio"),
    "bound too low": (bound(lambda d: 0.9 * spread(d)), "passes on up to 0.46 dB more than the bound"),
    "bound rises": (bound(lambda d: np.full((*d.shape, 8), 1e9) + d[..., None]), "rises with distance"),
    "bound shape": (bound(lambda d: spread(d)[..., :4]), r"most_transfer\(\) has the shape"),
}


def test_a_bound_that_holds_passes() -> None:
    check_offer(type("Bounded", (Straight,), bound(spread))())


@pytest.mark.parametrize("kind", BROKEN_PROPAGATION)
def test_a_broken_propagation_is_found(kind: str) -> None:
    members, message = BROKEN_PROPAGATION[kind]
    with pytest.raises(PluginError, match=message):
        check_offer(type("Broken", (Straight,), members)())


BROKEN_CRITERIA = {
    "nothing": ((), "give a NotApplicable with its reason"),
    "no reason": (NotApplicable(" "), "without a reason"),
    "quantity": ((LimitCheck("ldn_db", 60.0, "Ldn"),), "unknown quantity 'ldn_db'"),
    "no window": ((LimitCheck("laeq_db", 60.0, "LAeq"),), "a window belongs to laeq_db"),
    "window": ((LimitCheck("lden_db", 60.0, "Lden", Window(6, 22)),), "a window belongs to laeq_db"),
    "nan": ((LimitCheck("lden_db", float("nan"), "Lden"),), "finite limit"),
    "label": ((LimitCheck("lden_db", 60.0, ""),), "and a label"),
}


@pytest.mark.parametrize("kind", BROKEN_CRITERIA)
def test_a_broken_criterion_is_found(kind: str) -> None:
    answer, message = BROKEN_CRITERIA[kind]
    with pytest.raises(PluginError, match=message):
        check_offer(type("Broken", (Fixed,), {"checks": lambda self, receiver, options: answer})())


class Paint(Measure):
    """Paints barriers another colour, at the side of the track."""

    name = "paint"
    title = "Paint"
    version = "1"
    sources = (Citation("own", "Own notes", "Nobody", 2026),)
    side = "path"
    acts_on = ("all",)
    near_track = True

    def facts(self) -> Facts:
        return Facts()

    def apply(self, project: Project, options: Options, known: Known) -> Project:
        barriers = tuple(b.model_copy(update={"surface": "absorbing"}) for b in project.barriers)
        return project.model_copy(update={"barriers": barriers})


class Half(DoseEffect):
    """Half of all people above 60 dB."""

    name = "half"
    title = "Half"
    version = "1"
    sources = (Citation("own", "Own notes", "Nobody", 2026),)
    effects: ClassVar[Mapping[str, str]] = {"bothered": "lden_db"}

    def share(self, effect: str, level_db: Array) -> Array:
        return np.where(level_db > 60.0, 0.5, 0.0)

    def valid(self, effect: str, level_db: Array):  # type: ignore[no-untyped-def]
        return level_db > 30.0


@pytest.mark.parametrize("good", [Paint(), Half()], ids=lambda offer: offer.name)
def test_a_sound_measure_passes(good: Offer) -> None:
    assert check_offer(good) is None


def changed(**parts):  # type: ignore[no-untyped-def]
    """An apply() that changes parts of the project."""
    return {"apply": lambda self, project, options, known: project.model_copy(update=parts)}


def spoil_project(self, project, options, known):  # type: ignore[no-untyped-def]
    object.__setattr__(project, "lineside", 2)
    return project


def moving(self, project, options, known):  # type: ignore[no-untyped-def]
    alignment = project.tracks[0].alignment.model_copy(update={"start_chainage_m": 5.0})
    track = project.tracks[0].model_copy(update={"alignment": alignment})
    return project.model_copy(update={"tracks": (track, *project.tracks[1:])})


GREASE = {"date": "2026-06-01", "kind": "lubrication", "track": "T", "from_m": 0.0, "to_m": 10.0}
BROKEN_MEASURES = {
    "nothing": ({"apply": lambda self, project, options, known: project}, "without_effect() does not say why"),
    "input": ({"apply": spoil_project}, "changes the project that it is given"),
    "receivers": (changed(receivers=()), "apply() changes receivers"),
    "tracks": ({"apply": moving}, "moves tracks"),
    "friction": (changed(works=(Work.model_validate(GREASE),)), "on_friction is not set"),
    "near": ({"near_track": False}, "near_track is not set"),
    "indoors": ({"side": "indoors", "acts_on": ()}, "says that it does nothing outdoors"),
    "side": ({"side": "above"}, "side 'above' is none of source, path"),
    "caution": ({"cautions": lambda self: ()}, "what work near the track needs"),
    "amounts": ({"amounts": lambda self, project, options, known: {"m": -1.0}}, "at least 0"),
    "lacks": ({"lacks": lambda self, *_: [Lack("date", "is missing")]}, "date: is missing"),
}


@pytest.mark.parametrize("kind", BROKEN_MEASURES)
def test_a_broken_measure_is_found(kind: str) -> None:
    members, message = BROKEN_MEASURES[kind]
    with pytest.raises(PluginError, match=re.escape(message)):
        check_offer(type("Broken", (Paint,), members)())


def test_an_effect_without_a_source_cannot_be_stated() -> None:
    with pytest.raises(PluginError, match="is stated, but names no source"):
        Effect("rolling", 1.0, 2.0, None, "dB", "", Standing.READ)
    assert not Effect("rolling", 1.0, 2.0, None, "dB", "", Standing.PRACTICE).stated


BROKEN_RELATIONS = {
    "falls": ({"share": lambda self, effect, level: np.where(level > 60.0, 0.0, 0.5)}, "not fall with the level"),
    "range": ({"share": lambda self, effect, level: 0.02 * level}, "between 0 and 1"),
    "indicator": ({"effects": {"bothered": "lmax_db"}}, "neither lden_db nor lnight_db"),
}


@pytest.mark.parametrize("kind", BROKEN_RELATIONS)
def test_a_broken_relation_is_found(kind: str) -> None:
    members, message = BROKEN_RELATIONS[kind]
    with pytest.raises(PluginError, match=message):
        check_offer(type("Broken", (Half,), members)())


def test_options_with_required_fields_are_asked_for() -> None:
    custom = PLUGINS.find(Criterion, "custom")  # type: ignore[type-abstract]
    with pytest.raises(PluginError, match="custom: options have required fields"):
        check_offer(custom)

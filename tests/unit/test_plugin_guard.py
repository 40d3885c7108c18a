"""What fails inside a plugin is said with its name, the hook and the call."""

from __future__ import annotations

import copy
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

import lineside
from lineside import cli
from lineside.acoustics.bands import Array
from lineside.contracts import (
    Citation,
    Criterion,
    LimitCheck,
    Method,
    Note,
    Options,
    ReceiverUse,
    SourceCalculator,
    SourceClass,
)
from lineside.errors import OutOfRangeError, PluginError
from lineside.hookspecs import hookimpl
from lineside.measures import Facts, Measure
from lineside.plugins import Origin, Plugins
from lineside.scene.model import Scene
from lineside.small_project import small_known, small_project
from lineside.small_scene import small_scene
from sites import straight_site, write_site

WHO = "plugin lineside-broken 0.3: "
OWN = (Citation("own", "Own notes", "Nobody", 2026),)


class Hum(SourceCalculator):
    name = "hum"
    title = "Hum"
    version = "1"
    mechanism = "hum"
    sources = OWN

    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        return {SourceClass("hum", 0.5, self.gain): np.ones((len(scene.traffic), len(scene.sections), 24))}

    def gain(self, phi_deg: Array, psi_deg: Array) -> Array:
        return np.ones((*phi_deg.shape, 24))


class Fixed(Criterion):
    name = "fixed"
    title = "60 dB everywhere"
    version = "1"
    sources = OWN
    place = valid_from = nature = "example"

    def checks(self, receiver: ReceiverUse, options: Options) -> Any:
        return (LimitCheck("lden_db", 60.0, "Lden"),)


class Nothing(Measure):
    name = "nothing"
    title = "Nothing"
    version = "1"
    sources = OWN
    side = "waiting"
    acts_on = ()

    def facts(self) -> Facts:
        return Facts()

    def apply(self, project: Any, options: Options, known: Any) -> Any:
        return project


def plugin(hook: str, given: Any) -> SimpleNamespace:
    def register() -> Any:
        return given() if isinstance(given, Callable) and not isinstance(given, type) else given  # type: ignore[arg-type]

    return SimpleNamespace(**{hook: hookimpl(register, specname=hook)})


def load(hook: str, *given: Any) -> Plugins:
    return Plugins([(plugin(hook, list(given)), Origin("lineside-broken", "0.3"))])


def raising(*_: Any, **__: Any) -> Any:
    return 1 / 0


def broken(base: type, call: str, does: Callable[..., Any] = raising) -> Any:
    return type("Broken", (base,), {call: does})()


def asked(found: Plugins, call: str) -> Any:
    """Call a broken method as the engine does."""
    if found.source_calculators:
        (hum,) = found.source_calculators
        calls: dict[str, Callable[[], Any]] = {
            "emission": lambda: hum.emission_beside(small_scene(), Options(), {}),
            "notes": lambda: hum.notes(small_scene(), Options()),
            "statement": lambda: hum.statement(Options()),
            "data_files": lambda: hum.data_files(),
            "gain": lambda: [c.gain(np.zeros(2), np.zeros(2)) for c in hum.emission(small_scene(), Options())],
        }
    elif found.criteria:
        (fixed,) = found.criteria
        calls = {
            "checks": lambda: fixed.checks(ReceiverUse("R", "dwelling", None), Options()),
            "particulars": lambda: fixed.particulars(Options()),
        }
    else:
        (nothing,), project = found.measures, small_project()
        calls = {
            "apply": lambda: nothing.apply(project, Options(), small_known(project)),
            "approvals": lambda: nothing.approvals(),
        }
    return calls[call]()


CALLS = [
    (Hum, "emission", "hum of register_source_calculators: emission() failed"),
    (Hum, "notes", "hum of register_source_calculators: notes() failed"),
    (Hum, "statement", "hum of register_source_calculators: statement() failed"),
    (Hum, "data_files", "hum of register_source_calculators: data_files() failed"),
    (Hum, "gain", "hum of register_source_calculators: gain of the source class 'hum' failed"),
    (Fixed, "checks", "fixed of register_criteria: checks() failed"),
    (Fixed, "particulars", "fixed of register_criteria: particulars() failed"),
    (Nothing, "apply", "nothing of register_measures: apply() failed"),
]
HOOKS = {Hum: "register_source_calculators", Fixed: "register_criteria", Nothing: "register_measures"}


@pytest.mark.parametrize(("base", "call", "message"), CALLS, ids=[f"{b.__name__}.{c}" for b, c, _ in CALLS])
def test_an_exception_names_plugin_object_hook_and_call(base: type, call: str, message: str) -> None:
    found = load(HOOKS[base], broken(base, call))
    with pytest.raises(PluginError) as caught:
        asked(found, call)
    said = str(caught.value)
    assert said.startswith(WHO + message)
    assert "ZeroDivisionError: division by zero (test_plugin_guard.py, line " in said


ANSWERS = [
    (Hum, "emission", lambda *_: 3, "emission() gave a int, where a Mapping is asked for"),
    (Hum, "emission", lambda *_: {"hum": 3}, "emission() gave a str inside, where a SourceClass is due"),
    (Hum, "notes", lambda *_: "all well", "notes() gave a str, where a Sequence is asked for"),
    (Hum, "notes", lambda *_: [Note("assumption", "a"), None], "notes() gave a NoneType inside"),
    (Hum, "statement", lambda *_: None, "statement() gave a NoneType, where a str is asked for"),
    (Fixed, "checks", lambda *_: None, "checks() gave a NoneType, where a NotApplicable or Sequence is asked for"),
    (Fixed, "checks", lambda *_: [60.0], "checks() gave a float inside, where a LimitCheck is due"),
    (Nothing, "apply", lambda *_: None, "apply() gave a NoneType, where a Project is asked for"),
    (Nothing, "approvals", lambda *_: "the town", "approvals() gave a str, where a Sequence is asked for"),
]


@pytest.mark.parametrize(("base", "call", "does", "message"), ANSWERS)
def test_an_answer_of_another_kind_is_named(base: type, call: str, does: Callable[..., Any], message: str) -> None:
    with pytest.raises(PluginError) as caught:
        asked(load(HOOKS[base], broken(base, call, does)), call)
    assert str(caught.value).startswith(WHO) and message in str(caught.value)


def test_errors_of_lineside_pass_and_good_answers_are_the_same() -> None:
    def outside(*_: Any) -> Any:
        raise OutOfRangeError("a speed of 900 km/h")

    with pytest.raises(OutOfRangeError, match=r"^a speed of 900 km/h$"):
        asked(load(HOOKS[Hum], broken(Hum, "emission", outside)), "emission")
    plain, scene = Hum(), small_scene()
    (one,) = plain.emission(scene, Options()).items()
    (hum,) = load(HOOKS[Hum], plain).source_calculators
    (other,) = hum.emission_beside(scene, Options(), {}).items()
    assert hum is plain and one[0] == other[0] and np.array_equal(one[1], other[1])
    gains = [next(iter(hum.emission(scene, Options()))).gain for _ in range(2)]
    assert gains[0] is gains[1]  # what is kept by gain is found again


def test_the_same_object_may_be_registered_again() -> None:
    hum = broken(Hum, "notes")
    for _ in range(3):
        found = load(HOOKS[Hum], hum)
    with pytest.raises(PluginError) as caught:
        asked(found, "notes")
    assert str(caught.value).count(WHO) == 1


@pytest.mark.parametrize(
    ("given", "message"),
    [
        (raising, "register_criteria() failed: ZeroDivisionError"),
        (lambda: 3, "register_criteria() failed: TypeError: 'int' object is not iterable"),
    ],
)
def test_a_hook_that_fails_is_named(given: Any, message: str) -> None:
    with pytest.raises(PluginError) as caught:
        Plugins([(plugin("register_criteria", given), Origin("lineside-broken", "0.3"))])
    assert str(caught.value).startswith(WHO + message)


UNDECLARED = [
    ("title", 3, "title must be text"),
    ("version", "", "version must be text"),
    ("options_model", dict, "options_model must be a subclass of Options"),
    ("sources", ["a page"], "sources must be a tuple of Citation"),
    ("mechanism", None, "mechanism must be text"),
    ("vocabulary", {"traction": ("steam",)}, "vocabulary must map attributes to Terms"),
]


@pytest.mark.parametrize(("attribute", "value", "message"), UNDECLARED)
def test_a_declaration_of_another_kind_is_refused_when_loading(attribute: str, value: Any, message: str) -> None:
    with pytest.raises(PluginError, match=f"lineside-broken: register_source_calculators: .*'hum': {message}"):
        load(HOOKS[Hum], broken(Hum, attribute, value))


def test_a_method_of_another_kind_is_refused_when_loading() -> None:
    with pytest.raises(PluginError, match="register_methods: Method 'm': source_calculators must be a tuple"):
        load("register_methods", Method("m", "M", "hum", "eu_propagation"))  # type: ignore[arg-type]


class Loaded:
    """What the command line loads: all bundled plugins and one more."""

    @hookimpl
    def register_methods(self) -> Sequence[Method]:
        return [Method("humming", "Hum", ("hum",), "eu_propagation", {"hum": {"lw_db": 3}})]


def test_the_command_ends_with_the_code_of_plugins(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    site = copy.deepcopy(straight_site())
    site["criteria"] = [{"name": "fixed"}]
    folder = write_site(site, tmp_path / "site")
    bundled = Plugins.load()
    more = [(plugin("register_criteria", [broken(Fixed, "checks")]), Origin("lineside-broken", "0.3"))]
    monkeypatch.setattr(Plugins, "load", classmethod(lambda cls: cls([*bundled._modules, *more])))
    done = CliRunner().invoke(cli.main, ["assess", str(folder), "--quiet"])
    assert done.exit_code == cli.EXIT_PLUGIN
    assert f"lineside: {WHO}fixed of register_criteria: checks() failed: ZeroDivisionError" in done.output


def test_options_of_a_method_that_do_not_fit_are_named(tmp_path: Path) -> None:
    site = copy.deepcopy(straight_site())
    site["calculation"] = {"method": "humming"}
    hum = plugin("register_source_calculators", [Hum()])
    here = Origin("lineside-broken", "0.3")
    plugins = Plugins([*Plugins.load()._modules, (hum, here), (Loaded(), here)])
    with pytest.raises(PluginError, match="options of hum do not fit those of the method humming: lw_db: Extra inputs"):
        lineside.assess(write_site(site, tmp_path), plugins)

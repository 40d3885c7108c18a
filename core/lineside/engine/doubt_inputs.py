"""All that is uncertain in an assessment: ranges of the project, and what calculators say of themselves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import OptionDoubt, RangeForm, Standing
from lineside.doubt_checks import fits
from lineside.engine.doubt_model import Case, DoubtModel, OptionChange, tabulated_classes
from lineside.engine.draws import NORMAL, Z95, Distribution
from lineside.errors import PluginError
from lineside.project.problems import Loc
from lineside.project.ranges import GivenRange
from lineside.scene.model import BoolArray

#: Groups of inputs whose shares are told, in order; those of mechanisms come first.
METHOD = "method"
PROPAGATION, RAIL, WHEEL, WEAR, SQUEAL = "propagation", "rail_roughness", "wheel_roughness", "wear_in", "squeal"
TRAFFIC, SPEED, GROUND, WEATHER, OTHER = "traffic", "speed", "ground", "weather", "other"
GROUPS = (PROPAGATION, RAIL, WHEEL, WEAR, SQUEAL, TRAFFIC, SPEED, GROUND, WEATHER, OTHER)

_KINDS = {"rail_roughness": RAIL, "impact_roughness": RAIL, "wheel_roughness": WHEEL}
_SPEEDS = {"speed_limit_km_h", "speed_km_h", "speed_restrictions", "max_speed_km_h", "pattern"}
_WEATHERS = {"air", "favourable", "water", "rail"}
_GROUNDS = {"default_ground", "source_ground_g", "ground_areas", "exposed", "g"}


@dataclass(frozen=True, eq=False)
class Uncertain:
    """One uncertain input.

    Ranges of methods are errors about 0 dB: ``half_width_db`` (n_receivers,) on ``parts`` (n_parts,); for all others
    ``case`` gives the model's inputs at a value. ``ends``: cases at low and high where nothing lies between.
    """

    group: str
    label: str
    distribution: Distribution
    unit: str
    standing: Standing
    source: str
    case: Callable[[float], Case] | None = None
    ends: tuple[Case, Case] | None = None
    half_width_db: Array | None = None
    parts: BoolArray | None = None


def uncertain_inputs(model: DoubtModel, distance_m: Array, height_m: Array) -> list[Uncertain]:
    """All inputs with any doubt, in the order of their groups.

    Parameters
    ----------
    distance_m, height_m : ndarray, (n_receivers,)
        Plan distance of receivers to the nearest track; mean height of rails and receiver above the ground.
    """
    found = [
        *_methods(model),
        *_propagation(model, distance_m, height_m),
        *_classes(model),
        *_spectra(model),
        *_wear(model),
        *_options(model),
        *(_given(r, model.vocabulary.mechanisms) for r in model.loaded.ranges),
    ]
    order = {g: k for k, g in enumerate((*(f"{METHOD}:{m}" for m in model.mechanisms), *GROUPS))}
    some = [u for u in found if u.distribution.low < u.distribution.high]
    return sorted(some, key=lambda u: order[u.group])


def not_stated(model: DoubtModel) -> tuple[str, ...]:
    """Names of calculators that say nothing about how far they may be off."""
    sources = [c.name for c, options in model.selection.sources if c.doubt(options) is None]
    sources = [n for n in sources if not any(c.name == n and c.option_doubts(o) for c, o in model.selection.sources)]
    way = model.selection.propagation
    silent = way.doubt(np.array([100.0]), np.array([4.0]), model.selection.propagation_options) is None
    return (*sources, *([way.name] if silent else []))


def exact_spectra(model: DoubtModel) -> tuple[str, ...]:
    """Spectra of the project without a range of their own."""
    ranged = {r.path[1] for r in model.loaded.ranges if r.path[0] == "spectra"}
    return tuple(
        s.id for k, s in enumerate(model.loaded.project.spectra) if s.uncertainty_db is None and k not in ranged
    )


def _error(half_width_db: float, form: RangeForm = "normal") -> Distribution:
    return Distribution(-half_width_db, 0.0, half_width_db, form)


def _methods(model: DoubtModel) -> list[Uncertain]:
    out = []
    n_services = len(model.planned.built.scene.services)
    for m, mechanism in enumerate(model.mechanisms):
        own = [(c, c.doubt(options)) for c, options in model.selection.sources if c.mechanism == mechanism]
        stated = [(c, d) for c, d in own if d is not None]
        if not stated:
            continue
        calculator, doubt = max(stated, key=lambda entry: entry[1].half_width_db)
        parts = np.repeat(np.arange(len(model.mechanisms)) == m, n_services)
        out.append(
            Uncertain(
                f"{METHOD}:{mechanism}",
                calculator.title,
                _error(doubt.half_width_db),
                "dB",
                doubt.standing,
                doubt.source,
                half_width_db=np.full(len(model.transfer), doubt.half_width_db),
                parts=parts,
            )
        )
    return out


def _propagation(model: DoubtModel, distance_m: Array, height_m: Array) -> list[Uncertain]:
    way, options = model.selection.propagation, model.selection.propagation_options
    stated = way.doubt(distance_m, height_m, options)
    if stated is None:
        return []
    if not fits(stated, distance_m.size):
        raise PluginError(f"{way.name}: doubt() must give finite half-widths of at least 0 dB, one for each path")
    n_parts = len(model.mechanisms) * len(model.planned.built.scene.services)
    return [
        Uncertain(
            PROPAGATION,
            way.title,
            _error(float(stated.half_width_db.max())),
            "dB",
            stated.standing,
            stated.source,
            half_width_db=np.asarray(stated.half_width_db, dtype=np.float64),
            parts=np.ones(n_parts, dtype=np.bool_),
        )
    ]


def _classes(model: DoubtModel) -> list[Uncertain]:
    """Roughness of tabulated classes, all of an attribute together."""
    out = []
    calculators = [c for c, _ in model.selection.sources]
    scenes = [built.scene for built, _ in model.planned.task.emission.states]
    for calculator in calculators:
        for attribute, doubt in sorted(calculator.class_doubts.items()):
            names: set[str] = set()
            for scene in (model.planned.scenes.reference.scene, *scenes):
                names.update(tabulated_classes(scene, attribute, calculators))
            if not names:
                continue

            def case(shift: float, attribute: str = attribute) -> Case:
                return Case(classes={attribute: shift})

            label = f"{attribute.replace('_', ' ')}, tabulated: {', '.join(sorted(names))}"
            error = _error(doubt.half_width_db)
            group = _KINDS.get(attribute, OTHER)
            out.append(Uncertain(group, label, error, "dB", doubt.standing, doubt.source, case))
    return out


def _spectra(model: DoubtModel) -> list[Uncertain]:
    out = []
    for spectrum in model.loaded.project.spectra:
        if spectrum.uncertainty_db is None:
            continue

        def case(shift: float, name: str = spectrum.id) -> Case:
            return Case(spectra={name: shift})

        group = _KINDS.get(spectrum.kind, OTHER)
        label, error = f"spectrum {spectrum.id}, all bands together", _error(spectrum.uncertainty_db)
        out.append(Uncertain(group, label, error, "dB", Standing.USER, spectrum.source, case))
    return out


def _wear(model: DoubtModel) -> list[Uncertain]:
    if not model.wears or model.selection.rail_state is None:
        return []
    calculator, _ = model.selection.rail_state
    return [
        Uncertain(
            WEAR,
            f"roughness that works and traffic leave: {calculator.title}",
            Distribution(-1.0, 0.0, 1.0, "normal"),
            "",
            Standing.ASSUMPTION,
            "ranges of the parameters of that calculator, with their own standings (section 4)",
            case=lambda z: Case(wear=NORMAL.cdf(z * Z95)),
            ends=(Case(wear=0.05), Case(wear=0.95)),
        )
    ]


def _options(model: DoubtModel) -> list[Uncertain]:
    out = []
    for calculator, options in model.selection.sources:
        group = SQUEAL if calculator.mechanism == SQUEAL else OTHER
        for doubt in calculator.option_doubts(options):

            def case(value: float, name: str = calculator.name, doubt: OptionDoubt = doubt) -> Case:
                return Case(options={name: ((doubt.at, value),)})

            given = Distribution(doubt.low, doubt.likely, doubt.high, doubt.form)
            out.append(Uncertain(group, doubt.label, given, "", doubt.standing, doubt.source, case))
    return out


def _given(given: GivenRange, mechanisms: Mapping[str, str]) -> Uncertain:
    path = given.path
    return Uncertain(
        group_of(path, mechanisms),
        given.label,
        Distribution(given.low, given.likely, given.high, given.form),
        "",
        Standing.USER,
        given.source,
        case=lambda value: Case(values={path: value}),
    )


def group_of(path: Loc, mechanisms: Mapping[str, str]) -> str:
    """The group of a number of the project file; ``mechanisms``: calculator -> its mechanism."""
    keys = {str(part) for part in path}
    if path[0] == "spectra":
        return OTHER
    if path[:2] == ("calculation", "options"):
        return SQUEAL if mechanisms.get(str(path[2])) == SQUEAL else OTHER
    if keys & _SPEEDS:
        return SPEED
    if path[:2] == ("conditions", "timetable") or (path[0] == "services" and "trains" in keys):
        return TRAFFIC
    if keys & _GROUNDS:
        return GROUND
    if path[0] in ("site", "conditions") and keys & _WEATHERS:
        return WEATHER
    return OTHER


def merged(cases: Sequence[Case]) -> Case:
    """Several inputs moved at once."""
    values: dict[Loc, float] = {}
    classes: dict[str, float] = {}
    spectra: dict[str, float] = {}
    options: dict[str, tuple[OptionChange, ...]] = {}
    wear: float | None = None
    for case in cases:
        for name, changes in case.options.items():
            options[name] = (*options.get(name, ()), *changes)
        values.update(case.values)
        classes.update(case.classes)
        spectra.update(case.spectra)
        wear = case.wear if case.wear is not None else wear
    return Case(values, classes, spectra, wear, options)


def by_group(inputs: Sequence[Uncertain]) -> Mapping[str, list[int]]:
    """Indices of the inputs of each group, in order."""
    out: dict[str, list[int]] = {}
    for k, one in enumerate(inputs):
        out.setdefault(one.group, []).append(k)
    return out

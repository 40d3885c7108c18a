"""Names and options that come from plugins, checked against what is loaded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import PydanticInvalidForJsonSchema, ValidationError

from lineside.contracts import Options
from lineside.errors import PluginError, told
from lineside.project.check import class_uses
from lineside.project.check_works import check_same_day_surfaces, worked_pieces
from lineside.project.draft import Draft
from lineside.project.problems import Loc, report_model_errors
from lineside.project.vocabulary import MAY_BE_NONE, Vocabulary
from lineside.project.wording import Shape, did_you_mean, names, number, shown


@dataclass(eq=False)
class Named:
    """What the names of a project stand for."""

    default_ground_g: float | None = None
    ground_g: dict[int, float] = field(default_factory=dict)
    calculators: tuple[str, ...] = ()
    forecast: tuple[str, ...] = ()
    options: dict[str, Options] = field(default_factory=dict)
    criteria_options: dict[str, Options] = field(default_factory=dict)
    rail_options: Options | None = None
    work_details: dict[int, Options] = field(default_factory=dict)
    exposed_g: dict[tuple[int, int], float] = field(default_factory=dict)  # by state of the water and outline


def resolve_names(draft: Draft, vocabulary: Vocabulary | None) -> Named:
    """Look up surfaces, methods, calculators and criteria; report names that no plugin offers.

    Without a vocabulary only ground factors that are written as numbers are known.
    """
    named = Named()
    if draft.site is not None:
        ground = draft.site.default_ground
        named.default_ground_g = _g(draft, ("site", "default_ground"), ground.surface, ground.g, vocabulary)
    for i, area in draft.readable("ground_areas").items():
        g = _g(draft, ("ground_areas", i), area.surface, area.g, vocabulary)
        if g is not None:
            named.ground_g[i] = g
    _resolve_water(draft, vocabulary, named)
    if vocabulary is not None:
        for path, attribute, value in class_uses(draft):
            if isinstance(value, str):
                _check_class(draft, path, attribute, value, vocabulary)
        _check_companions(draft, vocabulary)
        _resolve_calculation(draft, vocabulary, named)
        _resolve_criteria(draft, vocabulary, named)
        _resolve_rail_state(draft, vocabulary, named)
        _check_sections(draft, vocabulary)
    return named


def _check_sections(draft: Draft, vocabulary: Vocabulary) -> None:
    wanted = draft.reporter.document.data.get("report_sections")
    for k, name in enumerate(wanted if isinstance(wanted, list) else ()):
        if isinstance(name, str) and name not in vocabulary.report_sections:
            draft.reporter.add(
                ("report_sections", k),
                "no plugin offers this section of the report",
                allowed=names(vocabulary.report_sections),
                hint=did_you_mean(name, vocabulary.report_sections),
            )


def with_meanings(meanings: Mapping[str, str]) -> str:
    """Names with what they mean, for a message."""
    if len(meanings) > 12:
        return names(meanings)
    return "; ".join(f"{name} ({text})" if text else name for name, text in meanings.items())


def _g(draft: Draft, path: Loc, surface: str | None, g: float | None, vocabulary: Vocabulary | None) -> float | None:
    if surface is None or vocabulary is None:
        return g
    if surface in vocabulary.surfaces:
        return vocabulary.surfaces[surface][0]
    known = {name: f"G = {number(value)}: {meaning}" for name, (value, meaning) in vocabulary.surfaces.items()}
    draft.reporter.add(
        (*path, "surface"),
        "is not a known surface",
        allowed=with_meanings(known),
        hint=did_you_mean(surface, known) or "give the ground factor instead: g: 0.5",
    )
    return None


def _resolve_water(draft: Draft, vocabulary: Vocabulary | None, named: Named) -> None:
    """Ground that lies bare at each level of the water; and is what it belongs to water at all?"""
    if draft.conditions is None:
        return
    areas, at = draft.readable("ground_areas"), draft.ids("ground_areas")
    for s, state in enumerate(draft.conditions.water):
        for k, outline in enumerate(state.outlines):
            path: Loc = ("conditions", "water", s, "outlines", k)
            bare = outline.exposed
            g = _g(draft, (*path, "exposed"), bare.surface, bare.g, vocabulary)
            if g is not None:
                named.exposed_g[s, k] = g
            i = at.get(outline.area, -1)
            water_g = named.ground_g.get(i)
            if water_g is None or i not in areas:
                continue
            _check_is_water(draft, (*path, "area"), areas[i].surface, water_g, vocabulary)
            if g == water_g:
                draft.reporter.warn(
                    (*path, "exposed"), f"the bare ground is as hard as the water, G = {number(g)}: nothing changes"
                )


def _check_is_water(draft: Draft, path: Loc, surface: str | None, g: float, vocabulary: Vocabulary | None) -> None:
    meaning = f"{surface} {vocabulary.surfaces[surface][1]}" if surface is not None and vocabulary is not None else ""
    if g > 0:
        of = f", surface {surface}" if surface is not None else ""
        draft.reporter.add(
            path,
            f"the ground area is no water: its ground factor is {number(g)}{of}",
            allowed="an area of water, which has the ground factor 0",
        )
    elif meaning and "water" not in meaning.lower():
        draft.reporter.warn(
            path, f"the surface of this ground area, {surface}, is no water", hint="is it the right area?"
        )


def _check_class(draft: Draft, path: Loc, attribute: str, value: str, vocabulary: Vocabulary) -> None:
    known = dict(vocabulary.terms.get(attribute, {}))
    if attribute in MAY_BE_NONE:
        known["none"] = "without"
    if value in known:
        return
    hint = did_you_mean(value, known)
    if value == "none":
        hint = "leave the key out, or write null"
    elif not hint and attribute not in ("sleeper", "rail_pad"):
        hint = "or give a measured spectrum: {spectrum: id}"
    draft.reporter.add(
        path,
        f"no calculator knows this class of {attribute}",
        allowed=with_meanings(known) or "{spectrum: id}",
        hint=hint,
    )


def _check_companions(draft: Draft, vocabulary: Vocabulary) -> None:
    """Names that need another attribute beside them: on the whole track, in each stretch, after each work."""
    for i, track in draft.readable("tracks").items():
        merged = {key: getattr(track.attributes, key) for key in type(track.attributes).model_fields}
        _check_beside(draft, ("tracks", i, "attributes"), merged, merged, vocabulary)
        for k, stretch in enumerate(track.stretches):
            changes = stretch.changes()
            merged.update(changes)
            _check_beside(draft, ("tracks", i, "stretches", k), changes, merged, vocabulary)
    for i, here in worked_pieces(draft):
        _check_beside(draft, ("works", i, "changes"), here, here, vocabulary)


def _check_beside(
    draft: Draft, path: Loc, written: Mapping[str, Any], merged: Mapping[str, Any], vocabulary: Vocabulary
) -> None:
    if merged["track_transfer"] is not None:
        return
    for attribute, known in vocabulary.companions.items():
        value = written.get(attribute)
        if not isinstance(value, str):
            continue
        for other in known.get(value, ()):
            unread = any(place[:2] == path[:2] and place[-1] == other for place in draft.faults)
            if merged.get(other) is None and not unread:
                draft.reporter.add(
                    (*path, attribute),
                    f"needs {other} beside it",
                    allowed=with_meanings(vocabulary.terms.get(other, {})),
                    hint=f"write {other} here, or give a measured track_transfer",
                )


def _resolve_calculation(draft: Draft, vocabulary: Vocabulary, named: Named) -> None:
    given, report = draft.calculation, draft.reporter
    if given is None:
        return
    if given.method not in vocabulary.methods:
        report.add(
            ("calculation", "method"),
            "no plugin offers this method",
            allowed=with_meanings(vocabulary.methods),
            hint=did_you_mean(given.method, vocabulary.methods),
        )
        own: tuple[str, ...] | None = None
    else:
        own = vocabulary.method_calculators.get(given.method, ())
    for k, name in enumerate(given.without):
        if own is not None and name not in own:
            report.add(
                ("calculation", "without", k),
                f"is not a calculator of method {given.method}",
                allowed=names(own),
                hint=did_you_mean(name, own),
            )
        elif name in vocabulary.propagations:
            report.add(("calculation", "without", k), "is the way of the sound, which cannot be left out")
    for k, name in enumerate(given.with_):
        path: Loc = ("calculation", "with", k)
        if name in vocabulary.propagations:
            report.add(path, "is a propagation calculator; the method brings its own", hint="choose another method")
        elif name not in vocabulary.calculators:
            _unknown_calculator(draft, path, name, vocabulary.calculators)
        elif own is not None and name in own:
            report.warn(path, f"belongs to method {given.method} already")
    if own is not None:
        kept = [name for name in own if name not in given.without]
        named.calculators = tuple(dict.fromkeys([*kept, *given.with_]))
        _warn_of_doubles(draft, kept, vocabulary)
    _resolve_forecast(draft, vocabulary, named)
    for name, options in given.options.items():
        path = ("calculation", "options", name)
        if name not in vocabulary.calculators:
            _unknown_calculator(draft, path, name, vocabulary.calculators, of_key=True)
            continue
        if own is not None and name not in (*named.calculators, *named.forecast):
            report.warn(path, f"the calculator {shown(name)} takes no part in this calculation", of_key=True, found="")
        model = validated(draft, path, vocabulary.calculators[name], options)
        if model is not None:
            named.options[name] = model
    _check_shared_options(draft, vocabulary, named)


def _warn_of_doubles(draft: Draft, kept: Iterable[str], vocabulary: Vocabulary) -> None:
    """Two calculators of one mechanism are added to each other, which is rarely meant."""
    assert draft.calculation is not None
    mechanisms = vocabulary.mechanisms
    by_mechanism = {mechanisms[name]: name for name in kept if name in mechanisms}
    for k, name in enumerate(draft.calculation.with_):
        double = by_mechanism.get(mechanisms.get(name, ""), name)
        if double != name:
            draft.reporter.warn(
                ("calculation", "with", k),
                f"computes {mechanisms[name]} noise, as {double} of the method does; both are added up",
                hint=f"leave one out (without: [{double}]), or name this one under forecast_with instead",
            )


def _resolve_forecast(draft: Draft, vocabulary: Vocabulary, named: Named) -> None:
    assert draft.calculation is not None
    for k, name in enumerate(draft.calculation.forecast_with):
        path: Loc = ("calculation", "forecast_with", k)
        if name in vocabulary.propagations:
            draft.reporter.add(path, "is a propagation calculator; only sources can be replaced")
        elif name not in vocabulary.calculators:
            sources = [n for n in vocabulary.calculators if n not in vocabulary.propagations]
            _unknown_calculator(draft, path, name, sources)
        elif name in named.calculators:
            draft.reporter.warn(path, "takes part in the calculation already")
    named.forecast = tuple(dict.fromkeys(draft.calculation.forecast_with))


def _check_shared_options(draft: Draft, vocabulary: Vocabulary, named: Named) -> None:
    """Warn of an option that several calculators know by one name, if their values differ because of the project."""
    given = draft.calculation
    if given is None:
        return
    values: dict[str, dict[str, Any]] = {}
    for name in dict.fromkeys((*named.calculators, *named.forecast)):
        model = vocabulary.calculators.get(name)
        if model is None or (name in given.options and name not in named.options):
            continue  # what is not known or faulty has been reported
        options = named.options.get(name) or _defaults(model)
        for key in model.model_fields if options is not None else ():
            values.setdefault(key, {})[name] = getattr(options, key)
    for key, by_calculator in values.items():
        written = [name for name in by_calculator if key in given.options.get(name, {})]
        if not written or all(value == by_calculator[written[0]] for value in by_calculator.values()):
            continue
        draft.reporter.warn(
            ("calculation", "options", written[0], key),
            "the calculators of one calculation have different values of this option: "
            + ", ".join(f"{name}: {shown(value, quote=False)}" for name, value in by_calculator.items()),
            hint="give it to each of them alike",
        )


def _defaults(model: type[Options]) -> Options | None:
    try:
        return model()
    except ValidationError:  # an option without a default
        return None
    except Exception as error:
        raise PluginError(f"the options model {model.__module__}.{model.__name__} failed: {told(error)}") from error


def _unknown_calculator(draft: Draft, path: Loc, name: str, known: Iterable[str], of_key: bool = False) -> None:
    draft.reporter.add(
        path,
        f"no plugin offers the calculator {shown(name)}",
        allowed=names(known),
        hint=did_you_mean(name, known),
        of_key=of_key,
        found="" if of_key else None,
    )


def _resolve_criteria(draft: Draft, vocabulary: Vocabulary, named: Named) -> None:
    for i, use in draft.criteria.items():
        if use.name not in vocabulary.criteria:
            draft.reporter.add(
                ("criteria", i, "name"),
                "no plugin offers this criterion",
                allowed=names(vocabulary.criteria),
                hint=did_you_mean(use.name, vocabulary.criteria),
            )
            continue
        options = validated(draft, ("criteria", i, "options"), vocabulary.criteria[use.name], use.options)
        if options is not None:
            named.criteria_options.setdefault(use.use_id, options)


def _resolve_rail_state(draft: Draft, vocabulary: Vocabulary, named: Named) -> None:
    wanted = draft.calculation.rail_state if draft.calculation is not None else None
    if wanted is None:
        return
    if wanted.name not in vocabulary.rail_states:
        draft.reporter.add(
            ("calculation", "rail_state", "name"),
            "no plugin offers this calculator of rail states",
            allowed=names(vocabulary.rail_states),
            hint=did_you_mean(wanted.name, vocabulary.rail_states),
        )
        return
    options_model, work_model = vocabulary.rail_states[wanted.name]
    named.rail_options = validated(draft, ("calculation", "rail_state", "options"), options_model, wanted.options)
    for i, work in draft.works.items():
        details = validated(draft, ("works", i, "details"), work_model, work.details)
        if details is not None:
            named.work_details[i] = details
    check_same_day_surfaces(draft, named.work_details)


def validated(draft: Draft, path: Loc, model: type[Options], data: Mapping[str, Any]) -> Options | None:
    """Options by a plugin's model; None, with the problems reported, if they do not fit."""
    try:
        return model.model_validate(data)
    except ValidationError as error:
        try:
            shape = Shape(model.model_json_schema())
        except PydanticInvalidForJsonSchema:
            shape = Shape({})
        report_model_errors(error, draft.reporter, shape, root=path, data=data)
    except Exception as error:  # a stranger's validator may raise anything
        raise PluginError(f"the options model {model.__module__}.{model.__name__} failed: {told(error)}") from error
    return None

"""A loaded project with another project in it: what a measure makes of it, without reading any file again."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np
from pydantic import ValidationError

from lineside.acoustics.bands import Array
from lineside.contracts import Options
from lineside.errors import RequestError
from lineside.project.load import LoadedProject
from lineside.project.model import Project, SpectrumInput, SpectrumRef, TrainTimes, Work
from lineside.project.vocabulary import Vocabulary
from lineside.scene.conditions import Condition, ConditionState, ServiceChange
from lineside.scene.model import IntArray, Spectrum


def derived(loaded: LoadedProject, project: Project, vocabulary: Vocabulary) -> LoadedProject:
    """What loading would give if a changed project stood in the file.

    Parameters
    ----------
    project : Project
        ``loaded.project`` with other works, spectra, vehicles, services, barriers or options of calculators. Tracks
        keep their alignments, ground, air and places stay. What is new stands in the project itself, in no file.
    vocabulary : Vocabulary
        What the project was loaded with.

    Raises
    ------
    RequestError
        If the changed project says something that its calculators do not understand.
    """
    before = loaded.project
    if project is before:
        return loaded
    changed: dict[str, object] = {"project": project}
    if project.spectra is not before.spectra:
        changed["spectra"] = {s.id: loaded.spectra.get(s.id) or _spectrum(s) for s in project.spectra}
    if project.barriers is not before.barriers:
        changed["lines"] = {
            b.id: loaded.lines[b.id] if b.id in loaded.lines else _line(b.id, b.line) for b in project.barriers
        }
    if project.services is not before.services:
        changed["times"] = _times(loaded, project)
    if project.calculation is not before.calculation:
        changed["options"] = _options(loaded, project, vocabulary)
    if project.works is not before.works:
        changed["work_details"] = _details(loaded, project, vocabulary)
    if project.conditions is not before.conditions and project.conditions is not None:
        changed["conditions"] = _conditions(loaded, project)
    return replace(loaded, **changed)  # type: ignore[arg-type]


def _spectrum(given: SpectrumInput) -> Spectrum:
    if given.axis is None or given.levels_db is None:
        raise RequestError(f"the spectrum {given.id!r} that a measure adds has no values in the project itself")
    levels = {"level_db": np.array(given.levels_db, dtype=np.float64)}
    return Spectrum(given.id, given.kind, np.array(given.axis, dtype=np.float64), levels, source=given.source)


def _line(name: str, line: Sequence[Sequence[float]] | None) -> Array:
    if line is None:
        raise RequestError(f"the barrier {name!r} that a measure adds has no points in the project itself")
    return np.array(line, dtype=np.float64)


def _times(loaded: LoadedProject, project: Project) -> dict[str, IntArray]:
    out: dict[str, IntArray] = {}
    for service in project.services:
        if not isinstance(service.trains, TrainTimes):
            continue
        if service.trains.times is None:
            out[service.id] = loaded.times[service.id]
            continue
        clock = [[int(part) for part in text.strip().split(":")[:2]] for text in service.trains.times]
        out[service.id] = np.array([60 * hour + minute for hour, minute in clock], dtype=np.int64)
    return out


def _options(loaded: LoadedProject, project: Project, vocabulary: Vocabulary) -> dict[str, Options]:
    given, before = project.calculation.options, loaded.project.calculation.options
    out: dict[str, Options] = {}
    for name, values in given.items():
        if name in loaded.options and values is before.get(name):
            out[name] = loaded.options[name]
        elif name in vocabulary.calculators:
            out[name] = _model(vocabulary.calculators[name], values, f"options of {name}")
    return out


def _details(loaded: LoadedProject, project: Project, vocabulary: Vocabulary) -> tuple[Options, ...]:
    wear = project.calculation.rail_state
    if wear is None:
        return ()
    known: dict[int, Options] = {
        id(work): details for work, details in zip(loaded.project.works, loaded.work_details, strict=True)
    }
    _, model = vocabulary.rail_states[wear.name]

    def details(work: Work) -> Options:
        found = known.get(id(work))
        return _model(model, work.details, f"details of the {work.kind} of {work.date}") if found is None else found

    return tuple(details(work) for work in project.works)


def _model(model: type[Options], values: Mapping[str, object], what: str) -> Options:
    try:
        return model.model_validate(values)
    except ValidationError as error:
        first = error.errors()[0]
        where = ", ".join(str(part) for part in first["loc"])
        raise RequestError(f"{what}: {where}: {first['msg']}") from error


def _conditions(loaded: LoadedProject, project: Project) -> tuple[Condition, ...]:
    """Conditions with the timetable and the wheels of the changed project; shares of time stay."""
    assert project.conditions is not None
    out = []
    for condition in loaded.conditions:
        if condition.kind not in ("timetable", "wheels"):
            out.append(condition)
            continue
        states: list[ConditionState] = []
        for state, given in zip(condition.states, getattr(project.conditions, condition.kind), strict=True):
            if condition.kind == "timetable":
                services = {
                    name: ServiceChange(s.trains_factor, True if s.passes else None)
                    for name, s in given.services.items()
                }
                states.append(replace(state, changes=replace(state.changes, services=services)))
            else:
                wheels = {
                    name: loaded.spectra[value.spectrum] if isinstance(value, SpectrumRef) else value
                    for name, value in given.vehicles.items()
                }
                states.append(replace(state, changes=replace(state.changes, wheels=wheels)))
        out.append(replace(condition, states=tuple(states)))
    return tuple(out)

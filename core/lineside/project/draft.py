"""A project as far as it can be read: sound parts are models, faulty ones are left out.

Checks run on this, so that one pass finds the mistakes of form and of meaning together.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from lineside.project.model import (
    Barrier,
    Calculation,
    CriterionUse,
    GroundArea,
    Identity,
    Project,
    Receiver,
    Service,
    Site,
    SpectrumInput,
    Stop,
    Track,
    Unit,
    Vehicle,
    Work,
)
from lineside.project.problems import Loc, Reporter, project_shape, report_model_errors

M = TypeVar("M", bound=BaseModel)


@dataclass(eq=False)
class Draft:
    """Sound parts of a project; lists are kept by their index in the file."""

    reporter: Reporter
    project: Project | None = None
    identity: Identity | None = None
    site: Site | None = None
    calculation: Calculation | None = None
    tracks: dict[int, Track] = field(default_factory=dict)
    stops: dict[int, Stop] = field(default_factory=dict)
    spectra: dict[int, SpectrumInput] = field(default_factory=dict)
    vehicles: dict[int, Vehicle] = field(default_factory=dict)
    units: dict[int, Unit] = field(default_factory=dict)
    services: dict[int, Service] = field(default_factory=dict)
    receivers: dict[int, Receiver] = field(default_factory=dict)
    ground_areas: dict[int, GroundArea] = field(default_factory=dict)
    barriers: dict[int, Barrier] = field(default_factory=dict)
    works: dict[int, Work] = field(default_factory=dict)
    criteria: dict[int, CriterionUse] = field(default_factory=dict)
    _ids: dict[str, dict[str, int]] = field(default_factory=dict)

    def ids(self, kind: str) -> dict[str, int]:
        """Ids of a list with the index where each stands first, faulty entries included."""
        if kind not in self._ids:
            found: dict[str, int] = {}
            for index, item in self._raw(kind):
                if isinstance(item.get("id"), str):
                    found.setdefault(item["id"], index)
            self._ids[kind] = found
        return self._ids[kind]

    def by_id(self, kind: str) -> dict[str, Any]:
        """Sound entries of a list by id; the first of a doubled id counts."""
        found: dict[str, Any] = {}
        for item in getattr(self, kind).values():
            found.setdefault(item.id, item)
        return found

    @property
    def complete(self) -> bool:
        """Whether nothing was left out."""
        return self.project is not None

    def _raw(self, kind: str) -> Iterator[tuple[int, dict[str, Any]]]:
        items = self.reporter.document.data.get(kind)
        for index, item in enumerate(items if isinstance(items, list) else ()):
            if isinstance(item, dict):
                yield index, item


_LISTS: dict[str, type[BaseModel]] = {
    "tracks": Track,
    "stops": Stop,
    "spectra": SpectrumInput,
    "vehicles": Vehicle,
    "units": Unit,
    "services": Service,
    "receivers": Receiver,
    "ground_areas": GroundArea,
    "barriers": Barrier,
    "works": Work,
    "criteria": CriterionUse,
}
_SINGLE: dict[str, type[BaseModel]] = {"identity": Identity, "site": Site, "calculation": Calculation}


def make_draft(reporter: Reporter) -> Draft:
    """Validate the document of a reporter, report what is wrong, and keep what is sound."""
    data = reporter.document.data
    draft = Draft(reporter)
    try:
        project = Project.model_validate(data)
    except ValidationError as error:
        places = report_model_errors(error, reporter, project_shape())
        _keep_sound_parts(draft, data, places)
        return draft
    draft.project = project
    for key in _SINGLE:
        setattr(draft, key, getattr(project, key))
    for key in _LISTS:
        setattr(draft, key, dict(enumerate(getattr(project, key))))
    return draft


def _keep_sound_parts(draft: Draft, data: dict[str, Any], places: list[Loc]) -> None:
    below: dict[Loc, list[Loc]] = {}
    for place in places:
        depth = 1 if place[:1] and place[0] in _SINGLE else 2
        below.setdefault(place[:depth], []).append(place[depth:])
    for key, model in _SINGLE.items():
        if key in data:
            setattr(draft, key, _sound(model, data[key], below.get((key,), [])))
    for key, model in _LISTS.items():
        items = data.get(key)
        for index, item in enumerate(items if isinstance(items, list) else ()):
            part = _sound(model, item, below.get((key, index), []))
            if part is not None:
                getattr(draft, key)[index] = part


def _sound(model: type[M], data: Any, faults: list[Loc]) -> M | None:
    """The model, if need be without the faulty keys that it can do without."""
    if faults and isinstance(data, dict):
        data = copy.deepcopy(data)
        for fault in faults:
            _drop(data, fault)
    try:
        return model.model_validate(data)
    except ValidationError:
        pass
    for optional in ("stretches", "turnouts"):
        if isinstance(data, dict):
            data.pop(optional, None)
    try:
        return model.model_validate(data)
    except ValidationError:
        return None


def _drop(data: Any, fault: Loc) -> None:
    """Remove a faulty key; entries of lists stay, so that the numbers of the others do."""
    if not fault or not isinstance(fault[-1], str):
        return
    for part in fault[:-1]:
        inside = isinstance(data, dict) and part in data
        inside = inside or (isinstance(data, list) and isinstance(part, int) and part < len(data))
        if not inside:
            return
        data = data[part]
    if isinstance(data, dict):
        data.pop(fault[-1], None)

"""A project as far as it can be read: sound parts are models, faulty ones are left out.

Checks run on this, so that one pass finds the mistakes of form and of meaning together. Entries with a faulty
key that they need are kept aside with a stand-in for that key (``readable``), so that their other keys are
checked all the same; the reporter says nothing about stand-ins.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from lineside.project.buildings import Building, BuildingFile, FacadeReceivers
from lineside.project.conditions import STATES, Outline
from lineside.project.maps import AnyMap
from lineside.project.model import (
    Bank,
    Barrier,
    Calculation,
    Conditions,
    CriterionUse,
    Earthwork,
    GroundArea,
    Identity,
    Map,
    MeasureUse,
    OptionRules,
    Project,
    RailConditions,
    RailMeasurement,
    Receiver,
    Service,
    Site,
    SpectrumInput,
    Stop,
    Stretch,
    Track,
    Turnout,
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
    conditions: Conditions | None = None
    options: OptionRules | None = None
    tracks: dict[int, Track] = field(default_factory=dict)
    stops: dict[int, Stop] = field(default_factory=dict)
    spectra: dict[int, SpectrumInput] = field(default_factory=dict)
    vehicles: dict[int, Vehicle] = field(default_factory=dict)
    units: dict[int, Unit] = field(default_factory=dict)
    services: dict[int, Service] = field(default_factory=dict)
    receivers: dict[int, Receiver] = field(default_factory=dict)
    ground_areas: dict[int, GroundArea] = field(default_factory=dict)
    earthworks: dict[int, Earthwork] = field(default_factory=dict)
    banks: dict[int, Bank] = field(default_factory=dict)
    barriers: dict[int, Barrier] = field(default_factory=dict)
    buildings: dict[int, Building] = field(default_factory=dict)
    building_files: dict[int, BuildingFile] = field(default_factory=dict)
    facade_receivers: dict[int, FacadeReceivers] = field(default_factory=dict)
    works: dict[int, Work] = field(default_factory=dict)
    rail_measurements: dict[int, RailMeasurement] = field(default_factory=dict)
    criteria: dict[int, CriterionUse] = field(default_factory=dict)
    maps: dict[int, Map] = field(default_factory=dict)
    measures: dict[int, MeasureUse] = field(default_factory=dict)
    faults: frozenset[Loc] = frozenset()
    _patched: dict[str, dict[int, Any]] = field(default_factory=dict)
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

    def readable(self, kind: str) -> dict[int, Any]:
        """Sound entries of a list and those with stand-ins, in order: for checks of what an entry itself says."""
        return dict(sorted({**self._patched.get(kind, {}), **getattr(self, kind)}.items()))

    def faulty(self, *path: str | int) -> bool:
        """Whether something at or below a place has a mistake of form."""
        return any(place[: len(path)] == path for place in self.faults)

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
    "earthworks": Earthwork,
    "banks": Bank,
    "barriers": Barrier,
    "buildings": Building,
    "building_files": BuildingFile,
    "facade_receivers": FacadeReceivers,
    "works": Work,
    "rail_measurements": RailMeasurement,
    "criteria": CriterionUse,
    "maps": AnyMap,
    "measures": MeasureUse,
}
_SINGLE: dict[str, type[BaseModel]] = {
    "identity": Identity,
    "site": Site,
    "calculation": Calculation,
    "conditions": Conditions,
    "options": OptionRules,
}

#: Values for faulty keys that an entry cannot do without, by list.
_STAND_INS: dict[str, dict[str, Any]] = {
    "site": {
        "default_ground": {"g": 0.5},
        "air": {"temperature_deg_c": 10.0, "humidity_pct": 70.0},
        "favourable": {"kind": "one_value", "day": 0.5, "evening": 0.75, "night": 1.0},
    },
    "tracks": {
        "kind": "train",
        "attributes": {"form": "ballast", "sleeper": "-", "rail_roughness": "-", "speed_limit_km_h": 50.0},
    },
    "spectra": {"source": "-"},
    "vehicles": {
        "kind": "train",
        "length_m": 20.0,
        "n_axles": 4,
        "max_speed_km_h": 50.0,
        "wheel_roughness": "-",
        "contact_filter": "-",
        "vehicle_transfer": "-",
        "traction": "none",
    },
    "services": {"unit": "-", "track": "-", "direction": "rising", "trains": {"kind": "times", "times": []}},
    "receivers": {"use": "other"},
    "earthworks": {"kind": "embankment", "along": "-"},
    "banks": {"height_m": 2.0},
    "barriers": {"height_m": 2.0, "surface": "absorbing"},
    "buildings": {"use": "other"},
    "works": {"date": "2000-01-01", "kind": "other", "track": "-"},
    "rail_measurements": {"date": "2000-01-01", "track": "-", "spectrum": "-"},
}
_CALLS = {"acceleration_m_s2": 1.0, "braking_m_s2": 1.0, "dwell_s": 20.0}
_STATE = {"share": 1.0, "temperature_deg_c": 10.0, "humidity_pct": 70.0}
_PARTS: dict[str, type[BaseModel]] = {"stretches": Stretch, "turnouts": Turnout}


def make_draft(reporter: Reporter) -> Draft:
    """Validate the document of a reporter, report what is wrong, and keep what is sound."""
    data = reporter.document.data
    draft = Draft(reporter)
    try:
        project = Project.model_validate(data)
    except ValidationError as error:
        places = report_model_errors(error, reporter, project_shape())
        draft.faults = frozenset(places)
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
            faults = below.get((key,), [])
            part = _sound(model, data[key], faults)
            setattr(draft, key, part if part is not None else _patch(draft, model, data[key], faults, (key,))[0])
    for key, model in _LISTS.items():
        items = data.get(key)
        for index, item in enumerate(items if isinstance(items, list) else ()):
            faults = below.get((key, index), [])
            part = _sound(model, item, faults)
            if part is not None:
                getattr(draft, key)[index] = part
                continue
            part, whole = _patch(draft, model, item, faults, (key, index))
            if part is not None:
                keep = getattr(draft, key) if whole else draft._patched.setdefault(key, {})
                keep[index] = part


def _sound(model: type[M], data: Any, faults: list[Loc]) -> M | None:
    """The model, if need be without the faulty keys that it can do without."""
    if faults and isinstance(data, dict):
        data = copy.deepcopy(data)
        for fault in faults:
            _drop(data, fault)
    return _model(model, data)


def _model(model: type[M], data: Any) -> M | None:
    try:
        found = model.model_validate(data)
    except ValidationError:
        return None
    return found.root if isinstance(found, AnyMap) else found  # type: ignore[return-value]


def _patch(draft: Draft, model: type[M], given: Any, faults: list[Loc], root: Loc) -> tuple[M | None, bool]:
    """The model with stand-ins for what is faulty, and whether only stretches or turnouts needed them.

    The reporter learns where they stand.
    """
    if not isinstance(given, dict):
        return None, False
    stand_ins = _STAND_INS.get(str(root[0]), {})
    # a group that lacks something is completed; only if that does not do, it is replaced
    for replace_groups in (False, True):
        data = copy.deepcopy(given)
        if root == ("site",) and any(fault[:1] == ("terrain",) for fault in faults):
            data.pop("terrain", None)
        for fault in faults:
            if replace_groups:
                _drop(data, fault[:1] if fault[:1] and fault[0] in stand_ins else fault)
            elif not isinstance(_at(data, fault), dict):
                _drop(data, fault)
        places: list[Loc] = []
        _fill(data, stand_ins, root, places)
        if root[0] == "services" and isinstance(data.get("pattern"), dict) and data["pattern"].get("kind") == "calls":
            _fill(data["pattern"], _CALLS, (*root, "pattern"), places)
        _replace_parts(data, root, places)
        _replace_states(data, faults, root, places)
        part = _model(model, data)
        if part is not None:
            draft.reporter.stand_ins.update(places)
            return part, all(len(place) > 2 and place[2] in _PARTS for place in places)
    return None, False


def _fill(data: dict[str, Any], stand_ins: dict[str, Any], path: Loc, places: list[Loc]) -> None:
    for key, value in stand_ins.items():
        if key not in data:
            data[key] = copy.deepcopy(value)
            places.append((*path, key))
        elif isinstance(data[key], dict) and isinstance(value, dict) and not {"kind", "g"} & set(value):
            _fill(data[key], value, (*path, key), places)


def _replace_parts(data: dict[str, Any], root: Loc, places: list[Loc]) -> None:
    """Stand-ins for faulty stretches and turnouts of a track, so that the others keep their numbers."""
    if root[0] != "tracks":
        return
    for key, model in _PARTS.items():
        items = data.get(key)
        if not isinstance(items, list):
            data.pop(key, None)
            continue
        for k, item in enumerate(items):
            if _model(model, item) is None:
                items[k] = {"from_m": 0, "to_m": 1} if key == "stretches" else {"id": f"- {k}", "chainage_m": 0}
                places.append((*root, key, k))


def _replace_states(data: dict[str, Any], faults: list[Loc], root: Loc, places: list[Loc]) -> None:
    """Stand-ins for faulty keys of states, or for whole states, so that the others keep their numbers."""
    if root != ("conditions",):
        return
    if "rail" in data and _model(RailConditions, data["rail"]) is None:
        data.pop("rail")
    for key, model in STATES.items():
        items = data.get(key)
        if not isinstance(items, list):
            data.pop(key, None)
            continue
        for k, item in enumerate(items):
            _replace_outlines(item, (*root, key, k, "outlines"), places)
            if _model(model, item) is not None:
                continue
            faulty = {fault[2] for fault in faults if fault[:2] == (key, k) and len(fault) > 2} - {"outlines"}
            kept = {name: value for name, value in item.items() if name not in faulty} if isinstance(item, dict) else {}
            filled = {"id": f"- {k}", **_STATE}
            missing = [name for name in filled if name in model.model_fields and name not in kept]
            kept.update((name, filled[name]) for name in missing)
            if _model(model, kept) is not None:
                items[k] = kept
                places += [(*root, key, k, name) for name in missing]
            else:
                items[k] = {name: value for name, value in filled.items() if name in model.model_fields}
                places.append((*root, key, k))


def _replace_outlines(state: Any, path: Loc, places: list[Loc]) -> None:
    outlines = state.get("outlines") if isinstance(state, dict) else None
    if not isinstance(outlines, list):
        return
    for j, outline in enumerate(outlines):
        if _model(Outline, outline) is None:
            outlines[j] = {"area": f"- {j}", "dry": True, "exposed": {"g": 0.5}}
            places.append((*path, j))


def _at(data: Any, path: Loc) -> Any:
    for part in path:
        inside = isinstance(data, dict) and part in data
        inside = inside or (isinstance(data, list) and isinstance(part, int) and part < len(data))
        if not inside:
            return None
        data = data[part]
    return data


def _drop(data: Any, fault: Loc) -> None:
    """Remove a faulty key; entries of lists stay, so that the numbers of the others do."""
    if not fault or not isinstance(fault[-1], str):
        return
    parent = _at(data, fault[:-1])
    if isinstance(parent, dict):
        parent.pop(fault[-1], None)

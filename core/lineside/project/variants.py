"""A loaded project with other values in the place of its likely ones."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
from pydantic import TypeAdapter

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.conditions import ShareInput
from lineside.project.derive import derived
from lineside.project.folder import ProjectFolder
from lineside.project.load import LoadedProject, load_document
from lineside.project.model import Project
from lineside.project.problems import Loc, Reporter
from lineside.project.ranges import with_values
from lineside.project.resolve_conditions import share_table
from lineside.project.source import Document
from lineside.project.vocabulary import Vocabulary
from lineside.scene.conditions import Condition

#: Parts of a project that act at the sources only, but for a few of their keys.
_AT_SOURCES = frozenset({"vehicles", "units", "services", "works", "tracks", "stops", "calculation"})
#: Keys of those parts on which the way of the sound depends.
_ON_WAY = frozenset({"source_ground_g", "alignment"})
_SHARE: TypeAdapter[Any] = TypeAdapter(ShareInput)
RAIL_STATES = ("dry", "damp", "wet")


def is_share(path: Loc) -> bool:
    """Is a place the share of time of a state, which the other states of the condition make up to 1?"""
    if path[:1] != ("conditions",) or len(path) < 3:
        return False
    return path[2] in RAIL_STATES if path[1] == "rail" else len(path) > 3 and path[3] == "share"


def on_way(path: Loc, propagation: str) -> bool:
    """Does the way of the sound depend on what stands at a place?"""
    if path[0] in ("spectra", "rail_measurements"):
        return False
    if path[:2] == ("calculation", "options"):
        return path[2] == propagation
    if path[0] == "conditions":
        return path[1] in ("water", "air")
    return path[0] not in _AT_SOURCES or bool(_ON_WAY & set(path))


def variant(loaded: LoadedProject, values: Mapping[Loc, float], vocabulary: Vocabulary) -> LoadedProject:
    """The project with other values at some places of its file.

    Where only sources change, everything else stays the same object. A share of time changes those of the other states
    of its condition in proportion.

    Raises
    ------
    ProjectError
        If the project with these values has mistakes.
    """
    shares = {path: value for path, value in values.items() if is_share(path)}
    others = {path: value for path, value in values.items() if path not in shares}
    changed = _with_others(loaded, others, vocabulary) if others else loaded
    for path, value in shares.items():
        changed = _with_share(changed, path, value)
    return changed


def _with_others(loaded: LoadedProject, values: Mapping[Loc, float], vocabulary: Vocabulary) -> LoadedProject:
    assert loaded.document is not None
    document = with_values(loaded.document, values)
    parts = {str(path[0]) for path in values}
    if parts <= _AT_SOURCES and not any(_ON_WAY & set(path) for path in values):
        project = Project.model_validate(document.data)
        update = {part: getattr(project, part) for part in sorted(parts)}
        return derived(loaded, loaded.project.model_copy(update=update), vocabulary)
    read = _reload(loaded, document, vocabulary)
    if parts <= {"spectra"}:
        update = {"spectra": read.project.spectra}
        return replace(loaded, project=loaded.project.model_copy(update=update), spectra=read.spectra)
    return read


def check_ends(loaded: LoadedProject, vocabulary: Vocabulary) -> None:
    """Hold the project with its low and with its high values to all checks of a project.

    All of one end are tried together, and one by one only where that fails.

    Raises
    ------
    ProjectError
        With every problem that one end of one range makes.
    """
    found: list[Problem] = []
    for end in ("low", "high"):
        moved = {g.path: float(getattr(g, end)) for g in loaded.ranges if not is_share(g.path)}
        moved = {g.path: moved[g.path] for g in loaded.ranges if g.path in moved and moved[g.path] != g.likely}
        if not moved or not _problems(loaded, moved, vocabulary):
            continue
        for given in loaded.ranges:
            if given.path in moved:
                said = f"with the {end} value of {given.label}: "
                alone = _problems(loaded, {given.path: moved[given.path]}, vocabulary)
                found += [replace(p, message=said + p.message) for p in alone]
    if found:
        raise ProjectError(found)


def _problems(loaded: LoadedProject, values: Mapping[Loc, float], vocabulary: Vocabulary) -> list[Problem]:
    """Errors of the project with other values."""
    assert loaded.document is not None
    try:
        _reload(loaded, with_values(loaded.document, values), vocabulary)
    except ProjectError as error:
        return [p for p in error.problems if p.severity == "error"]
    return []


def _reload(loaded: LoadedProject, document: Document, vocabulary: Vocabulary) -> LoadedProject:
    folder = ProjectFolder(loaded.folder / loaded.project_file)
    folder.files.update(loaded.inputs)
    return load_document(Reporter(document), folder, vocabulary)


def _with_share(loaded: LoadedProject, path: Loc, value: float) -> LoadedProject:
    """The share at a place, the other states of the condition in proportion."""
    assert loaded.document is not None
    kind = str(path[1])
    root: Loc = path[:3] if kind == "rail" else path[:4]
    index = RAIL_STATES.index(str(path[2])) if kind == "rail" else int(path[2])
    node = with_values(loaded.document, {path: value}).node(root)
    assert node is not None
    table = share_table(_SHARE.validate_python(_as_model(node.plain())))
    assert table is not None
    conditions = tuple(_shared(c, index, table) if c.kind == kind else c for c in loaded.conditions)
    return replace(loaded, conditions=conditions)


def _as_model(data: Any) -> Any:
    return tuple(data) if isinstance(data, list) else data


def _shared(condition: Condition, index: int, table: Array) -> Condition:
    before = condition.states[index].share
    rest = 1.0 - before
    scale = np.where(rest > 0.0, (1.0 - table) / np.where(rest > 0.0, rest, 1.0), 0.0)
    states = [replace(s, share=table if k == index else s.share * scale) for k, s in enumerate(condition.states)]
    total = np.sum([s.share for s in states], axis=0)
    return replace(condition, states=tuple(replace(s, share=s.share / total) for s in states))

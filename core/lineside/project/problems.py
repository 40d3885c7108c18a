"""Problems with their place in plain words: the collector that checks write to, and the errors of the models."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Literal

from pydantic import ValidationError

from lineside.errors import Problem
from lineside.project.hints import bracket_hint, value_hint
from lineside.project.model import FORMAT_VERSION, Project
from lineside.project.source import Document
from lineside.project.wording import Shape, did_you_mean, names, shown, suggestion

Loc = tuple[str | int, ...]

MAX_PROBLEMS = 200

_AXES = ("x", "y", "z")
_HOURS = ("from hour", "to hour")


@cache
def project_shape() -> Shape:
    """The schema of a project file, for messages."""
    return Shape(Project.model_json_schema(by_alias=True))


class Reporter:
    """Collects problems of one project file and finds their places."""

    def __init__(self, document: Document) -> None:
        self.document = document
        self.problems: list[Problem] = []
        #: Places where something stands in for a value that could not be read; nothing is said about them.
        self.stand_ins: set[Loc] = set()
        self._seen: set[tuple[object, ...]] = set()
        self._n: dict[Literal["error", "warning"], int] = {"error": 0, "warning": 0}

    def add(
        self,
        path: Sequence[str | int],
        message: str,
        *,
        allowed: str = "",
        hint: str = "",
        found: str | None = None,
        severity: Literal["error", "warning"] = "error",
        of_key: bool = False,
    ) -> None:
        """Report a problem with the value (or key) at a path; the field's name is put before the message."""
        if any(tuple(path[:n]) in self.stand_ins for n in range(1, len(path) + 1)):
            return
        place, what = words(path, self.document.data)
        line, column = self.document.mark(path, of_key)
        text = f"{what}: {message}" if what and not of_key else message
        written = self.document.found(path) if found is None else found
        self.put(Problem(text, self.document.file, line, column, place, written, allowed, hint, severity))

    def warn(self, path: Sequence[str | int], message: str, **more: Any) -> None:
        """Report something doubtful."""
        self.add(path, message, severity="warning", **more)

    def put(self, problem: Problem) -> None:
        """Keep a problem, once; of each severity only so many that a person can read them."""
        key = (problem.file, problem.line, problem.column, problem.place, problem.message)
        if key in self._seen:
            return
        n = self._n[problem.severity] = self._n[problem.severity] + 1
        if n <= MAX_PROBLEMS:
            self._seen.add(key)
            self.problems.append(problem)

    @property
    def failed(self) -> bool:
        """Whether there is an error."""
        return self._n["error"] > 0

    def sorted(self) -> list[Problem]:
        """All problems: the project file first, in order of lines; then the files beside it."""
        main = self.document.file
        found = sorted(self.problems, key=lambda p: (p.file != main, p.file, p.line or 10**9, p.column or 0))
        for severity, n in self._n.items():
            if n > MAX_PROBLEMS:
                message = f"there are {n - MAX_PROBLEMS} more {severity}s"
                found.append(Problem(message, main, hint="repair the first ones and check again", severity=severity))
        return found


def words(path: Sequence[str | int], data: Any) -> tuple[str, str]:
    """Place in plain words, counted from 1, and the name of the field.

    >>> words(("tracks", 1, "stretches", 0, "to_m"), {"tracks": [{}, {"id": "T2", "name": "To town"}]})
    ('tracks[2] "T2" (To town), stretches[1]', 'to_m')
    """
    steps: list[str] = []
    node = data
    for depth, part in enumerate(path):
        node = _inside(node, part)
        if isinstance(part, str):
            steps.append(shown(part, quote=False))
        elif depth == len(path) - 1 and isinstance(path[depth - 1], int) and part < 3:
            steps.append(_AXES[part])
        elif depth == len(path) - 1 and path[depth - 1] in ("position", "day", "evening", "night") and part < 2:
            steps.append((_AXES if path[depth - 1] == "position" else _HOURS)[part])
        elif steps:
            steps[-1] += f"[{part + 1}]" + _label(node)
        else:
            steps.append(f"[{part + 1}]" + _label(node))
    if not steps:
        return "", ""
    return ", ".join(steps[:-1]), steps[-1]


def _inside(node: Any, part: str | int) -> Any:
    if isinstance(node, Mapping) and isinstance(part, str):
        return node.get(part)
    if isinstance(node, list) and isinstance(part, int) and part < len(node):
        return node[part]
    return None


def _label(node: Any) -> str:
    if not isinstance(node, Mapping):
        return ""
    label = ""
    if isinstance(node.get("id"), str | int | float) and not isinstance(node.get("id"), bool):
        label += " " + shown(str(node["id"]))
    elif isinstance(node.get("name"), str) and node["name"]:
        return " " + shown(node["name"])
    if isinstance(node.get("name"), str) and node["name"]:
        label += f" ({shown(node['name'], quote=False)})"
    return label


def report_model_errors(
    error: ValidationError, reporter: Reporter, shape: Shape, root: Loc = (), data: Any = None
) -> list[Loc]:
    """Report every error of a pydantic model; gives the cleaned places.

    ``shape`` is the schema of the model that failed, ``root`` where its data stand in the project file.
    """
    data = reporter.document.data if data is None else data
    places = []
    for item in error.errors(include_url=False):
        loc, node = _clean(item["loc"], shape, data)
        places.append(loc)
        _report(item, loc, node, reporter, shape, root, data)
    return places


def _clean(raw: Loc, shape: Shape, data: Any) -> tuple[Loc, Mapping[str, Any]]:
    """Leave out the parts that only name a branch of a union; also the schema at the place."""
    loc: list[str | int] = []
    node: Mapping[str, Any] = shape.root
    for depth, part in enumerate(raw):
        union = _discriminated(shape, node)
        if union is not None and part in union["discriminator"]["mapping"] and _kind(data) == part:
            node = shape.choice(union, data)
            continue
        last = depth == len(raw) - 1
        known = (isinstance(data, Mapping) and part in data) or (
            isinstance(data, list) and isinstance(part, int) and part < len(data)
        )
        if not known and not (last and _takes(part, data, raw)):
            continue
        node = shape.step(node, part, data)
        data = _inside(data, part)
        loc.append(part)
    return tuple(loc), node


def _discriminated(shape: Shape, node: Mapping[str, Any]) -> Mapping[str, Any] | None:
    node = shape.resolve(node)
    if "discriminator" in node:
        return node
    for branch in node.get("anyOf", ()):
        if "discriminator" in shape.resolve(branch):
            return shape.resolve(branch)
    return None


def _kind(data: Any) -> Any:
    return data.get("kind") if isinstance(data, Mapping) else None


def _takes(part: str | int, data: Any, raw: Loc) -> bool:
    """Whether the last part of a place is a missing key (or entry), not the name of a union's branch."""
    if isinstance(part, str):
        return isinstance(data, Mapping) and re.fullmatch(r"[a-z][a-z0-9_]*", part) is not None
    return isinstance(data, list)


def _report(
    item: Mapping[str, Any], loc: Loc, node: Mapping[str, Any], reporter: Reporter, shape: Shape, root: Loc, data: Any
) -> None:
    kind = str(item["type"])
    key = next((part for part in reversed(loc) if isinstance(part, str)), "")
    path = (*root, *loc)
    if kind == "extra_forbidden" and loc:
        _unknown_key(loc, reporter, shape, root, data)
    elif path == ("lineside",):
        report_version(reporter)
    elif kind == "missing" and loc and isinstance(loc[-1], str):
        reporter.add(
            path,
            f"{loc[-1]} is missing",
            allowed=shape.allowed(node, key),
            hint=str(node.get("description", "")),
            found="",
            of_key=True,
        )
    elif kind == "missing":
        parent = _parent(loc, shape, data)
        reporter.add(path[:-1], "has too few values", allowed=shape.allowed(parent, key))
    elif kind in ("union_tag_invalid", "union_tag_not_found"):
        _kind_problem(kind, path, node, reporter, shape)
    else:
        message, hint = _message(kind, item)
        value = _value(data, loc)
        if kind == "too_short" and isinstance(value, list) and len(value) >= item["ctx"]["min_length"]:
            return  # enough entries, but faulty ones: they have been reported
        allowed = _ALLOWED.get(kind) or shape.allowed(node, key, kind in _RANGE, kind != "null_here")
        hint = hint or value_hint(value, allowed, key)
        if kind == "literal_error" and not hint:
            hint = did_you_mean(value, _literals(shape, node))
        reporter.add(path, message, allowed=allowed if kind not in _SAYS_ALL else "", hint=hint)


def _value(data: Any, loc: Loc) -> Any:
    for part in loc:
        data = _inside(data, part)
    return data


def _literals(shape: Shape, node: Mapping[str, Any]) -> list[str]:
    node = shape.resolve(node)
    found = [str(value) for value in node.get("enum", [node["const"]] if "const" in node else [])]
    for branch in node.get("anyOf", ()):
        found += _literals(shape, branch)
    return found


def _parent(loc: Loc, shape: Shape, data: Any) -> Mapping[str, Any]:
    node = shape.root
    for part in loc[:-1]:
        node = shape.step(node, part, data)
        data = _inside(data, part)
    return node


def _unknown_key(loc: Loc, reporter: Reporter, shape: Shape, root: Loc, data: Any) -> None:
    key = loc[-1]
    node = shape.root
    for part in loc[:-1]:
        node = shape.step(node, part, data)
        data = _inside(data, part)
    known: Mapping[str, Any] = shape.choice(node, data).get("properties", {})
    path = (*root, *loc)
    near = suggestion(key, known) if isinstance(key, str) else None
    hint = ""
    if near is not None:
        meaning = shape.resolve(known[near]).get("description") or known[near].get("description", "")
        hint = f"did you mean {near}?" + (f" ({meaning})" if meaning else "")
    if not hint and isinstance(key, str):
        before = _key_before(key, data)
        takes_list = before in known and shape.allowed(known[before], before).startswith("a list")
        hint = bracket_hint(key, before, _inside(data, before), takes_list)
    reporter.add(path, f"unknown key {shown(str(key), quote=False)}", allowed=names(known), hint=hint, of_key=True)


def _key_before(key: str, data: Any) -> str:
    """The key that stands before another one, or nothing."""
    keys = [str(k) for k in data] if isinstance(data, Mapping) else []
    at = keys.index(key) if key in keys else 0
    return keys[at - 1] if at else ""


def report_version(reporter: Reporter) -> None:
    """Report that the version of the file format is missing or unknown."""
    written = reporter.document.data.get("lineside")
    missing = "lineside" not in reporter.document.data
    if missing:
        message = "lineside is missing: the version of the file format"
    else:
        message = f"version {shown(written)} of the file format is unknown"
    hint = f"this lineside reads version {FORMAT_VERSION}"
    if isinstance(written, int) and not isinstance(written, bool) and written > FORMAT_VERSION:
        hint += "; the file was written for a newer one: install it"
    reporter.add(
        ("lineside",),
        message,
        allowed=f"lineside: {FORMAT_VERSION}",
        hint=hint,
        of_key=True,
        found="" if missing else None,
    )


def _kind_problem(kind: str, path: Loc, node: Mapping[str, Any], reporter: Reporter, shape: Shape) -> None:
    union = _discriminated(shape, node) or {}
    kinds = list(union.get("discriminator", {}).get("mapping", {}))
    if kind == "union_tag_not_found":
        reporter.add((*path, "kind"), "kind is missing", allowed=names(kinds), found="", of_key=True)
    else:
        value = _value(reporter.document.data, (*path, "kind"))
        reporter.add((*path, "kind"), "is not a known kind", allowed=names(kinds), hint=did_you_mean(value, kinds))


_MESSAGES: Mapping[str, str] = {
    "string_type": "must be text",
    "float_type": "must be a number",
    "float_parsing": "must be a number",
    "int_type": "must be a whole number",
    "int_parsing": "must be a whole number",
    "int_parsing_size": "is too large",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "bool_parsing": "must be true or false",
    "tuple_type": "must be a list",
    "list_type": "must be a list",
    "set_type": "must be a list",
    "dict_type": "must be a group of keys",
    "model_type": "must be a group of keys",
    "model_attributes_type": "must be a group of keys",
    "mapping_type": "must be a group of keys",
    "none_required": "must be null",
    "finite_number": "must be a finite number",
    "greater_than": "is too small",
    "greater_than_equal": "is too small",
    "less_than": "is too large",
    "less_than_equal": "is too large",
    "multiple_of": "is not a multiple of the step",
    "literal_error": "is not an accepted value",
    "enum": "is not an accepted value",
    "string_too_short": "must not be empty",
    "string_too_long": "is too long",
    "string_pattern_mismatch": "does not have the form that is asked for",
    "too_short": "has too few entries",
    "too_long": "has too many entries",
    "date_type": "must be a date",
    "date_parsing": "is not a date of the calendar",
    "date_from_datetime_parsing": "is not a date of the calendar",
    "date_from_datetime_inexact": "must be a date without a time",
    "time_parsing": "is not a time",
    "datetime_parsing": "is not a time",
    "iso_date": "must be a date",
    "date_range": "lies beyond the calendar of this program",
    "control_character": "holds a line break, a tab or another control character",
    "blank_text": "must not be empty",
    "outer_space": "must not begin or end with a space",
    "class_or_spectrum": "must be the name of a class, or a spectrum",
    "spectrum_only": "must be a spectrum",
    "radius": "must be a radius, straight or null",
    "absorption": "must be a share of the sound energy",
    "null_here": "must not be null",
}
_ALLOWED: Mapping[str, str] = {
    "iso_date": "a date YYYY-MM-DD",
    "date_range": "a date in the years 1000 to 9000",
    "date_parsing": "a date YYYY-MM-DD",
    "date_from_datetime_parsing": "a date YYYY-MM-DD",
    "class_or_spectrum": "the name of a class, or {spectrum: id}",
    "spectrum_only": "{spectrum: id} or null",
    "radius": "a number in m, 15 to 100000, straight or null",
    "absorption": "a number, 0 to below 1, or a list of eight for the octaves 63 Hz to 8 kHz",
}
_RANGE = frozenset({"greater_than", "greater_than_equal", "less_than", "less_than_equal", "string_too_long"})
_SAYS_ALL = frozenset(
    {"needs_one_of", "value_error", "assertion_error", "control_character", "turning_character", "outer_space"}
)


def _message(kind: str, item: Mapping[str, Any]) -> tuple[str, str]:
    """Words for one kind of error, and a hint."""
    context = item.get("ctx", {})
    if kind == "needs_one_of":
        return f"needs {context['what']}", ""
    if kind == "turning_character":
        hint = "delete it: readers would see other words than the file has"
        return f"holds the invisible character {context['which']}, which turns the order of letters", hint
    if kind in ("value_error", "assertion_error"):
        reason = str(context.get("error") or "").strip()
        return (reason or "is not accepted"), ""
    if kind == "null_here":
        return _MESSAGES[kind], "leave the key out: then the value of the whole track holds"
    return _MESSAGES.get(kind, "cannot be used here"), ""

"""Numbers that are known within a range only: ``{likely: 80, low: 75, high: 85}`` wherever a number may stand.

One pass over the file as read takes them out: models and checks see the likely values, and a list of ranges stands
beside them. Low and high are held to the rules of the field, too.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from pydantic import Field, PydanticInvalidForJsonSchema, ValidationError

from lineside.project.model import Project
from lineside.project.problems import Loc, Reporter, project_shape, report_model_errors, words
from lineside.project.source import Document, Node
from lineside.project.types import Line, Number, Part
from lineside.project.vocabulary import Vocabulary
from lineside.project.wording import Shape

Form = Literal["triangular", "uniform", "normal", "lognormal"]


class RangeInput(Part):
    """A number that is known within a range, wherever a number of an input may stand."""

    likely: Number = Field(description="The value that everything is computed with")
    low: Number = Field(description="Low value, likely or less")
    high: Number = Field(description="High value, likely or more")
    shape: Form = Field(
        default="triangular",
        description="`triangular` or `uniform`: between low and high; `normal` or `lognormal`: 90 % lie between low "
        "and high, likely is the median. Default triangular",
    )
    source: Line | None = Field(default=None, description="Where the range comes from; printed. Default null")


@dataclass(frozen=True)
class GivenRange:
    """A range at its place in the project file."""

    path: Loc
    label: str  # the place in words
    likely: float
    low: float
    high: float
    form: Form
    source: str


_KEYS = frozenset({"likely", "low", "high"})
#: Parts of the file that are no inputs of levels, or have ranges of their own.
_ELSEWHERE: tuple[Loc, ...] = (
    ("criteria",),
    ("maps",),
    ("measures",),
    ("options",),
    ("identity",),
    ("facade_receivers",),
    ("calculation", "grid"),
    ("calculation", "rail_state"),
    ("calculation", "uncertainty"),
)
_NOT_HERE = "a range has no meaning here"


def elsewhere(path: Sequence[str | int]) -> bool:
    """Is a place no input of the levels, or does it have ranges of its own?"""
    return any(tuple(path[: len(place)]) == place for place in _ELSEWHERE)


def take_ranges(reporter: Reporter, vocabulary: Vocabulary | None) -> tuple[GivenRange, ...]:
    """Put likely values in the place of ranges in the document of a reporter; problems are reported.

    Ranges in options of calculators are known only with a vocabulary.
    """
    document = reporter.document
    found: dict[Loc, Node] = {}
    for path, node in _mappings(document.root, ()):
        place = _place(path, document, vocabulary)
        if place is None or elsewhere(path):
            continue
        if _is_number(*place):
            found[path] = node
        elif _is_whole(*place):
            reporter.add(path, _NOT_HERE, allowed="a whole number")
            found[path] = node
    if not found:
        return ()
    ranges = [(path, given) for path, node in found.items() if (given := _read(path, node, reporter)) is not None]
    ends = {end: _with_nodes(document, {p: n.value.get(end) for p, n in found.items()}) for end in ("low", "high")}
    for path, node in found.items():
        if not _usable(node.value.get("likely")):
            reporter.stand_ins.add(path)
    reporter.document = _with_nodes(document, {p: n.value.get("likely") for p, n in found.items()})
    for end, changed in ends.items():
        _check_ends(end, changed, [path for path, _ in ranges], reporter, vocabulary)
    return tuple(
        GivenRange(
            path=path,
            label=", ".join(part for part in words(path, reporter.document.data) if part),
            likely=float(given.likely),
            low=float(given.low),
            high=float(given.high),
            form=given.shape,
            source=given.source or "",
        )
        for path, given in ranges
    )


def with_values(document: Document, values: Mapping[Loc, float]) -> Document:
    """A document with other numbers at some places."""
    marks = {path: document.mark(path) for path in values}
    return _with_nodes(document, {path: Node(*marks[path], value, f"{value:g}") for path, value in values.items()})


def _mappings(node: Node, path: Loc) -> Iterator[tuple[Loc, Node]]:
    """All mappings that may be ranges, in the order of the file."""
    if isinstance(node.value, dict):
        if _KEYS & node.value.keys():
            yield path, node
            return
        for key, child in node.value.items():
            yield from _mappings(child, (*path, key))
    elif isinstance(node.value, list):
        for k, child in enumerate(node.value):
            if isinstance(child.value, dict | list):
                yield from _mappings(child, (*path, k))


def _place(path: Loc, document: Document, vocabulary: Vocabulary | None) -> tuple[Shape, Mapping[str, Any]] | None:
    """The schema at a place; None where none is known."""
    shape, node = project_shape(), project_shape().root
    at: Node | None = document.root
    for depth, part in enumerate(path):
        own = _options_shape(path[: depth + 1], document, vocabulary)
        if own is not None:
            shape, node = own, own.root
        else:
            node = shape.step(node, part, _outline(at))
        at = document.node(path[: depth + 1])
        if not node:
            return None
    return shape, node


def _outline(node: Node | None) -> Any:
    """As much of a value as a schema needs to choose its branch."""
    if node is None:
        return None
    if isinstance(node.value, dict):
        kind = node.value.get("kind")
        return {"kind": kind.value} if kind is not None else {}
    return [] if isinstance(node.value, list) else node.value


def _options_shape(path: Loc, document: Document, vocabulary: Vocabulary | None) -> Shape | None:
    """The schema of a plugin's options that begin at a place."""
    if vocabulary is None:
        return None
    model = None
    if len(path) == 3 and path[:2] == ("calculation", "options"):
        model = vocabulary.calculators.get(str(path[2]))
    elif len(path) == 3 and path[0] == "works" and path[2] == "details":
        name = document.node(("calculation", "rail_state", "name"))
        known = vocabulary.rail_states.get(str(name.value)) if name is not None else None
        model = known[1] if known is not None else None
    if model is None:
        return None
    try:
        return Shape(model.model_json_schema())
    except PydanticInvalidForJsonSchema:
        return None


def _branches(shape: Shape, node: Mapping[str, Any]) -> Iterator[Mapping[str, Any]]:
    node = shape.resolve(node)
    inner = node.get("anyOf", node.get("oneOf"))
    if inner is None:
        yield node
    else:
        for branch in inner:
            yield from _branches(shape, branch)


def _is_number(shape: Shape, node: Mapping[str, Any]) -> bool:
    branches = list(_branches(shape, node))
    own = any("likely" in branch.get("properties", {}) for branch in branches)
    return not own and any(branch.get("type") == "number" for branch in branches)


def _is_whole(shape: Shape, node: Mapping[str, Any]) -> bool:
    branches = list(_branches(shape, node))
    own = any("likely" in branch.get("properties", {}) for branch in branches)
    return not own and any(branch.get("type") == "integer" for branch in branches)


def _read(path: Loc, node: Node, reporter: Reporter) -> RangeInput | None:
    data = node.plain()
    try:
        given = RangeInput.model_validate(data)
    except ValidationError as error:
        report_model_errors(error, reporter, Shape(RangeInput.model_json_schema()), path, data)
        return None
    if not given.low <= given.likely <= given.high:
        reporter.add(
            path,
            "low, likely and high are not in rising order",
            allowed="low <= likely <= high",
            hint="low and high lie on either side of the likely value",
        )
        return None
    if given.shape == "lognormal" and given.low <= 0.0:
        reporter.add(
            (*path, "low"),
            "must be above 0 with the shape lognormal",
            allowed="a number above 0",
            hint="take normal or triangular for quantities that may be 0 or less",
        )
        return None
    return given


def _usable(node: Node | None) -> bool:
    """Is a node there, and a number?"""
    return node is not None and isinstance(node.value, int | float) and not isinstance(node.value, bool)


def _with_nodes(document: Document, nodes: Mapping[Loc, Node | None]) -> Document:
    """The document with other nodes at some places; the rest is shared. None: a stand-in of 0."""
    root = document.root
    for path, node in nodes.items():
        mark = document.mark(path)
        root = _put(root, path, node if node is not None and _usable(node) else Node(*mark, 0.0, "0"))
    return Document(document.file, root)


def _put(node: Node, path: Loc, new: Node) -> Node:
    if not path:
        return new
    part = path[0]
    if isinstance(node.value, dict):
        return replace(node, value={**node.value, part: _put(node.value[part], path[1:], new)})
    assert isinstance(part, int)
    items = list(node.value)
    items[part] = _put(items[part], path[1:], new)
    return replace(node, value=items)


def _check_ends(
    end: str, changed: Document, paths: Sequence[Loc], reporter: Reporter, vocabulary: Vocabulary | None
) -> None:
    """Hold low or high values to the rules of their fields; what is wrong stands where they stand."""
    marks = {changed.mark(path): path for path in paths}
    trial = Reporter(changed)
    try:
        Project.model_validate(changed.data)
    except ValidationError as error:
        report_model_errors(error, trial, project_shape())
    for root in {path[:3] for path in paths}:
        shape = _options_shape(root, changed, vocabulary)
        if shape is not None and vocabulary is not None:
            _check_options(root, changed, trial, shape, vocabulary)
    for problem in trial.problems:
        if (problem.line, problem.column) in marks:
            reporter.put(replace(problem, message=f"{end} value of {problem.message}"))


def _check_options(root: Loc, changed: Document, trial: Reporter, shape: Shape, vocabulary: Vocabulary) -> None:
    node = changed.node(root)
    data = node.plain() if node is not None else {}
    if root[0] == "works":
        name = changed.node(("calculation", "rail_state", "name"))
        model = vocabulary.rail_states[str(name.value)][1] if name is not None else None
    else:
        model = vocabulary.calculators[str(root[2])]
    if model is None or not isinstance(data, dict):
        return
    try:
        model.model_validate(data)
    except ValidationError as error:
        report_model_errors(error, trial, shape, root, data)

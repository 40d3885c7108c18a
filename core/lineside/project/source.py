"""Reading YAML 1.2 into plain data, safely, with the place of every value.

Nothing is constructed but text, numbers, true/false, null, lists and mappings: tags, anchors and aliases
are refused, so no document can run code or unfold beyond its own size. Depth and size are bounded.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

from ruamel.yaml import YAML
from ruamel.yaml.error import MarkedYAMLError, YAMLError
from ruamel.yaml.events import (
    AliasEvent,
    DocumentStartEvent,
    Event,
    MappingEndEvent,
    MappingStartEvent,
    ScalarEvent,
    SequenceEndEvent,
    SequenceStartEvent,
)

from lineside.errors import Problem, ProjectError
from lineside.project.wording import shown

MAX_DEPTH = 30
MAX_PROBLEMS = 50
MAX_VALUES = 400_000

_INT = re.compile(r"[-+]?[0-9]+")
_FLOAT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+(\.[0-9]*)?)([eE][-+]?[0-9]+)?")
_INF = re.compile(r"[-+]?\.(inf|Inf|INF)")
_CONTROL = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")


@dataclass(slots=True)
class Node:
    """A value with its place (counted from 1); ``keys`` has the places of a mapping's keys."""

    line: int
    column: int
    value: Any
    text: str = ""
    keys: dict[str, tuple[int, int]] = field(default_factory=dict)

    def plain(self) -> Any:
        """The value without places."""
        if isinstance(self.value, dict):
            return {key: node.plain() for key, node in self.value.items()}
        if isinstance(self.value, list):
            return [node.plain() for node in self.value]
        return self.value


class Document:
    """A parsed file: plain data, and where each part of it stands."""

    def __init__(self, file: str, root: Node) -> None:
        self.file = file
        self.root = root
        self.data: Any = root.plain()

    def node(self, path: Sequence[str | int]) -> Node | None:
        """The node at a path, or None."""
        node: Node | None = self.root
        for part in path:
            node = _child(node, part)
            if node is None:
                return None
        return node

    def mark(self, path: Sequence[str | int], of_key: bool = False) -> tuple[int, int]:
        """Line and column of the value (or key) at a path; of the nearest part around it, where it is missing."""
        node, mark = self.root, (self.root.line, self.root.column)
        for depth, part in enumerate(path):
            child = _child(node, part)
            if child is None:
                return mark
            key_mark = node.keys.get(part) if isinstance(part, str) else None
            last = depth == len(path) - 1
            if key_mark and (not last or of_key or isinstance(child.value, dict | list)):
                mark = key_mark
            else:
                mark = (child.line, child.column)
            node = child
        return mark

    def found(self, path: Sequence[str | int]) -> str:
        """The value at a path as written, shortened and made printable."""
        node = self.node(path)
        if node is None:
            return ""
        if isinstance(node.value, dict | list):
            return shown(node.plain())
        if isinstance(node.value, str):
            return shown(node.value)
        return shown(node.text, quote=False) if node.text else "nothing (null)"


def _child(node: Node | None, part: str | int) -> Node | None:
    if node is None:
        return None
    if isinstance(part, str) and isinstance(node.value, dict):
        return node.value.get(part)
    if isinstance(part, int) and isinstance(node.value, list) and 0 <= part < len(node.value):
        return node.value[part]
    return None


def decode(data: bytes, file: str) -> str:
    """UTF-8 text of a file.

    Raises
    ------
    ProjectError
        If it is not UTF-8, holds control characters, or is empty.
    """
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise ProjectError([Problem("is UTF-16 text", file, hint="save the file with the encoding UTF-8")])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        before = data[: error.start]
        column = error.start - (before.rfind(b"\n") + 1) + 1
        raise ProjectError(
            [
                Problem(
                    "is not UTF-8 text",
                    file,
                    before.count(b"\n") + 1,
                    column,
                    found=f"byte 0x{data[error.start]:02x}",
                    hint="save the file with the encoding UTF-8",
                )
            ]
        ) from None
    control = _CONTROL.search(text)
    if control:
        line, column = position(text, control.start())
        raise ProjectError(
            [
                Problem(
                    "holds a character that no text file has",
                    file,
                    line,
                    column,
                    found=f"U+{ord(control[0]):04X}",
                    hint="is this a binary file, or damaged?",
                )
            ]
        )
    if not text.strip():
        raise ProjectError([Problem("is empty", file)])
    return text


def position(text: str, index: int) -> tuple[int, int]:
    """Line and column, from 1, of a character."""
    before = text[:index]
    return before.count("\n") + 1, index - (before.rfind("\n") + 1) + 1


def read_yaml(data: bytes, file: str) -> Document:
    """Parse one YAML document.

    Raises
    ------
    ProjectError
        With every problem of the text itself: syntax, tags, anchors, duplicate keys, depth.
    """
    text = decode(data, file)
    builder = _Builder(file)
    try:
        root = builder.build(iter(YAML(typ="safe", pure=True).parse(text)))
    except MarkedYAMLError as error:
        raise ProjectError([*builder.problems, _syntax_problem(error, text, file)]) from None
    except (YAMLError, ValueError, TypeError, LookupError, AttributeError, AssertionError, OverflowError):
        # the parser itself stumbles over a few malformed texts, such as an escape beyond Unicode
        line, column = builder.last
        raise ProjectError(
            [*builder.problems, Problem("cannot be read as YAML after this place", file, line, column)]
        ) from None
    if builder.problems:
        raise ProjectError(builder.problems)
    if root is None or not isinstance(root.value, dict):
        found = "nothing" if root is None or root.value is None else shown(root.plain())
        raise ProjectError(
            [
                Problem(
                    "is not a mapping of keys to values", file, 1, 1, found=found, allowed="lines such as `lineside: 1`"
                )
            ]
        )
    return Document(file, root)


class _Builder:
    """Makes nodes of parser events and collects what is refused."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []
        self.last = (1, 1)
        self._n_documents = 0
        self._n_values = 0

    def build(self, events: Iterator[Event]) -> Node | None:
        root: Node | None = None
        stack: list[tuple[Node, list[tuple[str, tuple[int, int]] | None]]] = []
        for event in events:
            self.last = mark = (event.start_mark.line + 1, event.start_mark.column + 1)
            if isinstance(event, DocumentStartEvent):
                self._n_documents += 1
                if self._n_documents > 1:
                    self._refuse(mark, "holds a second document", "remove the line `---` and what follows")
                    return root
            elif isinstance(event, MappingEndEvent | SequenceEndEvent):
                stack.pop()
            elif isinstance(event, ScalarEvent | AliasEvent | MappingStartEvent | SequenceStartEvent):
                node = self._node(event, mark)
                if stack:
                    self._attach(stack[-1], node, event)
                else:
                    root = node
                if isinstance(event, MappingStartEvent | SequenceStartEvent):
                    stack.append((node, [None]))
                self._n_values += 1
                if self._n_values > MAX_VALUES:
                    self._refuse(
                        mark, f"holds more than {MAX_VALUES} values", "put long lists of points into CSV files"
                    )
                    return root
                if len(stack) > MAX_DEPTH:
                    self._refuse(mark, f"is nested deeper than {MAX_DEPTH} levels", "no part of a project is that deep")
                    return root
            if len(self.problems) >= MAX_PROBLEMS:
                return root
        return root

    def _node(self, event: Event, mark: tuple[int, int]) -> Node:
        if isinstance(event, AliasEvent):
            self._refuse(mark, f"alias *{_short(event.anchor)} is not accepted", "write the value itself here")
            return Node(*mark, None)
        assert isinstance(event, ScalarEvent | MappingStartEvent | SequenceStartEvent)
        if event.anchor is not None:
            self._refuse(
                mark, f"anchor &{_short(event.anchor)} is not accepted", "remove it; write values where they belong"
            )
        if event.tag is not None:
            self._refuse(mark, f"tag {_short(event.tag)} is not accepted", "a project file holds plain values only")
        if isinstance(event, MappingStartEvent):
            return Node(*mark, {})
        if isinstance(event, SequenceStartEvent):
            return Node(*mark, [])
        text: str = event.value
        if not text.isascii() and any("\ud800" <= c <= "\udfff" for c in text):
            self._refuse(mark, "holds half of a character (a surrogate)", "write the character itself")
        return Node(*mark, _scalar(text) if event.style is None else text, text)

    def _attach(self, top: tuple[Node, list[Any]], node: Node, event: Event) -> None:
        parent, pending = top
        if isinstance(parent.value, list):
            parent.value.append(node)
        elif pending[0] is None:
            pending[0] = (self._key(parent, node, event), (node.line, node.column))
        else:
            key, mark = pending[0]
            pending[0] = None
            parent.value[key] = node
            parent.keys[key] = mark

    def _key(self, parent: Node, node: Node, event: Event) -> str:
        mark = (node.line, node.column)
        if not isinstance(event, ScalarEvent):
            self._refuse(mark, "a list or mapping stands where a key is expected", "keys are plain words")
            return ""
        if node.text in parent.value:
            first = parent.keys[node.text][0]
            self._refuse(
                mark, f"key {_short(node.text)} stands twice in one place", f"it stands in line {first} already"
            )
        return node.text

    def _refuse(self, mark: tuple[int, int], message: str, hint: str) -> None:
        self.problems.append(Problem(message, self.file, *mark, hint=hint))


def _short(text: object) -> str:
    return shown(str(text), quote=False)


def _scalar(text: str) -> Any:
    """A plain scalar by the core schema of YAML 1.2."""
    if text in ("", "~", "null", "Null", "NULL"):
        return None
    if text in ("true", "True", "TRUE"):
        return True
    if text in ("false", "False", "FALSE"):
        return False
    if _INT.fullmatch(text):
        return int(text) if len(text) <= 18 else float(text)
    if _FLOAT.fullmatch(text):
        return float(text)
    if _INF.fullmatch(text):
        return float(text.replace(".", ""))
    return float("nan") if text in (".nan", ".NaN", ".NAN") else text


_SYNTAX = (
    (
        "mapping values are not allowed",
        "a colon stands where none is expected",
        "check the indentation of this line; put text that contains a colon and a space in quotes",
    ),
    (
        "cannot start any token",
        "a character stands where a value cannot begin",
        "put text that begins with it in quotes",
    ),
    ("could not find expected ':'", "a colon and a space are missing after the key", "write `key: value`"),
    ("block end", "the indentation does not fit the lines above", "give all keys of one group the same indentation"),
    (
        "block mapping",
        "the indentation does not fit the lines above",
        "give all keys of one group the same indentation",
    ),
    ("expected ',' or", "a comma or a closing bracket is missing", "close every [ with ] and every { with }"),
    ("unexpected end of stream", "a quotation mark is not closed", "close the quotation"),
    ("undefined alias", "an alias is not accepted", "write the value itself here"),
    ("unknown escape", "an unknown escape stands after a backslash", "use single quotes for text with backslashes"),
    ("document separator", "a quotation mark is not closed before the line `---`", "close the quotation"),
    ("node content", "a value or a closing bracket is missing", "close every [ with ] and every { with }"),
    (
        "sequence entries are not allowed",
        "a list entry stands where none is expected",
        "put `- ` on a line of its own below the key",
    ),
)


def _syntax_problem(error: MarkedYAMLError, text: str, file: str) -> Problem:
    mark = error.problem_mark or error.context_mark
    line, column = (mark.line + 1, mark.column + 1) if mark is not None else (None, None)
    what = f"{error.problem or ''} {error.context or ''}"
    lines = text.split("\n")
    content = lines[line - 1] if line is not None and line <= len(lines) else ""
    if "\t" in content[: len(content) - len(content.lstrip())]:
        return Problem(
            "a tab stands in the indentation", file, line, column, found=shown(content), hint="indent with spaces"
        )
    for part, message, hint in _SYNTAX:
        if part in what:
            return Problem(message, file, line, column, found=shown(content.strip()), hint=hint)
    return Problem(
        "cannot be read as YAML here",
        file,
        line,
        column,
        found=shown(content.strip()),
        hint="check colons, quotes, brackets",
    )

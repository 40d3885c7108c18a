"""Every error that lineside raises on purpose.

LinesideError
    ProjectError      the user's input: carries all problems found, each with its place
    DataFileError     one of our own tables is damaged
    OutOfRangeError   an input lies outside what a method covers
    RequestError      a call asks for something that the project does not have
    PluginError       a plugin failed to load, is missing, or broke its contract
    ReportError       a template or the PDF engine failed
"""

from __future__ import annotations

import traceback
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Literal


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong (or doubtful) in the user's input.

    ``place`` is the path in plain words (``tracks[2] "Quay line", stretches[1]``),
    counted from 1; ``field`` the last key; ``found`` the value as written;
    ``allowed`` what would be accepted, with unit; ``hint`` what to do.
    """

    message: str
    file: str = "project.yaml"
    line: int | None = None
    column: int | None = None
    place: str = ""
    found: str = ""
    allowed: str = ""
    hint: str = ""
    severity: Literal["error", "warning"] = "error"

    def __str__(self) -> str:
        where = self.file
        if self.line is not None:
            where += f":{self.line}" + (f":{self.column}" if self.column is not None else "")
        parts = [f"{where}: " + (f"{self.place}: " if self.place else "") + self.message]
        if self.found:
            parts.append(f"  found:   {self.found}")
        if self.allowed:
            parts.append(f"  allowed: {self.allowed}")
        if self.hint:
            parts.append(f"  hint:    {self.hint}")
        return "\n".join(parts)


class LinesideError(Exception):
    """Base of all errors that lineside raises on purpose."""


class ProjectError(LinesideError):
    """The project cannot be used as written; carries every problem at once."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in self.problems))


class DataFileError(LinesideError):
    """A table shipped with lineside or a plugin is missing, damaged or inconsistent."""


class OutOfRangeError(LinesideError):
    """A value lies outside the range that the cited method covers."""


class RequestError(LinesideError):
    """A call asks for something that the project does not have."""


class PluginError(LinesideError):
    """A plugin failed to load, is missing, or broke its contract."""


class ReportError(LinesideError):
    """A report could not be made."""


@contextmanager
def naming(path: Path) -> Iterator[None]:
    """An error of the system that names no file, as where a disk is full, names this one."""
    try:
        yield
    except OSError as error:
        if error.filename is None:
            error.filename = str(path)
        raise


def told(error: BaseException) -> str:
    """Kind, words and place of an exception in one line.

    >>> try:
    ...     {}["a"]
    ... except KeyError as error:
    ...     told(error).split(" (")[0]
    "KeyError: 'a'"
    """
    frames = traceback.extract_tb(error.__traceback__)
    place = f" ({Path(frames[-1].filename).name}, line {frames[-1].lineno})" if frames else ""
    words = " ".join(str(error).split())
    return type(error).__name__ + (f": {words}" if words else "") + place

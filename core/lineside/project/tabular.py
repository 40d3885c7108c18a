"""Reading CSV files beside the project file, with the line and column of every mistake."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem, ProjectError
from lineside.project.hints import number_hint
from lineside.project.source import decode
from lineside.project.wording import did_you_mean, names, number, shown

MAX_ROWS = 500_000
_MAX_PROBLEMS = 20
_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d+)?")


@dataclass(frozen=True, eq=False)
class Columns:
    """Columns of text with the line of each row; ``warnings`` about columns that are not used."""

    file: str
    text: Mapping[str, Sequence[str]]
    lines: Sequence[int]
    warnings: tuple[Problem, ...] = ()

    def __contains__(self, name: str) -> bool:
        return name in self.text

    def numbers(self, name: str, low: float = -1e8, high: float = 1e8) -> Array:
        """One column as numbers.

        Raises
        ------
        ProjectError
            With the line of every cell that is no number in the range.
        """
        problems: list[Problem] = []
        values = np.empty(len(self.lines))
        for row, cell in enumerate(self.text[name]):
            try:
                value = float(cell) if _NUMBER.fullmatch(cell) else float("nan")
            except (ValueError, OverflowError):  # float() itself never refuses what the pattern accepts
                value = float("nan")
            if not low <= value <= high:
                problems.append(self._cell_problem(name, row, cell, low, high))
                if len(problems) == _MAX_PROBLEMS:
                    problems.append(Problem(f"column {name} has more problems", self.file))
                    break
            else:
                values[row] = value
        if problems:
            raise ProjectError(problems)
        return values

    def _cell_problem(self, name: str, row: int, cell: str, low: float, high: float) -> Problem:
        hint = number_hint(cell, name) if not _NUMBER.fullmatch(cell) else ""
        what = "is out of range" if _NUMBER.fullmatch(cell) else "is not a number" if cell else "is empty"
        return Problem(
            f"column {name} {what}",
            self.file,
            self.lines[row],
            found=shown(cell),
            allowed=f"a number, {number(low)} to {number(high)}",
            hint=hint,
        )


def read_columns(data: bytes, file: str, required: Sequence[str], optional: Sequence[str] = ()) -> Columns:
    """Read a CSV file with a header line.

    Lines that begin with ``#`` and empty lines are skipped. Commas separate, points are decimal.

    Raises
    ------
    ProjectError
        With every problem of the file's form.
    """
    text = decode(data, file)
    kept = [(n, line) for n, line in enumerate(text.splitlines(), start=1) if line.strip() and not line.startswith("#")]
    if not kept:
        raise ProjectError([Problem("has no header line", file, allowed=f"columns {names(required)}")])
    if len(kept) - 1 > MAX_ROWS:
        raise ProjectError([Problem(f"has more than {MAX_ROWS} rows", file)])
    header_line, header = kept[0][0], _cells(kept[0][1], kept[0][0], file)
    warnings = _check_header(header, header_line, file, required, optional)
    problems: list[Problem] = []
    rows: list[list[str]] = []
    for n, line in kept[1:]:
        cells = _cells(line, n, file)
        if len(cells) != len(header):
            problems.append(
                Problem(
                    f"has {len(cells)} values where the header has {len(header)}",
                    file,
                    n,
                    found=shown(line),
                    hint="a decimal comma? write a point" if len(cells) > len(header) else "",
                )
            )
            if len(problems) == _MAX_PROBLEMS:
                problems.append(Problem("has more problems of this kind", file))
                break
        rows.append(cells)
    if not rows:
        problems.append(Problem("has a header but no rows", file, header_line))
    if problems:
        raise ProjectError(problems)
    columns = {name: [row[k] for row in rows] for k, name in enumerate(header)}
    return Columns(file, columns, [n for n, _ in kept[1:]], warnings)


def _cells(line: str, n: int, file: str) -> list[str]:
    try:
        return [cell.strip() for cell in next(csv.reader(io.StringIO(line), strict=True))]
    except (csv.Error, StopIteration):
        raise ProjectError(
            [Problem("cannot be read as comma-separated values", file, n, found=shown(line), hint="check the quotes")]
        ) from None


def _check_header(
    header: Sequence[str], line: int, file: str, required: Sequence[str], optional: Sequence[str]
) -> tuple[Problem, ...]:
    known = [*required, *optional]
    problems: list[Problem] = []
    if len(header) == 1 and (";" in header[0] or "\t" in header[0]):
        problems.append(
            Problem(
                "columns are not separated by commas",
                file,
                line,
                found=shown(header[0]),
                hint="save with commas between columns and decimal points",
            )
        )
        raise ProjectError(problems)
    for name in dict.fromkeys(header):
        if header.count(name) > 1:
            problems.append(Problem(f"column {shown(name, quote=False)} stands twice in the header", file, line))
    strangers = [name for name in header if name not in known]
    for name in required:
        if name not in header:
            problems.append(
                Problem(
                    f"column {name} is missing",
                    file,
                    line,
                    found=names(header),
                    allowed=f"columns {names(known)}",
                    hint=next((f"rename {shown(s, quote=False)}?" for s in strangers if did_you_mean(s, [name])), ""),
                )
            )
    if problems:
        raise ProjectError(problems)
    return tuple(
        Problem(
            f"column {shown(name, quote=False)} is not used",
            file,
            line,
            allowed=f"columns {names(known)}",
            hint=did_you_mean(name, known),
            severity="warning",
        )
        for name in strangers
    )

"""All tables as one workbook (Office Open XML), for those who do not read CSV; the same bytes for the same results."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Mapping, Sequence
from typing import Any

from lineside.results.model import Results

#: Limits of the format: rows of a sheet with its heading, characters of a cell and of the name of a sheet.
MAX_ROWS = 1_048_576
MAX_TEXT = 32_767
MAX_NAME = 31
#: Width of columns in characters, judged from the first rows.
WIDTHS = (8, 40)
LOOKED_AT = 50

Tables = Mapping[str, tuple[Sequence[Mapping[str, Any]], Sequence[str]]]


def workbook_bytes(results: Results, tables: Tables) -> bytes:
    """A workbook with a sheet on its origin and one for each table.

    Text stays text, whatever it looks like: no cell is a formula. Rows that a sheet cannot hold are left out, and the
    first sheet says so.
    """
    from xlsxwriter import Workbook

    out = io.BytesIO()
    book = Workbook(out, {"constant_memory": True, "in_memory": False})
    day = dt.datetime.combine(dt.date.fromisoformat(str(results.project["identity"]["date"])), dt.time())
    book.set_properties({"title": _title(results), "created": day})
    head = book.add_format({"bold": True, "bottom": 1})
    about = book.add_worksheet("about")
    about.set_column(0, 0, 28)
    about.set_column(1, 1, 90)
    for k, (name, text) in enumerate(_about(results, tables)):
        about.write_string(k, 0, name, head)
        about.write_string(k, 1, text[:MAX_TEXT])
    for name, (rows, columns) in tables.items():
        sheet = book.add_worksheet(name[:MAX_NAME])
        sheet.freeze_panes(1, 1)
        shown = rows[: MAX_ROWS - 1]
        for k, column in enumerate(columns):
            widest = max(len(_text(row.get(column))) for row in [{column: column}, *shown[:LOOKED_AT]])
            sheet.set_column(k, k, min(max(widest + 1, WIDTHS[0]), WIDTHS[1]))
        for k, column in enumerate(columns):
            sheet.write_string(0, k, column, head)
        for n, row in enumerate(shown, start=1):
            for k, column in enumerate(columns):
                _write(sheet, n, k, row.get(column))
        if columns:
            sheet.autofilter(0, 0, len(shown), len(columns) - 1)
    book.close()
    return out.getvalue()


def _title(results: Results) -> str:
    return str(results.project["identity"].get("title") or "")[:255]


def _about(results: Results, tables: Tables) -> list[tuple[str, str]]:
    found = results.provenance
    left = [f"{name} ({len(rows)})" for name, (rows, _) in tables.items() if len(rows) >= MAX_ROWS]
    return [
        ("title", _title(results)),
        ("made by", f"lineside {found.lineside_version}"),
        ("method", found.method_title),
        ("check sum of the inputs", found.project_sha256),
        ("levels for", results.situation.label),
        ("units", "levels in dB re 20 uPa, lengths in m, frequencies in Hz; an empty level is silence"),
        ("sheets", ", ".join(tables)),
        *([("cut, see the CSV tables", ", ".join(left))] if left else []),
    ]


def _write(sheet: Any, row: int, column: int, value: Any) -> None:
    if value is None or value == "":
        return
    if isinstance(value, bool):
        sheet.write_boolean(row, column, value)
    elif isinstance(value, int | float):
        sheet.write_number(row, column, value)
    else:
        sheet.write_string(row, column, _text(value)[:MAX_TEXT])


def _text(value: Any) -> str:
    if value is None:
        return ""
    return "; ".join(str(v) for v in value) if isinstance(value, list | tuple) else str(value)

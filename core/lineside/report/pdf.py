"""Writes the assessment report: the one entry to this package."""

from __future__ import annotations

import os
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path

from lineside.contracts import ReportSection
from lineside.errors import naming
from lineside.results.model import Results


def render_assessment(
    results: Results,
    inputs: Mapping[str, bytes],
    results_json: bytes,
    out: Path,
    sections: Sequence[ReportSection] = (),
) -> dict[str, float]:
    """Write the report to the file ``out``, whole or not at all.

    Parameters
    ----------
    results : Results
        The results document: all that is printed is read from it.
    inputs : mapping
        Name to content of the project's files; printed (project.yaml) and attached.
    results_json : bytes
        The results document as written to disk; attached.
    out : Path
        The PDF to write; its folder exists.
    sections : sequence of ReportSection
        Sections that plugins add.

    Returns
    -------
    dict
        Seconds spent on ``figures`` and on ``pdf`` (wording, layout, writing).

    Raises
    ------
    ReportError
        If the PDF cannot be made. Where the libraries of the PDF engine are missing, the report is written
        as one HTML file beside ``out`` before the error is raised.
    """
    from lineside.report import archive, context, html
    from lineside.report.strings import Strings

    strings = Strings()
    start = time.perf_counter()
    figures = context.draw(results, strings)
    drawn = time.perf_counter()
    report = context.build(results, inputs, figures, strings, sections)
    page = html.render(report, strings, html.font_for_pdf)
    try:
        content = archive.make(page, inputs, results_json, report.date)
    except archive.EngineMissing:
        write_whole(out.with_suffix(".html"), html.render(report, strings, html.font_for_web).encode("utf-8"))
        raise
    write_whole(out, content)
    return {"figures": drawn - start, "pdf": time.perf_counter() - drawn}


def write_whole(path: Path, content: bytes) -> None:
    """Write a file so that readers see the old one or the new one, never a part."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with naming(path), os.fdopen(handle, "wb") as file:
            file.write(content)
        Path(name).chmod(0o644)
        Path(name).replace(path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise

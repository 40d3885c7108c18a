"""Reading an assessment from a folder of results or from its PDF."""

from __future__ import annotations

from pathlib import Path

from lineside.errors import RequestError
from lineside.report.archive import RESULTS_FILE
from lineside.results.model import Results
from lineside.verify.attachments import MAX_RESULTS_BYTES, parse_results, read_attachments, results_of
from lineside.verify.opening import opened


def read(path: Path) -> Results:
    """The results in a folder, in a file ``results.json``, or attached to a PDF.

    Raises
    ------
    RequestError
        If there are none, or they are of another version.
    UnusablePdf
        If a PDF cannot be read.
    """
    if path.is_dir():
        file = path / RESULTS_FILE
        if not file.is_file():
            hint = f"; did you mean {path / 'out'}" if (path / "out" / RESULTS_FILE).is_file() else ""
            raise RequestError(f"{path} holds no {RESULTS_FILE}: name a folder that `lineside assess` wrote{hint}")
        content: bytes | None = _bounded(file)
    elif path.suffix.lower() == ".json":
        content = _bounded(path)
    else:
        with opened(path) as pdf:
            content = results_of(read_attachments(pdf))
    results, why = parse_results(content)
    if results is None:
        raise RequestError(f"{path}: the results cannot be used: {why}")
    return results


def _bounded(file: Path) -> bytes:
    with file.open("rb") as stream:
        content = stream.read(MAX_RESULTS_BYTES + 1)
    if len(content) > MAX_RESULTS_BYTES:
        raise RequestError(f"{file} is larger than {MAX_RESULTS_BYTES / 1e6:g} MB")
    return content

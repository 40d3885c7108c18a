"""From HTML to an archival, tagged PDF with the project and the results attached."""

from __future__ import annotations

import io
import logging
import warnings
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from datetime import UTC, date, datetime
from typing import Any

from lineside.errors import ReportError
from lineside.figures.words import clean
from lineside.report.context import PROJECT_FILE
from lineside.report.html import FONT_SCHEME, font_bytes

VARIANT = "pdf/a-3a"
RESULTS_FILE = "results.json"
INSTALL_HINT = (
    "The PDF engine lacks the Pango libraries; on Debian or Ubuntu install them with: "
    "apt-get install --no-install-recommends libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0"
)


class EngineMissing(ReportError):
    """The libraries of the PDF engine are not there."""


def load_engine() -> Any:
    """The PDF engine; imported only here, since it needs system libraries."""
    try:
        import weasyprint
    except OSError:
        raise EngineMissing(INSTALL_HINT) from None
    return weasyprint


def moment_of(day: str) -> datetime:
    """Midnight (UTC) of an ISO date, so that the file carries no time of its own making.

    >>> moment_of("2026-11-20").isoformat()
    '2026-11-20T00:00:00+00:00'
    """
    try:
        found = date.fromisoformat(day[:10])
    except ValueError:
        found = date(2000, 1, 1)
    return datetime(found.year, found.month, found.day, tzinfo=UTC)


def make(html: str, inputs: Mapping[str, bytes], results_json: bytes, day: str) -> bytes:
    """The PDF.

    Parameters
    ----------
    html : str
        The document; its only outside addresses are the shipped fonts.
    inputs : mapping
        Name to content of the project's files; attached.
    results_json : bytes
        Attached as ``results.json``.
    day : str
        Date of the project, ISO 8601: the date of the attachments.
    """
    return make_with(html, lambda engine: _attachments(engine, inputs, results_json, day))


def make_with(html: str, attachments: Callable[[Any], list[Any]]) -> bytes:
    """A PDF with the attachments that a function makes of the engine."""
    engine = load_engine()
    from lineside.report.finish import finisher

    with no_errors_unheard(), warnings.catch_warnings():
        # the engine leaves its colour profile open for Python to close
        warnings.simplefilter("ignore", ResourceWarning)
        document = engine.HTML(string=html, base_url=None, url_fetcher=fetcher()())
        return document.write_pdf(pdf_variant=VARIANT, finisher=finisher, attachments=attachments(engine))


def n_pages(content: bytes) -> int:
    """Number of pages of a PDF."""
    import pikepdf

    with pikepdf.open(io.BytesIO(content)) as pdf:
        return len(pdf.pages)


def attachment_name(name: str) -> str:
    """Under which name an input is attached: it may be called like the results."""
    name = clean(name)
    return f"input {name}" if name == RESULTS_FILE else name


def _attachments(engine: Any, inputs: Mapping[str, bytes], results_json: bytes, day: str) -> list[Any]:
    moment = moment_of(day)

    def attach(name: str, content: bytes, description: str, relationship: str) -> Any:
        return engine.Attachment(
            file_obj=io.BytesIO(content),
            name=name,
            description=description,
            relationship=relationship,
            created=moment,
            modified=moment,
        )

    # the project file first, then its companions by name
    names = sorted(inputs, key=lambda name: (name != PROJECT_FILE, name))
    return [
        *(
            attach(attachment_name(n), inputs[n], "Project file" if n == PROJECT_FILE else "Input file", "Source")
            for n in names
        ),
        attach(RESULTS_FILE, results_json, "All results", "Data"),
    ]


def fetcher() -> Any:
    """The class that answers what a document asks for."""
    from weasyprint.urls import URLFetcher, URLFetcherResponse

    class OwnFilesOnly(URLFetcher):
        """Answers for the shipped fonts and for data inside the page; the network and the disk are out of reach."""

        def fetch(self, url: str, headers: Any = None) -> Any:
            if url.startswith(f"{FONT_SCHEME}:///"):
                return URLFetcherResponse(url, font_bytes(url.rpartition("/")[2]), {"Content-Type": "font/ttf"})
            if url.startswith("data:"):
                return super().fetch(url, headers)
            raise ValueError(f"address not allowed in a report: {url[:80]}")

    return OwnFilesOnly


class _Listener(logging.Handler):
    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.heard: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        self.heard.append(record.getMessage())


@contextmanager
def no_errors_unheard() -> Iterator[None]:
    """The PDF engine only logs what goes wrong (a font not found, a picture without a description); we stop."""
    logger = logging.getLogger("weasyprint")
    listener, level, propagate = _Listener(), logger.level, logger.propagate
    logger.addHandler(listener)
    logger.propagate = False
    try:
        yield
    finally:
        logger.removeHandler(listener)
        logger.propagate = propagate
        logger.setLevel(level)
    if listener.heard:
        raise ReportError("The PDF engine reported: " + "; ".join(dict.fromkeys(listener.heard)))

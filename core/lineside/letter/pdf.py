"""Letters as PDF: single files, and one file for the printer.

Each letter is laid out by itself, with style sheet and fonts read once, and by several processes; the file for the
printer is put together from the finished pages. So the time per letter does not grow with their number.
"""

from __future__ import annotations

import atexit
import io
import multiprocessing
import warnings
from collections.abc import Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import cache
from typing import Any

from lineside.errors import ReportError
from lineside.letter.views import Letter
from lineside.letter.wording import catalogue
from lineside.report import archive
from lineside.report.html import environment, font_for_pdf

TEMPLATES = "letter"
MOST_PAGES = 2
#: Fewer letters than this are not worth the start of further processes.
WORTH_PROCESSES = 12


@dataclass(frozen=True)
class Made:
    """A letter as PDF."""

    content: bytes
    n_pages: int


def html(letter: Letter, language: str = "en", print_size: str = "") -> str:
    """The page of one letter, without its style sheet; in smaller print: ``tight`` or ``compact``."""
    from jinja2 import TemplateError

    try:
        return _template().render(letter=letter, t=catalogue_of(language), print_size=print_size)
    except TemplateError as error:
        raise ReportError(f"The letter template failed: {error}") from error


@cache
def catalogue_of(language: str) -> Any:
    """The wording of letters, read once."""
    return catalogue(language)


@cache
def _template() -> Any:
    return environment(TEMPLATES).get_template("page.html.j2")


@cache
def _style() -> tuple[Any, Any]:
    """Style sheet and fonts, read once for all letters of a process."""
    engine = archive.load_engine()
    from weasyprint.text.fonts import FontConfiguration

    fonts = FontConfiguration()
    atexit.register(_style.cache_clear)  # the engine cannot clean up once Python has gone
    css = environment(TEMPLATES).get_template("style.css.j2").render(font=font_for_pdf)
    return engine.CSS(string=css, font_config=fonts, url_fetcher=archive.fetcher()()), fonts


def pdf(letter: Letter, language: str = "en") -> Made:
    """One letter: tagged, with language, title and bookmark; the same bytes on every run.

    One that fills more than two pages is set in smaller print.

    Raises
    ------
    ReportError
        If the PDF engine is missing or reports an error.
    """
    engine = archive.load_engine()
    from lineside.report.finish import finisher

    with archive.no_errors_unheard(), warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        style, fonts = _style()
        for print_size, most in _tries(letter):
            page = html(letter, language, print_size)
            source = engine.HTML(string=page, base_url=None, url_fetcher=archive.fetcher()())
            document = source.render(stylesheets=[style], font_config=fonts, pdf_variant=archive.VARIANT)
            if len(document.pages) <= most:
                break
        return Made(document.write_pdf(pdf_variant=archive.VARIANT, finisher=finisher), len(document.pages))


def _tries(letter: Letter) -> list[tuple[str, int]]:
    """Sizes of print, each with the most pages with which it is taken; the last one is taken anyway."""
    pictures = any(block.kind == "picture" for part in letter.parts for block in part.blocks)
    # without pictures a letter nearly fits one page
    return [*([] if pictures else [("tight", 1)]), ("", MOST_PAGES), ("tight", MOST_PAGES), ("compact", MOST_PAGES)]


def _one(task: tuple[Letter, str]) -> Made:
    return pdf(*task)


def pdfs(letters: Sequence[Letter], language: str = "en", workers: int = 1) -> Iterator[Made]:
    """All letters, one after another in their order.

    Parameters
    ----------
    workers : int
        Processes that share the work; the bytes do not depend on it.
    """
    tasks = [(letter, language) for letter in letters]
    if workers < 2 or len(tasks) < WORTH_PROCESSES:
        yield from map(_one, tasks)
        return
    archive.load_engine()  # says here what is missing
    # fresh processes: forked ones would inherit locks of threads that compute
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        yield from pool.map(_one, tasks, chunksize=4)


class PrintFile:
    """All letters in one file for the printer.

    Each letter starts on a right-hand page, so that printing on both sides never puts two addresses on one sheet.
    Without the structure for assistive software, which the single files have.
    """

    def __init__(self, title: str, language: str) -> None:
        import pikepdf

        self._pdf = pikepdf.new()
        self._title, self._language = title, language
        self._marks: list[tuple[str, int]] = []

    def add(self, content: bytes, bookmark: str) -> None:
        """Add a letter."""
        import pikepdf

        with pikepdf.open(io.BytesIO(content)) as one:
            self._marks.append((bookmark, len(self._pdf.pages)))
            n = len(one.pages)
            for page in one.pages:
                for key in ("/StructParents", "/Annots", "/Tabs"):
                    if key in page.obj:
                        del page.obj[key]
            self._pdf.pages.extend(one.pages)
        if n % 2:
            last = self._pdf.pages[-1].mediabox
            self._pdf.add_blank_page(page_size=(float(last[2] - last[0]), float(last[3] - last[1])))

    def content(self) -> bytes:
        """The whole file, the same bytes for the same letters."""
        import pikepdf

        with self._pdf.open_outline() as outline:
            outline.root.extend(pikepdf.OutlineItem(name, page) for name, page in self._marks)
        with self._pdf.open_metadata(set_pikepdf_as_editor=False) as metadata:
            metadata["dc:title"] = self._title
        self._pdf.docinfo["/Title"] = self._title
        self._pdf.Root.Lang = pikepdf.String(self._language)
        self._pdf.Root.ViewerPreferences = pikepdf.Dictionary(DisplayDocTitle=True)
        self._pdf.Root.PageMode = pikepdf.Name.UseOutlines
        buffer = io.BytesIO()
        self._pdf.save(buffer, deterministic_id=True, object_stream_mode=pikepdf.ObjectStreamMode.generate)
        return buffer.getvalue()

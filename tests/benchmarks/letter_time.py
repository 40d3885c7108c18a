"""How long letters take, and how the time grows with their number.

Run by hand: ``python tests/benchmarks/letter_time.py [N ...]`` (default 10 50 100; 500 takes some minutes). The results
are invented, those of the tests of the report. Compared are

- one:   each letter laid out by itself with its own style sheet and fonts, as a command for one address does;
- whole: all letters as one document, laid out at once, then written page by page into single files;
- used:  what ``lineside letter --all`` does, with one process and with one for each processor; the file for the
         printer is part of it.

Measured on two cores in November 2026: 500 letters of two pages took 84 s with one process and 52 s with two, 0.17 s of
the processor each; with 10 and 100 letters it was 0.19 s and 0.18 s each, so that the time grows with their number and
no faster. Laid out at once, 100 letters took as much of the processor (0.18 s each), and cannot be shared out.

Seconds are those of the wall and, in brackets, those of the processor in this process.
"""

from __future__ import annotations

import os
import runpy
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path
from typing import Any

FIXTURE = runpy.run_path(str(Path(__file__).parents[1] / "unit" / "report_fixture.py"))
CONTACT = {"name": "Track office", "phone": "01632 960 123", "hours": "Monday to Friday"}


def invented(n: int) -> Any:
    """Results with n receivers, all of which get a letter."""
    results = FIXTURE["build_results"](n)
    for receiver in results.receivers:
        receiver.use = "dwelling"
    return results.model_copy(update={"project": {**results.project, "contact": CONTACT}})


def told(name: str, n: int, work: Callable[[], None]) -> None:
    """Print the time of some work per letter."""
    wall, own = time.perf_counter(), time.process_time()
    work()
    wall, own = time.perf_counter() - wall, time.process_time() - own
    print(f"{n:5d} letters  {name:<28} {wall / n:6.3f} s each ({own / n:6.3f})  {wall:7.1f} s in all", flush=True)


def one_by_one(n: int) -> None:
    """Nothing shared between letters."""
    from lineside.letter import pdf

    for letter in built(n):
        pdf._style.cache_clear()
        pdf.pdf(letter)


def as_one_document(n: int) -> None:
    """One layout of all letters, split when written."""
    from lineside.letter import pdf
    from lineside.report import archive
    from lineside.report.finish import finisher

    engine = archive.load_engine()
    pages = [pdf.html(letter) for letter in built(n)]
    bodies = [page.partition("<body>")[2].partition("</body>")[0] for page in pages]
    head = pages[0].partition("<body>")[0]
    parts = "".join(f'<div style="break-before: page">{body}</div>' for body in bodies)
    style, fonts = pdf._style()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)
        whole = engine.HTML(string=f"{head}<body>{parts}</body></html>", url_fetcher=archive.fetcher()())
        document = whole.render(stylesheets=[style], font_config=fonts, pdf_variant=archive.VARIANT)
        each = len(document.pages) // n
        for k in range(n):
            split = document.copy(document.pages[k * each : (k + 1) * each])
            split.write_pdf(pdf_variant=archive.VARIANT, finisher=finisher)


def built(n: int) -> list[Any]:
    """The letters in words."""
    from lineside.letter.addressees import choose
    from lineside.letter.done import build
    from lineside.letter.index import Index
    from lineside.letter.wording import catalogue

    results = invented(n)
    index = Index(results)
    return [build(index, who, catalogue()) for who in choose(index, results.project, {}, None).addressees]


def used(n: int, workers: int) -> None:
    """The command itself, without reading results."""
    from lineside.letter.write import write_letters

    with tempfile.TemporaryDirectory() as folder:
        made = write_letters(invented(n), Path(folder), workers=workers)
        assert made.print_file is not None
        size = made.print_file.stat().st_size
        print(f"{n:5d} letters  {made.pages} pages, file for the printer {size / 1e6:.1f} MB")


def main(numbers: list[int]) -> None:
    """Print the table."""
    processors = len(os.sched_getaffinity(0))
    one_by_one(2)  # imports, caches of fonts
    for n in numbers:
        told("words only", n, lambda n=n: built(n) and None)  # type: ignore[misc]
        if n <= 100:
            told("one: nothing shared", n, lambda n=n: one_by_one(n))  # type: ignore[misc]
            told("whole: laid out at once", n, lambda n=n: as_one_document(n))  # type: ignore[misc]
        for workers in dict.fromkeys((1, processors)):
            told(f"used: {workers} process(es)", n, lambda n=n, w=workers: used(n, w))  # type: ignore[misc]


if __name__ == "__main__":
    main([int(a) for a in sys.argv[1:]] or [10, 50, 100])

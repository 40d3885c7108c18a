"""The command `lineside letter`: find results, choose who gets a letter, write the files."""

from __future__ import annotations

import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from lineside.engine.pool import n_workers
from lineside.engine.progress import Progress, silent
from lineside.errors import Problem, ProjectError, RequestError
from lineside.letter.addressees import Given, choose, read_addresses
from lineside.letter.done import build
from lineside.letter.index import Index
from lineside.letter.kept_results import (
    RESULTS_FILE,
    misfits,
    read_results,
    refuse_one_situation,
    with_letter_keys,
)
from lineside.letter.pdf import MOST_PAGES, PrintFile, pdfs
from lineside.letter.wording import catalogue
from lineside.project.folder import PROJECT_FILE
from lineside.report.pdf import write_whole
from lineside.report.selection import identity, of_project
from lineside.results.model import Results

PRINT_FILE = "all_letters.pdf"
FOLDER = "letters"
Say = Callable[[str], None]


@dataclass(frozen=True)
class Written:
    """What was written: single files by id of the address, and the file for the printer, if any."""

    letters: dict[str, Path]
    print_file: Path | None
    pages: int
    seconds: float


def _no_contact() -> Problem:
    return Problem(
        "letters need the office that neighbours may call",
        place="contact",
        found="nothing",
        allowed='for example contact: {name: Track office, phone: "01632 960 123", hours: Monday to Friday}',
        hint="write it into the project file, or see a draft with --draft",
    )


def find_results(
    path: Path,
    folder: Path | None,
    progress: Progress = silent,
    say: Say = lambda text: None,
    draft: bool = False,
) -> Results:
    """Results for letters: those that an assessment kept where they fit the project, else computed.

    Parameters
    ----------
    path : Path
        A project, or a folder with ``results.json`` but no project.
    folder : Path, optional
        Where to take results from. Default: ``out`` beside the project file, if they fit.
    say : callable
        Is told what is used and what does not fit.
    draft : bool
        Letters may lack the contact; without it, nothing is computed for letters that cannot be written.

    Raises
    ------
    RequestError
        If results of ``folder`` do not fit the project.
    ProjectError
        If the project has errors, or no contact.
    """
    from lineside import api
    from lineside.plugins import Plugins

    if path.is_dir() and not (path / PROJECT_FILE).is_file() and (path / RESULTS_FILE).is_file():
        results = read_results(path)
        beside = path.parent
        if (beside / PROJECT_FILE).is_file() and folder is None:
            return find_results(beside, path, progress, say)
        say(f"there is no project beside {path}: whether it has changed since then was not checked")
        refuse_one_situation(results)
        return results
    plugins = Plugins.load()
    loaded = api.load_project(path, plugins)
    project = loaded.project.model_dump(mode="json", by_alias=True)
    at = folder or loaded.folder / "out"
    if folder is not None or (at / RESULTS_FILE).is_file():
        try:
            results = read_results(at)
            found = misfits(results, loaded)
        except RequestError as error:
            if folder is not None:
                raise
            found = [str(error)]
        if not found:
            refuse_one_situation(results)
            say(f"with the results in {at}")
            return with_letter_keys(results, project)
        why = "; ".join(found)
        if folder is not None:
            raise RequestError(
                f"the results in {at} are not those of this project ({why}); assess it again, or leave out --results"
            )
        say(f"the results in {at} are not those of this project ({why}); computing anew")
    else:
        say("no results beside the project; computing (after `lineside assess`, letters take its results)")
    if loaded.project.contact is None and not draft:
        raise ProjectError([_no_contact()])
    return api.assess(path, plugins, progress).results


def write_letters(
    results: Results,
    out: Path,
    receiver: str | None = None,
    addresses: Path | None = None,
    draft: bool = False,
    language: str = "en",
    workers: int | None = None,
    progress: Progress = silent,
    say: Say = lambda text: None,
) -> Written:
    """Write letters as single files, and, for all, one file for the printer.

    Parameters
    ----------
    receiver : str, optional
        Id of a receiver or building. Default: all with an address.
    addresses : Path, optional
        CSV file with addresses by id, beside the project's own.
    draft : bool
        Letters are marked as drafts, and say what is missing; without it, a missing contact is an error.

    Raises
    ------
    ProjectError
        If the contact is missing, or the file of addresses has errors.
    RequestError
        If nobody with this id can be written to.
    ReportError
        If a PDF cannot be made.
    """
    start = time.perf_counter()
    given: dict[str, Given] = read_addresses(addresses) if addresses is not None else {}
    index, strings = Index(results), catalogue(language)
    chosen = choose(index, results.project, given, receiver)
    _complete(results, [a.id for a in chosen.addressees if not a.address], draft)
    for note in chosen.notes:
        say(note)
    letters = [build(index, who, strings, draft) for who in chosen.addressees]
    out.mkdir(parents=True, exist_ok=True)
    title = strings("letter.all_title", title=identity(results, "title") or strings("letter.no_title"))
    whole = PrintFile(title, strings("letter.language")) if receiver is None else None
    paths: dict[str, Path] = {}
    names = file_names([letter.id for letter in letters])
    progress("letters", 0, len(letters))
    pages = 0
    for letter, made in zip(letters, pdfs(letters, language, n_workers(workers)), strict=True):
        paths[letter.id] = out / names[letter.id]
        write_whole(paths[letter.id], made.content)
        pages += made.n_pages
        if made.n_pages > MOST_PAGES:
            say(f"the letter of {letter.id} has {made.n_pages} pages; shorten what the project file says in it")
        if whole is not None:
            whole.add(made.content, letter.bookmark)
        progress("letters", len(paths), len(letters))
    if whole is not None:
        write_whole(out / PRINT_FILE, whole.content())
    print_file = out / PRINT_FILE if whole is not None else None
    return Written(paths, print_file, pages, time.perf_counter() - start)


def _complete(results: Results, nameless: list[str], draft: bool) -> None:
    """Refuse letters without what they cannot do without."""
    if draft:
        return
    problems = []
    if not of_project(results, "contact", default={}):
        problems.append(_no_contact())
    for name in nameless:
        problems.append(
            Problem(
                "has neither an address nor a name to write to",
                place=f"receiver {name}",
                hint="write address: [lines] beside its id, give --addresses FILE, or see a draft with --draft",
            )
        )
    if problems:
        raise ProjectError(problems)


def file_names(ids: list[str]) -> dict[str, str]:
    """A file name for each id, whatever characters it has; names that differ in case only are told apart.

    >>> file_names(["R1", "../R1", "r1"])
    {'R1': 'letter_R1.pdf', '../R1': 'letter_R1_2.pdf', 'r1': 'letter_r1_3.pdf'}
    """
    out: dict[str, str] = {}
    seen: set[str] = set()
    for name in ids:
        base = re.sub(r"[^A-Za-z0-9-]+", "_", name).strip("_") or "place"
        candidate, k = base, 1
        while candidate.lower() in seen:
            k += 1
            candidate = f"{base}_{k}"
        seen.add(candidate.lower())
        out[name] = f"letter_{candidate}.pdf"
    return out

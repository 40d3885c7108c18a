"""The command line. Heavy imports stay inside the commands that need them."""

from __future__ import annotations

import json
import os
import shlex
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from lineside import __version__
from lineside.errors import LinesideError, PluginError, Problem, ProjectError, ReportError

if TYPE_CHECKING:
    from lineside.engine.progress import Progress

#: Exit codes: 0 all well; 1 the project has errors or lacks what is asked for, or a limit of a method was left;
#: 2 wrong call; 3 a plugin is missing or broken; 4 the report could not be made; 5 a fault of lineside itself;
#: 6 a report was checked, and not all of it follows from its inputs.
EXIT_PROJECT, EXIT_PLUGIN, EXIT_REPORT, EXIT_FAULT, EXIT_DEVIATES = 1, 3, 4, 5, 6
#: Ctrl-C: 128 + SIGINT, as other programs do.
EXIT_INTERRUPTED = 130
#: What reads the output went away (`| head`): 128 + SIGPIPE, as other programs do.
EXIT_PIPE = 141
#: Where no terminal is attached, the time that remains is said this often. [s]
EVERY_S = 10.0
#: Set to anything, a fault shows where in the code it happened.
TRACEBACK = "LINESIDE_TRACEBACK"

F = TypeVar("F", bound=Callable[..., Any])


class Commands(click.Group):
    """The group of commands; turns every expected error into words and an exit code."""

    def invoke(self, ctx: click.Context) -> Any:
        try:
            return super().invoke(ctx)
        except ProjectError as error:
            _show(list(error.problems))
            sys.exit(EXIT_PLUGIN if _failed_plugins() else EXIT_PROJECT)
        except LinesideError as error:
            if os.environ.get(TRACEBACK) and error.__cause__ is not None:
                raise
            click.echo(f"lineside: {error}", err=True)
            codes = {PluginError: EXIT_PLUGIN, ReportError: EXIT_REPORT}
            sys.exit(next((code for kind, code in codes.items() if isinstance(error, kind)), EXIT_PROJECT))
        except KeyboardInterrupt:
            click.echo("lineside: interrupted; files already complete were kept", err=True)
            sys.exit(EXIT_INTERRUPTED)
        except BrokenPipeError:
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
            sys.exit(EXIT_PIPE)
        except OSError as error:
            click.echo(f"lineside: {error.strerror or error}: {error.filename or ''}".rstrip(": "), err=True)
            sys.exit(EXIT_PROJECT)
        except (click.ClickException, click.exceptions.Exit, click.Abort):
            raise
        except Exception as error:
            if os.environ.get(TRACEBACK):
                raise
            what = f"{type(error).__name__}: {error}"
            click.echo(f"lineside: a fault of the program or of a plugin, not of your project: {what}", err=True)
            click.echo(f"  please report it with the project; {TRACEBACK}=1 shows where it happened", err=True)
            sys.exit(EXIT_FAULT)


def _show(problems: list[Problem]) -> None:
    for problem in problems:
        mark = "warning" if problem.severity == "warning" else "error"
        click.echo(f"{mark}: {problem}", err=True)
    n_errors = sum(p.severity == "error" for p in problems)
    if n_errors:
        click.echo(f"{n_errors} error{'s' if n_errors > 1 else ''}; nothing was written", err=True)


def _failed_plugins() -> bool:
    """Say which plugins did not load: what a project misses may be theirs."""
    from lineside.plugins import Plugins

    failed = Plugins.load().failed
    for failure in failed:
        click.echo(
            f"warning: a plugin failed to load: {failure.entry_point} of {failure.distribution}: {failure.reason}",
            err=True,
        )
    return bool(failed)


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="lineside")
def main() -> None:
    """Railway noise: a project file in, a report that can be checked out.

    Start with `lineside new my_site`, then `lineside assess my_site`.
    """


@main.command()
@click.argument("folder", type=click.Path(path_type=Path))
def new(folder: Path) -> None:
    """Write a commented starter project into FOLDER; it can be assessed at once."""
    from lineside.engine.select import vocabulary_of
    from lineside.plugins import Plugins
    from lineside.project.starter import write_starter

    write_starter(folder, vocabulary_of(Plugins.load()))
    click.echo(f"wrote {folder}/project.yaml; next: lineside assess {folder}", err=True)


@main.command()
@click.argument("project", type=click.Path(path_type=Path))
def check(project: Path) -> None:
    """Read PROJECT (a folder) and report every error and warning; compute nothing."""
    from lineside import api

    loaded = api.load_project(project)
    _failed_plugins()
    _show(list(loaded.warnings))
    n = len(loaded.warnings)
    click.echo(f"{project}: no errors, {n} warning{'' if n == 1 else 's'}", err=True)
    said = api.options_in_words(loaded)
    if said:
        click.echo(said, err=True)


@main.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path, file_okay=False),
    help="Folder to write to [default: PROJECT/out, or out_SITUATION with --state]",
)
@click.option(
    "--state",
    default="",
    help="Levels of one situation instead of the long-term mixture: a date, a state, a month, joined by + "
    "(for example 2026-12-01+dry)",
)
@click.option(
    "--workers",
    type=click.IntRange(min=1),
    help="Threads that share the work; results do not depend on it [default: one for each processor]",
)
@click.option("--quiet", is_flag=True, help="Say nothing but errors")
def assess(project: Path, out: Path | None, state: str, workers: int | None, quiet: bool) -> None:
    """Assess PROJECT: write results.json, results.nc, tables/, index.html and assessment.pdf.

    A run that is stopped goes on where it was when the same command is given again.
    """
    from lineside import api
    from lineside.engine.kept import Kept
    from lineside.plugins import Plugins

    start = time.perf_counter()
    plugins = Plugins.load()
    target = out or (project if project.is_dir() else project.parent) / (
        "out" + f"_{state.replace('+', '_')}" * bool(state)
    )
    with Kept(target, lambda text: None if quiet else click.echo(text, err=True)) as kept:
        try:
            with _progress(quiet) as shown, _interruptible(shown) as progress:
                assessment = api.assess(project, plugins, progress, state, workers, kept)
                if not quiet:
                    _failed_plugins()
                    _show(list(assessment.loaded.warnings))
                seconds = {**assessment.seconds, **api.render(assessment, target, plugins, progress)}
        except KeyboardInterrupt:
            how = "the same command goes on from here" if kept.n_blocks else "nothing is kept yet"
            click.echo(f"lineside: interrupted; {how}", err=True)
            sys.exit(EXIT_INTERRUPTED)
        kept.finish()
    if quiet:
        return
    above = [f for f in assessment.results.findings if f.verdict == "above"]
    n_asked = sum(f.verdict != "not assessed" for f in assessment.results.findings)
    click.echo(
        f"{len(assessment.results.receivers)} receivers; {len(above)} of {n_asked} comparisons above a limit", err=True
    )
    found = assessment.results.options
    if found is not None and found.measures:
        best = f"; first in the order: {found.order[0].option}" if found.order else "; none changes a level"
        click.echo(f"measures: {len(found.measures)}; options: {len(found.options)}{best}", err=True)
    split = ", ".join(f"{name} {value:.1f} s" for name, value in seconds.items())
    click.echo(f"done in {time.perf_counter() - start:.1f} s ({split})", err=True)
    click.echo(str(target / "assessment.pdf"))


@contextmanager
def _interruptible(progress: Progress) -> Iterator[Progress]:
    """Ctrl-C stops at the next progress even where its exception is lost, as in a callback of compiled code."""
    asked = False

    def ask(_signal: int, _frame: object) -> None:
        nonlocal asked
        asked = True
        raise KeyboardInterrupt

    def told(step: str, done: int, of: int) -> None:
        if asked:
            raise KeyboardInterrupt
        progress(step, done, of)

    before = signal.signal(signal.SIGINT, ask)
    try:
        yield told
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _progress(quiet: bool) -> Iterator[Progress]:
    """Progress on stderr: bars on a terminal, lines elsewhere, with the time that remains."""
    from lineside.engine.progress import Estimate, in_words, silent

    if quiet:
        yield silent
        return
    estimate = Estimate()
    if not sys.stderr.isatty():
        said = [time.monotonic()]

        def tell(step: str, done: int, of: int) -> None:
            now, left = estimate.hear(step, done, of), estimate.remaining_s()
            if now.finished and now.began is not None:
                click.echo(f"{step} done", err=True)
            elif left is not None and time.monotonic() - said[0] > EVERY_S:
                said[0] = time.monotonic()
                click.echo(f"{step} {100 * done // max(of, 1)} %, {in_words(left)} left in all", err=True)

        yield tell
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn
    from rich.progress import Progress as Bars

    columns = (TextColumn("{task.description}"), BarColumn(), TextColumn("{task.fields[left]}"))
    with Bars(*columns, console=Console(stderr=True), transient=True) as bars:
        tasks: dict[str, Any] = {}

        def show(step: str, done: int, of: int) -> None:
            estimate.hear(step, done, of)
            if step not in tasks:
                tasks[step] = bars.add_task(step, total=max(of, 1), left="")
            left = estimate.remaining_s()
            words = "" if left is None or done >= of else f"{in_words(left)} left in all"
            bars.update(tasks[step], total=max(of, 1), completed=done if of else 1, left=words)

        yield show


@main.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--receiver", required=True, help="Id of the receiver")
@click.option(
    "--from", "start", default="", help="Situation to start from [default: before, the day before the first work]"
)
@click.option("--to", "end", default="", help="Situation to end with [default: the first assessment date]")
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output")
@click.option(
    "--figure", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the causes into this SVG file"
)
def explain(project: Path, receiver: str, start: str, end: str, as_json: bool, figure: Path | None) -> None:
    """Say why the level at a receiver of PROJECT differs between two situations.

    A situation is a date (YYYY-MM-DD), `before` (the day before the first work), a state of the project's conditions
    (for example low_water), a month, or several of them joined by +. What it does not name is as in the long-term
    mixture at the first assessment date. The parts add up to the change.
    """
    from lineside import api
    from lineside.report.explanation import draw, lines

    if figure is not None and figure.suffix.lower() != ".svg":
        raise click.BadParameter(f"{figure} must end in .svg", param_hint="--figure")
    if figure is not None and not figure.parent.is_dir():
        raise click.BadParameter(f"there is no folder {figure.parent}", param_hint="--figure")
    found = api.explain(project, receiver, start, end)
    if as_json:
        click.echo(found.explanation.model_dump_json(indent=1))
    else:
        for line in lines(found):
            click.echo(line)
    if figure is not None:
        from lineside.results.write import write_bytes

        write_bytes(figure, draw(found))


@main.command()
@click.argument("project", type=click.Path(path_type=Path))
@click.option("--receiver", help="Id of the receiver, or of a building with receivers on its facades")
@click.option("--all", "every", is_flag=True, help="Letters to all addresses, and one file for the printer")
@click.option(
    "--out", type=click.Path(path_type=Path, file_okay=False), help="Folder to write to [default: PROJECT/out/letters]"
)
@click.option(
    "--results",
    type=click.Path(path_type=Path, file_okay=False, exists=True),
    help="Folder with the results.json to use [default: PROJECT/out if it fits the project, else computed]",
)
@click.option(
    "--addresses",
    type=click.Path(path_type=Path, dir_okay=False, exists=True),
    help="CSV file with addresses: id, salutation, line_1, line_2, ...",
)
@click.option("--draft", is_flag=True, help="Mark letters as drafts; say in them what the project file lacks")
@click.option("--language", default="en", show_default=True, help="Language of the letters")
@click.option("--workers", type=click.IntRange(min=1), help="Processes that share the work [default: all processors]")
@click.option("--quiet", is_flag=True, help="Say nothing but errors")
def letter(
    project: Path,
    receiver: str | None,
    every: bool,
    out: Path | None,
    results: Path | None,
    addresses: Path | None,
    draft: bool,
    language: str,
    workers: int | None,
    quiet: bool,
) -> None:
    """Write letters to the neighbours of PROJECT (a project, or a folder with results.json), in plain words.

    Results that `lineside assess` left in PROJECT/out are used if they fit the project; else they are computed.
    """
    from lineside.letter.write import FOLDER, RESULTS_FILE, find_results, write_letters

    if every == (receiver is not None):
        raise click.UsageError("say for whom: either --receiver ID or --all")

    def say(text: str) -> None:
        if not quiet:
            click.echo(text, err=True)

    with _progress(quiet) as progress:
        found = find_results(project, results, progress, say, draft)
        beside = project if project.is_dir() else project.parent
        target = out or (beside if (beside / RESULTS_FILE).is_file() else beside / "out") / FOLDER
        made = write_letters(found, target, receiver, addresses, draft, language, workers, progress, say)
    if made.print_file is not None:
        say(f"{len(made.letters)} letters, {made.pages} pages, in {made.seconds:.1f} s")
        click.echo(str(made.print_file))
    else:
        for path in made.letters.values():
            click.echo(str(path))


@main.command()
@click.argument("pdf", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--workers", type=click.IntRange(min=1), help="Threads that share the work [default: one for each processor]"
)
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output")
@click.option("--quiet", is_flag=True, help="Say nothing on the way")
def verify(pdf: Path, workers: int | None, as_json: bool, quiet: bool) -> None:
    """Check a report from its PDF alone: do its numbers follow from what is attached to it?

    Takes project, companion files and results out of the PDF, checks their check sums and versions, computes anew,
    and compares every printed cell, sentence and figure. Ends with 0 if all follows, with 6 if not, with 3 if plugins
    are missing, with 1 if the file cannot be read.
    """
    from lineside.verify.run import verify as check_report
    from lineside.verify.words import lines

    with _progress(quiet) as shown, _interruptible(shown) as progress:
        found = check_report(pdf, None, progress, workers)
    if as_json:
        click.echo(json.dumps(found.as_json(), indent=1, ensure_ascii=False))
    else:
        for line in lines(found):
            click.echo(line)
    if not quiet:
        split = ", ".join(f"{name} {value:.1f} s" for name, value in found.seconds.items())
        click.echo(f"done in {sum(found.seconds.values()):.1f} s ({split})", err=True)
    if not found.follows:
        sys.exit(EXIT_PLUGIN if found.missing_plugins else EXIT_DEVIATES)


@main.command()
@click.argument("first", type=click.Path(path_type=Path, exists=True))
@click.argument("second", type=click.Path(path_type=Path, exists=True))
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output")
@click.option(
    "--pdf", type=click.Path(path_type=Path, dir_okay=False), help="Also write a supplement of two pages into this file"
)
def compare(first: Path, second: Path, as_json: bool, pdf: Path | None) -> None:
    """Say what changed from FIRST to SECOND in inputs, methods and results.

    Each is a folder that `assess` wrote, or a report as PDF. Levels that differ by less than 0.05 dB are the same.
    """
    from lineside.compare.run import compare as compare_assessments
    from lineside.compare.words import lines

    if pdf is not None and pdf.suffix.lower() != ".pdf":
        raise click.BadParameter(f"{pdf} must end in .pdf", param_hint="--pdf")
    if pdf is not None and not pdf.parent.is_dir():
        raise click.BadParameter(f"there is no folder {pdf.parent}", param_hint="--pdf")
    if pdf is not None and pdf.resolve() in (first.resolve(), second.resolve()):
        raise click.BadParameter(f"{pdf} is one of the two that are compared", param_hint="--pdf")
    found = compare_assessments(first, second)
    if as_json:
        click.echo(json.dumps(found.as_json(), indent=1, ensure_ascii=False))
    else:
        for line in lines(found):
            click.echo(line)
    if pdf is not None:
        from lineside.compare.supplement import write_supplement

        write_supplement(found, pdf)


@main.command()
@click.option("--json", "as_json", is_flag=True, help="Machine-readable output")
def plugins(as_json: bool) -> None:
    """List what is loaded, from which package, and how it was verified."""
    from lineside.plugins import Plugins

    loaded = Plugins.load()
    rows = []
    for kind, offers in (
        ("source", loaded.source_calculators),
        ("propagation", loaded.propagation_calculators),
        ("rail state", loaded.rail_states),
        ("criterion", loaded.criteria),
        ("method", loaded.methods),
        ("report section", loaded.report_sections),
        ("measure", loaded.measures),
        ("dose effect", loaded.dose_effects),
    ):
        for offer in offers:
            origin = loaded.origin(offer)
            rows.append(
                {
                    "kind": kind,
                    "name": offer.name,
                    "title": offer.title,
                    "version": getattr(offer, "version", ""),
                    "package": f"{origin.distribution} {origin.version}",
                    "verification": str(getattr(offer, "verification", "")),
                }
            )
    if as_json:
        failed = [{"entry_point": f.entry_point, "package": f.distribution, "reason": f.reason} for f in loaded.failed]
        click.echo(json.dumps({"loaded": rows, "failed": failed}, indent=1))
    else:
        for row in rows:
            click.echo(
                f"{row['kind']:<15} {row['name']:<22} {row['version']:<7} {row['package']:<22} {row['verification']}"
            )
            click.echo(f"{'':<15} {row['title']}")
    for failure in loaded.failed:
        click.echo(f"failed to load: {failure.entry_point} of {failure.distribution}: {failure.reason}", err=True)
    if loaded.failed:
        sys.exit(EXIT_PLUGIN)


@main.command("plugin-kit")
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--name", default="", help="Name of the plugin, e.g. yard_fans [default: from the name of FOLDER]")
def plugin_kit(folder: Path, name: str) -> None:
    """Write the package of a new plugin into FOLDER: calculator, limit, measure, report section, and passing tests."""
    from lineside.plugin_kit import name_of, write_kit
    from lineside.plugins import Plugins

    written = write_kit(folder, name or name_of(folder.absolute()), Plugins.load())
    quoted = shlex.quote(str(folder))
    python = sys.executable
    following = f"{python} -m pip install -e {quoted} pytest && {python} -m pytest {quoted}"
    click.echo(f"wrote {len(written)} files; next: {following}", err=True)
    click.echo(str(folder))


@main.command()
@click.option("--results", is_flag=True, help="The schema of results.json instead of the project file's")
def schema(results: bool) -> None:
    """Print the JSON Schema of the project file, for editors that complete and validate."""
    if results:
        from lineside.results.write import results_schema

        click.echo(json.dumps(results_schema(), indent=1))
        return
    from lineside.engine.select import vocabulary_of
    from lineside.plugins import Plugins
    from lineside.project.schema import project_schema

    click.echo(json.dumps(project_schema(vocabulary_of(Plugins.load())), indent=1))


if __name__ == "__main__":
    main()

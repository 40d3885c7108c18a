"""What a program may call: load a project, assess it, write everything that comes of it."""

from __future__ import annotations

import time
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from lineside.engine.run import Computed, Progress, compute, silent
from lineside.engine.select import Selection, select, vocabulary_of
from lineside.engine.timeline import months_from, scene_at, timeline, timeline_dates
from lineside.errors import ReportError
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject
from lineside.project.load import load_project as _load
from lineside.results.assemble import assemble as _assemble
from lineside.results.findings import questions, windows_of
from lineside.results.model import Results, Timeline
from lineside.results.timeline import describe
from lineside.scene.build import BuiltScene, build_scene
from lineside.scene.model import Scene
from lineside.scene.rail_runs import RailRuns, rail_runs


@dataclass(frozen=True, eq=False)
class Assessment:
    """One assessed project: the document and the arrays behind it."""

    loaded: LoadedProject
    built: BuiltScene
    selection: Selection
    computed: Computed
    results: Results
    seconds: Mapping[str, float] = field(default_factory=dict)


def load_project(path: Path, plugins: Plugins | None = None) -> LoadedProject:
    """Read and check a project folder.

    Parameters
    ----------
    path : Path
        The folder, or its ``project.yaml``.
    plugins : Plugins, optional
        Default: all that are installed.

    Raises
    ------
    ProjectError
        With every problem found.
    """
    return _load(Path(path), vocabulary_of(plugins or Plugins.load()))


def assess(path: Path, plugins: Plugins | None = None, progress: Progress = silent) -> Assessment:
    """Compute everything that a project asks for; writes nothing.

    Raises
    ------
    ProjectError, PluginError, OutOfRangeError
        If the project cannot be used, something that it needs is not installed, or a value lies outside
        what a method covers.
    """
    plugins = plugins or Plugins.load()
    loaded = load_project(path, plugins)
    start = time.perf_counter()
    selection = select(loaded, plugins)
    built = build_scene(loaded, selection.sources)
    asked = questions(loaded.project, selection)
    base, wear = built.scene, selection.rail_state
    runs = rail_runs(loaded, base, selection.sources) if wear is not None else None
    if wear is not None and runs is not None:
        date = loaded.project.identity.assessment_dates[0]
        built = replace(built, scene=scene_at(base, runs, wear, date))
    computed = compute(built, selection, windows_of(asked), loaded.project.calculation.grid, progress)
    in_time = _timeline(loaded, base, runs, selection, computed, progress) if runs is not None else None
    rails = runs.runs if runs is not None else ()
    results = _assemble(loaded, built, selection, computed, asked, plugins, in_time, rails)
    return Assessment(loaded, built, selection, computed, results, {"compute": time.perf_counter() - start})


def _timeline(
    loaded: LoadedProject, base: Scene, runs: RailRuns, selection: Selection, computed: Computed, progress: Progress
) -> Timeline | None:
    """Levels in time; None where no work touches a track."""
    wanted = loaded.project.calculation.rail_state
    if wanted is None or selection.rail_state is None or not runs.work_dates:
        return None
    progress("time line", 0, 1)
    asked = loaded.project.identity.assessment_dates
    end = months_from(runs.work_dates[-1], wanted.months_after)
    measured = [m.date for run in runs.runs for m in run.measured if runs.work_dates[0] <= m.date <= end]
    dates = timeline_dates(runs.work_dates, wanted.months_before, wanted.months_after, [*asked, *measured])
    transfer = computed.receivers.transfer
    levels = timeline(base, runs, selection, computed.emission, transfer, dates, wanted.draws, wanted.seed)
    progress("time line", 1, 1)
    return describe(base, runs, levels, selection.rail_state, asked[0])


def render(
    assessment: Assessment, out: Path, plugins: Plugins | None = None, progress: Progress = silent
) -> dict[str, float]:
    """Write results.json, tables, arrays and assessment.pdf into a folder.

    Returns
    -------
    dict
        Seconds spent on data, figures and PDF.

    The report comes first and the data last, so that a run which is stopped while the report is made leaves an
    earlier set of files as it was.

    Raises
    ------
    ReportError
        If the PDF engine is missing (the data are written all the same), or a file of the project would be
        overwritten.
    """
    from lineside.report.pdf import render_assessment
    from lineside.results.write import results_bytes

    plugins = plugins or Plugins.load()
    _keep_inputs(assessment.loaded, out)
    out.mkdir(parents=True, exist_ok=True)
    document = results_bytes(assessment.results)
    progress("report", 0, 1)
    try:
        seconds = render_assessment(
            assessment.results, assessment.loaded.inputs, document, out / "assessment.pdf", plugins.report_sections
        )
    except ReportError:
        _write_data(assessment, document, out, progress)
        raise
    progress("report", 1, 1)
    return {**seconds, "data": _write_data(assessment, document, out, progress)}


def _write_data(assessment: Assessment, document: bytes, out: Path, progress: Progress) -> float:
    """Write tables, arrays and results.json; the seconds it took."""
    from lineside.results.write import write_arrays, write_bytes, write_tables

    start = time.perf_counter()
    progress("data", 0, 1)
    write_tables(assessment.results, out / "tables")
    write_arrays(assessment.results, assessment.built, assessment.computed, out / "results.nc")
    write_bytes(out / "results.json", document)
    progress("data", 1, 1)
    return time.perf_counter() - start


def _keep_inputs(loaded: LoadedProject, out: Path) -> None:
    """Refuse an output folder in which a result would take the place of a file of the project."""
    for name in loaded.inputs:
        path = (loaded.folder / name).resolve()
        ours = {(out / n).resolve() for n in ("results.json", "results.nc", "assessment.pdf")}
        if path in ours or path.parent == (out / "tables").resolve():
            raise ReportError(
                f"{out} holds the project's own file {name}, which a result would overwrite; choose --out"
            )

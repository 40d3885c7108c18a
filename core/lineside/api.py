"""What a program may call: load a project, assess it, write everything that comes of it."""

from __future__ import annotations

import datetime as dt
import functools
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from lineside.contracts import ReportSection
from lineside.engine.causes import Explainer, known_way
from lineside.engine.course import course, thirds_in_time
from lineside.engine.grid import grid_axes
from lineside.engine.kept import Blocks, Kept, load_text, save_text
from lineside.engine.key import run_key
from lineside.engine.option_run import consider, prepare
from lineside.engine.plan import Plan, plan
from lineside.engine.pool import n_workers
from lineside.engine.progress import Progress, silent
from lineside.engine.run import Computed, compute
from lineside.engine.select import Selection, select, vocabulary_of
from lineside.engine.situation import BEFORE, Situation, parse_situation
from lineside.engine.timeline import months_from, timeline_dates
from lineside.engine.tones import ThirdOctaves
from lineside.errors import PluginError, ReportError, RequestError
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject
from lineside.project.load import load_project as _load
from lineside.project.variants import check_ends
from lineside.results.assemble import assemble as _assemble
from lineside.results.causes import describe as describe_split
from lineside.results.facades import FacadePlan, compute_facades, plan_facades
from lineside.results.findings import Question, questions, windows_of
from lineside.results.maps import heard_sections, plan_maps
from lineside.results.model import Explanation, Results, Timeline
from lineside.results.option_results import with_options
from lineside.results.ratings import LineOfTime, ratings
from lineside.results.sure import draw_levels
from lineside.results.timeline import describe
from lineside.results.tones import describe as describe_tones
from lineside.results.tones import thirds_if_needed
from lineside.scene.build import BuiltScene
from lineside.scene.tracks import change_dates

#: The web page in the folder of results.
WEB_PAGE = "index.html"


@dataclass(frozen=True, eq=False)
class Assessment:
    """One assessed project: the document and the arrays behind it."""

    loaded: LoadedProject
    plan: Plan
    selection: Selection
    computed: Computed
    results: Results
    seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def built(self) -> BuiltScene:
        """The scene that the levels are for."""
        return self.plan.built


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
    vocabulary = vocabulary_of(plugins or Plugins.load())
    loaded = _load(Path(path), vocabulary)
    check_ends(loaded, vocabulary)
    return loaded


def options_in_words(loaded: LoadedProject, plugins: Plugins | None = None) -> str:
    """The measures that a project considers and the options that they make, in one line; empty if there are none.

    Raises
    ------
    RequestError
        If there are more options than the rules of the project allow.
    """
    prepared = prepare(loaded, plugins or Plugins.load())
    if prepared is None or not prepared.candidates:
        return ""
    n, left_out = len(prepared.keys) - 1, len(prepared.dropped)
    out = f"measures: {len(prepared.candidates)}; options to compare for {prepared.date.isoformat()}: {n}"
    return out + (f"; combinations that exclude each other: {left_out}" if left_out else "")


def assess(
    path: Path,
    plugins: Plugins | None = None,
    progress: Progress = silent,
    state: str = "",
    workers: int | None = None,
    kept: Kept | None = None,
) -> Assessment:
    """Compute everything that a project asks for; writes nothing.

    Parameters
    ----------
    state : str, optional
        A situation instead of the long-term mixture at the first assessment date; see
        :func:`lineside.engine.situation.parse_situation`.
    workers : int, optional
        Threads that share the work, which no number depends on; default: one for each processor.
    kept : Kept, optional
        Where what is computed so far is kept, so that a run which was stopped goes on with it.

    Raises
    ------
    ProjectError, PluginError, OutOfRangeError, RequestError
        If the project cannot be used, something that it needs is not installed, a value lies outside what a method
        covers, or the project does not have the state.
    """
    plugins = plugins or Plugins.load()
    loaded = load_project(path, plugins)
    start = time.perf_counter()
    selection = select(loaded, plugins)
    check_sections(selection.report_sections, plugins)
    progress("emission", 0, 1)
    blocks = Blocks() if kept is None else kept.open(run_key(loaded, selection, plugins, state))
    prepared = prepare(loaded, plugins)
    also_cut = None if prepared is None else prepared.cuts()
    planned = plan(loaded, selection, situation_of(loaded, selection, state), also_cut)
    progress("emission", 1, 1)
    wanted = plan_facades(planned, selection)
    _announce(planned, wanted, progress)
    if prepared is not None:
        progress("options", 0, 1)
    asked = questions(loaded.project, selection)
    maps = plan_maps(planned, selection, prepared)
    threads = n_workers(workers)
    grid = loaded.project.calculation.grid
    layers = maps.layers if maps is not None else None
    computed = compute(planned.task, selection, windows_of(asked), grid, progress, threads, blocks, layers)
    cuts = heard_sections(maps, planned, selection, progress, threads, blocks)
    at_facades = compute_facades(wanted, planned, selection, progress, threads, blocks)
    in_time = _timeline(planned, selection, computed, asked, progress, blocks)
    causes = _causes(planned, selection, computed, progress, threads, blocks)
    thirds = _thirds(planned, selection, computed, asked)
    runs = planned.rails.runs if selection.rail_state is not None else None
    dates, base = loaded.project.identity.assessment_dates, planned.scenes.reference.scene
    wheels = planned.wheels()
    line = [dt.date.fromisoformat(date) for date in in_time.dates] if in_time is not None else []
    tones = describe_tones(base, runs, selection, computed, thirds, dates, planned.emission_at, wheels, line)
    telling = functools.partial(progress, "how sure")
    drawn = draw_levels(planned, selection, computed, plugins, windows_of(asked), threads, at_facades, telling)
    results = _assemble(
        planned, selection, computed, asked, plugins, in_time, causes, tones, thirds, maps, cuts, at_facades, drawn
    )
    if prepared is not None:
        told = functools.partial(progress, "options")
        considered = consider(prepared, planned, selection, computed.receivers.transfer, windows_of(asked), told)
        results = with_options(results, considered, asked, plugins, selection, told)
    return Assessment(loaded, planned, selection, computed, results, {"compute": time.perf_counter() - start})


def check_sections(sections: Sequence[ReportSection], plugins: Plugins) -> None:
    """Stop at once, not after hours, where a section of the report cannot work."""
    from lineside.report.sections import faults

    for section in sections:
        broken = list(faults(section))
        if broken:
            by = plugins.origin(section)
            who = f"plugin {by.distribution} {by.version}: report section {section.name!r} of register_report_sections"
            raise PluginError(f"{who}: {'; '.join(broken)}")


def _announce(planned: Plan, wanted: FacadePlan | None, progress: Progress) -> None:
    """Say what is to come, so that the time it takes can be foreseen."""
    project, scene = planned.scenes.loaded.project, planned.built.scene
    grid = project.calculation.grid
    progress("receivers", 0, len(scene.receivers))
    if grid is not None:
        x, y = grid_axes(scene, grid.spacing_m, grid.margin_m)
        progress("map", 0, len(x) * len(y))
    if wanted is not None:
        progress("facades", 0, wanted.n_points)
    if planned.rails.runs.work_dates and project.calculation.rail_state is not None:
        progress("time line", 0, 1)
    if project.works:
        progress("causes", 0, len(scene.receivers))


def situation_of(loaded: LoadedProject, selection: Selection, text: str = "") -> Situation:
    """The situation that a text names; without one, the long-term mixture at the first assessment date."""
    date = (*loaded.project.identity.assessment_dates, loaded.project.identity.date)[0]
    if not text:
        return Situation(date.isoformat(), date, {})
    return parse_situation(text, loaded, selection.propagation.states, date)


@dataclass(frozen=True, eq=False)
class Explained:
    """Why a level differs between two situations, and what makes it at the end."""

    explanation: Explanation
    results: Results  # of the end, for this receiver only, without a map


def explain(path: Path, receiver: str, start: str = "", end: str = "", plugins: Plugins | None = None) -> Explained:
    """Split the change of level at one receiver between two situations into causes.

    Parameters
    ----------
    start, end : str
        Situations; see :func:`lineside.engine.situation.parse_situation`. Default: from before the works to the first
        assessment date.

    Raises
    ------
    RequestError
        If the project does not have the receiver, or what a situation names.
    """
    plugins = plugins or Plugins.load()
    loaded = load_project(path, plugins)
    selection = select(loaded, plugins)
    known = [r.id for r in loaded.project.receivers]
    if receiver not in known:
        raise RequestError(f"there is no receiver {receiver!r}; the project has {', '.join(known)}")
    if not start and not loaded.project.works:
        raise RequestError("the project has no works to compare with: say by --from and --to what to compare")
    first = situation_of(loaded, selection, start or BEFORE)
    loaded = loaded.only_receiver(receiver)
    planned = plan(loaded, selection, situation_of(loaded, selection, end))
    explainer = Explainer(planned.scenes, planned.rails, selection)
    split = explainer.split(first, planned.situation, planned.built.scene.receivers)
    causes = describe_split(split, first, planned.situation, (receiver,))
    asked = questions(loaded.project, selection)
    computed = compute(planned.task, selection, windows_of(asked))
    thirds = _thirds(planned, selection, computed, asked)
    return Explained(causes[0], _assemble(planned, selection, computed, asked, plugins, None, causes, None, thirds))


def _thirds(planned: Plan, selection: Selection, computed: Computed, asked: Sequence[Question]) -> ThirdOctaves | None:
    """Third-octave spectra, where works or a criterion call for them."""
    runs = planned.rails.runs if selection.rail_state is not None else None
    asked_for = any(c.tone is not None for q in asked for c in q.checks)
    return thirds_if_needed(planned.built.scene, computed, runs, asked_for)


def _causes(
    planned: Plan, selection: Selection, computed: Computed, progress: Progress, workers: int, blocks: Blocks
) -> list[Explanation]:
    """Why the levels are other than before the works; nothing where nothing differs."""
    works = planned.scenes.loaded.project.works
    if not works:
        return []
    first = Situation(BEFORE, min(w.date for w in works) - dt.timedelta(days=1), planned.situation.choices)
    known = known_way(planned, computed.receivers.transfer)
    explainer = Explainer(planned.scenes, planned.rails, selection, known, workers)
    if not explainer.causes(first, planned.situation):
        return []
    receivers = planned.built.scene.receivers
    found = explainer.split(first, planned.situation, receivers, lambda n, of: progress("causes", n, of), blocks)
    return describe_split(found, first, planned.situation, receivers.ids)


def _timeline(
    planned: Plan,
    selection: Selection,
    computed: Computed,
    asked: Sequence[Question],
    progress: Progress,
    blocks: Blocks,
) -> Timeline | None:
    """Levels in time, kept as a whole once they are there; None where no work changes a rail."""
    loaded = planned.scenes.loaded
    wanted, runs = loaded.project.calculation.rail_state, planned.rails.runs
    if wanted is None or selection.rail_state is None or not runs.work_dates:
        return None
    progress("time line", 0, 1)
    kept = load_text(blocks, "timeline")
    if kept is not None:
        progress("time line", 1, 1)
        return Timeline.model_validate_json(kept)
    end = months_from(runs.work_dates[-1], wanted.months_after)
    measured = [m.date for run in runs.runs for m in run.measured if runs.work_dates[0] <= m.date <= end]
    # the day before each work, so that levels step at a work and do not rise towards it
    eves = [d - dt.timedelta(days=1) for d in runs.work_dates]
    named = (planned.situation.date, *loaded.project.identity.assessment_dates)
    also = [*named, *eves, *measured, *change_dates(loaded.project.works)]
    dates = timeline_dates(runs.work_dates, wanted.months_before, wanted.months_after, also)
    scene, transfer = planned.built.scene, computed.receivers.transfer
    levels = course(planned, selection, transfer, dates, wanted.draws, wanted.seed, blocks)
    toned = any(c.tone is not None for q in asked for c in q.checks)
    thirds = thirds_in_time(planned, selection, transfer, dates) if toned else None
    steps = [work.date for work in loaded.project.works]
    rated = ratings(LineOfTime(scene, levels, runs.work_dates[-1], steps, thirds), asked)
    found = describe(scene, runs, levels, selection.rail_state, planned.situation.date, rated)
    save_text(blocks, "timeline", found.model_dump_json())
    progress("time line", 1, 1)
    return found


def render(
    assessment: Assessment, out: Path, plugins: Plugins | None = None, progress: Progress = silent
) -> dict[str, float]:
    """Write results.json, tables, arrays, maps, the web page and assessment.pdf into a folder.

    Returns
    -------
    dict
        Seconds spent on data, web page, figures and PDF.

    All files take the places of an earlier set together, or none does.

    Raises
    ------
    ReportError
        If the report cannot be made (the data are written all the same, and the PDF of an earlier set is removed), or a
        file of the project would be overwritten.
    """
    from lineside.report.pdf import render_assessment
    from lineside.results.replacing import replacing
    from lineside.results.write import results_bytes

    plugins = plugins or Plugins.load()
    _keep_inputs(assessment.loaded, out)
    document = results_bytes(assessment.results)
    failed: PluginError | ReportError | None = None
    seconds: dict[str, float] = {}
    with replacing(out, _obsolete) as new:
        progress("report", 0, 1)
        try:
            seconds = render_assessment(
                assessment.results, assessment.loaded.inputs, document, new / "assessment.pdf", plugins.report_sections
            )
            progress("report", 1, 1)
        except (PluginError, ReportError) as error:
            failed = error
        seconds |= _write_data(assessment, document, new, progress)
    if failed is not None:
        raise failed
    return seconds


def _obsolete(new: Path) -> list[Path]:
    """Files that an earlier run may have written and this one has not, so that they would not fit the others."""
    from lineside.results.features import LAYERS

    ours = ["assessment.pdf", "assessment.html", *(f"maps/{name}.geojson" for name in LAYERS)]
    return [Path(name) for name in ours if not (new / name).exists()]


def _write_data(assessment: Assessment, document: bytes, out: Path, progress: Progress) -> dict[str, float]:
    """Write the web page, tables, maps, arrays and results.json; the seconds it took."""
    from lineside.results.write import write_arrays, write_bytes, write_maps, write_tables
    from lineside.web.page import render as web_page

    begin = time.perf_counter()
    progress("web page", 0, 1)
    write_bytes(out / WEB_PAGE, web_page(assessment.results, document))
    progress("web page", 1, 1)

    start = time.perf_counter()
    progress("data", 0, 1)
    write_tables(assessment.results, out / "tables")
    write_maps(assessment.results, out)
    write_arrays(assessment.results, assessment.built, assessment.computed, out / "results.nc")
    write_bytes(out / "results.json", document)
    progress("data", 1, 1)
    return {"web page": start - begin, "data": time.perf_counter() - start}


def _keep_inputs(loaded: LoadedProject, out: Path) -> None:
    """Refuse an output folder in which a result would take the place of a file of the project."""
    for name in loaded.inputs:
        path = (loaded.folder / name).resolve()
        ours = {(out / n).resolve() for n in ("results.json", "results.nc", "maps.gpkg", WEB_PAGE, "assessment.pdf")}
        if path in ours or path.parent in ((out / "tables").resolve(), (out / "maps").resolve()):
            raise ReportError(
                f"{out} holds the project's own file {name}, which a result would overwrite; choose --out"
            )

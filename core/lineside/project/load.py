"""Loading a project folder: read, validate, resolve, check; every problem in one pass."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from lineside.acoustics.bands import Array
from lineside.contracts import Options
from lineside.errors import Problem, ProjectError
from lineside.project.assumptions import assumptions_of
from lineside.project.check import check
from lineside.project.check_maps import check_maps
from lineside.project.check_measures import check_measures
from lineside.project.draft import make_draft
from lineside.project.folder import ProjectFolder
from lineside.project.footprints import LoadedBuilding
from lineside.project.model import FORMAT_VERSION, Project
from lineside.project.names import resolve_names
from lineside.project.problems import Reporter, report_version
from lineside.project.ranges import GivenRange, take_ranges
from lineside.project.resolve import Resolver
from lineside.project.resolve_buildings import keep_apart, resolve_buildings
from lineside.project.resolve_conditions import conditions_of, resolve_conditions
from lineside.project.resolve_terrain import resolve_terrain
from lineside.project.source import Document, read_yaml
from lineside.project.spectra import resolve_spectra
from lineside.project.vocabulary import Vocabulary
from lineside.project.wind_rose import favourable_share, resolve_wind_rose
from lineside.scene.conditions import Condition
from lineside.scene.model import FavourableShare, IntArray, Raster, Spectrum


@dataclass(frozen=True, eq=False)
class LoadedProject:
    """A project without errors, with everything read that it names.

    Attributes
    ----------
    project : Project
    folder : Path
        Where it lies; ``project_file`` is the name of the project file in it.
    inputs : mapping
        Bytes of every file that was read, by name relative to ``folder``.
    warnings : tuple of Problem
    alignments : mapping
        Track id -> (chainage (n,), points (n, 3)). [m]
    polygons, lines : mapping
        Id of the ground area -> corners (n, 2), not closed; id of the barrier -> points (n, 2). [m]
    spectra : mapping
        Spectra by id.
    times : mapping
        Id of a service with a table of times -> minutes since midnight, (n,).
    default_ground_g, ground_g
        Ground factors, the latter by id of the ground area.
    calculators : tuple of str
        Those of the method without those left out, and the additional ones.
    forecast : tuple of str
        Source calculators for situations, explanations and forecasts, in place of those of the same mechanism.
    options, criteria_options : mapping
        What the project states, by calculator; and by id of the criterion's use.

    rail_options : Options or None
        Options of the calculator of the rail state; None where works are recorded only.
    work_details : tuple of Options
        Details of the works, in their order; empty where works are recorded only.
    favourable : FavourableShare
        Share of time with favourable propagation, by whatever kind the project gives it.
    conditions : tuple of Condition
        What changes from day to day, in the order water, air, rail, driving, timetable, wheels; only what the project
        gives.
    assumptions : tuple of (text, standing)
        What deriving shares of time took for granted.
    buildings : tuple of LoadedBuilding
        Those of the project file and of its layers, footprints repaired and clear of each other.
    raster : Raster or None
        Heights of the ground around the site, in the project's coordinates; None: a plain.
    measure_options : mapping
        Options of the measures to consider, by id.
    ranges : tuple of GivenRange
        Numbers that are known within a range only; everything else of the project has their likely values.
    document : Document or None
        The project file as read, with likely values.

    Without a vocabulary, what needs one is empty or None; ground that lies bare and is named has the factor nan.
    """

    project: Project
    folder: Path
    project_file: str
    inputs: Mapping[str, bytes]
    warnings: tuple[Problem, ...]
    alignments: Mapping[str, tuple[Array, Array]]
    polygons: Mapping[str, Array]
    lines: Mapping[str, Array]
    spectra: Mapping[str, Spectrum]
    times: Mapping[str, IntArray]
    default_ground_g: float | None
    ground_g: Mapping[str, float]
    calculators: tuple[str, ...]
    forecast: tuple[str, ...]
    options: Mapping[str, Options]
    criteria_options: Mapping[str, Options]
    rail_options: Options | None
    work_details: tuple[Options, ...]
    favourable: FavourableShare
    conditions: tuple[Condition, ...]
    assumptions: tuple[tuple[str, str], ...]
    buildings: tuple[LoadedBuilding, ...] = ()
    raster: Raster | None = None
    measure_options: Mapping[str, Options] = field(default_factory=dict)
    ranges: tuple[GivenRange, ...] = ()
    document: Document | None = None

    def only_receiver(self, receiver: str) -> LoadedProject:
        """The project with one of its receivers, without those generated on facades and without a map."""
        kept = tuple(r for r in self.project.receivers if r.id == receiver)
        calculation = self.project.calculation.model_copy(update={"grid": None})
        changes = {"receivers": kept, "facade_receivers": (), "calculation": calculation, "maps": ()}
        return replace(self, project=self.project.model_copy(update=changes))


def load_project(path: Path, vocabulary: Vocabulary | None = None) -> LoadedProject:
    """Load a project.

    Parameters
    ----------
    path : Path
        The project folder, or the project file in it.
    vocabulary : Vocabulary, optional
        What the loaded plugins offer. Without it, names of classes, surfaces, methods, calculators and
        criteria are not checked, nor are options.

    Raises
    ------
    ProjectError
        With every problem found, errors and warnings.
    """
    folder = ProjectFolder(path)
    reporter = Reporter(read_yaml(folder.read_project(), folder.project_name))
    version = reporter.document.data.get("lineside")
    if isinstance(version, bool) or version != FORMAT_VERSION:
        report_version(reporter)  # another format: nothing else that could be said would be true
        raise ProjectError(reporter.problems)
    ranges = take_ranges(reporter, vocabulary)
    return replace(load_document(reporter, folder, vocabulary), ranges=ranges)


def load_document(reporter: Reporter, folder: ProjectFolder, vocabulary: Vocabulary | None) -> LoadedProject:
    """Load what a document says that has no ranges in it.

    Raises
    ------
    ProjectError
        With every problem found, errors and warnings.
    """
    draft = make_draft(reporter)
    resolver = Resolver(draft, folder)
    resolved = resolver.resolve()
    resolve_buildings(resolver, resolved)
    resolve_terrain(resolver, resolved)
    keep_apart(resolver, resolved)
    resolve_spectra(resolver, resolved)
    resolve_wind_rose(resolver, resolved)
    resolve_conditions(resolver, resolved)
    check(draft, resolved)
    named = resolve_names(draft, vocabulary)
    check_maps(draft, resolved, named, vocabulary)
    wanted = check_measures(draft, resolved, (*named.calculators, *named.forecast), vocabulary)
    if reporter.failed or draft.project is None:
        raise ProjectError(reporter.sorted())
    project = draft.project
    return LoadedProject(
        project=project,
        folder=folder.root,
        project_file=folder.project_name,
        inputs=dict(sorted(folder.files.items())),
        warnings=tuple(reporter.sorted()),
        alignments={project.tracks[i].id: (a.chainage_m, a.xyz_m) for i, a in resolved.alignments.items()},
        polygons={project.ground_areas[i].id: p.array for i, p in resolved.polygons.items()},
        lines={project.barriers[i].id: p.array for i, p in resolved.lines.items()},
        spectra={project.spectra[i].id: s for i, s in resolved.spectra.items()},
        times={project.services[i].id: t for i, t in resolved.times.items()},
        default_ground_g=named.default_ground_g,
        ground_g={project.ground_areas[i].id: g for i, g in named.ground_g.items()},
        calculators=named.calculators,
        forecast=named.forecast,
        options=named.options,
        criteria_options=named.criteria_options,
        rail_options=named.rail_options,
        work_details=tuple(named.work_details[i] for i in sorted(named.work_details)),
        favourable=favourable_share(project.site, resolved.wind_rose),
        conditions=conditions_of(project, resolved, named.exposed_g),
        assumptions=assumptions_of(project, resolved.wind_rose),
        buildings=tuple(b.data for b in resolved.buildings),
        raster=resolved.raster,
        measure_options={project.measures[i].id: options for i, options in wanted.items()},
        document=reporter.document,
    )

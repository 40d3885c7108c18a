"""Putting the results document together from what was computed."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import math
from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
import shapely

from lineside import __version__
from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import Citation, Criterion, Offer, Options, ReportSection, Standing, Window
from lineside.engine.plan import Plan
from lineside.engine.run import Computed
from lineside.engine.sections import Cut
from lineside.engine.select import Selection
from lineside.engine.tones import ThirdOctaves
from lineside.errors import PluginError, Problem
from lineside.plugins import Plugins
from lineside.project.load import LoadedProject
from lineside.project.model import Project, Stretch, TrackAttributes
from lineside.results import describe, model
from lineside.results.actions import actions
from lineside.results.building_notes import building_assumptions
from lineside.results.causes import situation
from lineside.results.conditions import conditions
from lineside.results.facades import AtFacades, describe_facades, receivers_of_buildings
from lineside.results.findings import Question, find
from lineside.results.left_out import largest_left_out_db, left_out_db, left_out_notes
from lineside.results.maps import MapPlan, describe_maps, describe_sections
from lineside.results.sure import DrawnLevels, chances, describe_sure, intervals
from lineside.results.tone_rules import surveys, with_flags
from lineside.scene.build import BuiltScene
from lineside.scene.kinematics import DEFAULT_RATE_M_S2
from lineside.scene.tracks import TURNOUT_HALF_LENGTH_M

#: Levels are kept to this many digits, so that the last bits of a sum never change the document.
DIGITS = 3
#: Keys of `uncertainty` by which a project states it; the others steer draws.
STATED = {"standard_db", "pass_standard_db", "coverage_factor", "statement"}
DEFAULT_UNCERTAINTY = "Default of the program; no measurement at this site supports it."


def assemble(
    planned: Plan,
    selection: Selection,
    computed: Computed,
    asked: Sequence[Question],
    plugins: Plugins,
    timeline: model.Timeline | None = None,
    explanations: Sequence[model.Explanation] = (),
    tones: model.Tones | None = None,
    thirds: ThirdOctaves | None = None,
    maps: MapPlan | None = None,
    cuts: Sequence[tuple[Cut, Array]] = (),
    facades: AtFacades | None = None,
    drawn: DrawnLevels | None = None,
) -> model.Results:
    """The results document of one run; ``cuts`` are the sections of ``maps`` with their energies."""
    loaded, built = planned.scenes.loaded, planned.built
    project, scene = loaded.project, built.scene
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    levels = _levels(built, computed, hours)
    uncertainty = _uncertainty(project)
    site = describe.site(loaded, built, planned.scenes.standing, receivers_of_buildings(facades))
    grid = _grid(built, computed, hours, project)
    on_grid = computed.grid.energy if computed.grid is not None else None
    surveyed = None if thirds is None else surveys(scene, thirds, computed.windows)
    findings = [_rounded(f) for f in find(asked, levels, uncertainty, selection.left_out, surveyed, chances(drawn))]
    return model.Results(
        provenance=_provenance(loaded, selection, plugins),
        project=project.model_dump(mode="json", by_alias=True),
        periods=_periods(project, hours),
        site=site,
        receivers=[_receiver(k, project, built, computed, hours) for k in range(len(scene.receivers))],
        findings=findings,
        uncertainty=uncertainty,
        notes=_notes(planned, selection, computed),
        grid=grid,
        maps=describe_maps(maps, grid, on_grid, site, scene.period_names, hours, uncertainty.expanded_db),
        sections=describe_sections(maps, cuts, site, scene, hours),
        facades=None
        if facades is None
        else describe_facades(
            loaded, scene, facades, uncertainty, selection.left_out, chances(drawn), intervals(drawn)
        ),
        timeline=timeline,
        situation=situation(planned.situation),
        conditions=conditions(loaded, scene),
        explanations=list(explanations),
        actions=actions(planned, computed, hours),
        tones=with_flags(tones, findings),
        sure=None if drawn is None else describe_sure(drawn),
    )


def level(energy: float) -> float | None:
    """Level of an energy, rounded; None for silence.

    Raises
    ------
    PluginError
        If the energy is not a number at all.
    """
    if not math.isfinite(energy) or energy < 0:
        raise PluginError("a level came out that is not a number; a calculator is wrong")
    return round(10.0 * math.log10(energy), DIGITS) if energy > 0 else None


def _by_name(names: Sequence[str], energies: Array) -> dict[str, float | None]:
    return {name: level(float(e)) for name, e in zip(names, energies, strict=True)}


def _levels(
    built: BuiltScene, computed: Computed, hours: Array
) -> dict[str, Mapping[tuple[str, Window | None], float]]:
    """receiver -> (quantity, window) -> unrounded level, for the criteria."""
    scene, receivers = built.scene, computed.receivers
    period = to_db(receivers.period)
    lden = to_db(lden_energy(receivers.period, hours))
    runs = np.array([s.trains_per_hour.sum() > 0 for s in scene.services], dtype=np.bool_)
    loudest = to_db(receivers.lafmax[:, runs].max(axis=(1, 2), initial=0.0))
    windows = to_db(receivers.windows)
    out: dict[str, Mapping[tuple[str, Window | None], float]] = {}
    for k, name in enumerate(scene.receivers.ids):
        values: dict[tuple[str, Window | None], float] = {
            (f"l{p}_db", None): float(period[k, n]) for n, p in enumerate(scene.period_names)
        }
        values[("lden_db", None)] = float(lden[k])
        values[("lafmax_db", None)] = float(loudest[k])
        values.update({("laeq_db", w): float(windows[k, n]) for n, w in enumerate(computed.windows)})
        out[name] = values
    return out


def _rounded(finding: model.Finding) -> model.Finding:
    keys = ("level_db", "compared_db", "difference_db", "tone_adjustment_db")
    digits = {k: round(v, DIGITS) for k in keys if (v := getattr(finding, k)) is not None}
    return finding.model_copy(update=digits)


def _receiver(k: int, project: Project, built: BuiltScene, computed: Computed, hours: Array) -> model.ReceiverResult:
    scene, energies, entry = built.scene, computed.receivers, project.receivers[k]
    names = scene.period_names
    stretch_ids = [s.id for s in describe.stretch_infos(built)]
    services = [s.id for s in scene.services]

    def parts(by: Array, labels: Sequence[str]) -> dict[str, dict[str, float | None]]:
        out = {name: _by_name(labels, by[k, n]) for n, name in enumerate(names)}
        out["lden"] = _by_name(labels, lden_energy(np.moveaxis(by[k], 0, -1), hours))
        return out

    distance, nearest = _nearest_track(built, k)
    return model.ReceiverResult(
        id=entry.id,
        name=entry.name or entry.id,
        x=entry.position[0],
        y=entry.position[1],
        z=round(float(scene.receivers.xyz_m[k, 2]), 3),
        height_m=entry.height_m,
        use=entry.use,
        area=entry.area,
        dwellings=entry.dwellings,
        persons=entry.persons,
        distance_m=distance,
        nearest_track=nearest,
        lden_db=level(float(lden_energy(energies.period[k], hours))),
        period_db=_by_name(names, energies.period[k]),
        spectrum_db={name: [level(float(e)) for e in energies.spectrum[k, n]] for n, name in enumerate(names)},
        by_mechanism_db=parts(energies.by_mechanism, computed.emission.mechanisms),
        by_service_db=parts(energies.by_service, services),
        by_stretch_db=parts(energies.by_stretch, stretch_ids),
        states_db={
            name or MIXTURE: {
                "lden": level(float(lden_energy(energies.single[k, n], hours))),
                **_by_name(names, energies.single[k, n]),
            }
            for n, (_, name) in enumerate(computed.single_states)
        },
        left_out_db=left_out_db(energies.period[k], energies.left_out[k]),
        passes=[
            model.Pass(
                service=service,
                state=state,
                lae_db=level(float(energies.lae[k, s, n])),
                lafmax_db=level(float(energies.lafmax[k, s, n])),
            )
            for s, service in enumerate(services)
            if scene.services[s].trains_per_hour.sum() > 0
            for n, state in enumerate(computed.states)
        ],
    )


def _nearest_track(built: BuiltScene, k: int) -> tuple[float, str]:
    point = shapely.Point(built.scene.receivers.xyz_m[k, :2])
    lines = [shapely.LineString(t.xyz_m[:, :2]) for t in built.scene.tracks]
    distances = [line.distance(point) for line in lines]
    nearest = int(np.argmin(distances))
    return round(float(distances[nearest]), 2), built.scene.tracks[nearest].id


def _periods(project: Project, hours: Array) -> list[model.Period]:
    ranges = project.site.periods
    return [
        model.Period(name=name, from_hour=getattr(ranges, name)[0], to_hour=getattr(ranges, name)[1], hours=int(n))
        for name, n in zip(("day", "evening", "night"), hours, strict=True)
    ]


def _uncertainty(project: Project) -> model.Uncertainty:
    given = project.calculation.uncertainty
    stated = bool(STATED & given.model_fields_set)
    return model.Uncertainty(
        standard_db=given.standard_db,
        pass_standard_db=given.pass_standard_db,
        coverage_factor=given.coverage_factor,
        expanded_db=round(given.standard_db * given.coverage_factor, DIGITS),
        pass_expanded_db=round(given.pass_standard_db * given.coverage_factor, DIGITS),
        statement=given.statement or DEFAULT_UNCERTAINTY,
        standing=str(Standing.USER if stated else Standing.ASSUMPTION),
    )


def _grid(built: BuiltScene, computed: Computed, hours: Array, project: Project) -> model.Grid | None:
    levels, asked = computed.grid, project.calculation.grid
    if levels is None or asked is None:
        return None
    energy = levels.energy[0]  # of the situation of the report
    by_quantity = {name: energy[n] for n, name in enumerate(built.scene.period_names)}
    by_quantity["lden"] = lden_energy(np.moveaxis(energy, 0, -1), hours)
    return model.Grid(
        height_m=asked.height_m,
        spacing_m=asked.spacing_m,
        x=[round(float(x + built.scene.origin[0]), 3) for x in levels.x_m],
        y=[round(float(y + built.scene.origin[1]), 3) for y in levels.y_m],
        levels_db={name: [[_grid_level(e) for e in row] for row in array] for name, array in by_quantity.items()},
        left_out_db=largest_left_out_db(levels.energy, levels.left_out),
        n_inside=int(levels.inside.sum()),
        n_on_track=int(levels.on_track.sum()),
    )


def _grid_level(energy: float) -> float | None:
    found = level(float(energy))
    return None if found is None else round(found, 2)


def _notes(planned: Plan, selection: Selection, computed: Computed) -> list[model.NoteUsed]:
    loaded, built, rails = planned.scenes.loaded, planned.built, planned.rails.runs.runs
    scene = built.scene
    out: list[tuple[Literal["validity", "assumption", "warning"], str, str, str]] = []
    for calculator, options in (*selection.sources, *selection.forecast_only):
        out += [(n.kind, calculator.name, n.text, str(n.standing)) for n in calculator.notes(scene, options)]
    propagation = selection.propagation
    out += [
        (n.kind, propagation.name, n.text, str(n.standing))
        for n in propagation.notes(scene, selection.propagation_options)
    ]
    out += [(n.kind, propagation.name, n.text, str(n.standing)) for n in left_out_notes(computed, scene)]
    if selection.rail_state is not None:
        wear, options = selection.rail_state
        out += [(n.kind, wear.name, n.text, str(n.standing)) for n in wear.notes(rails, options)]
    by_rail = any(c.by_rail_condition for c, _ in selection.sources)
    taken = [
        *_own_assumptions(built, loaded.project, planned.situation.date, by_rail),
        *building_assumptions(loaded, scene, planned.scenes.standing),
        *loaded.assumptions,
    ]
    out += [("assumption", "project", text, standing) for text, standing in taken]
    out += [
        (
            "validity",
            "project",
            f"Calculator {name} of the method was left out by the project file.",
            str(Standing.USER),
        )
        for name in selection.left_out
    ]
    out += [("validity", "project", text, str(Standing.ASSUMPTION)) for text in _ends_near_receivers(built)]
    out += [("warning", "project", _warning(w), str(Standing.USER)) for w in loaded.warnings]
    return [model.NoteUsed(kind=k, origin=o, text=t, standing=s) for k, o, t, s in dict.fromkeys(out)]


#: The name of the mixture of all states among single states.
MIXTURE = "mixture"

#: A track that goes on for this many times a receiver's distance leaves out less than 0.1 dB of its sound:
#: the share of a dipole line beyond x = 2 d on one side is (pi/2 - atan 2 - 2/5) / pi = 2 %.
ENOUGH_TRACK = 2.0
#: The same behind a barrier, past whose ends the far parts of the line are heard; judged from trials, no source.
ENOUGH_TRACK_SCREENED = 6.0


def _ends_near_receivers(built: BuiltScene) -> list[str]:
    """Receivers that hear less than they should, because a track ends near them."""
    scene, out = built.scene, []
    barriers = shapely.MultiLineString(list(scene.barriers.xy_m))
    for k, name in enumerate(scene.receivers.ids):
        point = shapely.Point(scene.receivers.xyz_m[k, :2])
        short = []
        for track in scene.tracks:
            line = shapely.LineString(track.xyz_m[:, :2])
            along, distance = line.project(point), line.distance(point)
            screened = shapely.LineString([point, line.interpolate(along)]).intersects(barriers)
            enough = ENOUGH_TRACK_SCREENED if screened else ENOUGH_TRACK
            if min(along, line.length - along) < enough * distance:
                short.append(f"{track.id} (by less than {enough:g} times the distance)")
        if short:
            out.append(
                f"Receiver {name}: the alignment does not go far enough beyond it: {', '.join(short)}. Where the "
                "railway goes on, the levels here are too low."
            )
    return out


def _warning(problem: Problem) -> str:
    """A warning on one line, without what to write in the project file: that is for who checks it."""
    return " ".join(str(dataclasses.replace(problem, hint="")).split())


def _own_assumptions(built: BuiltScene, project: Project, date: dt.date, by_rail: bool) -> list[tuple[str, str]]:
    """What the scene took for granted."""
    out = [
        (
            "Speeds are followed at the middle of the train, which stands at the chainage given for a stop; "
            "each vehicle runs ahead of it or behind it by its place in the train. Sound power follows "
            "steps of speed, so that the largest level of a braking or accelerating train may come out up to about "
            "0.2 dB low beside a stop.",
            str(Standing.ASSUMPTION),
        ),
        (
            "Trains counted per period are spread evenly over the hours of that period.",
            str(Standing.ASSUMPTION),
        ),
    ]
    for track in project.tracks:
        parts: list[TrackAttributes | Stretch] = [track.attributes, *track.stretches]
        for part in parts:
            if part.rail_pad_stiffness_mn_m is not None:
                text = f"Track {track.id}: rail pads of {part.rail_pad_stiffness_mn_m:g} MN/m are computed as class "
                text += f"{part.rail_pad or track.attributes.rail_pad}; nothing is interpolated between classes."
                out.append((text, str(Standing.USER)))
    if any(s.pattern.kind == "passes" for s in project.services):
        out.append(
            (
                f"Trains that pass follow changes of the speed limit with {DEFAULT_RATE_M_S2:g} m/s2.",
                str(Standing.PRACTICE),
            )
        )
    managed = any(form.friction != "none" for form in built.scene.forms)
    dampened = project.conditions is not None and project.conditions.rail is not None
    if (managed or dampened) and not by_rail:
        text = (
            "The calculators of the rated levels read neither friction management of the track nor dry, damp and wet "
            "rails: these change explanations and single states only, and only where the project names a calculator "
            "for forecasts that reads them."
        )
        out.append((text, str(Standing.LAW)))
    if project.calculation.rail_state is not None:
        text = (
            f"All levels but those of the time line are for {date.isoformat()} and the "
            "likely state of the rails; rails without works keep the roughness that the project gives."
        )
        out.append((text, str(Standing.USER)))
    if any(not c.given for t in built.scene.tracks for c in t.curves):
        text = "Radii that the project does not give are read off the alignment: the angle between chords over their "
        text += "length, neighbours of nearly the same radius taken together."
        out.append((text, str(Standing.ASSUMPTION)))
    if any(c.turnout for t in built.scene.tracks for c in t.curves):
        text = f"A turnout passed on its diverging route is a curve of {2 * TURNOUT_HALF_LENGTH_M:g} m."
        out.append((text, str(Standing.ASSUMPTION)))
    if "favourable" not in project.site.model_fields_set:
        out.append(
            (
                "Favourable propagation prevails for 50 % of the day, 75 % of the evening and 100 % of the night.",
                str(Standing.ASSUMPTION),
            )
        )
    return out


def _provenance(loaded: LoadedProject, selection: Selection, plugins: Plugins) -> model.Provenance:
    inputs = [
        model.InputFile(name=name, sha256=hashlib.sha256(data).hexdigest(), n_bytes=len(data))
        for name, data in sorted(loaded.inputs.items())
    ]
    whole = hashlib.sha256()
    for file in inputs:
        whole.update(f"{file.name}\n{file.sha256}\n".encode())
    propagation = selection.propagation
    offers = [offer_used(plugins, c, o, "source", c.mechanism) for c, o in selection.sources]
    offers += [offer_used(plugins, c, o, "source (forecast)", c.mechanism) for c, o in selection.forecast_only]
    offers.append(offer_used(plugins, propagation, selection.propagation_options, "propagation", None))
    if selection.rail_state is not None:
        offers.append(offer_used(plugins, *selection.rail_state, "rail state", None))
    offers += [offer_used(plugins, c, o, "criterion", None, use_id) for use_id, c, o in selection.criteria]
    return model.Provenance(
        lineside_version=__version__,
        method=selection.method.name,
        method_title=selection.method.title,
        project_sha256=whole.hexdigest(),
        project_file=loaded.project_file,
        inputs=inputs,
        offers=offers,
        report_sections=[_section(plugins, section) for section in selection.report_sections],
    )


def _section(plugins: Plugins, section: ReportSection) -> model.SectionUsed:
    origin = plugins.origin(section)
    return model.SectionUsed(
        name=section.name,
        title=section.title,
        version=section.version,
        package=origin.distribution,
        package_version=origin.version,
        reads=list(section.reads),
    )


def offer_used(
    plugins: Plugins,
    offer: Offer,
    options: Options,
    kind: Literal["source", "source (forecast)", "propagation", "rail state", "criterion", "measure", "dose effect"],
    mechanism: str | None,
    name: str | None = None,
) -> model.OfferUsed:
    """An offer of a plugin as the results document names it."""
    origin = plugins.origin(offer)
    about = offer.particulars(options) if isinstance(offer, Criterion) else None
    return model.OfferUsed(
        name=name or offer.name,
        kind=kind,
        title=about.title if about else offer.title,
        mechanism=mechanism,
        version=offer.version,
        package=origin.distribution,
        package_version=origin.version,
        verification=str(offer.verification),
        verification_note=offer.verification_note,
        statement=offer.statement(options),
        options=options.model_dump(mode="json"),
        sources=[_citation(c) for c in offer.sources],
        data_files=[
            model.TableUsed(name=d.name, title=d.title, source=d.source, sha256=d.sha256) for d in offer.data_files()
        ],
        place=about.place if about else None,
        valid_from=about.valid_from if about else None,
        nature=about.nature if about else None,
        caution=about.caution if about else None,
    )


def _citation(citation: Citation) -> model.CitationUsed:
    return model.CitationUsed(
        key=citation.key, title=citation.title, issuer=citation.issuer, year=citation.year, part=citation.part
    )

"""Runs of rail: track with works or measured rails, along which the roughness of the rails changes alike in time."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import MeasuredRoughness, Options, RailRun, RailWork, SourceCalculator
from lineside.errors import PluginError
from lineside.project.load import LoadedProject
from lineside.project.model import RailMeasurement, Work
from lineside.scene.conditions import ServiceChange
from lineside.scene.model import BoolArray, IntArray, Scene, Spectrum, TrackForm

#: Standard acceleration of gravity. [m/s2]
GRAVITY_M_S2 = 9.80665


@dataclass(frozen=True, eq=False)
class RailRuns:
    """All runs of a scene.

    ``run`` (n_sections,) index into ``runs``, -1 where no work was done and nothing measured: there the rail stays
    as it is.
    ``from_m``, ``to_m`` (n_runs,) the outer ends of each run on its track, ``track`` (n_runs,).
    """

    runs: tuple[RailRun, ...]
    run: IntArray
    track: IntArray
    from_m: Array
    to_m: Array

    @classmethod
    def none(cls, n_sections: int) -> RailRuns:
        """No runs: all rails stay as the project gives them."""
        return cls((), np.full(n_sections, -1), np.empty(0, dtype=np.int64), np.empty(0), np.empty(0))

    @property
    def work_dates(self) -> tuple[dt.date, ...]:
        """Dates of all works, in order, without doubles."""
        return tuple(sorted({work.date for run in self.runs for work in run.works}))

    def begun(self, date: dt.date) -> BoolArray:
        """Runs that may be another than their base at a date, (n_runs,); the others keep it as the project gives it."""
        return np.array([run.begins <= date for run in self.runs], dtype=np.bool_)

    @property
    def sections(self) -> IntArray:
        """Indices of the sections that belong to a run."""
        return np.flatnonzero(self.run >= 0)


def rail_runs(loaded: LoadedProject, scene: Scene, calculators: Sequence[tuple[SourceCalculator, Options]]) -> RailRuns:
    """Find the runs of a scene whose sections are cut at the ends of works and of measured rails.

    Raises
    ------
    PluginError
        If no calculator in use can give the spectrum of a class of rail roughness.
    """
    sections = scene.sections
    works = [
        (entry, RailWork(entry.date, entry.kind, details))
        for entry, details in zip(loaded.project.works, loaded.work_details, strict=True)
    ]
    measured = [
        (entry, _measured(entry.date, loaded.spectra[entry.spectrum])) for entry in loaded.project.rail_measurements
    ]
    trains = trains_per_period(loaded, scene).sum(axis=0)
    tonnage = [mgt_per_day(scene, k, trains) for k in range(len(scene.tracks))]
    keys: dict[tuple[object, ...], int] = {}
    members: list[list[int]] = []
    runs: list[RailRun] = []
    index = np.full(len(sections), -1, dtype=np.int64)
    for k, middle in enumerate(sections.mid_m):
        track = int(sections.track[k])
        here, seen = (_covering(of, scene.tracks[track].id, float(middle)) for of in (works, measured))
        if not here and not seen:
            continue
        radius = min((c.radius_m for c in scene.tracks[track].curves_at(float(middle))), default=np.inf)
        base = scene.forms[int(sections.form[k])].rail_roughness
        key = (track, base if isinstance(base, str) else base.id, here, seen, radius)
        if key not in keys:
            keys[key] = len(runs)
            spectrum = base if isinstance(base, Spectrum) else _tabulated(base, calculators)
            wavelength_mm, level_db = _rising(spectrum)
            runs.append(
                RailRun(
                    wavelength_mm,
                    level_db,
                    tuple(sorted((works[n][1] for n in here), key=lambda w: w.date)),
                    tonnage[track],
                    float(radius),
                    tuple(sorted((measured[n][1] for n in seen), key=lambda m: m.date)),
                )
            )
            members.append([])
        index[k] = keys[key]
        members[keys[key]].append(k)
    on_track = np.array([sections.track[m[0]] for m in members], dtype=np.int64)
    from_m, to_m = np.array([(sections.from_m[m].min(), sections.to_m[m].max()) for m in members]).reshape(-1, 2).T
    places = [
        f"{scene.tracks[k].id}, {low:.0f} to {high:.0f} m" for k, low, high in zip(on_track, from_m, to_m, strict=True)
    ]
    return RailRuns(
        runs=tuple(replace(run, place=place) for run, place in zip(runs, places, strict=True)),
        run=index,
        track=on_track,
        from_m=from_m,
        to_m=to_m,
    )


def _covering(
    entries: Sequence[tuple[Work | RailMeasurement, object]], track: str, chainage_m: float
) -> tuple[int, ...]:
    return tuple(n for n, (e, _) in enumerate(entries) if e.track == track and e.from_m < chainage_m < e.to_m)


def _rising(spectrum: Spectrum) -> tuple[Array, Array]:
    order = np.argsort(spectrum.axis)
    return spectrum.axis[order], next(iter(spectrum.columns.values()))[order]


def _measured(date: dt.date, spectrum: Spectrum) -> MeasuredRoughness:
    wavelength_mm, level_db = _rising(spectrum)
    return MeasuredRoughness(date, wavelength_mm, level_db, spectrum.source)


def _tabulated(name: str, calculators: Sequence[tuple[SourceCalculator, Options]]) -> Spectrum:
    for calculator, _ in calculators:
        spectrum = calculator.tabulated("rail_roughness", name)
        if spectrum is not None:
            return spectrum
    raise PluginError(
        f"no calculator in use gives the spectrum of the rail roughness class {name!r}, which calculation.rail_state "
        "needs; give a spectrum instead"
    )


def trains_per_period(loaded: LoadedProject, scene: Scene) -> Array:
    """Trains of each service in each period of the average day of a year, (n_periods, n_services).

    All states of the timetable count with their shares.
    """
    factor = np.ones((len(scene.period_names), len(scene.services)))
    for condition in loaded.conditions:
        if condition.kind == "timetable":
            changes = [s.changes.services for s in condition.states]
            of_state = np.array(
                [[by_id.get(x.id, ServiceChange()).trains_factor for x in scene.services] for by_id in changes]
            )
            factor = np.array([s.long_term_share() for s in condition.states]).T @ of_state
    hourly = np.array([s.trains_per_hour for s in scene.services]).reshape(len(scene.services), 24)
    nominal = np.stack([hourly[:, scene.period_of_hour == n].sum(axis=1) for n in range(len(scene.period_names))])
    return np.asarray(nominal * factor)


def mgt_per_day(scene: Scene, track: int, trains: Array) -> float:
    """Tonnage that rolls over a track in an average day: trains x axles x 2 wheel loads / g. [million gross tonnes]

    Parameters
    ----------
    trains : ndarray, (n_services,)
        On an average day.
    """
    total = 0.0
    for service, per_day in zip(scene.services, trains, strict=True):
        if service.track == track:
            vehicles = [scene.vehicles[int(v)] for v in service.vehicle_type]
            mass_t = sum(v.n_axles * 2.0 * v.actual["wheel_load_kn"] / GRAVITY_M_S2 for v in vehicles)
            total += float(per_day) * mass_t / 1e6
    return total


def with_roughness(
    scene: Scene, run_of_section: IntArray, wavelength_mm: Array, level_db: Array, changed: BoolArray
) -> Scene:
    """The scene with other roughness on its runs.

    Parameters
    ----------
    run_of_section : ndarray of int, (n_sections,)
        As in :class:`RailRuns`.
    wavelength_mm : ndarray, (n_wavelengths,)
    level_db : ndarray, (n_runs, n_wavelengths)
        [dB re 1 um]
    changed : ndarray of bool, (n_runs,)
        Runs that take the new roughness; the others keep their own.
    """
    forms: list[TrackForm] = list(scene.forms)
    index: dict[tuple[int, int], int] = {}
    form = scene.sections.form.copy()
    for k in np.flatnonzero(run_of_section >= 0):
        run = int(run_of_section[k])
        if not changed[run]:
            continue
        key = (int(form[k]), run)
        if key not in index:
            spectrum = Spectrum(
                id=f"rail state, run {run + 1}",
                kind="rail_roughness",
                axis=wavelength_mm,
                columns={"level_db": level_db[run]},
                source="computed from works and traffic",
            )
            index[key] = len(forms)
            forms.append(replace(forms[key[0]], rail_roughness=spectrum))
        form[k] = index[key]
    return replace(scene, forms=tuple(forms), sections=replace(scene.sections, form=form))


def only_sections(scene: Scene, keep: IntArray) -> Scene:
    """The scene with some of its sections only; for emission, which is a matter of each section alone."""
    sections = scene.sections
    names = ("track", "stretch", "form", "from_m", "to_m")
    return replace(
        scene,
        sections=replace(sections, **{name: getattr(sections, name)[keep] for name in names}),
        traffic=replace(
            scene.traffic,
            speed_km_h=scene.traffic.speed_km_h[:, keep],
            seconds_per_m=scene.traffic.seconds_per_m[:, keep],
            accelerating=scene.traffic.accelerating[:, keep],
            permitted_km_h=None if scene.traffic.permitted_km_h is None else scene.traffic.permitted_km_h[:, keep],
        ),
    )

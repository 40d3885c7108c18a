"""One run of rail as the model knows it: its works, and what measured spectra say about it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import date

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import RailRun
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear.bands import N_WAVELENGTHS, levels_on_bands
from lineside_plugins.rail_wear.fit import Fit, Measurement, fit_work, measurement
from lineside_plugins.rail_wear.history import (
    PARTS,
    Work,
    section_roughness_energy,
    section_roughness_parts,
    surface_works,
)
from lineside_plugins.rail_wear.options import work_of
from lineside_plugins.rail_wear.parameters import Parameters, Range, likely_and_draws


@dataclass(frozen=True, eq=False)
class KnownRun:
    """Works that give a new surface and measured spectra of a run.

    A spectrum measured before the first of these works is the surface up to that work; without such works, spectra
    hold from their own date to the next. A spectrum measured after a work and before the next one tells about the pass
    and replaces the model at its own date. Bands that a spectrum lacks are the base's or the model's.
    """

    base_db: Array  # (35,) long-term surface [dB re 1 um]
    works: tuple[Work, ...]  # in date order
    before: tuple[Measurement, ...]  # in date order: before the first work, or all of them without works
    after: tuple[Measurement, ...]  # in date order: since the first work
    mgt_per_day: float
    radius_m: float
    fits: Mapping[Work, Fit] = field(default_factory=dict)

    def before_db(self, when: date) -> Array:
        """Surface at a date before the first work, (35,). [dB re 1 um]"""
        past = [m for m in self.before if m.date <= when]
        if not past and self.works:
            past = list(self.before[:1])
        return _with_bands(self.base_db, past[-1]) if past else self.base_db

    def worn_in_db(self) -> Array:
        """Surface once all that the last work left has worn away, (35,). [dB re 1 um]"""
        if not self.works:
            return self.before_db(date.max)
        own = self.works[-1].base_db
        return self.base_db if own is None else np.array(own)

    def dates_after_works(self, dates: Sequence[date]) -> list[int]:
        """Indices of the dates since the first work."""
        return [i for i, when in enumerate(dates) if self.works and when >= self.works[0].date]

    def measured_at(self, dates: Sequence[date]) -> list[tuple[int, Measurement]]:
        """What was measured since the first work on one of the dates, with the index of the date."""
        return [(i, m) for m in self.after for i, when in enumerate(dates) if when == m.date]

    def with_pitch(self, work: Work, pitch_mm: float) -> KnownRun:
        """The run with the pitch of one of its works given."""
        same = replace(work, pitch_mm=pitch_mm)
        return replace(
            self,
            works=tuple(same if w == work else w for w in self.works),
            fits={same if w == work else w: fit for w, fit in self.fits.items()},
        )

    def own_parameters(self, n_draws: int, seed: int) -> dict[Work, Parameters]:
        """Likely values and draws for the passes that spectra tell about."""
        return {w: likely_and_draws(fit.ranges, n_draws, seed, fit.correlation) for w, fit in self.fits.items()}


def known_run(run: RailRun, ranges: Mapping[str, Range]) -> KnownRun:
    """What the project says about a run, with the model fitted to each pass after which rails were measured."""
    base_db = levels_on_bands(run.wavelength_mm, run.level_db)
    works = surface_works([work_of(w, base_db) for w in run.works])
    with _located(run):
        found = [measurement(m.date, m.wavelength_mm, m.level_db) for m in run.measured]
    measured = sorted(found, key=lambda m: m.date)
    first = works[0].date if works else date.max
    known = KnownRun(
        base_db=base_db,
        works=works,
        before=tuple(m for m in measured if m.date < first),
        after=tuple(m for m in measured if m.date >= first),
        mgt_per_day=run.mgt_per_day,
        radius_m=run.curve_radius_m,
    )
    if not known.after:
        return known
    fits = {}
    for k, work in enumerate(works):
        end = works[k + 1].date if k + 1 < len(works) else date.max
        own = [m for m in known.after if work.date <= m.date < end]
        if own:
            with _located(run):
                fits[work] = fit_work(work, own, base_db, run.mgt_per_day, run.curve_radius_m, ranges)
    return replace(known, fits=fits)


@contextmanager
def _located(run: RailRun) -> Iterator[None]:
    """Say of which rails an error speaks."""
    try:
        yield
    except OutOfRangeError as error:
        raise OutOfRangeError(f"{run.place}: {error}" if run.place else str(error)) from error


def run_parts(
    run: KnownRun, dates: Sequence[date], parameters: Parameters, own: Mapping[Work, Parameters]
) -> dict[str, Array]:
    """Parts of the roughness at dates, (n_draws, n_dates, 35) each; where it was measured, all of it is ``base``. [um2]

    Parameters
    ----------
    parameters : Parameters
        For passes that no spectrum tells about.
    own : mapping
        For the others, from :meth:`KnownRun.own_parameters`.
    """
    done = run.dates_after_works(dates)
    parts = {name: np.zeros((parameters.n_draws, len(dates), N_WAVELENGTHS)) for name in PARTS}
    for i in set(range(len(dates))) - set(done):
        parts["base"][:, i] = to_energy(run.before_db(dates[i]))
    if done:
        found = section_roughness_parts(
            run.base_db, run.works, [dates[i] for i in done], run.mgt_per_day, run.radius_m, parameters, own
        )
        for name in PARTS:
            parts[name][:, done] = found[name]
    for i, measured in run.measured_at(dates):
        for name in PARTS:
            parts[name][:, i, measured.band] = to_energy(measured.level_db) if name == "base" else 0.0
    return parts


def run_roughness(
    run: KnownRun, dates: Sequence[date], parameters: Parameters, own: Mapping[Work, Parameters]
) -> Array:
    """Mean-square roughness at dates, (n_draws, n_dates, 35); arguments as for :func:`run_parts`. [um2]"""
    done = run.dates_after_works(dates)
    energy = np.empty((parameters.n_draws, len(dates), N_WAVELENGTHS))
    for i in set(range(len(dates))) - set(done):
        energy[:, i] = to_energy(run.before_db(dates[i]))
    if done:
        energy[:, done] = section_roughness_energy(
            run.base_db, run.works, [dates[i] for i in done], run.mgt_per_day, run.radius_m, parameters, own
        )
    for i, measured in run.measured_at(dates):
        energy[:, i, measured.band] = to_energy(measured.level_db)
    return energy


def _with_bands(base_db: Array, measured: Measurement) -> Array:
    out = base_db.copy()
    out[measured.band] = measured.level_db
    return out

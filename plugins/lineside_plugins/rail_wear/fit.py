"""Fitting the fading of one pass to spectra measured after it.

Three unknowns: logarithm of the marks' e-folding tonnage, level of the finish, level of the marks. Least squares on
levels, by Gauss-Newton with step halving; the default ranges count as further observations, so that one spectrum is
enough and what it says nothing about keeps its default range. A parameter without a range stays as it is. Growth is
taken from the default ranges as it is: its start would follow the fitted tonnage, but that moves levels by tenths of a
dB only. A pitch that the project does not know is the one that fits best, if it fits clearly better than all others.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db, to_energy
from lineside.contracts import Standing
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear.bands import N_WAVELENGTHS, WAVELENGTHS_MM, band_of
from lineside_plugins.rail_wear.history import Work, finish_parameter, leaves_marks, shapes, state_at
from lineside_plugins.rail_wear.parameters import Z95, Correlation, Range, likely
from lineside_plugins.rail_wear.wear import finish_fade_mgt, growing_bands, growth_db

_MAX_STEPS = 200
_MAX_HALVINGS = 24
_DB_PER_NEPER = 10.0 / np.log(10.0)
#: Converged when a full step moves no unknown by more than this share of its default standard deviation.
_STEP_LIMIT = 1e-4
#: Longer steps are cut: exponentials run away.
_LONGEST_STEP = 5.0
#: Standard deviation that holds a parameter without a range in its place.
_HELD_SD = 1e-6
#: A pitch fits clearly better if its sum of squares, in standard deviations, is smaller by this: two standard
#: deviations of one parameter.
_CLEARLY = 4.0
#: A wavelength counts as a nominal one if it differs by no more than this share of itself.
_NEAR_NOMINAL = 0.05


@dataclass(frozen=True, eq=False)
class Measurement:
    """A measured spectrum of the rail: levels at some of the 35 bands."""

    date: date
    band: np.ndarray  # (n,) indices into WAVELENGTHS_MM
    level_db: Array  # (n,) dB re 1 um


@dataclass(frozen=True, eq=False)
class Fit:
    """What measured spectra say about one pass."""

    ranges: dict[str, Range]  # all ranges, the fitted ones replaced
    correlation: Correlation
    residual_db: Array  # (n_observations,) measured minus model
    rms_db: float
    n_steps: int
    n_spectra: int
    misfit: float  # sum of squares with the default ranges, in standard deviations
    pitch_mm: float | None = None  # the pitch that the spectra show, where the project does not know it


@dataclass(frozen=True, eq=False)
class _Problem:
    """Everything that stays the same during a fit. Unknowns: ln M_K, finish level, marks level."""

    prior: tuple[Range, Range, Range]
    measured_db: Array  # (n,)
    worn: Array  # (n,) base and growth [um2]
    finish: Array  # (n,) at level 0 dB
    marks: Array  # (n,)
    mgt: Array  # (n,)
    fade_ratio: Array  # (n,) M_F / M_K
    sd_db: float

    def model(self, x: Array) -> tuple[Array, Array]:
        """Levels (n,) [dB] and their derivatives by the unknowns (n, 3)."""
        foldings = self.mgt / np.exp(x[0])
        finish = to_energy(x[1]) * self.finish * np.exp(-foldings / self.fade_ratio)
        marks = to_energy(x[2]) * self.marks * np.exp(-foldings)
        total = self.worn + finish + marks
        by_tonnage = _DB_PER_NEPER * (finish * foldings / self.fade_ratio + marks * foldings)
        return to_db(total), np.stack([by_tonnage, finish, marks], axis=1) / total[:, np.newaxis]

    def prior_sd(self, x: Array) -> Array:
        """Standard deviation of the default range on the side on which x lies, (3,)."""
        return np.array([_sd(r, int(value >= r.scaled[1])) for r, value in zip(self.prior, x, strict=True)])

    def residuals(self, x: Array) -> tuple[Array, Array]:
        """Residuals in standard deviations, observations first, then ranges, (n + 3,), and derivatives (n + 3, 3)."""
        level_db, slope = self.model(x)
        sd = self.prior_sd(x)
        away = x - np.array([r.scaled[1] for r in self.prior])
        return (
            np.concatenate([(level_db - self.measured_db) / self.sd_db, away / sd]),
            np.concatenate([slope / self.sd_db, np.diag(1.0 / sd)]),
        )

    def cost(self, x: Array) -> float:
        return float(np.sum(self.residuals(x)[0] ** 2))


def _sd(parameter: Range, side: int) -> float:
    return max(parameter.sd[side], _HELD_SD)


def fit_work(
    work: Work,
    measurements: Sequence[Measurement],
    base_db: Array,
    mgt_per_day: float,
    radius_m: float,
    ranges: Mapping[str, Range],
) -> Fit:
    """Fit one pass as :func:`fit_pass` does, and its pitch where that is not known.

    Third octaves tell pitches apart by their band only: one pitch per band of the default range is tried.
    """
    default = ranges["mark_pitch_mm"]
    if work.pitch_mm is not None or not leaves_marks(work) or default.low == default.high:
        return fit_pass(work, measurements, base_db, mgt_per_day, radius_m, ranges)
    first, last = band_of(default.high), band_of(default.low)
    own = band_of(default.likely)
    pitches = [default.likely if band == own else float(WAVELENGTHS_MM[band]) for band in range(first, last + 1)]
    fits = [
        fit_pass(replace(work, pitch_mm=pitch), measurements, base_db, mgt_per_day, radius_m, ranges)
        for pitch in pitches
    ]
    best, *others = sorted(range(len(fits)), key=lambda k: fits[k].misfit)
    if others and fits[others[0]].misfit - fits[best].misfit < _CLEARLY:
        return fits[pitches.index(default.likely)]
    pitch = replace(
        default,
        low=pitches[best],
        likely=pitches[best],
        high=pitches[best],
        standing=Standing.USER,
        source="Band in which the measured spectra show the marks",
    )
    fit = fits[best]
    return replace(fit, ranges={**fit.ranges, pitch.name: pitch}, pitch_mm=pitch.likely)


def fit_pass(
    work: Work,
    measurements: Sequence[Measurement],
    base_db: Array,
    mgt_per_day: float,
    radius_m: float,
    ranges: Mapping[str, Range],
) -> Fit:
    """Fit one pass to spectra measured after it and before the next.

    Parameters
    ----------
    work : Work
        The pass or renewal.
    measurements : sequence of Measurement
    base_db : ndarray, (35,)
        Surface once worn in; ``work.base_db`` comes first. [dB re 1 um]
    mgt_per_day, radius_m : float
        Steady tonnage and radius of the section. [MGT/d], [m]
    ranges : mapping
        Default ranges, which count as observations.

    Returns
    -------
    Fit
        Its ranges never are wider than the given ones, and narrow with every observation that bears on them. If
        the model misses the observations by more than ``measured_sd_db``, what it misses them by is used instead.

    Raises
    ------
    OutOfRangeError
        If there is no measurement, one from before the pass, one with a level that is not finite, or no convergence.
    """
    problem = _problem(work, measurements, base_db, mgt_per_day, radius_m, ranges)
    x, n_steps = _solve(problem)
    misfit = problem.cost(x)
    misses = problem.measured_db - problem.model(x)[0]
    rms_db = float(np.sqrt(np.mean(misses**2)))
    if rms_db > problem.sd_db:
        problem = replace(problem, sd_db=rms_db)
        x, more = _solve(problem)
        n_steps += more
        misses = problem.measured_db - problem.model(x)[0]
        rms_db = float(np.sqrt(np.mean(misses**2)))
    names, new, matrix = _ranges_after(problem, x, len(measurements))
    return Fit({**ranges, **new}, Correlation(names, matrix), misses, rms_db, n_steps, len(measurements), misfit)


def _problem(
    work: Work,
    measurements: Sequence[Measurement],
    base_db: Array,
    mgt_per_day: float,
    radius_m: float,
    ranges: Mapping[str, Range],
) -> _Problem:
    if not measurements:
        raise OutOfRangeError("A fit needs at least one measured spectrum.")
    prior = (
        ranges["marks_fade_mgt"],
        ranges[finish_parameter(work) or "finish_production_db"],
        ranges["marks_db"],
    )
    usual = likely(ranges)
    finish, marks = shapes(work, usual)
    base = to_energy(base_db if work.base_db is None else work.base_db)
    fade_ratio = finish_fade_mgt(usual)[0] / usual["marks_fade_mgt"][0]
    rows: list[Array] = []
    for measured in measurements:
        _check(measured, work)
        state = state_at([work], measured.date, mgt_per_day)
        grown_db = growth_db(usual, np.array([state.years]), np.array([state.mgt]), radius_m)[0, 0]
        worn = base * to_energy(np.where(growing_bands(usual), grown_db, 0.0))
        columns = (worn, finish, marks[0], np.full(N_WAVELENGTHS, state.mgt), fade_ratio)
        rows.append(np.vstack([measured.level_db, *(column[measured.band] for column in columns)]))
    observed, worn, finish, marks_seen, mgt, ratio = np.concatenate(rows, axis=1)
    return _Problem(
        prior=prior,
        measured_db=observed,
        worn=worn,
        finish=finish,
        marks=marks_seen,
        mgt=mgt,
        fade_ratio=ratio,
        sd_db=usual.fixed("measured_sd_db"),
    )


def _check(measured: Measurement, work: Work) -> None:
    if measured.date < work.date:
        raise OutOfRangeError(f"The spectrum of {measured.date} was measured before the pass of {work.date}.")
    if measured.band.shape != measured.level_db.shape or not np.all(np.isfinite(measured.level_db)):
        raise OutOfRangeError(f"The spectrum of {measured.date} needs one finite level for each of its bands.")


def _solve(problem: _Problem) -> tuple[Array, int]:
    """Gauss-Newton from the best of five tonnages across the default range: levels bend, and a far start may stick."""
    start = np.array([r.scaled[1] for r in problem.prior])
    low, _, high = problem.prior[0].scaled
    starts = [np.array([tonnage, *start[1:]]) for tonnage in np.linspace(low, high, 5)]
    x = min(starts, key=problem.cost)
    for step in range(1, _MAX_STEPS + 1):
        residual, slope = problem.residuals(x)
        move = np.linalg.lstsq(slope, -residual, rcond=None)[0]
        size = float(np.max(np.abs(move) / problem.prior_sd(x)))
        if size < _STEP_LIMIT:
            return x, step
        move = move * min(1.0, _LONGEST_STEP / size)
        shorter = [problem.cost(x + 0.5**n * move) for n in range(_MAX_HALVINGS)]
        best = int(np.argmin(shorter))
        if shorter[best] >= float(np.sum(residual**2)):
            raise OutOfRangeError(
                "The fit of the wear model to the measured spectra found no way down; check the spectra."
            )
        move = 0.5**best * move
        x = x + move
    raise OutOfRangeError(f"The fit of the wear model to the measured spectra did not settle in {_MAX_STEPS} steps.")


def _ranges_after(problem: _Problem, x: Array, n_spectra: int) -> tuple[tuple[str, ...], dict[str, Range], Array]:
    """Ranges after the fit: each half from the observations and from the same half of the default range."""
    slope = problem.model(x)[1] / problem.sd_db
    seen = slope.T @ slope
    below, above = (np.linalg.inv(seen + np.diag([_sd(r, side) ** -2.0 for r in problem.prior])) for side in (0, 1))
    middle = 0.5 * (below + above)
    matrix = middle / np.sqrt(np.outer(np.diag(middle), np.diag(middle)))
    new: dict[str, Range] = {}
    for i, default in enumerate(problem.prior):
        if default.low == default.high:
            continue
        ends = x[i] + Z95 * np.array([-np.sqrt(below[i, i]), 0.0, np.sqrt(above[i, i])])
        low, median, high = np.exp(ends) if default.distribution == "log_normal" else ends
        new[default.name] = replace(
            default,
            low=float(low),
            likely=float(median),
            high=float(high),
            standing=Standing.USER,
            source=f"Fitted to measured spectra ({n_spectra}); before: {default.source}",
        )
    return tuple(r.name for r in problem.prior), new, matrix


def measurement(when: date, wavelength_mm: ArrayLike, level_db: ArrayLike) -> Measurement:
    """A measured spectrum from nominal third-octave wavelengths, in any order. [mm], [dB re 1 um]

    Raises
    ------
    OutOfRangeError
        If a wavelength is not one of the 35 nominal ones.
    """
    nominal = np.asarray(wavelength_mm, dtype=np.float64)
    near = np.abs(WAVELENGTHS_MM - nominal[:, np.newaxis]) / nominal[:, np.newaxis]
    band = near.argmin(axis=1)
    odd = nominal[near.min(axis=1) > _NEAR_NOMINAL]
    twice = nominal[[np.count_nonzero(band == b) > 1 for b in band]]
    if odd.size or twice.size:
        found = ", ".join(f"{w:g}" for w in (odd if odd.size else twice))
        raise OutOfRangeError(
            f"The roughness measured on {when} has {found} mm; it needs nominal third-octave wavelengths from 2000 to "
            "0.8 mm, each once and not necessarily all of them."
        )
    return Measurement(when, band, np.asarray(level_db, dtype=np.float64))

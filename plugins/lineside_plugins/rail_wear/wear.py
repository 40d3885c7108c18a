"""How roughness fades and grows.

    r2(lambda, t) = B + F exp(-M / M_F) + K exp(-M / M_K) + C(t)                    (1)
    M_F = M_K (lambda / lambda_ref)^q                                               (2)
    C(t) = B (10^(min(g t_g, cap) / 10) - 1)                                        (3)

B surface once worn in, F finish and K marks that the last pass left, M tonnage since, C growth: g dB a year during
the years t_g after wear-in. All energies are mean squares re (1 um)^2. (3) makes B + C rise by g dB a year.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear.bands import N_WAVELENGTHS, WAVELENGTHS_MM, between
from lineside_plugins.rail_wear.parameters import Parameters

#: Standard acceleration of gravity. [m/s2]
GRAVITY_M_S2 = 9.80665


def axle_load_t(wheel_load_kn: ArrayLike) -> Array:
    """Axle load of an axle with two equally loaded wheels. [t]

    >>> round(float(axle_load_t(50.0)), 2)
    10.2
    """
    return 2.0 * np.asarray(wheel_load_kn, dtype=np.float64) / GRAVITY_M_S2


def mgt_per_day(trains_per_day: ArrayLike, n_axles: ArrayLike, axle_load_t: ArrayLike) -> float:
    """Tonnage that rolls over a track in a day: sum of trains x axles x axle load. [million gross tonnes]

    >>> round(mgt_per_day(200, 24, 12), 4)
    0.0576
    """
    parts = [np.asarray(x, dtype=np.float64) for x in (trains_per_day, n_axles, axle_load_t)]
    if any(np.any(x < 0.0) or not np.all(np.isfinite(x)) for x in parts):
        raise OutOfRangeError("Trains, axles and axle loads must be 0 or more.")
    return float(np.sum(parts[0] * parts[1] * parts[2])) / 1e6


def days_to_fade(foldings: ArrayLike, fade_mgt: ArrayLike, mgt_per_day: float) -> Array:
    """Days until so many e-folding tonnages have rolled; inf without traffic. [d]"""
    tonnage = np.asarray(foldings, dtype=np.float64) * np.asarray(fade_mgt, dtype=np.float64)
    return tonnage / mgt_per_day if mgt_per_day > 0.0 else np.where(tonnage > 0.0, np.inf, 0.0)


def finish_shape(parameters: Parameters) -> Array:
    """Finish of level 0 dB: flat, falling towards short waves, nothing outside its range, (35,). [energy]"""
    flat_from = parameters.fixed("finish_flat_from_mm")
    flat = between(flat_from, parameters.fixed("finish_longest_mm"))
    falling = between(parameters.fixed("finish_shortest_mm"), flat_from) & ~flat
    bands_below = np.cumsum(falling)  # wavelengths fall: 1 in the first band below the flat part
    return np.where(flat, 1.0, np.where(falling, to_energy(parameters.fixed("finish_slope_db") * bands_below), 0.0))


def finish_fade_mgt(parameters: Parameters) -> Array:
    """Equation (2), (n_draws, 35). [MGT]"""
    ratio = WAVELENGTHS_MM / parameters.fixed("fade_reference_mm")
    return parameters["marks_fade_mgt"][:, np.newaxis] * ratio ** parameters["finish_fade_exponent"][:, np.newaxis]


def growth_rate_db(parameters: Parameters, radius_m: float) -> Array:
    """Growth in a year at a radius (inf: straight), (n_draws,). [dB]"""
    if not radius_m > 0.0:
        raise OutOfRangeError(f"Radius {radius_m:g} m: must be above 0, inf for straight track.")
    tight = radius_m < parameters.fixed("growth_curve_radius_m")
    return parameters["growth_curve_db_per_year" if tight else "growth_straight_db_per_year"]


def growing_bands(parameters: Parameters) -> np.ndarray:
    """Bands in which roughness grows, (35,) of bool."""
    return between(parameters.fixed("growth_shortest_mm"), parameters.fixed("growth_longest_mm"))


def growth_db(parameters: Parameters, years: Array, mgt: Array, radius_m: float) -> Array:
    """Rise of the worn-in surface since the last pass, in the bands that grow.

    Growth starts when ``growth_starts_foldings`` e-folding tonnages of the marks have rolled; with steady traffic that
    is the share 1 - foldings M_K / M of the time since the pass. Without traffic nothing grows.

    Parameters
    ----------
    years, mgt : ndarray, (n_dates,)
        Time [a] and tonnage [MGT] since the last pass.
    radius_m : float
        Radius of the curve, inf on straight track. [m]

    Returns
    -------
    ndarray, (n_draws, n_dates)
        [dB]
    """
    start_mgt = parameters.fixed("growth_starts_foldings") * parameters["marks_fade_mgt"][:, np.newaxis]
    share = np.clip(1.0 - start_mgt / np.where(mgt > 0.0, mgt, np.nan), 0.0, None)
    grown_years = years * np.where(mgt > 0.0, share, 0.0)
    rate_db = growth_rate_db(parameters, radius_m)[:, np.newaxis]
    return np.minimum(rate_db * grown_years, parameters["growth_cap_db"][:, np.newaxis])


def roughness_parts(
    base: Array, finish: Array, marks: Array, mgt: Array, years: Array, radius_m: float, parameters: Parameters
) -> dict[str, Array]:
    """The four terms of equation (1).

    Parameters
    ----------
    base : ndarray, (35,)
        B. [um2]
    finish, marks : ndarray, (n_draws, 35)
        F and K as the last pass left them. [um2]
    mgt, years : ndarray, (n_dates,)
        Tonnage and time since the last pass. [MGT], [a]
    radius_m : float
        [m]
    parameters : Parameters

    Returns
    -------
    dict
        ``base``, ``finish``, ``marks``, ``growth``: (n_draws, n_dates, 35) each. [um2]
    """
    _check_shapes(base, finish, marks, mgt, years, parameters)
    tonnage = mgt[np.newaxis, :, np.newaxis]
    fade_mgt = parameters["marks_fade_mgt"][:, np.newaxis, np.newaxis]
    gain = to_energy(growth_db(parameters, years, mgt, radius_m)) - 1.0
    shape = (parameters.n_draws, mgt.size, N_WAVELENGTHS)
    finished = np.flatnonzero(finish.any(axis=0))
    left = np.zeros(shape)
    left[:, :, finished] = finish[:, np.newaxis, finished] * np.exp(
        -tonnage / finish_fade_mgt(parameters)[:, np.newaxis, finished]
    )
    return {
        "base": np.broadcast_to(base, shape),
        "finish": left,
        "marks": marks[:, np.newaxis, :] * np.exp(-tonnage / fade_mgt),
        "growth": gain[:, :, np.newaxis] * np.where(growing_bands(parameters), base, 0.0),
    }


def roughness_energy(
    base: Array, finish: Array, marks: Array, mgt: Array, years: Array, radius_m: float, parameters: Parameters
) -> Array:
    """Equation (1): mean-square roughness, (n_draws, n_dates, 35). [um2]

    Arguments as for :func:`roughness_parts`.
    """
    parts = roughness_parts(base, finish, marks, mgt, years, radius_m, parameters)
    return parts["base"] + parts["finish"] + parts["marks"] + parts["growth"]


def _check_shapes(base: Array, finish: Array, marks: Array, mgt: Array, years: Array, parameters: Parameters) -> None:
    if base.shape != (N_WAVELENGTHS,):
        raise OutOfRangeError(f"base has shape {base.shape}, needed is ({N_WAVELENGTHS},): bands.")
    for name, array in (("finish", finish), ("marks", marks)):
        if array.shape != (parameters.n_draws, N_WAVELENGTHS):
            raise OutOfRangeError(
                f"{name} has shape {array.shape}, needed is ({parameters.n_draws}, {N_WAVELENGTHS}): draws, bands."
            )
    if mgt.ndim != 1 or mgt.shape != years.shape:
        raise OutOfRangeError(f"mgt and years have shapes {mgt.shape} and {years.shape}, needed is one axis of dates.")
    if np.any(mgt < 0.0) or np.any(years < 0.0):
        raise OutOfRangeError("Tonnage and time since a pass must be 0 or more.")


@dataclass(frozen=True, eq=False)
class Return:
    """When an excess is within a margin again, per draw. Days count as in the series looked at."""

    within_db: float
    day: Array  # (n_draws,) first day within the margin; inf: not in the series
    leaves_day: Array  # (n_draws,) day on which growth takes it out again; inf: not in the series
    still_falling: np.ndarray  # (n_draws,) bool: where day is inf, was it falling at the end (series too short)?


def when_within(excess_db: Array, day: Array, within_db: float) -> Return:
    """First day on which an excess is no more than ``within_db``, by linear interpolation between dates.

    Only louder counts: an excess below 0 is within any margin.

    Parameters
    ----------
    excess_db : ndarray, (n_draws, n_dates)
        Level above the state before. [dB]
    day : ndarray, (n_dates,)
        Rising. Start the series at the pass: what lies before is the state before.
    within_db : float
        Margin. [dB]
    """
    if excess_db.ndim != 2 or day.shape != excess_db.shape[1:] or not np.all(np.diff(day) > 0.0):
        raise OutOfRangeError("An excess needs the axes (draws, dates), and as many rising days as dates.")
    if not np.all(np.isfinite(excess_db)):
        raise OutOfRangeError("An excess must be finite: silence has no level to compare with.")
    inside = excess_db <= within_db
    entry = _crossing(excess_db, day, within_db, inside)
    after_entry = np.maximum.accumulate(inside, axis=1)
    leaves = _crossing(excess_db, day, within_db, after_entry & ~inside)
    falling = excess_db[:, -1] < excess_db[:, -2] if day.size > 1 else np.zeros(excess_db.shape[0], dtype=np.bool_)
    return Return(within_db, entry, leaves, np.isinf(entry) & falling)


def _crossing(excess_db: Array, day: Array, level_db: float, hit: np.ndarray) -> Array:
    """Day at which the excess crosses the level, just before the first date that is hit; inf for none."""
    first = np.argmax(hit, axis=1)
    rows = np.arange(first.size)
    before = np.maximum(first - 1, 0)
    now, last = excess_db[rows, first], excess_db[rows, before]
    moved = now != last
    share = np.where(moved, (level_db - last) / np.where(moved, now - last, 1.0), 1.0)
    at = np.where(first == 0, day[0], day[before] + share * (day[first] - day[before]))
    return np.where(hit.any(axis=1), at, np.inf)


def interval(values: Array, axis: int = 0) -> Array:
    """5 %, 50 % and 95 % points over draws, (3, ...): an interval, never one value.

    Points are draws themselves, not interpolated between them, so that "never" (inf) stays what it is.
    """
    return np.quantile(values, (0.05, 0.5, 0.95), axis=axis, method="inverted_cdf")

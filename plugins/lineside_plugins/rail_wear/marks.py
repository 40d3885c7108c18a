"""Periodic grinding marks: their pitch, the bands they fall into, and the tone they make.

Kinematics only: pitch = working speed / rotation rate, f = v / pitch. The levels of the harmonics are assumptions.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db, to_energy
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear.bands import EDGES_HZ, EDGES_MM, shares_between_edges


def pitch_mm(working_speed_km_h: ArrayLike, rotation_hz: ArrayLike) -> Array:
    """Distance that the machine travels in one turn of a stone. [mm]

    >>> round(float(pitch_mm(5.0, 50.0)), 1)
    27.8
    """
    speed, rate = np.asarray(working_speed_km_h, dtype=np.float64), np.asarray(rotation_hz, dtype=np.float64)
    if not (np.all(speed > 0.0) and np.all(rate > 0.0)):
        raise OutOfRangeError("Working speed and rotation rate must be above 0.")
    return speed / 3.6 * 1000.0 / rate


def _spread_ends(middle: Array, spread_ratio: float) -> tuple[Array, Array]:
    if not 0.0 <= spread_ratio < 2.0:
        raise OutOfRangeError(f"Spread (max - min) / mean is {spread_ratio:g}, allowed are 0 up to 2.")
    return middle * (1.0 - 0.5 * spread_ratio), middle * (1.0 + 0.5 * spread_ratio)


def band_shares(pitch_mm: ArrayLike, spread_ratio: float = 0.0) -> Array:
    """Share of the marks' energy in each band of wavelength.

    Parameters
    ----------
    pitch_mm : array_like, (n,)
        Mean pitch.
    spread_ratio : float
        (max - min) / mean of the working speed; the speed is taken as evenly spread in between, so the pitch is too.

    Returns
    -------
    ndarray, (n, 35)
        Each row sums to 1.

    Raises
    ------
    OutOfRangeError
        If part of the pitches lies outside the bands 2000 to 0.8 mm.
    """
    middle = np.atleast_1d(np.asarray(pitch_mm, dtype=np.float64))
    low, high = _spread_ends(middle, spread_ratio)
    if not (np.all(low >= EDGES_MM[-1]) and np.all(high < EDGES_MM[0])):
        raise OutOfRangeError(
            f"Marks from {low.min():g} to {high.max():g} mm leave the roughness bands "
            f"({EDGES_MM[-1]:.2f} to {EDGES_MM[0]:.0f} mm)."
        )
    return shares_between_edges(low, high, EDGES_MM[::-1])[:, ::-1]


def marks_shape(pitch_mm: ArrayLike, harmonics_db: ArrayLike, spread_ratio: float = 0.0) -> Array:
    """Energy of marks and harmonics per band, relative to the energy at the pitch itself.

    Parameters
    ----------
    pitch_mm : array_like, (n,)
    harmonics_db : array_like, (n_harmonics,)
        Levels at pitch / 2, pitch / 3 and so on, relative to the pitch; -inf for none.

    Returns
    -------
    ndarray, (n, 35)
    """
    pitches = np.atleast_1d(np.asarray(pitch_mm, dtype=np.float64))
    shape = band_shares(pitches, spread_ratio)
    for order, energy in enumerate(to_energy(np.atleast_1d(harmonics_db)), start=2):
        if energy > 0.0:
            shape = shape + energy * band_shares(pitches / order, spread_ratio)
    return shape


def tone_hz(speed_km_h: ArrayLike, pitch_mm: ArrayLike, order: ArrayLike = 1) -> Array:
    """Frequency of the tone, f = v / pitch, times the order of the harmonic. [Hz]

    >>> round(float(tone_hz(80.0, 27.8)))
    799
    """
    v, pitch, n = (np.asarray(x, dtype=np.float64) for x in (speed_km_h, pitch_mm, order))
    return n * v / 3.6 * 1000.0 / pitch


def tone_range_hz(speed_km_h: ArrayLike, pitch_mm: ArrayLike, spread_ratio: float) -> tuple[Array, Array]:
    """Lowest and highest frequency of the tone when train speed spreads by (max - min) / mean. [Hz]"""
    return _spread_ends(tone_hz(speed_km_h, pitch_mm), spread_ratio)


def tone_shares(speed_km_h: ArrayLike, pitch_mm: float, spread_ratio: float = 0.0) -> Array:
    """Share of the tone's energy in each third octave 50 Hz to 10 kHz, (n, 24); 0 where it lies outside."""
    low, high = tone_range_hz(np.atleast_1d(np.asarray(speed_km_h, dtype=np.float64)), pitch_mm, spread_ratio)
    return shares_between_edges(low, high, EDGES_HZ)


def tone_margin_db(marks_energy: ArrayLike, other_energy: ArrayLike) -> Array:
    """How far the marks exceed all other roughness (rail and wheel) in their band; inf without any other. [dB]"""
    marks, other = np.asarray(marks_energy, dtype=np.float64), np.asarray(other_energy, dtype=np.float64)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(marks > 0.0, marks / other, 0.0)
    return to_db(ratio)


def tone_is_likely(
    margin_db: ArrayLike, spread_ratio: ArrayLike, needed_margin_db: float, smear_ratio: float
) -> np.ndarray:
    """Will a tone be heard as such? Marks stand out, and train speed does not smear them over two third octaves."""
    return np.asarray(
        (np.asarray(margin_db) >= needed_margin_db) & (np.asarray(spread_ratio, dtype=np.float64) <= smear_ratio)
    )

"""Levels and energies: one place for every decibel sum.

Silence is ``-inf`` dB (energy 0); an unknown level is an error, never NaN.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, Array


def to_energy(level_db: ArrayLike) -> Array:
    """Energy ratio 10^(L/10); -inf dB gives 0.

    >>> float(to_energy(20.0))
    100.0
    """
    return np.power(10.0, np.asarray(level_db, dtype=np.float64) / 10.0)


def to_db(energy: ArrayLike) -> Array:
    """Level 10 lg(E); zero energy gives -inf dB without a warning.

    >>> float(to_db(0.0))
    -inf
    """
    with np.errstate(divide="ignore"):
        return 10.0 * np.log10(np.asarray(energy, dtype=np.float64))


def energy_sum_db(level_db: ArrayLike, axis: int | tuple[int, ...] | None = None) -> Array:
    """Energy sum 10 lg sum 10^(L/10) along ``axis``.

    >>> round(float(energy_sum_db([60.0, 60.0])), 2)
    63.01
    """
    return to_db(to_energy(level_db).sum(axis=axis))


def a_weighted_energy(octave_energy: Array) -> Array:
    """A-weighted sum of octave energies.

    Parameters
    ----------
    octave_energy : ndarray, (..., 8)
        Mean-square pressure ratios per octave, 63 Hz to 8 kHz.

    Returns
    -------
    ndarray, (...)
    """
    return octave_energy @ to_energy(A_WEIGHTING_OCTAVE_DB)

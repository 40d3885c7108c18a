"""Absorption of sound by air, ISO 9613-1."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import OCTAVES_EXACT_HZ, Array
from lineside.errors import OutOfRangeError

#: Ranges within which the formula is used here: name, unit, low, high.
RANGES = (
    ("air temperature", "degrees Celsius", -20.0, 50.0),
    ("relative humidity", "%", 10.0, 100.0),
    ("air pressure", "kPa", 60.0, 110.0),
)
REFERENCE_K, TRIPLE_POINT_K, REFERENCE_KPA = 293.15, 273.16, 101.325


def absorption_db_per_km(
    temperature_deg_c: float = 10.0,
    humidity_pct: float = 70.0,
    pressure_kpa: float = REFERENCE_KPA,
    frequency_hz: Array = OCTAVES_EXACT_HZ,
) -> Array:
    r"""Attenuation coefficient alpha of pure tones in air; eqs. (3) to (5) of [1]_.

    Parameters
    ----------
    temperature_deg_c, humidity_pct, pressure_kpa : float
        State of the air. The defaults are a row of Table 2 of [2]_.
    frequency_hz : ndarray, (n,)
        Exact mid-band frequencies; at the nominal 8 kHz the result would be 1.3 % larger. [Hz]

    Returns
    -------
    ndarray, (n,)
        [dB/km]

    Raises
    ------
    OutOfRangeError
        Outside -20 to 50 degrees Celsius, 10 to 100 % or 60 to 110 kPa.

    References
    ----------
    .. [1] ISO 9613-1:1993, Acoustics - Attenuation of sound during propagation outdoors - Part 1, clause 6, Annex B.
    .. [2] ISO 9613-2:1996, 7.2.

    Examples
    --------
    >>> absorption_db_per_km()[:4].round(1).tolist()
    [0.1, 0.4, 1.0, 1.9]
    """
    for (what, unit, low, high), value in zip(RANGES, (temperature_deg_c, humidity_pct, pressure_kpa), strict=True):
        if not low <= value <= high:
            raise OutOfRangeError(f"{what} {value:g} {unit}: absorption is computed from {low:g} to {high:g} {unit}")
    kelvin = temperature_deg_c + 273.15
    warm, dense = kelvin / REFERENCE_K, pressure_kpa / REFERENCE_KPA
    vapour = humidity_pct / dense * 10.0 ** (4.6151 - 6.8346 * (TRIPLE_POINT_K / kelvin) ** 1.261)  # h [%]
    f_oxygen = dense * (24.0 + 4.04e4 * vapour * (0.02 + vapour) / (0.391 + vapour))  # (3)
    f_nitrogen = dense / np.sqrt(warm) * (9.0 + 280.0 * vapour * np.exp(4.170 * (1.0 - warm ** (-1.0 / 3.0))))  # (4)
    square = np.square(frequency_hz)
    relaxation = 0.01275 * np.exp(-2239.1 / kelvin) / (f_oxygen + square / f_oxygen)
    relaxation += 0.1068 * np.exp(-3352.0 / kelvin) / (f_nitrogen + square / f_nitrogen)
    return np.asarray(8686.0 * square * (1.84e-11 * np.sqrt(warm) / dense + warm**-2.5 * relaxation))  # (5)

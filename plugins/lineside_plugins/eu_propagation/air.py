"""Absorption of sound by air."""

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


def air_absorption_db_per_km(
    temperature_deg_c: float = 15.0,
    humidity_pct: float = 70.0,
    pressure_kpa: float = 101.325,
    frequency_hz: Array = OCTAVES_EXACT_HZ,
) -> Array:
    r"""Attenuation coefficient of pure tones in air; eqs. (3) to (5) of [1]_.

    Parameters
    ----------
    temperature_deg_c, humidity_pct, pressure_kpa : float
        State of the air. The defaults are those of [2]_.
    frequency_hz : ndarray, (n,)
        Exact mid-band frequencies, as [2]_ asks; default the octaves 63 Hz to 8 kHz. [Hz]

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
    .. [1] ISO 9613-1:1993, Acoustics - Attenuation of sound during propagation outdoors - Part 1, clause 6.
    .. [2] Directive 2002/49/EC, Annex II, section 2.5.5.

    Examples
    --------
    >>> air_absorption_db_per_km()[4].round(2).item()
    4.08
    """
    for (what, unit, low, high), value in zip(RANGES, (temperature_deg_c, humidity_pct, pressure_kpa), strict=True):
        if not low <= value <= high:
            raise OutOfRangeError(f"{what} {value:g} {unit}: absorption is computed from {low:g} to {high:g} {unit}")
    f2 = np.square(frequency_hz)
    kelvin = temperature_deg_c + 273.15
    ratio = kelvin / 293.15
    pressure = pressure_kpa / 101.325
    saturation = 10.0 ** (-6.8346 * (273.16 / kelvin) ** 1.261 + 4.6151)
    h = humidity_pct * saturation / pressure
    f_oxygen = pressure * (24.0 + 4.04e4 * h * (0.02 + h) / (0.391 + h))
    f_nitrogen = pressure * ratio**-0.5 * (9.0 + 280.0 * h * np.exp(-4.170 * (ratio ** (-1 / 3) - 1.0)))
    oxygen = 0.01275 * np.exp(-2239.1 / kelvin) / (f_oxygen + f2 / f_oxygen)
    nitrogen = 0.1068 * np.exp(-3352.0 / kelvin) / (f_nitrogen + f2 / f_nitrogen)
    classical = 1.84e-11 / pressure * np.sqrt(ratio)
    return np.asarray(8686.0 * f2 * (classical + ratio**-2.5 * (oxygen + nitrogen)))

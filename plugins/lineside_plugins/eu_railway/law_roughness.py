"""Roughness at the contact of wheel and rail, from wavelength to frequency.

References
----------
.. [1] Directive 2002/49/EC, Annex II, section 2.3, as amended by (EU) 2021/1226, equations (2.3.7),
   (2.3.11), (2.3.12).
.. [2] European Commission, JRC: railway emission test workbook, 2014. Its cases fix the mapping of levels.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import N_THIRDS, THIRD_OCTAVES_HZ, Array
from lineside.acoustics.levels import to_energy
from lineside_plugins.eu_railway.law_tables import WavelengthSpectrum

#: Joints per metre for which the impact roughness is tabulated: one per 100 m, equation (2.3.12).
REFERENCE_JOINTS_PER_M = 0.01
#: Speeds between which no wavelength outside 0.8 to 2000 mm is needed for 50 Hz to 10 kHz. [km/h]
TABULATED_SPEED_KM_H = (28.8, 360.0)

#: Relative slack at limits of speed: 50 km/h turned into m/s and back must still be 50 km/h.
SPEED_SLACK = 1e-9

_FLOOR_KM_H = {"train": 50.0, "metro": 30.0, "tram": 30.0}


def minimum_speed_km_h(kind: str) -> float:
    """Lowest speed for roughness, and lowest speed with impact noise; [1].

    50 km/h, but 30 km/h for trams and light metro. The vehicle kind "metro" counts as light metro here.

    >>> minimum_speed_km_h("train"), minimum_speed_km_h("tram")
    (50.0, 30.0)
    """
    return _FLOOR_KM_H[kind]


def wavelengths_mm(speed_km_h: Array) -> Array:
    """Wavelength that excites each third octave, lambda = v / f with nominal f, (n, 24). [mm]"""
    return (speed_km_h / 3.6 * 1000.0)[:, np.newaxis] / THIRD_OCTAVES_HZ


def levels_over_frequency(spectrum: WavelengthSpectrum, speed_km_h: Array) -> Array:
    """Bring a spectrum over wavelength to third octaves of frequency.

    The level is interpolated linearly in the wavelength between the two neighbouring nominal values; beyond
    the ends of the spectrum its end value holds. This reproduces [2].

    Parameters
    ----------
    spectrum : WavelengthSpectrum
        Levels against wavelength. [dB]
    speed_km_h : ndarray, (n,)

    Returns
    -------
    ndarray, (n, 24)
        [dB]
    """
    return np.interp(wavelengths_mm(speed_km_h), spectrum.wavelength_mm, spectrum.level_db)


def energies_over_frequency(wavelength_mm: Array, energy: Array, speed_km_h: Array) -> Array:
    """Mapping by the words of the law: proportional mean of the energies of two wavelength bands, (n, 24)."""
    return np.interp(wavelengths_mm(speed_km_h), wavelength_mm, energy)


def effective_roughness_energy(
    rail: WavelengthSpectrum,
    wheel: WavelengthSpectrum,
    contact_filter: WavelengthSpectrum,
    speed_km_h: Array,
    mapping: str,
) -> Array:
    """Total effective roughness, 10^(L_R,TOT/10), equation (2.3.7) of [1].

    Parameters
    ----------
    rail, wheel : WavelengthSpectrum
        L_r,TR and L_r,VEH. [dB re 1 um]
    contact_filter : WavelengthSpectrum
        A_3. [dB]
    speed_km_h : ndarray, (n,)
    mapping : {"level", "energy_mean"}
        ``level``: each spectrum is mapped by its level, then (2.3.7) is evaluated per third octave of
        frequency. ``energy_mean``: (2.3.7) is evaluated per wavelength, then its energies are mapped.

    Returns
    -------
    ndarray, (n, 24)
        Energy re (1 um)^2.
    """
    if mapping == "level":
        rail_db, wheel_db, filter_db = (levels_over_frequency(s, speed_km_h) for s in (rail, wheel, contact_filter))
        return (to_energy(rail_db) + to_energy(wheel_db)) * to_energy(filter_db)
    axis = _joint_axis((rail, wheel, contact_filter))
    rail_db, wheel_db, filter_db = (np.interp(axis, s.wavelength_mm, s.level_db) for s in (rail, wheel, contact_filter))
    energy = (to_energy(rail_db) + to_energy(wheel_db)) * to_energy(filter_db)
    return energies_over_frequency(axis, energy, speed_km_h)


def impact_roughness_energy(impact: WavelengthSpectrum, speed_km_h: Array, mapping: str) -> Array:
    """Impact roughness of one joint per 100 m, 10^(L_R,IMPACT-SINGLE/10), for (2.3.11) of [1], (n, 24).

    No contact filter acts on it. For n_l joints per metre multiply by n_l / 0.01, equation (2.3.12).
    """
    if mapping == "level":
        return to_energy(levels_over_frequency(impact, speed_km_h))
    return energies_over_frequency(impact.wavelength_mm, to_energy(impact.level_db), speed_km_h)


def _joint_axis(spectra: Sequence[WavelengthSpectrum]) -> Array:
    return np.unique(np.concatenate([s.wavelength_mm for s in spectra]))


def outside_axis(spectrum: WavelengthSpectrum, speed_km_h: Array) -> bool:
    """Does any speed need a wavelength beyond the ends of the spectrum?"""
    if speed_km_h.size == 0:
        return False
    needed = wavelengths_mm(np.array([speed_km_h.min(), speed_km_h.max()]))
    low, high = needed[0, N_THIRDS - 1], needed[1, 0]
    # 1e-9: a speed at the very end of the range needs the end value itself
    return bool(low < spectrum.wavelength_mm[0] * (1 - 1e-9) or high > spectrum.wavelength_mm[-1] * (1 + 1e-9))

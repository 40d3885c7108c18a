"""Directivity of the railway sources and the source classes that follow from it.

References
----------
.. [1] Directive 2002/49/EC, Annex II, section 2.3, equations (2.3.15) to (2.3.17), as set by (EU) 2015/996.
.. [2] Delegated Directive (EU) 2021/1226, point (4)(d): (2.3.16) as amended.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from lineside.acoustics.bands import N_THIRDS, THIRD_OCTAVES_HZ, Array
from lineside.contracts import SourceClass

#: Heights of the two line sources above the plane of the rail heads, section 2.3. [m]
SOURCE_HEIGHT_M = {"a": 0.5, "b": 4.0}


def horizontal_energy(phi_deg: Array) -> Array:
    """Horizontal dipole 0.01 + 0.99 sin^2(phi), equation (2.3.15) of [1], as an energy factor.

    >>> round(float(10 * np.log10(horizontal_energy(np.array(30.0)))), 1)
    -5.9
    """
    return 0.01 + 0.99 * np.sin(np.radians(phi_deg)) ** 2


def vertical_a_db(psi_deg: Array, form: str) -> Array:
    """Vertical directivity of the sources at 0.5 m, equation (2.3.16).

    Parameters
    ----------
    psi_deg : ndarray, (...)
        Vertical angle from the source to the receiver, up positive. [deg]
    form : {"amended_2021", "original_2015", "none"}
        ``amended_2021`` [2]: the expression as it stands (negative above 41.4 degrees) for psi > 0 and
        0 dB for psi <= 0. ``original_2015`` [1]: its absolute value, for all psi.

    Returns
    -------
    ndarray, (..., 24)
        [dB]
    """
    psi = np.radians(np.asarray(psi_deg, dtype=np.float64))
    angle = 40.0 / 3.0 * (2.0 / 3.0 * np.sin(2.0 * psi) - np.sin(psi))
    if form == "original_2015":
        angle = np.abs(angle)
    elif form == "amended_2021":
        angle = np.where(psi > 0.0, angle, 0.0)
    else:
        angle = np.zeros_like(angle)
    return angle[..., np.newaxis] * np.log10((THIRD_OCTAVES_HZ + 600.0) / 200.0)


def vertical_b_aerodynamic_energy(psi_deg: Array) -> Array:
    """Vertical directivity cos^2(psi) for psi < 0 of aerodynamic noise at 4 m, equation (2.3.17) of [1]."""
    psi_deg = np.asarray(psi_deg, dtype=np.float64)
    return np.where(psi_deg < 0.0, np.cos(np.radians(psi_deg)) ** 2, 1.0)


@cache
def source_class(height: str, horizontal: bool, vertical: str) -> SourceClass:
    """Source at height "a" or "b" with the directivity asked for.

    ``vertical`` is a form of :func:`vertical_a_db`, or "aerodynamic" for (2.3.17) at height b. Calculators that
    ask for the same get equal classes, so that they share their paths.
    """
    words = [f"{SOURCE_HEIGHT_M[height]:g} m"]
    if horizontal:
        words.append("horizontal dipole")
    if vertical != "none":
        words.append(f"vertical {vertical}")
    if len(words) == 1:
        return SourceClass(words[0], SOURCE_HEIGHT_M[height])

    def gain(phi_deg: Array, psi_deg: Array) -> Array:
        phi_deg, psi_deg = np.broadcast_arrays(phi_deg, psi_deg)
        factor = horizontal_energy(phi_deg) if horizontal else np.ones(phi_deg.shape)
        if vertical == "aerodynamic":
            factor = factor * vertical_b_aerodynamic_energy(psi_deg)
        if vertical in ("aerodynamic", "none"):
            return np.repeat(factor[..., np.newaxis], N_THIRDS, axis=-1)
        return factor[..., np.newaxis] * np.power(10.0, vertical_a_db(psi_deg, vertical) / 10.0)

    return SourceClass(", ".join(words), SOURCE_HEIGHT_M[height], gain)

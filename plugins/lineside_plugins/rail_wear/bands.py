"""Third-octave bands of wavelength, longest first.

References
----------
.. [1] Directive 2002/49/EC, Annex II, Appendix G, Table G-1: nominal wavelengths 2000 to 0.8 mm (the law prints
   120, 12, 3.2 and 1.2 mm for 125, 12.5, 3.15 and 1.25 mm).
.. [2] IEC 61260-1:2014: base-10 mid-bands 10^(n/10) and band edges at 10^(-1/20) and 10^(1/20) times these.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lineside.acoustics.bands import Array
from lineside.errors import OutOfRangeError

_DECADE = (1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0)


def _fixed(values: ArrayLike) -> Array:
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


#: Exponents n of the base-10 mid-bands 10^(n/10), 33 (2000 mm) down to -1 (0.8 mm), (35,).
_EXPONENTS = np.arange(33, -2, -1)
#: Nominal wavelengths, (35,); [1]. [mm]
WAVELENGTHS_MM = _fixed([round(_DECADE[n % 10] * 10.0 ** (n // 10), 3) for n in _EXPONENTS])
N_WAVELENGTHS = WAVELENGTHS_MM.size
#: Edges of the bands, falling, (36,); band i lies between edges i and i + 1; [2]. [mm]
EDGES_MM = _fixed(10.0 ** ((np.append(_EXPONENTS, -2) + 0.5) / 10.0))
#: Edges of the third octaves 50 Hz to 10 kHz, rising, (25,); [2]. [Hz]
EDGES_HZ = _fixed(10.0 ** ((np.arange(17, 42) - 0.5) / 10.0))


def band_of(wavelength_mm: float) -> int:
    """Index of the band that contains a wavelength; a band owns its lower edge.

    Raises
    ------
    OutOfRangeError
        If the wavelength lies outside the bands 2000 to 0.8 mm.

    Examples
    --------
    >>> [float(WAVELENGTHS_MM[band_of(w)]) for w in (27.8, 13.9, 44.4)]
    [25.0, 12.5, 40.0]
    """
    if not EDGES_MM[-1] <= wavelength_mm < EDGES_MM[0]:
        raise OutOfRangeError(
            f"Wavelength {wavelength_mm:g} mm lies outside the roughness bands, "
            f"{EDGES_MM[-1]:.2f} to {EDGES_MM[0]:.0f} mm."
        )
    return int(EDGES_MM.size - 1 - np.searchsorted(EDGES_MM[::-1], wavelength_mm, side="right"))


def between(shortest_mm: float, longest_mm: float) -> np.ndarray:
    """Which bands have a nominal wavelength from shortest to longest, ends included, (35,) of bool."""
    return np.asarray((shortest_mm <= WAVELENGTHS_MM) & (longest_mm >= WAVELENGTHS_MM))


def shares_between_edges(low: Array, high: Array, edges: Array) -> Array:
    """Share of the interval low to high that falls between neighbouring edges.

    An interval of no width belongs wholly to the band that contains it (a band owns its lower edge).

    Parameters
    ----------
    low, high : ndarray, (n,)
        Ends of the intervals, low <= high.
    edges : ndarray, (n_bands + 1,)
        Rising.

    Returns
    -------
    ndarray, (n, n_bands)
        Sums to 1 where the interval lies inside the edges, to less where it leaves them.
    """
    low, high = low[:, np.newaxis], high[:, np.newaxis]
    width = high - low
    overlap = np.minimum(high, edges[1:]) - np.maximum(low, edges[:-1])
    inside = (low >= edges[:-1]) & (low < edges[1:])
    return np.where(width > 0.0, np.clip(overlap, 0.0, None) / np.where(width > 0.0, width, 1.0), inside)


def levels_on_bands(wavelength_mm: ArrayLike, level_db: ArrayLike) -> Array:
    """Levels of a spectrum at the 35 bands: linear in wavelength between its values, end values held.

    Parameters
    ----------
    wavelength_mm, level_db : array_like, (n,)
        Strictly rising or falling wavelengths [mm] and levels [dB re 1 um].

    Returns
    -------
    ndarray, (35,)
        [dB re 1 um]
    """
    axis, levels = np.asarray(wavelength_mm, dtype=np.float64), np.asarray(level_db, dtype=np.float64)
    order = np.argsort(axis)
    if axis.shape != levels.shape or axis.ndim != 1 or not np.all(np.diff(axis[order]) > 0.0):
        raise OutOfRangeError("A roughness spectrum needs as many levels as wavelengths, each wavelength once.")
    if not np.all(np.isfinite(levels)):
        raise OutOfRangeError("A roughness spectrum must have a finite level at every wavelength.")
    return np.interp(WAVELENGTHS_MM, axis[order], levels[order])

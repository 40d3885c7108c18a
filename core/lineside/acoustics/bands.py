"""Frequency bands and A-weighting.

References
----------
.. [1] IEC 61260-1:2014, nominal and exact (base-10) mid-band frequencies.
.. [2] IEC 61672-1:2013, Table 3, A-weighting at octave mid-band frequencies; the same
   values stand in Directive 2002/49/EC, Annex II, section 2.1 (A_i).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def _fixed(values: list[float]) -> Array:
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


#: Nominal third-octave mid-band frequencies of the railway source, (24,). [Hz]
THIRD_OCTAVES_HZ = _fixed(
    [
        *(50, 63, 80, 100, 125, 160, 200, 250, 315, 400, 500, 630),
        *(800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000, 10000),
    ]
)
#: Nominal octave mid-band frequencies, (8,). [Hz]
OCTAVES_HZ = _fixed([63, 125, 250, 500, 1000, 2000, 4000, 8000])
#: Exact (base-10) octave mid-band frequencies, (8,); [1]. [Hz]
OCTAVES_EXACT_HZ = _fixed([1000.0 * 10.0 ** (0.3 * n) for n in range(-4, 4)])
#: A-weighting of the octaves 63 Hz to 8 kHz, (8,); [2]. [dB]
A_WEIGHTING_OCTAVE_DB = _fixed([-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1])

#: Edges of the third octaves, rising, (25,): base 10, [1]. [Hz]
THIRD_OCTAVE_EDGES_HZ = _fixed([10.0 ** ((n - 0.5) / 10.0) for n in range(17, 42)])

N_THIRDS = THIRD_OCTAVES_HZ.size
N_OCTAVES = OCTAVES_HZ.size


def third_octave_of(frequency_hz: Array) -> NDArray[np.int64]:
    """Index of the third octave that holds each frequency; -1 below the lowest and above the highest.

    >>> third_octave_of(np.array([44.0, 50.0, 444.0, 1778.0, 12000.0])).tolist()
    [-1, 0, 9, 15, -1]
    """
    frequency_hz = np.asarray(frequency_hz, dtype=np.float64)
    index = np.searchsorted(THIRD_OCTAVE_EDGES_HZ, frequency_hz, side="right") - 1
    return np.where((frequency_hz >= THIRD_OCTAVE_EDGES_HZ[0]) & (index < N_THIRDS), index, -1)


def thirds_to_octaves(energy: Array) -> Array:
    """Sum the energies of three third octaves to each octave.

    Parameters
    ----------
    energy : ndarray, (..., 24)
        Any energy-like quantity per third octave.

    Returns
    -------
    ndarray, (..., 8)
    """
    return energy.reshape(*energy.shape[:-1], N_OCTAVES, 3).sum(axis=-1)

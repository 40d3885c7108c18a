"""Indicators of environmental noise.

References
----------
.. [1] Directive 2002/49/EC, Annex I, section 1: L_den with 5 dB for the evening and 10 dB for the night.
"""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array

#: Added to the level of day, evening and night before they are averaged; [1]. [dB]
LDEN_PENALTY_DB = (0.0, 5.0, 10.0)


def lden_energy(period_energy: Array, hours: Array) -> Array:
    """Mean-square pressure behind L_den; [1] with the lengths of the periods as given.

    Parameters
    ----------
    period_energy : ndarray, (..., 3)
        Mean-square pressure in day, evening and night.
    hours : ndarray, (3,)
        Lengths of the periods. [h]

    Returns
    -------
    ndarray, (...)

    Examples
    --------
    >>> from lineside.acoustics.levels import to_db, to_energy
    >>> round(float(to_db(lden_energy(to_energy([60.0, 58.0, 52.0]), np.array([12.0, 4.0, 8.0])))), 2)
    61.34
    """
    weight = hours * 10.0 ** (np.array(LDEN_PENALTY_DB) / 10.0) / hours.sum()
    return np.asarray(period_energy @ weight)

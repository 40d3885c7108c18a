"""Who is exposed to what: dwellings and persons assigned to receivers on facades, by the EU common method.

References
----------
.. [1] Directive 2002/49/EC, Annex II as replaced by Directive (EU) 2015/996 and amended by Delegated Directive (EU)
   2021/1226, section 2.8: assignment of dwellings and persons to receiver points; (2.8.2) to (2.8.10).
.. [2] Directive 2002/49/EC, Annex VI: bands of L_den and L_night that are reported, 1.5 quiet facade.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.buildings import BuildingFile
from lineside.scene.buildings import StandingBuilding

#: Lower ends of the bands that are reported, each up to the next one; [2]. [dB]
BANDS_DB = {"lden": (55.0, 60.0, 65.0, 70.0, 75.0), "lnight": (50.0, 55.0, 60.0, 65.0, 70.0)}
#: A facade is quiet if L_den in front of it is more than this below the loudest facade; [2]. [dB]
QUIET_BELOW_DB = 20.0
#: Share of the built floor space that is dwelling floor space; [1], (2.8.9).
NET_SHARE = 0.8
#: Levels that differ by less than this are the same level. [dB]
_RESOLUTION_DB = 1e-6


def louder_half(level_db: Array) -> Array:
    """Share of a building's dwellings and persons that counts at each of its receivers, where it is not known which
    facades a dwelling has.

    The receivers are sorted by level and split at the median; of an odd number the quietest is dropped. All dwellings
    and persons are spread evenly over the louder half; [1].

    Returns
    -------
    ndarray, (n_receivers,)
        Sums to 1.

    Examples
    --------
    >>> louder_half(np.array([60.0, 50.0, 55.0, 65.0])).tolist()
    [0.5, 0.0, 0.0, 0.5]
    >>> louder_half(np.array([60.0, 50.0, 55.0])).tolist()
    [1.0, 0.0, 0.0]
    """
    n = max(1, len(level_db) // 2)
    share = np.zeros(len(level_db))
    share[np.argsort(-np.round(level_db, 6), kind="stable")[:n]] = 1.0 / n
    return share


def by_length(length_m: Array) -> Array:
    """The same where each dwelling has a single facade: in proportion to the length of facade; [1]. (n_receivers,)"""
    return np.asarray(length_m / length_m.sum())


def band_of(level_db: Array, quantity: str) -> np.ndarray:
    """Number of the band of each level: 0 below all bands that are reported, 1 the lowest of them."""
    return np.searchsorted(np.array(BANDS_DB[quantity]) - _RESOLUTION_DB, level_db, side="right")


def is_quiet(front_lden_db: Array, loudest_lden_db: float) -> bool:
    """Whether a building has a quiet facade, from L_den 2 m in front of its facades and at its loudest one; [2]."""
    return bool(np.any(front_lden_db < loudest_lden_db - QUIET_BELOW_DB))


def floor_space_m2(area_m2: float, floors: float) -> float:
    """Dwelling floor space of a residential building, DFS = BA x 0.8 x NF; [1], (2.8.9).

    >>> floor_space_m2(100.0, 3)
    240.0
    """
    return area_m2 * NET_SHARE * floors


def volume_shares(volumes_m3: Array) -> Array:
    """Share of each building in what is known for all together, V_building / V_total; [1], (2.8.2), (2.8.5)."""
    return np.asarray(volumes_m3 / volumes_m3.sum())


def occupancy(standing: Sequence[StandingBuilding], layers: Sequence[BuildingFile]) -> tuple[Array, Array]:
    """Dwellings and persons of each building, (n_buildings,) each.

    As given; or, for residential buildings of a layer, from its totals by volume, BA x H; or persons from floor space,
    Inh = DFS / FSI; [1], (2.8.2), (2.8.3), (2.8.7).
    """
    dwellings = np.array([b.data.dwellings for b in standing])
    persons = np.array([b.data.persons for b in standing])
    for entry in layers:
        rows = [k for k, b in enumerate(standing) if b.data.layer == entry.id and b.data.use == "dwelling"]
        if not rows:
            continue
        volume = np.array([standing[k].data.area_m2 * standing[k].height_m for k in rows])
        for total, values in ((entry.dwellings_total, dwellings), (entry.persons_total, persons)):
            if total is not None:
                values[rows] = total * volume_shares(volume)
        if entry.floor_space_per_person_m2 is not None:
            space = [floor_space_m2(standing[k].data.area_m2, standing[k].floors) for k in rows]
            persons[rows] = np.array(space) / entry.floor_space_per_person_m2
    return dwellings, persons

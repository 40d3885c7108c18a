"""Levels: the product of transfer and emission, and averages over stretches of the day."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lineside.acoustics.bands import Array, thirds_to_octaves
from lineside.acoustics.levels import a_weighted_energy
from lineside.engine.emission import Emission
from lineside.scene.model import Scene


@dataclass(frozen=True, eq=False)
class PassExposure:
    """Sound exposure at receivers from one pass of each service.

    ``energy`` (n_receivers, n_mechanisms, n_services, n_stretches, n_periods, 8)
        Sound exposure per octave, re (20 uPa)^2 s, not A-weighted. Periods differ only by the shares of the
        propagation states.
    """

    energy: Array


def pass_exposure(scene: Scene, emission: Emission, by_section: Array) -> PassExposure:
    """Exposure of one pass, from :meth:`Transfer.long_term_by_section` and the emission.

    Parameters
    ----------
    by_section : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)

    Returns
    -------
    PassExposure
    """
    from lineside.engine.kernels import exposure

    n_periods, n_mechanisms, n_services = emission.pass_energy.shape[:3]
    energy = np.zeros((len(by_section), n_mechanisms, n_services, len(scene.stretches), n_periods, 8))
    for r, transfer in enumerate(by_section):
        exposure(emission.pass_energy, transfer, scene.sections.stretch, energy[r])
    return PassExposure(energy)


def mean_energy(scene: Scene, exposure: Array, hours: NDArray[np.int64]) -> Array:
    """Mean-square pressure over clock hours, traffic included.

    Parameters
    ----------
    exposure : ndarray, (n_receivers, n_mechanisms, n_services, n_stretches, n_periods, 8)
        From :class:`PassExposure`.
    hours : ndarray of int
        Clock hours 0 to 23, each at most once.

    Returns
    -------
    ndarray, (n_receivers, n_mechanisms, n_services, n_stretches, 8)
        Re (20 uPa)^2.
    """
    passes = np.zeros((len(scene.services), len(scene.period_names)))
    for hour in hours:
        passes[:, scene.period_of_hour[hour]] += [s.trains_per_hour[hour] for s in scene.services]
    return np.einsum("rmsknb,sn->rmskb", exposure, passes / (3600.0 * len(hours)))


def period_hours(scene: Scene, period: int) -> NDArray[np.int64]:
    """Clock hours of a period, (n_hours,)."""
    return np.flatnonzero(scene.period_of_hour == period)


def heard(by_section: Array, power: Array) -> Array:
    """A-weighted mean square from sound power per metre, (n_receivers, n_periods).

    Parameters
    ----------
    by_section : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer.
    power : ndarray, (n_periods, n_sections, n_classes, 24)
        Re 1 pW/m.
    """
    thirds = np.einsum("rcknt,nckt->rnt", by_section, power, optimize=True)
    return a_weighted_energy(thirds_to_octaves(thirds))

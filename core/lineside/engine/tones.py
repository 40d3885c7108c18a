"""Third-octave spectra at receivers, how far each band stands above its neighbours, and where marks on rails sound.

The transfer is known per octave only and holds for each of its three third octaves, so that a step between two
octaves may make a band stand out, or less, by as much as the transfer differs there. Roughness is known in third
octaves of wavelength, whose energy a method may share between two third octaves of frequency.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lineside.acoustics.bands import N_THIRDS, THIRD_OCTAVE_EDGES_HZ, THIRD_OCTAVES_HZ, Array, third_octave_of
from lineside.acoustics.levels import to_db
from lineside.contracts import RailTone, ToneRule, Window
from lineside.engine.emission import Emission
from lineside.engine.levels import period_hours
from lineside.scene.model import BoolArray, IntArray, Scene

#: Levels that differ by less than this are the same level, so that sums' last bits never decide about a tone. [dB]
RESOLUTION_DB = 1e-6
#: A band between silent neighbours stands out by this much: more than any threshold, and a number. [dB]
OVER_SILENCE_DB = 200.0
#: Half a third octave (base 10), as a ratio.
HALF_BAND = 10.0**0.05


@dataclass(frozen=True, eq=False)
class ThirdOctaves:
    """Third-octave energies at receivers, not A-weighted.

    ``passes`` (n_receivers, n_services, n_periods, 24): exposure of one pass, re (20 uPa)^2 s; ``period``
    (n_receivers, n_periods, 24) and ``windows`` (n_receivers, n_windows, 24): mean square of all traffic, re
    (20 uPa)^2.
    """

    passes: Array
    period: Array
    windows: Array


def third_octaves(scene: Scene, emission: Emission, transfer: Array, windows: Sequence[Window] = ()) -> ThirdOctaves:
    """Spectra of single passes, of the periods and of stretches of the day.

    Parameters
    ----------
    transfer : ndarray, (n_receivers, n_sections, n_classes, n_periods, 24)
        Long-term transfer of the classes of ``emission``.
    """
    passes = _passes(scene, emission, transfer)
    hours = [period_hours(scene, n) for n in range(len(scene.period_names))]
    return ThirdOctaves(
        passes=passes,
        period=_means(scene, passes, hours),
        windows=_means(scene, passes, [w.hours() for w in windows]),
    )


def _pass_energy(emission: Emission, period: int) -> Array:
    """Energy of one pass in a period, all mechanisms, (n_services, n_sections, n_classes, 24)."""
    return np.asarray(emission.pass_energy[period].sum(axis=0))


def _passes(scene: Scene, emission: Emission, transfer: Array) -> Array:
    """Exposure of one pass, (n_receivers, n_services, n_periods, 24)."""
    n_receivers, n_periods = len(transfer), len(scene.period_names)
    out = np.zeros((n_receivers, len(scene.services), n_periods, N_THIRDS))
    for n in range(n_periods):
        # one matrix product per band: (bands, services, sections x classes)
        energy = _pass_energy(emission, n)
        source = np.ascontiguousarray(np.moveaxis(energy, -1, 0)).reshape(N_THIRDS, len(energy), -1)
        for r in range(n_receivers):
            path = np.moveaxis(transfer[r, :, :, n], -1, 0).reshape(N_THIRDS, -1, 1)
            out[r, :, n] = (source @ path)[:, :, 0].T
    return out


def _means(scene: Scene, passes: Array, stretches: Sequence[NDArray[np.int64]]) -> Array:
    """Mean square over stretches of clock hours, (n_receivers, n_stretches, 24)."""
    counts = np.zeros((len(stretches), *passes.shape[1:3]))
    for k, hours in enumerate(stretches):
        for hour in hours:
            at = scene.period_of_hour[hour]
            counts[k, :, at] += [s.trains_per_hour[hour] / (3600.0 * len(hours)) for s in scene.services]
    return np.einsum("rsnt,ksn->rkt", passes, counts, optimize=True)


def day_passes(scene: Scene, thirds: ThirdOctaves) -> Array:
    """Exposure of the average pass of the day, (n_receivers, n_services, 24); 0 where no train runs."""
    return np.einsum("rsnt,sn->rst", thirds.passes, _period_shares(scene))


def _period_shares(scene: Scene) -> Array:
    """Share of each service's trains that run in each period, (n_services, n_periods); rows sum to 1, or to 0."""
    n_periods = len(scene.period_names)
    trains = np.array(
        [np.bincount(scene.period_of_hour, weights=s.trains_per_hour, minlength=n_periods) for s in scene.services]
    ).reshape(len(scene.services), n_periods)
    total = trains.sum(axis=1, keepdims=True)
    return np.divide(trains, total, out=np.zeros_like(trains), where=total > 0)


def over_neighbours_db(energy: Array) -> Array:
    """By how much each third octave exceeds the louder of its two neighbours.

    Parameters
    ----------
    energy : ndarray, (..., 24)

    Returns
    -------
    ndarray, (..., 24)
        [dB]; -inf in the first and last band, which lack a neighbour, and in silent bands.
    """
    level = to_db(energy)
    out = np.full(level.shape, -np.inf)
    louder = np.maximum(level[..., :-2], level[..., 2:])
    heard = np.isfinite(level[..., 1:-1])
    with np.errstate(invalid="ignore"):
        out[..., 1:-1] = np.where(heard, np.minimum(level[..., 1:-1] - louder, OVER_SILENCE_DB), -np.inf)
    return out


def tones_found(energy: Array, rule: ToneRule) -> BoolArray:
    """Third octaves in which a rule finds a tone: they exceed both neighbours by its threshold, or more.

    Parameters
    ----------
    energy : ndarray, (..., 24)

    Returns
    -------
    ndarray of bool, (..., 24)
    """
    needed = np.full(N_THIRDS, np.inf)
    for low_hz, high_hz, threshold_db in rule.thresholds:
        needed[(low_hz <= THIRD_OCTAVES_HZ) & (high_hz >= THIRD_OCTAVES_HZ)] = threshold_db
    return np.asarray(over_neighbours_db(energy) >= needed - RESOLUTION_DB)


@dataclass(frozen=True, eq=False)
class HeardTone:
    """Frequency of a tone as it arrives at receivers, each piece of track with its share of the sound.

    ``mean_hz`` (n_receivers,), 0 where nothing arrives; ``spread_ratio`` (n_receivers,): (max - min) / mean of evenly
    spread frequencies of the same variance.
    """

    mean_hz: Array
    spread_ratio: Array

    def range_hz(self) -> tuple[Array, Array]:
        """Lowest and highest frequency, (n_receivers,) each. [Hz]"""
        half = 0.5 * self.spread_ratio
        return self.mean_hz * np.maximum(1.0 - half, 0.0), self.mean_hz * (1.0 + half)


def heard_tone(
    scene: Scene, emission: Emission, transfer: Array, service: int, sections: IntArray, tone: RailTone
) -> HeardTone | None:
    """How a tone of some sections reaches the receivers when a train of a service runs over them.

    Sections count by the energy that arrives from them in the third octave of the tone there; the vehicles of the
    train, which brake and gain speed at different places, count alike. Doppler shift is left out.

    Returns
    -------
    HeardTone or None
        None where no train runs or the tone lies outside the third octaves.
    """
    rows = np.flatnonzero((scene.traffic.service == service) & ~scene.traffic.standing)
    speed = scene.traffic.speed_km_h[np.ix_(rows, sections)]
    runs = (speed > 0).sum(axis=0)
    first = tone.frequency_hz(speed).sum(axis=0) / np.maximum(runs, 1)
    second = (tone.frequency_hz(speed) ** 2).sum(axis=0) / np.maximum(runs, 1)
    band = third_octave_of(first)
    used = (runs > 0) & (band >= 0)
    shares = _period_shares(scene)[service]
    if not used.any() or not shares.any():
        return None
    here, band, first, second = sections[used], band[used], first[used], second[used]
    arriving = np.zeros((len(transfer), len(here)))
    for n, share in enumerate(shares):
        source = _pass_energy(emission, n)[service, here, :, band]  # sections, classes
        arriving += share * np.einsum("krc,kc->rk", transfer[:, here, :, n, band], source)
    total = arriving.sum(axis=1)
    safe = np.where(total > 0, total, 1.0)
    mean, square = arriving @ first / safe, arriving @ second / safe
    variance = np.maximum(square - mean**2, 0.0)
    spread = np.divide(np.sqrt(12.0 * variance), mean, out=np.zeros_like(mean), where=mean > 0)
    return HeardTone(mean, np.where(spread > 1e-6, spread, 0.0))


def bands_of(low_hz: float, high_hz: float) -> IntArray:
    """Third octaves in which a tone with frequencies from low to high may come out, (n,).

    Roughness is held in third octaves of wavelength, so that a tone comes out within half a third octave of its
    frequency, which may be the third octave beside its own.

    >>> THIRD_OCTAVES_HZ[bands_of(444.0, 444.0)].tolist()
    [400.0, 500.0]
    """
    inside = THIRD_OCTAVE_EDGES_HZ[0], np.nextafter(THIRD_OCTAVE_EDGES_HZ[-1], 0.0)
    low, high = (int(k) for k in third_octave_of(np.clip([low_hz / HALF_BAND, high_hz * HALF_BAND], *inside)))
    return np.arange(low, high + 1)

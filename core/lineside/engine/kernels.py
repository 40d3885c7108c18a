"""Sums over paths, compiled. Each receiver is summed in one fixed order, whoever calls; no physics stands here."""

from __future__ import annotations

import numpy as np
from numba import njit

from lineside.acoustics.bands import Array
from lineside.scene.model import IntArray


def _can_cache() -> bool:
    """Whether numba finds a folder for compiled code; an installation may be read-only, and so may a home."""
    try:
        njit(cache=True)(lambda x: x)
    except RuntimeError:
        return False
    return True


_jit = njit(cache=_can_cache(), error_model="numpy", nogil=True)


@_jit
def by_section(energy: Array, weight: Array, section: IntArray, out: Array) -> None:
    """Add up energies per section.

    ``energy`` (n_receivers, n_points, n_classes, n_states, 24), ``weight`` (n_receivers, n_points, n_periods,
    n_states), ``out`` (n_receivers, n_sections, n_classes, n_periods, 24), zero at first.
    """
    n_receivers, n_points, n_classes, n_states, n_bands = energy.shape
    for r in range(n_receivers):
        for p in range(n_points):
            for k in range(n_classes):
                for s in range(n_states):
                    for n in range(weight.shape[2]):
                        w = weight[r, p, n, s]
                        if w != 0.0:
                            for t in range(n_bands):
                                out[r, section[p], k, n, t] += w * energy[r, p, k, s, t]


#: Powers that are summed at once: so many sums fit into the registers of a processor.
AT_ONCE = 8


@_jit
def sum_states(
    transfer: Array, sections: IntArray, classes: IntArray, period: IntArray, power: Array, out: Array
) -> None:
    """Add what is heard of some sections with each of several powers.

    ``transfer`` (n_receivers, all sections, all classes, n_periods, 24); ``sections``, ``classes``: those that sound;
    ``period`` (n_columns,): period of each column; ``power`` (n_sections, n_classes, n_columns, 24, n_states), ``out``
    (n_receivers, n_columns, n_states). ``n_states`` is a multiple of ``AT_ONCE``.
    """
    n_columns, n_bands, n_states = power.shape[2:]
    for r in range(transfer.shape[0]):
        for i in range(sections.size):
            for j in range(classes.size):
                for c in range(n_columns):
                    way = transfer[r, sections[i], classes[j], period[c]]
                    loud, sums = power[i, j, c], out[r, c]
                    for s in range(0, n_states, AT_ONCE):
                        a0 = a1 = a2 = a3 = a4 = a5 = a6 = a7 = 0.0
                        for t in range(n_bands):
                            w = way[t]
                            a0 += w * loud[t, s]
                            a1 += w * loud[t, s + 1]
                            a2 += w * loud[t, s + 2]
                            a3 += w * loud[t, s + 3]
                            a4 += w * loud[t, s + 4]
                            a5 += w * loud[t, s + 5]
                            a6 += w * loud[t, s + 6]
                            a7 += w * loud[t, s + 7]
                        sums[s] += a0
                        sums[s + 1] += a1
                        sums[s + 2] += a2
                        sums[s + 3] += a3
                        sums[s + 4] += a4
                        sums[s + 5] += a5
                        sums[s + 6] += a6
                        sums[s + 7] += a7


@_jit
def add_paths(
    first: IntArray,
    transfer: Array,
    height: IntArray,
    gain: Array,
    gain_of: IntArray,
    weight: Array,
    section: IntArray,
    source: Array,
    out: Array,
) -> None:
    """Add what receivers hear by paths, A-weighted and per period.

    Parameters
    ----------
    first : ndarray, (n_receivers + 1,)
        Paths of receiver ``r`` are ``first[r]`` to ``first[r + 1] - 1``.
    transfer : ndarray, (n_paths, n_heights, n_states, 8)
    height, gain_of : ndarray, (n_classes,)
        Height of each source class; its row of ``gain``, -1: no directivity.
    gain : ndarray, (n_gains, n_paths, 24)
    weight : ndarray, (n_paths, n_periods, n_states)
        Share of time times length of the piece.
    section : ndarray, (n_paths,)
    source : ndarray, (n_sections, n_classes, n_periods, 24)
        A-weighted sound power per metre.
    out : ndarray, (n_receivers, n_periods)
    """
    n_states, n_octaves = transfer.shape[2:]
    n_periods = weight.shape[1]
    mixed = np.empty((n_periods, n_octaves))
    for r in range(first.size - 1):
        for p in range(first[r], first[r + 1]):
            known = -1
            for k in range(height.size):
                if height[k] != known:
                    known = height[k]
                    for n in range(n_periods):
                        for b in range(n_octaves):
                            total = 0.0
                            for s in range(n_states):
                                total += weight[p, n, s] * transfer[p, known, s, b]
                            mixed[n, b] = total
                for n in range(n_periods):
                    total = 0.0
                    for b in range(n_octaves):
                        emitted = 0.0
                        for t in range(3 * b, 3 * b + 3):
                            directed = gain[gain_of[k], p, t] if gain_of[k] >= 0 else 1.0
                            emitted += source[section[p], k, n, t] * directed
                        total += emitted * mixed[n, b]
                    out[r, n] += total


@_jit
def heard_power(
    power: Array, rows: IntArray, section: IntArray, energy: Array, points: IntArray, band: Array, out: Array
) -> None:
    """Weighted sum over classes and bands of what rows of traffic at points make heard.

    ``power`` (n_rows, n_sections, n_classes, 24); ``section`` of each point; ``energy`` (n_receivers, n_points,
    n_classes, n_states, 24); ``band`` (24,) weights; ``out`` (n_receivers, n_states, rows.size, points.size).
    """
    n_receivers, _, n_classes, n_states, n_bands = energy.shape
    for r in range(n_receivers):
        for i in range(points.size):
            p = points[i]
            for v in range(rows.size):
                for s in range(n_states):
                    total = 0.0
                    for k in range(n_classes):
                        for t in range(n_bands):
                            total += power[rows[v], section[p], k, t] * energy[r, p, k, s, t] * band[t]
                    out[r, s, v, i] = total


@_jit
def exposure(pass_energy: Array, transfer: Array, stretch: IntArray, out: Array) -> None:
    """Exposure of passes by stretch and octave at one receiver.

    ``pass_energy`` (n_periods, n_mechanisms, n_services, n_sections, n_classes, 24); ``transfer`` (n_sections,
    n_classes, n_periods, 24); ``stretch`` (n_sections,); ``out`` (n_mechanisms, n_services, n_stretches, n_periods, 8),
    zero at first.
    """
    n_periods, n_mechanisms, n_services, n_sections, n_classes, n_bands = pass_energy.shape
    for n in range(n_periods):
        for m in range(n_mechanisms):
            for s in range(n_services):
                for c in range(n_sections):
                    for k in range(n_classes):
                        for t in range(n_bands):
                            out[m, s, stretch[c], n, t // 3] += pass_energy[n, m, s, c, k, t] * transfer[c, k, n, t]


@_jit
def largest(energy: Array, keep: float, out: Array) -> None:
    """Largest value of an exponential average; ``energy`` (n, n_times), ``out`` (n,)."""
    for k in range(energy.shape[0]):
        state, most = 0.0, 0.0
        for t in range(energy.shape[1]):
            state = keep * state + (1.0 - keep) * energy[k, t]
            most = max(most, state)
        out[k] = most

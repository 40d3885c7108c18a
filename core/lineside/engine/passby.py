"""One train passing: the level against time at a receiver, from the moving train itself."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, Array
from lineside.acoustics.levels import to_energy
from lineside.engine.emission import Emission
from lineside.engine.transfer import Transfer
from lineside.scene.model import IntArray, Scene
from lineside.scene.traffic import LONG_STAY_S, Run, standing_share

#: Time constant of the exponential time weighting F; IEC 61672-1:2013, section 3.8. [s]
FAST_S = 0.125
#: Step of the time history, small against ``FAST_S``. [s]
STEP_S = 0.05

#: A-weighting per third octave as the methods use it: the value of the octave that holds it, (24,).
_A_ENERGY = np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)


@dataclass(frozen=True, eq=False)
class PassHistory:
    """A-weighted mean-square pressure while one train of a service passes.

    ``time_s`` (n_times,), ``energy`` (n_receivers, n_states, n_times) re (20 uPa)^2.
    """

    time_s: Array
    energy: Array

    def lae_energy(self) -> Array:
        """Sound exposure, (n_receivers, n_states), re (20 uPa)^2 s."""
        return np.asarray(np.trapezoid(self.energy, self.time_s, axis=-1))

    def lafmax_energy(self) -> Array:
        """Largest mean square with time weighting F, (n_receivers, n_states), re (20 uPa)^2."""
        from lineside.engine.kernels import largest

        times = np.ascontiguousarray(self.energy).reshape(-1, self.energy.shape[-1])
        out = np.empty(len(times))
        largest(times, float(np.exp(-STEP_S / FAST_S)), out)
        return out.reshape(self.energy.shape[:-1])


def pass_history(scene: Scene, run: Run, index: int, emission: Emission, transfer: Transfer) -> PassHistory:
    """Level against time at a group of receivers while a train of service ``index`` runs along its track.

    Each vehicle's sound power, as it is in the section where it runs, is spread evenly over its length. At
    stops the train stands for its dwell time with the power of standing vehicles.

    Returns
    -------
    PassHistory
    """
    track = np.flatnonzero(scene.sections.track[transfer.points.section] == run.service.track)
    chainage, order = _piece_ends(scene, transfer, track)
    mine = track[order]
    moving = _rows(scene, index, standing=False)
    per_metre = _heard_power(scene, emission, transfer, moving, mine)
    length = transfer.points.length_m[mine]
    running = np.concatenate([np.zeros((*per_metre.shape[:-1], 1)), np.cumsum(per_metre * length, axis=-1)], axis=-1)
    start = run.profile.time_at(np.array([_first_place(run, chainage)]))[0]
    end = run.profile.time_at(np.array([_last_place(run, chainage)]))[0]
    clock = np.arange(start, end + STEP_S, STEP_S)
    place = np.interp(clock, run.profile.time_s, run.profile.place_m)
    energy = np.zeros((per_metre.shape[0], per_metre.shape[1], len(clock)))
    for v in range(len(moving)):
        position = run.service.direction * (place + float(run.service.vehicle_offset_m[v]))
        half = 0.5 * float(run.service.vehicle_length_m[v])
        energy += _difference(running[:, :, v], chainage, position - half, position + half) / (2.0 * half)
    return _with_standstill(scene, run, index, emission, transfer, mine, PassHistory(clock - clock[0], energy), clock)


def _piece_ends(scene: Scene, transfer: Transfer, track: IntArray) -> tuple[Array, IntArray]:
    """Chainages of the ends of the pieces of one track in order, (n + 1,), and that order, (n,)."""
    section = transfer.points.section[track]
    length = transfer.points.length_m[track]
    before = np.cumsum(length) - length
    first = np.concatenate([[True], np.diff(section) != 0])
    into = before - np.maximum.accumulate(np.where(first, before, -np.inf))
    begin = scene.sections.from_m[section] + into
    order = np.argsort(begin, kind="stable")
    return np.concatenate([begin[order], [begin[order][-1] + length[order][-1]]]), order


def _rows(scene: Scene, service: int, standing: bool) -> IntArray:
    traffic = scene.traffic
    rows = np.flatnonzero((traffic.service == service) & (traffic.standing == standing))
    return np.asarray(rows[np.argsort(traffic.unit_position[rows], kind="stable")])


def _heard_power(scene: Scene, emission: Emission, transfer: Transfer, rows: IntArray, points: IntArray) -> Array:
    """A-weighted mean square at receivers from vehicles at points, (n_receivers, n_states, n_rows, n_points)."""
    from lineside.engine.kernels import heard_power

    out = np.empty((len(transfer.energy), len(transfer.states), rows.size, points.size))
    heard_power(emission.power, rows, transfer.points.section, transfer.energy, points, _A_ENERGY, out)
    return out


def _difference(running: Array, chainage: Array, low: Array, high: Array) -> Array:
    """Sum of what lies between two chainages, from running sums at ``chainage``; (n_receivers, n_states, n)."""
    out = np.empty((*running.shape[:2], len(low)))
    for r in range(running.shape[0]):
        for s in range(running.shape[1]):
            out[r, s] = np.interp(high, chainage, running[r, s]) - np.interp(low, chainage, running[r, s])
    return out


def _first_place(run: Run, chainage: Array) -> float:
    ends = np.array([chainage[0], chainage[-1]]) * run.profile.direction
    return float(ends.min() - 0.5 * run.service.train_length_m)


def _last_place(run: Run, chainage: Array) -> float:
    ends = np.array([chainage[0], chainage[-1]]) * run.profile.direction
    return float(ends.max() + 0.5 * run.service.train_length_m)


def _with_standstill(
    scene: Scene,
    run: Run,
    index: int,
    emission: Emission,
    transfer: Transfer,
    points: IntArray,
    history: PassHistory,
    clock: Array,
) -> PassHistory:
    """The history with the dwell times put in; a layover is no part of a pass and is left out."""
    rows = _rows(scene, index, standing=True)
    if not rows.size or run.dwell_s > LONG_STAY_S:
        return history
    per_vehicle = _heard_power(scene, emission, transfer, rows, points)
    section = transfer.points.section[points]
    length = transfer.points.length_m[points]
    low, high = scene.sections.from_m[section], scene.sections.to_m[section]
    n_steps = max(1, round(run.dwell_s / STEP_S))
    energy: Array = history.energy
    for stop in sorted(run.stops_m, key=lambda m: -m * run.profile.direction):
        share = np.stack([standing_share(run, v, float(stop), low, high) for v in range(len(rows))])
        mean = np.einsum("rsvp,vp->rs", per_vehicle, share * length)
        at = int(np.searchsorted(clock, run.profile.time_at(np.array([stop * run.profile.direction]))[0]))
        standing = np.repeat(mean[:, :, None], n_steps, axis=2)
        energy = np.concatenate([energy[:, :, :at], standing, energy[:, :, at:]], axis=2)
    return PassHistory(np.arange(energy.shape[-1], dtype=np.float64) * STEP_S, energy)

"""What is heard of sections with works, in many states of their rails.

Two ways with one result: by the answer of sound power to roughness, which costs little for each state, or by asking
the calculators in each state, which holds for any calculator.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import SourceClass
from lineside.engine.emission import compute_emission
from lineside.engine.roughness_answer import Answer, Calculators, Places, ask, power_in_classes
from lineside.scene.model import BoolArray, IntArray, Scene
from lineside.scene.rail_runs import RailRuns, only_sections, with_roughness

#: So many sections are asked about at a time; bounds the memory.
SECTIONS_AT_ONCE = 64
#: So many states are put to the calculators side by side; bounds the memory.
STATES_AT_ONCE = 12

#: A-weighting of third octaves, that of their octave, (24,).
WEIGHT_OF_THIRDS = np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)

#: Scenes that alternate, each with the share of time that it prevails times the trains then over the nominal ones,
#: (n_periods, n_services).
Mixture = Sequence[tuple[Scene, Array]]


@dataclass(frozen=True, eq=False)
class Listening:
    """All that stays the same while rails change.

    ``transfer`` (n_receivers, n_sections, n_classes, n_periods, 24): long-term, of all sections of the scenes.
    """

    mixture: Mixture
    runs: RailRuns
    calculators: Calculators
    classes: tuple[SourceClass, ...]
    transfer: Array
    wavelength_mm: Array

    @property
    def n_heard(self) -> int:
        """Pairs of receiver and period."""
        return self.transfer.shape[0] * self.transfer.shape[3]


@dataclass(frozen=True, eq=False)
class Heard:
    """A-weighted mean square at receivers from each run: in the state that the project gives, and by roughness.

    ``total`` (n_heard,) of all runs and all parts of their sound in the state that the project gives; ``given``
    (n_runs, n_heard) of the part that depends on roughness; ``gain`` (n_runs, n_places, n_heard) per unit of roughness
    energy at each place, and ``between`` (n_wavelengths, n_places), which takes levels at wavelengths to these places.
    """

    total: Array
    given: Array
    gain: Array
    between: Array

    def at(self, level_db: Sequence[Array], of_runs: Sequence[list[int]]) -> Array:
        """A-weighted mean square of all runs, (n_states or 1, n_heard).

        Parameters
        ----------
        level_db : sequence of ndarray, (n_states or 1, n_wavelengths)
            Roughness in each state, or the same in all of them. [dB re 1 um]
        of_runs : sequence of list
            Runs that have it; all others are as the project gives them.
        """
        out = self.total.copy()
        varying: list[tuple[Array, Array]] = []
        for level, runs in zip(level_db, of_runs, strict=True):
            gain = self.gain[runs].sum(axis=0)
            out -= self.given[runs].sum(axis=0)
            # places between wavelengths at which all states are equal are evaluated once
            moves = self.between[np.any(level != level[0], axis=0)].any(axis=0)
            out += to_energy(level[0] @ self.between[:, ~moves]) @ gain[~moves]
            if moves.any():
                varying.append((to_energy(level @ self.between[:, moves]), gain[moves]))
        if not varying:
            return out[None]
        energies, gains = zip(*varying, strict=True)
        return np.concatenate(energies, axis=1) @ np.concatenate(gains) + out


def listen(listening: Listening, worn_in_db: Array) -> Heard | None:
    """Ask the calculators how sections answer to roughness; None if they answer in a way that cannot be written down.

    Parameters
    ----------
    worn_in_db : ndarray, (n_wavelengths,)
        Surface about which the answer is checked. [dB re 1 um]
    """
    places = Places(worn_in_db.size)
    n_runs = len(listening.runs.runs)
    found = np.zeros((n_runs, len(places) + 2, listening.n_heard))
    for scene, share in listening.mixture:
        trains = trains_per_second(scene, share)
        for first in range(0, len(listening.runs.sections), SECTIONS_AT_ONCE):
            keep = listening.runs.sections[first : first + SECTIONS_AT_ONCE]
            answer = ask(scene, keep, listening.calculators, listening.classes, listening.wavelength_mm, worn_in_db)
            if answer.mean is None:
                return None
            vehicles = trains[:, :, None] * scene.traffic.seconds_per_m[:, keep]
            given = (line_power(power, vehicles)[..., None] for power in (answer.given, answer.given - answer.fixed))
            power = np.concatenate([_by_place(answer, vehicles, places), *given], axis=-1)
            for run in np.unique(listening.runs.run[keep]):
                own = np.flatnonzero(listening.runs.run[keep] == run)
                found[run] += _heard(listening, keep[own], power[:, own])
    used = np.flatnonzero(found[:, :-2].any(axis=(0, 2)))
    return Heard(found[:, -2].sum(axis=0), found[:, -1], found[:, used], places.between(used))


def trains_per_second(scene: Scene, share: Array) -> Array:
    """Passes of each row's service in each period, (n_periods, n_rows). [1/s]"""
    n_periods = len(scene.period_names)
    trains = np.zeros((n_periods, len(scene.services)))
    for s, service in enumerate(scene.services):
        trains[:, s] = np.bincount(scene.period_of_hour, weights=service.trains_per_hour, minlength=n_periods)
    seconds = 3600.0 * np.bincount(scene.period_of_hour, minlength=n_periods)
    return (trains * share / seconds[:, None])[:, scene.traffic.service]


def line_power(power: Array, vehicles: Array) -> Array:
    """Mean sound power per metre, (n_periods, n_sections, n_classes, 24).

    Parameters
    ----------
    power : ndarray, (n_rows, n_sections, n_classes, 24)
        Of one vehicle. [energy re 1 pW]
    vehicles : ndarray, (n_periods, n_rows, n_sections)
        Mean number of vehicles per metre.
    """
    return np.einsum("rckt,nrc->nckt", power, vehicles, optimize=True)


def _heard(listening: Listening, sections: IntArray, power: Array) -> Array:
    """A-weighted mean square of some sections, (n_columns, n_heard).

    Parameters
    ----------
    power : ndarray, (n_periods, n_sections, n_classes, 24, n_columns)
        Per metre.
    """
    transfer = listening.transfer[:, sections] * WEIGHT_OF_THIRDS
    n_receivers, n_periods, n_columns = len(transfer), len(power), power.shape[-1]
    out = np.empty((n_columns, n_receivers, n_periods))
    for n in range(n_periods):
        columns = power[n].reshape(-1, n_columns)
        out[:, :, n] = (transfer[:, :, :, n].reshape(n_receivers, -1) @ columns).T
    return out.reshape(n_columns, -1)


def _by_place(answer: Answer, vehicles: Array, places: Places) -> Array:
    """Power per metre per unit of roughness energy at each place, (n_periods, n_sections, n_classes, 24, n_places)."""
    _, n_sections, n_classes, n_bands = answer.factor.shape
    at = np.nonzero(answer.factor)
    index, weight = places.weights(answer, at)
    row, section, source_class, band = at
    cell = np.ravel_multi_index((section, source_class, band), (n_sections, n_classes, n_bands))
    flat = (cell[:, None] * len(places) + index).ravel()
    out = np.empty((len(vehicles), n_sections, n_classes, n_bands, len(places)))
    for n, of_period in enumerate(vehicles):
        share = weight * (answer.factor[at] * of_period[row, section])[:, None]
        out[n] = np.bincount(flat, weights=share.ravel(), minlength=out[n].size).reshape(out[n].shape)
    return out


@dataclass(frozen=True, eq=False)
class State:
    """Roughness of all runs: levels (n_runs, n_wavelengths) of the runs that have changed (n_runs,)."""

    level_db: Array
    changed: BoolArray

    def key(self) -> bytes:
        """Equal for equal states."""
        return self.changed.tobytes() + np.where(self.changed[:, None], self.level_db, 0.0).tobytes()


def power_one_by_one(listening: Listening, states: Sequence[State]) -> Iterator[Array]:
    """Mean sound power per metre of all sections with works in each state, (n_periods, n_sections, n_classes, 24).

    Calculators see the sections of several states side by side, as if they were so much more track.
    """
    runs = listening.runs
    sections, n_runs = runs.sections, len(runs.runs)
    for first in range(0, len(states), STATES_AT_ONCE):
        batch = states[first : first + STATES_AT_ONCE]
        run = np.concatenate([runs.run[sections] + k * n_runs for k in range(len(batch))])
        level_db = np.concatenate([state.level_db for state in batch])
        changed = np.concatenate([state.changed for state in batch])
        power = np.zeros((listening.transfer.shape[3], run.size, *listening.transfer.shape[2:3], WEIGHT_OF_THIRDS.size))
        for scene, share in listening.mixture:
            part = only_sections(scene, np.tile(sections, len(batch)))
            part = with_roughness(part, run, listening.wavelength_mm, level_db, changed)
            vehicles = trains_per_second(scene, share)[:, :, None] * part.traffic.seconds_per_m
            of_one = power_in_classes(compute_emission(part, listening.calculators), listening.classes)
            power += line_power(of_one, vehicles)
        for k in range(len(batch)):
            yield power[:, k * sections.size : (k + 1) * sections.size]


def heard_one_by_one(listening: Listening, states: Sequence[State]) -> Iterator[Array]:
    """A-weighted mean square of all sections with works in each state, (n_heard,)."""
    for power in power_one_by_one(listening, states):
        yield _heard(listening, listening.runs.sections, power[..., None])[0]

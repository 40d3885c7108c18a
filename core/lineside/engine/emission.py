"""Emission: what all source calculators together say about a scene, by mechanism and service."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.contracts import Options, SourceCalculator, SourceClass
from lineside.errors import PluginError
from lineside.scene.model import Scene


@dataclass(frozen=True, eq=False)
class Emission:
    """Sound that the traffic makes; independent of receivers.

    ``pass_energy`` (n_periods, n_mechanisms, n_services, n_sections, n_classes, 24)
        Sound energy per metre of track during one pass of a train, re 1 pJ/m, as a mean over what changes from day to
        day in each period. Times the number of passes, divided by the duration of the period, it is the mean sound
        power per metre.
    ``power`` (n_rows, n_sections, n_classes, 24)
        Sound power of one vehicle while it is in a section, all mechanisms together, re 1 pW;
        rows as in ``Scene.traffic``. Of a mixture: of its most frequent state.
    """

    mechanisms: tuple[str, ...]
    classes: tuple[SourceClass, ...]
    pass_energy: Array
    power: Array


def compute_emission(scene: Scene, calculators: Sequence[tuple[SourceCalculator, Options]]) -> Emission:
    """Ask every calculator and merge by mechanism and source class; their order does not matter.

    Calculators that build on other mechanisms are asked after those of these mechanisms.

    Raises
    ------
    PluginError
        If a calculator gives an array of the wrong shape, a negative or non-finite power, two calculators mean
        different things by one name of a source class, or calculators build on each other.
    """
    calculators = sorted(calculators, key=lambda c: c[0].name)
    mechanisms = tuple(sorted({c.mechanism for c, _ in calculators}))
    given = powers(scene, calculators)
    classes = _classes(given)
    n_rows, n_sections = len(scene.traffic), len(scene.sections)
    power = np.zeros((n_rows, n_sections, len(classes), N_THIRDS))
    energy = np.zeros((len(mechanisms), len(scene.services), n_sections, len(classes), N_THIRDS))
    for calculator, by_class in given:
        m = mechanisms.index(calculator.mechanism)
        for source_class, array in by_class.items():
            if source_class not in classes:
                continue
            k = classes.index(source_class)
            power[:, :, k] += array
            per_metre = array * scene.traffic.seconds_per_m[:, :, None]
            for s in range(len(scene.services)):
                energy[m, s, :, k] += per_metre[scene.traffic.service == s].sum(axis=0)
    if not np.all(np.isfinite(energy)):
        raise PluginError("the sources give more sound power than a number can hold; one of them is wrong")
    in_periods = np.broadcast_to(energy, (len(scene.period_names), *energy.shape))
    return Emission(mechanisms=mechanisms, classes=classes, pass_energy=in_periods, power=power)


def powers(
    scene: Scene,
    calculators: Sequence[tuple[SourceCalculator, Options]],
    known: Mapping[str, Mapping[SourceClass, Array]] | None = None,
) -> list[tuple[SourceCalculator, Mapping[SourceClass, Array]]]:
    """What every calculator gives, in their order; those that build on other mechanisms are asked last.

    ``known``: what some of them give here, by name; they are not asked again.
    """
    shape = (len(scene.traffic), len(scene.sections), N_THIRDS)
    given: dict[int, Mapping[SourceClass, Array]] = {
        k: known[c.name] for k, (c, _) in enumerate(calculators) if known is not None and c.name in known
    }
    while waiting := [k for k in range(len(calculators)) if k not in given]:
        open_mechanisms = {calculators[k][0].mechanism for k in waiting}
        ready = [k for k in waiting if open_mechanisms.isdisjoint(calculators[k][0].builds_on)]
        if not ready:
            raise PluginError(f"{', '.join(calculators[k][0].name for k in waiting)} build on each other")
        for k in ready:
            calculator, options = calculators[k]
            below = [(c, given[i]) for i, (c, _) in enumerate(calculators) if i in given]
            others = {m: _together(by for c, by in below if c.mechanism == m) for m in calculator.builds_on}
            given[k] = calculator.emission_beside(scene, options, others)
            _check(calculator, given[k], shape)
    return [(calculator, given[k]) for k, (calculator, _) in enumerate(calculators)]


def _together(given: Iterable[Mapping[SourceClass, Array]]) -> dict[SourceClass, Array]:
    """Power by source class of several calculators, read-only."""
    total: dict[SourceClass, Array] = {}
    for by_class in given:
        for source_class, array in by_class.items():
            known = total.get(source_class)
            total[source_class] = array.view() if known is None else known + array
            total[source_class].setflags(write=False)
    return total


def _classes(given: Sequence[tuple[SourceCalculator, Mapping[SourceClass, Array]]]) -> tuple[SourceClass, ...]:
    """Source classes with any sound at all, sorted by name; one name means one height and one directivity."""
    found: dict[str, tuple[SourceClass, str]] = {}
    for calculator, by_class in given:
        for source_class in by_class:
            known, by = found.setdefault(source_class.name, (source_class, calculator.name))
            if known.height_m != source_class.height_m or (known.gain is None) != (source_class.gain is None):
                raise PluginError(
                    f"{by} and {calculator.name} mean different things by the source class {source_class.name!r}"
                )
    loud = {c.name for _, by_class in given for c, array in by_class.items() if np.any(array > 0)}
    return tuple(found[name][0] for name in sorted(loud))


def _check(calculator: SourceCalculator, by_class: Mapping[SourceClass, Array], shape: tuple[int, int, int]) -> None:
    for source_class, array in by_class.items():
        where = f"{calculator.name}, source class {source_class.name!r}"
        if array.shape != shape:
            raise PluginError(f"{where}: shape {array.shape}, where (rows, sections, bands) = {shape} is asked for")
        if not np.all(np.isfinite(array)) or np.any(array < 0):
            raise PluginError(f"{where}: powers must be finite energies of at least 0")

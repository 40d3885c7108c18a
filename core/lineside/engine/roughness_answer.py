"""How sound power answers to the roughness of rails: a few questions to the calculators instead of one per state.

For each row of traffic, section, source class and third octave, sound power is taken to be a fixed part, and a part in
proportion to a mean of the roughness energies r at two neighbouring wavelengths:

    power = fixed + factor x r_i^(1 - a) x r_(i + 1)^a                (1)
    power = fixed + factor x ((1 - a) x r_i + a x r_(i + 1))          (2)

That is what calculators do that read a roughness spectrum by interpolation, of its levels (1) or of its energies (2).
Three spectra, flat ones at two levels and one that rises steadily, give factor, fixed part and place i + a; two random
spectra tell whether (1) or (2) holds at all.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.acoustics.levels import to_energy
from lineside.contracts import Options, SourceCalculator, SourceClass
from lineside.engine.emission import Emission, compute_emission
from lineside.errors import PluginError
from lineside.scene.model import IntArray, Scene
from lineside.scene.rail_runs import only_sections, with_roughness

Calculators = Sequence[tuple[SourceCalculator, Options]]

#: Rise of the steadily rising spectrum from its first to its last wavelength. [dB]
RISE_DB = 30.0
#: Random spectra lie in this range about the worn-in surface. [dB]
CHECKED_DB = (-10.0, 20.0)
#: Largest relative error of power at which (1) or (2) counts as true: 0.0004 dB.
TRUE_WITHIN = 1e-4
#: A part of power smaller than this share of the whole is nothing but rounding.
NOTHING = 1e-9
#: Places between two wavelengths at which roughness is evaluated; polynomials between them.
PLACES_BETWEEN = 6


@dataclass(frozen=True, eq=False)
class Answer:
    """Answer of some sections, (n_rows, n_sections, n_classes, 24) each.

    ``given``: power with the roughness that the project gives. ``place``: i + a. ``mean``: None if power follows
    neither (1) nor (2).
    """

    given: Array
    fixed: Array
    factor: Array
    place: Array
    mean: Literal["geometric", "arithmetic"] | None


def ask(
    scene: Scene,
    keep: IntArray,
    calculators: Calculators,
    classes: Sequence[SourceClass],
    wavelength_mm: Array,
    worn_in_db: Array,
) -> Answer:
    """Answer of some of a scene's sections.

    Parameters
    ----------
    keep : ndarray of int
        The sections.
    classes
        Source classes of the answer; calculators must give no others.
    wavelength_mm, worn_in_db : ndarray, (n_wavelengths,)
        Surface about which the answer is checked. [mm], [dB re 1 um]
    """
    n_wavelengths, n = wavelength_mm.size, keep.size
    rise = np.linspace(-0.5 * RISE_DB, 0.5 * RISE_DB, n_wavelengths)
    checks = worn_in_db + np.random.default_rng(1).uniform(*CHECKED_DB, size=(2, n_wavelengths))
    level_db = np.vstack([np.zeros(n_wavelengths), np.full(n_wavelengths, 10.0), rise, checks])
    # the calculators see the sections several times side by side, as if they were so much more track
    which = np.repeat(np.arange(-1, len(level_db)), n)
    asked = only_sections(scene, np.tile(keep, len(level_db) + 1))
    asked = with_roughness(asked, which, wavelength_mm, level_db, np.ones(len(level_db), dtype=np.bool_))
    power = power_in_classes(compute_emission(asked, calculators), classes)
    given, low, high, risen, *checked = (power[:, k * n : (k + 1) * n] for k in range(len(level_db) + 1))
    factor = (high - low) / 9.0
    factor = np.where(np.abs(factor) > NOTHING * low, factor, 0.0)
    fixed = np.maximum(low - factor, 0.0)
    if np.any(factor < 0.0):
        return Answer(given, fixed, factor, np.zeros_like(factor), None)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = (risen - fixed) / factor
        place = (10.0 * np.log10(ratio) / RISE_DB + 0.5) * (n_wavelengths - 1)
    found = Answer(given, fixed, factor, np.where(factor > 0.0, np.clip(place, 0.0, n_wavelengths - 1), 0.0), None)
    if not np.all(np.isfinite(found.place)):
        return found
    step = to_energy(RISE_DB / (n_wavelengths - 1))
    i = np.minimum(np.floor(found.place), n_wavelengths - 2)
    linear = replace(found, mean="arithmetic", place=i + (step ** (found.place - i) - 1.0) / (step - 1.0))
    for answer in (replace(found, mean="geometric"), linear):
        if all(_is_true(answer, c, p) for c, p in zip(checks, checked, strict=True)):
            return answer
    return found


def power_in_classes(emission: Emission, classes: Sequence[SourceClass]) -> Array:
    """Power of one vehicle, (n_rows, n_sections, n_classes, 24), in the order of ``classes``.

    Raises
    ------
    PluginError
        If there is a source class that is not among ``classes``.
    """
    index = {c.name: k for k, c in enumerate(classes)}
    out = np.zeros((*emission.power.shape[:2], len(classes), N_THIRDS))
    for k, source_class in enumerate(emission.classes):
        if source_class.name not in index:
            raise PluginError(f"the source class {source_class.name!r} is heard at some dates only")
        out[:, :, index[source_class.name]] = emission.power[:, :, k]
    return out


def _is_true(answer: Answer, level_db: Array, power: Array) -> bool:
    i = np.minimum(answer.place.astype(np.int64), level_db.size - 2)
    a = answer.place - i
    if answer.mean == "geometric":
        mean = to_energy((1.0 - a) * level_db[i] + a * level_db[i + 1])
    else:
        mean = (1.0 - a) * to_energy(level_db[i]) + a * to_energy(level_db[i + 1])
    return bool(np.all(np.abs(answer.fixed + answer.factor * mean - power) <= TRUE_WITHIN * power))


@dataclass(frozen=True, eq=False)
class Places:
    """Places between wavelengths at which roughness is evaluated for all sections, whatever their speeds.

    Chebyshev points of the second kind in each gap, ends included; a power of a ratio, as in (1), is interpolated
    between them by the polynomial through all points of its gap.
    """

    n_wavelengths: int

    def __len__(self) -> int:
        return (self.n_wavelengths - 1) * (PLACES_BETWEEN - 1) + 1

    @property
    def _in_gap(self) -> Array:
        return 0.5 - 0.5 * np.cos(np.pi * np.arange(PLACES_BETWEEN) / (PLACES_BETWEEN - 1))

    def between(self, places: IntArray) -> Array:
        """Matrix (n_wavelengths, n) that takes levels at wavelengths to levels at some places, linear in between."""
        gap = np.minimum(places // (PLACES_BETWEEN - 1), self.n_wavelengths - 2)
        share = self._in_gap[places - gap * (PLACES_BETWEEN - 1)]
        out = np.zeros((self.n_wavelengths, places.size))
        out[gap, np.arange(places.size)] = 1.0 - share
        out[gap + 1, np.arange(places.size)] = share
        return out

    def weights(self, answer: Answer, at: tuple[IntArray, ...]) -> tuple[IntArray, Array]:
        """By which places and weights the mean of (1) or (2) is made, (n, PLACES_BETWEEN) each, for some entries."""
        gap = np.minimum(answer.place[at].astype(np.int64), self.n_wavelengths - 2)
        a = answer.place[at] - gap
        places = gap[:, None] * (PLACES_BETWEEN - 1) + np.arange(PLACES_BETWEEN)
        if answer.mean == "arithmetic":
            weight = np.zeros(places.shape)
            weight[:, 0], weight[:, -1] = 1.0 - a, a
            return places, weight
        x = self._in_gap
        weight = np.ones(places.shape)
        for j in range(PLACES_BETWEEN):
            for m in range(PLACES_BETWEEN):
                if m != j:
                    weight[:, j] *= (a - x[m]) / (x[j] - x[m])
        return places, weight

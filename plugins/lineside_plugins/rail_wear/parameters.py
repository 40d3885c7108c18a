"""Parameters of the wear model: ranges with their standing, and draws from them.

``likely`` is the median, ``low`` and ``high`` are read as the 5 % and 95 % points (an assumption). Ranges are lopsided,
so each half is a normal distribution of its own width, in the value or (``log_normal``) in its logarithm.
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from statistics import NormalDist

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Standing
from lineside.errors import DataFileError, OutOfRangeError
from lineside.tables import Table, load_table

DISTRIBUTIONS = ("fixed", "normal", "log_normal")
#: Standard normal value at the 95 % point.
Z95 = NormalDist().inv_cdf(0.95)


def table(name: str) -> Table:
    """One of this plugin's tables."""
    return load_table("lineside_plugins.rail_wear", name)


@dataclass(frozen=True)
class Range:
    """One parameter: median, 5 % and 95 % points, and where they come from."""

    name: str
    low: float
    likely: float
    high: float
    floor: float  # no draw lies below
    unit: str
    distribution: str  # fixed, normal or log_normal
    standing: Standing
    source: str

    def __post_init__(self) -> None:
        if self.distribution not in DISTRIBUTIONS:
            raise DataFileError(
                f"{self.name}: distribution {self.distribution!r} is none of {', '.join(DISTRIBUTIONS)}"
            )
        if not self.floor <= self.low <= self.likely <= self.high:
            raise OutOfRangeError(
                f"{self.name}: low {self.low:g}, likely {self.likely:g} and high {self.high:g} must rise "
                f"and not lie below {self.floor:g}."
            )
        if self.distribution == "log_normal" and self.low <= 0.0:
            raise OutOfRangeError(f"{self.name} must be above 0 {self.unit}.")

    @property
    def scaled(self) -> tuple[float, float, float]:
        """Low, likely and high on the scale that is normal: logarithms for ``log_normal``."""
        ends = (self.low, self.likely, self.high)
        if self.distribution != "log_normal":
            return ends
        low, likely, high = (float(np.log(value)) for value in ends)
        return low, likely, high

    @property
    def sd(self) -> tuple[float, float]:
        """Standard deviations of the lower and the upper half, on the normal scale."""
        low, likely, high = self.scaled
        return (likely - low) / Z95, (high - likely) / Z95

    def at(self, z: Array) -> Array:
        """Values at standard normal values ``z``: -1.645, 0 and 1.645 give low, likely and high."""
        if self.distribution == "fixed":
            return np.full(z.shape, self.likely)
        below, above = self.sd
        value = self.scaled[1] + np.where(z < 0.0, below, above) * z
        return np.maximum(np.exp(value) if self.distribution == "log_normal" else value, self.floor)


@dataclass(frozen=True, eq=False)
class Correlation:
    """Correlation of some parameters, as a fit leaves it."""

    names: tuple[str, ...]
    matrix: Array  # (n_names, n_names)


@dataclass(frozen=True, eq=False)
class Parameters:
    """Values of all parameters, one per uncertainty draw."""

    values: Mapping[str, Array]  # name -> (n_draws,)

    def __getitem__(self, name: str) -> Array:
        return self.values[name]

    @property
    def n_draws(self) -> int:
        return int(next(iter(self.values.values())).size)

    def fixed(self, name: str) -> float:
        """A parameter that is the same in all draws.

        Raises
        ------
        OutOfRangeError
            If it was given a range: it shapes the bands, and one shape serves all draws.
        """
        values = self.values[name]
        if np.any(values != values[0]):
            raise OutOfRangeError(f"{name} takes one value, not a range.")
        return float(values[0])


def default_ranges() -> dict[str, Range]:
    """The ranges of the model, by name."""
    rows = table("wear_parameters")
    return {
        name: Range(
            name,
            float(rows["low"][i]),
            float(rows["likely"][i]),
            float(rows["high"][i]),
            float(rows["floor"][i]),
            rows.text["unit"][i],
            rows.text["distribution"][i],
            Standing(rows.text["standing"][i]),
            rows.text["source"][i],
        )
        for i, name in enumerate(rows.text["name"])
    }


def with_given(
    ranges: Mapping[str, Range],
    name: str,
    likely: float,
    low: float | None = None,
    high: float | None = None,
    source: str = "",
) -> dict[str, Range]:
    """Ranges with one of them replaced by what the project gives; without low and high it has no spread."""
    if name not in ranges:
        raise OutOfRangeError(f"The wear model has no parameter {name}; it has {', '.join(ranges)}.")
    low, high = likely if low is None else low, likely if high is None else high
    return {
        **ranges,
        name: replace(ranges[name], low=low, likely=likely, high=high, standing=Standing.USER, source=source),
    }


def likely(ranges: Mapping[str, Range]) -> Parameters:
    """Every parameter at its likely value, as one draw."""
    return Parameters({name: r.at(np.zeros(1)) for name, r in ranges.items()})


def likely_and_draws(
    ranges: Mapping[str, Range], n_draws: int, seed: int, correlation: Correlation | None = None
) -> Parameters:
    """The likely values first, then ``n_draws`` random ones; see :func:`draw`."""
    first = likely(ranges)
    if n_draws == 0:
        return first
    drawn = draw(ranges, n_draws, seed, correlation)
    return Parameters({name: np.append(first[name], drawn[name]) for name in ranges})


def draw(ranges: Mapping[str, Range], n_draws: int, seed: int, correlation: Correlation | None = None) -> Parameters:
    """Random values, stratified: each of ``n_draws`` equal slices of probability is met once.

    Each parameter has its own stream, made of the seed and its name: a further parameter or another order changes no
    draw of the others. Draws are common to all sections that use them, since the model's error is common.
    """
    if n_draws < 1:
        raise OutOfRangeError("At least one draw is needed.")
    zero = np.zeros(n_draws)
    z = {n: zero if r.low == r.high else _normal_strata(n_draws, seed, n) for n, r in ranges.items()}
    if correlation is not None:
        # an eigenvalue of 0 (parameters bound together) is allowed, which a Cholesky factor would refuse
        eigenvalues, vectors = np.linalg.eigh(correlation.matrix)
        root = vectors * np.sqrt(np.clip(eigenvalues, 0.0, None)) @ vectors.T
        joint = root @ np.array([z[name] for name in correlation.names])
        z.update(dict(zip(correlation.names, joint, strict=True)))
    return Parameters({name: r.at(z[name]) for name, r in ranges.items()})


@lru_cache(maxsize=256)
def _normal_strata(n: int, seed: int, name: str) -> Array:
    rng = np.random.default_rng([seed, zlib.crc32(name.encode())])
    # keeps clear of 0 and 1, where the normal quantile is infinite
    share = (rng.permutation(n) + np.clip(rng.random(n), 1e-9, 1.0 - 1e-9)) / n
    quantile = NormalDist().inv_cdf
    z = np.array([quantile(p) for p in share])
    z.setflags(write=False)
    return z

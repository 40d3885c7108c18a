"""Draws of uncertain inputs: distributions, and levels by interpolation between the nodes of each input."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import RangeForm
from lineside.scene.model import BoolArray

#: Standard normal value at the 95 % point.
NORMAL = NormalDist()
Z95 = NORMAL.inv_cdf(0.95)
#: Exponent of energy per decibel.
NEPER = 0.1 * math.log(10.0)
#: A part that falls silent at a node is taken as so much lower. [dB]
SILENT_DB = -120.0
#: Parts below this ratio to the whole say nothing about how an input acts.
HEARD_RATIO = 1e-4


@dataclass(frozen=True)
class Distribution:
    """Of something that lies between low and high: see :data:`lineside.contracts.RangeForm`."""

    low: float
    likely: float
    high: float
    form: RangeForm

    def at(self, u: Array) -> Array:
        """Quantiles of probabilities ``u``."""
        low, likely, high = self.low, self.likely, self.high
        if low == high:
            return np.full(u.shape, likely)
        if self.form == "uniform":
            return low + (high - low) * u
        if self.form == "triangular":
            turn = (likely - low) / (high - low)
            rising = low + np.sqrt(u * (high - low) * (likely - low))
            falling = high - np.sqrt((1.0 - u) * (high - low) * (high - likely))
            return np.where(u < turn, rising, falling)
        from scipy.special import ndtri

        scaled = np.log([low, likely, high]) if self.form == "lognormal" else np.array([low, likely, high])
        z = ndtri(u) / Z95
        value = scaled[1] + np.where(z < 0.0, scaled[1] - scaled[0], scaled[2] - scaled[1]) * z
        return np.exp(value) if self.form == "lognormal" else value


@dataclass(frozen=True, eq=False)
class Response:
    """How the energy of parts answers to one input, between its nodes and beyond.

    ``t`` of a value is -1 at low, 0 at likely and 1 at high. ``low``, ``high`` (n_receivers, n_parts, n_columns):
    change at the nodes, of the level [dB], or of the energy as a ratio to that at likely if ``linear``. ``new``: energy
    at low and high of parts that are silent at likely; None: there are none. ``logarithmic``: in between, levels follow
    the logarithm of the value.
    """

    distribution: Distribution
    low: Array
    high: Array
    linear: bool = False
    logarithmic: bool = False
    new: tuple[Array, Array] | None = None

    def t(self, value: Array) -> Array:
        """Position of values between the nodes."""
        d = self.distribution
        low, likely, high, x = (np.log(v) if self.logarithmic else v for v in (d.low, d.likely, d.high, value))
        below = (x - likely) / (likely - low) if likely > low else np.zeros_like(x)
        above = (x - likely) / (high - likely) if high > likely else np.zeros_like(x)
        return np.where(x < likely, below, above)


def response(distribution: Distribution, base: Array, low: Array, high: Array) -> Response:
    """How parts answer to an input, from their energies at the nodes.

    Parameters
    ----------
    base, low, high : ndarray, (n_receivers, n_parts, n_columns)
        Energies with the likely, the low and the high value.

    Notes
    -----
    Energy that is linear in the input (numbers of trains, shares of time) is recognised by its three nodes, as are
    levels that are linear in the input or in its logarithm (speed); the best of the three is taken, piecewise between
    the nodes and beyond them.
    """
    some = base > 0.0
    whole = base.sum(axis=1, keepdims=True)
    heard = base > HEARD_RATIO * whole
    with np.errstate(divide="ignore"):
        steps = [
            np.maximum(
                np.where(some, 10.0 * np.log10(np.where(some, e / np.where(some, base, 1.0), 1.0)), 0.0), SILENT_DB
            )
            for e in (low, high)
        ]
    ratios = [np.where(some, e / np.where(some, base, 1.0) - 1.0, 0.0) for e in (low, high)]
    new = None if some.all() else tuple(np.where(some, 0.0, e) for e in (low, high))
    if new is not None and not any(e.any() for e in new):
        new = None
    d = distribution
    misfits = {"level": 0.0}
    if d.low < d.likely < d.high and heard.any():
        share = (d.likely - d.low) / (d.high - d.low)
        misfits["level"] = float(np.abs(steps[0] + share * (steps[1] - steps[0]))[heard].max())
        chord = 1.0 + ratios[0] + share * (ratios[1] - ratios[0])
        misfits["energy"] = float(np.abs(10.0 * np.log10(np.maximum(chord, 1e-12)))[heard].max())
        if d.low > 0.0:
            share = float(np.log(d.likely / d.low) / np.log(d.high / d.low))
            misfits["logarithm"] = float(np.abs(steps[0] + share * (steps[1] - steps[0]))[heard].max())
    elif heard.any() and (d.low == d.likely) != (d.high == d.likely) and d.form in ("triangular", "uniform"):
        misfits = {"energy": 0.0}  # one-sided: a share or a number, as a rule
    best = min(misfits, key=lambda name: (misfits[name], name != "energy"))
    if best == "energy":
        return Response(d, ratios[0], ratios[1], linear=True, new=new)  # type: ignore[arg-type]
    return Response(d, steps[0], steps[1], logarithmic=best == "logarithm", new=new)  # type: ignore[arg-type]


def offset(half_width_db: Array, parts: BoolArray, shape: tuple[int, int, int]) -> Response:
    """An error of levels, normal, that holds 9 times in 10 within so many dB.

    Parameters
    ----------
    half_width_db : ndarray, (n_receivers,)
    parts : ndarray of bool, (n_parts,)
        On which parts it acts.
    """
    high = np.zeros(shape)
    high[:] = half_width_db[:, None, None] * parts[None, :, None]
    return Response(Distribution(-1.0, 0.0, 1.0, "normal"), -high, high)


@dataclass(frozen=True, eq=False)
class Draws:
    """Values of inputs as positions between their nodes, (n, n_inputs)."""

    t: Array


def draws(responses: Sequence[Response], u: Array) -> Draws:
    """Positions of the inputs at points of the unit cube, (n, n_inputs)."""
    t = [r.t(r.distribution.at(u[:, k])) for k, r in enumerate(responses)]
    return Draws(np.stack(t, axis=1) if t else np.zeros((len(u), 0)))


@dataclass(frozen=True, eq=False)
class Acting:
    """What a group of inputs does to the parts at one receiver in each draw: ``level_db`` and ``factor`` of energies,
    and ``new`` energy, (n, n_parts, n_columns) each; None: nothing."""

    level_db: Array | None
    factor: Array | None
    new: Array | None

    @property
    def nothing(self) -> bool:
        return self.level_db is None and self.factor is None and self.new is None


@dataclass(frozen=True, eq=False)
class AtReceiver:
    """What is heard at one receiver: energies (n_parts, n_columns) of the parts that may be heard there, and the
    responses that change any of them, by index, with their changes at low and high and their new energies."""

    base: Array
    linear: Mapping[int, bool]
    ends: Mapping[int, tuple[Array, Array]]
    new: Mapping[int, tuple[Array, Array]]


def at_receiver(base: Array, responses: Sequence[Response], receiver: int) -> AtReceiver:
    """Parts that are silent with all values are left out, and so are inputs that change nothing."""
    own = base[receiver]
    live = own.any(axis=1)
    for r in responses:
        if r.new is not None:
            live |= r.new[0][receiver].any(axis=1) | r.new[1][receiver].any(axis=1)
    ends = {k: (r.low[receiver][live], r.high[receiver][live]) for k, r in enumerate(responses)}
    ends = {k: (low, high) for k, (low, high) in ends.items() if low.any() or high.any()}
    new = {
        k: (r.new[0][receiver][live], r.new[1][receiver][live]) for k, r in enumerate(responses) if r.new is not None
    }
    return AtReceiver(own[live], {k: responses[k].linear for k in ends}, ends, new)


def acting(here: AtReceiver, members: Sequence[int], t: Array) -> Acting:
    """What some inputs do at a receiver, in draws (n, n_inputs); sums run in the order of the inputs."""
    level: Array | None = None
    factor: Array | None = None
    new: Array | None = None
    for k in members:
        below, above = (np.maximum(side, 0.0)[:, None, None] for side in (-t[:, k], t[:, k]))
        if k in here.ends:
            low, high = here.ends[k]
            change = below * low + above * high
            if here.linear[k]:
                ratio = np.maximum(1.0 + change, 0.0)
                factor = ratio if factor is None else factor * ratio
            else:
                level = change if level is None else level + change
        if k in here.new:
            more = below * here.new[k][0] + above * here.new[k][1]
            new = more if new is None else new + more
    return Acting(level, factor, new)


def energy(base: Array, groups: Sequence[Acting], n: int) -> Array:
    """Energy of all parts together in n draws, (n, n_columns), from that at likely values, (n_parts, n_columns)."""
    level: Array | None = None
    factor: Array | None = None
    new: Array | None = None
    for group in groups:
        if group.level_db is not None:
            level = group.level_db if level is None else level + group.level_db
        if group.factor is not None:
            factor = group.factor if factor is None else factor * group.factor
        if group.new is not None:
            new = group.new if new is None else new + group.new
    parts = base[None] if level is None else base * np.exp(NEPER * level)
    if factor is not None:
        parts = parts * factor
    if new is not None:
        parts = parts + new
    total = np.zeros((n, base.shape[1]))
    for k in range(len(base)):
        total = total + parts[:, k]
    return total

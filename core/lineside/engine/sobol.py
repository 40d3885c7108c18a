"""Quasi-random draws and shares of variance by groups of inputs (first-order and total Sobol indices)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array


def points(n: int, n_inputs: int, seed: int) -> tuple[Array, Array]:
    """Two independent sets of points in the unit cube, (n, n_inputs) each, from one scrambled Sobol sequence.

    The first points of a longer sequence of the same seed are those of a shorter one.

    Parameters
    ----------
    n : int
        A power of 2, for which the sequence is balanced.
    """
    from scipy.stats import qmc

    if n_inputs == 0:
        return np.empty((n, 0)), np.empty((n, 0))
    drawn = qmc.Sobol(2 * n_inputs, scramble=True, rng=np.random.default_rng(seed)).random(n)
    # keeps clear of 0 and 1, where quantiles of normal distributions are infinite
    drawn = np.clip(drawn, 1e-9, 1.0 - 1e-9)
    return drawn[:, :n_inputs], drawn[:, n_inputs:]


@dataclass(frozen=True, eq=False)
class Indices:
    """Shares of the variance of outputs; ``first`` and ``total`` (n_groups, n_outputs), ``variance`` (n_outputs,)."""

    first: Array
    total: Array
    variance: Array


def indices(of_a: Array, of_b: Array, mixed: Array) -> Indices:
    r"""Sobol indices of groups of inputs, 0 for outputs that do not vary.

    Parameters
    ----------
    of_a, of_b : ndarray, (n, n_outputs)
        Outputs at the points A and B.
    mixed : ndarray, (n_groups, n, n_outputs)
        Outputs at the points A with the inputs of each group as in B.

    Notes
    -----
    First-order shares by Saltelli et al., mean of f(B) (f(A_B) - f(A)); total shares by Jansen, half the mean of
    (f(A) - f(A_B))^2; both over the variance of f at A and B together. Outputs are centred first, which leaves both
    as they are in the limit and takes off most of their scatter.

    References
    ----------
    .. [1] A. Saltelli, P. Annoni, I. Azzini, F. Campolongo, M. Ratto, S. Tarantola, Variance based sensitivity analysis
       of model output, Computer Physics Communications 181 (2010), Table 2, (b) and (f); from memory.
    """
    both = np.concatenate([of_a, of_b])
    mean, variance = both.mean(axis=0), both.var(axis=0)
    a, b, ab = of_a - mean, of_b - mean, mixed - mean
    some = variance > 1e-18
    scale = np.where(some, variance, 1.0)
    first = (b * (ab - a)).mean(axis=1) / scale
    total = 0.5 * ((a - ab) ** 2).mean(axis=1) / scale
    return Indices(np.where(some, first, 0.0), np.where(some, total, 0.0), variance)

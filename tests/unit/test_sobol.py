"""Shares of variance against functions whose shares are known in closed form."""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.engine.sobol import indices, points


def shares_of(function, n_inputs: int, groups: list[list[int]], n: int = 2**13) -> tuple[Array, Array, float]:
    a, b = points(n, n_inputs, seed=3)
    mixed = []
    for group in groups:
        both = a.copy()
        both[:, group] = b[:, group]
        mixed.append(function(both)[:, None])
    found = indices(function(a)[:, None], function(b)[:, None], np.array(mixed))
    return found.first[:, 0], found.total[:, 0], float(found.variance[0])


def ishigami(u: Array, a: float = 7.0, b: float = 0.1) -> Array:
    """Ishigami and Homma (1990): sin x1 + a sin^2 x2 + b x3^4 sin x1, x uniform in -pi to pi."""
    x = np.pi * (2.0 * u - 1.0)
    return np.sin(x[:, 0]) + a * np.sin(x[:, 1]) ** 2 + b * x[:, 2] ** 4 * np.sin(x[:, 0])


def test_ishigami() -> None:
    """Variance a^2/8 + b pi^4/5 + b^2 pi^8/18 + 1/2, of which x1 alone (1 + b pi^4/5)^2/2, x2 alone a^2/8."""
    a, b, p4 = 7.0, 0.1, np.pi**4
    variance = a**2 / 8 + b * p4 / 5 + b**2 * p4**2 / 18 + 0.5
    one, two, one_three = 0.5 * (1 + b * p4 / 5) ** 2, a**2 / 8, 8 * b**2 * p4**2 / 225
    first, total, found = shares_of(ishigami, 3, [[0], [1], [2]])
    assert np.isclose(found, variance, rtol=0.005)
    assert np.allclose(first, np.array([one, two, 0.0]) / variance, atol=0.01)
    assert np.allclose(total, np.array([one + one_three, two, one_three]) / variance, atol=0.01)


def test_a_group_has_the_interactions_of_its_members_in_its_first_order_share() -> None:
    first, total, _ = shares_of(ishigami, 3, [[0, 2], [1]])
    assert np.allclose(first.sum(), 1.0, atol=0.01), "x2 acts by itself"
    assert np.allclose(first, total, atol=0.01)


def test_g_function() -> None:
    """Sobol's g-function: product of (|4 x - 2| + a) / (1 + a); partial variances 1 / (3 (1 + a)^2)."""
    a = np.array([0.0, 1.0, 4.5, 9.0, 99.0])

    def g(u: Array) -> Array:
        return np.prod((np.abs(4.0 * u - 2.0) + a) / (1.0 + a), axis=1)

    part = 1.0 / (3.0 * (1.0 + a) ** 2)
    whole = np.prod(1.0 + part) - 1.0
    first, total, variance = shares_of(g, 5, [[k] for k in range(5)])
    assert np.isclose(variance, whole, rtol=0.005)
    assert np.allclose(first, part / whole, atol=0.01)
    assert np.allclose(total, part * np.prod(1.0 + part) / (1.0 + part) / whole, atol=0.01)


def test_what_does_not_vary_has_no_shares() -> None:
    first, total, variance = shares_of(lambda u: np.full(len(u), 61.3), 2, [[0], [1]], n=256)
    assert variance < 1e-20 and not first.any() and not total.any()


def test_more_points_go_on_where_fewer_ended() -> None:
    few, many = points(256, 5, seed=7), points(1024, 5, seed=7)
    assert all(np.array_equal(m[:256], f) for f, m in zip(few, many, strict=True))
    assert not np.array_equal(points(256, 5, seed=8)[0], few[0])


def test_points_fill_each_slice_alike() -> None:
    for part in points(1024, 12, seed=1):
        counts = np.array([np.histogram(part[:, k], bins=16, range=(0, 1))[0] for k in range(12)])
        assert np.all(counts == 64)

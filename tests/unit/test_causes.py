"""The split of a change into causes, actions for the depot, and situations, without a project where possible."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lineside.engine.causes import shapley


def worth(game, players):
    from itertools import combinations

    return {
        frozenset(c): np.array(float(game(frozenset(c))))
        for size in range(len(players) + 1)
        for c in combinations(players, size)
    }


def test_shapley_shares_of_the_glove_game():
    """Two left gloves and one right glove, a pair is worth 1: 2/3 for the right glove, 1/6 for each left one.

    A standard textbook example of cooperative game theory; from memory.
    """

    def pair(owners):
        return float("right" in owners and bool(owners & {"left 1", "left 2"}))

    players = ("left 1", "left 2", "right")
    np.testing.assert_allclose(shapley(worth(pair, players), players), [1 / 6, 1 / 6, 2 / 3])


def test_shapley_shares_of_the_airport_game():
    """Runways of cost 1, 2 and 3: 1/3, 1/3 + 1/2 and 1/3 + 1/2 + 1.

    Littlechild and Owen, A simple expression for the Shapley value in a special case, Management Science 20 (1973);
    from memory.
    """
    cost = {"small": 1.0, "middle": 2.0, "large": 3.0}
    players = tuple(cost)
    shares = shapley(worth(lambda c: max((cost[p] for p in c), default=0.0), players), players)
    np.testing.assert_allclose(shares, [1 / 3, 1 / 3 + 1 / 2, 1 / 3 + 1 / 2 + 1])


@given(st.integers(1, 5), st.integers(0, 2**32 - 1))
def test_shares_add_up_and_what_changes_nothing_has_no_share(n, seed):
    rng = np.random.default_rng(seed)
    players = tuple("abcde"[:n])
    values = {k: rng.normal(size=(2, 3)) for k in worth(lambda c: 0.0, players)}
    shares = shapley(values, players)
    assert shares.shape == (2, 3, n)
    np.testing.assert_allclose(shares.sum(axis=-1), values[frozenset(players)] - values[frozenset()], atol=1e-12)
    idle = {k | extra: v for k, v in values.items() for extra in (frozenset(), frozenset("z"))}
    with_idle = shapley(idle, (*players, "z"))
    np.testing.assert_allclose(with_idle[..., -1], 0.0, atol=1e-12)
    np.testing.assert_allclose(with_idle[..., :-1], shares, atol=1e-12)


def test_two_causes_that_do_the_same_have_the_same_share():
    values = worth(lambda c: len(c & {"a", "b"}) ** 2 + 3.0 * ("c" in c), ("a", "b", "c"))
    assert shapley(values, ("a", "b", "c")).tolist() == pytest.approx([2.0, 2.0, 3.0])


def test_no_cause_no_share():
    assert shapley({frozenset(): np.zeros((4, 2))}, ()).shape == (4, 2, 0)

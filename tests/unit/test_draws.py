"""Distributions of ranges, and levels interpolated between their nodes."""

from __future__ import annotations

import numpy as np
import pytest

from lineside.acoustics.bands import Array
from lineside.engine.draws import Distribution, Response, acting, at_receiver, energy, offset, response
from lineside.engine.sure import Settings, analyse

HOURS = np.array([12.0, 4.0, 8.0])
U = (np.arange(200_000) + 0.5) / 200_000
SETTINGS = Settings(up_to=13, settled_db=0.05, direct=0, seed=1)


@pytest.mark.parametrize("form", ["triangular", "uniform"])
def test_bounded_shapes_end_at_low_and_high(form) -> None:
    x = Distribution(1.0, 2.0, 5.0, form).at(U)
    assert 1.0 <= x.min() < 1.01 and 4.99 < x.max() <= 5.0 and np.all(np.diff(x) >= 0)
    mean = {"triangular": 8.0 / 3.0, "uniform": 3.0}[form]
    assert np.isclose(x.mean(), mean, atol=1e-4)


@pytest.mark.parametrize("form", ["normal", "lognormal"])
def test_open_shapes_hold_9_in_10_between_low_and_high_with_likely_in_the_middle(form) -> None:
    x = Distribution(1.0, 2.0, 5.0, form).at(U)
    assert np.allclose(np.quantile(x, (0.05, 0.5, 0.95)), (1.0, 2.0, 5.0), atol=1e-3)
    assert (x.min() > 0.0) == (form == "lognormal")


def test_a_range_without_width_is_its_value() -> None:
    assert np.all(Distribution(3.0, 3.0, 3.0, "normal").at(U) == 3.0)


def at_values(answer: Response, base: Array, x: list[float]) -> Array:
    t = answer.t(np.array(x))[:, None]
    here = at_receiver(base, [answer], 0)
    return energy(here.base, [acting(here, [0], t)], len(x))


def test_numbers_of_trains_act_exactly_and_so_do_levels_and_speeds() -> None:
    base = np.array([[[2.0, 3.0], [5.0, 0.5]]])  # one receiver, two parts, two columns
    x = [60.0, 75.0, 80.0, 97.0, 120.0]

    def trains(n: float) -> Array:  # the first part has as many trains, the second does not depend on them
        return base * np.array([n / 80.0, 1.0])[None, :, None]

    def speed(v: float) -> Array:
        return base * np.array([(v / 80.0) ** 3, v / 80.0])[None, :, None]

    def shift(db: float) -> Array:
        return base * 10.0 ** (0.1 * np.array([1.0, 0.25]) * (db - 80.0))[None, :, None]

    for form, law in (("uniform", trains), ("lognormal", speed), ("normal", shift)):
        answer = response(Distribution(60.0, 80.0, 120.0, form), base, law(60.0), law(120.0))
        wanted = np.array([law(v)[0].sum(axis=0) for v in x])
        assert np.allclose(at_values(answer, base, x), wanted, rtol=1e-9), law.__name__


def test_a_part_that_is_silent_at_likely_is_heard_beyond_it() -> None:
    base, high = np.array([[[4.0], [0.0]]]), np.array([[[4.0], [2.0]]])
    answer = response(Distribution(0.0, 0.0, 10.0, "triangular"), base, base, high)
    assert np.allclose(at_values(answer, base, [0.0, 5.0, 10.0])[:, 0], [4.0, 5.0, 6.0])


def test_silence_at_an_end_is_no_energy() -> None:
    base = np.array([[[4.0]]])
    answer = response(Distribution(0.0, 4.0, 8.0, "triangular"), base, 0.0 * base, 2.0 * base)
    assert np.allclose(at_values(answer, base, [0.0, 2.0, 8.0])[:, 0], [0.0, 2.0, 8.0])


def one_receiver(n_parts: int = 1) -> Array:
    return np.full((1, n_parts, 3), 1e5)


def offsets(base: Array, *halves: tuple[float, list[int]]) -> list[Response]:
    out = []
    for half, parts in halves:
        acts = np.isin(np.arange(base.shape[1]), parts)
        out.append(offset(np.full(len(base), half), acts, base.shape))
    return out


def test_errors_of_the_whole_level_add_up_as_normal_ones_do() -> None:
    base = one_receiver()
    found = analyse(base, offsets(base, (2.0, [0]), (3.0, [0])), {"a": [0], "b": [1]}, HOURS, SETTINGS)
    half = np.sqrt(2.0**2 + 3.0**2)
    low, middle, high = found.bounds[:, 0, 1]
    assert np.allclose([low, middle, high], 50.0 + np.array([-half, 0.0, half]), atol=0.03)
    assert np.allclose(found.first[:, 0, 1], [4.0 / 13.0, 9.0 / 13.0], atol=0.01)
    assert np.allclose(found.total[:, 0, 1], [4.0 / 13.0, 9.0 / 13.0], atol=0.01)
    wanted = [2.0 * (half - 3.0), 2.0 * (half - 2.0)]
    assert np.allclose(found.narrower_db[:, 0, 1], wanted, atol=0.06), "width without each of them"
    assert found.moved_db < SETTINGS.settled_db


def test_no_doubt_is_an_interval_without_width() -> None:
    base = one_receiver(2)
    for responses in ([], offsets(base, (0.0, [0]))):
        found = analyse(base, responses, {"a": list(range(len(responses)))}, HOURS, SETTINGS)
        assert np.ptp(found.bounds, axis=0).max() == 0.0
        assert np.allclose(found.bounds[1, 0, 1:], 10.0 * np.log10(2e5))


def test_more_doubt_is_wider() -> None:
    base = one_receiver(2)
    widths = []
    for half in (0.5, 1.0, 2.0, 4.0):
        found = analyse(base, offsets(base, (half, [0]), (1.0, [1])), {"a": [0], "b": [1]}, HOURS, SETTINGS)
        widths.append(np.ptp(found.bounds, axis=0)[0])
    assert np.all(np.diff(np.array(widths), axis=0) > 0.0)


def test_doubt_about_a_quiet_part_counts_little() -> None:
    base = np.array([[[1e6] * 3, [1e3] * 3]])
    found = analyse(base, offsets(base, (3.0, [0]), (3.0, [1])), {"loud": [0], "quiet": [1]}, HOURS, SETTINGS)
    assert found.first[0, 0, 0] > 0.99 and found.total[1, 0, 0] < 0.01


def test_no_number_depends_on_the_number_of_workers_or_on_other_receivers() -> None:
    rng = np.random.default_rng(5)
    base = rng.random((5, 4, 3)) * 1e5
    responses = offsets(base, (2.0, [0, 1]), (3.0, [2]), (1.0, [0, 3]))
    groups = {"a": [0], "b": [1, 2]}
    one, two = (analyse(base, responses, groups, HOURS, SETTINGS, workers=w) for w in (1, 2))
    for name in ("level_db", "bounds", "first", "total", "narrower_db"):
        assert getattr(one, name).tobytes() == getattr(two, name).tobytes()
    few = Settings(8, 1.0, 0, 1)
    alone = analyse(base[3:4], offsets(base[3:4], (2.0, [0, 1]), (3.0, [2]), (1.0, [0, 3])), groups, HOURS, few)
    assert np.array_equal(alone.level_db[:, 0], analyse(base, responses, groups, HOURS, few).level_db[:, 3])


def test_draws_are_doubled_until_bounds_stay() -> None:
    base = one_receiver(6)
    responses = offsets(base, *((2.0 + k, [k]) for k in range(6)))
    groups = {str(k): [k] for k in range(6)}
    coarse, fine = (analyse(base, responses, groups, HOURS, Settings(14, s, 0, 1)) for s in (1.0, 0.01))
    assert len(coarse.level_db) < len(fine.level_db)
    assert coarse.moved_db < 1.0 and fine.moved_db < 0.01
    capped = analyse(base, responses, groups, HOURS, Settings(8, 0.01, 0, 1))
    assert len(capped.level_db) == 2 * 2**8

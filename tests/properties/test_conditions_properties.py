"""Shares of time: they add up whatever is written; wind roses turn with the wind; more rain, no drier rails."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from lineside.acoustics.bands import Array
from lineside.project.load import load_project
from lineside.project.weather import rail_shares
from lineside.scene.wind_rose import WindRose
from sites import straight_site, write_site

PERIODS = ("day", "evening", "night")


@st.composite
def written_share(draw: st.DrawFn, highest: float) -> tuple[Any, Array]:
    """A share as a project may write it, in one of its forms, and its value by month and period (12, 3)."""
    value = st.floats(0, highest)

    def constant() -> tuple[Any, list[float]]:
        if draw(st.booleans()):
            one = draw(value)
            return one, [one] * 3
        three = [draw(value) for _ in PERIODS]
        return dict(zip(PERIODS, three, strict=True)), three

    table = np.empty((12, 3))
    if draw(st.booleans()):
        given_as, table[:] = constant()
        return given_as, table
    months = draw(st.permutations(range(1, 13)))
    cuts = sorted(draw(st.sets(st.integers(1, 11), max_size=4)))
    seasons = []
    for start, end in zip([0, *cuts], [*cuts, 12], strict=True):
        share, values = constant()
        table[[m - 1 for m in months[start:end]]] = values
        seasons.append({"months": list(months[start:end]), "share": share})
    return seasons, table


@st.composite
def shares_of_states(draw: st.DrawFn) -> tuple[list[Any], Array]:
    n = draw(st.integers(1, 4))
    found = [draw(written_share(1 / n)) for _ in range(n - 1)]
    rest = 1 - sum((table for _, table in found), np.zeros((12, 3)))
    digits = draw(st.sampled_from([4, 16]))
    last = [
        {"months": [m + 1], "share": dict(zip(PERIODS, np.round(np.clip(rest[m], 0, 1), digits).tolist(), strict=True))}
        for m in range(12)
    ]
    return [*(share for share, _ in found), last], np.stack([*(table for _, table in found), rest])


@settings(max_examples=60, deadline=None)
@given(shares_of_states())
def test_shares_of_states_add_up_to_one_in_every_month_and_period(given_shares: tuple[list[Any], Array]) -> None:
    shares, expected = given_shares
    site = straight_site()
    site["conditions"] = {
        "air": [
            {"id": f"state {k}", "share": share, "temperature_deg_c": 10 + k, "humidity_pct": 70}
            for k, share in enumerate(shares)
        ]
    }
    with tempfile.TemporaryDirectory() as name:
        (condition,) = load_project(write_site(site, Path(name))).conditions
    found = np.stack([state.share for state in condition.states])
    np.testing.assert_allclose(found.sum(axis=0), 1.0, rtol=1e-14)
    np.testing.assert_allclose(found, expected, atol=2e-4)
    assert found.min() >= 0


NUMBER_OF_DIRECTIONS = st.sampled_from([4, 8, 12, 16, 36, 72])


@st.composite
def roses(draw: st.DrawFn, n_directions: st.SearchStrategy[int] = NUMBER_OF_DIRECTIONS) -> WindRose:
    n = draw(n_directions)
    speeds = draw(st.lists(st.floats(0, 20), min_size=1, max_size=3, unique=True))
    weight = np.array(draw(st.lists(st.floats(0.01, 1), min_size=n * len(speeds) + 1, max_size=n * len(speeds) + 1)))
    share = weight / weight.sum()
    offset = draw(st.floats(0, 360 / n))
    middles = np.tile(offset + 360 / n * np.arange(n), len(speeds))
    return WindRose(middles, 360 / n, np.repeat(speeds, n), share[None, :-1], share[-1:])


THRESHOLD = st.floats(0, 8)
INVERSION = st.floats(0, 1).map(lambda x: np.array([x]))


@given(roses(), THRESHOLD, INVERSION)
def test_favourable_shares_are_shares(rose: WindRose, threshold: float, inversion: Array) -> None:
    share = rose.favourable(threshold, inversion).share
    assert share.shape == (1, 36) and share.min() >= 0 and share.max() <= 1


@given(roses(), THRESHOLD, INVERSION, st.integers(1, 35))
def test_rotating_the_rose_rotates_the_shares(rose: WindRose, threshold: float, inversion: Array, k: int) -> None:
    turned = WindRose(np.mod(rose.from_deg + 10.0 * k, 360), rose.sector_deg, rose.speed_m_s, rose.share, rose.calm)
    before, after = rose.favourable(threshold, inversion), turned.favourable(threshold, inversion)
    np.testing.assert_allclose(after.share, np.roll(before.share, k, axis=1), atol=1e-9)


@given(NUMBER_OF_DIRECTIONS, st.floats(0, 360), st.floats(0.1, 30), THRESHOLD)
def test_winds_from_everywhere_favour_no_direction(n: int, offset: float, speed: float, threshold: float) -> None:
    """All directions alike: arccos(t / v) / 180 of the time, whatever the sectors of the rose."""
    rose = WindRose(offset + 360 / n * np.arange(n), 360 / n, np.full(n, speed), np.full((1, n), 1 / n), np.zeros(1))
    share = rose.favourable(threshold, np.zeros(1)).share
    expected = np.arccos(min(threshold / speed, 1.0)) / np.pi
    np.testing.assert_allclose(share, expected, atol=1e-9)


@given(roses(), THRESHOLD, THRESHOLD)
def test_a_higher_threshold_is_never_more_favourable(rose: WindRose, a: float, b: float) -> None:
    low, high = (rose.favourable(t, np.zeros(1)).share for t in sorted((a, b)))
    assert np.all(high <= low + 1e-12)


@settings(max_examples=25, deadline=None)
@given(roses(), THRESHOLD, INVERSION)
def test_agrees_with_counting_winds(rose: WindRose, threshold: float, inversion: Array) -> None:
    """2000 directions in each sector, each asked for its component towards the receiver."""
    inside = (np.arange(2000) + 0.5) / 2000 - 0.5
    towards = np.radians(rose.from_deg[:, None] + rose.sector_deg * inside + 180)  # (n, 2000)
    expected = np.empty(36)
    for k in range(36):
        component = rose.speed_m_s[:, None] * np.cos(towards - np.radians(10 * k + 5))
        expected[k] = rose.share[0] @ np.mean(component > threshold, axis=1)
    still = rose.calm[0] + rose.share[0, rose.speed_m_s <= threshold].sum()
    found = rose.favourable(threshold, inversion).share[0]
    np.testing.assert_allclose(found, expected + still * inversion[0], atol=1e-3)


HOURS = np.array([12.0, 4.0, 8.0])
MONTHLY = st.lists(st.floats(0, 1), min_size=36, max_size=36).map(lambda v: np.reshape(v, (12, 3)))


@given(MONTHLY, MONTHLY, st.floats(0, 10), st.floats(50, 99.9))
def test_rail_shares_add_up_and_are_shares(rain: Array, humidity: Array, drying: float, damp_from: float) -> None:
    share = rail_shares(rain * HOURS, 100 * humidity, HOURS, drying, damp_from)
    np.testing.assert_allclose(share.sum(axis=0), 1.0, rtol=1e-14)
    assert share.min() >= 0 and share.max() <= 1


@given(MONTHLY, MONTHLY, MONTHLY, st.floats(0, 10), st.floats(50, 99.9))
def test_more_rain_or_damper_air_is_never_drier(
    rain: Array, more: Array, humidity: Array, drying: float, damp_from: float
) -> None:
    wetter = np.minimum(rain + more, 1.0)
    dry, _, wet = rail_shares(rain * HOURS, 100 * humidity, HOURS, drying, damp_from)
    less_dry, _, more_wet = rail_shares(wetter * HOURS, 100 * humidity, HOURS, drying, damp_from)
    assert np.all(less_dry <= dry + 1e-15) and np.all(more_wet >= wet)
    damper = rail_shares(rain * HOURS, 100 * np.maximum(humidity, more), HOURS, drying, damp_from)
    assert np.all(damper[0] <= dry + 1e-15) and np.array_equal(damper[2], wet)

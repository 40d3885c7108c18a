"""What must hold for the wear model whatever the numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lineside.acoustics.levels import to_db, to_energy
from lineside_plugins.rail_wear.bands import WAVELENGTHS_MM
from lineside_plugins.rail_wear.fit import fit_pass, measurement
from lineside_plugins.rail_wear.history import Work, section_roughness_energy, section_roughness_parts, surface_works
from lineside_plugins.rail_wear.marks import band_shares, marks_shape, tone_hz, tone_shares
from lineside_plugins.rail_wear.parameters import default_ranges, draw, with_given
from lineside_plugins.rail_wear.wear import interval, mgt_per_day, when_within

DAY = date(2026, 3, 1)
DATES = [DAY + timedelta(days=n) for n in range(0, 720, 30)]
RANGES = default_ranges()
NO_GROWTH = with_given(with_given(RANGES, "growth_straight_db_per_year", 0.0), "growth_curve_db_per_year", 0.0)
BASE_DB = np.linspace(20.0, -19.0, 35)

rates = st.floats(1e-4, 0.5)
pitches = st.floats(5.0, 100.0)
spreads = st.floats(0.0, 0.9)
seeds = st.integers(0, 2**31)
radii = st.sampled_from([np.inf, 900.0, 500.0, 300.0, 180.0])
works = st.builds(
    Work,
    date=st.integers(-400, 700).map(lambda n: DAY + timedelta(days=n)),
    kind=st.sampled_from(["grinding", "milling", "rail_renewal", "tamping", "rail_pads", "lubrication"]),
    machine=st.sampled_from(["rotating_stones", "oscillating_stones", "high_speed"]),
    finish=st.sampled_from(["production", "acoustic"]),
    pitch_mm=st.none() | pitches,
    spread_ratio=st.sampled_from([0.0, 0.1, 0.3]),
)
histories = st.lists(works, max_size=5, unique_by=lambda w: (w.date, w.kind))


def roughness(done, dates, rate, radius, parameters):
    return section_roughness_energy(BASE_DB, done, dates, rate, radius, parameters)


@given(rate=rates, factor=st.floats(1.05, 20.0), pitch=pitches, seed=seeds)
@settings(max_examples=40, deadline=None)
def test_more_traffic_fades_faster(rate, factor, pitch, seed):
    parameters = draw(NO_GROWTH, 5, seed)
    work = [Work(DAY, "grinding", pitch_mm=pitch)]
    slow, fast = (roughness(work, DATES, r, np.inf, parameters) for r in (rate, rate * factor))
    assert np.array_equal(slow[:, 0], fast[:, 0])
    assert np.all(fast <= slow)
    left = slow[:, 1] > to_energy(BASE_DB) * 1.001
    assert left.any() or rate > 0.05
    assert np.all(fast[:, 1][left] < slow[:, 1][left])


@given(rate=rates, pitch=pitches, seed=seeds)
@settings(max_examples=40, deadline=None)
def test_twice_the_traffic_in_half_the_time_is_the_same(rate, pitch, seed):
    """Without growth only the tonnage counts."""
    parameters = draw(NO_GROWTH, 5, seed)
    work = [Work(DAY, "grinding", pitch_mm=pitch)]
    later = [DAY + timedelta(days=2 * (d - DAY).days) for d in DATES]
    once, twice = roughness(work, later, rate, np.inf, parameters), roughness(work, DATES, 2 * rate, np.inf, parameters)
    np.testing.assert_allclose(once, twice, rtol=1e-9)


@given(rate=rates, radius=radii, seed=seeds, pitch=pitches)
@settings(max_examples=40, deadline=None)
def test_finish_and_marks_only_fade_and_growth_only_grows(rate, radius, seed, pitch):
    parts = section_roughness_parts(
        BASE_DB, [Work(DAY, "grinding", pitch_mm=pitch)], DATES, rate, radius, draw(RANGES, 5, seed)
    )
    for name in ("finish", "marks"):
        assert np.all(np.diff(parts[name], axis=1) <= 0.0)
        assert np.all(parts[name] >= 0.0)
    assert np.all(np.diff(parts["growth"], axis=1) >= 0.0)
    assert np.array_equal(parts["base"], np.broadcast_to(to_energy(BASE_DB), parts["base"].shape))


@given(rate=rates, radius=radii, seed=seeds, kinds=st.lists(st.sampled_from(["tamping", "rail_pads", "other"])))
@settings(max_examples=30, deadline=None)
def test_without_a_new_surface_nothing_changes(rate, radius, seed, kinds):
    done = [Work(DAY + timedelta(days=60), kind) for kind in kinds]
    energy = roughness(done, DATES, rate, radius, draw(RANGES, 4, seed))
    assert np.array_equal(energy, np.broadcast_to(to_energy(BASE_DB), energy.shape))


@given(done=histories, rate=rates, radius=radii, seed=seeds)
@settings(max_examples=60, deadline=None)
def test_never_below_the_worn_in_surface_and_never_unknown(done, rate, radius, seed):
    energy = roughness(done, DATES, rate, radius, draw(RANGES, 4, seed))
    assert np.all(np.isfinite(energy))
    assert np.all(energy >= to_energy(BASE_DB))


@given(done=histories, rate=rates, radius=radii, data=st.data())
@settings(max_examples=60, deadline=None)
def test_order_of_works_and_dates_is_irrelevant(done, rate, radius, data):
    parameters = draw(RANGES, 3, 1)
    other = data.draw(st.permutations(done))
    order = data.draw(st.permutations(range(len(DATES))))
    energy = roughness(done, DATES, rate, radius, parameters)
    shuffled = roughness(other, [DATES[i] for i in order], rate, radius, parameters)
    assert np.array_equal(energy[:, order], shuffled)


@given(done=histories, rate=rates, radius=radii)
@settings(max_examples=60, deadline=None)
def test_only_the_last_surface_counts(done, rate, radius):
    parameters = draw(RANGES, 3, 1)
    energy = roughness(done, DATES[-1:], rate, radius, parameters)
    last = [w for w in surface_works(done) if w.date <= DATES[-1]][-1:]
    assert np.array_equal(energy, roughness(last, DATES[-1:], rate, radius, parameters))


@given(done=histories, rate=rates, radius=radii, seed=seeds)
@settings(max_examples=30, deadline=None)
def test_dates_do_not_influence_each_other(done, rate, radius, seed):
    parameters = draw(RANGES, 3, seed)
    together = roughness(done, DATES, rate, radius, parameters)
    for i in (0, 11, 23):
        assert np.array_equal(together[:, i : i + 1], roughness(done, [DATES[i]], rate, radius, parameters))


@given(seed=seeds, n=st.integers(1, 60))
@settings(max_examples=40, deadline=None)
def test_draws_are_reproducible_by_seed_whatever_else_is_drawn(seed, n):
    first, again = draw(RANGES, n, seed), draw(dict(reversed(RANGES.items())), n, seed)
    fewer = draw({name: RANGES[name] for name in ("marks_db", "marks_fade_mgt")}, n, seed)
    for name in RANGES:
        assert np.array_equal(first[name], again[name])
    assert np.array_equal(first["marks_db"], fewer["marks_db"])
    assert not np.array_equal(first["marks_db"], draw(RANGES, n, seed + 1)["marks_db"])
    if n > 9:
        assert abs(np.corrcoef(first["marks_db"], np.log(first["marks_fade_mgt"]))[0, 1]) < 0.999


@given(pitch=st.floats(3.0, 1200.0), spread=spreads)
@settings(max_examples=200, deadline=None)
def test_splitting_marks_keeps_their_energy(pitch, spread):
    shares = band_shares(pitch, spread)[0]
    assert shares.sum() == pytest.approx(1.0)
    assert np.all(shares >= 0.0)
    touched = np.flatnonzero(shares)
    assert np.array_equal(touched, np.arange(touched[0], touched[-1] + 1))
    assert marks_shape(pitch, [-10.0, -np.inf], spread).sum() == pytest.approx(1.1)


@given(speed=st.floats(10.0, 300.0), pitch=pitches, factor=st.floats(0.2, 5.0), spread=st.floats(0.0, 0.4))
@settings(max_examples=100, deadline=None)
def test_tone_follows_speed(speed, pitch, factor, spread):
    assert float(tone_hz(speed * factor, pitch)) == pytest.approx(factor * float(tone_hz(speed, pitch)))
    assert float(tone_hz(speed, pitch * factor)) == pytest.approx(float(tone_hz(speed, pitch)) / factor)
    assert tone_shares(speed, pitch, spread).sum() <= 1.0 + 1e-9


@given(trains=st.lists(st.tuples(st.floats(0, 500), st.integers(2, 200), st.floats(4, 25)), min_size=1, max_size=6))
@settings(deadline=None)
def test_tonnage_of_services_adds(trains):
    columns = np.array(trains).T
    assert mgt_per_day(*columns) == pytest.approx(sum(mgt_per_day(*row) for row in trains))


@given(rate=st.floats(0.005, 0.2), seed=seeds)
@settings(max_examples=30, deadline=None)
def test_a_wider_margin_is_reached_earlier(rate, seed):
    parameters = draw(NO_GROWTH, 20, seed)
    energy = roughness([Work(DAY, "grinding", pitch_mm=27.8)], DATES, rate, np.inf, parameters)
    band = int(np.flatnonzero(WAVELENGTHS_MM == 25.0)[0])
    excess_db = to_db(energy[:, :, band]) - BASE_DB[band]
    day = np.array([(d - DAY).days for d in DATES], dtype=np.float64)
    back = [when_within(excess_db, day, margin) for margin in (3.0, 2.0, 1.0)]
    assert np.all(back[0].day <= back[1].day)
    assert np.all(back[1].day <= back[2].day)
    assert all(np.isinf(b.leaves_day).all() for b in back)
    low, likely, high = interval(back[2].day)
    assert low <= likely <= high


def test_inputs_are_left_alone():
    base, parameters = BASE_DB.copy(), draw(RANGES, 5, 1)
    before = {name: values.copy() for name, values in parameters.values.items()}
    roughness([Work(DAY, "grinding")], DATES, 0.05, 300.0, parameters)
    assert np.array_equal(base, BASE_DB)
    assert all(np.array_equal(parameters[name], before[name]) for name in before)


@given(
    days=st.lists(st.integers(0, 300), min_size=1, max_size=4, unique=True),
    rate=st.floats(0.002, 0.2),
    truth=seeds,
    noise=st.floats(0.0, 8.0),
)
@settings(max_examples=80, deadline=None)
def test_a_fit_settles_and_never_is_wider_than_its_start(days, rate, truth, noise):
    work = Work(DAY, "grinding", pitch_mm=27.8)
    dates = [DAY + timedelta(days=n) for n in days]
    level_db = to_db(roughness([work], dates, rate, np.inf, draw(RANGES, 1, truth)))[0]
    level_db = level_db + np.random.default_rng(truth).normal(0.0, 1.0, level_db.shape) * noise
    spectra = [measurement(when, WAVELENGTHS_MM[9:28], one[9:28]) for when, one in zip(dates, level_db, strict=True)]
    found = fit_pass(work, spectra, BASE_DB, rate, np.inf, RANGES)
    for name in found.correlation.names:
        after, start = np.diff(found.ranges[name].scaled), np.diff(RANGES[name].scaled)
        assert np.all(after <= start * (1.0 + 1e-9))
    assert found.ranges["marks_db"] == replace(found.ranges["marks_db"])
    assert np.all(np.isfinite(draw(found.ranges, 20, 1, found.correlation)["marks_fade_mgt"]))

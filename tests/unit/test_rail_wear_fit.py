"""Fitting a pass to spectra: made from known parameters, it must find them again.

Computed: the spectra come from the model itself, so that the truth is known; no measured series was at hand.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from lineside.acoustics.levels import to_db
from lineside.contracts import Standing
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear import fit as fit_module
from lineside_plugins.rail_wear.bands import WAVELENGTHS_MM, band_of
from lineside_plugins.rail_wear.fit import fit_pass, fit_work, measurement
from lineside_plugins.rail_wear.history import Work, section_roughness_energy
from lineside_plugins.rail_wear.parameters import Z95, default_ranges, draw, likely, with_given

DAY = date(2026, 5, 1)
WORK = Work(DAY, "grinding", pitch_mm=27.8)
BASE_DB = np.linspace(10.0, -20.0, 35)
RATE = 0.04
FITTED = ("marks_fade_mgt", "finish_production_db", "marks_db")
MEASURED = slice(band_of(250.0), band_of(4.0) + 1)
TRUTH = {"marks_fade_mgt": 0.8, "finish_production_db": 2.5, "marks_db": 12.5}


def spectra(days, truth=TRUTH, noise_db=0.0, seed=1):
    ranges = default_ranges()
    for name, value in truth.items():
        ranges = with_given(ranges, name, value)
    dates = [DAY + timedelta(days=n) for n in days]
    energy = section_roughness_energy(BASE_DB, [WORK], dates, RATE, np.inf, likely(ranges))[0]
    noise = np.random.default_rng(seed).normal(0.0, 1.0, energy.shape) * noise_db
    return [
        measurement(when, WAVELENGTHS_MM[MEASURED], level[MEASURED])
        for when, level in zip(dates, to_db(energy) + noise, strict=True)
    ]


def fitted(measurements, ranges=None, base_db=BASE_DB, work=WORK):
    return fit_pass(work, measurements, base_db, RATE, np.inf, ranges or default_ranges())


def test_exact_spectra_give_the_parameters_back_but_for_the_pull_of_the_default_range():
    found = fitted(spectra([0, 15, 30, 55]))
    for name in FITTED:
        found_one, default = found.ranges[name], default_ranges()[name]
        assert found_one.low < TRUTH[name] < found_one.high
        assert abs(found_one.likely - TRUTH[name]) < 0.25 * abs(default.likely - TRUTH[name])
    assert found.rms_db < 0.2
    assert found.n_steps < 20
    assert found.residual_db.size == 4 * (MEASURED.stop - MEASURED.start)


def test_precise_spectra_give_them_back_exactly():
    """With 0.001 dB as standard deviation the default range no longer pulls; 2.2 MGT is too early for growth."""
    found = fitted(spectra([0, 15, 30, 55]), with_given(default_ranges(), "measured_sd_db", 0.001))
    assert {name: found.ranges[name].likely for name in FITTED} == pytest.approx(TRUTH, rel=1e-5)


def test_growth_and_the_work_s_own_surface_are_part_of_the_fitted_model():
    """Two years on in a tight curve, on a surface of its own; true is the likely tonnage, on which growth rests."""
    smooth = replace(WORK, base_db=tuple(BASE_DB - 5.0))
    ranges = with_given(with_given(default_ranges(), "finish_production_db", 2.5), "marks_db", 12.5)
    dates = [DAY + timedelta(days=n) for n in (20, 60, 730)]
    energy = section_roughness_energy(BASE_DB, [smooth], dates, RATE, 200.0, likely(ranges))[0]
    measured = [
        measurement(when, WAVELENGTHS_MM[MEASURED], level_db[MEASURED])
        for when, level_db in zip(dates, to_db(energy), strict=True)
    ]
    precise = with_given(default_ranges(), "measured_sd_db", 0.001)
    found = fit_pass(smooth, measured, BASE_DB, RATE, 200.0, precise)
    assert [found.ranges[name].likely for name in FITTED] == pytest.approx([1.5, 2.5, 12.5], rel=1e-4)
    assert found.rms_db < 1e-3


def test_the_interval_narrows_with_each_spectrum():
    widths = []
    for days in ([], [15], [15, 40], [15, 40, 80]):
        ranges = fitted(spectra(days)).ranges if days else default_ranges()
        widths.append([np.diff(ranges[name].scaled).tolist() for name in FITTED])
    assert np.all(np.diff(np.array(widths), axis=0) < 0.0)


def test_a_fit_says_that_it_is_one():
    found = fitted(spectra([15])).ranges
    assert all(
        found[name].standing is Standing.USER and "measured spectra (1)" in found[name].source for name in FITTED
    )
    assert found["growth_cap_db"] == default_ranges()["growth_cap_db"]


def test_truth_lies_inside_the_interval_as_often_as_it_should():
    """90 % intervals, 60 noisy series with truths drawn from the default ranges: 54 expected, 3 sd are 7."""
    truths = draw(default_ranges(), 60, 11)
    inside = np.zeros(len(FITTED))
    for n in range(60):
        truth = {name: float(truths[name][n]) for name in FITTED}
        found = fitted(spectra([0, 20, 60], truth, noise_db=2.0, seed=n)).ranges
        inside += [found[name].low <= truth[name] <= found[name].high for name in FITTED]
    assert np.all(inside >= 47)


def test_bad_agreement_widens_the_interval():
    quiet, noisy = fitted(spectra([0, 20, 60])), fitted(spectra([0, 20, 60], noise_db=6.0))
    assert noisy.rms_db > 4.0
    for name in FITTED:
        assert np.ptp(noisy.ranges[name].scaled) > 1.5 * np.ptp(quiet.ranges[name].scaled)


def test_what_spectra_say_nothing_about_keeps_its_range():
    """Only long waves were measured, which neither finish nor marks reach."""
    found = fitted([measurement(DAY, [250.0, 200.0], [3.0, 2.0])]).ranges
    for name in FITTED:
        default = default_ranges()[name]
        assert (found[name].low, found[name].likely, found[name].high) == pytest.approx(
            (default.low, default.likely, default.high)
        )


def test_an_acoustic_pass_fits_without_finish_or_marks():
    work = Work(DAY, "grinding", finish="acoustic")
    found = fitted(spectra([10]), work=work)
    assert found.ranges["marks_db"].likely == pytest.approx(10.0)


def test_fitted_draws_are_correlated_and_reproducible():
    """A spectrum 40 days later cannot tell loud marks that fade quickly from quiet ones that fade slowly."""
    found = fitted(spectra([40]))
    values = draw(found.ranges, 2000, 5, found.correlation)
    assert found.correlation.matrix[0, 2] < -0.5
    seen = np.corrcoef(np.log(values["marks_fade_mgt"]), values["marks_db"])[0, 1]
    assert seen == pytest.approx(found.correlation.matrix[0, 2], abs=0.05)
    again = draw(found.ranges, 2000, 5, found.correlation)
    assert all(np.array_equal(values[name], again[name]) for name in values.values)
    r = found.ranges["marks_db"]
    assert np.quantile(values["marks_db"], [0.05, 0.95]) == pytest.approx([r.low, r.high], abs=0.25)


def test_derivatives_agree_with_differences():
    problem = fit_module._problem(WORK, spectra([5, 30]), BASE_DB, RATE, np.inf, default_ranges())
    x = np.array([np.log(1.1), 1.0, 9.0])
    slope = problem.model(x)[1]
    for i in range(3):
        step = np.zeros(3)
        step[i] = 1e-6
        difference = (problem.model(x + step)[0] - problem.model(x - step)[0]) / 2e-6
        np.testing.assert_allclose(slope[:, i], difference, atol=1e-6)


def test_the_solution_is_a_minimum():
    problem = fit_module._problem(WORK, spectra([5, 30], noise_db=3.0), BASE_DB, RATE, np.inf, default_ranges())
    x, _ = fit_module._solve(problem)
    for step in np.vstack([np.eye(3), -np.eye(3)]) * 0.01:
        assert problem.cost(x + step) > problem.cost(x)


@pytest.mark.parametrize("offset_db", [-60.0, 60.0])
def test_absurd_spectra_still_settle(offset_db):
    shifted = [replace(s, level_db=s.level_db + offset_db) for s in spectra([0, 30])]
    found = fitted(shifted)
    assert found.rms_db > 10.0
    assert all(np.isfinite(found.ranges[name].scaled).all() for name in FITTED)


def test_no_convergence_is_said(monkeypatch):
    monkeypatch.setattr(fit_module, "_MAX_STEPS", 1)
    with pytest.raises(OutOfRangeError, match="did not settle in 1 steps"):
        fitted(spectra([0, 30]))


def test_wrong_input_is_refused():
    with pytest.raises(OutOfRangeError, match="at least one"):
        fitted([])
    with pytest.raises(OutOfRangeError, match="before the pass"):
        fitted([measurement(DAY - timedelta(days=1), [25.0], [3.0])])
    with pytest.raises(OutOfRangeError, match="finite"):
        fitted([measurement(DAY, [25.0], [np.nan])])
    with pytest.raises(OutOfRangeError, match="nominal"):
        measurement(DAY, [23.0], [3.0])
    with pytest.raises(OutOfRangeError, match="nominal"):
        measurement(DAY, [25.0, 25.0], [3.0, 4.0])


def test_a_parameter_without_a_range_stays_and_the_others_are_fitted():
    ranges = with_given(default_ranges(), "marks_db", TRUTH["marks_db"], source="measured elsewhere")
    found = fitted(spectra([0, 15, 30, 55]), ranges).ranges
    assert found["marks_db"] == ranges["marks_db"]
    for name in ("marks_fade_mgt", "finish_production_db"):
        assert found[name].low < TRUTH[name] < found[name].high
        assert np.ptp(found[name].scaled) < 0.5 * np.ptp(ranges[name].scaled)
    all_given = {name: with_given(ranges, name, TRUTH[name])[name] for name in FITTED}
    assert fitted(spectra([5]), {**ranges, **all_given}).ranges == {**ranges, **all_given}


def test_an_unknown_pitch_is_the_one_that_the_spectra_show():
    unknown = replace(WORK, pitch_mm=None)
    for pitch, band in ((27.8, 25.0), (31.5, 31.5), (44.4, 40.0), (50.0, 50.0)):
        true = likely({**default_ranges(), **{n: with_given(default_ranges(), n, v)[n] for n, v in TRUTH.items()}})
        dates = [DAY, DAY + timedelta(days=20)]
        known = replace(WORK, pitch_mm=pitch)
        level_db = to_db(section_roughness_energy(BASE_DB, [known], dates, RATE, np.inf, true)[0])
        measured = [
            measurement(when, WAVELENGTHS_MM[MEASURED], one[MEASURED])
            for when, one in zip(dates, level_db, strict=True)
        ]
        found = fit_work(unknown, measured, BASE_DB, RATE, np.inf, default_ranges())
        assert found.pitch_mm is not None and WAVELENGTHS_MM[band_of(found.pitch_mm)] == band
        assert found.ranges["mark_pitch_mm"].low == found.ranges["mark_pitch_mm"].high == found.pitch_mm
        assert found.rms_db < 0.7
    assert fit_work(WORK, spectra([0]), BASE_DB, RATE, np.inf, default_ranges()).pitch_mm is None


def test_a_pitch_that_does_not_show_stays_unknown():
    """Marks have faded after 9 e-foldings of the likely tonnage."""
    found = fit_work(replace(WORK, pitch_mm=None), spectra([340]), BASE_DB, RATE, np.inf, default_ranges())
    assert found.pitch_mm is None
    assert found.ranges["mark_pitch_mm"] == default_ranges()["mark_pitch_mm"]


def test_z95():
    assert pytest.approx(1.6449, abs=1e-4) == Z95

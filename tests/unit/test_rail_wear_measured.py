"""Measured roughness of a run: what it replaces, what is fitted to it, and what the report says of it.

Computed: spectra come from the model itself with known parameters; no measured series was at hand.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import numpy as np
import pytest

from lineside.contracts import MeasuredRoughness, RailRun, RailWork, Standing
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear.bands import WAVELENGTHS_MM, band_of
from lineside_plugins.rail_wear.calculator import RailWear
from lineside_plugins.rail_wear.options import WearOptions, WorkDetails
from lineside_plugins.rail_wear.parameters import default_ranges, likely_and_draws
from lineside_plugins.rail_wear.run import known_run, run_roughness

WEAR = RailWear()
DAY = dt.date(2026, 9, 1)
BASE = (np.array([2.0, 30.0, 300.0]), np.array([-12.0, 1.0, 9.0]))
PASS = RailWork(DAY, "grinding", WorkDetails(pitch_mm=27.8))
NEXT = RailWork(DAY + dt.timedelta(days=500), "milling", WorkDetails())
TRUTH = {"marks_fade_mgt": 0.8, "finish_production_db": 2.5, "marks_db": 12.5}
TRUE_OPTIONS = WearOptions.model_validate({"parameters": {name: {"likely": v} for name, v in TRUTH.items()}})
RATE = 0.04
MEASURED = slice(band_of(250.0), band_of(4.0) + 1)
N = 400


def after(days: int) -> dt.date:
    return DAY + dt.timedelta(days=days)


def run(*works: RailWork, measured: tuple[MeasuredRoughness, ...] = (), **changes: object) -> RailRun:
    return replace(RailRun(*BASE, works, RATE, np.inf, measured, "T, 200 to 800 m"), **changes)  # type: ignore[arg-type]


def seen(date: dt.date, level_db: np.ndarray, bands: slice = MEASURED) -> MeasuredRoughness:
    """A spectrum rises in wavelength, as the contract says."""
    return MeasuredRoughness(date, WAVELENGTHS_MM[bands][::-1], level_db[bands][::-1], "ISO 15610, measured by us")


def truth(date: dt.date) -> np.ndarray:
    return WEAR.roughness([run(PASS, NEXT)], [date], TRUE_OPTIONS).level_db[0, 0, 0]


def levels(one: RailRun, *dates: dt.date, n_draws: int = 0) -> np.ndarray:
    """(n_dates, 1 + n_draws, 35)."""
    return WEAR.roughness([one], dates, WearOptions(), n_draws, 1).level_db[0]


def base_db() -> np.ndarray:
    return levels(run(), DAY)[0, 0]


def spread(level_db: np.ndarray) -> np.ndarray:
    """Width of the 5 to 95 % interval over draws, (n_dates, 35)."""
    return np.ptp(np.quantile(level_db[:, 1:], [0.05, 0.95], axis=1), axis=0)


def test_a_spectrum_from_before_the_first_work_is_the_surface_before_it() -> None:
    rough = base_db() + 7.0
    one = run(PASS, measured=(seen(after(-100), rough),))
    assert one.begins == dt.date.min
    for date in (after(-400), after(-100), after(-1)):
        found = levels(one, date, n_draws=20)[0]
        assert np.all(found == found[0])
        np.testing.assert_allclose(found[0, MEASURED], rough[MEASURED])
        unmeasured = np.setdiff1d(np.arange(35), np.arange(35)[MEASURED])
        np.testing.assert_allclose(found[0, unmeasured], base_db()[unmeasured])
    # a pass takes it away
    np.testing.assert_array_equal(levels(one, after(50)), levels(run(PASS), after(50)))


def test_a_later_spectrum_before_the_work_takes_over_from_an_earlier_one() -> None:
    one = run(PASS, measured=(seen(after(-100), base_db() + 2.0), seen(after(-10), base_db() + 6.0)))
    found = levels(one, after(-300), after(-50), after(-5))[:, 0, band_of(50.0)] - base_db()[band_of(50.0)]
    assert found == pytest.approx([2.0, 2.0, 6.0])


@pytest.mark.parametrize("works", [(), (RailWork(after(-40), "tamping", WorkDetails()),)])
def test_without_a_new_surface_a_spectrum_holds_from_its_date_on(works: tuple[RailWork, ...]) -> None:
    one = run(*works, measured=(seen(DAY, base_db() + 3.0), seen(after(30), base_db() - 2.0)))
    found = (
        levels(one, after(-1), DAY, after(29), after(30), after(900))[:, 0, band_of(50.0)] - base_db()[band_of(50.0)]
    )
    assert found == pytest.approx([0.0, 3.0, 3.0, -2.0, -2.0])
    worn_in = WEAR.roughness([one], [DAY], WearOptions()).worn_in_db[0]
    assert worn_in[band_of(50.0)] - base_db()[band_of(50.0)] == pytest.approx(-2.0)


def test_a_spectrum_replaces_the_model_on_its_own_day_only() -> None:
    strange = base_db() + 20.0
    one = run(PASS, measured=(seen(after(40), strange, slice(band_of(50.0), band_of(40.0) + 1)),))
    found = levels(one, after(39), after(40), after(41), n_draws=20)
    assert np.all(found[1, :, band_of(50.0)] == pytest.approx(strange[band_of(50.0)]))
    others = np.setdiff1d(np.arange(35), [band_of(50.0), band_of(40.0)])
    np.testing.assert_allclose(found[1][:, others], 0.5 * (found[0] + found[2])[:, others], atol=0.02)
    assert np.all(found[[0, 2]][:, :, band_of(50.0)] < strange[band_of(50.0)] - 3.0)


def test_after_a_fit_the_interval_holds_the_truth_and_is_narrower() -> None:
    measured = tuple(seen(after(days), truth(after(days))) for days in (1, 25, 60))
    dates = [after(days) for days in (2, 14, 45, 90)]
    free, fitted = (
        levels(run(PASS, NEXT), *dates, n_draws=N),
        levels(run(PASS, NEXT, measured=measured), *dates, n_draws=N),
    )
    true = np.array([truth(date) for date in dates])
    low, high = np.quantile(fitted[:, 1:], [0.05, 0.95], axis=1)
    moving = spread(free) > 0.5
    assert moving.sum() > 30
    assert np.all(spread(fitted)[moving] < 0.85 * spread(free)[moving])
    assert np.mean(spread(fitted)[moving] / spread(free)[moving]) < 0.5
    # growth, which spectra this early do not show, keeps its range and its likely value
    assert np.all((low - 0.1 <= true) & (true <= high + 0.1))
    likely = np.abs(fitted[:, 0] - true)
    assert likely.max() < 0.35 * np.abs(free[:, 0] - true).max()


def test_a_fit_serves_its_own_pass_and_its_own_run_only() -> None:
    measured = (seen(after(1), truth(after(1))), seen(after(30), truth(after(30))))
    one, other = run(PASS, NEXT, measured=measured), run(PASS, NEXT)
    dates = [after(20), after(510)]
    together = WEAR.roughness([one, other], dates, WearOptions(), 50, 3).level_db
    alone = WEAR.roughness([other], dates, WearOptions(), 50, 3).level_db
    np.testing.assert_array_equal(together[1], alone[0])
    np.testing.assert_array_equal(together[0, 1], alone[0, 1])
    assert not np.allclose(together[0, 0], alone[0, 0])


def test_a_spectrum_after_the_next_work_says_nothing_about_this_one() -> None:
    later = run(PASS, NEXT, measured=(seen(after(520), base_db() + 5.0),))
    np.testing.assert_array_equal(levels(later, after(20), n_draws=20), levels(run(PASS, NEXT), after(20), n_draws=20))
    assert not np.allclose(levels(later, after(521)), levels(run(PASS, NEXT), after(521)))


def test_correlation_of_a_fit_is_kept_in_the_draws() -> None:
    """One spectrum 40 days on: loud marks that fade quickly or quiet ones that fade slowly make the same level then."""
    one, ranges = run(PASS, measured=(seen(after(40), truth(after(40))),)), default_ranges()
    kept = levels(one, after(39), n_draws=N)[:, :, band_of(25.0)]
    known = known_run(one, ranges)
    ((work, fit),) = known.fits.items()
    apart = {work: likely_and_draws(fit.ranges, N, 1)}
    energy = run_roughness(known, [after(39)], likely_and_draws(ranges, N, 1), apart)
    lost = 10.0 * np.log10(energy[:, 0, band_of(25.0)])
    assert np.std(kept[0, 1:]) < 0.8 * np.std(lost[1:])


def test_own_worn_in_surface_of_a_work() -> None:
    smoother = RailWork(DAY, "grinding", WorkDetails(pitch_mm=27.8, worn_in_offset_db=-4.0))
    found = WEAR.roughness([run(smoother), run(PASS), run(smoother, NEXT)], [after(3000)], WearOptions())
    np.testing.assert_allclose(found.worn_in_db[0], base_db() - 4.0)
    np.testing.assert_allclose(found.worn_in_db[[1, 2]], np.tile(base_db(), (2, 1)))
    short = slice(band_of(10.0), None)
    np.testing.assert_allclose(found.level_db[0, 0, 0, short], base_db()[short] - 4.0, atol=1e-6)


def test_notes_give_fit_interval_rms_and_standing() -> None:
    measured = (
        seen(after(-30), base_db() + 4.0),
        *(seen(after(days), truth(after(days))) for days in (1, 25)),
    )
    notes = WEAR.notes([run(PASS, measured=measured), run(PASS)], WearOptions())
    before, fit = [n for n in notes if n.standing is Standing.USER]
    assert "T, 200 to 800 m" in before.text and "2026-08-02" in before.text and "up to the grinding" in before.text
    assert "2 spectra" in fit.text and "2026-09-02 and 2026-09-26" in fit.text and "grinding of 2026-09-01" in fit.text
    assert "misses it by 0." in fit.text and "root mean square" in fit.text
    for name in TRUTH:
        assert f"{name} " in fit.text
    assert "ISO 15610, measured by us" in fit.text
    assert [n.text for n in WEAR.notes([run(PASS)], WearOptions())] == [
        n.text for n in notes if n.standing is not Standing.USER
    ]


def test_an_unknown_pitch_is_told_and_heard_as_the_spectra_show_it() -> None:
    unknown = RailWork(DAY, "grinding", WorkDetails())
    wide = RailWork(DAY, "grinding", WorkDetails(pitch_mm=40.0))
    true = WEAR.roughness([run(wide)], [after(1)], WearOptions()).level_db[0, 0, 0]
    one = run(unknown, measured=(seen(after(1), true),))
    (tone,) = WEAR.tones(one, after(5), WearOptions())
    assert tone.pitch_mm == 40.0 and tone.pitch_given
    (assumed,) = WEAR.tones(run(unknown), after(5), WearOptions())
    assert assumed.pitch_mm == pytest.approx(27.8) and not assumed.pitch_given
    (note,) = (n for n in WEAR.notes([one], WearOptions()) if n.standing is Standing.USER)
    assert "pitch of the marks 40 mm" in note.text


def test_margin_of_a_tone_has_the_interval_of_its_draws() -> None:
    (tone,) = WEAR.tones(run(PASS), after(5), WearOptions())
    low, likely, high = tone.margin_db
    assert low < likely < high
    # less than the parameters at their ends together: marks and finish vary by 8 dB each, in opposite directions
    assert 4.0 < high - low < 14.0
    measured = tuple(seen(after(days), truth(after(days))) for days in (1, 25))
    (fitted,) = WEAR.tones(run(PASS, measured=measured), after(5), WearOptions())
    assert fitted.margin_db[2] - fitted.margin_db[0] < 0.7 * (high - low)


def test_a_spectrum_off_the_third_octaves_is_refused_with_place_and_date() -> None:
    odd = MeasuredRoughness(after(3), np.array([23.0, 31.5]), np.zeros(2), "")
    with pytest.raises(OutOfRangeError, match=r"T, 200 to 800 m.*2026-09-04.*23 mm"):
        levels(run(PASS, measured=(odd,)), DAY)


def test_draws_are_the_same_for_all_runs_and_all_dates() -> None:
    runs = [run(PASS), run(PASS, mgt_per_day=0.02)]
    both = WEAR.roughness(runs, [DAY, after(60)], WearOptions(), 30, 9).level_db
    one = WEAR.roughness(runs[1:], [after(60)], WearOptions(), 30, 9).level_db
    np.testing.assert_array_equal(both[1, 1], one[0, 0])
    # directly after the pass tonnage plays no part
    np.testing.assert_array_equal(both[0, 0], both[1, 0])
    assert not np.array_equal(
        WEAR.roughness(runs[1:], [after(60)], WearOptions(), 30, 8).level_db[0, 0, 1:], one[0, 0, 1:]
    )


def test_likely_is_the_level_with_the_likely_parameters_of_the_table() -> None:
    table = {name: {"likely": r.likely} for name, r in default_ranges().items()}
    fixed = WearOptions.model_validate({"parameters": table})
    found = WEAR.roughness([run(PASS)], [after(20)], fixed, 20, 1).level_db[0, 0]
    assert np.all(found == found[0])
    np.testing.assert_allclose(levels(run(PASS), after(20), n_draws=20)[0, 0], found[0], rtol=1e-12)

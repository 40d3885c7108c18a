"""Rules of the wear model: what each work changes, which bands marks fall into, when something is over."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.acoustics.levels import to_db, to_energy
from lineside.contracts import Standing
from lineside.errors import DataFileError, OutOfRangeError
from lineside_plugins.rail_wear.bands import EDGES_MM, WAVELENGTHS_MM, band_of, levels_on_bands
from lineside_plugins.rail_wear.history import (
    Work,
    leaves_marks,
    resets_roughness,
    section_roughness_energy,
    section_roughness_parts,
    state_at,
    surface_works,
)
from lineside_plugins.rail_wear.marks import (
    band_shares,
    marks_shape,
    pitch_mm,
    tone_is_likely,
    tone_margin_db,
    tone_shares,
)
from lineside_plugins.rail_wear.parameters import (
    Range,
    default_ranges,
    draw,
    likely,
    likely_and_draws,
    table,
    with_given,
)
from lineside_plugins.rail_wear.wear import (
    days_to_fade,
    finish_fade_mgt,
    growth_db,
    interval,
    mgt_per_day,
    roughness_energy,
    when_within,
)

DAY = date(2026, 5, 1)
BASE_DB = np.zeros(35)
LIKELY = likely(default_ranges())
STEADY = 0.05  # MGT a day


def after(days: float) -> date:
    return DAY + timedelta(days=days)


def parts(works, dates, radius_m=np.inf, parameters=LIKELY, base_db=BASE_DB, rate=STEADY):
    return section_roughness_parts(base_db, works, dates, rate, radius_m, parameters)


# Bands


def test_bands_are_the_nominal_third_octaves():
    assert WAVELENGTHS_MM.size == 35
    assert WAVELENGTHS_MM[[0, 1, 9, 13, 20, 34]].tolist() == [2000.0, 1600.0, 250.0, 100.0, 20.0, 0.8]
    exact = np.sqrt(EDGES_MM[1:] * EDGES_MM[:-1])
    assert np.all(np.abs(WAVELENGTHS_MM / exact - 1.0) < 0.013)


@pytest.mark.parametrize(("wavelength", "band"), [(28.18, 25.0), (28.19, 31.5), (22.39, 25.0), (22.38, 20.0)])
def test_band_edges(wavelength, band):
    """IEC 61260-1: edges of the 25 mm band at 25.119 x 10^(-1/20) = 22.387 and 25.119 x 10^(1/20) = 28.184 mm."""
    assert WAVELENGTHS_MM[band_of(wavelength)] == band
    assert WAVELENGTHS_MM[int(band_shares(wavelength)[0].argmax())] == band


@pytest.mark.parametrize("wavelength", [0.5, 2500.0])
def test_wavelength_outside_the_bands_is_refused(wavelength):
    with pytest.raises(OutOfRangeError, match="roughness bands"):
        band_of(wavelength)
    with pytest.raises(OutOfRangeError, match="roughness bands"):
        band_shares(wavelength)


def test_levels_on_bands_holds_ends_and_refuses_nonsense():
    levels = levels_on_bands([20.0, 40.0, 100.0], [0.0, 4.0, 10.0])
    assert levels[[0, band_of(31.5), 34]] == pytest.approx([10.0, 2.3, 0.0])
    for wavelengths, values in (([20.0, 20.0], [1.0, 2.0]), ([20.0], [1.0, 2.0]), ([20.0, 40.0], [1.0, np.nan])):
        with pytest.raises(OutOfRangeError):
            levels_on_bands(wavelengths, values)


# Marks


def test_varying_working_speed_splits_marks_over_neighbours():
    """Pitch 27.8 x 0.95 = 26.41 to 27.8 x 1.05 = 29.19 mm, edge 28.184: 1.774 / 2.78 = 63.8 % in the 25 mm band."""
    shares = band_shares(27.8, 0.1)[0]
    assert shares[band_of(25.0)] == pytest.approx(0.6381, abs=1e-4)
    assert shares[band_of(31.5)] == pytest.approx(0.3619, abs=1e-4)
    assert shares.sum() == pytest.approx(1.0)


def test_harmonics_stand_at_fractions_of_the_pitch():
    shape_db = to_db(marks_shape(40.0, [-10.0, -16.0]))[0]
    assert shape_db[[band_of(40.0), band_of(20.0), band_of(40.0 / 3.0)]] == pytest.approx([0.0, -10.0, -16.0])
    assert np.isinf(shape_db).sum() == 32


@pytest.mark.parametrize(("speed", "rate"), [(0.0, 50.0), (5.0, 0.0), (-5.0, 50.0)])
def test_pitch_needs_motion(speed, rate):
    with pytest.raises(OutOfRangeError, match="above 0"):
        pitch_mm(speed, rate)


def test_tone_spreads_over_third_octaves_with_speed():
    """27.8 mm, 80 km/h: 799.4 Hz. +-5 % (759 to 839 Hz) lies within 708 to 891 Hz; +-15 % (680 to 919 Hz) does not."""
    band = int(np.searchsorted(THIRD_OCTAVES_HZ, 800.0))
    assert tone_shares(80.0, 27.8)[0, band] == 1.0
    assert tone_shares(80.0, 27.8, 0.1)[0, band] == pytest.approx(1.0)
    smeared = tone_shares(80.0, 27.8, 0.3)[0]
    assert smeared[band] == pytest.approx((891.25 - 707.95) / 239.8, abs=1e-3)
    assert smeared.sum() == pytest.approx(1.0)
    assert tone_shares(0.0, 27.8)[0].sum() == 0.0


def test_tone_is_likely_only_if_it_stands_out_and_is_not_smeared():
    margin, smear = LIKELY.fixed("tone_margin_db"), LIKELY.fixed("smear_ratio")
    loud, quiet = tone_margin_db(10.0, 1.0), tone_margin_db(1.0, 10.0)
    assert (float(loud), float(quiet)) == pytest.approx((10.0, -10.0))
    assert tone_is_likely([loud, quiet, loud, loud], [0.0, 0.0, 0.12, 0.13], margin, smear).tolist() == [
        True, False, True, False,
    ]  # fmt: skip
    assert tone_margin_db(0.0, 0.0) == -np.inf
    assert tone_margin_db(1.0, 0.0) == np.inf


# Wear


def test_tonnage_is_summed_over_services():
    assert mgt_per_day([100, 50], [24, 40], [12, 16]) == pytest.approx(0.0288 + 0.032)
    with pytest.raises(OutOfRangeError):
        mgt_per_day(-1, 24, 12)
    assert days_to_fade(3.0, [1.5], 0.0).tolist() == [np.inf]
    assert days_to_fade(0.0, [1.5], 0.0).tolist() == [0.0]


def test_long_waves_of_the_finish_last_longer():
    fade = finish_fade_mgt(LIKELY)[0]
    assert fade[band_of(125.0)] == pytest.approx(1.5 * np.sqrt(125.0 / 30.0))
    assert np.all(np.diff(fade) < 0.0)


@pytest.mark.parametrize(("radius", "rate"), [(np.inf, 0.5), (500.0, 0.5), (499.9, 1.5), (180.0, 1.5)])
def test_growth_starts_after_three_foldings(radius, rate):
    """4.5 MGT at 9 MGT a year is half a year; after two years 1.5 years of growth are left."""
    grown = growth_db(LIKELY, np.array([0.0, 0.25, 0.5, 2.0]), np.array([0.0, 2.25, 4.5, 18.0]), radius)
    assert grown[0] == pytest.approx([0.0, 0.0, 0.0, 1.5 * rate])


def test_growth_raises_its_bands_only_and_is_capped():
    dates = [after(365.25 * 100)]
    grown = parts([Work(DAY, "grinding")], dates)["growth"][0, 0]
    level_db = to_db(1.0 + grown)
    assert level_db[band_of(250.0)] == pytest.approx(6.0) == level_db[band_of(20.0)]
    assert [float(level_db[band_of(w)]) for w in (315.0, 16.0)] == [0.0, 0.0]


def test_no_growth_without_traffic_and_no_radius_of_nothing():
    assert growth_db(LIKELY, np.array([10.0]), np.array([0.0]), 100.0).tolist() == [[0.0]]
    with pytest.raises(OutOfRangeError, match="Radius"):
        growth_db(LIKELY, np.array([10.0]), np.array([1.0]), 0.0)


def test_shapes_are_checked_by_name():
    good = dict(base=np.ones(35), finish=np.ones((1, 35)), marks=np.ones((1, 35)), mgt=np.ones(2), years=np.ones(2))
    for name, bad in (("base", np.ones(1)), ("finish", np.ones(35)), ("marks", np.ones((2, 35))), ("mgt", np.ones(3))):
        with pytest.raises(OutOfRangeError, match=name):
            roughness_energy(**{**good, name: bad}, radius_m=np.inf, parameters=LIKELY)
    with pytest.raises(OutOfRangeError, match="0 or more"):
        roughness_energy(**{**good, "mgt": -np.ones(2)}, radius_m=np.inf, parameters=LIKELY)


@pytest.mark.parametrize(
    ("excess", "day", "leaves_day", "still_falling"),
    [
        ([4.0, 2.0, 0.0, 3.0], 15.0, 20.0 + 10.0 / 3.0, False),
        ([4.0, 3.5, 3.0, 2.5], np.inf, np.inf, True),
        ([4.0, 2.0, 2.0, 2.5], np.inf, np.inf, False),
        ([0.0, 0.5, 0.0, 0.0], 0.0, np.inf, False),
        ([2.0, 1.0, 1.0, 1.0], 10.0, np.inf, False),
        ([4.0, 0.9, 0.8, 0.7], 300.0 / 31.0, np.inf, False),
    ],
)
def test_when_within_finds_entry_and_exit(excess, day, leaves_day, still_falling):
    back = when_within(np.array([excess]), np.array([0.0, 10.0, 20.0, 30.0]), 1.0)
    assert back.day[0] == pytest.approx(day)
    assert back.leaves_day[0] == pytest.approx(leaves_day)
    assert bool(back.still_falling[0]) is still_falling


def test_when_within_refuses_silence_and_disorder():
    with pytest.raises(OutOfRangeError, match="finite"):
        when_within(np.array([[np.inf, 0.0]]), np.array([0.0, 1.0]), 1.0)
    with pytest.raises(OutOfRangeError, match="rising"):
        when_within(np.zeros((1, 2)), np.array([1.0, 0.0]), 1.0)


def test_interval_keeps_never():
    low, likely, high = interval(np.array([10.0] * 6 + [20.0] * 8 + [np.inf] * 6))
    assert (low, likely, high) == (10.0, 20.0, np.inf)


# Parameters


def test_every_parameter_states_its_standing_and_source():
    for name, r in default_ranges().items():
        assert r.standing in (Standing.READ, Standing.PRACTICE, Standing.ASSUMPTION), name
        assert len(r.source) > 15, name
        assert (r.low == r.high) == (r.distribution == "fixed"), name


def test_likely_values_come_first_and_draws_follow_from_the_seed():
    ranges = default_ranges()
    values, again, other = (likely_and_draws(ranges, 30, seed) for seed in (4, 4, 5))
    assert values.n_draws == 31
    for name, r in ranges.items():
        assert values[name][0] == pytest.approx(r.likely, rel=1e-12)
        assert np.array_equal(values[name][1:], draw(ranges, 30, 4)[name])
        assert np.array_equal(values[name], again[name])
        assert np.array_equal(values[name], other[name]) == (r.low == r.high)
    assert likely_and_draws(ranges, 0, 4).n_draws == 1


def test_draws_have_the_printed_points():
    values = draw(default_ranges(), 2000, 7)
    for name in ("marks_fade_mgt", "marks_db", "growth_straight_db_per_year"):
        r = default_ranges()[name]
        assert interval(values[name]) == pytest.approx([r.low, r.likely, r.high], abs=0.02)
    assert values["growth_straight_db_per_year"].min() == 0.0
    assert values["marks_fade_mgt"].min() > 0.0


def test_given_values_replace_defaults():
    ranges = with_given(default_ranges(), "marks_db", 8.0, source="measured")
    assert np.ptp(draw(ranges, 50, 1)["marks_db"]) == 0.0
    assert ranges["marks_db"].standing is Standing.USER
    assert default_ranges()["marks_db"].likely == 10.0
    with pytest.raises(OutOfRangeError, match="no parameter marks_dB"):
        with_given(default_ranges(), "marks_dB", 8.0)
    with pytest.raises(OutOfRangeError, match="must rise"):
        with_given(default_ranges(), "marks_db", 8.0, low=9.0)
    with pytest.raises(OutOfRangeError, match="above 0"):
        with_given(default_ranges(), "marks_fade_mgt", 1.0, low=0.0)
    with pytest.raises(DataFileError, match="distribution"):
        Range("x", 0.0, 1.0, 2.0, 0.0, "1", "uniform", Standing.ASSUMPTION, "none at all")


def test_a_shape_takes_no_range():
    ranges = with_given(default_ranges(), "finish_longest_mm", 100.0)
    assert draw(ranges, 5, 1).fixed("finish_longest_mm") == 100.0
    with pytest.raises(OutOfRangeError, match="one value"):
        draw(default_ranges(), 5, 1).fixed("marks_db")


# Works


def test_only_new_surfaces_reset():
    kinds = table("work_kinds").text["kind"]
    assert {kind for kind in kinds if resets_roughness(kind)} == {"grinding", "milling", "rail_renewal"}
    with pytest.raises(OutOfRangeError, match="polishing"):
        Work(DAY, "polishing")
    with pytest.raises(OutOfRangeError, match="machine"):
        Work(DAY, "grinding", machine="file")
    with pytest.raises(OutOfRangeError, match="mirror"):
        Work(DAY, "grinding", finish="mirror")
    with pytest.raises(OutOfRangeError, match="35"):
        Work(DAY, "grinding", base_db=(0.0,))


@pytest.mark.parametrize(
    ("work", "marks", "finish"),
    [
        (Work(DAY, "grinding"), True, True),
        (Work(DAY, "grinding", finish="acoustic"), False, False),
        (Work(DAY, "grinding", finish="acoustic", marks=True), True, False),
        (Work(DAY, "grinding", "oscillating_stones"), False, True),
        (Work(DAY, "grinding", "high_speed"), False, True),
        (Work(DAY, "grinding", marks=False), False, True),
        (Work(DAY, "milling"), False, True),
        (Work(DAY, "milling", marks=True, pitch_mm=12.0), True, True),
        (Work(DAY, "rail_renewal"), False, True),
        (Work(DAY, "rail_renewal", marks=True, finish="acoustic"), False, True),
    ],
)
def test_what_a_work_leaves(work, marks, finish):
    left = parts([work], [DAY])
    assert leaves_marks(work) is marks
    assert bool(left["marks"].any()) is marks
    assert bool(left["finish"].any()) is finish
    assert left["finish"][0, 0, band_of(50.0)] == (1.0 if finish else 0.0)


@pytest.mark.parametrize("kind", ["tamping", "joint_removal", "turnout_renewal", "rail_dampers", "rail_pads", "other"])
def test_other_works_leave_the_running_surface_alone(kind):
    works = [Work(DAY, "grinding")]
    dates = [after(n) for n in (-5, 0, 40, 400)]
    with_other = section_roughness_energy(BASE_DB, [*works, Work(after(30), kind)], dates, STEADY, 300.0, LIKELY)
    assert np.array_equal(with_other, section_roughness_energy(BASE_DB, works, dates, STEADY, 300.0, LIKELY))


def test_state_counts_from_the_last_pass():
    works = [Work(after(100), "grinding"), Work(DAY, "rail_renewal")]
    assert state_at(works, after(-1), STEADY).last is None
    assert state_at(works, after(99), STEADY).mgt == pytest.approx(99 * STEADY)
    first_day = state_at(works, after(100), STEADY)
    assert (first_day.last, first_day.days, first_day.mgt) == (works[0], 0.0, 0.0)
    assert state_at(works, after(100 + 365.25 * 4), STEADY).years == pytest.approx(4.0)
    with pytest.raises(OutOfRangeError, match="0 or more"):
        state_at(works, DAY, -1.0)


def test_a_pass_follows_new_rail_on_the_same_day():
    renewal, grinding, milling = (Work(DAY, kind) for kind in ("rail_renewal", "grinding", "milling"))
    assert surface_works([grinding, milling, renewal]) == (renewal, milling, grinding)
    assert surface_works([grinding, Work(DAY, "grinding")]) == (grinding,)
    with pytest.raises(OutOfRangeError, match="came last"):
        surface_works([grinding, Work(DAY, "grinding", pitch_mm=30.0)])


def test_a_pass_can_state_its_own_worn_in_surface():
    smooth = tuple(np.full(35, -10.0))
    level_db = to_db(
        section_roughness_energy(
            BASE_DB, [Work(DAY, "milling", base_db=smooth)], [after(-1), after(20000)], STEADY, np.inf, LIKELY
        )
    )
    assert level_db[0, 0] == pytest.approx(BASE_DB)
    assert level_db[0, 1, band_of(5.0)] == pytest.approx(-10.0)
    assert level_db[0, 1, band_of(50.0)] == pytest.approx(-4.0)


def test_an_unknown_pitch_is_drawn():
    left = parts([Work(DAY, "grinding")], [DAY], parameters=draw(default_ranges(), 100, 3))["marks"][:, 0]
    assert np.unique(left.argmax(axis=1)).size > 2
    known = parts([Work(DAY, "grinding", pitch_mm=30.0)], [DAY], parameters=draw(default_ranges(), 100, 3))["marks"][
        :, 0
    ]
    assert np.unique(known.argmax(axis=1)).tolist() == [band_of(30.0)]


def test_fitted_parameters_need_as_many_draws():
    work = Work(DAY, "grinding")
    with pytest.raises(OutOfRangeError, match="draws"):
        section_roughness_energy(BASE_DB, [work], [DAY], STEADY, np.inf, LIKELY, {work: draw(default_ranges(), 3, 1)})
    with pytest.raises(OutOfRangeError, match="bands"):
        section_roughness_energy(np.zeros(3), [work], [DAY], STEADY, np.inf, LIKELY)


def test_own_parameters_serve_their_work_only():
    first, second = Work(DAY, "grinding", pitch_mm=30.0), Work(after(500), "grinding", pitch_mm=30.0)
    loud = likely(with_given(default_ranges(), "marks_db", 20.0))
    dates = [DAY, after(500)]
    marks = section_roughness_parts(BASE_DB, [first, second], dates, STEADY, np.inf, LIKELY, {second: loud})["marks"]
    assert to_db(marks[0, :, band_of(30.0)]) == pytest.approx([10.0, 20.0])
    assert to_energy(10.0) == pytest.approx(marks[0, 0, band_of(30.0)])

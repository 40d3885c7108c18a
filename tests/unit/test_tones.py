"""Tones in third octaves: what stands out, what a rule finds, what it adds, and where marks on rails sound."""

from __future__ import annotations

import warnings
from typing import Any, get_args

import numpy as np
import pytest
from pydantic import ValidationError

from lineside.acoustics.bands import THIRD_OCTAVE_EDGES_HZ, THIRD_OCTAVES_HZ, Array, third_octave_of
from lineside.acoustics.levels import to_energy
from lineside.contracts import LimitCheck, NotApplicable, RailTone, ReceiverUse, ToneRule, Window
from lineside.engine.tones import bands_of, over_neighbours_db, tones_found
from lineside.errors import PluginError
from lineside.project.site import Receiver
from lineside.results.findings import Question, find
from lineside.results.model import Finding, ToneAtReceiver, ToneInfo, Tones, Uncertainty
from lineside.results.tone_rules import Judged, SurveyAt, judge, with_flags
from lineside.results.tones import likelihood
from lineside_plugins.custom_limits.criterion import CustomLimits, CustomOptions
from lineside_plugins.custom_limits.tones import THRESHOLDS, survey
from lineside_plugins.de_16bimschv.criterion import ImmissionLimits, LimitOptions
from lineside_plugins.who_2018.criterion import Who2018

#: ISO 1996-2:2007, Annex D, from memory: lowest and highest third octave [Hz], threshold [dB].
REMEMBERED = ((25.0, 125.0, 15.0), (160.0, 400.0, 8.0), (500.0, 10000.0, 5.0))
NIGHT = Window(22, 6)


def needed_db(frequency_hz: float) -> float:
    return next(db for low, high, db in REMEMBERED if low <= frequency_hz <= high)


def spectrum(**raised_db: float) -> Array:
    """Energies of a flat spectrum of 60 dB with some third octaves raised, by name ``b630``."""
    level = np.full(24, 60.0)
    for name, by in raised_db.items():
        level[float(name[1:]) == THIRD_OCTAVES_HZ] += by
    return to_energy(level)


def test_thresholds_are_those_remembered() -> None:
    assert THRESHOLDS == REMEMBERED


@pytest.mark.parametrize("band", range(1, 23), ids=lambda k: f"{THIRD_OCTAVES_HZ[k]:g}")
@pytest.mark.parametrize(("more_db", "found"), [(-0.01, False), (0.0, True), (0.01, True)])
def test_a_tone_exceeds_both_neighbours_by_the_threshold_or_more(band: int, more_db: float, found: bool) -> None:
    level = np.full(24, 60.0)
    level[band] += needed_db(THIRD_OCTAVES_HZ[band]) + more_db
    expected = np.zeros(24, dtype=bool)
    expected[band] = found
    np.testing.assert_array_equal(tones_found(to_energy(level), survey(5.0)), expected)


def test_a_step_is_no_tone() -> None:
    level = np.where(THIRD_OCTAVES_HZ >= 630.0, 60.0, 40.0)
    assert not tones_found(to_energy(level), survey(5.0)).any()
    assert not tones_found(spectrum(b630=20.0, b800=20.0), survey(5.0)).any()


def test_each_neighbour_counts() -> None:
    assert not tones_found(spectrum(b500=3.0, b630=7.0), survey(5.0)).any()
    assert not tones_found(spectrum(b800=3.0, b630=7.0), survey(5.0)).any()
    assert tones_found(spectrum(b500=1.9, b800=1.9, b630=7.0), survey(5.0)).sum() == 1


def test_the_ends_of_the_range_cannot_be_judged_and_silence_is_no_tone() -> None:
    assert not tones_found(spectrum(b50=40.0, b10000=40.0), survey(5.0))[[0, -1]].any()
    assert not tones_found(np.zeros(24), survey(5.0)).any()
    alone = np.zeros(24)
    alone[11] = 1.0
    over = over_neighbours_db(alone)
    assert np.isfinite(over[11]) and over[11] > 100.0 and np.isneginf(np.delete(over, 11)).all()


def test_bands_outside_all_thresholds_are_not_judged() -> None:
    rule = ToneRule("only low", ((25.0, 125.0, 15.0),), 3.0)
    assert not tones_found(spectrum(b630=30.0), rule).any()
    assert tones_found(spectrum(b100=15.0), rule).any()


def test_third_octave_of_a_frequency() -> None:
    """Band edges base 10 (IEC 61260-1); whine at 25 mm pitch and 40 to 160 km/h (computed)."""
    whine = np.array([444.4, 666.7, 888.9, 1111.1, 1333.3, 1777.8])
    assert THIRD_OCTAVES_HZ[third_octave_of(whine)].tolist() == [400, 630, 800, 1000, 1250, 1600]
    np.testing.assert_array_equal(third_octave_of(THIRD_OCTAVES_HZ), np.arange(24))
    assert third_octave_of(np.array([44.6, 44.7, 11220.0, 11221.0])).tolist() == [-1, 0, 23, -1]


def test_edges_agree_with_a_general_package() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # its plotting code uses what matplotlib gives up
        standard = pytest.importorskip("acoustic_toolbox.standards.iec_61260_1_2014")
    exact = standard.exact_center_frequency(np.arange(-13, 11), fraction=3)
    np.testing.assert_allclose(THIRD_OCTAVE_EDGES_HZ[:-1], standard.lower_frequency(exact, fraction=3), rtol=1e-12)
    np.testing.assert_allclose(THIRD_OCTAVE_EDGES_HZ[1:], standard.upper_frequency(exact, fraction=3), rtol=1e-12)


def tone_in_noise(frequency_hz: float, rms: float, rate_hz: int = 16000, seconds: int = 20) -> Array:
    """White noise of unit variance and a sine."""
    time_s = np.arange(rate_hz * seconds) / rate_hz
    noise = np.random.default_rng(7).standard_normal(time_s.size)
    return noise + rms * np.sqrt(2.0) * np.sin(2.0 * np.pi * frequency_hz * time_s)


def third_octaves_of(signal: Array, rate_hz: int = 16000) -> Array:
    """Energies of third octaves by sums over lines of the Fourier transform, (24,)."""
    power = np.abs(np.fft.rfft(signal)) ** 2
    band = third_octave_of(np.fft.rfftfreq(signal.size, 1.0 / rate_hz))
    return np.bincount(band[band >= 0], weights=power[band >= 0], minlength=24)[:24]


@pytest.mark.parametrize(("rms", "surveyed", "audible"), [(0.3, True, True), (0.15, False, True), (0.0, False, False)])
def test_the_survey_hides_a_tone_that_narrow_bands_show(rms: float, surveyed: bool, audible: bool) -> None:
    """Second opinion: the narrow-band method of ISO 1996-2:2007, Annex C, as a general package has it."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        annex_c = pytest.importorskip("acoustic_toolbox.standards.iso_1996_2_2007")
        signal = tone_in_noise(630.0, rms)
        tonality = annex_c.Tonality(signal, 16000)
        tonality.determine_noise_pauses().analyse()
        heard = [float(b.tonal_audibility) for b in tonality.critical_bands if abs(b.center - 630.0) < 20.0]
    assert tones_found(third_octaves_of(signal), survey(5.0))[11] == surveyed
    assert (max(heard, default=0.0) > 4.0) == audible


def test_a_tone_of_marks_may_come_out_beside_its_own_third_octave() -> None:
    assert THIRD_OCTAVES_HZ[bands_of(577.0, 577.0)].tolist() == [500.0, 630.0]
    assert THIRD_OCTAVES_HZ[bands_of(690.0, 690.0)].tolist() == [630.0, 800.0]
    assert THIRD_OCTAVES_HZ[bands_of(30.0, 30.0)].tolist() == [50.0]


# --- what a rule adds --------------------------------------------------------------------------------------------

HOURS = {"day": 12.0, "evening": 4.0, "night": 8.0}
LEVELS = {("lday_db", None): 60.0, ("levening_db", None): 58.0, ("lnight_db", None): 52.0}
TONE, FLAT = spectrum(b630=5.0), spectrum()


def survey_at(**periods: Array) -> SurveyAt:
    return SurveyAt({name: periods.get(name, FLAT) for name in HOURS}, {NIGHT: periods.get("window", FLAT)}, HOURS)


def judged(check: LimitCheck, at: SurveyAt, adjustment_db: float = 5.0) -> Judged:
    return judge(check, survey(adjustment_db), at, LEVELS)


def test_a_tone_in_one_period_raises_that_period_before_lden_is_made() -> None:
    """Lday 60, Levening 58, Lnight 52 is Lden 61.34; with 5 dB more at night it is 63.98 (computed by hand)."""
    check = LimitCheck("lden_db", 55.0, "Lden")
    energy = (12 * 10**6.0 + 4 * 10 ** ((58 + 5) / 10) + 8 * 10 ** ((52 + 5 + 10) / 10)) / 24
    plain = (12 * 10**6.0 + 4 * 10 ** ((58 + 5) / 10) + 8 * 10 ** ((52 + 10) / 10)) / 24
    found = judged(check, survey_at(night=TONE))
    assert found.periods == ("night",) and found.bands_hz == (630.0,)
    assert found.adjustment_db == pytest.approx(10 * np.log10(energy / plain), abs=1e-9)
    assert 61.34 + found.adjustment_db == pytest.approx(63.98, abs=0.01)
    assert judged(check, survey_at(day=TONE, evening=TONE, night=TONE)).adjustment_db == pytest.approx(5.0, abs=1e-12)
    assert judged(check, survey_at()) == Judged((), (), 0.0)


@pytest.mark.parametrize("period", list(HOURS))
def test_only_the_period_of_the_limit_counts(period: str) -> None:
    check = LimitCheck(f"l{period}_db", 55.0, period)
    others = {name: TONE for name in HOURS if name != period}
    assert judged(check, survey_at(**others)) == Judged((), (), 0.0)
    assert judged(check, survey_at(**{period: TONE}), 3.0) == Judged((630.0,), (period,), 3.0)


def test_a_window_has_its_own_spectrum() -> None:
    check = LimitCheck("laeq_db", 55.0, "night", NIGHT)
    assert judged(check, survey_at(day=TONE, evening=TONE, night=TONE)) == Judged((), (), 0.0)
    assert judged(check, survey_at(window=TONE), 6.0) == Judged((630.0,), ("22:00 to 06:00",), 6.0)


def test_silent_periods_have_no_tone_and_do_no_harm() -> None:
    levels = {**LEVELS, ("levening_db", None): -np.inf}
    at = SurveyAt({"day": TONE, "evening": np.zeros(24), "night": TONE}, {}, HOURS)
    found = judge(LimitCheck("lden_db", 55.0, "Lden"), survey(5.0), at, levels)
    assert found.periods == ("day", "night") and found.adjustment_db == pytest.approx(5.0, abs=1e-12)


STATED = Uncertainty(
    standard_db=1.5,
    pass_standard_db=2.0,
    coverage_factor=2.0,
    expanded_db=3.0,
    pass_expanded_db=4.0,
    statement="",
    standing="",
)


def finding(level_db: float, tone: ToneRule | None, energy: Array, **more: Any) -> Finding:
    check = LimitCheck("lnight_db", 55.0, "Lnight", tone=tone, **more)
    surveys = {"R": survey_at(night=energy)}
    (found,) = find([Question("R", "c", (check,))], {"R": {("lnight_db", None): level_db}}, STATED, (), surveys)
    return found


def test_the_adjustment_is_applied_once_and_decides() -> None:
    found = finding(51.0, survey(5.0), TONE)
    assert (found.level_db, found.compared_db, found.verdict) == (51.0, 56.0, "above")
    assert (found.tone_rule, found.tone_found, found.tone_adjustment_db) == ("ISO 1996-2:2007, Annex D", True, 5.0)
    assert (found.tone_bands_hz, found.tone_periods) == ([630.0], ["night"])
    quiet = finding(51.0, survey(5.0), FLAT)
    assert (quiet.compared_db, quiet.verdict) == (51.0, "well below")
    assert (quiet.tone_found, quiet.tone_bands_hz, quiet.tone_adjustment_db) == (False, [], 0.0)


@pytest.mark.parametrize(("level_db", "verdict", "within"), [(46.9, "well below", False), (47.1, "borderline", True)])
def test_the_uncertainty_lies_about_the_level_with_its_adjustment(level_db: float, verdict: str, within: bool) -> None:
    found = finding(level_db, survey(5.0), TONE)
    assert (found.verdict, found.within_uncertainty) == (verdict, within)


def test_without_a_rule_a_tone_changes_nothing() -> None:
    found = finding(51.0, None, TONE)
    assert (found.compared_db, found.verdict) == (51.0, "well below")
    assert (found.tone_rule, found.tone_found, found.tone_adjustment_db) == ("", None, None)


def test_other_adjustments_and_rounding_stay() -> None:
    found = finding(51.2, survey(3.0), TONE, adjustment_db=-5.0, rounding="up")
    assert found.compared_db == 50.0
    with pytest.raises(PluginError, match="no third octaves"):
        find(
            [Question("R", "c", (LimitCheck("lnight_db", 55.0, "x", tone=survey(3.0)),))],
            {"R": {("lnight_db", None): 50.0}},
            STATED,
        )


def test_tones_are_never_counted_twice_or_in_a_single_pass() -> None:
    with pytest.raises(PluginError, match="count tones twice"):
        LimitCheck("lden_db", 55.0, "x", tone=survey(5.0), adjustment_db=5.0, adjustment_for_tones=True)
    with pytest.raises(PluginError, match="not the level of one pass"):
        LimitCheck("lafmax_db", 75.0, "x", tone=survey(5.0))
    with pytest.raises(PluginError, match="above 0"):
        ToneRule("r", THRESHOLDS, 0.0)
    with pytest.raises(PluginError, match="threshold"):
        ToneRule("r", ((125.0, 25.0, 15.0),), 5.0)


@pytest.mark.parametrize("use", get_args(Receiver.model_fields["use"].annotation))
@pytest.mark.parametrize("area", ["residential", "mixed", "commercial", None])
def test_german_limits_and_guideline_values_never_ask_for_tones(use: str, area: str | None) -> None:
    """16. BImSchV, Annex 2, No. 8.2.1: what tones add is part of the emission and must not be added again."""
    for criterion, options in ((ImmissionLimits(), LimitOptions()), (Who2018(), Who2018().options_model())):
        answer = criterion.checks(ReceiverUse("R", use, area), options)
        if not isinstance(answer, NotApplicable):
            assert all(c.tone is None and c.adjustment_db == 0.0 for c in answer)
    assert "tone" not in LimitOptions.model_fields


# --- the limits of a project file --------------------------------------------------------------------------------

ASKED = {"tone": "iso_1996_2_2007_annex_d", "tone_adjustment_db": 5}


def custom(*limits: dict[str, object], **more: object) -> CustomOptions:
    return CustomOptions.model_validate({"title": "Permit", "source": "page 12", "limits": list(limits), **more})


def test_a_limit_of_the_project_asks_for_the_survey_only_where_it_says_so() -> None:
    options = custom(
        {"quantity": "lden", "limit_db": 60, **ASKED}, {"quantity": "lnight", "limit_db": 50, "adjustment_db": -5}
    )
    checks = CustomLimits().checks(ReceiverUse("R", "dwelling", None), options)
    assert checks == [
        LimitCheck("lden_db", 60.0, "Lden", tone=ToneRule("ISO 1996-2:2007, Annex D", REMEMBERED, 5.0)),
        LimitCheck("lnight_db", 50.0, "Lnight", adjustment_db=-5.0),
    ]


def test_the_standing_of_the_survey_is_printed_with_the_limits() -> None:
    with_tones, without = (
        custom({"quantity": "lden", "limit_db": 60, **ASKED}),
        custom({"quantity": "lden", "limit_db": 60}),
    )
    said, cautioned = CustomLimits().statement(with_tones), CustomLimits().particulars(with_tones).caution
    assert "are from memory and were not compared with the standards" in said and "ISO 1996-1, Annex A" in said
    assert "hide a narrow tone" in cautioned and "tones would count twice" in cautioned
    assert "ISO" not in CustomLimits().statement(without) and CustomLimits().particulars(without).caution == ""


@pytest.mark.parametrize(
    ("limit", "message"),
    [
        ({"quantity": "lafmax", **ASKED}, "lafmax is the level of one pass: leave tone out"),
        ({"quantity": "lden", "tone": "iso_1996_2_2007_annex_d"}, "needs tone_adjustment_db, 3 to 6 dB"),
        ({"quantity": "lden", "tone_adjustment_db": 5}, "needs a rule that finds tones"),
        ({"quantity": "lden", **ASKED, "tone_adjustment_db": 2.9}, "greater than or equal to 3"),
        ({"quantity": "lden", **ASKED, "tone_adjustment_db": 6.1}, "less than or equal to 6"),
        ({"quantity": "lden", **ASKED, "adjustment_db": 5, "adjustment_for": "tones"}, "count tones twice"),
        ({"quantity": "lden", "adjustment_for": "tones"}, "needs adjustment_db"),
        ({"quantity": "lden", "tone": "iso_1996"}, "'none' or 'iso_1996_2_2007_annex_d'"),
    ],
)
def test_limits_that_misuse_tones_are_refused(limit: dict[str, object], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        custom({"limit_db": 60, **limit})


# --- marks on rails ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("margins", "spread", "word"),
    [
        ((-9.0, 0.0, 4.0), 0.12, "likely"),
        ((-9.0, 0.0, 4.0), 0.121, "possible"),
        ((-9.0, -0.1, 4.0), 0.0, "possible"),
        ((-9.0, -5.0, -0.1), 0.0, "unlikely"),
        ((1.0, -1.0, -2.0), 0.0, "possible"),
    ],
)
def test_likely_possible_unlikely(margins: tuple[float, float, float], spread: float, word: str) -> None:
    """The rule as the report states it; both thresholds are assumptions of the wear model."""
    named = dict(zip(("low", "likely", "high"), margins, strict=True))
    assert likelihood(named, spread, 0.0, 0.12) == word


def test_frequency_is_order_times_speed_over_pitch() -> None:
    """Computed (kinematics), whole Hz: whine of 25 and 40 mm at 40 to 160 km/h."""
    speed = np.array([40.0, 60.0, 80.0, 100.0, 120.0, 160.0])
    for pitch, expected in ((25.0, [444, 667, 889, 1111, 1333, 1778]), (40.0, [278, 417, 556, 694, 833, 1111])):
        tone = RailTone(pitch, True, (1, 2), (0.0, 0.0, 0.0), 0.12)
        np.testing.assert_allclose(tone.frequency_hz(speed), expected, atol=0.5)
        np.testing.assert_allclose(tone.frequency_hz(speed, 2), 2 * np.array(expected), atol=1.01)


def tones(frequency_hz: tuple[float, float]) -> Tones:
    marks = {"service": "S", "track": "T", "from_m": 0.0, "to_m": 9.0, "pitch_mm": 25.0}
    info = ToneInfo(
        **marks,
        pitch_given=True,
        speed_km_h=(57.0, 57.0),
        frequency_hz={1: frequency_hz, 2: (2 * frequency_hz[0], 2 * frequency_hz[1])},
        fresh_date="2026-09-02",
        wheel_roughness_db=None,
        margin_fresh_db={"likely": 5.0},
        margin_at_assessment_db=None,
        needed_margin_db=0.0,
        smear_ratio=0.12,
    )
    heard = ToneAtReceiver(
        **marks,
        receiver="R",
        frequency_hz=frequency_hz,
        spread_ratio=0.0,
        band_hz=630.0,
        over_neighbours_fresh_db=9.0,
        over_neighbours_at_date_db=9.0,
        fresh="likely",
        at_date="likely",
    )
    return Tones(assessment_date="", marks=[info], at_receivers=[heard], third_octaves=[])


@pytest.mark.parametrize(
    ("found_in", "flag"), [([630.0], True), ([1250.0], True), ([400.0], False), ([], False), (None, None)]
)
def test_a_flag_is_a_tone_found_where_the_marks_or_harmonics_sound(
    found_in: list[float] | None, flag: bool | None
) -> None:
    made = finding(51.0, survey(5.0), FLAT)
    update = {"tone_found": None} if found_in is None else {"tone_found": bool(found_in), "tone_bands_hz": found_in}
    out = with_flags(tones((631.0, 631.0)), [made.model_copy(update=update)])
    assert out is not None and out.at_receivers[0].flagged is flag

"""Squeal as a mean over passes: which row holds, what it does to the power, what the report is told."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.acoustics.levels import to_db, to_energy
from lineside.contracts import Note, Standing
from lineside.errors import OutOfRangeError
from lineside.plugin_checks import check_offer
from lineside.scene.model import Curve, Scene, SourceConditions
from lineside.small_scene import small_powers, small_scene
from lineside_plugins.squeal_passes import (
    SquealPassesOptions,
    level_at_7_5m,
    pass_average,
    power_from_level,
    share_of_passes,
)
from lineside_plugins.squeal_passes.calculator import SquealPasses, shares
from sites import assess_site, straight_site

CALCULATOR = SquealPasses()
#: Section of the small scene that lies in its curve of 180 m; metro trains run there.
IN_CURVE = 1


def share(low: float, likely: float, high: float) -> dict[str, float]:
    return {"low": low, "likely": likely, "high": high}


def row(radius_m: float = 300.0, likely: float = 0.2, **more: Any) -> dict[str, Any]:
    given = {"radius_up_to_m": radius_m, "share": share(likely / 2, likely, min(2 * likely, 1.0)), "source": "Count"}
    return {**given, **more}


EXCESS = {"excess_db": {"low": 10, "likely": 15, "high": 20}, "source": "Measured beside the depot"}
AT_7_5M = {"level_7_5m_db": {"likely": 95}, "source": "Measured beside the depot"}


def options(*rows: dict[str, Any], level: dict[str, Any] | None = EXCESS, **more: Any) -> SquealPassesOptions:
    return SquealPassesOptions.model_validate({"shares": list(rows), "level": level, **more})


def scene_with(rail: str = "dry", friction: str = "none", **curve: Any) -> Scene:
    """The small scene with another state of the rails, friction management or curve."""
    scene = small_scene()
    forms = tuple(replace(form, friction=friction) for form in scene.forms)
    first, *rest = scene.tracks
    tracks = (replace(first, curves=tuple(replace(c, **curve) for c in first.curves)), *rest)
    return replace(scene, forms=forms, tracks=tracks, conditions=SourceConditions(rail=rail))


def emission(given: SquealPassesOptions, scene: Scene | None = None) -> dict[str, np.ndarray]:
    scene = scene or scene_with()
    found = CALCULATOR.emission_beside(scene, given, small_powers(scene, ["rolling"]))
    return {c.name: power for c, power in found.items()}


def total(given: SquealPassesOptions, scene: Scene | None = None) -> float:
    return sum(float(power.sum()) for power in emission(given, scene).values())


def notes(given: SquealPassesOptions, scene: Scene | None = None) -> list[Note]:
    return list(CALCULATOR.notes(scene or scene_with(), given))


def text(given: SquealPassesOptions, scene: Scene | None = None) -> str:
    return " ".join(note.text for note in notes(given, scene))


# which row holds


ROWS = options(
    row(100, 0.9, vehicle_kinds=["tram"]),
    row(150, 0.6),
    row(300, 0.3, rail="dry", friction="none"),
    row(300, 0.2, rail="dry"),
    row(300, 0.1, rail="damp"),
).shares


@pytest.mark.parametrize(
    ("radius_m", "kind", "rail", "friction", "expected"),
    [
        (100.0, "tram", "wet", "none", 0.9),
        (100.0, "metro", "wet", "none", 0.6),
        (np.nextafter(100.0, 200.0), "tram", "wet", "none", 0.6),
        (150.0, "train", "dry", "none", 0.6),
        (np.nextafter(150.0, 200.0), "train", "dry", "none", 0.3),
        (200.0, "train", "dry", "gauge_lubrication", 0.2),
        (200.0, "train", "damp", "friction_modifier", 0.1),
        (200.0, "train", "wet", "none", None),
        (300.0, "train", "damp", "both", 0.1),
        (np.nextafter(300.0, 400.0), "train", "damp", "both", None),
        (np.inf, "tram", "dry", "none", None),
    ],
)
def test_the_first_row_that_holds_counts(
    radius_m: float, kind: str, rail: str, friction: str, expected: float | None
) -> None:
    assert share_of_passes(ROWS, radius_m, kind, rail, friction) == expected


def test_cases_choose_the_ends_of_the_share() -> None:
    assert [share_of_passes(ROWS, 200.0, "train", "dry", "both", case) for case in ("low", "likely", "high")] == [
        0.1,
        0.2,
        0.4,
    ]


# what it does to the power


def test_only_curves_within_the_table_squeal_and_only_vehicles_that_move() -> None:
    power = emission(options(row()))["low"]
    heard = power.sum(axis=2) > 0
    assert heard[:2, IN_CURVE].all()
    heard[:2, IN_CURVE] = False
    assert not heard.any()  # elsewhere, the standing row 2, and the train on the straight track
    assert total(options(row(179.9))) == 0.0 and total(options(row(180.0))) > 0.0


def test_the_smallest_radius_at_a_place_counts_turnouts_included() -> None:
    scene = scene_with()
    turnout = Curve(80.0, 90.0, 60.0, given=True, turnout=True)
    first, *rest = scene.tracks
    beside = replace(scene, tracks=(replace(first, curves=(*first.curves, turnout)), *rest))
    given = options(row(100, 0.8), row(300, 0.2))
    assert shares(scene, given)[0, IN_CURVE] == 0.2
    assert shares(beside, given)[0, IN_CURVE] == 0.8  # the middle of the section, 85 m, lies in the turnout


@pytest.mark.parametrize("level", [EXCESS, AT_7_5M], ids=["excess", "at 7.5 m"])
def test_a_larger_share_is_louder_in_proportion(level: dict[str, Any]) -> None:
    quiet, loud = (total(options(row(likely=p), level=level)) for p in (0.1, 0.4))
    assert loud / quiet == pytest.approx(4.0)
    assert total(options(row(likely=0.0), level=level)) == 0.0


@pytest.mark.parametrize("level", [EXCESS, {**AT_7_5M, "level_7_5m_db": share(90, 95, 99)}], ids=["excess", "at 7.5 m"])
def test_cases_rise(level: dict[str, Any]) -> None:
    effect = {"friction_modifier": {**share(1, 2, 5), "source": "Test track"}}
    low, likely, high = (
        total(
            options(row(), level=level, level_reduction_db=effect, case=case), scene_with(friction="friction_modifier")
        )
        for case in ("low", "likely", "high")
    )
    assert low < likely < high
    if level is EXCESS:  # shares 0.1, 0.2, 0.4; the low case has the largest reduction
        expected = [0.1 * (10**0.5 - 1), 0.2 * (10**1.3 - 1), 0.4 * (10**1.9 - 1)]
    else:
        expected = [0.1 * 10**8.5, 0.2 * 10**9.3, 0.4 * 10**9.8]
    np.testing.assert_allclose([low / likely, high / likely], [expected[0] / expected[1], expected[2] / expected[1]])


@pytest.mark.parametrize("level", [EXCESS, AT_7_5M], ids=["excess", "at 7.5 m"])
def test_the_state_of_the_rails_acts_through_the_table_only(level: dict[str, Any]) -> None:
    given = options(row(likely=0.4, rail="dry"), row(likely=0.1, rail="damp"), row(likely=0.2, rail="wet"), level=level)
    dry, damp, wet = (total(given, scene_with(rail=rail)) for rail in ("dry", "damp", "wet"))
    assert (damp / dry, wet / dry) == (pytest.approx(0.25), pytest.approx(0.5))
    alike = [total(options(row(), level=level), scene_with(rail=rail)) for rail in ("dry", "damp", "wet")]
    assert alike[0] == alike[1] == alike[2]


def test_friction_management_acts_through_its_rows() -> None:
    given = options(row(likely=0.1, friction="friction_modifier"), row(likely=0.5))
    before, after = total(given), total(given, scene_with(friction="friction_modifier"))
    assert after / before == pytest.approx(0.2)


def test_a_reduction_lowers_the_squealing_pass_not_the_mean() -> None:
    """A fifth of the passes at 15 dB, then at 3 dB above rolling noise: 10 lg(0.8 + 0.2 x) each."""
    given = options(row(), level_reduction_db={"both": {"likely": 12, "source": "Test track"}})
    before, after = total(given), total(given, scene_with(friction="both"))
    assert after / before == pytest.approx((10**0.3 - 1) / (10**1.5 - 1))
    assert total(given, scene_with(friction="friction_modifier")) == before


def test_a_reduction_beyond_the_excess_leaves_rolling_noise_alone() -> None:
    given = options(row(), level_reduction_db={"both": {"likely": 30, "source": "Test track"}})
    assert total(given, scene_with(friction="both")) == 0.0


def test_an_excess_without_rolling_noise_is_refused() -> None:
    with pytest.raises(OutOfRangeError, match=r"no calculator of rolling noise takes part.*level_7_5m_db"):
        CALCULATOR.emission_beside(scene_with(), options(row()), {"rolling": {}})
    assert CALCULATOR.emission_beside(scene_with(radius_m=900.0), options(row()), {"rolling": {}}) == {}
    assert CALCULATOR.emission(scene_with(), options(row(), level=AT_7_5M)) != {}


@pytest.mark.parametrize("level", [EXCESS, AT_7_5M, {**AT_7_5M, "quantity": "lafmax"}])
def test_it_keeps_its_contract_in_each_form(level: dict[str, Any]) -> None:
    check_offer(CALCULATOR, options(row(), level=level))


# from a level at 7.5 m to sound power


@pytest.mark.parametrize(("vehicle_m", "train_m"), [(18.0, 36.0), (30.0, 30.0), (12.0, 240.0)])
def test_power_agrees_with_numerical_integration(vehicle_m: float, train_m: float) -> None:
    """Point sources 10 cm apart over a reflecting plane, the microphone 7.5 m beside and 1.2 m above the rails."""
    x = np.arange(-train_m / 2 + 0.05, train_m / 2, 0.1)
    square = 7.5**2 + 0.7**2

    def level(at: np.ndarray, power_a: float) -> np.ndarray:
        each = power_a * 0.1 / vehicle_m
        return 2.0 * each * (1.0 / (4.0 * np.pi * (square + (x[:, None] - at) ** 2))).sum(axis=0)

    a_weights = np.repeat(to_energy([-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1]), 3)
    largest = float(power_from_level(93.0, "lafmax", vehicle_m, train_m) @ a_weights)
    assert float(to_db(level(np.zeros(1), largest))[0]) == pytest.approx(93.0, abs=0.001)
    mean = float(power_from_level(93.0, "laeq_tp", vehicle_m, train_m) @ a_weights)
    along = np.arange(-20_000.0, 20_000.0, 1.0)  # metres travelled, the exposure per metre
    assert float(to_db(level(along, mean).sum() / train_m)) == pytest.approx(93.0, abs=0.01)


@pytest.mark.parametrize("quantity", ["laeq_tp", "lafmax"])
def test_level_and_power_undo_each_other(quantity: str) -> None:
    vehicle, train = np.array([18.0, 25.0]), np.array([36.0, 200.0])
    power = power_from_level(91.5, quantity, vehicle, train)
    assert power.shape == (2, 24)
    np.testing.assert_allclose(level_at_7_5m(power, quantity, vehicle, train), 91.5)


def test_longer_vehicles_have_more_power_for_the_same_level() -> None:
    short, long = (power_from_level(90.0, "laeq_tp", length, 100.0).sum() for length in (10.0, 20.0))
    assert long / short == pytest.approx(2.0)


def test_default_spectrum_is_flat_from_400_to_5000_hz_and_a_given_one_is_kept() -> None:
    power = power_from_level(90.0, "laeq_tp", 18.0, 18.0)
    inside = (THIRD_OCTAVES_HZ >= 400) & (THIRD_OCTAVES_HZ <= 5000)
    assert np.ptp(power[inside]) == pytest.approx(0.0, abs=1e-6 * power.max()) and not power[~inside].any()
    bands = [{"frequency_hz": 1600, "level_db": 0}, {"frequency_hz": 3150, "level_db": -10}]
    own = emission(options(row(), level={**AT_7_5M, "spectrum": bands}))["0.5 m, squeal"][0, IN_CURVE]
    assert np.flatnonzero(own).tolist() == [15, 18] and own[18] / own[15] == pytest.approx(0.1)


@pytest.mark.parametrize("n_vehicles", [2, 8])
def test_propagation_over_hard_ground_gives_the_level_back(n_vehicles: int, tmp_path) -> None:  # type: ignore[no-untyped-def]
    """Every pass squeals at 95 dB; the train's exposure at 7.5 m, related to the time of its pass, must be that.

    Computed, at 125 Hz, where air takes next to nothing, from 1000 m of track on each side; homogeneous atmosphere.
    """
    site = straight_site(curve_radius_m=200, source_ground_g=0, speed_limit_km_h=40)
    site["site"]["default_ground"] = {"g": 0.0}
    site["units"][0]["vehicles"][0]["count"] = n_vehicles
    site["receivers"][0] |= {"position": [0.0, 7.5], "height_m": 1.5}  # rails at 0.3 m
    level = {**AT_7_5M, "spectrum": [{"frequency_hz": 125, "level_db": 0}]}
    given = options(row(likely=1.0), level=level).model_dump(mode="json", exclude_unset=True)
    everything = ["eu_rolling", "eu_impact", "eu_squeal", "eu_traction", "eu_aerodynamic", "eu_bridge"]
    site["calculation"] |= {"without": everything, "with": ["squeal_passes"], "options": {"squeal_passes": given}}
    seconds = 20.0 * n_vehicles / (40 / 3.6)
    found = next(p for p in assess_site(site, tmp_path / "site")["R"].passes if p.state == "homogeneous")
    assert found.lae_db is not None
    assert found.lae_db - 10 * np.log10(seconds) == pytest.approx(95.0, abs=0.06)


# what the report is told


def test_without_shares_nothing_squeals_and_the_note_is_loud() -> None:
    given = SquealPassesOptions()
    assert emission(given) == {}
    (note,) = notes(given)
    assert note.kind == "validity" and "NOT forecast" in note.text and "no general value" in note.text
    assert "no general value" in CALCULATOR.statement(given) and "no squeal is computed" in CALCULATOR.statement(given)


def test_a_missing_row_is_silent_and_the_note_is_loud() -> None:
    given = options(row(rail="dry"))
    assert total(given, scene_with(rail="wet")) == 0.0
    found = [note for note in notes(given) if "LEFT OUT" in note.text]
    assert [note.kind for note in found] == ["validity"]
    assert "on damp or wet rail for curve on T1 at 50 to 120 m (radius 180 m, metro)" in found[0].text
    assert "LEFT OUT" not in text(options(row()))
    assert "LEFT OUT" not in text(given, scene_with(radius_m=500.0))  # beyond the table


def test_notes_say_where_how_often_how_loud_and_who_says_so() -> None:
    given = options(row(likely=0.2, rail="dry", source="Count of May 2025"), row(likely=0.05))
    first, second, level, passes = notes(given, scene_with(friction="none"))
    assert "20 % (10 to 40 %; Count of May 2025): on dry rail, curve on T1 at 50 to 120 m" in first.text
    assert "5 % (2.5 to 10 %; Count): on damp or wet rail, curve on T1" in second.text
    above = 15.0 - float(pass_average(0.2, 15.0))
    assert f"{above:.1f} dB above the mean" in first.text
    assert level.text == "While squealing, a pass is 15 (10 to 20) dB above rolling noise (Measured beside the depot)."
    assert {n.standing for n in (first, second, level)} == {Standing.USER}
    assert passes.kind == "validity" and "single passes" in passes.text


def test_reported_effects_are_information_only() -> None:
    managed = scene_with(friction="friction_modifier")
    assert "6.3 to 22.8 dB, mean 12 dB" in text(options(row()), managed)
    assert "only its abstract was read" in text(options(row()), managed)
    assert "6.3" not in text(options(row()))
    assert total(options(row()), managed) == total(options(row()))
    given = options(row(), level_reduction_db={"friction_modifier": {"likely": 8, "source": "Test track"}})
    assert "8 dB quieter (Test track)" in text(given, managed) and "6.3" not in text(given, managed)


def test_level_at_7_5_m_in_words() -> None:
    given = options(row(likely=0.5), level={**AT_7_5M, "quantity": "lafmax"})
    assert "has the largest A-weighted level 95 dB at 7.5 m" in text(given)
    assert "squeal is 3.0 dB above its mean" in text(given)
    assert "equal levels from 400 to 5000 Hz, an assumption" in CALCULATOR.statement(given)


# what is refused

REFUSED: dict[str, tuple[dict[str, Any], str]] = {
    "shares without level": ({"shares": [row()]}, "needs level"),
    "falling": ({"shares": [row(share=share(0.3, 0.2, 0.4))]}, "rising order"),
    "percent": ({"shares": [row(share=share(10, 20, 40))]}, "less than or equal to 1"),
    "one value": ({"shares": [row(share={"likely": 0.2})]}, "low"),
    "no source": ({"shares": [{k: v for k, v in row().items() if k != "source"}]}, "source"),
    "hidden row": ({"shares": [row(300), row(200, rail="dry")], "level": EXCESS}, "row 2 of shares is never used"),
    "both forms": ({"level": {**EXCESS, **AT_7_5M}}, "either excess_db or level_7_5m_db"),
    "no form": ({"level": {"source": "Nobody"}}, "either excess_db or level_7_5m_db"),
    "level as excess": ({"level": {"excess_db": {"likely": 95}, "source": "Mixed up"}}, "0 to 40 dB"),
    "excess as level": ({"level": {"level_7_5m_db": {"likely": 15}, "source": "Mixed up"}}, "50 to 150 dB"),
    "spectrum of an excess": ({"level": {**EXCESS, "quantity": "lafmax"}}, "belong to level_7_5m_db"),
    "odd band": ({"level": {**AT_7_5M, "spectrum": [{"frequency_hz": 1234, "level_db": 0}]}}, "nominal third octave"),
    "band twice": ({"level": {**AT_7_5M, "spectrum": 2 * [{"frequency_hz": 1000, "level_db": 0}]}}, "twice"),
    "effect of nothing": ({"level_reduction_db": {"none": {"likely": 3, "source": "Test"}}}, "gauge_lubrication"),
}


@pytest.mark.parametrize("case", REFUSED)
def test_refused_with_a_reason(case: str) -> None:
    given, message = REFUSED[case]
    with pytest.raises(ValidationError, match=message):
        SquealPassesOptions.model_validate(given)


WIDER_BELOW = {
    "radius": (row(200), row(300)),
    "vehicles": (row(300, vehicle_kinds=["tram"]), row(300)),
    "one more vehicle": (row(300, vehicle_kinds=["tram"]), row(300, vehicle_kinds=["tram", "metro"])),
    "rail": (row(300, rail="dry"), row(300)),
    "friction": (row(300, friction="none"), row(300)),
}


@pytest.mark.parametrize("case", WIDER_BELOW)
def test_a_wider_row_may_stand_below_but_not_above(case: str) -> None:
    narrow, wide = WIDER_BELOW[case]
    assert len(options(narrow, wide).shares) == 2
    with pytest.raises(ValidationError, match="row 2 of shares is never used, as row 1"):
        options(wide, narrow)


def test_rows_that_exclude_each_other_may_stand_in_any_order() -> None:
    assert len(options(row(300, friction="none"), row(200, friction="both")).shares) == 2

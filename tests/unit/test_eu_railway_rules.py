"""Rules of the EU railway sources that no published case covers: joints, squeal, bridges, standing, directivity.

Expected values follow from the words of the law (Directive 2002/49/EC, Annex II, section 2.3, as amended by
(EU) 2021/1226); what is our interpretation is said beside the test.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.acoustics.levels import to_db
from lineside.errors import OutOfRangeError
from lineside.scene.model import (
    Curve,
    JointedStretch,
    Sections,
    SourceConditions,
    Spectrum,
    TrackForm,
    TrackLine,
    VehicleType,
)
from lineside_plugins.eu_railway import line_source_power, register_source_calculators
from lineside_plugins.eu_railway.law_directivity import source_class
from lineside_plugins.eu_railway.law_joints import joint_cuts_m, joint_density_per_m
from lineside_plugins.eu_railway.law_tables import track_transfer, traction_power
from lineside_plugins.eu_railway.one_vehicle import one_vehicle_scene
from lineside_plugins.eu_railway.squeal import SquealOptions, excess_by_cell_db, squeal_excess_db

FORM = TrackForm("ballast", "monoblock", "medium", None, "average_network", None, None, None)
VEHICLE = VehicleType(
    "coach", "train", False, 25.0, 4, 200.0, "disc", "load_50kn_wheel_920mm", "wheel_920mm", None,
    "electric_multiple_unit", "eu_default",
)  # fmt: skip
CALCULATORS = {calculator.name: calculator for calculator in register_source_calculators()}
COACH = {
    "rail_roughness": "average_network",
    "wheel_roughness": "disc",
    "contact_filter": "load_50kn_wheel_920mm",
    "vehicle_transfer": "wheel_920mm",
    "sleeper": "monoblock",
    "rail_pad": "medium",
    "n_axles": 4,
}


def emission(name, scene, **options):
    calculator = CALCULATORS[name]
    return calculator.emission(scene, calculator.options_model(**options))


def total(name, scene, **options):
    """Energy of all classes in the only cell, all bands together."""
    return sum(float(power.sum()) for power in emission(name, scene, **options).values())


def scene_with(form=FORM, vehicle=VEHICLE, speed_km_h=80.0, **more):
    return one_vehicle_scene(form=form, vehicle=vehicle, speed_km_h=speed_km_h, **more)


def track_with(*joints: JointedStretch) -> TrackLine:
    chainage = np.array([0.0, 2000.0])
    return TrackLine("T1", "", "train", chainage, np.array([[0.0, 0, 0], [2000.0, 0, 0]]), joints, ())


# joints


def test_joints_reach_50_m_beyond_both_ends_and_no_further():
    track = track_with(JointedStretch(500.0, 700.0, 0.02, "joints"))
    at = np.array([449.0, 451.0, 600.0, 749.0, 751.0])
    np.testing.assert_allclose(joint_density_per_m(track, at), [0, 0.02, 0.02, 0.02, 0])
    np.testing.assert_allclose(joint_cuts_m(track), [450.0, 750.0])


def test_a_turnout_is_one_joint_over_its_reach():
    track = track_with(JointedStretch(500.0, 500.0, 0.01, "turnout"))
    at = np.linspace(0.0, 2000.0, 20_001)
    density = joint_density_per_m(track, at)
    assert np.trapezoid(density, at) == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose(joint_cuts_m(track), [450.0, 550.0])


def test_overlapping_reaches_add_turnouts_but_not_touching_jointed_stretches():
    """Interpretation: the law is silent on overlaps."""
    turnouts = track_with(JointedStretch(500.0, 500.0, 0.01, "turnout"), JointedStretch(540.0, 540.0, 0.01, "turnout"))
    np.testing.assert_allclose(joint_density_per_m(turnouts, np.array([470.0, 520.0, 570.0])), [0.01, 0.02, 0.01])
    split = track_with(JointedStretch(400.0, 500.0, 0.01, "joints"), JointedStretch(500.0, 600.0, 0.01, "joints"))
    whole = track_with(JointedStretch(400.0, 600.0, 0.01, "joints"))
    at = np.arange(0.5, 2000.0)
    np.testing.assert_allclose(joint_density_per_m(split, at), joint_density_per_m(whole, at))
    mixed = track_with(JointedStretch(400.0, 600.0, 0.01, "joints"), JointedStretch(500.0, 500.0, 0.01, "turnout"))
    np.testing.assert_allclose(joint_density_per_m(mixed, np.array([420.0, 500.0])), [0.01, 0.02])


def test_cuts_stay_inside_the_track():
    track = track_with(JointedStretch(20.0, 1990.0, 0.01, "joints"))
    assert joint_cuts_m(track).size == 0
    assert CALCULATORS["eu_impact"].cuts(track, CALCULATORS["eu_impact"].options_model()).size == 0


@pytest.mark.parametrize(
    ("kind", "speed_km_h", "heard"),
    [
        ("train", 49.9, False), ("train", 50.0, True), ("tram", 29.9, False), ("tram", 30.0, True),
        ("metro", 29.9, False), ("metro", 30.0, True),
    ],
)  # fmt: skip
def test_impact_counts_from_50_km_h_or_30_km_h(kind, speed_km_h, heard):
    scene = scene_with(vehicle=replace(VEHICLE, kind=kind), speed_km_h=speed_km_h, joints_per_m=0.01)
    assert (total("eu_impact", scene) > 0.0) is heard
    assert total("eu_impact", scene, impact_at_any_speed=True) > 0.0


def test_limits_of_speed_and_length_bear_rounding():
    for speed_km_h, just in ((50.0, np.nextafter(50.0, 0.0)), (50.0, 50.0 / 3.6 * 3.6)):
        assert total("eu_impact", scene_with(speed_km_h=just, joints_per_m=0.01)) == pytest.approx(
            total("eu_impact", scene_with(speed_km_h=speed_km_h, joints_per_m=0.01))
        )
    assert total("eu_aerodynamic", scene_with(speed_km_h=np.nextafter(200.0, 300.0))) == 0.0
    assert squeal_excess_db(Curve(14.1, 64.1, 250.0, True), "train") == 8.0


def test_impact_is_proportional_to_the_number_of_joints():
    one, three = (total("eu_impact", scene_with(joints_per_m=n)) for n in (0.01, 0.03))
    assert three / one == pytest.approx(3.0)


def test_own_impact_spectrum_replaces_the_table():
    flat = Spectrum("flat", "impact_roughness", np.geomspace(2000.0, 0.8, 35), {"level_db": np.full(35, 10.0)})
    rough = Spectrum("rough", "impact_roughness", flat.axis, {"level_db": np.full(35, 20.0)})
    quiet, loud = (
        total("eu_impact", scene_with(form=replace(FORM, impact_roughness=s), joints_per_m=0.01)) for s in (flat, rough)
    )
    assert loud / quiet == pytest.approx(10.0)


# speed floor


@pytest.mark.parametrize(("kind", "floor"), [("train", 50.0), ("metro", 30.0), ("tram", 30.0)])
def test_roughness_is_taken_at_the_floor_but_flow_at_the_true_speed(kind, floor):
    slow = line_source_power(**COACH, kind=kind, speed_km_h=10.0, vehicles_per_hour=1.0)["A"]
    at_floor = line_source_power(**COACH, kind=kind, speed_km_h=floor, vehicles_per_hour=1.0)["A"]
    np.testing.assert_allclose(slow - at_floor, 10 * np.log10(floor / 10.0))
    free = line_source_power(**COACH, kind=kind, speed_km_h=10.0, options={"speed_floor": False})["A"]
    assert np.all(free < slow)


# squeal: table of section 2.3 as amended


def curve(radius_m, length_m=120.0, turnout=False):
    return Curve(100.0, 100.0 + length_m, radius_m, True, turnout)


@pytest.mark.parametrize(
    ("kind", "a_curve", "expected"),
    [
        ("train", curve(500.1), 0.0),
        ("train", curve(500.0), 5.0),
        ("train", curve(300.1), 5.0),
        ("train", curve(300.0), 8.0),
        ("train", curve(100.0), 8.0),
        ("train", curve(100.0, 49.9), 0.0),
        ("train", curve(100.0, 50.0), 8.0),
        ("train", curve(300.0, 20.0, turnout=True), 8.0),
        ("train", curve(300.1, 80.0, turnout=True), 0.0),
        ("tram", curve(200.0), 5.0),
        ("tram", curve(200.1), 0.0),
        ("tram", curve(25.0, 15.0), 5.0),
        ("tram", curve(200.0, 15.0, turnout=True), 5.0),
        ("tram", curve(200.1, 15.0, turnout=True), 0.0),
    ],
)
def test_squeal_table(kind, a_curve, expected):
    assert squeal_excess_db(a_curve, kind) == expected


@pytest.mark.parametrize(
    ("a_curve", "expected"),
    [(curve(250.0), 8.0), (curve(400.0), 5.0), (curve(500.0), 0.0), (curve(250.0, turnout=True), 0.0)],
)
def test_squeal_of_2015(a_curve, expected):
    assert squeal_excess_db(a_curve, "tram", "original_2015") == expected


@pytest.mark.parametrize("joints_per_m", [0.0, 0.02])
def test_squeal_is_the_excess_over_rolling_and_impact(joints_per_m):
    scene = scene_with(joints_per_m=joints_per_m, curve_radius_m=250.0)
    base = total("eu_rolling", scene) + total("eu_impact", scene)
    assert to_db((base + total("eu_squeal", scene)) / base) == pytest.approx(8.0)


def test_squeal_follows_the_rule_of_the_vehicle():
    def excess(kind, **options):
        scene = scene_with(vehicle=replace(VEHICLE, kind=kind), curve_radius_m=180.0)
        base = total("eu_rolling", scene)
        return float(to_db((base + total("eu_squeal", scene, **options)) / base))

    assert excess("train") == pytest.approx(8.0)
    assert excess("tram") == pytest.approx(5.0)
    assert excess("metro") == pytest.approx(8.0)
    assert excess("metro", metro_squeal_rule="tram") == pytest.approx(5.0)


def test_given_squeal_excess_replaces_the_table_up_to_500_m_radius():
    for radius_m, expected in ((450.0, 12.0), (501.0, 0.0)):
        scene = scene_with(curve_radius_m=radius_m)
        base = total("eu_rolling", scene)
        squeal = total("eu_squeal", scene, squeal_excess_db=12.0)
        assert to_db((base + squeal) / base) == pytest.approx(expected)
    assert total("eu_squeal", scene_with(curve_radius_m=200.0), squeal_excess_db=0.0) == 0.0


def test_no_squeal_on_straight_track():
    assert total("eu_squeal", scene_with()) == 0.0


# bridges


def test_bridge_is_a_separate_source_without_directivity():
    scene = scene_with(form=replace(FORM, bridge="plus_10_dba"))
    (source,) = emission("eu_bridge", scene)
    assert source.gain is None and source.height_m == 0.5
    assert total("eu_bridge", scene_with()) == 0.0


def test_bridge_leaves_joints_out_unless_asked():
    """(2.3.11) is named for (2.3.8) to (2.3.10) only, so (2.3.18) takes the roughness without impact."""
    on_bridge = replace(FORM, bridge="plus_10_dba")
    smooth, jointed = (scene_with(form=on_bridge, joints_per_m=n) for n in (0.0, 0.01))
    assert total("eu_bridge", jointed) == pytest.approx(total("eu_bridge", smooth))
    assert total("eu_bridge", jointed, include_impact=True) > 2.0 * total("eu_bridge", smooth)
    assert total("eu_bridge", smooth, include_impact=True) == pytest.approx(total("eu_bridge", smooth))
    assert total("eu_bridge", scene_with(form=on_bridge, joints_per_m=0.01, speed_km_h=40.0), include_impact=True) == (
        pytest.approx(total("eu_bridge", scene_with(form=on_bridge, speed_km_h=40.0)))
    )


@pytest.mark.parametrize("radius_m", [None, 250.0])
def test_bridge_constant_of_2015_raises_rolling_impact_and_squeal(radius_m):
    scene = scene_with(form=replace(FORM, bridge="plus_10_dba"), joints_per_m=0.01, curve_radius_m=radius_m)
    options = {"edition": "original_2015"}
    base = sum(total(name, scene, **options) for name in ("eu_rolling", "eu_impact", "eu_squeal"))
    with_constant = (
        total("eu_rolling", scene, **options)
        + total("eu_impact", scene, **options)
        + total("eu_squeal", scene, **options, bridge_constant_db=4.0)
        + total("eu_bridge", scene, **options, bridge_constant_db=4.0)
    )
    assert to_db(with_constant / base) == pytest.approx(4.0)
    (source,) = emission("eu_bridge", scene, **options, bridge_constant_db=4.0)
    assert source.gain is not None


def test_edition_of_2015_needs_the_bridge_constant():
    with pytest.raises(OutOfRangeError, match="bridge_constant_db"):
        emission("eu_bridge", scene_with(form=replace(FORM, bridge="plus_10_dba")), edition="original_2015")
    assert total("eu_bridge", scene_with(), edition="original_2015") == 0.0


# superstructure


def test_superstructure_of_freight_vehicles_only():
    loud = Spectrum("box", "superstructure_transfer", THIRD_OCTAVES_HZ, {"level_db": np.full(24, 100.0)})
    coach = scene_with(vehicle=replace(VEHICLE, superstructure_transfer=loud))
    wagon = scene_with(vehicle=replace(VEHICLE, superstructure_transfer=loud, freight=True))
    assert total("eu_rolling", coach) == pytest.approx(total("eu_rolling", scene_with()))
    assert total("eu_rolling", wagon) > 1.1 * total("eu_rolling", coach)
    assert total("eu_rolling", coach, superstructure_for="all") == pytest.approx(total("eu_rolling", wagon))


# standing vehicles


def test_standing_vehicle_makes_traction_noise_only():
    on_bridge = replace(FORM, bridge="plus_15_dba")
    scene = scene_with(form=on_bridge, standing=True, seconds_per_m=3.0, joints_per_m=0.01, curve_radius_m=200.0)
    for name in CALCULATORS:
        assert (total(name, scene) > 0.0) is (name == "eu_traction")


def test_idling_equals_constant_speed_unless_a_spectrum_says_otherwise():
    moves, stands = scene_with(), scene_with(standing=True)
    for a, b in zip(emission("eu_traction", moves).values(), emission("eu_traction", stands).values(), strict=True):
        np.testing.assert_allclose(a, b)
    columns = {
        "source_a_db": np.full(24, 90.0), "source_b_db": np.full(24, 91.0),
        "idling_a_db": np.full(24, 80.0), "idling_b_db": np.full(24, 81.0),
    }  # fmt: skip
    own = Spectrum("own", "traction", THIRD_OCTAVES_HZ, columns)
    assert traction_power(own, "a", False)[0] == 90.0
    assert traction_power(own, "b", True)[0] == 81.0
    del columns["idling_a_db"]
    assert traction_power(replace(own, columns=columns), "a", True)[0] == 90.0


def test_long_stay_is_without_directivity():
    """Interpretation: the law calls it a fixed point source and leaves its directivity open."""
    scene = scene_with(standing=True)
    scene = replace(scene, traffic=replace(scene.traffic, long_stay=np.array([True])))
    found = {source: power.sum() for source, power in emission("eu_traction", scene).items()}
    assert {source.height_m: source.gain for source, power in found.items() if power > 0} == {0.5: None, 4.0: None}
    assert all(power == 0 for source, power in found.items() if source.gain is not None)


def test_unpowered_vehicle_has_no_traction_noise():
    assert total("eu_traction", scene_with(vehicle=replace(VEHICLE, traction=None))) == 0.0


# aerodynamic


@pytest.mark.parametrize(("speed_km_h", "heard"), [(200.0, False), (200.1, True)])
def test_aerodynamic_noise_above_200_km_h_only(speed_km_h, heard):
    assert (total("eu_aerodynamic", scene_with(speed_km_h=speed_km_h)) > 0.0) is heard
    assert total("eu_aerodynamic", scene_with(vehicle=replace(VEHICLE, aerodynamic=None), speed_km_h=speed_km_h)) == 0.0


def test_aerodynamic_noise_grows_with_50_lg_v():
    slow, fast = (emission("eu_aerodynamic", scene_with(speed_km_h=v)) for v in (220.0, 330.0))
    for a, b in zip(slow.values(), fast.values(), strict=True):
        np.testing.assert_allclose(to_db(b[0, 0] / a[0, 0]), 50.0 * np.log10(1.5))


# directivity and source classes


def test_equal_directivity_means_equal_class_across_calculators():
    scene = scene_with(form=replace(FORM, bridge="plus_10_dba"), speed_km_h=250.0)
    classes = {name: set(emission(name, scene)) for name in CALCULATORS}
    line_a = next(iter(classes["eu_rolling"]))
    for name in ("eu_impact", "eu_squeal", "eu_traction", "eu_aerodynamic"):
        assert line_a in classes[name]
    assert line_a not in classes["eu_bridge"]
    assert len(set().union(*classes.values())) == 4  # A, A without directivity, B, B aerodynamic
    other = set(emission("eu_rolling", scene, vertical_directivity="none"))
    assert line_a not in other


def test_gain_has_the_shape_of_the_angles():
    phi, psi = np.full((3, 5), 90.0), np.zeros((3, 5))
    for source in (
        source_class("a", True, "amended_2021"),
        source_class("b", True, "none"),
        source_class("b", False, "aerodynamic"),
    ):
        assert source.gain is not None
        np.testing.assert_allclose(source.gain(phi, psi), np.ones((3, 5, 24)))


def test_traction_at_b_has_no_vertical_directivity_but_aerodynamic_noise_has():
    scene = scene_with(speed_km_h=250.0)
    below = np.array(90.0), np.array(-30.0)
    for name, factor in (("eu_traction", 1.0), ("eu_aerodynamic", 0.75)):  # cos^2(30 deg) = 0.75
        (at_b,) = [source for source in emission(name, scene) if source.height_m == 4.0]
        np.testing.assert_allclose(at_b.gain(*below), factor)


def test_edition_sets_the_vertical_form_and_can_be_overruled():
    model = CALCULATORS["eu_rolling"].options_model
    assert model().vertical_form == "amended_2021"
    assert model(edition="original_2015").vertical_form == "original_2015"
    assert model(edition="original_2015", vertical_directivity="none").vertical_form == "none"


# names and spectra


@pytest.mark.parametrize(
    ("changed", "message"),
    [
        ({"sleeper": None}, "Write sleeper:"),
        ({"rail_pad": None}, "Write rail_pad: soft"),
        ({"sleeper": "concrete"}, "Write one of monoblock, biblock"),
        ({"rail_pad": "stiff"}, "Write one of soft, medium, hard"),
    ],
)
def test_track_form_errors_say_what_to_write(changed, message):
    with pytest.raises(OutOfRangeError, match=message):
        track_transfer(replace(FORM, **changed))


def test_unknown_class_gets_a_hint():
    with pytest.raises(OutOfRangeError, match="Did you mean disc"):
        emission("eu_rolling", scene_with(vehicle=replace(VEHICLE, wheel_roughness="disk")))


def test_wooden_sleepers_need_no_pad_and_ignore_one():
    with_pad, without = (track_transfer(replace(FORM, sleeper="wooden", rail_pad=pad)) for pad in ("soft", None))
    np.testing.assert_array_equal(with_pad, without)


def test_spectrum_of_the_wrong_kind_or_axis_is_refused():
    wheel = Spectrum("w", "wheel_roughness", np.array([100.0, 10.0]), {"level_db": np.zeros(2)})
    with pytest.raises(OutOfRangeError, match="must be rail_roughness"):
        emission("eu_rolling", scene_with(form=replace(FORM, rail_roughness=wheel)))
    short = Spectrum("s", "track_transfer", np.array([100.0, 1000.0]), {"level_db": np.zeros(2)})
    with pytest.raises(OutOfRangeError, match="24 third octaves"):
        emission("eu_rolling", scene_with(form=replace(FORM, track_transfer=short)))


def test_traction_spectrum_may_fall_and_must_be_complete():
    columns = {"source_a_db": np.arange(24.0), "source_b_db": np.arange(24.0)}
    falling = Spectrum("own", "traction", THIRD_OCTAVES_HZ[::-1], columns)
    np.testing.assert_array_equal(traction_power(falling, "a", False), np.arange(24.0)[::-1])
    octaves = Spectrum("own", "traction", THIRD_OCTAVES_HZ[1::3], {"source_a_db": np.zeros(8)})
    with pytest.raises(OutOfRangeError, match="24 third octaves"):
        traction_power(octaves, "a", False)
    with pytest.raises(OutOfRangeError, match="lacks the column source_b_db"):
        traction_power(octaves, "b", False)


def test_aerodynamic_spectrum_needs_its_parameters():
    columns = {"source_a_db": np.zeros(24), "source_b_db": np.zeros(24)}
    own = Spectrum("own", "aerodynamic", THIRD_OCTAVES_HZ, columns, {"alpha_a": 50.0, "alpha_b": 50.0})
    with pytest.raises(OutOfRangeError, match="reference_speed_km_h"):
        emission("eu_aerodynamic", scene_with(vehicle=replace(VEHICLE, aerodynamic=own), speed_km_h=250.0))


def test_direction_of_the_wavelength_axis_does_not_matter():
    axis, level = np.array([1000.0, 100.0, 10.0, 1.0]), np.array([10.0, 5.0, -5.0, -15.0])
    falling = Spectrum("r", "rail_roughness", axis, {"level_db": level})
    rising = Spectrum("r", "rail_roughness", axis[::-1], {"level_db": level[::-1]})
    a, b = (total("eu_rolling", scene_with(form=replace(FORM, rail_roughness=s))) for s in (falling, rising))
    assert a == pytest.approx(b)


def test_unknown_option_or_calculator_of_the_worked_case_is_refused():
    with pytest.raises(OutOfRangeError, match="sped_floor"):
        line_source_power(**COACH, speed_km_h=80.0, options={"sped_floor": False})
    with pytest.raises(OutOfRangeError, match="eu_rollling"):
        line_source_power(**COACH, speed_km_h=80.0, without=["eu_rollling"])


def test_sections_where_nothing_runs_stay_silent():
    scene = scene_with(joints_per_m=0.01, curve_radius_m=200.0, form=replace(FORM, bridge="plus_10_dba"))
    two = np.zeros(2, dtype=np.int64)
    sections = Sections(two, two, two, np.array([0.0, 50.0]), np.array([50.0, 100.0]))
    seconds = np.array([[0.0, 3.6 / 80.0]])
    traffic = replace(scene.traffic, speed_km_h=np.array([[80.0, 80.0]]), seconds_per_m=seconds)
    scene = replace(scene, sections=sections, traffic=traffic)
    for name in CALCULATORS:
        for power in emission(name, scene).values():
            assert power.shape == (1, 2, 24)
            assert not power[0, 0].any()
            assert np.isfinite(power).all()


def test_curves_that_touch_are_one_bend_of_the_law():
    """Directive 2002/49/EC, Annex II, section 2.3: l_track is the length of the curve, however it was written down."""
    first, second = Curve(100.0, 140.0, 290.0, True), Curve(140.0, 180.0, 295.0, True)
    assert squeal_excess_db(first, "train") == 0.0
    assert squeal_excess_db(first, "train", curves=(first, second)) == 8.0
    assert squeal_excess_db(second, "train", curves=(first, second)) == 8.0
    wider = Curve(140.0, 180.0, 400.0, True)
    assert squeal_excess_db(first, "train", curves=(first, wider)) == 5.0
    apart = Curve(150.0, 190.0, 295.0, True)
    assert squeal_excess_db(first, "train", curves=(first, apart)) == 0.0


@pytest.mark.parametrize("turnout_radius_m", [310.0, 400.0, 250.0])
def test_a_diverging_turnout_in_a_curve_takes_no_squeal_away(turnout_radius_m):
    scene = scene_with(section_length_m=100.0, curve_radius_m=450.0)
    track = scene.tracks[0]
    turnout = Curve(0.0, 100.0, turnout_radius_m, True, turnout=True)
    both = replace(scene, tracks=(replace(track, curves=(*track.curves, turnout)),))
    expected = 8.0 if turnout_radius_m <= 300.0 else 5.0
    assert excess_by_cell_db(both, SquealOptions()).max() == expected


def test_a_driving_style_changes_traction_only_while_a_train_gains_speed():
    scene = scene_with()
    half = replace(
        scene,
        conditions=SourceConditions(traction_db=-10.0),
        traffic=replace(scene.traffic, accelerating=np.array([[0.5]])),
    )
    for name in CALCULATORS:
        plain, styled = emission(name, scene), emission(name, half)
        for source, power in plain.items():
            factor = 1.0 - 0.5 * 0.9 if name == "eu_traction" else 1.0
            np.testing.assert_allclose(styled[source], power * factor, rtol=1e-12)

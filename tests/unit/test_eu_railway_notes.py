"""What the calculators tell the reader about a project: only what applies, in words that can be acted on."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from lineside.contracts import Note, Standing
from lineside.scene.model import BarrierSegments, JointedStretch, Spectrum, TrackForm, VehicleType
from lineside_plugins.eu_railway import register_source_calculators
from lineside_plugins.eu_railway.law_tables import ATTRIBUTES, terms
from lineside_plugins.eu_railway.one_vehicle import one_vehicle_scene

CALCULATORS = {calculator.name: calculator for calculator in register_source_calculators()}
MEASURED = Spectrum("rail-2026", "rail_roughness", np.array([2000.0, 100.0, 10.0, 1.0, 0.5]), {"level_db": np.zeros(5)})
FORM = TrackForm("ballast", "monoblock", "medium", None, MEASURED, None, None, None)
VEHICLE = VehicleType(
    "coach", "train", False, 25.0, 4, 200.0, "disc", "load_50kn_wheel_920mm", "wheel_840mm", None,
    "electric_multiple_unit", None,
)  # fmt: skip


def scene_with(form=FORM, vehicle=VEHICLE, speed_km_h=80.0, **more):
    return one_vehicle_scene(form=form, vehicle=vehicle, speed_km_h=speed_km_h, **more)


def notes(name, scene, **options) -> list[Note]:
    calculator = CALCULATORS[name]
    return list(calculator.notes(scene, calculator.options_model(**options)))


def text(name, scene, **options) -> str:
    return " ".join(note.text for note in notes(name, scene, **options))


def test_an_ordinary_scene_needs_no_notes():
    scene = scene_with()
    for name in CALCULATORS:
        assert notes(name, scene) == [], name


def test_rail_roughness_class_carries_its_caution():
    assert "cannot be judged" in text("eu_rolling", scene_with(form=replace(FORM, rail_roughness="average_network")))


@pytest.mark.parametrize(("form", "sleeper"), [("slab", "biblock_soft"), ("embedded", "biblock_soft")])
def test_track_without_a_column_in_the_law(form, sleeper):
    scene = scene_with(form=replace(FORM, form=form, sleeper="biblock", rail_pad="soft"))
    (note,) = notes("eu_rolling", scene)
    assert note.kind == "validity" and form in note.text and sleeper in note.text
    own = Spectrum("own", "track_transfer", np.empty(0), {"level_db": np.empty(0)})
    assert notes("eu_rolling", scene_with(form=replace(FORM, form=form, track_transfer=own))) == []


def test_pad_that_is_not_used():
    assert "rail pad given with wooden" in text("eu_rolling", scene_with(form=replace(FORM, sleeper="wooden")))


def test_actual_values_are_printed_beside_their_class():
    vehicle = replace(VEHICLE, actual={"wheel_load_kn": 62.0, "wheel_diameter_mm": 840.0})
    found = notes("eu_rolling", scene_with(vehicle=vehicle))
    assert [note.standing for note in found] == [Standing.USER, Standing.USER]
    assert "wheel load 50 kN; the actual value is 62 kN (+12 kN)" in found[0].text
    # the filter is for 920 mm; the transfer function is for 840 mm, which is the actual value
    assert "wheel diameter 920 mm; the actual value is 840 mm (-80 mm)" in found[1].text


@pytest.mark.parametrize(
    ("kind", "speed_km_h", "words"),
    [("train", 40.0, "taken at 50 km/h"), ("tram", 25.0, "taken at 30 km/h"), ("metro", 25.0, "light metro")],
)
def test_floor_of_the_speed(kind, speed_km_h, words):
    vehicle = replace(VEHICLE, kind=kind)
    assert words in text("eu_rolling", scene_with(vehicle=vehicle, speed_km_h=speed_km_h))
    assert "switched off" in text("eu_rolling", scene_with(vehicle=vehicle, speed_km_h=speed_km_h), speed_floor=False)
    assert notes("eu_rolling", scene_with(vehicle=vehicle, speed_km_h=50.0)) == []


def test_both_ends_of_the_range_of_speed():
    for low_or_high, outside in ((28.8, False), (28.7, True), (360.0, False), (360.1, True)):
        found = notes(
            "eu_rolling", scene_with(vehicle=replace(VEHICLE, kind="tram"), speed_km_h=low_or_high), speed_floor=False
        )
        assert any("beyond 28.8 to 360" in note.text for note in found) is outside, low_or_high


def test_wheel_table_ends_at_1000_mm():
    assert "beyond 1000 mm" in text("eu_rolling", scene_with(speed_km_h=181.0))
    assert "beyond 1000 mm" not in text("eu_rolling", scene_with(speed_km_h=180.0))


def test_measured_spectrum_that_is_too_short():
    short = replace(MEASURED, axis=np.array([300.0, 100.0, 10.0, 5.0, 3.15]))
    assert "rail-2026 does not cover" in text("eu_rolling", scene_with(form=replace(FORM, rail_roughness=short)))


def test_superstructure_that_the_law_leaves_out():
    vehicle = replace(VEHICLE, superstructure_transfer="eu_default")
    assert "freight vehicles only" in text("eu_rolling", scene_with(vehicle=vehicle))
    assert notes("eu_rolling", scene_with(vehicle=vehicle), superstructure_for="all") == []


def test_slow_joints_and_overlapping_turnouts():
    assert "Services S1 pass joints" in text("eu_impact", scene_with(speed_km_h=40.0, joints_per_m=0.01))
    (only,) = notes("eu_impact", scene_with(joints_per_m=0.01))
    assert "largest level of a single pass" in only.text
    assert notes("eu_impact", scene_with()) == []
    scene = scene_with()
    turnouts = tuple(JointedStretch(x, x, 0.01, "turnout") for x in (20.0, 80.0))
    scene = replace(scene, tracks=(replace(scene.tracks[0], joints=turnouts),))
    assert "overlap" in text("eu_impact", scene)


def test_squeal_says_where_and_how_much():
    words = text("eu_squeal", scene_with(curve_radius_m=250.0))
    assert "curve on T1 at 0 to 100 m (radius 250 m, 8 dB)" in words and "Verify it on site" in words
    metro = scene_with(vehicle=replace(VEHICLE, kind="metro"), curve_radius_m=250.0)
    assert "metro_squeal_rule" in text("eu_squeal", metro)
    assert "given in the project" in text("eu_squeal", metro, squeal_excess_db=3.0)
    assert notes("eu_squeal", scene_with(curve_radius_m=600.0)) == []


def test_traction_notes():
    assert "services S1" in text("eu_traction", scene_with(vehicle=replace(VEHICLE, traction=None)))
    standing = scene_with(standing=True)
    assert "idling at full load" in text("eu_traction", standing)
    stay = replace(standing, traffic=replace(standing.traffic, long_stay=np.array([True])))
    assert "fixed point sources" in text("eu_traction", stay)


def test_aerodynamic_notes():
    assert "no aerodynamic class" in text("eu_aerodynamic", scene_with(speed_km_h=201.0))
    equipped = replace(VEHICLE, aerodynamic="eu_default")
    assert "default of the law" in text("eu_aerodynamic", scene_with(vehicle=equipped, speed_km_h=201.0))
    assert notes("eu_aerodynamic", scene_with(vehicle=equipped, speed_km_h=200.0)) == []


def test_bridge_notes():
    scene = scene_with(form=replace(FORM, bridge="plus_10_dba"), joints_per_m=0.01)
    barrier = BarrierSegments(np.zeros((1, 2, 2)), np.ones((1, 2)), np.zeros((1, 2)), np.zeros(1, dtype=np.int64))
    words = text("eu_bridge", replace(scene, barriers=barrier))
    assert "two classes" in words and "include_impact" in words and "screens the bridge source" in words
    assert "include_impact" not in text("eu_bridge", scene, include_impact=True)
    assert notes("eu_bridge", scene, bridge_constant_db=4.0) == []


# statements and vocabulary


@pytest.mark.parametrize("name", CALCULATORS)
def test_statement_names_the_edition_and_the_equation(name):
    calculator = CALCULATORS[name]
    statement = calculator.statement(calculator.options_model())
    assert "(EU) 2021/1226" in statement
    assert "(2.3." in statement
    assert "{" not in statement and len(statement) < 1400
    old = calculator.statement(calculator.options_model(edition="original_2015"))
    assert "superseded form of (EU) 2015/996" in old


def test_switched_off_rules_are_said():
    statement = CALCULATORS["eu_rolling"].statement(
        CALCULATORS["eu_rolling"].options_model(
            speed_floor=False,
            horizontal_directivity=False,
            vertical_directivity="none",
            wavelength_mapping="energy_mean",
        )
    )
    assert statement.count("switched off") == 3
    assert "energies of the total effective roughness" in statement


def test_every_word_of_the_vocabulary_can_be_used():
    """Each tabulated class of each attribute gives an emission."""
    used = set()
    for calculator in CALCULATORS.values():
        for attribute, names in calculator.vocabulary.items():
            for term in names:
                form = replace(FORM, bridge="plus_10_dba")
                vehicle = replace(VEHICLE, freight=True, aerodynamic="eu_default")
                if attribute in ("sleeper", "rail_pad", "rail_roughness", "impact_roughness", "bridge"):
                    form = replace(form, **{attribute: term.name})
                else:
                    vehicle = replace(vehicle, **{attribute: term.name})
                scene = scene_with(
                    form=form, vehicle=vehicle, speed_km_h=250.0, joints_per_m=0.01, curve_radius_m=200.0
                )
                power = calculator.emission(scene, calculator.options_model())
                assert all(p.any() for p in power.values()), (calculator.name, attribute, term.name)
                assert term.meaning
                used.add(attribute)
    assert used == (set(ATTRIBUTES) - {"track_transfer"}) | {"sleeper", "rail_pad"}


def test_vocabulary_is_the_same_in_all_calculators():
    for calculator in CALCULATORS.values():
        for attribute, names in calculator.vocabulary.items():
            assert names == terms(attribute)


def test_names_are_those_of_the_project_format():
    assert {t.name for t in terms("rail_roughness")} == {"well_maintained", "average_network"}
    assert {t.name for t in terms("traction")} == {
        "diesel_loco_800kw", "diesel_loco_2200kw", "diesel_multiple_unit", "electric_loco", "electric_multiple_unit"
    }  # fmt: skip
    assert "wheel_840mm" in {t.name for t in terms("vehicle_transfer")}


@pytest.mark.parametrize("name", CALCULATORS)
def test_data_files_and_options_are_declared(name):
    calculator = CALCULATORS[name]
    assert all(len(file.sha256) == 64 for file in calculator.data_files())
    assert calculator.verification_note and calculator.sources
    for field in calculator.options_model.model_fields.values():
        assert field.description

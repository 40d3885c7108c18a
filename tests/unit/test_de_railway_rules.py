"""Rules of the sound power by 16. BImSchV, Annex 2: what acts on what, speeds, options, scenes, messages."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB, thirds_to_octaves
from lineside.contracts import Term, Verification
from lineside.errors import OutOfRangeError
from lineside.plugins import Plugins
from lineside.scene.model import Curve, Scene
from lineside.small_scene import small_scene
from lineside_plugins.de_16bimschv import register_methods
from lineside_plugins.de_railway import (
    DeRailway,
    DeRailwayOptions,
    TrackClass,
    VehicleClass,
    line_power,
    partial_sources,
    railway_speed_km_h,
    register_source_calculators,
    tram_speed_km_h,
)
from lineside_plugins.de_railway.directivity import source_class
from lineside_plugins.de_railway.tables import brakes, data_files, sheet

EMU = VehicleClass(5, "wheel_disc", 10)
WAGON = VehicleClass(10, "cast_iron_block", 4)
TRAM = VehicleClass(21, n_axles=8)
CALCULATOR = DeRailway()
VEHICLES = {"car": {"category": 21}, "wagon": {"category": 10, "brake": "composite_block", "tank_share": 0.0}}


def changed(vehicle: VehicleClass, track: TrackClass, other: VehicleClass | None = None) -> dict[int, list[float]]:
    """Change of each partial source from plain ballasted track: m -> octaves, if it is not 0."""
    before = {s.m: level for s, level in partial_sources(vehicle, 80.0)}
    after = {s.m: level for s, level in partial_sources(other or vehicle, 80.0, track)}
    return {
        m: [round(float(v), 6) for v in after[m] - before[m]]
        for m in before
        if np.any(np.abs(after[m] - before[m]) > 1e-9)
    }


ONES = [1.0] * 8
SLAB = [1, 1, 1, 8, 4, 1, 1, 1]
CROSSING = [1, 1, 1, 9, 5, 1, 1, 1]


@pytest.mark.parametrize(
    ("track", "expected"),
    [
        (TrackClass("slab"), {1: SLAB, 2: SLAB, 7: ONES, 9: ONES, 11: ONES}),
        (TrackClass("foot_crossing"), {m: ONES for m in (1, 2, 7, 9, 11)}),
        (TrackClass("level_crossing"), {1: CROSSING, 2: CROSSING, 7: ONES, 9: ONES, 11: ONES}),
        (TrackClass(specially_monitored=True), {1: [0, 0, 0, -4, -5, -5, -4, 0]}),
        (TrackClass(rail_measure="dampers"), {1: [0, 0, 0, -2, -3, -3, 0, 0], 2: [0, 0, 0, -1, -3, -2, 0, 0]}),
        (TrackClass(rail_measure="shields"), {1: [0, 0, 0, -3, -4, -5, 0, 0]}),
        (TrackClass(bridge="massive_ballast"), {1: [3] * 8, 2: [3] * 8}),
        (TrackClass(bridge="massive_ballast", bridge_measure=True), {}),
        (TrackClass(curve_radius_m=299.9), {1: [8] * 8, 2: [8] * 8}),
        (TrackClass(curve_radius_m=300.0), {1: [3] * 8, 2: [3] * 8}),
        (TrackClass(curve_radius_m=300.0, squeal_prevented=True), {}),
        (TrackClass(curve_radius_m=500.0, squeal_prevented=True), {}),
        (TrackClass(downhill=True), {}),
    ],
)  # fmt: skip
def test_what_acts_on_which_source_of_a_train(track: TrackClass, expected: dict[int, list[float]]) -> None:
    """Tables 7, 8, 9 and 11."""
    assert changed(EMU, track) == expected


def test_on_bridges_slab_rows_are_not_used_but_crossings_and_rail_measures_are() -> None:
    """No. 4.6: rows 1 to 4 of Table 7 are not used; that c2 stays is a reading of our own."""
    assert changed(EMU, TrackClass("slab", bridge="slab")) == {1: [4] * 8, 2: [4] * 8}
    assert 7 in changed(EMU, TrackClass("level_crossing", bridge="massive_ballast"))
    both = changed(EMU, TrackClass(bridge="massive_ballast", specially_monitored=True))
    assert both[1] == [3, 3, 3, -1, -2, -2, -1, 3]


@pytest.mark.parametrize(
    ("track", "expected"),
    [
        (TrackClass("street_flush"), [2, 3, 2, 5, 8, 4, 2, 1]),
        (TrackClass("slab"), [2, 3, 2, 5, 8, 4, 2, 1]),
        (TrackClass("level_crossing"), [2, 3, 2, 5, 8, 4, 2, 1]),
        (TrackClass("green_high"), [1, -1, -3, -4, -4, -7, -7, -5]),
        (TrackClass("street_flush", bridge="street_flush"), [4] * 8),
        (TrackClass(bridge="steel_direct", bridge_measure=True), [6] * 8),
        (TrackClass(curve_radius_m=199.0), [4] * 8),
        (TrackClass(curve_radius_m=200.0), None),
        (TrackClass(curve_radius_m=150.0, squeal_prevented=True), None),
    ],
)
def test_what_acts_on_which_source_of_a_tram(track: TrackClass, expected: list[float] | None) -> None:
    """Tables 15 and 16, No. 5.3.2: driving noise only."""
    assert changed(TRAM, track) == ({} if expected is None else {1: expected, 2: expected})


def test_axles_count_for_rolling_and_driving_noise_only() -> None:
    double = replace(EMU, n_axles=20)
    three = [round(10 * np.log10(2), 6)] * 8
    assert changed(EMU, TrackClass(), double) == {1: three, 2: three}
    assert changed(TRAM, TrackClass(), replace(TRAM, n_axles=16)) == {1: three, 2: three}
    assert changed(EMU, TrackClass(), replace(EMU, n_axles=None)) == {}


def test_downhill_freight_trains_with_cast_iron_blocks() -> None:
    assert changed(WAGON, TrackClass(downhill=True)) == {1: [3] * 8, 2: [3] * 8}
    assert changed(replace(WAGON, brake="composite_block"), TrackClass(downhill=True)) == {}
    assert changed(VehicleClass(7, "cast_iron_block"), TrackClass(downhill=True)) == {1: [3] * 8, 2: [3] * 8}


def test_tank_wagons_sound_at_four_metres_with_the_same_brake() -> None:
    levels = {s.m: level for s, level in partial_sources(replace(WAGON, tank_share=0.5), 100.0)}
    assert sorted(levels) == [1, 2, 3, 4, 7]
    tank = {s.m: s for s in sheet(10) if s.variant == "tank_wagon_cast_iron_block"}
    for m in (3, 4):
        np.testing.assert_allclose(levels[m], tank[m].level_db - 10 * np.log10(2))
    assert sorted(s.m for s, _ in partial_sources(WAGON, 100.0)) == [1, 2, 7]
    six = {s.m: level for s, level in partial_sources(replace(WAGON, tank_share=0.5, n_axles=6), 100.0)}
    np.testing.assert_allclose(six[3] - levels[3], 10 * np.log10(1.5))
    track = TrackClass(rail_measure="dampers")
    dampers = {s.m: level for s, level in partial_sources(replace(WAGON, tank_share=0.5), 100.0, track)}
    assert (dampers[3] - levels[3]).tolist() == [0, 0, 0, -2, -3, -3, 0, 0]
    assert (dampers[4] - levels[4]).tolist() == [0, 0, 0, -1, -3, -2, 0, 0]


def test_power_systems_and_additions() -> None:
    roof = [
        next(level for s, level in partial_sources(VehicleClass(3, system=n), 100.0) if s.m == 6)[3]  # type: ignore[arg-type]
        for n in (1, 2, 3)
    ]
    assert np.diff(roof).tolist() == [2, 1]
    assert len([s for s, _ in partial_sources(VehicleClass(3), 100.0) if s.m == 6]) == 1
    thalys, etr = VehicleClass(2, addition="thalys_pbka"), VehicleClass(4, addition="etr_470")
    assert changed(replace(thalys, addition=""), TrackClass(), thalys) == {1: [5] * 8, 2: [5] * 8}
    found = changed(replace(etr, addition=""), TrackClass(), etr)
    assert {m: v[0] for m, v in found.items()} == {1: 5, 2: 5, **dict.fromkeys((5, 6, 7, 8, 9, 11), 2)}
    cool = replace(TRAM, addition="air_conditioned")
    assert changed(TRAM, TrackClass(), cool) == {4: [8] * 8}


@pytest.mark.parametrize(
    ("m", "factor"),
    [(1, [-5, -5, -5, 0, 10, 25, 25, 25]), (5, [50] * 8), (8, [-10] * 8), (11, [20] * 8)],
)
def test_speed_factors(m: int, factor: list[float]) -> None:
    """Table 6: b lg(v/100)."""
    slow, fast = (next(lv for s, lv in partial_sources(EMU, v) if s.m == m) for v in (100.0, 1000.0))
    assert (fast - slow).round(9).tolist() == factor


def test_speeds_of_the_regulation() -> None:
    assert [railway_speed_km_h(v, True) for v in (40.0, 70.0, 160.0)] == [70.0, 70.0, 160.0]
    assert railway_speed_km_h(40.0) == 40.0
    assert [tram_speed_km_h(v) for v in (20.0, 50.0, 70.0)] == [50.0, 50.0, 70.0]
    assert tram_speed_km_h(30.0, 201.0, slow=True) == 30.0
    assert tram_speed_km_h(31.0, slow=True) == 50.0
    assert tram_speed_km_h(30.0, 200.0, slow=True) == 50.0


def test_each_line_of_the_data_sheets_is_used() -> None:
    assert sum(len(sheet(c)) for c in range(1, 11)) == 88 and sum(len(sheet(c)) for c in (21, 22, 23)) == 9
    for category in (*range(1, 11), 21, 22, 23):
        used = set()
        for brake in brakes(category) or ("",):
            tanks = {"cast_iron_block", "composite_block", "axle_disc"} if category == 10 else set()
            for system in (1, 2, 3):
                unit = VehicleClass(category, brake, tank_share=0.5 if brake in tanks else 0.0, system=system)  # type: ignore[arg-type]
                used |= {id(s) for s, _ in partial_sources(unit, 100.0)}
        assert used == {id(s) for s in sheet(category)}, category


@pytest.mark.parametrize(
    ("vehicle", "track", "message"),
    [
        (VehicleClass(11), TrackClass(), "vehicle category 11: there are 1 to 10"),
        (VehicleClass(5), TrackClass(), "brakes of category 5: '' is not known.*axle_disc, wheel_disc"),
        (VehicleClass(5, "weel_disc"), TrackClass(), "Did you mean wheel_disc"),
        (VehicleClass(6, "wheel_disc"), TrackClass(), "There are: axle_disc"),
        (VehicleClass(9, "axle_disc", tank_share=0.2), TrackClass(), "only for category 10"),
        (VehicleClass(10, "wheel_disc_rola_only", tank_share=0.2), TrackClass(), "only for category 10"),
        (replace(EMU, n_axles=0.0), TrackClass(), "0 axles"),
        (replace(EMU, addition="etr_470"), TrackClass(), "additions of category 5"),
        (EMU, TrackClass("green_low"), "track types of railways.*slab_with_absorber"),
        (TRAM, TrackClass("foot_crossing"), "track types of trams.*green_low"),
        (EMU, TrackClass(bridge="street_flush"), "bridges of railways"),
        (EMU, TrackClass(bridge="slab", bridge_measure=True), "no value for a measure at bridge 'slab'"),
        (EMU, TrackClass(bridge_measure=True), "at bridge 'none'"),
        (EMU, TrackClass(rail_measure="both"), "none, dampers, shields"),  # type: ignore[arg-type]
        (TRAM, TrackClass(specially_monitored=True), "trams: specially monitored track"),
        (EMU, TrackClass(curve_radius_m=0.0), "curve radius 0 m"),
    ],
)
def test_what_the_regulation_does_not_know_is_refused(vehicle: VehicleClass, track: TrackClass, message: str) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        line_power(vehicle, 80.0, track)


def test_speed_must_be_positive() -> None:
    with pytest.raises(OutOfRangeError, match="speed 0 km/h"):
        line_power(EMU, 0.0)


def test_directivity_is_that_of_the_angle_in_space() -> None:
    gain = source_class(4.0).gain
    assert gain is not None
    for phi, psi in ((90.0, 0.0), (30.0, 0.0), (30.0, 40.0), (0.0, 90.0)):
        ray = (
            np.array([np.cos(np.radians(phi)), np.sin(np.radians(phi)), np.tan(np.radians(psi))])
            if psi < 90
            else [0, 0, 1]
        )
        sine = np.sqrt(1 - (np.asarray(ray)[0] / np.linalg.norm(ray)) ** 2)
        np.testing.assert_allclose(gain(np.array(phi), np.array(psi)), 0.22 + 1.27 * sine**2, rtol=1e-9)


# Scenes


def octaves_db(scene: Scene, row: int, section: int, height: float, **options: Any) -> np.ndarray:
    """A-weighted power level per metre and vehicle per hour, back from what the calculator gives."""
    opts = DeRailwayOptions.model_validate({"vehicles": VEHICLES, **options})
    power = CALCULATOR.emission(scene, opts)[source_class(height)][row, section]
    energy = thirds_to_octaves(power) * scene.traffic.seconds_per_m[row, section] / 3600.0
    return np.asarray(10 * np.log10(energy) + A_WEIGHTING_OCTAVE_DB)


def test_one_pass_has_the_energy_of_the_regulation_at_the_permitted_speed() -> None:
    """The small scene permits 90 and 67.5 km/h where cars drive 60 and 45, and 375 where wagons drive 250."""
    scene = small_scene()
    expected = line_power(VehicleClass(21, n_axles=4), 90.0)
    for height in (0.0, 4.0):
        np.testing.assert_allclose(octaves_db(scene, 0, 0, height), expected[height], atol=1e-9)
    np.testing.assert_allclose(
        octaves_db(scene, 1, 2, 4.0), line_power(VehicleClass(21, n_axles=4), 67.5)[4.0], atol=1e-9
    )
    fast = line_power(VehicleClass(10, "composite_block", 4), 375.0)[0.0]
    np.testing.assert_allclose(octaves_db(scene, 3, 3, 0.0), fast, atol=1e-9)
    driven = replace(scene, traffic=replace(scene.traffic, permitted_km_h=None))
    np.testing.assert_allclose(
        octaves_db(driven, 0, 0, 0.0), line_power(VehicleClass(21, n_axles=4), 60.0)[0.0], atol=1e-9
    )


def test_standing_vehicles_and_empty_sections_are_silent() -> None:
    scene = small_scene()
    found = CALCULATOR.emission(scene, DeRailwayOptions.model_validate({"vehicles": VEHICLES}))
    for power in found.values():
        assert not power[scene.traffic.standing].any() and not power[scene.traffic.seconds_per_m == 0].any()


def test_a_car_that_is_part_of_a_unit() -> None:
    """A quarter of a unit: its own axles roll, a quarter of the other sources sounds."""
    vehicles = {**VEHICLES, "wagon": {"category": 5, "brake": "axle_disc", "units": 0.25}}
    whole = line_power(VehicleClass(5, "axle_disc", 16), 375.0)
    found = octaves_db(small_scene(), 3, 3, 0.0, vehicles=vehicles)
    np.testing.assert_allclose(found, whole[0.0] - 10 * np.log10(4), atol=1e-9)


def test_stretches_lie_on_top_of_each_other() -> None:
    stretches = [
        {"track": "T2", "from_m": 0, "to_m": 200, "track_type": "slab", "specially_monitored": True},
        {"track": "T2", "from_m": 0, "to_m": 200, "track_type": "ballast"},
        {"track": "T2", "from_m": 200, "track_type": "level_crossing"},
    ]
    wagon = VehicleClass(10, "composite_block", 4)
    first = octaves_db(small_scene(), 3, 3, 0.0, stretches=stretches)
    expected = line_power(wagon, 375.0, TrackClass(specially_monitored=True))[0.0]
    np.testing.assert_allclose(first, expected, atol=1e-9)
    second = octaves_db(small_scene(), 3, 4, 0.0, stretches=stretches)
    np.testing.assert_allclose(second, line_power(wagon, 375.0, TrackClass("level_crossing"))[0.0], atol=1e-9)
    opts = DeRailwayOptions.model_validate({"vehicles": VEHICLES, "stretches": stretches})
    assert CALCULATOR.cuts(small_scene().tracks[1], opts).tolist() == [0, 200, 0, 200, 200]
    assert CALCULATOR.cuts(small_scene().tracks[0], opts).size == 0


def test_curves_forms_stations_and_gradients_of_a_scene() -> None:
    """Track T1 has a curve of 180 m from 50 to 120 m; the last section of T2 is slab track."""
    scene, tram, wagon = small_scene(), VehicleClass(21, n_axles=4), VehicleClass(10, "cast_iron_block", 4)
    curve = line_power(tram, 67.5 if scene.traffic.speed_km_h[0, 1] == 45 else 90.0, TrackClass(curve_radius_m=180.0))
    np.testing.assert_allclose(octaves_db(scene, 0, 1, 0.0), curve[0.0], atol=1e-9)
    slow = replace(scene, traffic=replace(scene.traffic, permitted_km_h=scene.traffic.permitted_km_h * 0 + 28.0))  # type: ignore[operator]
    cast = {"car": VEHICLES["car"], "wagon": {"category": 10, "brake": "cast_iron_block", "tank_share": 0}}
    stretches = [
        {"track": "T2", "station": True, "downhill": True},
        {"track": "T1", "permanently_slow": True},
    ]
    found = octaves_db(slow, 3, 4, 0.0, vehicles=cast, stretches=stretches)
    np.testing.assert_allclose(found, line_power(wagon, 70.0, TrackClass("slab", downhill=True))[0.0], atol=1e-9)
    for section, speed, track in ((0, 30.0, TrackClass()), (1, 50.0, TrackClass(curve_radius_m=180.0))):
        found = octaves_db(slow, 0, section, 0.0, vehicles=cast, stretches=stretches)
        np.testing.assert_allclose(found, line_power(tram, speed, track)[0.0], atol=1e-9)
    np.testing.assert_allclose(octaves_db(slow, 3, 3, 0.0, vehicles=cast), line_power(wagon, 28.0)[0.0], atol=1e-9)


def test_only_freight_trains_are_louder_downhill() -> None:
    """Table 5: a locomotive with cast-iron blocks in front of coaches is not."""
    loco = {**VEHICLES, "wagon": {"category": 7, "brake": "cast_iron_block"}}
    stretches = [{"track": "T2", "downhill": True}]
    found = octaves_db(small_scene(), 3, 3, 0.0, vehicles=loco, stretches=stretches)
    np.testing.assert_allclose(found, line_power(VehicleClass(7, "cast_iron_block", 4), 375.0)[0.0], atol=1e-9)


def test_of_two_curves_in_one_place_the_tighter_one_counts() -> None:
    scene = small_scene()
    track = replace(scene.tracks[1], curves=tuple(Curve(0.0, 400.0, r, given=True) for r in (250.0, 400.0)))
    found = octaves_db(replace(scene, tracks=(scene.tracks[0], track)), 3, 3, 0.0)
    expected = line_power(VehicleClass(10, "composite_block", 4), 375.0, TrackClass(curve_radius_m=250.0))[0.0]
    np.testing.assert_allclose(found, expected, atol=1e-9)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"vehicles": {}}, r"no entry for car, wagon.*vehicles: \{car: \{category"),
        ({"vehicles": {**VEHICLES, "cra": {"category": 5}}}, "'cra' is not known. Did you mean car"),
        ({"stretches": [{"track": "T3"}]}, "stretches, track: 'T3' is not known. There are: T1, T2"),
        ({"stretches": [{"track": "T2", "track_type": "green_low"}]}, "track types of railways"),
        ({"vehicles": {**VEHICLES, "wagon": {"category": 10, "brake": "disc"}}}, "brakes of category 10"),
    ],
)
def test_options_that_do_not_fit_the_project(options: dict[str, Any], message: str) -> None:
    with pytest.raises(OutOfRangeError, match=message):
        octaves_db(small_scene(), 0, 0, 0.0, **options)


def test_embedded_track_of_railways_needs_its_type() -> None:
    scene = small_scene()
    embedded = replace(scene, forms=tuple(replace(f, form="embedded") for f in scene.forms))
    with pytest.raises(OutOfRangeError, match="no embedded track for railways"):
        octaves_db(embedded, 3, 3, 0.0)
    found = octaves_db(embedded, 0, 0, 0.0, stretches=[{"track": "T2", "track_type": "level_crossing"}])
    tram = line_power(VehicleClass(21, n_axles=4), 90.0, TrackClass("street_flush"))[0.0]
    np.testing.assert_allclose(found, tram, atol=1e-9)


def test_notes_say_what_is_assumed_and_what_has_no_effect() -> None:
    scene = small_scene({"bridge": (Term("any", "Any"),)})
    opts = DeRailwayOptions.model_validate({"vehicles": {**VEHICLES, "wagon": {"category": 10, "brake": "axle_disc"}}})
    text = " ".join(note.text for note in CALCULATOR.notes(scene, opts))
    for part in (
        "A fifth of the wagons", "wagon.", "older ones ask for a check", "Track T2 has a bridge between 200 and 400 m",
        "Track T1 has rail joints", "whatever roughness", "no quantity of the regulation",
    ):  # fmt: skip
        assert part in text, part
    told = DeRailwayOptions.model_validate(
        {"vehicles": VEHICLES, "stretches": [{"track": "T2", "from_m": 200, "bridge": "slab"}]}
    )
    text = " ".join(note.text for note in CALCULATOR.notes(scene, told))
    assert "A fifth" not in text and "has a bridge" not in text


def test_declarations() -> None:
    (calculator,) = register_source_calculators()
    assert calculator.name == "de_railway" and calculator.verification is Verification.COMPUTED
    assert len(data_files()) == 8
    (method,) = register_methods()
    assert (method.name, method.source_calculators, method.propagation) == (
        "de_16bimschv",
        ("de_railway",),
        "de_propagation",
    )
    assert "de_16bimschv" in [m.name for m in Plugins.load().methods]
    with pytest.raises(ValidationError):
        DeRailwayOptions.model_validate({"vehicles": {"car": {"category": 11}}})

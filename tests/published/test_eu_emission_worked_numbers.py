"""Worked numbers with the tables in force.

Standing: computed, not published. They were evaluated from the formulae and tables by a separate script when the law
was read, to one decimal of a dB. No published case with the tables of 2021 is known.
"""

from __future__ import annotations

import numpy as np
import pytest

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.acoustics.levels import a_weighted_energy, to_db, to_energy
from lineside.scene.model import TrackForm, VehicleType
from lineside_plugins.eu_railway import line_source_power
from lineside_plugins.eu_railway.aerodynamic import aerodynamic_level_db
from lineside_plugins.eu_railway.law_directivity import (
    horizontal_energy,
    vertical_a_db,
    vertical_b_aerodynamic_energy,
)
from lineside_plugins.eu_railway.law_power import transfer_energy
from lineside_plugins.eu_railway.law_roughness import (
    effective_roughness_energy,
    impact_roughness_energy,
    levels_over_frequency,
)
from lineside_plugins.eu_railway.law_tables import aerodynamic_data, band_spectrum, track_transfer, wavelength_spectrum
from lineside_plugins.eu_railway.rolling import RollingOptions

HALF_DIGIT = 0.051
COACH = {
    "rail_roughness": "average_network",
    "wheel_roughness": "disc",
    "contact_filter": "load_50kn_wheel_920mm",
    "vehicle_transfer": "wheel_920mm",
    "sleeper": "monoblock",
    "rail_pad": "medium",
    "n_axles": 4,
    "speed_km_h": 80.0,
}
#: Flow that makes the power per metre that of one vehicle: Q / (1000 v) = 1.
ONE = {"vehicles_per_hour": 80_000.0}


@pytest.fixture
def coach_parts():
    form = TrackForm("ballast", "monoblock", "medium", None, "average_network", None, None, None)
    vehicle = VehicleType(
        "coach", "train", False, 25.0, 4, 200.0, "disc", "load_50kn_wheel_920mm", "wheel_920mm", None, None, None
    )
    return form, vehicle


def roughness_db(rail: str, wheel: str, contact_filter: str, speed_km_h: float, mapping: str = "level") -> np.ndarray:
    return to_db(
        effective_roughness_energy(
            wavelength_spectrum("rail_roughness", rail),
            wavelength_spectrum("wheel_roughness", wheel),
            wavelength_spectrum("contact_filter", contact_filter),
            np.array([speed_km_h]),
            mapping,
        )
    )[0]


def dba(octaves_db: np.ndarray) -> float:
    return float(to_db(a_weighted_energy(to_energy(octaves_db))))


def test_mapping_at_1000_hz_step_by_step():
    speed, band = np.array([80.0]), int(np.searchsorted(THIRD_OCTAVES_HZ, 1000))
    for attribute, name, expected in (
        ("rail_roughness", "average_network", -4.11),
        ("wheel_roughness", "disc", -7.89),
        ("contact_filter", "load_50kn_wheel_920mm", -6.80),
    ):
        level = levels_over_frequency(wavelength_spectrum(attribute, name), speed)[0, band]
        assert level == pytest.approx(expected, abs=0.0051)
    args = ("average_network", "disc", "load_50kn_wheel_920mm", 80.0)
    assert roughness_db(*args)[band] == pytest.approx(-9.39, abs=0.0051)
    assert roughness_db(*args, mapping="energy_mean")[band] == pytest.approx(-8.80, abs=0.0051)


@pytest.mark.parametrize(
    ("rail", "wheel", "contact_filter", "speed_km_h", "expected"),
    [
        ("average_network", "disc", "load_50kn_wheel_920mm", 80.0,
         "15.1 11.9 10.0 8.8 7.6 6.8 6.0 4.9 3.1 1.6 0.6 -1.5 "
         "-5.1 -9.4 -14.5 -20.3 -23.4 -24.7 -27.6 -30.1 -31.3 -32.3 -32.8 -33.5"),
        ("average_network", "disc", "load_50kn_wheel_920mm", 160.0,
         "23.9 21.3 18.3 15.1 12.0 10.0 8.8 7.6 6.8 6.0 4.9 3.1 "
         "1.6 0.6 -1.4 -5.1 -9.4 -14.5 -20.0 -23.4 -24.7 -27.6 -30.1 -31.3"),
        ("average_network", "composite_block", "load_100kn_wheel_920mm", 80.0,
         "15.1 11.9 9.8 7.9 6.3 5.5 4.5 3.0 1.2 -0.3 -1.6 -3.9 "
         "-8.0 -13.0 -18.3 -21.7 -22.6 -24.5 -26.9 -27.9 -27.7 -27.0 -26.9 -28.4"),
        ("well_maintained", "disc", "load_50kn_wheel_920mm", 80.0,
         "17.1 16.0 14.0 12.4 10.6 8.7 7.2 5.6 3.6 1.5 -0.5 -3.6 "
         "-7.2 -10.6 -14.8 -20.0 -22.9 -24.0 -26.5 -28.7 -29.8 -30.9 -31.6 -32.3"),
    ],
)  # fmt: skip
def test_total_effective_roughness(rail, wheel, contact_filter, speed_km_h, expected):
    expected_db = np.array([float(x) for x in expected.split()])
    result = roughness_db(rail, wheel, contact_filter, speed_km_h)
    np.testing.assert_allclose(result, expected_db, atol=HALF_DIGIT)


def test_rolling_power_of_a_coach_by_part_in_third_octaves(coach_parts):
    form, vehicle = coach_parts
    roughness = roughness_db("average_network", "disc", "load_50kn_wheel_920mm", 80.0)
    axles = 10 * np.log10(4)
    track = roughness + track_transfer(form) + axles
    wheel = roughness + band_spectrum("vehicle_transfer", "wheel_920mm") + axles
    total = roughness + to_db(transfer_energy(form, vehicle, RollingOptions()))
    for result, expected in (
        (track, "72.0 75.7 82.5 91.6 94.5 96.1 97.8 100.9 100.8 101.5 102.3 101.9 "
         "102.6 101.0 97.5 92.5 90.9 90.2 87.5 85.3 84.6 83.7 83.5 83.5"),
        (wheel, "96.5 95.2 97.1 98.9 96.9 97.1 98.0 101.0 99.0 96.6 95.5 94.9 "
         "93.3 91.5 91.9 90.3 92.2 96.2 93.4 90.9 90.2 89.4 89.2 89.2"),
        (total, "96.5 95.3 97.3 99.7 98.9 99.6 100.9 104.0 103.0 102.7 103.1 102.7 "
         "103.1 101.5 98.5 94.6 94.6 97.2 94.4 91.9 91.2 90.4 90.2 90.3"),
    ):  # fmt: skip
        np.testing.assert_allclose(result, [float(x) for x in expected.split()], atol=HALF_DIGIT)


def test_rolling_power_of_a_coach_in_octaves():
    octaves = line_source_power(**COACH, **ONE)["A"]
    np.testing.assert_allclose(octaves, [101.2, 104.2, 107.6, 107.6, 106.2, 100.4, 97.5, 95.1], atol=HALF_DIGIT)
    assert dba(octaves) == pytest.approx(110.1, abs=HALF_DIGIT)
    assert dba(line_source_power(**COACH, vehicles_per_hour=10)["A"]) == pytest.approx(71.0, abs=HALF_DIGIT)


@pytest.mark.parametrize(
    ("changed", "expected_dba"),
    [
        ({"options": {"wavelength_mapping": "energy_mean"}}, 110.4),
        ({"wheel_roughness": "cast_iron_block"}, 118.7),
        ({"wheel_roughness": "composite_block", "contact_filter": "load_100kn_wheel_920mm"}, 108.9),
        ({"joints_per_m": 0.01}, 115.6),
        ({"joints_per_m": 0.03}, 119.5),
    ],
)
def test_variants_of_the_coach(changed, expected_dba):
    assert dba(line_source_power(**{**COACH, **ONE, **changed})["A"]) == pytest.approx(expected_dba, abs=HALF_DIGIT)


@pytest.mark.parametrize(("speed_km_h", "change_db"), [(50.0, 0.0), (80.0, -0.5), (120.0, -0.8), (160.0, -0.8)])
def test_smooth_rail_class_is_hardly_quieter(speed_km_h, change_db):
    def power(rail: str) -> float:
        return dba(line_source_power(**{**COACH, "rail_roughness": rail, "speed_km_h": speed_km_h})["A"])

    assert power("well_maintained") - power("average_network") == pytest.approx(change_db, abs=HALF_DIGIT)


def test_impact_roughness_in_four_bands():
    smooth = to_energy(roughness_db("average_network", "disc", "load_50kn_wheel_920mm", 80.0))
    impact = wavelength_spectrum("impact_roughness", "single_joint")
    total = to_db(smooth + impact_roughness_energy(impact, np.array([80.0]), "level")[0])
    bands = np.searchsorted(THIRD_OCTAVES_HZ, [250, 500, 1000, 2000])
    np.testing.assert_allclose(total[bands], [10.75, 5.88, -4.21, -16.99], atol=0.0051)


@pytest.mark.parametrize(("bridge", "expected_dba"), [("plus_10_dba", 113.7), ("plus_15_dba", 121.8)])
def test_bridge_power(bridge, expected_dba):
    with_bridge = to_energy(line_source_power(**COACH, **ONE, bridge=bridge)["A"])
    without = to_energy(line_source_power(**COACH, **ONE, bridge=bridge, without=["eu_bridge"])["A"])
    assert dba(to_db(with_bridge - without)) == pytest.approx(expected_dba, abs=HALF_DIGIT)


def test_aerodynamic_level_at_330_km_h():
    level = aerodynamic_level_db(aerodynamic_data("eu_default", "a"), np.array([330.0]))[0]
    assert level[np.searchsorted(THIRD_OCTAVES_HZ, 1000)] == pytest.approx(117.8, abs=HALF_DIGIT)


def test_horizontal_directivity():
    np.testing.assert_allclose(
        to_db(horizontal_energy(np.array([90.0, 30.0, 10.0, 0.0]))), [0.0, -5.9, -14.0, -20.0], atol=HALF_DIGIT
    )


@pytest.mark.parametrize(
    ("psi_deg", "form", "band_hz", "expected_db", "tolerance_db"),
    [
        (20.0, "amended_2021", 1000, 1.04, 0.0051),
        (20.0, "amended_2021", 250, 0.72, 0.0051),
        (41.4096, "amended_2021", 1000, 0.0, 0.001),
        (45.0, "original_2015", 1000, 0.49, 0.0051),
        (45.0, "amended_2021", 1000, -0.49, 0.0051),
        (60.0, "amended_2021", 1000, -3.5, HALF_DIGIT),
        (90.0, "amended_2021", 1000, -12.0, HALF_DIGIT),
        (-10.0, "original_2015", 1000, 0.65, 0.0051),
        (-10.0, "amended_2021", 1000, 0.0, 1e-12),
        (23.0, "amended_2021", 8000, 1.9, HALF_DIGIT),
        (30.0, "none", 1000, 0.0, 1e-12),
    ],
)
def test_vertical_directivity_at_a(psi_deg, form, band_hz, expected_db, tolerance_db):
    result = vertical_a_db(np.array(psi_deg), form)[np.searchsorted(THIRD_OCTAVES_HZ, band_hz)]
    assert result == pytest.approx(expected_db, abs=tolerance_db)


def test_vertical_directivity_at_b():
    result = to_db(vertical_b_aerodynamic_energy(np.array([-10.0, 0.0, 10.0])))
    np.testing.assert_allclose(result, [-0.13, 0.0, 0.0], atol=0.0051)

"""What must hold for every scene, whatever the numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.acoustics.levels import to_db, to_energy
from lineside.scene.model import (
    Curve,
    JointedStretch,
    Scene,
    Sections,
    Service,
    Spectrum,
    TrackForm,
    Traffic,
    VehicleType,
)
from lineside_plugins.eu_railway import line_source_power, register_source_calculators
from lineside_plugins.eu_railway.law_directivity import vertical_a_db
from lineside_plugins.eu_railway.law_roughness import effective_roughness_energy, levels_over_frequency
from lineside_plugins.eu_railway.law_tables import band_spectrum, track_transfer, wavelength_spectrum
from lineside_plugins.eu_railway.one_vehicle import one_vehicle_scene

CALCULATORS = register_source_calculators()
ROUGHNESS_MECHANISMS = {"rolling", "impact", "squeal", "bridge"}
FORMS = (
    TrackForm("ballast", "monoblock", "medium", None, "average_network", None, None, None),
    TrackForm("ballast", "wooden", None, None, "well_maintained", None, None, None),
    TrackForm("slab", "biblock", "soft", None, "average_network", None, "plus_10_dba", None),
)


def vehicle(kind="train", axles=4, **more) -> VehicleType:
    basis = VehicleType(
        f"{kind}-{axles}", kind, False, 20.0, axles, 300.0, "disc", "load_50kn_wheel_920mm", "wheel_920mm", None,
        "electric_multiple_unit", "eu_default",
    )  # fmt: skip
    return replace(basis, **more)


VEHICLES = (vehicle(), vehicle("metro", 6), vehicle("tram", 2, traction=None, wheel_roughness="composite_block"))


def mixed_scene(n_rows: int, n_sections: int, seed: int = 1, vehicles=VEHICLES) -> Scene:
    """Rows and sections of all sorts: moving, standing, absent; straight, curved, jointed, on a bridge."""
    rng = np.random.default_rng(seed)
    basis = one_vehicle_scene(form=FORMS[0], vehicle=vehicles[0], speed_km_h=80.0)
    ends = np.linspace(0.0, 50.0 * n_sections, n_sections + 1)
    track = replace(
        basis.tracks[0],
        chainage_m=ends[[0, -1]],
        joints=(
            JointedStretch(ends[-1] / 3, ends[-1] / 2, 0.02, "joints"),
            JointedStretch(60.0, 60.0, 0.01, "turnout"),
        ),
        curves=(Curve(0.0, ends[-1] / 2, 250.0, True), Curve(ends[-1] / 2, ends[-1], 190.0, False)),
    )
    index = np.arange(n_sections)
    sections = Sections(
        np.zeros(n_sections, dtype=np.int64),
        np.zeros(n_sections, dtype=np.int64),
        index % len(FORMS),
        ends[:-1],
        ends[1:],
    )
    standing = np.arange(n_rows) % 5 == 4
    speed = np.where(standing[:, np.newaxis], 0.0, rng.uniform(15.0, 290.0, (n_rows, n_sections)))
    absent = rng.random((n_rows, n_sections)) < 0.1
    seconds = np.where(standing[:, np.newaxis], 0.5, 3.6 / np.maximum(speed, 1.0))
    traffic = Traffic(
        service=np.zeros(n_rows, dtype=np.int64),
        vehicle=np.arange(n_rows) % len(vehicles),
        unit_position=np.arange(n_rows),
        standing=standing,
        long_stay=standing & (np.arange(n_rows) % 2 == 1),
        speed_km_h=np.where(absent, 0.0, speed),
        seconds_per_m=np.where(absent, 0.0, seconds),
        accelerating=np.where(absent | standing[:, np.newaxis], 0.0, 0.4),
    )
    offsets = np.arange(n_rows, dtype=np.float64)
    service = Service("S1", "", 0, "U", 1, True, 20.0, np.ones(24), offsets, traffic.vehicle, np.full(n_rows, 20.0))
    return replace(
        basis, tracks=(track,), forms=FORMS, vehicles=vehicles, sections=sections, traffic=traffic, services=(service,)
    )


def emissions(scene: Scene, **options: object) -> dict[tuple[str, str], np.ndarray]:
    """(mechanism, class) -> power; options go to every calculator that has them."""
    found = {}
    for calculator in CALCULATORS:
        model = calculator.options_model
        its = model(**{k: v for k, v in options.items() if k in model.model_fields})
        for source, power in calculator.emission(scene, its).items():
            found[calculator.mechanism, source.name] = power
    return found


@pytest.mark.parametrize("options", [{}, {"wavelength_mapping": "energy_mean", "include_impact": True}])
def test_every_power_is_finite_and_not_negative(options):
    scene = mixed_scene(10, 20)
    for key, power in emissions(scene, **options).items():
        assert power.shape == (10, 20, 24), key
        assert power.dtype == np.float64
        assert np.isfinite(power).all() and (power >= 0.0).all(), key
        assert power.any(), f"{key} is silent everywhere: the scene does not test it"


def test_inputs_are_not_changed():
    scene = mixed_scene(10, 20)
    for array in (scene.traffic.speed_km_h, scene.traffic.seconds_per_m, scene.traffic.standing, scene.sections.form,
                  scene.traffic.vehicle):  # fmt: skip
        array.setflags(write=False)
    first, second = emissions(scene), emissions(scene)
    for key in first:
        np.testing.assert_array_equal(first[key], second[key])


def test_order_of_rows_is_irrelevant():
    scene = mixed_scene(10, 20)
    order = np.random.default_rng(5).permutation(10)
    t = scene.traffic
    shuffled = Traffic(
        t.service[order], t.vehicle[order], t.unit_position[order], t.standing[order], t.long_stay[order],
        t.speed_km_h[order], t.seconds_per_m[order], t.accelerating[order],
    )  # fmt: skip
    expected, result = emissions(scene), emissions(replace(scene, traffic=shuffled))
    for key in expected:
        np.testing.assert_allclose(result[key], expected[key][order], rtol=1e-12)


def test_order_of_vehicles_and_forms_is_irrelevant():
    scene = mixed_scene(10, 20)
    turned = replace(
        scene,
        vehicles=scene.vehicles[::-1],
        forms=scene.forms[::-1],
        sections=replace(scene.sections, form=len(FORMS) - 1 - scene.sections.form),
        traffic=replace(scene.traffic, vehicle=len(VEHICLES) - 1 - scene.traffic.vehicle),
    )
    expected, result = emissions(scene), emissions(turned)
    for key in expected:
        np.testing.assert_allclose(result[key], expected[key], rtol=1e-12)


def test_splitting_sections_changes_nothing():
    scene = mixed_scene(10, 20)
    s = scene.sections
    mid = s.from_m + 0.4 * (s.to_m - s.from_m)
    joint_free = replace(
        scene, tracks=(replace(scene.tracks[0], joints=(JointedStretch(0.0, 1000.0, 0.01, "joints"),)),)
    )
    twice = np.repeat(np.arange(20), 2)
    ends = np.sort(np.concatenate([s.from_m, mid, s.to_m[-1:]]))
    split = replace(
        joint_free,
        sections=Sections(s.track[twice], s.stretch[twice], s.form[twice], ends[:-1], ends[1:]),
        traffic=replace(
            scene.traffic,
            speed_km_h=scene.traffic.speed_km_h[:, twice],
            seconds_per_m=scene.traffic.seconds_per_m[:, twice],
            accelerating=scene.traffic.accelerating[:, twice],
        ),
    )
    expected, result = emissions(joint_free), emissions(split)
    for key in expected:
        np.testing.assert_allclose(result[key], expected[key][:, twice], rtol=1e-12)


def test_twice_the_axles_is_3_db_more_of_what_starts_at_the_contact():
    scene = mixed_scene(10, 20)
    double = mixed_scene(10, 20, vehicles=tuple(replace(v, n_axles=2 * v.n_axles) for v in VEHICLES))
    expected, result = emissions(scene), emissions(double)
    for (mechanism, name), power in expected.items():
        factor = 2.0 if mechanism in ROUGHNESS_MECHANISMS else 1.0
        np.testing.assert_allclose(result[mechanism, name], factor * power, rtol=1e-12)


@settings(deadline=None, max_examples=25)
@given(
    flow=st.floats(0.1, 50.0),
    speed_km_h=st.floats(20.0, 320.0),
    wheel=st.sampled_from(["disc", "cast_iron_block", "composite_block"]),
)
def test_twice_the_traffic_is_3_db_more(flow, speed_km_h, wheel):
    case = {
        "rail_roughness": "average_network", "wheel_roughness": wheel, "contact_filter": "load_50kn_wheel_920mm",
        "vehicle_transfer": "wheel_840mm", "sleeper": "biblock", "rail_pad": "hard", "n_axles": 4, "joints_per_m": 0.01,
        "traction": "electric_loco", "aerodynamic": "eu_default", "speed_km_h": speed_km_h, "curve_radius_m": 400.0,
    }  # fmt: skip
    one, two = (line_source_power(**case, vehicles_per_hour=n * flow) for n in (1, 2))
    for height in "AB":
        np.testing.assert_allclose(two[height] - one[height], 10 * np.log10(2.0), atol=1e-9)


axis_mm = wavelength_spectrum("rail_roughness", "average_network").wavelength_mm


@settings(deadline=None, max_examples=40)
@given(
    extra_db=st.lists(st.floats(0.0, 20.0), min_size=35, max_size=35),
    speed_km_h=st.floats(10.0, 400.0),
    mapping=st.sampled_from(["level", "energy_mean"]),
)
def test_a_rougher_rail_is_never_quieter(extra_db, speed_km_h, mapping):
    rail = wavelength_spectrum("rail_roughness", "average_network")
    rougher = rail._replace(level_db=rail.level_db + np.array(extra_db))
    wheel = wavelength_spectrum("wheel_roughness", "disc")
    contact = wavelength_spectrum("contact_filter", "load_50kn_wheel_920mm")
    smooth, rough = (
        effective_roughness_energy(r, wheel, contact, np.array([speed_km_h]), mapping) for r in (rail, rougher)
    )
    assert (rough >= smooth * (1 - 1e-12)).all()


@settings(deadline=None, max_examples=40)
@given(speed_km_h=st.floats(5.0, 500.0), mapping=st.sampled_from(["level", "energy_mean"]))
def test_flat_spectra_stay_flat_over_frequency(speed_km_h, mapping):
    flat = wavelength_spectrum("rail_roughness", "average_network")._replace(level_db=np.full(axis_mm.size, 7.0))
    none = wavelength_spectrum("wheel_roughness", "disc")
    none = none._replace(level_db=np.full(none.level_db.size, -200.0))
    unfiltered = flat._replace(level_db=np.zeros(axis_mm.size))
    energy = effective_roughness_energy(flat, none, unfiltered, np.array([speed_km_h]), mapping)
    np.testing.assert_allclose(to_db(energy), 7.0, atol=1e-9)


@settings(deadline=None, max_examples=40)
@given(speed_km_h=st.floats(5.0, 500.0))
def test_mapped_levels_lie_between_the_neighbouring_wavelengths(speed_km_h):
    rail = wavelength_spectrum("rail_roughness", "average_network")
    level = levels_over_frequency(rail, np.array([speed_km_h]))[0]
    wavelength = speed_km_h / 3.6 * 1000.0 / THIRD_OCTAVES_HZ
    upper = np.clip(np.searchsorted(rail.wavelength_mm, wavelength), 0, axis_mm.size - 1)
    lower = np.clip(upper - 1, 0, axis_mm.size - 1)
    pair = np.stack([rail.level_db[lower], rail.level_db[upper]])
    inside = (wavelength >= axis_mm[0]) & (wavelength <= axis_mm[-1])
    assert (level[inside] >= pair.min(axis=0)[inside] - 1e-9).all()
    assert (level[inside] <= pair.max(axis=0)[inside] + 1e-9).all()


@settings(deadline=None, max_examples=25)
@given(
    speed_km_h=st.floats(50.0, 300.0),
    joints_per_m=st.floats(0.001, 0.1),
    radius_m=st.sampled_from([None, 250.0, 400.0]),
)
def test_rolling_impact_and_squeal_add_up_to_the_law_formula(speed_km_h, joints_per_m, radius_m):
    """(2.3.11) in (2.3.8) and (2.3.9) with the excess of squeal, written out in levels."""
    scene = one_vehicle_scene(
        form=FORMS[0], vehicle=VEHICLES[0], speed_km_h=speed_km_h, joints_per_m=joints_per_m, curve_radius_m=radius_m
    )
    parts = sum(p for (m, _), p in emissions(scene).items() if m in ("rolling", "impact", "squeal"))[0, 0]
    speed = np.array([speed_km_h])
    rail, wheel, contact, impact = (
        levels_over_frequency(wavelength_spectrum(attribute, name), speed)[0]
        for attribute, name in (
            ("rail_roughness", "average_network"), ("wheel_roughness", "disc"),
            ("contact_filter", "load_50kn_wheel_920mm"), ("impact_roughness", "single_joint"),
        )
    )  # fmt: skip
    total = to_db(to_energy(rail) + to_energy(wheel)) + contact
    total = to_db(to_energy(total) + to_energy(impact + 10 * np.log10(joints_per_m / 0.01)))
    wheel_transfer = band_spectrum("vehicle_transfer", "wheel_920mm")
    power = to_db(to_energy(total + track_transfer(FORMS[0])) + to_energy(total + wheel_transfer)) + 10 * np.log10(4)
    power += {None: 0.0, 250.0: 8.0, 400.0: 5.0}[radius_m]
    np.testing.assert_allclose(to_db(parts), power, atol=1e-9)


def test_the_editions_differ_in_directivity_squeal_and_bridges_only():
    scene = mixed_scene(10, 20)
    scene = replace(scene, forms=tuple(replace(form, bridge=None) for form in FORMS))
    new, old = emissions(scene), emissions(scene, edition="original_2015")
    for mechanism in ("rolling", "impact", "traction", "aerodynamic"):
        sum_new, sum_old = (sum(power for (m, _), power in found.items() if m == mechanism) for found in (new, old))
        np.testing.assert_allclose(sum_new, sum_old, rtol=1e-12)
    assert {name for m, name in new if m == "rolling"} != {name for m, name in old if m == "rolling"}


@settings(deadline=None, max_examples=60)
@given(psi_deg=st.floats(-90.0, 90.0))
def test_vertical_forms_of_2015_and_2021(psi_deg):
    """Equal between 0 and 41.4 degrees; above, opposite in sign; below the source the amended one is 0."""
    new, old = (vertical_a_db(np.array(psi_deg), form) for form in ("amended_2021", "original_2015"))
    assert (old >= 0.0).all()
    if psi_deg <= 0.0:
        assert not new.any()
    elif psi_deg < 41.40:
        np.testing.assert_allclose(new, old)
    elif psi_deg > 41.42:
        np.testing.assert_allclose(new, -old)
    mirrored = vertical_a_db(np.array(-psi_deg), "original_2015")
    np.testing.assert_allclose(mirrored, old)


@settings(deadline=None, max_examples=20)
@given(levels=st.lists(st.floats(60.0, 120.0), min_size=24, max_size=24))
def test_traction_of_an_own_spectrum_is_that_spectrum(levels):
    columns = {"source_a_db": np.array(levels), "source_b_db": np.array(levels) - 3.0}
    own = Spectrum("own", "traction", THIRD_OCTAVES_HZ, columns)
    scene = one_vehicle_scene(form=FORMS[0], vehicle=replace(VEHICLES[0], traction=own), speed_km_h=60.0)
    by_class = [p[0, 0] for (m, _), p in emissions(scene).items() if m == "traction"]
    np.testing.assert_allclose(to_db(by_class[0]), columns["source_a_db"])
    np.testing.assert_allclose(to_db(by_class[1]), columns["source_b_db"])

"""What must hold for levels whatever the numbers are."""

from __future__ import annotations

import copy
import math

import numpy as np
import pytest

from lineside.plugins import Plugins
from sites import assess_site, straight_site


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    return assess_site(straight_site(), tmp_path_factory.mktemp("base"))["R"]


def scaled(site, factor):
    trains = site["services"][0]["trains"]
    for period in ("day", "evening", "night"):
        trains[period] *= factor
    return site


def test_doubled_trains_add_3_01_db_and_leave_single_passes_alone(base, tmp_path):
    double = assess_site(scaled(straight_site(), 2), tmp_path)["R"]
    assert double.lden_db - base.lden_db == pytest.approx(10 * math.log10(2), abs=2e-3)
    for period in base.period_db:
        assert double.period_db[period] - base.period_db[period] == pytest.approx(10 * math.log10(2), abs=2e-3)
    assert [p.lae_db for p in double.passes] == [p.lae_db for p in base.passes]


def test_a_period_without_trains_is_silence_not_an_error(base, tmp_path):
    site = straight_site()
    site["services"][0]["trains"]["night"] = 0
    quiet = assess_site(site, tmp_path)["R"]
    assert quiet.period_db["night"] is None
    assert quiet.period_db["day"] == base.period_db["day"]
    assert quiet.lden_db < base.lden_db


@pytest.mark.parametrize("cut_m", [1.0, 333.3, 990.0])
def test_splitting_a_section_changes_nothing_above_0_02_db(base, tmp_path, cut_m):
    site = straight_site()
    site["tracks"][0]["stretches"] = [{"from_m": cut_m, "to_m": cut_m + 400.0, "speed_limit_km_h": 60}]
    split = assess_site(site, tmp_path)["R"]
    assert split.lden_db == pytest.approx(base.lden_db, abs=0.02)
    assert len(split.by_stretch_db["lden"]) == 3


def energy(levels):
    return sum(10 ** (value / 10) for value in levels.values() if value is not None)


def test_contributions_add_up_to_the_total(base):
    for period, total in {**base.period_db, "lden": base.lden_db}.items():
        for parts in (base.by_mechanism_db, base.by_service_db, base.by_stretch_db):
            assert 10 * math.log10(energy(parts[period])) == pytest.approx(total, abs=5e-3)


def test_spectrum_adds_up_to_the_level(base):
    weights = [-26.2, -16.1, -8.6, -3.2, 0.0, 1.2, 1.0, -1.1]  # IEC 61672-1:2013, Table 3
    for period, spectrum in base.spectrum_db.items():
        total = 10 * math.log10(sum(10 ** ((v + a) / 10) for v, a in zip(spectrum, weights, strict=True)))
        assert total == pytest.approx(base.period_db[period], abs=5e-3)


def test_exposure_of_one_moving_train_is_the_average_level_of_all(tmp_path):
    """LAeq,T = LAE + 10 lg(N / T): the train that moves and the line source are the same sound."""
    site = straight_site()
    site["site"]["favourable"] = {"kind": "one_value", "day": 1.0, "evening": 1.0, "night": 1.0}
    site["services"].append(
        {
            **copy.deepcopy(site["services"][0]),
            "id": "calling",
            "trains": {"kind": "per_period", "day": 60, "evening": 0, "night": 0},
            "pattern": {"kind": "calls", "at": ["halt"], "acceleration_m_s2": 0.9, "braking_m_s2": 0.8, "dwell_s": 30},
        }
    )
    site["stops"] = [{"id": "halt", "at": [{"track": "T", "chainage_m": 980}]}]
    found = assess_site(site, tmp_path)["R"]
    for service, n in (("S", 120), ("calling", 60)):
        lae = next(p.lae_db for p in found.passes if p.service == service and p.state == "favourable")
        expected = lae + 10 * math.log10(n / (12 * 3600))
        assert found.by_service_db["day"][service] == pytest.approx(expected, abs=0.05)


def test_largest_level_lies_between_the_average_while_passing_and_ten_db_above(base):
    for one in base.passes:
        while_passing = one.lae_db - 10 * math.log10(80 / (60 / 3.6))
        assert while_passing - 3 < one.lafmax_db < while_passing + 10


def test_a_higher_barrier_is_never_louder(tmp_path):
    levels = []
    for height in (0.5, 1.0, 1.5, 2.0, 3.0, 4.5, 6.0):
        site = straight_site()
        site["barriers"] = [{"id": "B", "line": [[-1000, 5], [1000, 5]], "height_m": height, "surface": "absorbing"}]
        levels.append(assess_site(site, tmp_path / str(height))["R"].lden_db)
    assert np.all(np.diff(levels) <= 0.01)
    assert levels[0] - levels[-1] > 8


def test_a_long_line_falls_by_3_db_and_a_short_one_by_6_db_per_doubling(tmp_path):
    def at_63_hz(site, distance):
        site["site"]["default_ground"] = {"g": 0}
        site["tracks"][0]["attributes"]["form"] = "slab"
        site["site"]["favourable"] = {"kind": "one_value", "day": 0.0, "evening": 0.0, "night": 0.0}
        site["receivers"][0].update(position=[0.0, distance], height_m=0.8)
        return assess_site(site, tmp_path / f"{id(site)}")["R"].spectrum_db["day"][0]

    long = [at_63_hz(straight_site(4000), d) for d in (25.0, 50.0)]
    assert long[0] - long[1] == pytest.approx(10 * math.log10(2), abs=0.05)
    short = [at_63_hz(straight_site(10), d) for d in (400.0, 800.0)]
    assert short[0] - short[1] == pytest.approx(20 * math.log10(2), abs=0.08)


def test_an_endless_line_has_the_level_of_the_closed_form(tmp_path):
    """Dipole line over hard ground, homogeneous: p2 = W' 2 x 10^-1.1 (pi / d) (0.01 + 0.99 / 2), 63 Hz, without air."""
    import lineside
    from lineside.engine.emission import compute_emission
    from lineside.engine.grid import line_power
    from lineside.engine.select import select
    from lineside.scene.build import build_scene
    from sites import write_site

    site = straight_site(6000, form="slab")
    site["site"]["default_ground"] = {"g": 0}
    site["site"]["favourable"] = {"kind": "one_value", "day": 0.0, "evening": 0.0, "night": 0.0}
    site["receivers"][0].update(position=[0.0, 25.0], height_m=0.8)  # at source height: no vertical directivity
    found = assess_site(site, tmp_path / "a")["R"].spectrum_db["day"][0]
    loaded = lineside.load_project(write_site(site, tmp_path / "b"))
    selection = select(loaded, Plugins.load())
    scene = build_scene(loaded, selection.sources).scene
    power = line_power(scene, compute_emission(scene, selection.sources))[0, 0]  # day, only section
    classes = compute_emission(scene, selection.sources).classes
    low = sum(power[k, :3].sum() for k, c in enumerate(classes) if c.height_m == 0.5)
    high = sum(power[k, :3].sum() for k, c in enumerate(classes) if c.height_m == 4.0)
    dipole = 0.01 + 0.99 / 2
    slant = math.hypot(25.0, 3.5)
    expected = 10**0.3 * 10**-1.1 * math.pi * dipole * (low / 25.0 + high / slant)
    assert found == pytest.approx(10 * math.log10(expected), abs=0.06)


def test_order_of_lists_changes_nothing(tmp_path):
    site = straight_site()
    site["tracks"].append({**copy.deepcopy(site["tracks"][0]), "id": "U"})
    site["tracks"][1]["alignment"]["points"] = [[-1000.0, -4.0, 0.3], [1000.0, -4.0, 0.3]]
    site["services"].append({**copy.deepcopy(site["services"][0]), "id": "V", "track": "U", "direction": "falling"})
    site["vehicles"].append({**site["vehicles"][0], "id": "trailer", "traction": "none"})
    site["units"].append({"id": "other", "vehicles": [{"vehicle": "trailer"}]})
    site["services"][1]["unit"] = "other"
    site["receivers"].append({**site["receivers"][0], "id": "R2", "position": [200.0, -80.0]})
    site["barriers"] = [
        {"id": "a", "line": [[-50, 6], [100, 6]], "height_m": 2, "surface": "absorbing"},
        {"id": "b", "line": [[0, 20], [100, 20]], "height_m": 3, "surface": "absorbing"},
    ]
    forward = assess_site(site, tmp_path / "f")
    for key in ("tracks", "services", "vehicles", "units", "receivers", "barriers"):
        site[key] = site[key][::-1]
    backward = assess_site(site, tmp_path / "b")
    for name, one in forward.items():
        assert backward[name].lden_db == pytest.approx(one.lden_db, abs=1e-3)
        assert {(p.service, p.state): p.lafmax_db for p in backward[name].passes} == pytest.approx(
            {(p.service, p.state): p.lafmax_db for p in one.passes}, abs=2e-3
        )


def test_order_of_plugins_changes_nothing(base, tmp_path):
    loaded = Plugins.load()
    turned = Plugins(tuple(reversed(loaded._modules)))
    again = assess_site(straight_site(), tmp_path, turned)["R"]
    assert again == base


def test_a_receiver_does_not_hear_which_others_are_listed(base, tmp_path):
    site = straight_site()
    site["receivers"].append({**site["receivers"][0], "id": "near", "position": [30.0, 8.0]})
    assert assess_site(site, tmp_path)["R"].lden_db == base.lden_db


def test_half_and_twice_the_spacing_move_no_level_by_more_than_a_tenth(tmp_path):
    from lineside_plugins.eu_propagation.calculator import EuPropagationOptions

    default = EuPropagationOptions().piece_ratio
    site = straight_site()
    site["barriers"] = [{"id": "B", "line": [[-30, 6], [45, 6]], "height_m": 2.5, "surface": "absorbing"}]
    site["ground_areas"] = [{"id": "w", "g": 0.0, "polygon": [[10, 10], [90, 10], [60, 40], [10, 40]]}]
    levels = []
    for factor in (0.5, 1.0, 2.0):
        site["calculation"]["options"] = {"eu_propagation": {"piece_ratio": min(0.5, factor * default)}}
        levels.append(assess_site(site, tmp_path / str(factor))["R"])
    for other in (levels[0], levels[2]):
        assert other.lden_db == pytest.approx(levels[1].lden_db, abs=0.1)
        assert [p.lafmax_db for p in other.passes] == pytest.approx([p.lafmax_db for p in levels[1].passes], abs=0.1)

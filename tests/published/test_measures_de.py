"""Measures of the catalogue under the German method give the credits of the law.

Source of the numbers: computed from the law's tables, not published, by two separate computations:
``tests/published/data/de_16bimschv_check_values.csv`` (16. BImSchV, Annex 2, Table 8, on the total of a vehicle).
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.acoustics.bands import A_WEIGHTING_OCTAVE_DB
from lineside.acoustics.levels import to_db, to_energy
from lineside.api import load_project, situation_of
from lineside.engine.grid import line_power
from lineside.engine.option_run import prepare
from lineside.engine.plan import plan
from measure_sites import PLUGINS
from sites import straight_site, write_site

VEHICLES = {
    "EMU": ({"category": 5, "brake": "wheel_disc"}, 10),
    "coach": ({"category": 9, "brake": "axle_disc"}, 4),
    "cast iron": ({"category": 10, "brake": "cast_iron_block", "tank_share": 0}, 4),
    "composite": ({"category": 10, "brake": "composite_block", "tank_share": 0}, 4),
}
#: Change of the total sound power at 80 km/h. [dB]
CREDITS = {
    "monitored_rail": (-3.64, -4.04, -0.92, -3.83),
    "rail_dampers": (-2.24, -2.44, -2.29, -2.45),
    "monitored_rail+rail_dampers": (-5.48, -6.28, -3.14, -6.11),
}


def change_db(
    entry: dict[str, Any], n_axles: int, measures: dict[str, dict[str, Any]], folder: Path, **track: Any
) -> float:
    """Change of the A-weighted sound power of the line by all the measures together."""
    site = straight_site(500.0, **track)
    site["tracks"][0]["kind"] = site["vehicles"][0]["kind"] = "train"
    site["tracks"][0]["attributes"]["speed_limit_km_h"] = 80
    site["vehicles"][0] |= {"n_axles": n_axles, "max_speed_km_h": 120}
    site["units"][0]["vehicles"] = [{"vehicle": "car"}]
    site["calculation"] = {"method": "de_16bimschv", "options": {"de_railway": {"vehicles": {"car": entry}}}}
    site["criteria"] = [{"name": "de_16bimschv"}]
    site["measures"] = [{"id": name, "measure": name, "options": o} for name, o in measures.items()]
    site["options"] = {"combine_up_to": len(measures)}
    loaded = load_project(write_site(site, folder), PLUGINS)
    prepared = prepare(loaded, PLUGINS)
    assert prepared is not None
    levels = []
    for key in ((), tuple(measures)):
        changed = prepared.loaded_of(key)
        assert not isinstance(changed, str), changed
        selection = prepared.selection_of(changed)
        planned = plan(changed, selection, situation_of(changed, selection))
        power = line_power(planned.built.scene, planned.task.emission.mean)[0, len(planned.built.scene.sections) // 2]
        levels.append(to_db(power.sum(axis=0) @ np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)))
    return float(levels[1] - levels[0])


@pytest.mark.parametrize("name", CREDITS)
@pytest.mark.parametrize("vehicle", VEHICLES)
def test_credits_at_the_rail(name: str, vehicle: str, tmp_path: Path) -> None:
    expected = CREDITS[name][list(VEHICLES).index(vehicle)]
    measures = {measure: {"track": "T"} for measure in name.split("+")}
    assert change_db(*VEHICLES[vehicle], measures, tmp_path) == pytest.approx(expected, abs=0.05)


@pytest.mark.parametrize(
    ("radius_m", "expected"), [(250, -3.0), (400, -3.0), (600, 0.0)], ids=["below 300 m", "300 to 500 m", "above"]
)
def test_friction_modifier_takes_3_db_off_the_curve(radius_m: float, expected: float, tmp_path: Path) -> None:
    """Table 11, K_LA, read: wagons without tanks have rolling noise alone, so that the whole falls by the credit."""
    entry, axles = VEHICLES["composite"]
    measures = {"friction_modifier": {"track": "T"}}
    change = change_db(entry, axles, measures, tmp_path, curve_radius_m=radius_m)
    assert change == pytest.approx(expected, abs=0.15)


@pytest.mark.parametrize(("bridge", "expected"), [("steel_direct", -6.0), ("steel_ballast", -3.0)])
def test_bridge_measure_has_the_credit_of_its_row(bridge: str, expected: float, tmp_path: Path) -> None:
    """Table 9, K_LM, read."""
    entry, axles = VEHICLES["composite"]
    site_options = {"bridge_treatment": {"track": "T"}}
    change = _on_bridge(entry, axles, site_options, bridge, tmp_path)
    assert change == pytest.approx(expected, abs=0.2)


def test_bridge_measure_acts_on_the_bridge_alone(tmp_path: Path) -> None:
    """The regulation has no value for such a measure elsewhere; half the line is bridge here."""
    entry, axles = VEHICLES["composite"]
    change = _on_bridge(entry, axles, {"bridge_treatment": {"track": "T"}}, "steel_direct", tmp_path, to_m=500.0)
    bridge, after = 10 ** (12 / 10), 10 ** (6 / 10)
    assert change == pytest.approx(10 * np.log10((after + 1) / (bridge + 1)), abs=0.2)


def _on_bridge(
    entry: dict[str, Any], axles: int, measures: dict[str, Any], bridge: str, folder: Path, **place: float
) -> float:
    site = straight_site(500.0)
    site["tracks"][0]["kind"] = site["vehicles"][0]["kind"] = "train"
    site["vehicles"][0] |= {"n_axles": axles, "max_speed_km_h": 120}
    options = {"vehicles": {"car": entry}, "stretches": [{"track": "T", "bridge": bridge, **place}]}
    site["calculation"] = {"method": "de_16bimschv", "options": {"de_railway": options}}
    site["criteria"] = [{"name": "de_16bimschv"}]
    site["measures"] = [{"id": name, "measure": name, "options": o} for name, o in measures.items()]
    loaded = load_project(write_site(site, folder), PLUGINS)
    prepared = prepare(loaded, PLUGINS)
    assert prepared is not None
    powers = []
    for key in ((), tuple(measures)):
        changed = prepared.loaded_of(key)
        assert not isinstance(changed, str), changed
        selection = prepared.selection_of(changed)
        planned = plan(changed, selection, situation_of(changed, selection))
        length = planned.built.scene.sections.length_m
        power = np.einsum("ckt,c->t", line_power(planned.built.scene, planned.task.emission.mean)[0], length)
        powers.append(to_db(power @ np.repeat(to_energy(A_WEIGHTING_OCTAVE_DB), 3)))
    return float(powers[1] - powers[0])


def test_other_brakes_have_the_difference_of_the_data_sheet(tmp_path: Path) -> None:
    """Supplement 1, category 10: rows 3 to 7, cast iron against composite blocks, 100 km/h 72.4 and 67.5 dB (read)."""
    entry, axles = VEHICLES["cast iron"]
    options = {"vehicles": ["car"], "de_brake": "composite_block"}
    change = change_db(entry, axles, {"smoother_wheels": options}, tmp_path)
    assert change == pytest.approx(-4.9, abs=0.5)


def test_measures_that_the_law_does_not_know_act_on_nothing(tmp_path: Path) -> None:
    entry, axles = VEHICLES["EMU"]
    for name, options in (("rail_pads", {"rail_pad": "hard"}), ("acoustic_grinding", {}), ("joint_removal", {})):
        change = change_db(entry, axles, {name: {"track": "T", **options}}, tmp_path / name)
        assert change == pytest.approx(0.0, abs=1e-9)

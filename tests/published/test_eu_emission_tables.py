"""Our tables against the Commission's catalogue of vehicles and tracks (2014-2015), where the law kept its values.

The catalogue prints two decimals, the law one. Not in the catalogue: wheels of 840 and 680 mm and the fastening on
bridges. Changed by the law in 2021, so not comparable: contact filter, average rail roughness, impact roughness.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from lineside.acoustics.bands import THIRD_OCTAVES_HZ
from lineside.tables import load_table

DATA = Path(__file__).parent / "data" / "eu_emission_cases"
PACKAGE = "lineside_plugins.eu_railway"
#: our table, our column, stored table, id, height
PAIRS = [
    ("rail_roughness", "well_maintained_db", "rail_roughness", "3", ""),
    ("wheel_roughness", "cast_iron_block_db", "wheel_roughness", "3", ""),
    ("wheel_roughness", "composite_block_db", "wheel_roughness", "4", ""),
    ("wheel_roughness", "disc_db", "wheel_roughness", "5", ""),
    ("vehicle_transfer", "wheel_920mm_db", "wheel_transfer", "3", ""),
    ("vehicle_transfer", "wheel_1200mm_db", "wheel_transfer", "6", ""),
    ("track_transfer", "monoblock_soft_db", "track_transfer", "3", ""),
    ("track_transfer", "monoblock_medium_db", "track_transfer", "4", ""),
    ("track_transfer", "monoblock_hard_db", "track_transfer", "5", ""),
    ("track_transfer", "biblock_soft_db", "track_transfer", "6", ""),
    ("track_transfer", "biblock_medium_db", "track_transfer", "7", ""),
    ("track_transfer", "biblock_hard_db", "track_transfer", "8", ""),
    ("track_transfer", "wooden_db", "track_transfer", "9", ""),
    ("superstructure_transfer", "eu_default_db", "superstructure_transfer", "3", ""),
    ("traction_power", "diesel_loco_800kw_a_db", "traction_constant", "3", "A"),
    ("traction_power", "diesel_loco_800kw_b_db", "traction_constant", "3", "B"),
    ("traction_power", "diesel_loco_2200kw_a_db", "traction_constant", "4", "A"),
    ("traction_power", "diesel_loco_2200kw_b_db", "traction_constant", "4", "B"),
    ("traction_power", "diesel_multiple_unit_a_db", "traction_constant", "8", "A"),
    ("traction_power", "diesel_multiple_unit_b_db", "traction_constant", "8", "B"),
    ("traction_power", "electric_loco_a_db", "traction_constant", "9", "A"),
    ("traction_power", "electric_loco_b_db", "traction_constant", "9", "B"),
    ("traction_power", "electric_multiple_unit_a_db", "traction_constant", "10", "A"),
    ("traction_power", "electric_multiple_unit_b_db", "traction_constant", "10", "B"),
    ("aerodynamic_power", "source_a_db", "aerodynamic", "3", "A"),
    ("aerodynamic_power", "source_b_db", "aerodynamic", "3", "B"),
]  # fmt: skip


def stored(table: str, id_: str, height: str) -> dict[float, float]:
    for name in ("wavelength_tables", "frequency_tables"):
        lines = [x for x in (DATA / f"{name}.csv").read_text(encoding="utf-8").splitlines() if x[:1] != "#"]
        for row in csv.DictReader(lines):
            if (row["table"], row["id"], row.get("source") or "") == (table, id_, height):
                return {float(head): float(value) for head, value in row.items() if head[0].isdigit()}
    raise AssertionError((table, id_, height))


@pytest.mark.parametrize(("ours", "column", "table", "id_", "height"), PAIRS)
def test_table_agrees_with_the_catalogue(ours, column, table, id_, height):
    table_ours = load_table(PACKAGE, ours)
    axis = table_ours["wavelength_mm" if "wavelength_mm" in table_ours.columns else "frequency_hz"]
    theirs = stored(table, id_, height)
    pairs = {
        x: (level, theirs[x])
        for x, level in zip(axis.tolist(), table_ours[column].tolist(), strict=True)
        if x in theirs
    }
    if column.startswith("diesel_loco_2200kw"):
        # misprint of 2015 at 6300 Hz (31.4 and 30.7 dB), corrected by (EU) 2021/1226 point (20)(f)
        corrected, misprint = pairs.pop(6300.0)
        assert corrected - misprint == pytest.approx(50.0, abs=0.06)
    assert len(pairs) >= 23
    values = np.array(list(pairs.values()))
    # half a unit of the printed digit; 0.001 for values that end in 5
    np.testing.assert_allclose(values[:, 0], values[:, 1], rtol=0.0, atol=0.051)


@pytest.mark.parametrize("name", ["track_transfer", "vehicle_transfer", "superstructure_transfer", "traction_power",
                                  "aerodynamic_power", "bridge_transfer"])  # fmt: skip
def test_frequency_tables_stand_in_the_24_third_octaves(name):
    np.testing.assert_array_equal(load_table(PACKAGE, name)["frequency_hz"], THIRD_OCTAVES_HZ)

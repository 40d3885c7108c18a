"""Sound power by 16. BImSchV, Annex 2, against values of two separate evaluations.

Source: computed, not published, from the equations and data sheets of the regulation (BGBl. I 2014 p. 2269, wording
including BGBl. I 2020 p. 2334): ``data/de_16bimschv_check_values.csv``, ``data/de_16bimschv_cases.json``, and values
written out here, printed to 0.01 dB (octaves to 0.1 dB).
"""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from flat_scene import flat_scene, receivers_at, track_pieces
from lineside_plugins.de_propagation import DePropagation, DePropagationOptions
from lineside_plugins.de_railway import TrackClass, VehicleClass, directivity_db, line_power

DATA = Path(__file__).parent / "data"
with (DATA / "de_16bimschv_check_values.csv").open(encoding="utf-8") as stream:
    ROWS = list(csv.DictReader(line for line in stream if not line.startswith("#")))
CASES = {c["id"]: c for c in json.loads((DATA / "de_16bimschv_cases.json").read_text(encoding="utf-8"))["cases"]}
HALF_DIGIT = 0.00501

BRAKES = {
    "wheel-disc brake": "wheel_disc",
    "cast-iron blocks": "cast_iron_block",
    "composite blocks": "composite_block",
    "axle-disc": "axle_disc",
    "disc": "wheel_or_axle_disc",
}
MEASURES = {
    "specially monitored track (bueG)": TrackClass(specially_monitored=True),
    "rail dampers": TrackClass(rail_measure="dampers"),
    "bueG + rail dampers": TrackClass(specially_monitored=True, rail_measure="dampers"),
    "curve R<300 m, K_L=8": TrackClass(curve_radius_m=299.0),
    "curve R<300 m with friction modifier, K_L+K_LA=5": TrackClass(curve_radius_m=299.0, squeal_prevented=True),
    "curve 300<=R<500 m, K_L=3": TrackClass(curve_radius_m=300.0),
}

EMU = VehicleClass(5, "wheel_disc", 10)
ELECTRIC = VehicleClass(7, "wheel_or_axle_disc", 4)
COMPOSITE = VehicleClass(10, "composite_block", 4)
CAST_IRON = VehicleClass(10, "cast_iron_block", 4)
Train = list[tuple[VehicleClass, float]]
FREIGHT: Train = [(ELECTRIC, 1), (replace(COMPOSITE, tank_share=0.2), 24)]
FREIGHT_CAST_IRON: Train = [(ELECTRIC, 1), (replace(CAST_IRON, tank_share=0.2), 24)]


def power(train: Train, speed: float, track: TrackClass | None = None) -> dict[float, np.ndarray]:
    """Levels by height of vehicles and their numbers per hour; silent heights as -inf."""
    sums = {height: np.zeros(8) for height in (0.0, 4.0, 5.0)}
    for vehicle, n in train:
        for height, level in line_power(vehicle, speed, track or TrackClass(), n).items():
            sums[height] += 10 ** (level / 10)
    with np.errstate(divide="ignore"):
        return {height: 10 * np.log10(energy) for height, energy in sums.items()}


def total(levels: dict[float, np.ndarray], *heights: float) -> float:
    return float(10 * np.log10(sum(np.sum(10 ** (levels[h] / 10)) for h in heights or levels)))


def vehicle_of(row: dict[str, str]) -> tuple[VehicleClass, float]:
    category, speed = (re.search(p, row["case"]).group(1) for p in (r"category (\d+)", r"(\d+) km/h"))  # type: ignore[union-attr]
    brake = next(name for words, name in BRAKES.items() if words in row["case"])
    n_axles = float(re.search(r"(\d+) axles", row["case"]).group(1))  # type: ignore[union-attr]
    return VehicleClass(int(category), brake, n_axles), float(speed)


def quantity_rows(pattern: str) -> list[Any]:
    return [pytest.param(r, id=f"{r['case']}: {r['quantity']}") for r in ROWS if re.search(pattern, r["quantity"])]


def test_each_row_of_the_check_values_is_used() -> None:
    used = r"^total|octave|^change|^LpAeq|^D_I|^D_Omega|^A_gr,B"
    assert len(ROWS) == 65 and all(re.search(used, r["quantity"]) for r in ROWS)


@pytest.mark.parametrize("row", quantity_rows("^total"))
def test_totals(row: dict[str, str]) -> None:
    vehicle, speed = vehicle_of(row)
    assert total(power([(vehicle, 1)], speed)) == pytest.approx(float(row["value"]), abs=HALF_DIGIT)


@pytest.mark.parametrize("row", quantity_rows("height 0 m, octave"))
def test_octaves(row: dict[str, str]) -> None:
    vehicle, speed = vehicle_of(row)
    band = [63, 125, 250, 500, 1000, 2000, 4000, 8000].index(int(row["quantity"].split()[-2]))
    assert power([(vehicle, 1)], speed)[0.0][band] == pytest.approx(float(row["value"]), abs=HALF_DIGIT)


@pytest.mark.parametrize("row", quantity_rows("^change"))
def test_changes_by_track_and_curve(row: dict[str, str]) -> None:
    vehicle, speed = vehicle_of(row)
    track = MEASURES[row["quantity"].removeprefix("change of total L_W'A by ")]
    change = total(power([(vehicle, 1)], speed, track)) - total(power([(vehicle, 1)], speed))
    assert change == pytest.approx(float(row["value"]), abs=HALF_DIGIT)


@pytest.mark.parametrize("row", quantity_rows("^LpAeq"))
def test_levels_beside_an_endless_line(row: dict[str, str]) -> None:
    """EMU at 100 km/h; receiver 4 m above ground, rails on the ground; over land, water, and behind a screen."""
    place = row["case"] + row["quantity"]
    distance = float(re.search(r"(?:same, | at )(\d+) m", place).group(1))  # type: ignore[union-attr]
    wet = 0.5 if "half of every path" in place else 1.0 if "whole path over water" in place else 0.0
    water = [(0.0, [[-1, -9e3], [wet * distance, -9e3], [wet * distance, 9e3], [-1, 9e3]])] if wet else []
    screens = [[4.0, -2500, 4.0, 2500, 2.0]] if "barrier 2.0 m high at 4.0 m" in place else []
    where = flat_scene(water, screens, reflecting=[False] * len(screens))
    level = line_level(where, (distance, 4.0), power([(EMU, 1)], 100.0))
    assert level == pytest.approx(float(row["value"]), abs=0.02)


def line_level(
    where: Any, receiver: tuple[float, float], by_height: dict[float, np.ndarray], rail_z: float = 0.0
) -> float:
    """A-weighted level beside 4 km of straight track in pieces of 1 m, no ways round the ends of screens."""
    pieces = track_pieces(np.arange(-1999.5, 2000.0), 1.0, rail_z=rail_z)
    to, heights = receivers_at([[receiver[0], 0.0, receiver[1]]]), np.array(list(by_height))
    options = DePropagationOptions(side_way_ratio=1.0)
    found = DePropagation().path_loss(where, pieces, heights, to, options).transfer[0, :, :, 0]
    step = to.xyz_m[0] - pieces.xyz_m[:, np.newaxis] - heights[:, np.newaxis] * [0, 0, 1]
    delta = np.degrees(np.arccos(np.abs(step[..., 1]) / np.linalg.norm(step, axis=-1)))
    gain = 10 ** (directivity_db(delta) / 10)
    energy = 10 ** (np.array(list(by_height.values())) / 10)
    return float(10 * np.log10(np.einsum("phb,ph,hb->", found, gain, energy)))


@pytest.mark.parametrize("row", quantity_rows("^D_I"))
def test_directivity(row: dict[str, str]) -> None:
    expected = [float(v) for v in row["value"].split("/")]
    np.testing.assert_allclose(directivity_db([90, 45, 0]), expected, atol=HALF_DIGIT)


def test_directivity_at_other_angles() -> None:
    expected = [-6.58, -5.16, -2.70, -0.68, 0.69, 1.48, 1.73]
    np.testing.assert_allclose(directivity_db([0, 15, 30, 45, 60, 75, 90]), expected, atol=HALF_DIGIT)


@pytest.mark.parametrize(
    ("case_id", "train", "speed"),
    [
        ("DE-01", [(EMU, 4)], 140.0),
        ("DE-02", [(ELECTRIC, 1), (replace(COMPOSITE, tank_share=0.2), 20)], 100.0),
    ],
)
def test_emission_cases(case_id: str, train: Train, speed: float) -> None:
    expected = CASES[case_id]["expected"]
    found = power(train, speed)
    for name, height in (("1", 0.0), ("2", 4.0), ("3", 5.0)):
        np.testing.assert_allclose(found[height], expected["L_W_per_m_by_height"][name], atol=HALF_DIGIT)
        assert total(found, height) == pytest.approx(expected["total_per_height"][name], abs=HALF_DIGIT)
    assert total(found) == pytest.approx(expected["total"], abs=HALF_DIGIT)


@pytest.mark.parametrize(
    ("vehicle", "at_80", "at_100", "octaves"),
    [
        (COMPOSITE, 66.27, 67.51, [25.7, 33.3, 43.9, 59.4, 64.4, 61.8, 56.5, 39.1]),
        (CAST_IRON, 71.15, 72.40, [32.1, 41.7, 50.1, 63.8, 69.5, 67.2, 59.0, 45.6]),
        (VehicleClass(10, "axle_disc", 4), 66.10, 67.32, None),
    ],
)
def test_a_freight_wagon(vehicle: VehicleClass, at_80: float, at_100: float, octaves: list[float] | None) -> None:
    assert total(power([(vehicle, 1)], 80.0)) == pytest.approx(at_80, abs=HALF_DIGIT)
    found = power([(vehicle, 1)], 100.0)
    assert total(found) == pytest.approx(at_100, abs=HALF_DIGIT)
    if octaves is not None:
        np.testing.assert_allclose(found[0.0], octaves, atol=0.0501)


def test_a_freight_train() -> None:
    """Table 4, row 18: an electric locomotive and 24 wagons, a fifth of them tank wagons, 100 km/h."""
    found = power(FREIGHT, 100.0)
    expected = (81.46, 65.96, 42.91, 81.58)
    assert (*(total(found, h) for h in found), total(found)) == pytest.approx(expected, abs=HALF_DIGIT)
    np.testing.assert_allclose(found[0.0], [39.8, 47.4, 58.6, 73.4, 78.4, 75.7, 70.5, 53.1], atol=0.0501)
    np.testing.assert_allclose(found[4.0], [37.5, 46.5, 55.5, 60.8, 60.9, 59.9, 50.5, 41.6], atol=0.0501)
    found = power(FREIGHT_CAST_IRON, 100.0)
    assert (total(found, 0.0), total(found, 4.0), total(found)) == pytest.approx((86.25, 69.77, 86.35), abs=HALF_DIGIT)


@pytest.mark.parametrize(("speed", "expected"), [(80, 68.41), (100, 69.54), (120, 70.64), (140, 71.70), (160, 72.71)])
def test_an_electric_multiple_unit(speed: float, expected: float) -> None:
    assert total(power([(EMU, 1)], speed)) == pytest.approx(expected, abs=HALF_DIGIT)


def test_other_trains() -> None:
    at_140 = power([(EMU, 1)], 140.0)
    assert [total(at_140, h) for h in at_140] == pytest.approx([71.62, 52.54, 50.22], abs=HALF_DIGIT)
    np.testing.assert_allclose(at_140[0.0], [35.5, 42.8, 50.2, 61.7, 67.8, 67.2, 62.0, 44.4], atol=0.0501)
    fast = power([(VehicleClass(3, n_axles=32), 1)], 300.0)
    assert [*(total(fast, h) for h in fast), total(fast)] == pytest.approx([82.04, 67.76, 64.77, 82.28], abs=HALF_DIGIT)
    intercity = power([(ELECTRIC, 1), (VehicleClass(9, "axle_disc", 4), 12)], 200.0)
    found = [*(total(intercity, h) for h in intercity), total(intercity)]
    assert found == pytest.approx([83.38, 65.55, 57.96, 83.46], abs=HALF_DIGIT)
    diesel = power([(VehicleClass(6, n_axles=8), 1)], 120.0)
    assert [total(diesel, 0.0), total(diesel, 4.0), total(diesel)] == pytest.approx(
        [71.99, 48.39, 72.00], abs=HALF_DIGIT
    )


SHIELDS = TrackClass(rail_measure="shields")
MONITORED = MEASURES["specially monitored track (bueG)"]
CHANGES = {  # EMU at 140 km/h, freight with composite blocks, freight with cast-iron blocks at 100 km/h
    MONITORED: (-3.79, -3.75, -0.93),
    MEASURES["rail dampers"]: (-2.24, -2.38, -2.27),
    SHIELDS: (-2.87, -2.82, -0.75),
    MEASURES["bueG + rail dampers"]: (-5.70, -5.91, -3.13),
    replace(SHIELDS, specially_monitored=True): (-5.83, -5.76, -1.22),
    TrackClass("slab"): (3.45, None, None),
    TrackClass("slab_with_absorber"): (0.48, None, None),
    TrackClass("level_crossing"): (4.18, None, None),
    TrackClass(bridge="steel_direct"): (11.81, None, None),
    TrackClass(bridge="steel_direct", bridge_measure=True): (5.85, None, None),
    TrackClass(curve_radius_m=250.0): (7.83, None, None),
    TrackClass(curve_radius_m=250.0, squeal_prevented=True): (4.86, None, None),
}


@pytest.mark.parametrize("track", CHANGES, ids=str)
def test_changes_of_whole_trains(track: TrackClass) -> None:
    trains = (([(EMU, 1)], 140.0), (FREIGHT, 100.0), (FREIGHT_CAST_IRON, 100.0))
    for (train, speed), expected in zip(trains, CHANGES[track], strict=True):
        if expected is not None:
            change = total(power(train, speed, track)) - total(power(train, speed))
            assert change == pytest.approx(expected, abs=HALF_DIGIT)


TRAMS = {  # twelve low-floor trams per hour: 0 m, all
    (50.0, TrackClass()): (72.14, 72.19),
    (50.0, TrackClass("street_flush")): (78.46, 78.47),
    (50.0, TrackClass("street_flush", curve_radius_m=150.0)): (82.46, 82.46),
    (30.0, TrackClass("street_flush")): (75.05, 75.09),
    (50.0, TrackClass("green_low")): (71.04, 71.10),
    (50.0, TrackClass("green_high")): (67.61, 67.75),
}


@pytest.mark.parametrize("case", TRAMS, ids=str)
def test_trams(case: tuple[float, TrackClass]) -> None:
    speed, track = case
    found = power([(VehicleClass(21, n_axles=8), 12)], speed, track)
    assert (total(found, 0.0), total(found)) == pytest.approx(TRAMS[case], abs=HALF_DIGIT)


def test_octaves_of_trams_and_metros() -> None:
    found = power([(VehicleClass(21, n_axles=8), 12)], 50.0)
    np.testing.assert_allclose(found[0.0], [42.8, 51.8, 58.3, 65.3, 68.8, 65.3, 60.3, 50.8], atol=0.0501)
    assert total(power([(VehicleClass(23, n_axles=8), 12)], 70.0)) == pytest.approx(69.65, abs=HALF_DIGIT)


@pytest.mark.parametrize(
    ("receiver", "top", "freight", "emu"),
    [
        ((25.0, 3.5), 0.0, 61.95, 52.00),
        ((25.0, 3.5), 2.0, 51.46, 40.65),
        ((25.0, 3.5), 3.0, 49.80, 38.84),
        ((50.0, 5.8), 0.0, 57.69, 47.70),
        ((50.0, 5.8), 2.0, 47.95, 37.17),
        ((50.0, 5.8), 3.0, 46.19, 35.28),
    ],
)
def test_trains_beside_an_endless_line(receiver: tuple[float, float], top: float, freight: float, emu: float) -> None:
    """Screens 3.8 m from the track; rails on the ground."""
    where = flat_scene(screens=[[3.8, -2500, 3.8, 2500, top]] if top else [])
    assert line_level(where, receiver, power(FREIGHT, 100.0)) == pytest.approx(freight, abs=0.011)
    assert line_level(where, receiver, power([(EMU, 1)], 140.0)) == pytest.approx(emu, abs=0.011)


@pytest.mark.parametrize(("rail_z", "expected"), [(0.0, -19.63), (0.3, -19.11), (0.6, -18.75), (1.0, -18.56)])
def test_level_at_25_m_less_the_power(rail_z: float, expected: float) -> None:
    """3.5 m above the rails, whose height above the ground varies; the regulation's note says about -19 dB."""
    train = power(FREIGHT, 100.0)
    found = line_level(flat_scene(), (25.0, 3.5 + rail_z), train, rail_z) - total(train)
    assert found == pytest.approx(expected, abs=0.011)


@pytest.mark.parametrize(
    ("track", "top", "day", "night"),
    [
        (TrackClass(), 0.0, 59.46, 62.75),
        (MONITORED, 0.0, 55.71, 59.01),
        (MEASURES["rail dampers"], 0.0, 57.05, 60.30),
        (MEASURES["bueG + rail dampers"], 0.0, 53.58, 56.80),
        (TrackClass(), 2.0, 49.46, 52.95),
        (TrackClass(), 3.0, 47.66, 51.18),
    ],
)
def test_levels_of_day_and_night(track: TrackClass, top: float, day: float, night: float) -> None:
    """80 EMU and 16 freight trains by day (16 h), 16 and 24 by night (8 h); 50 m, 5.8 m above the rails."""
    where = flat_scene(screens=[[3.8, -2500, 3.8, 2500, top]] if top else [])
    one = line_level(where, (50.0, 5.8), power([(EMU, 1)], 140.0, track))
    other = line_level(where, (50.0, 5.8), power(FREIGHT, 100.0, track))
    for n_emu, n_freight, expected in ((5, 1, day), (2, 3, night)):
        level = 10 * np.log10(n_emu * 10 ** (one / 10) + n_freight * 10 ** (other / 10))
        assert level == pytest.approx(expected, abs=0.011)

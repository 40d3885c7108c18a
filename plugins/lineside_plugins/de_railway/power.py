"""Sound power of vehicles on a line, as plain functions.

References
----------
.. [1] 16. BImSchV (Verkehrslärmschutzverordnung), Annex 2, No. 3.2 (Gl. 1, 2), No. 4 (railways) and No. 5 (trams).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db, to_energy
from lineside.errors import OutOfRangeError
from lineside_plugins.de_railway.tables import (
    SYSTEMS,
    TANK,
    PartialSource,
    addition_db,
    brakes,
    correction_db,
    is_tram,
    known_words,
    one_of,
    row_db,
    sheet,
    speed_factor,
    table,
)

V_0_KM_H = 100.0
TANK_SHARE = 0.2  # of the wagons, where the project knows no better; Table 5
DOWNHILL_DB = 3.0  # Table 5, rows 1 and 2
TRAM_CURVE_M, TRAM_CURVE_DB = 200.0, 4.0  # No. 5.3.2
STATION_KM_H = 70.0  # No. 4.3
TRAM_KM_H, SLOW_TRAM_KM_H = 50.0, 30.0  # No. 5.3.2
FOOT_CROSSING_ROW = 6  # of Table 7, note 3
RailMeasure = Literal["none", "dampers", "shields"]
#: Partial sources that corrections for bridges, curves and downhill tracks act on.
ROLLING_AT_RAIL = (1, 2)


@dataclass(frozen=True)
class VehicleClass:
    """One vehicle unit in the words of the regulation.

    ``brake``: see :func:`..tables.brakes`; may be left out where there is only one. ``n_axles``: None takes the
    reference number. ``tank_share``: share of tank wagons among vehicles of category 10. ``system``: power supply of
    category 3 (one, two or three systems). ``addition``: ``thalys_pbka``, ``etr_470`` or ``air_conditioned``.
    """

    category: int
    brake: str = ""
    n_axles: float | None = None
    tank_share: float = 0.0
    system: Literal[1, 2, 3] = 1
    addition: str = ""


@dataclass(frozen=True)
class TrackClass:
    """A homogeneous section of track in the words of the regulation.

    ``track_type``: ``ballast``, ``slab``, ``level_crossing``; railways also ``slab_with_absorber`` and
    ``foot_crossing`` (Table 7, row 6 only); trams also ``street_flush``, ``green_low``, ``green_high``. ``bridge``: see
    :func:`bridges`; empty off bridges. ``squeal_prevented``: friction modifiers (railways) or another effective measure
    (trams) prevent curve squeal permanently. ``downhill``: the downhill track of a gradient of 20 per mille or more
    over 500 m or more, for vehicles of freight trains.
    """

    track_type: str = "ballast"
    specially_monitored: bool = False
    rail_measure: RailMeasure = "none"
    bridge: str = ""
    bridge_measure: bool = False
    curve_radius_m: float = np.inf
    squeal_prevented: bool = False
    downhill: bool = False


BALLAST = TrackClass()


def line_power(
    vehicle: VehicleClass, speed_km_h: float, track: TrackClass = BALLAST, units_per_hour: float = 1.0
) -> dict[float, Array]:
    """Length-related sound power of vehicle units by source height; Gl. 1 and 2 of [1]_.

    Parameters
    ----------
    vehicle : VehicleClass
    speed_km_h : float
        v_Fz, by the rules of :func:`railway_speed_km_h` and :func:`tram_speed_km_h`. [km/h]
    track : TrackClass
    units_per_hour : float
        n_Fz.

    Returns
    -------
    dict
        Height above the rail head [m] -> A-weighted octaves 63 Hz to 8 kHz, (8,). [dB re 1 pW/m]

    Raises
    ------
    OutOfRangeError
        If the regulation has no value for the vehicle, the track or the speed.

    Examples
    --------
    >>> emu = VehicleClass(category=5, brake="wheel_disc", n_axles=10)
    >>> [round(float(v), 1) for v in line_power(emu, 100.0)[0.0]]
    [29.2, 37.3, 49.1, 61.6, 66.4, 63.6, 58.4, 40.8]
    """
    energy: dict[float, Array] = {}
    for source, level in partial_sources(vehicle, speed_km_h, track):
        energy[source.height_m] = energy.get(source.height_m, np.zeros(8)) + units_per_hour * to_energy(level)
    return {height: to_db(energy[height]) for height in sorted(energy)}


def partial_sources(
    vehicle: VehicleClass, speed_km_h: float, track: TrackClass = BALLAST
) -> list[tuple[PartialSource, Array]]:
    """Partial sources of one vehicle unit per hour with their levels by Gl. 1, (8,) each. [dB re 1 pW/m]"""
    if not (np.isfinite(speed_km_h) and speed_km_h > 0.0):
        raise OutOfRangeError(f"speed {speed_km_h:g} km/h: must be above 0")
    _check(vehicle, track)
    found = []
    for source in sheet(vehicle.category):
        share = _share(vehicle, source)
        if share > 0.0:
            level = source.level_db + 10.0 * np.log10(share) + _corrections_db(vehicle, track, source)
            level = level + speed_factor(vehicle.category, source.m) * np.log10(speed_km_h / V_0_KM_H)
            if vehicle.addition:
                level = level + addition_db(vehicle.category, vehicle.addition, source.m)
            found.append((source, level))
    return found


def railway_speed_km_h(permitted_km_h: float, station: bool = False) -> float:
    """v_Fz of railways: permitted speed of vehicle or line, in stations and at stops at least 70 km/h; No. 4.3 of [1]_.

    >>> railway_speed_km_h(40.0), railway_speed_km_h(40.0, station=True)
    (40.0, 70.0)
    """
    return max(permitted_km_h, STATION_KM_H) if station else permitted_km_h


def tram_speed_km_h(permitted_km_h: float, curve_radius_m: float = np.inf, slow: bool = False) -> float:
    """v_Fz of trams and metros: at least 50 km/h, or 30 km/h; No. 5.3.2 of [1]_.

    ``slow``: the line is permanently passed at 30 km/h or less, and there are no turnouts, stops or crossings; then
    30 km/h hold where the radius is above 200 m.

    >>> tram_speed_km_h(25.0), tram_speed_km_h(25.0, slow=True), tram_speed_km_h(25.0, 150.0, slow=True)
    (50.0, 30.0, 50.0)
    """
    if slow and permitted_km_h <= SLOW_TRAM_KM_H and curve_radius_m > TRAM_CURVE_M:
        return SLOW_TRAM_KM_H
    return max(permitted_km_h, TRAM_KM_H)


def _check(vehicle: VehicleClass, track: TrackClass) -> None:
    """Refuse what the regulation does not know."""
    tram = is_tram(vehicle.category)
    known = brakes(vehicle.category)
    if vehicle.brake not in known and (vehicle.brake or len(known) > 1):
        raise OutOfRangeError(one_of(f"brakes of category {vehicle.category}", vehicle.brake, known))
    if not 0.0 <= vehicle.tank_share <= 1.0 or (vehicle.tank_share and not _tank_rows(vehicle)):
        raise OutOfRangeError(
            f"share of tank wagons {vehicle.tank_share:g}: 0 to 1, and only for category 10 with one of "
            f"{', '.join(dict.fromkeys(s.variant.removeprefix(TANK) for s in sheet(10) if s.variant.startswith(TANK)))}"
        )
    if vehicle.n_axles is not None and not vehicle.n_axles > 0:
        raise OutOfRangeError(f"{vehicle.n_axles:g} axles: must be above 0")
    if vehicle.addition:
        addition_db(vehicle.category, vehicle.addition, 1)
    types = track_types(tram)
    if track.track_type not in types:
        raise OutOfRangeError(one_of(f"track types of {'trams' if tram else 'railways'}", track.track_type, types))
    if track.bridge and track.bridge not in bridges(tram):
        raise OutOfRangeError(one_of(f"bridges of {'trams' if tram else 'railways'}", track.bridge, bridges(tram)))
    if track.bridge_measure and not _bridge_db(track, tram)[1]:
        raise OutOfRangeError(f"the regulation has no value for a measure at bridge {track.bridge or 'none'!r}")
    if track.rail_measure not in get_args(RailMeasure):
        raise OutOfRangeError(one_of("measures at the rail", track.rail_measure, get_args(RailMeasure)))
    if tram and (track.specially_monitored or track.rail_measure != "none"):
        raise OutOfRangeError(
            "trams: specially monitored track, dampers and shields have no values in the regulation (No. 9.1.6)"
        )
    if not track.curve_radius_m > 0.0:
        raise OutOfRangeError(f"curve radius {track.curve_radius_m:g} m: must be above 0")


def track_types(tram: bool) -> tuple[str, ...]:
    """Names of track types."""
    if tram:
        return ("ballast", "slab", "level_crossing", *known_words("track_types", "track_type", "tram"))
    return ("ballast", *known_words("track_types", "track_type", "rail"), "foot_crossing")


def bridges(tram: bool) -> tuple[str, ...]:
    """Names of bridges, Tables 9 and 16."""
    return known_words("bridges", "bridge", "tram" if tram else "rail")


def _tank_rows(vehicle: VehicleClass) -> bool:
    return any(s.variant == TANK + vehicle.brake for s in sheet(vehicle.category))


def _share(vehicle: VehicleClass, source: PartialSource) -> float:
    """n_Q/n_Q,0 of a line of the data sheet; 0 where the line is for other vehicles."""
    axles = (vehicle.n_axles or source.n_axles_0) / source.n_axles_0 if source.by_axles else 1.0
    if source.variant.startswith(TANK):
        return axles * vehicle.tank_share if source.variant == TANK + vehicle.brake else 0.0
    if source.variant in SYSTEMS:
        return float(source.variant == SYSTEMS[vehicle.system - 1])
    if source.variant and vehicle.brake and source.variant != vehicle.brake:
        return 0.0
    return axles


def _corrections_db(vehicle: VehicleClass, track: TrackClass, source: PartialSource) -> Array:
    """Sum of c1, c2 and K of Gl. 1, (8,). [dB]"""
    tram, m = is_tram(vehicle.category), source.m
    total = _track_type_db(track, tram, m)
    if not tram:
        words = ["specially_monitored"] * track.specially_monitored + [track.rail_measure]
        total = total + correction_db("rail_condition", "c2", "measure", words, m)
    if m in ROLLING_AT_RAIL:
        k_br, k_lm = _bridge_db(track, tram)
        total = total + k_br + k_lm * track.bridge_measure + curve_db(track, tram)
        if track.downhill and vehicle.brake == "cast_iron_block" and vehicle.category in (7, 8, 10):
            total = total + DOWNHILL_DB
    return total


def _track_type_db(track: TrackClass, tram: bool, m: int) -> Array:
    """c1; on bridges rows 1 to 4 of Table 7 and all of Table 15 are left out (No. 4.6, 5.5)."""
    name = track.track_type
    if track.bridge and (tram or name in ("slab", "slab_with_absorber")):
        return np.zeros(8)
    if tram:
        name = "street_flush" if name in ("slab", "level_crossing") else name
        return correction_db("track_types", "c1", "track_type", [name], m, "tram")
    if name == "foot_crossing":
        return row_db("track_types", "c1", FOOT_CROSSING_ROW, m, "rail")
    return correction_db("track_types", "c1", "track_type", [name], m, "rail")


def _bridge_db(track: TrackClass, tram: bool) -> tuple[float, float]:
    """K_Br and K_LM of Tables 9 and 16; 0 off bridges. [dB]"""
    rows = table("bridges")
    for i, (system, name) in enumerate(zip(rows.text["system"], rows.text["bridge"], strict=True)):
        if name == track.bridge and system == ("tram" if tram else "rail"):
            return float(rows["k_br_db"][i]), float(rows["k_lm_db"][i])
    return 0.0, 0.0


def curve_db(track: TrackClass, tram: bool) -> float:
    """K_L, with K_LA where squeal is prevented; Table 11, No. 5.3.2. [dB]"""
    radius = track.curve_radius_m
    if tram:
        return TRAM_CURVE_DB if radius < TRAM_CURVE_M and not track.squeal_prevented else 0.0
    rows = table("curves")
    i = min(int(np.searchsorted(rows["radius_below_m"], radius, side="right")), len(rows["row"]) - 1)
    return float(rows["k_l_db"][i] + (rows["k_la_db"][i] if track.squeal_prevented else 0.0))

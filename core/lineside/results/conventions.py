"""What makes ``results.nc`` readable by programs that know the CF conventions: places, times, the coordinate system.

Names of attributes follow CF 1.11. Units of levels name their reference, which no unit of UDUNITS does; the file says
so in ``comment``.
"""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from lineside.results.features import epsg_code
from lineside.results.model import Results, Timeline

CONVENTIONS = "CF-1.11"
COMMENT = (
    "Attributes follow the CF conventions; units of levels name their reference quantity and are not known to UDUNITS. "
    "A level of -inf is silence."
)
EPOCH = dt.date(1970, 1, 1)
#: Variables of places on the map and their standard names.
AXES = {"x": ("projection_x_coordinate", "X"), "y": ("projection_y_coordinate", "Y")}
MAP = "crs"


def add_conventions(file: Any, results: Results) -> None:
    """Add attributes, places of receivers, levels in time and the coordinate system to an open netCDF file."""
    identity = results.project["identity"]
    file.Conventions = CONVENTIONS
    file.institution = str(identity.get("author") or "")
    file.references = results.provenance.method_title
    file.comment = COMMENT
    file.situation = results.situation.label
    file.date = str(identity["date"])
    _coordinate_system(file, results)
    _receivers(file, results)
    if "facade_receiver" in file.dimensions:
        _placed(file, "facade_receiver", "facade_")
    for name, (standard, axis) in AXES.items():
        if name in file.variables:
            file[name].setncatts({"standard_name": standard, "axis": axis})
    for name, variable in file.variables.items():
        if name.startswith("map_"):
            variable.grid_mapping = MAP
    if results.timeline is not None:
        _in_time(file, results.timeline)


def _coordinate_system(file: Any, results: Results) -> None:
    variable = file.createVariable(MAP, "i4", ())
    variable[:] = 0
    variable.long_name = results.site.coordinate_system
    code = epsg_code(results)
    if code is not None:
        from pyproj import CRS

        variable.crs_wkt = CRS.from_epsg(code).to_wkt()


def _receivers(file: Any, results: Results) -> None:
    """Places and levels of listed receivers, in the order of the axis ``receiver``."""
    by_id = {r.id: r for r in results.receivers}
    found = [by_id[str(name)] for name in file["receiver"][:]]
    for name, values, meaning in (
        ("receiver_x", [r.x for r in found], "Coordinate x"),
        ("receiver_y", [r.y for r in found], "Coordinate y"),
        ("receiver_z", [r.z for r in found], "Coordinate z"),
        ("receiver_height", [r.height_m for r in found], "Height above the ground"),
    ):
        put(file, name, ("receiver",), np.array(values), "m", meaning)
    put(file, "lden_db", ("receiver",), _levels([r.lden_db for r in found]), "dB re 20 uPa", "A-weighted Lden")
    periods = [[r.period_db.get(p) for p in file["period"][:]] for r in found]
    heard = np.array([_levels(row) for row in periods])
    put(file, "laeq_db", ("receiver", "period"), heard, "dB re 20 uPa", "A-weighted level of the period")
    _placed(file, "receiver", "receiver_")


def _placed(file: Any, axis: str, prefix: str) -> None:
    """Say which variables hold the places of an axis, and which of its variables they belong to."""
    for name, (standard, _) in AXES.items():
        file[f"{prefix}{name}"].standard_name = standard
    file[f"{prefix}z"].positive = "up"
    for name, variable in file.variables.items():
        if axis in variable.dimensions and name != axis and not name.startswith(("receiver_", "facade_building")):
            if name in (f"{prefix}x", f"{prefix}y", f"{prefix}z"):
                continue
            variable.coordinates = f"{prefix}x {prefix}y {prefix}z"
            variable.grid_mapping = MAP


def _in_time(file: Any, timeline: Timeline) -> None:
    """Levels at each date of the time line, low, likely and high."""
    file.createDimension("time", len(timeline.dates))
    days = [(dt.date.fromisoformat(date) - EPOCH).days for date in timeline.dates]
    variable = file.createVariable("time", "i4", ("time",))
    variable[:] = days
    attributes = {"standard_name": "time", "axis": "T", "units": f"days since {EPOCH}", "calendar": "standard"}
    variable.setncatts({"long_name": "Date", **attributes})
    file.createDimension("case", len(timeline.cases))
    put(file, "case", ("case",), np.array(timeline.cases, dtype=object), "", "Case of the rail state")
    by_id = {r.receiver: r for r in timeline.receivers}
    names = [str(name) for name in file["receiver"][:]]
    quantities = next(iter(by_id.values())).levels_db if by_id else {}
    silent: list[float | None] = [None] * len(timeline.dates)
    for quantity in quantities:
        values = np.array(
            [
                [_levels(by_id[n].levels_db[quantity][c] if n in by_id else silent) for c in timeline.cases]
                for n in names
            ]
        )
        name = f"timeline_{quantity}_db"
        put(file, name, ("receiver", "case", "time"), values, "dB re 20 uPa", f"A-weighted level, {quantity}")
        file[name].coordinates = "receiver_x receiver_y receiver_z"


def _levels(values: list[float | None]) -> np.ndarray:
    return np.array([-np.inf if v is None else v for v in values], dtype=np.float64)


def put(file: Any, name: str, dims: tuple[str, ...], values: np.ndarray, unit: str, meaning: str) -> None:
    """Add a variable of numbers or text."""
    text = values.dtype == object
    variable = file.createVariable(name, str if text else "f8", dims, **({} if text else {"zlib": True}))
    variable[:] = values
    variable.long_name = meaning
    if unit:
        variable.units = unit

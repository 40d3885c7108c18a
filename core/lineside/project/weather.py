"""From a table of rain and humidity to shares of time with dry, damp and wet rails.

The rule is an assumption of ours, with its parameters in the project file.
"""

from __future__ import annotations

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem
from lineside.project.conditions import WeatherTable
from lineside.project.problems import Loc
from lineside.project.resolve import Resolver
from lineside.project.tabular import Columns
from lineside.project.types import PERIODS
from lineside.project.wording import did_you_mean, names, number, shown
from lineside.scene.model import IntArray

MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
_PATH: Loc = ("conditions", "rail", "weather_table")
_N_ROWS = len(MONTHS) * len(PERIODS)


def rail_shares(
    rain_hours: Array, humidity_pct: Array, hours: Array, drying_ratio: float, damp_from_pct: float
) -> Array:
    """Shares of time with dry, damp and wet rails.

    Parameters
    ----------
    rain_hours : ndarray, (12, n_periods)
        Mean hours of rain in a period of an average day. [h]
    humidity_pct : ndarray, (12, n_periods)
        Mean relative humidity while it does not rain. [%]
    hours : ndarray, (n_periods,)
        Length of the periods. [h]
    drying_ratio : float
        Time for which rails stay wet after rain, per time of rain.
    damp_from_pct : float
        Humidity from which rails are damp at times; at 100 % they always are. [%]

    Returns
    -------
    share : ndarray, (3, 12, n_periods)
        In the order of ``RAIL_CONDITIONS``; sums to 1 over the first axis.

    Notes
    -----
    wet = rain_hours (1 + drying_ratio) / hours, at most 1; of the rest, the part
    (humidity_pct - damp_from_pct) / (100 - damp_from_pct), 0 to 1, is damp.
    """
    wet = np.minimum(rain_hours * (1.0 + drying_ratio) / hours, 1.0)
    ramp = np.clip((humidity_pct - damp_from_pct) / (100.0 - damp_from_pct), 0.0, 1.0)
    return np.stack([(1.0 - wet) * (1.0 - ramp), (1.0 - wet) * ramp, wet])


def read_weather(resolver: Resolver, given: WeatherTable) -> tuple[Array, Array] | None:
    """Hours of rain and relative humidity, each (12, n_periods); None, with the reasons reported, if they cannot be."""
    columns = resolver.columns((*_PATH, "file"), given.file, ("month", "period", "rain_hours", "humidity_pct"))
    if columns is None:
        return None
    month = resolver.numbers(columns, "month", 1, 12)
    rain = resolver.numbers(columns, "rain_hours", 0, 24)
    humidity = resolver.numbers(columns, "humidity_pct", 0, 100)
    cells = _cells(resolver, columns, month)
    if cells is None or rain is None or humidity is None:
        return None
    if not _lengths_fit(resolver, columns, cells, rain) or not _humid(resolver, columns, humidity):
        return None
    table = np.empty((2, len(MONTHS), len(PERIODS)))
    table[0][tuple(cells.T)], table[1][tuple(cells.T)] = rain, humidity
    return table[0], table[1]


def _cells(resolver: Resolver, columns: Columns, month: Array | None) -> IntArray | None:
    """Indices of month and period of each row, (36, 2); None, reported, unless each stands once."""
    report, ok = resolver.reporter, month is not None
    found: dict[tuple[int, int], int] = {}
    cells = np.zeros((len(columns.lines), 2), dtype=np.int64)
    n_faults = 0
    for k, period in enumerate(columns.text["period"]):
        line = columns.lines[k]
        if period not in PERIODS:
            n_faults += 1
            if n_faults <= 10:
                report.put(
                    Problem(
                        "column period has no such period",
                        columns.file,
                        line,
                        found=shown(period),
                        allowed=names(PERIODS),
                        hint=did_you_mean(period, PERIODS),
                    )
                )
            continue
        if month is None:
            continue
        if month[k] % 1:
            ok = False
            report.put(
                Problem(
                    "column month is no whole number", columns.file, line, found=number(month[k]), allowed="1 to 12"
                )
            )
            continue
        cells[k] = int(month[k]) - 1, PERIODS.index(period)
        key = (int(cells[k, 0]), int(cells[k, 1]))
        if found.setdefault(key, k) != k:
            ok = False
            what = f"{MONTHS[key[0]]} has two rows for the {period}"
            report.put(Problem(what, columns.file, line, hint=f"the first stands in line {columns.lines[found[key]]}"))
    ok = ok and not n_faults
    if ok and len(found) < _N_ROWS:
        missing = [
            f"{name} {period}"
            for m, name in enumerate(MONTHS)
            for p, period in enumerate(PERIODS)
            if (m, p) not in found
        ]
        more = f" and {len(missing) - 6} more" if len(missing) > 6 else ""
        report.put(
            Problem(
                f"has no row for {', '.join(missing[:6])}{more}",
                columns.file,
                allowed=f"{_N_ROWS} rows: each month with {', '.join(PERIODS)}",
            )
        )
        ok = False
    return cells if ok else None


def _lengths_fit(resolver: Resolver, columns: Columns, cells: IntArray, rain: Array) -> bool:
    """Whether it rains no longer than a period lasts: reported."""
    draft = resolver.draft
    if draft.site is None or draft.faulty("site", "periods"):
        return True
    hours = np.array(draft.site.periods.n_hours(), dtype=np.float64)
    too_long = np.flatnonzero(rain > hours[cells[:, 1]])
    for k in too_long[:10]:
        period = PERIODS[cells[k, 1]]
        resolver.reporter.put(
            Problem(
                f"column rain_hours: more rain than the {period} has hours",
                columns.file,
                columns.lines[k],
                found=number(rain[k]),
                allowed=f"0 to {number(hours[cells[k, 1]])}: mean hours of rain in that period of an average day",
                hint="hours of a whole month? divide by its days",
            )
        )
    return not too_long.size


def _humid(resolver: Resolver, columns: Columns, humidity: Array) -> bool:
    """Whether there is a humidity above 0 everywhere: reported."""
    none = np.flatnonzero(humidity <= 0)
    for k in none[:1]:
        resolver.reporter.put(
            Problem("column humidity_pct: air is never that dry", columns.file, columns.lines[k], found="0")
        )
    if not none.size and humidity.max() <= 1:
        resolver.reporter.put(
            Problem(
                "column humidity_pct is implausibly dry for outdoor air",
                columns.file,
                columns.lines[0],
                found=number(humidity[0]),
                hint="write percent: 75, not 0.75",
                severity="warning",
            )
        )
    return not none.size

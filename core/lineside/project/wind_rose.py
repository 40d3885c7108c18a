"""Reading the wind rose of a project, and the share of favourable propagation of every kind."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import Problem
from lineside.project.model import FavourableOneValue, FavourableWindRose, Site
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved, Resolver
from lineside.project.types import PERIODS
from lineside.project.wording import number
from lineside.scene.model import FavourableShare
from lineside.scene.wind_rose import WindRose

#: Shares of a table are rounded, and there are many of them.
SUM_TOLERANCE = 0.01
#: Middles of sectors are mostly printed as whole degrees. [deg]
_MIDDLE_TOLERANCE_DEG = 1.0
_DIRECTIONS = (4, 72)
_MAX_ROWS = 2000
_PATH: Loc = ("site", "favourable")


def favourable_share(site: Site, rose: WindRose | None) -> FavourableShare:
    """Share of time with favourable propagation, by whatever kind the site gives it; ``rose`` for a wind rose."""
    entry = site.favourable
    if isinstance(entry, FavourableWindRose):
        assert rose is not None
        return rose.favourable(entry.threshold_m_s, np.array([getattr(entry.inversion_share, p) for p in PERIODS]))
    if isinstance(entry, FavourableOneValue):
        share = np.array([[getattr(entry, name)] for name in PERIODS])
        return FavourableShare(sector_from_deg=np.zeros(1), share=share)
    return FavourableShare(
        sector_from_deg=np.array([s.from_deg for s in entry.sectors]),
        share=np.array([[getattr(s, name) for s in entry.sectors] for name in PERIODS]),
    )


def resolve_wind_rose(resolver: Resolver, result: Resolved) -> None:
    """Read the wind rose of the draft, if it has one, into ``result``; report what is wrong with it."""
    site = resolver.draft.site
    if site is None or not isinstance(site.favourable, FavourableWindRose):
        return
    given = site.favourable
    table = _Table.of_rows(resolver, given) if given.file is None else _Table.of_file(resolver, given, given.file)
    if table is None:
        return
    total = _total(table, given)
    sectors = table.sectors()
    if total is None or sectors is None or table.has_doubles():
        return
    middle, width = sectors
    calm = np.array([getattr(given.calm, p) for p in PERIODS])
    speed = np.where(np.isnan(table.speed_m_s), given.assumed_speed_m_s, table.speed_m_s)
    assumed = bool(np.isnan(table.speed_m_s).any())
    result.wind_rose = WindRose(middle, width, speed, table.share / total[:, None], calm / total, assumed)
    _check_effect(resolver, given, result.wind_rose)


@dataclass(frozen=True, eq=False)
class _Table:
    """Rows of a rose with the way back to where each one is written; speed nan: not given."""

    resolver: Resolver
    from_deg: Array
    speed_m_s: Array
    share: Array
    path: Loc
    file: str | None = None
    lines: Sequence[int] = ()

    @classmethod
    def of_rows(cls, resolver: Resolver, given: FavourableWindRose) -> _Table:
        rows = given.rows or ()
        speed = [np.nan if row.speed_m_s is None else row.speed_m_s for row in rows]
        share = [[getattr(row, p) for row in rows] for p in PERIODS]
        direction = np.array([row.wind_from_deg for row in rows])
        return cls(resolver, direction, np.array(speed), np.array(share), (*_PATH, "rows"))

    @classmethod
    def of_file(cls, resolver: Resolver, given: FavourableWindRose, file: str) -> _Table | None:
        path = (*_PATH, "file")
        columns = resolver.columns(path, file, ("wind_from_deg", *PERIODS), ("speed_m_s",))
        if columns is None:
            return None
        if len(columns.lines) > _MAX_ROWS:
            resolver.reporter.put(Problem("has too many rows for a wind rose", file, allowed=f"up to {_MAX_ROWS} rows"))
            return None
        direction = resolver.numbers(columns, "wind_from_deg", 0, 360)
        speed: Array | None = np.full(len(columns.lines), np.nan)
        if "speed_m_s" in columns:
            speed = resolver.numbers(columns, "speed_m_s", 0, 60)
        # up to 100: percent get words of their own
        found = [resolver.numbers(columns, p, 0, 100) for p in PERIODS]
        share = [column for column in found if column is not None]
        if direction is None or speed is None or len(share) < len(PERIODS):
            return None
        return cls(resolver, direction, speed, np.array(share), path, file, columns.lines)

    def report(self, message: str, k: int | None = None, **more: str) -> None:
        """Report a problem with row ``k``, or with the whole table."""
        if self.file is None:
            self.resolver.reporter.add(self.path if k is None else (*self.path, k), message, found="", **more)  # type: ignore[arg-type]
        else:
            line = None if k is None else self.lines[k]
            self.resolver.reporter.put(Problem(message, self.file, line, **more))  # type: ignore[arg-type]

    def sectors(self) -> tuple[Array, float] | None:
        """Middles of the sectors, made exactly even, and their width; None, reported, if they are not even."""
        direction = np.round(np.mod(self.from_deg, 360.0), 6)
        distinct, index = np.unique(direction, return_inverse=True)
        n = distinct.size
        low, high = _DIRECTIONS
        allowed = f"{low} to {high} directions, evenly spaced all round"
        if not low <= n <= high:
            self.report(f"has {n} directions of the wind", allowed=allowed)
            return None
        step = 360.0 / n
        offset = float(np.mean(distinct - step * np.arange(n)))
        even = offset + step * np.arange(n)
        off = np.abs(distinct - even)
        if off.max() > _MIDDLE_TOLERANCE_DEG:
            gaps = np.diff(distinct, append=distinct[0] + 360.0)
            widest = int(np.argmax(gaps))
            ends = [number(float(distinct[k % n])) for k in (widest, widest + 1)]
            self.report(
                f"the directions of the wind are not evenly spaced: between {ends[0]} and {ends[1]} degrees is none",
                allowed=allowed,
                hint="write the middle of each sector; a direction without wind has the share 0",
            )
            return None
        return np.asarray(even[index], dtype=np.float64), step

    def has_doubles(self) -> bool:
        """Whether a direction has a speed twice: reported."""
        seen: dict[tuple[float, float], int] = {}
        doubled = False
        for k, direction in enumerate(np.round(np.mod(self.from_deg, 360.0), 6)):
            key = (float(direction), -1.0 if np.isnan(self.speed_m_s[k]) else float(self.speed_m_s[k]))
            if seen.setdefault(key, k) == k:
                continue
            doubled = True
            speed = "" if key[1] < 0 else f" at {number(key[1])} m/s"
            turned = self.from_deg[seen[key]] != self.from_deg[k]
            hint = "0 and 360 degrees are the same direction" if turned else "give each class of speed its own"
            self.report(f"the wind from {number(key[0])} degrees{speed} stands twice", k, hint=hint)
        return doubled


def _total(table: _Table, given: FavourableWindRose) -> Array | None:
    """Sums of the shares by period (n_periods,); None, reported, if one is not 1."""
    total = table.share.sum(axis=1) + [getattr(given.calm, p) for p in PERIODS]
    wrong = [k for k in range(len(PERIODS)) if abs(total[k] - 1) > SUM_TOLERANCE]
    if wrong:
        words = ", ".join(f"{number(round(float(total[k]), 4))} for the {PERIODS[k]}" for k in wrong)
        percent = any(total[k] > 10 for k in wrong)
        table.report(
            f"the shares of time must add up to 1 in each period, calm included: they give {words}",
            allowed=f"1, to within {number(SUM_TOLERANCE)}",
            hint="are these percent? write shares from 0 to 1" if percent else "is the calm missing? write it as calm",
        )
        return None
    return np.asarray(total)


def _check_effect(resolver: Resolver, given: FavourableWindRose, rose: WindRose) -> None:
    report = resolver.reporter
    windy = rose.speed_m_s > given.threshold_m_s
    if not windy.any():
        report.warn(
            (*_PATH, "threshold_m_s"),
            f"no wind of the rose is above {number(given.threshold_m_s)} m/s: the wind is favourable in no direction",
            hint="check the speeds; they are in m/s",
        )
    for p, period in enumerate(PERIODS):
        still = rose.calm[p] + rose.share[p, ~windy].sum()
        if getattr(given.inversion_share, period) > 0 and still == 0:
            report.warn(
                (*_PATH, "inversion_share", period),
                "has no effect, as the rose has no calm in this period",
                hint="give the share of calm, or classes of speed",
            )

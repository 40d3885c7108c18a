"""The data sheets and tables of the regulation, and how words lead to them.

References
----------
.. [1] 16. BImSchV (Verkehrslärmschutzverordnung), Annex 2, Supplements 1 and 2 (Beiblatt 1, 2), Tables 6 to 9, 11 and
   14 to 16; wording including the regulation of 4 November 2020 (BGBl. I p. 2334).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches
from functools import cache

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Citation, DataFile
from lineside.errors import OutOfRangeError
from lineside.tables import Table, load_table

PACKAGE = "lineside_plugins.de_railway"
TABLES = (
    "vehicles_rail",
    "vehicles_tram",
    "additions",
    "speed_factors",
    "track_types",
    "rail_condition",
    "bridges",
    "curves",
)
BANDS = (63, 125, 250, 500, 1000, 2000, 4000, 8000)
RAIL_CATEGORIES = range(1, 11)
TRAM_CATEGORIES = range(21, 24)
SYSTEMS = ("one_system_version", "two_system_version", "three_system_version")  # category 3, m = 6
TANK = "tank_wagon_"  # how the rolling noise radiated by tank wagons is marked in Supplement 1
SOURCE = Citation(
    "16_bimschv_annex_2",
    "16. BImSchV (Verkehrslärmschutzverordnung), Annex 2: calculation of the rating level for railways",
    "Federal Republic of Germany",
    2020,
    "No. 3 to 5, Supplements 1 and 2; wording including BGBl. I 2020 p. 2334",
)


@dataclass(frozen=True, eq=False)
class PartialSource:
    """One line of a data sheet: the sound of one vehicle unit per hour at 100 km/h from one kind of source."""

    m: int
    height_m: float
    kind: str  # rolling, driving, aerodynamic, aggregate, drive
    variant: str
    n_axles_0: float
    level_db: Array  # a_A + delta a, (8,) [dB re 1 pW/m, A-weighted]

    @property
    def by_axles(self) -> bool:
        """Whether the power grows with the number of axles (rolling and driving noise)."""
        return self.kind in ("rolling", "driving")


def table(name: str) -> Table:
    return load_table(PACKAGE, name)


def data_files() -> tuple[DataFile, ...]:
    return tuple(table(name).data_file for name in TABLES)


def is_tram(category: int) -> bool:
    """Whether a category follows the rules for trams and metros; raises for a number that is none."""
    if category not in RAIL_CATEGORIES and category not in TRAM_CATEGORIES:
        raise OutOfRangeError(f"vehicle category {category}: there are 1 to 10 (railways) and 21 to 23 (trams, metros)")
    return category in TRAM_CATEGORIES


def spectra(rows: Table, prefix: str, unit: str = "_db") -> Array:
    """The eight octave columns of a table, (n_rows, 8)."""
    return np.stack([rows[f"{prefix}_{band}{unit}"] for band in BANDS], axis=1)


@cache
def sheet(category: int) -> tuple[PartialSource, ...]:
    """All lines of the data sheet of a category."""
    tram = is_tram(category)
    rows = table("vehicles_tram" if tram else "vehicles_rail")
    level = spectra(rows, "delta_a") + rows["a_a_db"][:, np.newaxis]
    return tuple(
        PartialSource(
            int(rows["m"][i]),
            float(rows["height_m"][i]),
            rows.text["kind"][i],
            "" if tram else rows.text["variant"][i],
            float(rows["n_axles_0"][i]),
            level[i],
        )
        for i in np.flatnonzero(rows["category"] == category)
    )


def brakes(category: int) -> tuple[str, ...]:
    """Names of the brakes that a data sheet tells apart.

    >>> brakes(5), brakes(21)
    (('axle_disc', 'wheel_disc'), ())
    """
    found = [s.variant for s in sheet(category) if s.m in (1, 2) and s.variant]
    return tuple(dict.fromkeys(found))


def speed_factor(category: int, m: int) -> Array:
    """b of Tables 6 and 14, (8,)."""
    rows = table("speed_factors")
    for i, (categories, sources) in enumerate(zip(rows.text["categories"], rows.text["m"], strict=True)):
        if category in _numbers(categories) and m in _numbers(sources):
            return np.asarray(spectra(rows, "b", "")[i])
    raise OutOfRangeError(f"category {category} has no partial source m = {m}")


def addition_db(category: int, name: str, m: int) -> float:
    """Addition to a_A for certain vehicles; 0 without one. [dB]"""
    rows = table("additions")
    known = [n for n, c in zip(rows.text["name"], rows["category"], strict=True) if c == category]
    if name not in known:
        raise OutOfRangeError(one_of(f"additions of category {category}", name, known))
    hit = [
        float(rows["addition_db"][i])
        for i, (n, c) in enumerate(zip(rows.text["name"], rows["category"], strict=True))
        if n == name and c == category and m in _numbers(rows.text["m"][i])
    ]
    return sum(hit)


def correction_db(name: str, prefix: str, key: str, words: Iterable[str], m: int, system: str = "") -> Array:
    """Sum of the rows of a table whose column ``key`` is one of ``words`` and that act on partial source m, (8,)."""
    rows = table(name)
    chosen = set(words)
    total = np.zeros(len(BANDS))
    for i, word in enumerate(rows.text[key]):
        mine = not system or rows.text["system"][i] == system
        if mine and word in chosen and m in _numbers(rows.text["m"][i]):
            total += spectra(rows, prefix)[i]
    return total


def row_db(name: str, prefix: str, row: int, m: int, system: str) -> Array:
    """One row of a table, if it acts on partial source m, (8,)."""
    rows = table(name)
    (i,) = (k for k, r in enumerate(rows["row"]) if r == row and rows.text["system"][k] == system)
    return np.asarray(spectra(rows, prefix)[i] * (m in _numbers(rows.text["m"][i])))


def known_words(name: str, key: str, system: str = "") -> tuple[str, ...]:
    """Different words of a column, in order."""
    rows = table(name)
    words = rows.text[key]
    return tuple(dict.fromkeys(w for i, w in enumerate(words) if not system or rows.text["system"][i] == system))


def one_of(what: str, found: str, known: Iterable[str]) -> str:
    """Message for a word that is not known."""
    names = list(known)
    near = get_close_matches(found, names, 1)
    hint = f" Did you mean {near[0]}?" if near else ""
    return f"{what}: {found!r} is not known.{hint} There are: {', '.join(names) or 'none'}."


def _numbers(text: str) -> tuple[int, ...]:
    return tuple(int(part) for part in text.split(";"))

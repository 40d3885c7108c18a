"""Names of classes and options of calculators, in words: no identifier is printed as it stands in a file."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from lineside.report.strings import Strings
from lineside.report.text import NOTHING, number

#: Written together with a space that does not break.
NO_BREAK = "\u00a0"
#: Suffixes of names with their units.
UNITS = {
    "km_h": "km/h",
    "mn_m": "MN/m",
    "m_s2": "m/s²",
    "deg_c": "°C",
    "kn": "kN",
    "mm": "mm",
    "db": "dB",
    "deg": "°",
    "pct": "%",
    "m": "m",
    "s": "s",
}
#: Units inside the names of classes, as in ``load_50kn_wheel_920mm``.
_CLASS_UNITS = {"kn": "kN", "mm": "mm", "kw": "kW", "dba": "dBA", "km": "km"}
_NEXT_NUMBER = re.compile(rf"(\d{NO_BREAK}[A-Za-z]+) (?=[a-z]+ \d+{NO_BREAK})")
_WITH_UNIT = re.compile(r"(\d+)(" + "|".join(_CLASS_UNITS) + r")\b")


def class_name(value: Any, strings: Strings) -> str:
    """A tabulated class, or the spectrum that replaces it; a dash for none.

    >>> class_name("load_50kn_wheel_920mm", Strings()).replace(NO_BREAK, " ")
    'load 50 kN, wheel 920 mm'
    """
    if isinstance(value, Mapping) and "spectrum" in value:
        return strings("report.spectrum", id=value["spectrum"])
    if value in (None, "", "none"):
        return NOTHING
    text = str(value)
    if text.startswith("spectrum "):
        return strings("report.spectrum", id=text.removeprefix("spectrum "))
    own = strings.known("class", text)
    spaced = _WITH_UNIT.sub(lambda m: f"{m[1]}{NO_BREAK}{_CLASS_UNITS[m[2]]}", own)
    # a further property with its own number follows after a comma
    return _NEXT_NUMBER.sub(r"\1, ", spaced)


def in_words(value: Any, strings: Strings) -> str:
    """Any value of an options model in words.

    >>> in_words({"speed_floor": True, "min_distance_m": 1.0, "nested": {"a": [1, 2.5]}}, Strings())
    'speed floor: yes; smallest distance: 1\xa0m; nested: (a: 1, 2.5)'
    """
    if value is None or value == "" or value == [] or value == {}:
        return strings("report.not_set")
    if isinstance(value, bool):
        return strings("report.yes" if value else "report.no")
    if isinstance(value, int | float):
        return number(value)
    if isinstance(value, Mapping):
        return "; ".join(_entry(str(k), v, strings) for k, v in value.items())
    if isinstance(value, list | tuple):
        nested = any(isinstance(v, Mapping | list | tuple) for v in value)
        parts = [in_words(v, strings) for v in value]
        return "; ".join(f"({p})" for p in parts) if nested else ", ".join(parts)
    text = str(value)
    return text if " " in text else strings.known("choice", text)


def _entry(key: str, value: Any, strings: Strings) -> str:
    unit = next((u for u in UNITS if key.endswith(f"_{u}")), "")
    words = strings.known("option", key)
    if unit and words == key.replace("_", " "):
        words = key.removesuffix(f"_{unit}").replace("_", " ")
    text = in_words(value, strings)
    if isinstance(value, Mapping) and value:
        return f"{words}: ({text})"
    measured = unit and isinstance(value, int | float) and not isinstance(value, bool)
    return f"{words}: {text}{NO_BREAK}{UNITS[unit]}" if measured else f"{words}: {text}"

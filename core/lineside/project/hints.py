"""What to write instead: hints about common slips in one value."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date
from typing import Any

from lineside.project.wording import number, unit_of

_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")
_NUMBER = re.compile(r"[-+]?(?:\d+(?:\.\d*)?|\.\d+)")
_WITH_UNIT = re.compile(r"([-+]?(?:\d+(?:[.,]\d*)?|\.\d+))\s*([^\d\s.,+-].*)")
_GROUPED = re.compile(r"[-+]?\d{1,3}(?:[ '\u2019_\u00a0\u202f]\d{3})+(?:\.\d+)?")
_EPSG = re.compile(r"(?:urn:ogc:def:crs:)?EPSG:{1,2}\s*(\d{4,5})", re.IGNORECASE)
_CHAINAGE = re.compile(r"(\d+)\+(\d{3}(?:\.\d+)?)")
_TWO_NUMBERS = re.compile(rf"({_NUMBER.pattern})\s*[,;]?\s+({_NUMBER.pattern})(?:\s*[,;]?\s+({_NUMBER.pattern}))?")
_DAY_FIRST = re.compile(r"(\d{1,2})\.\s?(\d{1,2})\.\s?(\d{4})")
_YEAR_FIRST = re.compile(r"(\d{4})[-./](\d{1,2})[-./](\d{1,2})")

#: Other ways to write the unit that a name asks for.
_SPELLINGS: Mapping[str, frozenset[str]] = {
    "m": frozenset({"m", "metre", "metres", "meter", "meters"}),
    "mm": frozenset({"mm", "millimetres", "millimeters"}),
    "s": frozenset({"s", "sec", "secs", "second", "seconds"}),
    "km/h": frozenset({"km/h", "kmh", "kph", "km h"}),
    "m/s": frozenset({"m/s"}),
    "m/s²": frozenset({"m/s²", "m/s2", "m/s^2"}),
    "MN/m": frozenset({"mn/m", "kn/mm"}),
    "°C": frozenset({"°c", "c", "deg c", "degc"}),
    "degrees": frozenset({"°", "deg", "degree", "degrees"}),
    "%": frozenset({"%", "percent", "pct"}),
    "kPa": frozenset({"kpa"}),
    "kN": frozenset({"kn"}),
    "Hz": frozenset({"hz", "hertz"}),
    "dB": frozenset({"db", "db(a)", "dba"}),
    "per 100 m": frozenset({"per 100 m"}),
}
_LENGTHS = {"mm": 0.001, "cm": 0.01, "m": 1.0, "km": 1000.0, "ft": 0.3048, "in": 0.0254, "yd": 0.9144, "mi": 1609.344}
_TIMES = {"ms": 0.001, "min": 60.0, "h": 3600.0}
_SPEEDS = {"m/s": 3.6, "mph": 1.609344, "km/h": 1.0}
_PRESSURES = {"pa": 0.001, "hpa": 0.1, "mbar": 0.1, "bar": 100.0}
#: (factor, offset) from other units to the one that a name asks for.
_CONVERSIONS: Mapping[str, Mapping[str, tuple[float, float]]] = {
    "m": {unit: (factor, 0.0) for unit, factor in _LENGTHS.items()},
    "mm": {unit: (1000 * factor, 0.0) for unit, factor in _LENGTHS.items()},
    "s": {unit: (factor, 0.0) for unit, factor in _TIMES.items()},
    "km/h": {unit: (factor, 0.0) for unit, factor in _SPEEDS.items()},
    "m/s": {unit: (factor / 3.6, 0.0) for unit, factor in _SPEEDS.items()},
    "MN/m": {"n/m": (1e-6, 0.0), "kn/m": (1e-3, 0.0), "n/mm": (1e-3, 0.0)},
    "°C": {"k": (1.0, -273.15), "°f": (1 / 1.8, -32 / 1.8), "f": (1 / 1.8, -32 / 1.8)},
    "kPa": {unit: (factor, 0.0) for unit, factor in _PRESSURES.items()},
    "kN": {"n": (0.001, 0.0), "t": (9.80665, 0.0), "kg": (0.00980665, 0.0)},
    "Hz": {"khz": (1000.0, 0.0)},
}
_LONG_NAMES = {
    "foot": "ft",
    "feet": "ft",
    "'": "ft",
    "inch": "in",
    "inches": "in",
    "yards": "yd",
    "miles": "mi",
    "minute": "min",
    "minutes": "min",
    "mins": "min",
    "hour": "h",
    "hours": "h",
    "hrs": "h",
    "mi/h": "mph",
    "tonnes": "t",
    "kilometres": "km",
}
#: What people call the uses that a receiver may have.
_USES = {
    "home": "dwelling",
    "house": "dwelling",
    "flat": "dwelling",
    "apartment": "dwelling",
    "residential": "dwelling",
    "nursery": "school",
    "kindergarten": "school",
    "university": "school",
    "clinic": "hospital",
    "nursing_home": "care_home",
    "retirement_home": "care_home",
    "garden": "outdoor",
    "park": "outdoor",
    "shop": "other",
    "church": "other",
}


def value_hint(value: Any, allowed: str, key: str = "") -> str:
    """What to do about common slips; ``allowed`` and ``key`` say what is asked for."""
    text = value.strip() if isinstance(value, str) else None
    if text is not None and "number" in allowed and not allowed.startswith("a list"):
        return number_hint(text, key, "0 to 1" if ", 0 to 1," in f"{allowed}," else "")
    if text is not None and "YYYY-MM-DD" in allowed:
        return _date_hint(text)
    if allowed.startswith("a list"):
        return _list_hint(value, allowed)
    if isinstance(value, int | float) and not isinstance(value, bool) and allowed.startswith("text"):
        return "put it in quotes"
    if isinstance(value, bool) and allowed.startswith("text"):
        return "put it in quotes: YAML reads a bare true or false as yes or no"
    if text is not None and "true or false" in allowed:
        return "write true or false without quotes"
    if text is not None and key == "use":
        meant = _USES.get(text.lower().replace(" ", "_").replace("-", "_"))
        return f"write {meant}" if meant is not None else ""
    return ""


def number_hint(text: str, key: str, limits: str = "") -> str:
    """What to write where a number is asked for.

    >>> number_hint("5 min", "dwell_s")
    'write 300: 5 min are 300 s'
    >>> number_hint("22 m/s", "speed_km_h"), number_hint("40 ft", "height_m"), number_hint("50 km/h", "speed_km_h")
    ('write 79.2: 22 m/s are 79.2 km/h', 'write 12.19: 40 ft are 12.19 m', 'write only the number: 50')
    """
    unit = unit_of(key)
    if _DECIMAL_COMMA.fullmatch(text):
        return f"write a decimal point: {text.replace(',', '.')}"
    if _GROUPED.fullmatch(text):
        return f"no spaces or signs inside a number: write {re.sub(r'[^0-9.+-]', '', text)}"
    code = _EPSG.fullmatch(text)
    if code and not unit:
        return f"write only {code[1]}"
    chainage = _CHAINAGE.fullmatch(text)
    if chainage and unit == "m":
        return f"write metres: {int(chainage[1])}{chainage[2]}"
    if _NUMBER.fullmatch(text):
        return "write the number without quotes"
    with_unit = _WITH_UNIT.fullmatch(text)
    return _unit_hint(with_unit[1].replace(",", "."), with_unit[2].strip(), unit, limits) if with_unit else ""


def _unit_hint(value: str, written: str, unit: str, limits: str) -> str:
    name = written.lower()
    if name in _SPELLINGS.get(unit, ()):
        return f"write only the number: {value}"
    if not unit:
        if name in _SPELLINGS["%"] and limits == "0 to 1":
            return f"write a share: {number(round(float(value) / 100, 6))}"
        return "write a number without a unit"
    conversion = _CONVERSIONS.get(unit, {}).get(_LONG_NAMES.get(name, name))
    if conversion is None:
        return f"write a number {unit if unit.startswith('per') else f'in {unit}'}"
    converted = conversion[0] * float(value) + conversion[1]
    wanted = number(round(converted, 2) if abs(converted) >= 1 else float(f"{converted:.3g}"))
    return f"write {wanted}: {value} {written} are {wanted} {unit}"


def _date_hint(text: str) -> str:
    day_first, year_first = _DAY_FIRST.fullmatch(text), _YEAR_FIRST.fullmatch(text)
    if day_first:
        year, month, day = day_first[3], day_first[2], day_first[1]
    elif year_first:
        year, month, day = year_first.groups()
    else:
        return "write year, month and day in this order" if re.search(r"\d", text) else ""
    try:
        return f"write {date(int(year), int(month), int(day)).isoformat()}"
    except ValueError:
        return ""


def _list_hint(value: Any, allowed: str) -> str:
    if value is None:
        return "remove the key, or write []"
    if isinstance(value, Mapping):
        return "begin each entry with `- `"
    pair = _TWO_NUMBERS.fullmatch(value.strip()) if isinstance(value, str) else None
    if pair and "number" in allowed:
        found = [part for part in pair.groups() if part is not None]
        how_many = {2: "two", 3: "three"}[len(found)]
        return f"put [ ] around the {how_many} numbers: [{', '.join(found)}]"
    return ""


def bracket_hint(key: str, before: str, value: Any, takes_list: bool) -> str:
    """What to do about an unknown key that is a number: in a group, a comma outside brackets ends a value."""
    if not _NUMBER.fullmatch(key):
        return ""
    if takes_list and isinstance(value, int | float):
        return f"put [ ] around the two numbers: {before}: [{number(value)}, {key}]"
    return "is this a decimal comma? write a point"

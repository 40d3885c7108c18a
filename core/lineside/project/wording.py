"""Words of messages: values made printable, suggestions, units, and what a field accepts."""

from __future__ import annotations

import difflib
import math
from collections.abc import Iterable, Mapping, Sequence
from itertools import islice
from typing import Any

#: Ends of names and their units; the longest that fits counts.
_UNITS = (
    ("_per_100_m", "per 100 m"),
    ("_km_h", "km/h"),
    ("_m_s2", "m/s²"),
    ("_m_s", "m/s"),
    ("_mn_m", "MN/m"),
    ("_deg_c", "°C"),
    ("_deg", "degrees"),
    ("_pct", "%"),
    ("_kpa", "kPa"),
    ("_kn", "kN"),
    ("_hz", "Hz"),
    ("_db", "dB"),
    ("_mm", "mm"),
    ("_m2", "m²"),
    ("_s", "s"),
    ("_m", "m"),
)
_IN_METRES = ("points", "position", "polygon", "line")
#: Limits from here on only catch nonsense.
_NONSENSE = 1e6
_LONGEST = 70
_MAX_NAMES = 40
_MAX_COMPARED = 2000


def unit_of(key: str) -> str:
    """The unit that the end of a name says, or nothing.

    >>> unit_of("speed_limit_km_h"), unit_of("joints_per_100_m"), unit_of("freight")
    ('km/h', 'per 100 m', '')
    """
    if key in _IN_METRES:
        return "m"
    return next((unit for end, unit in _UNITS if key.endswith(end)), "")


def shown(value: Any, quote: bool = True, longest: int = _LONGEST) -> str:
    r"""A value for a message: short, on one line, without control characters.

    >>> shown("a\x1b[2J" + "b" * 100, quote=False)[:16]
    'a\\x1b[2Jbbbbbbbb'
    """
    if isinstance(value, str):
        text = value[: 4 * longest]
        text = "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)
        text = text if len(text) <= longest else text[: longest - 4].rstrip() + " ..."
        return f'"{text}"' if quote else text
    if value is None:
        return "nothing (null)"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return shown(str(value), quote=False)
    if isinstance(value, float):
        return number(value) if math.isfinite(value) else str(value)
    if isinstance(value, Mapping):
        keys = ", ".join(shown(str(key), quote=False) for key in list(value)[:8])
        return shown(f"keys {keys}" if value else "an empty group", quote=False)
    if isinstance(value, Sequence):
        if len(value) <= 4 and all(isinstance(v, int | float | str) for v in value):
            return shown("[" + ", ".join(shown(v, quote) for v in value) + "]", quote=False)
        return f"a list of {len(value)}"
    return shown(str(value), quote=False)


def printable(text: str) -> str:
    r"""Text without control characters and halves of characters (surrogates), which no file can hold.

    >>> printable("Hof\x07 \ud800 7")
    'Hof  7'
    """
    return text if text.isprintable() else "".join(c for c in text if c.isprintable())


def number(value: float) -> str:
    """A number without a needless decimal part; a large one, such as a coordinate, in full.

    >>> number(620.0), number(1e7), number(0.25), number(5430400.25)
    ('620', '10000000', '0.25', '5430400.25')
    """
    if abs(value) < 1e15 and float(value).is_integer():
        return str(int(value))
    return f"{value:.10g}" if 1000 <= abs(value) < 1e9 else f"{value:.6g}"


def names(values: Iterable[str]) -> str:
    """Names in one line, not endless."""
    found = [shown(value, quote=False) for value in values]
    if not found:
        return "none"
    more = f" and {len(found) - _MAX_NAMES} more" if len(found) > _MAX_NAMES else ""
    return ", ".join(found[:_MAX_NAMES]) + more


def suggestion(given: str, known: Iterable[str]) -> str | None:
    """The known name that a misspelt one most likely means."""
    known = list(islice(known, _MAX_COMPARED))
    by_lower = {name.lower(): name for name in known}
    same = by_lower.get(given.lower().strip().replace("-", "_").replace(" ", "_"))
    if same is not None:
        return same
    near = difflib.get_close_matches(given[:100].lower(), by_lower, n=1, cutoff=0.6)
    if near:
        return by_lower[near[0]]
    # a forgotten or added ending, such as the unit
    head = [name for name in known if given and name.startswith(f"{given}_")]
    return head[0] if len(head) == 1 else None


def did_you_mean(given: Any, known: Iterable[str]) -> str:
    """A hint sentence, or nothing."""
    near = suggestion(given, known) if isinstance(given, str) else None
    return f"did you mean {shown(near, quote=False)}?" if near is not None else ""


class Shape:
    """A JSON Schema that can say in words what one of its places accepts."""

    def __init__(self, schema: Mapping[str, Any]) -> None:
        self._defs: Mapping[str, Any] = schema.get("$defs", {})
        self.root = schema

    def resolve(self, node: Mapping[str, Any]) -> Mapping[str, Any]:
        """Follow references."""
        while "$ref" in node:
            node = self._defs[node["$ref"].rsplit("/", 1)[1]]
        return node

    def choice(self, node: Mapping[str, Any], data: Any) -> Mapping[str, Any]:
        """The branch of a union by ``kind``, or the one that fits a mapping or list; null is set aside."""
        node = self.resolve(node)
        if "discriminator" in node:
            mapping = node["discriminator"]["mapping"]
            kind = data.get(node["discriminator"]["propertyName"]) if isinstance(data, Mapping) else None
            return self.resolve({"$ref": mapping[kind]}) if isinstance(kind, str) and kind in mapping else node
        if "anyOf" in node or "oneOf" in node:
            branches = [self.resolve(branch) for branch in node.get("anyOf", node.get("oneOf"))]
            wanted = "object" if isinstance(data, Mapping) else "array" if isinstance(data, list) else None
            for branch in branches:
                if wanted is not None and branch.get("type") == wanted:
                    return branch
                if any(key in branch for key in ("discriminator", "anyOf", "oneOf")):
                    return self.choice(branch, data)
        return node

    def step(self, node: Mapping[str, Any], part: str | int, data: Any) -> Mapping[str, Any]:
        """The schema of a child; empty where it is not known."""
        node = self.choice(node, data)
        if isinstance(part, str):
            extra = node.get("additionalProperties")
            known = node.get("properties", {}).get(part)
            return known if known is not None else extra if isinstance(extra, Mapping) else {}
        prefix = node.get("prefixItems", [])
        if part < len(prefix):
            return prefix[part]
        items = node.get("items", {})
        return items if isinstance(items, Mapping) else {}

    def allowed(self, node: Mapping[str, Any], key: str = "", full: bool = False, null: bool = True) -> str:
        """What a place accepts, in words; ``full`` also says limits that only catch nonsense, ``null`` says null."""
        words = [word for word in self._words(node, key, full) if null or word != "null"]
        if "{spectrum: id}" in words:
            words = ["the name of a class" if word.startswith("text") else word for word in words]
        return _join(dict.fromkeys(words))

    def _words(self, node: Mapping[str, Any], key: str, full: bool) -> list[str]:
        node = self.resolve(node)
        if "discriminator" in node:
            return ["a group with kind: " + " or ".join(node["discriminator"]["mapping"])]
        branches = node.get("anyOf", node.get("oneOf"))
        if branches is not None:
            return [word for branch in branches for word in self._words(branch, key, full)]
        if "const" in node:
            return [str(node["const"])]
        if "enum" in node:
            return [str(value) for value in node["enum"]]
        return [self._typed(node, key, full)]

    def _typed(self, node: Mapping[str, Any], key: str, full: bool) -> str:
        kind = node.get("type")
        if kind in ("number", "integer"):
            what = "a whole number" if kind == "integer" else "a number"
            unit, limits = unit_of(key), _range(node, full)
            return (
                what + (f" in {unit}" if unit and not unit.startswith("per") else f" {unit}" if unit else "") + limits
            )
        if kind == "array":
            return self._list(node, key)
        if kind == "object":
            properties = node.get("properties")
            if properties is not None and list(properties) == ["spectrum"]:
                return "{spectrum: id}"
            return f"a group of keys: {names(properties)}" if properties else "a group of keys"
        if kind == "string":
            longest = node.get("maxLength") if full else None
            text = "a date YYYY-MM-DD" if node.get("format") == "date" else "text"
            return text + (f" of up to {longest} characters" if longest is not None else "")
        return {"boolean": "true or false", "null": "null"}.get(str(kind), "")

    def _list(self, node: Mapping[str, Any], key: str) -> str:
        prefix = node.get("prefixItems")
        if prefix:
            return f"a list of exactly {len(prefix)} values, each {self.allowed(prefix[0], key)}"
        words = self.allowed(node.get("items", {}), key)
        n = node.get("minItems", 0)
        at_least = f" of at least {n} {'entry' if n == 1 else 'entries'}" if n else ""
        return f"a list{at_least}" + (f", each {words}" if words else "")


def _range(node: Mapping[str, Any], full: bool) -> str:
    if not full and max(abs(node.get(end, 0)) for end in ("minimum", "maximum")) >= _NONSENSE:
        return ""
    low = number(node["minimum"]) if "minimum" in node else None
    high = number(node["maximum"]) if "maximum" in node else None
    if "exclusiveMinimum" in node:
        low = f"above {number(node['exclusiveMinimum'])}"
    if "exclusiveMaximum" in node:
        high = f"below {number(node['exclusiveMaximum'])}"
    if low is not None and high is not None:
        return f", {low} to {high}"
    if low is not None:
        return f", {low}" if low.startswith("above") else f", {low} or more"
    if high is not None:
        return f", {high}" if high.startswith("below") else f", {high} or less"
    return ""


def _join(words: Iterable[str]) -> str:
    known = [word for word in words if word]
    if len(known) < 2:
        return known[0] if known else ""
    return ", ".join(known[:-1]) + " or " + known[-1]

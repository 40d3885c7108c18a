"""Compares two results documents value by value."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from lineside.results.model import Results
from lineside.verify.findings import TOLERANCE_DB, TOLERANCE_RATIO, Check, Deviation

MAX_LISTED = 200


@dataclass
class _Tally:
    n_values: int = 0
    n_near: int = 0
    largest_db: float = 0.0
    found: list[Deviation] = field(default_factory=list)
    n_found: int = 0

    def add(self, where: str, mine: Any, yours: Any, message: str = "differs") -> None:
        self.n_found += 1
        if self.n_found <= MAX_LISTED:
            self.found.append(Deviation("result", where, message, _shown(mine), _shown(yours)))


def compare_results(attached: Results, follows: Results) -> Check:
    """The check of the attached results; versions are left to another check."""
    tally = _Tally()
    _walk("results.json", attached.model_dump(mode="json"), follows.model_dump(mode="json"), False, tally)
    said = f"{tally.n_values} values; levels within {TOLERANCE_DB:g} dB, other numbers within {TOLERANCE_RATIO:.0e}"
    said += f"; largest difference that follows {tally.largest_db:.3f} dB"
    more = tally.n_found - len(tally.found)
    notices = (f"{more} more values of the attached results deviate",) if more else ()
    if tally.n_near:
        notices = (*notices, f"{tally.n_near} values are not equal, but within the tolerance")
    return Check("attached results", said, tuple(tally.found), notices)


def same_versions(attached: Results, follows: Results) -> Results:
    """The recomputed results with the versions that the attached ones state, so that only numbers are compared."""
    stated = {(o.kind, o.name): o for o in attached.provenance.offers}
    offers = []
    for offer in follows.provenance.offers:
        other = stated.get((offer.kind, offer.name))
        if other is not None:
            keys = ("version", "package", "package_version", "data_files", "verification", "verification_note")
            offer = offer.model_copy(update={key: getattr(other, key) for key in keys})
        offers.append(offer)
    update = {"lineside_version": attached.provenance.lineside_version, "offers": offers}
    return follows.model_copy(update={"provenance": follows.provenance.model_copy(update=update)})


def _walk(where: str, mine: Any, yours: Any, level: bool, out: _Tally) -> None:
    if isinstance(mine, Mapping) and isinstance(yours, Mapping):
        for key in dict.fromkeys([*yours, *mine]):
            name = f"{where}, {key}"
            if key not in mine:
                out.add(name, None, yours[key], "is missing")
            elif key not in yours:
                out.add(name, mine[key], None, "does not follow")
            else:
                _walk(name, mine[key], yours[key], level or str(key).endswith("_db"), out)
    elif isinstance(mine, list) and isinstance(yours, list):
        for name, a, b in _entries(where, mine, yours, out):
            _walk(name, a, b, level, out)
    else:
        _leaf(where, mine, yours, level, out)


def _entries(where: str, mine: Sequence[Any], yours: Sequence[Any], out: _Tally) -> Iterator[tuple[str, Any, Any]]:
    if len(mine) != len(yours):
        out.add(where, f"{len(mine)} entries", f"{len(yours)} entries", "another number of entries")
    for k, (a, b) in enumerate(zip(mine, yours, strict=False), 1):
        yield f"{where}[{_name(b) or k}]", a, b


def _name(entry: Any) -> str:
    if not isinstance(entry, Mapping):
        return ""
    words = [str(entry[key]) for key in ("id", "name", "receiver", "label", "service") if entry.get(key)]
    return words[0] if words else ""


def _leaf(where: str, mine: Any, yours: Any, level: bool, out: _Tally) -> None:
    out.n_values += 1
    if mine == yours and type(mine) is type(yours):
        return
    both = all(isinstance(v, int | float) and not isinstance(v, bool) for v in (mine, yours))
    if both and level and abs(mine - yours) <= TOLERANCE_DB:
        out.n_near += mine != yours
        out.largest_db = max(out.largest_db, abs(mine - yours))
    elif both and not level and math.isclose(mine, yours, rel_tol=TOLERANCE_RATIO):
        out.n_near += mine != yours
    else:
        out.add(where, mine, yours)


def _shown(value: Any) -> str:
    text = "null" if value is None else str(value)
    return text if len(text) <= 120 else text[:119] + "…"

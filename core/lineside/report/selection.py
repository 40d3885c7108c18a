"""Which receivers, parts and rows are printed when there are too many, and how they are named."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from lineside.report.strings import Strings
from lineside.report.text import plain
from lineside.results.model import Finding, Level, ReceiverResult, Results

#: Longest table that is printed in full; a cell costs about half a millisecond of layout.
MAX_ROWS = 200
MAX_PARTS = 8
MAX_FIGURE_RECEIVERS = 20


def value(level_db: Level) -> float:
    """For sorting: silence is the lowest."""
    return -math.inf if level_db is None else level_db


def by_exposure(receivers: Iterable[ReceiverResult]) -> list[ReceiverResult]:
    """The loudest first; equal ones by id."""
    return sorted(receivers, key=lambda r: (-value(r.lden_db), r.id))


def printed_receivers(results: Results, limit: int = MAX_ROWS) -> list[ReceiverResult]:
    """The most exposed receivers, in the order of the project."""
    kept = {r.id for r in by_exposure(results.receivers)[:limit]}
    return [r for r in results.receivers if r.id in kept]


def capped_note(strings: Strings, shown: int, total: int) -> str:
    """Says that a table was cut; empty if it was not."""
    return strings("report.capped", shown=shown, total=total) if shown < total else ""


def sentences(*parts: str) -> str:
    """Non-empty sentences in one line."""
    return " ".join(p for p in parts if p)


def largest_parts(parts: Iterable[Mapping[str, Level]], limit: int) -> list[str]:
    """Parts in falling order of their highest level at any receiver; silent ones left out."""
    highest: dict[str, float] = {}
    for levels in parts:
        for name, level_db in levels.items():
            highest[name] = max(highest.get(name, -math.inf), value(level_db))
    heard = [name for name in highest if highest[name] > -math.inf]
    return sorted(heard, key=lambda name: (-highest[name], name))[:limit]


def period_names(results: Results, strings: Strings) -> dict[str, str]:
    """Periods with their hours."""
    return {
        p.name: strings("period.hours", name=strings.known("period", p.name), from_hour=p.from_hour, to_hour=p.to_hour)
        for p in results.periods
    }


def service_names(results: Results) -> dict[str, str]:
    """Services by id."""
    return {s.id: s.name or s.id for s in results.site.services}


def quantity_name(finding: Finding, strings: Strings) -> str:
    """Symbol of the quantity with its hours."""
    symbol = strings.known("quantity", finding.quantity)
    return f"{symbol}, {finding.window}" if finding.window else symbol


def of_project(results: Results, *keys: str, default: Any = None) -> Any:
    """A value of the project file by its path; ``default`` where it is absent or null."""
    node: Any = results.project
    for key in keys:
        if not isinstance(node, Mapping) or node.get(key) is None:
            return default
        node = node[key]
    return node


def identity(results: Results, key: str) -> str:
    """An entry of the project's identity as text."""
    value = of_project(results, "identity", key, default="")
    return plain(value) if value else ""


def left_out(results: Results) -> Sequence[str]:
    """Calculators of the method that the project file leaves out."""
    return [str(name) for name in of_project(results, "calculation", "without", default=[])]


def criterion_titles(results: Results) -> dict[str, str]:
    """Printed title of each criterion, by the id that findings carry: the project's own title comes first."""
    return {o.name: str(o.options.get("title") or o.title) for o in results.provenance.offers if o.kind == "criterion"}


def mechanism_names(results: Results, strings: Strings) -> dict[str, str]:
    """Printed names of all mechanisms that took part."""
    found = {name for r in results.receivers for name in r.by_mechanism_db.get("lden", {})}
    return {name: strings.known("mechanism", name) for name in sorted(found)}

"""Which receivers, parts and rows are printed when there are too many, and how they are named."""

from __future__ import annotations

import datetime as dt
import math
import sys
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from lineside.acoustics.levels import energy_sum_db
from lineside.report.strings import Strings
from lineside.results.model import ExposureLimit, Finding, Level, OfferUsed, ReceiverResult, Results

#: Longest table that is printed in full; a cell costs about half a millisecond of layout.
MAX_ROWS = 200
MAX_PARTS = 8
#: Name under which smaller parts are summed.
OTHERS = "(others)"
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


def with_others(levels: Mapping[str, Level], shown: Sequence[str]) -> dict[str, Level]:
    """Levels of the parts shown and, under :data:`OTHERS`, the energy sum of all smaller ones."""
    rest = [v for name, v in levels.items() if name not in shown and v is not None]
    out = {name: levels.get(name) for name in shown}
    out[OTHERS] = float(energy_sum_db(rest)) if rest else None
    return out


def shown_parts(parts: Sequence[Mapping[str, Level]]) -> tuple[list[str], int]:
    """Parts with a column or mark of their own, and how many audible ones are summed as others."""
    heard = largest_parts(parts, sys.maxsize)
    if len(heard) <= MAX_PARTS:
        return heard, 0
    return heard[: MAX_PARTS - 1], len(heard) - MAX_PARTS + 1


def period_names(results: Results, strings: Strings) -> dict[str, str]:
    """Periods with their hours."""
    return {
        p.name: strings("period.hours", name=strings.known("period", p.name), from_hour=p.from_hour, to_hour=p.to_hour)
        for p in results.periods
    }


def service_names(results: Results) -> dict[str, str]:
    """Services by id."""
    return {s.id: s.name or s.id for s in results.site.services}


def quantity_name(finding: Finding | ExposureLimit, strings: Strings) -> str:
    """Symbol of the quantity with its hours."""
    symbol = strings.known("quantity", finding.quantity)
    return f"{symbol}, {finding.window}" if finding.window else symbol


def month(date: str, strings: Strings) -> str:
    """Month and year: dates of a forecast to the day would say too much."""
    day = dt.date.fromisoformat(date)
    return f"{strings(f'month.m{day.month}')} {day.year}"


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
    return ", ".join(str(v) for v in value) if isinstance(value, list) else str(value)


def left_out(results: Results) -> Sequence[str]:
    """Calculators of the method that the project file leaves out."""
    return [str(name) for name in of_project(results, "calculation", "without", default=[])]


#: Words in the nature of a criterion that binds nobody.
_ADVISORY = ("guideline", "recommend", "guidance", "target")


def is_advice(nature: str) -> bool:
    """Whether a criterion of this nature binds nobody."""
    return any(word in nature.lower() for word in _ADVISORY)


def ordered_criteria(results: Results) -> list[OfferUsed]:
    """Criteria with findings: limits of the project first, then laws, guidelines last."""
    found = {f.criterion for f in results.findings}

    def rank(offer: OfferUsed) -> int:
        nature = str(offer.options.get("nature") or offer.nature or "").lower()
        return 2 if is_advice(nature) else int(not offer.options.get("limits"))

    return sorted((o for o in results.provenance.offers if o.kind == "criterion" and o.name in found), key=rank)


def criterion_natures(results: Results) -> dict[str, str]:
    """What kind of limit each criterion is, in its own words."""
    return {
        o.name: str(o.options.get("nature") or o.nature or "")
        for o in results.provenance.offers
        if o.kind == "criterion"
    }


def limits_of(results: Results, receiver: str, *quantities: str) -> list[float]:
    """Limits that levels of one receiver are compared with."""
    return [
        f.limit_db
        for f in results.findings
        if f.receiver == receiver and f.quantity in quantities and f.limit_db is not None
    ]


def criterion_titles(results: Results) -> dict[str, str]:
    """Printed title of each criterion, by the id that findings carry: the project's own title comes first."""
    return {o.name: str(o.options.get("title") or o.title) for o in results.provenance.offers if o.kind == "criterion"}


def mechanism_names(results: Results, strings: Strings) -> dict[str, str]:
    """Printed names of all mechanisms that took part."""
    found = {name for r in results.receivers for name in r.by_mechanism_db.get("lden", {})}
    return {name: strings.known("mechanism", name) for name in sorted(found)}

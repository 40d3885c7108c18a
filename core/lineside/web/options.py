"""What would help: the options of the results document in their recommended order, where there are any."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from lineside.report.selection import criterion_titles, month
from lineside.report.strings import Strings
from lineside.report.text import NOTHING, joined, level, number
from lineside.results.model import Results
from lineside.web.places import tenth

NARROW_SPACE = "\u202f"


@dataclass(frozen=True)
class Option:
    """One option: its measures, why it stands where it stands, and facts in words."""

    id: str
    title: str
    reason: str
    facts: tuple[tuple[str, str], ...]
    conditions: tuple[str, ...]


@dataclass(frozen=True)
class Options:
    """The whole panel."""

    intro: str
    ordered: tuple[Option, ...]
    rejected: tuple[tuple[str, str], ...]
    suggested: tuple[str, ...]
    notes: tuple[str, ...]


def panel(results: Results, strings: Strings, words: Strings) -> Options | None:
    """The panel; None where the document considers no measures."""
    found = results.options
    if found is None:
        return None
    measures = {m.id: m for m in found.measures}
    options = {o.id: o for o in found.options}
    titles = criterion_titles(results)
    ordered = [_option(options[p.option], p.reason, measures, titles, strings, words) for p in found.order]
    return Options(
        intro=words(
            "options.intro", date=found.date, n=len(found.options), years=found.years, rejected=len(found.rejected)
        ),
        ordered=tuple(ordered),
        rejected=tuple((_names(r.measures, measures), r.reason) for r in found.rejected),
        suggested=tuple(f"{s.title} ({joined(s.acts_at)})" if s.acts_at else s.title for s in found.suggestions),
        notes=tuple(found.notes),
    )


def levels(results: Results) -> list[dict[str, Any]]:
    """Lden with each option that stands in the order, by receiver."""
    found = results.options
    if found is None:
        return []
    measures = {m.id: m for m in found.measures}
    options = {o.id: o for o in found.options}
    return [
        {
            "title": _names(options[p.option].measures, measures),
            "lden": {receiver: tenth(v) for receiver, v in options[p.option].lden_db.items()},
        }
        for p in found.order
    ]


def _names(ids: Sequence[str], measures: Mapping[str, Any]) -> str:
    return " + ".join((measures[k].name or measures[k].title) if k in measures else k for k in ids)


def _quantity(above: Any, strings: Strings) -> str:
    symbol = strings.known("quantity", above.quantity)
    return f"{symbol}, {above.window}" if above.window else symbol


def _option(
    option: Any,
    reason: str,
    measures: Mapping[str, Any],
    titles: Mapping[str, str],
    strings: Strings,
    words: Strings,
) -> Option:
    facts = [
        (
            words("options.reduction"),
            words(
                "options.reduction_of",
                mean=level(option.mean_reduction_db.get("lden")),
                worst=level(option.worst_reduction_db.get("lden")),
                best=level(option.best_reduction_db.get("lden")),
            ),
        ),
        *(
            (
                words("options.above", quantity=_quantity(a, strings), criterion=titles.get(a.criterion, a.criterion)),
                words(
                    "options.above_of" if a.dwellings_before or a.dwellings else "options.above_of_receivers",
                    before=a.receivers_before,
                    after=a.receivers,
                    dwellings=a.dwellings,
                ),
            )
            for a in option.above
            if a.receivers_before or a.receivers
        ),
        (words("options.cost"), _cost(option, words)),
    ]
    if option.in_time is not None and option.in_time.takes_effect:
        facts.append((words("options.works_from"), month(option.in_time.takes_effect, strings)))
        if option.in_time.worn_in_anyway:
            facts.append((words("options.anyway"), month(option.in_time.worn_in_anyway, strings)))
    own = [measures[k] for k in option.measures if k in measures]
    conditions = [line for m in own for line in (*m.approval, *m.safety, *m.side_conditions, *m.cannot, *m.warnings)]
    return Option(
        option.id,
        _names(option.measures, measures),
        reason[:1].upper() + reason[1:],
        tuple(facts),
        tuple(dict.fromkeys(conditions)),
    )


def _cost(option: Any, words: Strings) -> str:
    cost = option.cost
    if cost is None:
        missing = joined(option.cost_unknown)
        return words("options.cost_unknown", what=missing) if missing else NOTHING
    low, likely, high = (f"{number(round(v), 9)}" for v in (cost.low, cost.likely, cost.high))
    return words(
        "options.cost_of", low=_spaced(low), likely=_spaced(likely), high=_spaced(high), currency=cost.currency
    )


def _spaced(digits: str) -> str:
    """Thousands apart.

    >>> _spaced("1234567").replace(NARROW_SPACE, "_")
    '1_234_567'
    """
    return f"{int(digits):,}".replace(",", NARROW_SPACE) if digits.isdigit() else digits

"""Are the limits kept? One answer per criterion, limits that bind before guidelines; and the table of counts."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.report.selection import (
    criterion_natures,
    criterion_titles,
    ordered_criteria,
    quantity_name,
    value,
)
from lineside.report.strings import Strings
from lineside.report.text import number, told
from lineside.report.tones import adjusted
from lineside.report.views import Column, Row, Table
from lineside.results.model import Finding, Results


def receivers(n: int, strings: Strings) -> str:
    """A number of receivers in words."""
    return _count("receivers", n, strings)


def _count(what: str, n: int, strings: Strings) -> str:
    return strings(f"summary.{what}_one") if n == 1 else strings(f"summary.{what}_many", n=n)


def _made(results: Results, criterion: str) -> list[Finding]:
    return [f for f in results.findings if f.criterion == criterion and f.verdict != "not assessed"]


def _places(findings: Sequence[Finding]) -> int:
    return len({f.receiver for f in findings})


def receivers_above(results: Results, strings: Strings) -> list[str]:
    """One sentence: at how many receivers a limit of each criterion is exceeded."""
    titles = criterion_titles(results)
    parts = []
    for offer in ordered_criteria(results):
        made = _made(results, offer.name)
        if made:
            above = _places([f for f in made if f.verdict == "above"])
            parts.append(strings("summary.exceed_part", n=above, total=_places(made), criterion=titles[offer.name]))
    return [strings("summary.exceed", parts="; ".join(parts))] if parts else []


def sentences_per_criterion(results: Results, strings: Strings) -> list[str]:
    """The answers, and what could not be compared."""
    if not results.findings:
        return [strings("summary.no_criteria")]
    missing = sum(f.verdict == "not assessed" for f in results.findings)
    if missing == len(results.findings):
        return [strings("summary.none_compared")]
    return [
        *(_answer(offer.name, results, strings) for offer in ordered_criteria(results)),
        adjusted(results, strings),
        strings("summary.not_made", n=missing) if missing else "",
    ]


def _answer(criterion: str, results: Results, strings: Strings) -> str:
    made = _made(results, criterion)
    above = [f for f in made if f.verdict == "above"]
    near = sum(f.verdict == "borderline" for f in made)
    unsure = sum(f.within_uncertainty for f in above)
    if not made:
        answer = strings("summary.kept_unknown")
    elif not above:
        answer = strings("summary.kept_nearly" if near else "summary.kept", n=len(made))
    else:
        hit = {f.receiver for f in above}
        places = [r for r in results.receivers if r.id in hit]
        answer = strings(
            "summary.not_kept",
            above=len(above),
            n=len(made),
            receivers=receivers(len(hit), strings),
            dwellings=_count("dwellings", sum(r.dwellings for r in places), strings),
            persons=_count("persons", sum(r.persons for r in places), strings),
            unsure=unsure,
        )
    nature = criterion_natures(results)[criterion]
    pieces = [
        answer,
        _worst(above, strings) if above else "",
        _count("borderline", near, strings) if near else "",
    ]
    return strings(
        "summary.answer",
        criterion=criterion_titles(results)[criterion],
        nature=f" [{nature}]" if nature else "",
        answer=" ".join(p for p in pieces if p),
    )


def _worst(above: Sequence[Finding], strings: Strings) -> str:
    worst = max(above, key=lambda f: value(f.difference_db))
    excess, compared, limit = worst.difference_db or 0.0, worst.compared_db, worst.limit_db
    whole_number = compared is not None and compared != worst.level_db and compared == round(compared)
    return strings(
        "summary.worst",
        id=worst.receiver,
        quantity=quantity_name(worst, strings),
        level=number(compared) if whole_number else told(compared, [limit] if limit is not None else []),
        limit=number(limit),
        difference=strings("summary.decibels", n=f"{excess:.0f}")
        if excess >= 1.0
        else strings("summary.less_than_one"),
    )


def table(results: Results, strings: Strings) -> Table:
    """T1.1: comparisons counted per criterion and verdict."""
    titles = criterion_titles(results)
    rows = []
    for offer in ordered_criteria(results):
        own = [f for f in results.findings if f.criterion == offer.name]
        above = [f for f in own if f.verdict == "above"]
        unsure = sum(f.within_uncertainty for f in above)
        counts = (
            sum(f.verdict != "not assessed" for f in own),
            len(above) - unsure,
            unsure,
            *(sum(f.verdict == v for f in own) for v in ("borderline", "well below", "not assessed")),
        )
        rows.append(Row((titles[offer.name], *(str(n) for n in counts))))
    heads = ("comparisons", "above_clear", "above_unsure", "borderline", "well_below", "not_assessed")
    return Table(
        "T1.1",
        strings("summary.table"),
        (Column(strings("col.criterion")), *(Column(strings(f"col.{c}"), "num") for c in heads)),
        tuple(rows),
        strings("summary.no_criteria"),
    )

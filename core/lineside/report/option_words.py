"""What the section on measures has in common: which options are printed, and how amounts and places are worded."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from lineside.report.selection import month
from lineside.report.strings import Strings
from lineside.report.text import MINUS, NOTHING, joined, metres, number
from lineside.report.wording import in_words
from lineside.results.model import Action, Results
from lineside.results.option_ids import is_check_sum
from lineside.results.options import MeasureInfo, Money, OptionResult, OptionsResult

#: Most options in a table; all of them stand in the data.
MAX_OPTIONS = 24
#: Most measures about which everything is printed.
MAX_MEASURES = 100
#: What is heard where the depot finds something.
HEARD = {"joints": "impact", "turnout": "impact", "curve": "squeal", "marks": "rolling", "new_rail": "rolling"}


def benefit(options: OptionsResult, option: OptionResult) -> float:
    """What cost is compared with."""
    if options.benefit == "decibel_dwellings":
        return option.decibel_dwellings
    return option.mean_reduction_db.get("lden", 0.0)


def places(options: OptionsResult) -> dict[str, int]:
    """Place in the recommended order by option."""
    return {place.option: k for k, place in enumerate(options.order, start=1)}


def ranked(options: OptionsResult) -> list[OptionResult]:
    """Options that act: those of the order first, then single ones and those that none beats, then by benefit."""
    place = places(options)

    def rank(option: OptionResult) -> tuple[float, ...]:
        single = option.pareto or len(option.measures) == 1
        return (place.get(option.id, len(place) + 1), not single, -benefit(options, option))

    return sorted((o for o in options.options if o.acts), key=lambda o: (*rank(o), o.id))


def option_name(option: OptionResult) -> str:
    """The id; with its measures where it does not name them."""
    return f"{option.id} ({joined(option.measures)})" if is_check_sum(option.id) else option.id


def titles(measures: Iterable[str], options: OptionsResult) -> str:
    """Names of measures in one line."""
    names = {m.id: m.name or m.title for m in options.measures}
    return joined((names.get(m, m) for m in measures), "; ")


def amount(value: float) -> str:
    """An amount of money, or a count of persons and days.

    >>> amount(1234567.8), amount(0), amount(3.25), amount(-8)
    ('1,234,568', '0', '3.25', '−8')
    """
    text = f"{value:,.0f}" if abs(value) >= 100 or value == int(value) else f"{value:.3g}"
    return text.replace("-", MINUS)


def about(value: float) -> str:
    """An amount to three digits, for running text and comparison.

    >>> about(87333.0)
    '87,300'
    """
    return amount(float(f"{value:.3g}"))


def money(value: Money | None) -> str:
    """Likely amount with its range, to three digits; a dash where it is not known."""
    if value is None:
        return NOTHING
    if value.low == value.high:
        return about(value.likely)
    return f"{about(value.likely)} ({about(value.low)}–{about(value.high)})"


def likely(value: Money | None) -> str:
    """Likely amount to three digits; a dash where it is not known."""
    return NOTHING if value is None else about(value.likely)


def currency(options: OptionsResult) -> str:
    """The currency of all costs; empty where none is known."""
    known = [o.cost.currency for o in options.options if o.cost is not None and o.cost.currency]
    return known[0] if known else next((c.currency for m in options.measures for c in m.costs), "")


def capped_options(options: OptionsResult, shown: int, strings: Strings) -> str:
    """Says how many options stand in the data only; empty if none."""
    total = sum(o.acts for o in options.options)
    if shown >= total:
        return ""
    return strings("help.more_in_data", shown=shown, total=total, more=total - shown)


def where(measure: MeasureInfo, strings: Strings) -> str:
    """Place of a measure and what it was told, in words."""
    given = {k: v for k, v in measure.options.items() if k not in ("track", "from_m", "to_m", "date") and v != []}
    parts = [_on_track(measure.options, strings)] if "track" in measure.options else []
    if given:
        parts.append(in_words(given, strings))
    return joined(parts, "; ") or NOTHING


def _on_track(given: Mapping[str, object], strings: Strings) -> str:
    from_m, to_m = (given.get(key) for key in ("from_m", "to_m"))
    if from_m is None and to_m is None:
        return strings("help.whole_track", track=given["track"])
    ends = [
        metres(float(value)) if isinstance(value, int | float) else strings(f"help.track_{end}")
        for value, end in ((from_m, "start"), (to_m, "end"))
    ]
    return strings("help.on_track", track=given["track"], from_m=ends[0], to_m=ends[1])


def acts_on(measure: MeasureInfo, strings: Strings) -> str:
    """What a measure acts on, in words."""
    if measure.side in ("indoors", "waiting"):
        return strings(f"help.side_{measure.side}")
    names = [strings("help.all_sounds") if m == "all" else strings.known("mechanism", m) for m in measure.acts_on]
    return joined(names)


def sentence(texts: Sequence[str]) -> str:
    """Texts as one sentence, whole sentences after it.

    >>> sentence(["the operator", "the owner", "Nobody may enter."]), sentence(["which machine?"])
    ('The operator; the owner. Nobody may enter.', 'Which machine?')
    """
    whole = [t for t in texts if t.endswith((".", "?"))]
    rest = "; ".join(t for t in texts if t not in whole)
    parts = [f"{rest}."] * bool(rest) + whole
    return " ".join(p if "." in p.split(" ")[0] else p[:1].upper() + p[1:] for p in parts)  # a key stays as it is


def date_or_month(date: str | None, strings: Strings) -> str:
    """A date of a forecast by its month; a dash for none."""
    return NOTHING if date is None else month(date, strings)


def pieces(measure: MeasureInfo) -> tuple[float, float]:
    """Where on its track a measure is; everywhere where nothing is said. [m chainage]"""
    low, high = (measure.options.get(key) for key in ("from_m", "to_m"))
    return (-1e9 if low is None else float(low), 1e9 if high is None else float(high))


def option_for(action: Action, results: Results) -> str:
    """The option that stands highest in the order and acts at a place of the depot's list; empty if none does."""
    options = results.options
    if options is None:
        return ""
    heard = HEARD.get(action.kind, "rolling")
    here = {
        m.id
        for m in options.measures
        if m.acts and heard in m.acts_on and m.options.get("track") == action.track
        if pieces(m)[0] < action.to_m and pieces(m)[1] > action.from_m
    }
    by_id = {o.id: o for o in options.options}
    return next((p.option for p in options.order if here & set(by_id[p.option].measures)), "")


def spans(low: float | None, high: float | None, typical: float | None, strings: Strings) -> str:
    """A published range in words."""
    if low is None or high is None:
        return ""
    span = number(low) if low == high else strings("help.range", low=number(low), high=number(high))
    if typical is not None and typical not in (low, high):
        span += " " + strings("help.typical", value=number(typical))
    return span

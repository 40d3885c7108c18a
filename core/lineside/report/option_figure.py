"""What would help: figure F7.1, the section's first words, and the sentences of the summary."""

from __future__ import annotations

from lineside.figures.cost_chart import Spot, cost_chart
from lineside.figures.style import TEXT_WIDTH_MM
from lineside.figures.words import clean
from lineside.report.measure_tables import safety
from lineside.report.option_tables import no_pareto, pareto
from lineside.report.option_words import about, benefit, currency, money, option_name, titles
from lineside.report.selection import sentences
from lineside.report.strings import Strings
from lineside.report.text import joined, number
from lineside.report.views import Figure, drawn
from lineside.results.model import Results
from lineside.results.options import OptionResult, OptionsResult

FIGURE_ID = "F7.1"
#: So many options that none beats are named in the description of the figure.
MAX_DESCRIBED = 8


def figure(results: Results, strings: Strings) -> Figure:
    """F7.1: cost against benefit, and which options none beats."""
    options = results.options
    caption = strings("help.figure")
    if options is None or not options.measures:
        return Figure(FIGURE_ID, caption, "", "", TEXT_WIDTH_MM, empty=strings("help.no_measures"))
    front = pareto(options)
    if not front:
        return Figure(FIGURE_ID, caption, "", "", TEXT_WIDTH_MM, empty=no_pareto(options, strings))

    def words(key: str, /, **values: object) -> str:
        return clean(strings(key, **values))

    known = [o for o in options.options if o.cost is not None and (o.acts or o.pareto)]
    money_axis = words("help.axis_cost", currency=currency(options), years=options.years)
    picture = cost_chart([_spot(o, options) for o in known], money_axis, words(f"help.axis_{options.benefit}"), words)
    described = joined((_described(o, options, strings) for o in front[:MAX_DESCRIBED]), "; ")
    alt = strings("help.figure_alt", n=len(known), front=len(front), described=described)
    message = strings("help.message_one" if len(front) == 1 else "help.message", front=len(front), n=len(known))
    note = sentences(_ends(front, options, strings), strings("help.figure_note"))
    return drawn(FIGURE_ID, message, alt, picture, note)


def _spot(option: OptionResult, options: OptionsResult) -> Spot:
    cost = option.cost
    assert cost is not None
    return Spot(clean(option.id), cost.low, cost.likely, cost.high, benefit(options, option), option.pareto)


def _described(option: OptionResult, options: OptionsResult, strings: Strings) -> str:
    likely = option.cost.likely if option.cost is not None else 0.0
    return strings(
        f"help.described_{options.benefit}",
        option=option_name(option),
        cost=about(likely),
        currency=currency(options),
        benefit=number(round(benefit(options, option), 1)),
    )


def _ends(front: list[OptionResult], options: OptionsResult, strings: Strings) -> str:
    """The ends of the row of options that none beats, with their numbers."""
    first, last = (_described(o, options, strings) for o in (front[0], front[-1]))
    return strings("help.message_only" if len(front) == 1 else "help.message_ends", first=first, last=last)


def paragraphs(results: Results, strings: Strings) -> dict[str, str]:
    """First words of the section."""
    options = results.options
    if options is None or not options.measures:
        return {"help": strings("help.no_measures_intro"), "help_best": ""}
    n = sum(len(o.measures) > 1 for o in options.options)
    counted = {"measures": len(options.measures), "options": len(options.options), "combined": n}
    intro = strings("help.intro", date=options.date, **counted)
    return {"help": intro, "help_best": sentences(*summary(results, strings))}


def lists(results: Results, strings: Strings) -> dict[str, list[str]]:
    """What must always stand, and what the document says about the comparison."""
    options = results.options
    notes = options.notes if options is not None and options.measures else []
    caution = options.relation.caution if options is not None and options.relation is not None else ""
    return {"help_safety": safety(options), "help_notes": [n for n in notes if n != caution]}


def summary(results: Results, strings: Strings) -> list[str]:
    """What would help most, in one or two sentences; none where no measure is considered."""
    options = results.options
    if options is None or not options.measures:
        return []
    if not options.order:
        return [strings("help.summary_nothing", n=len(options.measures))]
    best = options.order[0]
    option = next(o for o in options.options if o.id == best.option)
    said = strings(
        "help.summary_best",
        n=len(options.measures),
        option=option_name(option),
        titles=titles(option.measures, options),
        reason=best.reason,
    )
    return [said, *_money_words(option, options, strings)]


def _money_words(best: OptionResult, options: OptionsResult, strings: Strings) -> list[str]:
    """What the first option of the order would cost, and the cheapest that none beats where that is another."""
    unit, front = currency(options), pareto(options)
    cheapest = ""
    if front and front[0].id != best.id:
        first = front[0]
        reduction = number(round(first.mean_reduction_db.get("lden", 0.0), 1))
        said = {"option": option_name(first), "reduction": reduction, "cost": money(first.cost)}
        cheapest = strings("help.summary_cheapest", currency=unit, **said)
    if best.cost is None:
        return [strings("help.summary_cheapest_alone", cheapest=cheapest)] if cheapest else []
    cost = {"cost": money(best.cost), "currency": unit, "years": options.years}
    if not cheapest:
        return [strings("help.summary_cost", **cost)]
    return [strings("help.summary_cost_cheapest", cheapest=cheapest, **cost)]

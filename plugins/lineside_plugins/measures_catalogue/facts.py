"""What the tables say about each measure."""

from __future__ import annotations

import math
from functools import cache
from typing import Literal, cast

from lineside.contracts import Citation, DataFile, Standing
from lineside.measures import Cost, Effect, Facts, Unit
from lineside.tables import Table, load_table

PACKAGE = "lineside_plugins.measures_catalogue"
TABLES = ("measures", "effects", "costs")
OWN = Citation("lineside measures", "Catalogue of measures", "lineside", 2026, "plugin measures_catalogue")


def data_files() -> tuple[DataFile, ...]:
    return tuple(load_table(PACKAGE, name).data_file for name in TABLES)


@cache
def facts_of(measure: str) -> Facts:
    """Everything that the tables hold about a measure; customary values become questions to the user."""
    words = load_table(PACKAGE, "measures")
    row = words.text["measure"].index(measure)

    def listed(column: str) -> tuple[str, ...]:
        return tuple(part for part in words.text[column][row].split("|") if part)

    effects = tuple(_effects(measure))
    asked = [_question(effect) for effect in effects if not effect.stated]
    return Facts(
        effects=effects,
        costs=tuple(_costs(measure)),
        side_conditions=listed("side_conditions"),
        approval=listed("approval"),
        cannot=listed("cannot"),
        safety=listed("safety"),
        prompts=(*listed("prompts"), *asked),
    )


def sources_of(measure: str) -> tuple[Citation, ...]:
    """Sources of what is stated about a measure, each once; our own words where there is none."""
    found = [effect.citation for effect in _effects(measure) if effect.citation is not None]
    return tuple(dict.fromkeys(found)) or (OWN,)


def _question(effect: Effect) -> str:
    """A customary value as a question: it must not be taken for a fact."""
    span = f"{effect.low_db:g} to {effect.high_db:g} {effect.form}" if effect.low_db is not None else effect.form
    return f"effect on {effect.on}: which value holds here, by which source? (habit without a source: {span})"


def _number(table: Table, column: str, row: int) -> float | None:
    value = float(table[column][row])
    return None if math.isnan(value) else value


def _effects(measure: str) -> list[Effect]:
    table = load_table(PACKAGE, "effects")
    out = []
    for row, name in enumerate(table.text["measure"]):
        if name != measure:
            continue
        key, title, issuer, part = (table.text[column][row] for column in ("key", "title", "issuer", "part"))
        out.append(
            Effect(
                on=table.text["on"][row],
                low_db=_number(table, "low_db", row),
                high_db=_number(table, "high_db", row),
                typical_db=_number(table, "typical_db", row),
                form=table.text["form"][row],
                conditions=table.text["conditions"][row],
                standing=Standing(table.text["standing"][row]),
                citation=Citation(key, title, issuer, int(table["year"][row]), part) if key else None,
            )
        )
    return out


def _costs(measure: str) -> list[Cost]:
    table = load_table(PACKAGE, "costs")
    return [
        Cost(
            low=float(table["low"][row]),
            likely=float(table["likely"][row]),
            high=float(table["high"][row]),
            per=cast(Unit, table.text["per"][row]),
            every=cast(Literal["once", "year"], table.text["every"][row]),
            currency=table.text["currency"][row],
            year=int(table["price_year"][row]),
            source=table.text["source"][row],
            standing=Standing(table.text["standing"][row]),
        )
        for row, name in enumerate(table.text["measure"])
        if name == measure
    ]

"""Explanations as the results document holds them."""

from __future__ import annotations

import math
from collections.abc import Sequence

from lineside.engine.causes import Split
from lineside.engine.situation import MONTHS, Situation
from lineside.results import model

DIGITS = 3


def describe(split: Split, start: Situation, end: Situation, receivers: Sequence[str]) -> list[model.Explanation]:
    """One explanation per receiver."""

    def level(value: float) -> float | None:
        return round(value, DIGITS) if math.isfinite(value) else None

    return [
        model.Explanation(
            receiver=receiver,
            start=situation(start),
            end=situation(end),
            start_db={q: level(float(split.before_db[r, k])) for k, q in enumerate(split.quantities)},
            end_db={q: level(float(split.after_db[r, k])) for k, q in enumerate(split.quantities)},
            causes=[
                model.CauseShare(
                    cause=cause,
                    change_db={q: level(float(split.parts_db[r, k, c])) for k, q in enumerate(split.quantities)},
                )
                for c, cause in enumerate(split.causes)
            ],
        )
        for r, receiver in enumerate(receivers)
    ]


def situation(given: Situation) -> model.SituationInfo:
    """What a situation fixes."""
    states = {kind: MONTHS[c - 1] if isinstance(c, int) else c for kind, c in given.choices.items() if c is not None}
    return model.SituationInfo(label=given.label, date=given.date.isoformat(), states=states)

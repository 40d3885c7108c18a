"""Who lives above a limit: dwellings and persons assigned to receivers on facades, limit by limit."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import LimitCheck, Window
from lineside.results import model
from lineside.results.exposure import by_length, louder_half
from lineside.results.findings import Question, exceeds, window_text
from lineside.scene.facades import FacadePoints

Levels = Mapping[tuple[str, Window | None], Array]
_Limit = tuple[str, str, str, str | None, float]


@dataclass
class _Sum:
    """What has been counted for one limit so far; (2,): dwellings and persons."""

    tone: bool = False
    buildings: int = 0
    sensitive: int = 0
    whole: Array = field(default_factory=lambda: np.zeros(2))
    above: Array = field(default_factory=lambda: np.zeros(2))
    quiet: Array = field(default_factory=lambda: np.zeros(2))


def above_limits(
    asked: Sequence[Question],
    points: FacadePoints,
    by_quantity: Levels,
    dwellings: Array,
    persons: Array,
    quiet: Callable[[str], bool],
    sensitive: Sequence[str],
) -> list[model.ExposureLimit]:
    """Dwellings and persons at receivers above each limit, of the buildings that it applies to.

    They are assigned to the receivers of a building as for the bands, by the level that the limit is compared with.
    Limits for single passes are not compared at facades; what a tone would add is left out.

    Parameters
    ----------
    asked : sequence of Question
        What the criteria ask at buildings, by their id.
    by_quantity : mapping
        (quantity, window) -> level at each receiver. [dB]
    dwellings, persons : ndarray, (n_buildings,)
        In the order of ``points.standing``.
    quiet : callable
        Whether a building, by its id, has a quiet facade.
    sensitive : sequence of str
        Uses whose buildings are counted as a whole.
    """
    row_of = {points.standing[k].data.id: k for k in np.unique(points.building).tolist()}
    found: dict[_Limit, _Sum] = {}
    for question in asked:
        if question.receiver not in row_of:
            continue
        k = row_of[question.receiver]
        data, rows = points.standing[k].data, points.rows(k)
        low = rows[points.floor[rows] == 0]
        for check in question.checks:
            levels = by_quantity.get((check.quantity, check.window))
            if levels is None:
                continue
            one = found.setdefault(_limit(question, check), _Sum())
            share = by_length(points.length_m[low]) if data.one_facade else louder_half(levels[low])
            over = float(share[exceeds(check, levels[low])].sum())
            who = np.array([dwellings[k], persons[k]])
            one.tone |= check.tone is not None
            one.buildings += 1
            one.whole += who
            one.above += over * who
            one.quiet += over * who * quiet(data.id)
            one.sensitive += data.use in sensitive and bool(exceeds(check, levels[rows]).any())
    return [_result(limit, one) for limit, one in found.items()]


def _limit(question: Question, check: LimitCheck) -> _Limit:
    return question.criterion, check.label, check.quantity, window_text(check.window), check.limit_db


def _result(limit: _Limit, one: _Sum) -> model.ExposureLimit:
    criterion, label, quantity, window, limit_db = limit
    whole, above, quiet = (np.round(who, 6).tolist() for who in (one.whole, one.above, one.quiet))
    return model.ExposureLimit(
        criterion=criterion,
        label=label,
        quantity=quantity,
        window=window,
        limit_db=limit_db,
        without_tones=one.tone,
        buildings=one.buildings,
        dwellings=whole[0],
        persons=whole[1],
        dwellings_above=above[0],
        persons_above=above[1],
        quiet_dwellings_above=quiet[0],
        quiet_persons_above=quiet[1],
        sensitive_above=one.sensitive,
    )

"""Which limit of a criterion a conflict map compares with."""

from __future__ import annotations

import math
from collections.abc import Sequence

from lineside.contracts import LimitCheck, NotApplicable, ReceiverUse, Window
from lineside.project.maps import QUANTITIES, ConflictMap


def window_of(quantity: str, from_hour: int | None, to_hour: int | None) -> Window | None:
    """The clock hours of a map of ``laeq``; None for the quantities that have their own."""
    return Window(from_hour, to_hour) if quantity == "laeq" and from_hour is not None and to_hour is not None else None


def use_of(wanted: ConflictMap) -> ReceiverUse:
    """The use of the ground that a criterion is asked about."""
    return ReceiverUse(id=wanted.id, use=wanted.use or "", area=wanted.area)


def threshold_db(check: LimitCheck) -> float:
    """The level above which a comparison finds its limit exceeded, adjustments and rounding considered.

    >>> threshold_db(LimitCheck("lden_db", 59.0, "Lden", adjustment_db=5.0))
    54.0
    >>> threshold_db(LimitCheck("lden_db", 59.5, "Lden", rounding="up"))
    59.0
    """
    limit = math.floor(check.limit_db) if check.rounding == "up" else check.limit_db
    return limit - check.adjustment_db


def limit_on_map(wanted: ConflictMap, answer: Sequence[LimitCheck] | NotApplicable) -> LimitCheck | str:
    """The limit for the quantity of a map, the lowest of several; or why there is none.

    Parameters
    ----------
    answer
        What the criterion says about the use.
    """
    if isinstance(answer, NotApplicable):
        return answer.reason
    if not answer:
        return f"no limit applies to the use {wanted.use!r}"
    window = window_of(wanted.quantity, wanted.from_hour, wanted.to_hour)
    fitting = [c for c in answer if c.quantity == f"{wanted.quantity}_db" and c.window == window]
    if fitting:
        return min(fitting, key=threshold_db)
    kept = [_written(c) for c in answer if c.quantity.removesuffix("_db") in QUANTITIES]
    if not kept:
        return "it limits the loudest train only, of which no map is made"
    return f"it has no limit of this quantity for the use {wanted.use!r}; it has {'; '.join(dict.fromkeys(kept))}"


def _written(check: LimitCheck) -> str:
    """A quantity as a project file writes it."""
    name = f"quantity: {check.quantity.removesuffix('_db')}"
    if check.window is None:
        return name
    return f"{name}, from_hour: {check.window.from_hour}, to_hour: {check.window.to_hour}"

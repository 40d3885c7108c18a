"""What paths would add that were not computed, and what is said about it."""

from __future__ import annotations

import math

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Note
from lineside.engine.run import Computed
from lineside.scene.model import Scene

#: From here on it is said as a limit of the results. [dB]
WORTH_SAYING_DB = 0.1


def left_out_db(energy: Array, left_out: Array) -> float | None:
    """By how much the level of any period would be higher at most; None where nothing else is heard.

    >>> left_out_db(np.array([1.0, 2.0]), np.array([0.0, 0.02]))
    0.044
    >>> left_out_db(np.array([0.0, 1.0]), np.array([0.1, 0.0])) is None
    True
    """
    if np.any((left_out > 0) & (energy <= 0)):
        return None
    heard = energy > 0
    most = float((left_out[heard] / energy[heard]).max(initial=0.0))
    return math.ceil(1e4 * math.log10(1.0 + most)) / 1e3


def at_most(db: float) -> str:
    """An upper bound in words, to one decimal.

    >>> at_most(0.004), at_most(0.1), at_most(0.101)
    ('less than 0.1 dB', 'at most 0.1 dB', 'at most 0.2 dB')
    """
    return f"less than {WORTH_SAYING_DB:g} dB" if db < WORTH_SAYING_DB else f"at most {_up(db)} dB"


def _up(db: float) -> str:
    return f"{math.ceil(round(10 * db, 6)) / 10:.1f}"


def largest_left_out_db(energy: Array, left_out: Array) -> float:
    """The largest of many points; those where nothing is heard are not counted."""
    heard = energy > 0
    return left_out_db(energy[heard], left_out[heard]) or 0.0


def left_out_notes(computed: Computed, scene: Scene) -> list[Note]:
    """What to tell the reader: an assumption, or beyond ``WORTH_SAYING_DB`` a limit of the results."""
    out: list[Note] = []
    receivers = computed.receivers
    found = [left_out_db(e, missing) for e, missing in zip(receivers.period, receivers.left_out, strict=True)]
    found_at = dict(zip(scene.receivers.ids, found, strict=True))
    silent = [name for name, db in found_at.items() if db is None]
    if silent:
        text = (
            f"Paths left out are all that may be heard in some periods at {', '.join(silent)}; how much is not known."
        )
        out.append(Note("validity", text))
    over = {name: db for name, db in found_at.items() if db and db > WORTH_SAYING_DB}
    if over:
        worst = max(over, key=lambda name: over[name])
        text = (
            f"Paths left out may add more than {WORTH_SAYING_DB:g} dB at {', '.join(over)}, "
            f"at most {_up(over[worst])} dB "
        )
        out.append(Note("validity", f"{text}at {worst}."))
    most = max((db for db in found_at.values() if db and db <= WORTH_SAYING_DB), default=0.0)
    if most > 0:
        where = "any other receiver" if over or silent else "any receiver"
        out.append(Note("assumption", f"Paths left out add {at_most(most)} to the level at {where}."))
    if computed.grid is not None:
        most = largest_left_out_db(computed.grid.energy, computed.grid.left_out)
        text = f"Paths left out add {at_most(most)} to the level at any point of the map."
        if most > 0:
            out.append(Note("validity" if most > WORTH_SAYING_DB else "assumption", text))
    return out

"""How far a run is, and how long it will still take."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

#: Told the step, how much of it is done, and how much it has in all. Steps are announced with nothing done.
Progress = Callable[[str, int, int], None]

#: Seconds that a unit of each step takes where nothing is known better: judged from the example projects.
USUAL_S = {
    "emission": 2.0,
    "receivers": 0.1,
    "map": 0.001,
    "facades": 0.002,
    "time line": 2.0,
    "causes": 0.05,
    "options": 4.0,
    "how sure": 0.3,
    "report": 8.0,
    "web page": 1.5,
    "extract": 1.0,
    "report anew": 1.5,
    "comparison": 0.5,
    "data": 1.0,
}
#: A step that takes less than this says little about the rest. [s]
TELLING_S = 1.0


def silent(_step: str, _done: int, _of: int) -> None:
    """A progress listener that says nothing."""


@dataclass
class Step:
    """One step: work that was there when it began costs nothing."""

    of: int
    done: int = 0
    found: int = 0
    began: float | None = None
    seconds: float = 0.0

    @property
    def finished(self) -> bool:
        return self.done >= self.of


class Estimate:
    """Estimates the time that remains from the pace of the steps so far.

    Parameters
    ----------
    clock : callable
        Seconds from any start.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self.clock = clock
        self.steps: dict[str, Step] = {}

    def hear(self, step: str, done: int, of: int) -> Step:
        """Take note of progress; the step as it is now."""
        now = self.clock()
        known = self.steps.get(step)
        if known is None or known.of != of:
            known = self.steps[step] = Step(of)
            if not done:
                return known  # announced
        if known.began is None:
            known.began = now
            if done < of:
                known.found = done
        known.done = done
        known.seconds = now - known.began
        return known

    def remaining_s(self) -> float | None:
        """Seconds to go; None while nothing is known."""
        if not any(s.began is not None for s in self.steps.values()):
            return None
        usual = sum(USUAL_S.get(n, 1.0) * (s.done - s.found) for n, s in self.steps.items())
        taken = sum(s.seconds for s in self.steps.values())
        pace = taken / usual if taken > TELLING_S and usual > 0 else 1.0  # of this machine against the usual one
        total = 0.0
        for name, step in self.steps.items():
            own = step.done - step.found
            each = step.seconds / own if own and step.seconds > TELLING_S else pace * USUAL_S.get(name, 1.0)
            total += each * (step.of - step.done)
        return total


def in_words(seconds: float) -> str:
    """A time that remains, as exactly as it is known.

    >>> in_words(3.2), in_words(48), in_words(200), in_words(5000)
    ('a few seconds', 'about 50 s', 'about 3 min', 'about 1 h 23 min')
    """
    if seconds < 10:
        return "a few seconds"
    if seconds < 90:
        return f"about {round(seconds, -1):.0f} s"
    minutes = round(seconds / 60)
    return f"about {minutes} min" if minutes < 60 else f"about {minutes // 60} h {minutes % 60} min"

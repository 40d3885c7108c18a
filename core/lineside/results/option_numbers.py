"""What options are compared by: levels, limits, people."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db
from lineside.contracts import LimitCheck
from lineside.engine.option_run import Considered
from lineside.engine.options import FORECAST, RATED, SAME_RATIO
from lineside.project.model import Receiver
from lineside.project.types import PERIODS
from lineside.results import options as model
from lineside.results.findings import RESOLUTION_DB, Question, window_text
from lineside.results.ratings import effective_limit_db, period_weights

DIGITS = 3
NIGHT = PERIODS.index("night")


@dataclass(frozen=True, eq=False)
class Numbers:
    """What all options are compared by; levels (n_options, n_receivers, ...), the project as it is first."""

    energy: Array  # rated, (n_options, n_receivers, n_periods)
    lden_db: Array  # (n_options, n_receivers)
    periods_db: Array
    forecast_db: Array | None  # Lden by the forecast's calculators
    receivers: tuple[Receiver, ...]
    hours: Array

    @property
    def dwellings(self) -> Array:
        return np.array([r.dwellings for r in self.receivers], dtype=np.float64)

    @property
    def persons(self) -> Array:
        return np.array([r.persons for r in self.receivers], dtype=np.float64)


def numbers_of(considered: Considered) -> Numbers:
    scene = considered.evaluation.plan.scenes.reference.scene
    hours = np.bincount(scene.period_of_hour, minlength=len(scene.period_names)).astype(np.float64)
    energy = considered.levels.energy[RATED]
    other = considered.levels.energy.get(FORECAST)
    return Numbers(
        energy=energy,
        lden_db=to_db(lden_energy(energy, hours)),
        periods_db=to_db(energy),
        forecast_db=None if other is None else to_db(lden_energy(other, hours)),
        receivers=considered.prepared.loaded.project.receivers,
        hours=hours,
    )


def same_levels(considered: Considered, n: int) -> bool:
    """Whether an option leaves every level as it is."""
    return all(np.allclose(e[n], e[0], rtol=SAME_RATIO, atol=0.0) for e in considered.levels.energy.values())


def indicator(numbers: Numbers, n: int, name: str) -> Array:
    return numbers.lden_db[n] if name == "lden_db" else numbers.periods_db[n, :, NIGHT]


class Checks:
    """Checks of limits that average levels can answer, and those that they cannot.

    ``of_passes``: receivers with limits for single passes; ``passes``: option -> receiver -> largest mean square of a
    pass, for the options for which it was computed.
    """

    def __init__(self, considered: Considered, numbers: Numbers, asked: Sequence[Question]) -> None:
        scene = considered.evaluation.plan.scenes.reference.scene
        index = {r.id: k for k, r in enumerate(numbers.receivers)}
        self.groups: dict[tuple[str, str, str, str | None], list[tuple[int, Array | int, LimitCheck]]] = {}
        self.left_out: set[str] = set()
        self.of_passes: set[int] = set()
        self.toned = False
        for question in asked:
            for check in question.checks:
                weights: Array | int = 0
                if check.window is not None:
                    weights = considered.evaluation.windows.index(check.window)
                elif check.quantity == "lafmax_db":
                    self.of_passes.add(index[question.receiver])
                else:
                    found = period_weights(check, scene)
                    if found is None:
                        self.left_out.add(f"{question.criterion}, {check.label}")
                        continue
                    weights = found
                self.toned |= check.tone is not None
                key = (question.criterion, check.label, check.quantity, window_text(check.window))
                self.groups.setdefault(key, []).append((index[question.receiver], weights, check))
        self._numbers, self._windows = numbers, considered.levels.windows
        self.passes: dict[int, dict[int, float]] = {}

    def above(self, n: int) -> list[model.AboveLimit]:
        """Receivers, dwellings and persons above each limit, before and with option n."""
        out = []
        for (criterion, label, quantity, window), members in self.groups.items():
            if quantity == "lafmax_db" and not {0, n} <= self.passes.keys():
                continue
            before, now = (self._over(k, members) for k in (0, n))
            counts = {
                name + suffix: int(values[over].sum())
                for suffix, over in (("_before", before), ("", now))
                for name, values in (
                    ("receivers", np.ones(len(self._numbers.receivers))),
                    ("dwellings", self._numbers.dwellings),
                    ("persons", self._numbers.persons),
                )
            }
            out.append(model.AboveLimit(criterion=criterion, label=label, quantity=quantity, window=window, **counts))
        return out

    def above_any(self, n: int) -> model.AboveAny:
        """Receivers, dwellings and persons above one limit or more with option n; 0: the project as it is.

        Limits of single passes are left out, as they are compared for some options only.
        """
        of_means = [members for key, members in self.groups.items() if key[2] != "lafmax_db"]
        over = sorted({r for members in of_means for r in self._over(n, members)})
        return model.AboveAny(
            receivers=len(over),
            dwellings=int(self._numbers.dwellings[over].sum()),
            persons=int(self._numbers.persons[over].sum()),
        )

    def _over(self, n: int, members: Sequence[tuple[int, Array | int, LimitCheck]]) -> list[int]:
        over = []
        for r, weights, check in members:
            if check.quantity == "lafmax_db":
                energy = self.passes[n][r]
            elif isinstance(weights, int):
                energy = self._windows[n, r, weights]
            else:
                energy = self._numbers.energy[n, r] @ weights
            level = float(to_db(energy)) + check.adjustment_db
            if level > effective_limit_db(check) + RESOLUTION_DB:
                over.append(r)
        return over


def digits(value: float) -> float:
    return round(float(value), DIGITS) + 0.0


def finite(value: float) -> float | None:
    return round(float(value), DIGITS) if math.isfinite(value) else None

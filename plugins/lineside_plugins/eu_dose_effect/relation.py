"""Shares of highly annoyed and highly sleep-disturbed people.

References
----------
.. [1] Directive 2002/49/EC, Annex III, as set by Directive (EU) 2020/367, formulae 5 and 8.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import Citation, DataFile, Options, Verification
from lineside.measures import DoseEffect
from lineside.scene.model import BoolArray
from lineside.tables import load_table

_WORDS = {"highly_annoyed": "highly annoyed", "highly_sleep_disturbed": "highly disturbed in their sleep"}


class EuDoseEffect(DoseEffect):
    """Absolute risk, (a0 + a1 L + a2 L^2) per cent of the people exposed to a level L, [1]."""

    name = "eu_2020_367"
    title = "Harmful effects of railway noise, Directive (EU) 2020/367"
    version = "1.0"
    sources = (
        Citation(
            key="2020/367",
            title="Directive (EU) 2020/367, establishing assessment methods for harmful effects of environmental noise",
            issuer="European Commission",
            year=2020,
            part="Annex III, formulae 5 and 8",
        ),
    )
    verification = Verification.COMPUTED
    verification_note = (
        "The coefficients are from memory; they give 10.3 % highly annoyed at Lden 54 dB and 3.1 % highly "
        "sleep-disturbed at Lnight 44 dB, where the WHO guidelines of 2018 state 10 and 3 %."
    )
    effects: ClassVar[Mapping[str, str]] = {"highly_annoyed": "lden_db", "highly_sleep_disturbed": "lnight_db"}
    words: ClassVar[Mapping[str, str]] = _WORDS
    caution = (
        "The relations describe people who have long been exposed to a steady level at their most exposed facade. "
        "They do not describe how people react to a sudden change, such as a fresh whine of ground rails."
    )

    def __init__(self) -> None:
        self._table = load_table("lineside_plugins.eu_dose_effect", "risk")

    def data_files(self) -> tuple[DataFile, ...]:
        return (self._table.data_file,)

    def statement(self, options: Options) -> str:
        return (
            "The share of people with a harmful effect follows from the level at their receiver by the quadratic "
            "curves of the directive, evaluated at the level itself. Below the lowest and above the highest level of "
            "the table the value at that level is held, so that nothing is gained there; people outside are counted."
        )

    def share(self, effect: str, level_db: Array) -> Array:
        a0, a1, a2, low, high = self._row(effect)
        level = np.clip(level_db, low, high)
        return np.clip((a0 + a1 * level + a2 * level**2) / 100.0, 0.0, 1.0)

    def valid(self, effect: str, level_db: Array) -> BoolArray:
        *_, low, high = self._row(effect)
        return np.asarray((level_db >= low) & (level_db <= high))

    def _row(self, effect: str) -> tuple[float, float, float, float, float]:
        row = self._table.text["effect"].index(effect)
        a0, a1, a2, low, high = (float(self._table[c][row]) for c in ("a0", "a1", "a2", "from_db", "to_db"))
        return a0, a1, a2, low, high

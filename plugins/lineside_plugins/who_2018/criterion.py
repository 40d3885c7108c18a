"""Railway recommendations of the WHO Environmental Noise Guidelines for the European Region.

References
----------
.. [1] World Health Organization, Regional Office for Europe: Environmental Noise Guidelines for the
   European Region, 2018, recommendations for railway noise.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Citation, Criterion, DataFile, LimitCheck, NotApplicable, Options, ReceiverUse
from lineside.tables import load_table

_SYMBOLS = {"lden": "Lden", "lnight": "Lnight"}
# Our reading: annoyance (Lden) concerns people who stay there, sleep disturbance (Lnight) people who sleep there.
_USES = {
    "lden": ("dwelling", "hospital", "care_home", "school"),
    "lnight": ("dwelling", "hospital", "care_home"),
}


class Who2018(Criterion):
    """Guideline values, not law: average exposure at the most exposed facade."""

    name = "who_2018"
    title = "WHO Environmental Noise Guidelines 2018, railway noise"
    version = "1.0"
    sources = (
        Citation(
            key="who_2018",
            title="Environmental Noise Guidelines for the European Region",
            issuer="World Health Organization, Regional Office for Europe",
            year=2018,
            part="recommendations for railway noise",
        ),
    )
    verification_note = "The two values were read in summaries of the guidelines, not in the guidelines themselves."
    place = "WHO European Region"
    valid_from = "2018"
    nature = "guideline value, not law"
    caution = (
        "The values are health recommendations for long-term average exposure at the most exposed facade; "
        "they bind nobody unless a law or permit says so."
    )

    def __init__(self) -> None:
        self._table = load_table("lineside_plugins.who_2018", "railway_levels")

    def data_files(self) -> tuple[DataFile, ...]:
        return (self._table.data_file,)

    def statement(self, options: Options) -> str:
        limits = dict(zip(self._table.text["quantity"], self._table["limit_db"], strict=True))
        return (
            "Computed levels are compared, unrounded, with the values that the WHO recommends for railway noise: "
            f"Lden {limits['lden']:.0f} dB and, where people sleep, Lnight {limits['lnight']:.0f} dB, at the most "
            "exposed facade. Lden applies to dwellings, hospitals, care homes and schools, Lnight to the first three; "
            "this division by use is ours, the guidelines speak of the exposed population."
        )

    def checks(self, receiver: ReceiverUse, options: Options) -> Sequence[LimitCheck] | NotApplicable:
        """Lden where people live or learn, Lnight where they sleep."""
        found = [
            LimitCheck(f"{quantity}_db", float(limit), _SYMBOLS[quantity])
            for quantity, limit in zip(self._table.text["quantity"], self._table["limit_db"], strict=True)
            if receiver.use in _USES[quantity]
        ]
        return found or NotApplicable(
            "The guideline values are for places where people live, sleep or learn; "
            f"this receiver's use is {receiver.use!r}."
        )

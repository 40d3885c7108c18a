"""Immission limits by use and kind of area, as a limit set.

References
----------
.. [1] 16. BImSchV (Verkehrslärmschutzverordnung), Section 2 (1) limits, 2 (2) kind of area, 2 (3) uses by day only,
   Section 4 periods; Annex 2 no. 8.2.1: the rating level is rounded up to a whole dB before it is compared.
   Wording including the regulation of 4 November 2020 (BGBl. I p. 2334).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

from pydantic import Field

from lineside.contracts import (
    Citation,
    Criterion,
    DataFile,
    LimitCheck,
    NotApplicable,
    Options,
    ReceiverUse,
    Verification,
    Window,
)
from lineside.tables import load_table

DAY = Window(6, 22)
NIGHT = Window(22, 6)

_ROW_OF_USE = {"hospital": 1, "school": 1, "care_home": 1}
_ROW_OF_AREA = {"residential": 2, "mixed": 3, "commercial": 4}
_AREA_WORDS = {
    1: "row 1, sensitive use",
    2: "row 2, residential area",
    3: "row 3, mixed area",
    4: "row 4, commercial area",
}


class LimitOptions(Options):
    """What the project may say about uses."""

    day_only_uses: tuple[Literal["dwelling", "hospital", "school", "care_home", "office", "other"], ...] = Field(
        default=("school", "office"),
        description="Uses that take place only by day; they are compared with the day limit only (Section 2 (3))",
    )


class ImmissionLimits(Criterion):
    """Limits of the rating level by day and night; the levels compared come from the method of the project."""

    name = "de_16bimschv"
    title = "Immission limits of the German 16. BImSchV"
    version = "1.0"
    sources = (
        Citation(
            key="16_bimschv",
            title="16. BImSchV (Verkehrslärmschutzverordnung)",
            issuer="Federal Republic of Germany",
            year=2020,
            part="Section 2; Section 4; Annex 2 no. 8.2.1; wording including BGBl. I 2020 p. 2334",
        ),
    )
    verification = Verification.PUBLISHED
    verification_note = (
        "This concerns the limits only: they were typed from the wording of March 2022 and compared with it in a "
        "second full reading; later amendments were not checked. How the rating level was computed is said at the "
        "calculators."
    )
    options_model = LimitOptions
    place = "Germany: building or essential change of railways and tramways (Section 1)"
    valid_from = "wording of 4 November 2020; check the current law"
    nature = "legal limit (indicative comparison unless by the method de_16bimschv)"
    caution = (
        "The regulation asks for a rating level by its own method (Annex 2), here de_16bimschv. Levels of any other "
        "method make this comparison indicative: it then proves neither that a limit is kept nor that it is broken. "
        "The limits apply to the building or essential change of railways, not to existing lines as such. "
        "Check the current law."
    )

    def __init__(self) -> None:
        self._table = load_table("lineside_plugins.de_16bimschv", "immission_limits")

    def data_files(self) -> tuple[DataFile, ...]:
        return (self._table.data_file,)

    def statement(self, options: Options) -> str:
        assert isinstance(options, LimitOptions)
        text = (
            "Average levels over day (06-22 h) and night (22-06 h) are rounded up to whole dB and compared with the "
            "limits of Section 2 (1), by use for hospitals, schools and care homes and by kind of area for all else. "
            "No rail bonus is subtracted. The rating level of the regulation asks for its own method (Annex 2), here "
            "de_16bimschv: with levels of another method the comparison is indicative."
        )
        if options.day_only_uses:
            text += f" Compared by day only (Section 2 (3)): {', '.join(options.day_only_uses)}."
        return text

    def checks(self, receiver: ReceiverUse, options: Options) -> Sequence[LimitCheck] | NotApplicable:
        """Day and night limit of the row that the receiver's use or area belongs to."""
        assert isinstance(options, LimitOptions)
        if receiver.use == "outdoor":
            return NotApplicable("The limits protect buildings by their use; this receiver's use is 'outdoor'.")
        row = _ROW_OF_USE.get(receiver.use) or _ROW_OF_AREA.get(receiver.area or "")
        if row is None:
            return NotApplicable(
                "The limit depends on the kind of area. Write area: residential, mixed or commercial at this receiver, "
                "as the zoning plan says (Section 2 (2))."
            )
        i = int((self._table["row"] == row).argmax())
        day = LimitCheck("laeq_db", float(self._table["lr_day_db"][i]), f"Day 06–22 h, {_AREA_WORDS[row]}", DAY, "up")
        night = LimitCheck(
            "laeq_db", float(self._table["lr_night_db"][i]), f"Night 22–06 h, {_AREA_WORDS[row]}", NIGHT, "up"
        )
        return (day,) if receiver.use in options.day_only_uses else (day, night)

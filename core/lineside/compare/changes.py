"""The differences between two assessments, as data."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

#: Levels that differ by less are the same: this is half of the last digit that is printed. [dB]
SAME_DB = 0.05
#: Intervals of which both ends moved by less are the same: draws, and whole decibels as printed, tell no more. [dB]
SAME_INTERVAL_DB = 0.5
#: Probabilities that differ by less are the same: they are printed in steps of this.
SAME_SHARE = 0.05

Interval = tuple[float, float]  # low, high [dB]

Kind = Literal["changed", "added", "removed"]


@dataclass(frozen=True)
class Change:
    """A value, an entry or a file; ``before`` and ``after`` are worded, empty where there is none."""

    kind: Kind
    where: str
    before: str = ""
    after: str = ""


@dataclass(frozen=True)
class LevelChange:
    """A level at a receiver or at the facades of a building; null is silence."""

    place: str
    name: str
    quantity: str
    before_db: float | None
    after_db: float | None

    @property
    def change_db(self) -> float | None:
        """None where one of the levels is silence."""
        if self.before_db is None or self.after_db is None:
            return None
        return self.after_db - self.before_db


@dataclass(frozen=True)
class VerdictChange:
    """A comparison with a limit that comes out otherwise, or whose limit is another one.

    ``crossing``: the limit is exceeded in one of both only.
    """

    place: str
    criterion: str
    label: str
    quantity: str
    window: str
    limit_before_db: float | None
    limit_after_db: float | None
    compared_before_db: float | None
    compared_after_db: float | None
    verdict_before: str
    verdict_after: str

    @property
    def crossing(self) -> Literal["", "now exceeded", "now kept"]:
        above = (self.verdict_before == "above", self.verdict_after == "above")
        if above == (False, True):
            return "now exceeded"
        # a limit that is no longer compared with is not kept
        return "now kept" if above == (True, False) and self.verdict_after in ("well below", "borderline") else ""


@dataclass(frozen=True)
class IntervalChange:
    """The 90 % interval of a level, low and high; null is silence."""

    place: str
    quantity: str
    before_db: Interval | None
    after_db: Interval | None


@dataclass(frozen=True)
class ProbabilityChange:
    """The probability that a limit is exceeded, 0 to 1."""

    place: str
    criterion: str
    label: str
    quantity: str
    window: str
    before: float
    after: float


@dataclass(frozen=True)
class DateChange:
    """A date of the time line; a reason instead where there is no date."""

    place: str
    what: str
    before: str
    after: str


@dataclass(frozen=True)
class About:
    """One of the two assessments."""

    source: str
    title: str
    revision: str
    date: str
    lineside_version: str
    project_sha256: str
    situation: str
    n_receivers: int


@dataclass(frozen=True)
class Comparison:
    """All that changed from the first assessment to the second."""

    first: About
    second: About
    inputs: Sequence[Change]
    files: Sequence[Change]
    methods: Sequence[Change]
    receivers_added: Sequence[str]
    receivers_removed: Sequence[str]
    levels: Sequence[LevelChange]
    n_levels: int
    verdicts: Sequence[VerdictChange]
    findings_added: int
    findings_removed: int
    dates: Sequence[DateChange]
    ranges: Sequence[Change] = ()
    intervals: Sequence[IntervalChange] = ()
    n_intervals: int = 0
    probabilities: Sequence[ProbabilityChange] = ()
    n_probabilities: int = 0
    options: Sequence[Change] = ()

    @property
    def same(self) -> bool:
        """Nothing differs."""
        return not any(
            (
                *(self.inputs, self.files, self.methods, self.receivers_added, self.receivers_removed),
                *(self.levels, self.verdicts, self.dates, self.findings_added, self.findings_removed),
                *(self.ranges, self.intervals, self.probabilities, self.options),
            )
        )

    def as_json(self) -> dict[str, Any]:
        """Plain data."""
        out = {name: value for name, value in asdict(self).items()}
        for row, change in zip(out["levels"], self.levels, strict=True):
            row["change_db"] = None if change.change_db is None else round(change.change_db, 3)
        for row, verdict in zip(out["verdicts"], self.verdicts, strict=True):
            row["crossing"] = verdict.crossing
        thresholds = {
            "same_below_db": SAME_DB,
            "same_interval_below_db": SAME_INTERVAL_DB,
            "same_probability_below": SAME_SHARE,
        }
        return {"same": self.same, **thresholds, **out}

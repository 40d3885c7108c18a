"""What a verification found."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import Any, Literal

from lineside.errors import LinesideError

#: Levels follow if they are within this of the recomputed ones. [dB]
TOLERANCE_DB = 0.05
#: All other numbers follow if they are within this share of the recomputed ones.
TOLERANCE_RATIO = 1e-6

Kind = Literal["attachment", "check sum", "version", "plugin", "result", "table", "figure", "text", "page"]


class UnusablePdf(LinesideError):
    """The file is no PDF that can be checked: damaged, encrypted, hostile, or not a report of lineside."""


@dataclass(frozen=True)
class Deviation:
    """One thing that does not follow.

    ``where`` is said in words ("T6.1, row R1, column Lden"); ``page`` counts from 1; ``found`` is what the PDF has,
    ``follows`` what its inputs give.
    """

    kind: Kind
    where: str
    message: str
    found: str = ""
    follows: str = ""
    page: int | None = None

    def __str__(self) -> str:
        on = f" (page {self.page})" if self.page is not None else ""
        values = f": printed {self.found or 'nothing'}, follows {self.follows or 'nothing'}"
        if self.kind == "result":
            values = f": attached {self.found or 'nothing'}, follows {self.follows or 'nothing'}"
        return f"{self.where}{on}: {self.message}" + (values if self.found or self.follows else "")


@dataclass(frozen=True)
class Check:
    """One step of a verification: what was looked at, and what deviates."""

    name: str
    said: str
    deviations: tuple[Deviation, ...] = ()
    notices: tuple[str, ...] = ()
    done: bool = True


@dataclass(frozen=True)
class Verification:
    """All that was checked.

    ``other_version``: lineside or a plugin differs from those that made the PDF, so that deviations may come from it.
    ``missing_plugins``: nothing could be recomputed, since these are not installed.
    """

    file: str
    checks: tuple[Check, ...]
    other_version: bool
    missing_plugins: tuple[str, ...]
    seconds: Mapping[str, float] = field(default_factory=dict)

    @property
    def deviations(self) -> tuple[Deviation, ...]:
        return tuple(d for check in self.checks for d in check.deviations)

    @property
    def follows(self) -> bool:
        """All checks were made and nothing deviates."""
        return not self.deviations and all(check.done for check in self.checks)

    def as_json(self) -> dict[str, Any]:
        """Plain data, with the tolerances and the verdict."""
        return {
            "file": self.file,
            "follows": self.follows,
            "may_come_from_version": self.other_version and not self.follows,
            "tolerance_db": TOLERANCE_DB,
            "tolerance_ratio": TOLERANCE_RATIO,
            "missing_plugins": list(self.missing_plugins),
            "checks": [asdict(check) for check in self.checks],
            "seconds": {name: round(value, 3) for name, value in self.seconds.items()},
        }

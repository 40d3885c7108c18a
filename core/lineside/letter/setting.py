"""What every part of one letter starts from: the results, the address, the language."""

from __future__ import annotations

from dataclasses import dataclass

from lineside.letter.addressees import Addressee
from lineside.letter.index import Index
from lineside.report.selection import identity
from lineside.report.strings import Strings
from lineside.results.model import Explanation, Finding, Level, ReceiverResult, ReceiverTimeline


@dataclass(frozen=True, eq=False)
class Setting:
    """One letter to be."""

    index: Index
    who: Addressee
    strings: Strings

    def __call__(self, key: str, /, **values: object) -> str:
        """A wording, with the words for trains and for the place filled in."""
        return self.strings(key, **{"trains": self.trains, "place": self.place, **values})

    @property
    def trains(self) -> str:
        """Trains or trams."""
        kind = next(iter(self.index.kinds)) if len(self.index.kinds) == 1 else "train"
        return self.strings.known("trains", kind)

    @property
    def train(self) -> str:
        """One of them."""
        return self.strings.known("one_train", "tram" if self.index.kinds == {"tram"} else "train")

    @property
    def place(self) -> str:
        """The reader's home, or what else stands at the address."""
        return self.strings(f"place.{self.who.use}" if self.strings.has(f"place.{self.who.use}") else "place.other")

    @property
    def today(self) -> str:
        """Date that the levels are for, ISO 8601."""
        return self.index.results.situation.date

    @property
    def detailed(self) -> ReceiverResult | None:
        """The listed receiver here, or else one nearby."""
        return self.who.receiver or self.who.near

    @property
    def timeline(self) -> ReceiverTimeline | None:
        """Levels in time of that receiver, where something is heard."""
        found = self.index.timelines.get(self.detailed.id) if self.detailed else None
        return found if found is not None and found.before_db["lden"] is not None else None

    @property
    def explanation(self) -> Explanation | None:
        """Why the level there is not that from before the works."""
        return self.index.explanations.get(self.detailed.id) if self.detailed else None

    @property
    def levels(self) -> dict[str, Level]:
        """Lden and the level of each period: of the building's loudest facade, or of the receiver, the louder one."""
        building, receiver = self.who.building, self.who.receiver
        own: dict[str, Level] = {"lden": receiver.lden_db, **receiver.period_db} if receiver is not None else {}
        if building is None:
            return own
        if receiver is None:
            return dict(building.highest_db)
        heard = {q: [v for v in (own.get(q), building.highest_db.get(q)) if v is not None] for q in own}
        return {q: max(v) if v else None for q, v in heard.items()}

    @property
    def at_facade(self) -> bool:
        """Whether the level printed is that of the building's loudest facade."""
        receiver, building = self.who.receiver, self.who.building
        return building is not None and (receiver is None or self.levels["lden"] != receiver.lden_db)

    @property
    def findings(self) -> list[Finding]:
        """Comparisons for this address: each limit once, at its worst; limits of the project first, guidelines last."""
        own = self.index.findings.get(self.who.receiver.id, []) if self.who.receiver is not None else []
        worst: dict[tuple[object, ...], Finding] = {}
        for f in [*own, *(self.who.building.findings if self.who.building is not None else [])]:
            key = (f.criterion, f.label, f.quantity, f.window, f.limit_db)
            if key not in worst or _excess(f) > _excess(worst[key]):
                worst[key] = f
        rank = self.index.criterion_rank
        return sorted(worst.values(), key=lambda f: rank.get(f.criterion, len(rank)))

    @property
    def authority(self) -> str:
        """Who decides, by the project; empty where it does not say."""
        return identity(self.index.results, "competent_authority")


def _excess(finding: Finding) -> float:
    return finding.difference_db if finding.difference_db is not None else float("-inf")

"""What the template of the letter may use: finished words, in order."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True)
class LimitRow:
    """One comparison with a limit."""

    what: str
    by: str  # who set the limit; empty where it is that of the row above
    level: str
    limit: str
    kept: str


@dataclass(frozen=True)
class Block:
    """A paragraph, one that stays with what follows, a list, a table, a picture, or a note of what is missing."""

    kind: Literal["text", "lead", "items", "limits", "picture", "facts", "missing"]
    text: str = ""
    entries: Sequence[str] = ()
    rows: Sequence[LimitRow] = ()
    facts: Sequence[tuple[str, str]] = ()
    source: str = ""
    alt: str = ""
    width_mm: float = 0.0


@dataclass(frozen=True)
class Part:
    """A heading with what stands below it."""

    head: str
    blocks: Sequence[Block]


@dataclass(frozen=True)
class Letter:
    """One letter."""

    id: str
    language: str
    title: str
    bookmark: str
    author: str
    day: str  # ISO 8601
    date: str  # as printed
    sender: str
    sender_name: str
    address: Sequence[str]
    address_missing: str
    subject: str
    greeting: str
    draft: str
    footer: str
    reference: str
    parts: Sequence[Part]


def text(*sentences: str) -> list[Block]:
    """One paragraph of the sentences that are not empty; none without any."""
    said = " ".join(s for s in sentences if s)
    return [Block("text", said)] if said else []


def items(lead: str, entries: Sequence[str]) -> list[Block]:
    """A list with its lead; nothing without entries."""
    return [Block("items", lead, tuple(entries))] if entries else []

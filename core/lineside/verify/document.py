"""A printed document as blocks of text, tables and figures, in reading order: the same for a PDF and for HTML."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

_INVISIBLE = dict.fromkeys(map(ord, "\u00ad\u2010\u200b\ufeff"))
_HYPHEN = re.compile(r"(?<=[^\W\d_])-(?=[^\W\d_])")
_NUMBER = re.compile(r"[−-]?\d+(?:[.,:]\d+)*")
_TABLE_ID = re.compile(r"\s*([TF][0-9A-Z]+\.\d+)")
_LEADER = re.compile(r"(?:\s*\.){3,}\s*(\d+)\s*$")


@dataclass
class Node:
    """An element of either kind of document; ``text`` is set for words only."""

    role: str
    children: list[Node] = field(default_factory=list)
    text: str = ""
    page: int | None = None
    alt: str = ""
    pictured: str = ""  # words inside a figure


@dataclass(frozen=True)
class Block:
    """A paragraph, heading, list entry, caption, or row of a table without a caption."""

    text: str
    page: int | None
    section: str


@dataclass(frozen=True)
class Row:
    cells: tuple[str, ...]
    page: int | None


@dataclass
class Table:
    """A table with an id, joined again where it goes over pages."""

    id: str
    caption: str
    header: tuple[str, ...]
    rows: list[Row]
    page: int | None


@dataclass
class Figure:
    """A picture: its description and the words in it; the id is that of the caption below it."""

    alt: str
    words: str
    page: int | None
    id: str = ""


@dataclass
class Document:
    blocks: list[Block] = field(default_factory=list)
    tables: list[Table] = field(default_factory=list)
    figures: list[Figure] = field(default_factory=list)
    #: Entries of lists of contents: words, printed page number, page on which the entry stands.
    contents: list[tuple[str, int, int | None]] = field(default_factory=list)


BLOCKS = {"P", "H1", "H2", "H3", "H4", "H5", "H6", "L", "LI", "Table", "THead", "TBody", "TFoot", "TR", "TH", "TD"}
BLOCKS |= {"Caption", "Figure", "Div", "Sect", "Document", "BlockQuote", "TOC", "TOCI", "Part", "Art"}


@lru_cache(maxsize=100_000)
def plain(text: str) -> str:
    """Text without what a line break may add or take away: blanks, and hyphens between letters.

    >>> plain("rail grin- ding, at -5.0 m"), plain("2026-11-20")
    ('railgrinding,at-5.0m', '2026-11-20')
    """
    text = unicodedata.normalize("NFC", text).translate(_INVISIBLE)
    return _HYPHEN.sub("", "".join(text.split()))


def tidy(text: str) -> str:
    """Text on one line, for messages."""
    return " ".join(unicodedata.normalize("NFC", text).translate(_INVISIBLE).split())


def numbers(text: str) -> list[str]:
    """The numbers in a text.

    >>> numbers("R1: 61.2 dB, −0.4 dB")
    ['1', '61.2', '−0.4']
    """
    return _NUMBER.findall(text)


def words(node: Node) -> str:
    """All text in an element; line by line, so that a blank stands between lines."""
    if not node.children:
        return node.text
    return " ".join(words(child) for child in node.children if child.role != "Lbl")


def is_inline(node: Node) -> bool:
    """Has it neither a block in it nor is it one?"""
    return node.role not in BLOCKS and all(is_inline(child) for child in node.children)


def read(root: Node) -> Document:
    """Blocks, tables and figures of a tree of elements."""
    found = Document()
    _Walk(found).visit(root)
    return found


class _Walk:
    def __init__(self, out: Document) -> None:
        self.out = out
        self.chapter = self.section = ""
        self.last: Table | None = None

    def visit(self, node: Node) -> None:
        if node.role == "Table":
            self._table(node)
        elif node.role == "Figure":
            self.out.figures.append(Figure(node.alt, node.pictured or words(node), node.page))
        else:
            self._children(node)

    def _children(self, node: Node) -> None:
        run: list[Node] = []
        for child in node.children:
            if is_inline(child):
                run.append(child)
                continue
            self._block(node, run)
            run = []
            self.visit(child)
        self._block(node, run)

    def _block(self, node: Node, run: Sequence[Node]) -> None:
        text = tidy(" ".join(words(part) for part in run if part.role != "Lbl"))
        if not text:
            return
        page = next((p for p in map(_page, run) if p is not None), node.page)
        led = _LEADER.search(text)
        if led is not None and node.role in ("LI", "LBody", "P"):
            text = text[: led.start()]
            self.out.contents.append((text, int(led[1]), page))
        if node.role == "H1":
            self.section = self.chapter = text
        elif node.role == "H2":
            self.section = f"{self.chapter}, {text}" if self.chapter else text
        named = _TABLE_ID.match(text)
        if named is not None and self.out.figures and not self.out.figures[-1].id and named[1].startswith("F"):
            self.out.figures[-1].id = named[1]
        self.last = None
        self.out.blocks.append(Block(text, page, self.section))

    def _table(self, node: Node) -> None:
        caption = next((tidy(words(c)) for c in node.children if c.role == "Caption"), "")
        head = [r for c in node.children if c.role == "THead" for r in c.children if r.role == "TR"]
        body = [r for c in node.children if c.role in ("TBody", "TFoot") for r in c.children if r.role == "TR"]
        body += [r for r in node.children if r.role == "TR"]
        header = tuple(cell for row in head for cell in _cells(row))
        rows = [Row(_cells(row), _page(row) if _page(row) is not None else node.page) for row in body]
        named = _TABLE_ID.match(caption)
        if named is not None:
            self.last = Table(named[1], caption, header, rows, rows[0].page if rows else node.page)
            self.out.tables.append(self.last)
        elif not caption and header and self.last is not None and _alike(header, self.last.header):
            self.last.rows += rows
        else:
            for row in [*([Row(header, node.page)] if header else []), *rows]:
                self.out.blocks.append(Block(tidy(" ".join(row.cells)), row.page, self.section))
            if caption:
                self.out.blocks.append(Block(caption, node.page, self.section))


def _alike(a: Sequence[str], b: Sequence[str]) -> bool:
    return [plain(x) for x in a] == [plain(x) for x in b]


def _cells(row: Node) -> tuple[str, ...]:
    return tuple(tidy(words(cell)) for cell in row.children if cell.role in ("TH", "TD"))


def _page(node: Node) -> int | None:
    """The page of the first words in an element."""
    if not node.children:
        return node.page if node.text else None
    return next((p for p in map(_page, node.children) if p is not None), None)

"""Compares what is printed with what should be, number by number and word by word."""

from __future__ import annotations

import difflib
import re
from collections import Counter
from collections.abc import Iterator, Sequence

from lineside.verify.document import Block, Document, Row, Table, numbers, plain
from lineside.verify.findings import Check, Deviation
from lineside.verify.printed import Printed

MAX_SHOWN = 160
_SENTENCE = re.compile(r"(?<=[.!?])\s+(?=[A-Z0-9−])")


def compare(printed: Printed, follows: Document, margins: Sequence[Sequence[str]]) -> list[Check]:
    """Checks of tables, text, figures and pages.

    Parameters
    ----------
    follows : Document
        What the inputs give.
    margins : sequence
        For each page, the words of its margins.
    """
    document = printed.document
    cells = [c for t in document.tables for r in t.rows for c in r.cells]
    n_cells, n_numbers = len(cells), sum(len(numbers(c)) for c in cells)
    n_text = sum(len(numbers(b.text)) for b in document.blocks)
    n_figures = sum(len(numbers(f.words)) + len(numbers(f.alt)) for f in document.figures)
    return [
        Check(
            "printed tables",
            f"{len(document.tables)} tables, {n_cells} cells, {n_numbers} numbers",
            tuple(_tables(document.tables, follows.tables)),
        ),
        Check(
            "printed text",
            f"{len(document.blocks)} paragraphs and entries, {n_text} numbers",
            (*_text(document.blocks, follows.blocks), *_contents(document)),
        ),
        Check(
            "printed figures",
            f"{len(document.figures)} figures, {n_figures} numbers in them and in their descriptions",
            tuple(_figures(document, follows)),
        ),
        Check("pages", f"{printed.n_pages} pages: margins, and nothing drawn over", tuple(_pages(printed, margins))),
    ]


def _tables(printed: Sequence[Table], follows: Sequence[Table]) -> Iterator[Deviation]:
    counts = Counter(t.id for t in printed)
    for name in sorted(n for n, count in counts.items() if count > 1):
        page = _page([t.page for t in printed if t.id == name][-1])
        yield Deviation("table", name, "is printed more than once", page=page)
    ours = {t.id: t for t in reversed(printed)}
    theirs = {t.id: t for t in follows}
    for name, table in theirs.items():
        if name not in ours:
            yield Deviation("table", name, "is not printed")
            continue
        yield from _table(ours[name], table)
    for name, table in ours.items():
        if name not in theirs:
            yield Deviation("table", name, "is printed, but does not follow", page=_page(table.page))


def _table(printed: Table, follows: Table) -> Iterator[Deviation]:
    page = _page(printed.page)
    if plain(printed.caption) != plain(follows.caption):
        yield Deviation("table", f"{printed.id}, caption", "differs", printed.caption, follows.caption, page)
    if len(printed.header) != len(follows.header):
        yield Deviation("table", f"{printed.id}, header", "differs", _row(printed.header), _row(follows.header), page)
    else:
        for n, (a, b) in enumerate(zip(printed.header, follows.header, strict=True), 1):
            if plain(a) != plain(b):
                yield Deviation("table", f"{printed.id}, header of column {n}", "differs", a, b, page)
    firsts = Counter(r.cells[:1] for r in follows.rows)
    n_named = 2 if any(count > 1 for count in firsts.values()) else 1  # cells that name a row
    for pair in _pairs([r.cells for r in printed.rows], [r.cells for r in follows.rows]):
        mine = printed.rows[pair[0]] if pair[0] is not None else None
        yours = follows.rows[pair[1]] if pair[1] is not None else None
        if mine is None and yours is not None:
            where = f"{printed.id}, row {_label(yours, pair[1], n_named)}"
            yield Deviation("table", where, "row is not printed", "", _row(yours.cells), page)
        elif mine is not None and yours is None:
            where = f"{printed.id}, row {_label(mine, pair[0], n_named)}"
            yield Deviation("table", where, "row does not follow", _row(mine.cells), "", _page(mine.page))
        elif mine is not None and yours is not None:
            where = f"{printed.id}, row {_label(yours, pair[1], n_named)}"
            yield from _cells(where, mine, yours, follows.header)


def _cells(where: str, mine: Row, yours: Row, header: Sequence[str]) -> Iterator[Deviation]:
    if len(mine.cells) != len(yours.cells):
        yield Deviation("table", where, "cells differ", _row(mine.cells), _row(yours.cells), _page(mine.page))
        return
    for n, (a, b) in enumerate(zip(mine.cells, yours.cells, strict=True)):
        if plain(a) != plain(b):
            column = header[n] if len(header) == len(yours.cells) and header[n] else f"{n + 1}"
            yield Deviation("table", f"{where}, column {column}", "differs", _cut(a), _cut(b), _page(mine.page))


def _pairs(mine: Sequence[Sequence[str]], yours: Sequence[Sequence[str]]) -> Iterator[tuple[int | None, int | None]]:
    """Which row belongs to which; those that are equal are left out."""
    a, b = [tuple(map(plain, r)) for r in mine], [tuple(map(plain, r)) for r in yours]
    if len(a) == len(b):
        yield from ((k, k) for k in range(len(a)) if a[k] != b[k])
        return
    for tag, i, j, k, n in difflib.SequenceMatcher(None, a, b, autojunk=False).get_opcodes():
        if tag == "equal":
            continue
        left, right = list(range(i, j)), list(range(k, n))
        first = {a[m][:1]: m for m in left}
        for m in right:
            own = first.pop(b[m][:1], None)
            yield own, m
            if own is not None:
                left.remove(own)
        yield from ((m, None) for m in left)


def _label(row: Row, k: int | None, n_named: int) -> str:
    name = ", ".join(row.cells[:n_named])
    return f"{_cut(name, 60)!r}" + (f" ({k + 1})" if k is not None else "")


def _text(printed: Sequence[Block], follows: Sequence[Block]) -> Iterator[Deviation]:
    a, b = [plain(x.text) for x in printed], [plain(x.text) for x in follows]
    for tag, i, j, k, n in difflib.SequenceMatcher(None, a, b, autojunk=False).get_opcodes():
        if tag == "equal" or "".join(a[i:j]) == "".join(b[k:n]):
            continue  # the latter: one paragraph over two pages
        if j - i == n - k:
            for mine, yours in zip(printed[i:j], follows[k:n], strict=True):
                if plain(mine.text) != plain(yours.text):
                    yield from _sentences(mine, yours)
        else:
            yield from _sentences(_joined(printed[i:j]), _joined(follows[k:n]))


def _joined(blocks: Sequence[Block]) -> Block:
    if not blocks:
        return Block("", None, "")
    return Block(" ".join(b.text for b in blocks), blocks[0].page, blocks[0].section)


def _sentences(mine: Block, yours: Block) -> Iterator[Deviation]:
    """The sentences that differ, or the place where two texts begin to."""
    where, page = f"text of {yours.section or mine.section or 'the cover'!r}", _page(mine.page)
    a, b = _SENTENCE.split(mine.text), _SENTENCE.split(yours.text)
    if len(a) == len(b):
        for x, y in zip(a, b, strict=True):
            if plain(x) != plain(y):
                yield Deviation("text", where, "differs", *_around(x, y), page)
        return
    yield Deviation("text", where, "differs", *_around(mine.text, yours.text), page)


def _around(a: str, b: str) -> tuple[str, str]:
    """Both texts near their first difference."""
    first, second = _first_difference(a, b)
    return _near(a, first), _near(b, second)


def _first_difference(a: str, b: str) -> tuple[int, int]:
    """Where two texts begin to differ, blanks aside."""
    i = j = 0
    while i < len(a) and j < len(b):
        if a[i].isspace():
            i += 1
        elif b[j].isspace():
            j += 1
        elif a[i] != b[j]:
            break
        else:
            i, j = i + 1, j + 1
    return i, j


def _near(text: str, at: int) -> str:
    start = 0 if len(text) <= MAX_SHOWN else max(0, at - MAX_SHOWN // 2)
    return ("…" if start else "") + _cut(text[start:]) if text else ""


def _contents(document: Document) -> Iterator[Deviation]:
    """Page numbers in lists of contents that lead elsewhere."""
    places = [(plain(b.text), b.page) for b in document.blocks]
    places += [(plain(t.caption), t.page) for t in document.tables]
    for words, number, page in document.contents:
        found = {p for text, p in places if p is not None and p != page and text.startswith(plain(words))}
        if number - 1 not in found and number - 1 != page:
            yield Deviation(
                "text", f"contents, {_cut(words, 60)!r}", "leads to another page", str(number), _any(found), _page(page)
            )


def _any(pages: set[int]) -> str:
    return " or ".join(str(p + 1) for p in sorted(pages))


def _figures(printed: Document, follows: Document) -> Iterator[Deviation]:
    if len(printed.figures) != len(follows.figures):
        found = f"{len(printed.figures)} figures"
        yield Deviation("figure", "figures", "another number of them", found, f"{len(follows.figures)} figures")
        return
    for k, (mine, yours) in enumerate(zip(printed.figures, follows.figures, strict=True), 1):
        where, page = yours.id or f"figure {k}", _page(mine.page)
        if plain(mine.words) != plain(yours.words):
            yield Deviation("figure", where, "words in the picture differ", *_around(mine.words, yours.words), page)
        if plain(mine.alt) != plain(yours.alt):
            yield Deviation("figure", f"{where}, description", "differs", *_around(mine.alt, yours.alt), page)


def _pages(printed: Printed, margins: Sequence[Sequence[str]]) -> Iterator[Deviation]:
    for page, text in printed.astray:
        yield Deviation("page", "outside the structure", "is printed over the report", _cut(text), "", page + 1)
    for page, kind in printed.annotations:
        yield Deviation("page", "annotation", f"of kind {_cut(kind, 40)} lies over the page", page=page + 1)
    for page, what in printed.drawn:
        message = "cannot be seen" if what == "hidden words" else "lies outside the figures"
        yield Deviation("page", what, message, page=page + 1)
    for page, wanted in enumerate(margins):
        found = [text for k, text in printed.margins if k == page]
        if plain("".join(found)) != plain("".join(wanted)):
            yield Deviation("page", "margins", "differ", " | ".join(found), " | ".join(wanted), page + 1)


def _page(page: int | None) -> int | None:
    return None if page is None else page + 1


def _row(cells: Sequence[str]) -> str:
    return _cut(" | ".join(cells))


def _cut(text: str, limit: int = MAX_SHOWN) -> str:
    return text if len(text) <= limit else text[: limit - 1] + "…"

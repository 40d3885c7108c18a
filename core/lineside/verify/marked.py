"""The text of PDF pages by its marks: the words of each marked piece, of artifacts, and of what is not marked at all.

References
----------
.. [1] ISO 32000-1:2008, 9.4.3 (showing text), 9.10.3 (ToUnicode), 14.6 (marked content).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from lineside.verify.findings import UnusablePdf
from lineside.verify.opening import content_of
from lineside.verify.pen import Pen

MAX_PAGES = 5_000
MAX_PAGE_BYTES = 40_000_000
MAX_ALL_PAGES_BYTES = 400_000_000
MAX_FONT_MAP_BYTES = 5_000_000
MAX_FORMS = 8
#: Operations walked and letters shown, in all pages together; what is drawn again counts again.
MAX_OPERATIONS = 5_000_000
MAX_LETTERS = 100_000_000
#: Stands for a glyph without a letter.
UNKNOWN = "\N{REPLACEMENT CHARACTER}"

_CHAR = re.compile(rb"<([0-9a-fA-F]{1,8})>\s*<([0-9a-fA-F]*)>")
_RANGE = re.compile(rb"<([0-9a-fA-F]{1,8})>\s*<([0-9a-fA-F]{1,8})>\s*<([0-9a-fA-F]*)>")


@dataclass
class PageText:
    """Words of one page."""

    marked: dict[int, list[str]] = field(default_factory=dict)
    artifacts: list[str] = field(default_factory=list)
    unmarked: list[str] = field(default_factory=list)
    drawn: list[tuple[int | None, str]] = field(default_factory=list)  # the mark in which it lies, and what it is


@dataclass(frozen=True)
class Font:
    """How codes of a font become letters."""

    letters: Mapping[int, str]
    n_bytes: int

    def decode(self, codes: bytes) -> str:
        if self.n_bytes == 1:
            return "".join(self.letters.get(c, chr(c) if not self.letters else UNKNOWN) for c in codes)
        pairs = (int.from_bytes(codes[k : k + 2], "big") for k in range(0, len(codes), 2))
        return "".join(self.letters.get(c, UNKNOWN) for c in pairs)


class Reader:
    """Reads pages one after the other, within bounds; fonts are read once."""

    def __init__(self, pdf: Any) -> None:
        self._fonts: dict[Any, Font] = {}
        self._forms: dict[Any, list[Any]] = {}
        self._n_bytes = self._n_operations = self._n_letters = 0
        self.pages = list(pdf.pages)
        if len(self.pages) > MAX_PAGES:
            raise UnusablePdf(f"the PDF has more than {MAX_PAGES} pages; no report has")

    def read(self, number: int) -> PageText:
        """The words of a page, counted from 0."""
        page, found = self.pages[number], PageText()
        resources = page.obj.get("/Resources") or page.get("/Resources")
        self._walk(self._operations(page.obj, page.obj.get("/Contents")), resources, found, [], 0)
        return found

    def _operations(self, owner: Any, contents: Any) -> list[Any]:
        """Drawing operations of a page or a form."""
        import pikepdf

        streams = list(contents) if isinstance(contents, pikepdf.Array) else [contents] if contents is not None else []
        for stream in streams:
            content = content_of(stream, MAX_PAGE_BYTES)
            self._n_bytes += len(content or b"")
            if content is None or self._n_bytes > MAX_ALL_PAGES_BYTES:
                raise UnusablePdf("a page holds more than any page of a report, or is damaged")
        return list(pikepdf.parse_content_stream(owner)) if streams else []

    def _walk(self, operations: list[Any], resources: Any, out: PageText, marks: list[Any], depth: int) -> None:
        self._n_operations += len(operations)
        if self._n_operations > MAX_OPERATIONS:
            raise UnusablePdf(f"the pages draw more than {MAX_OPERATIONS:,} things, and more are not read")
        font, fonts = None, _part(resources, "/Font")
        kept: list[Font | None] = []
        own, pen = len(marks), Pen()
        for operands, operator in operations:
            name = str(operator)
            what = pen.follow(name, operands)
            if what:
                out.drawn.append((_inner(marks), what))
            if name == "q":
                kept.append(font)
            elif name == "Q":
                font = kept.pop() if kept else None
            elif name == "Tf":
                font = self._font(fonts.get(str(operands[0])) if fonts is not None else None)
            elif name in ("BDC", "BMC"):
                marks.append(_mark(operands))
            elif name == "EMC":
                if len(marks) > own:
                    marks.pop()
            elif name in ("Tj", "TJ", "'", '"'):
                shown = _shown(operands[-1], font or Font({}, 1))
                self._n_letters += len(shown)
                if self._n_letters > MAX_LETTERS:
                    raise UnusablePdf("the pages show more words than any report")
                _put(out, marks, shown)
            elif name == "ET":
                _put(out, marks, " ")  # a picture has one text object for each of its words
            elif name in ("Do", "INLINE IMAGE"):
                self._draw(operands, resources, out, marks, depth)

    def _draw(self, operands: Any, resources: Any, out: PageText, marks: list[Any], depth: int) -> None:
        objects = _part(resources, "/XObject")
        drawn = objects.get(str(operands[0])) if objects is not None and len(operands) == 1 else None
        if drawn is None or drawn.get("/Subtype") != "/Form":
            out.drawn.append((_inner(marks), "picture"))
            return
        out.drawn.append((_inner(marks), "drawing"))
        if depth >= MAX_FORMS:
            raise UnusablePdf("drawings lie inside one another deeper than in any report")
        key = drawn.objgen
        if key not in self._forms:
            self._forms[key] = self._operations(drawn, drawn)
        self._walk(self._forms[key], drawn.get("/Resources") or resources, out, marks, depth + 1)

    def _font(self, font: Any) -> Font:
        if font is None:
            return Font({}, 1)
        key = font.objgen
        if key not in self._fonts:
            wide = font.get("/Subtype") == "/Type0"
            table = font.get("/ToUnicode")
            content = content_of(table, MAX_FONT_MAP_BYTES) if table is not None else b""
            self._fonts[key] = Font(letters_of(content or b""), 2 if wide else 1)
        return self._fonts[key]


def letters_of(table: bytes) -> dict[int, str]:
    """Letters by code, from a ToUnicode table.

    >>> letters_of(b"1 beginbfchar <0003> <0041> endbfchar 1 beginbfrange <0005> <0006> <0061> endbfrange")
    {3: 'A', 5: 'a', 6: 'b'}
    """
    found: dict[int, str] = {}
    for block in re.findall(rb"beginbfchar(.*?)endbfchar", table, re.S):
        for code, letters in _CHAR.findall(block):
            found[int(code, 16)] = _utf16(letters)
    for block in re.findall(rb"beginbfrange(.*?)endbfrange", table, re.S):
        for low, high, letters in _RANGE.findall(block):
            first, text = int(low, 16), _utf16(letters)
            for k in range(min(int(high, 16) - first + 1, 65_536)):
                found[first + k] = text[:-1] + chr(min(ord(text[-1]) + k, 0x10FFFF)) if text else ""
    return found


def _utf16(digits: bytes) -> str:
    return bytes.fromhex(digits.decode() if len(digits) % 2 == 0 else "0" + digits.decode()).decode(
        "utf-16-be", errors="replace"
    )


def _part(resources: Any, name: str) -> Any:
    return resources.get(name) if resources is not None else None


def _mark(operands: Any) -> Any:
    """The number of a marked piece, "artifact", or None for another mark."""
    import pikepdf

    if len(operands) == 2 and isinstance(operands[1], pikepdf.Dictionary) and "/MCID" in operands[1]:
        return int(operands[1].MCID)
    return "artifact" if operands and str(operands[0]) == "/Artifact" else None


def _shown(shown: Any, font: Font) -> str:
    import pikepdf

    parts = shown if isinstance(shown, pikepdf.Array) else [shown]
    return "".join(font.decode(bytes(p)) for p in parts if isinstance(p, pikepdf.String | bytes))


def _inner(marks: list[Any]) -> int | None:
    """The number of the innermost marked piece; None in an artifact and outside all marks."""
    mark = next((m for m in reversed(marks) if m is not None), None)
    return mark if isinstance(mark, int) else None


def _put(out: PageText, marks: list[Any], text: str) -> None:
    mark = next((m for m in reversed(marks) if m is not None), None)
    if mark is None:
        out.unmarked.append(text)
    elif mark == "artifact":
        out.artifacts.append(text)
    else:
        out.marked.setdefault(mark, []).append(text)

"""What HTML a plugin's section may give, so that the report stays whole, safe and accessible.

Allowed are headings ``h3`` and below it ``h4``, paragraphs, lists, tables and words set apart; attributes are ``class``
(``num``, ``note``, ``lead``), ``scope``, ``colspan``, ``rowspan`` and ``lang``. There are no scripts, styles, pictures,
links or comments. Every table has a caption, a row of column headings in ``thead``, and rows of one width in ``tbody``
that begin with a heading of their own. Ids are given here: ``TC.<section>.<number>`` for tables.
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from html.parser import HTMLParser

#: Element -> where it may stand; the section itself is "".
_BLOCKS = frozenset({"", "li", "td", "dd"})
_WORDS = frozenset({"p", "h3", "h4", "li", "dt", "dd", "caption", "th", "td", "span", "strong", "em", "b", "i"})
INSIDE: Mapping[str, frozenset[str]] = {
    "h3": frozenset({""}),
    "h4": frozenset({""}),
    "p": _BLOCKS,
    "ul": _BLOCKS,
    "ol": _BLOCKS,
    "dl": frozenset({""}),
    "li": frozenset({"ul", "ol"}),
    "dt": frozenset({"dl"}),
    "dd": frozenset({"dl"}),
    "table": frozenset({""}),
    "caption": frozenset({"table"}),
    "thead": frozenset({"table"}),
    "tbody": frozenset({"table"}),
    "tr": frozenset({"thead", "tbody"}),
    "th": frozenset({"tr"}),
    "td": frozenset({"tr"}),
    **{name: _WORDS for name in ("span", "strong", "em", "b", "i", "sub", "sup", "code", "br")},
}
#: Elements in which words may stand.
_TEXT = (_WORDS | {"sub", "sup", "code"}) - {""}
CLASSES = frozenset({"num", "text", "note", "lead"})
_SCOPES = frozenset({"col", "row", "colgroup", "rowgroup"})


@dataclass(frozen=True)
class Checked:
    """A section's HTML as it enters the report, and its tables: id, caption."""

    html: str
    tables: tuple[tuple[str, str], ...]


@dataclass
class _Table:
    id: str
    line: int
    caption: str = ""
    parts: list[str] = field(default_factory=list)
    widths: list[tuple[str, int]] = field(default_factory=list)  # of each row: thead or tbody, columns
    down: list[int] = field(default_factory=list)  # columns that cells from above still fill, by row to come


def checked(fragment: str, section: str) -> Checked:
    """Check the HTML of a section and give its tables their ids.

    Parameters
    ----------
    fragment : str
        What the template gave.
    section : str
        Name of the section.

    Raises
    ------
    ValueError
        With everything that is not allowed, and its line in the HTML.
    """
    reader = _Reader(section)
    reader.feed(fragment)
    reader.close()
    problems = reader.problems + [f"<{tag}> is not closed" for tag in reader.open]
    if not reader.said:
        problems.append("there is no text")
    if problems:
        raise ValueError("; ".join(problems))
    return Checked("".join(reader.out).strip(), tuple((t.id, t.caption) for t in reader.tables))


class _Reader(HTMLParser):
    def __init__(self, section: str) -> None:
        super().__init__(convert_charrefs=True)
        self.section = section
        self.problems: list[str] = []
        self.out: list[str] = []
        self.open: list[str] = []
        self.tables: list[_Table] = []
        self.said = False
        self._heading = 2
        self._words: list[str] = []  # of the open caption, heading cell or heading
        self._cells: list[tuple[str, int]] = []  # of the open row

    def _wrong(self, what: str) -> None:
        self.problems.append(f"line {self.getpos()[0]}: {what}")

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        parent = self.open[-1] if self.open else ""
        if tag not in INSIDE:
            self._wrong(f"<{tag}> is not allowed; allowed are {', '.join(INSIDE)}")
        elif parent not in INSIDE[tag] and parent in ("", *INSIDE):
            self._wrong(f"<{tag}> may not stand in {f'<{parent}>' if parent else 'the section itself'}")
        given = self._attributes(tag, attrs)
        self._structure(tag, given)
        if tag != "br":
            self.open.append(tag)
        written = "".join(f' {name}="{html.escape(value)}"' for name, value in given.items())
        self.out.append(f"<{tag}{written}>")
        if tag == "caption" and self.tables:
            self.out.append(f"<b>{self.tables[-1].id}</b> ")

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)
        if tag != "br":
            self.handle_endtag(tag)

    def handle_endtag(self, tag: str) -> None:
        if not self.open or self.open[-1] != tag:
            self._wrong(f"</{tag}> closes nothing that is open here")
            return
        self.open.pop()
        self.out.append(f"</{tag}>")
        self._end(tag)

    def handle_data(self, data: str) -> None:
        if data.strip():
            self.said = True
            if not self.open or self.open[-1] not in _TEXT:
                self._wrong(f"the words {data.strip()[:30]!r} stand outside of a paragraph, cell or list")
        self._words.append(data)
        self.out.append(html.escape(data, quote=False))

    def handle_comment(self, data: str) -> None:
        self._wrong("a comment")

    def handle_decl(self, decl: str) -> None:
        self._wrong("a declaration")

    def handle_pi(self, data: str) -> None:
        self._wrong("a processing instruction")

    def unknown_decl(self, data: str) -> None:
        self._wrong("a declaration")

    def _attributes(self, tag: str, attrs: list[tuple[str, str | None]]) -> dict[str, str]:
        given: dict[str, str] = {}
        for name, value in attrs:
            value = value or ""
            fits = {
                "class": set(value.split()) <= CLASSES,
                "scope": tag == "th" and value in _SCOPES,
                "colspan": tag in ("th", "td") and re.fullmatch(r"[1-9]\d?", value) is not None,
                "rowspan": tag in ("th", "td") and re.fullmatch(r"[1-9]\d?", value) is not None,
                "lang": re.fullmatch(r"[A-Za-z]{2,3}(-[A-Za-z0-9]{2,8})*", value) is not None,
            }
            if fits.get(name, False):
                given[name] = value
            else:
                self._wrong(f"the attribute {name}={value[:40]!r} of <{tag}> is not allowed")
        if tag == "table":
            found = _Table(f"TC.{self.section}.{len(self.tables) + 1}", self.getpos()[0])
            self.tables.append(found)
            given |= {"class": "data", "id": found.id}
        return given

    def _structure(self, tag: str, given: dict[str, str]) -> None:
        """Order of headings, and of the parts of tables."""
        if tag in ("h3", "h4"):
            level = int(tag[1])
            if level > self._heading + 1:
                self._wrong(f"<{tag}> without a heading above it: the first is <h3>")
            self._heading = level
        if tag in ("caption", "thead", "tbody") and self.tables:
            self.tables[-1].parts.append(tag)
        if tag == "tr":
            self._cells = []
        if tag in ("th", "td"):
            self._cell(tag, given)
        if tag in ("caption", "th", "h3", "h4"):
            self._words = []

    def _cell(self, tag: str, given: dict[str, str]) -> None:
        head = "thead" in self.open
        if head and tag == "td":
            self._wrong("a cell of <thead> must be <th>")
        if tag == "th":
            wanted = ("col", "colgroup") if head else ("row", "rowgroup")
            if given.get("scope") not in wanted:
                self._wrong(f"<th> in {'<thead>' if head else '<tbody>'} needs scope={wanted[0]!r}")
        if not head and tag == "td" and not self._cells and not (self.tables and any(self.tables[-1].down[:1])):
            self._wrong("a row of <tbody> must begin with <th scope='row'>")
        self._cells.append((tag, int(given.get("colspan", "1"))))
        if self.tables:
            down = self.tables[-1].down
            for k in range(1, int(given.get("rowspan", "1"))):
                down.extend([0] * (k + 1 - len(down)))
                down[k] += int(given.get("colspan", "1"))

    def _end(self, tag: str) -> None:
        if tag in ("caption", "th", "h3", "h4") and not "".join(self._words).strip():
            self._wrong(f"<{tag}> is empty")
        if not self.tables:
            return
        table = self.tables[-1]
        if tag == "caption":
            table.caption = " ".join("".join(self._words).split())
        elif tag == "tr":
            above = table.down.pop(0) if table.down else 0
            part = "thead" if "thead" in self.open else "tbody"
            table.widths.append((part, sum(n for _, n in self._cells) + above))
        elif tag == "table":
            self._whole(table)

    def _whole(self, table: _Table) -> None:
        if table.parts != ["caption", "thead", "tbody"]:
            self._wrong("a table has one <caption>, one <thead> and one <tbody>, in this order")
        if len({n for _, n in table.widths}) > 1 or any(table.down):
            self._wrong("the rows of a table must have the same number of columns")
        if {part for part, _ in table.widths} != {"thead", "tbody"}:
            self._wrong("a table needs a row of column headings and a row below it")

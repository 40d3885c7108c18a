"""The same document as HTML, made anew from results: what should be printed."""

from __future__ import annotations

import base64
import re
import urllib.parse
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser

from lineside.verify.document import Document, Node, read

_ROLES = {
    **{f"h{k}": f"H{k}" for k in range(1, 7)},
    "p": "P",
    "ul": "L",
    "ol": "L",
    "li": "LI",
    "table": "Table",
    "thead": "THead",
    "tbody": "TBody",
    "tfoot": "TFoot",
    "tr": "TR",
    "th": "TH",
    "td": "TD",
    "caption": "Caption",
    "figcaption": "Caption",
    "figure": "Div",
    "div": "Div",
    "dl": "Div",
    "dt": "P",
    "dd": "P",
    "pre": "P",
    "section": "Sect",
    "blockquote": "BlockQuote",
}
_EMPTY = {"meta", "link", "col", "br", "hr", "img", "input", "wbr"}
_SILENT = {"head", "style", "script", "title", "colgroup"}


def read_html(page: str) -> Document:
    """Blocks, tables and figures of a page that our own templates made."""
    parser = _Parser()
    parser.feed(page)
    parser.close()
    return read(parser.root)


class _Parser(HTMLParser):
    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("Document")
        self._open: list[tuple[str, Node]] = [("", self.root)]
        self._silent: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if self._silent or tag in _SILENT:
            if tag not in _EMPTY:
                self._silent.append(tag)
            return
        given = {name: value or "" for name, value in attrs}
        if tag == "img":
            figure = Node("Figure", alt=given.get("alt", ""), pictured=words_in(given.get("src", "")))
            self._open[-1][1].children.append(figure)
        elif tag == "br":
            self._open[-1][1].children.append(Node("Text", text=" "))
        elif tag not in _EMPTY:
            node = Node(_ROLES.get(tag, "Span"))
            self._open[-1][1].children.append(node)
            self._open.append((tag, node))

    def handle_endtag(self, tag: str) -> None:
        if self._silent:
            if tag in self._silent:
                while self._silent.pop() != tag:
                    pass
            return
        if tag in {name for name, _ in self._open}:
            while self._open.pop()[0] != tag:
                pass

    def handle_data(self, data: str) -> None:
        if not self._silent and data.strip():
            self._open[-1][1].children.append(Node("Text", text=data))


def words_in(address: str) -> str:
    """The words of a picture that is part of the page, in the order in which they are drawn."""
    found = re.match(r"data:image/svg\+xml(;[^,]*)?,", address)
    if found is None:
        return ""
    rest = address[found.end() :]
    raw = base64.b64decode(rest) if "base64" in (found[1] or "") else urllib.parse.unquote_to_bytes(rest)
    tree = ElementTree.fromstring(raw)
    texts = (e for e in tree.iter() if e.tag.rpartition("}")[2] == "text")
    return " ".join("".join(t.itertext()) for t in texts)

"""What a PDF prints, read back through its structure tree.

References
----------
.. [1] ISO 32000-1:2008, 14.7 (logical structure), 14.8 (tagged PDF).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from lineside.verify.document import Document, Node, read, tidy
from lineside.verify.findings import UnusablePdf
from lineside.verify.marked import PageText, Reader

MAX_ELEMENTS = 3_000_000
MAX_DEPTH = 80


@dataclass(frozen=True)
class Printed:
    """A PDF's words: in the structure, in the margins (page, words), and where none should be (page, words)."""

    document: Document
    margins: Sequence[tuple[int, str]]
    astray: Sequence[tuple[int, str]]
    annotations: Sequence[tuple[int, str]]
    drawn: Sequence[tuple[int, str]]
    n_pages: int
    language: str


def read_pdf(pdf: Any) -> Printed:
    """Read a tagged PDF.

    Raises
    ------
    UnusablePdf
        If it is not tagged, or larger than any report.
    """
    if "/StructTreeRoot" not in pdf.Root:
        raise UnusablePdf("the PDF has no structure (tags): it is not a report of lineside, or was printed anew")
    reader = Reader(pdf)
    pages = [reader.read(k) for k in range(len(reader.pages))]
    tree = _Tree(pages, {page.objgen: k for k, page in enumerate(reader.pages)})
    root = tree.element(pdf.Root.StructTreeRoot, 0, None)
    astray = [(k, t) for k, page in enumerate(pages) for t in page.unmarked if tidy(t)]
    astray += [
        (k, text)
        for k, page in enumerate(pages)
        for mark, parts in page.marked.items()
        if (k, mark) not in tree.placed and (text := tidy("".join(parts)))
    ]
    return Printed(
        document=read(root),
        margins=[(k, t) for k, page in enumerate(pages) for t in page.artifacts if tidy(t)],
        astray=sorted(astray),
        annotations=[(k, kind) for k, page in enumerate(reader.pages) for kind in _annotations(page.obj)],
        drawn=[
            (k, what)
            for k, page in enumerate(pages)
            for what in dict.fromkeys(w for mark, w in page.drawn if (k, mark) not in tree.in_figures)
        ],
        n_pages=len(pages),
        language=str(pdf.Root.get("/Lang", "")),
    )


def _annotations(page: Any) -> list[str]:
    """Kinds of all annotations but links."""
    found = page.get("/Annots")
    kinds = [str(a.get("/Subtype", "/?")) for a in found] if found is not None else []
    return [kind.removeprefix("/") for kind in kinds if kind != "/Link"]


class _Tree:
    def __init__(self, pages: Sequence[PageText], numbers: dict[Any, int]) -> None:
        self.pages, self.numbers = pages, numbers
        self.placed: set[tuple[int, int]] = set()
        self.in_figures: set[tuple[int, int | None]] = set()
        self._seen: set[Any] = set()
        self._n = 0

    def element(self, item: Any, depth: int, page: int | None) -> Node:
        """An element of the tree with all that is below it."""
        self._n += 1
        if depth > MAX_DEPTH or self._n > MAX_ELEMENTS:
            raise UnusablePdf("the structure of the PDF is larger than that of any report")
        if item.objgen != (0, 0):
            if item.objgen in self._seen:
                raise UnusablePdf("the structure of the PDF leads back into itself")
            self._seen.add(item.objgen)
        page = self._page(item, page)
        node = Node(str(item.get("/S", "/Document")).removeprefix("/"), page=page, alt=str(item.get("/Alt", "")))
        kids = item.get("/K")
        for kid in _listed(kids):
            child = self._kid(kid, depth, page, node.role == "Figure")
            if child is not None:
                node.children.append(child)
        return node

    def _kid(self, kid: Any, depth: int, page: int | None, in_figure: bool) -> Node | None:
        import pikepdf

        if isinstance(kid, pikepdf.Dictionary):
            if "/S" in kid:
                return self.element(kid, depth + 1, page)
            if "/MCID" in kid:
                return self._marked(int(kid.MCID), self._page(kid, page), in_figure)
            return None  # a link's annotation
        return self._marked(int(kid), page, in_figure)

    def _marked(self, mark: int, page: int | None, in_figure: bool) -> Node | None:
        if page is None or (page, mark) in self.placed:
            return None
        self.placed.add((page, mark))
        if in_figure:
            self.in_figures.add((page, mark))
        parts = self.pages[page].marked.get(mark, [])
        return Node("Text", text="".join(parts), page=page)

    def _page(self, item: Any, page: int | None) -> int | None:
        named = item.get("/Pg")
        return self.numbers.get(named.objgen, page) if named is not None else page


def _listed(kids: Any) -> list[Any]:
    import pikepdf

    if kids is None:
        return []
    return list(kids) if isinstance(kids, pikepdf.Array) else [kids]

"""What the templates may use: plain, finished pieces of the report. Templates select nothing and format nothing."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from lineside.figures.style import Picture


@dataclass(frozen=True)
class Column:
    """A column of a table: heading and kind of content."""

    label: str
    kind: Literal["text", "num", "hash"] = "text"

    @property
    def words(self) -> str:
        """The heading without its unit."""
        return self.label.rpartition(", ")[0] or self.label

    @property
    def unit(self) -> str:
        """The unit after the last comma of the heading, kept on one line; empty if there is none."""
        head, _, unit = self.label.rpartition(", ")
        return unit if head else ""


@dataclass(frozen=True)
class Row:
    """Cells in the order of the columns; the first heads the row. ``strong`` rows are printed in semibold.

    A ``group`` has one cell only: a heading for the rows below it.
    """

    cells: tuple[str, ...]
    strong: bool = False
    group: bool = False


@dataclass(frozen=True)
class Table:
    """A table with a fixed id; where it has no rows, ``empty`` says why."""

    id: str
    caption: str
    columns: tuple[Column, ...]
    rows: tuple[Row, ...]
    empty: str
    note: str = ""

    @property
    def widths_pct(self) -> tuple[float, ...]:
        """Share of each column of the width."""
        from lineside.report.widths import percentages

        return percentages(self.columns, self.rows)

    @property
    def dense(self) -> bool:
        """Whether the table is set in smaller type, so that short words stay whole."""
        from lineside.report.widths import crowded

        return crowded(self.columns, self.rows)

    @property
    def short(self) -> bool:
        """Whether the table is kept on one page."""
        from lineside.report.widths import lines

        return len(self.rows) <= 14 and lines(self.columns, self.rows) <= 24


@dataclass(frozen=True)
class Figure:
    """A figure with a fixed id; where there is no picture, ``empty`` says why."""

    id: str
    caption: str
    alt: str
    source: str  # address of the picture; "" if there is none
    width_mm: float
    note: str = ""
    empty: str = ""


def drawn(figure_id: str, caption: str, alt: str, picture: Picture, note: str = "") -> Figure:
    """A figure with its picture inside the page."""
    source = "data:image/svg+xml;base64," + base64.b64encode(picture.svg).decode("ascii")
    return Figure(figure_id, caption, alt, source, picture.width_mm, note)


@dataclass(frozen=True)
class Card:
    """A titled block of facts about one criterion or calculator."""

    title: str
    text: str
    facts: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Heading:
    """An entry of the contents."""

    id: str
    title: str


@dataclass(frozen=True)
class Block:
    """A short heading with sentences."""

    title: str
    sentences: tuple[str, ...]


@dataclass(frozen=True)
class Fragment:
    """Finished HTML of a plugin's report section; ``tables``: id, caption."""

    id: str
    title: str
    about: str
    html: str
    tables: tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Report:
    """All that the templates of the assessment may use."""

    language: str = field(metadata={"help": "Language tag of the document"})
    title: str = field(metadata={"help": "Title of the project"})
    running: str = field(metadata={"help": "Running header: short title and revision"})
    footer: str = field(metadata={"help": "Version of lineside and check sum of the inputs"})
    date: str = field(metadata={"help": "Date of the project file, ISO 8601"})
    author: str = field(metadata={"help": "Author, for the metadata"})
    headings: Sequence[Heading] = field(metadata={"help": "Sections in fixed order with fixed numbers"})
    cover: Sequence[tuple[str, str]] = field(metadata={"help": "Facts on the cover"})
    revision: Sequence[tuple[str, str]] = field(metadata={"help": "Revision block: heading, value"})
    attached: str = field(metadata={"help": "What is embedded in the PDF"})
    terms: Sequence[tuple[str, str]] = field(metadata={"help": "Quantities and words explained: term, meaning"})
    summary: Sequence[Block] = field(metadata={"help": "Summary in plain words"})
    paragraphs: Mapping[str, str] = field(metadata={"help": "Running text by name"})
    lists: Mapping[str, Sequence[str]] = field(metadata={"help": "Lists of sentences by name"})
    tables: Mapping[str, Table] = field(metadata={"help": "Tables by id"})
    figures: Mapping[str, Figure] = field(metadata={"help": "Figures by id"})
    map_ids: Sequence[str] = field(metadata={"help": "Ids of the figures of maps and sections asked for"})
    criteria: Sequence[Card] = field(metadata={"help": "Criteria that were applied"})
    calculators: Sequence[Card] = field(metadata={"help": "Statements of the calculators"})
    fragments: Sequence[Fragment] = field(metadata={"help": "Sections by plugins, for appendix C"})
    listing: Sequence[str] = field(metadata={"help": "Lines of the project file"})
    listing_note: str = field(metadata={"help": "What of the project file is printed"})

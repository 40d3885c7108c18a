"""Widths of table columns from what stands in them.

The PDF engine can find widths by itself, but measures every word of every cell to do so: most of the time of a report
with long texts. Counting characters is enough.
"""

from __future__ import annotations

from collections.abc import Sequence

from lineside.report.views import Column, Row

#: Characters of the tables' size across the text width.
LINE_CHARACTERS = 122.0
PADDING_CHARACTERS = 2.0
#: Text beside a column of numbers stands off a little more.
GAP_CHARACTERS = 2.0
LONGEST_LINE = 130.0
LONGEST_WORD = 24.0
#: Entries up to this length stay on one line where there is room.
SHORT_LINE = 17.0
#: Set in semibold, headings are wider.
HEADING_RATIO = 1.12
#: Check sums may break anywhere.
HASH_CHARACTERS = 32.0
NUMBER_SHARE = 0.4


def percentages(columns: Sequence[Column], rows: Sequence[Row]) -> tuple[float, ...]:
    """Share of each column: enough for its longest word, and the rest by the length of its lines.

    >>> from lineside.report.views import Column, Row
    >>> percentages([Column("Id"), Column("Text")], [Row(("R1", "some words that go on and on for a while"))])
    (9.1, 90.9)
    """
    needs = [_needs(column, [row.cells[k] for row in rows]) for k, column in enumerate(columns)]
    padding = [
        PADDING_CHARACTERS + (GAP_CHARACTERS if k and columns[k - 1].kind == "num" != column.kind else 0.0)
        for k, column in enumerate(columns)
    ]
    budget = LINE_CHARACTERS - sum(padding)
    words, shorts, lines = (list(sizes) for sizes in zip(*needs, strict=True))
    if sum(words) >= budget:
        sizes = words
    elif sum(shorts) >= budget:
        sizes = _between(words, shorts, budget)
    elif sum(lines) >= budget:
        sizes = _between(shorts, lines, budget)
    else:
        # text takes most of what is left over, so that numbers stay near their headings
        weights = [size * (1.0 if c.kind == "text" else NUMBER_SHARE) for size, c in zip(lines, columns, strict=True)]
        extra = budget - sum(lines)
        sizes = [size + extra * weight / sum(weights) for size, weight in zip(lines, weights, strict=True)]
    padded = [size + pad for size, pad in zip(sizes, padding, strict=True)]
    return tuple(round(100.0 * size / sum(padded), 1) for size in padded)


def _between(low: Sequence[float], high: Sequence[float], total: float) -> list[float]:
    """Sizes on the way from ``low`` to ``high`` that sum to ``total``."""
    share = (total - sum(low)) / (sum(high) - sum(low))
    return [a + share * (b - a) for a, b in zip(low, high, strict=True)]


def _needs(column: Column, cells: Sequence[str]) -> tuple[float, float, float]:
    """Characters for the longest word, for short entries on one line, and for the longest line, of a column."""
    # a no-break space keeps a word together, so only plain spaces part words
    heading = HEADING_RATIO * max(len(token) for token in (*f"{column.words},".split(" "), column.unit))
    if column.kind == "hash":
        return HASH_CHARACTERS, HASH_CHARACTERS, 2 * HASH_CHARACTERS
    word = max((len(token) for cell in cells for token in cell.split()), default=0)
    line = max((len(cell) for cell in cells), default=0)
    low = max(heading, HEADING_RATIO * min(float(word), LONGEST_WORD))
    short = max(low, float(line) if line <= SHORT_LINE else low)
    return low, short, max(short, min(float(line), LONGEST_LINE))

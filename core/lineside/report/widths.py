"""Widths of table columns from what stands in them.

The PDF engine can find widths by itself, but measures every word of every cell to do so: most of the time of a report
with long texts. Counting characters is enough.
"""

from __future__ import annotations

import math
import re
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
#: Widths of letters that are far from the mean; a short word may have nothing else.
_LETTERS = {**dict.fromkeys("fijlrt.,:;!|'()[]-/ ", 0.62), **dict.fromkeys("mwMW@%", 1.6)}
#: Check sums may break anywhere.
HASH_CHARACTERS = 23.0
#: Words of fewer letters are never broken; longer ones are hyphenated by the style sheet.
WHOLE_WORD = 10
#: Room for a hyphenated part of a longer word.
BROKEN_WORD = 10.0
#: Longest words that fill more of the line than this leave no room for longer texts.
ROOMY_SHARE = 0.9
#: What fits more on a line in the smaller type of crowded tables.
DENSE_RATIO = 8.1 / 7.3
NUMBER_SHARE = 0.4


def percentages(columns: Sequence[Column], rows: Sequence[Row]) -> tuple[float, ...]:
    """Share of each column: enough for its longest word, and the rest by the length of its lines.

    >>> from lineside.report.views import Column, Row
    >>> percentages([Column("Id"), Column("Text")], [Row(("R1", "some words that go on and on for a while"))])
    (8.7, 91.3)
    """
    needs, padding, budget = _measured(columns, rows)
    firm, words, shorts, lines = (list(sizes) for sizes in zip(*needs, strict=True))
    if sum(firm) >= budget:
        sizes = firm
    elif sum(words) >= budget:
        sizes = _between(firm, words, budget)
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


def crowded(columns: Sequence[Column], rows: Sequence[Row]) -> bool:
    """Whether the longest words of all columns would hardly fit side by side."""
    needs, padding, _ = _measured(columns, rows, dense=False)
    return sum(need[1] for need in needs) > ROOMY_SHARE * (LINE_CHARACTERS - sum(padding))


def lines(columns: Sequence[Column], rows: Sequence[Row]) -> int:
    """About how many lines of print the rows take.

    >>> from lineside.report.views import Column, Row
    >>> lines([Column("Id"), Column("Text")], [Row(("R1", "long words " * 40))])
    4
    """
    total = LINE_CHARACTERS * (DENSE_RATIO if crowded(columns, rows) else 1.0)
    room = [max(share / 100.0 * total - PADDING_CHARACTERS, 1.0) for share in percentages(columns, rows)]
    return sum(
        1 if row.group else max(math.ceil(len(cell) / width) for cell, width in zip(row.cells, room, strict=True))
        for row in rows
    )


def _measured(
    columns: Sequence[Column], rows: Sequence[Row], dense: bool | None = None
) -> tuple[list[tuple[float, float, float, float]], list[float], float]:
    """Needs of each column, its padding, and the characters to be shared out."""
    cells = [row.cells for row in rows if not row.group]
    needs = [_needs(column, [c[k] for c in cells]) for k, column in enumerate(columns)]
    padding = [
        PADDING_CHARACTERS + (GAP_CHARACTERS if k and columns[k - 1].kind == "num" != column.kind else 0.0)
        for k, column in enumerate(columns)
    ]
    if dense is None:
        dense = crowded(columns, rows)
    return needs, padding, LINE_CHARACTERS * (DENSE_RATIO if dense else 1.0) - sum(padding)


def _between(low: Sequence[float], high: Sequence[float], total: float) -> list[float]:
    """Sizes on the way from ``low`` to ``high`` that sum to ``total``."""
    share = (total - sum(low)) / (sum(high) - sum(low))
    return [a + share * (b - a) for a, b in zip(low, high, strict=True)]


def _needs(column: Column, cells: Sequence[str]) -> tuple[float, float, float, float]:
    """Characters of a column: for words never broken, for the longest word, for short entries, for the longest line."""
    if column.kind == "hash":
        return HASH_CHARACTERS, HASH_CHARACTERS, HASH_CHARACTERS, 3 * HASH_CHARACTERS
    heads = [*_words(f"{column.words},"), column.unit]
    words = [word for cell in cells for word in _words(cell)]
    firm = HEADING_RATIO * max(map(_firm, [*heads, *words]))
    longest = max(_width(word) for word in [*heads, *words])
    line = max((len(cell) for cell in cells), default=0)
    low = max(firm, HEADING_RATIO * min(longest, LONGEST_WORD))
    short = max(low, float(line) if line <= SHORT_LINE else low)
    return firm, low, short, max(short, min(float(line), LONGEST_LINE))


def _words(text: str) -> list[str]:
    """Pieces between which a line may end; a no-break space keeps its neighbours together."""
    return [word for word in re.split(r"[ \n]+|(?<=-)(?=[A-Za-z])", text) if word]


def _width(word: str) -> float:
    """Width of a word in mean characters of running text."""
    return sum(_LETTERS.get(c, 1.15 if c.isupper() else 1.05) for c in word)


def _firm(word: str) -> float:
    letters = sum(c.isalpha() for c in word)
    return _width(word) if letters < WHOLE_WORD else min(_width(word), BROKEN_WORD)

"""What is drawn on a page besides words: outside figures a report has borders of tables and rules, and nothing else."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

#: Widest border or rule of the style sheet, with room to spare, in the units in which pages are drawn.
MAX_BORDER = 5.0
TINY = 0.01
#: Words lighter than this cannot be read on white paper.
MAX_LIGHT = 0.75

_PATH = {"m", "l", "c", "v", "y", "re", "h"}
_PAINT = {"f", "F", "f*", "B", "B*", "b", "b*", "S", "s", "sh"}


class Pen:
    """Follows the path that is being built, and the state of words."""

    def __init__(self) -> None:
        self._path: list[tuple[str, Sequence[Any]]] = []
        self.light = False

    def follow(self, name: str, operands: Sequence[Any]) -> str:
        """Take the next operation; what is drawn by it, empty if it is nothing or a border.

        Colours and modes of words are judged too: words that nobody can see are "hidden words".
        """
        if name in _PATH:
            self._path.append((name, operands))
        elif name == "n":
            self._path = []
        elif name in _PAINT:
            path, self._path = self._path, []
            return "" if name == "f*" and _is_border(path) else "drawing"
        elif name in ("g", "rg"):
            self.light = min(float(v) for v in operands) > MAX_LIGHT
        elif name in ("k", "sc", "scn"):
            self.light = False
        elif (name == "Tr" and int(operands[0]) != 0) or (name in ("Tj", "TJ", "'", '"') and self.light):
            return "hidden words"
        return ""


def _is_border(path: Sequence[tuple[str, Sequence[Any]]]) -> bool:
    """Is it a frame: what lies between two rectangles, one inside the other?"""
    if [name for name, _ in path] != ["re", "re"]:
        return False
    a, b = ([float(v) for v in operands] for _, operands in path)
    sides = [b[0] - a[0], b[1] - a[1], a[0] + a[2] - b[0] - b[2], a[1] + a[3] - b[1] - b[3]]
    nested = all(side >= -TINY for side in sides) or all(side <= TINY for side in sides)
    return nested and all(abs(side) <= MAX_BORDER for side in sides)

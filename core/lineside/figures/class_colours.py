"""Colours of the classes of maps.

Lightness or a hatch tells classes apart in greyscale; tested in CIELAB, with simulated colour deficiencies too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from lineside.figures.style import INK

#: Levels, pale to dark: lightness falls all the way.
LEVELS = ("#fbf6e9", "#f3e0b0", "#ecc27f", "#e49c60", "#d57457", "#b75059", "#8d3560", "#5d2559", "#2c1842")
DARK_FROM = 6  # from this edge on, lines and labels are white
#: Differences, from the smallest outward; quieter classes are hatched besides.
SAME = "#fcfbf7"
QUIETER = ("#d3e2ef", "#9dbdd8", "#5f8fba", "#2b5784")
LOUDER = ("#f8dcb9", "#eeac6f", "#cf7434", "#8a3a10")
#: Above a limit; up to the limit, where it lies within the uncertainty, the ground stays white and is hatched.
ABOVE = ("#f6cf9f", "#e48b4e", "#b5403a", "#641230")
BORDERLINE = "#ffffff"


@dataclass(frozen=True)
class ClassStyle:
    """How a class is drawn: colour, None: not at all; ``hatched``; colour of a contour at its lower border."""

    colour: str | None
    hatched: bool = False
    line: str = INK


def level_styles(edges: Sequence[float]) -> list[ClassStyle]:
    """Of the classes of a level map, from below the first border to above the last one, where nothing lies."""
    lines = [INK if k < DARK_FROM else "white" for k in range(len(edges))]
    inner = [ClassStyle(LEVELS[k], line=lines[k]) for k in range(len(edges) - 1)]
    return [ClassStyle(LEVELS[0]), *inner, ClassStyle(LEVELS[len(edges) - 2])]


def difference_styles(edges: Sequence[float]) -> list[ClassStyle]:
    """Of the classes of a difference, whose borders lie alike to both sides of none."""
    n = len(edges) // 2
    quieter = [ClassStyle(QUIETER[k], hatched=True) for k in range(n)]
    return [*reversed(quieter), ClassStyle(SAME), *(ClassStyle(LOUDER[k]) for k in range(n))]


def conflict_styles(edges: Sequence[float]) -> list[ClassStyle]:
    """Of the classes of a conflict map: below, within the uncertainty where there is any, above."""
    n_above = sum(e >= 0.0 for e in edges)
    within = [ClassStyle(BORDERLINE, hatched=True)] * (len(edges) - n_above)
    return [ClassStyle(None), *within, *(ClassStyle(ABOVE[k]) for k in range(n_above))]

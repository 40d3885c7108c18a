"""Lines of equal height of the ground on a map."""

from __future__ import annotations

from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures.labels import text_size_mm
from lineside.figures.place import Sheet
from lineside.figures.words import Words
from lineside.results.model import Site

COLOUR = "#a08f78"
LABEL_PT = 5.5
#: So many labels at most, for one level and in all, and none on pieces shorter than this on paper. [mm]
MOST_LABELS_OF_LEVEL, MOST_LABELS, SHORT_MM = 1, 12, 25.0
_STYLE: dict[str, Any] = {"color": COLOUR, "lw": 0.35}


def draw_height_lines(sheet: Sheet, site: Site, words: Words) -> None:
    """Pale lines below everything that is drawn on the ground."""
    from matplotlib.collections import LineCollection
    from matplotlib.lines import Line2D

    contours = site.terrain.contours if site.terrain is not None else []
    lines = [line for contour in contours for line in contour.lines]
    if not any(sheet.view.holds(*p) for line in lines for p in line):
        return
    sheet.axes.add_collection(LineCollection(lines, colors=COLOUR, lw=0.35, zorder=1.3), autolim=False)
    levels = [contour.level_m for contour in contours]
    step = min(np.diff(levels), default=0.0)
    key = words("map.key_height_lines", step=f"{step:g}") if step else words("map.key_height_line")
    sheet.keys.append((Line2D([], [], **_STYLE), key))


def label_height_lines(sheet: Sheet, site: Site) -> None:
    """The height on some lines, where there is a free place on them."""
    contours = site.terrain.contours if site.terrain is not None else []
    n = 0
    for contour in contours:
        text = f"{contour.level_m:g}"
        pieces = [piece for line in contour.lines for piece in _seen(sheet, line)]
        pieces = sorted((p for p in pieces if _length(p) >= SHORT_MM), key=_length, reverse=True)
        for piece in pieces[:MOST_LABELS_OF_LEVEL]:
            spot = _free(sheet, piece, text)
            if spot is None or n == MOST_LABELS:
                continue
            n += 1
            sheet.axes.text(
                *sheet.view.plan(*spot),
                text,
                fontsize=LABEL_PT,
                color=COLOUR,
                ha="center",
                va="center",
                zorder=1.4,
                bbox={"boxstyle": "square,pad=0.1", "facecolor": "white", "edgecolor": "none"},
                clip_on=True,
            )


def _seen(sheet: Sheet, line: Any) -> list[Array]:
    """Pieces of a line within the view, in mm on paper."""
    from shapely import LineString, box, get_coordinates, get_parts

    view = sheet.view
    inside = LineString(line).intersection(box(view.x_min, view.y_min, view.x_max, view.y_max))
    found = [get_coordinates(part) for part in get_parts(inside) if part.length > 0]
    return [np.array([view.mm(*p) for p in piece]) for piece in found]


def _length(piece: Array) -> float:
    return float(np.hypot(*np.diff(piece, axis=0).T).sum())


def _free(sheet: Sheet, piece: Array, text: str) -> tuple[float, float] | None:
    """The place on a piece nearest to its middle that is free and not at the edge of the map."""
    run = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(piece, axis=0).T))])
    width, _ = text_size_mm(text, LABEL_PT)
    at = np.linspace(width, run[-1] - width, 25)
    at = at[np.argsort(np.abs(at - run[-1] / 2), kind="stable")]
    for x, y in zip(np.interp(at, run, piece[:, 0]), np.interp(at, run, piece[:, 1]), strict=True):
        if sheet.placer.centre([(float(x), float(y))], text, LABEL_PT) is not None:
            return float(x), float(y)
    return None

"""Earthworks on a map: what carries the tracks, as outlines."""

from __future__ import annotations

from typing import Any

from lineside.figures.place import Sheet
from lineside.figures.style import GREY, PALE
from lineside.figures.words import Words
from lineside.results.model import Site

_STYLE: dict[bool, dict[str, Any]] = {
    False: {"facecolor": PALE, "edgecolor": GREY, "lw": 0.5, "ls": "-", "alpha": 0.55},
    True: {"facecolor": "none", "edgecolor": GREY, "lw": 0.8, "ls": (0, (3, 1.5))},
}


_BANK: dict[str, Any] = {"facecolor": PALE, "edgecolor": GREY, "lw": 0.6, "hatch": "////"}


def draw_earthworks(sheet: Sheet, site: Site, words: Words) -> None:
    """Embankments, cuttings and walls as pale areas; viaducts as dashed outlines, as the ground goes on below."""
    from matplotlib.patches import Patch, Polygon

    for work in site.earthworks:
        style = _STYLE[work.kind == "viaduct"]
        sheet.axes.add_patch(Polygon(work.xy, closed=True, zorder=1.8, **style))
    for viaduct, key in ((False, "earthwork"), (True, "viaduct")):
        if any((work.kind == "viaduct") == viaduct for work in site.earthworks):
            sheet.keys.append((Patch(**_STYLE[viaduct]), words(f"map.key_{key}")))
    draw_banks(sheet, site, words)


def draw_banks(sheet: Sheet, site: Site, words: Words) -> None:
    """Earth banks as hatched areas."""
    from matplotlib.patches import Patch, Polygon

    for bank in site.banks:
        sheet.axes.add_patch(Polygon(bank.xy, closed=True, zorder=1.9, **_BANK))
    if site.banks:
        sheet.keys.append((Patch(**_BANK), words("map.key_bank")))

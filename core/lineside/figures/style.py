"""The look of all figures: fonts, sizes, colours, and writing SVG that is the same on every run.

Print first: every distinction is carried by shape, line style or a printed label; colour only repeats it, and all
colours differ in lightness.
"""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: The package with templates and fonts; found by name, since core imports no template package.
TEMPLATE_PACKAGE = "lineside_report"
FONT_FAMILY = "Source Sans 3"
FONT_FILES = ("SourceSans3-Regular.ttf", "SourceSans3-It.ttf", "SourceSans3-Semibold.ttf")

#: Usable width of an A4 page with the margins of the style sheet. [mm]
TEXT_WIDTH_MM = 170.0
MM_PER_INCH = 25.4

INK = "#1b1f24"
GREY = "#6b7178"
PALE = "#d9dce0"
WATER = "#7d97ab"
GROUND = "#eceeea"
#: Line colours, dark to light; always together with a line style and a marker of the same index.
LINES = ("#1b2a49", "#a3421c", "#5b8b9b", "#8a6d9c", "#7a7f2e", "#c08a3e", "#5c5f66", "#9aa5b1")
DASHES: tuple[Any, ...] = (
    "-",
    (0, (5, 2)),
    (0, (1.2, 1.4)),
    (0, (6, 1.5, 1.2, 1.5)),
    (0, (3, 1)),
    (0, (8, 3)),
    (0, (2, 2)),
    (0, (4, 1, 1, 1, 1, 1)),
)
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")


@dataclass(frozen=True)
class Picture:
    """A finished figure: SVG text and its size on paper."""

    svg: bytes
    width_mm: float
    height_mm: float


@cache
def _register_fonts() -> None:
    from matplotlib import font_manager

    for name in FONT_FILES:
        with resources.as_file(resources.files(TEMPLATE_PACKAGE) / "fonts" / name) as path:
            font_manager.fontManager.addfont(str(path))


@contextmanager
def house_style() -> Iterator[None]:
    """Matplotlib settings in force while a figure is drawn and written."""
    import matplotlib

    _register_fonts()
    settings: Any = {
        "font.family": FONT_FAMILY,
        "font.size": 8.5,
        "text.parse_math": False,
        "axes.unicode_minus": True,
        "svg.fonttype": "none",
        "svg.hashsalt": "lineside",
        "axes.edgecolor": GREY,
        "axes.linewidth": 0.6,
        "axes.labelcolor": INK,
        "text.color": INK,
        "xtick.color": GREY,
        "ytick.color": GREY,
        "xtick.labelcolor": INK,
        "ytick.labelcolor": INK,
        "xtick.major.width": 0.6,
        "ytick.major.width": 0.6,
        "xtick.labelsize": 8,
        "ytick.labelsize": 8,
        "axes.titlesize": 9,
        "axes.titleweight": 600,
        "axes.titlelocation": "left",
        "axes.spines.top": False,
        "axes.spines.right": False,
        "axes.axisbelow": True,
        "grid.color": PALE,
        "grid.linewidth": 0.5,
        "legend.frameon": False,
        "legend.fontsize": 8,
        "lines.linewidth": 1.3,
        "lines.markersize": 4.5,
        "hatch.linewidth": 0.5,
    }
    # a matplotlibrc of the user's must not change the report
    own = {k: v for k, v in matplotlib.rcParamsDefault.items() if k not in ("backend", "backend_fallback")}
    with matplotlib.rc_context({**own, **settings}), warnings.catch_warnings():
        # a name in a script that no font covers is printed as boxes; that is no reason to stop
        warnings.filterwarnings("ignore", message="Glyph .* missing from font")
        yield


def new_figure(width_mm: float, height_mm: float) -> Figure:
    """An empty figure of a given size on paper."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH))


def write(figure: Figure) -> Picture:
    """The figure as SVG, the same bytes on every run."""
    buffer = io.BytesIO()
    figure.savefig(buffer, format="svg", dpi=220, transparent=True, metadata={"Date": None, "Creator": None})
    width, height = figure.get_size_inches() * MM_PER_INCH
    return Picture(buffer.getvalue(), float(width), float(height))

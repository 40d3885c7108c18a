"""Charts of the report: speeds along the tracks, octave spectra, and the parts of a level."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from lineside.acoustics.bands import OCTAVES_HZ
from lineside.figures.labels import text_size_mm
from lineside.figures.style import (
    DASHES,
    GREY,
    INK,
    LINES,
    MARKERS,
    TEXT_WIDTH_MM,
    Picture,
    house_style,
    new_figure,
    write,
)
from lineside.figures.words import Words, shorten
from lineside.results.model import Level, ReceiverResult, ServiceInfo, Site

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_SERVICES_PER_PANEL = 6
MAX_SPECTRUM_PANELS = 6
MAX_PARTS = 8
SPEED_PANEL_MM = 105.0


def _box(left: float, bottom: float, width: float, height: float, total_mm: float) -> tuple[float, float, float, float]:
    """Axes rectangle from millimetres, measured from the lower left corner."""
    return left / TEXT_WIDTH_MM, bottom / total_mm, width / TEXT_WIDTH_MM, height / total_mm


def speed_chart(site: Site, words: Words) -> Picture:
    """Speed of each service along its track: one panel per track, the legend beside it."""
    tracks = [t for t in site.tracks if any(s.track == t.id for s in site.services)]
    panel, gap = 36.0, 23.0
    total = len(tracks) * (panel + gap) - 1.0
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        for k, track in enumerate(tracks):
            bottom = total - (k + 1) * (panel + gap) + gap - 10.0
            axes = figure.add_axes(_box(13.0, bottom, SPEED_PANEL_MM, panel, total))
            services = [s for s in site.services if s.track == track.id][:MAX_SERVICES_PER_PANEL]
            _speed_panel(axes, services, words)
            axes.set_title(shorten(words("charts.track", id=track.id, name=track.name), 80), pad=17)
            axes.set_xlim(track.from_m, track.to_m)
            _stop_marks(axes, site, track.id)
        return write(figure)


def _speed_panel(axes: Axes, services: Sequence[ServiceInfo], words: Words) -> None:
    for k, service in enumerate(services):
        arrow = "→" if service.direction == "rising" else "←"
        axes.plot(
            service.profile.chainage_m,
            service.profile.speed_km_h,
            color=LINES[k],
            ls=DASHES[k],
            label=f"{arrow} " + shorten(service.name or service.id, 32),
        )
    axes.set_ylim(0, None)
    axes.margins(y=0.1)
    axes.grid(axis="y")
    axes.set_ylabel(words("charts.speed"))
    axes.set_xlabel(words("charts.chainage"))
    axes.legend(loc="upper left", bbox_to_anchor=(1.02, 1.0), borderaxespad=0, handlelength=3.2)


def _stop_marks(axes: Axes, site: Site, track: str) -> None:
    """A dotted line at each stop with its name above the panel, where no curve runs."""
    low, high = axes.get_xlim()
    ends = [-1.0, -1.0]
    for stop in sorted((s for s in site.stops if s.track == track), key=lambda s: s.chainage_m):
        axes.axvline(stop.chainage_m, color=GREY, lw=0.6, ls=(0, (1, 2)))
        name = shorten(stop.name or stop.id, 20)
        half = 0.5 * text_size_mm(name, 7.0)[0] / SPEED_PANEL_MM
        place = (stop.chainage_m - low) / (high - low)
        # names too near to each other take turns in two rows; where both are full the name is left out
        row = next((k for k in (0, 1) if place - half > ends[k]), None)
        if row is None:
            continue
        ends[row] = place + half
        axes.annotate(
            name,
            (stop.chainage_m, 1.0),
            xycoords=("data", "axes fraction"),
            fontsize=7,
            color=GREY,
            ha="center",
            va="bottom",
            xytext=(0, 1.5 + 7.5 * row),
            textcoords="offset points",
        )


def spectrum_chart(receivers: Sequence[ReceiverResult], periods: Mapping[str, str], words: Words) -> Picture:
    """Octave spectra per period, one panel per receiver, all with the same scale."""
    shown = list(receivers)[:MAX_SPECTRUM_PANELS]
    rows = (len(shown) + 1) // 2
    panel, gap = 40.0, 17.0
    total = rows * (panel + gap) + 7.0
    finite = [v for r in shown for s in r.spectrum_db.values() for v in s if v is not None]
    top = 5.0 * np.ceil((max(finite, default=50.0) + 1.0) / 5.0)
    floor = max(5.0 * np.floor(min(finite, default=0.0) / 5.0), top - 60.0)
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        for k, receiver in enumerate(shown):
            bottom = total - 7.0 - (k // 2 + 1) * (panel + gap) + gap - 5.0
            axes = figure.add_axes(_box(13.0 + (k % 2) * 84.0, bottom, 70.0, panel, total))
            _spectrum_panel(axes, receiver, periods, words)
            axes.set_ylim(floor, top)
            if k >= len(shown) - 2:
                axes.set_xlabel(words("charts.octave"))
            if k == 0:
                handles, labels = axes.get_legend_handles_labels()
                figure.legend(
                    handles,
                    labels,
                    loc="upper left",
                    ncols=len(labels),
                    borderaxespad=0,
                    borderpad=0,
                    bbox_to_anchor=(13.0 / TEXT_WIDTH_MM, 1.0),
                    handlelength=3.2,
                )
        return write(figure)


def _spectrum_panel(axes: Axes, receiver: ReceiverResult, periods: Mapping[str, str], words: Words) -> None:
    place = np.arange(len(OCTAVES_HZ))
    for k, (period, printed) in enumerate(periods.items()):
        levels = [np.nan if v is None else v for v in receiver.spectrum_db.get(period, [])]
        if levels:
            axes.plot(place, levels, color=LINES[k], ls=DASHES[k], marker=MARKERS[k], ms=3.5, label=printed)
    axes.set_xticks(place, [f"{hz / 1000:g}k" if hz >= 1000 else f"{hz:g}" for hz in OCTAVES_HZ])
    axes.set_title(shorten(f"{receiver.id}  {receiver.name}", 40))
    axes.set_ylabel(words("charts.level_octave"))
    axes.grid(axis="y")


def parts_chart(
    receivers: Sequence[ReceiverResult],
    parts: Mapping[str, Mapping[str, Level]],
    names: Mapping[str, str],
    words: Words,
) -> Picture:
    """The parts of each receiver's level as points on one scale; a bar marks the whole.

    Parameters
    ----------
    receivers : sequence of ReceiverResult
        One row each, from the top.
    parts : mapping
        Receiver id to part to level [dB].
    names : mapping
        Part to its printed name, in the order of the legend; at most ``MAX_PARTS`` are drawn.
    """
    shown = list(names)[:MAX_PARTS]
    rows = len(receivers)
    legend_rows = (len(shown) + 3) // 3
    height = 6.2 * rows + 4.0
    total = height + 12.5 + 5.0 * legend_rows
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)
        axes = figure.add_axes(_box(56.0, 11.5, 110.0, height, total))
        _part_points(axes, receivers, parts, shown, names, words)
        axes.set_yticks(range(rows), [shorten(f"{r.id}  {r.name}", 38) for r in receivers], fontsize=7.5)
        axes.set_ylim(rows - 0.4, -0.6)
        axes.set_xlabel(words("charts.level_lden"))
        axes.grid(axis="both")
        axes.tick_params(axis="y", length=0)
        handles, labels = axes.get_legend_handles_labels()
        figure.legend(
            handles,
            labels,
            loc="upper left",
            ncols=3,
            bbox_to_anchor=(0.0, 1.0),
            borderaxespad=0,
            borderpad=0,
            handletextpad=0.5,
            columnspacing=1.5,
        )
        return write(figure)


def _part_points(
    axes: Axes,
    receivers: Sequence[ReceiverResult],
    parts: Mapping[str, Mapping[str, Level]],
    shown: Sequence[str],
    names: Mapping[str, str],
    words: Words,
) -> None:
    rows = np.arange(len(receivers))
    whole = [np.nan if r.lden_db is None else r.lden_db for r in receivers]
    lowest = np.nanmax(whole) - 45.0 if np.isfinite(whole).any() else 0.0
    axes.plot(whole, rows, ls="none", marker="|", ms=13, mew=2.2, color=INK, label=words("charts.whole"), zorder=2)
    for k, part in enumerate(shown):
        levels = [parts.get(r.id, {}).get(part) for r in receivers]
        x = [np.nan if v is None or v < lowest else v for v in levels]
        axes.plot(
            x,
            rows,
            ls="none",
            marker=MARKERS[k],
            color=LINES[k],
            mfc=LINES[k] if k % 2 == 0 else "white",
            mew=1.1,
            ms=5.2,
            label=shorten(names[part], 34),
            zorder=3,
        )

"""Frequency of tones of rail marks: against train speed, and along the line for each service."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lineside.figures.style import (
    DASHES,
    GREY,
    INK,
    LINES,
    MARKERS,
    PALE,
    TEXT_WIDTH_MM,
    Picture,
    house_style,
    new_figure,
    write,
)
from lineside.figures.words import Words, shorten
from lineside.results.model import ServiceInfo, ToneInfo

if TYPE_CHECKING:
    from matplotlib.axes import Axes

MAX_TONE_SERVICES = 8
MAX_PITCHES = 3
#: Line styles of the pitch itself and its harmonics.
_ORDERS = ("-", (0, (5, 2)), (0, (1.2, 1.4)))
_LEFT_MM, _WIDTH_MM, _RIGHT_MM, _PANEL_MM, _STRIP_MM, _LEGEND_MM = 13.0, 58.0, 100.0, 52.0, 3.4, 4.6


def shown_services(services: Sequence[ServiceInfo], marks: Sequence[ToneInfo]) -> list[ServiceInfo]:
    """Services with a line in the chart."""
    toned = {m.service for m in marks}
    return [s for s in services if s.id in toned][:MAX_TONE_SERVICES]


def shown_pitches(marks: Sequence[ToneInfo]) -> list[float]:
    """Pitches with lines in the left panel; those of the strongest marks first."""
    strongest: dict[float, float] = {}
    for m in marks:
        strongest[m.pitch_mm] = max(strongest.get(m.pitch_mm, -np.inf), m.margin_fresh_db["likely"])
    return sorted(strongest, key=lambda pitch: (-strongest[pitch], pitch))[:MAX_PITCHES]


def tone_chart(services: Sequence[ServiceInfo], marks: Sequence[ToneInfo], words: Words) -> Picture:
    """Two panels: frequency of pitch and harmonics against speed; frequency of the pitch along the chainage.

    Parameters
    ----------
    services : sequence of ServiceInfo
        All services of the site, with their speed profiles.
    marks : sequence of ToneInfo
        Tones of the results document, at least one.
    """
    shown = shown_services(services, marks)
    strip, legend = _STRIP_MM * len(shown) + 1.5, _LEGEND_MM * ((len(shown) + 1) // 2)
    total = 7.0 + _PANEL_MM + strip + 12.0 + legend
    upper = total - 7.0 - _PANEL_MM
    with house_style():
        figure = new_figure(TEXT_WIDTH_MM, total)

        def axes_at(left: float, bottom: float, width: float, height: float) -> Axes:
            box = (left / TEXT_WIDTH_MM, bottom / total, width / TEXT_WIDTH_MM, height / total)
            return figure.add_axes(box)

        left = axes_at(_LEFT_MM, upper, _WIDTH_MM, _PANEL_MM)
        _against_speed(left, marks, words)
        _speed_ranges(axes_at(_LEFT_MM, upper - strip, _WIDTH_MM, strip), left, shown, marks, words)
        right = axes_at(_RIGHT_MM, upper - strip, TEXT_WIDTH_MM - _RIGHT_MM - 4.0, _PANEL_MM + strip)
        _along_line(right, shown, marks, words)
        handles, labels = right.get_legend_handles_labels()
        figure.legend(
            handles,
            labels,
            loc="lower left",
            ncols=2,
            borderaxespad=0,
            borderpad=0,
            labelspacing=0.35,
            bbox_to_anchor=(_LEFT_MM / TEXT_WIDTH_MM, 0.0),
            handlelength=3.4,
            columnspacing=2.0,
        )
        return write(figure)


def _against_speed(axes: Axes, marks: Sequence[ToneInfo], words: Words) -> None:
    """Straight lines through the origin, each with its pitch or the number of its harmonic at its end."""
    top_km_h = 10.0 * np.ceil(max(m.speed_km_h[1] for m in marks) / 10.0 + 0.5)
    ends: list[tuple[float, str, str]] = []
    for k, pitch in enumerate(shown_pitches(marks)):
        orders = sorted({n for m in marks if m.pitch_mm == pitch for n in m.frequency_hz})
        for n in orders:
            end_hz = n * top_km_h / 3.6e-3 / pitch
            style = _ORDERS[min(n, len(_ORDERS)) - 1]
            axes.plot([0.0, top_km_h], [0.0, end_hz], color=LINES[k], ls=style, lw=1.5 if n == 1 else 1.1)
            label = words("tones.pitch", pitch=f"{pitch:.3g}") if n == 1 else words("tones.harmonic", n=n)
            ends.append((end_hz, label, LINES[k]))
    axes.set_xlim(0.0, top_km_h)
    axes.set_ylim(0.0, 1.04 * max(end for end, _, _ in ends))
    _label_ends(axes, ends)
    axes.set_ylabel(words("tones.frequency"))
    axes.set_title(words("tones.against_speed"))
    axes.tick_params(axis="x", labelbottom=False)
    axes.grid()


def _label_ends(axes: Axes, ends: Sequence[tuple[float, str, str]]) -> None:
    """Labels beside the ends of lines, moved apart where they would overlap."""
    high = axes.get_ylim()[1]
    apart, at = 0.062, -1.0
    for end, label, colour in sorted(ends):
        at = max(end / high, at + apart)
        axes.annotate(
            label,
            (1.0, at),
            xycoords="axes fraction",
            xytext=(3, 0),
            textcoords="offset points",
            fontsize=7.5,
            color=colour,
            va="center",
        )


def _speed_ranges(
    axes: Axes, above: Axes, services: Sequence[ServiceInfo], marks: Sequence[ToneInfo], words: Words
) -> None:
    """A bar per service from its lowest to its highest speed over the marks, with dotted lines up to the panel."""
    for k, service in enumerate(services):
        own = [m.speed_km_h for m in marks if m.service == service.id]
        low, high = min(s[0] for s in own), max(s[1] for s in own)
        style: dict[str, Any] = {
            "color": LINES[k],
            "marker": MARKERS[k],
            "ms": 3.6,
            "mfc": LINES[k] if k % 2 == 0 else "white",
        }
        axes.plot([low, high], [k, k], lw=1.6, clip_on=False, **style)
        above.axvspan(low, high, facecolor=PALE, alpha=0.35, lw=0)
    axes.set_xlim(above.get_xlim())
    axes.set_ylim(len(services) - 0.4, -0.7)
    axes.set_yticks([])
    axes.spines["left"].set_visible(False)
    axes.grid(axis="x")
    axes.set_xlabel(words("charts.speed"))


def _along_line(axes: Axes, services: Sequence[ServiceInfo], marks: Sequence[ToneInfo], words: Words) -> None:
    """Frequency of the pitch where each service runs over marks; later lines are thinner, as they may coincide."""
    arrows: Mapping[str, str] = {"rising": "→", "falling": "←"}
    several = len({m.track for m in marks}) > 1
    for k, service in enumerate(services):
        chainage = np.array(service.profile.chainage_m)
        order = np.argsort(chainage)
        chainage, speed = chainage[order], np.array(service.profile.speed_km_h)[order]
        label = f"{arrows.get(service.direction, '')} {shorten(service.name or service.id, 34)}"
        label += f" ({shorten(service.track, 8)})" if several else ""
        for m in (m for m in marks if m.service == service.id):
            inside = chainage[(chainage > m.from_m) & (chainage < m.to_m)]
            at = np.concatenate([[m.from_m], inside, [m.to_m]])
            hz = np.interp(at, chainage, speed) / 3.6e-3 / m.pitch_mm
            axes.plot(
                at,
                hz,
                color=LINES[k],
                ls=DASHES[k],
                lw=3.0 - 2.0 * k / max(len(services) - 1, 1) if len(services) > 1 else 1.5,
                marker=MARKERS[k],
                markevery=[0, len(at) - 1],
                ms=3.6,
                mfc=LINES[k] if k % 2 == 0 else "white",
                label=label,
            )
            label = "_nolegend_"
    axes.set_ylim(0.0, None)
    axes.margins(y=0.08)
    axes.set_ylim(0.0, 1.06 * axes.get_ylim()[1])
    axes.set_xlabel(words("charts.chainage"))
    axes.set_ylabel(words("tones.frequency_pitch"))
    axes.set_title(words("tones.along_line"), color=INK)
    axes.tick_params(colors=GREY, labelcolor=INK)
    axes.grid()

"""Marks along the tracks of a map: chainage, bridges, rail joints and turnouts."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from lineside.acoustics.bands import Array
from lineside.figures.labels import text_size_mm
from lineside.figures.place import Sheet, along, of_curve
from lineside.figures.style import GREY, INK
from lineside.figures.words import Words
from lineside.results.model import XY, Site, TrackInfo

#: Chainage is marked every 100 m; on long lines as densely as this distance on paper allows. [mm]
MIN_MARK_MM = 7.0
CHAINAGE_STEPS_M = (100.0, 200.0, 500.0, 1000.0, 2000.0, 5000.0)
#: Rail joints are drawn as strokes this far apart on paper: a sign of joints, not one stroke for each.
JOINT_STROKES_MM = 1.6
BRIDGE_MM = 1.3
#: Labels of two tracks side by side would cover each other: one of them is enough within this distance.
SAME_LABEL_MM = 9.0


def _per_mm(sheet: Sheet) -> float:
    view = sheet.view
    return (view.x_max - view.x_min) / view.width_mm


def _across(track: TrackInfo, chainage_m: float) -> tuple[Array, Array]:
    """A place on a track, and the unit vector across the track there (to the left of rising chainage)."""
    low, high = max(track.from_m, chainage_m - 1.0), min(track.to_m, chainage_m + 1.0)
    line = along(track.xy, track.from_m, track.to_m, low, high)
    step = line[-1] - line[0]
    unit = step / max(float(np.hypot(*step)), 1e-9)
    place = along(track.xy, track.from_m, track.to_m, chainage_m, chainage_m)[0]
    return place, np.array([-unit[1], unit[0]])


def _strokes(sheet: Sheet, track: TrackInfo, chainages_m: Sequence[float], half_mm: float, **style: Any) -> None:
    from matplotlib.collections import LineCollection

    half = half_mm * _per_mm(sheet)
    ends = [
        (place - half * across, place + half * across) for place, across in (_across(track, c) for c in chainages_m)
    ]
    sheet.axes.add_collection(LineCollection(ends, **style), autolim=False)


def chainage_step_m(sheet: Sheet) -> float:
    """Distance of the chainage marks: 100 m, or more where these would stand too densely."""
    fits = [s for s in CHAINAGE_STEPS_M if s / _per_mm(sheet) >= MIN_MARK_MM]
    return fits[0] if fits else CHAINAGE_STEPS_M[-1]


def draw_chainage(sheet: Sheet, site: Site, words: Words) -> None:
    """Strokes across the tracks with the chainage in metres beside them."""
    from matplotlib.lines import Line2D

    step = chainage_step_m(sheet)
    labelled: list[XY] = []
    for track in site.tracks:
        marks = np.arange(np.ceil(track.from_m / step) * step, track.to_m + 1e-6, step)
        _strokes(sheet, track, list(marks), 1.1, colors=GREY, lw=0.7, zorder=3.9)
        for mark in marks:
            place, across = _across(track, float(mark))
            if sheet.view.holds(*place):
                _label(sheet, place, across, f"{mark:g}", labelled)
    style: dict[str, Any] = {"marker": "|", "ls": "none", "color": GREY, "ms": 7, "mew": 0.7}
    sheet.keys.append((Line2D([], [], **style), words("map.key_chainage", step=f"{step:g}")))


def _label(sheet: Sheet, place: Array, across: Array, text: str, labelled: list[XY]) -> None:
    """One chainage beside its stroke, on the side that is free; none where another stands near or no side is free."""
    x, y = sheet.view.mm(float(place[0]), float(place[1]))
    if any(np.hypot(x - a, y - b) < SAME_LABEL_MM for a, b in labelled):
        return
    width, height = text_size_mm(text, 6.0)
    for side in (1.0, -1.0):
        gap = 1.6 + abs(across[0]) * width / 2 + abs(across[1]) * height / 2
        spot = (float(x + side * gap * across[0]), float(y + side * gap * across[1]))
        if sheet.placer.centre([spot], text, 6.0) is not None:
            labelled.append((x, y))
            sheet.axes.text(
                *sheet.view.plan(*spot), text, fontsize=6, color=GREY, ha="center", va="center", zorder=8, clip_on=True
            )
            return


def draw_bridges(sheet: Sheet, site: Site, words: Words) -> None:
    """A line on each side of the track, where a stretch is on a bridge."""
    from matplotlib.lines import Line2D
    from matplotlib.path import Path

    tracks = {t.id: t for t in site.tracks}
    bridges = [s for s in site.stretches if s.bridge not in ("", "none") and s.track in tracks]
    offset = BRIDGE_MM * _per_mm(sheet)
    for stretch in bridges:
        track = tracks[stretch.track]
        ends = [_across(track, c) for c in (stretch.from_m, stretch.to_m)]
        line = along(track.xy, track.from_m, track.to_m, stretch.from_m, stretch.to_m)
        across = np.linspace(ends[0][1], ends[1][1], len(line))
        for side in (offset, -offset):
            x, y = (line + side * across).T
            sheet.axes.plot(x, y, color=INK, lw=1.3, zorder=4.2, solid_capstyle="butt", scalex=False, scaley=False)
    if bridges:
        sign = Path([(-1, 0.35), (1, 0.35), (-1, -0.35), (1, -0.35)], [Path.MOVETO, Path.LINETO] * 2)
        handle = Line2D([], [], marker=sign, ls="none", color=INK, mfc="none", ms=9, mew=1.3)
        sheet.keys.append((handle, words("map.key_bridge")))


def draw_joints(sheet: Sheet, site: Site, words: Words) -> None:
    """Rail joints as a row of strokes, turnouts as triangles: filled where trains take the diverging route."""
    from matplotlib.lines import Line2D

    tracks = {t.id: t for t in site.tracks}
    style: dict[str, Any] = {"marker": "^", "ls": "none", "color": INK, "ms": 6.0, "mew": 0.9}
    found: dict[str, Any] = {}
    for joint in site.joints:
        if joint.what == "joints" and joint.track in tracks:
            step = JOINT_STROKES_MM * _per_mm(sheet)
            n = max(2, int((joint.to_m - joint.from_m) / step) + 1)
            places = [float(c) for c in np.linspace(joint.from_m, joint.to_m, n)]
            _strokes(sheet, tracks[joint.track], places, 0.95, colors=INK, lw=1.0, zorder=4.3)
            found["joints"] = Line2D([], [], marker="|", ls="none", color=INK, ms=6, mew=1.0)
    for joint in site.joints:
        if joint.what == "turnout":
            _triangle(sheet, joint.xy[0], {**style, "mfc": "white"})
            found["turnout"] = Line2D([], [], **{**style, "mfc": "white"})
    for curve in site.curves:
        if curve.turnout:
            same = [j for j in site.joints if j.track == curve.track and curve.from_m - 1 <= j.from_m <= curve.to_m + 1]
            spot = next((j.xy[0] for j in same if j.what == "turnout"), None)
            middle = of_curve(site, curve).mean(axis=0)
            _triangle(sheet, spot or (float(middle[0]), float(middle[1])), {**style, "mfc": INK})
            found["diverging"] = Line2D([], [], **{**style, "mfc": INK})
    sheet.keys += [(handle, words(f"map.key_{what}")) for what, handle in found.items()]


def _triangle(sheet: Sheet, place: XY, style: dict[str, Any]) -> None:
    sheet.axes.plot([place[0]], [place[1]], zorder=5.5, scalex=False, scaley=False, **style)
    sheet.placer.block(*sheet.view.mm(*place), 1.3)

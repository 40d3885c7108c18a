"""The place: tracks, curves, stops, receivers, barriers, buildings and ground."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.figures import marks, place
from lineside.figures.earthworks import draw_earthworks
from lineside.figures.height_lines import draw_height_lines, label_height_lines
from lineside.figures.style import Picture, house_style, write
from lineside.figures.words import Words
from lineside.results.model import ReceiverResult, Site

#: Marks along the tracks need a fourth row of keys. [mm]
LEGEND_MM = place.LEGEND_MM + 5.0
#: So many keys have room in three columns beside the scale.
MOST_KEYS = 12


def site_map(site: Site, receivers: Sequence[ReceiverResult], words: Words) -> Picture:
    """Map of the project.

    Parameters
    ----------
    site : Site
        The place as stored in the results document.
    receivers : sequence of ReceiverResult
        Receivers to mark.
    words : callable
        Wording of legend and labels.

    Returns
    -------
    Picture
    """
    view = place.choose_view(site, receivers)
    with house_style():
        sheet = place.new_sheet(view, LEGEND_MM)
        draw_height_lines(sheet, site, words)
        draw_earthworks(sheet, site, words)
        place.draw_tracks(sheet, site, words)
        marks.draw_bridges(sheet, site, words)
        marks.draw_joints(sheet, site, words)
        place.draw_barriers(sheet, site, words)
        place.draw_stops(sheet, site, words)
        place.draw_receivers(sheet, receivers, words)
        place.label_barriers(sheet, site, words)
        place.label_tracks(sheet, site, words)
        marks.draw_chainage(sheet, site, words)
        place.draw_buildings(sheet, site, words)
        place.draw_ground(sheet, site.ground, words)
        label_height_lines(sheet, site)
        place.draw_keys(sheet, columns=3 if len(sheet.keys) <= MOST_KEYS else 4, top_mm=LEGEND_MM)
        place.draw_scale_and_north(sheet, words)
        return write(sheet.figure)

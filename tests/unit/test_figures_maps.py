"""Figures: tested by what is on them, not by pixels."""

from __future__ import annotations

import itertools
import re
import runpy
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg

from lineside.figures import charts, level_map, marks, place
from lineside.figures.labels import Placer, overlap_mm2, text_size_mm
from lineside.figures.site_map import site_map
from lineside.figures.style import LINES, TEXT_WIDTH_MM
from lineside.report.strings import Strings
from lineside.results.model import BuildingInfo

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
RESULTS = FIXTURE["build_results"](10)
STRINGS = Strings()


def lightness(colour: str) -> float:
    """CIELAB L* of an sRGB colour (IEC 61966-2-1 transfer function, CIE 15 lightness)."""
    srgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    y = float(linear @ [0.2126, 0.7152, 0.0722])
    return 116.0 * np.cbrt(y) - 16.0 if y > (6 / 29) ** 3 else y * (29 / 3) ** 3


def labels(svg: bytes) -> list[str]:
    root = ElementTree.fromstring(svg)
    return ["".join(node.itertext()) for node in root.iter("{http://www.w3.org/2000/svg}text")]


def test_class_colours_darken_in_even_steps() -> None:
    values = [lightness(c) for c in level_map.CLASS_COLOURS]
    steps = -np.diff(values)
    assert steps.min() > 5.0, "greyscale print must keep the classes apart"


def test_line_colours_differ_in_grey() -> None:
    values = sorted(lightness(c) for c in LINES[:3])
    assert np.diff(values).min() > 10.0


def test_class_edges_hold_the_levels_and_are_few() -> None:
    assert level_map.class_edges(np.array([[41.0, 52.3, -np.inf]])).tolist() == [40.0, 45.0, 50.0, 55.0]
    wide = level_map.class_edges(np.linspace(-20.0, 91.0, 50))
    assert wide[-1] == 95.0 and len(wide) == level_map.MAX_CLASSES + 1
    assert level_map.class_edges(np.array([50.0])).tolist() == [50.0, 55.0]


def test_grids_without_sound_are_not_drawn() -> None:
    grid = RESULTS.grid
    silent = grid.model_copy(update={"levels_db": {"lden": [[None] * len(grid.x)] * len(grid.y)}})
    assert level_map.can_be_drawn(grid, "lden")
    assert not level_map.can_be_drawn(silent, "lden")
    assert not level_map.can_be_drawn(grid, "l_other") and not level_map.can_be_drawn(None, "lden")


def test_level_map_with_silent_points() -> None:
    grid = RESULTS.grid
    rows = [[None if k % 7 == 0 else v for k, v in enumerate(row)] for row in grid.levels_db["lden"]]
    holed = grid.model_copy(update={"levels_db": {"lden": rows}})
    picture = level_map.level_map(holed, "lden", RESULTS.site, RESULTS.receivers, "Lden", STRINGS)
    assert "Lden" in labels(picture.svg)


def test_level_map_labels_contours_and_classes() -> None:
    picture = level_map.level_map(RESULTS.grid, "lden", RESULTS.site, RESULTS.receivers, "Lden, 4 m", STRINGS)
    found = labels(picture.svg)
    assert {"Lden, 4 m", "50", "55", "60", "N", "100 m"} <= set(found)
    assert found.count("55") >= 2, "in the legend and on a contour"
    assert {r.id for r in RESULTS.receivers} <= set(found)


def test_site_map_names_everything() -> None:
    found = set(labels(site_map(RESULTS.site, RESULTS.receivers, STRINGS).svg))
    assert {"T1", "T2", "R 180 m", "R 184 m", "Quay", "B1, 2.5 m", "Goods yard", "N"} <= found
    assert {r.id for r in RESULTS.receivers} <= found
    assert {"track", "water", "ground area", "receiver", "rail joints", "chainage, each 100 m"} <= found
    assert {"turnout, trains go straight through", "turnout, trains take the diverging route"} <= found
    assert {"100", "200", "300"} <= found, "chainages beside the tracks"
    assert "bridge" not in found


def test_bridges_are_drawn() -> None:
    stretches = [s.model_copy(update={"bridge": "steel"}) if s.id == "T1/2" else s for s in RESULTS.site.stretches]
    site = RESULTS.site.model_copy(update={"stretches": stretches})
    assert "bridge" in labels(site_map(site, RESULTS.receivers, STRINGS).svg)


def test_chainage_marks_of_long_lines_stand_farther_apart() -> None:
    view = place.view_of((0.0, 0.0), (8000.0, 3000.0))
    assert marks.chainage_step_m(place.new_sheet(view)) == 500.0


def test_names_of_stops_stand_above_the_panel() -> None:
    stop = RESULTS.site.stops[0]
    crowd = [stop.model_copy(update={"name": f"Quay {k}", "chainage_m": 300.0 + 4.0 * k}) for k in range(3)]
    found = labels(charts.speed_chart(RESULTS.site.model_copy(update={"stops": crowd}), STRINGS).svg)
    assert {"Quay 0", "Quay 1"} <= set(found) and "Quay 2" not in found, "two rows of names, the third finds no room"


def test_same_svg_twice() -> None:
    first, second = (site_map(RESULTS.site, RESULTS.receivers, STRINGS).svg for _ in range(2))
    assert first == second and b"<dc:date>" not in first


def test_a_dollar_sign_is_no_formula() -> None:
    receiver = RESULTS.receivers[0].model_copy(update={"id": "$x^2$\x00", "name": "a$b"})
    assert "$x^2$" in labels(site_map(RESULTS.site, [receiver], STRINGS).svg)


def test_maps_of_long_lines_look_at_what_stands_beside() -> None:
    site = RESULTS.site
    longer = site.tracks[0].model_copy(update={"xy": [(-9000.0, 0.0), (9000.0, 0.0)]})
    view = place.choose_view(site.model_copy(update={"tracks": [longer]}), RESULTS.receivers)
    assert view.clipped and view.x_max - view.x_min < 2000.0
    assert not place.choose_view(site, RESULTS.receivers).clipped


@pytest.mark.parametrize(("dx", "dy"), [(1000.0, 10.0), (10.0, 1000.0), (300.0, 300.0)])
def test_maps_keep_their_shape_and_fit_the_page(dx: float, dy: float) -> None:
    view = place.view_of((0.0, 0.0), (dx, dy))
    assert view.width_mm <= TEXT_WIDTH_MM and view.height_mm <= place.MAX_MAP_HEIGHT_MM + 1e-9
    per_mm_x = (view.x_max - view.x_min) / view.width_mm
    assert (view.y_max - view.y_min) / view.height_mm == pytest.approx(per_mm_x)
    assert view.x_min <= 0.0 and view.x_max >= dx and view.y_min <= 0.0 and view.y_max >= dy


def test_labels_of_crowded_marks_do_not_overlap() -> None:
    placer = Placer(160.0, 120.0)
    marks = [(60.0 + 4.0 * (k % 5), 60.0 + 4.0 * (k // 5)) for k in range(20)]
    for x, y in marks:
        placer.block(x, y, 1.1)
    placed = [placer.place(x, y, f"R{k + 1}", 7.5) for k, (x, y) in enumerate(marks)]
    boxes = []
    for k, (cx, cy, _) in enumerate(placed):
        width, height = text_size_mm(f"R{k + 1}", 7.5)
        boxes.append((cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2))
    assert all(overlap_mm2(a, np.array([b])) == 0 for a, b in itertools.combinations(boxes, 2))
    assert all(b[0] >= 0 and b[2] <= 160.0 and b[1] >= 0 and b[3] <= 120.0 for b in boxes)


def test_names_that_find_no_free_place_inside_are_left_out() -> None:
    placer = Placer(100.0, 100.0)
    assert placer.centre([(50.0, 50.0)], "name", 7.0) == (50.0, 50.0)
    assert placer.centre([(50.0, 50.0)], "name", 7.0) is None
    assert placer.centre([], "name", 7.0) is None


def test_along_cuts_by_chainage() -> None:
    line = place.along([(0.0, 0.0), (3.0, 4.0), (3.0, 14.0)], 100.0, 130.0, 110.0, 120.0)
    assert line[0] == pytest.approx([3.0, 4.0]) and line[-1] == pytest.approx([3.0, 9.0])


def test_charts_name_series_and_axes() -> None:
    speeds = labels(charts.speed_chart(RESULTS.site, STRINGS).svg)
    assert {"→ Local, towards Millgate", "← Local, towards Harbour", "speed, km/h", "chainage, m"} <= set(speeds)
    periods = {"day": "day", "evening": "evening", "night": "night"}
    spectra = labels(charts.spectrum_chart(RESULTS.receivers, periods, STRINGS).svg)
    assert {"63", "8k", "day", "night", "R1 12 Quay Street"} <= set(spectra)
    assert len([s for s in spectra if re.match(r"R\d+ ", s)]) == charts.MAX_SPECTRUM_PANELS
    parts = {r.id: r.by_mechanism_db["lden"] for r in RESULTS.receivers}
    found = labels(charts.parts_chart(RESULTS.receivers, parts, {"rolling": "rolling noise"}, STRINGS).svg)
    assert {"whole", "rolling noise", "Lden, dB"} <= set(found)


def test_settings_of_the_users_own_do_not_change_a_figure() -> None:
    import matplotlib

    from lineside.figures.style import house_style, new_figure, write

    def drawn() -> bytes:
        with house_style():
            figure = new_figure(80, 50)
            figure.add_subplot().plot([0, 1], [0, 1])
            return write(figure).svg

    plain = drawn()
    with matplotlib.rc_context({"lines.linestyle": ":", "axes.facecolor": "red", "svg.image_inline": False}):
        assert drawn() == plain


def test_buildings_are_drawn_with_courtyards_and_ids_and_those_with_receivers_are_in_view() -> None:
    """A block with a courtyard and a house far off: the latter is in view only if it has receivers."""
    outer, yard = [(0, 0), (40, 0), (40, 30), (0, 30)], [(10, 10), (10, 20), (30, 20), (30, 10)]
    far = [(3000, 0), (3010, 0), (3010, 10), (3000, 10)]
    own = {"use": "dwelling", "area": None, "height_m": 9, "top_z_m": 9, "floors": 3, "absorption": [0.2] * 8}
    own.update(dwellings=0, persons=0)
    block = BuildingInfo(id="Block 7", name="x", rings=[outer, yard], **own)
    house = BuildingInfo(id="Far", name="y", rings=[far], **own)
    site = RESULTS.site.model_copy(update={"buildings": [block, house]})
    svg = labels(site_map(site, RESULTS.receivers, STRINGS).svg)
    assert "Block 7" in svg and "building" in svg and "Far" not in svg
    assert "building" not in labels(site_map(RESULTS.site, RESULTS.receivers, STRINGS).svg)
    sheet = place.new_sheet(place.choose_view(site, RESULTS.receivers))
    place.draw_buildings(sheet, site, STRINGS, names=False)
    canvas = FigureCanvasAgg(sheet.figure)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())

    def colour(x: float, y: float) -> tuple[int, ...]:
        column, row = sheet.axes.transData.transform((x, y))
        return tuple(pixels[len(pixels) - 1 - int(row), int(column), :3].tolist())

    filled = tuple(int(place.BUILDING[k : k + 2], 16) for k in (1, 3, 5))
    assert colour(20, 15) == (255, 255, 255) and colour(5, 15) == filled == colour(35, 15)
    seen = site.model_copy(update={"buildings": [block, house.model_copy(update={"n_receivers": 3})]})
    assert place.choose_view(seen, RESULTS.receivers).x_max > 3010 > place.choose_view(site, RESULTS.receivers).x_max

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

from lineside.figures import charts, class_colours, level_map, marks, place, section_chart
from lineside.figures.labels import Placer, overlap_mm2, text_size_mm
from lineside.figures.site_map import site_map
from lineside.figures.style import LINES, TEXT_WIDTH_MM
from lineside.report.strings import Strings
from lineside.results.model import BuildingInfo, CutBarrier, CutBuilding, CutDeck, CutTrack, MapResult, SectionResult

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


#: What colours look like to people without one kind of cone, as linear RGB: Machado, Oliveira and Fernandes, A
#: physiologically-based model for simulation of color vision deficiency, 2009, severity 1; from memory.
DEFICIENCIES = {
    "none": np.eye(3),
    "protan": [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]],
    "deutan": [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]],
    "tritan": [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]],
}
#: From linear sRGB to CIE XYZ relative to the white of D65, IEC 61966-2-1.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])


def lab(colour: str, seen: object) -> np.ndarray:
    """CIELAB of an sRGB colour as it is seen with a colour deficiency."""
    srgb = np.array([int(colour[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0
    linear = np.where(srgb <= 0.04045, srgb / 12.92, ((srgb + 0.055) / 1.055) ** 2.4)
    xyz = TO_XYZ @ np.clip(np.array(seen) @ linear, 0.0, 1.0) / TO_XYZ.sum(axis=1)
    f = np.where(xyz > (6 / 29) ** 3, np.cbrt(xyz), xyz * (29 / 6) ** 2 / 3 + 4 / 29)
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_class_colours_darken_in_even_steps() -> None:
    for colours in (class_colours.LEVELS, class_colours.QUIETER, class_colours.LOUDER, class_colours.ABOVE):
        steps = -np.diff([lightness(c) for c in colours])
        assert steps.min() > 5.0, "greyscale print must keep the classes apart"


@pytest.mark.parametrize("seen", DEFICIENCIES)
def test_classes_stay_apart_for_every_eye(seen: str) -> None:
    """Every class of a map differs from every other one of it; 9 is the smallest step of common map palettes."""
    change = [*class_colours.QUIETER, class_colours.SAME, *class_colours.LOUDER]
    over = [class_colours.BORDERLINE, *class_colours.ABOVE]
    for colours in (class_colours.LEVELS, change, over):
        found = [lab(c, DEFICIENCIES[seen]) for c in colours]
        apart = [float(np.linalg.norm(a - b)) for a, b in itertools.combinations(found, 2)]
        assert min(apart) > 9.0


def test_quieter_and_louder_differ_without_colour() -> None:
    edges = (-5.0, -3.0, -1.0, 1.0, 3.0, 5.0)
    styles = class_colours.difference_styles(edges)
    assert [s.hatched for s in styles] == [True, True, True, False, False, False, False]
    assert styles[3].colour == class_colours.SAME and len(styles) == len(edges) + 1


def test_of_a_conflict_map_nothing_is_drawn_below() -> None:
    styles = class_colours.conflict_styles((-3.0, 0.0, 5.0))
    assert [s.colour is None for s in styles] == [True, False, False, False]
    assert [s.hatched for s in styles] == [False, True, False, False]
    assert [s.hatched for s in class_colours.conflict_styles((0.0, 5.0))] == [False, False, False]


def test_line_colours_differ_in_grey() -> None:
    values = sorted(lightness(c) for c in LINES[:3])
    assert np.diff(values).min() > 10.0


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


def asked(kind: str, values: list[list[float]], edges: list[float]) -> MapResult:
    """A map of the project on the grid of the fixture."""
    situation = RESULTS.situation
    return MapResult(
        id="M", name="", kind=kind, quantity="lden", situation=situation, values_db=values, edges_db=edges, area_m2=[]
    )


def test_difference_maps_label_contours_with_signs() -> None:
    grid = RESULTS.grid
    values = [[(x - 280.0) / 60.0 for x in grid.x] for _ in grid.y]
    found = asked("difference", values, [-5.0, -3.0, -1.0, 1.0, 3.0, 5.0])
    svg = level_map.asked_map(grid, found, RESULTS.site, RESULTS.receivers, "After minus before", STRINGS).svg
    texts = labels(svg)
    assert {"After minus before", "+3", "\u22123", "dB; hatched: quieter"} <= set(texts)
    assert min(texts.count("+3"), texts.count("\u22123")) >= 2, "in the legend and on a contour"


def test_conflict_maps_say_by_how_much() -> None:
    grid = RESULTS.grid
    values = [[v - 55.0 for v in row] for row in grid.levels_db["lden"]]
    found = asked("conflict", values, [-3.0, 0.0, 5.0])
    texts = labels(level_map.asked_map(grid, found, RESULTS.site, RESULTS.receivers, "Over 55 dB", STRINGS).svg)
    assert {"Over 55 dB", "\u22123", "0", "+5"} <= set(texts)
    assert any("within the uncertainty" in text for text in texts)


def section(**changes: object) -> SectionResult:
    s, h = [float(v) for v in range(0, 101, 5)], [1.0, 4.0, 7.0, 10.0, 13.0]
    ground = [0.1 * abs(v - 50.0) for v in s]
    given = {
        "id": "S1", "name": "", "quantity": "lden", "situation": RESULTS.situation,
        "line": ((10.0, 20.0), (10.0, 120.0)),
        "distance_m": s, "ground_z_m": ground, "surface_z_m": ground, "height_m": h,
        "levels_db": [[None if v == 80.0 and z < 9 else 70.0 - 0.4 * abs(v - 50.0) - z / 5 for v in s] for z in h],
        "edges_db": [45.0, 50.0, 55.0, 60.0, 65.0, 70.0],
        "tracks": [CutTrack(track="T1", at_m=50.0, rail_z_m=0.5)],
        "barriers": [CutBarrier(id="B1", at_m=58.0, base_z_m=0.8, top_z_m=3.3, height_m=2.5)],
        "buildings": [CutBuilding(id="H1", from_m=78.0, to_m=84.0, base_z_m=2.8, top_z_m=9.0)],
    }  # fmt: skip
    return SectionResult.model_validate({**given, **changes})


def test_sections_name_what_they_cut() -> None:
    texts = set(labels(section_chart.section_chart(section(), "Lden, 2026-12-01", STRINGS).svg))
    assert {"Lden, 2026-12-01", "track T1", "B1, 2.5 m", "H1", "55", "dB"} <= texts
    assert "distance along the cut, m (0 at 10, 20; towards the north)" in texts
    assert "height, m (2 times larger)" in texts


def test_sections_print_heights_above_rails_as_given_and_draw_decks() -> None:
    parapet = CutBarrier(id="P", at_m=53.0, base_z_m=-17.0, top_z_m=1.6, height_m=1.1, height_above="rail")
    deck = CutDeck(distance_m=[47.0, 53.0], z_m=[0.2, 0.2])
    svg = section_chart.section_chart(section(barriers=[parapet], decks=[deck]), "Lden", STRINGS).svg
    assert "P, 1.1 m above rail" in labels(svg) and svg.count(b'id="deck"') == 1
    assert b'id="deck"' not in section_chart.section_chart(section(), "Lden", STRINGS).svg


@pytest.mark.parametrize(
    ("end", "towards"), [((20.0, 20.0), "e"), ((0.0, 10.0), "sw"), ((10.0, 0.0), "s"), ((11.0, 60.0), "n")]
)
def test_sections_say_where_they_lead(end: tuple[float, float], towards: str) -> None:
    assert section_chart.compass(section(line=((10.0, 20.0), end))) == towards


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


@pytest.mark.parametrize(("dx", "dy"), [(1000.0, 10.0), (10.0, 1000.0), (560.0, 100.0)])
def test_the_frame_of_a_level_map_is_its_grid(dx: float, dy: float) -> None:
    """White beyond the grid would read as a class."""
    view = place.view_of((5.0, 7.0), (5.0 + dx, 7.0 + dy))
    assert (view.x_min, view.x_max, view.y_min, view.y_max) == (5.0, 5.0 + dx, 7.0, 7.0 + dy)


def test_maps_of_flat_grids_are_drawn() -> None:
    grid = RESULTS.grid
    flat = grid.model_copy(update={"y": grid.y[7:10], "levels_db": {"lden": grid.levels_db["lden"][7:10]}})
    assert level_map.level_map(flat, "lden", RESULTS.site, RESULTS.receivers, "Lden", STRINGS).svg


def test_water_has_strokes_on_maps_without_hatched_classes_only(monkeypatch: pytest.MonkeyPatch) -> None:
    assert any(area.water for area in RESULTS.site.ground)
    strokes: list[object] = []
    monkeypatch.setattr(place, "hatch_water", lambda sheet, ring: strokes.append(ring))
    grid = RESULTS.grid
    values = [[v - 55.0 for v in row] for row in grid.levels_db["lden"]]
    for kind, edges in (("difference", [-1.0, 1.0]), ("conflict", [-3.0, 0.0, 5.0])):
        drawn = level_map.asked_map(grid, asked(kind, values, edges), RESULTS.site, RESULTS.receivers, "", STRINGS)
        assert not strokes and "shore" in labels(drawn.svg)
    level_map.level_map(grid, "lden", RESULTS.site, RESULTS.receivers, "", STRINGS)
    assert strokes


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

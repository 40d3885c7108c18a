"""Terrain and earthworks from the project to the results, the report and the map."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.api import Assessment
from lineside.figures.site_map import site_map
from lineside.report import context
from lineside.report.strings import Strings
from lineside.results.describe_terrain import MOST_LEVELS
from sites import straight_site, write_site
from terrain_sites import WHOLE, grid, hilly_site, slope, write_geotiff

STRINGS = Strings()


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    folder = tmp_path_factory.mktemp("site")
    axis, z = grid(lambda x, y: slope(x, y) - 8.0 * np.exp(-(((x - 150) / 60) ** 2)))
    write_geotiff(folder / "dem.tif", z, axis[0], axis[0], 5.0)
    site = hilly_site(
        [
            {**WHOLE, "name": "Mill bank", "to_m": 360.0, "right": {"kind": "wall"}},
            {**WHOLE, "id": "V", "kind": "viaduct", "from_m": 360.0, "to_m": 520.0, "ballast_g": 1.0},
        ]
    )
    track = copy.deepcopy(site["tracks"][0])
    track.update(id="U", alignment={"kind": "inline", "points": [[-300, 4, 10], [300, 4, 16]]})
    site["tracks"].append(track)
    site["earthworks"][1]["tracks"] = ["U"]
    given = {"height_m": 1.5, "surface": "absorbing", "line": [[-100, -3], [40, -3]]}
    site["barriers"] = [
        {**given, "id": "A", "height_above": "rail", "absorption": 0.6},
        {**given, "id": "B", "line": [[-100, 60], [40, 60]], "absorption": [0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8]},
    ]
    return lineside.assess(write_site(site, folder))


def test_results_hold_what_was_used(assessed: Assessment) -> None:
    site = assessed.results.site
    assert site.terrain is not None
    assert (site.terrain.kind, site.terrain.files, site.terrain.step_m) == ("raster", ["dem.tif"], 5.0)
    bank, viaduct = site.earthworks
    assert (bank.id, bank.name, bank.kind, bank.along, bank.tracks) == ("E", "Mill bank", "embankment", "T", ["T"])
    assert (bank.left_ratio, bank.right_ratio) == (1.5, None)
    assert (viaduct.tracks, viaduct.ballast_g, viaduct.left_ratio) == (["T", "U"], 1.0, None)
    # the formation of the bank lies 13 - 0.7 m high above the slope at its edges, 3.5 m to the left and right
    assert (bank.low_m, bank.high_m) == pytest.approx(
        (13 - 0.7 - 10 - 0.105, 13 - 0.7 - 10 + 0.105 + 8 * np.exp(-2.25)), abs=0.01
    )
    x, y = np.array(viaduct.xy).T
    assert (x.min(), x.max(), y.min(), y.max()) == (60.0, 220.0, -3.5, 7.5)


def test_receivers_have_the_height_of_the_terrain(assessed: Assessment) -> None:
    (receiver,) = assessed.results.receivers
    assert receiver.z == pytest.approx(float(slope(0, 50)) + 4.0, abs=0.02)


def test_assumptions_say_what_was_taken_for_granted(assessed: Assessment) -> None:
    said = "\n".join(n.text for n in assessed.results.notes if n.kind == "assumption")
    assert "The terrain is bilinear between its heights" in said
    assert "ballast_half_width_m 2.2" in said and "formation_edge_m 3.5" in said
    assert "The deck of a viaduct counts on paths that start or end on it" in said


def test_tables_and_words(assessed: Assessment) -> None:
    report = context.build(assessed.results, assessed.loaded.inputs, (), STRINGS)
    bank, viaduct = report.tables["T5.9"].rows
    assert bank.cells[:7] == ("E", "embankment", "T", "0", "360", "slope 1 : 1.5", "vertical face")
    assert bank.cells[7:11] == ("2.2", "0.2", "3.5", "0.7") and bank.cells[11] == "2.2"
    assert viaduct.cells[1:3] == ("viaduct", "T, U") and viaduct.cells[5:7] == ("deck, open below",) * 2
    note = report.tables["T5.9"].note
    assert "calls these" not in note
    site = assessed.results.site
    sunk = site.model_copy(update={"earthworks": [w.model_copy(update={"high_m": -0.1}) for w in site.earthworks]})
    below = context.build(assessed.results.model_copy(update={"site": sunk}), assessed.loaded.inputs, (), STRINGS)
    assert below.tables["T5.9"].note.endswith("count as the cuttings that they are: E.")
    assert "the terrain of dem.tif, heights each 5 m," in report.paragraphs["place"]
    assert "with the earthworks of table T5.9 on it" in report.paragraphs["place"]
    one, other = (row.cells for row in report.tables["T5.8"].rows)
    assert one[2:4] == ("absorbing, absorbing 0.6 of the sound energy", "1.5 above the rail head")
    assert other[2:4] == ("absorbing, absorbing 0.1–0.8 of the sound energy", "1.5")
    assert "the terrain of dem.tif" in report.tables["T5.14"].note


def test_the_map_shows_earthworks(assessed: Assessment) -> None:
    svg = site_map(assessed.results.site, assessed.results.receivers, STRINGS).svg.decode()
    assert ">earthwork<" in svg and ">viaduct<" in svg


def test_the_map_shows_the_heights_of_the_ground(assessed: Assessment) -> None:
    """Lines lie at their heights, to what simplifying moves them, and are few."""
    terrain = assessed.results.site.terrain
    assert terrain is not None and 1 < len(terrain.contours) <= MOST_LEVELS
    steps = np.diff([c.level_m for c in terrain.contours])
    np.testing.assert_allclose(steps, steps[0])
    for contour in terrain.contours:
        for line in contour.lines:
            x, y = np.array(line).T
            height = slope(x, y) - 8.0 * np.exp(-(((x - 150) / 60) ** 2))
            np.testing.assert_allclose(height, contour.level_m, atol=0.15)
    svg = site_map(assessed.results.site, assessed.results.receivers, STRINGS).svg.decode()
    assert f"height of the ground, each {steps[0]:g} m" in svg


def test_a_plain_is_called_one(tmp_path: Path) -> None:
    given: dict[str, Any] = straight_site()
    given["site"]["ground_level_m"] = 0.25
    found = lineside.assess(write_site(given, tmp_path))
    report = context.build(found.results, found.loaded.inputs, (), STRINGS)
    assert "the ground is a plane at 0.25 m." in report.paragraphs["place"]
    assert report.tables["T5.9"].rows == () and found.results.site.terrain is None


def test_heights_joined_from_points(tmp_path: Path) -> None:
    site = hilly_site([WHOLE])
    site["site"]["terrain"] = {"kind": "points", "files": ["spots.csv"], "step_m": 4}
    axis, z = grid(slope, -500.0, 500.0, 100.0)
    rows = [f"{x},{y},{z[j, i]}" for j, y in enumerate(axis) for i, x in enumerate(axis)]
    (tmp_path / "spots.csv").write_text("x_m,y_m,z_m\n" + "\n".join(rows))
    found = lineside.assess(write_site(site, tmp_path))
    assert "spots.csv" in found.loaded.inputs
    report = context.build(found.results, found.loaded.inputs, (), STRINGS)
    assert "joined by triangles from the heights of spots.csv, drawn at each 4 m" in report.paragraphs["place"]

"""Maps with measures and without: the same as assessments with a barrier, a bank or slower trains in the project."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.api import Assessment
from lineside.errors import ProjectError
from lineside.plugins import Plugins
from lineside.report import maps
from lineside.report.strings import Strings
from lineside.results.contours import as_array
from lineside.results.features import layers
from sites import straight_site, write_site

PLUGINS = Plugins.load()
STRINGS = Strings()
WALL = {"id": "N", "line": [[-80, 12], [80, 12]], "height_m": 3}
BANK = {"id": "E", "line": [[-80, -30], [80, -30]], "height_m": 5}
SLOW = {"track": "T", "from_m": 0, "to_m": 500, "speed_km_h": 30}


def place(**more: Any) -> dict[str, Any]:
    site = straight_site(250.0)
    site["identity"]["assessment_dates"] = ["2026-12-01"]
    site["calculation"]["grid"] = {"spacing_m": 15, "margin_m": 60}
    site["measures"] = [
        {"id": "wall", "measure": "barrier", "options": WALL},
        {"id": "mound", "measure": "bank", "options": BANK},
        {"id": "slow", "measure": "speed_restriction", "options": SLOW},
        {"id": "windows", "measure": "facade_insulation", "options": _windows(site)},
        {"id": "later", "measure": "speed_restriction", "options": {**SLOW, "date": "2027-06-01"}},
    ]
    site["maps"] = [
        {"id": "with wall", "kind": "levels", "measures": ["wall"]},
        {"id": "wall", "kind": "difference", "measures": ["wall"]},
        {"id": "mound", "kind": "difference", "measures": ["mound"]},
        {"id": "slow", "kind": "difference", "measures": ["slow"], "quantity": "lnight"},
        {"id": "both", "kind": "difference", "measures": ["slow", "wall"]},
        {"id": "not yet", "kind": "difference", "measures": ["later"]},
        {"id": "cut", "kind": "section", "line": [[0, -50], [0, 60]], "step_m": 3, "up_to_m": 12, "measures": ["wall"]},
    ]
    return {**site, **more}


def _windows(site: dict[str, Any]) -> dict[str, Any]:
    name = site["receivers"][0]["id"]
    return {"receivers": [name], "low_db": 5, "likely_db": 8, "high_db": 10, "source": "Offer"}


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> Assessment:
    return lineside.assess(write_site(place(), tmp_path_factory.mktemp("maps")))


def levels(folder: Path, **more: Any) -> np.ndarray:
    """Lden on the grid of an assessment with something built in, no measures considered."""
    grid = lineside.assess(write_site(place(maps=[], measures=[], **more), folder)).results.grid
    assert grid is not None
    return as_array(grid.levels_db["lden"])


def values(found: Assessment, name: str) -> np.ndarray:
    return as_array(next(m for m in found.results.maps if m.id == name).values_db, np.nan)


def test_with_a_wall_is_an_assessment_with_that_wall(found: Assessment, tmp_path: Path) -> None:
    built = levels(tmp_path, barriers=[{**WALL, "surface": "absorbing"}])
    np.testing.assert_allclose(values(found, "with wall"), built, atol=0.06)
    grid = found.results.grid
    assert grid is not None
    without = as_array(grid.levels_db["lden"])
    np.testing.assert_allclose(values(found, "wall"), values(found, "with wall") - without, atol=0.0101)
    behind = values(found, "wall")[np.array(grid.y) > 12.0]
    assert behind.min() < -4.0 and behind.max() < 0.06


def test_with_a_bank_is_an_assessment_with_that_bank(found: Assessment, tmp_path: Path) -> None:
    """On the bank itself the map goes on as beside it: the points there would stand higher."""
    grid = found.results.grid
    assert grid is not None
    built = levels(tmp_path, banks=[BANK]) - as_array(grid.levels_db["lden"])
    x, y = np.meshgrid(grid.x, grid.y)
    on_bank = (np.abs(x) <= 80) & (np.abs(y + 30) <= 8)
    assert on_bank.any()
    got = values(found, "mound")
    np.testing.assert_allclose(got[~on_bank], built[~on_bank], atol=0.07)
    assert np.all(np.isin(got[on_bank], got[~on_bank])) and got.min() < -2.0


def test_slower_trains_change_the_whole_line_and_keep_its_paths(found: Assessment) -> None:
    slow, both, wall = (values(found, name) for name in ("slow", "both", "wall"))
    assert slow.max() < -1.0
    assert np.all(both <= wall + 0.07) and both.max() < -1.0


def test_a_measure_that_works_later_changes_nothing_yet(found: Assessment) -> None:
    assert not values(found, "not yet").any()


def test_the_section_shows_the_wall(found: Assessment) -> None:
    (cut,) = found.results.sections
    assert [(b.id, b.height_m, b.top_z_m) for b in cut.barriers] == [("N", 3.0, 3.0)] and cut.measures == ["wall"]


def test_captions_figures_and_layers_name_the_measures(found: Assessment) -> None:
    captions = [f.caption for f in maps.figures(found.results, STRINGS)]
    assert "What changes: Lden, 2026-12-01 with wall minus 2026-12-01" in captions
    assert "Vertical section cut: Lden, 2026-12-01 with wall" in captions
    assert any("with slow, wall minus" in row.cells[0] for row in maps.table(found.results, STRINGS).rows)
    wall = next(m for m in found.results.maps if m.id == "wall")
    assert [b.id for b in wall.new_barriers] == ["N"] and wall.new_banks == []
    differences = next(layer for layer in layers(found.results) if layer.name == "differences")
    assert {row[1]["measures"] for row in differences.rows} >= {"wall", "mound", "slow, wall"}


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        ({"kind": "difference", "measures": ["wal"]}, "did you mean wall?"),
        ({"kind": "difference"}, "from, or measures, or both"),
        ({"kind": "levels", "measures": ["windows"]}, "changes no level outdoors"),
    ],
)
def test_what_maps_cannot_show(entry: dict[str, Any], said: str, tmp_path: Path) -> None:
    try:
        problems = lineside.load_project(write_site(place(maps=[{"id": "M", **entry}]), tmp_path), PLUGINS).warnings
    except ProjectError as error:
        problems = error.problems
    assert any(said in str(p) for p in problems), [str(p) for p in problems]

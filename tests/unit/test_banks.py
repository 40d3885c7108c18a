"""Earth banks: their shape on the ground, what a project may say about them, and what they do to a path."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.api import situation_of
from lineside.engine.plan import plan
from lineside.engine.run import long_term
from lineside.engine.select import select
from lineside.errors import Problem, ProjectError
from lineside.figures.site_map import site_map
from lineside.measures import Measure
from lineside.plugins import Plugins
from lineside.project.terrain import Bank
from lineside.report import context
from lineside.report.strings import Strings
from lineside.scene.banks import bank_sections
from lineside.scene.build import Scenes
from lineside.scene.terrain import ground_height
from lineside.small_project import small_known, small_project
from lineside_plugins.eu_propagation import vertical_cut
from sites import straight_site, write_site
from terrain_sites import grid, hilly_site, slope, write_geotiff

PLUGINS = Plugins.load()
STRINGS = Strings()
LEVEL: dict[str, Any] = {"id": "B", "line": [[-400, 20], [400, 20]], "height_m": 4}
STEPS = np.linspace(-30.0, 30.0, 121)


def problems(site: dict[str, Any], folder: Path) -> list[Problem]:
    try:
        found = lineside.load_project(write_site(site, folder)).warnings
    except ProjectError as error:
        found = error.problems
    return [p for p in found if "criterion" not in p.message and "no service" not in p.message]


def test_crest_and_slopes_on_level_ground() -> None:
    """On a plain a bank is a trapezium: 1 m wide on top, and 1.5 m out for each metre down."""
    bank = Bank(id="B", line=((0, 0), (100, 0)), height_m=4, g=0.5)
    found = bank_sections(bank, lambda xy: np.full(len(xy), 2.0), np.zeros(2))
    y, z = found.xyz_m[:, :, 1], found.xyz_m[:, :, 2]
    np.testing.assert_allclose(y, np.broadcast_to([6.5, 0.5, -0.5, -6.5], y.shape), atol=1e-9)
    np.testing.assert_allclose(z, np.broadcast_to([2.0, 6.0, 6.0, 2.0], z.shape), atol=1e-9)
    assert found.g.tolist() == [0.5] * 3 and found.reached.all() and bank.half_width_m == 6.5


def test_slopes_end_where_they_meet_a_slanting_ground(tmp_path: Path) -> None:
    """On z = a + 0.03 y the crest at y = 20 lies at 4 m above the ground there; each foot solves a linear equation."""
    site = hilly_site()
    site["banks"] = [{**LEVEL, "line": [[-100, 20], [100, 20]], "crest_width_m": 2}]
    axis, z = grid(slope, -800.0, 800.0, 5.0)
    write_geotiff(tmp_path / "dem.tif", z, axis[0], axis[0], 5.0)
    loaded = lineside.load_project(write_site(site, tmp_path))
    terrain = Scenes(loaded, select(loaded, PLUGINS).all_sources).terrain
    assert terrain is not None
    origin = np.floor(min(xyz[:, :2].min(axis=0).tolist() for _, xyz in loaded.alignments.values()))
    up, down = 4.0 - 0.03, 4.0 + 0.03  # crest above the ground at its upper and its lower edge
    feet = [21 + up / (1 / 1.5 + 0.03), 19 - down / (1 / 1.5 - 0.03)]
    at = np.array([[0.0, y] for y in (20.0, *feet)]) - origin
    crest, *on_ground = ground_height(terrain, at)
    assert crest == pytest.approx(10.6 + 4.0, abs=1e-6)
    np.testing.assert_allclose(on_ground, [10 + 0.03 * y for y in feet], atol=1e-6)
    within = np.array([[0.0, y] for y in (feet[0] - 0.5, feet[1] + 0.5)]) - origin
    assert np.all(ground_height(terrain, within) - [10 + 0.03 * y for y in (feet[0] - 0.5, feet[1] + 0.5)] > 0.3)


def test_a_path_over_a_bank_is_that_of_its_profile(tmp_path: Path) -> None:
    """One source point abeam: what the bank takes is what the public function says for the profile written by hand."""
    over = [(0, 0), (13.5, 0), (19.5, 4), (20.5, 4), (26.5, 0), (60, 0)]
    heard, expected = [], []
    for k, (banks, profile) in enumerate((([], [(0, 0), (60, 0)]), ([LEVEL], over))):
        site = straight_site(1.0)
        site["tracks"][0]["alignment"]["points"] = [[-0.5, 0, 0.0], [0.5, 0, 0.0]]
        site["receivers"] = [{"id": "P", "position": [0, 60], "height_m": 4, "use": "dwelling"}]
        site["banks"] = [{**bank, "line": [[-60, 20], [60, 20]]} for bank in banks]
        loaded = lineside.load_project(write_site(site, tmp_path / str(k)), PLUGINS)
        selection = select(loaded, PLUGINS)
        task = plan(loaded, selection, situation_of(loaded, selection)).task
        lowest = int(np.argmin([c.height_m for c in task.emission.mean.classes]))
        found = long_term(task, selection, task.scene.receivers)[0].sum(axis=0)[lowest, 0]
        heard.append(found.reshape(8, 3)[:, 1])
        air = task.scene.air
        cut = vertical_cut(
            (0.0, task.emission.mean.classes[lowest].height_m),
            (60.0, 4.0),
            profile,
            [(0, 60, float(task.scene.ground.default_g))],
            source_ground_g=1.0,
            favourable_share=float(task.scene.favourable.at(np.array([0.0]))[0, 0]),
            temperature_deg_c=air.temperature_deg_c,
            humidity_pct=air.humidity_pct,
            pressure_kpa=air.pressure_kpa,
            power_db=np.zeros(8),
        )
        expected.append(np.asarray(cut.level_db))
    np.testing.assert_allclose(10 * np.log10(heard[1] / heard[0]), expected[1] - expected[0], atol=0.02)
    assert np.all(expected[1] - expected[0] < -5.0)


def test_a_higher_bank_is_not_louder_behind_it(tmp_path: Path) -> None:
    levels = []
    for k, height in enumerate((None, 2, 4, 6)):
        site = straight_site()
        site["receivers"] = [{"id": "P", "position": [0, 60], "height_m": 4, "use": "dwelling"}]
        site["banks"] = [{**LEVEL, "height_m": height}] if height else []
        levels.append(lineside.assess(write_site(site, tmp_path / str(k))).results.receivers[0].lden_db)
    assert levels[0] - 2 > levels[1] > levels[2] > levels[3]


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"line": [[-50, 8], [50, 8]]}, 'line: its foot lies 1.5 m from the centre line of track "T"'),
        ({"line": [[0, 20], [0.5, 20]]}, "line: is too short"),
        ({"line": [[0, 90_000], [50, 90_000]]}, "from the nearest track"),
        ({"line": [[0, 40], [40, 40], [0, 41]]}, "turns so sharply"),
        ({"height_m": 0}, "height_m"),
        ({"slope_ratio": 20, "height_m": 50, "line": [[-50, 900], [50, 900]]}, "does not meet the ground within 200 m"),
        ({"hight_m": 3}, "hight_m"),
    ],
)
def test_banks_that_cannot_be(change: dict[str, Any], message: str, tmp_path: Path) -> None:
    site = straight_site()
    site["banks"] = [{**LEVEL, **change}]
    found = problems(site, tmp_path)
    assert any(message in p.message for p in found), found


def test_a_receiver_on_a_bank_is_told(tmp_path: Path) -> None:
    site = straight_site()
    site["receivers"][0]["position"] = [0, 20]
    site["banks"] = [LEVEL]
    (problem,) = problems(site, tmp_path)
    assert problem.message == 'position: stands on the bank "B": its height counts from there'


def test_report_and_map_show_banks(tmp_path: Path) -> None:
    site = straight_site()
    site["banks"] = [{**LEVEL, "name": "Meadow bank"}]
    assessed = lineside.assess(write_site(site, tmp_path))
    (info,) = assessed.results.site.banks
    assert info.name == "Meadow bank" and info.top_z_m == (4.0, 4.0)
    y = np.array(info.xy)[:, 1]
    assert (y.min(), y.max()) == (13.5, 26.5)
    report = context.build(assessed.results, assessed.loaded.inputs, (), STRINGS)
    (row,) = report.tables["T5.10"].rows
    assert row.cells == ("B", "Meadow bank", "4", "1", "slope 1 : 1.5", "by ground area", "800", "4.0", "4.0")
    assert ">earth bank<" in site_map(assessed.results.site, assessed.results.receivers, STRINGS).svg.decode()


def test_the_measure_writes_a_bank() -> None:
    project = small_project()
    measure = PLUGINS.find(Measure, "bank")  # type: ignore[type-abstract]
    options = measure.options_model.model_validate({"id": "N", "line": [[0, 40], [200, 40]], "height_m": 3})
    known = small_known(project)
    (bank,) = measure.apply(project, options, known).banks
    assert (bank.id, bank.height_m, bank.crest_width_m) == ("N", 3.0, 1.0) and project.banks == ()
    amounts = measure.amounts(project, options, known)
    assert amounts["m"] == 200.0 and amounts["m2"] == pytest.approx(200 * (1 + 2 * np.hypot(3, 4.5)))
    near = measure.options_model.model_validate({"id": "N", "line": [[0, 5], [200, 5]], "height_m": 3})
    lack = measure.lacks(project, near, known)[0]
    assert lack.field == "line" and "5.0 m from the centre line of track" in lack.message

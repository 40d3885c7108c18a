"""The search for the best part of a wall: its estimate against direct computation, and what it must not do."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.engine.option_places import direct_energy, place_energies
from lineside.errors import ProjectError
from lineside.plugins import Plugins
from lineside.report.place_search import search_figure, search_table
from lineside.report.strings import Strings
from lineside.results.options import WallSearch
from measure_sites import considered
from sites import straight_site, write_site

PLUGINS = Plugins.load()
STRINGS = Strings()
WALL = {"id": "N", "line": [[-200, 12], [200, 12]], "height_m": 2}
COST = {"low": 800, "likely": 1000, "high": 1500, "per": "m2", "currency": "EUR", "year": 2026, "source": "Invented"}


def place(**more: Any) -> dict[str, Any]:
    """Houses at one end of a wall only, so that the other end is of little use."""
    site = straight_site(400.0)
    site["identity"]["assessment_dates"] = ["2026-12-01"]
    at = [("A", -120, 3), ("B", -100, 4), ("C", -80, 2), ("D", 150, 0)]
    site["receivers"] = [
        {"id": name, "position": [x, 40], "use": "dwelling", "dwellings": n, "persons": 2 * n} for name, x, n in at
    ]
    life = {"years": 30, "source": "Invented"}
    site["measures"] = [{"id": "wall", "measure": "barrier", "options": WALL, "costs": [COST], "life": life}]
    site["options"] = {"place_search": {"measure": "wall", "heights_m": [1, 2, 4], "parts": 8}}
    return {**site, **more}


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> WallSearch:
    results = lineside.assess(write_site(place(), tmp_path_factory.mktemp("search"))).results
    assert results.options is not None and results.options.places is not None
    return results.options.places


def test_the_whole_wall_is_that_of_its_option(tmp_path: Path) -> None:
    """No part built: as it is. All parts: the option with the same wall, to rounding."""
    run, energy = considered(place(), tmp_path)
    rule = run.prepared.loaded.project.options.place_search
    assert rule is not None
    parts = place_energies(run, run.evaluation.selection, rule)
    np.testing.assert_allclose(parts.without.sum(axis=-1), energy[0], rtol=1e-9)
    np.testing.assert_allclose(parts.of(1, 0, 8), energy[1], rtol=1e-9)
    np.testing.assert_allclose(parts.of(1, 3, 3), energy[0], rtol=1e-9)
    direct = direct_energy(run, run.evaluation.selection, rule, 2.0, 0.0, 1.0)
    np.testing.assert_allclose(direct, energy[1], rtol=1e-9)
    for first, last in ((0, 4), (1, 3), (5, 8)):
        direct = direct_energy(run, run.evaluation.selection, rule, 2.0, first / 8, last / 8)
        np.testing.assert_allclose(10 * np.log10(parts.of(1, first, last) / direct), 0.0, atol=0.25)


@pytest.mark.parametrize(
    "measure",
    [
        {"measure": "barrier", "options": {**WALL, "height_m": 4}},
        {"measure": "bank", "options": {"id": "E", "line": [[-200, 20], [200, 20]], "height_m": 4}},
    ],
)
def test_the_search_and_the_option_say_the_same_of_the_whole(measure: dict[str, Any], tmp_path: Path) -> None:
    site = place(measures=[{"id": "wall", **measure}])
    site["options"]["place_search"] |= {"heights_m": [4], "parts": 2}
    options = lineside.assess(write_site(site, tmp_path)).results.options
    assert options is not None and options.places is not None
    whole = options.places.best[-1]
    assert (whole.from_m, whole.to_m) == (0.0, 400.0)
    assert whole.decibel_dwellings == pytest.approx(options.options[0].decibel_dwellings, abs=0.002) and (
        whole.decibel_dwellings > 1.0
    )


def test_a_bank_over_a_receiver_is_refused(tmp_path: Path) -> None:
    """3 m high, slopes 1 : 1.5, crest 1 m wide: its foot lies 5 m from the line; the receivers stand at 40 m."""
    bank = {"id": "E", "line": [[-200, 44.9], [200, 44.9]], "height_m": 3}
    site = place(measures=[{"id": "wall", "measure": "bank", "options": bank}], options={})
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(write_site(site, tmp_path), PLUGINS)
    (problem,) = (p for p in caught.value.problems if p.severity == "error")
    assert problem.place.startswith("measures[1]") and problem.line is not None
    assert "receiver A, B, C, D would stand on it" in problem.message and "more than 5.0 m" in problem.allowed
    bank["line"] = [[-200, 45.1], [200, 45.1]]
    lineside.load_project(write_site(site, tmp_path), PLUGINS)
    site["options"] = {"place_search": {"measure": "wall", "heights_m": [3, 4], "parts": 2}}
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(write_site(site, tmp_path), PLUGINS)
    (problem,) = (p for p in caught.value.problems if p.severity == "error")
    assert problem.message.startswith("heights_m[2]") and "would stand on it" in problem.message


def test_more_of_a_wall_helps_no_less(found: WallSearch) -> None:
    gains = np.array([p.decibel_dwellings for p in found.best]).reshape(3, 8)
    assert np.all(np.diff(gains, axis=0) > 0.0) and np.all(np.diff(gains, axis=1) > -1e-6)
    costs = np.array([p.cost.likely for p in found.best if p.cost is not None]).reshape(3, 8)
    np.testing.assert_allclose(costs, 1000.0 * np.outer([1, 2, 4], 50.0 * np.arange(1, 9)))


def test_it_stands_where_the_houses_are(found: WallSearch) -> None:
    assert found.weighted_by == "dwellings" and found.length_m == 400.0
    for first in found.best[::8]:
        assert (first.from_m, first.to_m) == (50.0, 100.0)  # x from -150 to -100, at A and B
    most = [max(p.decibel_dwellings for p in found.best[k : k + 8]) for k in (0, 8, 16)]
    for chosen, best in zip(found.chosen, most, strict=True):
        assert chosen.to_m <= 300.0 and chosen.decibel_dwellings >= 0.9 * best
        assert chosen.computed is not None
        assert chosen.computed == pytest.approx(chosen.decibel_dwellings, rel=found.largest_gap + 1e-6)
    assert found.largest_gap < 0.1


def test_without_dwellings_receivers_count_alike(tmp_path: Path) -> None:
    site = place()
    for receiver in site["receivers"]:
        receiver["dwellings"] = 0
    site["options"]["place_search"] |= {"heights_m": [2], "parts": 2}
    options = lineside.assess(write_site(site, tmp_path)).results.options
    assert options is not None and options.places is not None and options.places.weighted_by == "receivers"


@pytest.mark.parametrize("name", ["close_barrier", "bank"])
def test_low_walls_and_banks_have_parts_too(name: str, tmp_path: Path) -> None:
    given = {
        "close_barrier": {"id": "C", "track": "T", "side": "left", "offset_m": 2, "above_rail_m": 1},
        "bank": {"id": "E", "line": [[-200, 20], [200, 20]], "height_m": 3},
    }
    site = place(measures=[{"id": "wall", "measure": name, "options": given[name]}])
    heights = {"close_barrier": [0.5, 1], "bank": [2, 4]}
    site["options"]["place_search"] |= {"heights_m": heights[name], "parts": 3}
    options = lineside.assess(write_site(site, tmp_path)).results.options
    assert options is not None and options.places is not None
    low, high = (p.computed for p in options.places.chosen)
    assert low is not None and high is not None and 0.0 < low < high


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"measure": "wal"}, "did you mean wall?"),
        ({"heights_m": [3, 2]}, "heights_m in rising order, each once"),
        ({"heights_m": [0]}, "heights_m"),
        ({"parts": 1}, "parts"),
        ({"measure": "slow"}, "has no line and height that could be varied"),
        ({"measure": "low", "heights_m": [1, 3]}, "cannot be for close_barrier"),
    ],
)
def test_searches_that_cannot_be(change: dict[str, Any], said: str, tmp_path: Path) -> None:
    site = place()
    low = {"id": "C", "track": "T", "side": "left", "offset_m": 2, "above_rail_m": 1}
    site["measures"] += [
        {"id": "slow", "measure": "speed_restriction", "options": {"track": "T", "speed_km_h": 30}},
        {"id": "low", "measure": "close_barrier", "options": low},
    ]
    site["options"]["place_search"] |= change
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(write_site(site, tmp_path), PLUGINS)
    assert any(said in str(p) for p in caught.value.problems), [str(p) for p in caught.value.problems]


def test_figure_and_table(tmp_path: Path) -> None:
    results = lineside.assess(write_site(place(), tmp_path)).results
    figure, table = search_figure(results, STRINGS), search_table(results, STRINGS)
    assert figure.source and "of the most that it could give in that height: 200 m of its 400 m" in figure.note
    assert [row.cells[0] for row in table.rows] == ["1", "2", "4"]
    assert all(row.cells[6].endswith("EUR") for row in table.rows) and "The largest gap between both" in table.note
    assert results.options is not None
    bare = results.model_copy(update={"options": results.options.model_copy(update={"places": None})})
    assert search_figure(bare, STRINGS).empty and search_table(bare, STRINGS).rows == ()


def test_a_wall_that_helps_nobody_is_said_to(tmp_path: Path) -> None:
    site = place()
    site["measures"][0]["options"] = {**WALL, "line": [[-200, -12], [200, -12]]}  # all houses are on the other side
    results = lineside.assess(write_site(site, tmp_path)).results
    assert results.options is not None and results.options.places is not None and not results.options.places.chosen
    assert search_figure(results, STRINGS).note.startswith("No part of wall would lower the levels")
    assert search_table(results, STRINGS).rows == ()


def test_a_height_beyond_the_options_says_key_bound_and_unit(tmp_path: Path) -> None:
    site = place()
    low = {"id": "C", "track": "T", "side": "left", "offset_m": 2, "above_rail_m": 1}
    site["measures"].append({"id": "low", "measure": "close_barrier", "options": low})
    site["options"]["place_search"] |= {"measure": "low", "heights_m": [1, 3]}
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(write_site(site, tmp_path), PLUGINS)
    (problem,) = caught.value.problems
    assert problem.message.endswith("cannot be for close_barrier: its above_rail_m does not reach so far")
    assert (problem.found, problem.allowed) == ("3", "a number in m, above 0 to 2")


def test_a_wall_that_helps_too_little_is_said_to_help_by_that(tmp_path: Path) -> None:
    """4 m of a wall 1 m high, of which no part gives half a decibel times dwellings."""
    site = place()
    site["measures"][0]["options"] = {**WALL, "line": [[-125, 12], [-121, 12]]}
    site["options"]["place_search"] |= {"heights_m": [1], "parts": 2}
    results = lineside.assess(write_site(site, tmp_path)).results
    assert results.options is not None and results.options.places is not None and not results.options.places.chosen
    most = max(p.decibel_dwellings for p in results.options.places.best)
    assert 0.05 < most < 0.5
    said = "In none of these heights would any part of wall give as much as 0.5 dB times dwellings: the most is "
    assert search_figure(results, STRINGS).note.startswith(f"{said}{most:.2f}".rstrip("0"))
    assert search_table(results, STRINGS).empty.startswith(said)

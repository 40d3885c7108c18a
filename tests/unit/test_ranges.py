"""Ranges in the project file: read, refused with their place, and offered by the schema."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pytest

from lineside.api import load_project
from lineside.engine.doubt_inputs import group_of
from lineside.engine.select import vocabulary_of
from lineside.errors import ProjectError
from lineside.plugins import Plugins
from lineside.project.ranges import GivenRange
from lineside.project.schema import project_schema
from lineside.project.variants import is_share, on_way, variant
from sites import straight_site, write_site

PLUGINS = Plugins.load()
VOCABULARY = vocabulary_of(PLUGINS)


def site_with(path: tuple[str | int, ...], value: Any, site: dict[str, Any] | None = None) -> dict[str, Any]:
    site = copy.deepcopy(site or straight_site())
    node: Any = site
    for part in path[:-1]:
        node = node[part]
    node[path[-1]] = value
    return site


def problems(site: dict[str, Any], folder: Path) -> list[Any]:
    with pytest.raises(ProjectError) as error:
        load_project(write_site(site, folder), PLUGINS)
    return list(error.value.problems)


def read(site: dict[str, Any], folder: Path) -> tuple[GivenRange, ...]:
    return load_project(write_site(site, folder), PLUGINS).ranges


TRAINS = ("services", 0, "trains", "day")
SPEED = ("tracks", 0, "attributes", "speed_limit_km_h")


def test_a_range_is_read_and_the_project_has_its_likely_value(tmp_path: Path) -> None:
    given = {"likely": 118, "low": 100, "high": 150.5, "shape": "normal", "source": "Counted in May"}
    loaded = load_project(write_site(site_with(TRAINS, given), tmp_path), PLUGINS)
    assert loaded.project.services[0].trains.day == 118
    (found,) = loaded.ranges
    assert (found.path, found.low, found.likely, found.high) == (TRAINS, 100.0, 118.0, 150.5)
    assert (found.form, found.source, found.label) == ("normal", "Counted in May", 'services[1] "S", trains, day')


def test_a_file_without_ranges_has_none(tmp_path: Path) -> None:
    assert read(straight_site(), tmp_path) == ()


def test_ranges_stand_in_lists_options_and_shares(tmp_path: Path) -> None:
    given = {"likely": 0.5, "low": 0.2, "high": 0.8}
    site = site_with(("site", "favourable", "day"), given)
    site["calculation"]["options"] = {"eu_propagation": {"piece_ratio": {"likely": 0.4, "low": 0.3, "high": 0.5}}}
    site["conditions"] = {"rail": {"dry": given, "damp": 0.3, "wet": 0.2}}
    paths = {r.path for r in read(site, tmp_path)}
    assert paths == {
        ("site", "favourable", "day"),
        ("calculation", "options", "eu_propagation", "piece_ratio"),
        ("conditions", "rail", "dry"),
    }


@pytest.mark.parametrize(
    ("path", "given", "words"),
    [
        (TRAINS, {"likely": 120, "low": 130, "high": 150}, "day: low, likely and high are not in rising order"),
        (TRAINS, {"low": 130, "high": 150}, "likely is missing"),
        (TRAINS, {"likely": 120, "low": 100}, "high is missing"),
        (TRAINS, {"likely": 120, "low": 100, "high": "many"}, "high: must be a number"),
        (TRAINS, {"likely": True, "low": 100, "high": 150}, "likely: must be a number"),
        (TRAINS, {"likely": 120, "low": -3, "high": 150}, "low value of day: is too small"),
        (TRAINS, {"likely": 120, "low": 0, "high": 150, "shape": "lognormal"}, "must be above 0 with the shape"),
        (TRAINS, {"likely": 120, "low": 1, "high": 150, "shape": "gaussian"}, "shape: is not an accepted value"),
        (TRAINS, {"likely": 120, "low": 1, "high": 150, "sauce": "x"}, "unknown key sauce"),
        (SPEED, {"likely": 60, "low": 50, "high": 700}, "high value of speed_limit_km_h: is too large"),
        (SPEED, {"likely": 50, "low": 0.5, "high": 70}, "low value of speed_limit_km_h: is too small"),
        (("vehicles", 0, "n_axles"), {"likely": 4, "low": 2, "high": 6}, "n_axles: a range has no meaning here"),
        (
            ("calculation", "options"),
            {"eu_propagation": {"piece_ratio": {"likely": 0.5, "low": 0.4, "high": 99}}},
            "high value of piece_ratio: is too large",
        ),
    ],
)
def test_wrong_ranges_are_refused_where_they_stand(path, given, words, tmp_path: Path) -> None:
    found = problems(site_with(path, given), tmp_path)
    assert len(found) == 1, [str(p) for p in found]
    assert words in str(found[0])
    assert found[0].file == "project.yaml" and found[0].line is not None and found[0].line > 20


def test_numbers_that_are_not_finite_are_refused(tmp_path: Path) -> None:
    folder = write_site(site_with(TRAINS, {"likely": 120, "low": 100, "high": 12345}), tmp_path)
    file = folder / "project.yaml"
    file.write_text(file.read_text().replace("12345", ".inf"))
    with pytest.raises(ProjectError, match="high: must be a finite number"):
        load_project(folder, PLUGINS)


def test_a_limit_has_no_range(tmp_path: Path) -> None:
    limit = {"quantity": "lden", "limit_db": {"likely": 60, "low": 58, "high": 62}}
    site = straight_site()
    site["criteria"] = [{"name": "custom", "options": {"title": "P", "source": "x", "limits": [limit]}}]
    assert "limit_db" in str(problems(site, tmp_path)[0])


def test_the_schema_offers_ranges_where_they_are_read(tmp_path: Path) -> None:
    check = jsonschema.Draft202012Validator(project_schema(VOCABULARY))
    given = {"likely": 60, "low": 50, "high": 70}
    for path in (TRAINS, SPEED, ("receivers", 0, "height_m")):
        assert not list(check.iter_errors(site_with(path, given))), path
    for path in (("vehicles", 0, "n_axles"), ("calculation", "grid")):
        wrong = {"spacing_m": given} if path[-1] == "grid" else given
        assert list(check.iter_errors(site_with(path, wrong))), path
    assert list(check.iter_errors(site_with(TRAINS, {"likely": 60, "low": 50})))


@pytest.mark.parametrize(
    ("path", "group", "way"),
    [
        (TRAINS, "traffic", False),
        (SPEED, "speed", False),
        (("services", 0, "pattern", "dwell_s"), "speed", False),
        (("tracks", 0, "attributes", "source_ground_g"), "ground", True),
        (("site", "default_ground", "g"), "ground", True),
        (("site", "air", "humidity_pct"), "weather", True),
        (("site", "favourable", "night"), "weather", True),
        (("conditions", "rail", "dry"), "weather", False),
        (("conditions", "water", 0, "share"), "weather", True),
        (("conditions", "timetable", 1, "share"), "traffic", False),
        (("barriers", 0, "height_m"), "other", True),
        (("vehicles", 0, "length_m"), "other", False),
        (("calculation", "options", "squeal_passes", "x"), "squeal", False),
        (("calculation", "options", "eu_propagation", "piece_ratio"), "other", True),
    ],
)
def test_groups_and_ways(path, group, way) -> None:
    assert group_of(path, VOCABULARY.mechanisms) == group
    assert on_way(path, "eu_propagation") == way


def test_another_value_changes_nothing_else(tmp_path: Path) -> None:
    site = site_with(TRAINS, {"likely": 120, "low": 100, "high": 150})
    loaded = load_project(write_site(site, tmp_path), PLUGINS)
    other = variant(loaded, {TRAINS: 150.0}, VOCABULARY)
    assert other.project.services[0].trains.day == 150.0 and loaded.project.services[0].trains.day == 120
    assert other.project.tracks is loaded.project.tracks and other.alignments is loaded.alignments


def test_shares_of_the_other_states_make_up_the_rest(tmp_path: Path) -> None:
    site = straight_site()
    seasons = [
        {"months": [4, 5, 6, 7, 8, 9], "share": {"likely": 0.75, "low": 0.6, "high": 0.9}},
        {"months": [10, 11, 12, 1, 2, 3], "share": 0.5},
    ]
    months = [{"months": s["months"], "share": v} for s, v in zip(seasons, (0.15, 0.3), strict=True)]
    wet = [{"months": s["months"], "share": v} for s, v in zip(seasons, (0.1, 0.2), strict=True)]
    site["conditions"] = {"rail": {"dry": seasons, "damp": months, "wet": wet}}
    loaded = load_project(write_site(site, tmp_path), PLUGINS)
    (given,) = loaded.ranges
    assert is_share(given.path)
    dry, damp, wet_share = (s.share for s in variant(loaded, {given.path: 0.9}, VOCABULARY).conditions[0].states)
    assert np.allclose(dry[3:9], 0.9) and np.allclose(dry[[0, 1, 2, 9, 10, 11]], 0.5)
    assert np.allclose(damp[3:9], 0.06) and np.allclose(wet_share[3:9], 0.04), "in proportion"
    assert np.allclose(dry + damp + wet_share, 1.0)

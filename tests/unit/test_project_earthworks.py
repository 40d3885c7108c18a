"""Earthworks of a project: cross-sections that cannot be, ground that they miss, and tracks that lack one."""

from __future__ import annotations

import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from lineside.errors import Problem, ProjectError
from lineside.project.load import load_project
from lineside.project.terrain import Earthwork
from sites import straight_site, write_site
from terrain_sites import WHOLE, grid, hilly_site, slope, write_geotiff

Change = Callable[[dict[str, Any]], object]


def problems(site: dict[str, Any], folder: Path, height: Any = slope) -> list[Problem]:
    """Errors and warnings but those about unused or unjudged things."""
    if site["site"].get("terrain"):
        axis, z = grid(height, -800.0, 800.0, 5.0)
        write_geotiff(folder / "dem.tif", z, axis[0], axis[0], 5.0)
    try:
        found = load_project(write_site(site, folder)).warnings
    except ProjectError as error:
        found = error.problems
    return [p for p in found if "criterion" not in p.message and "no service" not in p.message]


def only(site: dict[str, Any], folder: Path, height: Any = slope) -> Problem:
    found = problems(site, folder, height)
    assert len(found) == 1, found
    return found[0]


def second_track(site: dict[str, Any], points: Any) -> dict[str, Any]:
    track = copy.deepcopy(site["tracks"][0])
    track.update(id="U", alignment={"kind": "inline", "points": points})
    site["tracks"].append(track)
    return site


def test_defaults_depend_on_the_kind() -> None:
    ratios = {
        kind: Earthwork(**{**WHOLE, "kind": kind}).slope_ratio("left")  # type: ignore[arg-type]
        for kind in ("embankment", "cutting", "retaining_wall", "viaduct")
    }
    assert ratios == {"embankment": 1.5, "cutting": 1.5, "retaining_wall": None, "viaduct": None}
    hillside = Earthwork(**{**WHOLE, "left": {"kind": "slope", "ratio": 2}, "right": {"kind": "wall"}})  # type: ignore[arg-type]
    assert (hillside.slope_ratio("left"), hillside.slope_ratio("right")) == (2.0, None)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"formation_edge_m": 2.5}, "formation_edge_m: the foot of the ballast lies 2.95 m from the outermost track"),
        ({"formation_below_rail_m": 0.1}, "formation_below_rail_m: the formation lies above the top of the ballast"),
        ({"along": "X"}, "along: there is no track with this id"),
        ({"tracks": ["X"]}, "tracks[1]: there is no track with this id"),
        ({"tracks": ["T"]}, "tracks[1]: lies on it already"),
        ({"to_m": 700}, 'to_m: lies beyond the alignment of track "T"'),
        ({"from_m": 650, "to_m": 600}, "to_m: must lie beyond from_m, which is 650 m"),
        ({"kind": "viaduct", "left": {"kind": "wall"}}, "a viaduct has no sides: leave left and right out"),
        ({"left": {"kind": "slope", "ratio": 0}}, "ratio: is too small"),
    ],
)
def test_what_cannot_be_is_said_where_it_stands(tmp_path: Path, more: dict[str, Any], message: str) -> None:
    found = problems(hilly_site([{**WHOLE, **more}]), tmp_path)
    assert [p.message for p in found if message in p.message], found
    assert all(p.line and "earthworks[1]" in p.place + p.message for p in found if message in p.message)


def test_two_earthworks_with_one_id(tmp_path: Path) -> None:
    site = hilly_site([{**WHOLE, "to_m": 300.0}, {**WHOLE, "from_m": 300.0}])
    assert only(site, tmp_path).message == "id: two entries have this id; each earthwork needs its own"


def test_overlap_on_one_track(tmp_path: Path) -> None:
    site = hilly_site([{**WHOLE, "to_m": 310.0}, {**WHOLE, "id": "F", "from_m": 300.0}])
    problem = only(site, tmp_path)
    assert problem.message == 'earthworks[2] "F": overlaps earthwork "E" on track "T" between 300 m and 310 m'
    assert problem.hint == "let one end where the other begins"


def test_overlap_by_way_of_the_other_track(tmp_path: Path) -> None:
    site = second_track(hilly_site([{**WHOLE, "tracks": ["U"]}]), [[300, 4, 16], [-300, 4, 10]])
    site["earthworks"].append({**WHOLE, "id": "F", "along": "U", "from_m": 500.0})
    assert 'overlaps earthwork "E" on track "U" between 500 m and 600 m' in only(site, tmp_path).message


def test_a_track_that_leaves_the_earthwork(tmp_path: Path) -> None:
    site = second_track(hilly_site([{**WHOLE, "tracks": ["U"]}]), [[-300, 4, 10], [100, 4, 14], [160, 12, 14.5]])
    (problem,) = [p for p in problems(site, tmp_path) if p.severity == "error"]
    assert problem.message == 'tracks[1]: the track does not run beside track "T" between 470 m and 600 m'


def test_a_slope_that_never_meets_the_terrain(tmp_path: Path) -> None:
    """The hillside falls by 1 : 1.4, so a slope of 1 : 1.5 runs away from it."""
    site = hilly_site([{**WHOLE, "left": {"kind": "wall"}}])
    problem = only(site, tmp_path, lambda x, y: 12.0 + 0.0 * x + y / 1.4)
    assert problem.severity == "error"
    assert "the slope on the right does not meet the terrain within 200 m between 20 m and 600 m" in problem.message
    assert problem.allowed == "a steeper slope than 1 : 1.5, or right: {kind: wall}"
    site["earthworks"][0]["right"] = {"kind": "wall"}
    assert problems(site, tmp_path, lambda x, y: 12.0 + 0.0 * x + y / 1.4) == []


def test_sides_that_fold_over_in_a_tight_curve(tmp_path: Path) -> None:
    site = straight_site()
    turn = np.radians(np.arange(0.0, 181.0, 5.0))
    arc = [[float(25 * np.sin(t)), float(25 - 25 * np.cos(t)), 30.0] for t in turn]
    site["tracks"][0]["alignment"]["points"] = arc
    site["receivers"][0]["position"] = [-60.0, 0.0]
    site["earthworks"] = [{**WHOLE, "to_m": 78.0}]
    problem = only(site, tmp_path)
    assert problem.severity == "error" and "is wider than the radius of a curve of its track" in problem.message


def test_an_embankment_that_lies_in_a_cutting(tmp_path: Path) -> None:
    problem = only(hilly_site([WHOLE], rail_m=8.0), tmp_path)
    assert problem.severity == "warning"
    assert problem.message.startswith("kind: the formation is below the terrain on most of its length")


def test_a_deck_in_the_ground(tmp_path: Path) -> None:
    problem = only(hilly_site([{**WHOLE, "kind": "viaduct"}], rail_m=8.0), tmp_path)
    assert "the deck lies up to" in problem.message and "below the ground between 0 m and 600 m" in problem.message


def test_earthworks_that_cover_each_other(tmp_path: Path) -> None:
    site = second_track(hilly_site([WHOLE]), [[-300, 9, 10], [300, 9, 16]])
    site["earthworks"].append({**WHOLE, "id": "F", "along": "U"})
    problem = only(site, tmp_path)
    assert problem.severity == "warning" and 'of earthwork "E": the later one lies on top' in problem.message


class TestTracksWithout:
    def test_deep_in_the_ground(self, tmp_path: Path) -> None:
        site = hilly_site([{**WHOLE, "to_m": 300.0}])
        found = problems(site, tmp_path, lambda x, y: np.where(x < 50, 10.0 + 0.01 * x, 20.0) + 0.0 * y)
        (problem,) = [p for p in found if p.severity == "error"]
        assert problem.message.startswith("points[2]: the rail head is up to 6.5 m")
        assert "below the ground between chainage 3" in problem.message

    def test_the_hint_is_what_repairs_it(self, tmp_path: Path) -> None:
        site = straight_site(300.0)
        site["tracks"][0]["alignment"]["points"] = [
            [-300, 0, 0.3],
            [-100, 0, 0.3],
            [0, 0, -3],
            [100, 0, 0.3],
            [300, 0, 0.3],
        ]
        problem = only(site, tmp_path)
        assert (
            problem.message == "points[3]: the rail head is up to 3 m below the ground between chainage 225 m and 375 m"
        )
        assert problem.hint == (
            "add to earthworks: {id: ..., kind: cutting, along: T, from_m: 220, to_m: 380}, or kind: retaining_wall"
        )
        site["earthworks"] = [{"id": "C", "kind": "cutting", "along": "T", "from_m": 220.0, "to_m": 380.0}]
        assert [p.severity for p in problems(site, tmp_path)] == ["warning"]  # a little below at both ends
        site["earthworks"][0].update(from_m=200.0, to_m=400.0)
        assert problems(site, tmp_path) == []

    def test_a_little_in_the_ground_is_doubtful(self, tmp_path: Path) -> None:
        site = straight_site()
        site["tracks"][0]["alignment"]["points"] = [[-300, 0, -0.3], [300, 0, 0.3]]
        problem = only(site, tmp_path)
        assert problem.severity == "warning" and "is up to 0.3 m below the ground" in problem.message

    def test_high_above_the_ground(self, tmp_path: Path) -> None:
        problem = only(hilly_site(), tmp_path, lambda x, y: 9.0 + 0.01 * x + 0.0 * y)
        assert problem.severity == "warning"
        assert problem.message.startswith("alignment: the rail head is up to 4 m above the ground")
        assert "kind: embankment" in problem.hint and problem.hint.endswith("or kind: viaduct")


class TestBarriers:
    def site(self, **more: Any) -> dict[str, Any]:
        site = hilly_site([WHOLE])
        given = {"id": "B", "height_m": 2.0, "surface": "absorbing", "line": [[-200, 30], [200, 30]]}
        site["barriers"] = [{**given, **more}]
        return site

    def test_top_below_the_rails(self, tmp_path: Path) -> None:
        problem = only(self.site(height_m=0.5), tmp_path)
        assert problem.message.startswith("height_m: the top of the barrier lies 1.6 m below the rail head")
        near = [[-200, 19], [200, 19]]
        assert problems(self.site(height_m=0.5, height_above="rail", line=near), tmp_path) == []

    def test_top_in_the_ground(self, tmp_path: Path) -> None:
        """Rails at 13 m + 0.01 x; the hill beside them is 16 m + 0.01 x high, in the second case for x > 50 m only."""
        site = self.site(height_m=2.0, height_above="rail", line=[[-200, 19], [200, 19]])
        hill = lambda x, y: np.where(y > 12, 16.0, 10.0) + 0.01 * x  # noqa: E731
        problem = only(site, tmp_path, hill)
        assert problem.severity == "error" and problem.place.startswith("barriers[1]")
        assert problem.message.startswith(
            "height_m: the top of the barrier lies in the ground all along, up to 1 m deep"
        )
        partly = only(site, tmp_path, lambda x, y: np.where((y > 12) & (x > 50), 16.0, 10.0) + 0.01 * x)
        assert partly.severity == "warning" and "in the ground on about 36 % of its length" in partly.message
        site["barriers"][0]["height_m"] = 3.5
        assert problems(site, tmp_path, hill) == []

    def test_on_a_deck_the_top_counts_from_the_deck(self, tmp_path: Path) -> None:
        site = self.site(height_m=0.4, height_above="rail", line=[[-200, 3], [200, 3]])
        site["earthworks"][0]["kind"] = "viaduct"
        assert problems(site, tmp_path) == []

    def test_height_above_a_rail_far_away(self, tmp_path: Path) -> None:
        problem = only(self.site(height_above="rail", line=[[-200, 5], [0, 19], [200, 26]]), tmp_path)
        assert problem.severity == "warning" and problem.message == (
            "height_above: the rail from which the height of the barrier counts lies up to 26 m away from it"
        )

    @pytest.mark.parametrize(
        ("given", "message"),
        [
            ([0.5, 0.5], "absorption: has too few entries"),
            (1.2, "absorption: is too large"),
            ("much", "absorption: must be a number"),
        ],
    )
    def test_absorption(self, tmp_path: Path, given: Any, message: str) -> None:
        found = [p.message for p in problems(self.site(absorption=given), tmp_path)]
        assert any(message in text for text in found), found

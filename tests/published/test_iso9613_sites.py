"""ISO 9613-2 in scenes and whole projects against a second implementation.

Source: ``scalar_iso9613``, computed and not published: one path and one band at a time, plan geometry by shapely.
"""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely

from lineside.scene.model import Air, BarrierSegments, GroundAreas, Receivers, SourcePoints
from lineside_plugins.iso9613_propagation import Iso9613, Iso9613Options
from published import scalar_iso9613 as iso
from published import scalar_method
from published.data.whole_sites import remake
from sites import assess_site, straight_site
from whole_scene import scene_of

Place = tuple[float, float]
AIR_DB_PER_KM = scalar_method.air_absorption_db_per_km(10.0, 70.0, 101.325)
BED_M = 2.5
#: Polygons with G, later ones on top; walls as polylines with their height.
AREAS = [([[-40, 15], [70, 20], [60, 55], [-50, 48]], 0.0), ([[-20, 30], [90, 35], [30, 80], [-20, 80]], 0.4)]
WALLS = [
    ([[-60, 6], [-10, 6], [25, 9]], 2.5),
    ([[25, 9], [45, 8]], 3.5),
    ([[-15, 30], [10, 42]], 4.0),
    ([[60, 12], [62, 13], [61, 16]], 5.0),
    ([[-70, 18], [80, 18]], 2.8),
]
OPTIONS = {
    "default": Iso9613Options(),
    "alternative": Iso9613Options(ground_method="alternative"),
    "tr": Iso9613Options(ground_gain_behind_barriers=True, side_edges="capped", c0_db=2.0),
    "railway": Iso9613Options(c2=40, side_edges="none", track_bed_m=0.0),
}


def choices(options: Iso9613Options) -> iso.Choices:
    return iso.Choices(
        options.ground_method == "alternative",
        options.ground_gain_behind_barriers,
        float(options.c2),
        options.c0_db,
        options.side_edges,
    )


def cut(
    s: Place, r: Place, sine: float, bed_g: float, options: Iso9613Options, default_g: float, areas: Any, walls: Any
) -> tuple[float, iso.Ground, list[iso.Barrier], list[tuple[float, float]]]:
    """Length, ground, barriers and ways round of a path in plan, by shapely."""
    line = shapely.LineString([s, r])
    bed = min(line.length, options.track_bed_m / max(sine, 1e-9))
    ends = {bed, line.length}
    for polygon, _ in areas:
        ends.update(d for d in remake._along(line, shapely.Polygon(polygon).exterior) if d > bed)
    ground = [(0.0, bed, bed_g)] if bed > 0 else []
    for a, b in pairwise(sorted(ends)):
        on_top = [g for polygon, g in areas if shapely.Polygon(polygon).contains(line.interpolate((a + b) / 2))]
        ground.append((a, b, on_top[-1] if on_top else default_g))
    merged = shapely.line_merge(shapely.MultiLineString([wall for wall, _ in walls]))
    joined = getattr(merged, "geoms", [merged])
    dx, dy = (np.subtract(r, s) / line.length).tolist()
    barriers, corners = [], {1: set(), -1: set()}
    for wall, top in walls:
        for a, b in pairwise(wall):
            for d in remake._along(line, shapely.LineString([a, b])):
                whole = next(w for w in joined if w.distance(shapely.Point(a)) < 1e-9)
                across = {c: dx * (c[1] - s[1]) - dy * (c[0] - s[0]) for c in whole.coords}
                width = max(across.values()) - min(across.values())
                angle = math.atan2(b[1] - a[1], b[0] - a[0]) - math.atan2(dy, dx)
                barriers.append(iso.Barrier(d, top, width, angle % math.pi))
                for c, v in across.items():
                    corners[1 if v > 0 else -1].add(c)
    ways = []
    for side in corners.values():
        if side:
            length, e = iso.way_round(s, r, sorted(side))
            ways.append((length - line.length, e))
    return line.length, ground, sorted(barriers, key=lambda b: b.x), ways


@pytest.mark.parametrize("name", OPTIONS)
def test_paths_over_areas_and_walls(name: str) -> None:
    options, rng = OPTIONS[name], np.random.default_rng(3)
    n_points, n_receivers, heights = 25, 12, np.array([0.5, 4.0])
    xy = np.column_stack([rng.uniform(-90, 90, n_points), rng.uniform(-3, 3, n_points)])
    xyz = np.column_stack([xy, rng.uniform(0.2, 1.0, n_points)])
    turn = rng.uniform(0, np.pi, n_points)
    points = SourcePoints(
        np.zeros(n_points, dtype=int),
        xyz,
        np.column_stack([np.cos(turn), np.sin(turn)]),
        np.zeros(n_points),
        rng.uniform(0, 1, n_points),
    )
    to = np.column_stack([rng.uniform(-80, 90, n_receivers), rng.uniform(20, 120, n_receivers), rng.uniform(1, 9, 12)])
    pieces = [(a, b, top, k) for k, (wall, top) in enumerate(WALLS) for a, b in pairwise(wall)]
    tops = np.array([[top, top] for _, _, top, _ in pieces])
    scene = scene_of(
        ground_level_m=0.0,
        ground=GroundAreas(
            0.9,
            np.concatenate([np.array(p, dtype=float) for p, _ in AREAS]),
            np.cumsum([0, *(len(p) for p, _ in AREAS)]),
            np.array([g for _, g in AREAS]),
        ),
        barriers=BarrierSegments(
            np.array([[a, b] for a, b, _, _ in pieces], dtype=float), tops, 0 * tops, np.array([k for *_, k in pieces])
        ),
        air=Air(10.0, 70.0, 101.325),
    )
    receivers = Receivers(tuple(map(str, range(n_receivers))), to)
    found = -10 * np.log10(Iso9613().path_loss(scene, points, heights, receivers, options).transfer[:, :, :, 0])
    crossed = set()
    for r in range(n_receivers):
        for p in range(n_points):
            step = to[r, :2] - xy[p]
            sine = abs(step[0] * np.sin(turn[p]) - step[1] * np.cos(turn[p])) / np.hypot(*step)
            length, ground, barriers, ways = cut(
                tuple(xy[p].tolist()), tuple(to[r, :2].tolist()), sine, points.ground_g[p], options, 0.9, AREAS, WALLS
            )
            crossed.add(len(barriers))
            chosen = choices(options)
            chosen.ways = ways
            for h, height in enumerate(heights):
                z = (xyz[p, 2] + height, to[r, 2])
                expected = iso.path_db(length, z, ground, barriers, 0.0, AIR_DB_PER_KM, chosen)
                np.testing.assert_allclose(found[r, p, h], expected, atol=1e-6, err_msg=f"{r} {p} {h}")
    assert crossed == {0, 1, 2, 3}


class Site(remake.Site):
    """A project with one straight track, whose paths follow ISO 9613-2; both states are the same."""

    options = Iso9613Options()

    def paths(self, x: float, receiver: dict[str, Any], height: float) -> tuple[list[float], list[float]]:
        rx, ry = receiver["position"]
        areas = [(a["polygon"], a["g"]) for a in self.project.get("ground_areas", [])]
        walls = [(b["line"], b["height_m"]) for b in self.project.get("barriers", [])]
        default_g = self.project["site"]["default_ground"]["g"]
        sine = abs(ry) / math.hypot(rx - x, ry)
        source_g = remake.SOURCE_GROUND_G[self.attributes(x - self.first_x)["form"]]
        length, ground, barriers, ways = cut(
            (x, 0.0), (float(rx), float(ry)), sine, source_g, self.options, default_g, areas, walls
        )
        chosen = choices(self.options)
        chosen.ways = ways
        z = (self.rail_z + height, self.plain + receiver["height_m"])
        a = iso.path_db(length, z, ground, barriers, self.plain, self.air, chosen)
        energies = [scalar_method.energy(-value) for value in a]
        return energies, energies


@pytest.mark.parametrize("kind", ["free", "barrier and river", "alternative"])
def test_a_straight_track(kind: str, tmp_path: Path) -> None:
    """From the project file to the levels; a piece of track every metre in the second computation."""
    project = straight_site(300.0)
    project["calculation"] = {"method": "eu_sources_iso9613", "without": ["eu_bridge"]}
    if kind == "barrier and river":
        project["barriers"] = [
            {"id": "B1", "line": [[-80.0, 5.0], [20.0, 5.0]], "height_m": 2.0, "surface": "absorbing"},
            {"id": "B2", "line": [[20.0, 5.0], [70.0, 5.0]], "height_m": 3.0, "surface": "absorbing"},
        ]
        project["ground_areas"] = [
            {"id": "W", "g": 0.0, "polygon": [[-200.0, 12.0], [150.0, 20.0], [150.0, 40.0], [-200.0, 35.0]]}
        ]
    if kind == "alternative":
        project["calculation"]["options"] = {"iso9613": {"ground_method": "alternative"}}
    site = Site(project)
    site.options = Iso9613Options(**project["calculation"].get("options", {}).get("iso9613", {}))
    expected = remake.long_term(site, project["receivers"][0], 1.0)
    found = assess_site(project, tmp_path)["R"]
    assert {p.state for p in found.passes} == {"downwind"}
    assert found.lden_db == pytest.approx(expected["lden_db"], abs=0.05)
    for period, level in expected["period_db"].items():
        assert found.period_db[period] == pytest.approx(level, abs=0.05)
        assert found.spectrum_db[period] == pytest.approx(expected["spectrum_db"][period], abs=0.1)

"""Paths over banks and hills, between buildings and by way of walls, against a second computation.

Source: computed, not published, by ``scalar_cut`` from Directive 2002/49/EC, Annex II, section 2.5. The geometry of the
paths is that of ``vertical_cuts``, which has tests of its own.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np
import pytest
import shapely

from lineside.scene import cuts as c
from lineside.scene.model import Air
from lineside.scene.reflectors import reflectors_of
from lineside_plugins.eu_propagation import EuPropagation, EuPropagationOptions
from published.scalar_cut import Cut, path_db
from published.scalar_method import air_absorption_db_per_km
from town import bank, hills, points_at, random_town, receivers_at, terrain

HEIGHTS = np.array([0.5, 4.0])
OPTIONS = EuPropagationOptions(reflection_order=2, reflection_least=0.0)
AIR_DB_PER_KM = air_absorption_db_per_km(15.0, 70.0, 101.325)


def site(seed: int) -> tuple[Any, Any, Any]:
    """A town on hills with a bank or a cutting along y, points on it, receivers round it."""
    rng = np.random.default_rng(seed)
    z = [3.5, -4.0, 0.5, 8.0][seed % 4]
    across = [(-9.0 - abs(z), 0.0), (-4.0, z), (4.0, z), (9.0 + abs(z), 0.0)]
    ground = terrain(bank([-150, 150], across, g=[1.0, 0.8, 1.0]), raster=hills(seed) if seed % 3 else None)
    scene = random_town(seed, n_houses=10, reach=90.0, terrain=ground)
    n = len(scene.barriers.barrier)
    scene.barriers = replace(
        scene.barriers, absorption=rng.uniform(0.0, 0.9, (n, 8)), reflecting=np.ones(n, dtype=bool)
    )
    scene.air, scene.forms, scene.tracks = Air(15.0, 70.0, 101.325), (), ()
    houses = shapely.union_all(
        [shapely.Polygon(ring) for ring in np.split(scene.buildings.xy_m, scene.buildings.start[1:-1])]
    )
    beside = [
        y for y in rng.uniform(-80, 80, 40) if houses.distance(shapely.LineString([[0, y - 6], [0, y + 6]])) > 0.1
    ]
    outside = [xy for xy in rng.uniform(-90, 90, (40, 2)) if houses.distance(shapely.Point(xy)) > 0.1]
    points = points_at([[0.0, y] for y in beside[:3]], z + 0.3, length_m=12.0)
    return scene, points, receivers_at(outside[:4], rng.uniform(1.5, 14.0, 4))


def rows(table: np.ndarray, path: np.ndarray, k: int, column: int) -> np.ndarray:
    return table[int(path[k - 1, column]) if k else 0 : int(path[k, column])]


def cut_of(found: Any, k: int, absorption: np.ndarray) -> Cut:
    line = [(float(x), float(z)) for x, z in rows(found.profile, found.path, k, c.PROFILE_TO)]
    to = rows(found.ground, found.path, k, c.GROUND_TO)
    ground = [(a, b, g) for a, (b, g) in zip([0.0, *to[:-1, 0]], to, strict=True)]
    edge = rows(found.edge, found.path, k, c.EDGES_TO)
    barriers = [(e[c.PLACE], e[c.TOP_Z]) for e in edge if e[c.KIND] == c.BARRIER]
    houses: list[tuple[float, float, float]] = []
    entered: dict[float, tuple[float, float]] = {}
    for e in edge[edge[:, c.KIND] == c.BUILDING]:
        if e[c.OWNER] in entered:
            houses.append((entered.pop(e[c.OWNER])[0], e[c.PLACE], e[c.TOP_Z]))
        else:
            entered[e[c.OWNER]] = (e[c.PLACE], e[c.TOP_Z])
    walls = [
        (m[c.MIRROR_PLACE], m[c.MIRROR_TOP_Z], m[c.MIRROR_BASE_Z], absorption[int(m[c.REFLECTOR])].tolist())
        for m in rows(found.mirror, found.path, k, c.MIRRORS_TO)
    ]
    return Cut(line, ground, [*barriers, *entered.values()], houses, walls)


@cache
def compared(seed: int) -> tuple[np.ndarray, np.ndarray, Counter]:
    """Attenuation by both, direct paths of a pair together, reflected ones one by one; what the paths were like."""
    scene, points, receivers = site(seed)
    wanted = c.Mirrors(order=2, least=0.0)
    found = c.vertical_cuts(scene, points, receivers, nearest_m=1.0, roof_g=0.0, mirrors=wanted, side_ways=False)
    # the train beside a barrier has tests of its own
    loss = EuPropagation().path_loss(
        scene, points, HEIGHTS, receivers, OPTIONS.model_copy(update={"train_body_reflection": 0.0})
    )
    absorption = reflectors_of(scene).absorption
    direct, mirrored, kinds = np.zeros(loss.transfer.shape), [], Counter()
    for r, p in np.ndindex(len(receivers), len(points)):
        pair = r * len(points) + p
        for k in range(found.first[pair], found.first[pair + 1]):
            cut, path = cut_of(found, k, absorption), found.path[k]
            mirror = rows(found.mirror, found.path, k, c.MIRRORS_TO)
            low = mirror[:, c.MIRROR_TOP_Z] - mirror[:, c.MIRROR_BASE_Z] < 0.5
            narrow = mirror[:, c.MIRROR_WIDTH] * mirror[:, c.INCIDENCE_COSINE] < 0.5
            if np.any(low | narrow):
                kinds["too small"] += 1
                continue
            kinds[len(cut.walls), bool(cut.barriers), bool(cut.buildings)] += 1
            energy = np.empty((2, 2, 8))
            for h, s in np.ndindex(2, 2):
                source, receiver = (0.0, points.xyz_m[p, 2] + HEIGHTS[h]), (path[c.LENGTH], receivers.xyz_m[r, 2])
                lost = path_db(cut, source, receiver, 1.0, bool(s), AIR_DB_PER_KM)
                energy[h, s] = path[c.SHARE] * 10 ** (-np.array(lost) / 10)
            if cut.walls:
                kinds["meets its walls" if np.all(energy > 0.0) else "passes below a wall"] += 1
                mirrored.append((r, p, path[c.LENGTH], energy))
            else:
                direct[r, p] += energy
    assert loss.reflected is not None and len(mirrored) == len(loss.reflected.point)
    assert [m[0] for m in mirrored] == loss.reflected.receiver.tolist()
    assert [m[1] for m in mirrored] == loss.reflected.point.tolist()
    np.testing.assert_allclose(loss.reflected.length_m, [m[2] for m in mirrored])
    theirs = np.concatenate([direct.reshape(-1, 2, 2, 8), np.array([m[3] for m in mirrored]).reshape(-1, 2, 2, 8)])
    ours = np.concatenate([loss.transfer.reshape(-1, 2, 2, 8), loss.reflected.transfer])
    with np.errstate(divide="ignore"):  # nothing comes by way of a wall that the path passes below
        return -10 * np.log10(ours), -10 * np.log10(theirs), kinds


@pytest.mark.parametrize("seed", range(6))
def test_paths_of_random_towns(seed: int) -> None:
    ours, theirs, _ = compared(seed)
    np.testing.assert_allclose(ours, theirs, atol=1e-6)


def test_the_towns_hold_all_kinds_of_paths() -> None:
    kinds = sum((compared(seed)[2] for seed in range(6)), Counter())
    for walls in (0, 1, 2):
        for barrier in (False, True):
            for building in (False, True):
                assert kinds[walls, barrier, building] > 0, (walls, barrier, building)
    assert kinds["meets its walls"] > 0 and kinds["passes below a wall"] > 0

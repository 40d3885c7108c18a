"""What holds for vertical cuts of any scene: reversal, order, independence, and what a slow search finds."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st

from lineside.scene.cuts import (
    COSINE,
    EDGES_TO,
    GROUND_TO,
    LENGTH,
    MIRRORS_TO,
    OWNER,
    PLACE,
    PROFILE_TO,
    REFLECTOR,
    SHARE,
    TRACK_SINE,
    Mirrors,
    VerticalCuts,
    vertical_cuts,
)
from lineside.scene.model import Buildings
from lineside.scene.reflectors import reflectors_of
from town import bank, hills, points_at, random_town, receivers_at, terrain, town

TABLES = (("profile", PROFILE_TO), ("ground", GROUND_TO), ("edge", EDGES_TO), ("mirror", MIRRORS_TO))
seeds = st.integers(0, 10_000)
fixed = settings(max_examples=25, deadline=None, derandomize=True)


def cuts(scene: Any, sources: Any, to: Any, **more: Any) -> VerticalCuts:
    points = sources if hasattr(sources, "xyz_m") else points_at(sources)
    receivers = to if hasattr(to, "xyz_m") else receivers_at(to)
    return vertical_cuts(scene, points, receivers, **{"nearest_m": 1.0, "roof_g": 0.0, **more})


def rows(found: VerticalCuts, k: int) -> dict[str, Any]:
    """What belongs to path k."""
    out = {}
    for table, column in TABLES:
        low = int(found.path[k - 1, column]) if k else 0
        out[table] = getattr(found, table)[low : int(found.path[k, column])]
    return out


def hilly_town(seed: int) -> Any:
    section = [(-14.0, 0.0), (-5.0, 3.0), (5.0, 3.0), (5.0, -1.0)]
    ground = bank([-80.0, -20.0, 40.0, 90.0], section, g=[np.nan, 0.2, np.nan])
    return random_town(seed, terrain=terrain(ground, raster=hills(seed)))


def places(seed: int, n: int, reach: float = 120.0) -> Any:
    return np.random.default_rng(seed).uniform(-reach, reach, (n, 2))


@given(seeds)
@fixed
def test_a_path_back_is_the_same_path_reversed(seed: int) -> None:
    scene = hilly_town(seed)
    a, b = places(seed, 4), places(seed + 1, 4)
    there, back = (cuts(scene, *ends, mirrors=Mirrors(order=2)) for ends in ((a, b), (b, a)))
    for i in range(4):
        for j in range(4):
            one, other = j * 4 + i, i * 4 + j
            first, second = range(*there.first[one : one + 2]), range(*back.first[other : other + 2])
            lengths = [there.path[k, LENGTH] for k in first], [back.path[k, LENGTH] for k in second]
            order = np.argsort(lengths[0], kind="stable"), np.argsort(lengths[1], kind="stable")
            np.testing.assert_allclose(np.sort(lengths[0]), np.sort(lengths[1]), rtol=1e-9)
            for x, y in zip(*order, strict=True):
                mine, theirs, length = rows(there, first[x]), rows(back, second[y]), lengths[0][x]
                for name in ("edge", "mirror", "profile"):
                    turned = theirs[name][::-1].copy()
                    turned[:, 0] = length - turned[:, 0]
                    mirrored = name == "edge" and len(mine["mirror"]) % 2 == 1
                    if mirrored:
                        turned[:, COSINE] *= -1
                    np.testing.assert_allclose(mine[name], turned, atol=1e-6)
                ground, turned = mine["ground"], theirs["ground"][::-1]
                np.testing.assert_allclose(ground[:, 1], turned[:, 1])
                np.testing.assert_allclose(ground[:-1, 0], length - turned[1:, 0], atol=1e-6)


@given(seeds)
@fixed
def test_receivers_and_points_do_not_touch_each_other(seed: int) -> None:
    scene = hilly_town(seed)
    points, receivers = points_at(places(seed, 6), length_m=6.0), receivers_at(places(seed + 1, 4))
    everything = cuts(scene, points, receivers, mirrors=Mirrors())
    for r in range(4):
        for p in range(6):
            one = replace(points, **{f: getattr(points, f)[[p]] for f in points.__dataclass_fields__})
            alone = cuts(scene, one, receivers_at(receivers.xyz_m[[r], :2]), mirrors=Mirrors())
            low, high = everything.first[r * 6 + p : r * 6 + p + 2]
            assert alone.first.tolist() == [0, high - low]
            np.testing.assert_array_equal(alone.path[:, :3], everything.path[low:high, :3])
            for k in range(high - low):
                mine, theirs = rows(alone, k), rows(everything, low + k)
                for name in mine:
                    np.testing.assert_array_equal(mine[name], theirs[name])


@given(seeds)
@fixed
def test_the_order_of_houses_does_not_matter(seed: int) -> None:
    scene = hilly_town(seed)
    houses = scene.buildings
    order = np.random.default_rng(seed).permutation(len(houses))
    rings = [houses.xy_m[a:b] for a, b in pairwise(houses.start)]
    start = np.cumsum([0, *(len(rings[k]) for k in order)])
    turned = Buildings(
        tuple(houses.ids[k] for k in order), np.concatenate([rings[k] for k in order]), start,
        houses.base_z_m[order], houses.top_z_m[order], houses.absorption[order],
    )  # fmt: skip
    a, b = places(seed, 5), places(seed + 1, 5)
    one = cuts(scene, a, b, mirrors=Mirrors())
    other = cuts(town_with(scene, turned), a, b, mirrors=Mirrors())
    np.testing.assert_array_equal(one.first, other.first)
    for low, high in pairwise(one.first):
        places_of = [low + np.argsort(found.path[low:high, LENGTH], kind="stable") for found in (one, other)]
        for k, j in zip(*places_of, strict=True):
            np.testing.assert_allclose(one.path[k, :3], other.path[j, :3])
            mine, theirs = rows(one, k), rows(other, j)
            np.testing.assert_allclose(mine["profile"], theirs["profile"])
            np.testing.assert_allclose(mine["ground"], theirs["ground"])
            np.testing.assert_allclose(mine["edge"][:, :6], theirs["edge"][:, :6])
            np.testing.assert_allclose(mine["mirror"][:, :5], theirs["mirror"][:, :5])


def town_with(scene: Any, houses: Buildings) -> Any:
    other = type(scene)(**vars(scene))
    other.buildings = houses
    return other


@given(seeds)
@fixed
def test_shares_of_the_parts_of_a_piece_add_up_to_one(seed: int) -> None:
    scene = hilly_town(seed)
    found = cuts(scene, points_at(places(seed, 8), length_m=25.0), places(seed + 1, 8), mirrors=Mirrors())
    direct = np.diff(found.path[:, MIRRORS_TO], prepend=0.0) == 0
    for low, high in pairwise(found.first):
        assert found.path[low:high, SHARE][direct[low:high]].sum() == pytest.approx(1.0)
        assert np.all(np.diff(direct[low:high].astype(int)) <= 0)


@given(seeds)
@fixed
def test_profiles_lie_on_the_raster(seed: int) -> None:
    raster = hills(seed)
    scene = town(terrain=terrain(raster=raster))
    sources, to = places(seed, 6), places(seed + 1, 6)
    found = cuts(scene, sources, to)
    for k in range(36):
        a, b = sources[k % 6], to[k // 6]
        profile = rows(found, k)["profile"]
        steps = np.diff(profile[:, 0])
        assert steps.max() <= raster.step_m + 1e-9 and np.ptp(steps) < 1e-9
        at = a + profile[:, :1] / found.path[k, LENGTH] * (b - a)
        col, row = (at - [raster.x0_m, raster.y0_m]).T / raster.step_m
        i, j = np.floor(col).astype(int), np.floor(row).astype(int)
        u, v, z = col - i, row - j, raster.z_m
        want = (1 - v) * ((1 - u) * z[j, i] + u * z[j, i + 1]) + v * ((1 - u) * z[j + 1, i] + u * z[j + 1, i + 1])
        np.testing.assert_allclose(profile[:, 1], want, atol=1e-9)


def mirrored(xy: Any, wall: Any) -> Any:
    along = (wall[1] - wall[0]) / np.hypot(*(wall[1] - wall[0]))
    off = xy - wall[0]
    return wall[0] + 2 * along * (off @ along) - off


def crosses(a: Any, b: Any, wall: Any) -> Any:
    """Where the way from a to b meets a wall, None if it does not."""
    m = np.column_stack([b - a, wall[0] - wall[1]])
    if abs(np.linalg.det(m)) < 1e-12:
        return None
    t, u = np.linalg.solve(m, wall[0] - a)
    return a + t * (b - a) if 0 < t < 1 and 0 <= u <= 1 else None


def slow_search(reflectors: Any, source: Any, receiver: Any, order: int) -> list[tuple[int, ...]]:
    """All reflecting ways, found by trying every row of reflectors from the source to the receiver."""
    found, n = [], len(reflectors.building)

    def left_of(j: int, xy: Any) -> float:
        a, b = reflectors.xy_m[j]
        return float((b[0] - a[0]) * (xy[1] - a[1]) - (b[1] - a[1]) * (xy[0] - a[0]))

    def extend(chain: tuple[int, ...], images: list[Any]) -> None:
        if chain:
            at, ends, ok = receiver, [], True
            for j, image in zip(reversed(chain), reversed(images[1:]), strict=True):  # from the receiver backwards
                met = crosses(image, at, reflectors.xy_m[j])
                if met is None:
                    ok = False
                    break
                ends.append(met)
                at = met
            if ok:
                stops = [source, *reversed(ends), receiver]
                for j, before, after in zip(chain, stops[:-2], stops[2:], strict=True):
                    sides = left_of(j, before), left_of(j, after)
                    one_sided = reflectors.building[j] >= 0
                    ok = ok and sides[0] * sides[1] > 0 and not (one_sided and sides[0] > 0)
            if ok:
                found.append(chain)
        if len(chain) < order:
            for j in range(n):
                if not chain or chain[-1] != j:
                    extend((*chain, j), [*images, mirrored(images[-1], reflectors.xy_m[j])])

    extend((), [source])
    return sorted(found)


@pytest.mark.parametrize(("order", "n_houses", "n"), [(1, 10, 6), (2, 4, 3)])
def test_reflected_paths_against_a_slow_search(order: int, n_houses: int, n: int) -> None:
    scene = random_town(11 + order, n_houses=n_houses, reach=60.0)
    reflectors = reflectors_of(scene)
    sources, to = places(1, n, 80.0), places(2, n, 80.0)
    found = cuts(scene, sources, to, mirrors=Mirrors(order))
    total = 0
    for pair, (low, high) in enumerate(pairwise(found.first)):
        s, r = sources[pair % n], to[pair // n]
        chains = [tuple(rows(found, k)["mirror"][:, REFLECTOR].astype(int)) for k in range(low + 1, high)]
        assert sorted(chains) == slow_search(reflectors, s, r, order)
        total += len(chains)
        for k, chain in enumerate(chains):
            image = s
            for j in chain:
                image = mirrored(image, reflectors.xy_m[j])
            assert found.path[low + 1 + k, LENGTH] == pytest.approx(np.hypot(*(r - image)))
            assert 0.0 <= found.path[low + 1 + k, TRACK_SINE] <= 1.0
    assert total > 30


@given(seeds)
@fixed
def test_edges_of_reflected_paths_against_shapely(seed: int) -> None:
    scene = random_town(seed, n_houses=8, reach=70.0)
    sources, to = places(seed, 3, 90.0), places(seed + 1, 3, 90.0)
    found = cuts(scene, sources, to, mirrors=Mirrors())
    houses = [shapely.Polygon(scene.buildings.xy_m[a:b]) for a, b in pairwise(scene.buildings.start)]
    reflectors = reflectors_of(scene)
    for pair, (low, high) in enumerate(pairwise(found.first)):
        s, r = sources[pair % 3], to[pair // 3]
        for k in range(low + 1, high):
            part = rows(found, k)
            wall = reflectors.xy_m[int(part["mirror"][0, REFLECTOR])]
            met = crosses(s, mirrored(r, wall), wall)
            want = []
            for at, leg in ((0.0, [s, met]), (np.hypot(*(met - s)), [met, r])):
                line = shapely.LineString(leg)
                things = [(h.exterior, o) for o, h in enumerate(houses)]
                things += [(shapely.LineString(e), o) for o, e in enumerate(scene.barriers.xy_m)]
                for thing, owner in things:
                    cut = line.intersection(thing)
                    hits = [line.project(p) for p in getattr(cut, "geoms", [cut]) if not p.is_empty]
                    want += [(at + h, owner) for h in hits if 1e-6 < h < line.length - 1e-6]
            got = part["edge"][:, [PLACE, OWNER]]
            np.testing.assert_allclose(got, np.array(sorted(want)).reshape(-1, 2), atol=1e-6)


def test_kernels_run_uncompiled() -> None:
    """The same arrays from the plain Python functions."""
    code = (
        "import numpy as np; from town import *; from test_scene_cuts_properties import *\n"
        "f = cuts(hilly_town(3), points_at(places(1, 3), length_m=20.0), places(2, 2), mirrors=Mirrors())\n"
        "print([float(getattr(f, n).sum()) for n in ('profile', 'ground', 'edge', 'mirror')], len(f.path))"
    )
    here = Path(__file__).parent
    out = []
    for flag in ("0", "1"):
        env = {**os.environ, "NUMBA_DISABLE_JIT": flag, "PYTHONPATH": os.pathsep.join([str(here), str(here.parent)])}
        out.append(
            subprocess.run([sys.executable, "-c", code], env=env, capture_output=True, text=True, check=True).stdout
        )
    assert out[0] == out[1] and "]" in out[0]

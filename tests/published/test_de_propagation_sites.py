"""16. BImSchV, Annex 2, over terrain and past barriers and buildings, with reflections, against a second computation.

Source: ``scalar_de`` and ``scalar_walls``, computed and not published: one path and one band at a time, along vertical
cuts, whose geometry has tests of its own.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from cut_rows import Row, rows_of
from lineside.scene.cuts import (
    BARRIER,
    COSINE,
    INCIDENCE_COSINE,
    KIND,
    LENGTH,
    MIRROR_BASE_Z,
    MIRROR_PLACE,
    MIRROR_TOP_Z,
    MIRROR_WIDTH,
    OWNER,
    PLACE,
    REFLECTOR,
    SHARE,
    SINE,
    TO_CORNER,
    TOP_Z,
    TRACK_SINE,
    WAYS,
    WIDTH,
    Mirrors,
    vertical_cuts,
)
from lineside.scene.model import Scene
from lineside_plugins.de_propagation import DePropagation, DePropagationOptions
from published import scalar_de as de
from published import scalar_walls as walls
from town import bank, hills, points_at, random_town, receivers_at, terrain
from whole_scene import whole

HEIGHTS = np.array([0.0, 4.0])
BANK = bank([-120.0, 120.0], [(-9.0, 0.0), (-4.0, 3.0), (4.0, 3.0), (9.0, 0.0)])
PIT = bank([-120.0, 120.0], [(-12.0, 3.0), (-5.0, 0.0), (5.0, 0.0), (12.0, 3.0)])


def site(kind: str, seed: int) -> tuple[Scene, float]:
    """A town by a track along y at x = 0, on a plain, on hills, on a bank or in a cutting; height of the rails."""
    waves = hills(seed)
    grounds: dict[str, tuple[Any, float]] = {
        "plain": (None, 0.3),
        "hills": (terrain(raster=replace(waves, z_m=3.0 * waves.z_m)), 1.0),
        "bank": (terrain(BANK), 3.0),
        "cutting": (terrain(PIT, level_m=3.0), 0.4),
    }
    ground, rail = grounds[kind]
    town = random_town(seed, n_houses=10, reach=80.0, terrain=ground, level_m=3.0 if kind == "cutting" else 0.0)
    scene = whole(town)
    lift = scene.ground_level_m
    high = np.random.default_rng(seed).uniform(1.0, 5.0, (len(scene.barriers.barrier), 1)) + lift
    barriers = replace(
        scene.barriers,
        top_z_m=np.repeat(high, 2, axis=1),
        base_z_m=np.full((len(high), 2), lift),
        reflecting=scene.barriers.barrier % 2 == 0,
    )
    houses = replace(scene.buildings, base_z_m=scene.buildings.base_z_m + lift, top_z_m=scene.buildings.top_z_m + lift)
    areas = replace(scene.ground, g=np.array([0.0, 0.5, 0.0]))
    return replace(scene, barriers=barriers, buildings=houses, ground=areas), rail


def edges_of(row: Row, d_refl_db: dict[int, float]) -> list[de.Edge]:
    return [
        de.Edge(
            e[PLACE], e[TOP_Z], e[WIDTH], math.atan2(e[SINE], e[COSINE]),
            d_refl_db[int(e[OWNER])] if e[KIND] == BARRIER else 0.0,
        )
        for e in row.edge
    ]  # fmt: skip


def ways_of(row: Row) -> list[de.Way]:
    ways = []
    for k in range(2):
        detour, between, first = row.path[WAYS + 2 * k], row.path[WAYS + 2 * k + 1], row.path[TO_CORNER + k]
        if detour < math.inf:
            ways.append(de.Way(first, between, row.path[LENGTH] + detour - first - between))
    return ways


@pytest.mark.parametrize("kind", ["plain", "hills", "bank", "cutting"])
@pytest.mark.parametrize("seed", [1, 2])
def test_sites(kind: str, seed: int) -> None:
    scene, rail = site(kind, seed)
    rng = np.random.default_rng(seed)
    points = points_at(np.column_stack([np.zeros(7), rng.uniform(-70, 70, 7)]), rail, 8.0)
    to = receivers_at(rng.uniform(-90, 90, (9, 2)), rng.uniform(0.5, 9.0, 9) + scene.ground_level_m)
    options = DePropagationOptions(reflection_order=2)
    found = DePropagation().path_loss(scene, points, HEIGHTS, to, options)
    assert found.reflected is not None

    wet = replace(scene.ground, g=np.where(scene.ground.g == 0.0, 0.0, 1.0))
    cuts = vertical_cuts(
        replace(scene, ground=wet),
        points,
        to,
        nearest_m=1.0,
        roof_g=1.0,
        mirrors=Mirrors(2, options.reflection_reach**-2),
    )
    segments = scene.barriers.xy_m
    direct = np.zeros((9, 7, 2, 8))
    mirrored, screens, grounds = [], set(), 0
    for row in rows_of(cuts, len(points)):
        at = points.xyz_m[row.point]
        d_refl = {}
        for k, barrier in enumerate(scene.barriers.barrier):
            apart = min(distance(at, *segments[m]) for m in np.flatnonzero(scene.barriers.barrier == barrier))
            d_refl[k] = 3.0 if scene.barriers.reflecting[k] and apart <= 5.0 else 0.0
        water = sum(b - a for a, b, g in row.ground if g == 0.0) / row.path[LENGTH]
        assert row.profile[-1][0] == pytest.approx(row.path[LENGTH])
        energies = []
        for height in HEIGHTS:
            z = (rail + height, to.xyz_m[row.receiver, 2])
            edges = edges_of(row, d_refl)
            level = de.path_db(row.profile, *z, water, edges, ways_of(row))
            energy = row.path[SHARE] * 10 ** (np.array(level) / 10)
            in_ray = de.above_ground(row.profile, *z)
            grounds += len(in_ray) > 0
            screens.add(len(edges))
            if len(row.mirror):
                wall = [mirror(scene, m) for m in row.mirror]
                ends = ((0.0, z[0]), (row.path[LENGTH], z[1]))
                tops = [(e.x, e.top) for e in [*edges, *in_ray]]
                energy = energy * walls.kept_energy(de.WAVELENGTHS_M, wall, *ends, tops)
            energies.append(energy)
        if len(row.mirror):
            if np.any(energies):
                phi = math.degrees(math.asin(row.path[TRACK_SINE]))
                mirrored.append((row.receiver, row.point, phi, row.path[LENGTH], energies))
        else:
            direct[row.receiver, row.point] += energies
    np.testing.assert_allclose(10 * np.log10(found.transfer[:, :, :, 0] / direct), 0.0, atol=1e-6)
    there = found.reflected
    assert len(there.receiver) == len(mirrored) > 20 and {0, 1, 2} < screens
    assert (grounds > 0) == (kind != "plain")
    np.testing.assert_array_equal(there.receiver, [m[0] for m in mirrored])
    np.testing.assert_array_equal(there.point, [m[1] for m in mirrored])
    np.testing.assert_allclose(there.phi_deg, [m[2] for m in mirrored])
    np.testing.assert_allclose(there.length_m, [m[3] for m in mirrored])
    np.testing.assert_allclose(there.transfer[:, :, 0], np.array([m[4] for m in mirrored]), rtol=1e-6)


def mirror(scene: Scene, m: Any) -> walls.Mirror:
    """A wall with its loss by Table 18: houses absorb 0.1, 0.5 dB, which is below the row of 1 dB; barriers 0 or 4."""
    barrier = int(m[REFLECTOR]) - len(scene.buildings.xy_m)
    loss = 0.0 if barrier < 0 or scene.barriers.reflecting[barrier] else 4.0  # type: ignore[index]
    return walls.Mirror(
        m[MIRROR_PLACE],
        m[MIRROR_TOP_Z],
        m[MIRROR_BASE_Z],
        m[INCIDENCE_COSINE],
        m[MIRROR_WIDTH],
        [10 ** (-loss / 10)] * 8,
    )


def distance(p: Any, a: Any, b: Any) -> float:
    t = min(1.0, max(0.0, float((p[:2] - a) @ (b - a) / ((b - a) @ (b - a)))))
    return float(np.hypot(*(a + t * (b - a) - p[:2])))

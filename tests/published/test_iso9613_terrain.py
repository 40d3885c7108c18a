"""ISO 9613-2 over terrain and past barriers and buildings, with reflections, against a second computation.

Source: ``scalar_iso9613`` and ``scalar_walls``, computed and not published: one path and one band at a time, along
vertical cuts, whose geometry has tests of its own.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from cut_rows import Row, rows_of
from lineside.scene.cuts import (
    COSINE,
    INCIDENCE_COSINE,
    LENGTH,
    MIRROR_BASE_Z,
    MIRROR_PLACE,
    MIRROR_TOP_Z,
    MIRROR_WIDTH,
    PLACE,
    REFLECTOR,
    SHARE,
    SINE,
    TOP_Z,
    TRACK_SINE,
    WAYS,
    WIDTH,
    Mirrors,
    Splitting,
    vertical_cuts,
)
from lineside.scene.model import Scene
from lineside_plugins.iso9613_propagation import Iso9613, Iso9613Options
from published import scalar_iso9613 as iso
from published import scalar_method
from published import scalar_walls as walls
from published.test_iso9613_sites import choices
from town import bank, hills, points_at, random_town, receivers_at, terrain
from whole_scene import whole

AIR_DB_PER_KM = scalar_method.air_absorption_db_per_km(10.0, 70.0, 101.325)
WAVELENGTHS_M = [340.0 / f for f in iso.OCTAVES_HZ]
HEIGHTS = np.array([0.5, 4.0])
BED_M = 2.5
PIT = bank([-120.0, 120.0], [(-12.0, 3.0), (-5.0, 0.0), (5.0, 0.0), (12.0, 3.0)], g=[0.4, 1.0, 0.4])


def site(kind: str, seed: int) -> tuple[Scene, float]:
    """A town by a track along y at x = 0, on hills or in a cutting; height of the rails."""
    waves, pit = hills(seed), kind == "cutting"
    ground = terrain(PIT, level_m=3.0) if pit else terrain(raster=replace(waves, z_m=3.0 * waves.z_m))
    level = 3.0 if pit else 0.0
    scene = whole(random_town(seed, n_houses=10, reach=80.0, terrain=ground, level_m=level))
    houses = replace(
        scene.buildings,
        base_z_m=scene.buildings.base_z_m + level,
        top_z_m=scene.buildings.top_z_m + level,
        absorption=np.random.default_rng(seed).uniform(0.0, 0.9, scene.buildings.absorption.shape),
    )
    barriers = replace(
        scene.barriers,
        top_z_m=scene.barriers.top_z_m + level,
        base_z_m=scene.barriers.base_z_m + level,
        reflecting=scene.barriers.barrier % 2 == 0,
    )
    return replace(scene, buildings=houses, barriers=barriers), 0.4 if pit else 1.0


def with_bed(row: Row, bed_g: float) -> iso.Ground:
    bed = min(row.path[LENGTH], BED_M / max(row.path[TRACK_SINE], 1e-9))
    return [(0.0, bed, bed_g), *((max(a, bed), b, g) for a, b, g in row.ground if b > bed)]


def mirror(scene: Scene, m: Any) -> walls.Mirror:
    """A wall that keeps what it does not absorb; a barrier of unknown absorption 1 if it reflects, else 0.4."""
    row, houses = int(m[REFLECTOR]), scene.buildings
    barrier = row - len(houses.xy_m)
    if barrier < 0:
        kept = (1 - houses.absorption[np.searchsorted(houses.start, row, side="right") - 1]).tolist()
    else:
        kept = [1.0 if scene.barriers.reflecting[barrier] else 0.4] * 8  # type: ignore[index]
    return walls.Mirror(m[MIRROR_PLACE], m[MIRROR_TOP_Z], m[MIRROR_BASE_Z], m[INCIDENCE_COSINE], m[MIRROR_WIDTH], kept)


@pytest.mark.parametrize(
    ("kind", "seed", "options"),
    [
        ("hills", 2, {}),
        ("cutting", 2, {"reflection_order": 2}),
        ("hills", 3, {"ground_method": "alternative", "side_edges": "capped"}),
        ("cutting", 4, {"ground_gain_behind_barriers": True, "side_edges": "none", "c0_db": 2.0}),
    ],
)
def test_sites(kind: str, seed: int, options: dict[str, Any]) -> None:
    scene, rail = site(kind, seed)
    rng = np.random.default_rng(seed)
    points = points_at(np.column_stack([np.zeros(7), rng.uniform(-70, 70, 7)]), rail, 8.0)
    points = replace(points, ground_g=rng.uniform(0, 1, 7))
    to = receivers_at(rng.uniform(-90, 90, (9, 2)), rng.uniform(0.5, 9.0, 9) + scene.ground_level_m)
    opts = Iso9613Options(**options)
    found = Iso9613().path_loss(scene, points, HEIGHTS, to, opts)
    cuts = vertical_cuts(
        scene, points, to, nearest_m=1.0, roof_g=0.0, splitting=Splitting(g_step=0.05, most_steps=20),
        mirrors=Mirrors(opts.reflection_order, opts.reflection_reach**-2),
    )  # fmt: skip
    direct = np.zeros((9, 7, 2, 8))
    mirrored, grounds = [], 0
    for row in rows_of(cuts, len(points)):
        ways = [(row.path[WAYS + 2 * k], row.path[WAYS + 2 * k + 1]) for k in range(2)]
        chosen = choices(opts)
        chosen.ways = [way for way in ways if way[0] < math.inf]
        edges = [iso.Barrier(e[PLACE], e[TOP_Z], e[WIDTH], math.atan2(e[SINE], e[COSINE])) for e in row.edge]
        energies = []
        for height in HEIGHTS:
            z = (rail + height, to.xyz_m[row.receiver, 2])
            loss = iso.path_db(
                row.path[LENGTH],
                z,
                with_bed(row, points.ground_g[row.point]),
                edges,
                row.profile,
                AIR_DB_PER_KM,
                chosen,
            )
            energy = row.path[SHARE] * 10 ** (-np.array(loss) / 10)
            in_ray = iso.above_ray(row.profile, *z)
            grounds += len(in_ray) > 0
            if len(row.mirror):
                wall, ends = [mirror(scene, m) for m in row.mirror], ((0.0, z[0]), (row.path[LENGTH], z[1]))
                tops = [*((e.x, e.top) for e in edges), *in_ray.items()]
                energy = energy * walls.kept_energy(WAVELENGTHS_M, wall, *ends, tops)
            energies.append(energy)
        if len(row.mirror) and np.any(energies):
            mirrored.append((row.receiver, row.point, energies))
        elif not len(row.mirror):
            direct[row.receiver, row.point] += energies
    np.testing.assert_allclose(10 * np.log10(found.transfer[:, :, :, 0] / direct), 0.0, atol=1e-6)
    there = found.reflected
    assert there is not None and len(there.receiver) == len(mirrored) > 20 and grounds > 20
    np.testing.assert_array_equal(there.receiver, [m[0] for m in mirrored])
    np.testing.assert_array_equal(there.point, [m[1] for m in mirrored])
    np.testing.assert_allclose(there.transfer[:, :, 0], np.array([m[2] for m in mirrored]), rtol=1e-6)

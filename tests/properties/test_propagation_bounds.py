"""What lets paths be left out: no calculator's paths carry more than it says at most."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from lineside_plugins.de_propagation import DePropagation, DePropagationOptions
from lineside_plugins.iso9613_propagation import Iso9613, Iso9613Options
from town import hills, points_at, random_town, receivers_at, terrain
from whole_scene import whole

HEIGHTS = np.array([0.0, 0.5, 4.0])
CHOICES: list[tuple[Any, Any]] = [
    (DePropagation(), DePropagationOptions()),
    (DePropagation(), DePropagationOptions(reflection_order=1, side_way_ratio=100.0)),
    (DePropagation(), DePropagationOptions(reflection_order=0, hard_ground_is_water=False, side_way_ratio=1.0)),
    (Iso9613(), Iso9613Options()),
    (Iso9613(), Iso9613Options(ground_method="alternative", reflection_order=2)),
    (Iso9613(), Iso9613Options(ground_gain_behind_barriers=True, reflection_order=0)),
]


def town_of(seed: int, g: float | None = None) -> Any:
    waves = hills(seed)
    scene = whole(random_town(seed, n_houses=8, reach=60.0, terrain=terrain(raster=waves) if seed % 2 else None))
    scene = replace(
        scene, barriers=replace(scene.barriers, reflecting=np.ones(len(scene.barriers.barrier), dtype=bool))
    )
    return scene if g is None else replace(scene, ground=replace(scene.ground, default_g=g, g=scene.ground.g * 0.0))


def paths(calculator: Any, options: Any, scene: Any, seed: int) -> tuple[Any, Any]:
    """What is found, and the distance of each pair."""
    rng = np.random.default_rng(seed)
    points = points_at(np.column_stack([np.zeros(9), rng.uniform(-60, 60, 9)]), 0.5)
    to = receivers_at(np.vstack([rng.uniform(-70, 70, (15, 2)), [[0.2, 3.0], [0.0, -8.0]]]), rng.uniform(1, 12, 17))
    found = calculator.path_loss(scene, points, HEIGHTS, to, options)
    return found, np.hypot(*(to.xyz_m[:, np.newaxis, :2] - points.xyz_m[:, :2]).transpose(2, 0, 1))


@pytest.mark.parametrize("k", range(len(CHOICES)))
@pytest.mark.parametrize(("seed", "g"), [(1, None), (2, 0.0), (3, 0.0)])
def test_no_pair_carries_more_than_the_bound(k: int, seed: int, g: float | None) -> None:
    calculator, options = CHOICES[k]
    scene = town_of(seed, g)
    found, distance = paths(calculator, options, scene, seed)
    total = found.transfer[:, :, :, 0].copy()
    if found.reflected is not None:
        for h in range(len(HEIGHTS)):
            np.add.at(
                total[:, :, h], (found.reflected.receiver, found.reflected.point), found.reflected.transfer[:, h, 0]
            )
    most = calculator.most_transfer(scene, distance, options)
    assert most.shape == (17, 9, 8)
    assert np.all(total <= most[:, :, np.newaxis] * (1 + 1e-12))
    if not options.reflection_order:  # not a bound that says nothing
        assert np.max(total / most[:, :, np.newaxis]) > 0.3
    assert np.all(np.diff(calculator.most_transfer(scene, np.geomspace(1.2, 5000, 50), options), axis=0) <= 0)


@pytest.mark.parametrize("k", range(len(CHOICES)))
def test_what_is_left_out_is_no_more_than_stated(k: int) -> None:
    calculator, options = CHOICES[k]
    if not options.reflection_order:
        options = options.model_copy(update={"reflection_order": 2})
    scene = town_of(2, 0.0)
    energy = []
    for reach in (1000.0, 1.3):
        found, _ = paths(calculator, options.model_copy(update={"reflection_reach": reach}), scene, 5)
        there, sums = found.reflected, np.zeros((17, 9, len(HEIGHTS), 8))
        np.add.at(sums, (there.receiver, there.point), there.transfer[:, :, 0])
        energy.append(sums)
    missing = (energy[0] - energy[1]).max(axis=(2, 3))
    assert missing.max() > 0 and found.left_out is not None
    assert np.all(missing <= found.left_out * (1 + 1e-9) + 1e-20)

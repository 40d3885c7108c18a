"""How fast vertical cuts are: per pair of receiver and point, per path, and per point of a profile.

Run: ``python tests/benchmarks/cut_speed.py``. One core; each line is the least processor time of several runs, the
tables of the scene made before.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

from lineside.scene.cuts import Mirrors, Splitting, VerticalCuts, vertical_cuts
from lineside.scene.model import Raster

sys.path.insert(0, str(Path(__file__).parents[1]))
from town import box, buildings, points_at, receivers_at, terrain, town

N_RECEIVERS, N_POINTS, RUNS = 40, 200, 7
WHOLE = Splitting(ratio=1e9)  # pieces are not split where the ground changes


def seconds(run: Callable[[], Any]) -> float:
    """Least processor time of several runs, the first one (compiling) not counted. [s]"""
    run()
    taken = []
    for _ in range(RUNS):
        start = time.process_time()
        run()
        taken.append(time.process_time() - start)
    return min(taken)


def village(n: int, seed: int = 1) -> Any:
    """n houses beside a track, on a square kilometre."""
    rng = np.random.default_rng(seed)
    side = int(np.ceil(np.sqrt(n)))
    step = 1000.0 / side
    at = [(20 + step * (k % side), step * (k // side) - 500) for k in range(n)]
    return buildings(
        *(
            box(x + rng.uniform(8, step - 8), y + rng.uniform(8, step - 8), *rng.uniform(8, 20, 2), rng.uniform(0, 3))
            for x, y in at
        ),
        top=rng.uniform(5, 12, n),
    )


def ends(distance_m: float) -> tuple[Any, Any]:
    """Pieces of a track along y as far as they matter, receivers at about a distance."""
    rng = np.random.default_rng(2)
    y = np.linspace(-0.7 * distance_m, 0.7 * distance_m, N_POINTS)
    points = points_at(np.column_stack([0 * y, y]), length_m=float(y[1] - y[0]))
    x = distance_m * rng.uniform(0.7, 0.8, N_RECEIVERS)
    return points, receivers_at(np.column_stack([x, rng.uniform(-0.3, 0.3, N_RECEIVERS) * distance_m]))


def report(title: str, scene: Any, distance_m: float, **more: Any) -> None:
    points, receivers = ends(distance_m)

    def run() -> VerticalCuts:
        return vertical_cuts(scene, points, receivers, nearest_m=1.0, roof_g=0.0, **{"splitting": WHOLE, **more})

    taken, found = seconds(run), run()
    n = N_RECEIVERS * N_POINTS
    print(
        f"{title}, {distance_m:.0f} m: {1e-6 * n / taken:6.2f} M pairs/s; {1e9 * taken / len(found.path):5.0f} ns per "
        f"path, {1e9 * taken / len(found.profile):4.1f} per point of its profile; {len(found.path) / n:.1f} paths per "
        f"pair, {len(found.edge) / len(found.path):.1f} edges per path"
    )


def main() -> None:
    houses = village(300)
    rng = np.random.default_rng(3)
    hills = terrain(raster=Raster(-100.0, -1000.0, 5.0, rng.uniform(0.0, 1.0, (400, 260))))
    fields = [(0.1 * k, box(300 * k + 100, 0, 150, 1500)) for k in range(3)]
    report("a plain", town(), 300)
    for distance in (100, 300, 1000):
        report("300 houses", town(houses=houses), distance)
    report("300 houses, no ways round", town(houses=houses), 300, side_ways=False)
    for distance in (100, 300, 1000):
        report("raster of 5 m", town(terrain=hills), distance)
    for distance in (100, 300, 1000):
        report("300 houses, raster of 5 m", town(houses=houses, terrain=hills), distance)
    report(
        "300 houses, 3 fields, ground of all pieces compared",
        town(houses=houses, areas=fields),
        300,
        splitting=Splitting(ratio=0.0),
    )
    scene = town(houses=houses)
    report("300 houses, one reflection", scene, 100, mirrors=Mirrors())
    report("300 houses, one reflection", scene, 300, mirrors=Mirrors())
    report("300 houses, one reflection of up to twice the length", scene, 300, mirrors=Mirrors(1, 0.25))
    scene = town(houses=houses, terrain=hills)
    report("300 houses, raster, one reflection of up to twice the length", scene, 300, mirrors=Mirrors(1, 0.25))


if __name__ == "__main__":
    main()

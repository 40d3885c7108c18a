"""What a large map costs: 1 km2 at 5 m (about 40,000 points), 300 buildings, 3 km of double track.

Run by hand: ``python tests/benchmarks/big_map.py [--workers N] [--spacing M] [--buildings N] [--fit]``. The site is
generated from a seed. Printed: seconds, pairs of source point and receiver per second, and the largest memory in use;
with ``--fit`` the exponents of the cost against receivers and against source points (1: linear), and the memory for
maps of a quarter and of the whole size.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
import tracemalloc
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from lineside.api import load_project
from lineside.engine.grid import GridLevels, grid_levels
from lineside.engine.plan import plan
from lineside.engine.pool import n_workers
from lineside.engine.run import Task, listener
from lineside.engine.select import Selection, select
from lineside.engine.situation import Situation
from lineside.plugins import Plugins
from lineside.scene.model import Buildings, Receivers
from lineside.scene.points import source_points

SIDE_M, TRACK_M = 1000.0, 3000.0


def project() -> dict[str, Any]:
    """A double track in a wide curve through the middle of the square, on mixed ground, with a screen."""
    along = np.linspace(-TRACK_M / 2, TRACK_M / 2, 121)
    tracks, services = [], []
    for k, offset in enumerate((-2.0, 2.0)):
        points = [[float(s), float(offset + 40 * np.cos(s / 900)), 0.5] for s in along]
        tracks.append(
            {
                "id": f"T{k}",
                "kind": "train",
                "alignment": {"kind": "inline", "start_chainage_m": 0.0, "points": points},
                "attributes": {
                    "form": "ballast", "sleeper": "monoblock", "rail_pad": "medium",
                    "rail_roughness": "average_network", "speed_limit_km_h": 120,
                },
            }
        )  # fmt: skip
        for kind, per_hour in (("car", 40), ("wagon", 12)):
            services.append(
                {
                    "id": f"{kind}{k}",
                    "unit": kind,
                    "track": f"T{k}",
                    "direction": "rising" if k else "falling",
                    "trains": {"kind": "per_period", "day": 4 * per_hour, "evening": per_hour, "night": per_hour},
                }
            )
    vehicle = {
        "kind": "train", "n_axles": 4, "max_speed_km_h": 140, "contact_filter": "load_50kn_wheel_920mm",
        "vehicle_transfer": "wheel_920mm", "traction": "electric_multiple_unit",
    }  # fmt: skip
    return {
        "lineside": 1,
        "identity": {"title": "Generated site for timing", "date": "2026-11-20"},
        "site": {
            "default_ground": {"g": 0.8},
            "air": {"temperature_deg_c": 10, "humidity_pct": 70},
            "favourable": {"kind": "one_value", "day": 0.5, "evening": 0.75, "night": 1.0},
        },
        "tracks": tracks,
        "vehicles": [
            {"id": "car", "length_m": 20, "wheel_roughness": "disc", **vehicle},
            {"id": "wagon", "length_m": 14, "wheel_roughness": "cast_iron_block", **vehicle},
        ],
        "units": [
            {"id": "car", "vehicles": [{"vehicle": "car", "count": 6}]},
            {"id": "wagon", "vehicles": [{"vehicle": "wagon", "count": 30}]},
        ],
        "services": services,
        "ground_areas": [
            {"id": "street", "g": 0.0, "polygon": [[-500, -120], [500, -120], [500, -90], [-500, -90]]},
        ],
        "barriers": [
            {"id": "screen", "height_m": 2.5, "surface": "absorbing", "line": [[-200, 52.0], [200, 52.0]]},
        ],
        "receivers": [{"id": "R", "position": [0.0, 150.0], "height_m": 4.0, "use": "dwelling", "area": "residential"}],
        "calculation": {"method": "eu_common"},
        "criteria": [],
    }


def houses(n: int, origin: tuple[float, float], seed: int = 1) -> Buildings:
    """Rectangular houses that do not overlap, 25 m and more from the tracks."""
    rng = np.random.default_rng(seed)
    taken: list[shapely.Polygon] = []
    while len(taken) < n:
        x, y = rng.uniform(-SIDE_M / 2, SIDE_M / 2, 2)
        long, wide, turn = rng.uniform(8, 40), rng.uniform(8, 15), rng.uniform(0, np.pi)
        box = shapely.affinity.rotate(shapely.box(x - long / 2, y - wide / 2, x + long / 2, y + wide / 2), turn, "center", True)  # noqa: E501  # fmt: skip
        if abs(y - 40 * np.cos(x / 900)) < 50 or any(box.distance(other) < 3 for other in taken):
            continue
        taken.append(shapely.geometry.polygon.orient(box))
    rings = [np.array(p.exterior.coords)[:-1] - origin for p in taken]
    return Buildings(
        ids=tuple(f"H{k}" for k in range(n)),
        xy_m=np.concatenate([*rings, np.empty((0, 2))]),
        start=np.concatenate([[0], np.cumsum([len(ring) for ring in rings])]).astype(np.int64),
        base_z_m=np.zeros(n),
        top_z_m=rng.uniform(4, 15, n),
        absorption=np.full((n, 8), 0.2),
    )


@dataclass(frozen=True, eq=False)
class Site:
    """The generated site, ready to be computed."""

    task: Task
    selection: Selection

    @classmethod
    def make(cls, n_buildings: int, piece_ratio: float | None = None) -> Site:
        """Load the project and put the buildings into its scenes."""
        plugins = Plugins.load()
        with tempfile.TemporaryDirectory() as folder:
            given = project()
            if piece_ratio is not None:
                given["calculation"]["options"] = {"eu_propagation": {"piece_ratio": piece_ratio}}
            (Path(folder) / "project.yaml").write_text(json.dumps(given), encoding="utf-8")
            loaded = load_project(Path(folder), plugins)
        selection = select(loaded, plugins)
        date = loaded.project.identity.date
        task = plan(loaded, selection, Situation(date.isoformat(), date, {})).task
        buildings = houses(n_buildings, task.scene.origin)
        around = tuple(replace(a, scene=replace(a.scene, buildings=buildings)) for a in task.around)
        return cls(replace(task, around=around), selection)

    def axes(self, spacing_m: float, side_m: float = SIDE_M) -> tuple[np.ndarray, np.ndarray]:
        """Axes of a square around the middle of the line."""
        along = np.arange(-side_m / 2, side_m / 2, spacing_m)
        return along - self.task.scene.origin[0], along - self.task.scene.origin[1]

    def map(self, x: np.ndarray, y: np.ndarray, workers: int) -> tuple[GridLevels, float]:
        """The map and the seconds that it took."""
        at = listener(self.task, self.selection).at
        start = time.perf_counter()
        levels = grid_levels(self.task.scene, at, x, y, 4.0, workers=workers)
        return levels, time.perf_counter() - start

    def n_pairs(self, x: np.ndarray, y: np.ndarray, sample: int = 300) -> int:
        """Pairs of source point and receiver, estimated from a sample of the points."""
        rng = np.random.default_rng(1)
        propagation, options = self.selection.propagation, self.selection.propagation_options
        ratio, found = propagation.max_piece_ratio(options), []
        for _ in range(sample):
            xyz = np.array([[rng.choice(x), rng.choice(y), 4.0]])
            points = source_points(self.task.scene, Receivers(("P",), xyz), ratio, propagation.source_ground_g)
            found.append(len(points))
        return round(np.mean(found) * len(x) * len(y))


def exponent(sizes: list[float], seconds: list[float]) -> float:
    """Slope of log seconds over log size."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def fit(n_buildings: int, workers: int) -> None:
    """Print how the cost grows."""
    site = Site.make(n_buildings)
    sizes, seconds = [], []
    for spacing in (40.0, 28.0, 20.0, 14.0):
        x, y = site.axes(spacing)
        sizes.append(float(len(x) * len(y)))
        seconds.append(site.map(x, y, workers)[1])
    print(f"exponent of the cost against receivers: {exponent(sizes, seconds):.2f} ({seconds[-1]:.1f} s at most)")
    sizes, seconds = [], []
    for ratio in (0.4, 0.2, 0.1, 0.05):
        finer = Site.make(n_buildings, ratio)
        x, y = finer.axes(40.0)
        sizes.append(float(finer.n_pairs(x, y)))
        seconds.append(finer.map(x, y, workers)[1])
    print(f"exponent of the cost against source points: {exponent(sizes, seconds):.2f} ({seconds[-1]:.1f} s at most)")
    for side in (250.0, 500.0, 1000.0):
        x, y = site.axes(10.0, side)
        tracemalloc.start()
        levels = site.map(x, y, 1)[0]
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        own = levels.energy.nbytes + levels.left_out.nbytes
        beside = (peak - own) / 1e6
        print(f"{levels.inside.size} points, one worker: {beside:.1f} MB beside the map itself ({own / 1e6:.1f} MB)")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--workers", type=int, default=None)
    parser.add_argument("--spacing", type=float, default=5.0)
    parser.add_argument("--buildings", type=int, default=300)
    parser.add_argument("--fit", action="store_true")
    asked = parser.parse_args()
    workers = n_workers(asked.workers)
    site = Site.make(asked.buildings)
    x, y = site.axes(asked.spacing)
    site.map(*site.axes(200.0), workers)  # compiles
    levels, seconds = site.map(x, y, workers)
    pairs = site.n_pairs(x, y)
    free = levels.energy[0, 0][~levels.inside]
    print(
        f"{levels.inside.size} points, {asked.buildings} buildings, {workers} worker(s): {seconds:.1f} s; "
        f"{pairs / 1e6:.2f} M pairs, {pairs / seconds / 1e3:.0f} k pairs/s; "
        f"{levels.inside.sum()} points inside; "
        f"day {10 * np.log10(free.min()):.1f} to {10 * np.log10(free.max()):.1f} dB"
    )
    print(f"largest memory in use: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    if asked.fit:
        fit(asked.buildings, workers)


if __name__ == "__main__":
    main()

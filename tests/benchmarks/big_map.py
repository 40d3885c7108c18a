"""What a large map costs: 1 km2 at 5 m (about 40,000 points), 300 buildings, 3 km of double track in a valley.

Run by hand: ``python tests/benchmarks/big_map.py [--workers N] [--spacing M] [--buildings N] [--flat] [--fit]``. The
site, hills included, is generated from a seed. Printed: minutes, pairs of source point and receiver per second, and the
largest memory in use; with ``--fit`` the exponents of the cost against receivers and against source points (1: linear),
and the memory for maps of a quarter and of the whole size. ``--flat``: the same on a plain.
"""

from __future__ import annotations

import argparse
import json
import resource
import tempfile
import time
import tracemalloc
from dataclasses import dataclass
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
from lineside.scene.model import Receivers
from lineside.scene.points import source_points
from lineside.scene.terrain import ground_height

SIDE_M, TRACK_M = 1000.0, 3000.0
#: Ground of the valley, formation of the line above it, and the step of the raster. [m]
VALLEY_Z_M, RAIL_Z_M, RASTER_M = 0.0, 0.5, 5.0


def line_y(x: np.ndarray) -> np.ndarray:
    """The middle of the double track."""
    return np.asarray(40 * np.cos(x / 900))


def hills(seed: int = 1) -> str:
    """An ASCII grid: a valley floor 60 m wide along the line, and rounded hills of up to some 30 m beside it."""
    rng = np.random.default_rng(seed)
    low_x, low_y = -TRACK_M / 2 - 300, -SIDE_M / 2 - 350
    x, y = np.arange(low_x, -low_x + 1, RASTER_M), np.arange(low_y, -low_y + 1, RASTER_M)
    gx, gy = np.meshgrid(x, y)
    z = np.zeros_like(gx)
    for _ in range(120):
        at, wide = (rng.uniform(low_x, -low_x), rng.uniform(low_y, -low_y)), rng.uniform(40, 180)
        z += rng.uniform(2, 14) * np.exp(-((gx - at[0]) ** 2 + (gy - at[1]) ** 2) / (2 * wide**2))
    beside = np.clip((np.abs(gy - line_y(gx)) - 30) / 150, 0, 1)
    z = VALLEY_Z_M + z * beside**2 * (3 - 2 * beside)
    head = f"ncols {len(x)}\nnrows {len(y)}\nxllcenter {low_x}\nyllcenter {low_y}\ncellsize {RASTER_M}\n"
    return head + "\n".join(" ".join(f"{v:.2f}" for v in row) for row in z[::-1]) + "\n"


def project(n_buildings: int, flat: bool) -> dict[str, Any]:
    """A double track in a wide curve through the middle of the square, on mixed ground, with a screen and houses."""
    along = np.linspace(-TRACK_M / 2, TRACK_M / 2, 121)
    tracks, services = [], []
    for k, offset in enumerate((-2.0, 2.0)):
        points = [[float(s), float(offset + line_y(s)), RAIL_Z_M] for s in along]
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
            **({} if flat else {"terrain": {"kind": "raster", "file": "hills.asc"}}),
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
        "buildings": houses(n_buildings),
        "receivers": [{"id": "R", "position": [0.0, 150.0], "height_m": 4.0, "use": "dwelling", "area": "residential"}],
        "calculation": {"method": "eu_common"},
        "criteria": [],
    }


def houses(n: int, seed: int = 1) -> list[dict[str, Any]]:
    """Rectangular houses that do not overlap and keep away from the receiver and the tracks."""
    rng = np.random.default_rng(seed)
    taken: list[shapely.Polygon] = []
    while len(taken) < n:
        x, y = rng.uniform(-SIDE_M / 2, SIDE_M / 2, 2)
        long, wide, turn = rng.uniform(8, 40), rng.uniform(8, 15), rng.uniform(0, np.pi)
        box = shapely.affinity.rotate(shapely.box(x - long / 2, y - wide / 2, x + long / 2, y + wide / 2), turn, "center", True)  # noqa: E501  # fmt: skip
        away = box.distance(shapely.Point(0, 150)) > 5 and abs(y - line_y(x)) >= 50
        if not away or any(box.distance(other) < 3 for other in taken):
            continue
        taken.append(box)
    return [
        {
            "id": f"H{k}",
            "polygon": np.round(shapely.get_coordinates(box)[:-1], 2).tolist(),
            "height_m": round(rng.uniform(4, 15), 1),
            "use": "dwelling",
        }
        for k, box in enumerate(taken)
    ]


@dataclass(frozen=True, eq=False)
class Site:
    """The generated site, ready to be computed."""

    task: Task
    selection: Selection

    @classmethod
    def make(cls, n_buildings: int, flat: bool = False, piece_ratio: float | None = None) -> Site:
        """Write and load the project."""
        plugins = Plugins.load()
        with tempfile.TemporaryDirectory() as folder:
            given = project(n_buildings, flat)
            if piece_ratio is not None:
                given["calculation"]["options"] = {"eu_propagation": {"piece_ratio": piece_ratio}}
            (Path(folder) / "project.yaml").write_text(json.dumps(given), encoding="utf-8")
            (Path(folder) / "hills.asc").write_text(hills(), encoding="ascii")
            loaded = load_project(Path(folder), plugins)
        selection = select(loaded, plugins)
        date = loaded.project.identity.date
        return cls(plan(loaded, selection, Situation(date.isoformat(), date, {})).task, selection)

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
            xy = np.array([[rng.choice(x), rng.choice(y)]])
            xyz = np.column_stack([xy, ground_height(self.task.scene, xy) + 4.0])
            points = source_points(self.task.scene, Receivers(("P",), xyz), ratio, propagation.source_ground_g)
            found.append(len(points))
        return round(np.mean(found) * len(x) * len(y))


def exponent(sizes: list[float], seconds: list[float]) -> float:
    """Slope of log seconds over log size."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def fit(n_buildings: int, flat: bool, workers: int) -> None:
    """Print how the cost grows."""
    site = Site.make(n_buildings, flat)
    sizes, seconds = [], []
    for spacing in (40.0, 28.0, 20.0, 14.0):
        x, y = site.axes(spacing)
        sizes.append(float(len(x) * len(y)))
        seconds.append(site.map(x, y, workers)[1])
    print(f"exponent of the cost against receivers: {exponent(sizes, seconds):.2f} ({seconds[-1]:.1f} s at most)")
    sizes, seconds = [], []
    for ratio in (0.4, 0.2, 0.1, 0.05):
        finer = Site.make(n_buildings, flat, ratio)
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
    parser.add_argument("--flat", action="store_true")
    parser.add_argument("--fit", action="store_true")
    asked = parser.parse_args()
    workers = n_workers(asked.workers)
    site = Site.make(asked.buildings, asked.flat)
    x, y = site.axes(asked.spacing)
    site.map(*site.axes(200.0), workers)  # compiles
    levels, seconds = site.map(x, y, workers)
    pairs = site.n_pairs(x, y)
    free = levels.energy[0, 0][~levels.inside]
    print(
        f"{levels.inside.size} points, {asked.buildings} buildings, {'a plain' if asked.flat else 'hills'}, "
        f"{workers} worker(s): {seconds / 60:.1f} minutes; "
        f"{pairs / 1e6:.2f} M pairs, {pairs / seconds / 1e3:.0f} k pairs/s; "
        f"{levels.inside.sum()} points inside; "
        f"day {10 * np.log10(free.min()):.1f} to {10 * np.log10(free.max()):.1f} dB"
    )
    print(f"largest memory in use: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    if asked.fit:
        fit(asked.buildings, asked.flat, workers)


if __name__ == "__main__":
    main()

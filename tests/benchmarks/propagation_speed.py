"""How fast propagation is: paths per second, and as ratios to a plain C loop of the same formulas and to flat ground.

Run: ``python tests/benchmarks/propagation_speed.py``. A path-band is one source height, one receiver and one octave in
both weather states (ISO 9613-2: in its one state). Without a C compiler its ratio is left out. Each line is the best of
several runs, in processor time where one thread works and by the clock where two do. Threads share out the receivers,
as the engine does.
"""

from __future__ import annotations

import ctypes
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from lineside.scene.cuts import vertical_cuts
from lineside.scene.model import (
    Air,
    BarrierSegments,
    Buildings,
    GroundAreas,
    Raster,
    Receivers,
    SourcePoints,
)
from lineside_plugins.eu_propagation import (
    EuPropagation,
    EuPropagationOptions,
    air_absorption_db_per_km,
    kernels,
)
from lineside_plugins.iso9613_propagation import Iso9613, Iso9613Options
from town import bank, box, buildings, terrain

N_RECEIVERS, N_POINTS, RUNS = 200, 1000, 5
HEIGHTS = np.array([0.5, 4.0])
G, G_S = 0.8, 1.0


def seconds(run: Callable[[], Any], runs: int = RUNS, threads: int = 1) -> float:
    """Best of several runs, the first one (compiling) not counted."""
    clock = time.process_time if threads == 1 else time.perf_counter
    run()
    taken = []
    for _ in range(runs):
        start = clock()
        run()
        taken.append(clock() - start)
    return min(taken)


def site() -> tuple[SourcePoints, Receivers]:
    """A straight track of 1 km in pieces of 1 m, receivers 10 to 400 m beside it."""
    rng = np.random.default_rng(1)
    x = np.linspace(-500, 500, N_POINTS)
    xyz = np.stack([x, 0 * x, 0 * x + 0.3], axis=1)
    n = np.zeros(N_POINTS, dtype=int)
    points = SourcePoints(n, xyz, np.tile([1.0, 0.0], (N_POINTS, 1)), np.ones(N_POINTS), np.full(N_POINTS, G_S))
    beside = [rng.uniform(-300, 300, N_RECEIVERS), rng.uniform(10, 400, N_RECEIVERS), np.full(N_RECEIVERS, 4.0)]
    return points, Receivers(tuple(map(str, range(N_RECEIVERS))), np.stack(beside, axis=1))


def scene(screens: int = 0, top: float = 2.0, areas: int = 0) -> Any:
    """A plain with a screen along the track in so many segments, and round ground areas of 60 corners."""
    x = np.linspace(-500, 500, screens + 1)
    y = np.full(screens, 5.0)
    ends = np.stack([np.stack([x[:-1], y], axis=1), np.stack([x[1:], y], axis=1)], axis=1)
    angle = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    rings = [np.stack([200 * np.cos(angle) + 20 * i, 60 * np.sin(angle) + 120], axis=1) for i in range(areas)]
    return SimpleNamespace(
        ground_level_m=0.0,
        ground=GroundAreas(
            default_g=G,
            xy_m=np.concatenate([np.empty((0, 2)), *rings]),
            start=np.arange(areas + 1) * 60,
            g=np.linspace(0.0, 0.3, areas),
        ),
        barriers=BarrierSegments(ends, np.full((screens, 2), top), np.zeros((screens, 2)), np.zeros(screens, int)),
        air=Air(15.0, 70.0, 101.325),
        terrain=None,
        buildings=Buildings.none(),
        forms=(),
        tracks=(),
    )


def hilly(seed: int = 1, built: bool = True) -> Any:
    """The same track on a bank through hills (raster of 5 m); ``built``: with a broken screen and 150 houses beside."""
    rng = np.random.default_rng(seed)
    where = scene(screens=40)
    x, y = np.meshgrid(np.arange(-600.0, 605.0, 5.0), np.arange(-500.0, 505.0, 5.0))
    z = 3.0 * np.sin(x / 90.0) * np.cos(y / 70.0) + 1.5 * np.sin(x / 31.0 + y / 43.0) + 0.02 * np.abs(y)
    breaks, strips = bank([-550.0, 550.0], [(-12.0, 0.0), (-4.0, 0.3), (4.0, 0.3), (12.0, 0.0)])
    breaks.xy_m[:] = breaks.xy_m[..., ::-1]  # along x
    strips.xyz_m[..., :2] = strips.xyz_m[..., 1::-1]
    where.terrain = terrain((breaks, strips), raster=Raster(-600.0, -500.0, 5.0, z))
    if not built:
        where.barriers = scene().barriers
        return where
    keep = np.arange(40) % 5 < 3
    whole = where.barriers
    where.barriers = BarrierSegments(
        whole.xy_m[keep],
        whole.top_z_m[keep] + 0.3,
        whole.base_z_m[keep],
        np.cumsum(np.diff(keep, prepend=False) & keep)[keep],
    )
    rings = []
    for row, side in ((30.0, 1), (60.0, 1), (95.0, 1), (150.0, 1), (220.0, 1), (310.0, 1)):
        for middle in np.arange(-500.0, 500.0, 40.0):
            rings.append(
                box(
                    middle + rng.uniform(-8, 8),
                    side * row + rng.uniform(-5, 5),
                    *rng.uniform(9, 14, 2),
                    rng.uniform(0, 3),
                )
            )
    where.buildings = buildings(*rings, top=rng.uniform(8.0, 16.0, len(rings)))
    return where


def c_loop(
    points: SourcePoints, receivers: Receivers, folder: str
) -> tuple[Callable[[], np.ndarray], ctypes.CDLL] | None:
    """The plain C loop, compiled now; None without a compiler."""
    compiler = shutil.which("gcc") or shutil.which("cc")
    if compiler is None:
        return None
    library = Path(folder) / "propagation_loop.so"
    source = Path(__file__).with_name("propagation_loop.c")
    flags = ["-O3", "-march=native", "-ffast-math", "-fopenmp", "-shared", "-fPIC"]
    made = subprocess.run([compiler, *flags, str(source), "-o", str(library), "-lm"], capture_output=True, text=True)
    if made.returncode:
        print(f"the C loop does not compile here:\n{made.stderr}")
        return None
    loaded = ctypes.CDLL(str(library))
    absorption = air_absorption_db_per_km() / 1000 * kernels.LN10 / 10
    arrays = [receivers.xyz_m, points.xyz_m, HEIGHTS]
    band = np.ascontiguousarray(kernels.band_table().T)
    out = np.empty((N_RECEIVERS, N_POINTS, HEIGHTS.size, 2, 8))

    def pointer(a: np.ndarray) -> Any:
        return a.ctypes.data_as(ctypes.c_void_p)

    def run() -> np.ndarray:
        loaded.transfer(
            N_RECEIVERS, N_POINTS, HEIGHTS.size, *map(pointer, arrays), ctypes.c_double(G), ctypes.c_double(G_S),
            pointer(band), pointer(absorption), pointer(out),
        )  # fmt: skip
        return out

    return run, loaded


def shared(run: Callable[[Receivers], Any], receivers: Receivers, threads: int) -> Callable[[], Any]:
    """Receivers in four parts for each thread."""
    if threads == 1:
        return lambda: run(receivers)
    parts = [
        Receivers(receivers.ids[i :: 4 * threads], np.ascontiguousarray(receivers.xyz_m[i :: 4 * threads]))
        for i in range(4 * threads)
    ]
    pool = ThreadPoolExecutor(threads)
    return lambda: list(pool.map(run, parts))


def formulas(where: Any, points: SourcePoints) -> Callable[[Receivers], Any]:
    """The formulas alone, over paths found beforehand."""
    found: dict[tuple[str, ...], Any] = {}
    band = kernels.band_table(air_absorption_db_per_km() / 1000 * kernels.LN10 / 10)
    z, g = np.array(points.xyz_m[:, 2]), np.array(points.ground_g)
    none = np.full(max(1, len(where.barriers.barrier)), -1)

    def run(receivers: Receivers) -> np.ndarray:
        if receivers.ids not in found:
            cuts = vertical_cuts(where, points, receivers, nearest_m=1.0, roof_g=0.0, side_ways=False)
            out = np.empty((len(receivers) * len(points), 2 * HEIGHTS.size, 8))
            found[receivers.ids] = cuts, np.full(len(cuts.path), -1), np.array(receivers.xyz_m[:, 2]), out
        cuts, rows, z_r, out = found[receivers.ids]
        kernels.transfer(
            cuts.first, cuts.path, cuts.profile, cuts.ground, cuts.edge, cuts.mirror, z, g, HEIGHTS, z_r,
            np.empty((0, 8)), none, np.empty((0, 8)), 0.75, 1.0, rows, band, out, out[:0],
        )  # fmt: skip
        return out

    return run


def paths_of(where: Any, points: SourcePoints, receivers: Receivers) -> tuple[int, int, float]:
    """How many paths there are, of them reflected, and how many rows the profile of a direct one has."""
    from lineside.scene.cuts import Mirrors

    cuts = vertical_cuts(
        where, points, receivers, nearest_m=1.0, roof_g=0.0, side_ways=False, mirrors=Mirrors(order=1, least=0.001)
    )
    mirrored = np.diff(cuts.path[:, 6], prepend=0.0) > 0
    rows = np.diff(cuts.path[:, 3], prepend=0.0)
    return len(cuts.path), int(np.count_nonzero(mirrored)), float(rows[~mirrored].mean())


def exponent(sizes: list[int], run: Callable[[int], Callable[[], Any]]) -> float:
    """Slope of the logarithm of time against that of size."""
    taken = [seconds(run(n), 3) for n in sizes]
    return float(np.polyfit(np.log(sizes), np.log(taken), 1)[0])


def main() -> None:
    calculator, options = EuPropagation(), EuPropagationOptions()
    points, receivers = site()
    n_path_bands = N_RECEIVERS * N_POINTS * HEIGHTS.size * 8
    cores = [n for n in (1, 2) if n <= (os.cpu_count() or 1)]
    flat = scene()

    def lineside(where: Any, chosen: Any = options, some: SourcePoints = points) -> Callable[[Receivers], np.ndarray]:
        return lambda to: calculator.path_loss(where, some, HEIGHTS, to, chosen).transfer

    whole = {}
    with tempfile.TemporaryDirectory() as folder:
        compiled = c_loop(points, receivers, folder)
        for n in cores:
            taken = seconds(shared(formulas(flat, points), receivers, n), threads=n)
            whole[n] = seconds(shared(lineside(flat), receivers, n), threads=n)
            line = f"flat ground, {n} thread(s): formulas {n_path_bands / taken / 1e6:6.1f} M path-bands/s"
            if compiled is not None:
                run, library = compiled
                library.omp_set_num_threads(n)
                difference = np.max(np.abs(10 * np.log10(run() / lineside(flat)(receivers))))
                c = seconds(run, threads=n)
                line += f"; C loop {n_path_bands / c / 1e6:6.1f} M; ratio {c / taken:.2f}"
                line += f"; with the paths found {c / whole[n]:.2f}; largest difference {difference:.0e} dB"
            print(line)
    if compiled is None:
        print("no C compiler found: no ratio")
    flat_paths = N_RECEIVERS * N_POINTS
    flat_formulas = seconds(shared(formulas(flat, points), receivers, 1)) / flat_paths
    for title, where in (
        ("3 ground areas of 60 corners", scene(areas=3)),
        ("screen 2 m, 40 segments", scene(screens=40)),
        ("screen 4 m, 40 segments", scene(screens=40, top=4.0)),
        ("bank, hills", hilly(built=False)),
        ("bank, hills, houses, screens", hilly()),
    ):
        few = Receivers(receivers.ids[::4], np.ascontiguousarray(receivers.xyz_m[::4]))
        direct = EuPropagationOptions(reflection_order=0)
        n_paths, n_mirrored, n_rows = paths_of(where, points, few)
        alone = seconds(shared(formulas(where, points), few, 1)) / (n_paths - n_mirrored)
        taken = seconds(shared(lineside(where, direct), few, 1)) / (n_paths - n_mirrored)
        line = (
            f"{title}, 1 thread: {1e9 * taken:6.0f} ns a path ({n_rows:.0f} points of ground), "
            f"{taken / whole[1] * flat_paths:.1f} times flat ground; formulas alone {alone / flat_formulas:.1f} times"
        )
        if n_mirrored:
            mirrored = seconds(shared(lineside(where), few, 1), 3) / n_paths
            each = n_mirrored / (n_paths - n_mirrored)
            line += f"; with {each:.1f} reflected paths each {mirrored / taken:.1f} times a path"
        print(line)

    def more_receivers(n: int) -> Callable[[], Any]:
        return shared(lineside(flat), Receivers(receivers.ids[:n], receivers.xyz_m[:n].copy()), 1)

    def more_points(n: int) -> Callable[[], Any]:
        some = SourcePoints(*(np.ascontiguousarray(getattr(points, f)[:n]) for f in points.__dataclass_fields__))
        return shared(lineside(flat, options, some), Receivers(receivers.ids[:40], receivers.xyz_m[:40].copy()), 1)

    print(f"cost grows with the number of receivers to the power of {exponent([25, 50, 100, 200], more_receivers):.2f}")
    print(f"cost grows with the number of points to the power of {exponent([125, 250, 500, 1000], more_points):.2f}")
    other = Iso9613()
    for method in ("general", "alternative"):
        chosen = Iso9613Options(ground_method=method)
        for title, where in (
            ("flat ground", flat),
            ("3 ground areas of 60 corners", scene(areas=3)),
            ("screen 2 m, 40 segments", scene(screens=40)),
        ):
            taken = seconds(partial(other.path_loss, where, points, HEIGHTS, receivers, chosen))
            rate = n_path_bands / taken / 1e6
            print(
                f"ISO 9613-2, {method} ground method, {title}, 1 thread: {rate:6.1f} M path-bands/s; "
                f"{taken / whole[1]:.1f} times the cost of flat ground above"
            )


if __name__ == "__main__":
    main()

"""How fast propagation is: paths per second, and as a ratio to a plain C loop of the same formulas.

Run: ``python tests/benchmarks/propagation_speed.py``. A path-band is one source height, one receiver and one octave in
both weather states (ISO 9613-2: in its one state). Without a C compiler the ratio is left out. Each line is the best of
several runs.
"""

from __future__ import annotations

import ctypes
import shutil
import subprocess
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numba
import numpy as np

from lineside.scene.model import Air, BarrierSegments, GroundAreas, Receivers, SourcePoints
from lineside_plugins.eu_propagation import EuPropagation, EuPropagationOptions, air_absorption_db_per_km, kernels
from lineside_plugins.iso9613_propagation import Iso9613, Iso9613Options

N_RECEIVERS, N_POINTS, RUNS = 200, 1000, 5
HEIGHTS = np.array([0.5, 4.0])
G, G_S = 0.8, 1.0


def seconds(run: Callable[[], Any], runs: int = RUNS) -> float:
    """Best of several runs, the first one (compiling) not counted."""
    run()
    taken = []
    for _ in range(runs):
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
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
    )


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


def main() -> None:
    calculator, options = EuPropagation(), EuPropagationOptions()
    points, receivers = site()
    n_path_bands = N_RECEIVERS * N_POINTS * HEIGHTS.size * 8

    def lineside(where: Any) -> Callable[[], np.ndarray]:
        return lambda: calculator.path_loss(where, points, HEIGHTS, receivers, options).transfer

    cores = [n for n in (1, 2) if n <= numba.config.NUMBA_NUM_THREADS]
    with tempfile.TemporaryDirectory() as folder:
        compiled = c_loop(points, receivers, folder)
        flat = {}
        for n in cores:
            numba.set_num_threads(n)
            flat[n] = seconds(lineside(scene()))
            line = f"flat ground, {n} core(s): {n_path_bands / flat[n] / 1e6:6.1f} M path-bands/s"
            if compiled is not None:
                run, library = compiled
                library.omp_set_num_threads(n)
                difference = np.max(np.abs(10 * np.log10(run() / lineside(scene())())))
                c = seconds(run)
                line += f"; C loop {n_path_bands / c / 1e6:6.1f} M; ratio {c / flat[n]:.2f}"
                line += f"; largest difference {difference:.0e} dB"
            print(line)
    if compiled is None:
        print("no C compiler found: no ratio")
    numba.set_num_threads(1)
    for title, where in (
        ("3 ground areas of 60 corners", scene(areas=3)),
        ("screen 2 m, 1 segment", scene(screens=1)),
        ("screen 2 m, 40 segments", scene(screens=40)),
        ("screen 4 m, 40 segments", scene(screens=40, top=4.0)),
    ):
        taken = seconds(lineside(where))
        rate = n_path_bands / taken / 1e6
        print(f"{title}, 1 core: {rate:6.1f} M path-bands/s; {taken / flat[1]:.1f} times the cost of flat ground")
    other = Iso9613()
    for method in ("general", "alternative"):
        chosen = Iso9613Options(ground_method=method)
        for title, where in (
            ("flat ground", scene()),
            ("3 ground areas of 60 corners", scene(areas=3)),
            ("screen 2 m, 40 segments", scene(screens=40)),
        ):
            taken = seconds(partial(other.path_loss, where, points, HEIGHTS, receivers, chosen))
            rate = n_path_bands / taken / 1e6
            print(
                f"ISO 9613-2, {method} ground method, {title}, 1 core: {rate:6.1f} M path-bands/s; "
                f"{taken / flat[1]:.1f} times the cost of flat ground above"
            )


if __name__ == "__main__":
    main()

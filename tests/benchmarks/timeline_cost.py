"""What levels in time cost, against the transfer that they reuse.

Run by hand: ``python tests/benchmarks/timeline_cost.py [PROJECT]``. A run before the timed one compiles the kernels.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

import lineside
from lineside.contracts import RAIL_CASES
from lineside.engine.emission import compute_emission
from lineside.engine.run import compute
from lineside.engine.select import select
from lineside.engine.timeline import timeline, timeline_dates
from lineside.plugins import Plugins
from lineside.scene.build import BuiltScene, build_scene
from lineside.scene.model import Receivers
from lineside.scene.rail_runs import rail_runs

DEFAULT = Path(__file__).parents[2] / "example_projects" / "river_curve"
MONTHS = 24
N_RECEIVERS = 100


def _with_receivers(built: BuiltScene) -> BuiltScene:
    """The receivers of the project again and again, each time 1 m higher, until there are enough."""
    known = built.scene.receivers
    k = np.arange(N_RECEIVERS)
    xyz = known.xyz_m[k % len(known)] + np.stack([0.0 * k, 0.0 * k, k // len(known)], axis=-1)
    receivers = Receivers(ids=tuple(f"{n}" for n in k), xyz_m=xyz)
    return replace(built, scene=replace(built.scene, receivers=receivers))


def main(project: Path) -> None:
    """Time one run without map, then the time line with the transfer known, and print the ratio."""
    plugins = Plugins.load()
    loaded = lineside.load_project(project, plugins)
    selection = select(loaded, plugins)
    scene = _with_receivers(build_scene(loaded, selection.sources))
    compute(scene, selection)
    start = time.perf_counter()
    computed = compute(scene, selection)
    receivers = time.perf_counter() - start
    start = time.perf_counter()
    compute_emission(scene.scene, selection.sources)
    emission = time.perf_counter() - start
    runs = rail_runs(loaded, scene.scene, selection.sources)
    dates = timeline_dates(runs.work_dates, 1, MONTHS, loaded.project.identity.assessment_dates)
    start = time.perf_counter()
    levels = timeline(scene.scene, runs, selection, computed.emission, computed.receivers.transfer, dates)
    seconds = time.perf_counter() - start
    transfer = receivers - emission
    n_receivers, n_sections = len(scene.scene.receivers), len(scene.scene.sections)
    print(f"{n_receivers} receivers, {n_sections} sections, {len(runs.sections)} with works")
    print(f"emission {emission:.2f} s; transfer, levels and passes {transfer:.2f} s")
    print(f"time line: {len(dates)} dates x {len(RAIL_CASES)} cases, {levels.n_states} states, {seconds:.2f} s")
    print(f"ratio to transfer, levels and passes: {seconds / transfer:.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)

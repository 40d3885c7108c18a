"""What levels in time cost, against the transfer that they reuse.

Run by hand: ``python tests/benchmarks/timeline_cost.py [PROJECT]``. A run before the timed ones compiles the kernels;
of the timed ones the quickest counts.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import TypeVar

import numpy as np

import lineside
from lineside.acoustics.bands import Array
from lineside.engine.emission import Emission, compute_emission
from lineside.engine.select import Selection, select
from lineside.engine.timeline import timeline, timeline_dates
from lineside.engine.transfer import compute_transfer
from lineside.plugins import Plugins
from lineside.results.timeline import describe
from lineside.scene.build import build_scene
from lineside.scene.model import Receivers, Scene
from lineside.scene.rail_runs import rail_runs

DEFAULT = Path(__file__).parents[2] / "example_projects" / "river_curve"
MONTHS = 24
N_RECEIVERS = 100
N_DRAWS = 200
N_TIMED = 5

T = TypeVar("T")


def with_receivers(scene: Scene) -> Scene:
    """The receivers of the project again and again, each time 1 m higher, until there are enough."""
    known = scene.receivers
    k = np.arange(N_RECEIVERS)
    xyz = known.xyz_m[k % len(known)] + np.stack([0.0 * k, 0.0 * k, k // len(known)], axis=-1)
    return replace(scene, receivers=Receivers(ids=tuple(f"{n}" for n in k), xyz_m=xyz))


def transfer_of(scene: Scene, selection: Selection, emission: Emission) -> Array:
    """Long-term transfer to all receivers, one by one as every run does."""
    parts = []
    for r, name in enumerate(scene.receivers.ids):
        one = Receivers(ids=(name,), xyz_m=scene.receivers.xyz_m[r : r + 1])
        found = compute_transfer(scene, selection.propagation, selection.propagation_options, emission.classes, one)
        parts.append(found.long_term_by_section(len(scene.sections)))
    return np.concatenate(parts)


def timed(work: Callable[[], T]) -> tuple[float, T]:
    """Seconds of the quickest of some runs after a first one, and what it gives."""
    result = work()
    seconds = []
    for _ in range(N_TIMED):
        start = time.perf_counter()
        result = work()
        seconds.append(time.perf_counter() - start)
    return min(seconds), result


def main(project: Path) -> None:
    """Time the transfer, then the time line with the transfer known, and print the ratio."""
    plugins = Plugins.load()
    loaded = lineside.load_project(project, plugins)
    selection = select(loaded, plugins)
    assert selection.rail_state is not None
    wear = selection.rail_state
    scene = with_receivers(build_scene(loaded, selection.sources).scene)
    emission = compute_emission(scene, selection.sources)
    paths, transfer = timed(lambda: transfer_of(scene, selection, emission))
    runs = rail_runs(loaded, scene, selection.sources)
    asked = loaded.project.identity.assessment_dates
    dates = timeline_dates(runs.work_dates, 1, MONTHS, asked)
    levels_s, levels = timed(lambda: timeline(scene, runs, selection, emission, transfer, dates, N_DRAWS))
    document_s, _ = timed(lambda: describe(scene, runs, levels, wear, asked[0]))
    n_sections, n_works = len(scene.sections), len(runs.sections)
    print(f"{N_RECEIVERS} receivers, {n_sections} sections, {n_works} with works in {len(runs.runs)} runs")
    print(f"transfer: {paths:.3f} s")
    print(
        f"time line, {len(dates)} dates x (1 + {N_DRAWS} draws): {levels_s:.3f} s, {levels.n_states} distinct states"
        + (", one by one" if levels.one_by_one else "")
    )
    print(f"percentiles and dates of return: {document_s:.3f} s")
    whole = (levels_s + document_s) / paths
    print(f"time line over transfer: {levels_s / paths:.2f}; with percentiles and dates of return {whole:.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)

"""What intervals cost: time of the draws over the time of the transfer. Run: python tests/benchmarks/sure_cost.py"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import numpy as np

from lineside.api import load_project, situation_of
from lineside.engine.doubt_inputs import uncertain_inputs
from lineside.engine.doubt_model import DoubtModel, transfer_to
from lineside.engine.plan import plan
from lineside.engine.select import select, vocabulary_of
from lineside.engine.sure import Settings, how_sure
from lineside.plugins import Plugins
from sites import straight_site, write_site

HOURS = np.array([12.0, 4.0, 8.0])


def site(n_receivers: int, on_way: bool) -> dict:
    """A straight line with ranges of trains and speed and, if asked for, of ground and air."""
    project = straight_site()
    for period, n in (("day", 120), ("evening", 24), ("night", 16)):
        project["services"][0]["trains"][period] = {"likely": n, "low": 0.8 * n, "high": 1.25 * n}
    project["tracks"][0]["attributes"]["speed_limit_km_h"] = {"likely": 60, "low": 50, "high": 70}
    if on_way:
        project["site"]["default_ground"] = {"g": {"likely": 0.7, "low": 0.4, "high": 1.0}}
        project["site"]["air"]["humidity_pct"] = {"likely": 70, "low": 50, "high": 90}
    first = project["receivers"][0]
    places = [[40.0 * (k % 25) - 500.0, 25.0 + 20.0 * (k // 25)] for k in range(n_receivers)]
    project["receivers"] = [{**first, "id": f"R{k}", "position": place} for k, place in enumerate(places)]
    return project


def main() -> None:
    """Print times and ratios."""
    plugins = Plugins.load()
    for n, on_way in ((4, False), (100, False), (100, True)):
        with tempfile.TemporaryDirectory() as folder:
            loaded = load_project(write_site(site(n, on_way), Path(folder)), plugins)
            selection = select(loaded, plugins)
            planned = plan(loaded, selection, situation_of(loaded, selection))
            receivers = planned.built.scene.receivers
            start = time.perf_counter()
            transfer = transfer_to(planned.task, selection, receivers, 1)
            paths = time.perf_counter() - start
            model = DoubtModel(planned, selection, plugins, vocabulary_of(plugins), transfer, ())
            inputs = uncertain_inputs(model, np.full(n, 50.0), np.full(n, 2.0))
            start = time.perf_counter()
            found = how_sure(model, inputs, HOURS, Settings(13, 0.1, 4, 1))
            draws = time.perf_counter() - start
        print(
            f"{n} receivers, {len(inputs)} inputs, {found.n_transfers} transfers, {len(found.level_db)} draws: "
            f"transfer {paths:.2f} s, intervals {draws:.2f} s, ratio {draws / paths:.2f}"
        )


if __name__ == "__main__":
    main()

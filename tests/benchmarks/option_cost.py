"""What 1,000 source-side options cost at 1,000 receivers, against the transfer that they reuse.

Run by hand: ``python tests/benchmarks/option_cost.py [PROJECT]``. Ten invented measures, five on each track of the
example, make all 1,024 options; each track is then in 32 states. A run before the timed one compiles the kernels.
"""

from __future__ import annotations

import copy
import json
import shutil
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from ruamel.yaml import YAML

from lineside.acoustics.bands import Array
from lineside.api import load_project, situation_of
from lineside.engine.option_run import Prepared, consider, prepare
from lineside.engine.plan import Plan, plan
from lineside.engine.run import long_term
from lineside.engine.select import Selection, select
from lineside.plugins import Plugins
from lineside.scene.model import Receivers

DEFAULT = Path(__file__).parents[2] / "example_projects" / "river_curve"
N_RECEIVERS = 1000


def measures() -> list[dict[str, Any]]:
    """Five measures on each of the two tracks."""
    out = []
    for track, end in (("T1", 640), ("T2", 636)):
        here = {"track": track, "from_m": 320, "to_m": end}
        given = [
            ("acoustic_grinding", {**here, "date": "2026-10-20"}),
            ("rail_dampers", here),
            ("rail_pads", {**here, "rail_pad": "hard"}),
            ("friction_modifier", here),
            ("speed_restriction", {**here, "speed_km_h": 40}),
        ]
        out += [{"id": f"{name} {track}", "measure": name, "options": options} for name, options in given]
    return out


def write(project: Path, folder: Path) -> Path:
    """The project with the measures, in a folder of its own."""
    shutil.copytree(project, folder, ignore=shutil.ignore_patterns("out"))
    data = copy.deepcopy(YAML(typ="safe").load((folder / "project.yaml").read_text(encoding="utf-8")))
    data["measures"] = measures()
    data["options"] = {"combine_up_to": 8}
    (folder / "project.yaml").write_text(json.dumps(data), encoding="utf-8")
    return folder


def transfer_of(planned: Plan, selection: Selection) -> Array:
    """Long-term transfer to the receivers of the project again and again, each time 1 m higher."""
    known = planned.task.scene.receivers
    parts = []
    for k in range(N_RECEIVERS):
        xyz = known.xyz_m[[k % len(known)]] + np.array([0.0, 0.0, k // len(known)])
        parts.append(long_term(planned.task, selection, Receivers(ids=(f"{k}",), xyz_m=xyz)))
    return np.concatenate(parts)


def all_options(prepared: Prepared) -> Prepared:
    """With every set of measures, those of nine and ten included: 1,024 options."""
    ids = [c.id for c in prepared.candidates]
    sets = [tuple(name for k, name in enumerate(ids) if n >> k & 1) for n in range(2 ** len(ids))]
    return replace(prepared, keys=sorted(sets, key=lambda key: (len(key), key)))


def main(project: Path) -> None:
    """Time the transfer, then the options with the transfer known, and print the ratio."""
    plugins = Plugins.load()
    with tempfile.TemporaryDirectory() as folder:
        loaded = load_project(write(project, Path(folder) / "project"), plugins)
    selection = select(loaded, plugins)
    start = time.process_time()
    prepared = prepare(loaded, plugins)
    assert prepared is not None
    prepared = all_options(prepared)
    cuts = prepared.cuts()
    cuts_s = time.process_time() - start
    planned = plan(loaded, selection, situation_of(loaded, selection), cuts)
    long_term(planned.task, selection, planned.task.scene.receivers)
    start = time.process_time()
    transfer = transfer_of(planned, selection)
    transfer_s = time.process_time() - start
    start = time.process_time()
    found = consider(prepared, planned, selection, transfer)
    options_s = time.process_time() - start
    print(f"{len(found.keys)} options, {N_RECEIVERS} receivers, {len(planned.scenes.sections)} sections")
    print(f"transfer: {transfer_s:.2f} s")
    print(f"ends of sections: {cuts_s:.2f} s; options: {options_s:.2f} s, {found.levels.n_states} states evaluated")
    print(f"options over transfer: {(cuts_s + options_s) / transfer_s:.2f}")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else DEFAULT)

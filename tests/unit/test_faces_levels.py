"""Walls of a cutting in the levels of all methods of propagation."""

from __future__ import annotations

import copy
from pathlib import Path

import numpy as np
import pytest

from lineside import api
from lineside.contracts import PropagationCalculator
from lineside.engine.select import select
from lineside.plugins import Plugins
from lineside.scene.build import build_scene
from lineside.scene.points import source_points
from sites import straight_site, write_site
from terrain_sites import WHOLE


@pytest.mark.parametrize("name", ["eu_propagation", "de_propagation", "iso9613"])
def test_walls_of_a_cutting_make_it_louder_above_its_rim(name: str, tmp_path: Path) -> None:
    """Only one wall stands: that opposite about doubles the energy; that before the receiver adds none."""
    plugins = Plugins.load()
    calculator = plugins.find(PropagationCalculator, name)
    options = calculator.options_model()
    energy = {}
    for side in ("left", "right", "none"):
        site = straight_site(150.0)
        site["tracks"][0]["alignment"]["points"] = [[-150.0, 0.0, -5.0], [150.0, 0.0, -5.0]]
        site["receivers"][0].update(position=[0.0, 30.0], height_m=8.0)
        other = {s: {"kind": "wall"} if s == side else {"kind": "slope", "ratio": 1.5} for s in ("left", "right")}
        site["earthworks"] = [{**WHOLE, "kind": "cutting", "to_m": 300.0, **other}]
        loaded = api.load_project(write_site(copy.deepcopy(site), tmp_path / side), plugins)
        scene = build_scene(loaded, select(loaded, plugins).sources).scene
        points = source_points(scene, scene.receivers, 0.5, lambda form: 0.5)
        found = calculator.path_loss(scene, points, np.array([0.5]), scene.receivers, options)
        energy[side] = 0.0 if found.reflected is None else found.reflected.transfer.sum()
        energy[side, "direct"] = found.transfer.sum()
        said = " ".join(note.text for note in calculator.notes(scene, options))
        assert ("Steep faces" in said) == (side != "none")
    assert energy["none"] == 0.0
    assert 0.2 * energy["right", "direct"] < energy["right"] < 1.3 * energy["right", "direct"]
    assert energy["left"] < 0.05 * energy["left", "direct"]

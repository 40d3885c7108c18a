"""What the functions of the API refuse and protect."""

from __future__ import annotations

import numpy as np
import pytest

import lineside
from lineside.contracts import SourceClass
from lineside.engine.transfer import compute_transfer
from lineside.errors import PluginError, ReportError
from sites import straight_site, write_site


@pytest.fixture(scope="module")
def assessed(tmp_path_factory):
    return lineside.assess(write_site(straight_site(200.0), tmp_path_factory.mktemp("site")))


def test_a_result_never_takes_the_place_of_an_input(tmp_path):
    site = straight_site(200.0)
    site["tracks"][0]["alignment"] = {"kind": "csv", "file": "tables/receivers.csv"}
    (tmp_path / "tables").mkdir()
    table = tmp_path / "tables" / "receivers.csv"
    table.write_text("x_m,y_m,z_m\n-200,0,0.3\n200,0,0.3\n")
    assessment = lineside.assess(write_site(site, tmp_path))
    before = table.read_bytes()
    with pytest.raises(ReportError, match=r"tables/receivers\.csv"):
        lineside.render(assessment, tmp_path)
    assert table.read_bytes() == before
    assert not (tmp_path / "results.json").exists()


def test_a_scene_cannot_be_changed_by_a_plugin(assessed):
    with pytest.raises(ValueError, match="read-only"):
        assessed.built.scene.receivers.xyz_m += 1.0
    with pytest.raises(ValueError, match="read-only"):
        assessed.built.scene.tracks[0].xyz_m[0] = 0.0


@pytest.mark.parametrize("wrong", [np.nan, -1.0, np.inf])
def test_a_gain_that_is_no_energy_stops_the_run(assessed, wrong):
    scene, selection = assessed.built.scene, assessed.selection
    bad = SourceClass("bad", 0.5, lambda phi, psi: np.full((*phi.shape, 24), wrong))
    with pytest.raises(PluginError, match="gain"):
        compute_transfer(scene, selection.propagation, selection.propagation_options, (bad,), scene.receivers)


def test_shares_of_the_states_must_add_up(assessed, monkeypatch):
    scene, selection = assessed.built.scene, assessed.selection
    monkeypatch.setattr(type(selection.propagation), "state_share", lambda self, p: np.stack([p, p], axis=-1))
    classes = assessed.computed.emission.classes
    with pytest.raises(PluginError, match="add up to 1"):
        compute_transfer(scene, selection.propagation, selection.propagation_options, classes, scene.receivers)

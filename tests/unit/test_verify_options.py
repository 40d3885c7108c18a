"""Reports of projects with measures can be checked; kinds of plugins that nobody here knows count as missing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import get_args

import pytest
from click.testing import CliRunner

import lineside
from lineside.cli import main
from lineside.plugins import Plugins
from lineside.results.model import OfferUsed
from lineside.verify import run
from lineside.verify.run import verify
from pdf_edits import attached
from sites import straight_site, write_site


@pytest.fixture(scope="module")
def report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A report on a barrier, with the people affected."""
    folder = tmp_path_factory.mktemp("measured")
    data = straight_site(300.0)
    data["receivers"][0] |= {"dwellings": 4, "persons": 9}
    barrier = {"id": "N", "line": [[-100, 20], [100, 20]], "height_m": 3}
    data["measures"] = [{"id": "wall", "measure": "barrier", "options": barrier}]
    data["calculation"]["uncertainty"] = {"draws": False}
    data["options"] = {"combine_up_to": 1, "dose_effect": "eu_2020_367"}
    lineside.render(lineside.assess(write_site(data, folder / "site")), folder)
    return folder / "assessment.pdf"


def test_a_report_with_measures_and_people_affected_is_checked_whole(report: Path) -> None:
    offers = json.loads(attached(report, "results.json"))["provenance"]["offers"]
    assert {"measure", "dose effect"} <= {o["kind"] for o in offers}
    found = verify(report, workers=1)
    assert found.follows and not found.missing_plugins and not found.deviations
    assert all(check.done for check in found.checks)


def test_a_measure_and_a_relation_that_are_not_installed_are_named(
    report: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plugins = Plugins.load()
    monkeypatch.setattr(plugins, "measures", [])
    monkeypatch.setattr(plugins, "dose_effects", [])
    assert verify(report, plugins, workers=1).missing_plugins == ("barrier", "eu_2020_367")


def test_every_kind_that_results_may_name_is_known() -> None:
    assert set(get_args(OfferUsed.model_fields["kind"].annotation)) == set(run._KINDS)


def test_a_kind_that_is_not_known_counts_as_a_missing_plugin(report: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(run, "_KINDS", {k: v for k, v in run._KINDS.items() if k != "measure"})
    done = CliRunner().invoke(main, ["verify", str(report), "--quiet"])
    assert done.exit_code == 3, done.output
    assert "measure 'barrier'" in done.output

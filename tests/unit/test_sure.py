"""How sure levels are: whole assessments of small sites."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.acoustics.levels import to_db
from lineside.api import Assessment, assess
from lineside.contracts import Doubt, LimitCheck, PropagationCalculator, SourceCalculator, Standing
from lineside.engine.doubt_model import Case, DoubtModel
from lineside.engine.select import vocabulary_of
from lineside.errors import LinesideError, ProjectError
from lineside.plugins import Plugins
from lineside.results.model import Results
from lineside.results.sure import chance
from lineside.results.sure_model import ReceiverSure, Sure
from lineside.results.write import results_bytes
from sites import straight_site, write_site

TRAINS = {"likely": 120, "low": 90, "high": 150}


def site(**uncertainty: Any) -> dict[str, Any]:
    out = straight_site(half_length_m=400.0)
    out["calculation"]["uncertainty"] = {"draws_up_to": 10, **uncertainty}
    return out


def run(project: dict[str, Any], folder: Path, workers: int = 1) -> Assessment:
    return assess(write_site(copy.deepcopy(project), folder), workers=workers)


def sure_of(results: Results) -> Sure:
    assert results.sure is not None
    return results.sure


def only(results: Results) -> ReceiverSure:
    (found,) = sure_of(results).receivers
    return found


def width(found: ReceiverSure, quantity: str = "lden") -> float:
    low, high = found.low_db[quantity], found.high_db[quantity]
    assert low is not None and high is not None
    return high - low


@pytest.fixture
def exact(monkeypatch: pytest.MonkeyPatch) -> None:
    """Methods and tables without any doubt."""
    for model in (SourceCalculator, PropagationCalculator):
        for kind in _all(model):
            if "doubt" in vars(kind):
                monkeypatch.setattr(kind, "doubt", lambda self, *args: None)
            if "class_doubts" in vars(kind):
                monkeypatch.setattr(kind, "class_doubts", {})


def _all(model: type) -> list[type]:
    Plugins.load()
    return [k for kind in model.__subclasses__() for k in (kind, *_all(kind))]


def test_without_any_range_methods_and_tables_still_have_doubts(tmp_path: Path) -> None:
    results = run(site(), tmp_path).results
    sure, found = sure_of(results), only(results)
    (receiver,) = results.receivers
    assert receiver.lden_db is not None and found.low_db["lden"] < receiver.lden_db < found.high_db["lden"]
    assert 6.0 < width(found) < 12.0, "3 dB for the way, 2 dB for rolling noise, 3 and 2 dB for roughness"
    assert sure.groups == ["method:rolling", "method:traction", "propagation", "rail_roughness", "wheel_roughness"]
    assert sure.without_range == ["traffic", "speed", "ground", "weather"]
    assert [i.acts for i in sure.inputs if i.group == "method:bridge"] == [False]
    assert found.first["lden"]["propagation"] > found.first["lden"]["rail_roughness"] > 0.0
    assert sum(found.first["lden"].values()) < 1.05


@pytest.mark.usefixtures("exact")
def test_without_doubt_intervals_have_no_width(tmp_path: Path) -> None:
    results = run(site(), tmp_path).results
    sure, found = sure_of(results), only(results)
    assert sure.inputs == [] and sure.groups == []
    assert sure.not_stated and "eu_propagation" in sure.not_stated
    assert found.low_db == found.high_db == found.median_db
    assert found.low_db["lden"] == pytest.approx(results.receivers[0].lden_db, abs=0.006)
    (first, *_) = results.findings
    assert first.probability_above in (0.0, 1.0)


@pytest.mark.usefixtures("exact")
def test_trains_alone_give_their_own_distribution(tmp_path: Path) -> None:
    """Level and number of trains: 10 lg n; a uniform share of 90 % of 90 to 150 trains lies between 93 and 147."""
    project = site()
    project["services"][0]["trains"]["day"] = {**TRAINS, "shape": "uniform"}
    found = only(run(project, tmp_path).results)
    plain = run(site(), tmp_path / "plain").results.receivers[0].period_db["day"]
    assert plain is not None
    for bound, trains in (("low_db", 93.0), ("median_db", 120.0), ("high_db", 147.0)):
        assert getattr(found, bound)["day"] == pytest.approx(plain + to_db(trains / 120.0), abs=0.03)
    assert width(found, "night") == 0.0 and found.first["lden"] == {"traffic": pytest.approx(1.0, abs=0.02)}


@pytest.mark.usefixtures("exact")
def test_the_level_errors_of_a_spectrum_go_through_the_model(tmp_path: Path) -> None:
    project = site()
    axis = [2000.0, 1000.0, 500.0, 250.0, 125.0, 63.0, 31.5, 16.0, 8.0, 4.0, 2.0, 1.0]
    nominal = [2000, 1600, 1250, 1000, 800, 630, 500, 400, 315, 250, 200, 160, 125, 100, 80, 63, 50, 40, 31.5, 25, 20]
    axis = [*nominal, 16, 12.5, 10, 8, 6.3, 5, 4, 3.15, 2.5, 2, 1.6, 1.25, 1, 0.8]
    levels = [30.0 for _ in axis]  # far rougher than wheels: the level follows the rail
    spectrum = {"id": "rail", "kind": "rail_roughness", "source": "x", "axis": axis, "levels_db": levels}
    project["spectra"] = [{**spectrum, "uncertainty_db": 2.0}]
    project["tracks"][0]["attributes"]["rail_roughness"] = {"spectrum": "rail"}
    found = only(run(project, tmp_path).results)
    assert width(found) == pytest.approx(4.0, abs=0.1)
    assert list(found.first["lden"]) == ["rail_roughness"]
    project["spectra"] = [spectrum]
    none = run(project, tmp_path / "exact").results
    assert width(only(none)) == 0.0 and sure_of(none).exact_spectra == ["rail"]


def test_more_doubt_is_wider(tmp_path: Path) -> None:
    widths = []
    for k, half in enumerate((0.0, 30.0, 60.0)):
        project = site(settled_db=0.02)
        given = {"likely": 120, "low": 120 - half, "high": 120 + half, "shape": "uniform"}
        for period in ("day", "evening", "night"):
            project["services"][0]["trains"][period] = given
        widths.append(width(only(run(project, tmp_path / str(k)).results)))
    assert widths[0] < widths[1] < widths[2]


def test_ways_of_the_sound_are_computed_anew_and_draws_agree_with_the_model(tmp_path: Path) -> None:
    project = site(direct_draws=6)
    project["site"]["default_ground"] = {"g": {"likely": 0.7, "low": 0.4, "high": 1.0}}
    project["site"]["favourable"]["day"] = {"likely": 0.5, "low": 0.2, "high": 0.8, "shape": "uniform"}
    project["tracks"][0]["attributes"]["speed_limit_km_h"] = {"likely": 60, "low": 50, "high": 70}
    project["services"][0]["trains"]["day"] = TRAINS
    sure = sure_of(run(project, tmp_path).results)
    assert sure.transfers == 2 * 2 + 6, "two inputs at both ends, and each direct draw"
    assert sure.direct_draws == 6
    assert sure.direct_db is not None and 0.0 < sure.direct_db < 0.5
    acting = {i.label: i.acts for i in sure.inputs if i.kind == "number"}
    assert len(acting) == 4 and all(acting.values())


@pytest.mark.usefixtures("exact")
def test_single_inputs_that_act_linearly_agree_with_the_model_exactly(tmp_path: Path) -> None:
    project = site(direct_draws=4)
    project["site"]["favourable"]["day"] = {"likely": 0.5, "low": 0.2, "high": 0.8, "shape": "uniform"}
    project["services"][0]["trains"]["evening"] = TRAINS
    sure = sure_of(run(project, tmp_path).results)
    assert sure.direct_db == 0.0


def test_workers_and_order_change_no_byte(tmp_path: Path) -> None:
    project = site()
    project["services"][0]["trains"]["day"] = TRAINS
    project["site"]["air"]["humidity_pct"] = {"likely": 70, "low": 40, "high": 90}
    more = [{**project["receivers"][0], "id": f"R{k}", "position": [10.0 * k, 40.0 + 25 * k]} for k in range(3)]
    project["receivers"] = more
    one, two = (results_bytes(run(project, tmp_path / str(w), w).results) for w in (1, 2))
    assert one == two
    project["receivers"] = more[::-1]
    turned = {r.receiver: r for r in sure_of(run(project, tmp_path / "turned").results).receivers}
    straight = lineside.assess(tmp_path / "1").results
    for r in sure_of(straight).receivers:
        assert turned[r.receiver] == r


def test_chance_is_a_half_at_the_median_and_follows_rounding() -> None:
    level = np.linspace(50.0, 60.0, 10_001)

    def above(limit: float, adjustment: float = 0.0, rounding: str = "none") -> float:
        check = LimitCheck("lden_db", limit, "x", adjustment_db=adjustment, rounding=rounding)  # type: ignore[arg-type]
        return chance(level, check, 0.0).above

    assert above(55.0) == pytest.approx(0.5, abs=1e-3)
    assert above(49.0) == 1.0 and above(61.0) == 0.0
    assert above(55.0, adjustment=2.0) == pytest.approx(0.7, abs=1e-3)
    assert above(55.6) == pytest.approx(0.44, abs=1e-3)
    assert above(55.6, rounding="up") == pytest.approx(0.5, abs=1e-3), "55.1 is compared as 56, which is above 55.6"


def test_findings_have_the_interval_of_their_own_quantity(tmp_path: Path) -> None:
    results = run(site(), tmp_path).results
    found = only(results)
    for finding in results.findings:
        name = {"lden_db": "lden", "lnight_db": "night"}[finding.quantity]
        assert finding.interval_db == (found.low_db[name], found.high_db[name])
        assert finding.probability_above is not None and 0.0 <= finding.probability_above <= 1.0
    assert {f.quantity for f in results.findings} == {"lden_db", "lnight_db"}


def test_draws_can_be_switched_off(tmp_path: Path) -> None:
    results = run(site(draws=False), tmp_path).results
    assert results.sure is None
    assert results.uncertainty.standing == "assumption", "how draws are made states no uncertainty"
    stated = run(site(standard_db=2.0), tmp_path / "stated").results
    assert stated.uncertainty.standing == "given in the project file" and stated.sure is not None
    assert all(f.interval_db is None and f.probability_above is None for f in results.findings)


def test_works_leave_a_doubt_about_the_rails(tmp_path: Path) -> None:
    project = site()
    project["identity"]["assessment_dates"] = ["2026-11-01"]
    project["vehicles"][0]["actual"] = {"wheel_load_kn": 50, "wheel_diameter_mm": 900}
    work = {"date": "2026-10-20", "kind": "grinding", "track": "T", "from_m": -400, "to_m": 400}
    project["works"] = [{**work, "from_m": 0, "to_m": 800, "details": {"machine": "rotating_stones"}}]
    project["calculation"]["rail_state"] = {"name": "rail_wear", "months_after": 6}
    results = run(project, tmp_path).results
    found = only(results)
    assert "wear_in" in sure_of(results).groups and found.total["lden"]["wear_in"] > 0.01
    project["works"][0]["date"] = "2026-12-20"
    later = run(project, tmp_path / "later").results
    assert "wear_in" not in sure_of(later).groups, "nothing has been done yet at the assessment date"


def test_a_range_whose_end_makes_no_project_says_so(tmp_path: Path) -> None:
    project = site()
    project["services"][0]["speed_restrictions"] = [
        {"from_m": {"likely": 100, "low": 50, "high": 300}, "to_m": 200, "speed_km_h": 40}
    ]
    with pytest.raises(ProjectError) as error:
        run(project, tmp_path)
    assert "with the high value of services[1]" in str(error.value) and "to_m" in str(error.value)


def test_a_doubt_must_be_a_number() -> None:
    with pytest.raises(LinesideError, match="dB either way"):
        Doubt(-1.0, Standing.ASSUMPTION, "x")


def test_a_tabulated_class_as_a_spectrum_is_that_class(tmp_path: Path) -> None:
    """What shifts of classes start from: without a shift that can be heard, the levels are those of the class."""
    found = run(site(), tmp_path)
    transfer = found.computed.receivers.transfer
    vocabulary = vocabulary_of(Plugins.load())
    model = DoubtModel(found.plan, found.selection, Plugins.load(), vocabulary, transfer, ())
    base = model.base()
    heard = base > 0.0
    for attribute in ("rail_roughness", "wheel_roughness"):
        same = model.energies(Case(classes={attribute: 1e-9}))
        assert np.allclose(same[heard], base[heard], rtol=1e-8)
        louder = model.energies(Case(classes={attribute: 3.0}))
        assert louder.sum() > 1.02 * base.sum()

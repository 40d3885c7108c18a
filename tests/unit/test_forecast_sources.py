"""Source calculators that compute forecasts in place of the method's own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from lineside.api import Assessment, assess, load_project
from lineside.engine.select import Selection, select, vocabulary_of
from lineside.plugins import Plugins
from lineside.project.schema import project_schema
from lineside.report import method_sources
from lineside.report.strings import Strings
from sites import straight_site, write_site

PLUGINS = Plugins.load()
OPTIONS = {
    "shares": [
        {"radius_up_to_m": 300, "rail": "dry", "share": {"low": 0.1, "likely": 0.2, "high": 0.4}, "source": "Count"}
    ],
    "level": {"excess_db": {"likely": 15}, "source": "Measured"},
}
METHOD = ["eu_aerodynamic", "eu_bridge", "eu_impact", "eu_rolling", "eu_squeal", "eu_traction"]


def site(**calculation: Any) -> dict[str, Any]:
    given = straight_site(curve_radius_m=200)
    given["calculation"] |= {"options": {"squeal_passes": OPTIONS}, **calculation}
    return given


def selection(folder: Path, **calculation: Any) -> Selection:
    return select(load_project(write_site(site(**calculation), folder), PLUGINS), PLUGINS)


def names(entries: Any) -> list[str]:
    return [calculator.name for calculator, _ in entries]


def test_without_any_the_forecast_has_the_sources_of_the_method(tmp_path: Path) -> None:
    chosen = selection(tmp_path)
    assert chosen.forecast_sources == chosen.sources and chosen.forecast_only == ()


def test_one_takes_the_place_of_the_calculators_of_its_mechanism(tmp_path: Path) -> None:
    chosen = selection(tmp_path, forecast_with=["squeal_passes"])
    assert names(chosen.sources) == METHOD
    assert names(chosen.forecast_sources) == sorted({*METHOD, "squeal_passes"} - {"eu_squeal"})
    ((calculator, options),) = chosen.forecast_only
    assert calculator.name == "squeal_passes" and options.model_dump()["shares"][0]["share"]["likely"] == 0.2
    kept = [entry for entry in chosen.forecast_sources if entry[0].name == "eu_rolling"]
    assert kept[0] in chosen.sources


def test_one_of_a_mechanism_that_was_left_out_is_added(tmp_path: Path) -> None:
    chosen = selection(tmp_path, without=["eu_squeal"], forecast_with=["squeal_passes"])
    assert "squeal_passes" in names(chosen.forecast_sources) and "squeal_passes" not in names(chosen.sources)


def test_one_that_takes_part_already_is_kept_alone_in_the_forecast(tmp_path: Path) -> None:
    chosen = selection(tmp_path, **{"with": ["squeal_passes"]}, forecast_with=["squeal_passes"])
    assert {"eu_squeal", "squeal_passes"} <= set(names(chosen.sources))
    assert "eu_squeal" not in names(chosen.forecast_sources)
    assert names(chosen.forecast_sources).count("squeal_passes") == 1 and chosen.forecast_only == ()


def test_the_schema_offers_sources_only() -> None:
    calculation = project_schema(vocabulary_of(PLUGINS))["$defs"]["Calculation"]["properties"]
    assert calculation["forecast_with"]["items"]["enum"] == ["de_railway", *METHOD, "squeal_passes"]


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> tuple[Assessment, Assessment]:
    """Without and with a calculator for forecasts."""
    folders = [tmp_path_factory.mktemp("plain"), tmp_path_factory.mktemp("forecast")]
    write_site(site(options={}), folders[0])
    write_site(site(forecast_with=["squeal_passes"]), folders[1])
    return assess(folders[0], PLUGINS), assess(folders[1], PLUGINS)


def test_rated_levels_keep_the_methods_own(assessed: tuple[Assessment, Assessment]) -> None:
    plain, forecast = assessed
    rated = [[r.model_copy(update={"states_db": {}}) for r in a.results.receivers] for a in (forecast, plain)]
    assert rated[0] == rated[1]
    assert forecast.results.receivers[0].states_db != plain.results.receivers[0].states_db
    assert forecast.results.findings == plain.results.findings


def test_it_is_printed_with_its_statement_and_notes(assessed: tuple[Assessment, Assessment]) -> None:
    results = assessed[1].results
    (offer,) = [o for o in results.provenance.offers if o.name == "squeal_passes"]
    assert offer.kind == "source (forecast)" and offer.mechanism == "squeal"
    assert any("LEFT OUT" in n.text for n in results.notes if n.origin == "squeal_passes" and n.kind == "validity")
    assert "squeal_passes" not in {o.name for o in assessed[0].results.provenance.offers}


def test_the_report_does_not_count_it_among_what_is_heard(assessed: tuple[Assessment, Assessment]) -> None:
    results, strings = assessed[1].results, Strings()
    (table,) = [t for t in method_sources.tables(results, strings) if t.id == "T4.1"]
    (row,) = [r.cells for r in table.rows if "squeal_passes" in r.cells]
    assert "in forecasts only" in row and "contributes" not in row
    (own,) = [r.cells for r in table.rows if "eu_squeal" in r.cells]
    assert "contributes" in own
    cards = {card.title: card for card in method_sources.calculator_cards(results, strings)}
    facts = [dict(card.facts) for title, card in cards.items() if "mean over passes" in title]
    assert "in place of the method" in facts[0]["Used for"]
    assert sum("Used for" in dict(card.facts) for card in cards.values()) == 1

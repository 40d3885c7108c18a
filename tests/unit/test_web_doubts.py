"""The web page tells intervals and probabilities in the words of the report, and draws banks and what measures add."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from lineside.report import maps
from lineside.report.strings import Strings
from lineside.report.sure import interval, probability
from lineside.results.model import BankInfo, BarrierInfo, Results
from lineside.web import plan
from web_site import drawn, many_facades, page, plain

WORDS = Strings("web_en")
STRINGS = Strings()
BANK: dict[str, Any] = {
    "id": "B",
    "name": "Bank",
    "height_m": 3.0,
    "crest_width_m": 1.0,
    "slope_ratio": 1.5,
    "g": None,
    "top_z_m": (3.0, 3.0),
    "line": [(0.0, 20.0), (40.0, 20.0)],
    "xy": [(0.0, 15.0), (40.0, 15.0), (40.0, 25.0), (0.0, 25.0)],
}


def data_of(text: str) -> dict[str, Any]:
    found = re.search(r'<script type="application/json" id="data">(.*?)</script>', text, re.S)
    assert found is not None
    return dict(json.loads(found[1]))


WALL = {"id": "W", "name": "", "height_m": 2.0, "surface": "hard", "xy": [(0.0, 30.0), (50.0, 30.0)]}


def with_map(**changes: Any) -> Results:
    """With a map of differences that measures make."""
    found = plain(4)
    grid, now = found.grid, found.situation.model_dump()
    assert grid is not None
    values = [[-2.0 - 0.1 * k for k in range(len(grid.x))] for _ in grid.y]
    one = {"id": "d", "name": "", "kind": "difference", "quantity": "lden", "situation": now, "before": now}
    one |= {"measures": ["wall"], "values_db": values, "edges_db": [-3.0, -1.0, 1.0, 3.0], "area_m2": [1.0] * 5}
    document = found.model_dump()
    document["maps"] = [{**one, **changes}]
    return Results.model_validate(document)


def test_the_title_of_a_map_names_its_measures() -> None:
    found = with_map()
    title = plan.draw(found, STRINGS, WORDS).layers[-1].title
    assert title == maps._caption(found.maps[0], found, STRINGS)
    assert "with wall" in title and title in page(found)


def test_banks_are_drawn_with_a_key_of_their_own() -> None:
    found = plain(4)
    assert 'class="p-bank"' not in page(found)
    site = found.site.model_copy(update={"banks": [BankInfo.model_validate(BANK)]})
    changed = found.model_copy(update={"site": site})
    found_plan = plan.draw(changed, STRINGS, WORDS)
    assert found_plan.banks.outline == found_plan.frame.rings(
        [BANK["xy"]]
    ) and found_plan.banks.crest == found_plan.frame.line(BANK["line"])
    text = page(changed)
    assert f'<path class="p-bank" d="{found_plan.banks.outline}"/>' in text
    assert "Earth bank</li>" in text and text.count('class="p-bank"') == 2


@pytest.mark.parametrize("what", ["bank", "barrier"])
def test_what_measures_add_is_shown_with_their_map_alone(what: str) -> None:
    new = {"new_banks": [BankInfo.model_validate(BANK).model_dump()]}
    if what == "barrier":
        new = {"new_barriers": [BarrierInfo.model_validate(WALL).model_dump()]}
    found = with_map(**new)
    layer = plan.draw(found, STRINGS, WORDS).layers[-1]
    path = layer.banks.outline if what == "bank" else layer.barriers
    assert path
    text = page(found)
    group = f'<g class="added off" data-layer="{layer.key}"><path class="p-{what}" d="{path}"/>'
    assert group in text
    legend = text.split(f'data-legend="{layer.key}"')[1].split("</div>")[0]
    assert f"{'Earth bank' if what == 'bank' else 'Barrier'} of a measure</li>" in legend
    assert text.count("of a measure</li>") == 1


def test_intervals_and_probabilities_have_the_words_of_the_report() -> None:
    data = data_of(page(drawn()))
    first, second = data["receivers"][:2]
    assert first["intervals"][0] == interval(56.6, 63.4, STRINGS) == "56 to 64"
    assert first["intervals"][1] == "51 to 59" and len(first["intervals"]) == len(first["levels"])
    assert (first["findings"][0]["interval"], first["findings"][0]["chance"]) == (
        "56 to 64",
        probability(0.83, STRINGS),
    )
    assert "intervals" not in second and not any("chance" in f for f in second["findings"])
    assert data["sure"]["levels"] == STRINGS("sure.cell_note")
    assert data["sure"]["limits"] == STRINGS("sure.finding_note")


def test_buildings_have_those_of_their_most_exposed_facade() -> None:
    document = many_facades(2).model_dump()
    document["sure"] = drawn().sure
    document["facades"]["buildings"][0]["interval_db"] = {"lden": (56.6, 63.4)}
    document["facades"]["buildings"][0]["findings"][0]["probability_above"] = 0.005
    data = data_of(page(Results.model_validate(document)))
    first, second = data["buildings"]
    assert first["intervals"][:2] == ["56 to 64", "–"] and first["findings"][0]["chance"] == STRINGS("sure.below_one")
    assert "intervals" not in second
    assert data["sure"]["levels_buildings"] == STRINGS("sure.facade_note", n=1)


def test_without_draws_nothing_is_said_of_them() -> None:
    data = data_of(page(plain(4)))
    assert data["sure"] == {} and not any("intervals" in r for r in data["receivers"])

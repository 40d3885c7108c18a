"""Whole projects, from the project file to the levels, against a second implementation of the method.

Source: ``data/whole_sites/*.expected.json``: computed, not published, by ``scalar_method`` and the walk along the
track in ``data/whole_sites/remake.py``, from Directive 2002/49/EC, Annex II, sections 2.3 and 2.5. The single
passes are a simulation of points that move, with exponential averaging; IEC 61672-1:2013, section 3.8.
"""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from lineside.results.model import ReceiverResult
from published.data.whole_sites import remake
from sites import assess_site

#: A-weighted levels, whole and by mechanism, and levels of single passes.
TOLERANCE_DB = 0.05
#: Single octaves: the pieces of track of the default length are coarse where bands of short waves are screened.
OCTAVE_TOLERANCE_DB = 0.1
#: LAFmax of trains that brake or start: the program gives power to places, averaged over the time that a vehicle
#: needs to pass them, not to moments.
CALLING_TOLERANCE_DB = 0.15

DATA = Path(__file__).parent / "data" / "whole_sites"
EXPECTED = {
    path.name.removesuffix(".expected.json"): json.loads(path.read_text(encoding="utf-8"))
    for path in sorted(DATA.glob("*.expected.json"))
}
PLACES = [(site, receiver) for site, expected in EXPECTED.items() for receiver in expected["receivers"]]
LONG_TERM = [(site, receiver) for site, receiver in PLACES if "lden_db" in EXPECTED[site]["receivers"][receiver]]
SINGLE = [(site, receiver) for site, receiver in PLACES if (site, receiver) not in LONG_TERM]


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> Any:
    @cache
    def assess(site: str) -> dict[str, ReceiverResult]:
        project = json.loads((DATA / f"{site}.project.json").read_text(encoding="utf-8"))
        return assess_site(project, tmp_path_factory.mktemp(site))

    return assess


def flat(value: Any, name: str = "") -> dict[str, float | None]:
    """Numbers of nested dictionaries and lists under names of their own."""
    if isinstance(value, dict | list):
        items = value.items() if isinstance(value, dict) else enumerate(value)
        return {k: v for key, part in items for k, v in flat(part, f"{name} {key}").items()}
    return {name: value}


def test_there_are_sites() -> None:
    assert (len(EXPECTED), len(LONG_TERM), len(SINGLE)) == (3, 5, 5)
    assert all(expected["about"].startswith("Computed, not published") for expected in EXPECTED.values())


@pytest.mark.parametrize(("site", "receiver"), LONG_TERM)
def test_long_term_levels(site: str, receiver: str, assessed: Any) -> None:
    expected = EXPECTED[site]["receivers"][receiver]
    found = flat(assessed(site)[receiver].model_dump(include=set(expected)))
    for name, level in flat(expected).items():
        tolerance = OCTAVE_TOLERANCE_DB if "spectrum" in name else TOLERANCE_DB
        assert found[name] == (None if level is None else pytest.approx(level, abs=tolerance)), name


@pytest.mark.parametrize(("site", "receiver"), SINGLE)
def test_single_passes(site: str, receiver: str, assessed: Any) -> None:
    expected = EXPECTED[site]["receivers"][receiver]["passes"]
    found = [p.model_dump() for p in assessed(site)[receiver].passes]
    assert [(p["service"], p["state"]) for p in found] == [(p["service"], p["state"]) for p in expected]
    for one, other in zip(found, expected, strict=True):
        for name in ("lae_db", "lafmax_db"):
            moment = name == "lafmax_db" and one["service"].startswith("call")
            tolerance = CALLING_TOLERANCE_DB if moment else TOLERANCE_DB
            assert one[name] == pytest.approx(other[name], abs=tolerance), (name, one["service"], one["state"])


def test_expected_numbers_are_those_of_the_scalar_method() -> None:
    name, receiver = "fast_trains_all_mechanisms", "R"
    site = remake.Site(json.loads((DATA / f"{name}.project.json").read_text(encoding="utf-8")))
    remade = flat(remake.long_term(site, site.project["receivers"][0], 2.0))
    for what, level in flat(EXPECTED[name]["receivers"][receiver]).items():
        assert remade[what] == (None if level is None else pytest.approx(level, abs=0.1)), what


def test_trains_that_call_sound_different_in_the_two_directions() -> None:
    """The check above sees the direction only if it matters: the powered vehicle stands at the other end."""
    levels = {
        (p["service"], p["state"]): p["lae_db"] for p in EXPECTED["passing_and_calling"]["receivers"]["R1"]["passes"]
    }
    assert abs(levels["call-rising", "homogeneous"] - levels["call-falling", "homogeneous"]) > 0.3

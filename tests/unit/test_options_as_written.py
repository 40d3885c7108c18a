"""Options of plugins take numbers and flags as they are written in the project file."""

from __future__ import annotations

import copy
import datetime as dt
from pathlib import Path
from typing import Annotated, Any, Literal

import pytest
from pydantic import Field, ValidationError

import lineside
from lineside.contracts import Options
from lineside.errors import ProjectError
from sites import straight_site, write_site


class Inner(Options):
    share: float | None = None


class Given(Options):
    size_m: float = Field(default=1.0, ge=0)
    count: Annotated[int, Field(ge=0)] = 1
    on: bool = True
    rows: tuple[float, ...] = ()
    parts: dict[str, Inner] = Field(default={})
    bands: dict[int, float] = Field(default={})
    kind: Literal[1, 2] = 1
    day: dt.date | None = None
    either: float | Literal["none"] = "none"


class Later(Given):
    more: float = 0.0


GOOD: list[dict[str, Any]] = [
    {"size_m": 2},
    {"rows": [1, 2.5]},
    {"parts": {"a": {"share": 1}}},
    {"bands": {"500": 3, 1000: 2}},
    {"kind": 2},
    {"day": "2026-05-01"},
    {"either": 3},
    {"either": "none"},
    {"on": False},
]
BAD: list[dict[str, Any]] = [
    {"size_m": True},
    {"size_m": "2"},
    {"size_m": float("nan")},
    {"size_m": float("inf")},
    {"count": True},
    {"count": "1"},
    {"on": 1},
    {"on": "yes"},
    {"rows": ["1"]},
    {"parts": {"a": {"share": True}}},
    {"bands": {500: "3"}},
    {"kind": True},
    {"either": True},
]


@pytest.mark.parametrize("data", GOOD, ids=str)
@pytest.mark.parametrize("model", [Given, Later])
def test_what_fits_is_taken(model: type[Given], data: dict[str, Any]) -> None:
    assert model.model_validate(data) == model.model_validate_json(model.model_validate(data).model_dump_json())


@pytest.mark.parametrize("data", BAD, ids=str)
@pytest.mark.parametrize("model", [Given, Later])
def test_what_is_written_otherwise_is_refused(model: type[Given], data: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        model.model_validate(data)


def test_the_schema_stays_as_it_was() -> None:
    properties = Given.model_json_schema()["properties"]
    assert properties["size_m"] == {"default": 1.0, "minimum": 0, "title": "Size M", "type": "number"}
    assert properties["kind"]["enum"] == [1, 2]


@pytest.mark.parametrize("value", [True, "0.2"])
def test_the_message_says_where_and_what(tmp_path: Path, value: object) -> None:
    site = copy.deepcopy(straight_site())
    site["calculation"]["options"] = {"eu_propagation": {"piece_ratio": value}}
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(write_site(site, tmp_path))
    (problem,) = caught.value.problems
    assert (problem.place, problem.message) == ("calculation, options, eu_propagation", "piece_ratio: must be a number")
    assert problem.line is not None and problem.allowed == "a number, above 0 to 0.5"

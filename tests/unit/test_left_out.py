"""What is said about paths that were not computed, and about warnings, in the notes of the report."""

from __future__ import annotations

from importlib.metadata import version
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pytest

import lineside
from lineside.errors import Problem
from lineside.results.assemble import _warning
from lineside.results.left_out import left_out_notes


def notes(share: float, map_share: float) -> list[tuple[str, str]]:
    receivers = SimpleNamespace(period=np.ones((1, 3)), left_out=np.full((1, 3), share))
    grid = SimpleNamespace(energy=np.ones((1, 3, 2, 2)), left_out=np.full((1, 3, 2, 2), map_share))
    scene = SimpleNamespace(receivers=SimpleNamespace(ids=("R",)))
    found = left_out_notes(cast(Any, SimpleNamespace(receivers=receivers, grid=grid)), cast(Any, scene))
    return [(n.kind, n.text) for n in found]


def test_bounds_are_given_to_one_decimal_and_never_too_low() -> None:
    assert notes(0.004, 0.01) == [
        ("assumption", "Paths left out add less than 0.1 dB to the level at any receiver."),
        ("assumption", "Paths left out add less than 0.1 dB to the level at any point of the map."),
    ]
    far = 10**0.0312 - 1  # 0.312 dB
    assert notes(far, far) == [
        ("validity", "Paths left out may add more than 0.1 dB at R, at most 0.4 dB at R."),
        ("validity", "Paths left out add at most 0.4 dB to the level at any point of the map."),
    ]


@pytest.mark.parametrize("hint", ["", "add to earthworks: {id: bank, along: T}"])
def test_warnings_stand_in_the_report_without_what_to_type(hint: str) -> None:
    problem = Problem("lies above the ground", line=3, place="tracks[1]", found="2 m", hint=hint, severity="warning")
    assert _warning(problem) == "project.yaml:3: tracks[1]: lies above the ground found: 2 m"


def test_the_version_is_that_of_the_distribution() -> None:
    assert lineside.__version__ == version("lineside")

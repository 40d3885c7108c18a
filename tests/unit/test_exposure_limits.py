"""Who lives above a limit: assigned as for the bands, by the level that the criterion compares."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from lineside.contracts import LimitCheck, Window
from lineside.results.exposure_limits import above_limits
from lineside.results.findings import Question, exceeds

NIGHT = Window(22, 6)
#: Four receivers of house A at 4 m and a floor of it, three of B, two of the school S.
LEVELS = np.array([60.0, 50.0, 55.0, 65.0, 90.0, 58.0, 66.0, 66.0, 40.0, 70.0])
BUILDING = np.array([0, 0, 0, 0, 0, 1, 1, 1, 2, 2])
FLOOR = np.array([0, 0, 0, 0, 2, 0, 0, 0, 0, 3])
LENGTH = np.array([5.0, 5.0, 5.0, 5.0, 5.0, 6.0, 3.0, 1.0, 5.0, 5.0])


def points() -> Any:
    def house(name: str, use: str, one_facade: bool) -> Any:
        return SimpleNamespace(data=SimpleNamespace(id=name, use=use, one_facade=one_facade))

    return SimpleNamespace(
        standing=(house("A", "dwelling", False), house("B", "dwelling", True), house("S", "school", False)),
        building=BUILDING,
        floor=FLOOR,
        length_m=LENGTH,
        rows=lambda k: np.flatnonzero(k == BUILDING),
    )


def check(limit_db: float, **more: Any) -> LimitCheck:
    return LimitCheck(**{"label": "L", "quantity": "lden_db", "limit_db": limit_db, **more})


def above(*asked: Question, levels: Any = None) -> Any:
    by_quantity = levels or {("lden_db", None): LEVELS}
    dwellings, persons = np.array([4.0, 2.0, 0.0]), np.array([10.0, 5.0, 0.0])
    return above_limits(asked, points(), by_quantity, dwellings, persons, lambda name: name == "B", ("school",))


def everywhere(*checks: LimitCheck) -> list[Question]:
    return [Question(name, "own", checks) for name in ("A", "B", "S", "elsewhere")]


def test_the_louder_half_and_the_length_of_facade() -> None:
    """A: 60 and 65 dB hold half of the persons each; B: 66 dB on 4 m of 10 m. The floor of A counts for nobody."""
    (found,) = above(*everywhere(check(62.0)))
    assert (found.criterion, found.quantity, found.window, found.limit_db) == ("own", "lden_db", None, 62.0)
    assert (found.buildings, found.dwellings, found.persons) == (3, 6.0, 15.0)
    assert found.dwellings_above == pytest.approx(4 * 0.5 + 2 * 0.4)
    assert found.persons_above == pytest.approx(10 * 0.5 + 5 * 0.4)
    assert (found.quiet_dwellings_above, found.quiet_persons_above) == (pytest.approx(0.8), pytest.approx(2.0))
    assert found.sensitive_above == 1, "by its loudest receiver, on a floor"
    assert not found.without_tones


def test_a_level_at_the_limit_is_not_above_it() -> None:
    (found,) = above(*everywhere(check(65.0)))
    assert found.persons_above == pytest.approx(5 * 0.4)
    (found,) = above(*everywhere(check(66.0, rounding="up")))
    assert found.persons_above == 0.0


def test_rounding_and_adjustment_are_those_of_the_criterion() -> None:
    levels = np.array([64.2, 65.0, -np.inf])
    assert exceeds(check(64.0, rounding="up"), levels).tolist() == [True, True, False]
    assert exceeds(check(65.0, rounding="up"), levels).tolist() == [False, False, False]
    assert exceeds(check(60.0, adjustment_db=-5.0), levels).tolist() == [False, False, False]
    assert exceeds(check(60.0, adjustment_db=-4.5), levels).tolist() == [False, True, False]


def test_each_limit_by_its_own_level_and_buildings() -> None:
    """At night A is loud at the other end; limits of single passes are not compared."""
    levels = {("lden_db", None): LEVELS, ("laeq_db", NIGHT): np.where(BUILDING == 0, LEVELS[::-1], 0.0)}
    asked = [
        Question("A", "own", (check(62.0), check(68.0, quantity="laeq_db", window=NIGHT))),
        Question("B", "own", (check(60.0, quantity="lafmax_db"), check(62.0))),
        Question("A", "other", (check(64.0),)),
    ]
    day, night, other = above(*asked, levels=levels)
    assert (day.buildings, day.persons_above) == (2, pytest.approx(7.0))
    assert (night.window, night.buildings, night.persons) == ("22:00 to 06:00", 1, 10.0)
    assert night.persons_above == pytest.approx(10 * 0.5)  # 70, 40, 66, 66: the first and a 66 hold half each
    assert (other.criterion, other.persons_above) == ("other", pytest.approx(5.0))


def test_no_level_no_entry() -> None:
    assert above(*everywhere(replace(check(30.0), quantity="lafmax_db"))) == []

"""Limit sets against the printed values of their sources."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from lineside.contracts import ReceiverUse, Window
from lineside_plugins.de_16bimschv.criterion import ImmissionLimits, LimitOptions
from lineside_plugins.who_2018.criterion import Who2018

DATA = Path(__file__).parent / "data"


def german_rows() -> list[dict[str, str]]:
    lines = (DATA / "criteria_de_16bimschv.csv").read_text(encoding="utf-8").splitlines()
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))


@pytest.mark.parametrize("row", german_rows(), ids=lambda r: f"{r['use']}-{r['area'] or 'none'}")
def test_german_limits_are_those_of_the_law(row: dict[str, str]) -> None:
    receiver = ReceiverUse(id="R1", use=row["use"], area=row["area"] or None)
    day, night = ImmissionLimits().checks(receiver, LimitOptions(day_only_uses=()))
    assert (day.limit_db, day.window) == (float(row["day_db"]), Window(6, 22))
    assert (night.limit_db, night.window) == (float(row["night_db"]), Window(22, 6))
    assert f"row {row['row']}" in day.label
    assert f"row {row['row']}" in night.label


def test_german_levels_are_rounded_up_and_carry_no_rail_bonus() -> None:
    """Annex 2 no. 8.2.1: rounded up to whole dB; no. 2.2.18: K_S is 0 for railways since 2015, for trams since 2019."""
    checks = ImmissionLimits().checks(ReceiverUse("R1", "dwelling", "residential"), LimitOptions())
    assert [(c.quantity, c.rounding, c.adjustment_db) for c in checks] == [("laeq_db", "up", 0.0)] * 2


def test_who_railway_values() -> None:
    """WHO Environmental Noise Guidelines 2018, railway noise: Lden 54 dB, Lnight 44 dB (read in summaries)."""
    who = Who2018()
    checks = who.checks(ReceiverUse("R1", "dwelling", None), who.options_model())
    assert [(c.quantity, c.limit_db, c.rounding) for c in checks] == [
        ("lden_db", 54.0, "none"),
        ("lnight_db", 44.0, "none"),
    ]

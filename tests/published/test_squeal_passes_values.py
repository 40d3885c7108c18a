"""The mean over passes of which some squeal, against worked numbers computed apart from the program."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from lineside.acoustics.levels import to_db
from lineside.small_scene import small_powers, small_scene
from lineside_plugins.squeal_passes import SquealPassesOptions, pass_average
from lineside_plugins.squeal_passes.calculator import SquealPasses

FILE = Path(__file__).parent / "data" / "squeal_passes.csv"
LINES = [line for line in FILE.read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
ROWS = [{key: float(value) for key, value in row.items()} for row in csv.DictReader(LINES)]


def above_rolling_db(options: SquealPassesOptions) -> float:
    """What the calculator makes of rolling noise in the curve of the small scene. [dB]"""
    scene = small_scene()
    rolling = small_powers(scene, ["rolling"])
    squeal = SquealPasses().emission_beside(scene, options, rolling)
    ratio = [1.0 + squeal[c][0, 1] / power[0, 1] for c, power in rolling["rolling"].items()]
    assert np.ptp(ratio) < 1e-9  # alike in all bands and at all heights
    return float(to_db(np.mean(ratio)))


def options(share: float, excess_db: float) -> SquealPassesOptions:
    ends = {"low": share, "likely": share, "high": share}
    return SquealPassesOptions.model_validate(
        {
            "shares": [{"radius_up_to_m": 300, "share": ends, "source": "Worked case"}],
            "level": {"excess_db": {"likely": excess_db}, "source": "Worked case"},
        }
    )


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['share']:g} of passes {row['excess_db']:g} dB louder")
def test_mean_over_passes_as_computed_apart(row: dict[str, float]) -> None:
    assert float(pass_average(row["share"], row["excess_db"])) == pytest.approx(row["above_rolling_db"], abs=0.005)
    assert above_rolling_db(options(row["share"], row["excess_db"])) == pytest.approx(
        row["above_rolling_db"], abs=0.005
    )


def test_twelve_decibels_off_squealing_passes_gain_less_in_the_mean() -> None:
    """Computed limit case: 12 dB off passes that are 15 dB above rolling noise, a fifth of all, gain 7.7 dB, not 12."""
    gain = pass_average(0.2, 15.0) - pass_average(0.2, 15.0 - 12.0)
    assert float(gain) == pytest.approx(7.7, abs=0.05)

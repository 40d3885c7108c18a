"""Time weighting F, and which pass a limit for LAFmax is compared with."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

import lineside
from lineside.engine.passby import STEP_S, PassHistory
from sites import straight_site, write_site


def history(energy: np.ndarray) -> PassHistory:
    return PassHistory(np.arange(len(energy)) * STEP_S, energy[None, None, :])


@pytest.mark.parametrize("duration_s", [0.1, 0.2, 0.5, 1.0])
def test_a_burst_reaches_one_minus_exp_of_its_length(duration_s: float) -> None:
    """Exponential weighting with 125 ms; IEC 61672-1:2013, section 3.8. A burst of 200 ms reads 0.98 dB too low."""
    burst = np.zeros(200)
    burst[20 : 20 + round(duration_s / STEP_S)] = 1.0
    expected = 10.0 * math.log10(1.0 - math.exp(-duration_s / 0.125))
    assert 10.0 * math.log10(history(burst).lafmax_energy()[0, 0]) == pytest.approx(expected, abs=1e-6)


def test_a_steady_level_is_its_own_largest_level_and_exposure_grows_with_time() -> None:
    steady = history(np.full(401, 2.5))
    assert steady.lafmax_energy()[0, 0] == pytest.approx(2.5)
    assert steady.lae_energy()[0, 0] == pytest.approx(2.5 * 400 * STEP_S)


def test_the_loudest_service_in_the_louder_state_is_compared_with_the_limit(tmp_path: Path) -> None:
    site = straight_site()
    site["receivers"][0]["position"] = [0.0, 250.0]
    slow = {**site["services"][0], "id": "slow", "speed_km_h": 30}
    site["services"].insert(0, slow)
    limits = [{"quantity": "lafmax", "limit_db": 60}]
    site["criteria"] = [{"name": "custom", "options": {"title": "Permit", "source": "invented", "limits": limits}}]
    results = lineside.assess(write_site(site, tmp_path)).results
    passes = {(p.service, p.state): p.lafmax_db for p in results.receivers[0].passes}
    assert passes["S", "favourable"] > passes["S", "homogeneous"] + 0.5
    assert passes["S", "favourable"] > passes["slow", "favourable"] + 0.5
    (finding,) = results.findings
    assert finding.level_db == pytest.approx(passes["S", "favourable"], abs=1e-9)

"""Speed profiles against the formulas of uniformly accelerated motion."""

from __future__ import annotations

import numpy as np
import pytest

from lineside.scene.kinematics import speed_profile


def profile(limits=(20.0,), ends=(0.0, 1000.0), direction=1, stops=(), a=1.0, b=0.5, margin=50.0):
    return speed_profile(np.array(ends), np.array(limits), direction, np.array(stops, dtype=float), a, b, margin)


@pytest.mark.parametrize("direction", [1, -1])
def test_constant_speed_takes_length_over_speed(direction):
    run = profile(direction=direction)
    assert run.duration_s(np.array([100.0]), np.array([300.0]), 0.0) == pytest.approx(200.0 / 20.0)
    assert run.mean_speed_m_s(np.array([100.0]), np.array([300.0]), 12.0) == pytest.approx(20.0)


def test_speed_near_a_stop_is_the_root_of_two_a_s():
    run = profile(stops=[500.0])
    for s in (10.0, 60.0, 150.0):
        v = np.interp(500.0 + s, run.place_m, run.speed_m_s)
        assert v == pytest.approx(np.sqrt(2 * 1.0 * s), rel=0.01)
        v = np.interp(500.0 - s, run.place_m, run.speed_m_s)
        assert v == pytest.approx(np.sqrt(2 * 0.5 * s), rel=0.01)
    assert run.speed_m_s.min() == 0.0


def test_time_to_leave_a_stop_is_exact():
    run = profile(stops=[500.0])
    assert run.duration_s(np.array([500.0]), np.array([600.0]), 0.0) == pytest.approx(
        np.sqrt(2 * 100.0 / 1.0), rel=1e-9
    )


def test_a_vehicle_behind_the_middle_passes_the_stop_later_and_faster():
    run = profile(stops=[500.0])
    rear = run.mean_speed_m_s(np.array([480.0]), np.array([500.0]), -40.0)
    assert rear == pytest.approx(np.sqrt(2 * 30.0), rel=0.15)  # its train's middle is then 20 to 40 m beyond the stop


def test_direction_swaps_braking_and_accelerating_sides():
    up, down = profile(stops=[500.0]), profile(stops=[500.0], direction=-1)
    low, high = np.array([540.0]), np.array([560.0])
    assert up.duration_s(low, high, 0.0) < down.duration_s(low, high, 0.0)
    assert up.duration_s(low, high, 0.0) == pytest.approx(down.duration_s(1000 - high, 1000 - low, 0.0))


@pytest.mark.parametrize("gap_m", [0.4, 1.0, 5.0])
def test_stops_close_together_are_left_and_reached(gap_m):
    run = profile(stops=[500.0, 500.0 + gap_m, 500.0 + 2 * gap_m])
    assert np.all(np.isfinite(run.time_s)) and np.all(np.diff(run.time_s) > 0)
    needed = np.sqrt(2 * gap_m * (1 / 1.0 + 1 / 0.5))
    assert run.duration_s(np.array([500.0]), np.array([500.0 + gap_m]), 0.0) == pytest.approx(needed, rel=0.35)


def test_limits_are_kept_and_reached():
    run = profile(limits=(20.0, 10.0, 20.0), ends=(0.0, 400.0, 600.0, 1000.0))
    inside = (run.place_m >= 400.0) & (run.place_m <= 600.0)
    assert run.speed_m_s[inside].max() == pytest.approx(10.0)
    assert run.speed_m_s.max() == pytest.approx(20.0)
    v = np.interp(350.0, run.place_m, run.speed_m_s)
    assert v == pytest.approx(np.sqrt(10.0**2 + 2 * 0.5 * 50.0), rel=0.01)


def test_time_is_additive_over_neighbouring_ranges():
    run = profile(stops=[500.0])
    cuts = np.linspace(0.0, 1000.0, 38)
    whole = run.duration_s(np.array([0.0]), np.array([1000.0]), 7.0)
    assert run.duration_s(cuts[:-1], cuts[1:], 7.0).sum() == pytest.approx(float(whole[0]), rel=1e-12)


def test_time_of_gaining_speed_is_speed_over_acceleration():
    """From rest to 20 m/s at 0.5 m/s2 takes 40 s; braking at 1 m/s2 adds none."""
    profile = speed_profile(np.array([0.0, 4000.0]), np.array([20.0]), 1, np.array([1000.0]), 0.5, 1.0, 10.0)
    whole = profile.gaining_s(np.array([0.0, 0.0, 1000.0]), np.array([4000.0, 1000.0, 1100.0]), 0.0)
    np.testing.assert_allclose(whole, [40.0, 0.0, np.sqrt(2 * 100 / 0.5)], rtol=1e-3)

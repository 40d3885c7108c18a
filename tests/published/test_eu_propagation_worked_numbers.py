"""Single terms of the EU common method.

Numbers computed, not published: evaluated twice by separate scripts from the formulae of Directive 2002/49/EC, Annex
II, section 2.5, and printed with the digits given here. Tolerance: half the last printed digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from lineside.acoustics.levels import to_db
from lineside_plugins.eu_propagation import EuPropagation, vertical_cut
from lineside_plugins.eu_propagation import kernels as k

BAND = k.band_table()
WAVES_M = BAND[:, k.WAVELENGTH]


def ground_db(d_p: float, g: float, g_s: float, favourable: bool) -> np.ndarray:
    t = k.tile()
    for row, value in zip(
        (k.G, k.G_S, k.Z_A, k.Z_B, k.D_P, k.CURVED), (g, g_s, 0.5, 4.0, d_p, favourable), strict=True
    ):
        t[k.WHOLE + row] = value
    k.ground_of_whole(t, BAND)
    return -to_db(t[k.WHOLE + k.Q :: k.TILE][:8])


def diffraction(delta: float, e: float) -> np.ndarray:
    return np.array(
        [k.pure_diffraction(40 / lam * k.several_edges(lam, 1 / e if e > 0.3 else 0.0) * delta) for lam in WAVES_M]
    )


@pytest.mark.parametrize(
    ("d_p", "g", "favourable", "expected"),
    [
        (100, 0.6, False, [-0.9, -0.9, -0.9, -0.9, 3.6, -0.9, -0.9, -0.9]),
        (100, 0.6, True, [-0.9, -0.9, -0.9, -0.9, -0.5, -0.9, -0.9, -0.9]),
        (100, 1.0, False, [0, 0, 0, 2.0, 6.2, 0, 0, 0]),
        (100, 1.0, True, [0, 0, 0, 0.3, 2.0, 0, 0, 0]),
        (250, 1.0, False, [0, 0, 2.6, 11.2, 14.1, 6.1, 0, 0]),
        (250, 1.0, True, [0, 0, 0, 3.7, 0.6, 0, 0, 0]),
        (250, 0.6, False, [-1.2, -1.2, -1.2, 4.2, 10.9, 7.2, -0.6, -1.2]),
        (250, 0.6, True, [-2.3, -2.3, -2.3, -2.3, 1.4, -2.3, -2.3, -2.3]),
    ],
)
def test_ground_effect(d_p: float, g: float, favourable: bool, expected: list[float]) -> None:
    np.testing.assert_allclose(ground_db(d_p, g, 1.0, favourable), expected, atol=0.0501)


def test_hard_ground_at_long_range() -> None:
    np.testing.assert_allclose(ground_db(250, 0.0, 0.0, False), -3.00, atol=0.005)
    np.testing.assert_allclose(ground_db(250, 0.0, 0.0, True), -5.76, atol=0.005)


@pytest.mark.parametrize(
    ("delta", "e", "expected"),
    [
        (0.5, 0.0, [8.26, 10.15, 12.48, 15.11, 17.91, 20.82, 23.77, 26.75]),
        (-0.02, 0.0, [4.55, 4.32, 3.82, 2.61, 0, 0, 0, 0]),
    ],
)
def test_pure_diffraction(delta: float, e: float, expected: list[float]) -> None:
    np.testing.assert_allclose(to_db(diffraction(delta, e)), expected, atol=0.0051)


def test_pure_diffraction_over_two_edges() -> None:
    assert to_db(diffraction(0.5, 5.0)[3]) == pytest.approx(17.56, abs=0.005)


@pytest.mark.parametrize(
    ("edge", "receiver", "straight", "curved", "radius"),
    [((10, 4), (60, 4), 0.4928, 0.4890, 1000.0), ((50, 8), (300, 4), 0.5710, 0.4894, 2400.2)],
)
def test_path_difference(edge: tuple, receiver: tuple, straight: float, curved: float, radius: float) -> None:
    gamma = k.ray_radius(np.hypot(receiver[0], receiver[1] - 0.5))
    assert gamma == pytest.approx(radius, abs=0.05)
    assert k.one_edge(0.0, 0.5, *edge, *receiver, 0.0) == pytest.approx(straight, abs=5.1e-5)
    assert k.one_edge(0.0, 0.5, *edge, *receiver, gamma) == pytest.approx(curved, abs=5.1e-5)


def test_diffraction_with_ground_on_both_sides() -> None:
    cut = vertical_cut(
        (0, 0.5), (60, 4), [(0, 0), (60, 0)], [(0, 10, 0.0), (10, 60, 0.7)], source_ground_g=0.0, barriers=[(10, 4)]
    )
    assert cut.homogeneous.delta_m == pytest.approx(0.493, abs=0.0005)
    assert k.one_edge(0.0, -0.5, 10.0, 4.0, 60.0, 4.0, 0.0) == pytest.approx(0.797, abs=0.0005)
    assert k.one_edge(0.0, 0.5, 10.0, 4.0, 60.0, -4.0, 0.0) == pytest.approx(1.062, abs=0.0005)
    np.testing.assert_allclose(cut.homogeneous.a_boundary_db[2:5], [9.26, 11.93, 14.76], atol=0.0051)


def test_ground_terms_beside_an_edge() -> None:
    """250, 500, 1000 Hz; ground -3.00 and -0.90 dB, path differences as in the test above."""
    direct, image_s, image_r = (diffraction(delta, 0.0) for delta in (0.4928, 0.7970, 1.0622))
    source = [-2 * to_db(k.ground_behind_edge(10**0.3, direct[i] / image_s[i])) for i in (2, 3, 4)]
    receiver = [-2 * to_db(k.ground_behind_edge(10**0.09, direct[i] / image_r[i])) for i in (2, 3, 4)]
    np.testing.assert_allclose(source, [-2.51, -2.48, -2.46], atol=0.0051)
    np.testing.assert_allclose(receiver, [-0.65, -0.64, -0.63], atol=0.0051)


def test_mean_plane() -> None:
    a, b = k.mean_plane(np.array([0.0, 50, 60, 100]), np.array([0.0, 0, 5, 5]), 4, 0.0, 100.0)
    assert a == pytest.approx(0.0740, abs=5e-5)
    assert b == pytest.approx(-1.450, abs=5e-4)


def test_long_term_mixture() -> None:
    share = EuPropagation().state_share(np.array(0.5))
    assert to_db(share @ 10.0 ** np.array([5.0, 5.6])) == pytest.approx(53.96, abs=0.005)

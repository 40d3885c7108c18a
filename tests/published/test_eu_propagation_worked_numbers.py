"""Single terms of the EU common method.

Numbers computed, not published: evaluated twice by separate scripts from the formulae of Directive 2002/49/EC, Annex
II, section 2.5, and printed with the digits given here. Tolerance: half the last printed digit.
"""

from __future__ import annotations

import numpy as np
import pytest

from lineside.acoustics.levels import to_db
from lineside_plugins.eu_propagation import EuPropagation, barrier_beside_train, vertical_cut
from lineside_plugins.eu_propagation import kernels as k

BAND = k.band_table()
WAVES_M = BAND[:, k.WAVELENGTH]


def ground_db(d_p: float, g: float, g_s: float, favourable: bool) -> np.ndarray:
    t = k.tile()
    for row, value in zip(
        (k.G, k.G_S, k.Z_A, k.Z_B, k.D_P, k.CURVED), (g, g_s, 0.5, 4.0, d_p, favourable), strict=True
    ):
        t[k.WHOLE + row] = value
    k.ground_of_whole(t, BAND, k.TILE)
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


def test_barrier_beside_a_train() -> None:
    """500 Hz, barrier 2 m high 4 m from the rail, absorption 0.2, five images."""
    found = barrier_beside_train(0.5, (4.0, 2.0), (25.0, 4.0), 0.2, n_images=5)
    assert found.gain_db[3] == pytest.approx(4.84, abs=0.005)
    assert found.geo_db[0] == pytest.approx(-2.38, abs=0.005)
    assert found.dif_db[0, 3] == pytest.approx(5.06, abs=0.005)
    assert found.abs_db[0, 3] == pytest.approx(-0.97, abs=0.005)
    assert found.ref_db[0, 3] == 0.0
    assert found.retrodif_db[0, 3] == pytest.approx(0.0, abs=0.005)


def test_terms_of_images_beside_a_barrier() -> None:
    """Delta L_n of (2.5.42) and around it, written out; receivers above and below the shadow of the barrier."""
    d_b, h_b, h_s, alpha, c_ref = 4.0, 3.0, 0.5, 0.1, 0.9
    for x_r, h_r in ((25.0, 4.0), (60.0, 1.5), (12.0, 9.0)):
        found = barrier_beside_train(h_s, (d_b, h_b), (x_r, h_r), alpha, body_reflection=c_ref, n_images=4)
        for n in range(1, 5):
            x_n = -2 * n * d_b
            height = max(h_r, h_s + (h_b - h_s) * (x_r - x_n) / (d_b - x_n))
            for i, lam in enumerate(WAVES_M):
                dif, retro = [], 0.0
                for x in (0.0, x_n):
                    detour = (
                        np.hypot(d_b - x, h_b - h_s) + np.hypot(x_r - d_b, h_r - h_b) - np.hypot(x_r - x, h_r - h_s)
                    )
                    blocked = h_s + (h_r - h_s) * (d_b - x) / (x_r - x) <= h_b
                    dif.append(pure_db(lam, detour if blocked else -detour))
                for m in range(1, n + 1):
                    x = -(2 * m - 1) * d_b
                    way = np.hypot(x - x_n, h_b - h_s) + np.hypot(x_r - x, height - h_b)
                    retro -= pure_db(lam, np.hypot(x_r - x_n, height - h_s) - way)
                assert found.dif_db[n - 1, i] == pytest.approx(dif[0] - dif[1], abs=1e-9)
                assert found.retrodif_db[n - 1, i] == pytest.approx(retro, abs=1e-9)
            assert found.geo_db[n - 1] == pytest.approx(
                20 * np.log10(np.hypot(x_r, h_r - h_s) / np.hypot(x_r - x_n, h_r - h_s)), abs=1e-9
            )
            np.testing.assert_allclose(found.abs_db[n - 1], 10 * n * np.log10(1 - alpha))
            np.testing.assert_allclose(found.ref_db[n - 1], 10 * n * np.log10(c_ref))
        terms = found.dif_db + found.abs_db + found.ref_db + found.retrodif_db + found.geo_db[:, np.newaxis]
        np.testing.assert_allclose(found.gain_db, 10 * np.log10(1 + np.sum(10 ** (terms / 10), axis=0)), atol=1e-9)


def pure_db(lam: float, delta: float) -> float:
    argument = 40 / lam * delta
    return 10 * np.log10(3 + argument) if argument >= -2 else 0.0


def retrodiffraction_db(f: float, wall: tuple, receiver: tuple) -> float:
    """(2.5.36) and (2.5.37) from a source at (0, 0.5), written out."""
    (x, z), (xr, zr) = wall, receiver
    detour = np.hypot(x, z - 0.5) + np.hypot(xr - x, zr - z) - np.hypot(xr, zr - 0.5)
    meets = 0.5 + (zr - 0.5) * x / xr <= z
    argument = 40 * f / 340 * (-detour if meets else detour)
    return 10 * np.log10(3 + argument) if argument >= -2 else 0.0


@pytest.mark.parametrize("top", [0.7, 1.2, 1.275, 1.3, 2.0, 6.0])
def test_retrodiffraction_at_two_walls_and_before_a_screen(top: float) -> None:
    """Walls at 12 and 30 m, a screen at 50 m that blocks: it takes the receiver's place in (2.5.36)."""
    walls = [(12.0, top, 0.3), (30.0, 4.0, np.linspace(0, 0.7, 8))]
    given = ((0, 0.5), (80, 4), [(0, 0), (80, 0)], [(0, 80, 0.6)])
    free = vertical_cut(*given, source_ground_g=1.0, walls=walls)
    behind = vertical_cut(*given, source_ground_g=1.0, walls=walls, barriers=[(50.0, 7.0)])
    assert behind.homogeneous.diffraction.all() and not free.homogeneous.diffraction.any()
    for cut, end in ((free, (80.0, 4.0)), (behind, (50.0, 7.0))):
        for state in (cut.homogeneous, cut.favourable):
            for i, f in enumerate((63, 125, 250, 500, 1000, 2000, 4000, 8000)):
                expected = -10 * np.log10(0.7) - 10 * np.log10(1 - 0.1 * i)
                expected += retrodiffraction_db(f, (12.0, top), end) + retrodiffraction_db(f, (30.0, 4.0), end)
                assert state.a_reflection_db[i] == pytest.approx(expected, abs=1e-9)

"""Directions: bearings for the weather, angles for the directivity."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from lineside.acoustics.bands import N_THIRDS, Array
from lineside.api import load_project
from lineside.contracts import SourceClass
from lineside.engine.select import select
from lineside.engine.transfer import Transfer, compute_transfer
from lineside.plugins import Plugins
from lineside.scene.build import build_scene
from sites import straight_site, write_site

HEIGHT_M, RAIL_M = 0.5, 0.3
PLACES = {"north": (0.0, 30.0, 8.0), "south": (0.0, -30.0, 0.5), "east": (140.0, 30.0, 1.5)}


@pytest.fixture(scope="module")
def seen() -> dict[str, Array]:
    return {}


@pytest.fixture(scope="module")
def transfer(tmp_path_factory: pytest.TempPathFactory, seen: dict[str, Array]) -> Transfer:
    """From a track of 100 m from west to east; the directivity notes the angles that it is asked for."""
    site = straight_site(50.0)
    sectors = {0: 0.2, 90: 0.4, 180: 0.6, 270: 0.8}
    site["site"]["favourable"] = {
        "kind": "by_sector",
        "sectors": [{"from_deg": d, "day": s, "evening": s / 2, "night": s / 4} for d, s in sectors.items()],
    }
    site["receivers"] = [
        {"id": k, "position": [x, y], "height_m": z, "use": "other", "area": None} for k, (x, y, z) in PLACES.items()
    ]
    plugins = Plugins.load()
    loaded = load_project(write_site(site, tmp_path_factory.mktemp("site")), plugins)
    selection = select(loaded, plugins)
    scene = build_scene(loaded, selection.sources).scene

    def gain(phi_deg: Array, psi_deg: Array) -> Array:
        seen.update(phi=phi_deg, psi=psi_deg)
        return np.ones((*phi_deg.shape, N_THIRDS))

    source = SourceClass(name="any", height_m=HEIGHT_M, gain=gain)
    found = compute_transfer(scene, selection.propagation, selection.propagation_options, (source,), scene.receivers)
    seen["x"] = found.points.xyz_m[:, 0] + scene.origin[0]
    return found


def test_the_bearing_is_the_one_of_propagation_clockwise_from_north(transfer: Transfer, seen: Mapping) -> None:
    west = seen["x"] < 0.0
    assert west.any() and not west.all()
    share = transfer.share[..., 1]  # receivers, points, periods
    np.testing.assert_allclose(share[0, :, 0], np.where(west, 0.2, 0.8))  # towards north-east, north-west
    np.testing.assert_allclose(share[1, :, 0], np.where(west, 0.4, 0.6))  # towards south-east, south-west
    np.testing.assert_allclose(share[2, :, 0], 0.2)  # all towards north-east


def test_every_period_has_its_own_share_and_states_add_up(transfer: Transfer) -> None:
    share = transfer.share[..., 1]
    np.testing.assert_allclose(share[..., 1], share[..., 0] / 2)
    np.testing.assert_allclose(share[..., 2], share[..., 0] / 4)
    np.testing.assert_allclose(transfer.share.sum(axis=-1), 1.0)


@pytest.mark.parametrize("name", PLACES)
def test_the_vertical_angle_counts_up_from_the_source(transfer: Transfer, seen: Mapping, name: str) -> None:
    x, y, z = PLACES[name]
    rise = z - RAIL_M - HEIGHT_M
    expected = np.degrees(np.arctan(rise / np.hypot(x - seen["x"], y)))
    assert np.all(np.sign(expected) == np.sign(rise))
    np.testing.assert_allclose(seen["psi"][list(PLACES).index(name)], expected, atol=1e-9)


@pytest.mark.parametrize("name", PLACES)
def test_the_horizontal_angle_counts_from_the_track(transfer: Transfer, seen: Mapping, name: str) -> None:
    x, y, _ = PLACES[name]
    expected = np.degrees(np.arctan2(abs(y), np.abs(x - seen["x"])))
    np.testing.assert_allclose(seen["phi"][list(PLACES).index(name)], expected, atol=1e-9)

"""Directions: bearings for the weather, angles for the directivity."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from engine_parts import Plain, prepared
from lineside.acoustics.bands import N_THIRDS, Array
from lineside.api import load_project
from lineside.contracts import Options, PathLoss, SourceClass
from lineside.engine.select import select
from lineside.engine.transfer import Transfer, compute_transfer
from lineside.errors import PluginError
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


def straight(tmp_path, **changes):
    """Scene, propagation and receivers of a straight track, computed by plain divergence."""
    task, selection = prepared(straight_site(200.0), tmp_path, Plain(**changes))
    return task.scene, selection.propagation


SOURCE = SourceClass("dipole", 0.5, lambda phi, psi: np.repeat(np.sin(np.radians(phi))[..., None] ** 2, N_THIRDS, -1))
UP = SourceClass("up", 0.5, lambda phi, psi: np.repeat(np.abs(np.sin(np.radians(psi)))[..., None], N_THIRDS, -1))


def test_a_reflected_path_has_a_direction_of_its_own(tmp_path: Path) -> None:
    scene, propagation = straight(tmp_path, wall=True)
    _, plain = straight(tmp_path)
    both, direct = (
        compute_transfer(scene, p, Options(), (SOURCE, UP), scene.receivers).energy for p in (propagation, plain)
    )
    none = SourceClass("round", 0.5)
    every_way = compute_transfer(scene, plain, Options(), (none,), scene.receivers).energy[:, :, 0]
    np.testing.assert_allclose(both[:, :, 0], direct[:, :, 0] + every_way / 4 * 0.75)  # sin^2 of 60 degrees
    points = compute_transfer(scene, plain, Options(), (none,), scene.receivers).points
    step = scene.receivers.xyz_m[0] - points.xyz_m
    rise = np.abs(np.sin(np.arctan2(step[:, 2] - 0.5, 2 * np.hypot(step[:, 0], step[:, 1]))))
    np.testing.assert_allclose(both[0, :, 1], direct[0, :, 1] + every_way[0] / 4 * rise[:, None, None])


def test_points_are_asked_for_in_blocks_of_pairs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    scene, propagation = straight(tmp_path, wall=True, missing=0.1)
    whole = compute_transfer(scene, propagation, Options(), (SOURCE,), scene.receivers)
    assert len(whole.points) > 10 and len(whole.points) % 5
    monkeypatch.setattr("lineside.engine.transfer.PAIRS_AT_ONCE", 5)
    parts = compute_transfer(scene, propagation, Options(), (SOURCE,), scene.receivers)
    np.testing.assert_array_equal(whole.energy, parts.energy)
    assert whole.left_out is not None and parts.left_out is not None
    np.testing.assert_array_equal(whole.left_out, parts.left_out)


def broken(**changes):
    def spoil(found: PathLoss) -> PathLoss:
        assert found.reflected is not None
        return replace(found, reflected=replace(found.reflected, **changes))

    return spoil


N = 3
WRONG = {
    "rows": (broken(point=np.zeros(N, int)), "one row each"),
    "point": (lambda f: replace(f, reflected=replace(f.reflected, point=f.reflected.point + 1)), "not asked for"),
    "receiver": (lambda f: replace(f, reflected=replace(f.reflected, receiver=f.reflected.receiver - 1)), "not asked"),
    "index": (lambda f: replace(f, reflected=replace(f.reflected, point=1.0 * f.reflected.point)), "not asked for"),
    "length": (lambda f: replace(f, reflected=replace(f.reflected, length_m=0 * f.reflected.length_m)), "a length"),
    "angle": (lambda f: replace(f, reflected=replace(f.reflected, phi_deg=np.nan * f.reflected.phi_deg)), "finite"),
    "ratio": (lambda f: replace(f, reflected=replace(f.reflected, transfer=-f.reflected.transfer)), "at least 0"),
    "left out": (lambda f: replace(f, left_out=np.zeros(N)), "left_out"),
    "left nan": (lambda f: replace(f, left_out=np.full(f.transfer.shape[:2], np.nan)), "left_out"),
}


@pytest.mark.parametrize("kind", WRONG)
def test_wrong_reflected_paths_stop_the_run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str) -> None:
    scene, propagation = straight(tmp_path, wall=True)
    spoil, message = WRONG[kind]
    sound = Plain.path_loss
    monkeypatch.setattr(Plain, "path_loss", lambda self, *words: spoil(sound(self, *words)))
    with pytest.raises(PluginError, match=message):
        compute_transfer(scene, propagation, Options(), (SOURCE,), scene.receivers)

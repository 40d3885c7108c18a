"""A whole project whose sound travels by 16. BImSchV, Annex 2, with sources of the EU method.

The levels are compared with a separate sum: the emission of the engine, spread over points along an endless line, each
with one call of :func:`propagation_path`. A sum of our own, not published.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import lineside
from lineside.acoustics.bands import thirds_to_octaves
from lineside.acoustics.levels import a_weighted_energy, to_db
from lineside.contracts import Method
from lineside.engine.emission import compute_emission
from lineside.hookspecs import hookimpl
from lineside.plugins import Origin, Plugins
from lineside_plugins import de_propagation, eu_railway, who_2018
from lineside_plugins.de_propagation import propagation_path
from sites import straight_site, write_site


class Mixed:
    @hookimpl
    def register_methods(self) -> Sequence[Method]:
        return [Method("mixed", "EU sources, German propagation", ("eu_rolling", "eu_traction"), "de_propagation")]


ORIGIN = Origin("tests", "0")
PLUGINS = Plugins([(module, ORIGIN) for module in (eu_railway, de_propagation, who_2018, Mixed())])
SITES: dict[str, dict[str, Any]] = {
    "land": {},
    "river": {
        "ground_areas": [{"id": "W", "surface": "water", "polygon": [[-5e3, 15], [5e3, 15], [5e3, 35], [-5e3, 35]]}]
    },
    "reflecting wall": {
        "barriers": [{"id": "B", "height_m": 2.3, "surface": "reflecting", "line": [[-4000, 4], [4000, 4]]}]
    },
    "absorbing wall": {
        "barriers": [{"id": "B", "height_m": 2.3, "surface": "absorbing", "line": [[-4000, 4], [4000, 4]]}]
    },
}


def site_of(name: str) -> dict[str, Any]:
    site = straight_site()
    site["calculation"] = {"method": "mixed"}
    return site | SITES[name]


def expected_day_db(name: str, assessment: Any) -> float:
    scene = assessment.built.scene
    emission = compute_emission(scene, assessment.selection.sources)
    along = np.arange(-999.0, 1000.0, 2.0)
    per_hour = scene.services[0].trains_per_hour[12]
    edges = [(4.0, 2.3)] if "wall" in name else []
    water = [(15.0, 35.0)] if name == "river" else []
    energy = np.zeros(8)
    for k, source in enumerate(emission.classes):
        z = 0.3 + source.height_m
        power = emission.pass_energy[0].sum(axis=(0, 1))[0, k] * per_hour / 3600.0
        for y in along:
            path = propagation_path(
                (0, z), (50, 4), [(0, 0), (50, 0)], along_m=y, edges=edges, water=water,
                d_refl_db=3.0 if "reflecting" in name else 0.0,
            )  # fmt: skip
            phi = np.degrees(np.arctan2(50.0, abs(y)))
            psi = np.degrees(np.arctan2(4 - z, np.hypot(50, y)))
            gain = 1.0 if source.gain is None else source.gain(np.array(phi), np.array(psi))
            energy += 2.0 * thirds_to_octaves(power * gain) * 10 ** (path.transfer_db / 10)
    return float(to_db(a_weighted_energy(energy)))


@pytest.mark.parametrize("name", SITES)
def test_levels_of_a_project(name: str, tmp_path: Path) -> None:
    assessment = lineside.assess(write_site(site_of(name), tmp_path), PLUGINS)
    (receiver,) = assessment.results.receivers
    assert receiver.period_db["day"] == pytest.approx(expected_day_db(name, assessment), abs=0.05)
    said = " ".join(note.text for note in assessment.results.notes)
    assert "shares of favourable propagation have no effect" in said
    assert ("lose 3 dB" in said) == (name == "reflecting wall")
    assert ("counted as open water" in said) == (name == "river")

"""What holds for earthworks on any ground along any track."""

from __future__ import annotations

from typing import Any

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from lineside.project.terrain import Earthwork
from lineside.scene.alignment import Alignment, chainage_of
from lineside.scene.earthworks import CrossSections, lines_of
from lineside.scene.model import Raster, Terrain
from lineside.scene.terrain import (
    ground_height,
    lay_earthworks,
    raster_height,
    surface_height,
    with_earthworks,
    work_at,
)

AXIS = np.arange(-300.0, 901.0, 6.0)


def raster(height: Any) -> Raster:
    x, y = np.meshgrid(AXIS, AXIS)
    return Raster(AXIS[0], AXIS[0], 6.0, height(x, y))


@st.composite
def tracks(draw: Any) -> Alignment:
    """Three to six chords of 40 m to 150 m that turn by up to 8 degrees and climb up to 2 %."""
    n = draw(st.integers(2, 5))
    length = np.array(draw(st.lists(st.floats(40.0, 150.0), min_size=n, max_size=n)))
    turn = np.cumsum(np.radians(draw(st.lists(st.floats(-8.0, 8.0), min_size=n, max_size=n))))
    climb = np.array(draw(st.lists(st.floats(-0.02, 0.02), min_size=n, max_size=n)))
    step = np.stack([length * np.cos(turn), length * np.sin(turn), climb * length], axis=-1)
    xyz = np.concatenate([[[0.0, 0.0, draw(st.floats(16.0, 24.0))]], step]).cumsum(axis=0)
    return Alignment(chainage_of(xyz, 50.0), xyz)


@st.composite
def works(draw: Any, alignment: Alignment, deck: bool = False) -> Earthwork:
    share = sorted((draw(st.floats(0.0, 0.4)), draw(st.floats(0.6, 1.0))))
    low, high = (float(alignment.from_m + s * (alignment.to_m - alignment.from_m)) for s in share)
    side = st.one_of(st.just({"kind": "wall"}), st.builds(lambda r: {"kind": "slope", "ratio": r}, st.floats(1.0, 2.5)))
    sides = {} if deck else {"left": draw(side), "right": draw(side)}
    kind = "viaduct" if deck else "embankment"
    return Earthwork(id="E", kind=kind, along="T", from_m=low, to_m=high, **sides)  # type: ignore[arg-type]


def lay(ground: Terrain, work: Earthwork, alignment: Alignment) -> tuple[Terrain, CrossSections]:
    (sections,) = lay_earthworks(ground, [work], {"T": alignment})
    return with_earthworks(ground, [work], [sections]), sections


def hills(a: float, b: float) -> Raster:
    return raster(lambda x, y: 20.0 + 4.0 * np.sin(x / 60.0 + a) * np.cos(y / 45.0 + b) + 0.01 * x)


@settings(max_examples=40, deadline=None)
@given(st.data(), tracks(), st.floats(0.0, 6.0), st.floats(0.0, 6.0))
def test_rails_ballast_slopes_and_daylight(data: Any, alignment: Alignment, a: float, b: float) -> None:
    work = data.draw(works(alignment))
    terrain, sections = lay(Terrain(0.0, hills(a, b)), work, alignment)
    assume(sections.reached.all())
    at = np.linspace(work.from_m, work.to_m, 37)
    rail = alignment.at(at)
    np.testing.assert_allclose(ground_height(terrain, rail[:, :2]), rail[:, 2] - 0.2, atol=2e-3)
    assert terrain.raster is not None
    lines = lines_of(terrain.breaks, 0)
    for outer, edge, ratio in (
        (lines[0], lines[1], work.slope_ratio("left")),
        (lines[-1], lines[-2], work.slope_ratio("right")),
    ):
        np.testing.assert_allclose(raster_height(terrain.raster, outer[:, :2]), outer[:, 2], atol=1e-9)
        height = np.abs(outer[:, 2] - edge[:, 2])
        reach = np.linalg.norm(outer[:, :2] - edge[:, :2], axis=1)
        if ratio is None:
            np.testing.assert_array_equal(reach, 0.0)
        else:  # cross-sections at a vertex are turned by up to 4 degrees
            assert np.all(reach >= ratio * height - 1e-9) and np.all(reach <= 1.01 * ratio * height + 1e-9)


@settings(max_examples=40, deadline=None)
@given(st.data(), tracks(), st.floats(-0.05, 0.05), st.floats(-0.05, 0.05), st.floats(-25.0, 25.0))
def test_the_ground_has_no_steps_but_walls_and_ends(
    data: Any, alignment: Alignment, east: float, north: float, turn: float
) -> None:
    """Across an earthwork with slopes on a plane that leans."""
    work = data.draw(works(alignment)).model_copy(update={"left": None, "right": None})
    ground = Terrain(0.0, raster(lambda x, y: 20.0 + east * x + north * y))
    terrain, sections = lay(ground, work, alignment)
    assume(sections.reached.all())
    middle = np.array(
        [
            data.draw(
                st.floats(work.from_m + 0.35 * (work.to_m - work.from_m), work.to_m - 0.35 * (work.to_m - work.from_m))
            )
        ]
    )
    way = alignment.direction(middle)[0]
    angle = np.arctan2(way[1], way[0]) + np.radians(90.0 + turn)
    step = 0.02
    reach = np.arange(-14.0, 14.0, step)
    xy = alignment.at(middle)[:, :2] + reach[:, None] * np.array([np.cos(angle), np.sin(angle)])
    z = ground_height(terrain, xy)
    steepest = 1.0 / 1.5 + 0.15
    assert np.abs(np.diff(z)).max() <= steepest * step + 1e-6


@settings(max_examples=20, deadline=None)
@given(st.data(), tracks())
def test_a_deck_changes_the_surface_and_not_the_ground(data: Any, alignment: Alignment) -> None:
    work = data.draw(works(alignment, deck=True))
    ground = Terrain(0.0, hills(0.0, 0.0))
    terrain, _ = lay(ground, work, alignment)
    x = np.random.default_rng(1).uniform(-50.0, 600.0, (2000, 2))
    np.testing.assert_array_equal(ground_height(terrain, x), ground_height(ground, x))
    on = work_at(terrain, x) == 0
    np.testing.assert_array_equal(surface_height(terrain, x)[~on], ground_height(ground, x)[~on])
    at = np.linspace(work.from_m, work.to_m, 9)
    rail = alignment.at(at)
    np.testing.assert_allclose(surface_height(terrain, rail[:, :2]), rail[:, 2] - 0.2, atol=2e-3)


@settings(max_examples=20, deadline=None)
@given(st.data(), tracks(), st.floats(-1e5, 1e5))
def test_heights_do_not_depend_on_where_the_origin_is(data: Any, alignment: Alignment, shift: float) -> None:
    work = data.draw(works(alignment))
    here = hills(1.0, 2.0)
    moved = Raster(here.x0_m + shift, here.y0_m - shift, here.step_m, here.z_m)
    way = np.array([shift, -shift])
    there = Alignment(alignment.chainage_m, alignment.xyz_m + np.array([*way, 0.0]))
    one, _ = lay(Terrain(0.0, here), work, alignment)
    other, _ = lay(Terrain(0.0, moved), work, there)
    inner = Earthwork.model_validate({**work.model_dump(), "from_m": work.from_m + 1, "to_m": work.to_m - 1})
    middle = alignment.at(np.linspace(inner.from_m, inner.to_m, 20))[:, :2]
    np.testing.assert_allclose(ground_height(other, middle + way), ground_height(one, middle), atol=1e-5)

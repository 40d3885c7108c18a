"""Names of buildings on a map: inside, close beside, or left to the table."""

from __future__ import annotations

from itertools import combinations

from lineside.figures.labels import Placer, text_size_mm

WIDTH, HEIGHT = text_size_mm("H01", 6.0)


def test_a_name_stands_beside_what_it_names() -> None:
    placer = Placer(100.0, 100.0)
    placer.block_box((50.0, 50.0, 52.0, 52.0))
    assert placer.beside((50.0, 50.0, 52.0, 52.0), "H01", 6.0) == (51.0, 52.0 + HEIGHT / 2 + 0.5)
    placer.block_box((40.0, 52.1, 60.0, 60.0))  # nothing above it any more, as the first name is there too
    assert placer.beside((50.0, 50.0, 52.0, 52.0), "H01", 6.0) == (51.0, 50.0 - HEIGHT / 2 - 0.5)


def test_no_name_where_it_would_cover_something() -> None:
    placer = Placer(100.0, 100.0)
    placer.block_box((40.0, 40.0, 60.0, 60.0))
    taken = list(placer.taken)
    assert placer.beside((50.0, 50.0, 52.0, 52.0), "H01", 6.0) is None
    assert placer.taken == taken


def test_names_along_a_row_of_houses_keep_clear_of_each_other() -> None:
    placer = Placer(200.0, 50.0)
    houses = [(20.0 + 1.5 * k, 20.0, 21.2 + 1.5 * k, 22.0) for k in range(30)]
    for house in houses:
        placer.block_box(house)
    spots = [s for s in (placer.beside(house, "H01", 6.0) for house in houses) if s is not None]
    assert 0 < len(spots) < len(houses), "thinned out"
    for (x, y), (u, v) in combinations(spots, 2):
        assert abs(x - u) >= WIDTH + 0.5 - 1e-9 or abs(y - v) >= HEIGHT - 1e-9

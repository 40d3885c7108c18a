"""Where receivers stand along facades, and who is assigned to them: worked by hand from the wording of the law."""

from __future__ import annotations

import numpy as np
import pytest

from lineside.results.exposure import band_of, by_length, floor_space_m2, is_quiet, louder_half, volume_shares
from lineside.scene.facade_rules import RULES, Segment, case_1, case_2_facades, case_2_pieces


def outline(*points: tuple[float, float], closed: bool = True) -> list[Segment]:
    corners = [np.array(p, dtype=float) for p in points]
    ends = corners[1:] + ([corners[0]] if closed else [])
    return [Segment(k, a, b) for k, (a, b) in enumerate(zip(corners, ends, strict=False))]


def side(length_m: float) -> list[Segment]:
    return outline((0.0, 0.0), (length_m, 0.0), closed=False)


# Directive 2002/49/EC, Annex II, 2.8 as amended by (EU) 2021/1226, case 1 (a) and (b), lengths worked by hand
@pytest.mark.parametrize(
    ("length", "middles"),
    [
        (12.0, [2.0, 6.0, 10.0]),  # three times 4 m: two would be 6 m
        (5.0, [2.5]),
        (5.01, [1.2525, 3.7575]),
        (10.0, [2.5, 7.5]),
        (15.0, [2.5, 7.5, 12.5]),
        (2.51, [1.255]),
        (2.5, []),
        (1.0, []),
    ],
)
def test_sides_are_split_into_equal_parts_of_at_most_5_m(length: float, middles: list[float]) -> None:
    spots = case_1(side(length))
    assert [s.point[0] for s in spots] == pytest.approx(middles)
    assert sum(s.length_m for s in spots) == pytest.approx(length if middles else 0.0)
    assert all(np.allclose(s.normal, (0.0, -1.0)) for s in spots), "the outside is to the right of the way"


def test_short_sides_beside_each_other_are_one_line() -> None:
    """Case 1 (c): three short sides of 2 m, together 6 m, make two parts of 3 m."""
    bay = outline((0, 0), (2, 0), (2, -2), (4, -2), closed=False)
    spots = case_1(bay)
    assert [tuple(s.point) for s in spots] == [(1.5, 0.0), (2.5, -2.0)]
    assert [s.side for s in spots] == [0, 2]
    assert [s.length_m for s in spots] == [3.0, 3.0]
    assert case_1(outline((0, 0), (2, 0), (2, -2), closed=False)) == [], "together 4 m: none"


def test_short_sides_apart_are_not_one_line() -> None:
    apart = [*outline((0, 0), (2, 0), (2, 2), closed=False), *outline((9, 0), (11, 0), (11, 2), closed=False)]
    assert case_1(apart) == []


def test_a_line_of_short_sides_goes_round_the_first_corner() -> None:
    """The outline of a tower of 2 m x 2 m is one line of 8 m; so are the ends of an outline that meet at its start."""
    assert len(case_1(outline((0, 0), (2, 0), (2, 2), (0, 2)))) == 2
    house = outline((0, 0), (2.4, 0), (2.4, -2), (30, -2), (30, 9), (-2, 9), (-2, 2), (0, 2))
    sides = [s.side for s in case_1(house)]
    assert sides.count(3) == 3 and sides.count(4) == 7  # 11 m and 32 m
    assert [s for s in sides if s in (0, 1, 6, 7)] == [0, 7], "2 + 2 + 2.4 + 2 m across the start: two parts"


def test_case_2_cuts_the_outline_every_5_m_from_its_start() -> None:
    """A house of 6 m x 4 m: 20 m make four pieces; the second goes round a corner."""
    spots = case_2_pieces(outline((0, 0), (6, 0), (6, 4), (0, 4)))
    assert [tuple(np.round(s.point, 9)) for s in spots] == [(2.5, 0), (6, 1.5), (3.5, 4), (0, 2.5)]
    rest = case_2_pieces(outline((0, 0), (7, 0), (7, 4), (0, 4)))
    assert [s.length_m for s in rest] == [5, 5, 5, 5, 2]
    assert tuple(rest[-1].point) == (0, 1), "the middle of what is left"


def test_case_2_takes_facades_one_by_one() -> None:
    spots = case_2_facades(outline((0, 0), (6, 0), (6, 4), (0, 4)))
    assert [tuple(s.point) for s in spots] == [(3, 0), (6, 2), (3, 4), (0, 2)]
    assert set(RULES) == {"law", "every_5_m", "each_facade"}


# 2.8, assignment at the median; odd: the quietest is dropped
@pytest.mark.parametrize(
    ("levels", "shares"),
    [
        ([60, 50, 55, 65], [0.5, 0, 0, 0.5]),
        ([60, 50, 55], [1, 0, 0]),
        ([61, 62, 63, 64, 65], [0, 0, 0, 0.5, 0.5]),
        ([55, 54], [1, 0]),
        ([55], [1]),
        ([-np.inf, -np.inf], [1, 0]),
    ],
)
def test_the_louder_half_has_all(levels: list[float], shares: list[float]) -> None:
    assert louder_half(np.array(levels, dtype=float)).tolist() == shares


def test_dwellings_with_one_facade_are_shared_out_by_length() -> None:
    assert by_length(np.array([4.0, 4.0, 2.0])).tolist() == [0.4, 0.4, 0.2]


def test_bands_hold_their_lower_end() -> None:
    levels = np.array([-np.inf, 54.99, 55.0, 59.99, 60.0, 74.9, 75.0, 90.0])
    assert band_of(levels, "lden").tolist() == [0, 0, 1, 1, 2, 4, 5, 5]
    assert band_of(np.array([49.9, 50.0, 70.0]), "lnight").tolist() == [0, 1, 5]


def test_quiet_is_more_than_20_db_below_the_loudest() -> None:
    assert is_quiet(np.array([60.0, 44.9]), 65.0)
    assert not is_quiet(np.array([60.0, 45.0]), 65.0)


def test_dwelling_space_and_volumes() -> None:
    """(2.8.9): 120 m2 x 0.8 x 4 floors; (2.8.2): 300 of 1200 m3."""
    assert floor_space_m2(120.0, 4) == pytest.approx(384.0)
    assert volume_shares(np.array([300.0, 900.0])).tolist() == [0.25, 0.75]

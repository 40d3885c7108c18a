"""Where receivers stand along the facades of a building, by the rules of the EU common method.

References
----------
.. [1] Directive 2002/49/EC, Annex II as replaced by Directive (EU) 2015/996 and amended by Delegated Directive (EU)
   2021/1226, section 2.8: receiver points at facades, case 1 and case 2.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from lineside.acoustics.bands import Array

#: Longest part of a facade that one receiver stands for, and longest side that goes without one of its own; [1]. [m]
LONGEST_M, SHORT_M = 5.0, 2.5
_ROUNDING_M = 1e-6
_SAME_POINT_M = 1e-3


@dataclass(frozen=True, eq=False)
class Segment:
    """A straight piece of a side of an outline that is open to the outside, in the order of the outline."""

    side: int  # number of the side, from 0
    start: Array  # (2,)
    end: Array  # (2,)

    @property
    def length_m(self) -> float:
        return float(np.hypot(*(self.end - self.start)))


@dataclass(frozen=True, eq=False)
class Spot:
    """A place on a facade for one receiver; ``length_m``: how much of the facade it stands for."""

    side: int
    point: Array  # (2,)
    normal: Array  # (2,) unit vector to the outside
    length_m: float


def case_1(segments: Sequence[Segment]) -> list[Spot]:
    """Receivers by case 1 of [1].

    Segments longer than 5 m are split into equal intervals as long as possible but at most 5 m, a receiver in the
    middle of each; of the others, those longer than 2.5 m have one in the middle; those that remain, where neighbours
    of them are together longer than 5 m, are handled as one line in the same way.
    """
    out: list[Spot] = []
    for segment in segments:
        if segment.length_m > SHORT_M:
            out += _equal_parts([segment])
    for run in _runs(segments, lambda s: s.length_m <= SHORT_M):
        if sum(s.length_m for s in run) > LONGEST_M:
            out += _equal_parts(run)
    return sorted(out, key=lambda spot: spot.side)


def case_2_pieces(segments: Sequence[Segment]) -> list[Spot]:
    """Receivers by case 2 of [1]: the outline cut every 5 m from its start, one in the middle of each piece."""
    out: list[Spot] = []
    for run in _runs(segments, lambda _: True):
        total = sum(s.length_m for s in run)
        n = max(1, math.ceil(total / LONGEST_M - _ROUNDING_M))
        ends = [min(LONGEST_M * k, total) for k in range(n + 1)]
        out += [_spot(run, 0.5 * (a + b), b - a) for a, b in pairwise(ends)]
    return out


def case_2_facades(segments: Sequence[Segment]) -> list[Spot]:
    """Receivers by case 2 of [1], facades one by one: one in the middle of each."""
    return [_spot([s], 0.5 * s.length_m, s.length_m) for s in segments]


RULES: dict[str, Callable[[Sequence[Segment]], list[Spot]]] = {
    "law": case_1,
    "every_5_m": case_2_pieces,
    "each_facade": case_2_facades,
}


def _equal_parts(run: Sequence[Segment]) -> list[Spot]:
    total = sum(s.length_m for s in run)
    n = max(1, math.ceil(total / LONGEST_M - _ROUNDING_M))
    return [_spot(run, (k + 0.5) * total / n, total / n) for k in range(n)]


def _spot(run: Sequence[Segment], at_m: float, length_m: float) -> Spot:
    """The place at a distance along segments that follow each other."""
    for segment in run:
        if at_m <= segment.length_m or segment is run[-1]:
            break
        at_m -= segment.length_m
    along = (segment.end - segment.start) / segment.length_m
    return Spot(segment.side, segment.start + at_m * along, np.array([along[1], -along[0]]), length_m)


def _runs(segments: Sequence[Segment], wanted: Callable[[Segment], bool]) -> list[list[Segment]]:
    """Longest chains of wanted segments of which each begins where the one before it ends; the outline is closed."""
    runs: list[list[Segment]] = []
    before: Segment | None = None
    for segment in segments:
        if wanted(segment):
            if runs and before is not None and runs[-1][-1] is before and _joined(before, segment):
                runs[-1].append(segment)
            else:
                runs.append([segment])
        before = segment
    round_the_start = len(runs) > 1 and runs[-1][-1] is segments[-1] and runs[0][0] is segments[0]
    if round_the_start and _joined(segments[-1], segments[0]):
        runs[0] = [*runs.pop(), *runs[0]]
    return runs


def _joined(first: Segment, second: Segment) -> bool:
    return float(np.hypot(*(second.start - first.end))) < _SAME_POINT_M

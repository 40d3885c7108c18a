"""Distances in plan."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence

from lineside.results.model import XY, JointInfo, ReceiverResult


def distance_m(x: float, y: float, line: Sequence[XY]) -> float:
    """Distance of a point from a polyline in plan; a line of equal points is a point.

    >>> distance_m(5.0, 3.0, [(0.0, 0.0), (10.0, 0.0)]), distance_m(3.0, 4.0, [(0.0, 0.0), (0.0, 0.0)])
    (3.0, 5.0)
    """
    best = math.inf
    for (x0, y0), (x1, y1) in itertools.pairwise(line):
        dx, dy = x1 - x0, y1 - y0
        along = dx * dx + dy * dy
        t = min(max(((x - x0) * dx + (y - y0) * dy) / along, 0.0), 1.0) if along > 0.0 else 0.0
        best = min(best, math.hypot(x - x0 - t * dx, y - y0 - t * dy))
    return best


def nearest_joint(receiver: ReceiverResult, joints: Sequence[JointInfo]) -> tuple[JointInfo, float] | None:
    """The jointed stretch or turnout nearest to a receiver, and how far it is. [m]"""
    found = [(distance_m(receiver.x, receiver.y, j.xy), k) for k, j in enumerate(joints)]
    if not found:
        return None
    distance, k = min(found)
    return joints[k], distance

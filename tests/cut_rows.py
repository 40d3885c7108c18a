"""Vertical cuts path by path, in plain numbers."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lineside.scene.cuts import EDGES_TO, GROUND_TO, MIRRORS_TO, PROFILE_TO, VerticalCuts


@dataclass
class Row:
    """One path: its receiver, point and numbers, the rows that belong to it."""

    receiver: int
    point: int
    path: list[float]
    profile: list[tuple[float, float]]
    ground: list[tuple[float, float, float]]  # from, to, G
    edge: NDArray[Any]
    mirror: NDArray[Any]


def rows_of(cuts: VerticalCuts, n_points: int) -> Iterator[Row]:
    """All paths in their order."""
    before = np.zeros(13)
    for pair in range(len(cuts.first) - 1):
        for j in range(cuts.first[pair], cuts.first[pair + 1]):
            path = cuts.path[j]
            part = {
                name: array[int(before[column]) : int(path[column])]
                for name, array, column in (
                    ("profile", cuts.profile, PROFILE_TO),
                    ("ground", cuts.ground, GROUND_TO),
                    ("edge", cuts.edge, EDGES_TO),
                    ("mirror", cuts.mirror, MIRRORS_TO),
                )
            }
            ends = part["ground"][:, 0].tolist()
            yield Row(
                *divmod(pair, n_points),
                path.tolist(),
                [(float(x), float(z)) for x, z in part["profile"]],
                list(zip([0.0, *ends[:-1]], ends, part["ground"][:, 1].tolist(), strict=True)),
                part["edge"],
                part["mirror"],
            )
            before = path

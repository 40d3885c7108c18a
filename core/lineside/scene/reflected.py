"""Reflected paths from vertical cuts into the form in which calculators give them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from lineside.acoustics.bands import N_OCTAVES
from lineside.contracts import ReflectedPaths
from lineside.scene.cuts import LENGTH, MIRRORS_TO, TRACK_SINE, VerticalCuts
from lineside.scene.model import Receivers


def part_of(receivers: Receivers, low: int, high: int) -> Receivers:
    """Receivers ``low`` to ``high - 1``."""
    wall = None if receivers.wall is None else receivers.wall[low:high]
    return Receivers(receivers.ids[low:high], receivers.xyz_m[low:high], wall)


def reflected_paths(
    cuts: VerticalCuts, n_points: int, n_heights: int, n_states: int, first_receiver: int = 0
) -> ReflectedPaths:
    """The paths with reflections, in their order, of some receivers from ``first_receiver`` on; transfer is 0 yet."""
    row = np.flatnonzero(np.diff(cuts.path[:, MIRRORS_TO], prepend=0.0) > 0.0)
    pair = np.searchsorted(cuts.first, row, side="right") - 1
    phi = np.degrees(np.arcsin(np.clip(cuts.path[row, TRACK_SINE], 0.0, 1.0)))
    transfer = np.zeros((row.size, n_heights, n_states, N_OCTAVES))
    return ReflectedPaths(first_receiver + pair // n_points, pair % n_points, phi, cuts.path[row, LENGTH], transfer)


def joined(blocks: Sequence[ReflectedPaths]) -> ReflectedPaths | None:
    """All paths of some blocks that carry anything; None if there are none."""
    heard = [block.transfer.any(axis=(1, 2, 3)) for block in blocks]
    if not any(some.any() for some in heard):
        return None
    columns = zip(
        *([column[some] for column in vars(block).values()] for block, some in zip(blocks, heard, strict=True)),
        strict=True,
    )
    return ReflectedPaths(*(np.concatenate(column) for column in columns))

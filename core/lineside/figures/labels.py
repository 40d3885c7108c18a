"""Where labels stand on a map so that they cover neither each other nor the marks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from lineside.acoustics.bands import Array
from lineside.results.model import XY

MM_PER_POINT = 25.4 / 72.0
#: Mean advance of a character, in ems; a little generous for the shipped family.
CHARACTER_EMS = 0.56

Box = tuple[float, float, float, float]


def text_size_mm(text: str, size_pt: float) -> tuple[float, float]:
    """Estimated width and height of one line of text."""
    em = size_pt * MM_PER_POINT
    return len(text) * CHARACTER_EMS * em, 1.15 * em


def overlap_mm2(box: Box, others: Array) -> float:
    """Area that a box shares with others, (n, 4), all together.

    >>> overlap_mm2((0, 0, 2, 2), np.array([[1, 1, 4, 4], [1.5, 0, 2, 2], [5, 5, 6, 6]]))
    2.0
    """
    width = np.minimum(box[2], others[:, 2]) - np.maximum(box[0], others[:, 0])
    height = np.minimum(box[3], others[:, 3]) - np.maximum(box[1], others[:, 1])
    return float((np.maximum(width, 0.0) * np.maximum(height, 0.0)).sum())


@dataclass
class Placer:
    """Finds free places on a map sheet of the given size; coordinates in mm from its lower left corner."""

    width_mm: float
    height_mm: float
    taken: list[Box] = field(default_factory=list)
    _boxes: Array = field(default_factory=lambda: np.empty((0, 4)), repr=False)

    def block(self, x: float, y: float, half_mm: float) -> None:
        """Keep the square around a mark free of labels."""
        self.taken.append((x - half_mm, y - half_mm, x + half_mm, y + half_mm))

    def block_box(self, box: Box) -> None:
        """Keep a box free of labels."""
        self.taken.append(box)

    def beside(self, around: Box, text: str, size_pt: float, gap_mm: float = 0.5) -> XY | None:
        """Centre of a label close beside a box, clear of everything; None if there is no such place."""
        width, height = text_size_mm(text, size_pt)
        x, y = (around[0] + around[2]) / 2, (around[1] + around[3]) / 2
        over, side = (around[3] - around[1] + height) / 2 + gap_mm, (around[2] - around[0] + width) / 2 + gap_mm
        for cx, cy in ((x, y + over), (x, y - over), (x + side, y), (x - side, y)):
            box = (cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2)
            if self._cost((box[0] - gap_mm, box[1], box[2] + gap_mm, box[3])) == 0.0:
                self.taken.append(box)
                return cx, cy
        return None

    def place(self, x: float, y: float, text: str, size_pt: float) -> tuple[float, float, bool]:
        """Centre of the label for a mark at (x, y), and whether it needs a leader line."""
        width, height = text_size_mm(text, size_pt)
        best: tuple[float, float, float, float] | None = None
        for ring, gap in enumerate((1.6, 4.5, 8.0, 12.0, 17.0)):
            for turn, (ux, uy) in enumerate(((1, 0), (-1, 0), (0, 1), (0, -1), (1, 1), (-1, 1), (1, -1), (-1, -1))):
                cx = x + ux * (gap + width / 2)
                cy = y + uy * (gap + height / 2)
                cost = self._cost((cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2))
                cost += 2.0 * ring + 0.05 * turn
                if best is None or cost < best[0]:
                    best = (cost, cx, cy, gap)
        assert best is not None
        _, cx, cy, gap = best
        self.taken.append((cx - width / 2, cy - height / 2, cx + width / 2, cy + height / 2))
        return cx, cy, gap > 4.0

    def centre(self, spots: Sequence[XY], text: str, size_pt: float) -> XY | None:
        """The spot, of those given, where a label covers nothing; nearest to their middle. None if there is none."""
        width, height = text_size_mm(text, size_pt)
        if not spots:
            return None
        middle_x = sum(x for x, _ in spots) / len(spots)
        middle_y = sum(y for _, y in spots) / len(spots)
        for x, y in sorted(spots, key=lambda s: (s[0] - middle_x) ** 2 + (s[1] - middle_y) ** 2):
            box = (x - width / 2, y - height / 2, x + width / 2, y + height / 2)
            if self._cost(box) == 0.0:
                self.taken.append(box)
                return x, y
        return None

    def _cost(self, box: Box) -> float:
        outside = max(0.0, -box[0]) + max(0.0, -box[1])
        outside += max(0.0, box[2] - self.width_mm) + max(0.0, box[3] - self.height_mm)
        if len(self._boxes) != len(self.taken):  # maps of thousands of barriers ask here a million times
            self._boxes = np.array(self.taken, dtype=np.float64).reshape(-1, 4)
        return 100.0 * outside + 10.0 * overlap_mm2(box, self._boxes)

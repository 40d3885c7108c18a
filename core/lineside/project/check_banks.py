"""Checks of earth banks: does each meet the ground, clear of tracks and receivers?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from lineside.project.check_coordinates import FAR_M, MISPLACED_HINT, distance_words
from lineside.project.draft import Draft
from lineside.project.model import Bank, Earthwork
from lineside.project.problems import Loc
from lineside.project.resolve import Resolved
from lineside.project.wording import number, shown
from lineside.scene.alignment import Alignment
from lineside.scene.earthworks import MOST_SLOPE_M, CrossSections
from lineside.scene.model import Terrain
from lineside.scene.terrain import lay_banks, with_earthworks

#: No foot of a bank lies nearer to a centre line: half the width of a vehicle, common practice, no source. [m]
CLEAR_M = 2.0
_SHORTEST_M = 1.0


def with_banks(
    draft: Draft,
    ground: Terrain,
    works: Sequence[Earthwork],
    laid: Sequence[CrossSections],
    alignments: Mapping[str, Alignment],
) -> Terrain:
    """The ground with earthworks and those banks that can be; what is wrong with the others is reported.

    Parameters
    ----------
    alignments : mapping
        Track -> alignment.
    """
    from shapely import LineString

    tracks = {name: LineString(a.xyz_m[:, :2]) for name, a in alignments.items()}
    sound: list[Bank] = []
    for i, bank in draft.readable("banks").items():
        path: Loc = ("banks", i, "line")
        line = LineString(bank.line)
        far = min((track.distance(line) for track in tracks.values()), default=0.0)
        if draft.faulty("banks", i):
            continue
        if line.length < _SHORTEST_M:
            draft.reporter.add(path, "is too short", found="", allowed=f"at least {_SHORTEST_M:g} m")
        elif far > FAR_M:
            draft.reporter.add(
                path, f"lies {distance_words(far)} from the nearest track", found="", hint=MISPLACED_HINT
            )
        else:
            sections = lay_banks(ground, works, laid, [bank], np.zeros(2))[0]
            if _fits(draft, i, bank, sections, tracks):
                sound.append(bank)
    laid_banks = lay_banks(ground, works, laid, sound, np.zeros(2))
    return with_earthworks(ground, (*works, *sound), (*laid, *laid_banks))


def _fits(draft: Draft, i: int, bank: Bank, sections: CrossSections, tracks: Mapping[str, Any]) -> bool:
    from shapely import Polygon

    if not sections.reached.all():
        draft.reporter.add(
            ("banks", i),
            f"a slope does not meet the ground within {MOST_SLOPE_M:g} m",
            found="",
            allowed=f"a steeper slope than 1 : {number(bank.slope_ratio)}, or a lower bank",
        )
        return False
    step = np.diff(sections.xyz_m[:, :, :2], axis=0)
    if np.any((step * (step[:, 1] + step[:, -2])[:, None, :]).sum(axis=2) < -1e-6):
        draft.reporter.add(
            ("banks", i, "line"),
            "turns so sharply that the sides of the bank fold over themselves",
            found="",
            hint="give it wider turns, or steeper slopes",
        )
        return False
    outline = Polygon(sections.outline).buffer(0.0)
    near = {name: float(track.distance(outline)) for name, track in tracks.items()}
    name = min(near, key=lambda track: near[track], default=None)
    if name is not None and near[name] < CLEAR_M:
        draft.reporter.add(
            ("banks", i, "line"),
            f"its foot lies {number(round(near[name], 2))} m from the centre line of track {shown(name)}",
            found="",
            allowed=f"at least {CLEAR_M:g} m",
            hint="move it away, or make it lower or steeper",
        )
        return False
    return True


def warn_of_receivers(draft: Draft, resolved: Resolved) -> None:
    """Say which receivers stand on a bank, and so higher than without it."""
    from lineside.scene.terrain import work_at

    banks, terrain = draft.readable("banks"), resolved.terrain
    if not banks or terrain is None:
        return
    first = int(terrain.over.size) - len(banks)
    for k, receiver in draft.receivers.items():
        at = int(work_at(terrain, np.array([receiver.position], dtype=np.float64))[0])
        if at >= first >= 0:
            bank = list(banks.values())[at - first]
            draft.reporter.warn(
                ("receivers", k, "position"), f"stands on the bank {shown(bank.id)}: its height counts from there"
            )

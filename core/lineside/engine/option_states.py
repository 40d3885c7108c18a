"""Which sections are in one state in which options, told from the projects alone, without any scene.

Sound power of a section is a matter of the section alone. What a calculator sees of it follows from the trains on its
track and their vehicles, the track, everything along the track that is located on the whole line (joints), the options
of the calculators, and the works that cover the section.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lineside.errors import PluginError
from lineside.project.load import LoadedProject
from lineside.project.model import Project, Work
from lineside.scene.model import BoolArray, IntArray, Sections

#: Attributes that calculators see along the whole line of a track, beyond the section that has them.
ALONG_LINE = frozenset({"joints_per_100_m"})
#: Parts of a project that sound power can depend on, whatever the track.
_COMMON = ("identity", "site", "stops", "units", "conditions", "calculation", "rail_measurements")
#: Parts on which the way of the sound depends.
_WAY = ("site", "receivers", "ground_areas", "barriers", "banks", "earthworks", "buildings", "building_files")


@dataclass(frozen=True, eq=False)
class StateKeys:
    """Groups of sections, and the state of each group in each option.

    ``groups``: indices of the sections of each group, rising; ``track``: id of the track of each; ``state``
    (n_options, n_groups): equal numbers within a
    column are equal states; ``way`` (n_options): equal for equal ways of the sound.
    """

    groups: tuple[IntArray, ...]
    track: tuple[str, ...]
    state: IntArray
    way: tuple[str, ...]


def other_way(project: Project, base: Project) -> bool:
    """Does a project that was made from another change anything on the way of the sound?"""
    return any(getattr(project, name) is not getattr(base, name) for name in _WAY)


class _Texts:
    """What parts of projects say, as text; each object is read once."""

    def __init__(self) -> None:
        self._known: dict[int, tuple[object, str]] = {}
        self._lines: dict[int, tuple[Work, bool]] = {}

    def of(self, part: object) -> str:
        known = self._known.get(id(part))
        if known is None:
            known = self._known[id(part)] = (part, repr(part))
        return known[1]

    def along_line(self, work: Work) -> bool:
        """Does a work change what calculators see along the whole line?"""
        known = self._lines.get(id(work))
        if known is None:
            known = self._lines[id(work)] = (work, not ALONG_LINE.isdisjoint(work.sets()))
        return known[1]


def keys_of_options(sections: Sections, tracks: Sequence[str], projects: Sequence[LoadedProject]) -> StateKeys:
    """Groups and states of options; all have the tracks and the sections of the first project.

    Raises
    ------
    PluginError
        If two options mean different things by one id of a spectrum.
    """
    texts = _Texts()
    _check_spectra(projects, texts)
    groups, of_track, covered = _groups(sections, tracks, [p.project for p in projects], texts)
    numbers: list[dict[tuple[str, ...], int]] = [{} for _ in groups]
    state = np.empty((len(projects), len(groups)), dtype=np.int64)
    way = []
    for n, loaded in enumerate(projects):
        project = loaded.project
        common = tuple(texts.of(getattr(project, name)) for name in _COMMON)
        way.append("".join(texts.of(getattr(project, name)) for name in _WAY))
        by_track = {track: _of_track(project, track, common, texts) for track in tracks}
        works = [(work, texts.of(work)) for work in project.works if not texts.along_line(work)]
        for g, track in enumerate(of_track):
            here = [text for work, text in works if work.track == track and covered(g, work)]
            key = (by_track[track], *here)
            state[n, g] = numbers[g].setdefault(key, len(numbers[g]))
    return StateKeys(groups, tuple(of_track), state, tuple(way))


def _check_spectra(projects: Sequence[LoadedProject], texts: _Texts) -> None:
    known: dict[str, str] = {}
    for loaded in projects:
        for spectrum in loaded.project.spectra:
            text = texts.of(spectrum)
            if known.setdefault(spectrum.id, text) != text:
                raise PluginError(f"two measures mean different things by the spectrum {spectrum.id!r}")


def _of_track(project: Project, track: str, common: tuple[str, ...], texts: _Texts) -> str:
    """All that the sound power of every section of a track depends on."""
    services = [texts.of(s) for s in project.services if s.track == track]
    running = {s.unit for s in project.services if s.track == track}
    used = {part.vehicle for unit in project.units if unit.id in running for part in unit.vehicles}
    vehicles = [texts.of(v) for v in project.vehicles if v.id in used]
    laid = [texts.of(t) for t in project.tracks if t.id == track]
    line = [texts.of(w) for w in project.works if w.track == track and texts.along_line(w)]
    return "\n".join([*common, *services, *vehicles, *laid, *line])


class _Covered:
    """Whether works cover groups of sections; each range is compared once."""

    def __init__(self, middle: dict[int, float]) -> None:
        self._middle = middle

    def __call__(self, group: int, work: Work) -> bool:
        return work.from_m <= self._middle[group] <= work.to_m


def _groups(
    sections: Sections, tracks: Sequence[str], projects: Sequence[Project], texts: _Texts
) -> tuple[tuple[IntArray, ...], list[str], _Covered]:
    """Runs of sections that the same works cover in all options; the track of each, and what covers it."""
    ranges = {(w.track, w.from_m, w.to_m) for project in projects for w in project.works if not texts.along_line(w)}
    groups: list[IntArray] = []
    of_track: list[str] = []
    middles: dict[int, float] = {}
    for k, track in enumerate(tracks):
        own = np.flatnonzero(sections.track == k)
        middle = sections.mid_m[own]
        here = sorted(r[1:] for r in ranges if r[0] == track)
        inside: BoolArray = np.array([(low <= middle) & (middle <= high) for low, high in here], dtype=np.bool_)
        patterns = inside.reshape(len(here), own.size).T
        _, which = np.unique(patterns, axis=0, return_inverse=True) if here else (None, np.zeros(own.size, dtype=int))
        for g in range(int(which.max()) + 1 if own.size else 0):
            members = own[which.ravel() == g]
            middles[len(groups)] = float(sections.mid_m[members[0]])
            groups.append(members)
            of_track.append(track)
    return tuple(groups), of_track, _Covered(middles)

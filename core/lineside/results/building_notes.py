"""What is taken for granted about buildings and receivers at their facades, with its standing."""

from __future__ import annotations

from collections.abc import Sequence

from lineside.contracts import Standing
from lineside.project.buildings import AT_FACADE_M, DEFAULT_ABSORPTION, FLOOR_M
from lineside.project.load import LoadedProject
from lineside.scene.buildings import StandingBuilding
from lineside.scene.facades import FACADE_M, HEIGHT_M, PARTY_M, QUIET_M
from lineside.scene.model import Scene

_LAW = "section 2.8 of the EU common method"


def building_assumptions(
    loaded: LoadedProject, scene: Scene, standing: Sequence[StandingBuilding]
) -> list[tuple[str, str]]:
    """Assumptions about buildings: (text, standing); none where there are no buildings."""
    if not standing:
        return []
    project = loaded.project
    out: list[tuple[str, Standing]] = [
        (
            "Buildings have flat roofs and upright walls, and stand on the lowest ground along their footprints; where "
            "two footprints overlap, the overlap belongs to the taller building.",
            Standing.ASSUMPTION,
        )
    ]
    entries = (*project.buildings, *project.building_files)
    if any("absorption" not in entry.model_fields_set for entry in entries):
        text = (
            f"Walls of buildings absorb {100 * DEFAULT_ABSORPTION:g} % of the sound energy in each octave, where "
            "nothing else is given."
        )
        out.append((text, Standing.PRACTICE))
    if any(b.data.height_m is None and b.data.top_z_m is None for b in standing):
        text = (
            f"Buildings of which only the number of floors is known are {FLOOR_M:g} m a floor high ({_LAW}, (2.8.4))."
        )
        out.append((text, Standing.LAW))
    if any(b.data.floors is None for b in standing):
        text = f"Buildings whose floors are not given have one for each {FLOOR_M:g} m of height ({_LAW}, (2.8.10))."
        out.append((text, Standing.LAW))
    out += _at_walls(scene)
    out += _persons(loaded)
    if project.facade_receivers:
        out += _facades(loaded)
    return [(text, str(standing_)) for text, standing_ in out]


def _at_walls(scene: Scene) -> list[tuple[str, Standing]]:
    wall = scene.receivers.wall
    ids = [name for name, w in zip(scene.receivers.ids, wall, strict=True) if w >= 0] if wall is not None else []
    if not ids:
        return []
    text = (
        f"Receivers within {AT_FACADE_M:g} m of the wall of a building stand at its facade: what this wall throws back "
        f"is left out of their levels (incident sound). These are: {', '.join(ids)}."
    )
    return [(text, Standing.ASSUMPTION)]


def _persons(loaded: LoadedProject) -> list[tuple[str, Standing]]:
    files = loaded.project.building_files
    out: list[tuple[str, Standing]] = []
    if any(f.dwellings_total is not None or f.persons_total is not None for f in files):
        text = f"Totals of dwellings or persons are shared out to residential buildings by volume ({_LAW}, (2.8.2))."
        out.append((text, Standing.LAW))
    if any(f.floor_space_per_person_m2 is not None for f in files):
        text = (
            "Persons are estimated from base area x 0.8 x number of floors over the floor space of one person "
            f"({_LAW}, (2.8.7), (2.8.9))."
        )
        out.append((text, Standing.LAW))
    return out


def _facades(loaded: LoadedProject) -> list[tuple[str, Standing]]:
    entries = loaded.project.facade_receivers
    out = [
        (
            f"Receivers on facades stand {FACADE_M:g} m in front of the wall, {HEIGHT_M:g} m above the ground, placed "
            f"along the facades by {_LAW}; what the own wall throws back is left out.",
            Standing.LAW,
        ),
        (
            f"A wall with another building nearer than {PARTY_M:g} m in front of it is no facade.",
            Standing.ASSUMPTION,
        ),
        (
            f"Dwellings and persons are assigned to receivers {HEIGHT_M:g} m above the ground by {_LAW}: all of a "
            "building evenly to the louder half of its receivers, unless its dwellings have one facade each.",
            Standing.LAW,
        ),
    ]
    if any(e.quiet_facade for e in entries):
        text = (
            f"Quiet facades are looked for {QUIET_M:g} m in front of the walls, where no other building stands; the "
            f"loudest facade is that of the receivers {HEIGHT_M:g} m above the ground."
        )
        out.append((text, Standing.ASSUMPTION))
    storeys = sorted({e.storey_height_m for e in entries if e.heights == "every_floor"})
    if storeys:
        text = (
            f"Receivers of floors stand at the ceiling of the floor, {' or '.join(f'{h:g}' for h in storeys)} m to a "
            "floor."
        )
        out.append((text, Standing.PRACTICE))
    return out

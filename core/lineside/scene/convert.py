"""Parts of a scene that come straight from the project file, as plain arrays."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass

import numpy as np

from lineside.acoustics.bands import Array
from lineside.project.load import LoadedProject
from lineside.project.model import Periods, Project, SpectrumRef, TrainTimes
from lineside.project.model import Vehicle as VehicleInput
from lineside.scene.buildings import walls_beside
from lineside.scene.conditions import WaterOutline
from lineside.scene.model import (
    Buildings,
    GroundAreas,
    IntArray,
    Receivers,
    Spectrum,
    Terrain,
    VehicleType,
)
from lineside.scene.terrain import ground_height
from lineside.scene.traffic import hourly_trains

PERIODS = ("day", "evening", "night")


def freeze(part: object) -> None:
    """Make every array of a scene read-only: a plugin must not change what the others see."""
    if isinstance(part, np.ndarray):
        part.setflags(write=False)
    elif isinstance(part, tuple):
        for item in part:
            freeze(item)
    elif is_dataclass(part):
        for entry in fields(part):
            freeze(getattr(part, entry.name))


def hours_of(periods: Periods) -> IntArray:
    """Index of the period of each clock hour, (24,)."""
    out = np.full(24, -1, dtype=np.int64)
    for k, (from_hour, to_hour) in enumerate((periods.day, periods.evening, periods.night)):
        n = (to_hour - from_hour - 1) % 24 + 1
        out[(from_hour + np.arange(n)) % 24] = k
    return out


def trains_per_hour(loaded: LoadedProject, service: str, period_of_hour: IntArray) -> Array:
    entry = next(s for s in loaded.project.services if s.id == service)
    if isinstance(entry.trains, TrainTimes):
        hours = np.asarray(loaded.times[service], dtype=np.int64) // 60
        return np.bincount(hours, minlength=24).astype(np.float64)
    counts = {name: getattr(entry.trains, name) for name in PERIODS}
    return hourly_trains(counts, PERIODS, period_of_hour)


def vehicle_of(entry: VehicleInput, spectra: Mapping[str, Spectrum]) -> VehicleType:
    def resolve(value: str | SpectrumRef | None) -> str | Spectrum | None:
        if isinstance(value, SpectrumRef):
            return spectra[value.spectrum]
        return None if value == "none" else value

    return VehicleType(
        id=entry.id,
        kind=entry.kind,
        freight=entry.freight,
        length_m=entry.length_m,
        n_axles=entry.n_axles,
        max_speed_km_h=entry.max_speed_km_h,
        wheel_roughness=resolve(entry.wheel_roughness),  # type: ignore[arg-type]
        contact_filter=resolve(entry.contact_filter),  # type: ignore[arg-type]
        vehicle_transfer=resolve(entry.vehicle_transfer),  # type: ignore[arg-type]
        superstructure_transfer=resolve(entry.superstructure_transfer),
        traction=resolve(entry.traction),
        aerodynamic=resolve(entry.aerodynamic),
        actual={k: v for k, v in entry.actual.model_dump().items() if v is not None},
    )


def receivers_of(project: Project, origin: Array, buildings: Buildings, terrain: Terrain | None) -> Receivers:
    """The listed receivers; one just in front of a wall has that wall as its facade."""
    xyz = np.array([[*r.position, r.height_m] for r in project.receivers], dtype=np.float64)
    xyz[:, :2] -= origin
    xyz[:, 2] += project.site.ground_level_m if terrain is None else ground_height(terrain, xyz[:, :2])
    return Receivers(tuple(r.id for r in project.receivers), xyz, walls_beside(buildings, xyz[:, :2]))


def ground_of(loaded: LoadedProject, origin: Array, outlines: Sequence[WaterOutline] = ()) -> GroundAreas:
    """Ground areas in their order; where a water area has another outline, its bare bed or bank lies under it."""
    assert loaded.default_ground_g is not None, "the project was loaded without the names that plugins offer"
    by_area = {o.area: o for o in outlines}
    rings: list[Array] = []
    g: list[float] = []
    for area in loaded.project.ground_areas:
        outline = by_area.get(area.id)
        rings.append(loaded.polygons[area.id] - origin)
        g.append(loaded.ground_g[area.id] if outline is None else outline.exposed_g)
        if outline is not None and len(outline.xy_m):
            rings.append(outline.xy_m - origin)
            g.append(loaded.ground_g[area.id])
    return GroundAreas(
        default_g=loaded.default_ground_g,
        xy_m=np.concatenate([*rings, np.empty((0, 2))]),
        start=np.concatenate([[0], np.cumsum([len(r) for r in rings])]).astype(np.int64),
        g=np.array(g, dtype=np.float64),
    )

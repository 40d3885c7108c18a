"""What a project says about its vehicles and tracks in the words of the regulation."""

from __future__ import annotations

from typing import Annotated, Literal

import numpy as np
from pydantic import Field

from lineside.contracts import Options
from lineside.errors import OutOfRangeError
from lineside.scene.model import Scene, VehicleType
from lineside_plugins.de_railway.power import TANK_SHARE, TrackClass, VehicleClass
from lineside_plugins.de_railway.tables import one_of

Number = Annotated[float, Field(allow_inf_nan=False)]
TrackType = Literal[
    "ballast",
    "slab",
    "slab_with_absorber",
    "level_crossing",
    "foot_crossing",
    "street_flush",
    "green_low",
    "green_high",
]
BridgeType = Literal[
    "none", "steel_direct", "steel_ballast", "massive_ballast", "slab", "street_flush", "massive_direct"
]
#: Attributes of a stretch that are not its place.
_PLACE = {"track", "from_m", "to_m"}


class VehicleEntry(Options):
    """A vehicle of the project as a vehicle unit of the regulation."""

    category: Literal[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 21, 22, 23] = Field(
        description="Vehicle category (Tables 3 and 12): 1 to 10 railways, 21 to 23 trams and metros"
    )
    brake: str = Field(
        default="",
        max_length=40,
        description="Brakes as the data sheet of the category names them, e.g. `axle_disc`; needed where there are "
        "several",
    )
    units: Number = Field(
        default=1.0,
        gt=0.0,
        le=1.0,
        description="Part of one vehicle unit that this vehicle is, e.g. 0.25 for one of four cars of a multiple unit. "
        "Default 1. The axles are always those of the vehicle",
    )
    tank_share: Number | None = Field(
        default=None,
        ge=0.0,
        le=1.0,
        description="Category 10: share of tank wagons among these vehicles, 0 to 1. Default 0.2, as in Table 5",
    )
    system: Literal[1, 2, 3] = Field(
        default=1, description="Category 3: number of power systems that the train is made for, 1 to 3. Default 1"
    )
    addition: Literal["", "thalys_pbka", "etr_470", "air_conditioned"] = Field(
        default="",
        description="Addition by the notes to the data sheets: `thalys_pbka` (category 2), `etr_470` (4), "
        "`air_conditioned` (21). Default none",
    )

    def unit(self, vehicle: VehicleType) -> VehicleClass:
        """The whole vehicle unit of which ``vehicle`` is a part."""
        has_tanks = self.category == 10 and self.brake != "wheel_disc_rola_only"
        share = self.tank_share if self.tank_share is not None else (TANK_SHARE if has_tanks else 0.0)
        axles = vehicle.n_axles / self.units
        return VehicleClass(self.category, self.brake, axles, share, self.system, self.addition)


class StretchEntry(Options):
    """A stretch of track in the words of the regulation; of entries that overlap, the later ones lie on top."""

    track: str = Field(description="Id of the track", min_length=1, max_length=60)
    from_m: Number | None = Field(default=None, description="Start [m chainage]. Default: start of the track")
    to_m: Number | None = Field(default=None, description="End [m chainage]. Default: end of the track")
    track_type: TrackType | None = Field(
        default=None,
        description="Track type of Tables 7 and 15. Default: `ballast` or `slab` by the form of the track, "
        "`street_flush` for trams on embedded track",
    )
    specially_monitored: bool = Field(
        default=False, description="Specially monitored track by No. 4.5 (railways). Default false"
    )
    rail_measure: Literal["none", "dampers", "shields"] = Field(
        default="none", description="Measure at the rail web, Table 8 (railways). Default none"
    )
    bridge: BridgeType = Field(default="none", description="Bridge of Tables 9 and 16. Default none")
    bridge_measure: bool = Field(
        default=False, description="Measure at the bridge with the effect of K_LM in Tables 9 and 16. Default false"
    )
    squeal_prevented: bool = Field(
        default=False,
        description="Friction modifiers (railways) or another effective measure (trams) prevent curve squeal for good. "
        "Default false",
    )
    downhill: bool = Field(
        default=False,
        description="Downhill track of a gradient of 20 per mille or more over 500 m or more: freight trains with "
        "cast-iron blocks are 3 dB louder. Default false",
    )
    station: bool = Field(
        default=False,
        description="Railways: station, or stop with 100 m on each side: at least 70 km/h count (No. 4.3). "
        "Default false",
    )
    permanently_slow: bool = Field(
        default=False,
        description="Trams: 30 km/h at most for good, without turnouts, stops and crossings: 30 instead of 50 km/h "
        "count where the radius is above 200 m (No. 5.3.2). Default false",
    )


class DeRailwayOptions(Options):
    """Options of the sound power by the German regulation."""

    vehicles: dict[str, VehicleEntry] = Field(
        default={},
        description="Id of a vehicle of the project -> what it is by the regulation; each that runs needs one",
    )
    stretches: tuple[StretchEntry, ...] = Field(
        default=(), description="Tracks and stretches of tracks that are more than plain ballasted or slab track"
    )


def check_names(scene: Scene, options: DeRailwayOptions) -> None:
    """Refuse options for what is not in the project, and vehicles that run without any."""
    faults = [
        one_of("de_railway, vehicles", name, [v.id for v in scene.vehicles])
        for name in options.vehicles
        if name not in {v.id for v in scene.vehicles}
    ]
    faults += [
        one_of("de_railway, stretches, track", entry.track, [t.id for t in scene.tracks])
        for entry in options.stretches
        if entry.track not in {t.id for t in scene.tracks}
    ]
    running = {scene.vehicles[k].id for k in np.unique(scene.traffic.vehicle)}
    missing = sorted(running - set(options.vehicles))
    if missing:
        faults.append(
            f"de_railway, vehicles: no entry for {', '.join(missing)}. Write under calculation, options, de_railway: "
            f"vehicles: {{{missing[0]}: {{category: 5, brake: wheel_disc}}}} with the category and brake of each."
        )
    if faults:
        raise OutOfRangeError(" ".join(faults))


def section_classes(scene: Scene, options: DeRailwayOptions) -> list[tuple[StretchEntry, float]]:
    """For each section its attributes and the smallest radius of its curves, (n_sections,)."""
    found = []
    for k in range(len(scene.sections)):
        line, middle = scene.tracks[scene.sections.track[k]], float(scene.sections.mid_m[k])
        merged = StretchEntry(track=line.id)
        for entry in options.stretches:
            low = -np.inf if entry.from_m is None else entry.from_m
            high = np.inf if entry.to_m is None else entry.to_m
            if entry.track == line.id and low <= middle <= high:
                changes = {name: getattr(entry, name) for name in entry.model_fields_set - _PLACE}
                merged = merged.model_copy(update=changes)
        found.append((merged, min([c.radius_m for c in line.curves_at(middle)], default=np.inf)))
    return found


def track_class(entry: StretchEntry, radius_m: float, form: str, tram: bool, freight: bool) -> TrackClass:
    """A section as trams or railways see it; raises where the form has no track type of its own."""
    track_type = entry.track_type or {"ballast": "ballast", "slab": "slab"}.get(form, "street_flush" if tram else "")
    if not track_type:
        raise OutOfRangeError(
            f"de_railway, track {entry.track}: Table 7 has no {form} track for railways; name its track_type under "
            "stretches"
        )
    return TrackClass(
        track_type=track_type,
        specially_monitored=entry.specially_monitored,
        rail_measure=entry.rail_measure,
        bridge="" if entry.bridge == "none" else entry.bridge,
        bridge_measure=entry.bridge_measure,
        curve_radius_m=radius_m,
        squeal_prevented=entry.squeal_prevented,
        downhill=entry.downhill and freight,
    )

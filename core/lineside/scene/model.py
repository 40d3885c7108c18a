"""What calculators see: plain arrays behind small dataclasses.

Axis order everywhere: (rows, receivers, sections or points, classes, states, bands); axes that an
array lacks are dropped, never reordered. Coordinates are metres in the project's system, relative
to ``Scene.origin``; heights are absolute.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lineside.acoustics.bands import Array

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class Spectrum:
    """A measured or assumed spectrum from the project file.

    ``axis`` rises or falls strictly: wavelengths [mm] for roughness and contact filters,
    frequencies [Hz] for transfer functions and powers. ``columns`` holds one or more level
    columns of the same length [dB], ``parameters`` plain numbers that belong to them.
    """

    id: str
    kind: str
    axis: Array
    columns: Mapping[str, Array]
    parameters: Mapping[str, float] = field(default_factory=dict)
    source: str = ""


#: The name of a tabulated class, or a spectrum from the project file.
ClassOrSpectrum = str | Spectrum


@dataclass(frozen=True, eq=False)
class TrackForm:
    """What is the same all along a section of track."""

    form: str  # ballast, slab, embedded
    sleeper: str | None
    rail_pad: str | None
    track_transfer: Spectrum | None  # replaces sleeper and pad
    rail_roughness: ClassOrSpectrum
    impact_roughness: ClassOrSpectrum | None  # None: the method's own table
    bridge: ClassOrSpectrum | None  # None: not on a bridge
    source_ground_g: float | None  # None: by the method's rule for ``form``
    friction: str = "none"  # none, gauge_lubrication, friction_modifier, both


@dataclass(frozen=True, eq=False)
class JointedStretch:
    """A stretch of one track with rail joints (or one turnout, then from_m == to_m)."""

    from_m: float
    to_m: float
    joints_per_m: float
    what: str  # "joints" or "turnout"


@dataclass(frozen=True, eq=False)
class Curve:
    """A curve of (nearly) constant radius, or a turnout passed on its diverging route."""

    from_m: float
    to_m: float
    radius_m: float
    given: bool  # True: written by the user, False: derived from the alignment
    turnout: bool = False


@dataclass(frozen=True, eq=False)
class TrackLine:
    """One track: alignment and everything located along it."""

    id: str
    name: str
    kind: str  # train, metro or tram: which rules for squeal and speed floor
    chainage_m: Array  # (n_vertices,) rising
    xyz_m: Array  # (n_vertices, 3) rail-head level
    joints: tuple[JointedStretch, ...]
    curves: tuple[Curve, ...]

    def curves_at(self, chainage_m: float) -> list[Curve]:
        """All curves that hold at a chainage; a turnout may lie in a curve."""
        return [c for c in self.curves if c.from_m <= chainage_m <= c.to_m]


@dataclass(frozen=True, eq=False)
class Sections:
    """Homogeneous pieces of track, all tracks one after another."""

    track: IntArray  # (n_sections,) index into Scene.tracks
    stretch: IntArray  # (n_sections,) index into Scene.stretches
    form: IntArray  # (n_sections,) index into Scene.forms
    from_m: Array  # (n_sections,) chainage
    to_m: Array

    @property
    def length_m(self) -> Array:
        return self.to_m - self.from_m

    @property
    def mid_m(self) -> Array:
        return 0.5 * (self.from_m + self.to_m)

    def __len__(self) -> int:
        return int(self.from_m.size)


@dataclass(frozen=True, eq=False)
class Stretch:
    """A named run of sections between two changes of the track's attributes (for reports)."""

    track: int
    from_m: float
    to_m: float
    label: str


@dataclass(frozen=True, eq=False)
class VehicleType:
    """One vehicle as the source calculators need it."""

    id: str
    kind: str  # train, metro or tram
    freight: bool
    length_m: float
    n_axles: int
    max_speed_km_h: float
    wheel_roughness: ClassOrSpectrum
    contact_filter: ClassOrSpectrum
    vehicle_transfer: ClassOrSpectrum
    superstructure_transfer: ClassOrSpectrum | None
    traction: ClassOrSpectrum | None
    aerodynamic: ClassOrSpectrum | None
    actual: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Service:
    """Trains of one kind that run alike on one track."""

    id: str
    name: str
    track: int
    unit: str
    direction: int  # +1 with rising chainage, -1 against it
    calls: bool
    train_length_m: float
    trains_per_hour: Array  # (24,) trains in each clock hour of the average day
    vehicle_offset_m: Array  # (n_vehicles,) centre of each vehicle ahead of the train's centre
    vehicle_type: IntArray  # (n_vehicles,) index into Scene.vehicles
    vehicle_length_m: Array  # (n_vehicles,)


@dataclass(frozen=True, eq=False)
class Traffic:
    """One row per (service, vehicle of its unit, moving or standing).

    ``seconds_per_m[row, section]`` is the time that the vehicle spends per metre of the section
    during one pass (0 where it does not run); the mean line power of N passes in a time T is
    ``power x seconds_per_m x N / T``, which for constant speed is the flow term Q / (1000 v).
    """

    service: IntArray  # (n_rows,)
    vehicle: IntArray  # (n_rows,) index into Scene.vehicles
    unit_position: IntArray  # (n_rows,) index of the vehicle in its unit, front in direction of travel = 0
    standing: BoolArray  # (n_rows,)
    long_stay: BoolArray  # (n_rows,) standing for more than half an hour at a time
    speed_km_h: Array  # (n_rows, n_sections) 0 where standing or absent
    seconds_per_m: Array  # (n_rows, n_sections)
    accelerating: Array  # (n_rows, n_sections) share of the time in a section during which the train gains speed
    permitted_km_h: Array | None = None  # (n_rows, n_sections) by line, train and service, stops disregarded; 0 absent

    def __len__(self) -> int:
        return int(self.service.size)


@dataclass(frozen=True, eq=False)
class Receivers:
    """Points at which levels are wanted. z is absolute.

    ``wall`` (n_receivers,): the reflector (row of :class:`Reflectors`) in front of which a receiver stands and whose
    reflection does not count there, nor that of sides of other buildings in the same plane, -1 where it stands free;
    None: all stand free.
    """

    ids: tuple[str, ...]
    xyz_m: Array  # (n_receivers, 3)
    wall: IntArray | None = None

    def __len__(self) -> int:
        return len(self.ids)

    def part(self, start: int, stop: int) -> Receivers:
        """Those from ``start`` to before ``stop``."""
        wall = None if self.wall is None else self.wall[start:stop]
        return Receivers(self.ids[start:stop], self.xyz_m[start:stop], wall)


@dataclass(frozen=True, eq=False)
class GroundAreas:
    """Ground as polygons in plan; a later polygon lies on top of an earlier one.

    Polygon ``i`` has the ring ``xy_m[start[i]:start[i + 1]]`` (not closed, any orientation).
    """

    default_g: float
    xy_m: Array  # (n_vertices, 2)
    start: IntArray  # (n_areas + 1,)
    g: Array  # (n_areas,)


@dataclass(frozen=True, eq=False)
class BarrierSegments:
    """Thin vertical screens, cut into straight segments."""

    xy_m: Array  # (n_segments, 2, 2) both ends
    top_z_m: Array  # (n_segments, 2) absolute height of the top at both ends
    base_z_m: Array  # (n_segments, 2)
    barrier: IntArray  # (n_segments,) index of the barrier in the project
    reflecting: BoolArray | None = None  # (n_segments,) the side that faces the track reflects; None: not known
    absorption: Array | None = (
        None  # (n_segments, 8) share of sound energy absorbed per octave, 0 to 1; None or NaN: not known
    )
    deck: IntArray | None = None  # (n_segments,) earthwork with the deck that it stands on, -1 or None: the ground


@dataclass(frozen=True, eq=False)
class Buildings:
    """Houses as prisms: a footprint with a flat top and a flat bottom.

    Building ``i`` has the ring ``xy_m[start[i]:start[i + 1]]`` (not closed, counter-clockwise, simple). Footprints do
    not overlap; they may touch. A building of the project in several pieces, or with a courtyard, has several rows with
    the same id, one after another.
    """

    ids: tuple[str, ...]
    xy_m: Array  # (n_vertices, 2)
    start: IntArray  # (n_buildings + 1,)
    base_z_m: Array  # (n_buildings,) absolute height of the lowest ground along the footprint
    top_z_m: Array  # (n_buildings,)
    absorption: Array  # (n_buildings, 8) of the walls, share of sound energy absorbed per octave, 0 to below 1

    @classmethod
    def none(cls) -> Buildings:
        """No buildings."""
        empty = np.empty(0)
        return cls((), np.empty((0, 2)), np.zeros(1, dtype=np.int64), empty, empty, np.empty((0, 8)))

    def __len__(self) -> int:
        return len(self.ids)


@dataclass(frozen=True, eq=False)
class Reflectors:
    """Vertical walls that throw sound back: sides of buildings, steep faces of earthworks, and barriers.

    First come all sides of all rows of ``Buildings``: row ``k`` runs from corner ``k`` of ``Buildings.xy_m`` to the
    next one of its ring; then the faces of :func:`lineside.scene.faces.faces_of`; last the barriers.

    A wall of a building reflects to its outer side only, which lies to the right of the way from its first to its
    second end, and a face to its open side, which lies there as well; a barrier reflects to both sides.
    """

    xy_m: Array  # (n, 2, 2) both ends
    top_z_m: Array  # (n, 2) at both ends
    base_z_m: Array  # (n, 2)
    absorption: Array  # (n, 8)
    building: IntArray  # (n,) index into Buildings, -1: none
    barrier: IntArray  # (n,) index of the barrier in the project, -1: none


@dataclass(frozen=True, eq=False)
class Raster:
    """Heights of the ground on a regular grid, bilinear between its points; NaN where not known."""

    x0_m: float  # first column
    y0_m: float  # first row, the southernmost
    step_m: float
    z_m: Array  # (n_y, n_x)


@dataclass(frozen=True, eq=False)
class BreakSegments:
    """Where the ground bends along earthworks: pieces of lines along the track, and of their ends across it.

    In a plan view along rising chainage the lines of an earthwork are numbered from left to right; ``line`` -1 is a
    piece of its start or end. Two lines at the same place with different heights are a vertical face.
    """

    xy_m: Array  # (n, 2, 2)
    z_m: Array  # (n, 2) height of the earthwork's surface at both ends
    work: IntArray  # (n,) index of the earthwork
    line: IntArray  # (n,)
    border: BoolArray  # (n,) part of the outline of the earthwork: crossing it leads in or out

    @classmethod
    def none(cls) -> BreakSegments:
        """No earthworks."""
        n = np.empty(0, dtype=np.int64)
        return cls(np.empty((0, 2, 2)), np.empty((0, 2)), n, n, np.empty(0, dtype=np.bool_))


@dataclass(frozen=True, eq=False)
class Strips:
    """The surface of earthworks between two neighbouring lines and two stations, bilinear between its corners."""

    xyz_m: Array  # (n, 4, 3) left and right at the lower chainage, right and left at the higher one
    work: IntArray  # (n,)
    line: IntArray  # (n,) number of the line on its left
    g: Array  # (n,) ground factor; NaN: by the ground areas

    @classmethod
    def none(cls) -> Strips:
        """No earthworks."""
        n = np.empty(0, dtype=np.int64)
        return cls(np.empty((0, 4, 3)), n, n, np.empty(0))


@dataclass(frozen=True, eq=False)
class Terrain:
    """The ground: a raster or a plain, and on it the earthworks, of which a later one lies on top, decks above all.

    ``over`` (n_works,): the earthwork is a deck with the ground going on below it. It counts on paths that start or
    end on it; all others run through below as if it were not there.
    """

    level_m: float  # the plain, where there is no raster
    raster: Raster | None = None
    breaks: BreakSegments = field(default_factory=BreakSegments.none)
    strips: Strips = field(default_factory=Strips.none)
    over: BoolArray = field(default_factory=lambda: np.empty(0, dtype=np.bool_))

    @property
    def flat(self) -> bool:
        """Whether it is a plain without earthworks."""
        return self.raster is None and not self.over.size


@dataclass(frozen=True, eq=False)
class Air:
    temperature_deg_c: float
    humidity_pct: float
    pressure_kpa: float


@dataclass(frozen=True, eq=False)
class FavourableShare:
    """Share of time with favourable propagation, by period and direction of propagation.

    Sector ``k`` holds directions S to R, clockwise from grid north, from ``sector_from_deg[k]`` up to
    the next sector's start (the last one wraps round). One sector = one value for all directions.
    """

    sector_from_deg: Array  # (n_sectors,) rising from 0
    share: Array  # (n_periods, n_sectors), 0 to 1

    def at(self, bearing_deg: Array) -> Array:
        """Shares for given bearings, (n_periods, *bearing_deg.shape)."""
        sector = np.searchsorted(self.sector_from_deg, np.mod(bearing_deg, 360.0), side="right") - 1
        return self.share[:, sector]


@dataclass(frozen=True)
class SourceConditions:
    """The state of the day that sources depend on."""

    rail: str = "dry"  # dry, damp or wet
    traction_db: float = 0.0  # added to the traction sound power of accelerating vehicles


@dataclass(frozen=True, eq=False)
class Scene:
    """All that calculators may look at."""

    origin: tuple[float, float]  # subtracted from all plan coordinates
    ground_level_m: float  # the plain, where there is no raster of heights
    tracks: tuple[TrackLine, ...]
    stretches: tuple[Stretch, ...]
    forms: tuple[TrackForm, ...]
    sections: Sections
    vehicles: tuple[VehicleType, ...]
    services: tuple[Service, ...]
    traffic: Traffic
    receivers: Receivers
    ground: GroundAreas
    barriers: BarrierSegments
    air: Air
    favourable: FavourableShare
    period_names: tuple[str, ...]  # day, evening, night
    period_of_hour: IntArray  # (24,) index into period_names
    conditions: SourceConditions = SourceConditions()
    terrain: Terrain | None = None  # None: the plain
    buildings: Buildings = field(default_factory=Buildings.none)


@dataclass(frozen=True, eq=False)
class SourcePoints:
    """Where propagation paths start: the middles of pieces of sections.

    Heights above the rail-head plane belong to source classes, so one point serves all of them.
    """

    section: IntArray  # (n_points,)
    xyz_m: Array  # (n_points, 3) rail-head level at the middle of the piece
    direction: Array  # (n_points, 2) unit vector along the track in plan
    length_m: Array  # (n_points,)
    ground_g: Array  # (n_points,) ground factor of the source area, G_s

    def __len__(self) -> int:
        return int(self.section.size)

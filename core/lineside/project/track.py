"""Tracks, stops and spectra, as a project file describes them."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import Field, SerializerFunctionWrapHandler, field_validator, model_serializer, model_validator
from pydantic_core import PydanticCustomError

from lineside.project.types import (
    XYZ,
    Chainage,
    ClassOrSpectrum,
    FileName,
    Height,
    Id,
    Level,
    Line,
    Number,
    Part,
    Radius,
    Share,
    SpectrumOnly,
    Text,
    TrackKind,
)


class InlineAlignment(Part):
    """The alignment as points in the project file."""

    kind: Literal["inline"] = Field(description="`inline`: the points stand here")
    start_chainage_m: Chainage = Field(
        default=0.0,
        description="Chainage of the first point [m]; further ones follow from the length in plan. Default 0",
    )
    points: Annotated[tuple[XYZ, ...], Field(min_length=2)] = Field(
        description="Points [x, y, z] along the track, at least two [m]; z is the level of the rail head"
    )


class CsvAlignment(Part):
    """The alignment as a CSV file."""

    kind: Literal["csv"] = Field(description="`csv`: the points stand in a CSV file")
    file: FileName = Field(description="CSV file with the columns x_m, y_m, z_m and optionally chainage_m")
    start_chainage_m: Chainage = Field(
        default=0.0, description="Chainage of the first point [m], where the file has no chainage_m. Default 0"
    )


class GeoJsonAlignment(Part):
    """The alignment as a LineString of a GeoJSON file."""

    kind: Literal["geojson"] = Field(description="`geojson`: the points are a LineString of a GeoJSON file")
    file: FileName = Field(description="GeoJSON file in the project's coordinates")
    feature: Id = Field(description="The feature's id, or its properties.id")
    z_m: Height | None = Field(
        default=None, description="Level of the rail head [m], needed where the file's points have no height"
    )
    start_chainage_m: Chainage = Field(default=0.0, description="Chainage of the first point [m]. Default 0")


Alignment = Annotated[InlineAlignment | CsvAlignment | GeoJsonAlignment, Field(discriminator="kind")]

Form = Annotated[
    Literal["ballast", "slab", "embedded"],
    Field(description="What carries the rails: `ballast`, `slab`, or `embedded` in a closed surface"),
]
Sleeper = Annotated[Line | None, Field(description="Sleeper: a class name of the calculators")]
RailPad = Annotated[Line | None, Field(description="Rail pad: a class name of the calculators")]
PadStiffness = Annotated[
    Annotated[Number, Field(gt=0, le=5000)] | None,
    Field(description="True stiffness of the rail pad [MN/m], above 0 to 5000; recorded beside the class"),
]
RailRoughness = Annotated[
    ClassOrSpectrum, Field(description="Roughness of the rail: a class name, or {spectrum: id of kind rail_roughness}")
]
TrackTransfer = Annotated[
    SpectrumOnly,
    Field(description="{spectrum: id of kind track_transfer}: replaces sleeper and rail pad. Default null"),
]
ImpactRoughness = Annotated[
    ClassOrSpectrum | None,
    Field(
        description="Roughness of one rail joint: a class name, or {spectrum: id of kind impact_roughness}. "
        "Default null: the method's own"
    ),
]
Joints = Annotated[Number, Field(ge=0, le=50, description="Rail joints per 100 m of track, 0 to 50. Default 0")]
Bridge = Annotated[
    ClassOrSpectrum,
    Field(description="`none`, a class name, or {spectrum: id of kind bridge_transfer}. Default none"),
]
SpeedLimit = Annotated[Number, Field(ge=1, le=500, description="Speed limit [km/h], 1 to 500")]
CurveRadius = Annotated[
    Radius,
    Field(
        description="Radius of the curve [m], 15 to 100000; `straight`; or null: derived from the alignment. "
        "Default null"
    ),
]
Friction = Annotated[
    Literal["none", "gauge_lubrication", "friction_modifier", "both"],
    Field(
        description="What is put on the rails against friction: `none`, `gauge_lubrication` at the gauge face, "
        "`friction_modifier` on the rail head, or `both`. Default none"
    ),
]
SourceGround = Annotated[
    Share | None,
    Field(description="Ground factor G of the track bed, 0 (hard) to 1 (porous). Default null: by the method's rule"),
]


class TrackAttributes(Part):
    """What holds along the whole track, where no stretch says otherwise."""

    form: Form
    sleeper: Sleeper = None
    rail_pad: RailPad = None
    rail_pad_stiffness_mn_m: PadStiffness = None
    rail_roughness: RailRoughness
    track_transfer: TrackTransfer = None
    impact_roughness: ImpactRoughness = None
    joints_per_100_m: Joints = 0.0
    bridge: Bridge = "none"
    speed_limit_km_h: SpeedLimit
    curve_radius_m: CurveRadius = None
    source_ground_g: SourceGround = None
    friction: Friction = "none"

    @model_validator(mode="after")
    def _has_a_transfer(self) -> TrackAttributes:
        if self.track_transfer is None and self.sleeper is None:
            what = "sleeper (or track_transfer, which replaces sleeper and pad)"
            raise PydanticCustomError("needs_one_of", "needs {what}", {"what": what})
        return self


class Partial(Part):
    """Attributes of which only those that are written count; a null that was written counts too."""

    @field_validator(
        "form",
        "rail_roughness",
        "joints_per_100_m",
        "bridge",
        "speed_limit_km_h",
        "friction",
        mode="before",
        check_fields=False,
    )
    @classmethod
    def _not_null(cls, value: Any) -> Any:
        if value is None:
            raise PydanticCustomError("null_here", "must not be null")
        return value

    @model_serializer(mode="wrap")
    def _only_what_is_written(self, handler: SerializerFunctionWrapHandler) -> dict[str, Any]:
        return {key: value for key, value in handler(self).items() if key in self.model_fields_set}

    def written(self) -> dict[str, Any]:
        """What is written, by name, in the order of the model."""
        return {key: getattr(self, key) for key in type(self).model_fields if key in self.model_fields_set}


class Stretch(Partial):
    """A range of chainage where some attributes differ; only the keys that are written change."""

    from_m: Chainage = Field(description="Start of the stretch [m chainage]")
    to_m: Chainage = Field(description="End of the stretch [m chainage], beyond from_m")
    name: Text = Field(default="", description="Name for the report. Default empty")
    form: Form | None = None
    sleeper: Sleeper = None
    rail_pad: RailPad = None
    rail_pad_stiffness_mn_m: PadStiffness = None
    rail_roughness: RailRoughness | None = None
    track_transfer: TrackTransfer = None
    impact_roughness: ImpactRoughness = None
    joints_per_100_m: Joints | None = None
    bridge: Bridge | None = None
    speed_limit_km_h: SpeedLimit | None = None
    curve_radius_m: CurveRadius = None
    source_ground_g: SourceGround = None
    friction: Friction | None = None

    def changes(self) -> dict[str, Any]:
        """The attributes that this stretch sets, by name."""
        return {key: value for key, value in self.written().items() if key not in ("from_m", "to_m", "name")}


class Turnout(Part):
    """A turnout in a track."""

    id: Id = Field(description="Id, unique among the track's turnouts")
    chainage_m: Chainage = Field(description="Position of the turnout [m chainage]")
    route: Literal["through", "diverging"] = Field(
        default="through", description="The way this track takes: `through` or `diverging`. Default through"
    )
    diverging_radius_m: Annotated[Number, Field(ge=15, le=100_000)] | None = Field(
        default=None, description="Radius of the diverging route [m], 15 to 100000; needed where trains take it"
    )

    @model_validator(mode="after")
    def _diverging_has_radius(self) -> Turnout:
        if self.route == "diverging" and self.diverging_radius_m is None:
            raise PydanticCustomError(
                "needs_one_of", "needs {what}", {"what": "diverging_radius_m, as its route diverges"}
            )
        return self


class Track(Part):
    """One track: where it lies and what it is made of."""

    id: Id = Field(description="Id, unique among the tracks")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    kind: TrackKind = Field(description="Kind of railway: `train`, `metro` or `tram`")
    alignment: Alignment = Field(description="Where the track lies: by kind `inline`, `csv` or `geojson`")
    attributes: TrackAttributes = Field(description="What holds along the whole track")
    stretches: tuple[Stretch, ...] = Field(
        default=(), description="Ranges of chainage with other attributes; later ones override earlier ones"
    )
    turnouts: tuple[Turnout, ...] = Field(default=(), description="Turnouts in the track")


class StopPlace(Part):
    """Where a stop lies on one track."""

    track: Id = Field(description="Id of the track")
    chainage_m: Chainage = Field(description="Where the middle of the train stands [m chainage]")


class Stop(Part):
    """A place where trains call."""

    id: Id = Field(description="Id, unique among the stops")
    name: Text = Field(default="", description="Name for the report. Default empty: the id is printed")
    at: Annotated[tuple[StopPlace, ...], Field(min_length=1)] = Field(description="Its place on each track")


SpectrumKind = Literal[
    "rail_roughness",
    "wheel_roughness",
    "contact_filter",
    "impact_roughness",
    "track_transfer",
    "vehicle_transfer",
    "superstructure_transfer",
    "bridge_transfer",
    "traction",
    "aerodynamic",
]


class SpectrumInput(Part):
    """A measured or assumed spectrum, used by its id in place of a tabulated class."""

    id: Id = Field(description="Id, unique among the spectra")
    kind: SpectrumKind = Field(description="What the spectrum describes, and so where it may be used")
    source: Line = Field(description="Where the values come from: who measured when, by which standard; printed")
    file: FileName | None = Field(
        default=None,
        description="CSV file: wavelength_mm (roughness, contact filter) or frequency_hz, and the level columns",
    )
    axis: tuple[Annotated[Number, Field(gt=0, le=100_000)], ...] | None = Field(
        default=None,
        description="Instead of a file: wavelengths [mm] for roughness and contact filter, else the 24 third octaves "
        "50 to 10000 Hz",
    )
    levels_db: tuple[Level, ...] | None = Field(default=None, description="Levels on the axis [dB]")
    columns: dict[str, tuple[Level, ...]] | None = Field(
        default=None,
        description="Levels by column [dB] for traction (source_a_db, source_b_db and optionally idling_a_db, "
        "idling_b_db) and aerodynamic (source_a_db, source_b_db)",
    )
    parameters: dict[str, Number] = Field(
        default={}, description="Aerodynamic only: reference_speed_km_h, alpha_a, alpha_b"
    )
    uncertainty_db: Annotated[Number, Field(ge=0, le=20)] | None = Field(
        default=None,
        description="All levels together may be off by so much either way, 9 times in 10 [dB], 0 to 20. Default null: "
        "not known, taken as exact",
    )

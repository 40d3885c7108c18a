"""The results document: what is written to ``results.json`` and embedded in the PDF.

Every output reads from here and computes nothing. Levels are in dB re 20 uPa unless a field says otherwise;
lists per octave have eight entries, 63 Hz to 8 kHz. A level of silence is ``null``.
"""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field

from lineside.results.options import OptionsResult
from lineside.results.sure_model import Sure

Level = float | None
XY = tuple[float, float]


class Part(BaseModel):
    """Base: unknown keys are refused, so that a reader may rely on the schema."""

    model_config = ConfigDict(extra="forbid")


class InputFile(Part):
    name: str = Field(description="Path relative to the project folder")
    sha256: str
    n_bytes: int


class CitationUsed(Part):
    key: str
    title: str
    issuer: str
    year: int
    part: str = ""


class TableUsed(Part):
    name: str
    title: str
    source: str
    sha256: str


class OfferUsed(Part):
    """A calculator or criterion that took part."""

    name: str
    kind: Literal["source", "source (forecast)", "propagation", "rail state", "criterion", "measure", "dose effect"]
    title: str
    mechanism: str | None = None
    version: str
    package: str = Field(description="Distribution that ships it")
    package_version: str
    verification: str
    verification_note: str
    statement: str = Field(description="What was computed and how")
    options: dict[str, Any]
    sources: list[CitationUsed]
    data_files: list[TableUsed]
    place: str | None = Field(default=None, description="Criteria only: where it applies")
    valid_from: str | None = None
    nature: str | None = Field(default=None, description="Criteria only: legal limit, guideline value, ...")
    caution: str | None = None


class SectionUsed(Part):
    """A section of the report that a plugin adds."""

    name: str
    title: str
    version: str
    package: str = Field(description="Distribution that ships it")
    package_version: str
    reads: list[str] = Field(description="Parts of this document that it uses")


class Provenance(Part):
    lineside_version: str
    method: str
    method_title: str
    project_sha256: str = Field(description="Hash over all input files, names and contents")
    project_file: str = Field(default="project.yaml", description="Which of the inputs is the project file")
    inputs: list[InputFile]
    offers: list[OfferUsed]
    report_sections: list[SectionUsed] = Field(default=[], description="Sections by plugins that the project asks for")


class Period(Part):
    name: str
    from_hour: int
    to_hour: int
    hours: int


class StretchInfo(Part):
    id: str = Field(description="Track id and number along it, e.g. T1/3")
    track: str
    from_m: float
    to_m: float
    label: str
    form: str
    transfer: str = Field(description="Sleeper and pad class, or the spectrum that replaces them")
    rail_roughness: str
    joints_per_100_m: float
    bridge: str
    speed_limit_km_h: float
    radius_m: float | None = Field(description="Smallest radius in the stretch; null: straight")
    radius_given: bool


class CurveInfo(Part):
    track: str
    from_m: float
    to_m: float
    radius_m: float
    given: bool
    turnout: bool


class JointInfo(Part):
    """Rail joints along a stretch, or one turnout (then from_m equals to_m)."""

    track: str
    what: Literal["joints", "turnout"]
    from_m: float
    to_m: float
    joints_per_100_m: float
    xy: list[XY]


class SpeedProfile(Part):
    chainage_m: list[float]
    speed_km_h: list[float]


class ServiceInfo(Part):
    id: str
    name: str
    track: str
    direction: str
    unit: str
    train_length_m: float
    n_axles: int
    pattern: str = Field(description="passes, or calls at: names of the stops")
    trains: dict[str, float] = Field(
        description="Trains on the average day of a year, per period; all states of the timetable together"
    )
    profile: SpeedProfile


class TrackInfo(Part):
    id: str
    name: str
    kind: str
    from_m: float
    to_m: float
    xy: list[XY]


class StopInfo(Part):
    id: str
    name: str
    track: str
    chainage_m: float
    xy: XY


class BarrierInfo(Part):
    id: str
    name: str
    height_m: float
    height_above: Literal["ground", "rail"] = "ground"
    top_z_m: tuple[float, float] | None = Field(
        default=None, description="Lowest and highest level of its top; null: not computed"
    )
    surface: str
    absorption: list[float] | None = Field(default=None, description="Of sound energy, in octaves; null: not given")
    xy: list[XY]


class BankInfo(Part):
    """An earth bank that stands by itself."""

    id: str
    name: str
    height_m: float = Field(description="Of the crest above the ground below its middle")
    crest_width_m: float
    slope_ratio: float = Field(description="Both slopes 1 : ratio")
    g: float | None = Field(description="Ground factor of its surface; null: by the ground areas")
    top_z_m: tuple[float, float] = Field(description="Lowest and highest level of its crest")
    line: list[XY] = Field(description="Middle of the crest")
    xy: list[XY] = Field(description="Outline in plan")


class BuildingInfo(Part):
    id: str
    name: str
    use: str
    area: str | None
    height_m: float = Field(description="Above the lowest ground along the footprint")
    top_z_m: float
    floors: int
    absorption: list[float] = Field(description="Of the walls per octave, 0 to 1")
    dwellings: float = Field(description="As given, or shared out from the totals of a file")
    persons: float
    n_receivers: int = Field(default=0, description="Number of receivers generated on its facades")
    rings: list[list[XY]] = Field(description="Outlines counter-clockwise, courtyards clockwise")


class HeightContour(Part):
    """Lines of equal height of the ground, in plan."""

    level_m: float
    lines: list[list[XY]]


class TerrainInfo(Part):
    """Heights of the ground from files."""

    kind: Literal["raster", "points"]
    files: list[str]
    step_m: float = Field(description="Step of the grid of heights")
    low_m: float = Field(description="Lowest height of the ground around the site that was used")
    high_m: float
    contours: list[HeightContour] = Field(default=[], description="For the map of the place; without earthworks")


class EarthworkInfo(Part):
    """What carries tracks above or below the terrain."""

    id: str
    name: str
    kind: str
    along: str = Field(description="Track along which the chainages count")
    tracks: list[str] = Field(description="All tracks that lie on it")
    from_m: float
    to_m: float
    ballast_half_width_m: float
    ballast_below_rail_m: float
    ballast_slope_ratio: float
    ballast_g: float | None
    formation_edge_m: float
    formation_below_rail_m: float
    left_ratio: float | None = Field(description="Slope 1 : ratio; null: a vertical face")
    right_ratio: float | None
    low_m: float = Field(description="Lowest and highest edge of formation or deck above the ground, below it negative")
    high_m: float
    xy: list[XY] = Field(description="Outline in plan")


class GroundInfo(Part):
    id: str
    name: str
    surface: str
    g: float
    water: bool
    xy: list[XY]


class WorkInfo(Part):
    date: str
    kind: str
    track: str
    from_m: float
    to_m: float
    until: str | None = Field(default=None, description="Day on which its changes end; null: they last")
    changes: dict[str, str | float] = Field(default={}, description="Attribute of the track -> value from then on")
    details: dict[str, str | float] = Field(default={}, description="What is known about it, for the rail state")
    description: str


class FavourableInfo(Part):
    """Share of time with favourable propagation towards a range of directions."""

    from_deg: float = Field(description="Start of the range, clockwise from north")
    to_deg: float
    share: dict[str, float] = Field(description="period -> share of time")


class Site(Part):
    """The place as drawn and tabulated."""

    coordinate_system: str
    ground_level_m: float
    default_ground: str
    default_g: float
    tracks: list[TrackInfo]
    stretches: list[StretchInfo]
    curves: list[CurveInfo]
    joints: list[JointInfo]
    stops: list[StopInfo]
    services: list[ServiceInfo]
    barriers: list[BarrierInfo]
    buildings: list[BuildingInfo] = []
    terrain: TerrainInfo | None = Field(default=None, description="Null: a plain at ground_level_m")
    earthworks: list[EarthworkInfo] = []
    banks: list[BankInfo] = []
    ground: list[GroundInfo]
    works: list[WorkInfo]
    favourable: list[FavourableInfo] = Field(description="By direction of propagation; one entry: all directions alike")


class Pass(Part):
    """One train passing, from the moving train."""

    service: str
    state: str = Field(description="Propagation state, e.g. favourable")
    lae_db: Level = Field(description="Sound exposure level re (20 uPa)^2 s")
    lafmax_db: Level = Field(description="Largest level with time weighting F")


class Finding(Part):
    """One comparison with one limit."""

    id: str
    receiver: str
    criterion: str
    label: str
    quantity: str
    window: str | None = None
    level_db: Level = Field(description="As computed, unrounded")
    compared_db: Level = Field(description="After the criterion's adjustment and rounding")
    limit_db: float | None
    difference_db: float | None = Field(description="compared - limit; positive: above the limit")
    verdict: Literal["well below", "borderline", "above", "not assessed"]
    within_uncertainty: bool = Field(description="The limit lies within level +- expanded uncertainty")
    interval_db: tuple[float, float] | None = Field(
        default=None, description="90 % of the draws of level_db lie between; null: nothing is drawn for it"
    )
    probability_above: float | None = Field(
        default=None, description="Share of the draws in which the limit is exceeded, adjustments and rounding included"
    )
    reason: str = Field(default="", description="Why not assessed")
    tone_rule: str = Field(default="", description="Rule for tones that the criterion asks for; empty: none")
    tone_found: bool | None = Field(default=None, description="Null: not looked for")
    tone_bands_hz: list[float] = Field(default=[], description="Third octaves in which a tone was found")
    tone_periods: list[str] = Field(default=[], description="Periods or clock hours in which it was found")
    tone_adjustment_db: float | None = Field(
        default=None, description="What the rule adds to the level; part of compared_db"
    )


class ReceiverResult(Part):
    id: str
    name: str
    x: float
    y: float
    z: float
    height_m: float
    use: str
    area: str | None
    dwellings: int
    persons: int
    distance_m: float = Field(description="Horizontal distance to the nearest track")
    nearest_track: str
    lden_db: Level
    period_db: dict[str, Level] = Field(description="A-weighted LAeq per period")
    spectrum_db: dict[str, list[Level]] = Field(description="Octave-band Leq per period, not A-weighted")
    by_mechanism_db: dict[str, dict[str, Level]] = Field(description="period (or lden) -> mechanism -> level")
    by_service_db: dict[str, dict[str, Level]]
    by_stretch_db: dict[str, dict[str, Level]]
    states_db: dict[str, dict[str, Level]] = Field(
        default={},
        description="State of a condition (or 'mixture') -> lden or period -> level while it prevails, by the "
        "forecast's calculators; every other condition as in the situation",
    )
    passes: list[Pass]
    left_out_db: Level = Field(
        default=0.0,
        description="Paths that were not computed add at most this to the level of any period; null: not known, as "
        "nothing else is heard",
    )


class FacadeReceiverColumns(Part):
    """Receivers generated on facades, one entry of each list for each; levels long-term, A-weighted, incident sound."""

    id: list[str] = Field(description="building / facade . number on it / height or floor")
    building: list[str]
    facade: list[int] = Field(description="Number of the side of the building's outlines, from 1")
    floor: list[int] = Field(description="0: 4 m above the ground, for maps and exposure")
    x: list[float]
    y: list[float]
    z: list[float]
    height_m: list[float]
    bearing_deg: list[float] = Field(description="Where the facade looks, clockwise from north")
    length_m: list[float] = Field(description="Length of the facade that the receiver stands for")
    lden_db: list[Level]
    period_db: dict[str, list[Level]]
    front_lden_db: list[Level] = Field(description="Lden 2 m in front of the wall; null: silence, or not computed")
    share_lden: list[float] = Field(
        description="Share of the building's dwellings and persons that counts at this receiver for Lden"
    )
    share_lnight: list[float] = Field(description="The same for Lnight")


class BuildingLevels(Part):
    """A building by its receivers on facades."""

    building: str
    n_receivers: int
    highest_db: dict[str, Level] = Field(description="lden or period -> level at its most exposed receiver")
    highest_at: dict[str, str] = Field(description="lden or period -> that receiver")
    quiet_facade: bool | None = Field(
        description="Lden 2 m in front of some facade is more than 20 dB below the loudest one; null: not looked for"
    )
    lowest_front_db: Level = Field(description="Lowest Lden 2 m in front of its facades; null: silence, or none")
    findings: list[Finding] = Field(description="Limits at the receiver where each is approached most")
    interval_db: dict[str, tuple[float, float]] = Field(
        default={},
        description="lden, period or clock hours -> 90 % of the draws lie between, at the receiver with its highest "
        "Lden; empty: nothing is drawn there",
    )


class ExposureBand(Part):
    """Dwellings and persons by level at the facades; a band reaches from its lower to below its upper end."""

    quantity: Literal["lden", "lnight"]
    from_db: float | None = Field(description="Null: all levels below")
    to_db: float | None = Field(description="Null: all levels above")
    dwellings: float
    persons: float
    quiet_dwellings: float = Field(description="Those of them in buildings with a quiet facade")
    quiet_persons: float
    sensitive: int = Field(description="Hospitals, schools and care homes by their loudest receiver")


class ExposureLimit(Part):
    """Dwellings and persons above a limit, of the buildings with receivers that it applies to."""

    criterion: str
    label: str
    quantity: str
    window: str | None
    limit_db: float
    without_tones: bool = Field(description="What a tone would add to the level is left out")
    buildings: int = Field(description="To which the limit applies")
    dwellings: float
    persons: float
    dwellings_above: float
    persons_above: float
    quiet_dwellings_above: float = Field(description="Those of them in buildings with a quiet facade")
    quiet_persons_above: float
    sensitive_above: int = Field(description="Hospitals, schools and care homes with any receiver above")


class Facades(Part):
    """Levels at the facades of buildings, and who is exposed to them."""

    receivers: FacadeReceiverColumns
    buildings: list[BuildingLevels]
    exposure: list[ExposureBand]
    above_limits: list[ExposureLimit] = Field(default=[], description="By criterion and limit")
    dwellings: float = Field(description="In all buildings with receivers; the sum over the bands of each quantity")
    persons: float
    other_dwellings: float = Field(description="In buildings without receivers, which are in no band")
    other_persons: float
    bare: list[str] = Field(description="Buildings chosen for receivers whose walls have no room for one")
    left_out_db: float = Field(
        description="By no more than this could a level at a facade be higher with the paths that were left out"
    )


class RailRunInfo(Part):
    """A run of rail with works, along which roughness changes alike."""

    track: str
    from_m: float
    to_m: float
    mgt_per_day: float = Field(description="Million gross tonnes a day, from the services and wheel loads")
    radius_m: float | None = Field(description="Radius of the curve; null: straight")
    work_dates: list[str]


class Return(Part):
    """When Lden has come down to so many dB above the state before the works, counted from the last work on."""

    within_db: float
    dates: dict[str, str | None] = Field(
        description="case -> date; low and high are 5 % and 95 % points of the dates of the draws; null: not within "
        "the time line, see reasons"
    )
    leaves: dict[str, str | None] = Field(
        description="case -> date from which it is above again, low and high as in dates; null: it is not"
    )
    reasons: dict[str, str] = Field(description="case -> why there is no date, or no need of one")


KeptReason = Literal[
    "",
    "kept throughout",
    "exceeded throughout",
    "exceeded to the end of the time line",
    "exceeded to the end of the time line, still falling",
    "kept until it is exceeded",
]


class Rating(Part):
    """A level in time as a criterion compares it with a limit."""

    criterion: str
    label: str
    quantity: str
    window: str | None = None
    limit_db: float
    rounded_up: bool = Field(description="The criterion rounds up to whole dB before it compares; not in rating_db")
    adjustment_db: float = Field(description="Fixed adjustment of the criterion")
    tone_rule: str = Field(default="", description="Rule for tones that the criterion asks for; empty: none")
    tone_found: list[bool] = Field(
        default=[], description="At each date: the rule finds a tone in the likely case; empty: not looked for"
    )
    before_db: Level = Field(description="Before the first work")
    above_before: bool = Field(description="The limit is exceeded before the first work")
    rating_db: dict[str, list[Level]] = Field(
        default={},
        description="case -> level with adjustments at each date; what a tone adds is that of the likely case; empty: "
        "the level itself, which is in levels_db",
    )
    kept_from: dict[str, str | None] = Field(
        description="case -> first day of the stretch in which the limit is kept for the first time after the last "
        "work; null: see reasons"
    )
    above_from: dict[str, str | None] = Field(
        description="case -> day after that from which it is exceeded again; null: it is not"
    )
    reasons: dict[str, KeptReason] = Field(description="case -> why there is no such day; empty: there is")


class ReceiverTimeline(Part):
    receiver: str
    before_db: dict[str, Level] = Field(description="lden or period -> level before the first work")
    worn_in_db: dict[str, Level] = Field(description="lden or period -> level with everything worn away, nothing grown")
    fresh_db: dict[str, Level] = Field(description="case -> highest Lden on the days after works")
    levels_db: dict[str, dict[str, list[Level]]] = Field(description="lden or period -> case -> level at each date")
    returns: list[Return]
    ratings: list[Rating] = Field(
        default=[],
        description="Levels as limits are compared; without single passes, silence, and clock hours that hold a part "
        "of a period whose trains are not spread evenly",
    )

    def rated(self, rating: Rating) -> dict[str, list[Level]]:
        """Case -> the level that is compared, at each date: the rating level, or the level itself."""
        quantity = rating.quantity.removesuffix("_db")
        name = quantity if quantity in self.levels_db else quantity.removeprefix("l")
        return rating.rating_db or self.levels_db[name]


class Timeline(Part):
    """Levels before, between and after the track works."""

    calculator: str
    assessment_date: str = Field(description="Date that all other levels of the document are for, likely case")
    cases: list[str] = Field(
        description="likely: with likely parameters of the calculator; low and high: below these points lie 5 % and "
        "95 % of what random draws of its parameters give"
    )
    draws: int = Field(description="Number of random draws")
    seed: int = Field(description="What the draws follow from")
    dates: list[str]
    work_dates: list[str]
    runs: list[RailRunInfo]
    receivers: list[ReceiverTimeline]


ToneWord = Literal["likely", "possible", "unlikely"]


class ToneInfo(Part):
    """Tone of periodic marks on the rails under one service: f = order x speed / pitch."""

    service: str
    track: str
    from_m: float
    to_m: float
    pitch_mm: float
    pitch_given: bool = Field(description="False: the pitch is assumed")
    speed_km_h: tuple[float, float] = Field(description="Lowest and highest speed of the service there")
    frequency_hz: dict[int, tuple[float, float]] = Field(description="order -> lowest and highest frequency")
    fresh_date: str = Field(description="Day after the work that left the marks")
    wheel_roughness_db: float | None = Field(
        description="Level of the smoothest wheels of the train at the pitch, dB re 1 um; null: not known, left out"
    )
    margin_fresh_db: dict[str, float] = Field(
        description="case -> marks above all other roughness of rail and wheels in their band, while fresh"
    )
    margin_at_assessment_db: dict[str, float] | None = Field(
        description="The same at the assessment date; null: faded or not there yet"
    )
    margin_db: dict[str, list[float | None]] = Field(
        default={}, description="case -> the same at each date of the time line; null: faded or not there"
    )
    needed_margin_db: float = Field(description="Margin from which on the calculator takes a tone to be heard")
    smear_ratio: float = Field(description="Spread of the frequency, (max - min) / mean, above which it is smeared")


class ToneAtReceiver(Part):
    """Tone of marks as it arrives at a receiver when a train of one service passes."""

    receiver: str
    service: str
    track: str
    from_m: float
    to_m: float
    pitch_mm: float
    frequency_hz: tuple[float, float] = Field(description="Lowest and highest, by the energy that arrives")
    spread_ratio: float = Field(description="(max - min) / mean of that frequency")
    band_hz: float = Field(
        description="Third octave in or beside that range which stands out most while the marks are fresh"
    )
    over_neighbours_fresh_db: Level = Field(description="Its level above the louder neighbour; null: no neighbour")
    over_neighbours_at_date_db: Level
    fresh: ToneWord = Field(description="Is a tone heard while the marks are fresh?")
    at_date: ToneWord | None = Field(description="At the assessment date; null: faded or not there yet")
    flagged: bool | None = Field(
        default=None,
        description="A survey of third octaves that a criterion asks for finds a tone where these marks or their "
        "harmonics sound; null: no criterion asks for one here",
    )


class ThirdOctaveLevels(Part):
    """Third-octave Leq of all traffic at a receiver, 50 Hz to 10 kHz, not A-weighted."""

    receiver: str
    period: str = Field(description="Name of a period, or clock hours")
    leq_db: list[Level]


class Tones(Part):
    """Tones of marks on rails, and the spectra that tones are looked for in."""

    assessment_date: str = Field(description="Empty: the project asks for no rail state")
    marks: list[ToneInfo]
    at_receivers: list[ToneAtReceiver]
    third_octaves: list[ThirdOctaveLevels]


class StateInfo(Part):
    id: str
    name: str
    share: dict[str, float] = Field(description="period -> share of time in the year")
    changes: dict[str, str | float] = Field(
        default={}, description="What it changes: quantity, service, vehicle or water area -> value; empty: nothing"
    )


class ConditionInfo(Part):
    """Something that changes from day to day, and its states."""

    kind: Literal["water", "air", "rail", "driving", "timetable", "wheels", "weather"]
    states: list[StateInfo]


class SituationInfo(Part):
    label: str
    date: str = Field(description="Whose track and rails hold")
    states: dict[str, str] = Field(
        description="kind of condition -> its state, or the month whose shares hold; a kind that is left out has its "
        "mixture of the whole year"
    )


class CauseShare(Part):
    """The part of one cause in a change of level."""

    cause: str
    change_db: dict[str, float | None] = Field(description="lden or period -> part; null: a level is silence")


class Explanation(Part):
    """Why the level at a receiver differs between two situations; the parts add up to the change."""

    receiver: str
    start: SituationInfo
    end: SituationInfo
    start_db: dict[str, Level] = Field(description="lden or period -> level, by the forecast's calculators")
    end_db: dict[str, Level]
    causes: list[CauseShare]


class ActionGain(Part):
    receiver: str
    gain_db: float = Field(description="By how much Lden would fall without this part of the sound")


class Action(Part):
    """A place on the track where the numbers point to something that the depot can look at."""

    kind: Literal["joints", "turnout", "curve", "marks", "new_rail", "growth"]
    track: str
    from_m: float
    to_m: float
    gains: list[ActionGain] = Field(description="Receivers that it matters for, the largest gain first")


class Grid(Part):
    """Levels on a regular grid of points."""

    height_m: float
    spacing_m: float
    x: list[float]
    y: list[float]
    levels_db: dict[str, list[list[Level]]] = Field(description="quantity -> rows along y, entries along x")
    left_out_db: float = Field(
        default=0.0, description="Paths that were not computed add at most this to the level of any point and period"
    )
    n_inside: int = Field(
        default=0,
        description="Points inside buildings or below decks, which have the levels of the quietest point nearby",
    )
    n_on_track: int = Field(
        default=0,
        description="Points within 2 m of the centre line of a track, which have the highest level of the nearest "
        "points beside it",
    )


class MapLimit(Part):
    """The limit of a conflict map."""

    criterion: str | None = Field(description="Id of the criterion; null: a limit given with the map")
    use: str | None = Field(description="Use of the ground that the limit is for; it holds all over the map")
    area: str | None
    label: str
    limit_db: float
    adjustment_db: float = Field(description="What the criterion adds to the level before it compares")
    rounded_up: bool = Field(description="The criterion rounds up to whole dB before it compares")
    threshold_db: float = Field(description="Levels above it exceed the limit, adjustment and rounding considered")
    without_tones: bool = Field(description="The criterion asks for a search for tones, which a map does not make")
    source: str = Field(description="Where a limit given with the map is written")


class MapResult(Part):
    """A map that the project asks for, on the points of the grid."""

    id: str
    name: str
    kind: Literal["levels", "difference", "conflict"]
    quantity: str = Field(description="lden, lday, levening, lnight or laeq")
    window: str | None = Field(default=None, description="Clock hours of laeq")
    situation: SituationInfo
    before: SituationInfo | None = Field(default=None, description="difference: whose levels are taken away")
    limit: MapLimit | None = Field(default=None, description="conflict: what is compared with")
    measures: list[str] = Field(default=[], description="Measures in place; those of a difference not before")
    new_barriers: list[BarrierInfo] = Field(default=[], description="Which the measures add")
    new_banks: list[BankInfo] = []
    values_db: list[list[Level]] = Field(
        description="Rows along y, entries along x. levels: level; difference: level minus that before; conflict: "
        "level minus threshold. Null: silence. Inside buildings: the lowest of the points around"
    )
    edges_db: list[float] = Field(description="Borders of the classes; empty: nothing is heard")
    area_m2: list[float] = Field(
        description="Area of each class, from below the first border to above the last one, buildings left out"
    )


class CutTrack(Part):
    """A track where a section crosses it."""

    track: str
    at_m: float
    rail_z_m: float


class CutBarrier(Part):
    id: str
    at_m: float
    base_z_m: float = Field(description="Level of the ground or deck on which it stands")
    top_z_m: float
    height_m: float = Field(description="As given, above the ground or the rail")
    height_above: Literal["ground", "rail"] = "ground"


class CutDeck(Part):
    """Surface of a deck that a section cuts."""

    distance_m: list[float]
    z_m: list[float]


class CutBuilding(Part):
    id: str
    from_m: float
    to_m: float
    base_z_m: float
    top_z_m: float


class SectionResult(Part):
    """Levels in a vertical cut through the place."""

    id: str
    name: str
    quantity: str
    window: str | None = None
    situation: SituationInfo
    measures: list[str] = Field(default=[], description="Measures in place")
    line: tuple[XY, XY]
    distance_m: list[float] = Field(description="Along the cut")
    ground_z_m: list[float] = Field(description="Level of the ground at these distances")
    surface_z_m: list[float] = Field(description="The same, but for decks of viaducts, which lie on top")
    height_m: list[float] = Field(description="Heights above the ground")
    levels_db: list[list[Level]] = Field(
        description="Rows upwards, entries along the cut. Null: silence, inside a building, below a deck, or in the "
        "space of a train"
    )
    edges_db: list[float] = Field(description="Borders of the classes; empty: nothing is heard")
    tracks: list[CutTrack]
    barriers: list[CutBarrier]
    buildings: list[CutBuilding]
    decks: list[CutDeck] = []


class NoteUsed(Part):
    kind: Literal["validity", "assumption", "warning"]
    origin: str = Field(description="Calculator, or 'project' for warnings about the input")
    text: str
    standing: str


class Uncertainty(Part):
    standard_db: float = Field(description="Of long-term levels")
    pass_standard_db: float = Field(description="Of the largest level of a single pass")
    coverage_factor: float
    expanded_db: float = Field(description="Of long-term levels")
    pass_expanded_db: float = Field(description="Of the largest level of a single pass")
    statement: str
    standing: str


class Results(Part):
    """The whole document."""

    format_version: Literal[1] = 1
    provenance: Provenance
    project: dict[str, Any] = Field(description="The project as validated, defaults filled in")
    periods: list[Period]
    site: Site
    receivers: list[ReceiverResult]
    findings: list[Finding]
    uncertainty: Uncertainty
    notes: list[NoteUsed]
    grid: Grid | None
    maps: list[MapResult] = Field(default=[], description="Further maps that the project asks for")
    sections: list[SectionResult] = Field(default=[], description="Vertical sections that the project asks for")
    facades: Facades | None = Field(default=None, description="Null: no receivers on facades are asked for")
    timeline: Timeline | None = Field(default=None, description="Null: works are recorded only")
    situation: SituationInfo = Field(description="What the levels are for")
    conditions: list[ConditionInfo] = Field(default=[], description="What changes from day to day")
    explanations: list[Explanation] = Field(
        default=[], description="From before the works to the situation, by receiver"
    )
    actions: list[Action] = Field(default=[], description="For the depot, the largest gain first")
    tones: Tones | None = Field(default=None, description="Null: no marks to expect, no criterion asks for tones")
    options: OptionsResult | None = Field(default=None, description="What would help; null: no measures are considered")
    sure: Sure | None = Field(default=None, description="How sure the levels are; null: nothing was drawn")

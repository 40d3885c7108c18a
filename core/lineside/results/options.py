"""What would help: measures, options and their order in the results document."""

from __future__ import annotations

from typing import Any, Literal

from pydantic import BaseModel, ConfigDict, Field


class Part(BaseModel):
    """Base: unknown keys are refused, so that a reader may rely on the schema."""

    model_config = ConfigDict(extra="forbid")


class Source(Part):
    """Where a published value stands."""

    key: str
    title: str
    issuer: str
    year: int
    part: str = ""


class EffectInfo(Part):
    """A published effect; values without a source are questions, never stated here."""

    on: str = Field(description="Part of the sound that it acts on")
    low_db: float | None = Field(description="Smallest published reduction; positive: quieter")
    high_db: float | None
    typical_db: float | None
    form: str = Field(description="What the number is")
    conditions: str
    standing: str
    source: Source


class CostInfo(Part):
    """A price per unit, with its range and its source."""

    low: float
    likely: float
    high: float
    per: str = Field(description="m, m2, piece, vehicle or whole")
    every: str = Field(description="once or year")
    currency: str
    year: int = Field(description="Year of the price")
    source: str
    standing: str
    amount: float | None = Field(description="How much of it there is; null: not known")


class MeasureInfo(Part):
    """One measure to consider, with all that is said about it."""

    id: str = Field(description="Id in the project file")
    measure: str = Field(description="Name of the measure among the plugins")
    name: str
    title: str
    side: str = Field(description="source, path, indoors or waiting")
    acts_on: list[str]
    day: str = Field(description="Day from which it works")
    options: dict[str, Any]
    package: str
    effects: list[EffectInfo]
    costs: list[CostInfo]
    life_years: float | None
    life_source: str
    lead_days: int | None = Field(description="Time to put it in place; null: not known")
    side_conditions: list[str]
    approval: list[str]
    cannot: list[str]
    safety: list[str]
    warnings: list[str]
    prompts: list[str] = Field(description="What the user is asked for, as no source gives it")
    acts: bool = Field(description="Does it change a level outdoors at any receiver?")
    nothing: str = Field(default="", description="Why it acts on nothing; empty: it acts")
    indoors_db: list[float] | None = Field(
        default=None, description="Low, likely and high improvement inside the rooms; levels outdoors stay"
    )
    note: str = ""


class AboveLimit(Part):
    """Receivers above the limits of one check, before and with an option."""

    criterion: str
    label: str
    quantity: str
    window: str | None = None
    receivers_before: int
    receivers: int
    dwellings_before: int
    dwellings: int
    persons_before: int
    persons: int


class AboveAny(Part):
    """Above one limit or more, each counted once; limits of single passes are left out."""

    receivers: int
    dwellings: int
    persons: int


class Money(Part):
    """An amount with its range."""

    low: float
    likely: float
    high: float
    currency: str


class InTime(Part):
    """An option in time, against what wear-in does of itself."""

    takes_effect: str | None = Field(description="First date at which the mean Lden is lower by 0.1 dB or more")
    worn_in_anyway: str | None = Field(
        description="First date at which doing nothing comes within 0.1 dB of what the option has when it takes "
        "effect; null: not within the time line"
    )
    avoided_days: dict[str, float] = Field(
        default={}, description="Effect on people -> persons x days avoided within the time line"
    )
    until: str = Field(description="End of the time line")


class OptionResult(Part):
    """A set of measures and what it does."""

    id: str = Field(description="Follows from the ids of its measures alone, so that it is the same in each submission")
    measures: list[str] = Field(description="Ids of the measures, in the order of the project file")
    acts: bool = Field(description="Does it change a level outdoors at any receiver?")
    mean_reduction_db: dict[str, float] = Field(
        description="lden or period -> mean over receivers of the reduction; positive: quieter"
    )
    best_reduction_db: dict[str, float] = Field(description="Largest reduction at any receiver")
    worst_reduction_db: dict[str, float] = Field(description="Smallest reduction; negative: louder somewhere")
    forecast_mean_reduction_db: dict[str, float] = Field(
        default={}, description="The same with the forecast's calculators, where they are others"
    )
    lden_db: dict[str, float | None] = Field(
        default={}, description="Receiver -> Lden; only for options that are shown"
    )
    above: list[AboveLimit]
    above_any: AboveAny
    people: dict[str, float] = Field(default={}, description="Effect -> persons affected")
    decibel_dwellings: float = Field(description="Sum over receivers of dwellings x reduction of Lden")
    cost: Money | None = Field(default=None, description="Present value over the years of the rules; null: not known")
    cost_unknown: list[str] = Field(default=[], description="What is missing for the cost")
    cost_per_db_dwelling: Money | None = Field(
        default=None, description="Present value over the sum of dwellings x reduction of Lden"
    )
    fades: bool = Field(
        default=False, description="Doing nothing comes as low within the time line: no cost per decibel is stated"
    )
    pareto: bool = Field(default=False, description="No option is both cheaper and better, by the benefit")
    in_time: InTime | None = None


class Place(Part):
    """A place in the recommended order, with the reasons in words."""

    option: str
    reason: str


class Rejected(Part):
    """A set of measures that was left out or could not be computed."""

    measures: list[str]
    reason: str


class Suggestion(Part):
    """A measure of the catalogue that acts on what prevails at a receiver, but is not considered yet."""

    measure: str
    title: str
    acts_at: dict[str, list[str]] = Field(description="Mechanism -> receivers at which it prevails in Lden")


class PlaceOfWall(Part):
    """A part of a wall or bank in one height."""

    height_m: float
    from_m: float = Field(description="Along its line, from its first point")
    to_m: float
    decibel_dwellings: float = Field(description="Sum over receivers of dwellings x reduction of Lden, estimated")
    computed: float | None = Field(default=None, description="The same computed directly; null: not done")
    cost: Money | None = None


class WallSearch(Part):
    """How high and how long a wall or bank must be, and where."""

    measure: str
    length_m: float = Field(description="Of its whole line")
    weighted_by: Literal["dwellings", "receivers"] = Field(description="What decibels are summed over")
    best: list[PlaceOfWall] = Field(description="For each height and length the place that helps most")
    chosen: list[PlaceOfWall] = Field(
        description="For each height that helps the shortest part with most of what the best part gives; computed "
        "directly as well"
    )
    share: float = Field(description="Least share of what the best part of that height gives")
    least: float = Field(description="A height of which no part gives as much is not chosen; as ``decibel_dwellings``")
    largest_gap: float = Field(description="Largest difference between estimated and computed, share of the computed")


class RelationInfo(Part):
    """The relation between levels and people with a harmful effect."""

    name: str
    title: str
    statement: str
    verification: str
    verification_note: str
    words: dict[str, str] = Field(description="Effect -> how it is called")
    indicator: dict[str, str] = Field(description="Effect -> the level that it follows from")
    valid_db: dict[str, list[float]] = Field(description="Effect -> lowest and highest level that it covers")
    caution: str = ""
    sources: list[Source]


class OptionsResult(Part):
    """Everything about the options of a project."""

    date: str = Field(description="Day for which options are compared")
    years: int
    discount_rate_pct: float
    benefit: Literal["decibel_dwellings", "mean_reduction_db"] = Field(
        default="decibel_dwellings",
        description="What cost is compared with in the Pareto set; the mean reduction of Lden where no receiver has "
        "dwellings",
    )
    above_before: AboveAny = Field(description="The project as it is")
    dose_effect: str = Field(default="", description="Relation between levels and people affected; empty: none")
    relation: RelationInfo | None = None
    people_before: dict[str, float] = Field(default={}, description="Effect -> persons affected now")
    people_outside: dict[str, int] = Field(
        default={}, description="Effect -> persons at levels that the relation does not cover"
    )
    measures: list[MeasureInfo]
    options: list[OptionResult]
    rejected: list[Rejected]
    order: list[Place]
    places: WallSearch | None = Field(default=None, description="Where the project asks for it")
    suggestions: list[Suggestion] = Field(default=[], description="Where the project asks for them")
    notes: list[str]
    n_states: int = Field(description="Pairs of group of sections and state that were evaluated")
    n_transfers: int = Field(description="Transfers computed for other walls or buildings")

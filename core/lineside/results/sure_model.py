"""The part of the results document that says how sure levels are."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict, Field


class Part(BaseModel):
    """Base: unknown keys are refused."""

    model_config = ConfigDict(extra="forbid")


class UncertainInput(Part):
    """Something that is known within a range only."""

    group: str
    label: str
    low: float
    likely: float
    high: float
    unit: str = Field(description="Empty: that of the field of the project file")
    shape: str = Field(
        description="triangular or uniform: all between low and high; normal or lognormal: 9 times in 10"
    )
    standing: str
    source: str
    kind: str = Field(
        description="number: of the project file; error: of a method or table, about 0; ends: known at low and high "
        "only, given as -1, 0 and 1"
    )
    acts: bool = Field(description="Whether it changes any level")


class ReceiverSure(Part):
    """Levels of one receiver: lden, periods and clock hours by name; null: silence."""

    receiver: str
    low_db: dict[str, float | None] = Field(description="5 % of the draws lie below")
    median_db: dict[str, float | None]
    high_db: dict[str, float | None] = Field(description="5 % of the draws lie above")
    first: dict[str, dict[str, float]] = Field(
        description="lden or night -> group -> first-order share of the variance of the level"
    )
    total: dict[str, dict[str, float]] = Field(description="The same, with all interactions of the group")
    narrower_db: dict[str, dict[str, float]] = Field(
        description="lden or night -> group -> by how much the 90 % interval would be narrower were the group known to "
        "be at its likely values"
    )


class Sure(Part):
    """How sure the levels at the receivers are, by draws of all inputs with ranges."""

    draws: int
    seed: int
    settled_db: float = Field(description="Draws were doubled until no bound moved by more, or to the largest number")
    moved_db: float = Field(description="How far any bound moved when draws were last doubled")
    direct_draws: int = Field(description="Draws that the whole model computed as well")
    direct_db: float | None = Field(description="Largest difference of a level in them; null: none was computed")
    transfers: int = Field(description="Transfers that were computed for it")
    groups: list[str] = Field(description="Groups of inputs that act, in order")
    without_range: list[str] = Field(description="Groups of which no input has a range: taken as exact")
    not_stated: list[str] = Field(description="Calculators that state no uncertainty of their own: taken as exact")
    exact_spectra: list[str] = Field(description="Spectra without a range: taken as exact")
    inputs: list[UncertainInput]
    receivers: list[ReceiverSure]

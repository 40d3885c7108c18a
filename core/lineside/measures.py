"""Measures against noise: what a plugin offers, and what is said about each of them.

A measure is a pure function from a project to a project: it writes what it changes in the project's own words (a work,
a speed limit, a barrier, an option of a calculator) and computes no levels itself. What is known about its effect, and
how well, stands beside it as data; what nobody has published is asked of the user and never stated.
"""

from __future__ import annotations

import datetime as dt
from abc import abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, ClassVar, Literal

from pydantic import Field

from lineside.acoustics.bands import Array
from lineside.contracts import Citation, Offer, Options, Standing
from lineside.errors import PluginError
from lineside.project.model import Project
from lineside.project.types import IsoDate
from lineside.scene.model import BoolArray, IntArray, Spectrum

#: Where a measure acts: what trains and track emit, the way of the sound, inside the house only, or nowhere (waiting).
Side = Literal["source", "path", "indoors", "waiting"]
#: What the cost of a measure may be counted by.
Unit = Literal["m", "m2", "piece", "vehicle", "whole"]

TRACK_SAFETY = "Work on or near the track only under the infrastructure manager's safety arrangements."
FRICTION_APPROVAL = (
    "Lubricants and friction modifiers need approval for adhesion, braking and train detection before any is applied."
)


@dataclass(frozen=True)
class Effect:
    """What is known about the size of an effect; a reduction is positive. [dB]

    ``on``: the part of the sound that it acts on; ``form``: what the number is. Only what a law or a publication says
    is stated; other values are kept to ask the user for his own.
    """

    on: str
    low_db: float | None
    high_db: float | None
    typical_db: float | None
    form: str
    conditions: str
    standing: Standing
    citation: Citation | None = None

    def __post_init__(self) -> None:
        if self.stated and self.citation is None:
            raise PluginError(f"the effect on {self.on!r} is stated, but names no source")

    @property
    def stated(self) -> bool:
        """May the value be printed as what somebody published?"""
        return self.standing in (Standing.LAW, Standing.READ)


@dataclass(frozen=True)
class Cost:
    """A price with its range. ``every``: once, or each year of the service life."""

    low: float
    likely: float
    high: float
    per: Unit
    every: Literal["once", "year"]
    currency: str
    year: int
    source: str
    standing: Standing


@dataclass(frozen=True)
class Facts:
    """What the report says about a measure, whatever the project.

    ``prompts``: what the user is asked for because no source gives it.
    """

    effects: tuple[Effect, ...] = ()
    costs: tuple[Cost, ...] = ()  # published ones only
    side_conditions: tuple[str, ...] = ()
    approval: tuple[str, ...] = ()  # who must approve
    cannot: tuple[str, ...] = ()  # what it cannot do
    safety: tuple[str, ...] = ()
    prompts: tuple[str, ...] = ()


@dataclass(frozen=True)
class Lack:
    """Why a measure cannot be applied as it is written; ``field`` is the option at fault."""

    field: str
    message: str
    allowed: str = ""


@dataclass(frozen=True, eq=False)
class Known:
    """What a measure may look up beside the project.

    ``alignments``: track -> (chainage (n,), points (n, 3)) [m]; ``spectra`` by id; ``times``: service -> minutes since
    midnight (n,); ``running``: names of the calculators that take part. ``tabulated(attribute, name)``: a tabulated
    class as a spectrum. ``exceeds(project, track, from_m, to_m, excess_db, after)``: first day after a date on which
    the rails of the place are rougher by that much than once worn in; None: never, or no rail state is computed.
    """

    alignments: Mapping[str, tuple[Array, Array]]
    spectra: Mapping[str, Spectrum] = field(default_factory=dict)
    times: Mapping[str, IntArray] = field(default_factory=dict)
    running: tuple[str, ...] = ()
    tabulated: Callable[[str, str], Spectrum | None] = lambda attribute, name: None
    exceeds: Callable[[Project, str, float, float, float, dt.date], dt.date | None] = lambda *_: None


class MeasureOptions(Options):
    """What every measure may be told."""

    date: Annotated[dt.date, IsoDate] | None = Field(
        default=None, description="Day from which the measure works, YYYY-MM-DD. Default: first assessment date"
    )

    def day(self, project: Project) -> dt.date:
        """The day from which the measure works in a project."""
        return self.date or first_date(project)


def first_date(project: Project) -> dt.date:
    """The first assessment date, or the date of the project."""
    return (*project.identity.assessment_dates, project.identity.date)[0]


class Measure(Offer):
    """Something that may be done against noise.

    ``apply`` never changes its input, gives the same project for the same question, and acts only from ``options.date``
    on as far as the project's own words have dates (works); where they have none, the runner applies a measure only
    to situations on or after its date.
    """

    side: ClassVar[Side]
    #: mechanisms whose sound it can change; ``all``: whatever sounds
    acts_on: ClassVar[tuple[str, ...]]
    #: measures are applied in rising order of stage, then of their ids: one that starts from what others leave is later
    stage: ClassVar[int] = 50
    #: work on or near the track
    near_track: ClassVar[bool] = False
    #: puts something between wheel and rail
    on_friction: ClassVar[bool] = False
    options_model: ClassVar[type[Options]] = MeasureOptions

    @abstractmethod
    def facts(self) -> Facts:
        """What is known about it."""

    @abstractmethod
    def apply(self, project: Project, options: Options, known: Known) -> Project:
        """The project with the measure in place; the project itself where it changes nothing outdoors."""

    def lacks(self, project: Project, options: Options, known: Known) -> Sequence[Lack]:
        """What is wrong with the options in this project."""
        return ()

    def without_effect(self, project: Project, options: Options, known: Known) -> str:
        """Why the chosen calculation cannot hear it; empty: it can."""
        return ""

    def fits(self, project: Project, known: Known) -> bool:
        """Whether the project has anything that the measure could act on; asked before it is suggested."""
        return True

    def amounts(self, project: Project, options: Options, known: Known) -> Mapping[Unit, float]:
        """How much of it there is, by what its cost may be counted by."""
        return {"whole": 1.0}

    def warnings(self, project: Project, options: Options, known: Known) -> Sequence[str]:
        """What the user should know about it in this project."""
        return ()

    def indoors_db(self, options: Options) -> tuple[float, float, float] | None:
        """Low, likely and high improvement inside the rooms, for measures indoors. [dB]"""
        return None

    def part(self, options: Options, known: Known, height_m: float, begin: float, end: float) -> Options | None:
        """The options of the same measure in another height, and with a part of its length only.

        ``begin``, ``end``: shares of the length, 0 to 1. None: it has no such parts (only walls and banks have).

        Raises
        ------
        OutOfRangeError
            If it cannot have that height.
        """
        return None

    def approvals(self) -> tuple[str, ...]:
        """Who must approve; always with what friction on the rail needs."""
        return (*((FRICTION_APPROVAL,) if self.on_friction else ()), *self.facts().approval)

    def cautions(self) -> tuple[str, ...]:
        """Safety notes; always with what work near the track needs."""
        return (*((TRACK_SAFETY,) if self.near_track else ()), *self.facts().safety)


def day_of(options: Options, project: Project) -> dt.date:
    """The day from which a measure with these options works."""
    given = getattr(options, "date", None)
    return given if isinstance(given, dt.date) else first_date(project)


class DoseEffect(Offer):
    """Shares of people with a harmful effect of long-term noise."""

    #: name of the effect -> indicator that it follows from (``lden_db`` or ``lnight_db``)
    effects: ClassVar[Mapping[str, str]]
    #: how the effect is called in tables
    words: ClassVar[Mapping[str, str]] = {}
    caution: ClassVar[str] = ""

    @abstractmethod
    def share(self, effect: str, level_db: Array) -> Array:
        """Share of the exposed people, 0 to 1, at levels of the effect's indicator; same shape."""

    @abstractmethod
    def valid(self, effect: str, level_db: Array) -> BoolArray:
        """Whether the relation covers the levels; same shape, bool."""

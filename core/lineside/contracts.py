"""What a plugin offers to lineside: calculators, criteria and named methods.

A plugin subclasses these, and registers *instances* through the hooks of
:mod:`lineside.hookspecs`. Objects are stateless: they read their tables when constructed, change
no input, and give the same answer for the same question.
"""

from __future__ import annotations

import datetime as dt
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, GetCoreSchemaHandler
from pydantic_core import CoreSchema, PydanticKnownError, core_schema

from lineside.acoustics.bands import Array
from lineside.errors import PluginError

if TYPE_CHECKING:
    from lineside.scene.model import Receivers, Scene, SourcePoints, Spectrum, TrackLine


class Verification(StrEnum):
    """How a calculator's numbers were checked; printed beside every result."""

    PUBLISHED = "reproduces published cases"
    COMPUTED = "agrees with an independent computation"
    NOT_VERIFIED = "not verified"


class Standing(StrEnum):
    """Where a value comes from; printed beside every assumption."""

    LAW = "law or standard"
    READ = "read in a published source"
    PRACTICE = "common practice, no source"
    ASSUMPTION = "assumption"
    USER = "given in the project file"


@dataclass(frozen=True)
class Citation:
    """A published source: enough for a reader to find the page."""

    key: str
    title: str
    issuer: str
    year: int
    part: str = ""


@dataclass(frozen=True)
class Validity:
    """A range in which a calculator may be used; ``what`` names the quantity and its unit."""

    what: str
    unit: str
    low: float
    high: float
    reason: str


#: Shapes of the distribution of something that is known within a range; of the first two nothing lies beyond low and
#: high, of the others 5 % below and 5 % above, and the likely value is the median.
RangeForm = Literal["triangular", "uniform", "normal", "lognormal"]


@dataclass(frozen=True)
class Doubt:
    """How far levels may be off: 9 times in 10 by no more than this, either way."""

    half_width_db: float
    standing: Standing
    source: str  # where the value comes from, in words

    def __post_init__(self) -> None:
        if not 0.0 <= self.half_width_db < float("inf"):
            raise PluginError(f"a doubt of {self.half_width_db} dB either way is none")


@dataclass(frozen=True, eq=False)
class PathDoubt:
    """As :class:`Doubt`, for each path asked about: ``half_width_db`` (n,)."""

    half_width_db: Array
    standing: Standing
    source: str


@dataclass(frozen=True, eq=False)
class OptionDoubt:
    """A number of the options that is known within a range only; the options in use have the likely one.

    ``at(options, value)``: the options with another value of it.
    """

    label: str
    low: float
    likely: float
    high: float
    at: Callable[[Any, float], Options]
    standing: Standing
    source: str
    form: RangeForm = "triangular"


@dataclass(frozen=True)
class Note:
    """Something a calculator has to tell the reader of the report about this project."""

    kind: Literal["validity", "assumption"]
    text: str
    standing: Standing = Standing.ASSUMPTION


@dataclass(frozen=True)
class Term:
    """One name that a project may use for an attribute (a tabulated class).

    ``needs`` lists other attributes that must be named beside it, for example a sleeper's rail pad.
    """

    name: str
    meaning: str
    needs: tuple[str, ...] = ()


def _take_as_written(schema: Any) -> None:
    """Make every number and flag inside a core schema strict; not keys of mappings, which JSON writes as text."""
    if isinstance(schema, dict):
        if schema.get("type") in ("float", "int", "bool"):
            schema["strict"] = True
        elif schema.get("type") == "literal" and not any(isinstance(e, bool) for e in schema["expected"]):
            inner = dict(schema)
            schema.clear()
            schema.update(core_schema.no_info_before_validator_function(_no_flag(inner["expected"]), inner))
            return
        for key, part in schema.items():
            if key not in ("keys_schema", "default", "metadata", "serialization"):
                _take_as_written(part)
    elif isinstance(schema, list | tuple):
        for part in schema:
            _take_as_written(part)


def _no_flag(expected: Sequence[object]) -> Callable[[object], object]:
    """Yes equals 1 in Python, but is none of some numbers."""

    def check(value: object) -> object:
        if isinstance(value, bool):
            raise PydanticKnownError("literal_error", {"expected": ", ".join(map(repr, expected))})
        return value

    return check


class Options(BaseModel):
    """Base of every options model: unknown keys are refused, values are frozen.

    Numbers are finite numbers and flags are yes or no: text such as ``"3"`` and yes in the place of 1 are refused.
    """

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    @classmethod
    def __get_pydantic_core_schema__(cls, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        """The model's own schema, with numbers and flags taken as they are written."""
        schema = handler(source)
        _take_as_written(schema)
        return schema


@dataclass(frozen=True)
class DataFile:
    """A table that a calculator read: printed with its hash in the report."""

    name: str
    title: str
    source: str
    sha256: str


class Offer(ABC):
    """What all registered objects declare about themselves."""

    name: ClassVar[str]
    title: ClassVar[str]
    version: ClassVar[str]
    sources: ClassVar[tuple[Citation, ...]] = ()
    verification: ClassVar[Verification] = Verification.NOT_VERIFIED
    verification_note: ClassVar[str] = ""
    options_model: ClassVar[type[Options]] = Options

    def data_files(self) -> tuple[DataFile, ...]:
        """Tables that this object uses."""
        return ()

    def statement(self, options: Options) -> str:
        """What was computed and how, in one paragraph for the report."""
        return self.title


@dataclass(frozen=True)
class SourceClass:
    """Sources of one height and directivity: they share every propagation path.

    ``gain`` maps the angles of a path to an energy factor per third octave:
    ``gain(phi_deg, psi_deg) -> (..., 24)``. phi is the horizontal angle between the track's
    direction and the direction of propagation (90 = abeam), psi the vertical angle from the source
    to the receiver, up positive. ``None`` means no directivity.
    """

    name: str
    height_m: float
    gain: Callable[[Array, Array], Array] | None = field(default=None, compare=False)


class SourceCalculator(Offer):
    """A mechanism that makes sound.

    ``emission`` returns, per source class, the sound power of ONE vehicle while it is in a section:
    energy re 1 pW, ``(n_rows, n_sections, 24)``, rows as in ``scene.traffic``. It depends on
    roughness, speed, works and rail condition; never on receivers.
    """

    mechanism: ClassVar[str]  # rolling, impact, squeal, traction, aerodynamic, bridge
    validity: ClassVar[tuple[Validity, ...]] = ()
    #: does the sound power depend on whether the rails are dry, damp or wet?
    by_rail_condition: ClassVar[bool] = False
    #: other mechanisms whose sound power ``emission_beside`` needs; their calculators are asked first
    builds_on: ClassVar[tuple[str, ...]] = ()
    #: attribute of track or vehicle -> names that this calculator knows (tabulated classes)
    vocabulary: ClassVar[Mapping[str, tuple[Term, ...]]] = {}
    #: attribute of track or vehicle -> how far a class that ``tabulated`` gives may be off for what is really there
    class_doubts: ClassVar[Mapping[str, Doubt]] = {}

    @abstractmethod
    def emission(self, scene: Scene, options: Options) -> Mapping[SourceClass, Array]:
        """Sound power of one vehicle per source class, energy re 1 pW, (n_rows, n_sections, 24)."""

    def emission_beside(
        self, scene: Scene, options: Options, others: Mapping[str, Mapping[SourceClass, Array]]
    ) -> Mapping[SourceClass, Array]:
        """What is computed: ``emission``, for a calculator that needs the power of other mechanisms beside it.

        ``others`` has one entry per mechanism of ``builds_on``: power per source class as ``emission`` gives it,
        read-only, all calculators of that mechanism together; without classes where none takes part.
        """
        return self.emission(scene, options)

    def cuts(self, track: TrackLine, options: Options) -> Array:
        """Chainages at which this mechanism changes along the track, (n,). [m]"""
        return np.empty(0)

    def tabulated(self, attribute: str, name: str) -> Spectrum | None:
        """A tabulated class of the vocabulary as a spectrum; None where this calculator has none to give.

        ``track_transfer`` is asked for by sleeper and rail pad, "monoblock + medium", or by the sleeper alone;
        ``impact_roughness`` with an empty name is that of the method itself.
        """
        return None

    def doubt(self, options: Options) -> Doubt | None:
        """How far its sound power may be off where all inputs are right; None: nothing is stated."""
        return None

    def option_doubts(self, options: Options) -> Sequence[OptionDoubt]:
        """Options of the project that are known within ranges."""
        return ()

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        return ()


@dataclass(frozen=True)
class RailWork:
    """One track work, with the details that the chosen :class:`RailStateCalculator` understands."""

    date: dt.date
    kind: str
    details: Options


@dataclass(frozen=True, eq=False)
class MeasuredRoughness:
    """Roughness of a run as it was measured on a date."""

    date: dt.date
    wavelength_mm: Array  # (n,) rising
    level_db: Array  # (n,) [dB re 1 um]
    source: str  # who measured, by which standard


@dataclass(frozen=True, eq=False)
class RailRun:
    """A run of rail along which base roughness, works, measurements, traffic and curvature are the same."""

    wavelength_mm: Array  # (n,) rising, of the base roughness
    level_db: Array  # (n,) long-term roughness [dB re 1 um]
    works: tuple[RailWork, ...]  # in date order
    mgt_per_day: float  # million gross tonnes a day
    curve_radius_m: float  # inf: straight
    measured: tuple[MeasuredRoughness, ...] = ()  # in date order
    place: str = ""  # for readers: track and chainage

    @property
    def begins(self) -> dt.date:
        """From here on the rail may be another than its base; what is measured before the first work holds always."""
        if self.works and self.measured and self.measured[0].date < self.works[0].date:
            return dt.date.min
        return min([w.date for w in self.works] + [m.date for m in self.measured], default=dt.date.max)


#: The three cases of levels in time: likely is the level with likely parameters, low and high are the points below
#: which 5 % and 95 % of the levels of random draws of all parameters lie.
RAIL_CASES = ("low", "likely", "high")


@dataclass(frozen=True, eq=False)
class RailRoughness:
    """Roughness of runs of rail at dates.

    ``level_db`` (n_runs, n_dates, 1 + n_draws, n_wavelengths) [dB re 1 um]: with likely parameters first, then with
    random draws; ``worn_in_db`` (n_runs, n_wavelengths): once all that the last work left has worn away, before
    anything grows.
    """

    wavelength_mm: Array  # (n_wavelengths,) rising or falling
    level_db: Array
    worn_in_db: Array


#: Parts of the roughness of a rail: the running surface itself, the finish and the marks that the last work left, and
#: what has grown since.
RAIL_PARTS = ("surface", "finish", "marks", "growth")


@dataclass(frozen=True, eq=False)
class RailParts:
    """Mean-square roughness of runs of rail at dates by its parts, with likely parameters; they add up to it.

    ``energy`` maps each of ``RAIL_PARTS`` to (n_runs, n_dates, n_wavelengths). [um2]
    """

    wavelength_mm: Array  # (n_wavelengths,) rising or falling
    energy: Mapping[str, Array]


@dataclass(frozen=True)
class RailTone:
    """A periodic pattern on a rail, which sounds at the frequency speed / pitch and its multiples."""

    pitch_mm: float
    pitch_given: bool  # False: an assumed pitch
    orders: tuple[int, ...]  # 1 is the pitch itself
    margin_db: tuple[float, float, float]  # by how much it exceeds the rest of the rail's roughness, by case
    smear_ratio: float  # frequency that varies by more than this, (max - min) / mean, is heard as no tone
    #: the rest of the rail's roughness in the band of the pattern, by case [dB re 1 um]; None: not known
    other_db: tuple[float, float, float] | None = None
    needed_margin_db: float = 0.0  # above all other roughness, rail and wheel: from here on it is heard as a tone

    def frequency_hz(self, speed_km_h: Array, order: int = 1) -> Array:
        """f = order x v / pitch."""
        return order * np.asarray(speed_km_h, dtype=np.float64) / 3.6e-3 / self.pitch_mm


class RailStateCalculator(Offer):
    """How the roughness of rails changes with works, traffic and time.

    Before the first work of a run its base roughness holds, or what was measured before that work; a work counts from
    its own date on. What is measured in a run without works holds from its date on.
    """

    #: what the ``details`` of a work may say
    work_model: ClassVar[type[Options]] = Options

    @abstractmethod
    def roughness(
        self, runs: Sequence[RailRun], dates: Sequence[dt.date], options: Options, n_draws: int = 0, seed: int = 1
    ) -> RailRoughness:
        """Roughness of each run at each date.

        Draws follow from the seed alone and are common to all runs and dates.
        """

    @abstractmethod
    def parts(self, runs: Sequence[RailRun], dates: Sequence[dt.date], options: Options) -> RailParts:
        """Likely roughness of each run at each date, by its parts."""

    @abstractmethod
    def tones(
        self, run: RailRun, date: dt.date, options: Options, n_draws: int = 200, seed: int = 1
    ) -> Sequence[RailTone]:
        """Periodic patterns on a run at a date."""

    def notes(self, runs: Sequence[RailRun], options: Options) -> Sequence[Note]:
        """Parameters and assumptions with their standing, and what measurements say about these runs."""
        return ()


@dataclass(frozen=True, eq=False)
class ReflectedPaths:
    """Paths by way of reflecting walls, one row each; they leave the track in directions of their own.

    ``transfer`` (n, n_heights, n_states, 8) as in :class:`PathLoss`, loss at the walls included.
    """

    receiver: NDArray[np.int64]  # (n,)
    point: NDArray[np.int64]  # (n,)
    phi_deg: Array  # (n,) horizontal angle between track and path where it leaves the track
    length_m: Array  # (n,) in plan, unfolded
    transfer: Array


@dataclass(frozen=True, eq=False)
class PathLoss:
    """What one propagation calculator says about paths from points to receivers.

    ``transfer`` is the energy ratio 10^(-A/10) between octave-band sound power (re 1 pW) and
    mean-square pressure (re 20 uPa), without directivity, of all direct paths:
    ``(n_receivers, n_points, n_heights, n_states, 8)``. ``left_out`` (n_receivers, n_points): upper bound of the same
    ratio, in any band and state, of paths that were not computed; None: all were.
    """

    states: tuple[str, ...]
    transfer: Array
    reflected: ReflectedPaths | None = None
    left_out: Array | None = None


class PropagationCalculator(Offer):
    """How sound travels from source points to receivers."""

    states: ClassVar[tuple[str, ...]]  # weather states, e.g. homogeneous, favourable
    validity: ClassVar[tuple[Validity, ...]] = ()

    @abstractmethod
    def path_loss(
        self, scene: Scene, points: SourcePoints, heights_m: Array, receivers: Receivers, options: Options
    ) -> PathLoss:
        """Transfer for every pair of point and receiver at each source height above the rails.

        Called from several threads at once, so compiled kernels let others run beside them and start no threads.
        """

    @abstractmethod
    def state_share(self, favourable: Array) -> Array:
        """Share of time of each state, given the share of favourable propagation.

        ``(...)`` to ``(..., n_states)``; sums to 1.
        """

    @abstractmethod
    def source_ground_g(self, form: str) -> float:
        """Ground factor of the source area for a track form, where the project gives none."""

    @abstractmethod
    def surfaces(self) -> Mapping[str, tuple[float, str]]:
        """Named ground surfaces that a project may use: name -> (G, meaning)."""

    def max_piece_ratio(self, options: Options) -> float:
        """Longest piece of track allowed as one point, as a ratio to its distance."""
        return 0.5

    def most_transfer(self, scene: Scene, distance_m: Array, options: Options) -> Array | None:
        """Upper bound of the energy ratio of all paths together from a point at a distance in plan; (..., 8).

        Proven from the formulas, whatever lies on the way, for any height and state; it never rises with distance,
        which counts from the nearest place of the piece of track that a point stands for. None: no bound is known, so
        that nothing may be left out.
        """
        return None

    def doubt(self, distance_m: Array, height_m: Array, options: Options) -> PathDoubt | None:
        """How far levels at receivers may be off where sound power and surroundings are right; None: not stated.

        Parameters
        ----------
        distance_m : ndarray, (n,)
            Plan distance to the nearest track.
        height_m : ndarray, (n,)
            Mean height of rail head and receiver above the ground.
        """
        return None

    def notes(self, scene: Scene, options: Options) -> Sequence[Note]:
        """Ranges left and assumptions made for this project."""
        return ()


@dataclass(frozen=True)
class Window:
    """A stretch of the day over which a level is averaged: clock hours [from, to), wrapping midnight."""

    from_hour: int
    to_hour: int

    def __post_init__(self) -> None:
        if not (0 <= self.from_hour <= 23 and 0 <= self.to_hour <= 24):
            raise PluginError(f"a window from hour {self.from_hour} to hour {self.to_hour} is none of the clock's")

    def hours(self) -> NDArray[np.int64]:
        """The clock hours inside, in order.

        >>> Window(22, 6).hours().tolist()
        [22, 23, 0, 1, 2, 3, 4, 5]
        """
        n = (self.to_hour - self.from_hour - 1) % 24 + 1
        return (self.from_hour + np.arange(n)) % 24


@dataclass(frozen=True)
class ToneRule:
    """An adjustment for audible tones that a criterion asks for, by a survey of third octaves.

    A tone is found where a third octave exceeds both its neighbours by the threshold of its range, or more.
    """

    name: str  # edition and clause, printed: "ISO 1996-2:2007, Annex D"
    thresholds: tuple[tuple[float, float, float], ...]  # (lowest, highest third octave [Hz], threshold [dB])
    adjustment_db: float  # added to the level where a tone is found

    def __post_init__(self) -> None:
        if not all(low <= high and 0 < threshold < np.inf for low, high, threshold in self.thresholds):
            raise PluginError(f"tone rule {self.name!r}: a threshold needs its lowest and highest band, and a level")
        if not 0 < self.adjustment_db < np.inf:
            raise PluginError(f"tone rule {self.name!r}: the adjustment must be above 0 dB")


@dataclass(frozen=True)
class LimitCheck:
    """One comparison that a criterion asks for at one receiver.

    ``quantity`` is ``lden_db``, ``lday_db``, ``levening_db``, ``lnight_db``, ``laeq_db`` (then ``window`` is
    set) or ``lafmax_db``. ``rounding``: ``up`` rounds the level up to a whole dB before comparing,
    as some laws ask; ``none`` compares as computed.
    """

    quantity: str
    limit_db: float
    label: str
    window: Window | None = None
    rounding: Literal["none", "up"] = "none"
    adjustment_db: float = 0.0
    tone: ToneRule | None = None
    adjustment_for_tones: bool = False  # adjustment_db stands for tones already

    def __post_init__(self) -> None:
        if self.rounding not in ("none", "up"):
            raise PluginError(f"limit {self.label!r}: rounding is none or up, not {self.rounding!r}")
        if self.tone is not None and self.quantity == "lafmax_db":
            raise PluginError(f"limit {self.label!r}: a tone rule judges average levels, not the level of one pass")
        if self.tone is not None and self.adjustment_for_tones:
            raise PluginError(f"limit {self.label!r}: a fixed adjustment for tones and a tone rule count tones twice")


@dataclass(frozen=True)
class NotApplicable:
    """Why a criterion cannot be applied to a receiver; printed, never dropped."""

    reason: str


@dataclass(frozen=True)
class ReceiverUse:
    """What a criterion may know about a receiver."""

    id: str
    use: str
    area: str | None
    extra: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Particulars:
    """What the report says about a limit set."""

    title: str
    place: str
    valid_from: str
    nature: str
    caution: str


class Criterion(Offer):
    """A limit set: which quantity must not exceed what, where, and by which rule it is compared."""

    place: ClassVar[str]  # where it applies
    valid_from: ClassVar[str]
    nature: ClassVar[str]  # "legal limit", "guideline value", ...
    caution: ClassVar[str] = ""  # printed with every finding

    def particulars(self, options: Options) -> Particulars:
        """What the report says about this limit set; depends on options only where the user writes the limits."""
        return Particulars(self.title, self.place, self.valid_from, self.nature, self.caution)

    @abstractmethod
    def checks(self, receiver: ReceiverUse, options: Options) -> Sequence[LimitCheck] | NotApplicable:
        """The comparisons for one receiver."""


@dataclass(frozen=True)
class Method:
    """A named, complete set of calculators."""

    name: str
    title: str
    source_calculators: tuple[str, ...]
    propagation: str
    options: Mapping[str, Mapping[str, object]] = field(default_factory=dict)


@dataclass(frozen=True)
class ReportSection:
    """A section of appendix C, in the reports of those projects that name it under ``report_sections``.

    ``template`` is a Jinja template, by its name inside ``package``'s folder ``templates``. ``reads`` names the parts
    of the results document that it uses; these and no others are its variables, read-only. It computes nothing: there
    are no arithmetic operators, and numbers are printed by filters only (:mod:`lineside.report.sandbox`). What HTML it
    may give stands in :mod:`lineside.report.section_html`.
    """

    name: str
    title: str
    version: str
    package: str
    template: str
    reads: tuple[str, ...]

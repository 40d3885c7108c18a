"""Works of one section in date order, and the roughness that follows from them.

Chainage is the caller's matter: it cuts sections at the ends of works and passes to each section the works that cover
it. A work counts from its own date on.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import pairwise

import numpy as np

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_energy
from lineside.errors import OutOfRangeError
from lineside_plugins.rail_wear.bands import N_WAVELENGTHS
from lineside_plugins.rail_wear.marks import marks_shape
from lineside_plugins.rail_wear.parameters import Parameters, table
from lineside_plugins.rail_wear.wear import finish_shape, roughness_parts

DAYS_PER_YEAR = 365.25
FINISHES = ("production", "acoustic")
#: Terms of the roughness.
PARTS = ("base", "finish", "marks", "growth")


@dataclass(frozen=True)
class Work:
    """One work on a section. The fields from ``machine`` on matter to passes only.

    ``pitch_mm`` None: drawn from the default range. ``marks`` None: by machine and finish. ``base_db``: the surface
    once worn in after this work, if it is not the section's long-term one.
    """

    date: date
    kind: str
    machine: str = "rotating_stones"
    finish: str = "production"
    pitch_mm: float | None = None
    spread_ratio: float = 0.0  # (max - min) / mean of the working speed
    marks: bool | None = None
    base_db: tuple[float, ...] | None = None  # (35,) dB re 1 um

    def __post_init__(self) -> None:
        _row("work_kinds", "kind", self.kind)
        _row("machines", "machine", self.machine)
        if self.finish not in FINISHES:
            raise OutOfRangeError(f"Finish {self.finish!r} is unknown; known are {', '.join(FINISHES)}.")
        if self.base_db is not None and len(self.base_db) != N_WAVELENGTHS:
            raise OutOfRangeError(f"base_db has {len(self.base_db)} values, needed are {N_WAVELENGTHS}.")


def _row(name: str, column: str, value: str) -> int:
    known = table(name).text[column]
    if value not in known:
        raise OutOfRangeError(f"{value!r} is unknown as {column}; known are {', '.join(known)}.")
    return known.index(value)


def resets_roughness(kind: str) -> bool:
    """Does this kind of work give the rail a new running surface?

    >>> resets_roughness("grinding"), resets_roughness("tamping")
    (True, False)
    """
    return bool(table("work_kinds")["resets_roughness"][_row("work_kinds", "kind", kind)])


def leaves_marks(work: Work) -> bool:
    """Does this work leave periodic marks? Only a pass can; by default, rotating stones with production finish."""
    if work.kind not in ("grinding", "milling"):
        return False
    if work.marks is not None:
        return work.marks
    machine = "milling" if work.kind == "milling" else work.machine
    return work.finish == "production" and bool(table("machines")["leaves_marks"][_row("machines", "machine", machine)])


def finish_parameter(work: Work) -> str | None:
    """Name of the parameter with the level of the finish; None: it adds nothing to the worn-in surface."""
    if work.kind == "rail_renewal":
        return "finish_new_rail_db"
    return "finish_production_db" if work.finish == "production" else None


def shapes(work: Work, parameters: Parameters) -> tuple[Array, Array]:
    """Finish and marks at level 0 dB, (35,) and (n_draws, 35); zero where the work leaves none. [um2]"""
    finish = np.zeros(N_WAVELENGTHS) if finish_parameter(work) is None else finish_shape(parameters)
    if not leaves_marks(work):
        return finish, np.zeros((parameters.n_draws, N_WAVELENGTHS))
    pitches = parameters["mark_pitch_mm"] if work.pitch_mm is None else np.full(1, work.pitch_mm)
    harmonics_db = [parameters.fixed(f"mark_{order}_harmonic_db") for order in ("second", "third")]
    marks = marks_shape(pitches, harmonics_db, work.spread_ratio)
    return finish, np.broadcast_to(marks, (parameters.n_draws, N_WAVELENGTHS))


def left_by(work: Work, parameters: Parameters) -> tuple[Array, Array]:
    """What a work that renews the surface leaves: finish F and marks K, (n_draws, 35) each. [um2]"""
    finish, marks = shapes(work, parameters)
    name = finish_parameter(work)
    level = np.zeros(parameters.n_draws) if name is None else to_energy(parameters[name])
    return level[:, np.newaxis] * finish, to_energy(parameters["marks_db"])[:, np.newaxis] * marks


def surface_works(works: Sequence[Work]) -> tuple[Work, ...]:
    """The works that give a new surface, in date order; equal ones once.

    On one day rail renewal comes before milling and milling before grinding, as a pass follows new rail.

    Raises
    ------
    OutOfRangeError
        If two different works of one kind have one date: which came last cannot be known.
    """
    rows = table("work_kinds")
    rank = dict(zip(rows.text["kind"], rows["same_day_order"], strict=True))
    found = sorted({w for w in works if resets_roughness(w.kind)}, key=lambda w: (w.date, rank[w.kind]))
    for first, second in pairwise(found):
        if (first.date, first.kind) == (second.date, second.kind):
            raise OutOfRangeError(
                f"Two different works of kind {first.kind} on {first.date} cover one section: "
                "give only the one that came last."
            )
    return tuple(found)


@dataclass(frozen=True)
class State:
    """What matters about a section at a date."""

    last: Work | None  # the work that gave the present surface; None: long-term state
    days: float  # since then
    mgt: float  # rolled over since then

    @property
    def years(self) -> float:
        return self.days / DAYS_PER_YEAR


def state_at(works: Sequence[Work], when: date, mgt_per_day: float) -> State:
    """State of a section at a date, under steady traffic; works of the same date are done."""
    if not mgt_per_day >= 0.0:
        raise OutOfRangeError("Tonnage per day must be 0 or more.")
    done = [work for work in surface_works(works) if work.date <= when]
    if not done:
        return State(None, 0.0, 0.0)
    days = float((when - done[-1].date).days)
    return State(done[-1], days, days * mgt_per_day)


def section_roughness_parts(
    base_db: Array,
    works: Sequence[Work],
    dates: Sequence[date],
    mgt_per_day: float,
    radius_m: float,
    parameters: Parameters,
    own: Mapping[Work, Parameters] | None = None,
) -> dict[str, Array]:
    """Terms of the roughness of a section at dates: ``base``, ``finish``, ``marks``, ``growth``.

    Parameters
    ----------
    base_db : ndarray, (35,)
        Long-term surface: it holds before the first work too, when nothing fades or grows. [dB re 1 um]
    works : sequence of Work
        All works that cover the section, in any order.
    dates : sequence of date
        In any order.
    mgt_per_day : float
        Steady tonnage. [MGT/d]
    radius_m : float
        inf for straight track. [m]
    parameters : Parameters
    own : mapping, optional
        Parameters of single works (fitted ones), with the same number of draws.

    Returns
    -------
    dict
        (n_draws, n_dates, 35) each. [um2]
    """
    shape = (parameters.n_draws, len(dates), N_WAVELENGTHS)
    parts = {name: np.zeros(shape) for name in PARTS}
    for at, found in _by_last_work(base_db, works, dates, mgt_per_day, radius_m, parameters, own or {}):
        for name in PARTS:
            parts[name][:, at] = found[name]
    return parts


def section_roughness_energy(
    base_db: Array,
    works: Sequence[Work],
    dates: Sequence[date],
    mgt_per_day: float,
    radius_m: float,
    parameters: Parameters,
    own: Mapping[Work, Parameters] | None = None,
) -> Array:
    """Mean-square roughness of a section at dates, (n_draws, n_dates, 35). [um2]

    Arguments as for :func:`section_roughness_parts`.
    """
    energy = np.empty((parameters.n_draws, len(dates), N_WAVELENGTHS))
    for at, found in _by_last_work(base_db, works, dates, mgt_per_day, radius_m, parameters, own or {}):
        energy[:, at] = found["base"] + found["finish"] + found["marks"] + found["growth"]
    return energy


def _by_last_work(
    base_db: Array,
    works: Sequence[Work],
    dates: Sequence[date],
    mgt_per_day: float,
    radius_m: float,
    parameters: Parameters,
    own: Mapping[Work, Parameters],
) -> Iterator[tuple[list[int], dict[str, Array]]]:
    """Dates that have one work as their last one, by index, with the parts of the roughness at these dates."""
    states = [state_at(works, when, mgt_per_day) for when in dates]
    long_term = to_energy(base_db)
    if long_term.shape != (N_WAVELENGTHS,):
        raise OutOfRangeError(f"base_db has shape {long_term.shape}, needed is ({N_WAVELENGTHS},): bands.")
    for last in {state.last for state in states}:
        at = [i for i, state in enumerate(states) if state.last == last]
        if last is None:
            nothing = np.zeros((1, 1, 1))
            yield at, {"base": long_term, "finish": nothing, "marks": nothing, "growth": nothing}
            continue
        used = own.get(last, parameters)
        if used.n_draws != parameters.n_draws:
            raise OutOfRangeError(f"Fitted parameters have {used.n_draws} draws, the others {parameters.n_draws}.")
        base = long_term if last.base_db is None else to_energy(last.base_db)
        mgt, years = (np.array([getattr(states[i], name) for i in at]) for name in ("mgt", "years"))
        yield at, roughness_parts(base, *left_by(last, used), mgt, years, radius_m, used)

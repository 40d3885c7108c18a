"""The wear model as lineside calls it: runs of rail and dates in, roughness and tones out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Literal, cast

import numpy as np
from pydantic import Field, model_validator

from lineside.acoustics.bands import Array
from lineside.acoustics.levels import to_db
from lineside.contracts import (
    RAIL_CASES,
    RAIL_PARTS,
    Citation,
    DataFile,
    Note,
    Options,
    RailParts,
    RailRoughness,
    RailRun,
    RailStateCalculator,
    RailTone,
    RailWork,
    Standing,
    Verification,
)
from lineside_plugins.rail_wear.bands import WAVELENGTHS_MM, band_of, levels_on_bands
from lineside_plugins.rail_wear.history import (
    Work,
    leaves_marks,
    resets_roughness,
    section_roughness_energy,
    section_roughness_parts,
    state_at,
)
from lineside_plugins.rail_wear.marks import pitch_mm as pitch_of
from lineside_plugins.rail_wear.parameters import Range, default_ranges, scenarios, table, with_given

#: Marks weaker than this against the rest of the rail, in the high case, are not listed as a tone. [dB]
_FAINT_DB = -10.0


class GivenParameter(Options):
    """A parameter of the wear model that the project replaces."""

    likely: float = Field(description="Likely value, in the unit of the parameter's table")
    low: float | None = Field(default=None, description="5 % point. Default: the likely value")
    high: float | None = Field(default=None, description="95 % point. Default: the likely value")
    source: str = Field(default="", description="Where the value comes from; printed. Default empty")

    @model_validator(mode="after")
    def _in_order(self) -> GivenParameter:
        low = self.likely if self.low is None else self.low
        high = self.likely if self.high is None else self.high
        if not low <= self.likely <= high:
            raise ValueError("needs low, likely and high in rising order")
        return self


class WearOptions(Options):
    """Options of the wear model."""

    parameters: dict[str, GivenParameter] = Field(
        default={}, description="Parameters to replace, by name. Default: the plugin's table wear_parameters"
    )

    @model_validator(mode="after")
    def _known(self) -> WearOptions:
        known = default_ranges()
        for name in self.parameters:
            if name not in known:
                raise ValueError(f"the wear model has no parameter {name}; it has {', '.join(known)}")
        return self

    def ranges(self) -> dict[str, Range]:
        """All parameters of the model, with those of the project put in."""
        ranges = default_ranges()
        for name, given in self.parameters.items():
            ranges = with_given(ranges, name, given.likely, given.low, given.high, given.source)
        return ranges


_Pitch = Annotated[float, Field(ge=3, le=500)]
_Speed = Annotated[float, Field(gt=0, le=30)]
_Rate = Annotated[float, Field(gt=0, le=500)]


class WorkDetails(Options):
    """What is known about a pass; without effect on works that leave the running surface as it is."""

    machine: Literal["rotating_stones", "oscillating_stones", "milling", "high_speed"] = Field(
        default="rotating_stones",
        description="`rotating_stones`, `oscillating_stones`, `milling` or `high_speed`. Default rotating_stones",
    )
    finish: Literal["production", "acoustic"] = Field(
        default="production", description="`production` or `acoustic`. Default production"
    )
    pitch_mm: _Pitch | None = Field(
        default=None, description="Pitch of the marks [mm], 3 to 500. Default: from speed and rotation, else assumed"
    )
    working_speed_km_h: _Speed | None = Field(
        default=None, description="Working speed of the machine [km/h], with rotation_hz gives the pitch. Default null"
    )
    rotation_hz: _Rate | None = Field(default=None, description="Rotation rate of the stones [Hz]. Default null")
    speed_spread_ratio: Annotated[float, Field(ge=0, le=1)] = Field(
        default=0.0, description="(max - min) / mean of the working speed, 0 to 1. Default 0"
    )
    marks: bool | None = Field(
        default=None, description="Whether the pass left periodic marks. Default null: by machine and finish"
    )

    @model_validator(mode="after")
    def _one_pitch(self) -> WorkDetails:
        if (self.working_speed_km_h is None) != (self.rotation_hz is None):
            raise ValueError("needs working_speed_km_h and rotation_hz together")
        if self.pitch_mm is not None and self.rotation_hz is not None:
            raise ValueError("needs either pitch_mm, or working_speed_km_h and rotation_hz")
        if self.rotation_hz is not None and not 3.0 <= self.pitch_from_machine() <= 500.0:
            raise ValueError("gives a pitch outside 3 to 500 mm")
        return self

    def pitch_from_machine(self) -> float:
        """Pitch from working speed and rotation rate. [mm]"""
        assert self.working_speed_km_h is not None and self.rotation_hz is not None
        return float(pitch_of(self.working_speed_km_h, self.rotation_hz))

    def pitch(self) -> float | None:
        """The known pitch, None if it is not known. [mm]"""
        return self.pitch_from_machine() if self.rotation_hz is not None else self.pitch_mm


def _work(work: RailWork) -> Work:
    details = cast(WorkDetails, work.details)
    if not resets_roughness(work.kind):
        return Work(work.date, work.kind)
    return Work(
        date=work.date,
        kind=work.kind,
        machine=details.machine,
        finish=details.finish,
        pitch_mm=details.pitch(),
        spread_ratio=details.speed_spread_ratio,
        marks=details.marks,
    )


def _base_db(run: RailRun) -> Array:
    return levels_on_bands(run.wavelength_mm, run.level_db)


class RailWear(RailStateCalculator):
    """Fading of grinding finish and marks with tonnage, slow growth afterwards."""

    name = "rail_wear"
    title = "Roughness of rails after works (lineside's own model)"
    version = "1.0"
    sources = (
        Citation(
            key="lineside rail wear",
            title="Roughness of the running surface in time: base, finish, marks, growth",
            issuer="lineside",
            year=2026,
            part="equations (1) to (3) of the plugin rail_wear",
        ),
    )
    verification = Verification.COMPUTED
    verification_note = (
        "The equations agree with an independent computation of a table of level differences. No law or standard gives "
        "a law of wear, and no published measurement was reproduced: the parameters are assumptions or common practice"
    )
    options_model = WearOptions
    work_model = WorkDetails

    def data_files(self) -> tuple[DataFile, ...]:
        return tuple(table(name).data_file for name in ("wear_parameters", "machines", "work_kinds"))

    def roughness(self, runs: Sequence[RailRun], dates: Sequence[dt.date], options: Options) -> RailRoughness:
        parameters = scenarios(cast(WearOptions, options).ranges(), RAIL_CASES)
        level_db = np.empty((len(runs), len(dates), len(RAIL_CASES), WAVELENGTHS_MM.size))
        worn_in_db = np.empty((len(runs), WAVELENGTHS_MM.size))
        for k, run in enumerate(runs):
            worn_in_db[k] = _base_db(run)
            works = [_work(w) for w in run.works]
            energy = section_roughness_energy(
                worn_in_db[k], works, dates, run.mgt_per_day, run.curve_radius_m, parameters
            )
            level_db[k] = np.moveaxis(to_db(energy), 0, 1)
        return RailRoughness(WAVELENGTHS_MM, level_db, worn_in_db)

    def parts(self, runs: Sequence[RailRun], dates: Sequence[dt.date], options: Options) -> RailParts:
        likely = scenarios(cast(WearOptions, options).ranges(), ("likely",))
        energy = {part: np.empty((len(runs), len(dates), WAVELENGTHS_MM.size)) for part in RAIL_PARTS}
        for k, run in enumerate(runs):
            works = [_work(w) for w in run.works]
            found = section_roughness_parts(_base_db(run), works, dates, run.mgt_per_day, run.curve_radius_m, likely)
            for part in RAIL_PARTS:
                energy[part][k] = found["base" if part == "surface" else part][0]
        return RailParts(WAVELENGTHS_MM, energy)

    def tones(self, run: RailRun, date: dt.date, options: Options) -> Sequence[RailTone]:
        ranges = cast(WearOptions, options).ranges()
        parameters = scenarios(ranges, RAIL_CASES)
        works = [_work(w) for w in run.works]
        last = state_at(works, date, run.mgt_per_day).last
        if last is None or not leaves_marks(last):
            return ()
        pitch = last.pitch_mm if last.pitch_mm is not None else ranges["mark_pitch_mm"].likely
        parts = section_roughness_parts(_base_db(run), works, [date], run.mgt_per_day, run.curve_radius_m, parameters)
        band = band_of(pitch)
        marks = parts["marks"][:, 0, band]
        rest = (parts["base"] + parts["finish"] + parts["growth"])[:, 0, band]
        margin = to_db(marks / rest)
        if margin.max() < _FAINT_DB:
            return ()
        low, likely, high = (float(m) for m in margin)
        other_low, other_likely, other_high = (float(level) for level in to_db(rest))
        orders = tuple(
            order
            for order, name in ((1, None), (2, "mark_second_harmonic_db"), (3, "mark_third_harmonic_db"))
            if name is None or parameters.fixed(name) > -np.inf
        )
        return (
            RailTone(
                pitch_mm=pitch,
                pitch_given=last.pitch_mm is not None,
                orders=orders,
                margin_db=(low, likely, high),
                smear_ratio=parameters.fixed("smear_ratio"),
                other_db=(other_low, other_likely, other_high),
                needed_margin_db=parameters.fixed("tone_margin_db"),
            ),
        )

    def statement(self, options: Options) -> str:
        given = cast(WearOptions, options).parameters
        replaced = f" Replaced by the project: {', '.join(given)}." if given else " No parameter is replaced."
        return (
            "The roughness of the rails after works is lineside's own model; no law or standard gives one, and it is "
            "an assumption until measured roughness or pass-bys replace it. The mean square at a date is that of the "
            "long-term surface, plus the finish and the periodic marks that the last pass left, both fading "
            "exponentially with the tonnage rolled over since, plus slow growth after wear-in. Grinding, milling and "
            "rail renewal give a new surface; other works leave the surface as it is. The pitch of marks is the "
            "machine's working speed over its rotation rate. The low and high cases take all parameters at their 5 % "
            "and 95 % points together, which is wider than a 5 to 95 % interval of the result." + replaced
        )

    def notes(self, options: Options) -> Sequence[Note]:
        by_standing: dict[Standing, list[str]] = {}
        for r in cast(WearOptions, options).ranges().values():
            spread = f"{r.likely:g}" if r.low == r.high else f"{r.low:g} / {r.likely:g} / {r.high:g}"
            unit = "" if r.unit == "1" else f" {r.unit}"
            by_standing.setdefault(r.standing, []).append(f"{r.name} {spread}{unit}")
        return [
            Note("assumption", "Wear model, low / likely / high: " + "; ".join(entries) + ".", standing)
            for standing, entries in by_standing.items()
        ]

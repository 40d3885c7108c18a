"""The wear model as lineside calls it: runs of rail and dates in, roughness and tones out."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import cast

import numpy as np

from lineside.acoustics.levels import to_db
from lineside.contracts import (
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
    Standing,
    Verification,
)
from lineside_plugins.rail_wear.bands import WAVELENGTHS_MM, band_of
from lineside_plugins.rail_wear.history import leaves_marks, section_roughness_parts, state_at
from lineside_plugins.rail_wear.measured_notes import measured_notes
from lineside_plugins.rail_wear.options import WearOptions, WorkDetails
from lineside_plugins.rail_wear.parameters import likely, likely_and_draws, table
from lineside_plugins.rail_wear.run import known_run, run_parts, run_roughness
from lineside_plugins.rail_wear.wear import interval

#: Marks weaker than this against the rest of the rail, in the high case, are not listed as a tone. [dB]
_FAINT_DB = -10.0


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

    def roughness(
        self, runs: Sequence[RailRun], dates: Sequence[dt.date], options: Options, n_draws: int = 0, seed: int = 1
    ) -> RailRoughness:
        ranges = cast(WearOptions, options).ranges()
        parameters = likely_and_draws(ranges, n_draws, seed)
        level_db = np.empty((len(runs), len(dates), 1 + n_draws, WAVELENGTHS_MM.size))
        worn_in_db = np.empty((len(runs), WAVELENGTHS_MM.size))
        for k, run in enumerate(runs):
            known = known_run(run, ranges)
            worn_in_db[k] = known.worn_in_db()
            energy = run_roughness(known, dates, parameters, known.own_parameters(n_draws, seed))
            level_db[k] = np.moveaxis(to_db(energy), 0, 1)
        return RailRoughness(WAVELENGTHS_MM, level_db, worn_in_db)

    def parts(self, runs: Sequence[RailRun], dates: Sequence[dt.date], options: Options) -> RailParts:
        ranges = cast(WearOptions, options).ranges()
        energy = {part: np.empty((len(runs), len(dates), WAVELENGTHS_MM.size)) for part in RAIL_PARTS}
        for k, run in enumerate(runs):
            known = known_run(run, ranges)
            found = run_parts(known, dates, likely(ranges), known.own_parameters(0, 1))
            for part in RAIL_PARTS:
                energy[part][k] = found["base" if part == "surface" else part][0]
        return RailParts(WAVELENGTHS_MM, energy)

    def tones(
        self, run: RailRun, date: dt.date, options: Options, n_draws: int = 200, seed: int = 1
    ) -> Sequence[RailTone]:
        ranges = cast(WearOptions, options).ranges()
        known = known_run(run, ranges)
        last = state_at(known.works, date, run.mgt_per_day).last
        if last is None or not leaves_marks(last):
            return ()
        fit = known.fits.get(last)
        seen = fit is not None and fit.pitch_mm is not None
        pitch = last.pitch_mm or (fit.ranges if fit is not None else ranges)["mark_pitch_mm"].likely
        # of one pitch: draws of an unknown one would put the marks into other bands
        held = known.with_pitch(last, pitch)
        parameters, own = likely_and_draws(ranges, n_draws, seed), held.own_parameters(n_draws, seed)
        parts = section_roughness_parts(
            held.base_db, held.works, [date], held.mgt_per_day, held.radius_m, parameters, own
        )
        band = band_of(pitch)
        marks = parts["marks"][:, 0, band]
        rest = (parts["base"] + parts["finish"] + parts["growth"])[:, 0, band]
        margin, other = to_db(marks / rest), to_db(rest)
        low, _, high = (float(m) for m in interval(margin[1:] if n_draws else margin))
        if high < _FAINT_DB:
            return ()
        other_low, _, other_high = (float(level) for level in interval(other[1:] if n_draws else other))
        orders = tuple(
            order
            for order, name in ((1, None), (2, "mark_second_harmonic_db"), (3, "mark_third_harmonic_db"))
            if name is None or parameters.fixed(name) > -np.inf
        )
        return (
            RailTone(
                pitch_mm=pitch,
                pitch_given=last.pitch_mm is not None or seen,
                orders=orders,
                margin_db=(low, float(margin[0]), high),
                smear_ratio=parameters.fixed("smear_ratio"),
                other_db=(other_low, float(other[0]), other_high),
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
            "machine's working speed over its rotation rate. Low and high are the points below which 5 % and 95 % of "
            "the results of random draws lie, in which all parameters vary at once within their ranges; likely is the "
            "result with all parameters at their likely values. Where rails were measured after a pass, the model is "
            "fitted to the spectra, which narrows the ranges of that pass." + replaced
        )

    def notes(self, runs: Sequence[RailRun], options: Options) -> Sequence[Note]:
        ranges = cast(WearOptions, options).ranges()
        by_standing: dict[Standing, list[str]] = {}
        for r in ranges.values():
            spread = f"{r.likely:g}" if r.low == r.high else f"{r.low:g} / {r.likely:g} / {r.high:g}"
            unit = "" if r.unit == "1" else f" {r.unit}"
            by_standing.setdefault(r.standing, []).append(f"{r.name} {spread}{unit}")
        notes = [
            Note("assumption", "Wear model, low / likely / high: " + "; ".join(entries) + ".", standing)
            for standing, entries in by_standing.items()
        ]
        for run in runs:
            notes += measured_notes(run, known_run(run, ranges))
        return notes

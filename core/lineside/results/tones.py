"""Tones of marks on rails as the results document holds them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import THIRD_OCTAVES_HZ, Array
from lineside.acoustics.levels import energy_sum_db, to_db
from lineside.contracts import RAIL_CASES, Options, RailRun, RailStateCalculator, RailTone, SourceCalculator, Window
from lineside.engine.emission import Emission
from lineside.engine.run import Computed
from lineside.engine.select import Selection
from lineside.engine.tones import (
    HeardTone,
    ThirdOctaves,
    bands_of,
    day_passes,
    heard_tone,
    over_neighbours_db,
    third_octaves,
)
from lineside.results import model
from lineside.results.tone_rules import window_name
from lineside.scene.model import ClassOrSpectrum, IntArray, Scene, Spectrum
from lineside.scene.rail_runs import RailRuns

DIGITS = 3
#: Random draws of the state of rails behind low and high margins in time.
N_DRAWS = 200
LIKELY = RAIL_CASES.index("likely")


@dataclass(frozen=True, eq=False)
class _Marks:
    """Runs of one track with marks of one pitch that one work left."""

    track: int
    fresh: dt.date
    members: tuple[int, ...]  # indices of runs
    tone: RailTone  # while fresh, each margin the largest of the runs
    now: RailTone | None  # at the assessment date
    course: tuple[RailTone | None, ...]  # at the dates of the time line


def thirds_if_needed(scene: Scene, computed: Computed, runs: RailRuns | None, asked: bool) -> ThirdOctaves | None:
    """Third-octave spectra at the assessment date, where works or a criterion (``asked``) call for them."""
    if not asked and (runs is None or not runs.runs):
        return None
    return third_octaves(scene, computed.emission, computed.receivers.transfer, computed.windows)


def describe(
    base: Scene,
    runs: RailRuns | None,
    selection: Selection,
    computed: Computed,
    now: ThirdOctaves | None,
    dates: Sequence[dt.date],
    emission_at: Callable[[dt.date], Emission],
    wheels: Mapping[str, Sequence[ClassOrSpectrum]],
    line: Sequence[dt.date] = (),
) -> model.Tones | None:
    """Tones of the marks, while fresh and at the assessment date; None where there is nothing to tell.

    Parameters
    ----------
    base : Scene
        With the roughness of the project everywhere.
    now : ThirdOctaves or None
        From :func:`thirds_if_needed`.
    dates : sequence of date
        The assessment dates; levels are those of the first.
    emission_at : callable
        Gives the emission at a date, with the source classes of ``computed.emission``.
    wheels : mapping
        Roughness of the wheels in each of their states, by vehicle id.
    line : sequence of date, optional
        Dates of the time line, for the course of the marks.
    """
    if now is None:
        return None
    wear = selection.rail_state
    out = model.Tones(
        assessment_date=dates[0].isoformat() if runs is not None else "",
        marks=[],
        at_receivers=[],
        third_octaves=_third_octaves(base, computed.windows, now),
    )
    if runs is None or wear is None:
        return out
    over_now = over_neighbours_db(day_passes(base, now))
    fresh: dict[dt.date, tuple[Emission, Array]] = {}
    for group in _marks(runs, wear, dates[0], line):
        if group.fresh not in fresh:
            emission = emission_at(group.fresh)
            then = third_octaves(base, emission, computed.receivers.transfer)
            fresh[group.fresh] = emission, over_neighbours_db(day_passes(base, then))
        emission, over_fresh = fresh[group.fresh]
        sections = np.flatnonzero(np.isin(runs.run, group.members))
        for s, service in enumerate(base.services):
            here = service.track == group.track
            info = _info(base, runs, selection.sources, wheels, group, s, sections) if here else None
            if info is not None:
                heard = heard_tone(base, emission, computed.receivers.transfer, s, sections, group.tone)
                out.marks.append(info)
                out.at_receivers += _at_receivers(base.receivers.ids, heard, info, over_fresh[:, s], over_now[:, s])
    return out


def _marks(
    runs: RailRuns, wear: tuple[RailStateCalculator, Options], date: dt.date, line: Sequence[dt.date]
) -> list[_Marks]:
    """Groups of runs; of several works on a run, the last one with the strongest marks."""
    calculator, options = wear
    found: dict[tuple[int, dt.date, float, bool], list[tuple[int, RailTone, RailTone | None]]] = {}
    for k, run in enumerate(runs.runs):
        left = [(tone, w.date) for w in run.works for tone in calculator.tones(run, w.date, options)]
        if not left:
            continue
        tone, since = max(left, key=lambda entry: (entry[0].margin_db[LIKELY], entry[1]))
        now = next((t for t in calculator.tones(run, date, options) if t.pitch_mm == tone.pitch_mm), None)
        key = (int(runs.track[k]), since + dt.timedelta(days=1), tone.pitch_mm, tone.pitch_given)
        found.setdefault(key, []).append((k, tone, now))
    return [
        _Marks(
            track=track,
            fresh=since,
            members=tuple(k for k, _, _ in entries),
            tone=_strongest([tone for _, tone, _ in entries]),
            now=_strongest(present) if (present := [now for _, _, now in entries if now is not None]) else None,
            course=_course([runs.runs[k] for k, _, _ in entries], _strongest([t for _, t, _ in entries]), wear, line),
        )
        for (track, since, _, _), entries in found.items()
    ]


def _course(
    runs: Sequence[RailRun], tone: RailTone, wear: tuple[RailStateCalculator, Options], dates: Sequence[dt.date]
) -> tuple[RailTone | None, ...]:
    """Marks of one pitch at dates, those of the run where they are strongest in the likely case."""
    calculator, options = wear

    def seen(run: RailRun, date: dt.date, n_draws: int) -> RailTone | None:
        found = calculator.tones(run, date, options, n_draws=n_draws)
        return next((t for t in found if t.pitch_mm == tone.pitch_mm), None)

    out, leading = [], runs[0]
    for date in dates:
        if len(runs) > 1:  # draws are for the strongest run only, which saves time
            likely = [(t.margin_db[LIKELY], -k) for k, run in enumerate(runs) if (t := seen(run, date, 0)) is not None]
            leading = runs[-max(likely)[1]] if likely else leading
        out.append(seen(leading, date, N_DRAWS))
    return tuple(out)


def _strongest(tones: Sequence[RailTone]) -> RailTone:
    return max(tones, key=lambda tone: tone.margin_db[LIKELY])


def _info(
    scene: Scene,
    runs: RailRuns,
    calculators: Sequence[tuple[SourceCalculator, Options]],
    wheels: Mapping[str, Sequence[ClassOrSpectrum]],
    marks: _Marks,
    service: int,
    sections: IntArray,
) -> model.ToneInfo | None:
    """The tone under one service; None where it does not run."""
    rows = np.flatnonzero(~scene.traffic.standing & (scene.traffic.service == service))
    speed = scene.traffic.speed_km_h[np.ix_(rows, sections)]
    if not (speed > 0).any():
        return None
    low, high = float(speed[speed > 0].min()), float(speed.max())
    members = list(marks.members)
    wheel_db = _smoothest_wheel_db(scene, calculators, wheels, service, marks.tone.pitch_mm)
    return model.ToneInfo(
        service=scene.services[service].id,
        track=scene.tracks[marks.track].id,
        from_m=round(float(runs.from_m[members].min()), 2),
        to_m=round(float(runs.to_m[members].max()), 2),
        pitch_mm=round(marks.tone.pitch_mm, 2),
        pitch_given=marks.tone.pitch_given,
        speed_km_h=(round(low, 1), round(high, 1)),
        frequency_hz={
            n: tuple(round(float(f), 1) for f in marks.tone.frequency_hz(np.array([low, high]), n))
            for n in marks.tone.orders
        },
        fresh_date=marks.fresh.isoformat(),
        wheel_roughness_db=None if wheel_db is None else round(wheel_db, DIGITS),
        margin_fresh_db=_margins(marks.tone, wheel_db),
        margin_at_assessment_db=None if marks.now is None else _margins(marks.now, wheel_db),
        margin_db=_margins_in_time(marks.course, wheel_db),
        needed_margin_db=marks.tone.needed_margin_db,
        smear_ratio=marks.tone.smear_ratio,
    )


def _smoothest_wheel_db(
    scene: Scene,
    calculators: Sequence[tuple[SourceCalculator, Options]],
    wheels: Mapping[str, Sequence[ClassOrSpectrum]],
    service: int,
    pitch_mm: float,
) -> float | None:
    """Roughness of the train's smoothest wheels, in any of their states, in the band of the pitch. [dB re 1 um]"""
    found = []
    vehicles = [scene.vehicles[int(v)].id for v in np.unique(scene.services[service].vehicle_type)]
    for given in (g for vehicle in vehicles for g in wheels[vehicle]):
        known = (
            [given] if isinstance(given, Spectrum) else [c.tabulated("wheel_roughness", given) for c, _ in calculators]
        )
        spectrum = next((s for s in known if s is not None), None)
        if spectrum is not None:
            nearest = int(np.argmin(np.abs(np.log(spectrum.axis / pitch_mm))))
            found.append(float(next(iter(spectrum.columns.values()))[nearest]))
    return min(found, default=None)


def _margins(tone: RailTone, wheel_db: float | None) -> dict[str, float]:
    """Marks above all other roughness by case: energies of rail and wheel add."""
    margins = dict(zip(RAIL_CASES, tone.margin_db, strict=True))
    if tone.other_db is not None and wheel_db is not None:
        for case, other_db in zip(RAIL_CASES, tone.other_db, strict=True):
            margins[case] -= float(energy_sum_db([other_db, wheel_db])) - other_db
    return {case: round(margin, 1) for case, margin in margins.items()}


def _margins_in_time(course: Sequence[RailTone | None], wheel_db: float | None) -> dict[str, list[float | None]]:
    if not course:
        return {}
    found = [None if tone is None else _margins(tone, wheel_db) for tone in course]
    return {case: [None if margins is None else margins[case] for margins in found] for case in RAIL_CASES}


def likelihood(
    margin_db: Mapping[str, float], spread_ratio: float, needed_db: float, smear_ratio: float
) -> model.ToneWord:
    """Is a tone heard: marks that stand out, and a frequency that holds still.

    Likely: both, in the likely case. Unlikely: the marks stand out in none of the cases. Possible: else.
    """
    if max(margin_db.values()) < needed_db:
        return "unlikely"
    return "likely" if margin_db["likely"] >= needed_db and spread_ratio <= smear_ratio else "possible"


def _at_receivers(
    receivers: Sequence[str], heard: HeardTone | None, info: model.ToneInfo, over_fresh_db: Array, over_now_db: Array
) -> list[model.ToneAtReceiver]:
    """One entry per receiver that hears the service there; ``over_..._db`` (n_receivers, 24)."""
    if heard is None:
        return []
    low, high = heard.range_hz()
    out = []
    for r in map(int, np.flatnonzero(heard.mean_hz > 0)):
        bands = bands_of(float(low[r]), float(high[r]))
        band = int(bands[np.argmax(over_fresh_db[r, bands])])
        spread = float(heard.spread_ratio[r])
        now = info.margin_at_assessment_db
        out.append(
            model.ToneAtReceiver(
                receiver=receivers[r],
                service=info.service,
                track=info.track,
                from_m=info.from_m,
                to_m=info.to_m,
                pitch_mm=info.pitch_mm,
                frequency_hz=(round(float(low[r]), 1), round(float(high[r]), 1)),
                spread_ratio=round(spread, 4),
                band_hz=float(THIRD_OCTAVES_HZ[band]),
                over_neighbours_fresh_db=_finite(over_fresh_db[r, band]),
                over_neighbours_at_date_db=_finite(over_now_db[r, band]),
                fresh=likelihood(info.margin_fresh_db, spread, info.needed_margin_db, info.smear_ratio),
                at_date=None if now is None else likelihood(now, spread, info.needed_margin_db, info.smear_ratio),
            )
        )
    return out


def _third_octaves(scene: Scene, windows: Sequence[Window], thirds: ThirdOctaves) -> list[model.ThirdOctaveLevels]:
    names = [*scene.period_names, *map(window_name, windows)]
    level_db = to_db(np.concatenate([thirds.period, thirds.windows], axis=1))
    return [
        model.ThirdOctaveLevels(receiver=receiver, period=name, leq_db=[_finite(v) for v in level_db[r, k]])
        for r, receiver in enumerate(scene.receivers.ids)
        for k, name in enumerate(names)
    ]


def _finite(value: float | Array) -> float | None:
    return round(float(value), DIGITS) if math.isfinite(float(value)) else None

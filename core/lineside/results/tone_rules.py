"""Rules of criteria that look for tones in third octaves, and what they add to a level."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from lineside.acoustics.bands import THIRD_OCTAVES_HZ, Array
from lineside.acoustics.indicators import lden_energy
from lineside.acoustics.levels import to_db, to_energy
from lineside.contracts import LimitCheck, ToneRule, Window
from lineside.engine.tones import ThirdOctaves, bands_of, tones_found
from lineside.results import model
from lineside.scene.model import Scene


@dataclass(frozen=True, eq=False)
class SurveyAt:
    """What a survey of third octaves needs at one receiver: energies (24,), and the hours of each period."""

    period: Mapping[str, Array]
    window: Mapping[Window, Array]
    hours: Mapping[str, float]


def surveys(scene: Scene, thirds: ThirdOctaves, windows: Sequence[Window]) -> dict[str, SurveyAt]:
    """One survey per receiver."""
    names = scene.period_names
    hours = np.bincount(scene.period_of_hour, minlength=len(names))
    return {
        receiver: SurveyAt(
            period={name: thirds.period[r, n] for n, name in enumerate(names)},
            window={w: thirds.windows[r, k] for k, w in enumerate(windows)},
            hours={name: float(h) for name, h in zip(names, hours, strict=True)},
        )
        for r, receiver in enumerate(scene.receivers.ids)
    }


def window_name(window: Window) -> str:
    """Clock hours as a reader writes them.

    >>> window_name(Window(22, 6))
    '22:00 to 06:00'
    """
    return f"{window.from_hour:02d}:00 to {window.to_hour:02d}:00"


@dataclass(frozen=True)
class Judged:
    """What a tone rule found for one comparison."""

    bands_hz: tuple[float, ...]
    periods: tuple[str, ...]  # in which it was found
    adjustment_db: float  # to be added to the level


def judge(
    check: LimitCheck, rule: ToneRule, survey: SurveyAt, levels_db: Mapping[tuple[str, Window | None], float]
) -> Judged:
    """Look for tones in the time that a check is about.

    Lden is made of periods: each in which a tone is found is raised by the adjustment before they are put together
    (ISO 1996-1: adjustments belong to the time in which the sound has the character; from memory).

    Parameters
    ----------
    levels_db : mapping
        Levels of the receiver, which hold those of the periods.
    """
    if check.window is not None:
        name = window_name(check.window)
        spectra = {name: survey.window[check.window]}
    elif check.quantity == "lden_db":
        spectra = dict(survey.period)
    else:
        name = check.quantity.removeprefix("l").removesuffix("_db")
        spectra = {name: survey.period[name]}
    found = {name: tones_found(energy, rule) for name, energy in spectra.items()}
    toned = tuple(name for name, bands in found.items() if bands.any())
    bands_hz = THIRD_OCTAVES_HZ[np.any(list(found.values()), axis=0)]
    added = rule.adjustment_db if toned else 0.0
    if toned and check.quantity == "lden_db":
        plain = np.array([levels_db[f"l{name}_db", None] for name in survey.period])
        rated = plain + np.array([rule.adjustment_db if name in toned else 0.0 for name in survey.period])
        hours = np.array(list(survey.hours.values()))
        with_tones, without = (lden_energy(to_energy(level), hours) for level in (rated, plain))
        added = float(to_db(with_tones / without))
    return Judged(tuple(float(hz) for hz in bands_hz), toned, added)


def with_flags(tones: model.Tones | None, findings: Iterable[model.Finding]) -> model.Tones | None:
    """The tones with what the surveys of the criteria found where they sound."""
    if tones is None:
        return None
    surveyed: dict[str, set[float]] = {}
    for finding in findings:
        if finding.tone_found is not None:
            surveyed.setdefault(finding.receiver, set()).update(finding.tone_bands_hz)
    marks = {(m.service, m.track, m.from_m, m.to_m, m.pitch_mm): m for m in tones.marks}

    def flag(tone: model.ToneAtReceiver) -> bool | None:
        if tone.receiver not in surveyed:
            return None
        orders = marks[tone.service, tone.track, tone.from_m, tone.to_m, tone.pitch_mm].frequency_hz
        low, high = tone.frequency_hz
        bands = {hz for order in orders for hz in THIRD_OCTAVES_HZ[bands_of(order * low, order * high)]}
        return bool(bands & surveyed[tone.receiver])

    flagged = [tone.model_copy(update={"flagged": flag(tone)}) for tone in tones.at_receivers]
    return tones.model_copy(update={"at_receivers": flagged})

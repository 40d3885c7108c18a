"""Comparing levels with limits: what is asked, what was found, and how sure the comparison is."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import LimitCheck, NotApplicable, ReceiverUse, Window
from lineside.engine.select import Selection
from lineside.errors import PluginError
from lineside.project.model import Project
from lineside.results.model import Finding, Uncertainty
from lineside.results.tone_rules import Judged, SurveyAt, judge, window_name
from lineside.scene.model import BoolArray

#: Levels that differ by less than this are the same level: limits are compared to this digit, so that the
#: last bits of a floating-point sum never decide about a limit. [dB]
RESOLUTION_DB = 1e-6


@dataclass(frozen=True)
class Chance:
    """The 90 % interval of a level [dB], and the probability that the limit is exceeded."""

    low_db: float
    high_db: float
    above: float


#: A level whose limit is exceeded in so many of the draws is not well below it, whatever uncertainty is stated.
UNSURE_FROM = 0.05
#: Gives the chance of a check at a receiver, with what a tone adds; None where nothing is drawn.
Chances = Callable[[str, LimitCheck, float], Chance | None]
#: Gives the 90 % intervals at a receiver, by quantity; empty where nothing is drawn. [dB]
Intervals = Callable[[str], dict[str, tuple[float, float]]]


@dataclass(frozen=True)
class Question:
    """One receiver, one criterion, and its checks or the reason why there are none."""

    receiver: str
    criterion: str
    checks: tuple[LimitCheck, ...]
    reason: str = ""


def questions(project: Project, selection: Selection) -> list[Question]:
    """All comparisons that the criteria ask for, in the order of receivers and criteria."""
    out = []
    for receiver in project.receivers:
        use = ReceiverUse(id=receiver.id, use=receiver.use, area=receiver.area)
        for use_id, criterion, options in selection.criteria:
            answer = criterion.checks(use, options)
            if isinstance(answer, NotApplicable):
                out.append(Question(receiver.id, use_id, (), answer.reason))
            elif answer:
                out.append(Question(receiver.id, use_id, tuple(answer)))
            else:
                out.append(Question(receiver.id, use_id, (), f"no limit applies to the use {receiver.use!r}"))
    return out


def windows_of(asked: Iterable[Question]) -> tuple[Window, ...]:
    """The stretches of the day that the checks ask for, without doubles, in order."""
    found = {c.window for q in asked for c in q.checks if c.window is not None}
    return tuple(sorted(found, key=lambda w: (w.from_hour, w.to_hour)))


def find(
    asked: Iterable[Question],
    levels_db: Mapping[str, Mapping[tuple[str, Window | None], float]],
    uncertainty: Uncertainty,
    left_out: Sequence[str] = (),
    surveys: Mapping[str, SurveyAt] | None = None,
    chances: Chances = lambda receiver, check, tone_db: None,
) -> list[Finding]:
    """Answer every question.

    Parameters
    ----------
    asked : iterable of Question
    levels_db : mapping
        receiver -> (quantity, window) -> level [dB], -inf for silence.
    uncertainty : Uncertainty
        Its expanded values: for long-term levels, and for the largest level of a pass.
    left_out : sequence of str
        Calculators that the project left out: silence then says nothing about a limit.
    surveys : mapping, optional
        receiver -> third octaves; needed where a check has a tone rule.
    chances : callable, optional
        Receiver, check and what a tone adds [dB] -> the interval and the probability to be above the limit.

    Returns
    -------
    list of Finding
        One per check; one with the verdict "not assessed" where a criterion does not apply.
    """
    out: list[Finding] = []
    for question in asked:
        silent = all(levels_db[question.receiver][(c.quantity, c.window)] == -math.inf for c in question.checks)
        if question.checks and silent and left_out:
            reason = f"no sound was computed, as the project leaves out {', '.join(left_out)}"
            question = Question(question.receiver, question.criterion, (), reason)
        for check in question.checks:
            level = levels_db[question.receiver][(check.quantity, check.window)]
            expanded = uncertainty.pass_expanded_db if check.quantity == "lafmax_db" else uncertainty.expanded_db
            tone = None
            if check.tone is not None:
                if surveys is None or question.receiver not in surveys:
                    raise PluginError(f"criterion {question.criterion}: no third octaves to look for tones in")
                tone = judge(check, check.tone, surveys[question.receiver], levels_db[question.receiver])
            found = _finding(f"F{len(out) + 1}", question, check, level, expanded, tone)
            chance = chances(question.receiver, check, tone.adjustment_db if tone is not None else 0.0)
            if chance is not None and found.level_db is not None:
                drawn: dict[str, object] = {
                    "interval_db": (chance.low_db, chance.high_db),
                    "probability_above": chance.above,
                }
                if found.verdict == "well below" and chance.above >= UNSURE_FROM:
                    drawn["verdict"] = "borderline"
                found = found.model_copy(update=drawn)
            out.append(found)
        if not question.checks:
            out.append(
                Finding(
                    id=f"F{len(out) + 1}",
                    receiver=question.receiver,
                    criterion=question.criterion,
                    label="",
                    quantity="",
                    level_db=None,
                    compared_db=None,
                    limit_db=None,
                    difference_db=None,
                    verdict="not assessed",
                    within_uncertainty=False,
                    reason=question.reason,
                )
            )
    return out


def exceeds(check: LimitCheck, level_db: Array) -> BoolArray:
    """Where levels are above a limit, as the criterion compares them, without what a tone would add."""
    compared = level_db + check.adjustment_db
    if check.rounding == "up":
        compared = np.ceil(compared - RESOLUTION_DB)
    return np.asarray(compared - check.limit_db > RESOLUTION_DB)


def _finding(
    finding_id: str, question: Question, check: LimitCheck, level: float, expanded_db: float, tone: Judged | None
) -> Finding:
    if math.isnan(level) or not math.isfinite(check.limit_db + check.adjustment_db):
        raise PluginError(f"criterion {question.criterion}: {check.label}: the level or the limit is not a number")
    adjustment = check.adjustment_db + (tone.adjustment_db if tone is not None else 0.0)
    compared = level + adjustment
    if check.rounding == "up" and math.isfinite(compared):
        compared = float(math.ceil(compared - RESOLUTION_DB))
    difference = compared - check.limit_db
    exact = level + adjustment - check.limit_db
    verdict: Literal["well below", "borderline", "above"]
    if difference > RESOLUTION_DB:
        verdict = "above"
    elif exact >= -expanded_db:
        verdict = "borderline"
    else:
        verdict = "well below"
    finite = math.isfinite(level)
    return Finding(
        id=finding_id,
        receiver=question.receiver,
        criterion=question.criterion,
        label=check.label,
        quantity=check.quantity,
        window=window_text(check.window),
        level_db=level if finite else None,
        compared_db=compared if finite else None,
        limit_db=check.limit_db,
        difference_db=difference if finite else None,
        verdict=verdict,
        within_uncertainty=abs(exact) <= expanded_db,
        tone_rule=check.tone.name if check.tone is not None else "",
        tone_found=bool(tone.bands_hz) if tone is not None else None,
        tone_bands_hz=list(tone.bands_hz) if tone is not None else [],
        tone_periods=list(tone.periods) if tone is not None else [],
        tone_adjustment_db=tone.adjustment_db if tone is not None else None,
    )


def window_text(window: Window | None) -> str | None:
    """Clock hours as a reader writes them.

    >>> window_text(Window(22, 6)), window_text(Window(0, 24))
    ('22:00 to 06:00', '00:00 to 24:00')
    """
    return None if window is None else window_name(window)

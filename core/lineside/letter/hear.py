"""What is heard and why: parts of the sound, what has changed, what differs from day to day."""

from __future__ import annotations

import numpy as np

from lineside.letter import picture
from lineside.letter.setting import Setting
from lineside.letter.views import Block, items, text
from lineside.letter.wording import rounded
from lineside.report.causes import MIXTURE
from lineside.report.text import joined
from lineside.results.model import ConditionInfo, Level, ReceiverResult

#: At most so many sentences of each kind; two or three causes are what a reader keeps in mind. An assumption.
MAX_PARTS, MAX_CHANGES, MAX_DAYS = 3, 3, 2
#: A part of the sound energy below this gets no sentence. An assumption.
SAID_SHARE = 0.05
#: Trains that do not stop are named where they make this part of the sound. An assumption.
PASSING_SHARE = 0.2
#: Differences from day to day below this are not worth a sentence. An assumption. [dB]
DAYS_DB = 1.5


def blocks(setting: Setting) -> list[Block]:
    """Picture and sentences of the listed receiver here, or else of one nearby."""
    t, receiver = setting, setting.detailed
    if receiver is None:
        return text(t("hear.none_before" if t.index.explanations or t.index.timelines else "hear.none"))
    shares = parts(receiver)
    if not shares:
        return text(t("hear.none"))
    near = setting.who.receiver is None
    distance = int(max(10, round(setting.who.near_m, -1)))
    said = [n for n, share in shares if share >= SAID_SHARE][:MAX_PARTS]
    sentences = list(dict.fromkeys(_known(setting, "hear", n) for n in said))
    return [
        Block("lead", t("hear.near", distance=distance) if near else t("hear.intro")),
        _picture(setting, shares),
        *text(*sentences, passing(setting, receiver)),
        *items(t("hear.changed"), changes(setting)),
        *items(t("hear.days"), days(setting, receiver)),
    ]


def parts(receiver: ReceiverResult) -> list[tuple[str, float]]:
    """Mechanisms with their shares of the sound energy of Lden, the largest first."""
    return _shares(receiver.by_mechanism_db.get("lden", {}))


def _shares(levels: dict[str, Level]) -> list[tuple[str, float]]:
    energy = {n: 10.0 ** (v / 10.0) for n, v in levels.items() if v is not None}
    total = sum(energy.values())
    return sorted(((n, e / total) for n, e in energy.items()), key=lambda p: (-p[1], p[0]))


def _known(setting: Setting, part: str, name: str, **values: object) -> str:
    return setting(f"{part}.{name}" if setting.strings.has(f"{part}.{name}") else f"{part}.other", **values)


def _picture(setting: Setting, shares: list[tuple[str, float]]) -> Block:
    shown = shares if len(shares) <= MAX_PARTS + 1 else shares[:MAX_PARTS]
    named = [(_known(setting, "sound", n), share) for n, share in shown]
    if len(shown) < len(shares):
        named.append((setting("sound.other"), 1.0 - sum(share for _, share in shown)))
    entries = [(n, share, hundredths(setting, share)) for n, share in named]
    alt = setting("picture.parts_alt", parts=joined(setting("picture.part", name=n, share=s) for n, _, s in entries))
    drawn = picture.bars(entries)
    return Block("picture", setting("picture.parts_note"), source=drawn.source, alt=alt, width_mm=drawn.width_mm)


def hundredths(setting: Setting, share: float) -> str:
    """A share as a number out of 100."""
    return str(rounded(100.0 * share)) if share >= 0.01 else setting("picture.few")


def passing(setting: Setting, receiver: ReceiverResult) -> str:
    """Trains that do not stop where others do, run faster than these, and make much of the sound."""
    services = setting.index.results.site.services
    through = {s.id for s in services if s.pattern == "passes"}
    speed = {s.id: float(np.mean(s.profile.speed_km_h)) for s in services if s.profile.speed_km_h}
    calling = [speed[s.id] for s in services if s.id not in through and s.id in speed]
    fast = {n for n in through if n in speed and calling and speed[n] > max(calling)}
    share = sum(e for n, e in _shares(receiver.by_service_db.get("lden", {})) if n in fast)
    return setting("hear.passing", share=10 * rounded(10 * share)) if share >= PASSING_SHARE else ""


def changes(setting: Setting) -> list[str]:
    """The causes of the change since before the works that make at least a whole decibel, the largest first."""
    explanation = setting.explanation
    if explanation is None:
        return []
    found = [
        (c.cause, v) for c in explanation.causes if (v := c.change_db["lden"]) is not None and abs(rounded(v)) >= 1
    ]
    found.sort(key=lambda p: (-abs(p[1]), p[0]))
    return [
        _known(setting, "change_up" if v > 0 else "change_down", name, n=abs(rounded(v)))
        for name, v in found[:MAX_CHANGES]
    ]


def days(setting: Setting, receiver: ReceiverResult) -> list[str]:
    """Conditions of which one state is clearly louder than another, the largest difference first."""
    found = []
    for condition in setting.index.results.conditions:
        heard = _heard(condition, receiver)
        if len(heard) > 1:
            (quiet_db, quiet), (loud_db, loud) = min(heard), max(heard)
            found.append((loud_db - quiet_db, condition.kind, quiet, loud))
    known = {s.id for c in setting.index.results.conditions for s in c.states}
    weather = [
        (v["lden"] or 0.0, n)
        for n, v in receiver.states_db.items()
        if n not in known and n != MIXTURE and v.get("lden") is not None
    ]
    if len(weather) > 1:
        found.append((max(weather)[0] - min(weather)[0], "weather", min(weather)[1], max(weather)[1]))
    found.sort(key=lambda f: -f[0])
    words = []
    for difference, kind, quiet, loud in found[:MAX_DAYS]:
        if difference >= DAYS_DB:
            said = {"n": rounded(difference), "loud": loud, "quiet": quiet}
            if kind == "rail":
                said |= {key: setting.strings.known("rail", str(said[key])) for key in ("loud", "quiet")}
            words.append(_known(setting, "days", kind, **said))
    return words


def _heard(condition: ConditionInfo, receiver: ReceiverResult) -> list[tuple[float, str]]:
    """Lden while a state prevails, with the name of the state; for rails its id."""
    return [
        (v, s.id if condition.kind == "rail" else s.name or s.id)
        for s in condition.states
        if (v := receiver.states_db.get(s.id, {}).get("lden")) is not None
    ]

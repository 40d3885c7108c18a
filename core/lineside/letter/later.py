"""Until about when, what comes next, and what the reader can do."""

from __future__ import annotations

from datetime import date

from lineside.letter import picture
from lineside.letter.loud import what
from lineside.letter.setting import Setting
from lineside.letter.views import Block, items, text
from lineside.letter.wording import interval, limit_words, part_of_year, rounded, whole
from lineside.report.selection import criterion_natures, is_advice, of_project
from lineside.results.model import Rating, Return, Timeline

#: The sound is near the level of before where it is within this of it; one of the margins of the time line. [dB]
NEAR_DB = 1.0
MAX_LIMITS, MAX_SPOTS = 2, 3
#: Uses of buildings in which people sleep.
SLEPT_IN = ("dwelling", "hospital", "care_home")
#: A limit farther than this from the curve is left out of the picture. [dB]
REACH_DB = 12.0


def until(setting: Setting) -> list[Block]:
    """When the work has worn in, with the interval; when limits are kept."""
    t, results, line = setting, setting.index.results, setting.timeline
    if results.timeline is None or line is None:
        return text(t("until.none") if results.site.works else t("until.no_work"))
    near = next((r for r in line.returns if r.within_db == NEAR_DB), None)
    # of a spot nearby, or a change that nobody hears, a picture would say too much
    drawn = setting.who.receiver is not None and near is not None and not _little(near)
    back = _back(setting, results.timeline, near) if near is not None else ""
    limits = [s for r in _ranked(setting) if (s := _limit(setting, results.timeline, r))]
    return [
        *(_picture(setting, results.timeline) if drawn else []),
        *text(back, t("until.model")),
        *items(t("until.limits"), list(dict.fromkeys(limits))[:MAX_LIMITS]),
    ]


def _back(setting: Setting, timeline: Timeline, near: Return) -> str:
    t, dates, end = setting, near.dates, part_of_year(date.fromisoformat(timeline.dates[-1]), setting.strings)
    likely = dates["likely"]
    if _little(near):
        said = t("until.never_louder" if _never_louder(setting) else "until.little")
    elif likely is None:
        return t("until.never", end=end)
    elif likely <= setting.today and dates["high"] is not None and dates["high"] <= setting.today:
        said = t("until.done")
    else:
        when = _when(setting, timeline, dates)
        said = t("until.between" if dates["high"] is not None else "until.open", when=when)
    leaves = near.leaves["likely"]
    again = t("until.again", when=part_of_year(date.fromisoformat(leaves), setting.strings)) if leaves else ""
    return " ".join(s for s in (said, again) if s)


def _little(near: Return) -> bool:
    """Never farther from the state before, in the likely case."""
    return near.reasons["likely"] == "within it from the start"


def _never_louder(setting: Setting) -> bool:
    """The level on the days after works lies clearly below that before them, in the likely case."""
    line = setting.timeline
    fresh, before = (line.fresh_db["likely"], line.before_db["lden"]) if line is not None else (None, None)
    return fresh is not None and before is not None and rounded(fresh - before) <= -1


def _when(setting: Setting, timeline: Timeline, dates: dict[str, str | None]) -> str:
    """From the low to the high case; without a high one, to the end of the time line.

    The likely course may lie outside the draws; the interval holds it, too.
    """
    known = [d for d in dates.values() if d is not None]
    first = min(known) if dates["low"] else timeline.work_dates[-1]  # no low: kept all the time in the low case
    return interval(first, max(known) if dates["high"] else timeline.dates[-1], setting.today, setting.strings)


def _ranked(setting: Setting) -> list[Rating]:
    """Limits in time at the place itself, those of the project first; advice only where there is nothing else."""
    line, rank = setting.timeline, setting.index.criterion_rank
    if line is None or setting.who.receiver is None:
        return []
    natures = criterion_natures(setting.index.results)
    binding = [r for r in line.ratings if not is_advice(natures.get(r.criterion, ""))]
    return sorted(binding or line.ratings, key=lambda r: rank.get(r.criterion, len(rank)))


def _limit(setting: Setting, timeline: Timeline, rating: Rating) -> str:
    """When a limit that is not kept now will be; empty where it is kept and stays so."""
    t, likely = setting, rating.kept_from["likely"]
    name = what(setting, rating.quantity, rating.window, rating.label)
    end = part_of_year(date.fromisoformat(timeline.dates[-1]), setting.strings)
    reason, again = rating.reasons["likely"], rating.above_from["likely"]
    if likely is not None and likely > setting.today:
        high = rating.kept_from["high"]
        known = high is not None or rating.reasons["high"] == "kept throughout"
        when = _when(setting, timeline, {**rating.kept_from, "high": (high or likely) if known else None})
        return t("until.limit_between" if known else "until.limit_open", what=name, when=when)
    if reason.startswith("exceeded"):
        return t("until.limit_before" if rating.above_before else "until.limit_never", what=name, end=end)
    if again is not None and again > setting.today:
        return t("until.limit_lost", what=name, when=part_of_year(date.fromisoformat(again), setting.strings))
    return ""


def _picture(setting: Setting, timeline: Timeline) -> list[Block]:
    """The level in time with the limit that it comes nearest to, of the limits that rank first."""
    t, line = setting, setting.timeline
    assert line is not None
    quantity, window, label, series, before_db, limit = "lden_db", None, "", line.levels_db["lden"], None, None
    ranked = _ranked(setting)
    if ranked:
        first = [r for r in ranked if r.criterion == ranked[0].criterion]

        def over(rating: Rating) -> float:
            heard = [v for v in line.rated(rating)["likely"] if v is not None]
            return max(heard, default=float("-inf")) - rating.limit_db

        best = max(first, key=over)
        quantity, window, label = best.quantity, best.window, best.label
        series, before_db, limit = line.rated(best), best.before_db, best.limit_db
    before_db = before_db if before_db is not None else line.before_db["lden"]
    likely = [v for v in series["likely"] if v is not None]
    if before_db is None or not likely:
        return []
    near = limit is not None and min(likely) - REACH_DB <= limit <= max(likely) + REACH_DB
    shown = limit if near else None
    course = picture.Course(
        timeline.dates,
        series["low"],
        series["likely"],
        series["high"],
        before_db,
        shown,
        t("picture.before"),
        t("picture.limit", limit=limit_words(shown)) if shown is not None else "",
        t("picture.db"),
    )
    drawn = picture.in_time(course)
    first_day, last_day = (part_of_year(date.fromisoformat(timeline.dates[k]), setting.strings) for k in (0, -1))
    alt = t(
        "picture.time_alt",
        first=first_day,
        last=last_day,
        before=whole(before_db),
        top=whole(max(likely)),
        last_level=whole(likely[-1]),
    )
    if shown is not None:
        alt += " " + t("picture.time_alt_limit", limit=limit_words(shown))
    named = t("picture.time", what=what(setting, quantity, window, label))
    note = t("picture.time_note" if shown is not None else "picture.time_note_no_limit")
    return [Block("picture", f"{named}. {note}", source=drawn.source, alt=alt, width_mm=drawn.width_mm)]


def comes_next(setting: Setting) -> list[Block]:
    """The office's own sentences, and what the figures point to; no promise."""
    t = setting
    steps = of_project(setting.index.results, "letter", "next_steps", default=[])
    own = [Block("text", " ".join(str(s) for s in steps))] if steps else []
    found = setting.index.actions.get(setting.detailed.id, []) if setting.detailed is not None else []
    spots = list(
        dict.fromkeys(t(f"spot.{a.kind}" if setting.strings.has(f"spot.{a.kind}") else "spot.other") for a in found)
    )
    if spots:
        return [*own, *items(t("next.look"), spots[:MAX_SPOTS]), *text(t("next.open"))]
    looked = t("next.no_spot") if setting.detailed is not None else ""
    return [*own, *text(looked, t("next.open_no_spot"))]


def can_do(setting: Setting) -> list[Block]:
    """What the reader can do."""
    building = setting.who.building
    quiet = building is not None and building.quiet_facade and setting.who.use in SLEPT_IN
    names = ["note", "call", "report", *(["quiet"] if quiet else []), "safe"]
    return items("", [setting(f"you.{n}") for n in names])

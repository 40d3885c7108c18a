"""How loud it is: levels, limits, and what it was before the works."""

from __future__ import annotations

from lineside.figures.words import shorten
from lineside.letter.setting import Setting
from lineside.letter.views import Block, LimitRow, text
from lineside.letter.wording import change_words, hours_words, kept_words, limit_words, quantity_words, rounded, whole
from lineside.report.causes import change
from lineside.report.selection import criterion_natures, criterion_titles, is_advice
from lineside.results.model import Finding

#: More rows of limits do not help a reader.
MAX_ROWS = 7


def blocks(setting: Setting) -> list[Block]:
    """Paragraphs and the table of limits."""
    t, levels = setting, setting.levels
    if levels["lden"] is None:
        return text(t("loud.silent"), t("loud.scale"))
    stated = setting.index.results.uncertainty
    unsure = t("loud.unsure", expanded=limit_words(max(1, rounded(stated.expanded_db))))
    passing = _passing(setting)
    if passing and rounded(stated.pass_expanded_db) != rounded(stated.expanded_db):
        unsure += " " + t("loud.unsure_pass", expanded=max(1, rounded(stated.pass_expanded_db)))
    return [
        *text(_level(setting), t("loud.facade") if setting.at_facade else "", t("loud.scale")),
        *_table(setting),
        *text(before(setting)),
        *text(passing, unsure, t("loud.decides", authority=setting.authority or t("loud.some_authority"))),
    ]


def _level(setting: Setting) -> str:
    levels = setting.levels
    night = next((p for p in setting.index.results.periods if p.name == "night"), None)
    if night is None or levels.get("night") is None:
        return setting("loud.level_only", level=whole(levels["lden"]))
    hours = hours_words(night, setting.strings)
    return setting("loud.level", level=whole(levels["lden"]), night=whole(levels["night"]), hours=hours)


def _passing(setting: Setting) -> str:
    receiver = setting.who.receiver
    heard = [p.lafmax_db for p in receiver.passes if p.lafmax_db is not None] if receiver is not None else []
    return setting("loud.passing", train=setting.train, level=whole(max(heard))) if heard else ""


def _table(setting: Setting) -> list[Block]:
    t = setting
    made = [f for f in setting.findings if f.verdict != "not assessed" and f.limit_db is not None]
    unmade = t("loud.not_made") if any(f.verdict == "not assessed" for f in setting.findings) else ""
    if not made:
        return text(t("loud.no_limits"), unmade)
    rows = []
    for k, finding in enumerate(made[:MAX_ROWS]):
        new = k == 0 or made[k - 1].criterion != finding.criterion
        rows.append(_row(setting, finding, _set_by(setting, finding) if new else ""))
    more = t("loud.more_rows") if len(made) > MAX_ROWS else ""
    return [Block("limits", t("loud.table"), rows=tuple(rows)), *text(more, unmade)]


def _row(setting: Setting, finding: Finding, by: str) -> LimitRow:
    compared = finding.compared_db
    return LimitRow(
        what=what(setting, finding.quantity, finding.window, finding.label),
        by=by,
        level=setting("loud.decibels", level=whole(compared)) if compared is not None else setting("loud.silence"),
        limit=setting("loud.decibels", level=limit_words(finding.limit_db or 0.0)),
        kept=kept_words(finding, setting.strings),
    )


def what(setting: Setting, quantity: str, window: str | None, label: str) -> str:
    """The quantity of a limit in plain words."""
    return quantity_words(quantity, window, shorten(label, 60), setting.index.results.periods, setting.strings)


def _set_by(setting: Setting, finding: Finding) -> str:
    results = setting.index.results
    title = shorten(criterion_titles(results).get(finding.criterion, finding.criterion), 90)
    nature = criterion_natures(results).get(finding.criterion, "")
    if is_advice(nature):
        return setting("loud.advice", title=title)
    return setting("loud.indicative", title=title) if "indicative" in nature.lower() else title


def before(setting: Setting) -> str:
    """How loud it is compared with the time before the works; empty where no work changes anything that is computed."""
    t, timeline, explanation = setting, setting.timeline, setting.explanation
    counted = change(explanation) if explanation is not None else None
    if timeline is not None:
        start, now = timeline.before_db["lden"], timeline.levels_db["lden"]["likely"][setting.index.at]
        if start is None or now is None:
            return ""
        if setting.who.receiver is not None and not setting.at_facade:
            word = change_words(now - start, setting.strings)
            said = t("before.level", before=whole(start), now=whole(now), word=word)
        else:
            said = _without_levels(t, now - start)
        if setting.index.forecast and counted is not None and rounded(counted) != rounded(now - start):
            said += " " + t("before.rule", word=change_words(counted, setting.strings, by=True))
        return said
    return _without_levels(t, counted) if counted is not None else ""


def _without_levels(setting: Setting, change_db: float) -> str:
    """The change alone, where the levels are those of a facade or of a spot nearby."""
    word = change_words(change_db, setting.strings, by=True)
    if setting.who.receiver is not None:
        return setting("before.change", word=word)
    return setting("before.near", distance=int(max(10, round(setting.who.near_m, -1))), word=word)

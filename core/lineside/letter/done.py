"""What was done and why, whom to call, and the letter as a whole."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from lineside.figures.words import shorten
from lineside.letter import hear, later, loud
from lineside.letter.addressees import Addressee
from lineside.letter.index import Index
from lineside.letter.setting import Setting
from lineside.letter.views import Block, Letter, Part, items, text
from lineside.letter.wording import month_year
from lineside.report.selection import identity, of_project
from lineside.report.strings import Strings

MAX_WORKS = 6


def build(index: Index, who: Addressee, strings: Strings, draft: bool = False) -> Letter:
    """The letter to one address, in finished words.

    Parameters
    ----------
    draft : bool
        Marked on every page; what is missing in the project is said where it would stand.
    """
    t, results = Setting(index, who, strings), index.results
    contact = of_project(results, "contact", default={})
    office = shorten(str(contact.get("name", "")), 120)
    title = shorten(identity(results, "title"), 90) or t("letter.no_title")
    # the first line of an address may name persons
    name = shorten(who.name, 60)
    subject = t("letter.subject", place=name or t.place)
    day = identity(results, "date")
    month, year = month_year(day, strings)
    sender = ", ".join(s for s in (office, *(shorten(str(line), 60) for line in contact.get("address", []))) if s)
    hash_ = results.provenance.project_sha256[:12]
    heads: dict[str, list[Block]] = {
        "done": _done(t),
        "loud": loud.blocks(t),
        "hear": hear.blocks(t),
        "until": later.until(t),
        "next": later.comes_next(t),
        "you": later.can_do(t),
        "call": _call(t, contact),
    }
    return Letter(
        id=who.id,
        language=t("letter.language"),
        title=subject,
        bookmark=f"{who.id}: {name}" if name else who.id,
        author=office,
        day=day,
        date=t("letter.date", day=int(day[8:10]), month=month, year=year),
        sender=sender or t("missing.contact"),
        sender_name=office or t("missing.contact"),
        address=who.address,
        address_missing="" if who.address else t("missing.address"),
        subject=subject,
        greeting=(who.salutation or t("letter.greeting")).rstrip(","),
        draft=t("letter.draft") if draft else "",
        footer=t("letter.footer", version=results.provenance.lineside_version, id=shorten(who.id, 30), hash=hash_),
        reference=t("letter.reference", title=title, revision=shorten(identity(results, "revision"), 12), id=who.id),
        parts=[Part(t(f"head.{name}"), blocks) for name, blocks in heads.items() if blocks],
    )


def _done(setting: Setting) -> list[Block]:
    t, results = setting, setting.index.results
    month, year = month_year(setting.today, setting.strings)
    how = text(t("done.how", month=month, year=year))
    reason = text(shorten(str(of_project(results, "letter", "reason", default="")), 300))
    entries: list[str] = []
    for work in sorted(results.site.works, key=lambda w: (w.date, w.kind)):
        kind = t(f"work.{work.kind}" if setting.strings.has(f"work.{work.kind}") else "work.other")
        when = month_year(work.date, setting.strings)
        key = "done.item" if work.date <= setting.today else "done.planned"
        entries.append(t(key, month=when[0], year=when[1], what=kind))
    entries = list(dict.fromkeys(entries))
    if not entries:
        return [*text(t("done.none")), *reason, *how]
    if not of_project(results, "calculation", "rail_state", default={}):
        how = [*how, *text(t("done.not_counted"))]
    shown = entries[:MAX_WORKS] + ([t("done.more")] if len(entries) > MAX_WORKS else [])
    return [*items(t("done.worked"), shown), *reason, *how]


def _call(setting: Setting, contact: Mapping[str, Any]) -> list[Block]:
    t = setting
    if not contact:
        office = [Block("missing", t("missing.contact"))]
    else:
        rows = [("office", contact["name"]), *((k, contact.get(k)) for k in ("phone", "email", "hours"))]
        facts = tuple((t(f"call.{k}"), shorten(str(v), 200)) for k, v in rows if v)
        office = [Block("facts", facts=facts)]
    return [*office, *text(t("call.authority", name=setting.authority) if setting.authority else "")]

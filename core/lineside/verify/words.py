"""A verification in words."""

from __future__ import annotations

from collections.abc import Iterator

from lineside.verify.findings import TOLERANCE_DB, Verification

#: So many deviations of one check are listed; --json has all of them.
MAX_LISTED = 40


def lines(found: Verification) -> Iterator[str]:
    """What was checked, each deviation with its place, and the verdict."""
    yield f"{found.file}"
    for check in found.checks:
        n = len(check.deviations)
        state = "follows" if n == 0 and check.done else f"{n} deviation{'' if n == 1 else 's'}"
        if n == 0 and not check.done:
            state = "NOT CHECKED"
        yield f"  {check.name:<18}{state:<15}{check.said}"
    notices = [(c.name, text) for c in found.checks for text in dict.fromkeys(c.notices)]
    if notices:
        yield "To know:"
        yield from (f"  {name}: {text}" for name, text in notices)
    if found.deviations:
        yield "Deviations:"
    for check in found.checks:
        for deviation in check.deviations[:MAX_LISTED]:
            yield f"  {deviation}"
        more = len(check.deviations) - MAX_LISTED
        if more > 0:
            yield f"  ... and {more} more in {check.name}; --json lists all of them"
    yield verdict(found)


def verdict(found: Verification) -> str:
    """One sentence."""
    if found.follows:
        return f"All that is printed follows from the attached inputs, levels within {TOLERANCE_DB:g} dB."
    n = len(found.deviations)
    text = f"NOT VERIFIED: {n} deviation{'' if n == 1 else 's'}"
    if not all(check.done for check in found.checks):
        text += ", and not everything could be checked"
    if found.missing_plugins:
        text += f"; not installed: {', '.join(found.missing_plugins)}"
    if found.other_version:
        text += ". Versions differ: deviations may come from the version"
    return f"{text}."

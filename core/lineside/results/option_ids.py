"""Ids of options: they follow from the ids of the measures alone, whatever else a project considers."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable

from lineside.errors import RequestError

#: Between the ids of measures.
JOINT = " + "
#: Longer ids, and those that could be read in two ways, are replaced by a check sum.
LONGEST = 32
_LIKE_OURS = re.compile(r"O-[0-9a-f]{16}")


def option_id(measures: Iterable[str]) -> str:
    """The id of a set of measures, in whatever order they come.

    >>> option_id(["wall", "dampers"]), option_id(["a + b", "c"])
    ('dampers + wall', 'O-9a7e016c0a64ed9e')
    """
    ids = sorted(measures)
    plain = JOINT.join(ids)
    doubtful = any(JOINT.strip() in name.split() or is_check_sum(name) for name in ids)
    if len(plain) <= LONGEST and not doubtful:
        return plain
    return "O-" + hashlib.sha256(json.dumps(ids, ensure_ascii=False).encode()).hexdigest()[:16]


def is_check_sum(option: str) -> bool:
    """Whether an id says nothing about its measures."""
    return _LIKE_OURS.fullmatch(option) is not None


def refuse_doubles(options: Iterable[tuple[str, Iterable[str]]]) -> None:
    """Refuse two options with one id; each with its measures.

    Raises
    ------
    RequestError
        If there are such options.
    """
    seen: dict[str, list[str]] = {}
    for option, measures in options:
        names = list(measures)
        if option in seen:
            both = f"{', '.join(seen[option])}; and {', '.join(names)}"
            raise RequestError(f"two options have the id {option}: {both}. Give one of the measures another id")
        seen[option] = names

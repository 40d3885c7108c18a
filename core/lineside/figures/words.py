"""Text that strangers wrote, made fit for print."""

from __future__ import annotations

import unicodedata
from collections.abc import Callable

#: Gives the wording for a key of the report's string catalogue.
Words = Callable[..., str]

#: Categories of characters that are never printed: controls, invisible format marks (such as those
#: that reverse the direction of text), surrogates, private use, unassigned.
DROPPED = {"Cc", "Cf", "Cs", "Co", "Cn"}
KEPT = {"\n", "\t", "\u00ad"}


def clean(text: str) -> str:
    """Text without characters that could not or should not be printed.

    >>> clean("a" + chr(0) + "b" + chr(0x202E))
    'ab'
    """
    return "".join(c for c in text.replace("\r\n", "\n") if c in KEPT or unicodedata.category(c) not in DROPPED)


def shorten(text: str, limit: int) -> str:
    """At most ``limit`` characters, cleaned and on one line, with an ellipsis where cut.

    >>> shorten("Quay curve", 6)
    'Quay …'
    """
    text = " ".join(clean(text).split())
    return text if len(text) <= limit else text[: limit - 1] + "…"

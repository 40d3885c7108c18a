"""The shipped fonts, cut down to the characters of a page, as parts of its style sheet."""

from __future__ import annotations

import base64
import io
import logging

from lineside.report.html import font_bytes

#: Always kept: what a page may build from its data.
BASIC = "".join(map(chr, range(0x20, 0x7F))) + "–−±°·“”’…×▲◆○†↑→\u00a0\u202f"


def subset(name: str, text: str) -> bytes:
    """A font file in WOFF with the characters of ``text`` that it has; the same bytes for the same characters."""
    from fontTools import subset as tool
    from fontTools.ttLib import TTFont

    logging.getLogger("fontTools").setLevel(logging.ERROR)
    options = tool.Options(flavor="woff", hinting=False, layout_features=["kern", "liga", "tnum", "lnum", "mark"])
    font = TTFont(io.BytesIO(font_bytes(name)), recalcTimestamp=False, lazy=True)
    cut = tool.Subsetter(options)
    cut.populate(text="".join(sorted(set(text + BASIC))))
    cut.subset(font)
    font.flavor = "woff"
    out = io.BytesIO()
    font.save(out)
    return out.getvalue()


def address(name: str, text: str) -> str:
    """The cut font as an address that asks for nothing."""
    return "data:font/woff;base64," + base64.b64encode(subset(name, text)).decode("ascii")

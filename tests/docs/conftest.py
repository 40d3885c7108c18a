"""Reading the documents' code blocks."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
BLOCK = re.compile(r"^```(\w+)\n(.*?)^```$", re.MULTILINE | re.DOTALL)

Blocks = Callable[[str, str], list[str]]


@pytest.fixture(scope="session")
def root() -> Path:
    return ROOT


@pytest.fixture(scope="session")
def blocks() -> Blocks:
    """``blocks(document, language)``: the text of its code blocks in that language."""

    def read(document: str, language: str) -> list[str]:
        text = (ROOT / document).read_text(encoding="utf-8")
        return [body for found, body in BLOCK.findall(text) if found == language]

    return read

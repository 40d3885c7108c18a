"""The shape of the repository: what stands where, whole tables, and nothing of one machine."""

from __future__ import annotations

import hashlib
import re
import tomllib
from pathlib import Path

import pytest

from lineside.tables import load_table

ROOT = Path(__file__).parents[2]
GENERATED = {"build", "dist", "out", "__pycache__", "lineside.egg-info"}
TEXT = {".py", ".md", ".toml", ".yaml", ".csv", ".json", ".geojson", ".j2", ".css", ".txt", ".svg", ""}
TOP = {
    "DEVELOPERS.md",
    "LICENSE",
    "README.md",
    "core",
    "example_projects",
    "plugins",
    "pyproject.toml",
    "report_templates",
    "tests",
}
SOURCES = ("core", "plugins", "report_templates")
# Put together here, so that this file does not hold what it looks for.
UNFINISHED = "|".join(["TO" + "DO", "FIX" + "ME", "XX" + "X", "NotImplemented" + "Error"])
PRIVATE = "|".join(
    [
        r"(?<![\w.$}])/(?:home|root|work|Users|mnt|srv)/\w",
        r"\bsub" + r"agent",
        r"\btrans" + r"cript\b",
        r"\bseed " + r"document",
        r"\.lib" + r"rary\b",
        r"\blanguage " + r"model\b",
    ]
)


def files() -> list[Path]:
    found: list[Path] = []
    for top in sorted(TOP | {".ci", ".gitignore"}):
        path = ROOT / top
        found += [path] if path.is_file() else [p for p in sorted(path.rglob("*")) if p.is_file()]
    return [p for p in found if not GENERATED & set(p.relative_to(ROOT).parts)]


FILES = files()
TABLES = [
    p for p in FILES if p.suffix == ".csv" and p.parent.name == "data" and p.relative_to(ROOT).parts[0] in SOURCES
]


def test_top_level_has_its_fixed_shape() -> None:
    found = {p.name for p in ROOT.iterdir() if not p.name.startswith(".")} - GENERATED
    assert found == TOP


def test_licence_is_the_whole_text_of_apache_2() -> None:
    """SHA-256 of the text that the Apache Software Foundation publishes as LICENSE-2.0.txt (202 lines)."""
    digest = hashlib.sha256((ROOT / "LICENSE").read_bytes()).hexdigest()
    assert digest == "cfc7749b96f63bd31c3c42b5c471bf756814053e847c10f3eb003417bc523d30"


@pytest.mark.parametrize("path", TABLES, ids=lambda p: f"{p.parent.parent.name}-{p.stem}")
def test_table_is_whole_and_installed(path: Path) -> None:
    sidecar = tomllib.loads(path.with_suffix(".toml").read_text(encoding="utf-8"))
    assert hashlib.sha256(path.read_bytes()).hexdigest() == sidecar["sha256"]
    package = ".".join(path.relative_to(ROOT).parts[1:-2])
    table = load_table(package, path.stem)
    assert table.data_file.sha256 == sidecar["sha256"]
    for text in (sidecar["title"], sidecar["source"], sidecar["obtained"], sidecar["licence"]):
        assert text.strip()
    for column, about in sidecar["columns"].items():
        assert about.get("unit") and about.get("meaning"), column


def test_tables_were_found() -> None:
    assert {p.parent.parent.name for p in TABLES} >= {"who_2018", "de_16bimschv", "eu_railway", "eu_propagation"}


@pytest.mark.parametrize("path", sorted((ROOT / "tests" / "published" / "data").rglob("*.csv")), ids=lambda p: p.stem)
def test_check_values_name_their_source(path: Path) -> None:
    first = path.read_text(encoding="utf-8").splitlines()[0]
    assert first.startswith("#") and len(first) > 20


@pytest.mark.parametrize(("what", "pattern"), [("unfinished work", UNFINISHED), ("one machine", PRIVATE)])
def test_tree_holds_nothing_of(what: str, pattern: str) -> None:
    looked_at = [p for p in FILES if p.suffix in TEXT]
    assert len(looked_at) > 50
    found = [
        f"{path.relative_to(ROOT)}:{number}: {line.strip()[:80]}"
        for path in looked_at
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1)
        if re.search(pattern, line)
    ]
    assert found == [], what

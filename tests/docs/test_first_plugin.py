"""The plugin that DEVELOPERS.md walks through, built from its page and used."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from plugin_folders import run, unpack

Blocks = Callable[[str, str], list[str]]

ASSESS = """
import sys
from pathlib import Path

from ruamel.yaml import YAML

from lineside.api import assess

project = Path(sys.argv[1]) / "project.yaml"
yaml = YAML()
data = yaml.load(project.read_text(encoding="utf-8"))
data["calculation"]["grid"] = None
data["calculation"]["with"] = ["fan"]
data["calculation"].setdefault("options", {})["fan"] = {"lw_db": float(sys.argv[2])}
with project.open("w", encoding="utf-8") as file:
    yaml.dump(data, file)
first = assess(project).results.receivers[0]
print(first.by_mechanism_db["lden"]["fan"])
"""


@pytest.fixture(scope="module")
def installed(blocks: Blocks, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder on the path that holds the package and the metadata that an installer would write."""
    folder = tmp_path_factory.mktemp("plugin")
    for language in ("toml", "python"):
        for block in blocks("DEVELOPERS.md", language):
            name = block.splitlines()[0].removeprefix("# ")
            (folder / name).write_text(block, encoding="utf-8")
    return unpack(folder, folder.parent / f"{folder.name}_installed")


def test_its_own_tests_pass(installed: Path) -> None:
    done = run(installed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "test_lineside_fan.py")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "3 passed" in done.stdout


def test_lineside_lists_it_with_its_package(installed: Path) -> None:
    done = run(installed, "-m", "lineside.cli", "plugins")
    assert done.returncode == 0, done.stderr
    (row,) = [line.split() for line in done.stdout.splitlines() if line.startswith("source") and " fan " in line]
    assert row == ["source", "fan", "0.1", "lineside-fan", "0.1", "not", "verified"]


def test_a_project_can_use_it(installed: Path, root: Path, tmp_path: Path, blocks: Blocks) -> None:
    """Ten decibels more power, ten decibels more level; the block of the page names the same keys."""
    (block,) = blocks("DEVELOPERS.md", "yaml")
    assert "with: [fan]" in block and "fan: {lw_db: 78}" in block
    project = tmp_path / "site"
    shutil.copytree(root / "example_projects" / "weavers_tram", project, ignore=shutil.ignore_patterns("out"))
    levels = []
    for level in ("70", "80"):
        done = run(installed, "-c", ASSESS, str(project), level)
        assert done.returncode == 0, done.stderr
        levels.append(float(done.stdout))
    assert levels[1] - levels[0] == pytest.approx(10.0, abs=1e-3)

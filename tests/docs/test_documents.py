"""README.md and DEVELOPERS.md say what is there, and their blocks run."""

from __future__ import annotations

import inspect
import io
import re
import shlex
import shutil
from collections.abc import Callable
from pathlib import Path

import click
import pytest
from click.testing import CliRunner
from ruamel.yaml import YAML

from lineside import errors, hookspecs
from lineside.api import load_project
from lineside.cli import main
from lineside.errors import LinesideError

Blocks = Callable[[str, str], list[str]]
HOOKS = sorted(name for name, f in vars(hookspecs).items() if name.startswith("register_") and callable(f))
ERRORS = sorted(n for n, e in vars(errors).items() if inspect.isclass(e) and issubclass(e, LinesideError))
DOCUMENTS = ("README.md", "DEVELOPERS.md")


def read_yaml(text: str) -> dict:  # type: ignore[type-arg]
    return YAML(typ="safe").load(text)


def simple_commands(block: str) -> list[list[str]]:
    lines = (line for line in block.splitlines() if line.strip() and not line.startswith("#"))
    return [shlex.split(part) for line in lines for part in line.split("&&")]


@pytest.mark.parametrize("document", DOCUMENTS)
def test_shell_blocks_call_what_exists(document: str, blocks: Blocks, root: Path) -> None:
    commands = [command for block in blocks(document, "bash") for command in simple_commands(block)]
    assert commands
    for program, *arguments in commands:
        if program == "bash":
            script = (root / arguments[0]).read_text(encoding="utf-8")
            assert all(option in script for option in arguments[1:]), arguments
        else:
            assert program == ".venv/bin/lineside", program
            name, *rest = arguments
            command = main.commands[name]
            options = {o for p in command.params if isinstance(p, click.Option) for o in p.opts}
            assert {a for a in rest if a.startswith("-")} <= options
            assert CliRunner().invoke(main, [name, "--help"]).exit_code == 0
            assert rest[0] == "my_site" or (root / rest[0] / "project.yaml").is_file(), rest[0]


@pytest.mark.parametrize("name", sorted(main.commands))
def test_readme_describes_every_command_and_option(name: str, root: Path) -> None:
    readme = (root / "README.md").read_text(encoding="utf-8")
    (row,) = [line for line in readme.splitlines() if line.startswith(f"| `lineside {name}")]
    for parameter in main.commands[name].params:
        option = max(parameter.opts, key=len)
        if isinstance(parameter, click.Option) and option != "--json":
            assert option in row


@pytest.mark.parametrize("number", [0, 1])
def test_readme_project_blocks_are_valid(number: int, blocks: Blocks, root: Path, tmp_path: Path) -> None:
    """Each block is added to an example project, which must then load."""
    found = blocks("README.md", "yaml")
    assert len(found) == 2
    project = tmp_path / "project"
    shutil.copytree(root / "example_projects" / "weavers_tram", project, ignore=shutil.ignore_patterns("out"))
    data = read_yaml((project / "project.yaml").read_text(encoding="utf-8"))
    for key, entries in read_yaml(found[number]).items():
        data[key] = [*data.get(key, []), *entries]
    written = io.StringIO()
    YAML().dump(data, written)
    (project / "project.yaml").write_text(written.getvalue(), encoding="utf-8")
    loaded = load_project(project).project
    assert loaded.receivers[-1].id == "N1" if number == 0 else loaded.criteria[-1].use_id == "permit-14"


@pytest.mark.parametrize("hook", HOOKS)
def test_developers_describes_every_hook(hook: str, root: Path) -> None:
    line = f"### `{hook}{str(inspect.signature(getattr(hookspecs, hook))).replace(chr(39), '')}`"
    assert line in (root / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_hooks_were_found() -> None:
    assert len(HOOKS) >= 5


@pytest.mark.parametrize("name", ERRORS)
def test_developers_describes_every_error(name: str, root: Path) -> None:
    assert f"| `{name}` |" in (root / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("document", DOCUMENTS)
def test_links_lead_somewhere(document: str, root: Path) -> None:
    text = (root / document).read_text(encoding="utf-8")
    links = [link for link in re.findall(r"\]\(([^)#]+)\)", text) if "://" not in link]
    assert links
    assert [link for link in links if not (root / link).exists()] == []


def test_developers_map_names_what_exists(root: Path) -> None:
    text = (root / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## Map")[1].split("## Hooks")[0]
    folders = [name for name in re.findall(r"`([\w/]+/)`", section)]
    assert len(folders) >= 10
    assert [folder for folder in folders if not (root / folder).is_dir()] == []
    packages = {p.parent.name for p in (root / "core" / "lineside").glob("*/__init__.py")}
    assert packages <= {Path(folder).name for folder in folders}

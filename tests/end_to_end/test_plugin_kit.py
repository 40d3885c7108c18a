"""``lineside plugin-kit``: what it writes works as it stands, and it never overwrites."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from lineside import cli
from lineside.plugin_kit import FILES, contents_of, name_of
from plugin_folders import run, unpack


def kit(folder: Path, *arguments: str) -> tuple[int, str]:
    done = CliRunner().invoke(cli.main, ["plugin-kit", str(folder), *arguments])
    return done.exit_code, done.output


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("kit") / "lineside-yard-fans"
    code, said = kit(folder)
    assert code == 0, said
    assert str(folder) in said
    return folder


@pytest.fixture(scope="module")
def installed(written: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unpack(written, tmp_path_factory.mktemp("installed") / "plugin")


def test_its_tests_pass_out_of_the_box(installed: Path) -> None:
    done = run(installed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-W", "error", "tests")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "13 passed" in done.stdout


@pytest.mark.parametrize(
    ("file", "old", "new", "test"),
    [
        ("calculator.py", "options.lw_db - options.reduction_db", "-options.lw_db", "test_ten_decibels_more"),
        ("measure.py", '"reduction_db": reduction', '"lw_db": reduction', "test_the_measure_changes_one_option"),
        ("templates/yard_fans.html.j2", "r.lden_db | level", "r.lden_db + 3", "section_keeps_its_contract"),
        ("criterion.py", "if receiver.use", "if not receiver.use", "test_the_limit_is_for_dwellings"),
    ],
)
def test_its_tests_fail_when_it_is_broken(
    installed: Path, tmp_path: Path, file: str, old: str, new: str, test: str
) -> None:
    path = Path(shutil.copytree(installed, tmp_path / "plugin")) / "lineside_yard_fans" / file
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
    tests = ["tests/test_contract.py", "tests/test_values.py"]
    done = run(tmp_path / "plugin", "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests)
    assert done.returncode == 1 and test in done.stdout


def test_lineside_lists_it(installed: Path) -> None:
    done = run(installed, "-m", "lineside.cli", "plugins", "--json")
    assert done.returncode == 0, done.stderr
    own = [r for r in json.loads(done.stdout)["loaded"] if r["package"] == "lineside-yard-fans 0.1"]
    assert {(r["kind"], r["name"]) for r in own} == {
        ("source", "yard_fans"),
        ("criterion", "yard_fans_limit"),
        ("measure", "yard_fans_control"),
        ("report section", "yard_fans"),
    }


def test_all_files_are_there_without_marks_of_the_kit(written: Path) -> None:
    found = {str(p.relative_to(written)): p.read_text(encoding="utf-8") for p in written.rglob("*") if p.is_file()}
    assert found == contents_of("yard_fans") and len(found) == len(FILES)
    assert not [name for name, text in found.items() if "@" in text.replace("@hookimpl", "").replace("@pytest", "")]
    assert "Apache License 2.0" in found["LICENCE.md"]


def test_code_is_well_formed(written: Path) -> None:
    lint = ["--isolated", "--line-length", "120"]
    rules = ["--select", "E,F,I,B,UP,SIM,RUF,PTH,NPY", "--no-cache"]
    for how in (["check", *rules], ["format", "--check", "--no-cache"]):
        done = subprocess.run(
            [sys.executable, "-m", "ruff", *how, *lint, "."], cwd=written, capture_output=True, text=True
        )
        assert done.returncode == 0, done.stdout


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine")
    code, said = kit(tmp_path, "--name", "fans")
    assert code == 1 and "is not empty; name a new folder: nothing is overwritten" in said
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
    code, said = kit(tmp_path / "mine.txt", "--name", "fans")
    assert code == 1 and "is a file" in said


def test_an_empty_folder_is_filled(tmp_path: Path) -> None:
    code, said = kit(tmp_path, "--name", "fans")
    assert code == 0, said
    assert (tmp_path / "lineside_fans" / "calculator.py").is_file()


NAMES = {
    "Fans": "cannot be used; allowed are small letters",
    "2fans": "cannot be used",
    "yard__fans": "cannot be used",
    "../fans": "cannot be used",
    "f" * 31: "cannot be used",
    "class": "is taken by Python or by lineside",
    "plugins": "is taken by Python or by lineside",
    "squeal_passes": "lineside 0.4.0 offers 'squeal_passes'",
    "rolling": "is taken by a mechanism",
}


@pytest.mark.parametrize("name", NAMES)
def test_a_name_that_cannot_be_used_is_refused(tmp_path: Path, name: str) -> None:
    code, said = kit(tmp_path / "new", "--name", name)
    assert code == 1 and NAMES[name] in said
    assert not list(tmp_path.iterdir())


def test_the_name_follows_from_the_folder() -> None:
    assert name_of(Path("a/lineside-Yard.Fans")) == "yard_fans"

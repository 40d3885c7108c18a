"""The commands as a person calls them, in processes of their own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import pytest


def run(*words, cwd=None):
    return subprocess.run(
        [sys.executable, "-m", "lineside.cli", *map(str, words)], capture_output=True, text=True, cwd=cwd, timeout=300
    )


@pytest.fixture(scope="module")
def starter(tmp_path_factory):
    folder = tmp_path_factory.mktemp("new") / "my_site"
    made = run("new", folder)
    assert made.returncode == 0, made.stderr
    return folder


def test_a_new_project_assesses_at_once(starter, tmp_path):
    done = run("assess", starter, "--out", tmp_path / "out")
    assert done.returncode == 0, done.stderr
    assert "done in" in done.stderr
    assert done.stdout.strip() == str(tmp_path / "out" / "assessment.pdf")
    assert (tmp_path / "out" / "assessment.pdf").read_bytes().startswith(b"%PDF")
    names = {p.relative_to(tmp_path / "out").as_posix() for p in (tmp_path / "out").rglob("*") if p.is_file()}
    assert {"results.json", "results.nc", "assessment.pdf", "index.html", "tables/tables.xlsx"} <= names
    assert {"tables/receivers.csv", "tables/findings.csv"} <= names
    assert not [n for n in names if n.endswith(".part")]


def test_new_never_overwrites(starter):
    before = (starter / "project.yaml").read_bytes()
    again = run("new", starter)
    assert again.returncode == 1
    assert "Traceback" not in again.stderr
    assert (starter / "project.yaml").read_bytes() == before


def test_quiet_says_nothing(starter, tmp_path):
    done = run("assess", starter, "--quiet", "--out", tmp_path / "out")
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_check_names_every_error_with_its_line_and_writes_nothing(starter, tmp_path):
    broken = tmp_path / "broken"
    broken.mkdir()
    for file in starter.iterdir():
        if file.is_file():
            (broken / file.name).write_bytes(file.read_bytes())
    text = (starter / "project.yaml").read_text()
    text = text.replace("identity:", "identitty:", 1).replace("humidity_pct: 75", "humidity_pct: 140", 1)
    (broken / "project.yaml").write_text(text)
    found = run("assess", broken)
    assert found.returncode == 1
    assert "did you mean identity" in found.stderr
    assert "140" in found.stderr
    assert found.stderr.count("project.yaml:") >= 2
    assert "Traceback" not in found.stderr
    assert not (broken / "out").exists()


def test_a_missing_folder_is_said_in_words():
    found = run("check", "no_such_folder")
    assert found.returncode == 1
    assert "no_such_folder" in found.stderr
    assert "Traceback" not in found.stderr


def test_plugins_lists_package_and_verification():
    listed = run("plugins", "--json")
    assert listed.returncode == 0
    rows = {r["name"]: r for r in json.loads(listed.stdout)["loaded"]}
    assert rows["eu_rolling"]["package"].startswith("lineside ")
    assert rows["eu_rolling"]["verification"] == "reproduces published cases"
    assert {"eu_propagation", "who_2018", "de_16bimschv", "custom", "eu_common"} <= set(rows)
    assert "eu_rolling" in run("plugins").stdout


@pytest.mark.parametrize("words", [("schema",), ("schema", "--results")])
def test_schemas_are_valid_json_schema(words):
    done = run(*words)
    assert done.returncode == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(done.stdout))


def test_results_follow_their_schema(starter, tmp_path):
    run("assess", starter, "--quiet", "--out", tmp_path / "out")
    document = json.loads((tmp_path / "out" / "results.json").read_text())
    jsonschema.validate(document, json.loads(run("schema", "--results").stdout))


def test_help_imports_nothing_heavy():
    code = (
        "import sys, click.testing, lineside.cli as c; r = click.testing.CliRunner().invoke(c.main, ['--help']);"
        "print(r.exit_code, [m for m in ('numpy', 'pydantic', 'weasyprint', 'numba') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "0 []", done.stdout + done.stderr


def test_a_fault_of_the_program_is_said_without_a_traceback(monkeypatch, capsys):
    from click.testing import CliRunner

    import lineside.cli as cli

    def broken(*_args):
        raise RuntimeError("boom")

    monkeypatch.setattr("lineside.api.load_project", broken)
    result = CliRunner().invoke(cli.main, ["check", "anywhere"])
    assert result.exit_code == 5
    assert "RuntimeError: boom" in result.output
    assert "Traceback" not in result.output


def test_explain_says_why_and_draws_it(starter, tmp_path):
    asked = ("explain", starter, "--receiver", "R1", "--from", "homogeneous", "--to", "favourable")
    found = run(*asked, "--figure", tmp_path / "causes.svg")
    assert found.returncode == 0, found.stderr
    assert "Wind and temperature layers" in found.stdout and "What dominates" in found.stdout
    assert (tmp_path / "causes.svg").read_text(encoding="utf-8").rstrip().endswith("</svg>")
    document = json.loads(run(*asked, "--json").stdout)
    assert [c["cause"] for c in document["causes"]] == ["weather"]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("--receiver", "X9"), 1, "no receiver 'X9'"),
        (("--receiver", "R1", "--to", "dri"), 1, "no state of this project"),
        (("--receiver", "R1", "--from", "homogeneous", "--figure", "project.yaml"), 2, "must end in .svg"),
        (("--receiver", "R1", "--from", "homogeneous", "--figure", "no/where/x.svg"), 2, "no folder no/where"),
    ],
)
def test_what_explain_cannot_do_is_said_in_words(starter, words, code, said):
    before = (starter / "project.yaml").read_bytes()
    found = run("explain", starter, *words, cwd=starter)
    assert found.returncode == code and said in found.stderr and "Traceback" not in found.stderr
    assert (starter / "project.yaml").read_bytes() == before


def test_levels_of_one_situation_say_so(starter, tmp_path):
    done = run("assess", starter, "--state", "favourable", "--out", tmp_path / "out", "--quiet")
    assert done.returncode == 0, done.stderr
    document = json.loads((tmp_path / "out" / "results.json").read_text())
    assert document["situation"]["states"] == {"weather": "favourable"}


def test_check_names_the_options_that_measures_make():
    folder = Path(__file__).parents[2] / "example_projects" / "weavers_tram"
    found = run("check", folder)
    assert found.returncode == 0, found.stderr
    assert "measures: 9; options to compare for 2026-12-01: 29; combinations that exclude each other: 1" in found.stderr

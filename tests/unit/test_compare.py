"""What changed between two assessments is said, and nothing else."""

from __future__ import annotations

import copy
import json
import runpy
from pathlib import Path
from typing import Any

import pikepdf
import pypdfium2
import pytest
from click.testing import CliRunner

import lineside
from lineside.cli import main
from lineside.compare import inputs, supplement
from lineside.compare.run import compare, compare_results
from lineside.compare.words import lines
from lineside.errors import RequestError
from lineside.report.strings import Strings
from lineside.results.model import Results
from lineside.results.write import results_bytes
from sites import straight_site, write_site

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))


def site(revision: str) -> dict[str, Any]:
    found = straight_site(300.0)
    first = found["receivers"][0]
    found["identity"]["revision"] = revision
    found["receivers"] = [
        {**first, "id": f"R{k}", "name": f"Quay {k}", "position": [5.0 * k - 60, 20.0 + 4 * k]} for k in range(1, 9)
    ]
    return found


@pytest.fixture(scope="module")
def both(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Folders of results; in the second one trains are faster and more at night, and receivers come and go."""
    out = tmp_path_factory.mktemp("both")
    a, b = site("A"), site("B")
    b["services"][0]["trains"]["night"] = 60
    b["tracks"][0]["attributes"]["speed_limit_km_h"] = 80
    new = {**b["receivers"][0], "id": "N1", "name": "New house"}
    b["receivers"] = [*b["receivers"][1:], new]
    for name, what in (("a", a), ("b", b)):
        assessment = lineside.assess(write_site(what, out / name))
        (out / f"out_{name}").mkdir()
        (out / f"out_{name}" / "results.json").write_bytes(results_bytes(assessment.results))
    return out / "out_a", out / "out_b"


@pytest.fixture(scope="module")
def rich() -> Results:
    """Results with a time line."""
    found: Results = FIXTURE["build_results"](4)
    return found


def test_the_same_is_said_to_be_the_same(both: tuple[Path, Path]) -> None:
    found = compare(both[0], both[0])
    assert found.same and list(lines(found))[-1].startswith("Nothing differs")


def test_project_values_are_named_field_by_field(both: tuple[Path, Path]) -> None:
    found = {c.where: (c.kind, c.before, c.after) for c in compare(*both).inputs}
    assert found["tracks T, attributes, speed_limit_km_h"] == ("changed", "60", "80")
    assert found["services S, trains, night"] == ("changed", "16", "60")
    assert found["identity, revision"] == ("changed", "A", "B")
    assert found["receivers R1"][0] == "removed" and found["receivers N1"][0] == "added"
    assert len(found) == 5


def test_receivers_are_matched_by_id(both: tuple[Path, Path]) -> None:
    found = compare(*both)
    assert (found.receivers_added, found.receivers_removed) == (["N1"], ["R1"])
    assert {c.place for c in found.levels} == {f"R{k}" for k in range(2, 9)}
    old, new = (Results.model_validate_json((p / "results.json").read_bytes()) for p in both)
    before = {r.id: r.lden_db for r in old.receivers}
    after = {r.id: r.lden_db for r in new.receivers}
    for change in found.levels:
        if change.quantity == "Lden":
            assert (change.before_db, change.after_db) == (before[change.place], after[change.place])


def test_crossed_limits_come_first_and_are_counted(both: tuple[Path, Path]) -> None:
    found = compare(*both)
    assert found.verdicts and found.verdicts[0].crossing == "now exceeded"
    marks = [v.crossing == "" for v in found.verdicts]
    assert marks == sorted(marks)
    assert (found.findings_added, found.findings_removed) == (2, 2)
    back = compare(both[1], both[0])
    assert {v.crossing for v in back.verdicts} <= {"now kept", ""} and back.verdicts[0].crossing == "now kept"
    assert any("[now exceeded]" in line for line in lines(found))


@pytest.mark.parametrize(("shift_db", "listed"), [(0.04, 0), (0.06, 1)])
def test_levels_that_are_equal_as_printed_are_not_listed(rich: Results, shift_db: float, listed: int) -> None:
    other = rich.model_copy(deep=True)
    assert other.receivers[0].lden_db is not None
    other.receivers[0].lden_db += shift_db
    assert len(compare_results(rich, other).levels) == listed


def test_silence_is_no_number(rich: Results) -> None:
    other = rich.model_copy(deep=True)
    other.receivers[0].lden_db = None
    found = compare_results(rich, other)
    assert found.levels[0].change_db is None
    assert any("Lden" in line and "-> –" in line for line in lines(found))
    json.dumps(found.as_json(), allow_nan=False)


def test_dates_are_compared_with_their_reasons(rich: Results) -> None:
    other = rich.model_copy(deep=True)
    assert other.timeline is not None
    back = other.timeline.receivers[0].returns[0]
    case = next(iter(back.dates))
    old = back.dates[case]
    back.dates[case] = "2031-05-01" if old != "2031-05-01" else "2032-05-01"
    (change,) = compare_results(rich, other).dates
    assert (
        change.after == ("May 2031" if old != "2031-05-01" else "May 2032")
        and change.place == other.timeline.receivers[0].receiver
    )
    assert f"back within {back.within_db:g} dB, {case}" in change.what


def test_methods_are_compared_by_version_options_and_tables(rich: Results) -> None:
    other = rich.model_copy(deep=True)
    other.provenance.lineside_version = "9.9"
    offer = other.provenance.offers[0]
    offer.version, offer.options = "8.8", {**offer.options, "extra": 2.5}
    gone = other.provenance.offers.pop()
    found = {c.where: c for c in compare_results(rich, other).methods}
    assert (found["lineside"].before, found["lineside"].after) == (rich.provenance.lineside_version, "9.9")
    assert found[f"{offer.kind} {offer.name}, version"].after == "8.8"
    assert found[f"{offer.kind} {offer.name}, options, extra"].after == "2.5"
    assert found[f"{gone.kind} {gone.name}"].kind == "removed"


def test_files_are_compared_by_content(rich: Results) -> None:
    other = rich.model_copy(deep=True)
    first, *rest = other.provenance.inputs
    first.name = f"moved_{first.name}"
    for file in rest[:1]:
        file.sha256 = "0" * 64
    found = compare_results(rich, other).files
    assert [c.where for c in found if "same content" in c.where] == [f"{rich.provenance.inputs[0].name} (same content)"]
    assert len(found) == 1 + len(rest[:1])


@pytest.mark.parametrize(
    ("a", "b", "said"),
    [
        ({"x": 1.0}, {"x": 1}, []),
        ({"x": [[0, 0], [1, 1]]}, {"x": [[0, 0], [1, 2]]}, ["x: (0, 0), (1, 1) -> (0, 0), (1, 2)"]),
        ({"x": [[0.5, k] for k in range(99)]}, {"x": [[0.5, k] for k in range(98)]}, ["x: 99 entries -> 98 entries"]),
        ({"x": None}, {"x": 0.1 + 0.2}, ["x: added: 0.3"]),
        ({"x": [{"id": "a"}, {"id": "b"}]}, {"x": [{"id": "b"}, {"id": "a"}]}, ["x, order: a, b -> b, a"]),
        ({"x": 1.0000001}, {"x": 1.0}, ["x: 1.0000001 -> 1.0"]),
    ],
)
def test_values_are_worded(a: dict[str, Any], b: dict[str, Any], said: list[str]) -> None:
    from lineside.compare.words import sentence

    assert [sentence(c) for c in inputs._values("", a, b)] == said


def test_the_supplement_has_two_tagged_pages_and_all_changes_attached(both: tuple[Path, Path], tmp_path: Path) -> None:
    found = compare(*both)
    supplement.write_supplement(found, tmp_path / "changes.pdf")
    with pikepdf.open(tmp_path / "changes.pdf") as pdf:
        assert len(pdf.pages) == 2 and bool(pdf.Root.MarkInfo.Marked) and str(pdf.Root.Lang) == "en-GB"
        data = json.loads(pdf.attachments["comparison.json"].get_file().read_bytes())
        with pdf.open_metadata() as metadata:
            assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "A")
    assert data == json.loads(json.dumps(found.as_json()))
    opened = pypdfium2.PdfDocument(tmp_path / "changes.pdf")
    text = [page.get_textpage().get_text_bounded() for page in opened]
    opened.close()
    assert [name for name in supplement.TABLES if name in text[0]] == ["C0.1", "C1.1", "C1.2", "C2.1", "C2.2"]
    assert "3 Results" in text[1] and "C3.5" in text[1]


def test_many_changes_still_fit_on_two_pages(rich: Results, tmp_path: Path) -> None:
    many: Results = FIXTURE["build_results"](40)
    other = many.model_copy(deep=True)
    for receiver in other.receivers:
        receiver.lden_db = 1.0
    for finding in other.findings:
        finding.verdict = "borderline"
    other.project = {**copy.deepcopy(other.project), **{f"key_{k}": "word " * 40 for k in range(60)}}
    found = compare_results(many, other)
    supplement.write_supplement(found, tmp_path / "changes.pdf")
    with pikepdf.open(tmp_path / "changes.pdf") as pdf:
        assert len(pdf.pages) == 2
    view = supplement.build(found, Strings(), 4)
    assert len(view.tables["C1.1"].rows) == 4 and f"{len(found.inputs) - 4} more rows" in view.tables["C1.1"].note


def test_the_template_documents_every_table() -> None:
    from importlib import resources

    source = resources.files("lineside_report") / "compare" / "compare.html.j2"
    head = source.read_text(encoding="utf-8").split("#}")[0]
    assert all(name in head for name in supplement.TABLES)
    found = compare_results(FIXTURE["build_results"](2), FIXTURE["build_results"](2))
    assert tuple(supplement.build(found, Strings(), 3).tables) == supplement.TABLES


def test_the_command_reads_folders_and_pdfs_and_says_what_is_wrong(both: tuple[Path, Path], tmp_path: Path) -> None:
    call = CliRunner().invoke
    done = call(main, ["compare", str(both[0]), str(both[1] / "results.json"), "--json"])
    assert done.exit_code == 0 and json.loads(done.output)["receivers_added"] == ["N1"]
    empty = call(main, ["compare", str(both[0]), str(tmp_path)])
    assert empty.exit_code == 1 and "holds no results.json" in empty.output
    (tmp_path / "x.json").write_text('{"format_version": 7}')
    other = call(main, ["compare", str(both[0]), str(tmp_path / "x.json")])
    assert other.exit_code == 1 and "not results of this version" in other.output
    assert call(main, ["compare", str(both[0]), str(both[1]), "--pdf", "x.txt"]).exit_code == 2
    with pytest.raises(RequestError):
        compare(tmp_path, both[0])


def test_a_pdf_and_a_folder_compare_alike(tmp_path: Path) -> None:
    assessment = lineside.assess(write_site(straight_site(300.0), tmp_path / "site"))
    lineside.render(assessment, tmp_path / "out")
    assert compare(tmp_path / "out", tmp_path / "out" / "assessment.pdf").same

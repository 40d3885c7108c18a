"""Letters as files: structure of the PDF, the file for the printer, addresses, results that fit or do not."""

from __future__ import annotations

import json
import runpy
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pypdfium2
import pytest
from click.testing import CliRunner

import lineside
from lineside.cli import main
from lineside.errors import ProjectError, RequestError
from lineside.letter.addressees import MAX_CHARACTERS, MAX_LINES, read_addresses
from lineside.letter.kept_results import as_written, misfits, read_results
from lineside.letter.write import PRINT_FILE, Written, find_results, write_letters
from lineside.results.model import Results
from lineside.results.write import results_bytes
from sites import straight_site, write_site

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
CONTACT = {"name": "Track office", "phone": "01632 960 123", "hours": "Monday to Friday", "address": ["1 Depot Road"]}


def document(n: int = 3, receivers: dict[str, dict[str, Any]] | None = None, **project: Any) -> Results:
    results: Results = FIXTURE["build_results"](n)
    listed = [{"id": r.id, **(receivers or {}).get(r.id, {})} for r in results.receivers]
    return results.model_copy(
        update={"project": {**results.project, "contact": CONTACT, "receivers": listed, **project}}
    )


def text_of(path: Path) -> list[str]:
    opened = pypdfium2.PdfDocument(path)
    pages = [page.get_textpage().get_text_bounded() for page in opened]
    opened.close()
    return pages


def elements(pdf: pikepdf.Pdf) -> Iterator[pikepdf.Dictionary]:
    stack = [pdf.Root.StructTreeRoot.K]
    while stack:
        node = stack.pop()
        if isinstance(node, pikepdf.Array):
            stack.extend(node)
        elif isinstance(node, pikepdf.Dictionary) and "/S" in node:
            yield node
            if "/K" in node:
                stack.append(node.K)


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Written:
    return write_letters(document(), tmp_path_factory.mktemp("letters"), workers=1)


def test_every_address_has_a_file_of_one_or_two_pages(written: Written) -> None:
    assert list(written.letters) == ["R1", "R2", "R3"]
    for name, path in written.letters.items():
        pages = text_of(path)
        assert path.name == f"letter_{name}.pdf" and 1 <= len(pages) <= 2
        assert f"page 1 of {len(pages)}" in pages[0]
    assert "12 Quay Street" in text_of(written.letters["R1"])[0]
    whole = "".join(text_of(written.letters["R1"]))
    assert "01632 960 123" in whole and "14 Quay Street" not in whole  # nothing of another address


def test_a_letter_is_tagged_with_language_title_and_bookmark(written: Written) -> None:
    with pikepdf.open(written.letters["R1"]) as pdf:
        assert str(pdf.Root.Lang) == "en-GB" and bool(pdf.Root.MarkInfo.Marked)
        with pdf.open_metadata() as metadata:
            assert metadata["dc:title"] == "How loud the trains are at 12 Quay Street"
            assert metadata["pdfaid:part"] == "3"
        with pdf.open_outline() as outline:
            assert [item.title for item in outline.root] == ["R1: 12 Quay Street"]
            assert len(outline.root[0].children) == 7
        found = list(elements(pdf))
        figures = [e for e in found if e.S == "/Figure"]
        assert figures and all(len(str(e.Alt)) > 40 for e in figures)
        headers = [e for e in found if e.S == "/TH"]
        assert {str(h.A.Scope) for h in headers} == {"/Column", "/Row"}
        assert "/Names" not in pdf.Root or "/EmbeddedFiles" not in pdf.Root.Names  # no data of others inside


def test_the_print_file_starts_each_letter_on_a_right_hand_page(written: Written, tmp_path: Path) -> None:
    assert written.print_file is not None and written.print_file.name == PRINT_FILE
    with pikepdf.open(written.print_file) as pdf:
        assert str(pdf.Root.Lang) == "en-GB" and str(pdf.docinfo["/Title"]).endswith(": letters to neighbours")
        numbers = {p.objgen: k for k, p in enumerate(pdf.pages)}
        with pdf.open_outline() as outline:
            starts = {str(i.title): numbers[i.destination[0].objgen] for i in outline.root}
    assert list(starts) == ["R1: 12 Quay Street", "R2: 14 Quay Street", "R3: Harbour School, south front"]
    pages = text_of(written.print_file)
    for title, start in starts.items():
        assert start % 2 == 0 and title.partition(": ")[2] in pages[start]
    assert len(pages) % 2 == 0


def test_one_page_letters_get_a_blank_back() -> None:
    from lineside.letter.pdf import PrintFile

    one = pikepdf.new()
    one.add_blank_page(page_size=(595, 842))
    import io

    buffer = io.BytesIO()
    one.save(buffer)
    whole = PrintFile("All", "en-GB")
    for name in ("a", "b"):
        whole.add(buffer.getvalue(), name)
    with pikepdf.open(io.BytesIO(whole.content())) as pdf, pdf.open_outline() as outline:
        assert len(pdf.pages) == 4
        assert [pdf.pages.index(pikepdf.Page(i.destination[0])) for i in outline.root] == [0, 2]


def test_same_bytes_on_every_run_whatever_the_workers(
    written: Written, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from lineside.letter import pdf

    monkeypatch.setattr(pdf, "WORTH_PROCESSES", 1)
    again = write_letters(document(), tmp_path, workers=2)
    assert again.print_file is not None and written.print_file is not None
    for name, path in written.letters.items():
        assert path.read_bytes() == again.letters[name].read_bytes()
    assert written.print_file.read_bytes() == again.print_file.read_bytes()


def test_without_a_contact_nothing_is_written(tmp_path: Path) -> None:
    with pytest.raises(ProjectError, match="letters need the office") as caught:
        write_letters(document(contact=None), tmp_path / "out")
    assert "--draft" in str(caught.value) and not (tmp_path / "out").exists()


def test_a_draft_says_what_is_missing_on_every_page(tmp_path: Path) -> None:
    results = document(1, contact=None)
    results.receivers[0].name = ""
    made = write_letters(results, tmp_path, "R1", draft=True)
    pages = text_of(made.letters["R1"])
    assert all("DRAFT" in page for page in pages) and made.print_file is None
    whole = " ".join("".join(pages).split())
    assert "write `contact` with name, phone, email and hours into the project file" in whole
    assert "write `address` of this receiver into the project file" in whole


def test_a_finished_letter_bears_no_draft_mark(written: Written) -> None:
    assert "DRAFT" not in "".join(text_of(written.letters["R1"]))


def test_one_without_address_is_refused_and_left_out_of_all(tmp_path: Path) -> None:
    results = document(2)
    results.receivers[0].name = ""
    with pytest.raises(ProjectError, match="R1: has neither an address nor a name"):
        write_letters(results, tmp_path, "R1")
    said: list[str] = []
    made = write_letters(results, tmp_path, say=said.append)
    assert list(made.letters) == ["R2"]
    assert said == ["no letter for 1 place (no address and no name): R1"]


def test_nobody_to_write_to(tmp_path: Path) -> None:
    results = document(1)
    results.receivers[0].use = "outdoor"
    with pytest.raises(RequestError, match="nobody to write to"):
        write_letters(results, tmp_path)
    with pytest.raises(RequestError, match="no receiver or building 'R9'"):
        write_letters(results, tmp_path, "R9")


HOSTILE = '<script>alert(1)</script> {{ 7*7 }} \u202egnp.exe & "quotes" <b>'


def test_hostile_names_are_printed_as_they_stand(tmp_path: Path) -> None:
    given = {"R1": {"address": [HOSTILE, "Ünïcødé Straße 5", "東京"], "salutation": "Dear <i>you</i>,"}}
    results = document(1, given, identity={"title": HOSTILE, "date": "2026-11-20", "assessment_dates": ["2026-12-01"]})
    made = write_letters(results, tmp_path, "R1")
    first = text_of(made.letters["R1"])[0]
    assert "<script>alert(1)</script> {{ 7*7 }} gnp.exe &" in first and "\u202e" not in first
    assert "Ünïcødé Straße 5" in first and "Dear <i>you</i>," in first


def test_hostile_ids_stay_in_the_folder(tmp_path: Path) -> None:
    results = document(2)
    for receiver, name in zip(results.receivers, ("../../evil", "a/b\\c:d"), strict=True):
        receiver.id = name
    out = tmp_path / "deep" / "out"
    made = write_letters(results, out)
    assert {p.parent for p in made.letters.values()} == {out}
    assert sorted(p.name for p in out.iterdir()) == [PRINT_FILE, "letter_a_b_c_d.pdf", "letter_evil.pdf"]
    assert [p.name for p in tmp_path.rglob("*.pdf")] and not list(tmp_path.glob("*.pdf"))


def test_very_long_addresses_are_cut_and_it_is_said(tmp_path: Path) -> None:
    lines = [("Long street name without end " * 11)[:300].strip()] + ["x" * 300] * (MAX_LINES - 1)
    said: list[str] = []
    made = write_letters(document(1, {"R1": {"address": lines}}), tmp_path, "R1", say=said.append)
    assert len(text_of(made.letters["R1"])) <= 2
    assert "are cut" in said[0] and "R1" in said[0]
    fits = document(1, {"R1": {"address": ["y" * MAX_CHARACTERS, "12345 Town"]}})
    said.clear()
    write_letters(fits, tmp_path, "R1", say=said.append)
    assert said == []


def test_addresses_of_a_file_come_first(tmp_path: Path) -> None:
    file = tmp_path / "who.csv"
    file.write_text('\ufeffid,salutation,line_1,line_2\nR1,Dear Ms Weir,Ms Weir,"4, Weir Lane"\nX9,,Nobody,\n', "utf-8")
    said: list[str] = []
    made = write_letters(document(2), tmp_path / "out", addresses=file, say=said.append)
    first = text_of(made.letters["R1"])[0]
    assert "Ms Weir" in first and "4, Weir Lane" in first and "Dear Ms Weir," in first
    assert "How loud the trains are at 12 Quay Street" in first  # the place, not a person
    assert "14 Quay Street" in text_of(made.letters["R2"])[0]
    assert said == ["X9: this id of the file of addresses is neither a receiver nor a building"]


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (b"name,line_1\nR1,a\n", "who.csv:1: columns do not fit"),
        (b"id,line_1,phone\nR1,a,b\n", "who.csv:1: columns do not fit"),
        (b"", "columns do not fit"),
        (b"id,line_1\nR1,a\nR1,b\n", "who.csv:3: the id is there twice"),
        (b"id,line_1\n,a\n", "who.csv:2: lacks the id"),
        (b"id,line_1\nR1,\n", "who.csv:2: has no line of an address"),
        (b"id,line_1\nR1,a,b\n", "who.csv:2: has more cells"),
        (b"id,line_1\nR1,\xff\n", "not text in UTF-8"),
    ],
)
def test_a_wrong_file_of_addresses(content: bytes, found: str, tmp_path: Path) -> None:
    file = tmp_path / "who.csv"
    file.write_bytes(content)
    with pytest.raises(ProjectError) as caught:
        read_addresses(file)
    assert found in str(caught.value)


@pytest.fixture(scope="module")
def project(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A small project with its results in out/."""
    site = straight_site()
    site["receivers"][0]["name"] = "5 Side Street"
    folder = write_site(site, tmp_path_factory.mktemp("site") / "project")
    assessment = lineside.assess(folder)
    (folder / "out").mkdir()
    (folder / "out" / "results.json").write_bytes(results_bytes(assessment.results))
    return folder


def changed(project: Path, to: Path, **changes: Any) -> Path:
    """A copy of the project with its results and other top-level keys."""
    shutil.copytree(project, to)
    file = to / "project.yaml"
    file.write_text(json.dumps({**json.loads(file.read_text("utf-8")), **changes}), "utf-8")
    return to


def test_results_fit_with_another_contact_and_address(project: Path, tmp_path: Path) -> None:
    site = json.loads((project / "project.yaml").read_text("utf-8"))
    site["receivers"][0]["address"] = ["New name", "5 Side Street"]
    now = changed(project, tmp_path / "p", contact=CONTACT, receivers=site["receivers"])
    assert misfits(read_results(now / "out"), lineside.load_project(now)) == []
    said: list[str] = []
    results = find_results(now, None, say=said.append)
    assert said == [f"with the results in {now / 'out'}"]
    assert results.project["contact"]["name"] == "Track office"
    made = write_letters(results, tmp_path / "letters", "R")
    assert "New name" in text_of(made.letters["R"])[0]


def test_results_of_another_project_do_not_fit(project: Path, tmp_path: Path) -> None:
    site = json.loads((project / "project.yaml").read_text("utf-8"))
    site["services"][0]["trains"]["night"] = 17
    now = changed(project, tmp_path / "p", services=site["services"])
    assert misfits(read_results(now / "out"), lineside.load_project(now)) == ["the project file has changed: services"]
    with pytest.raises(RequestError, match="not those of this project"):
        find_results(now, now / "out")
    with pytest.raises(RequestError, match="not those of this project"):
        find_results(now / "out", None)
    said: list[str] = []
    with pytest.raises(ProjectError, match="letters need the office"):
        find_results(now, None)
    results = find_results(now, None, say=said.append, draft=True)
    assert "computing anew" in said[0]
    assert results.receivers[0].period_db["night"] != read_results(now / "out").receivers[0].period_db["night"]


def test_another_file_or_version_does_not_fit(project: Path) -> None:
    results, loaded = read_results(project / "out"), lineside.load_project(project)
    assert misfits(results, loaded) == []
    results.provenance.inputs.append(results.provenance.inputs[0].model_copy(update={"name": "map.csv"}))
    results.provenance.lineside_version = "0.0.1"
    assert misfits(results, loaded)[0] == "files have changed: map.csv" and "0.0.1" in misfits(results, loaded)[1]


def test_what_only_letters_use_is_left_out_of_the_comparison() -> None:
    whole = {"contact": 1, "letter": 2, "site": 3, "receivers": [{"id": "R", "address": [], "salutation": None}]}
    assert as_written(whole) == {"site": 3, "receivers": [{"id": "R"}]}
    assert whole["receivers"] == [{"id": "R", "address": [], "salutation": None}]


def test_a_folder_of_results_alone(project: Path, tmp_path: Path) -> None:
    shutil.copytree(project / "out", tmp_path / "results")
    said: list[str] = []
    results = find_results(tmp_path / "results", None, say=said.append)
    assert results.receivers[0].id == "R" and "was not checked" in said[0]


def test_damaged_and_missing_results(project: Path, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"holds no results\.json"):
        find_results(project, tmp_path)
    (tmp_path / "results.json").write_text('{"format_version": 1}', "utf-8")
    with pytest.raises(RequestError, match="is damaged"):
        read_results(tmp_path)


def test_results_of_one_situation_are_refused(project: Path, tmp_path: Path) -> None:
    shutil.copytree(project, tmp_path / "p")
    results = read_results(project / "out")
    results.situation.states["weather"] = "homogeneous"
    (tmp_path / "p" / "out" / "results.json").write_bytes(results_bytes(results))
    with pytest.raises(RequestError, match="one situation only"):
        find_results(tmp_path / "p", None)


def run(*arguments: str) -> Any:
    return CliRunner().invoke(main, ["letter", *arguments])


def test_the_command(project: Path, tmp_path: Path) -> None:
    now = changed(project, tmp_path / "p", contact=CONTACT)
    one = run(str(now), "--receiver", "R", "--quiet")
    assert one.exit_code == 0, one.output
    assert one.stdout == f"{now / 'out' / 'letters' / 'letter_R.pdf'}\n" and one.stderr == ""
    every = run(str(now / "out"), "--all")
    assert every.exit_code == 0, every.output
    assert every.stdout == f"{now / 'out' / 'letters' / PRINT_FILE}\n" and "1 letters, 2 pages" in every.stderr
    for arguments, code in (((), 2), (("--all", "--receiver", "R"), 2), (("--receiver", "Q"), 1)):
        assert run(str(now), *arguments).exit_code == code
    refused = run(str(project), "--all")
    assert refused.exit_code == 1 and "project.yaml: contact: letters need the office" in refused.stderr
    assert run(str(now), "--all", "--language", "xx").exit_code == 4


def test_wrong_keys_of_contact_and_letter_are_told_with_their_place(project: Path, tmp_path: Path) -> None:
    now = changed(project, tmp_path / "p", contact={"name": "Office"}, letter={"next_steps": ["a"] * 6})
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(now)
    said = str(caught.value)
    assert "contact: needs phone or email" in said and "next_steps" in said

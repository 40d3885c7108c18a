"""The PDF itself: structure for assistive software, attachments, metadata, the same bytes each time."""

from __future__ import annotations

import builtins
import json
import os
import re
import runpy
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pypdfium2
import pytest

from lineside.errors import ReportError
from lineside.report import archive, finish
from lineside.report.pdf import render_assessment, write_whole

FIXTURE_PATH = Path(__file__).with_name("report_fixture.py")
FIXTURE = runpy.run_path(str(FIXTURE_PATH))


def document(n: int = 4) -> tuple[Any, dict[str, bytes], bytes]:
    results = FIXTURE["build_results"](n)
    return results, FIXTURE["build_inputs"](), results.model_dump_json(indent=1).encode()


@pytest.fixture(scope="module")
def path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("report") / "assessment.pdf"
    seconds = render_assessment(*document(), out)
    assert set(seconds) == {"figures", "pdf"} and all(s > 0 for s in seconds.values())
    return out


@pytest.fixture(scope="module")
def pdf(path: Path) -> Iterator[pikepdf.Pdf]:
    with pikepdf.open(path) as opened:
        yield opened


@pytest.fixture(scope="module")
def text(path: Path) -> list[str]:
    opened = pypdfium2.PdfDocument(path)
    pages = [page.get_textpage().get_text_bounded() for page in opened]
    opened.close()
    return pages


def elements(pdf: pikepdf.Pdf) -> Iterator[pikepdf.Dictionary]:
    """All structure elements, from the root of the tree."""
    stack = [pdf.Root.StructTreeRoot.K]
    while stack:
        node = stack.pop()
        if isinstance(node, pikepdf.Array):
            stack.extend(node)
        elif isinstance(node, pikepdf.Dictionary) and "/S" in node:
            yield node
            if "/K" in node:
                stack.append(node.K)


def tagged(pdf: pikepdf.Pdf, tag: str) -> list[pikepdf.Dictionary]:
    return [e for e in elements(pdf) if tag == e.S]


def test_nothing_else_lies_beside_the_pdf(path: Path) -> None:
    assert [p.name for p in path.parent.iterdir()] == ["assessment.pdf"]


def test_language_title_and_marks(pdf: pikepdf.Pdf) -> None:
    assert str(pdf.Root.Lang) == "en-GB"
    assert bool(pdf.Root.MarkInfo.Marked) and bool(pdf.Root.ViewerPreferences.DisplayDocTitle)
    with pdf.open_metadata() as metadata:
        assert metadata["dc:title"] == "Quay curve, rail renewal: Assessment of railway noise"
        assert (metadata["pdfaid:part"], metadata["pdfaid:conformance"]) == ("3", "A")
        assert metadata["{http://www.aiim.org/pdfua/ns/id/}part"] == "1"
        assert metadata["xmp:CreateDate"].startswith("2026-11-20")


def test_ua_identifier_has_the_schema_that_pdf_a_asks_for(pdf: pikepdf.Pdf) -> None:
    xml = pdf.Root.Metadata.read_bytes().decode()
    assert xml.index("PDF/UA identification") < xml.index("</rdf:RDF>")
    assert xml.count("</rdf:RDF>") == 1


def test_every_figure_has_a_description(pdf: pikepdf.Pdf) -> None:
    figures = tagged(pdf, "/Figure")
    assert len(figures) == 13
    descriptions = [str(f.Alt) for f in figures]
    assert all(len(d) > 60 for d in descriptions)
    assert len(set(descriptions)) == len(descriptions)


def test_every_table_header_has_a_scope_and_ids_are_indexed(pdf: pikepdf.Pdf) -> None:
    headers = tagged(pdf, "/TH")
    scopes = {str(h.A.Scope) for h in headers}
    assert len(headers) > 300 and scopes == {"/Column", "/Row"}
    for header in headers:
        in_head = header.P.P.S == "/THead"
        assert (str(header.A.Scope) == "/Column") == in_head
    (leaf,) = pdf.Root.StructTreeRoot.IDTree.Kids
    keys = [bytes(k) for k in list(leaf.Names)[0::2]]
    assert keys == sorted(keys) and len(set(keys)) == len(keys)
    assert set(keys) == {bytes(h.ID) for h in headers if "/ID" in h}
    assert [bytes(k) for k in leaf.Limits] == [keys[0], keys[-1]]


def test_page_numbers_and_headers_are_artifacts_and_all_else_has_its_place(pdf: pikepdf.Pdf) -> None:
    placed = {e.objgen for e in elements(pdf)}
    numbers = list(pdf.Root.StructTreeRoot.ParentTree.Nums)
    listed = {int(k): v for k, v in zip(numbers[::2], numbers[1::2], strict=True)}
    for n, page in enumerate(pdf.pages):
        margins = marked = 0
        for operands, operator in pikepdf.parse_content_stream(page):
            if str(operator) == "BDC" and operands[0] == "/Artifact":
                margins += operands[1].Type == "/Pagination"
            elif str(operator) == "BDC":
                marked += 1
                assert listed[int(page.StructParents)][int(operands[1].MCID)].objgen in placed
        assert marked > 0 and margins >= (2 if n == 0 else 3)


def test_headings_step_down_one_level_at_a_time(pdf: pikepdf.Pdf) -> None:
    counts = {tag: len(tagged(pdf, tag)) for tag in ("/H1", "/H2", "/H3", "/H4")}
    assert counts["/H1"] == 15 and counts["/H2"] > 15 and counts["/H3"] > 5 and counts["/H4"] == 0


def test_attachments_are_the_project_and_the_results(pdf: pikepdf.Pdf) -> None:
    _, inputs, results_json = document()
    expected = {**inputs, "results.json": results_json}
    assert {name: bytes(pdf.attachments[name].get_file().read_bytes()) for name in pdf.attachments} == expected
    listed = list(pdf.Root.AF)
    assert len(listed) == len(expected)
    relations = {str(spec.UF): str(spec.AFRelationship) for spec in listed}
    assert relations == {**dict.fromkeys(inputs, "/Source"), "results.json": "/Data"}
    for spec in listed:
        assert str(spec.EF.F.Params.CreationDate).startswith("D:20261120000000")
    assert json.loads(results_json)["format_version"] == 1


def test_bookmarks_lead_to_all_sections(pdf: pikepdf.Pdf) -> None:
    with pdf.open_outline() as outline:
        titles = [entry.title for entry in outline.root]
    assert titles[0] == "Cover" and titles[2] == "1 Summary" and titles[-1].startswith("Appendix C")
    assert len(titles) == 16


def test_pages_are_a4_and_numbered(pdf: pikepdf.Pdf, text: list[str]) -> None:
    for k, page in enumerate(pdf.pages):
        assert [float(v) for v in page.mediabox] == pytest.approx([0, 0, 595.28, 841.89], abs=0.1)
        assert f"page {k + 1} of {len(pdf.pages)}" in text[k]
        assert "lineside 0.1.0" in text[k]
        assert (k > 0) == ("Quay curve, rail renewal · revision B" in text[k])


def test_summary_is_one_page_and_no_page_is_empty(text: list[str]) -> None:
    (start,) = [k for k, t in enumerate(text) if t.startswith("1 Summary")]
    assert "What is not known" in text[start] and "2 The place and the works" not in text[start]
    assert text[start + 1].startswith("2 The place and the works")
    assert all(len(t) > 250 for t in text)


def test_nothing_is_printed_beyond_the_margins(path: Path, text: list[str]) -> None:
    millimetre = 72.0 / 25.4
    opened = pypdfium2.PdfDocument(path)
    for number, page in enumerate(opened):
        has_figure = re.search(r"^F\d\.\d+ ", text[number], re.M) is not None
        for item in page.get_objects(max_depth=1):
            left, bottom, right, top = item.get_bounds()
            if has_figure and item.type != pypdfium2.raw.FPDF_PAGEOBJ_TEXT:
                continue  # shapes on maps are cut off by clipping
            assert left > 19.0 * millimetre and right < 191.0 * millimetre, (number + 1, left, right)
            assert bottom > 8.0 * millimetre and top < page.get_height() - 8.0 * millimetre, number + 1
    opened.close()


def test_text_of_figures_can_be_searched(text: list[str]) -> None:
    whole = "\n".join(text)
    for words in ("curve with radius", "octave mid-band frequency, Hz", "R 180 m", "LAFmax"):
        assert words in whole


def test_fonts_are_ours_and_embedded(pdf: pikepdf.Pdf) -> None:
    fonts = {
        str(o.FontName).partition("+")[2]
        for o in pdf.objects
        if isinstance(o, pikepdf.Dictionary) and o.get("/Type") == "/FontDescriptor"
    }
    assert fonts and all(name.startswith(("Source-Sans-3", "Source-Code-Pro")) for name in fonts)


@pytest.mark.skipif(shutil.which("qpdf") is None, reason="qpdf is not installed")
def test_qpdf_finds_no_fault(path: Path) -> None:
    done = subprocess.run(["qpdf", "--check", str(path)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr


ANOTHER_RUN = """
import runpy, sys, warnings
from pathlib import Path
fixture = runpy.run_path(sys.argv[1])
results = fixture["build_results"](4)
from lineside.report.pdf import render_assessment
render_assessment(results, fixture["build_inputs"](), results.model_dump_json(indent=1).encode(), Path(sys.argv[2]))
"""


def test_same_bytes_in_another_process_zone_and_hash_seed(path: Path, tmp_path: Path) -> None:
    again = tmp_path / "again.pdf"
    environment = {**os.environ, "PYTHONHASHSEED": "4711", "TZ": "Pacific/Auckland"}
    subprocess.run([sys.executable, "-c", ANOTHER_RUN, str(FIXTURE_PATH), str(again)], env=environment, check=True)
    assert again.read_bytes() == path.read_bytes()


def test_without_the_engine_html_is_written_and_the_error_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real_import = builtins.__import__

    def refuse(name: str, *args: Any, **kwargs: Any) -> Any:
        if name == "weasyprint":
            raise OSError("cannot load library 'libgobject-2.0-0'")
        return real_import(name, *args, **kwargs)

    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(ReportError, match="apt-get install --no-install-recommends libpango") as caught:
        render_assessment(*document(2), tmp_path / "assessment.pdf")
    assert "\n" not in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["assessment.html"]
    html = (tmp_path / "assessment.html").read_text(encoding="utf-8")
    addresses = re.findall(r"""(?:src="|url\(")([^"]{0,12})""", html)
    assert len(addresses) == 17 and all(a.startswith("data:") for a in addresses)


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    target = tmp_path / "assessment.pdf"
    write_whole(target, b"old")

    def fail(self: Path, to: Path) -> None:
        raise OSError("disk full")

    monkeypatch.setattr(Path, "replace", fail)
    with pytest.raises(OSError, match="disk full"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old" and len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("scheme", ["file", "http", "lineside-font"])
def test_nothing_outside_is_read(tmp_path: Path, scheme: str) -> None:
    picture = tmp_path / "picture.svg"
    picture.write_text("<svg xmlns='http://www.w3.org/2000/svg' width='1' height='1'/>")
    address = {"file": picture.as_uri(), "http": "http://127.0.0.1:9/x.svg", "lineside-font": "lineside-font:///x"}[
        scheme
    ]
    page = f'<html lang="en"><title>t</title><img alt="x" src="{address}"></html>'
    with pytest.raises(ReportError, match="PDF engine reported"):
        archive.make(page, {}, b"{}", "2026-01-01")


def test_a_picture_without_description_stops_the_report() -> None:
    dot = "data:image/svg+xml,<svg xmlns='http://www.w3.org/2000/svg' width='1' height='1'/>"
    with pytest.raises(ReportError, match="alt"):
        archive.make(f'<html lang="en"><title>t</title><img src="{dot}"></html>', {}, b"{}", "2026-01-01")


def test_an_unreadable_date_still_gives_a_fixed_one() -> None:
    assert archive.moment_of("soon").isoformat() == "2000-01-01T00:00:00+00:00"


def test_name_tree_keys_are_compared_without_their_brackets() -> None:
    import pydyf

    assert finish._sort_key(pydyf.String("12-0-1")) == b"12-0-1"

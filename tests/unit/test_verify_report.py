"""Real reports, really edited: each change is found and named."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pytest
from click.testing import CliRunner

import lineside
from lineside.cli import main
from lineside.engine.progress import silent
from lineside.plugins import Plugins
from lineside.report.pdf import render_assessment
from lineside.results.write import results_bytes
from lineside.verify import run
from lineside.verify.document import plain
from lineside.verify.findings import Deviation, UnusablePdf, Verification
from lineside.verify.printed import read_pdf
from lineside.verify.run import verify
from lineside.verify.words import lines, verdict
from pdf_edits import attach, attached, detach, draw, edit, rename, retype
from sites import straight_site, write_site

ROWS = "chainage_m,x_m,y_m,z_m\n0,-300,0,0.3\n600,300,0,0.3\n"


def site(n: int = 3) -> dict[str, Any]:
    """Receivers beside a track whose alignment is in a file of its own."""
    found = straight_site(300.0)
    first = found["receivers"][0]
    found["receivers"] = [
        {**first, "id": f"R{k:02d}", "name": f"Quay {k}", "position": [2.0 * k - 60, 40.0 + k]} for k in range(1, n + 1)
    ]
    found["tracks"][0]["alignment"] = {"kind": "csv", "file": "data/track.csv"}
    return found


@pytest.fixture(scope="module", autouse=True)
def once() -> Iterator[None]:
    """The same inputs are computed, and the same results drawn, only once: everything else is done each time."""
    assess, draw_figures = run.api.assess, run.context.draw
    computed: dict[Any, lineside.Assessment] = {}
    figures: dict[bytes, Any] = {}

    def cached_assess(
        path: Path, plugins: Plugins | None = None, progress: Any = silent, state: str = "", workers: int | None = None
    ) -> lineside.Assessment:
        path = path if path.is_file() else path / "project.yaml"
        files = sorted((str(f.relative_to(path.parent)), f.read_bytes()) for f in path.parent.rglob("*") if f.is_file())
        key = (tuple(files), path.name, state)
        if key not in computed:
            computed[key] = assess(path, plugins, progress, state, workers)
        return computed[key]

    def cached_draw(results: Any, strings: Any) -> Any:
        key = results_bytes(results)
        if key not in figures:
            figures[key] = draw_figures(results, strings)
        return figures[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(run.api, "assess", cached_assess)
        patch.setattr(run.context, "draw", cached_draw)
        yield


@pytest.fixture(scope="module")
def plugins() -> Plugins:
    return Plugins.load()


def assess_it(folder: Path, what: dict[str, Any]) -> lineside.Assessment:
    (folder / "data").mkdir(parents=True)
    (folder / "data" / "track.csv").write_text(ROWS, encoding="utf-8")
    return lineside.assess(write_site(what, folder))


@pytest.fixture(scope="module")
def assessed(tmp_path_factory: pytest.TempPathFactory) -> lineside.Assessment:
    return assess_it(tmp_path_factory.mktemp("site") / "site", site())


@pytest.fixture(scope="module")
def report(assessed: lineside.Assessment, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("out")
    lineside.render(assessed, out)
    return out / "assessment.pdf"


@pytest.fixture(scope="module")
def long_report(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With tables that go over two pages."""
    out = tmp_path_factory.mktemp("long")
    lineside.render(assess_it(out / "site", site(20)), out)
    return out / "assessment.pdf"


def found_in(path: Path, plugins: Plugins) -> Verification:
    return verify(path, plugins, workers=1)


def only(found: Verification, kind: str) -> list[Deviation]:
    return [d for d in found.deviations if d.kind == kind]


def test_an_untouched_report_follows(report: Path, plugins: Plugins) -> None:
    steps: list[tuple[str, int, int]] = []
    found = verify(report, plugins, lambda *step: steps.append(step), workers=1)
    assert found.deviations == () and found.follows and not found.other_version
    assert verdict(found) == "All that is printed follows from the attached inputs, levels within 0.05 dB."
    checks = {c.name: c for c in found.checks}
    assert list(checks) == [
        *("attachments", "check sums", "versions", "attached results"),
        *("printed tables", "printed text", "printed figures", "pages"),
    ]
    with pikepdf.open(report) as pdf:
        assert checks["pages"].said.startswith(f"{len(pdf.pages)} pages")
    assert int(checks["printed tables"].said.split(" cells")[0].split()[-1]) > 300
    assert {"extract", "receivers", "report anew", "comparison"} <= {name for name, *_ in steps}
    assert set(found.seconds) == {"extract", "recompute", "report anew", "comparison"}
    json.dumps(found.as_json(), allow_nan=False)


def test_a_tampered_cell_is_named_by_table_row_and_column(long_report: Path, plugins: Plugins, tmp_path: Path) -> None:
    assert found_in(long_report, plugins).follows
    with pikepdf.open(long_report) as pdf:
        (table,) = [t for t in read_pdf(pdf).document.tables if t.id == "T6.9"]
    row = table.rows[-1]
    assert row.page is not None and row.page > table.rows[0].page  # type: ignore[operator]
    printed = row.cells[table.header.index("500")]
    forged = f"{(int(printed[0]) + 1) % 10}{printed[1:]}"
    path = edit(long_report, tmp_path / "x.pdf", retype(printed, forged, after=row.cells[0], page=row.page))
    found = found_in(path, plugins)
    (one,) = found.deviations
    assert one.kind == "table" and one.where == "T6.9, row 'R20, night (23 to 07 h)' (60), column 500"
    assert (one.found, one.follows, one.page) == (forged, printed, row.page + 1)
    assert f"printed {forged}, follows {printed}" in str(one)
    assert not found.follows and "NOT VERIFIED: 1 deviation." in verdict(found)


def test_a_tampered_number_in_the_summary_is_found(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    path = edit(report, tmp_path / "x.pdf", retype("160 trains", "150 trains", after="In short"))
    (one,) = found_in(path, plugins).deviations
    assert (one.kind, one.where) == ("text", "text of '1 Summary, In short'")
    assert "150 trains" in one.found and "160 trains" in one.follows
    assert one.found.startswith("This report predicts")


def test_a_tampered_word_in_a_figure_is_found(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    path = edit(report, tmp_path / "x.pdf", _spectra)
    (one,) = found_in(path, plugins).deviations
    assert (
        one.kind == "figure"
        and one.where == "F6.3"
        and "day(09to19h)" in plain(one.found)
        and "day(07to19h)" in plain(one.follows)
    )


def _spectra(pdf: pikepdf.Pdf) -> None:
    (figure,) = [f for f in read_pdf(pdf).document.figures if f.id == "F6.3"]
    retype("7", "9", page=figure.page, whole=True)(pdf)


def test_a_tampered_footer_is_found(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    path = edit(report, tmp_path / "x.pdf", retype("page 3 of", "page 5 of"))
    (one,) = found_in(path, plugins).deviations
    assert (one.kind, one.where, one.page) == ("page", "margins", 3)


def test_a_page_number_of_the_contents_that_leads_elsewhere_is_found(
    report: Path, plugins: Plugins, tmp_path: Path
) -> None:
    path = edit(report, tmp_path / "x.pdf", _contents)
    (one,) = found_in(path, plugins).deviations
    assert one.where == "contents, '1 Summary'" and one.found == "9"


def _contents(pdf: pikepdf.Pdf) -> None:
    ((_, number, page),) = [e for e in read_pdf(pdf).document.contents if e[0] == "1 Summary"]
    assert page is not None
    retype(f"{number}", "9", after="Summary")(pdf)


def test_a_removed_row_is_found(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    def remove(pdf: pikepdf.Pdf) -> None:
        bodies = [o for o in pdf.objects if isinstance(o, pikepdf.Dictionary) and o.get("/S") == "/TBody"]
        longest = max(bodies, key=lambda b: len(b.K))
        longest.K = pikepdf.Array(list(longest.K)[:4] + list(longest.K)[5:])

    found = found_in(edit(report, tmp_path / "x.pdf", remove), plugins)
    assert [d.message for d in only(found, "table")] == ["row is not printed"]
    assert {d.where for d in only(found, "page")} == {"outside the structure"}


def test_an_altered_companion_file_is_named(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    other = ROWS.replace("0,-300", "2,-298").encode()
    found = found_in(edit(report, tmp_path / "x.pdf", attach("data/track.csv", other)), plugins)
    (one,) = only(found, "check sum")
    assert one.where == "data/track.csv" and "altered" in one.message
    assert only(found, "result") and only(found, "table")


def test_an_altered_project_is_named_with_the_numbers_that_no_longer_follow(
    report: Path, plugins: Plugins, tmp_path: Path
) -> None:
    text = attached(report, "project.yaml").replace(b'"day": 120', b'"day": 480')
    found = found_in(edit(report, tmp_path / "x.pdf", attach("project.yaml", text)), plugins)
    assert [d.where for d in only(found, "check sum")] == ["project.yaml"]
    assert any("receivers[R03], lden_db" in d.where for d in only(found, "result"))
    assert any(d.where.startswith("T6.1, row 'R03'") for d in only(found, "table"))


def test_an_altered_project_with_fitting_check_sums_still_does_not_follow(
    report: Path, plugins: Plugins, tmp_path: Path
) -> None:
    changed = site()
    changed["services"][0]["trains"]["day"] = 480
    assessment = assess_it(tmp_path / "other", changed)
    path = edit(
        report,
        tmp_path / "x.pdf",
        attach("project.yaml", assessment.loaded.inputs["project.yaml"]),
        attach("results.json", results_bytes(assessment.results)),
    )
    found = found_in(path, plugins)
    assert only(found, "result") == [] and only(found, "check sum") == []
    assert any(d.where.startswith("T6.1, row 'R03'") for d in only(found, "table"))


def test_altered_results_are_named_by_value(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    document = json.loads(attached(report, "results.json"))
    document["receivers"][2]["lden_db"] -= 5
    content = json.dumps(document).encode()
    (one,) = found_in(edit(report, tmp_path / "x.pdf", attach("results.json", content)), plugins).deviations
    assert (one.kind, one.where) == ("result", "results.json, receivers[R03], lden_db")
    assert float(one.follows) - float(one.found) == pytest.approx(5)


@pytest.mark.parametrize(("shift_db", "follows"), [(0.03, True), (0.06, False)])
def test_last_bits_of_another_machine_follow_and_more_does_not(
    assessed: lineside.Assessment, plugins: Plugins, tmp_path: Path, shift_db: float, follows: bool
) -> None:
    """A report printed from results that differ a little: some numbers round the other way."""
    results = assessed.results.model_copy(deep=True)
    for receiver in results.receivers:
        receiver.period_db = {k: v + shift_db if v is not None else None for k, v in receiver.period_db.items()}
    out = tmp_path / "assessment.pdf"
    render_assessment(results, assessed.loaded.inputs, results_bytes(results), out, plugins.report_sections)
    found = found_in(out, plugins)
    assert found.follows is follows
    notices = [n for c in found.checks for n in c.notices]
    assert any("not equal, but within the tolerance" in n for n in notices) is follows


@pytest.mark.parametrize("name", ["project.yaml", "data/track.csv", "results.json"])
def test_a_missing_attachment_is_named(report: Path, plugins: Plugins, tmp_path: Path, name: str) -> None:
    found = found_in(edit(report, tmp_path / "x.pdf", detach(name)), plugins)
    assert not found.follows
    assert any(d.where == f"attachment '{name}'" and "is missing" in d.message for d in only(found, "attachment"))


def test_without_results_the_report_is_still_held_to_its_inputs(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    found = found_in(
        edit(report, tmp_path / "x.pdf", detach("results.json"), retype("page 3 of", "page 5 of")), plugins
    )
    assert [d.where for d in only(found, "page")] == ["margins"] and only(found, "table") == []


def test_an_added_attachment_is_named(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    (one,) = found_in(edit(report, tmp_path / "x.pdf", attach("more.csv", b"1,2")), plugins).deviations
    assert one.where == "attachment 'more.csv'" and "do not name it" in one.message


def test_a_renamed_attachment_is_named_with_both_names(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    found = found_in(edit(report, tmp_path / "x.pdf", rename("data/track.csv", "data/line.csv")), plugins)
    (one,) = only(found, "attachment")
    assert one.where == "attachment 'data/track.csv'" and "data/line.csv" in one.message
    assert any("cannot be assessed" in d.message for d in only(found, "result"))


HOSTILE = ["../../x", "/etc/lineside", "a\x00b", "x" * 5000, "C:\\x", "..", "a/../../b", "nul", "~/x", " x", "a//b"]


def test_hostile_names_are_refused_and_written_nowhere(
    report: Path, plugins: Plugins, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = edit(report, tmp_path / "x.pdf", *(attach(name, b"evil") for name in HOSTILE))
    written: list[Path] = []
    real = Path.open

    def spy(self: Path, mode: str = "r", *rest: object, **more: object) -> object:
        if mode != "r" and mode != "rb":
            written.append(self.resolve())
        return real(self, mode, *rest, **more)  # type: ignore[call-overload]

    monkeypatch.setattr(Path, "open", spy)
    monkeypatch.setattr(run.api, "assess", _stop)
    found = found_in(path, plugins)
    assert len([d for d in only(found, "attachment") if "not used: its name" in d.message]) == len(HOSTILE)
    inside = Path(tempfile.gettempdir()).resolve()
    assert {p.name for p in written} == {"project.yaml", "track.csv"}
    assert all(p.is_relative_to(inside) and "lineside-verify-" in str(p) for p in written)
    assert not any(p.exists() for p in written)


def _stop(*_args: object) -> None:
    raise lineside.errors.RequestError("not computed in this test")


def test_what_is_drawn_over_the_report_is_found(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    words = b"q 1 1 1 rg 90 700 60 12 re f 0 g BT /Fnew 9 Tf 92 702 Td (48.2) Tj ET Q"
    boxed = found_in(edit(report, tmp_path / "a.pdf", draw(9, words)), plugins)
    assert [(d.where, d.found, d.page) for d in boxed.deviations] == [
        ("outside the structure", "48.2", 10),
        ("drawing", "", 10),
    ]
    margin = found_in(edit(report, tmp_path / "b.pdf", draw(9, b"/Artifact BMC " + words + b" EMC")), plugins)
    assert ("margins", 10) in [(d.where, d.page) for d in margin.deviations]


def test_annotations_and_pictures_over_the_report_are_found(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    def annotate(pdf: pikepdf.Pdf) -> None:
        note = pikepdf.Dictionary(
            Type=pikepdf.Name.Annot, Subtype=pikepdf.Name.FreeText, Rect=[90, 700, 150, 712], Contents="48.2"
        )
        pdf.pages[8].Annots = pikepdf.Array([pdf.make_indirect(note)])

    def paste(pdf: pikepdf.Pdf) -> None:
        image = pdf.make_stream(b"\xff" * 3)
        image.update({"/Type": pikepdf.Name.XObject, "/Subtype": pikepdf.Name.Image, "/Width": 1, "/Height": 1})
        image.update({"/ColorSpace": pikepdf.Name.DeviceRGB, "/BitsPerComponent": 8})
        pdf.pages[9].Resources.XObject["/Pasted"] = image
        pdf.pages[9].contents_add(b"q 60 0 0 12 90 700 cm /Pasted Do Q")

    found = found_in(edit(report, tmp_path / "x.pdf", annotate, paste), plugins)
    assert {("annotation", 9), ("picture", 10)} <= {(d.where, d.page) for d in found.deviations}


def test_another_version_is_said_and_its_deviations_may_come_from_it(
    report: Path, plugins: Plugins, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(run, "__version__", "9.9")
    same = found_in(report, plugins)
    assert same.follows and same.other_version
    assert f"made by lineside {lineside.__version__}; checked with 9.9" in "\n".join(lines(same))
    other = found_in(edit(report, tmp_path / "x.pdf", retype("page 3 of", "page 5 of")), plugins)
    assert "may come from the version" in verdict(other) and other.as_json()["may_come_from_version"] is True


def test_the_template_is_named_where_it_is_another_one(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    def change(pdf: pikepdf.Pdf) -> None:
        pdf.docinfo["/Keywords"] = "lineside assessment 000000000000"

    found = found_in(edit(report, tmp_path / "x.pdf", change), plugins)
    assert found.other_version and "template lineside assessment 000000000000" in "\n".join(lines(found))


def test_a_plugin_that_is_not_installed_is_named_and_the_rest_is_checked(
    report: Path, plugins: Plugins, tmp_path: Path
) -> None:
    fewer = Plugins([m for m in plugins._modules if "who_2018" not in str(m[0])])
    found = found_in(edit(report, tmp_path / "x.pdf", retype("page 3 of", "page 5 of")), fewer)
    assert found.missing_plugins == ("who_2018",) and not found.follows
    assert [d.where for d in found.deviations] == ["criterion 'who_2018'", "margins"]
    assert "not installed: who_2018" in verdict(found)


def test_another_locale_zone_folder_and_name_change_nothing(report: Path, tmp_path: Path) -> None:
    folder = tmp_path / "Prüfung é"
    folder.mkdir()
    moved = folder / "a report.pdf"
    shutil.copy(report, moved)
    environment = {**os.environ, "LC_ALL": "C", "LANG": "de_DE.UTF-8", "TZ": "Pacific/Auckland", "PYTHONHASHSEED": "7"}
    call = [sys.executable, "-m", "lineside.cli", "verify", "a report.pdf", "--json", "--workers", "1"]
    done = subprocess.run(call, cwd=folder, env=environment, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stdout + done.stderr
    assert json.loads(done.stdout)["follows"] is True
    assert "report anew done" in done.stderr
    assert [p.name for p in folder.iterdir()] == ["a report.pdf"]


def test_a_situation_and_a_project_file_of_another_name_are_computed_again(plugins: Plugins, tmp_path: Path) -> None:
    folder = write_site(straight_site(300.0), tmp_path / "site")
    (folder / "project.yaml").rename(folder / "variant.yaml")
    assessment = lineside.assess(folder / "variant.yaml", plugins, state="favourable")
    lineside.render(assessment, tmp_path / "out", plugins)
    found = found_in(tmp_path / "out" / "assessment.pdf", plugins)
    assert found.follows, "\n".join(lines(found))
    with pikepdf.open(tmp_path / "out" / "assessment.pdf") as pdf:
        assert any(b.text.startswith("1 {") for b in read_pdf(pdf).document.blocks)  # the listing of the project


def test_what_cannot_be_read_is_said_in_one_line(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    content = report.read_bytes()
    broken = {
        "empty": (b"", "is not a PDF"),
        "words": (b"hello", "is not a PDF"),
        "half": (content[: len(content) // 2], "damaged"),
        "end": (content[:-200], "damaged"),
    }
    for name, (data, said) in broken.items():
        path = tmp_path / f"{name}.pdf"
        path.write_bytes(data)
        with pytest.raises(UnusablePdf, match=said) as caught:
            found_in(path, plugins)
        assert "\n" not in str(caught.value)


@pytest.mark.parametrize("password", ["", "secret"])
def test_an_encrypted_pdf_is_said(report: Path, plugins: Plugins, tmp_path: Path, password: str) -> None:
    with pikepdf.open(report) as pdf:
        pdf.save(tmp_path / "x.pdf", encryption=pikepdf.Encryption(owner="o", user=password, aes=True, R=6))
    with pytest.raises(UnusablePdf, match="encrypted"):
        found_in(tmp_path / "x.pdf", plugins)


def test_a_pdf_of_another_program_is_said(report: Path, plugins: Plugins, tmp_path: Path) -> None:
    with pikepdf.new() as pdf:
        pdf.add_blank_page()
        pdf.save(tmp_path / "x.pdf")
    with pytest.raises(UnusablePdf, match="not a report of lineside"):
        found_in(tmp_path / "x.pdf", plugins)

    def strip(pdf: pikepdf.Pdf) -> None:
        del pdf.Root.StructTreeRoot

    with pytest.raises(UnusablePdf, match="no structure"):
        found_in(edit(report, tmp_path / "y.pdf", strip), plugins)


def test_the_command_ends_with_the_code_that_says_what_is_wrong(
    report: Path, plugins: Plugins, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    call = CliRunner().invoke
    path = edit(report, tmp_path / "x.pdf", retype("page 3 of", "page 5 of"))
    deviates = call(main, ["verify", str(path), "--quiet"])
    assert deviates.exit_code == 6 and "margins (page 3): differ" in deviates.output
    data = call(main, ["verify", str(path), "--quiet", "--json"])
    assert data.exit_code == 6 and json.loads(data.output)["follows"] is False
    (tmp_path / "y.pdf").write_bytes(b"%PDF-1.7 nothing")
    unusable = call(main, ["verify", str(tmp_path / "y.pdf")])
    assert unusable.exit_code == 1 and "damaged" in unusable.output and "Traceback" not in unusable.output
    fewer = Plugins([m for m in plugins._modules if "who_2018" not in str(m[0])])
    monkeypatch.setattr(Plugins, "load", lambda: fewer)
    assert call(main, ["verify", str(path), "--quiet"]).exit_code == 3
    assert call(main, ["verify", str(tmp_path / "none.pdf")]).exit_code == 2

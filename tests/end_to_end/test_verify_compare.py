"""A report that is written, checked, forged and compared, each step in a process of its own."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pikepdf

from lineside.verify.printed import read_pdf
from pdf_edits import edit, retype
from sites import straight_site, write_site


def run(*words: object) -> subprocess.CompletedProcess[str]:
    call = [sys.executable, "-m", "lineside.cli", *map(str, words)]
    return subprocess.run(call, capture_output=True, text=True, timeout=600)


def test_from_project_to_checked_and_compared_reports(tmp_path: Path) -> None:
    first = write_site(straight_site(300.0), tmp_path / "first")
    second = write_site(straight_site(300.0, speed_limit_km_h=90), tmp_path / "second")
    for folder in (first, second):
        done = run("assess", folder, "--quiet")
        assert done.returncode == 0, done.stderr
    report = first / "out" / "assessment.pdf"
    before = {p.name for p in first.rglob("*")}
    checked = run("verify", report)
    assert checked.returncode == 0, checked.stdout + checked.stderr
    assert "All that is printed follows" in checked.stdout and "comparison done" in checked.stderr
    assert {p.name for p in first.rglob("*")} == before

    with pikepdf.open(report) as pdf:
        (table,) = [t for t in read_pdf(pdf).document.tables if t.id == "T6.1"]
    printed = table.rows[0].cells[table.header.index("Lden, dB")]
    forged = f"{(int(printed[0]) + 1) % 10}{printed[1:]}"
    edit(report, tmp_path / "forged.pdf", retype(printed, forged, after="A-weighted levels", page=table.page))
    found = run("verify", tmp_path / "forged.pdf", "--quiet")
    assert found.returncode == 6
    assert f"T6.1, row 'R' (1), column Lden, dB (page {(table.page or 0) + 1})" in found.stdout
    assert f"printed {forged}, follows {printed}" in found.stdout

    pdf_out = tmp_path / "changes.pdf"
    compared = run("compare", first / "out", second / "out" / "assessment.pdf", "--pdf", pdf_out, "--json")
    assert compared.returncode == 0, compared.stderr
    data = json.loads(compared.stdout)
    assert [c["where"] for c in data["inputs"]] == ["tracks T, attributes, speed_limit_km_h"]
    assert {c["quantity"] for c in data["levels"]} >= {"Lden", "Lnight", "LAFmax"}
    with pikepdf.open(pdf_out) as pdf:
        assert len(pdf.pages) == 2

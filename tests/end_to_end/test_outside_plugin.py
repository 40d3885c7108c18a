"""A plugin from outside, in a package of its own, appears wherever a bundled one does."""

from __future__ import annotations

import importlib.metadata
import json
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pikepdf
import pypdfium2
import pytest

from plugin_folders import run, unpack
from sites import straight_site, write_site

SOURCE = Path(__file__).parents[1] / "outside_plugin"
PACKAGE = "lineside-compressor"


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return unpack(SOURCE, tmp_path_factory.mktemp("outside") / "plugin")


def site() -> dict[str, Any]:
    """Trains that call, with compressors, the agreement, the measure and the section."""
    data = straight_site(half_length_m=300.0)
    data["stops"] = [{"id": "P", "at": [{"track": "T", "chainage_m": 300.0}]}]
    calls = {"kind": "calls", "at": ["P"], "acceleration_m_s2": 1.0, "braking_m_s2": 1.0, "dwell_s": 30.0}
    data["services"][0]["pattern"] = calls
    data["receivers"].append({"id": "S", "position": [20.0, 30.0], "height_m": 4.0, "use": "school"})
    options = {"lw_db": 95, "standing_share": 0.6, "source": "Measured at the depot (invented)"}
    data["calculation"] |= {"with": ["compressor"], "options": {"compressor": options}}
    agreed = {"limit_db": 45, "source": "Agreement of 12 May 2026 (invented)"}
    data["criteria"].append({"name": "night_agreement", "options": agreed})
    calmer = {"standing_share": 0.1, "source": "Offer of the maker (invented)"}
    data["measures"] = [{"id": "calmer", "measure": "compressor_control", "options": calmer}]
    data["report_sections"] = ["compressor"]
    return data


@pytest.fixture(scope="module")
def out(installed: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_site(site(), tmp_path_factory.mktemp("site"))
    done = run(installed, "-m", "lineside.cli", "assess", str(folder))
    assert done.returncode == 0, done.stderr
    return folder / "out"


@pytest.fixture(scope="module")
def results(out: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((out / "results.json").read_text(encoding="utf-8"))
    return found


@pytest.fixture(scope="module")
def text(out: Path) -> str:
    pages = [page.get_textpage().get_text_range() for page in pypdfium2.PdfDocument(out / "assessment.pdf")]
    return " ".join(" ".join(pages).split())


def test_its_own_tests_pass(installed: Path) -> None:
    done = run(installed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "tests")
    assert done.returncode == 0, done.stdout + done.stderr
    assert "11 passed" in done.stdout


def test_lineside_lists_all_of_it(installed: Path) -> None:
    done = run(installed, "-m", "lineside.cli", "plugins", "--json")
    assert done.returncode == 0, done.stderr
    own = [r for r in json.loads(done.stdout)["loaded"] if r["package"] == f"{PACKAGE} 0.4"]
    assert {(r["kind"], r["name"], r["version"]) for r in own} == {
        ("source", "compressor", "0.4"),
        ("criterion", "night_agreement", "0.4"),
        ("measure", "compressor_control", "0.4"),
        ("report section", "compressor", "0.4"),
    }


def test_results_hold_what_it_offers(results: dict[str, Any]) -> None:
    used = {(o["kind"], o["name"]) for o in results["provenance"]["offers"] if o["package"] == PACKAGE}
    assert used == {("source", "compressor"), ("criterion", "night_agreement"), ("measure", "compressor_control")}
    (section,) = results["provenance"]["report_sections"]
    assert (section["name"], section["package"], section["package_version"]) == ("compressor", PACKAGE, "0.4")
    assert section["reads"] == ["receivers", "options"]
    for receiver in results["receivers"]:
        assert 20.0 < receiver["by_mechanism_db"]["lden"]["compressor"] < receiver["lden_db"]
    verdicts = {f["receiver"]: f["verdict"] for f in results["findings"] if f["criterion"] == "night_agreement"}
    assert verdicts["R"] in ("above", "borderline", "well below") and verdicts["S"] == "not assessed"
    (measure,) = results["options"]["measures"]
    assert (measure["measure"], measure["package"], measure["acts"]) == ("compressor_control", PACKAGE, True)
    (option,) = results["options"]["options"]
    assert option["mean_reduction_db"]["lden"] > 0.05


def test_the_report_prints_it_like_a_bundled_one(text: str, results: dict[str, Any]) -> None:
    for words in (
        "Each vehicle with a drive has an air compressor of 95 dB",  # section 4
        "Agreed night level",  # section 3
        "the agreement is about dwellings only",
        "Compressors sound alike in all third octaves from 100 Hz to 2 kHz.",  # assumptions
        f"{PACKAGE} 0.4",  # appendix B
        "compressor (report section)",
        f"Section compressor, version 0.4, by the package {PACKAGE} 0.4.",  # appendix C
        "TC.compressor.1 Air compressors at the receivers",
    ):
        assert words in text, words
    for receiver in results["receivers"]:
        alone = receiver["by_mechanism_db"]["lden"]["compressor"]
        assert f"{receiver['id']} {receiver['lden_db']:.1f} {alone:.1f}" in text
    (option,) = results["options"]["options"]
    assert f"Lden falls by {option['mean_reduction_db']['lden']:.1f} dB in the mean of the receivers." in text


def elements(item: Any) -> Iterator[Any]:
    """Structure elements in the order of reading."""
    if isinstance(item, pikepdf.Array):
        for part in item:
            yield from elements(part)
    elif isinstance(item, pikepdf.Dictionary) and "/S" in item:
        yield item
        yield from elements(item.get("/K"))


def test_the_section_keeps_the_structure_of_the_pdf(out: Path) -> None:
    with pikepdf.open(out / "assessment.pdf") as pdf:
        last = [e for e in elements(pdf.Root.StructTreeRoot.K) if e.S == "/Table"][-1]
        inside = list(elements(last))
        scopes = [str(e.A.Scope) for e in inside if e.S == "/TH"]
        assert scopes == ["/Column"] * 3 + ["/Row"] * 2
        assert [sum(tag == e.S for e in inside) for tag in ("/Caption", "/TR", "/TD")] == [1, 3, 4]
        with pdf.open_outline() as outline:
            (appendix,) = [entry for entry in outline.root if entry.title.startswith("Appendix C")]
            assert [entry.title for entry in appendix.children] == ["Air compressors"]


def test_without_the_plugin_the_project_says_what_is_missing(tmp_path: Path) -> None:
    folder = write_site(site(), tmp_path / "site")
    done = run(tmp_path, "-m", "lineside.cli", "check", str(folder))
    assert done.returncode == 1
    assert "no plugin offers the calculator compressor" in done.stderr.replace("'", "").replace('"', "")
    assert "no plugin offers this section of the report" in done.stderr
    assert "no plugin offers this measure" in done.stderr and "no plugin offers this criterion" in done.stderr


def test_a_section_that_breaks_stops_before_anything_is_computed(installed: Path, tmp_path: Path) -> None:
    broken = tmp_path / "plugin"
    shutil.copytree(installed, broken)
    template = broken / "lineside_compressor" / "templates" / "compressor.html.j2"
    template.write_text(template.read_text().replace("{{ r.lden_db | level }}", "{{ r.lden_db - 3 }}"))
    folder = write_site(site(), tmp_path / "site")
    done = run(broken, "-m", "lineside.cli", "assess", str(folder), "--quiet")
    assert done.returncode == 3
    assert f"plugin {PACKAGE} 0.4: report section 'compressor' of register_report_sections: " in done.stderr
    assert "template compressor.html.j2: line 10: it computes with '-'" in done.stderr
    assert not (folder / "out" / "results.json").exists()


def new_setuptools() -> bool:
    """Whether there is one that builds wheels without another package."""
    try:
        return int(importlib.metadata.version("setuptools").split(".")[0]) >= 77
    except importlib.metadata.PackageNotFoundError:
        return False


@pytest.mark.skipif(not new_setuptools(), reason="needs setuptools 77 or later beside the tests")
def test_pip_installs_it_without_a_network(tmp_path: Path) -> None:
    source = tmp_path / "source"
    shutil.copytree(SOURCE, source, ignore=shutil.ignore_patterns("__pycache__"))
    how = ["--no-deps", "--no-build-isolation", "--no-index", "--quiet", "--disable-pip-version-check"]
    target = tmp_path / "target"
    pip = [sys.executable, "-m", "pip", "install", *how, "--target", str(target), str(source)]
    done = subprocess.run(pip, capture_output=True, text=True, timeout=300)
    assert done.returncode == 0, done.stderr
    listed = run(target, "-m", "lineside.cli", "plugins", "--json")
    assert "compressor_control" in listed.stdout
    program = "import lineside_compressor as c; from lineside.plugin_checks import check_section as s; s(c.SECTION)"
    checked = run(target, "-c", program)
    assert checked.returncode == 0, checked.stderr

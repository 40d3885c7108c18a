"""Sections that plugins add to the report."""

from __future__ import annotations

import runpy
import sys
from collections.abc import Mapping
from pathlib import Path

import pytest

from lineside.contracts import ReportSection
from lineside.errors import ReportError
from lineside.report import context, html
from lineside.report.sections import fragments
from lineside.report.strings import Strings

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
RESULTS = FIXTURE["build_results"](2)


@pytest.fixture
def package(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> str:
    """A package of a stranger's plugin, with templates."""
    folder = tmp_path / "invented_plugin"
    (folder / "templates").mkdir(parents=True)
    (folder / "__init__.py").write_text("")
    templates = {
        "good.html.j2": "<p>{{ n }} receivers, {{ name }}</p>",
        "missing.html.j2": "{{ absent }}",
        "escape.html.j2": "{{ ''.__class__.__mro__[1].__subclasses__() }}",
    }
    for name, content in templates.items():
        (folder / "templates" / name).write_text(content)
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.delitem(sys.modules, "invented_plugin", raising=False)
    return "invented_plugin"


def section(package: str, template: str, name: str = "a", place: str = "method") -> ReportSection:
    def build(document: Mapping[str, object]) -> Mapping[str, object]:
        receivers = document["receivers"]
        assert isinstance(receivers, list)
        return {"n": len(receivers), "name": "<b>R1</b>\x07"}

    return ReportSection(name, f"Section {name}", place, package, template, build)


def test_fragments_are_placed_sorted_and_escaped(package: str) -> None:
    added = [
        section(package, "good.html.j2", "b"),
        section(package, "good.html.j2", "a"),
        section(package, "good.html.j2", "c", "inputs"),
    ]
    found = fragments(RESULTS, added)
    assert [f.title for f in found["method"]] == ["Section a", "Section b"]
    assert found["inputs"][0].html == "<p>2 receivers, &lt;b&gt;R1&lt;/b&gt;</p>"
    strings = Strings()
    report = context.build(RESULTS, {}, context.draw(RESULTS, strings), strings, added)
    page = html.render(report, strings, html.font_for_pdf)
    assert page.index("Section a") < page.index("Section b") < page.index('id="s-inputs"') < page.index("Section c")


@pytest.mark.parametrize(
    ("template", "message"),
    [("missing.html.j2", "'absent' is undefined"), ("escape.html.j2", "unsafe"), ("none.html.j2", "none.html.j2")],
)
def test_a_bad_fragment_stops_the_report_and_is_named(package: str, template: str, message: str) -> None:
    with pytest.raises(ReportError, match=message) as caught:
        fragments(RESULTS, [section(package, template, "mine")])
    assert "'mine'" in str(caught.value) and package in str(caught.value)


def test_an_unknown_place_is_refused(package: str) -> None:
    with pytest.raises(ReportError, match="unknown place 'cover', allowed are method, inputs"):
        fragments(RESULTS, [section(package, "good.html.j2", place="cover")])

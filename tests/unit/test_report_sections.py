"""Sections that plugins add to the report: their sandbox, their HTML, their place."""

from __future__ import annotations

import json
import runpy
import sys
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

import lineside
from lineside.contracts import ReportSection
from lineside.engine.select import vocabulary_of
from lineside.errors import PluginError, ProjectError
from lineside.hookspecs import hookimpl
from lineside.plugins import Origin, Plugins
from lineside.project.schema import project_schema
from lineside.report import context, html
from lineside.report.sandbox import frozen
from lineside.report.section_html import checked
from lineside.report.sections import faults, fragments, rendered
from lineside.report.strings import Strings
from lineside.results.model import Results, SectionUsed
from sites import straight_site, write_site

FIXTURE = runpy.run_path(str(Path(__file__).with_name("report_fixture.py")))
RESULTS: Results = FIXTURE["build_results"](2)
DOCUMENT = RESULTS.model_dump(mode="json")
STRINGS = Strings()
TABLE = """<table><caption>Levels</caption><thead><tr><th scope="col">Place</th><th scope="col" class="num">Lden</th>
</tr></thead><tbody>{% for r in receivers %}<tr><th scope="row">{{ r.name }}</th>
<td class="num">{{ r.lden_db | level }}</td></tr>{% endfor %}</tbody></table>"""


@pytest.fixture
def write(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """``write(template)``: the section of a stranger's package with that template."""
    folder = tmp_path / "invented_plugin"
    (folder / "templates").mkdir(parents=True)
    (folder / "__init__.py").write_text("")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.delitem(sys.modules, "invented_plugin", raising=False)

    def section(template: str, reads: tuple[str, ...] = ("receivers",), name: str = "mine") -> ReportSection:
        (folder / "templates" / f"{name}.html.j2").write_text(template)
        return ReportSection(name, f"Section {name}", "1.2", "invented_plugin", f"{name}.html.j2", reads)

    return section


def asking_for(*names: str) -> Results:
    """The results of a project that names these sections."""
    used = [
        SectionUsed(name=n, title="", version="1.2", package="invented", package_version="7", reads=["receivers"])
        for n in names
    ]
    return RESULTS.model_copy(update={"provenance": RESULTS.provenance.model_copy(update={"report_sections": used})})


def test_a_section_stands_in_appendix_c_with_its_ids(write: Any) -> None:
    sections = [
        write(TABLE, name="b"),
        write("<p>{{ receivers | length }} places</p>", name="a"),
        write("{{", name="c"),
    ]
    results = asking_for("b", "a")
    report = context.build(results, {}, context.draw(results, STRINGS), STRINGS, sections)
    page = html.render(report, STRINGS, html.font_for_pdf)
    places = [page.index(s) for s in ('id="s-appendix_c"', 'id="C-a"', "<p>2 places</p>", 'id="C-b"', 'id="TC.b.1"')]
    assert places == sorted(places)
    assert 'href="#TC.b.1"' in page and "<b>TC.b.1</b> Levels" in page
    assert "Section b, version 1.2, by the package invented 7." in page
    assert f"{RESULTS.receivers[0].lden_db:.1f}</td>" in page
    versions = [row.cells for row in report.tables["TB.3"].rows]
    assert ("invented", "7") in versions and ("a (report section)", "1.2") in versions


def test_without_sections_the_appendix_stays_and_says_so(write: Any) -> None:
    report = context.build(RESULTS, {}, context.draw(RESULTS, STRINGS), STRINGS, [write(TABLE)])
    page = html.render(report, STRINGS, html.font_for_pdf)
    assert page.index('id="s-appendix_c"') < page.index("The project asks for no section by a plugin.")
    assert "Section mine" not in page


def test_a_section_that_is_not_installed_stops_the_report() -> None:
    with pytest.raises(PluginError, match="a report section 'mine' of invented 7, which is not installed"):
        fragments(asking_for("mine"), [], STRINGS)


def test_text_of_the_project_stays_text(write: Any) -> None:
    evil = [{"name": "<table>\x07<b>R1</b>"}]
    found = rendered(write("<p>{{ receivers[0].name }}</p>"), {**DOCUMENT, "receivers": evil})
    assert found.html == "<p>&lt;table&gt;&lt;b&gt;R1&lt;/b&gt;</p>"


def test_data_are_read_only() -> None:
    part = frozen({"a": [{"b": 1}]})
    with pytest.raises(TypeError):
        part["a"] = 1
    with pytest.raises(TypeError):
        part["a"][0]["b"] = 2


REFUSED = {
    "undeclared": ("<p>{{ site.default_ground }}</p>", "uses site, which reads does not name"),
    "absent": ("<p>{{ receivers[0].nothing }}</p>", "has no attribute 'nothing'"),
    "python": ("<p>{{ receivers.__class__.__mro__ }}</p>", "unsafe"),
    "sum": ("<p>{{ receivers | map(attribute='lden_db') | sum }}</p>", "No filter named 'sum'"),
    "safe": ("<p>{{ receivers[0].name | safe }}</p>", "No filter named 'safe'"),
    "plus": ("<p>{{ receivers[0].lden_db + 1 }}</p>", r"line 1: it computes with '\+'"),
    "unreached": (
        "{% if not receivers %}\n{{ 2 * 3 }}{% endif %}<p>{{ receivers | length }}</p>",
        "line 2: it computes",
    ),
    "join": ("<p>{{ receivers[0].lden_db ~ ' dB' }}</p>", "joins with '~'"),
    "raw": ("<p>\n{{ receivers[0].lden_db }}</p>", "line 2: the number .* use a filter"),
    "joined": ("<p>{{ receivers | map(attribute='lden_db') | join }}</p>", "use a filter"),
    "format": ("<p>{{ '{}'.format(receivers[0].lden_db) }}</p>", "not safely callable"),
    "method": ("<p>{{ receivers[0].name.ljust(99999) }}</p>", "not safely callable"),
    "whole": ("<p>{{ receivers[0] }}</p>", "printed as a whole"),
    "escaping": ("{% autoescape false %}<p>{{ receivers[0].name }}</p>{% endautoescape %}", "switches escaping"),
    "global": ("<p>{{ receivers | length }}{{ range(3) }}</p>", "uses range, which"),
    "outside": ("{% include '../secret' %}<p>{{ receivers | length }}</p>", "secret"),
    "syntax": ("<p>{{ receivers | length }}</p>{% if %}", "line 1: Expected an expression"),
    "silent": ("{% if not receivers %}<p>Nothing</p>{% endif %}", "there is no text"),
}


@pytest.mark.parametrize("kind", REFUSED)
def test_a_bad_template_is_named_with_its_line(write: Any, kind: str) -> None:
    template, message = REFUSED[kind]
    with pytest.raises(PluginError, match=message) as caught:
        fragments(asking_for("mine"), [write(template)], STRINGS)
    assert "plugin invented 7: report section 'mine' of register_report_sections" in str(caught.value)


def test_macros_loops_and_entries_of_parts_work(write: Any) -> None:
    template = """{% macro said(name, value) %}<p>{{ name }}: {{ value | level }}</p>{% endmacro %}
{% for period, value in receivers[0].period_db.items() %}{{ said(period, value) }}{% endfor %}"""
    found = rendered(write(template), DOCUMENT)
    assert found.html == "".join(f"<p>{n}: {v:.1f}</p>" for n, v in RESULTS.receivers[0].period_db.items())


def test_a_bad_declaration_is_found(write: Any) -> None:
    good = write("<p>{{ receivers | length }}</p>")
    assert list(faults(good)) == []
    broken = write("<p>{{ receivers | length }}</p>", ("receivers", "level", "findings"), "Not so")
    assert [problem.split(";")[0].split(",")[0] for problem in faults(broken)] == [
        "name 'Not so' must be lower-case letters",
        "reads names 'level'",
        "reads names findings",
    ]
    nowhere = ReportSection("a", "A", "1", "no_such_package_here", "a.html.j2", ("receivers",))
    assert "no_such_package_here" in "".join(faults(nowhere))


def test_a_project_names_sections_that_there_are(tmp_path: Path, write: Any) -> None:
    site = straight_site()
    site["report_sections"] = ["mine", "mime"]
    offered = SimpleNamespace(register_report_sections=hookimpl(lambda: [write("<p>{{ receivers | length }}</p>")]))
    plugins = Plugins([*Plugins.load()._modules, (offered, Origin("invented", "7"))])
    with pytest.raises(ProjectError) as caught:
        lineside.load_project(write_site(site, tmp_path / "site"), plugins)
    (problem,) = caught.value.problems
    assert problem.message == "report_sections[2]: no plugin offers this section of the report"
    assert (problem.allowed, problem.found) == ("mine", '"mime"') and "mine" in problem.hint
    schema = project_schema(vocabulary_of(plugins))
    assert schema["properties"]["report_sections"]["items"]["oneOf"] == [
        {"const": "mine", "description": "Section mine"}
    ]


def test_a_section_that_fails_at_the_end_leaves_the_data(tmp_path: Path, write: Any) -> None:
    site = straight_site(half_length_m=100.0)
    site["report_sections"] = ["mine"]
    section = write("<p>{% if receivers %}{{ receivers[0].lden_db }}{% endif %}</p>")
    offered = SimpleNamespace(register_report_sections=hookimpl(lambda: [section]))
    plugins = Plugins([*Plugins.load()._modules, (offered, Origin("invented", "7"))])
    assessment = lineside.assess(write_site(site, tmp_path / "site"), plugins)
    with pytest.raises(PluginError, match=r"plugin invented 7: report section 'mine' .* line 1: the number"):
        lineside.render(assessment, tmp_path / "out", plugins)
    found = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert [s["name"] for s in found["provenance"]["report_sections"]] == ["mine"]
    assert not (tmp_path / "out" / "assessment.pdf").exists()


GOOD = """<h3>A</h3><p class="note">H<sub>2</sub>O &amp; <em lang="de">Lärm</em></p><h4>B</h4>
<ul><li>one<br>two</li></ul><dl><dt>word</dt><dd>meaning</dd></dl><table><caption>T</caption><thead>
<tr><th scope="col">a</th><th scope="col">b</th></tr></thead><tbody>
<tr><th scope="row" rowspan="2">x</th><td>1</td></tr><tr><td>2</td></tr>
<tr><th scope="rowgroup" colspan="2">y</th></tr></tbody></table>"""


def test_allowed_html_passes_and_tables_get_ids() -> None:
    found = checked(GOOD + GOOD[GOOD.index("<table") :], "own")
    assert found.tables == (("TC.own.1", "T"), ("TC.own.2", "T"))
    assert '<table class="data" id="TC.own.1"><caption><b>TC.own.1</b> T</caption>' in found.html
    assert 'H<sub>2</sub>O &amp; <em lang="de">Lärm</em>' in found.html


def table(head: str = '<tr><th scope="col">a</th></tr>', body: str = '<tr><th scope="row">x</th></tr>') -> str:
    return f"<table><caption>T</caption><thead>{head}</thead><tbody>{body}</tbody></table>"


BAD = {
    "<p>a</p><script>alert(1)</script>": "<script> is not allowed",
    "<p>a</p><style>p {}</style>": "<style> is not allowed",
    '<p>a<img src="https://example.org/a.png" alt="x"></p>': "<img> is not allowed",
    '<p onclick="a()">a</p>': "the attribute onclick",
    '<p style="color: red">a</p>': "the attribute style",
    '<p class="new-page">a</p>': "the attribute class='new-page'",
    '<p id="T6.1">a</p>': "the attribute id",
    '<p><a href="#x">a</a></p>': "<a> is not allowed",
    "<p>a</p><!-- b -->": "a comment",
    "<h1>a</h1>": "<h1> is not allowed",
    "<h4>a</h4><p>b</p>": "the first is <h3>",
    "<h3> </h3><p>b</p>": "<h3> is empty",
    "<p>a": "<p> is not closed",
    "<p>a</b></p>": "</b> closes nothing",
    "<p>a<p>b</p></p>": "<p> may not stand in <p>",
    "a": "stand outside of a paragraph",
    "<p> </p>": "there is no text",
    "<table><tbody><tr><td>a</td></tr></tbody></table>": "one <caption>, one <thead> and one <tbody>",
    table().replace("<caption>T", "<caption>"): "<caption> is empty",
    table(head="<tr><th>a</th></tr>"): "<th> in <thead> needs scope='col'",
    table(head="<tr><td>a</td></tr>"): "a cell of <thead> must be <th>",
    table(body="<tr><td>x</td></tr>"): "must begin with <th scope='row'>",
    table(body='<tr><th scope="row">x</th><td>1</td></tr>'): "the same number of columns",
    table(body='<tr><th scope="row" rowspan="2">x</th></tr>'): "the same number of columns",
    table(body=""): "a row below it",
}


@pytest.mark.parametrize("fragment", BAD)
def test_what_html_is_refused(fragment: str) -> None:
    with pytest.raises(ValueError) as caught:
        checked(fragment, "own")
    assert BAD[fragment] in str(caught.value)

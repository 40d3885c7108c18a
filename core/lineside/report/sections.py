"""Appendix C: report sections of plugins, with the parts of the results that they declare, and nothing else."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence

from lineside.contracts import ReportSection
from lineside.errors import LinesideError, PluginError, told
from lineside.report.section_html import Checked, checked
from lineside.report.strings import Strings
from lineside.report.views import Fragment
from lineside.results.model import Results, SectionUsed


def fragments(results: Results, sections: Sequence[ReportSection], strings: Strings) -> tuple[Fragment, ...]:
    """The sections that the results name, sorted by name.

    Parameters
    ----------
    sections : sequence of ReportSection
        All that are installed.

    Raises
    ------
    PluginError
        If a section is not installed or fails; the message names the package, the section and what failed.
    """
    used = sorted(results.provenance.report_sections, key=lambda s: s.name)
    installed = {section.name: section for section in sections}
    document = results.model_dump(mode="json") if used else {}
    return tuple(_fragment(entry, installed, document, strings) for entry in used)


def _fragment(
    used: SectionUsed, installed: Mapping[str, ReportSection], document: Mapping[str, object], strings: Strings
) -> Fragment:
    if used.name not in installed:
        raise PluginError(
            f"the results have a report section {used.name!r} of {used.package} {used.package_version}, which is not "
            "installed"
        )
    section = installed[used.name]
    try:
        found = rendered(section, document)
    except PluginError as error:
        raise PluginError(f"plugin {used.package} {used.package_version}: {error}") from error
    about = strings(
        "appendix.section_by",
        name=used.name,
        version=used.version,
        package=used.package,
        package_version=used.package_version,
        reads=", ".join(used.reads),
    )
    return Fragment(used.name, section.title, about, found.html, found.tables)


def rendered(section: ReportSection, document: Mapping[str, object]) -> Checked:
    """The checked HTML of a section for a results document.

    Raises
    ------
    PluginError
        If its declaration, its template or the HTML that it gives breaks a rule.
    """
    from lineside.report.sandbox import frozen, template_of

    broken = list(faults(section))
    if broken:
        raise PluginError(f"report section {section.name!r} of register_report_sections: {'; '.join(broken)}")
    with_parts = {name: frozen(document[name]) for name in section.reads}
    try:
        template, _ = template_of(section.package, section.template)
        return checked(template.render(with_parts), section.name)
    except LinesideError:
        raise
    except Exception as error:
        what = f"report section {section.name!r} of register_report_sections: template {section.template} failed"
        raise PluginError(f"{what}: {_place(error)}{_words(error)}") from error


def faults(section: ReportSection) -> Iterator[str]:
    """What is wrong with a section whatever the project: what it declares, and its template."""
    texts = ("name", "title", "version", "package", "template")
    empty = [t for t in texts if not isinstance(getattr(section, t), str) or not getattr(section, t).strip()]
    yield from (f"{name} must be text" for name in empty)
    if not empty and not re.fullmatch(r"[a-z][a-z0-9_]*", section.name):
        yield f"name {section.name!r} must be lower-case letters, digits and underscores"
    known = Results.model_fields
    if isinstance(section.reads, str) or not isinstance(section.reads, Sequence):
        yield "reads must be a tuple of names"
        return
    wrong = [name for name in section.reads if name not in known]
    if wrong:
        yield f"reads names {', '.join(map(repr, wrong))}; the parts of the results are {', '.join(known)}"
    if empty:
        return
    from lineside.report.sandbox import template_of

    try:
        _, asked = template_of(section.package, section.template)
    except Exception as error:
        yield f"template {section.template}: {_place(error)}{_words(error)}"
        return
    undeclared = sorted(asked - set(section.reads))
    if undeclared:
        yield f"template {section.template} uses {', '.join(undeclared)}, which reads does not name"
    unused = sorted(set(section.reads) - asked)
    if unused:
        yield f"reads names {', '.join(unused)}, which template {section.template} does not use"


def _words(error: Exception) -> str:
    from jinja2 import TemplateError

    return str(error) if isinstance(error, TemplateError | ValueError) else told(error)


def _place(error: Exception) -> str:
    """The line of the template, where it is known."""
    line = getattr(error, "lineno", None)
    step = error.__traceback__
    while line is None and step is not None:
        file = step.tb_frame.f_code.co_filename
        line = step.tb_lineno if "templates" in file and not file.endswith(".py") else None
        step = step.tb_next
    return f"line {line}: " if line is not None else ""

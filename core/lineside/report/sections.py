"""Report sections of plugins: rendered in a sandbox with the context that they declare, and nothing else."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from lineside.contracts import ReportSection
from lineside.errors import ReportError
from lineside.figures.words import clean
from lineside.report.views import Fragment
from lineside.results.model import Results

PLACES = ("method", "inputs")


def fragments(results: Results, sections: Sequence[ReportSection]) -> Mapping[str, Sequence[Fragment]]:
    """Finished fragments by place, sorted by name, so that the order of plugins changes nothing."""
    found: dict[str, list[Fragment]] = {place: [] for place in PLACES}
    document = results.model_dump(mode="json") if sections else {}
    for section in sorted(sections, key=lambda s: s.name):
        if section.place not in found:
            raise ReportError(
                f"Report section {section.name!r}: unknown place {section.place!r}, allowed are {', '.join(PLACES)}."
            )
        found[section.place].append(Fragment(section.title, _render(section, document)))
    return found


def _render(section: ReportSection, document: Mapping[str, object]) -> str:
    from jinja2 import PackageLoader, StrictUndefined, TemplateError
    from jinja2.sandbox import SandboxedEnvironment
    from markupsafe import Markup

    def finish(value: object) -> object:
        return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    try:
        environment = SandboxedEnvironment(
            loader=PackageLoader(section.package, "templates"),
            autoescape=True,
            undefined=StrictUndefined,
            finalize=finish,
        )
        return environment.get_template(section.template).render(**section.context(document))
    except (TemplateError, ValueError, ImportError) as error:
        raise ReportError(f"Report section {section.name!r} of {section.package} failed: {error}") from error

"""HTML of the assessment: templates from the template package, every value escaped and cleaned."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Callable
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING

from lineside.errors import ReportError
from lineside.figures.style import TEMPLATE_PACKAGE
from lineside.figures.words import clean
from lineside.report.strings import Strings
from lineside.report.views import Report

if TYPE_CHECKING:
    from jinja2 import Environment

#: Scheme under which the PDF engine asks for the shipped fonts.
FONT_SCHEME = "lineside-font"

FontAddress = Callable[[str], str]


def font_bytes(name: str) -> bytes:
    """A shipped font file."""
    return (resources.files(TEMPLATE_PACKAGE) / "fonts" / name).read_bytes()


def font_for_pdf(name: str) -> str:
    """Address of a font that only our own fetcher answers."""
    return f"{FONT_SCHEME}:///{name}"


def font_for_web(name: str) -> str:
    """A font as part of the page itself."""
    return "data:font/ttf;base64," + base64.b64encode(font_bytes(name)).decode("ascii")


def environment(folder: str = "assessment") -> Environment:
    """Jinja environment of the shipped templates: strict, escaping, cleaning; a folder may use those of the report."""
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup

    def finish(value: object) -> object:
        return clean(value) if isinstance(value, str) and not isinstance(value, Markup) else value

    return Environment(
        loader=ChoiceLoader([PackageLoader(TEMPLATE_PACKAGE, name) for name in dict.fromkeys([folder, "assessment"])]),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=finish,
        trim_blocks=True,
        lstrip_blocks=True,
    )


@cache
def template_name() -> str:
    """The name of the templates, with a hash of them and of the strings: another hash, other words in the report."""
    whole = hashlib.sha256()
    for folder in ("assessment", "strings"):
        files = sorted((resources.files(TEMPLATE_PACKAGE) / folder).iterdir(), key=lambda file: file.name)
        for file in files:
            if file.name.endswith((".j2", ".css", ".toml")):
                whole.update(file.name.encode() + b"\n" + file.read_bytes())
    return f"lineside assessment {whole.hexdigest()[:12]}"


def render(report: Report, strings: Strings, font: FontAddress) -> str:
    """The whole document.

    Parameters
    ----------
    report : Report
        What is printed.
    strings : Strings
        Catalogue for headings that are always the same.
    font : callable
        Gives the address of a font file.
    """
    from jinja2 import TemplateError

    try:
        template = environment().get_template("report.html.j2")
        return template.render(report=report, t=strings, font=font, template=template_name())
    except TemplateError as error:
        raise ReportError(f"The report template failed: {error}") from error

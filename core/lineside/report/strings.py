"""The catalogue of wordings: one file per language in the template package."""

from __future__ import annotations

import tomllib
from importlib import resources

from lineside.errors import ReportError
from lineside.figures.style import TEMPLATE_PACKAGE


class Strings:
    """Wording by key, such as ``results.levels``; a missing key is an error, not an empty place in the report.

    Parameters
    ----------
    language : str
        Name of the catalogue, ``<folder>/<language>.toml``.
    folder : str, optional
        Where it lies in the template package.
    """

    def __init__(self, language: str = "en", folder: str = "strings") -> None:
        source = resources.files(TEMPLATE_PACKAGE) / folder / f"{language}.toml"
        try:
            self._parts: dict[str, dict[str, str]] = tomllib.loads(source.read_text(encoding="utf-8"))
        except FileNotFoundError:
            raise ReportError(f"There is no catalogue of strings for the language {language!r}.") from None

    def __call__(self, key: str, /, **values: object) -> str:
        """The wording of ``key`` with ``values`` filled in."""
        part, _, name = key.partition(".")
        try:
            wording = self._parts[part][name]
        except KeyError:
            raise ReportError(f"The catalogue of strings lacks {key}.") from None
        return wording.format(**values) if values else wording

    def known(self, part: str, name: str) -> str:
        """The wording of a name that plugins may add to (a use, a mechanism); the name itself where unknown."""
        return self._parts.get(part, {}).get(name, name.replace("_", " "))

    def has(self, key: str) -> bool:
        """Whether there is a wording of ``key``."""
        return key in self.all_keys()

    def all_keys(self) -> set[str]:
        """All keys."""
        return {f"{part}.{name}" for part, names in self._parts.items() for name in names}

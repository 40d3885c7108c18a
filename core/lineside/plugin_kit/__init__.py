"""Writes the package of a new plugin: complete, with tests that pass, ready to be changed.

The files lie in ``files``, each with ``.txt`` behind its name; ``@name@`` and the like stand for names of the plugin.
"""

from __future__ import annotations

import keyword
import re
import tempfile
from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from lineside import __version__
from lineside.contracts import Offer, ReportSection
from lineside.errors import RequestError
from lineside.plugins import Plugins

#: Place in the package -> file of the kit.
FILES = {
    "pyproject.toml": "pyproject.toml",
    "README.md": "README.md",
    "LICENCE.md": "LICENCE.md",
    "@package@/__init__.py": "init.py",
    "@package@/py.typed": "py.typed",
    "@package@/calculator.py": "calculator.py",
    "@package@/criterion.py": "criterion.py",
    "@package@/measure.py": "measure.py",
    "@package@/templates/@name@.html.j2": "section.html.j2",
    "tests/test_contract.py": "test_contract.py",
    "tests/test_values.py": "test_values.py",
    "tests/test_report.py": "test_report.py",
}
#: Packages of lineside itself, which a plugin's must not look like.
TAKEN = frozenset({"plugins", "report", "core"})
NAME = r"[a-z][a-z0-9]*(_[a-z0-9]+)*"


def name_of(folder: Path) -> str:
    """The name that the folder's name suggests.

    >>> name_of(Path("work/lineside-yard-fans"))
    'yard_fans'
    """
    return re.sub(r"[^a-z0-9]+", "_", folder.name.lower()).strip("_").removeprefix("lineside_")


def offers_of(name: str) -> tuple[str, ...]:
    """Names of what the plugin offers: calculator (and mechanism), criterion, measure, report section.

    >>> offers_of("fans")
    ('fans', 'fans_limit', 'fans_control', 'fans')
    """
    return name, f"{name}_limit", f"{name}_control", name


def write_kit(folder: Path, name: str, plugins: Plugins) -> tuple[str, ...]:
    """Write the package of a plugin into a new or empty folder.

    Parameters
    ----------
    folder : Path
        New, or an empty folder; a new one appears complete or not at all.
    name : str
        Name of the plugin: small letters, digits and single underscores.
    plugins : Plugins
        What is installed: names that are taken are refused.

    Returns
    -------
    tuple of str
        The files written, by their place in the folder.

    Raises
    ------
    RequestError
        If the name cannot be used or the folder is not empty.
    """
    _check(name, plugins)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        what = "is not empty" if folder.is_dir() else "is a file"
        raise RequestError(f"{folder} {what}; name a new folder: nothing is overwritten")
    contents = contents_of(name)
    if folder.is_dir():
        _fill(folder, contents)
    else:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(prefix=".plugin-kit-", dir=folder.parent) as temporary:
            made = Path(temporary) / "kit"
            made.mkdir()
            _fill(made, contents)
            made.rename(folder)
    return tuple(contents)


def contents_of(name: str) -> dict[str, str]:
    """Text of each file by its place."""
    source = files("lineside.plugin_kit") / "files"
    words = {
        "@name@": name,
        "@Name@": "".join(part.capitalize() for part in name.split("_")),
        "@words@": name.replace("_", " "),
        "@package@": f"lineside_{name}",
        "@distribution@": f"lineside-{name.replace('_', '-')}",
        "@lineside@": __version__,
    }

    def filled(text: str) -> str:
        for mark, word in words.items():
            text = text.replace(mark, word)
        return text

    return {
        filled(place): filled((source / f"{file}.txt").read_text(encoding="utf-8")) for place, file in FILES.items()
    }


def _check(name: str, plugins: Plugins) -> None:
    allowed = "allowed are small letters, digits and single underscores, a letter first, at most 30, e.g. yard_fans"
    if not re.fullmatch(NAME, name) or len(name) > 30:
        raise RequestError(f"the name {name!r} cannot be used; {allowed}; give one by --name")
    if keyword.iskeyword(name) or name in TAKEN or name.startswith("lineside"):
        raise RequestError(f"the name {name!r} is taken by Python or by lineside itself; give another by --name")
    kinds: tuple[Sequence[Offer | ReportSection], ...] = (
        (*plugins.source_calculators, *plugins.propagation_calculators),
        plugins.criteria,
        plugins.measures,
        plugins.report_sections,
    )
    for offers, wanted in zip(kinds, offers_of(name), strict=True):
        for offer in offers:
            if offer.name == wanted:
                by = plugins.origin(offer)
                whose = f"{by.distribution} {by.version} offers {wanted!r}"
                raise RequestError(f"the name {name!r} is taken: {whose}; give another by --name")
    if name in {c.mechanism for c in plugins.source_calculators}:
        raise RequestError(f"the name {name!r} is taken by a mechanism of sound; give another by --name")


def _fill(folder: Path, contents: dict[str, str]) -> None:
    for place, text in contents.items():
        path = folder / place
        path.parent.mkdir(parents=True, exist_ok=True)
        with path.open("x", encoding="utf-8", newline="\n") as stream:
            stream.write(text)

"""A small project to start from: complete, commented, and fit to be assessed at once."""

from __future__ import annotations

import json
import tempfile
from importlib.resources import files
from pathlib import Path

from lineside.errors import Problem, ProjectError
from lineside.project.schema import project_schema
from lineside.project.vocabulary import Vocabulary
from lineside.project.wording import shown

STARTER_FILES = ("project.yaml", "track_1.csv")
#: Named in the first line of the starter, so that editors complete and validate.
SCHEMA_FILE = "schema.json"


def write_starter(folder: Path, vocabulary: Vocabulary | None = None) -> tuple[str, ...]:
    """Write the starter project and the schema of its format into a new or empty folder.

    A new folder appears complete or not at all; nothing is overwritten.

    Parameters
    ----------
    folder : Path
        New, or an empty folder.
    vocabulary : Vocabulary, optional
        What the loaded plugins offer: makes the schema complete names and options too.

    Returns
    -------
    tuple of str
        Names of the files written.

    Raises
    ------
    ProjectError
        If the folder is not empty, or cannot be written.
    """
    where = shown(str(folder), quote=False, longest=300)
    contents = {name: (files("lineside.project.starter") / name).read_bytes() for name in STARTER_FILES}
    schema = json.dumps(project_schema(vocabulary), indent=1, ensure_ascii=False) + "\n"
    contents[SCHEMA_FILE] = schema.encode("utf-8")
    try:
        if folder.exists() and not folder.is_dir():
            raise ProjectError([Problem("is a file, not a folder", where, hint="name a new folder")])
        if folder.is_dir() and any(folder.iterdir()):
            raise ProjectError(
                [Problem("the folder is not empty", where, hint="name a new folder: nothing is overwritten")]
            )
        if folder.is_dir():
            _fill(folder, contents)
        else:
            folder.parent.mkdir(parents=True, exist_ok=True)
            _make(folder, contents)
    except (OSError, ValueError) as error:
        reason = (getattr(error, "strerror", None) or "the name is not usable").lower()
        raise ProjectError([Problem(f"the folder cannot be written: {reason}", where)]) from None
    return tuple(contents)


def _make(folder: Path, contents: dict[str, bytes]) -> None:
    """Fill a hidden folder beside the target, then rename it: it appears complete or not at all."""
    with tempfile.TemporaryDirectory(prefix=f".{folder.name[:40]}-", dir=folder.parent) as temporary:
        made = Path(temporary) / "project"
        made.mkdir()
        _fill(made, contents)
        made.rename(folder)


def _fill(folder: Path, contents: dict[str, bytes]) -> None:
    """Write the files, the project file last: without it, a folder is no project."""
    for name in sorted(contents, key=lambda name: name == STARTER_FILES[0]):
        with (folder / name).open("xb") as stream:
            stream.write(contents[name])

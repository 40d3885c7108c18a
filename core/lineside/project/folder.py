"""The project folder: the only place from which files are read."""

from __future__ import annotations

import re
from pathlib import Path

from lineside.errors import Problem, ProjectError
from lineside.project.wording import did_you_mean, names, shown

PROJECT_FILE = "project.yaml"
MAX_YAML_BYTES = 5_000_000
MAX_DATA_BYTES = 50_000_000
MAX_FILES = 200


class FileProblem(Exception):
    """Why a named file cannot be used; the caller knows where the name stands."""

    def __init__(self, message: str, allowed: str = "", hint: str = "") -> None:
        super().__init__(message)
        self.message, self.allowed, self.hint = message, allowed, hint


class ProjectFolder:
    """Reads files inside one folder, each once, and remembers their bytes by relative name."""

    def __init__(self, path: Path) -> None:
        """Open the folder of ``path``, which is the folder itself or the project file in it.

        Raises
        ------
        ProjectError
            If there is no such folder or no project file in it.
        """
        where = shown(str(path), quote=False, longest=300)
        try:
            if path.is_dir():
                self.root, self.project_name = path.resolve(), PROJECT_FILE
            elif path.is_file():
                if path.suffix not in (".yaml", ".yml"):
                    raise ProjectError(
                        [Problem("is not a project file", where, allowed=f"a folder with {PROJECT_FILE}")]
                    )
                self.root, self.project_name = path.resolve().parent, path.name
            else:
                raise ProjectError(
                    [Problem("there is no such folder", where, hint="`lineside new DIR` makes a project to start from")]
                )
            if not (self.root / self.project_name).is_file():
                self._no_project_file(where)
        except (OSError, ValueError) as error:
            raise ProjectError([Problem(f"cannot be opened: {_reason(error)}", where)]) from None
        self.files: dict[str, bytes] = {}

    def _no_project_file(self, where: str) -> None:
        others = sorted(p.name for p in self.root.glob("*.y*ml"))[:10]
        raise ProjectError(
            [
                Problem(
                    f"there is no {PROJECT_FILE} in this folder",
                    where,
                    hint=f"there is {names(others)}: rename it, or name the file itself"
                    if others
                    else "`lineside new DIR` makes a project to start from",
                )
            ]
        )

    def read_project(self) -> bytes:
        """The project file.

        Raises
        ------
        ProjectError
            If it cannot be read or is too large.
        """
        try:
            return self.read(self.project_name, MAX_YAML_BYTES)
        except FileProblem as problem:
            raise ProjectError(
                [Problem(problem.message, self.project_name, allowed=problem.allowed, hint=problem.hint)]
            ) from None

    def read(self, name: str, limit: int = MAX_DATA_BYTES) -> bytes:
        """The bytes of a file, named relative to the folder.

        Raises
        ------
        FileProblem
            If the name leads out of the folder or the file cannot be used.
        """
        key = self._key(name)
        if key not in self.files:
            if len(self.files) >= MAX_FILES:
                raise FileProblem(f"is one file too many: a project may have {MAX_FILES}")
            self.files[key] = self._bytes(name, self.root / key, limit)
        return self.files[key]

    def _key(self, name: str) -> str:
        if re.match(r"[a-zA-Z][a-zA-Z0-9+.-]*:", name):
            raise FileProblem(
                "is an address, not a file", hint="copy the file into the project folder; nothing is fetched"
            )
        if "\\" in name:
            raise FileProblem("contains a backslash", hint="write folders with /")
        try:
            target = (self.root / name).resolve()
        except (OSError, ValueError, RuntimeError) as error:
            raise FileProblem(f"cannot be opened: {_reason(error)}") from None
        if Path(name).is_absolute() or not target.is_relative_to(self.root):
            raise FileProblem(
                "lies outside the project folder", "a file inside the project folder", "copy the file into it"
            )
        return target.relative_to(self.root).as_posix()

    def _bytes(self, name: str, target: Path, limit: int) -> bytes:
        try:
            if not target.exists():
                siblings = sorted(p.name for p in self.root.iterdir() if p.is_file())[:100]
                raise FileProblem("no such file in the project folder", names(siblings), did_you_mean(name, siblings))
            if not target.is_file():
                raise FileProblem("is not a file")
            with target.open("rb") as stream:
                data = stream.read(limit + 1)
        except OSError as error:
            raise FileProblem(f"cannot be read: {_reason(error)}") from None
        if len(data) > limit:
            raise FileProblem(f"is larger than {limit / 1e6:g} MB")
        return data


def _reason(error: Exception) -> str:
    return (getattr(error, "strerror", None) or "the name is not usable").lower()

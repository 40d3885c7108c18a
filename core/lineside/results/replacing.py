"""Files of an output folder that take the places of older ones all together, or not at all.

They are written into a folder beside the old ones, brought to the disk, and then renamed one after the other; where a
renaming fails, those before it are undone. Between the first and the last renaming, which takes some milliseconds, a
power failure could leave both: no file system renames many files at once.
"""

from __future__ import annotations

import contextlib
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

from lineside.errors import ReportError, naming

_PREFIX = ".new-"
_OLD = ".old"


@contextlib.contextmanager
def replacing(out: Path, obsolete: Callable[[Path], list[Path]] = lambda new: []) -> Iterator[Path]:
    """A folder for new files of ``out``; when the block ends well, they are put in place.

    Parameters
    ----------
    out : Path
        The output folder; made if it is not there.
    obsolete : callable
        Given the folder of new files, names relative to ``out`` of files that are to go with the old ones.

    Raises
    ------
    OSError, ReportError
        If a file cannot be written or renamed; ``out`` is as it was, and the message names the file there.
    """
    out.mkdir(parents=True, exist_ok=True)
    _sweep(out)
    new = out / f"{_PREFIX}{os.getpid()}"
    shutil.rmtree(new, ignore_errors=True)
    new.mkdir()
    try:
        yield new
        _put_in_place(new, out, obsolete(new))
    except OSError as error:
        if error.filename is not None:
            error.filename = _outside(str(error.filename), new, out)
        raise
    except ReportError as error:
        error.args = tuple(_outside(a, new, out) if isinstance(a, str) else a for a in error.args)
        raise
    finally:
        shutil.rmtree(new, ignore_errors=True)


def _outside(text: str, new: Path, out: Path) -> str:
    return text.replace(str(new), str(out))


def _put_in_place(new: Path, out: Path, obsolete: list[Path]) -> None:
    """Rename all new files; undo it all where one cannot be."""
    names = sorted(p.relative_to(new) for p in new.rglob("*") if p.is_file())
    for name in names:
        _to_disk(new / name)
    old = new / _OLD
    undo: list[Callable[[], object]] = []
    try:
        for name in [*names, *(n for n in obsolete if n not in names)]:
            target, before = out / name, old / name
            target.parent.mkdir(parents=True, exist_ok=True)
            before.parent.mkdir(parents=True, exist_ok=True)
            if target.is_file():
                _keep(target, before)
                undo.append(lambda before=before, target=target: before.replace(target))  # type: ignore[misc]
            elif name in names:
                undo.append(lambda target=target: target.is_dir() or target.unlink(missing_ok=True))  # type: ignore[misc]
            if name in names:
                with naming(target):
                    (new / name).replace(target)
            else:
                target.unlink(missing_ok=True)
    except BaseException:
        for step in reversed(undo):
            step()
        raise
    for folder in {(out / name).parent for name in names}:
        _to_disk(folder)


def _keep(target: Path, before: Path) -> None:
    """Keep an old file under another name, for the case that it must come back."""
    try:
        os.link(target, before)
    except OSError:  # file systems without links: it is away until the new one takes its place
        target.replace(before)


def _to_disk(path: Path) -> None:
    """Wait until a file, or the names in a folder, are on the disk."""
    if path.is_dir():
        with contextlib.suppress(OSError):  # not all systems open folders
            handle = os.open(path, os.O_RDONLY)
            try:
                os.fsync(handle)
            finally:
                os.close(handle)
        return
    with naming(path), path.open("rb+") as file:
        os.fsync(file.fileno())


def _sweep(out: Path) -> None:
    """Remove what a killed process left behind."""
    if os.name != "posix":
        return
    for left in out.glob(f"{_PREFIX}*"):
        number = left.name.removeprefix(_PREFIX)
        if number.isdigit() and left.is_dir():
            try:
                os.kill(int(number), 0)
            except ProcessLookupError:
                shutil.rmtree(left, ignore_errors=True)
            except (OSError, OverflowError):
                pass  # of somebody else, still there

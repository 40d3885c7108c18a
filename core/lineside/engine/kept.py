"""What a run has computed so far, kept on disk until it is finished, so that a stopped run can go on.

Under the output folder: ``.unfinished/lock``, held by the run that writes there, and ``.unfinished/KEY/`` with one file
for each finished block. KEY is a hash of everything that decides the numbers, so that what another state of the project
or of the program left behind is never taken up. Files are written under another name first: a file that is there is
whole.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import tempfile
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np

from lineside.acoustics.bands import Array
from lineside.errors import ReportError, naming

FOLDER = ".unfinished"
#: Arrays above this size are kept in a file instead of in memory. [bytes]
IN_MEMORY = 256 * 2**20


class Blocks:
    """Finished blocks of one run, in memory only: nothing is kept when it stops."""

    def load(self, name: str, wanted: Collection[str] = ()) -> Mapping[str, Array] | None:
        """The arrays of a block, by name; None where it is not there, or lacks one that is wanted."""
        return None

    def save(self, name: str, arrays: Mapping[str, Array]) -> None:
        """Keep the arrays of a block."""


def load_text(blocks: Blocks, name: str) -> bytes | None:
    """A text that was kept as a block; None where it is not there."""
    found = blocks.load(name, ("text",))
    return found["text"].tobytes() if found is not None else None


def save_text(blocks: Blocks, name: str, text: str) -> None:
    """Keep a text as a block."""
    blocks.save(name, {"text": np.frombuffer(text.encode(), np.uint8)})


def room(shape: tuple[int, ...]) -> Array:
    """An array of zeros to be filled; a large one lies in a file without a name, and only pages in use in memory."""
    size = 8 * math.prod(shape)
    if size <= IN_MEMORY:
        return np.zeros(shape)
    with tempfile.TemporaryFile() as file:
        file.truncate(size)
        return np.memmap(file, np.float64, "r+", shape=shape)


class KeptBlocks(Blocks):
    """Finished blocks of one run in a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        for left in folder.glob("*.part"):
            left.unlink()

    def load(self, name: str, wanted: Collection[str] = ()) -> Mapping[str, Array] | None:
        try:
            with (self.folder / f"{name}.npz").open("rb") as data, np.load(data, allow_pickle=False) as file:
                found = {key: file[key] for key in file.files}
        except Exception:  # not there, or damaged in any way: numpy and zipfile let through whatever they stumble over
            return None
        return found if all(key in found for key in wanted) else None

    def save(self, name: str, arrays: Mapping[str, Array]) -> None:
        path = self.folder / f"{name}.npz"
        part = path.with_suffix(".part")
        with naming(path), part.open("wb") as file:
            np.savez(file, **dict[str, Any](arrays))
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)


class Kept:
    """The place of unfinished runs under an output folder; a context that holds its lock once it is opened.

    Parameters
    ----------
    out : Path
        The output folder.
    say : callable
        Told what is found there.
    """

    def __init__(self, out: Path, say: Callable[[str], None] = lambda text: None) -> None:
        self.out = out
        self.say = say
        self.folder = out / FOLDER
        self.blocks: KeptBlocks | None = None
        self._lock: BinaryIO | None = None
        self._made: list[Path] = []

    def __enter__(self) -> Kept:
        return self

    def __exit__(self, *_: object) -> None:
        if self._lock is None:
            return
        if not self.n_blocks:
            self.finish()
        self._lock.close()
        self._lock = None
        for folder in self._made:
            with contextlib.suppress(OSError):
                folder.rmdir()  # still empty

    @property
    def n_blocks(self) -> int:
        """Finished blocks that are there."""
        return 0 if self.blocks is None else sum(1 for _ in self.blocks.folder.glob("*.npz"))

    def open(self, key: str) -> Blocks:
        """Take the lock, remove what other keys left, and take up what this one did.

        Raises
        ------
        ReportError
            If another run writes into the same output folder.
        """
        self._made = [p for p in (self.out, *self.out.parents) if not p.exists()]
        self.folder.mkdir(parents=True, exist_ok=True)
        self._lock = _locked(self.folder / "lock", self.out)
        for other in self.folder.iterdir():
            if other.is_dir() and other.name != key:
                shutil.rmtree(other, ignore_errors=True)
                self.say(f"an unfinished run of another state of the project or program was removed from {self.folder}")
        self.blocks = KeptBlocks(self.folder / key)
        if self.n_blocks:
            self.say(f"going on with an unfinished run, {self.n_blocks} blocks of which are kept in {self.folder}")
        return self.blocks

    def finish(self) -> None:
        """Remove everything: the results are written."""
        shutil.rmtree(self.folder, ignore_errors=True)


def _locked(path: Path, out: Path) -> BinaryIO:
    """The file, open and locked; the system lets go of it when the process ends, however it ends."""
    while True:
        file = path.open("a+b")
        try:
            _lock(file)
        except OSError:
            file.seek(0)
            who = file.read().decode("ascii", "replace").strip()
            file.close()
            raise ReportError(
                f"another run{f' (process {who})' if who else ''} is writing into {out}; wait until it is done, or "
                "choose another --out"
            ) from None
        if path.exists() and os.path.samestat(os.fstat(file.fileno()), path.stat()):
            break
        file.close()  # the run that held it has finished and removed it meanwhile
        path.parent.mkdir(parents=True, exist_ok=True)
    file.truncate(0)
    file.write(str(os.getpid()).encode())
    file.flush()
    return file


def _lock(file: BinaryIO) -> None:
    if os.name == "nt":
        import msvcrt

        file.seek(1 << 30)
        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)  # type: ignore[attr-defined,unused-ignore]
    else:
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)

"""What is said when results cannot be written."""

from __future__ import annotations

import os
import sqlite3
from pathlib import Path

import pytest

from lineside.engine.kept import KeptBlocks
from lineside.errors import ReportError
from lineside.report.pdf import write_whole
from lineside.results.write import _part, write_bytes


@pytest.mark.parametrize("kind", [RuntimeError, sqlite3.OperationalError, sqlite3.DatabaseError])
def test_errors_of_libraries_name_the_file(kind, tmp_path):
    with (
        pytest.raises(ReportError, match=r"maps\.gpkg could not be written: disk is full"),
        _part(tmp_path / "maps.gpkg"),
    ):
        raise kind("disk is full")


@pytest.mark.parametrize(
    "write",
    [write_bytes, write_whole, lambda path, data: KeptBlocks(path.parent).save("results", {"a": data})],
)
def test_a_full_disk_names_the_file_and_leaves_nothing_else(write, tmp_path, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "write_bytes", full)
    monkeypatch.setattr("numpy.savez", full)
    monkeypatch.setattr(os, "fdopen", full)
    with pytest.raises(OSError, match="No space left") as caught:
        write(tmp_path / "results.npz", b"data")
    assert caught.value.filename == str(tmp_path / "results.npz")
    assert not (tmp_path / "results.npz").exists()

"""Packages of plugins put on the path as an installer would put them there, without a network."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path


def unpack(source: Path, target: Path) -> Path:
    """Copy a plugin's folder and write the metadata beside it that an installer would write."""
    shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__", "build", "*.egg-info"))
    about = tomllib.loads((target / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    metadata = target / f"{about['name'].replace('-', '_')}-{about['version']}.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {about['name']}\nVersion: {about['version']}\n", encoding="utf-8"
    )
    groups = about["entry-points"].items()
    lines = [
        f"[{group}]\n" + "".join(f"{name} = {value}\n" for name, value in entry.items()) for group, entry in groups
    ]
    (metadata / "entry_points.txt").write_text("\n".join(lines), encoding="utf-8")
    return target


def run(folder: Path, *arguments: str, timeout_s: float = 600) -> subprocess.CompletedProcess[str]:
    """Run Python with the folder on its path, from inside it."""
    environment = {**os.environ, "PYTHONPATH": str(folder)}
    return subprocess.run(
        [sys.executable, *arguments], cwd=folder, env=environment, capture_output=True, text=True, timeout=timeout_s
    )

"""Reading lineside's own data tables: one CSV with one TOML beside it that says where it comes from."""

from __future__ import annotations

import csv
import hashlib
import io
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from importlib.resources import files

import numpy as np

from lineside.acoustics.bands import Array
from lineside.contracts import DataFile
from lineside.errors import DataFileError

_REQUIRED = ("title", "source", "obtained", "licence", "sha256", "columns")


@dataclass(frozen=True, eq=False)
class Table:
    """A table: columns of numbers or of text, read-only, and its sidecar.

    The sidecar has ``title``, ``source`` (issuer, document, edition, table), ``obtained`` (how the values came
    here and how they were checked), ``licence``, ``sha256`` of the CSV, ``columns`` (name -> unit and
    meaning), and optionally ``rising`` or ``falling`` (name of a strictly monotone column).
    """

    name: str
    columns: Mapping[str, Array]
    text: Mapping[str, tuple[str, ...]]
    meta: Mapping[str, object]

    def __getitem__(self, column: str) -> Array:
        try:
            return self.columns[column]
        except KeyError:
            raise DataFileError(f"{self.name}: no column {column!r}; there are {', '.join(self.columns)}") from None

    @property
    def data_file(self) -> DataFile:
        return DataFile(self.name, str(self.meta["title"]), str(self.meta["source"]), str(self.meta["sha256"]))


@cache
def load_table(package: str, name: str) -> Table:
    """Load ``data/<name>.csv`` of an import package, checked against its sidecar.

    Raises
    ------
    DataFileError
        If the file, its sidecar or a declared column is missing, the hash differs, a number is not
        one, or a column that must rise or fall does not.
    """
    folder = files(package) / "data"
    try:
        raw = (folder / f"{name}.csv").read_bytes()
        meta = tomllib.loads((folder / f"{name}.toml").read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise DataFileError(f"{package}: table {name}: {error}") from error
    missing = [key for key in _REQUIRED if key not in meta]
    if missing:
        raise DataFileError(f"{package}: {name}.toml lacks {', '.join(missing)}")
    if hashlib.sha256(raw).hexdigest() != meta["sha256"]:
        raise DataFileError(f"{package}: {name}.csv was changed: its sha256 is not the one in {name}.toml")
    lines = [line for line in raw.decode("utf-8").splitlines() if line.strip() and not line.startswith("#")]
    rows = list(csv.DictReader(io.StringIO("\n".join(lines))))
    if not rows or set(rows[0]) != set(meta["columns"]):
        raise DataFileError(f"{package}: {name}.csv: columns differ from those in {name}.toml")
    numbers: dict[str, Array] = {}
    text: dict[str, tuple[str, ...]] = {}
    for column in rows[0]:
        values = tuple(row[column] for row in rows)
        if meta["columns"][column].get("unit") == "text":
            text[column] = values
            continue
        try:
            array = np.array([float(v) for v in values], dtype=np.float64)
        except ValueError as error:
            raise DataFileError(f"{package}: {name}.csv, column {column}: {error}") from error
        array.setflags(write=False)
        numbers[column] = array
    for key, sign in (("rising", 1.0), ("falling", -1.0)):
        if key in meta and not np.all(sign * np.diff(numbers[meta[key]]) > 0):
            raise DataFileError(f"{package}: {name}.csv: {meta[key]} is not {key}")
    return Table(name=f"{package}/data/{name}.csv", columns=numbers, text=text, meta=meta)

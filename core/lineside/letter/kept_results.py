"""Results that an earlier assessment left in a folder, and whether they are those of the project as it is now."""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from lineside import __version__
from lineside.errors import RequestError
from lineside.project.load import LoadedProject
from lineside.report.strings import Strings
from lineside.report.summary import of_one_situation
from lineside.results.model import Results

RESULTS_FILE = "results.json"
#: Keys that no number depends on: letters take them from the project as it is now.
LETTER_KEYS = ("contact", "letter")
RECEIVER_KEYS = ("address", "salutation")
MAX_BYTES = 2_000_000_000


def read_results(folder: Path) -> Results:
    """The results document in a folder.

    Raises
    ------
    RequestError
        If there is none, or it is damaged or of another version.
    """
    path = folder / RESULTS_FILE
    if not path.is_file():
        raise RequestError(f"{folder} holds no {RESULTS_FILE}; `lineside assess` writes it")
    try:
        if path.stat().st_size > MAX_BYTES:
            raise RequestError(f"{path} is too large")
        return Results.model_validate_json(path.read_bytes())
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(p) for p in first["loc"]) or "the file"
        raise RequestError(
            f"{path} is damaged, or was written by another version of lineside: {where}: {first['msg']}"
        ) from None


def as_written(project: Mapping[str, Any]) -> dict[str, Any]:
    """The project without what only letters use."""
    kept = copy.deepcopy({k: v for k, v in project.items() if k not in LETTER_KEYS})
    for receiver in kept.get("receivers", []):
        for key in RECEIVER_KEYS:
            receiver.pop(key, None)
    return kept


def misfits(results: Results, loaded: LoadedProject) -> list[str]:
    """Why results are not those of a project, in words; empty where they are, addresses and contact aside."""
    out = []
    dumped = loaded.project.model_dump(mode="json", by_alias=True)
    ours, theirs = as_written(dumped), as_written(results.project)
    changed = sorted(k for k in {*ours, *theirs} if _text(ours.get(k)) != _text(theirs.get(k)))
    if changed:
        out.append("the project file has changed: " + ", ".join(changed))
    now = {n: hashlib.sha256(data).hexdigest() for n, data in loaded.inputs.items() if n != loaded.project_file}
    then = {i.name: i.sha256 for i in results.provenance.inputs if i.name != loaded.project_file}
    files = sorted(n for n in {*now, *then} if now.get(n) != then.get(n))
    if files:
        out.append("files have changed: " + ", ".join(files))
    if results.provenance.lineside_version != __version__:
        out.append(f"they are by lineside {results.provenance.lineside_version}, and this is {__version__}")
    return out


def _text(value: Any) -> str:
    return json.dumps(value, sort_keys=True)


def refuse_one_situation(results: Results) -> None:
    """Letters state the long-term mixture only.

    Raises
    ------
    RequestError
        If the results are those of ``assess --state``.
    """
    if of_one_situation(results, Strings()):
        raise RequestError(
            "these results are for one situation only (assess --state); letters need those of the long-term mixture"
        )


def with_letter_keys(results: Results, project: Mapping[str, Any]) -> Results:
    """The results with contact, sentences and addresses of a project as validated."""
    addresses = {r["id"]: {k: r.get(k) for k in RECEIVER_KEYS} for r in project.get("receivers", [])}
    receivers = [{**r, **addresses.get(r["id"], {})} for r in results.project.get("receivers", [])]
    changed = {**results.project, **{k: project.get(k) for k in LETTER_KEYS}, "receivers": receivers}
    return results.model_copy(update={"project": changed})

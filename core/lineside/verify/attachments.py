"""What a PDF carries: project, companion files and results, taken out without trusting a name or a size."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from pydantic import ValidationError

from lineside.project.folder import MAX_DATA_BYTES, MAX_FILES, PROJECT_FILE
from lineside.report.archive import RESULTS_FILE, attachment_name
from lineside.results.model import Provenance, Results
from lineside.verify.document import tidy
from lineside.verify.findings import Check, Deviation, UnusablePdf
from lineside.verify.opening import content_of

MAX_NAME = 200
MAX_FOLDERS = 8
MAX_RESULTS_BYTES = 150_000_000
MAX_TREE_DEPTH = 20

_WINDOWS = re.compile(r"(?i)(con|prn|aux|nul|com\d|lpt\d)(\..*)?")


@dataclass(frozen=True)
class Attached:
    """One attachment; ``refused`` says why its content is not used."""

    name: str
    content: bytes
    refused: str = ""

    @property
    def sha256(self) -> str:
        return hashlib.sha256(self.content).hexdigest()


def unfit(name: str) -> str:
    """Why a name is not used for a file; empty if it may be.

    >>> unfit("data/track.csv"), unfit("../x")
    ('', 'leads out of its folder')
    """
    if not name or len(name) > MAX_NAME:
        return f"is empty or longer than {MAX_NAME} characters"
    if any(ord(c) < 32 or ord(c) == 127 or "\ud800" <= c <= "\udfff" for c in name):
        return "holds a character that no name of a file has"
    if "\\" in name or ":" in name or name.startswith(("/", "~")):
        return "is not a name inside a project folder"
    parts = name.split("/")
    if ".." in parts:
        return "leads out of its folder"
    if any(p in ("", ".") or p != p.strip() or _WINDOWS.fullmatch(p) for p in parts) or len(parts) > MAX_FOLDERS:
        return "is not a name inside a project folder"
    return ""


def read_attachments(pdf: Any) -> list[Attached]:
    """All attachments, those of the name tree and those listed beside it, each once."""
    found: dict[Any, Attached] = {}
    for spec in _specifications(pdf):
        key = spec.objgen if spec.objgen != (0, 0) else id(spec)
        if key not in found:
            found[key] = _attached(spec)
        if len(found) > MAX_FILES + 1:
            raise UnusablePdf(f"the PDF has more than {MAX_FILES + 1} attachments; no report has")
    return list(found.values())


def _attached(spec: Any) -> Attached:
    name = str(spec.get("/UF", spec.get("/F", "")))
    why = unfit(name)
    if why:
        return Attached(name, b"", f"its name {why}")
    files = spec.get("/EF")
    stream = (files.get("/F") or files.get("/UF")) if files is not None else None
    limit = MAX_RESULTS_BYTES if name == RESULTS_FILE else MAX_DATA_BYTES
    content = content_of(stream, limit) if stream is not None else None
    if content is None:
        return Attached(name, b"", f"it is damaged, packed in an odd way, or larger than {limit / 1e6:g} MB")
    return Attached(name, content)


def _specifications(pdf: Any) -> Iterator[Any]:
    import pikepdf

    named = pdf.Root.get("/Names")
    tree = named.get("/EmbeddedFiles") if named is not None else None
    waiting, n = [(tree, 0)] if tree is not None else [], 0
    while waiting:
        node, depth = waiting.pop()
        n += 1
        if depth > MAX_TREE_DEPTH or n > 2 * MAX_FILES:
            raise UnusablePdf("the list of attachments is larger than that of any report, or leads back into itself")
        names = list(node.get("/Names", []))
        yield from (spec for spec in names[1::2] if isinstance(spec, pikepdf.Dictionary))
        waiting += [(kid, depth + 1) for kid in node.get("/Kids", [])]
    yield from (spec for spec in pdf.Root.get("/AF", []) if isinstance(spec, pikepdf.Dictionary))


def results_of(attached: Sequence[Attached]) -> bytes | None:
    """The attached results document; None where there is none."""
    return next((a.content for a in attached if a.name == RESULTS_FILE and not a.refused), None)


def parse_results(content: bytes | None) -> tuple[Results | None, str]:
    """A results document; else None, and why it cannot be used."""
    if content is None:
        return None, "there are none"
    try:
        return Results.model_validate_json(content), ""
    except (ValidationError, RecursionError) as error:
        first = error.errors()[0] if isinstance(error, ValidationError) else {"loc": (), "msg": "nested too deeply"}
        where = ", ".join(str(part) for part in first["loc"])
        return None, f"they are not results of this version of lineside: {where or 'the file'}: {first['msg']}"


def check_attachments(attached: Sequence[Attached], provenance: Provenance | None) -> tuple[Check, Check]:
    """Which attachments are missing, added, renamed or unusable; and which differ from their check sums."""
    found = [_deviation(a.name, f"not used: {a.refused}") for a in attached if a.refused]
    names = [a.name for a in attached]
    twice = sorted({n for n in names if names.count(n) > 1})
    found += [_deviation(n, "is attached more than once; the first one is used") for n in twice]
    if results_of(attached) is None:
        found.append(_deviation(RESULTS_FILE, "is missing"))
    usable = {a.name: a for a in reversed(attached) if not a.refused}
    if provenance is None:
        said = f"{len(attached)}; what should be attached is not known, since the results cannot be read"
        return Check("attachments", said, tuple(found), done=False), Check("check sums", "not known", done=False)
    listed = {attachment_name(f.name): f for f in provenance.inputs}
    extra = {n: a for n, a in usable.items() if n not in listed and n != RESULTS_FILE}
    sums: list[Deviation] = []
    for name, file in listed.items():
        own = usable.get(name)
        if own is None:
            other = next((n for n, a in extra.items() if a.sha256 == file.sha256), None)
            if other is not None:
                del extra[other]
            renamed = f"is missing; its content is attached as {_named(other)}" if other is not None else "is missing"
            found.append(_deviation(name, renamed))
        elif own.sha256 != file.sha256:
            message = "was altered: it is not the file that the results were computed from"
            sums.append(Deviation("check sum", _named(name), message, _sum(own.sha256), _sum(file.sha256)))
    found += [_deviation(n, "is attached, but the results do not name it") for n in extra]
    if _whole(provenance) != provenance.project_sha256:
        message = "the check sum of all inputs is not that of the single ones"
        sums.append(Deviation("check sum", RESULTS_FILE, message))
    return (
        Check(
            "attachments", f"{len(attached)} files, {len(provenance.inputs)} inputs named by the results", tuple(found)
        ),
        Check("check sums", f"{len(listed)} inputs (SHA-256) and that of all of them", tuple(sums)),
    )


def _whole(provenance: Provenance) -> str:
    whole = hashlib.sha256()
    for file in provenance.inputs:
        whole.update(f"{file.name}\n{file.sha256}\n".encode())
    return whole.hexdigest()


def _sum(sha256: str) -> str:
    return f"{sha256[:16]}…"


def _named(name: str | None) -> str:
    text = tidy("".join(c if c.isprintable() else "�" for c in name or ""))
    return text if len(text) <= 80 else text[:79] + "…"


def _deviation(name: str, message: str) -> Deviation:
    return Deviation("attachment", f"attachment {_named(name)!r}", message)


def extract(attached: Sequence[Attached], provenance: Provenance | None, folder: Path) -> Path | None:
    """Write the inputs into an empty folder.

    Returns
    -------
    Path or None
        The project file; None if there is none.
    """
    original = {attachment_name(f.name): f.name for f in provenance.inputs} if provenance is not None else {}
    written: list[str] = []
    for one in attached:
        name = original.get(one.name, one.name)
        if one.refused or unfit(name) or (one.name == RESULTS_FILE and one.name not in original) or name in written:
            continue
        path = folder / PurePosixPath(name)
        if not path.resolve().is_relative_to(folder.resolve()):
            continue
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:
                file.write(one.content)
        except OSError:  # two names that one disk cannot tell apart, or a file where a folder is asked for
            continue
        written.append(name)
    wanted = provenance.project_file if provenance is not None else PROJECT_FILE
    projects = [n for n in written if "/" not in n and n.endswith((".yaml", ".yml"))]
    chosen = wanted if wanted in written else (projects[0] if len(projects) == 1 else None)
    return folder / chosen if chosen is not None else None

"""Who gets a letter: listed receivers and buildings with receivers on their facades, with address and salutation."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from lineside.errors import Problem, ProjectError, RequestError
from lineside.figures.words import clean, shorten
from lineside.letter.index import Index
from lineside.results.model import BuildingLevels, ReceiverResult

#: A listed receiver so near to a building stands for it. An assumption. [m]
SAME_PLACE_M = 2.5
#: What is known in detail at a listed receiver is told to a building as near as this, as of a spot nearby. An
#: assumption. [m]
NEAR_M = 50.0
#: More of an address does not fit.
MAX_LINES, MAX_CHARACTERS = 8, 80
MAX_FILE_BYTES = 20_000_000
_LINE = re.compile(r"line_([1-9][0-9]{0,2})")


@dataclass(frozen=True)
class Given:
    """What a file or the project says of an address."""

    lines: tuple[str, ...] = ()
    salutation: str = ""


@dataclass(frozen=True, eq=False)
class Addressee:
    """One address.

    Attributes
    ----------
    id : str
        Of the receiver, or else of the building.
    receiver : ReceiverResult or None
        Listed receiver at this place.
    building : BuildingLevels or None
        Levels on the facades of this building.
    near : ReceiverResult or None
        Where there is no listed receiver at this place: one nearby; ``near_m`` is how far.
    name : str
        Of the place, as the project gives it; may be empty.
    address : tuple of str
        Empty: nothing is known.
    """

    id: str
    use: str
    receiver: ReceiverResult | None
    building: BuildingLevels | None
    near: ReceiverResult | None
    near_m: float
    name: str
    address: tuple[str, ...]
    salutation: str


@dataclass(frozen=True)
class Chosen:
    """Who gets a letter, and what has to be said about it."""

    addressees: Sequence[Addressee]
    notes: Sequence[str]


def every(index: Index, project: Mapping[str, Any], given: Mapping[str, Given]) -> list[Addressee]:
    """All addresses: listed receivers in their order, then buildings that none of them stands for.

    Parameters
    ----------
    project : mapping
        The project as validated.
    given : mapping
        By id, from a file of addresses; it comes before what the project says.
    """
    listed = {str(r["id"]): r for r in project.get("receivers", [])}
    names, receivers = list(index.building_levels), index.results.receivers
    taken: set[str] = set()
    out = []
    for k, receiver in enumerate(receivers):
        building = None
        if names and receiver.use != "outdoor":
            nearest = int(index.distance_m[:, k].argmin())
            # a second receiver at the same building keeps its own levels
            if index.distance_m[nearest, k] <= SAME_PLACE_M and names[nearest] not in taken:
                building = index.building_levels[names[nearest]]
                taken.add(building.building)
        entry = listed.get(receiver.id, {})
        own = Given(tuple(entry.get("address") or ()), str(entry.get("salutation") or ""))
        address, salutation = _address(own, given.get(receiver.id, Given()), receiver.name)
        out.append(
            Addressee(receiver.id, receiver.use, receiver, building, None, 0.0, receiver.name, address, salutation)
        )
    inside = [k for k, r in enumerate(receivers) if r.use != "outdoor"]
    for b, (name, levels) in enumerate(index.building_levels.items()):
        if name in taken:
            continue
        info, near, near_m = index.buildings[name], None, 0.0
        if inside:
            k = min(inside, key=lambda k: index.distance_m[b, k])
            if index.distance_m[b, k] <= NEAR_M:
                near, near_m = receivers[k], float(index.distance_m[b, k])
        address, salutation = _address(Given(), given.get(name, Given()), info.name)
        out.append(Addressee(name, info.use, None, levels, near, near_m, info.name, address, salutation))
    return out


def choose(index: Index, project: Mapping[str, Any], given: Mapping[str, Given], wanted: str | None) -> Chosen:
    """Those who get a letter: one, or all with an address.

    Parameters
    ----------
    wanted : str, optional
        Id of a receiver, of a building, or of a receiver on a facade. Default: all.

    Raises
    ------
    RequestError
        If there is no such id, or nobody to write to.
    """
    found = every(index, project, given)
    notes = [
        f"{i}: this id of the file of addresses is neither a receiver nor a building" for i in _strange(found, given)
    ]
    if wanted is not None:
        building = _building_of(index, wanted)
        one = [a for a in found if a.id == wanted or (a.building is not None and a.building.building == building)][:1]
        if not one:
            known = ", ".join([a.id for a in found][:20]) + (", …" if len(found) > 20 else "")
            raise RequestError(f"there is no receiver or building {wanted!r} to write to; there are {known}")
        return Chosen(one, [*_cut(one), *notes])
    kept = [a for a in found if a.use != "outdoor"]
    outdoor = [a.id for a in found if a.use == "outdoor"]
    nameless = [a.id for a in kept if not a.address]
    kept = [a for a in kept if a.address]
    for ids, why in ((outdoor, "outdoors: nobody to write to"), (nameless, "no address and no name")):
        if ids:
            shown = ", ".join(ids[:10]) + (", …" if len(ids) > 10 else "")
            notes.append(f"no letter for {len(ids)} place{'' if len(ids) == 1 else 's'} ({why}): {shown}")
    if not kept:
        raise RequestError("there is nobody to write to; " + "; ".join(notes))
    return Chosen(kept, [*_cut(kept), *notes])


def _building_of(index: Index, wanted: str) -> str | None:
    """The building of an id that names it or one of its receivers."""
    if wanted in index.building_levels:
        return wanted
    facades = index.results.facades
    if facades is not None and wanted in facades.receivers.id:
        return facades.receivers.building[facades.receivers.id.index(wanted)]
    return None


def _strange(found: Sequence[Addressee], given: Mapping[str, Given]) -> list[str]:
    known = {a.id for a in found} | {a.building.building for a in found if a.building is not None}
    return [i for i in given if i not in known][:20]


def _address(own: Given, given: Given, name: str) -> tuple[tuple[str, ...], str]:
    lines = given.lines or own.lines or tuple(name.splitlines())
    fitting = tuple(shorten(line, MAX_CHARACTERS) for line in lines if clean(line).strip())[:MAX_LINES]
    return fitting, shorten(given.salutation or own.salutation, 2 * MAX_CHARACTERS)


def _cut(chosen: Sequence[Addressee]) -> list[str]:
    cut = [a.id for a in chosen if len(a.address) == MAX_LINES or any(line.endswith("…") for line in a.address)]
    if not cut:
        return []
    return [
        f"addresses of more than {MAX_LINES} lines or {MAX_CHARACTERS} characters a line are cut; look at those of "
        + ", ".join(cut[:10])
    ]


def read_addresses(path: Path) -> dict[str, Given]:
    """A file of addresses: CSV with the columns id, salutation (if any), and line_1, line_2, ...

    Raises
    ------
    ProjectError
        With all that is wrong, each with its line.
    """
    name = path.name
    data = path.read_bytes()
    if len(data) > MAX_FILE_BYTES:
        raise ProjectError([Problem(f"is larger than {MAX_FILE_BYTES / 1e6:g} MB", name)])
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise ProjectError([Problem("is not text in UTF-8", name, hint="save it as CSV UTF-8")]) from None
    rows = csv.reader(io.StringIO(text, newline=""), strict=True)
    try:
        head = [h.strip() for h in next(rows, [])]
        lines = sorted((int(h[5:]), k) for k, h in enumerate(head) if _LINE.fullmatch(h))
        twice = sorted({h for h in head if h and head.count(h) > 1})
        if twice:
            raise ProjectError([Problem("columns are there twice", name, 1, found=", ".join(twice)[:200])])
        unknown = [h for k, h in enumerate(head) if h not in ("id", "salutation") and k not in [c for _, c in lines]]
        if "id" not in head or not lines or unknown:
            allowed = "id, line_1, line_2, ... and, if you like, salutation"
            raise ProjectError([Problem("columns do not fit", name, 1, found=", ".join(head)[:200], allowed=allowed)])
        out: dict[str, Given] = {}
        problems = []
        for cells in rows:
            if not any(c.strip() for c in cells):
                continue
            cells = [*cells, *[""] * (len(head) - len(cells))]
            row = rows.line_num
            key = cells[head.index("id")].strip()
            said = cells[head.index("salutation")].strip() if "salutation" in head else ""
            given = Given(tuple(cells[k].strip() for _, k in lines if cells[k].strip()), said)
            if any("\n" in c or "\r" in c for c in cells):
                hint = "a quote may be open: close it; each line of an address has a column of its own"
                problems.append(Problem("has a line break inside a cell", name, row, hint=hint))
            elif len(cells) > len(head):
                problems.append(Problem("has more cells than the first line", name, row, hint="quote text with commas"))
            elif not key or not given.lines:
                problems.append(Problem("lacks the id" if not key else "has no line of an address", name, row))
            elif key in out:
                problems.append(Problem("the id is there twice", name, row, found=key))
            out.setdefault(key, given)
    except csv.Error as error:
        raise ProjectError([Problem(f"is no CSV table: {error}", name, rows.line_num)]) from None
    if problems:
        raise ProjectError(problems)
    return out

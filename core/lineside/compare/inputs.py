"""What changed in the project file, in the files beside it, and in the methods."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from lineside.compare.changes import Change
from lineside.results.model import OfferUsed, Results

MAX_WORDS = 120
#: Keys that name an entry of a list, the first one present.
NAMES = ("id", "name", "use_id", "kind", "date")


def project_changes(first: Results, second: Results) -> list[Change]:
    """Field by field; entries of lists are matched by their names."""
    return list(_values("", first.project, second.project))


def file_changes(first: Results, second: Results) -> list[Change]:
    """Input files by name; the same content under another name is said."""
    a = {f.name: f for f in first.provenance.inputs}
    b = {f.name: f for f in second.provenance.inputs}
    out = []
    for name in [n for n in a if n in b]:
        if a[name].sha256 != b[name].sha256:
            before, after = (f"{f.n_bytes} bytes, {f.sha256[:12]}" for f in (a[name], b[name]))
            out.append(Change("changed", name, before, after))
    names = {f.sha256: f.name for f in second.provenance.inputs if f.name not in a}
    moved = {n: names[f.sha256] for n, f in a.items() if n not in b and f.sha256 in names}
    out += [Change("changed", f"{old} (same content)", old, new) for old, new in moved.items()]
    out += [Change("removed", n, f"{f.n_bytes} bytes") for n, f in a.items() if n not in b and n not in moved]
    out += [
        Change("added", n, "", f"{f.n_bytes} bytes") for n, f in b.items() if n not in a and n not in moved.values()
    ]
    return out


def method_changes(first: Results, second: Results) -> list[Change]:
    """Versions, calculators, criteria and their options and tables."""
    a, b = first.provenance, second.provenance
    out = list(_values("lineside", a.lineside_version, b.lineside_version))
    out += _values("method", a.method, b.method)
    out += _values("situation", first.situation.label, second.situation.label)
    out += _values("situation, states", first.situation.states, second.situation.states)
    mine = {(o.kind, o.name): o for o in a.offers}
    yours = {(o.kind, o.name): o for o in b.offers}
    for key in dict.fromkeys([*mine, *yours]):
        where, old, new = f"{key[0]} {key[1]}", mine.get(key), yours.get(key)
        if old is None and new is not None:
            out.append(Change("added", where, "", f"{new.title}, {new.version}"))
        elif new is None and old is not None:
            out.append(Change("removed", where, f"{old.title}, {old.version}"))
        elif old is not None and new is not None:
            out += _offer(where, old, new)
    return out


def _offer(where: str, old: OfferUsed, new: OfferUsed) -> Iterator[Change]:
    yield from _values(f"{where}, version", old.version, new.version)
    packages = [f"{o.package} {o.package_version}" for o in (old, new)]
    yield from _values(f"{where}, package", *packages)
    yield from _values(f"{where}, verification", old.verification, new.verification)
    yield from _values(f"{where}, options", old.options, new.options)
    tables = [{t.name.rpartition("/")[2]: t.sha256[:12] for t in o.data_files} for o in (old, new)]
    yield from _values(f"{where}, tables", *tables)


def _values(where: str, a: Any, b: Any) -> Iterator[Change]:
    if a == b:
        return
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        for key in dict.fromkeys([*a, *b]):
            inner = f"{where}, {key}" if where else str(key)
            if key not in a or (a[key] is None and b.get(key) is not None):
                yield Change("added", inner, "", worded(b[key]))
            elif key not in b or (b[key] is None and a[key] is not None):
                yield Change("removed", inner, worded(a[key]))
            else:
                yield from _values(inner, a[key], b[key])
    elif isinstance(a, Sequence) and isinstance(b, Sequence) and not isinstance(a, str) and not isinstance(b, str):
        yield from _entries(where, a, b)
    else:
        before, after = worded(a), worded(b)
        if before == after:  # such as 0 and 0.0, or digits beyond those that anybody gives
            before, after = repr(a), repr(b)
        if a != b:
            yield Change("changed", where, before, after)


def _entries(where: str, a: Sequence[Any], b: Sequence[Any]) -> Iterator[Change]:
    key = next((k for k in NAMES if _names_all(a, k) and _names_all(b, k)), None)
    if key is None:
        if len(a) == len(b) and all(isinstance(v, Mapping) for v in (*a, *b)):
            for k, (x, y) in enumerate(zip(a, b, strict=True), 1):
                yield from _values(f"{where} {k}", x, y)
        else:
            yield Change("changed", where, *_listed(a, b))
        return
    old, new = {str(e[key]): e for e in a}, {str(e[key]): e for e in b}
    for name in dict.fromkeys([*old, *new]):
        inner = f"{where} {name}"
        if name not in old:
            yield Change("added", inner, "", worded(new[name]))
        elif name not in new:
            yield Change("removed", inner, worded(old[name]))
        else:
            yield from _values(inner, old[name], new[name])
    if list(old) != list(new) and set(old) == set(new):
        yield Change("changed", f"{where}, order", ", ".join(old), ", ".join(new))


def _names_all(entries: Sequence[Any], key: str) -> bool:
    """Does the key name each entry, and each by another name?"""
    if not all(isinstance(e, Mapping) and e.get(key) for e in entries):
        return False
    names = [str(e[key]) for e in entries]
    return len(set(names)) == len(names)


def _listed(a: Sequence[Any], b: Sequence[Any]) -> tuple[str, str]:
    before, after = worded(list(a)), worded(list(b))
    if len(before) <= MAX_WORDS and len(after) <= MAX_WORDS:
        return before, after
    if len(a) != len(b):
        return f"{len(a)} entries", f"{len(b)} entries"
    n = sum(x != y for x, y in zip(a, b, strict=True))
    return f"{len(a)} entries", f"{len(b)} entries, {n} of them others"


def worded(value: Any) -> str:
    """A value of a project file in words.

    >>> worded(60.0), worded(True), worded([1, 2.5]), worded({"id": "S2", "unit": "u"})
    ('60', 'yes', '1, 2.5', 'id S2; unit u')
    """
    if value is None:
        return "not given"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return f"{value:.6g}" if isinstance(value, float) else str(value)
    if isinstance(value, Mapping):
        kept = {k: v for k, v in value.items() if v not in (None, "", [], (), {})}
        return _short("; ".join(f"{k} {worded(v)}" for k, v in kept.items()))
    if isinstance(value, list | tuple):
        return (
            _short(", ".join(f"({worded(v)})" if isinstance(v, list | tuple) else worded(v) for v in value)) or "none"
        )
    return " ".join(str(value).split()) or "empty"


def _short(text: str) -> str:
    return text if len(text) <= 2 * MAX_WORDS else text[: 2 * MAX_WORDS - 1] + "…"

"""Where templates of plugins run: read-only data, no arithmetic, nothing of Python.

A template sees the parts of the results document that it declares, and the filters of ``FILTERS``. Variables that are
not there are errors. A fraction is printed by a filter only (``level``, ``whole``, ``number``, ``metres``,
``difference``), so that no digits are claimed that nobody computed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from types import MappingProxyType
from typing import Any

from jinja2 import BaseLoader, PackageLoader, StrictUndefined, Template, TemplateAssertionError, nodes
from jinja2.filters import FILTERS as ALL
from jinja2.runtime import BlockReference, LoopContext, Macro
from jinja2.sandbox import ImmutableSandboxedEnvironment
from markupsafe import Markup

from lineside.figures.words import clean
from lineside.report import text

#: What Jinja's own filters may do here: choose, sort, join and count; none of them computes or switches escaping off.
CHOOSING = (
    *("batch", "capitalize", "count", "default", "dictsort", "first", "groupby", "items", "last", "length", "list"),
    *("lower", "map", "max", "min", "reject", "rejectattr", "replace", "reverse", "select", "selectattr", "slice"),
    *("sort", "title", "trim", "unique", "upper"),
)
_ARITHMETIC = (nodes.Add, nodes.Sub, nodes.Mul, nodes.Div, nodes.FloorDiv, nodes.Mod, nodes.Pow, nodes.Neg, nodes.Pos)
_SWITCHES = (nodes.EvalContextModifier, nodes.ScopedEvalContextModifier)


def frozen(value: object) -> Any:
    """The same data, read-only."""
    if isinstance(value, Mapping):
        return MappingProxyType({key: frozen(part) for key, part in value.items()})
    if isinstance(value, list | tuple):
        return tuple(frozen(part) for part in value)
    return value


def printed(value: object) -> object:
    """What is put into the page for a value; a fraction without a filter is an error."""
    if isinstance(value, Markup):
        return value
    if isinstance(value, bool):
        raise ValueError("yes or no is printed as it stands; choose words for it")
    if isinstance(value, float):
        raise ValueError(f"the number {value!r} is printed as it stands; use a filter: level, whole, number, metres")
    if value is None:
        return text.NOTHING
    if isinstance(value, str):
        return clean(value)
    if isinstance(value, Mapping | tuple | list):
        raise ValueError("a list or a part of the results is printed as a whole; print its entries")
    return value


def _joined(values: Iterable[object], last: str = ", ") -> str:
    return last.join(str(printed(value)) for value in values)


FILTERS: Mapping[str, Any] = {
    **{name: ALL[name] for name in CHOOSING},
    "join": _joined,
    "level": text.level,
    "whole": text.whole,
    "number": text.number,
    "metres": text.metres,
    "difference": text.difference,
}


class Sandbox(ImmutableSandboxedEnvironment):
    """Environment of one package's templates."""

    def __init__(self, loader: BaseLoader) -> None:
        super().__init__(
            loader=loader,
            autoescape=True,
            undefined=StrictUndefined,
            finalize=printed,
            trim_blocks=True,
            lstrip_blocks=True,
        )
        self.filters = dict(FILTERS)
        self.globals = {}

    def is_safe_callable(self, obj: Any) -> bool:
        """Only macros, blocks, loops, and ``items`` and the like of read-only data may be called."""
        owned = isinstance(getattr(obj, "__self__", None), MappingProxyType | LoopContext)
        return super().is_safe_callable(obj) and (owned or isinstance(obj, Macro | BlockReference))

    def _generate(self, source: nodes.Template, name: str | None, filename: str | None, *args: Any, **kw: Any) -> str:
        for node in source.find_all((*_ARITHMETIC, nodes.Concat, *_SWITCHES)):
            if isinstance(node, nodes.Neg | nodes.Pos) and isinstance(node.node, nodes.Const):
                continue
            raise TemplateAssertionError(_refused(node), node.lineno, name, filename)
        return super()._generate(source, name, filename, *args, **kw)


def _refused(node: nodes.Node) -> str:
    if isinstance(node, _SWITCHES):
        return "it switches escaping on or off"
    if isinstance(node, nodes.Concat):
        return "it joins with '~'; write the parts one after the other"
    sign = {"Add": "+", "Sub": "-", "Mul": "*", "Div": "/", "FloorDiv": "//", "Mod": "%", "Pow": "**"}
    return f"it computes with {sign.get(type(node).__name__, 'a sign')!r}; sections compute nothing"


def template_of(package: str, name: str) -> tuple[Template, frozenset[str]]:
    """A compiled template of a package's folder ``templates``, and the variables that it asks for.

    Raises
    ------
    jinja2.TemplateError
        If it is missing or breaks the rules.
    ValueError, ImportError
        If there is no such package or folder.
    """
    from jinja2.meta import find_undeclared_variables

    environment = Sandbox(PackageLoader(package, "templates"))
    assert environment.loader is not None
    source, filename, _ = environment.loader.get_source(environment, name)
    asked = find_undeclared_variables(environment.parse(source, name, filename))
    return environment.get_template(name), frozenset(asked)

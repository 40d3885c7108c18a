"""Whatever goes wrong inside a plugin is said with the plugin's name.

:class:`lineside.plugins.Plugins` hands every object that a plugin registers to :func:`guard`. From then on an exception
out of one of its methods, and an answer of another kind than the contract asks for, is a
:class:`~lineside.errors.PluginError` that says which package, which object, which hook and which call it was.
"""

from __future__ import annotations

import functools
import inspect
import numbers
from collections.abc import Callable, Hashable, Iterator, Mapping, Sequence
from dataclasses import replace
from typing import Any, TypeVar

import numpy as np

from lineside.contracts import (
    Citation,
    DataFile,
    LimitCheck,
    Method,
    NotApplicable,
    Note,
    Offer,
    Options,
    Particulars,
    PathLoss,
    RailParts,
    RailRoughness,
    RailTone,
    ReportSection,
    SourceCalculator,
    SourceClass,
    Term,
)
from lineside.errors import LinesideError, PluginError, told
from lineside.measures import Facts, Lack, Measure
from lineside.project.model import Project

T = TypeVar("T")

#: Call of a contract -> what its answer is.
ANSWERS: Mapping[str, type | tuple[type, ...]] = {
    "statement": str,
    "particulars": Particulars,
    "checks": (NotApplicable, Sequence),
    "notes": Sequence,
    "data_files": Sequence,
    "emission": Mapping,
    "emission_beside": Mapping,
    "cuts": np.ndarray,
    "path_loss": PathLoss,
    "state_share": np.ndarray,
    "source_ground_g": numbers.Real,
    "max_piece_ratio": numbers.Real,
    "surfaces": Mapping,
    "most_transfer": (np.ndarray, type(None)),
    "roughness": RailRoughness,
    "parts": RailParts,
    "tones": Sequence,
    "facts": Facts,
    "apply": Project,
    "lacks": Sequence,
    "without_effect": str,
    "amounts": Mapping,
    "warnings": Sequence,
    "indoors_db": (tuple, type(None)),
    "approvals": Sequence,
    "cautions": Sequence,
    "share": np.ndarray,
    "valid": np.ndarray,
}
#: Call of a contract -> what the entries of its answer are.
ENTRIES: Mapping[str, type] = {
    "checks": LimitCheck,
    "notes": Note,
    "data_files": DataFile,
    "emission": SourceClass,
    "emission_beside": SourceClass,
    "surfaces": str,
    "tones": RailTone,
    "lacks": Lack,
    "amounts": str,
    "warnings": str,
    "approvals": str,
    "cautions": str,
}


def guard(offer: Offer, kind: type[Offer], who: str) -> None:
    """Let every call of a contract name the plugin where it fails.

    Parameters
    ----------
    offer : Offer
        The object that a plugin registered; its methods are replaced on the object itself.
    kind : type
        The contract, such as ``SourceCalculator``.
    who : str
        Package, object and hook, as they are printed.
    """
    contract = [base for base in kind.__mro__ if issubclass(base, Offer)]
    names = {name for base in contract for name, value in vars(base).items() if inspect.isfunction(value)}
    for name in sorted(n for n in names if not n.startswith("_")):
        if not getattr(offer.__dict__.get(name), "is_guarded", False):
            object.__setattr__(offer, name, _guarded(offer, name, who))


def asked(what: str, call: Callable[[], T]) -> T:
    """The answer of a plugin's code.

    Raises
    ------
    PluginError
        If it raises anything that is not an error of lineside; ``what`` says who was asked for what.
    """
    try:
        return call()
    except (LinesideError, MemoryError):
        raise
    except (Exception, SystemExit) as error:  # a stranger's code may raise anything; it is shown
        raise PluginError(f"{what} failed: {told(error)}") from error


def undeclared(offer: Offer | Method | ReportSection) -> Iterator[str]:
    """What an object does not declare as its contract asks, as far as the rest relies on it."""
    for text in ("name", "title") if isinstance(offer, Method) else ("name", "title", "version"):
        if not isinstance(getattr(offer, text), str) or not getattr(offer, text):
            yield f"{text} must be text"
    if isinstance(offer, Method):
        if not isinstance(offer.source_calculators, tuple) or not isinstance(offer.options, Mapping):
            yield "source_calculators must be a tuple of names, options a mapping"
        return
    if isinstance(offer, ReportSection):
        return
    if not (isinstance(offer.options_model, type) and issubclass(offer.options_model, Options)):
        yield "options_model must be a subclass of Options"
    if not (isinstance(offer.sources, tuple) and all(isinstance(s, Citation) for s in offer.sources)):
        yield "sources must be a tuple of Citation"
    if isinstance(offer, SourceCalculator):
        if not isinstance(getattr(offer, "mechanism", None), str):
            yield "mechanism must be text"
        terms = offer.vocabulary
        if not isinstance(terms, Mapping) or not all(isinstance(t, Term) for of in terms.values() for t in of):
            yield "vocabulary must map attributes to Terms"
    if isinstance(offer, Measure) and not isinstance(getattr(offer, "acts_on", None), tuple):
        yield "acts_on must be a tuple of mechanisms"


def _guarded(offer: Offer, name: str, who: str) -> Callable[..., Any]:
    own = offer.__dict__.get(name)

    def method() -> Callable[..., Any]:
        """As the plugin wrote it; looked up for each call."""
        return own if own is not None else inspect.getattr_static(type(offer), name).__get__(offer, type(offer))

    @functools.wraps(method())
    def call(*args: Any, **kwargs: Any) -> Any:
        answer = asked(f"{who}: {name}()", lambda: method()(*args, **kwargs))
        _check(answer, name, who)
        return _with_guarded_gains(answer) if name in ("emission", "emission_beside") else answer

    def told_gain(gain: Callable[..., Any], source_class: str) -> Callable[..., Any]:
        if getattr(gain, "is_guarded", False):
            return gain

        def call_gain(phi_deg: Any, psi_deg: Any) -> Any:
            return asked(f"{who}: gain of the source class {source_class!r}", lambda: gain(phi_deg, psi_deg))

        call_gain.is_guarded = True  # type: ignore[attr-defined]
        return call_gain

    kept_gain = functools.lru_cache(maxsize=64)(told_gain)  # the same one each time: bounds are kept by gain

    def _with_guarded_gains(answer: Mapping[SourceClass, Any]) -> Mapping[SourceClass, Any]:
        return {c if c.gain is None else replace(c, gain=_gain(c.gain, c.name)): power for c, power in answer.items()}

    def _gain(gain: Callable[..., Any], name: str) -> Callable[..., Any]:
        return kept_gain(gain, name) if isinstance(gain, Hashable) else told_gain(gain, name)

    call.is_guarded = True  # type: ignore[attr-defined]
    return call


def _check(answer: object, name: str, who: str) -> None:
    wanted = ANSWERS.get(name)
    if wanted is not None and (not isinstance(answer, wanted) or isinstance(answer, str) is not (wanted is str)):
        kinds = " or ".join(k.__name__ for k in (wanted if isinstance(wanted, tuple) else (wanted,)))
        raise PluginError(f"{who}: {name}() gave a {type(answer).__name__}, where a {kinds} is asked for")
    entry = ENTRIES.get(name)
    if entry is not None and isinstance(answer, Sequence | Mapping):
        for given in answer:
            if not isinstance(given, entry):
                kind = type(given).__name__
                raise PluginError(f"{who}: {name}() gave a {kind} inside, where a {entry.__name__} is due")
